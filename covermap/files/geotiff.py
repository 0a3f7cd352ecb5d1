"""The raster of a field as a cloud-optimised GeoTIFF.

GDAL makes such a file by copying another one. That other one is written here stripe by
stripe, with its overviews: in memory where it is small, in a temporary file beside the
target where it is not. Both ways give the same file.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from covermap.errors import Ask, OutputError
from covermap.ground.grid import Grid
from covermap.ground.rasters import Raster, as_raster, stripes
from covermap.ground.threads import core_count
from covermap.tables.column_meanings import band_column

#: How the file is written. Every GeoTIFF reader knows DEFLATE; on these floats a higher
#: level costs time and saves nothing.
COG_OPTIONS = {
    "compress": "DEFLATE",
    "level": 1,
    "predictor": "YES",
    "blocksize": 512,
    "overview_resampling": "average",
    "statistics": "YES",
    "bigtiff": "IF_SAFER",
}
#: What is copied is held in memory up to this size [bytes].
_MOST_IN_MEMORY = 64_000_000
#: Of GDAL's own store of blocks [bytes]; it would take a twentieth of the memory.
_BLOCK_STORE = 64 * 2**20
_BLOCK = 512


class GeotiffBand:
    """A band of a GeoTIFF, opened anew whenever it is read: a :class:`Raster`.

    Parameters
    ----------
    path : pathlib.Path
    band : int
        From 1.
    shape : tuple of int
        Rows, columns.
    way_out : str
        What to do where it cannot be read, for the message.
    """

    def __init__(self, path: Path, band: int, shape: tuple[int, int], way_out: str) -> None:
        self.shape = shape
        self._path, self._band, self._way_out = path, band, way_out

    def rows(self, first: int, count: int) -> np.ndarray:
        """Give ``count`` rows from row ``first``, float32.

        Raises
        ------
        OutputError
            If the file is damaged or gone.
        """
        import rasterio
        from rasterio.errors import RasterioError
        from rasterio.windows import Window

        count = max(min(count, self.shape[0] - first), 0)
        try:
            with rasterio.open(self._path) as raster:
                part = Window(0, first, self.shape[1], count)
                return np.asarray(raster.read(self._band, window=part, out_dtype=np.float32))
        except RasterioError as error:
            raise OutputError(
                f"{self._path}: damaged or no GeoTIFF ({error}).", way_out=self._way_out
            ) from error

    def whole(self) -> np.ndarray:
        """Give all rows, read into memory."""
        return self.rows(0, self.shape[0])


def write_geotiff(
    path: Path, grid: Grid, bands: Mapping[str, np.ndarray | Raster], tags: Mapping[str, str]
) -> None:
    """Write the bands of a field, with overviews, into one cloud-optimised GeoTIFF.

    Each band carries name, unit, meaning and statistics. Bands are read by rows, so that
    memory follows the stripe.

    Parameters
    ----------
    path : pathlib.Path
        File to write, such as ``residue.tif``.
    grid : Grid
        Where the cells lie.
    bands : mapping of str to numpy.ndarray or Raster
        Band name to values, shape of the grid, NaN where there is none; in file order.
        Unit and meaning of each come from ``tables/output_columns.csv``.
    tags : mapping of str to str
        Written as dataset metadata.

    Raises
    ------
    OutputError
        If the file cannot be written.
    ValueError
        If a band does not fit the grid.
    """
    import rasterio
    import rasterio.shutil

    rasters = {name: as_raster(values) for name, values in bands.items()}
    for name, raster in rasters.items():
        if raster.shape != grid.shape:
            raise ValueError(f"band {name}: shape {raster.shape}, the grid has {grid.shape}")
    size = grid.rows * grid.cols * len(rasters) * np.dtype(np.float32).itemsize
    try:
        with (
            rasterio.Env(GDAL_CACHEMAX=_BLOCK_STORE),
            _place(path.parent, in_memory=size <= _MOST_IN_MEMORY) as original,
        ):
            _write_original(original, grid, rasters, tags)
            rasterio.shutil.copy(
                original, path, driver="COG", num_threads=core_count(), **COG_OPTIONS
            )
    except Exception as error:  # what GDAL says when a file closes has no public name
        raise OutputError(
            f"Cannot write {path.name} to the folder {path.parent}: {error}.",
            "",
            "Look whether the disk is full, or choose another folder ({0}).",
            Ask("out"),
        ) from error


@contextmanager
def _place(folder: Path, *, in_memory: bool) -> Iterator[str]:
    """Give the name of a file that is gone afterwards, with what GDAL lays beside it."""
    if not in_memory:
        with tempfile.TemporaryDirectory(prefix=".covermap-", dir=folder) as beside:
            yield str(Path(beside) / "original.tif")
        return
    from rasterio.io import MemoryFile

    with MemoryFile(ext=".tif") as memory:
        yield memory.name


def _write_original(
    name: str, grid: Grid, rasters: Mapping[str, Raster], tags: Mapping[str, str]
) -> None:
    """Write a plain GeoTIFF of the same bands, tags and overviews."""
    import rasterio
    from rasterio.enums import Resampling
    from rasterio.windows import Window

    with rasterio.open(
        name,
        "w",
        driver="GTiff",
        height=grid.rows,
        width=grid.cols,
        count=len(rasters),
        dtype="float32",
        crs=grid.crs.to_wkt(),
        transform=grid.transform,
        nodata=np.nan,
        tiled=True,
        blockxsize=_BLOCK,
        blockysize=_BLOCK,
        # GDAL makes each overview of separate bands from the one before, and of bands side
        # by side all of them from the raster itself, which takes several times as long.
        interleave="band",
        sparse_ok=True,
        bigtiff="YES",
    ) as original:
        original.update_tags(
            **{key: _xml_text(text) for key, text in tags.items()}, AREA_OR_POINT="Area"
        )
        for number, band in enumerate(rasters, start=1):
            original.set_band_description(number, band)
            original.set_band_unit(number, band_column(band).unit)
            original.update_tags(number, meaning=band_column(band).meaning)
        for part in stripes(grid, rows_together=_BLOCK):
            window = Window(0, part.row, grid.cols, part.rows)
            for number, raster in enumerate(rasters.values(), start=1):
                values = np.asarray(raster.rows(part.row, part.rows), np.float32)
                original.write(values, number, window=window)
        factors = _overview_factors(grid)
        if factors:
            original.build_overviews(factors, Resampling.average)


def _overview_factors(grid: Grid) -> list[int]:
    """Give 2, 4, 8 and so on, until all of the field is in one block."""
    factors: list[int] = []
    while max(grid.shape) > _BLOCK * 2 ** len(factors):
        factors.append(2 ** (len(factors) + 1))
    return factors


def _xml_text(text: str) -> str:
    # GDAL keeps tags as XML in the file, where control characters make it unreadable.
    return "".join(c if c.isprintable() else " " for c in text)

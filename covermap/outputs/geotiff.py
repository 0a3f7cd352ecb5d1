"""The raster of a field as a cloud-optimised GeoTIFF."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from covermap.errors import OutputError
from covermap.ground.grid import Grid
from covermap.outputs.column_meanings import band_column


def write_geotiff(
    path: Path, grid: Grid, bands: Mapping[str, np.ndarray], tags: Mapping[str, str]
) -> None:
    """Write the bands of a field, with overviews, into one cloud-optimised GeoTIFF.

    Each band carries name, unit, meaning and statistics.

    Parameters
    ----------
    path : pathlib.Path
        File to write, such as ``residue.tif``.
    grid : Grid
        Where the cells lie.
    bands : mapping of str to numpy.ndarray
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
    from rasterio._err import CPLE_BaseError  # what closing a COG raises; it has no public name
    from rasterio.errors import RasterioError

    for name, values in bands.items():
        if values.shape != grid.shape:
            raise ValueError(f"band {name}: shape {values.shape}, the grid has {grid.shape}")
    try:
        with rasterio.open(
            path,
            "w",
            driver="COG",
            height=grid.rows,
            width=grid.cols,
            count=len(bands),
            dtype="float32",
            crs=grid.crs.to_wkt(),
            transform=grid.transform,
            nodata=np.nan,
            # Every GeoTIFF reader knows DEFLATE; on these floats a higher level costs time
            # and saves nothing.
            compress="DEFLATE",
            level=1,
            predictor="YES",
            blocksize=512,
            overview_resampling="average",
            num_threads="ALL_CPUS",
            statistics="YES",
            bigtiff="IF_SAFER",
        ) as raster:
            raster.update_tags(
                **{key: _xml_text(text) for key, text in tags.items()}, AREA_OR_POINT="Area"
            )
            for number, (name, values) in enumerate(bands.items(), start=1):
                raster.write(np.asarray(values, np.float32), number)
                raster.set_band_description(number, name)
                raster.set_band_unit(number, band_column(name).unit)
                raster.update_tags(number, meaning=band_column(name).meaning)
    except (RasterioError, CPLE_BaseError, OSError) as error:
        raise OutputError(
            f"Cannot write {path.name} to the folder {path.parent}: {error}. Look whether the "
            "disk is full, or choose another folder with --out."
        ) from error


def _xml_text(text: str) -> str:
    # GDAL keeps tags as XML in the file, where control characters make it unreadable.
    return "".join(c if c.isprintable() else " " for c in text)

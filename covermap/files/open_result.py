"""Read back a folder of results that ``covermap map`` wrote."""

from __future__ import annotations

import json
import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from covermap.cover.spread_limits import SpreadLimits
from covermap.errors import OutputError
from covermap.files import schemas
from covermap.files.geotiff import GeotiffBand

if TYPE_CHECKING:
    import geopandas as gpd

    from covermap.ground.grid import Grid
    from covermap.ground.rasters import Raster

#: Bands of ``residue.tif``, in its order.
BANDS = ("residue_t_ha", "cover_pct", "spread_ratio", "layers")

MAP_AGAIN = "Run covermap map again to write it."
_STRIPS_NEED = {"strip_id", "kind", "mean_ratio", "excess_kg", "deficit_kg", "passes", "discharge"}
_PASSES_NEED = {"pass_id", "length_m"}
_TEXTS = ("covermap", "crop")
_PARTS = ("field", "inputs_sha256", "evenness", "gap", "double", "passes", "fixes", "settings")


@dataclass(frozen=True)
class MapResult:
    """One folder of results: a :class:`covermap.field.mapped_field.MappedField`.

    Attributes
    ----------
    folder : pathlib.Path
    grid : Grid
    rasters : mapping of str to Raster
        float32 by the names of :data:`BANDS`, NaN where there is none; read when asked for.
    passes, strips : geopandas.GeoDataFrame
        In the grid's CRS.
    summary : mapping
        Content of ``summary.json``.
    """

    folder: Path
    grid: Grid
    rasters: Mapping[str, Raster]
    passes: gpd.GeoDataFrame
    strips: gpd.GeoDataFrame
    summary: Mapping[str, Any]

    @property
    def name(self) -> str:
        """As the person calls the field."""
        return str(self.summary["field"].get("name") or self.folder.name)

    @property
    def place(self) -> str:
        """The folder."""
        return str(self.folder)

    @property
    def limits(self) -> SpreadLimits:
        """Spread ratios that made a gap or a double."""
        return SpreadLimits.of(self.summary["settings"]["limits"])


def open_result(folder: Path) -> MapResult:
    """Read a folder of results.

    Parameters
    ----------
    folder : pathlib.Path
        That ``covermap map`` wrote.

    Returns
    -------
    MapResult

    Raises
    ------
    OutputError
        If it is no such folder, a file is missing or damaged, or another version of
        covermap wrote it in a form that this one does not know.
    """
    if not folder.exists():
        raise OutputError(
            f"{folder}: no such folder.", "Expected a folder that covermap map wrote."
        )
    if not folder.is_dir():
        raise OutputError(
            f"{folder} is a file, not a folder of results.",
            way_out="Name the folder that covermap map wrote.",
        )
    if not (folder / "residue.tif").is_file():
        raise OutputError(
            f"{folder}: no residue.tif in it.",
            "Expected a folder that covermap map wrote.",
            "Name that folder.",
        )
    summary = read_summary(folder)
    grid, rasters = _open_raster(folder / "residue.tif")
    stated = summary["field"]
    if not _of_one_run(stated.get("bounds_m"), stated.get("cell_m"), grid):
        raise OutputError(
            f"{folder}: residue.tif and summary.json are of different runs: their bounds or cell "
            "differ.",
            way_out=MAP_AGAIN,
        )
    return MapResult(
        folder,
        grid,
        rasters,
        read_layer(folder / "passes.gpkg", "passes", _PASSES_NEED).to_crs(grid.crs),
        read_layer(folder / "strips.gpkg", "strips", _STRIPS_NEED).to_crs(grid.crs),
        summary,
    )


def _of_one_run(bounds_m: object, cell_m: object, grid: Grid) -> bool:
    """Tell whether what the summary states is the raster's grid."""
    if not isinstance(bounds_m, list) or len(bounds_m) != 4:
        return False
    pairs = zip((*bounds_m, cell_m), (*grid.bounds, grid.cell_m), strict=True)
    return all(
        isinstance(one, int | float) and math.isclose(one, other, abs_tol=1e-3)
        for one, other in pairs
    )


def read_summary(folder: Path) -> dict[str, Any]:
    """Read ``summary.json`` of a folder of results.

    Raises
    ------
    OutputError
        If it is missing, damaged or of another version.
    """
    path = folder / "summary.json"
    try:
        content = json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        raise OutputError(f"{folder}: no summary.json in it.", way_out=MAP_AGAIN) from None
    except (OSError, ValueError) as error:
        raise OutputError(f"{path}: cannot be read: {error}.", way_out=MAP_AGAIN) from error
    schema = content.get("schema") if isinstance(content, dict) else None
    if schema != schemas.SUMMARY:
        version = content.get("covermap") if isinstance(content, dict) else None
        raise OutputError(
            f"{path}: made by another version of covermap ({version or 'unknown'}): its schema is "
            f"{schema!r}, this version reads {schemas.SUMMARY!r}.",
            way_out="Map the field again with this version.",
        )
    wrong = [key for key in _TEXTS if not isinstance(content.get(key), str)]
    wrong += [key for key in _PARTS if not isinstance(content.get(key), dict)]
    if "settings" not in wrong:
        sections = content["settings"]
        wrong += [f"settings, {key}" for key in sections if not isinstance(sections[key], dict)]
        limits = sections.get("limits")
        for key in SpreadLimits._fields:
            if not isinstance(limits, dict) or not isinstance(limits.get(key), int | float):
                wrong.append(f"settings, limits, {key}")
    if wrong:
        raise OutputError(f"{path}: damaged, there is no good {wrong[0]} in it.", way_out=MAP_AGAIN)
    return dict(content)


def _open_raster(path: Path) -> tuple[Grid, dict[str, Raster]]:
    import rasterio
    from pyproj import CRS
    from pyproj.exceptions import CRSError
    from rasterio.errors import RasterioError

    from covermap.ground.grid import Grid

    try:
        with rasterio.open(path) as raster:
            missing = [name for name in BANDS if name not in raster.descriptions]
            if missing:
                raise OutputError(
                    f"{path}: no band {missing[0]}; it has {raster.count} bands "
                    f"({', '.join(str(n) for n in raster.descriptions)}).",
                    way_out=f"Was it written by covermap? {MAP_AGAIN}",
                )
            place = raster.transform
            square = math.isclose(place.a, -place.e, rel_tol=1e-9) and place.b == place.d == 0
            if raster.crs is None or not square:
                raise OutputError(
                    f"{path}: not of the kind of grid that covermap writes.",
                    "Expected square cells, north up, in a metric CRS.",
                    f"Was it changed by another program? {MAP_AGAIN}",
                )
            crs = CRS.from_wkt(raster.crs.to_wkt())
            grid = Grid(crs, place.c, place.f, place.a, raster.height, raster.width)
            rasters: dict[str, Raster] = {
                name: GeotiffBand(path, raster.descriptions.index(name) + 1, grid.shape, MAP_AGAIN)
                for name in BANDS
            }
    except (RasterioError, CRSError) as error:
        raise OutputError(f"{path}: damaged or no GeoTIFF ({error}).", way_out=MAP_AGAIN) from error
    return grid, rasters


def read_layer(
    path: Path, layer: str, needed: Collection[str] = (), *, shapes: bool = True
) -> gpd.GeoDataFrame:
    """Read a layer of a GeoPackage of results, with its shapes or as a plain table.

    Raises
    ------
    OutputError
        If the file is missing or damaged, or a needed column or the CRS is not in it.
    """
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError

    if not path.is_file():
        raise OutputError(f"{path.parent}: no {path.name} in it.", way_out=MAP_AGAIN)
    try:
        table = pyogrio.read_dataframe(path, layer=layer, read_geometry=shapes)
    except (DataSourceError, DataLayerError) as error:
        raise OutputError(
            f"{path}: damaged or no GeoPackage ({error}).", way_out=MAP_AGAIN
        ) from error
    missing = sorted(set(needed) - set(table.columns))
    if missing:
        raise OutputError(
            f"{path}: no column {missing[0]}. It was made by another version of covermap or "
            "changed since.",
            way_out=MAP_AGAIN,
        )
    if shapes and table.crs is None:
        raise OutputError(f"{path}: it names no CRS.", way_out=MAP_AGAIN)
    return table

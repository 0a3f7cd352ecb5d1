"""What is exported: one folder of results read back, with its plan, as layers and bands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from covermap.cover.spread_limits import SpreadLimits
from covermap.drawing.map_drawing import ground_shapes
from covermap.errors import OutputError
from covermap.files.open_result import BANDS, MAP_AGAIN, MapResult, open_result, read_layer
from covermap.files.vectors import write_geojson
from covermap.ground.grid import Grid
from covermap.tables.column_meanings import OutputColumn, meanings_of

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely.geometry.base import BaseGeometry

#: What each layer is, its type of shape, and the file whose columns it has.
LAYERS = {
    "strips": ("Gap and double strips, most important first", "Polygon", "strips.gpkg"),
    "passes": ("Middle line of each pass", "LineString", "passes.gpkg"),
    "zones": ("Zones of the plan, as wide as the implement", "Polygon", "plan.gpkg"),
    "outline": ("Outline of the field", "Polygon", "field.gpkg"),
}
_ZONES_NEED = {"zone_id", "rule_id", "action", "area_m2"}
#: No file can hold an older time: zip archives begin here.
_OLDEST = datetime(1980, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class ExportContent:
    """All that the exports draw on.

    Attributes
    ----------
    name : str
        Of the field; no control characters.
    result : MapResult
    bands : mapping of str to numpy.ndarray
        By the names of :data:`covermap.files.open_result.BANDS`; (rows, cols) float32, NaN
        where there is none.
    layers : mapping of str to geopandas.GeoDataFrame
        By the names of :data:`LAYERS`, in the grid's CRS; ``zones`` only with a plan.
    causes : pandas.DataFrame
    start, end : datetime or None
        UTC time of the first and the last fix, where the track has times.
    when : datetime
        Time stamp of all files: ``end``, or else that of summary.json. Not the time of the
        export, so that one result always gives the same bytes.
    """

    name: str
    result: MapResult
    bands: Mapping[str, np.ndarray]
    layers: Mapping[str, gpd.GeoDataFrame]
    causes: pd.DataFrame
    start: datetime | None
    end: datetime | None
    when: datetime

    @property
    def grid(self) -> Grid:
        """Where the bands lie."""
        return self.result.grid

    @property
    def limits(self) -> SpreadLimits:
        """Spread ratios that made a gap or a double."""
        return self.result.limits

    @property
    def outline(self) -> BaseGeometry:
        """Outline of the field in the grid's CRS."""
        return self.layers["outline"].geometry.union_all()

    def columns(self, layer: str) -> dict[str, OutputColumn]:
        """Give name, unit and meaning of the columns of a layer."""
        return meanings_of(LAYERS[layer][2], self.layers[layer].columns)

    def about(self) -> dict[str, str]:
        """Give what each file says of its origin."""
        from covermap.drawing.caution import CAUTION

        return {
            "field": self.name,
            "crop": str(self.result.summary["crop"]),
            **{name: f"{limit:g}" for name, limit in self.limits._asdict().items()},
            "covermap_version": str(self.result.summary["covermap"]),
            "units": "SI; residue is dry matter",
            "caution": CAUTION,
        }


def read_export_content(folder: Path) -> ExportContent:
    """Read a folder of results for export.

    Raises
    ------
    OutputError
        If it is no such folder, or a file is missing or damaged.
    """
    result = open_result(folder)
    name = plain_text(result.name)
    bands = {name: result.rasters[name].whole() for name in BANDS}
    layers = {"strips": _clean(result.strips), "passes": _clean(result.passes)}
    zones = None
    if (folder / "plan.gpkg").is_file():
        zones = layers["zones"] = _clean(
            read_layer(folder / "plan.gpkg", "zones", _ZONES_NEED).to_crs(result.grid.crs)
        )
    layers["outline"] = _outline(result, zones, name)
    start = _time(result.passes.get("start_time"), "min")
    end = _time(result.passes.get("end_time"), "max")
    written = datetime.fromtimestamp((folder / "summary.json").stat().st_mtime, UTC)
    return ExportContent(
        name,
        result,
        bands,
        layers,
        _read_causes(folder / "causes.csv"),
        start,
        end,
        max(end or written.replace(microsecond=0), _OLDEST),
    )


def write_geojson_layers(folder: Path, content: ExportContent) -> None:
    """Write a GeoJSON of each layer, with what it is and what its columns mean."""
    for layer, table in content.layers.items():
        title, shape, _ = LAYERS[layer]
        about = {"title": title, **content.about()}
        write_geojson(folder / f"{layer}.geojson", table, shape, content.columns(layer), about)


def plain_text(text: str) -> str:
    """Give text without control characters and broken characters, which no format takes."""
    whole = text.encode("utf-8", "replace").decode("utf-8")
    return "".join(c if c.isprintable() else " " for c in whole)


def right_handed(shape: BaseGeometry) -> BaseGeometry:
    """Give a polygon or several with outer rings anticlockwise (RFC 7946, section 3.1.6)."""
    import shapely
    from shapely.geometry.polygon import orient

    if shape.geom_type == "Polygon":
        return orient(shape)
    parts = [orient(part) for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return shapely.MultiPolygon(parts)


def _clean(table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    texts = {
        name: [plain_text(v) if isinstance(v, str) else None for v in table[name]]
        for name in table.columns
        if name != table.geometry.name
        and not pd.api.types.is_numeric_dtype(table[name])
        and not pd.api.types.is_datetime64_any_dtype(table[name])
    }
    return table.assign(**texts)


def _read_causes(path: Path) -> pd.DataFrame:
    try:
        return pd.read_csv(path, encoding="utf-8")
    except (OSError, ValueError) as error:
        raise OutputError(f"{path}: cannot be read ({error}).", way_out=MAP_AGAIN) from error


def _outline(result: MapResult, zones: gpd.GeoDataFrame | None, name: str) -> gpd.GeoDataFrame:
    """Give the outline: the zones tile it; without a plan, the edge of the harvested cells."""
    import geopandas as gpd
    import shapely

    grid = result.grid
    if zones is not None and len(zones):
        whole = zones.geometry.union_all()
    else:
        whole = shapely.union_all(ground_shapes(result.rasters["spread_ratio"].whole(), grid))
    whole = right_handed(whole)
    there = [] if whole.is_empty else [whole]
    return gpd.GeoDataFrame(
        {"name": [name] * len(there), "area_m2": [shape.area for shape in there]},
        geometry=there,
        crs=grid.crs,
    )


def _time(times: Any, end: str) -> datetime | None:
    if times is None or not pd.api.types.is_datetime64_any_dtype(times) or times.isna().all():
        return None
    value = pd.Timestamp(getattr(times, end)())
    value = value.tz_localize("UTC") if value.tzinfo is None else value.tz_convert("UTC")
    moment: datetime = value.to_pydatetime()
    return moment

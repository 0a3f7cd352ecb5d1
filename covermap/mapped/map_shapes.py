"""Passes, strips, zones and arrows of the map page: shape, card and signs of each."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from covermap.cover.cross_section import across_middle_pass
from covermap.drawing.map_texts import (
    Rows,
    in_both_units,
    pass_rows,
    strip_rows,
    wind_rows,
    zone_rows,
)
from covermap.drawing.wind_arrows import wind_arrows
from covermap.ground.grid import Grid
from covermap.tables.signs import action_signs, cause_signs

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely.geometry.base import BaseGeometry

#: Lines are drawn with no more points than they need to stay this close [m].
_SIMPLIFIED_M = 0.3
#: Strips are drawn no finer than this on the page; the files keep their full outline [m].
_STRIP_SIMPLIFIED_M = 1.0
#: Positions on the page are whole steps of this, about 0.1 m [deg].
_DEGREE_STEP = 1e-6


def map_shapes(
    grid: Grid,
    passes: gpd.GeoDataFrame,
    strips: gpd.GeoDataFrame,
    boundary: BaseGeometry | None,
    zones: gpd.GeoDataFrame | None,
) -> dict[str, Any]:
    """Gather the shapes that the page's scripts draw, each with the rows of its card.

    Fit for JSON: outline, passes, strips, wind, zones, causes, middle_section, and the labels
    that rows name by number.
    """
    import geopandas as gpd

    labels: dict[str, int] = {}
    passes = passes[passes.geometry.notna()]
    strips = strips[strips.geometry.notna()]
    outline = gpd.GeoSeries([] if boundary is None else [boundary], crs=grid.crs)

    def rows(table: gpd.GeoDataFrame, make: Callable[[Any, bool], Rows]) -> list[Any]:
        found = [
            in_both_units(lambda us, record=record: make(record, us))  # type: ignore[misc]
            for record in records(table)
        ]
        return [
            [[labels.setdefault(label, len(labels)), *texts] for label, *texts in lines]
            for lines in found
        ]

    def shapes(
        table: gpd.GeoDataFrame, make: Callable[[Any, bool], Rows], simplified_m: float
    ) -> list[dict[str, Any]]:
        geometry = table.geometry.simplify(simplified_m) if simplified_m else table.geometry
        return [
            {"shape": shape, "rows": lines}
            for shape, lines in zip(_geojson(geometry), rows(table, make), strict=True)
        ]

    found: dict[str, Any] = {
        "outline": _geojson(outline),
        "passes": [
            one | {"name": str(number)}
            for one, number in zip(
                shapes(passes, pass_rows, _SIMPLIFIED_M), passes["pass_id"], strict=True
            )
        ],
        "strips": [
            one | {"kind": str(kind), "cause": cause, "inside": inside}
            for one, kind, cause, inside in zip(
                shapes(strips, strip_rows, max(_STRIP_SIMPLIFIED_M, grid.cell_m)),
                strips["kind"],
                _cause_codes(strips),
                _geojson(strips.geometry.representative_point()),
                strict=True,
            )
        ],
        "causes": {
            sign.code: [sign.colour, sign.ink, sign.words] for sign in cause_signs().values()
        },
        "wind": shapes(wind_arrows(passes), wind_rows, 0.0),
        "zones": [] if zones is None else _signed(zones, shapes),
        "middle_section": _middle_section(passes, grid),
    }
    return found | {"labels": list(labels)}


def _signed(zones: gpd.GeoDataFrame, shapes: Callable[..., Any]) -> list[dict[str, Any]]:
    signs = action_signs()
    return [
        one | {"code": signs[rule].code, "sign": rule}
        for one, rule in zip(
            shapes(zones, zone_rows, _STRIP_SIMPLIFIED_M),
            zones["rule_id"].astype(str),
            strict=True,
        )
    ]


def _cause_codes(strips: gpd.GeoDataFrame) -> list[str]:
    """Give the letters of each strip's first cause; empty where none is named."""
    if "cause" not in strips:
        return [""] * len(strips)
    signs = cause_signs()
    return [signs[c].code if c in signs else "" for c in strips["cause"]]


def _middle_section(passes: gpd.GeoDataFrame, grid: Grid) -> list[list[float]] | None:
    """Give the two ends of a line across the middle pass as latitude, longitude."""
    from pyproj import Transformer
    from shapely.geometry import LineString

    lines = [shape for shape in passes.geometry if isinstance(shape, LineString)]
    spacing = passes["spacing_m"].median() if "spacing_m" in passes else float("nan")
    if not spacing > 0 and "working_width_m" in passes:
        spacing = passes["working_width_m"].median()
    if not lines or not spacing > 0:
        return None
    to_degrees = Transformer.from_crs(grid.crs, 4326, always_xy=True)
    ends = (to_degrees.transform(*xy) for xy in across_middle_pass(lines, float(spacing)))
    return [[round(lat, 7), round(lon, 7)] for lon, lat in ends]


def records(table: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """Give the rows of a table without their shapes."""
    rows: list[dict[str, Any]] = table.drop(columns=table.geometry.name).to_dict("records")
    return rows


def _geojson(shapes: gpd.GeoSeries) -> list[dict[str, Any]]:
    """Give each shape as a GeoJSON geometry, its positions packed by :func:`_packed`."""
    if len(shapes) == 0:
        return []
    return [
        {"type": shape.geom_type, "coordinates": _packed(shape)} for shape in shapes.to_crs(4326)
    ]


def _packed(shape: Any) -> Any:
    """Give positions as steps from one to the next, longitude and latitude in turn.

    Written out in degrees, the strips of a field of 100 ha would fill half of the page.
    """
    if hasattr(shape, "geoms"):
        return [_packed(part) for part in shape.geoms]
    if hasattr(shape, "exterior"):
        return [_packed(ring) for ring in (shape.exterior, *shape.interiors)]
    whole = np.rint(shapely.get_coordinates(shape) / _DEGREE_STEP).astype(np.int64)
    return np.diff(whole, axis=0, prepend=0).ravel().tolist()

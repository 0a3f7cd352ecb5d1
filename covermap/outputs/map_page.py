"""The map of a field as one page that opens by double click, with no network at all.

Map, overlays and layer switch are folium's; its page around them is not used, because it
fetches scripts and styles from outside. The page here is ``assets/map_page.html``.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Any

import numpy as np

from covermap.ground.grid import Grid
from covermap.outputs.colours import is_discrete, palette
from covermap.outputs.leaflet_files import leaflet_files
from covermap.outputs.map_overlays import MercatorFrame, image_url, mercator_frame, on_mercator
from covermap.outputs.map_texts import (
    LAYER_MEANINGS,
    LAYER_TITLES,
    display_range,
    layer_unit,
    legend_marks,
    pass_rows,
    strip_line,
    strip_rows,
    wind_rows,
    zone_rows,
)
from covermap.outputs.plan_signs import action_signs, signs_of
from covermap.outputs.wind_arrows import wind_arrows

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely.geometry.base import BaseGeometry

#: Lines are drawn with no more points than they need to stay this close [m].
_SIMPLIFIED_M = 0.3
#: Strips are drawn no finer than this on the page; the files keep their full outline [m].
_STRIP_SIMPLIFIED_M = 1.0
_LISTED_STRIPS = 10
_FIRST_LAYER = "spread_ratio"
#: Title of each layer of lines and areas in the layer switch.
_SHAPE_TITLES = {
    "outline": "Field outline",
    "passes": "Passes",
    "gap": "Gap strips",
    "double": "Double strips",
    "wind": "Wind",
    "zones": "Plan zones",
}
#: Groups that are there only if the field has such a thing.
_OPTIONAL = ("wind", "zones")
#: Zones are work to come; they would hide what lies there if they were on from the start.
_HIDDEN_FIRST = ("zones",)


@dataclass(frozen=True)
class MapContent:
    """All that the map page shows.

    Attributes
    ----------
    title : str
        Name of the field.
    grid : Grid
        Where the bands lie.
    bands : dict of str to numpy.ndarray
        residue_t_ha, cover_pct, spread_ratio and layers; NaN where there is none.
    passes : geopandas.GeoDataFrame
        Lines in the CRS of the grid, one row per pass.
    strips : geopandas.GeoDataFrame
        Polygons in the CRS of the grid, one row per gap or double strip.
    boundary : shapely geometry or None
        Outline of the field in the CRS of the grid.
    facts, settings_text : list of (str, str)
        Label and value lines for the card.
    date_text : str
        Day of harvest.
    limits : tuple of float
        Gap below, double above, as spread ratio.
    us_units : bool
        US customary units rather than metric ones.
    zones : geopandas.GeoDataFrame or None
        Zones of the plan in the CRS of the grid, with ``rule_id`` and the rows to show.
    """

    title: str
    grid: Grid
    bands: dict[str, np.ndarray]
    passes: gpd.GeoDataFrame
    strips: gpd.GeoDataFrame
    boundary: BaseGeometry | None
    facts: list[tuple[str, str]]
    settings_text: list[tuple[str, str]]
    date_text: str
    limits: tuple[float, float]
    us_units: bool
    zones: gpd.GeoDataFrame | None = None


def map_page(page: MapContent) -> str:
    """Give the map page as html text.

    Parameters
    ----------
    page : MapContent
        All text in it may come from anybody; it is escaped.

    Returns
    -------
    str
        A whole html document that refers to nothing outside itself.

    Raises
    ------
    OutputError
        If Leaflet's package is not installed.
    """
    from folium.template import Template

    frame = mercator_frame(page.grid)
    images = on_mercator(page.grid, {name: page.bands[name] for name in LAYER_TITLES}, frame)
    ends = {
        name: display_range(name, values, page.limits, page.us_units)
        for name, values in images.items()
    }
    windy = not wind_arrows(page.passes).empty
    there = {"wind": windy, "zones": page.zones is not None}
    figure = _figure(frame, images, ends, there)
    leaflet = leaflet_files()
    figure.page = {
        "title": page.title,
        "date": page.date_text,
        "facts": page.facts,
        "settings": page.settings_text,
        "legends": [_legend(name, ends[name], page) for name in LAYER_TITLES],
        "first_layer": _FIRST_LAYER,
        "limits": page.limits,
        "windy": windy,
        "signs": [] if page.zones is None else signs_of(page.zones["rule_id"]),
        "top_strips": [
            strip_line(record, page.us_units)
            for record in _records(page.strips.head(_LISTED_STRIPS))
        ],
        "leaflet_script": leaflet.script,
        "leaflet_style": leaflet.style,
        "style": _asset("map_page.css"),
        "script": _asset("map_page.js"),
        "data": _json_in_html(_data(page, frame)),
    }
    figure._template = Template(_asset("map_page.html"), autoescape=True)
    html: str = figure.render()
    # A name from a command line may hold half a character, which no file can.
    return html.encode("utf-8", "replace").decode("utf-8")


def _figure(
    frame: MercatorFrame,
    images: dict[str, np.ndarray],
    ends: dict[str, tuple[float, float]],
    there: dict[str, bool],
) -> Any:
    """Put together map, overlays and layer switch; names are fixed, so pages are alike."""
    import folium
    from branca.element import Figure

    corners = frame.corners_lat_lon
    figure = Figure()
    field_map = folium.Map(
        location=[sum(side) / 2 for side in zip(*corners, strict=True)],
        tiles=None,
        zoom_start=16,
        min_zoom=8,
        max_zoom=23,
        zoom_snap=0.25,
        zoom_delta=1,
        zoom_control=False,
        attribution_control=False,
    )
    field_map._id = "field"
    field_map.add_to(figure)
    for name, title in LAYER_TITLES.items():
        overlay = folium.raster_layers.ImageOverlay(
            image_url(name, images[name], *ends[name]),
            bounds=corners,
            name=title,
            overlay=False,
            show=name == _FIRST_LAYER,
            alt=LAYER_MEANINGS[name],
        )
        overlay._id = name
        overlay.add_to(field_map)
    for name, title in _SHAPE_TITLES.items():
        if name in _OPTIONAL and not there[name]:
            continue
        group = folium.FeatureGroup(name=title, show=name not in _HIDDEN_FIRST)
        group._id = name
        group.add_to(field_map)
    switch = folium.LayerControl(collapsed=False)
    switch._id = "switch"
    switch.add_to(field_map)
    return figure


def _data(page: MapContent, frame: MercatorFrame) -> dict[str, Any]:
    """Gather what ``assets/map_page.js`` draws."""
    import geopandas as gpd

    crs = page.grid.crs
    drawn = page.passes[page.passes.geometry.notna()]
    lines = drawn.geometry.simplify(_SIMPLIFIED_M)
    strips = page.strips[page.strips.geometry.notna()]
    arrows = wind_arrows(page.passes)
    outline = gpd.GeoSeries([] if page.boundary is None else [page.boundary], crs=crs)
    return {
        "us_units": page.us_units,
        "corners": frame.corners_lat_lon,
        "outline": [shape for shape, _ in _shapes(outline, [[]] * len(outline))],
        "passes": [
            {"shape": shape, "rows": rows}
            for shape, rows in _shapes(
                lines, [pass_rows(record, page.us_units) for record in _records(drawn)]
            )
        ],
        "strips": [
            {"shape": shape, "kind": kind, "rows": rows}
            for (shape, rows), kind in zip(
                _shapes(
                    strips.geometry.simplify(max(_STRIP_SIMPLIFIED_M, page.grid.cell_m)),
                    [strip_rows(record, page.us_units) for record in _records(strips)],
                ),
                strips["kind"].astype(str),
                strict=True,
            )
        ],
        "wind": [
            {"shape": shape, "rows": rows}
            for shape, rows in _shapes(
                arrows.geometry, [wind_rows(record, page.us_units) for record in _records(arrows)]
            )
        ],
        "zones": [] if page.zones is None else _zones(page.zones, page.us_units),
        "layers": {title: name for name, title in LAYER_TITLES.items()},
    }


def _zones(zones: gpd.GeoDataFrame, us_units: bool) -> list[dict[str, Any]]:
    signs = action_signs()
    records = _records(zones)
    drawn = _shapes(
        zones.geometry.simplify(_STRIP_SIMPLIFIED_M),
        [zone_rows(record, us_units) for record in records],
    )
    return [
        {"shape": shape, "rows": rows, "code": sign.code, "colour": sign.colour}
        for (shape, rows), sign in zip(
            drawn, (signs[str(record["rule_id"])] for record in records), strict=True
        )
    ]


def _records(table: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    records: list[dict[str, Any]] = table.drop(columns=table.geometry.name).to_dict("records")
    return records


def _shapes(shapes: gpd.GeoSeries, rows: list[Any]) -> list[tuple[dict[str, Any], Any]]:
    """Give each shape as a GeoJSON geometry in degrees, with its rows."""
    if len(shapes) == 0:
        return []
    return [
        ({"type": shape["type"], "coordinates": _rounded(shape["coordinates"])}, row)
        for shape, row in zip(
            (shape.__geo_interface__ for shape in shapes.to_crs(4326)), rows, strict=True
        )
    ]


def _rounded(coordinates: Any) -> Any:
    if isinstance(coordinates[0], float):
        return [round(float(value), 7) for value in coordinates[:2]]
    return [_rounded(part) for part in coordinates]


def _legend(name: str, ends: tuple[float, float], page: MapContent) -> dict[str, Any]:
    colours = [f"rgb({r},{g},{b})" for r, g, b, _ in palette(name)[1:].tolist()]
    legend: dict[str, Any] = {
        "name": name,
        "title": LAYER_TITLES[name],
        "meaning": LAYER_MEANINGS[name],
        "unit": layer_unit(name, page.us_units),
    }
    if is_discrete(name):
        last = len(colours) - 1
        return legend | {
            "swatches": [(c, f"{i}+" if i == last else str(i)) for i, c in enumerate(colours)]
        }
    marks = legend_marks(name, ends, page.limits, page.us_units)
    return legend | {
        "colours": ",".join(colours[::6] if name != _FIRST_LAYER else colours[::2]),
        "marks": [(f"{100 * place:.1f}", text) for place, text in marks],
    }


def _json_in_html(data: Any) -> str:
    """Write JSON that no html parser can mistake for markup; all of it is ASCII."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    for character in "<>&":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text


def _asset(name: str) -> str:
    return resources.files("covermap.outputs").joinpath("assets", name).read_text("utf-8")

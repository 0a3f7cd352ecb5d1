"""The map of a field as one page that opens by double click, with no network at all.

Map, groups and layer switch are folium's; its page around them is not used, because it
fetches scripts and styles from outside. The page here is ``assets/map_page.html``; its
scripts paint the pictures from the numbers of :mod:`covermap.drawing.map_values`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Any

import numpy as np

from covermap.drawing.labels import limit_keys
from covermap.drawing.map_drawing import STRIP_LOOKS
from covermap.drawing.map_texts import LAYER_MEANINGS, Rows, in_both_units, strip_line
from covermap.drawing.wind_arrows import wind_arrows
from covermap.ground.grid import Grid
from covermap.ground.rasters import Raster
from covermap.mapped.leaflet_files import leaflet_files
from covermap.mapped.map_layers import RasterLayers, raster_layers
from covermap.mapped.map_overlays import bounds_lat_lon, map_place
from covermap.mapped.map_shapes import map_shapes, records
from covermap.tables.signs import action_signs_of, cause_signs_of, hatch_of
from covermap.units import shown

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely.geometry.base import BaseGeometry

_LISTED_STRIPS = 10
_FIRST_LAYER = "spread_ratio"
#: Title of each layer of lines and areas in the layer switch.
_SHAPE_TITLES = {
    "outline": "Field outline",
    "passes": "Passes",
    "gap": "Gap strips",
    "double": "Double strips",
    "causes": "Causes of strips",
    "wind": "Wind",
    "zones": "Plan zones",
}
#: Areas would hide what lies there if they were on from the start.
_HIDDEN_FIRST = ("causes", "zones")
_SCRIPTS = (
    "map_units.js",
    "map_values.js",
    "map_page.js",
    "map_readout.js",
    "map_plot.js",
    "map_section.js",
    "map_tools.js",
)
#: Kinds of quantity that the page writes itself.
_UNIT_KINDS = ("length", "mass per area")


@dataclass(frozen=True)
class MapContent:
    """All that the map page shows.

    Attributes
    ----------
    title : str
        Name of the field.
    grid : Grid
        Where the bands lie.
    bands : mapping of str to numpy.ndarray or Raster
        residue_t_ha, cover_pct, spread_ratio and layers, and of a plan harrowed_ratio and
        cover_after_pct; NaN where there is none.
    passes : geopandas.GeoDataFrame
        Lines in the CRS of the grid, one row per pass.
    strips : geopandas.GeoDataFrame
        Polygons in the CRS of the grid, one row per gap or double strip.
    boundary : shapely geometry or None
        Outline of the field in the CRS of the grid.
    facts, settings_text : list of list of str
        Lines for the card, from :func:`covermap.drawing.map_texts.in_both_units`.
    date_text : str
        Day of harvest.
    limits : tuple of float
        Gap below, double above, as spread ratio.
    us_units : bool
        Units that the page opens with: US customary rather than metric ones.
    zones : geopandas.GeoDataFrame or None
        Zones of the plan in the CRS of the grid, with ``rule_id`` and the rows to show.
    """

    title: str
    grid: Grid
    bands: Mapping[str, np.ndarray | Raster]
    passes: gpd.GeoDataFrame
    strips: gpd.GeoDataFrame
    boundary: BaseGeometry | None
    facts: Rows
    settings_text: Rows
    date_text: str
    limits: tuple[float, float]
    us_units: bool
    zones: gpd.GeoDataFrame | None = None


def map_page(page: MapContent) -> str:
    """Give the map page as a whole html document that refers to nothing outside itself.

    All text in it may come from anybody; it is escaped.

    Raises
    ------
    OutputError
        If Leaflet's package is not installed.
    """
    from jinja2 import Template

    layers = raster_layers(page.bands, page.grid, page.limits, us_units=page.us_units)
    causes = [] if "cause" not in page.strips else cause_signs_of(page.strips["cause"])
    windy = not wind_arrows(page.passes).empty
    missing = {
        name
        for name, there in (
            ("causes", bool(causes)),
            ("wind", windy),
            ("zones", page.zones is not None),
        )
        if not there
    }
    figure = _figure(
        page.grid,
        {layer.name: layer.title for layer in layers.layers},
        {name: title for name, title in _SHAPE_TITLES.items() if name not in missing},
    )
    leaflet = leaflet_files()
    content = {
        "title": page.title,
        "date": page.date_text,
        "units": "us" if page.us_units else "metric",
        "facts": page.facts,
        "settings": page.settings_text,
        "legends": [layer.legend for layer in layers.layers],
        "first_layer": _FIRST_LAYER,
        "limit_keys": limit_keys(page.limits),
        "windy": windy,
        "signs": [] if page.zones is None else action_signs_of(page.zones["rule_id"]),
        "strip_hatches": {kind: hatch_of(kind).screen for kind in STRIP_LOOKS},
        "causes": causes,
        "top_strips": _top_strips(page.strips),
        "cell": in_both_units(lambda us: [("", _cell_text(layers.grid.cell_m, us))])[0][1:],
        "block": layers.cells_in_block,
        "leaflet_script": leaflet.script,
        "leaflet_style": leaflet.style,
        "style": _asset("map_page.css"),
        "scripts": [_asset(name) for name in _SCRIPTS],
        "data": _json_in_html(_data(page, layers)),
    }
    figure.render()  # hands its parts to figure.html and figure.script
    html: str = Template(_asset("map_page.html"), autoescape=True).render(
        page=content, map_html=figure.html.render(), map_script=figure.script.render()
    )
    # A name from a command line may hold half a character, which no file can.
    return html.encode("utf-8", "replace").decode("utf-8")


def _figure(grid: Grid, rasters: dict[str, str], shapes: dict[str, str]) -> Any:
    """Put together map, groups and layer switch; names are fixed, so pages are alike."""
    import folium
    from branca.element import Figure

    def named(kind: type[Any], name: str, *arguments: Any, **more: Any) -> Any:
        own = type(kind.__name__, (kind,), {"get_name": lambda _: name})
        return own(*arguments, **more)

    figure = Figure()
    field_map = named(
        folium.Map,
        "map_field",
        location=[sum(side) / 2 for side in zip(*bounds_lat_lon(grid), strict=True)],
        tiles=None,
        zoom_start=16,
        min_zoom=8,
        max_zoom=23,
        zoom_snap=0.25,
        zoom_delta=1,
        zoom_control=False,
        attribution_control=False,
    )
    field_map.add_to(figure)
    for name, title in rasters.items():
        shown_first = name == _FIRST_LAYER
        group = named(
            folium.FeatureGroup,
            f"feature_group_raster_{name}",
            title,
            overlay=False,
            show=shown_first,
        )
        group.add_to(field_map)
    for name, title in shapes.items():
        shown_first = name not in _HIDDEN_FIRST
        group = named(folium.FeatureGroup, f"feature_group_{name}", title, show=shown_first)
        group.add_to(field_map)
    named(folium.LayerControl, "layer_control_switch", collapsed=False).add_to(field_map)
    return figure


def _data(page: MapContent, layers: RasterLayers) -> dict[str, Any]:
    """Gather what the scripts draw and say."""
    return {
        "units": {
            name: {
                kind: [unit.per_si, unit.unit, unit.decimals]
                for kind, unit in shown(us).items()
                if kind in _UNIT_KINDS
            }
            for name, us in (("metric", False), ("us", True))
        },
        "opens_with": "us" if page.us_units else "metric",
        "limits": list(page.limits),
        "bounds": bounds_lat_lon(page.grid),
        "meanings": LAYER_MEANINGS,
        "place": map_place(layers.grid).as_data(),
        "grid": {
            "rows": layers.grid.rows,
            "cols": layers.grid.cols,
            "cell_m": layers.grid.cell_m,
        },
        "rasters": [layer.data for layer in layers.layers],
        **map_shapes(page.grid, page.passes, page.strips, page.boundary, page.zones),
    }


def _top_strips(strips: gpd.GeoDataFrame) -> list[list[str]]:
    first = strips[strips.geometry.notna()].head(_LISTED_STRIPS)
    lines = in_both_units(lambda us: [("", strip_line(record, us)) for record in records(first)])
    return [line[1:] for line in lines]


def _cell_text(cell_m: float, us_units: bool) -> str:
    return shown(us_units)["length"].text(cell_m)


def _json_in_html(data: Any) -> str:
    """Write JSON that no html parser can mistake for markup; all of it is ASCII."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    for character in "<>&":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text


def _asset(name: str) -> str:
    return resources.files("covermap.mapped").joinpath("assets", name).read_text("utf-8")

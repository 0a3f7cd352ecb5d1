"""The looks of each layer as the style text that desktop GIS keep beside a file.

The text sits in a file of the raster's name ending in ``.qml``, and in the column
``styleQML`` of a GeoPackage's table ``layer_styles``. Nothing in it refers to a file.
"""

from __future__ import annotations

import math

from covermap.drawing.colours import is_discrete
from covermap.drawing.look import INK
from covermap.export.layer_styles import Look, layer_looks, ramp_label, ramp_stops
from covermap.export.templates import filled

_VERSION = "3.22.0"


def vector_qml(layer: str, limits: tuple[float, float]) -> str:
    """Give the style text of a vector layer; limits: gap below, double above."""
    return filled(
        "vector_layer.qml",
        version=_VERSION,
        looks=layer_looks(limits)[layer],
        symbol_layers=_symbol_layers,
    )


def raster_qml(name: str, low: float, high: float, unit: str, band: int = 1) -> str:
    """Give the style text of a raster band: as :func:`covermap.export.layer_styles.raster_sld`."""
    stops = ramp_stops(name, low, high)
    discrete = is_discrete(name)
    items = []
    for number, stop in enumerate(stops):
        last = number == len(stops) - 1
        # a discrete item holds all values up to its own
        value = (math.inf if last else stop.value + 0.5) if discrete else stop.value
        label = ramp_label(stop.value, unit) + ("+" if discrete and last else "")
        items.append((value, label, stop.colour))
    return filled(
        "raster_band.qml",
        version=_VERSION,
        band=band,
        low=f"{stops[0].value:g}",
        high=f"{stops[-1].value:g}",
        discrete=discrete,
        items=items,
    )


def _symbol_layers(shape: str, look: Look) -> list[tuple[str, dict[str, str]]]:
    """Give kind and properties of what is drawn one over the other for a look."""
    if shape == "line":
        return [("SimpleLine", _line("line", look))]
    edge = _line("outline", look)
    if look.fill and look.opacity:
        red, green, blue = (int(look.fill[i : i + 2], 16) for i in (1, 3, 5))
        colour = f"{red},{green},{blue},{round(255 * look.opacity)}"
        drawn = [("SimpleFill", {"color": colour, "style": "solid", **edge})]
    else:
        drawn = [("SimpleFill", {"color": _rgba(INK), "style": "no", **edge})]
    for brush in look.hatch.brushes:
        hatch = {"color": _rgba(INK), "style": brush, "outline_style": "no"}
        drawn.append(("SimpleFill", hatch))
    return drawn


def _line(part: str, look: Look) -> dict[str, str]:
    return {
        f"{part}_color": _rgba(look.line),
        f"{part}_style": "dash" if look.dashed else "solid",
        f"{part}_width": f"{look.line_width_px:g}",
        f"{part}_width_unit": "Pixel",
    }


def _rgba(colour: str) -> str:
    return ",".join(str(int(colour[i : i + 2], 16)) for i in (1, 3, 5)) + ",255"

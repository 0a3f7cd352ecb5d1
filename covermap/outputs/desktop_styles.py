"""The looks of each layer as the style text that desktop GIS keep beside a file.

The text sits in a file of the raster's name ending in ``.qml``, and in the column
``styleQML`` of a GeoPackage's table ``layer_styles``. Nothing in it refers to a file.
"""

from __future__ import annotations

import math
from xml.etree import ElementTree

from covermap.outputs.colours import is_discrete
from covermap.outputs.drawing import INK
from covermap.outputs.layer_styles import Look, layer_looks, ramp_label, ramp_stops

_VERSION = "3.22.0"


def vector_qml(layer: str) -> str:
    """Give the style text of a vector layer."""
    looks = layer_looks()[layer]
    root = ElementTree.Element("qgis", {"version": _VERSION, "styleCategories": "Symbology"})
    renderer = ElementTree.SubElement(
        root,
        "renderer-v2",
        {
            "type": "categorizedSymbol" if looks.column else "singleSymbol",
            "symbollevels": "0",
            "enableorderby": "0",
            "forceraster": "0",
        },
    )
    if looks.column:
        renderer.set("attr", looks.column)
        categories = ElementTree.SubElement(renderer, "categories")
        for number, look in enumerate(looks.looks):
            ElementTree.SubElement(
                categories,
                "category",
                {
                    "value": look.value,
                    "type": "string",
                    "label": look.title,
                    "symbol": str(number),
                    "render": "true",
                },
            )
    symbols = ElementTree.SubElement(renderer, "symbols")
    for number, look in enumerate(looks.looks):
        symbol = ElementTree.SubElement(
            symbols,
            "symbol",
            {
                "type": looks.shape,
                "name": str(number),
                "alpha": "1",
                "clip_to_extent": "1",
                "force_rhr": "0",
            },
        )
        if looks.shape == "line":
            _symbol_layer(symbol, "SimpleLine", _line("line", look))
            continue
        edge = _line("outline", look)
        if look.fill and look.opacity:
            red, green, blue = (int(look.fill[i : i + 2], 16) for i in (1, 3, 5))
            colour = f"{red},{green},{blue},{round(255 * look.opacity)}"
            _symbol_layer(symbol, "SimpleFill", {"color": colour, "style": "solid", **edge})
        else:
            _symbol_layer(symbol, "SimpleFill", {"color": _rgba(INK), "style": "no", **edge})
        for brush in look.hatch.brushes:
            hatch = {"color": _rgba(INK), "style": brush, "outline_style": "no"}
            _symbol_layer(symbol, "SimpleFill", hatch)
    return _text(root)


def raster_qml(name: str, low: float, high: float, unit: str, band: int = 1) -> str:
    """Give the style text of a raster band.

    Parameters
    ----------
    name : str
        Name of a raster band in the colour table.
    low, high : float
        Values at the ends of the ramp, in ``unit``.
    unit : str
        For the labels.
    band : int
        Number of the band in its file, from 1.
    """
    stops = ramp_stops(name, low, high)
    discrete = is_discrete(name)
    root = ElementTree.Element("qgis", {"version": _VERSION, "styleCategories": "Symbology"})
    pipe = ElementTree.SubElement(root, "pipe")
    ends = (f"{stops[0].value:g}", f"{stops[-1].value:g}")
    renderer = ElementTree.SubElement(
        pipe,
        "rasterrenderer",
        {
            "type": "singlebandpseudocolor",
            "band": str(band),
            "opacity": "1",
            "alphaBand": "-1",
            "classificationMin": ends[0],
            "classificationMax": ends[1],
        },
    )
    ElementTree.SubElement(renderer, "rasterTransparency")
    limits = ElementTree.SubElement(renderer, "minMaxOrigin")
    for tag, text in (("limits", "None"), ("extent", "WholeRaster"), ("statAccuracy", "Exact")):
        ElementTree.SubElement(limits, tag).text = text
    shader = ElementTree.SubElement(
        ElementTree.SubElement(renderer, "rastershader"),
        "colorrampshader",
        {
            "colorRampType": "DISCRETE" if discrete else "INTERPOLATED",
            "classificationMode": "1",
            "clip": "0",
            "minimumValue": ends[0],
            "maximumValue": ends[1],
        },
    )
    for number, stop in enumerate(stops):
        last = number == len(stops) - 1
        # a discrete item holds all values up to its own
        value = (math.inf if last else stop.value + 0.5) if discrete else stop.value
        label = ramp_label(stop.value, unit) + ("+" if discrete and last else "")
        ElementTree.SubElement(
            shader,
            "item",
            {"alpha": "255", "value": f"{value:g}", "label": label, "color": stop.colour},
        )
    return _text(root)


def _line(part: str, look: Look) -> dict[str, str]:
    style = "dash" if look.dashed else "solid"
    width = f"{look.line_width_px:g}"
    if part == "line":
        return {
            "line_color": _rgba(look.line),
            "line_style": style,
            "line_width": width,
            "line_width_unit": "Pixel",
        }
    return {
        "outline_color": _rgba(look.line),
        "outline_style": style,
        "outline_width": width,
        "outline_width_unit": "Pixel",
    }


def _rgba(colour: str) -> str:
    return ",".join(str(int(colour[i : i + 2], 16)) for i in (1, 3, 5)) + ",255"


def _symbol_layer(symbol: ElementTree.Element, kind: str, properties: dict[str, str]) -> None:
    layer = ElementTree.SubElement(
        symbol, "layer", {"class": kind, "enabled": "1", "pass": "0", "locked": "0"}
    )
    options = ElementTree.SubElement(layer, "Option", {"type": "Map"})
    for name, value in properties.items():
        ElementTree.SubElement(options, "Option", {"name": name, "type": "QString", "value": value})
    for name, value in properties.items():  # older readers know only these
        ElementTree.SubElement(layer, "prop", {"k": name, "v": value})


def _text(root: ElementTree.Element) -> str:
    ElementTree.indent(root)
    return ElementTree.tostring(root, "unicode") + "\n"

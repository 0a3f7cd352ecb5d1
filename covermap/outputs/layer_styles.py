"""How each layer looks in any GIS: one list of looks, written in two style languages.

Colours are those of the one colour table (:mod:`covermap.outputs.colours`) and of the table of
signs; strips are marked as in the printed pictures. Gap and double differ by dash and hatch
as well as by colour, actions by hatch and letter, so that a black-and-white print keeps them
apart. The Styled Layer Descriptor is version 1.0.0 (OGC 02-070), the one every reader knows;
the other language is the style text that desktop GIS keep beside a raster and in a GeoPackage.
"""

from __future__ import annotations

from dataclasses import dataclass
from xml.etree import ElementTree

from covermap.outputs.colours import is_discrete, palette
from covermap.outputs.drawing import INK
from covermap.outputs.map_drawing import STRIP_LOOKS
from covermap.outputs.signs import Hatch, action_signs
from covermap.tables import read_table

_SLD = "http://www.opengis.net/sld"
_OGC = "http://www.opengis.net/ogc"


@dataclass(frozen=True)
class Look:
    """How the features of one value of the telling column are drawn.

    Attributes
    ----------
    value : str
        Of the column; empty where all features look alike.
    title : str
        For the legend.
    fill : str
        ``#rrggbb``; empty for none.
    opacity : float
        Of the fill.
    hatch : Hatch
    line : str
        ``#rrggbb`` of line or edge.
    line_width_px : float
    dashed : bool
    letter : str
        Written on the feature; may be empty.
    """

    value: str
    title: str
    fill: str
    opacity: float
    hatch: Hatch
    line: str
    line_width_px: float
    dashed: bool = False
    letter: str = ""


@dataclass(frozen=True)
class LayerLooks:
    """The looks of a layer.

    Attributes
    ----------
    column : str
        Column that tells the looks apart; empty for one look.
    shape : str
        ``fill`` or ``line``.
    looks : tuple of Look
    """

    column: str
    shape: str
    looks: tuple[Look, ...]


def hex_colour(red: int, green: int, blue: int) -> str:
    """Give ``#rrggbb``."""
    return f"#{red:02x}{green:02x}{blue:02x}"


def strip_colours() -> dict[str, str]:
    """Give the colour of gap and double strips: their end of the spread-ratio ramp."""
    ramp = palette("spread_ratio")[1:, :3]
    return {
        kind: hex_colour(*ramp[round(look.place * (len(ramp) - 1))].tolist())
        for kind, look in STRIP_LOOKS.items()
    }


def layer_looks() -> dict[str, LayerLooks]:
    """Give the looks of strips, passes, zones and outline."""
    strips = tuple(
        Look(
            kind,
            f"{kind.capitalize()} strip",
            colour,
            0.5,
            STRIP_LOOKS[kind].hatch,
            INK,
            1.5,
            STRIP_LOOKS[kind].dash != "-",
        )
        for kind, colour in strip_colours().items()
    )
    zones = tuple(
        Look(
            sign.rule_id,
            f"{sign.code}: {sign.words}",
            sign.colour,
            0.6,
            sign.hatch,
            INK,
            0.5,
            letter=sign.code,
        )
        for sign in action_signs().values()
    )
    return {
        "strips": LayerLooks("kind", "fill", strips),
        "passes": LayerLooks("", "line", (Look("", "Pass", "", 0.0, Hatch(), INK, 0.6),)),
        "zones": LayerLooks("rule_id", "fill", zones),
        "outline": LayerLooks("", "fill", (Look("", "Field outline", "", 0.0, Hatch(), INK, 2.0),)),
    }


@dataclass(frozen=True)
class RampStop:
    """One colour of a raster's ramp: at ``value`` in the unit of the band."""

    value: float
    colour: str


def ramp_stops(name: str, low: float, high: float) -> list[RampStop]:
    """Give the colours of a band and the values they stand at.

    Between two stops colours run evenly; a discrete band has its own values.

    Parameters
    ----------
    name : str
        Name of a raster band in the colour table.
    low, high : float
        Values at the ends of the ramp, in the unit of the band; for the spread ratio they
        enclose 1, where the middle of the ramp stands.

    Returns
    -------
    list of RampStop
        By rising value.
    """
    middle = 1.0 if name == "spread_ratio" else (low + high) / 2
    stops = []
    for row in read_table("colour_ramps"):
        if row["band"] != name:
            continue
        place = float(row["place"])
        if is_discrete(name):
            value = place
        elif place < 0.5:
            value = low + (middle - low) * place / 0.5
        else:
            value = middle + (high - middle) * (place - 0.5) / 0.5
        colour = hex_colour(*(int(row[part]) for part in ("red", "green", "blue")))
        stops.append(RampStop(round(value, 6), colour))
    return stops


def vector_sld(layer: str) -> str:
    """Give the Styled Layer Descriptor of a vector layer."""
    looks = layer_looks()[layer]
    root, style = _sld_root(layer)
    kind = _add(style, "FeatureTypeStyle")
    for look in looks.looks:
        rule = _add(kind, "Rule")
        _add(rule, "Name", look.value or layer)
        _add(rule, "Title", look.title)
        if looks.column:
            equal = _add(_add(rule, "Filter", of=_OGC), "PropertyIsEqualTo", of=_OGC)
            _add(equal, "PropertyName", looks.column, of=_OGC)
            _add(equal, "Literal", look.value, of=_OGC)
        if looks.shape == "line":
            _stroke(_add(rule, "LineSymbolizer"), look)
            continue
        area = _add(rule, "PolygonSymbolizer")
        if look.fill:
            fill = _add(area, "Fill")
            _css(fill, "fill", look.fill)
            _css(fill, "fill-opacity", f"{look.opacity:g}")
        _stroke(area, look)
        if look.hatch.mark:
            _marks(_add(rule, "PolygonSymbolizer"), look.hatch)
        if look.letter:
            text = _add(rule, "TextSymbolizer")
            _add(_add(text, "Label"), "Literal", look.letter, of=_OGC)
            _css(_add(text, "Font"), "font-size", "12")
            _css(_add(text, "Fill"), "fill", INK)
    return _text(root)


def raster_sld(name: str, low: float, high: float, unit: str, band: int = 1) -> str:
    """Give the Styled Layer Descriptor of a raster band.

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
    root, style = _sld_root(name)
    rule = _add(_add(style, "FeatureTypeStyle"), "Rule")
    raster = _add(rule, "RasterSymbolizer")
    _add(_add(_add(raster, "ChannelSelection"), "GrayChannel"), "SourceChannelName", str(band))
    colours = _add(raster, "ColorMap")
    for stop in ramp_stops(name, low, high):
        entry = _add(colours, "ColorMapEntry")
        entry.set("color", stop.colour)
        entry.set("opacity", "1")
        entry.set("quantity", f"{stop.value:g}")
        entry.set("label", ramp_label(stop.value, unit))
    return _text(root)


def ramp_label(value: float, unit: str) -> str:
    """Give a value with its unit, for a legend."""
    return f"{value:.3g} {unit}".strip() if unit != "1" else f"{value:.3g}"


def _sld_root(name: str) -> tuple[ElementTree.Element, ElementTree.Element]:
    ElementTree.register_namespace("sld", _SLD)
    ElementTree.register_namespace("ogc", _OGC)
    root = ElementTree.Element(f"{{{_SLD}}}StyledLayerDescriptor", {"version": "1.0.0"})
    layer = _add(root, "NamedLayer")
    _add(layer, "Name", name)
    style = _add(layer, "UserStyle")
    _add(style, "Name", name)
    return root, style


def _add(
    parent: ElementTree.Element, tag: str, text: str | None = None, of: str = _SLD
) -> ElementTree.Element:
    child = ElementTree.SubElement(parent, f"{{{of}}}{tag}")
    child.text = text
    return child


def _css(parent: ElementTree.Element, name: str, value: str) -> None:
    _add(parent, "CssParameter", value).set("name", name)


def _stroke(parent: ElementTree.Element, look: Look) -> None:
    stroke = _add(parent, "Stroke")
    _css(stroke, "stroke", look.line)
    _css(stroke, "stroke-width", f"{look.line_width_px:g}")
    if look.dashed:
        _css(stroke, "stroke-dasharray", "6 4")


def _marks(parent: ElementTree.Element, hatch: Hatch) -> None:
    """Fill with marks, the only hatch that the standard has; it has none for single lines."""
    graphic = _add(_add(_add(parent, "Fill"), "GraphicFill"), "Graphic")
    mark = _add(graphic, "Mark")
    _add(mark, "WellKnownName", hatch.mark)
    if hatch.mark_filled:
        _css(_add(mark, "Fill"), "fill", INK)
    else:
        stroke = _add(mark, "Stroke")
        _css(stroke, "stroke", INK)
        _css(stroke, "stroke-width", "1")
    _add(graphic, "Size", hatch.mark_size_px)


def _text(root: ElementTree.Element) -> str:
    ElementTree.indent(root)
    return ElementTree.tostring(root, "unicode", xml_declaration=False) + "\n"

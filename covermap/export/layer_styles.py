"""How each layer looks in any GIS: one list of looks, written in two style languages.

Colours are those of the one colour table (:mod:`covermap.drawing.colours`) and of the table of
signs; strips are marked as in the printed pictures. Gap and double differ by dash and hatch
as well as by colour, actions by hatch and letter, so that a black-and-white print keeps them
apart. The Styled Layer Descriptor is version 1.0.0 (OGC 02-070), the one every reader knows;
the other language is the style text that desktop GIS keep beside a raster and in a GeoPackage.
"""

from __future__ import annotations

from dataclasses import dataclass

from covermap.drawing.colours import is_discrete
from covermap.drawing.labels import limit_keys, opening
from covermap.drawing.look import INK, ramp_colour
from covermap.drawing.map_drawing import STRIP_LOOKS
from covermap.export.templates import filled
from covermap.tables import read_table
from covermap.tables.signs import Hatch, action_signs


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


def layer_looks(limits: tuple[float, float]) -> dict[str, LayerLooks]:
    """Give the looks of strips, passes, zones and outline; limits: gap below, double above."""
    keys = limit_keys(limits)
    strips = tuple(
        Look(
            kind,
            opening(keys[kind]),
            ramp_colour("spread_ratio", look.place),
            0.5,
            look.hatch,
            INK,
            1.5,
            look.dash != "-",
        )
        for kind, look in STRIP_LOOKS.items()
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
    """Give the colours of a band and the values they stand at, by rising value.

    Between two stops colours run evenly; a discrete band has its own values. ``low`` and
    ``high`` are the values at the ends of the ramp, in the unit of the band; for the spread
    ratio they enclose 1, where the middle of the ramp stands.
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
        colour = "#" + "".join(f"{int(row[part]):02x}" for part in ("red", "green", "blue"))
        stops.append(RampStop(round(value, 6), colour))
    return stops


def vector_sld(layer: str, limits: tuple[float, float]) -> str:
    """Give the Styled Layer Descriptor of a vector layer; limits: gap below, double above."""
    looks = layer_looks(limits)[layer]
    return filled("vector_layer.sld", layer=layer, looks=looks, ink=INK)


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
    return filled(
        "raster_band.sld",
        name=name,
        stops=ramp_stops(name, low, high),
        unit=unit,
        band=band,
        ramp_label=ramp_label,
    )


def ramp_label(value: float, unit: str) -> str:
    """Give a value with its unit, for a legend."""
    return f"{value:.3g} {unit}".strip() if unit != "1" else f"{value:.3g}"

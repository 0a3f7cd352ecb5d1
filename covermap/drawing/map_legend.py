"""What stands beside printed maps: ramp and keys, scale bar, north.

One legend for ratio, residue and cover, here and on the map page: the ends of the ramps and
the marks on them come from :mod:`covermap.drawing.map_texts`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from covermap.drawing.colours import palette
from covermap.drawing.look import (
    INK,
    POINTS_PER_INCH,
    ramp_colour,
    round_length,
)
from covermap.drawing.map_drawing import STRIP_LOOKS, mark_strips
from covermap.drawing.map_texts import like
from covermap.ground.grid import Grid
from covermap.units import length_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ARROW = {"arrowstyle": "-|>", "color": INK, "lw": 1.2, "shrinkA": 0, "shrinkB": 0}


def draw_scale_bar(
    axes: Axes, x: float, y: float, points_per_m: float, most_inches: float, *, us_units: bool
) -> None:
    """Draw a bar of a round length from a place on axes in inches, its length above it.

    It is as long as ``most_inches`` at most, at the scale of the map (:func:`points_per_metre`).
    """
    metres, unit = length_unit(us_units)
    inches_per_unit = metres * points_per_m / POINTS_PER_INCH
    length = round_length(most_inches / inches_per_unit)
    right = x + length * inches_per_unit
    axes.plot([x, right], [y, y], color=INK, lw=2.2, solid_capstyle="butt", clip_on=False)
    axes.text((x + right) / 2, y + 0.05, f"{length:g} {unit}", ha="center", va="bottom")


def north_way(grid: Grid) -> np.ndarray:
    """Give the way to true north in the middle of a grid: east and north, together 1."""
    from pyproj import Transformer

    west, south, east, north = grid.bounds
    middle = ((west + east) / 2, (south + north) / 2)
    to_degrees = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(*middle)
    ahead = to_degrees.transform(lon, lat + 1e-4, direction="INVERSE")
    way = np.subtract(ahead, middle)
    return np.asarray(way / np.hypot(*way))


def draw_north(axes: Axes, x: float, y: float, grid: Grid) -> None:
    """Draw an arrow to true north, with its letter, around a point on axes in inches."""
    way = 0.19 * north_way(grid)
    axes.annotate(
        "", (x + way[0], y + way[1]), (x - 0.4 * way[0], y - 0.4 * way[1]), arrowprops=_ARROW,
        annotation_clip=False,
    )  # fmt: skip
    axes.text(x - 0.8 * way[0], y - 0.8 * way[1], "N", ha="center", va="center")


def draw_ramp(
    axes: Axes, layer: str, marks: Sequence[tuple[float, str]], title: str, *, upright: bool
) -> None:
    """Draw the legend of a raster layer: its ramp, the values beside it and what they are.

    The ramp fills the axes, from the lower end up or from the left. Marks are places from 0
    to 1 with their texts (:func:`covermap.drawing.map_texts.legend_marks`).
    """
    colours = palette(like(layer))[1:]
    image = colours[::-1, None] if upright else colours[None]
    axes.imshow(image, aspect="auto", extent=(0, 1, 0, 1), interpolation="none")
    places, texts = [place for place, _ in marks], [text for _, text in marks]
    if upright:
        axes.set(xticks=[])
        axes.yaxis.tick_right()
        axes.set_yticks(places, texts, fontsize=8)
        axes.set_title(title, fontsize=8.5, loc="left")
        return
    axes.set(yticks=[])
    axes.set_xticks(places, texts, fontsize=8)
    for label, place in zip(axes.get_xticklabels(), places, strict=True):
        label.set_horizontalalignment("left" if place == 0 else "right" if place == 1 else "center")
    axes.set_xlabel(title, fontsize=8.5, labelpad=2)


def draw_strip_key(
    axes: Axes, x: float, y: float, kind: str, text: str, *, layer: str, heavy: bool = False
) -> None:
    """Draw the sign of a kind of strip and its name from the left, middle height on.

    On axes in inches (:func:`covermap.drawing.look.blank_axes`), in the colours that such
    strips have on the map of ``layer``; heavy as in :func:`draw_strips`.
    """
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    look = STRIP_LOOKS[kind]
    corners = [(x, y - 0.06), (x + 0.3, y - 0.06), (x + 0.3, y + 0.06), (x, y + 0.06), (x, y)]
    path = Path(corners, closed=True)
    ground = "white" if heavy else ramp_colour(like(layer), look.place)
    axes.add_patch(PathPatch(path, fc=ground, lw=0, clip_on=False))
    mark_strips(axes, path, look, heavy=heavy)
    axes.text(x + 0.38, y, text, va="center")

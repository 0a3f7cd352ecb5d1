"""Two maps of a field and their difference, side by side, on one sheet.

Spread ratio in the map's own colours. Hatching tells gap from double, a heavy outline what
came back, so that all of it survives a black-and-white printer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np

from covermap.comparison.compare_fields import Comparison, place_name
from covermap.drawing.labels import COME_BACK, RATIO_MEANING, limit_keys
from covermap.drawing.look import (
    Box,
    axes_at,
    blank_axes,
    house_look,
    new_figure,
    plain_text,
    svg_of,
)
from covermap.drawing.map_drawing import (
    STRIP_LOOKS,
    draw_raster,
    draw_strips,
    map_axes,
    points_per_metre,
)
from covermap.drawing.map_legend import (
    draw_north,
    draw_ramp,
    draw_scale_bar,
    draw_strip_key,
)
from covermap.drawing.map_texts import display_range, legend_marks
from covermap.ground.grid import Grid
from covermap.units import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_BAND = "spread_ratio"
_WIDTH_INCHES = 12.0
_MARGIN_INCHES = 0.35
_HEAD_INCHES, _FOOT_INCHES = 1.15, 1.8
_LOWEST_INCHES, _HIGHEST_INCHES = 2.4, 7.5
_LONGEST_TITLE = 90
_LONGEST_NAME = 30
#: Changes of the spread ratio beyond this get the end colour.
_MOST_CHANGE = 1.0
_CHANGE_MARKS = ((0.0, "−1 or less"), (0.25, "−0.5"), (0.5, "0"), (0.75, "+0.5"), (1.0, "+1+"))
_RATIO = "spread ratio, 1 = even: " + (RATIO_MEANING.replace("÷ ", "÷\n").replace(" and", "\nand"))
_REPEATS = [f"{COME_BACK}: {kind}" for kind in STRIP_LOOKS]


@dataclass(frozen=True)
class _Panel:
    """One of the maps and what is said of it."""

    head: str
    values: np.ndarray
    ends: tuple[float, float]
    strips: gpd.GeoDataFrame
    marks: Sequence[tuple[float, str]]
    meaning: str
    keys: Sequence[str]
    heavy: bool = False


def compare_picture(found: Comparison, *, us_units: bool = False) -> str:
    """Draw A, B and B − A as SVG: text stays text, escaped; the same for the same comparison."""
    with house_look(9.0):
        return svg_of(_sheet(found, us_units))


def _sheet(found: Comparison, us_units: bool) -> Figure:
    grid = found.grid
    panel = (_WIDTH_INCHES - 4 * _MARGIN_INCHES) / 3
    high = min(max(panel * grid.rows / grid.cols, _LOWEST_INCHES), _HIGHEST_INCHES)
    total = high + _HEAD_INCHES + _FOOT_INCHES
    figure = new_figure((_WIDTH_INCHES, total))
    page = blank_axes(figure, (0, 0, _WIDTH_INCHES, total))
    names = [plain_text(place_name(x), _LONGEST_NAME) for x in (found.a, found.b)]
    title = f"{found.a.name}: {names[0]} and {names[1]} compared"
    page.text(
        _MARGIN_INCHES, total - 0.3, plain_text(title, _LONGEST_TITLE), fontsize=13, va="center"
    )
    area = shown(us_units)["area"]
    ground = (
        f"Harvested in both: {area.text(found.common_m2)}; numbers below are of this ground. "
        f"A alone {area.text(found.only_a_m2)}, B alone {area.text(found.only_b_m2)}."
    )
    page.text(_MARGIN_INCHES, total - 0.56, ground, va="center")
    ends = display_range(_BAND, found.bands_a[_BAND], found.limits, us_units)
    even = found.on_common_ground
    heads = [
        f"{side.upper()}: {name}\nCV {_number(getattr(even['cv_pct'], side))} %, "
        f"gap {area.text(1e4 * getattr(even['gap_ha'], side))}, "
        f"double {area.text(1e4 * getattr(even['double_ha'], side))}"
        for side, name in zip("ab", names, strict=True)
    ]
    marks = legend_marks(_BAND, ends, found.limits, us_units)
    keys = list(limit_keys(found.limits).values())
    panels = [
        _Panel(heads[0], found.bands_a[_BAND], ends, found.strips_a, marks, _RATIO, keys),
        _Panel(heads[1], found.bands_b[_BAND], ends, found.strips_b, marks, _RATIO, keys),
        # the change is coloured as a ratio: none as 1
        _Panel(
            "B − A: change of the spread ratio\nonly ground harvested in both",
            1 + found.change[_BAND],
            (1 - _MOST_CHANGE, 1 + _MOST_CHANGE),
            found.repeats,
            _CHANGE_MARKS,
            "change: orange less in B, purple more in B",
            _REPEATS,
            heavy=True,
        ),
    ]
    for k, one in enumerate(panels):
        left = _MARGIN_INCHES + k * (panel + _MARGIN_INCHES)
        box = (left, _FOOT_INCHES, panel, high)
        _draw_panel(figure, page, one, grid, box, us_units=us_units)
    return figure


def _draw_panel(
    figure: Figure, page: Axes, panel: _Panel, grid: Grid, box: Box, *, us_units: bool
) -> None:
    """Draw a map with its legend, keys, bar and north below it."""
    axes = map_axes(figure, box, grid.bounds, frame=True)
    draw_raster(axes, panel.values, grid, _BAND, panel.ends)
    draw_strips(axes, panel.strips, heavy=panel.heavy)
    axes.set_title(panel.head, loc="left", fontsize=9)
    left, low, wide, _ = box
    ramp = axes_at(figure, (left, low - 0.28, wide, 0.14))
    draw_ramp(ramp, _BAND, panel.marks, panel.meaning, upright=False)
    for k, (kind, text) in enumerate(zip(STRIP_LOOKS, panel.keys, strict=True)):
        draw_strip_key(page, left, low - 1.05 - 0.2 * k, kind, text, layer=_BAND, heavy=panel.heavy)
    scale = points_per_metre(axes)
    draw_scale_bar(page, left, low - 1.68, scale, 0.7, us_units=us_units)
    draw_north(page, left + wide - 0.1, low - 1.55, grid)


def _number(value: float) -> str:
    return f"{value:.0f}" if math.isfinite(value) else "–"

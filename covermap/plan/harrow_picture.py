"""Harrowing as a picture: the field before and after, and unevenness at every angle tried."""

from __future__ import annotations

import math
from itertools import cycle
from typing import TYPE_CHECKING

import numpy as np

from covermap.drawing.labels import HIGHEST_TO_LOWEST, UNEVENNESS
from covermap.drawing.look import (
    INK,
    axes_at,
    blank_axes,
    draw_caution,
    house_look,
    new_figure,
    plain_text,
    svg_of,
    two_colours,
)
from covermap.drawing.map_drawing import (
    bounds_of,
    box_of,
    draw_raster,
    map_axes,
    points_per_metre,
)
from covermap.drawing.map_legend import (
    draw_north,
    draw_ramp,
    draw_scale_bar,
)
from covermap.drawing.map_texts import display_range, legend_marks
from covermap.ground.grid import Grid
from covermap.ground.rasters import Raster
from covermap.plan.harrow_angle import LEAST_GAIN_PCT, HarrowChoice, Unevenness
from covermap.tables.said import Said
from covermap.units import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SIZE_INCHES = (10.4, 9.2)
_LONGEST_TITLE = 90
#: Those that the settings have unless something else is given.
_USUAL_LIMITS = (0.5, 1.5)
_WORDS = {1: "one pass", 2: "two passes", 3: "three passes"}


def harrow_said(choice: HarrowChoice) -> list[Said]:
    """Give the advice; rules stand in docs/model.md."""
    trial, after = choice.trial, choice.after.cv_pct
    more = trial[(trial["angle_deg"] == choice.angle_deg) & (trial["passes"] == choice.passes + 1)]
    again = float(more["cv_pct"].iloc[0]) if len(more) else math.inf
    numbers = {
        "angle_deg": abs(choice.angle_deg),
        "heading_deg": choice.heading_deg,
        "back_deg": (choice.heading_deg + 180) % 360,
        "before_cv_pct": choice.before.cv_pct,
        "after_cv_pct": after,
        "passes": _passes(choice.passes),
        "again_cv_pct": again,
        "moved_share_pct": 100 * choice.harrow.moved_share,
        "carry_m": choice.harrow.carry_m,
    }
    rules = ["harrow-angle" if choice.worth_it else "harrow-leave"]
    if choice.worth_it and again <= after - LEAST_GAIN_PCT:
        rules.append("harrow-again")
    return [Said(rule, numbers) for rule in [*rules, "harrow-guess"]]


def harrow_picture(
    ratio_before: np.ndarray | Raster,
    ratio_after: np.ndarray | Raster,
    grid: Grid,
    choice: HarrowChoice,
    *,
    title: str = "",
    limits: tuple[float, float] = _USUAL_LIMITS,
    us_units: bool = False,
) -> str:
    """Draw a field before and after harrowing, and CV against the angle.

    Parameters
    ----------
    ratio_before, ratio_after : numpy.ndarray or Raster
        (rows, cols) spread ratio, NaN where it means nothing.
    grid : Grid
        Of both.
    choice : HarrowChoice
        As given by :func:`covermap.plan.harrow_angle.best_heading`.
    title : str
        Any text; "Harrow trial" if empty.
    limits : tuple of float
        Gap below, double above, as spread ratio: the legend marks them.
    us_units : bool
        Feet and acres instead of metres and hectares.

    Returns
    -------
    str
        SVG; text stays text, escaped; the same bytes every time.
    """
    wide, high = _SIZE_INCHES
    ends = display_range("spread_ratio", np.empty(0), limits, us_units)
    bounds = bounds_of(ratio_before, grid)
    with house_look(9.5):
        figure = new_figure(_SIZE_INCHES)
        page = blank_axes(figure, (0, 0, wide, high))
        shown_title = plain_text(title, _LONGEST_TITLE) or "Harrow trial"
        page.text(0.05 * wide, 0.965 * high, shown_title, fontsize=13, va="center")
        after = f"after {_passes(choice.passes)}, heading {choice.heading_deg:.0f}° and back"
        for left, ratio, word, state in (
            (0.05, ratio_before, "before", choice.before),
            (0.53, ratio_after, after, choice.after),
        ):
            box = (left * wide, 0.475 * high, 0.4 * wide, 0.43 * high)
            axes = map_axes(figure, box, bounds, frame=True)
            draw_raster(axes, ratio, grid, "spread_ratio", ends)
            axes.set_title(word, loc="left", fontsize=11)
            x, y, across, up = box_of(axes)
            page.text(x, y - 0.16, _numbers(state, us_units), va="top")
            if word == "before":
                draw_north(page, x + across + 0.2, y + up - 0.25, grid)
                scale, most = points_per_metre(axes), min(1.1, 0.4 * across)
                bar_at = (x + 0.6 * across, y + up + 0.1)
                draw_scale_bar(page, *bar_at, scale, most, us_units=us_units)
        _draw_heading(axes, choice.heading_deg)
        marks = legend_marks("spread_ratio", ends, limits, us_units)
        ramp = axes_at(figure, (0.945 * wide, 0.515 * high, 0.014 * wide, 0.35 * high))
        draw_ramp(ramp, "spread_ratio", marks, "spread\nratio", upright=True)
        _draw_angles(figure.add_axes((0.075, 0.175, 0.875, 0.19)), choice)
        for k, said in enumerate(harrow_said(choice)):
            line = f"{said.text(us_units)}  [{said.rule}]"
            figure.text(0.05, 0.115 - 0.02 * k, line, fontsize=8.5, va="top")
        draw_caution(figure, 0.05 * wide, 0.045 * high)
        return svg_of(figure)


def _passes(number: int) -> str:
    return _WORDS.get(number, f"{number} passes")


def _numbers(state: Unevenness, us_units: bool) -> str:
    """Give the measures under a map; bare ground makes the quotient endless."""
    area = shown(us_units)["area"]
    if math.isnan(state.urdr):
        lanes = f"{HIGHEST_TO_LOWEST} –"
    elif math.isinf(state.urdr):
        lanes = "a lane of the pass lies bare"
    else:
        lanes = f"{HIGHEST_TO_LOWEST} {state.urdr:.1f}"
    return (
        f"CV {state.cv_pct:.0f} %,  {lanes}\n"
        f"gap {area.text(state.gap_ha * 1e4)},  double {area.text(state.double_ha * 1e4)}"
    )


def _draw_heading(axes: Axes, heading_deg: float) -> None:
    """Draw the way there and back over the middle of the map, the true angle on paper."""
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    half = 0.2 * min(x1 - x0, y1 - y0)
    east, north = math.sin(math.radians(heading_deg)), math.cos(math.radians(heading_deg))
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    for width, colour in ((5.0, "white"), (2.0, INK)):
        axes.annotate(
            "", (x + half * east, y + half * north), (x - half * east, y - half * north),
            arrowprops={"arrowstyle": "<|-|>", "color": colour, "lw": width, "mutation_scale": 16},
        )  # fmt: skip


def _draw_angles(axes: Axes, choice: HarrowChoice) -> None:
    from matplotlib.ticker import MultipleLocator

    dark, middle = two_colours()
    looks = (("-", "o", middle), ((0, (4, 2)), "s", dark), ((0, (1, 1.5)), "^", INK))
    harrowed = choice.trial[choice.trial["passes"] > 0].sort_values("angle_deg")
    numbers = harrowed["passes"].unique()
    for number, (dash, mark, colour) in zip(numbers, cycle(looks), strict=False):
        rows = harrowed[harrowed["passes"] == number]
        axes.plot(
            rows["angle_deg"], rows["cv_pct"], color=colour, ls=dash, marker=mark, ms=4, lw=1.6,
            label=_passes(int(number)),
        )  # fmt: skip
    axes.axhline(choice.before.cv_pct, color=INK, lw=1, ls=(0, (1, 2)), label="as it lies")
    axes.plot(
        [choice.angle_deg], [choice.after.cv_pct], marker="o", ms=11, mfc="none", mec=INK,
        mew=1.5, lw=0, label="chosen",
    )  # fmt: skip
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_ylim(0, None)
    axes.xaxis.set_major_locator(MultipleLocator(15))
    axes.set_xlabel("angle to the combine's main heading [°], right +")
    axes.set_ylabel(f"{UNEVENNESS} [%]")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 0.99), fontsize=8.5, ncols=5)

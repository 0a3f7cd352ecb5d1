"""The plan as one landscape page: zones to work, cover that stays, and how it gets there.

Sizes are in inches on the page; the two maps show the same ground, each at its own scale.
"""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from covermap.drawing.colours import colourise
from covermap.drawing.labels import limit_keys
from covermap.drawing.look import (
    INK,
    POINTS_PER_INCH,
    SOFT,
    axes_at,
    blank_axes,
    draw_caution,
    house_look,
    new_figure,
    plain_text,
    svg_of,
)
from covermap.drawing.map_drawing import (
    blocks_of,
    box_of,
    draw_image,
    draw_outline,
    draw_zones,
    map_axes,
    points_per_metre,
)
from covermap.drawing.map_legend import (
    draw_north,
    draw_ramp,
    draw_scale_bar,
)
from covermap.drawing.map_texts import legend_marks
from covermap.drawing.map_values import in_blocks
from covermap.drawing.plan_signs import draw_table, table_height
from covermap.plan.field_plan import FieldPlan
from covermap.plan.operations import Step
from covermap.tables.signs import hatch_of
from covermap.units import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Fits A4 and US letter with a margin that printers leave.
_PAGE = (10.5, 7.7)
#: Longer side of the cover image; hatch lines are this far apart and this thick [pixels].
_IMAGE_PIXELS, _HATCH_PIXELS, _LINE_PIXELS = 600, 12, 2
#: Above this cover the ramp is too dark for ink.
_DARK_COVER_PCT = 60.0
_COVER_ENDS = (0.0, 100.0)
_LONGEST_TITLE, _LONGEST_CURRENCY = 90, 9
_LONGEST_LABEL, _LONGEST_ONE_LINE = 34, 44


def plan_picture(plan: FieldPlan, *, us_units: bool = False) -> str:
    """Draw a plan on one page that reads in black and white too.

    Left the zones by action with their legend, right the cover after the operations against
    the target, and the mean cover of the harvested ground after each operation.

    Parameters
    ----------
    plan : FieldPlan
    us_units : bool
        Feet, acres and gallons instead of metres, hectares and litres.

    Returns
    -------
    str
        SVG; text stays text, escaped; the same bytes every time.
    """
    with house_look(8.5):
        figure = new_figure(_PAGE)
        _draw_head(figure, plan, us_units)
        # the map takes what the table leaves
        lowest = 1.12 + table_height(plan.work)
        bounds = plan.result.outline.bounds
        left = map_axes(figure, (0.4, lowest, 5.35, 6.4 - lowest), bounds)
        left.set_title("Zones by action", loc="left", fontsize=10)
        draw_zones(left, plan.zones)
        draw_outline(left, [plan.result.outline])
        table_top = box_of(left)[1] - 0.5
        keys = blank_axes(figure, (0.4, table_top + 0.06, 5.35, 0.38))
        _draw_keys(keys, plan, points_per_metre(left), us_units)
        table = blank_axes(figure, (0.4, 0.62, 5.35, table_top - 0.62))
        currency = plain_text(plan.result.settings.plan.currency or "", _LONGEST_CURRENCY)
        draw_table(table, plan.work, currency, us_units=us_units)
        right = map_axes(figure, (6.2, 3.78, 3.3, 2.62), bounds)
        right.set_title("Cover after the operations", loc="left", fontsize=10)
        _draw_cover(right, plan)
        draw_outline(right, [plan.result.outline])
        ramp = axes_at(figure, (6.3 + box_of(right)[2], 3.95, 0.13, 2.2))
        marks = legend_marks("cover_pct", _COVER_ENDS, plan.limits.spread, us_units)
        draw_ramp(ramp, "cover_pct", marks, "cover [%]", upright=True)
        ramp.axhline(plan.limits.target_cover_pct / 100, color=INK, lw=1.6)
        _draw_areas(figure, plan, us_units)
        _draw_steps(axes_at(figure, (8.15, 1.12, 1.45, 1.82)), plan)
        draw_caution(figure, 0.4, 0.45)
        return svg_of(figure)


def _text(figure: Figure, x: float, y: float, text: str, **how: Any) -> None:
    figure.text(x / _PAGE[0], y / _PAGE[1], text, **how)


def _draw_head(figure: Figure, plan: FieldPlan, us_units: bool) -> None:
    result, limits = plan.result, plan.limits
    _text(
        figure,
        0.4,
        7.4,
        plain_text(result.name, _LONGEST_TITLE) or "Plan",
        fontsize=13,
        va="center",
    )
    start = result.passes["start_time"].min()
    dated = "date of harvest unknown" if start is None or start != start else f"{start:%Y-%m-%d}"
    load = shown(us_units)["mass per area"]
    loads = {
        "opener": limits.opener_t_ha,
        "with row cleaner": limits.cleaner_t_ha,
        "hairpinning from": limits.hairpin_t_ha,
    }
    stated = "".join(f", {k} {load.text(v)}" for k, v in loads.items() if v is not None)
    lines = (
        f"Plan after harvest of {result.crop.kind}, {dated}",
        f"Limits: cover {limits.target_cover_pct:g} %; "
        f"{'; '.join(limit_keys(plan.limits.spread).values())}{stated}",
    )
    for k, line in enumerate(lines):
        _text(figure, 0.4, 7.13 - 0.2 * k, line, va="center")


def _draw_keys(axes: Axes, plan: FieldPlan, points_per_m: float, us_units: bool) -> None:
    """Draw scale bar, north and the way of the implement, its width true to scale."""
    draw_scale_bar(axes, 0.0, 0.1, points_per_m, 1.5, us_units=us_units)
    draw_north(axes, 1.95, 0.2, plan.result.grid)
    first = plan.zones.iloc[0]
    heading, width_m = float(first["heading_deg"]), float(first["width_m"])
    way = np.array([math.sin(math.radians(heading)), math.cos(math.radians(heading))])
    middle, side = np.array([2.75, 0.19]), np.array([way[1], -way[0]])
    axes.annotate(
        "", tuple(middle + 0.22 * way), tuple(middle - 0.22 * way), annotation_clip=False,
        arrowprops={"arrowstyle": "<|-|>", "color": INK, "lw": 1.4, "mutation_scale": 9},
    )  # fmt: skip
    half = side * width_m * points_per_m / POINTS_PER_INCH / 2
    axes.plot(
        *np.transpose([middle - half, middle + half]),
        color=INK,
        lw=2.2,
        solid_capstyle="butt",
        clip_on=False,
    )
    wide = shown(us_units)["length"].text(width_m)
    axes.text(
        3.1, 0.19, f"implement {wide} wide (bar: to scale),\non {_round(heading)}° and back "
        f"{_round(heading + 180)}°", va="center",
    )  # fmt: skip


def _round(heading_deg: float) -> str:
    return f"{round(heading_deg) % 360:d}"


def _draw_cover(axes: Axes, plan: FieldPlan) -> None:
    """Lay the cover as an image, with falling lines across ground that falls below the target."""
    grid = plan.result.grid
    block = blocks_of(grid.shape)
    mean = in_blocks(plan.ground.cover_pct, block, whole_numbers=False)
    target = plan.ground.where_known(plan.target.below)
    below = in_blocks(target, block, whole_numbers=False) >= 0.5
    finer = max(_IMAGE_PIXELS // max(mean.shape), 1)
    mean, below = _enlarged(mean, finer), _enlarged(below, finer)
    image = colourise("cover_pct", mean, *_COVER_ENDS)
    row, col = np.indices(mean.shape)
    line = below & ((row - col) % _HATCH_PIXELS < _LINE_PIXELS)
    ink = tuple(int(INK[k : k + 2], 16) for k in (1, 3, 5))
    image[line, :3] = np.where(mean[line, None] > _DARK_COVER_PCT, (255, 255, 255), ink)
    draw_image(axes, image, grid, grid.cell_m * block / finer)


def _enlarged(values: np.ndarray, times: int) -> np.ndarray:
    return np.asarray(values.repeat(times, 0).repeat(times, 1))


def _draw_areas(figure: Figure, plan: FieldPlan, us_units: bool) -> None:
    from matplotlib.patches import Rectangle

    target, area = plan.target, shown(us_units)["area"]
    axes = blank_axes(figure, (6.2, 3.2, 4.1, 0.5))
    hatch = hatch_of("below-target").paper
    axes.add_patch(Rectangle((0, 0.06), 0.32, 0.14, fc="white", ec=INK, hatch=hatch, lw=0.5))
    share = 100 * target.area_below_m2 / (target.area_below_m2 + target.area_meets_m2)
    wanted = f"{plan.limits.target_cover_pct:g} %"
    meets, below = area.text(target.area_meets_m2), area.text(target.area_below_m2)
    axes.text(0.42, 0.37, f"{wanted} or more: {meets} ({100 - share:.0f} %)", va="center")
    axes.text(0.42, 0.13, f"below {wanted}: {below} ({share:.0f} %)", va="center")
    axes.text(2.7, 0.37, "blank: not harvested", va="center")
    axes.text(2.7, 0.13, target.note.rule, va="center", color=SOFT, fontsize=6.5)


def _step_label(step: Step, lines: int) -> str:
    """Give the operation and the table of its figure in so many lines at most."""
    if not step.basis:
        return "now, as mapped"
    name, _, table = step.label.rpartition(" (")
    if lines < 2:
        return f"{plain_text(name, _LONGEST_ONE_LINE - len(f' ({table}'))} ({table}"
    wrapped = textwrap.wrap(name, _LONGEST_LABEL, max_lines=lines - 1, placeholder=" …")
    return "\n".join([*wrapped, f"({table}"])


def _draw_steps(axes: Axes, plan: FieldPlan) -> None:
    """Draw mean cover of the harvested ground after each operation, a row each."""
    target, steps = plan.limits.target_cover_pct, plan.steps
    rows = np.arange(len(steps))
    low, mid, high = (
        np.array([getattr(step.cover_pct, end) for step in steps]) for end in ("low", "mid", "high")
    )
    axes.axvline(target, color=INK, lw=1.2, ls=(0, (4, 2)), zorder=1)
    axes.hlines(rows, low, high, color=SOFT, lw=6, zorder=2)
    axes.plot(mid, rows, "o", color=INK, mec="white", mew=0.6, ms=4.5, zorder=3)
    for row in range(len(steps)):
        ends = "" if high[row] - low[row] < 0.5 else f" ({low[row]:.0f}–{high[row]:.0f})"
        axes.text(103, row, f"{mid[row]:.0f}{ends}", va="center", fontsize=7.5)
    row_pt = axes.get_position().height * _PAGE[1] * POINTS_PER_INCH / max(len(steps), 3)
    size = min(7.5, 0.9 * row_pt)
    lines = min(int(row_pt / (1.25 * size)), 3)
    axes.set_yticks(rows, [_step_label(step, lines) for step in steps], fontsize=size)
    axes.set(xlim=(0, 100), ylim=(max(len(steps), 3) - 0.5, -0.5))
    axes.set_xticks([0, 20, 40, 60, 80, 100])
    axes.tick_params(axis="y", length=0)
    axes.spines[["top", "right", "left"]].set_visible(False)
    axes.set_xlabel(
        f"cover [%]: middle, and low–high as published\ndashed: target {target:g} %", fontsize=8
    )
    given = "" if len(steps) > 1 else ": no operations given"
    axes.text(
        -1.345, 1.06, f"Mean cover of the harvested ground, step by step{given}", fontsize=10,
        transform=axes.transAxes,
    )  # fmt: skip

"""The plan as one landscape page: zones to work, cover that stays, and how it gets there.

Sizes are in inches on the page; the two maps show the same ground, each at its own scale.
"""

from __future__ import annotations

import io
import math
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from covermap.outputs.colours import colourise, palette
from covermap.outputs.plan_signs import ActionSign, draw_table, signs_of, table_height
from covermap.outputs.summary import CAUTION
from covermap.plan.operations import Step
from covermap.plan_field import FieldPlan
from covermap.units import METRES_PER_FOOT, shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.path import Path

_INK = "#222222"
_SOFT = "#767676"
#: Fits A4 and US letter with a margin that printers leave.
_PAGE = (10.5, 7.7)
_POINTS_PER_INCH = 72.0
#: Outlines are drawn to this fineness on paper [pt].
_FINENESS_PT = 0.3
#: A ring with less than so many squares of that fineness in it is not drawn.
_SPECK = 10.0
#: Letter sizes and the room around its middle that each needs [pt].
_LETTERS = ((10.0, 9.0), (6.5, 4.6))
#: Longer side of the cover image; hatch lines are this far apart and this thick [pixels].
_IMAGE_PIXELS, _HATCH_PIXELS, _LINE_PIXELS = 600, 12, 2
#: Above this cover the ramp is too dark for ink.
_DARK_COVER_PCT = 60.0
_LONGEST_TITLE, _LONGEST_CURRENCY = 90, 9
_LONGEST_LABEL, _SHORT_LABEL = 34, 24


def plan_picture(plan: FieldPlan, *, us_units: bool = False) -> str:
    """Draw a plan on one page that reads in black and white too.

    Left the zones by action with their legend, right the cover after the operations against
    the target, and the mean cover of the harvested ground after each operation.

    Parameters
    ----------
    plan : FieldPlan
    us_units : bool
        Feet and acres instead of metres and hectares; fuel stays in litres, as stated.

    Returns
    -------
    str
        SVG; text stays text, escaped; the same bytes every time.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    style: dict[Any, Any] = {
        "svg.hashsalt": "covermap",
        "svg.fonttype": "none",
        "font.family": ["DejaVu Sans"],
        "font.size": 8.5,
        "text.color": _INK,
        "axes.edgecolor": _SOFT,
        "axes.labelcolor": _INK,
        "xtick.color": _INK,
        "ytick.color": _INK,
        "hatch.linewidth": 0.45,
        "text.parse_math": False,
    }
    with mpl.rc_context(style):
        figure = Figure(figsize=_PAGE)
        FigureCanvasSVG(figure)
        _draw_head(figure, plan, us_units)
        # the map takes what the table leaves
        lowest = 1.12 + table_height(plan.work)
        left, inches_per_m = _map_axes(figure, plan, (0.4, lowest, 5.35, 6.4 - lowest))
        left.set_title("Zones by action", loc="left", fontsize=10)
        _draw_zones(left, plan, inches_per_m)
        table_top = left.get_position().y0 * _PAGE[1] - 0.5
        keys = _blank_axes(figure, (0.4, table_top + 0.06, 5.35, 0.38))
        _draw_keys(keys, plan, inches_per_m, us_units)
        table = _blank_axes(figure, (0.4, 0.62, 5.35, table_top - 0.62))
        currency = _plain(plan.result.settings.get("plan", "currency") or "", _LONGEST_CURRENCY)
        draw_table(table, plan.work, currency, us_units=us_units)
        right, inches_per_m = _map_axes(figure, plan, (6.2, 3.78, 3.3, 2.62))
        right.set_title("Cover after the operations", loc="left", fontsize=10)
        _draw_cover(right, plan)
        _draw_outline(right, plan, inches_per_m)
        beside = 6.3 + right.get_position().width * _PAGE[0]
        _draw_ramp(_axes(figure, (beside, 3.95, 0.13, 2.2)), plan.limits.target_cover_pct)
        _draw_areas(figure, plan, us_units)
        _draw_steps(_axes(figure, (8.15, 1.12, 1.45, 1.82)), plan)
        _text(figure, 0.4, 0.45, textwrap.fill(CAUTION, 185), fontsize=7.5, va="top")
        stream = io.StringIO()
        figure.savefig(
            stream, format="svg", metadata=dict.fromkeys(("Creator", "Date", "Format", "Type"))
        )
    return stream.getvalue()


def _plain(text: str, longest: int) -> str:
    """Leave out what XML forbids (control characters) and what would not fit."""
    text = "".join(c if c.isprintable() else " " for c in text).strip()
    return text if len(text) <= longest else text[: longest - 1] + "…"


def _axes(figure: Figure, box: tuple[float, float, float, float]) -> Axes:
    """Give axes at left, bottom, width, height in inches."""
    wide, high = _PAGE
    return figure.add_axes((box[0] / wide, box[1] / high, box[2] / wide, box[3] / high))


def _blank_axes(figure: Figure, box: tuple[float, float, float, float]) -> Axes:
    """Give axes without a frame, whose data are inches from their lower left corner."""
    axes = _axes(figure, box)
    axes.set(xlim=(0, box[2]), ylim=(0, box[3]))
    axes.axis("off")
    return axes


def _text(figure: Figure, x: float, y: float, text: str, **how: Any) -> None:
    figure.text(x / _PAGE[0], y / _PAGE[1], text, **how)


def _draw_head(figure: Figure, plan: FieldPlan, us_units: bool) -> None:
    result, limits = plan.result, plan.limits
    _text(figure, 0.4, 7.4, _plain(result.name, _LONGEST_TITLE) or "Plan", fontsize=13, va="center")
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
        f"Limits: cover {limits.target_cover_pct:g} %, gap below {limits.gap_below:g} and double "
        f"above {limits.double_above:g} (spread ratio){stated}",
    )
    for k, line in enumerate(lines):
        _text(figure, 0.4, 7.13 - 0.2 * k, line, va="center")


def _map_axes(
    figure: Figure, plan: FieldPlan, box: tuple[float, float, float, float]
) -> tuple[Axes, float]:
    """Lay a map as large as it goes into the upper left of a box; give its scale too."""
    west, south, east, north = plan.result.outline.bounds
    scale = min(box[2] / (east - west), box[3] / (north - south))
    wide, high = scale * (east - west), scale * (north - south)
    axes = _axes(figure, (box[0], box[1] + box[3] - high, wide, high))
    axes.set(xlim=(west, east), ylim=(south, north))
    axes.axis("off")
    return axes, scale


def _path_of(shapes: Any, fine_m: float) -> Path | None:
    """Give one path of all rings of polygons, or None if nothing is left."""
    from matplotlib.path import Path

    parts = shapely.get_parts(shapely.simplify(np.asarray(shapes, dtype=object), fine_m))
    # turned so that holes run against their shell, or they would be filled
    parts = shapely.normalize(parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON])
    rings = shapely.get_rings(parts[~shapely.is_empty(parts)])
    # slits where pieces were joined would show as stray lines
    rings = rings[shapely.area(shapely.polygons(rings)) > _SPECK * fine_m**2]
    if len(rings) == 0:
        return None
    return Path.make_compound_path(*(Path(shapely.get_coordinates(r), closed=True) for r in rings))


def _draw_outline(axes: Axes, plan: FieldPlan, inches_per_m: float) -> None:
    from matplotlib.patches import PathPatch

    path = _path_of([plan.result.outline], _FINENESS_PT / (inches_per_m * _POINTS_PER_INCH))
    if path is not None:
        axes.add_patch(PathPatch(path, fc="none", ec=_INK, lw=1.2, zorder=4, clip_on=False))


def _draw_zones(axes: Axes, plan: FieldPlan, inches_per_m: float) -> None:
    from matplotlib.patches import PathPatch

    points_per_m = inches_per_m * _POINTS_PER_INCH
    for sign in signs_of(plan.zones["rule_id"]):
        shapes = plan.zones.loc[plan.zones["rule_id"] == sign.rule_id].geometry.to_numpy()
        path = _path_of(shapes, _FINENESS_PT / points_per_m)
        if path is None:
            continue
        axes.add_patch(
            PathPatch(path, fc=sign.colour, ec=_INK, hatch=sign.hatch or None, lw=0.5, zorder=2)
        )
        _draw_letters(axes, sign, shapes, points_per_m)
    _draw_outline(axes, plan, inches_per_m)


def _draw_letters(axes: Axes, sign: ActionSign, shapes: Any, points_per_m: float) -> None:
    """Write the letter where the zone leaves room for it, as large as fits."""
    for shape in shapely.get_parts(shapely.simplify(shapes, _FINENESS_PT / points_per_m)):
        for size, room in _LETTERS:
            inner = shapely.get_parts(shapely.buffer(shape, -room / points_per_m))
            inner = inner[~shapely.is_empty(inner)]
            if len(inner) == 0:
                continue
            spot = shapely.point_on_surface(inner[shapely.area(inner).argmax()])
            axes.text(
                spot.x, spot.y, sign.code, fontsize=size, fontweight="bold", ha="center",
                va="center", zorder=5,
                bbox={"boxstyle": "square,pad=0.15", "fc": sign.colour, "ec": "none"},
            )  # fmt: skip
            break


def _draw_keys(axes: Axes, plan: FieldPlan, inches_per_m: float, us_units: bool) -> None:
    """Draw scale bar, north and the way of the implement, its width true to scale."""
    west, _, east, _ = plan.result.outline.bounds
    metres, unit = (METRES_PER_FOOT, "ft") if us_units else (1.0, "m")
    most = min((east - west) / 2, 1.5 / inches_per_m) / metres
    tens = 10.0 ** math.floor(math.log10(most))
    length = max(step * tens for step in (1, 2, 5) if step * tens <= most)
    bar = length * metres * inches_per_m
    axes.plot([0, bar], [0.1, 0.1], color=_INK, lw=2.2, solid_capstyle="butt")
    axes.text(bar / 2, 0.16, f"{length:g} {unit}", ha="center", va="bottom")
    axes.annotate(
        "", (1.95, 0.38), (1.95, 0.0), arrowprops={"arrowstyle": "-|>", "color": _INK, "lw": 1.2}
    )
    axes.text(2.05, 0.19, "N", va="center")
    first = plan.zones.iloc[0]
    heading, width_m = float(first["heading_deg"]), float(first["width_m"])
    way = np.array([math.sin(math.radians(heading)), math.cos(math.radians(heading))])
    middle, side = np.array([2.75, 0.19]), np.array([way[1], -way[0]])
    axes.annotate(
        "", tuple(middle + 0.22 * way), tuple(middle - 0.22 * way), annotation_clip=False,
        arrowprops={"arrowstyle": "<|-|>", "color": _INK, "lw": 1.4, "mutation_scale": 9},
    )  # fmt: skip
    half = side * width_m * inches_per_m / 2
    axes.plot(
        *np.transpose([middle - half, middle + half]),
        color=_INK,
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
    """Lay the cover as an image, with lines across ground that falls below the target."""
    grid = plan.result.grid
    cover = np.asarray(plan.steps[-1].cover_pct.mid, np.float32)
    block = max(math.ceil(max(cover.shape) / _IMAGE_PIXELS), 1)
    known = _block_sums(np.isfinite(cover), block)
    some = known > 0
    mean = np.full(known.shape, np.nan, np.float32)
    np.divide(_block_sums(np.nan_to_num(cover), block), known, out=mean, where=some)
    below = some & (_block_sums(plan.target.below, block) >= known / 2)
    finer = max(_IMAGE_PIXELS // max(mean.shape), 1)
    mean, below = _enlarged(mean, finer), _enlarged(below, finer)
    image = colourise("cover_pct", mean, 0.0, 100.0)
    row, col = np.indices(mean.shape)
    line = below & ((row + col) % _HATCH_PIXELS < _LINE_PIXELS)
    ink = tuple(int(_INK[k : k + 2], 16) for k in (1, 3, 5))
    image[line, :3] = np.where(mean[line, None] > _DARK_COVER_PCT, (255, 255, 255), ink)
    side = grid.cell_m * block / finer
    rows, cols = image.shape[:2]
    extent = (grid.west, grid.west + cols * side, grid.north - rows * side, grid.north)
    xlim, ylim = axes.get_xlim(), axes.get_ylim()
    axes.imshow(image, extent=extent, interpolation="none", aspect="auto", zorder=1)
    axes.set(xlim=xlim, ylim=ylim)


def _block_sums(values: np.ndarray, block: int) -> np.ndarray:
    pad = [(0, -size % block) for size in values.shape]
    wide = np.pad(values.astype(np.float32), pad)
    rows, cols = wide.shape
    sums = wide.reshape(rows // block, block, cols // block, block).sum(axis=(1, 3))
    return np.asarray(sums, np.float32)


def _enlarged(values: np.ndarray, times: int) -> np.ndarray:
    return np.asarray(values.repeat(times, 0).repeat(times, 1))


def _draw_ramp(axes: Axes, target_pct: float) -> None:
    axes.imshow(palette("cover_pct")[:0:-1, None], extent=(0, 1, 0, 100), aspect="auto")
    axes.axhline(target_pct, color=_INK, lw=1.6)
    axes.set(xticks=[], yticks=[0, 20, 40, 60, 80, 100])
    axes.yaxis.tick_right()
    axes.set_title("cover [%]", fontsize=8, loc="left")


def _draw_areas(figure: Figure, plan: FieldPlan, us_units: bool) -> None:
    from matplotlib.patches import Rectangle

    target, area = plan.target, shown(us_units)["area"]
    axes = _blank_axes(figure, (6.2, 3.2, 4.1, 0.5))
    axes.add_patch(Rectangle((0, 0.06), 0.32, 0.14, fc="white", ec=_INK, hatch="////", lw=0.5))
    share = 100 * target.area_below_m2 / (target.area_below_m2 + target.area_meets_m2)
    wanted = f"{plan.limits.target_cover_pct:g} %"
    meets, below = area.text(target.area_meets_m2), area.text(target.area_below_m2)
    axes.text(0.42, 0.37, f"{wanted} or more: {meets} ({100 - share:.0f} %)", va="center")
    axes.text(0.42, 0.13, f"below {wanted}: {below} ({share:.0f} %)", va="center")
    axes.text(2.7, 0.37, "blank: not harvested", va="center")
    axes.text(2.7, 0.13, target.note[0], va="center", color=_SOFT, fontsize=6.5)


def _mean(values: Any) -> float:
    return float(np.nanmean(np.asarray(values), dtype=np.float64))


def _step_label(step: Step, lines: int) -> str:
    """Give the operation and the basis of its figure in so many lines at most."""
    if not step.basis:
        return "now, as mapped"
    name, _, source = step.label.rpartition(" (")
    if lines < 2:
        return f"{_plain(name, _SHORT_LABEL)} ({source[:-1]}, {step.basis})"
    wrapped = textwrap.wrap(name, _LONGEST_LABEL, max_lines=lines - 1, placeholder=" …")
    return "\n".join([*wrapped, f"({source} share kept of {step.basis}"])


def _draw_steps(axes: Axes, plan: FieldPlan) -> None:
    """Draw mean cover of the harvested ground after each operation, a row each."""
    target, steps = plan.limits.target_cover_pct, plan.steps
    rows = np.arange(len(steps))
    low, mid, high = (
        np.array([_mean(getattr(step.cover_pct, end)) for step in steps])
        for end in ("low", "mid", "high")
    )
    axes.axvline(target, color=_INK, lw=1.2, ls=(0, (4, 2)), zorder=1)
    axes.hlines(rows, low, high, color=_SOFT, lw=6, zorder=2)
    axes.plot(mid, rows, "o", color=_INK, mec="white", mew=0.6, ms=4.5, zorder=3)
    for row in range(len(steps)):
        ends = "" if high[row] - low[row] < 0.5 else f" ({low[row]:.0f}–{high[row]:.0f})"
        axes.text(103, row, f"{mid[row]:.0f}{ends}", va="center", fontsize=7.5)
    row_pt = axes.get_position().height * _PAGE[1] * _POINTS_PER_INCH / max(len(steps), 3)
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

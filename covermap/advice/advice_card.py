"""The settings card: one printed page that answers for any wind.

Curves to read a setting off, the same in a table, how to find the crosswind, the headings
of this field, and the caution. Line styles, hatch and slanted figures carry everything in
black and white too.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from covermap.advice.advice_text import (
    CAUTION,
    STRONGEST,
    heading_text,
    is_mirrored,
    lean_number,
    number,
    ratio_text,
    setting_text,
    strongest_text,
    table_rows,
    way_lines,
    wind_text,
)
from covermap.advice.advise_field import FieldAdvice
from covermap.advice.settings_advice import CardRow
from covermap.drawing.card_page import (
    MARGIN_MM,
    MM_PER_POINT,
    PAGE_MM,
    WIDTH_USED,
    Page,
    line_mm,
    width_mm,
    wrapped,
)
from covermap.drawing.labels import CROSSWIND, HIGHEST_TO_LOWEST, NOT_CORRECTED, UNEVENNESS
from covermap.drawing.look import (
    INK,
    PALE,
    SOFT,
    house_look,
    new_figure,
    plain_text,
    svg_of,
)
from covermap.tables.signs import hatch_of
from covermap.units import MM_PER_INCH, Shown, shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LONGEST_TITLE = 110
_PLOT_MM = (95.0, 44.0)
_TABLE_MM = 121.0
_ROW_MM = 4.9
_ANGLES_DEG = (0, 15, 30, 45, 60, 90)
#: Heads of the last two columns, on two lines each.
_CV_AND_RATIO = (
    f"{UNEVENNESS} [%]".replace(" ", "\n", 1),
    HIGHEST_TO_LOWEST.replace(" across", "\nacross"),
)
_LINES = (("reach left", "-", 1.2), ("reach right", (0, (5, 2)), 2.6), ("lean", (0, (1, 1.3)), 2.2))


def advice_card(advice: FieldAdvice, *, title: str, us_units: bool = False) -> str:
    """Draw the card.

    Parameters
    ----------
    advice : FieldAdvice
    title : str
        Any text; what does not fit on two lines is cut off.
    us_units : bool
        Feet and miles per hour instead of metres and metres per second.

    Returns
    -------
    str
        SVG of one A4 page; text stays text, escaped; the same for the same advice.
    """
    with house_look(8.5):
        svg = svg_of(card_figure(advice, title=title, us_units=us_units))
    # a browser prints points as it likes; millimetres are the page
    points = [f"{mm / MM_PER_POINT:.6f}".rstrip("0").rstrip(".") + "pt" for mm in PAGE_MM]
    for mm, point in zip(PAGE_MM, points, strict=True):
        svg = svg.replace(f'"{point}"', f'"{mm:g}mm"', 1)
    return svg


def card_figure(advice: FieldAdvice, *, title: str, us_units: bool) -> Figure:
    """Lay the card out as a matplotlib figure; parameters as in :func:`advice_card`."""
    figure = new_figure((PAGE_MM[0] / MM_PER_INCH, PAGE_MM[1] / MM_PER_INCH))
    page = Page(figure)
    _head(page, advice, title, us_units)
    rows = table_rows(advice, us_units)
    low_mm = _caution(page)
    ways = way_lines(advice, us_units)
    headings = [heading_text(one, us_units) for one in advice.headings]
    # what stands below the plot decides how high the plot may be
    plot_axes_mm = 29.0
    fixed = page.y + plot_axes_mm + _table_height(len(rows)) + 4
    free = low_mm - fixed - page.list_height(headings, ways)
    plot_mm = min(max(_PLOT_MM[1], free), _PLOT_MM[0])
    left_out = 0
    while len(headings) > 1 and low_mm - fixed - plot_mm < page.list_height(
        [*headings, "…"] if left_out else headings, ways
    ):
        headings.pop()
        left_out += 1
    if left_out:
        headings.append(f"{left_out} more headings with less of the work: read the curves.")
    _plot(page, advice, plot_mm, us_units)
    page.y += plot_mm + plot_axes_mm
    top = page.y
    _table(page, advice, rows, us_units)
    _crosswind_box(page, advice, top, _table_height(len(rows)), us_units)
    page.y = top + _table_height(len(rows)) + 4
    page.bullets("This field", headings)
    if ways:
        page.bullets("What else would help", ways)
    return figure


def _head(page: Page, advice: FieldAdvice, title: str, us_units: bool) -> None:
    length = shown(us_units)["length"]
    limits = advice.limits
    width = page.width
    lines = wrapped(plain_text(title or "Settings card", _LONGEST_TITLE), width, 14, "bold")
    if len(lines) > 2:
        lines = [lines[0], lines[1][:-1] + "…"]
    for line in lines:
        page.write(page.left, page.y, line, 14, weight="bold")
        page.y += line_mm(14)
    page.y += 0.5
    for text in (
        f"Spreader settings by crosswind: {advice.crop.kind}, passes "
        f"{length.text(advice.model.spacing_m)} apart, driven there and back",
        f"Machine limits: reach {number(limits.least_reach_m, length)} to "
        f"{length.text(limits.most_reach_m)} to a side, lean up to "
        f"{length.text(limits.most_lean_m)}. Set now: {setting_text(advice.present, length)}.",
        f"Wind: {wind_text(advice, us_units)}.",
        f"{STRONGEST}: {strongest_text(advice, us_units)} [advise-strongest].",
    ):
        page.paragraph(text, page.left, width, 8.5)


def _plot(page: Page, advice: FieldAdvice, height: float, us_units: bool) -> None:
    """Draw the curves; measuring height stands above, wind on the flying straw below."""
    units = shown(us_units)
    wind, length = units["wind"], units["length"]
    left, top, width = page.left + 12, page.y + 17, page.width - 14
    axes = page.figure.add_axes(
        (
            left / PAGE_MM[0],
            1 - (top + height) / PAGE_MM[1],
            width / PAGE_MM[0],
            height / PAGE_MM[1],
        )
    )
    most = max(row.crosswind_m_s for row in advice.card) * wind.per_si
    values = _curves(advice, wind, length)
    for name, dash, thick in _LINES:
        for k, (x, y) in enumerate(values[name]):
            axes.plot(x, y, color=INK, lw=thick, ls=dash, label="" if k else name)
    every = np.concatenate([y for parts in values.values() for _, y in parts])
    pad = 0.06 * float(np.ptp(every))
    axes.set_xlim(-most, most)
    axes.set_ylim(float(every.min()) - pad, float(every.max()) + pad)
    axes.axhline(0, color=SOFT, lw=0.8, zorder=0.5)
    axes.axvline(0, color=SOFT, lw=0.8, zorder=0.5)
    axes.grid(color="#d5d9dc", lw=0.5)
    axes.set_axisbelow(True)
    axes.xaxis.set_major_formatter(_unsigned)
    axes.yaxis.set_major_formatter(lambda v, _: f"{v:g}".replace("-", "−"))
    # where not even still air is even enough, no wind is shaded: it is not the wind
    strongest = math.inf if advice.strongest_m_s is None else advice.strongest_m_s
    beyond = strongest * wind.per_si
    if beyond < most - 1e-9:
        for side in (-1, 1):
            axes.axvspan(
                *sorted((side * beyond, side * most)),
                facecolor=PALE,
                edgecolor="#c2c7cb",
                hatch=hatch_of("not-corrected").paper,
                lw=0,
                zorder=0,
            )
    axes.set_ylabel(f"{length.unit} (lean: + right, − left)", fontsize=8.5)
    axes.set_xlabel(f"{CROSSWIND} [{wind.unit}]", fontsize=8.5)
    page.write(left, top + height + 5.8, "← wind from the right", 8.5, weight="bold")
    page.write(
        left + width, top + height + 5.8, "wind from the left →", 8.5, ha="right", weight="bold"
    )
    _measured_axis(axes, advice, most, wind, length)
    axes.legend(
        loc="lower left",
        bbox_to_anchor=(0.0, 1 + 9.6 / height),
        borderaxespad=0.0,
        ncols=3,
        frameon=False,
        fontsize=8.5,
        handlelength=3.6,
    )
    if beyond < most - 1e-9:
        edge = page.right - 2
        text = f"hatched: {NOT_CORRECTED}"
        page.write(edge, page.y + 4.6, text, 8.5, ha="right", va="center")
        page.box(
            edge - width_mm(text, 8.5) / WIDTH_USED - 9,
            page.y + 3.0,
            7,
            3.2,
            facecolor=PALE,
            edgecolor=SOFT,
            hatch=hatch_of("not-corrected").paper,
            lw=0.5,
        )


def _unsigned(value: float, _: float) -> str:
    return f"{abs(value):g}"


def _measured_axis(
    axes: Axes, advice: FieldAdvice, most: float, wind: Shown, length: Shown
) -> None:
    """Put the wind as measured above, where it blows square across."""
    upper = axes.twiny()
    upper.set_xlim(-most / advice.station_factor, most / advice.station_factor)
    upper.xaxis.set_major_formatter(_unsigned)
    upper.set_xlabel(
        f"wind measured at {length.text(advice.measured_at_m)}, blowing square across "
        f"[{wind.unit}]",
        fontsize=8.5,
    )
    for spine in (*axes.spines.values(), *upper.spines.values()):
        spine.set_linewidth(0.6)


def _curves(
    advice: FieldAdvice, wind: Shown, length: Shown
) -> dict[str, list[tuple[np.ndarray, np.ndarray]]]:
    """Give each curve in display units, a part for wind from the left and one for right."""
    from scipy.interpolate import PchipInterpolator

    strength = np.array([row.crosswind_m_s for row in advice.card])
    fine = np.linspace(strength[0], strength[-1], 241)
    settings = [row.setting for row in advice.card]

    def smooth(values: list[float]) -> np.ndarray:
        # runs through every point and never beyond it, so limits stay limits
        return np.asarray(PchipInterpolator(strength, values)(fine)) * length.per_si

    x = fine * wind.per_si
    reach_left = smooth([s.reach_left_m for s in settings])
    reach_right = smooth([s.reach_right_m for s in settings])
    lean = smooth([s.lean_m for s in settings])
    curves = {
        "reach left": [(x, reach_left)],
        "reach right": [(x, reach_right)],
        "lean": [(x, lean)],
    }
    if is_mirrored(advice):
        curves["reach left"].append((-x, reach_right))
        curves["reach right"].append((-x, reach_left))
        curves["lean"].append((-x, -lean))
    return curves


def _table_height(rows: int) -> float:
    return 15.5 + rows * _ROW_MM + 8.0


def _table(page: Page, advice: FieldAdvice, rows: list[CardRow], us_units: bool) -> None:
    units = shown(us_units)
    wind, length = units["wind"], units["length"]
    edges = np.array([0, 14.5, 24, 34, 48, 57.5, 67.5, 81.5, 98.5, _TABLE_MM]) + page.left
    right = edges[1:] - 1.5
    y = page.y
    for first, text in ((1, "wind from the left"), (4, "wind from the right")):
        middle = (edges[first] + edges[first + 3]) / 2
        page.write(middle, y, f"{text} [{length.unit}]", 7, ha="center", weight="bold")
        page.axes.plot([edges[first] + 2, edges[first + 3] - 1], [y + 4.2] * 2, color=SOFT, lw=0.6)
    heads = [f"crosswind\n[{wind.unit}]", *["reach\nleft", "reach\nright", "lean\n"] * 2]
    for x, text in zip(right, [*heads, *_CV_AND_RATIO], strict=True):
        page.write(x, y + 5.2, text, 7, ha="right", linespacing=1.15)
    y += 13.0
    page.axes.plot([edges[0], edges[-1]], [y, y], color=INK, lw=0.8)
    y += 0.8
    both = is_mirrored(advice)
    for row in rows:
        other = row.setting.mirrored()
        texts = [number(row.crosswind_m_s, wind).removesuffix(".0")]
        for setting in (row.setting, other):
            texts += [
                number(setting.reach_left_m, length),
                number(setting.reach_right_m, length),
                lean_number(setting.lean_m, length),
            ]
        if not both:
            texts[4:7] = ["–"] * 3
        texts += [f"{row.after.cv_pct:.0f}", ratio_text(row.after.urdr)]
        beyond = _beyond(row, advice)
        if beyond:
            page.box(edges[0], y, _TABLE_MM, _ROW_MM, facecolor=PALE, lw=0, zorder=0.2)
        for x, text in zip(right, texts, strict=True):
            slant = "italic" if beyond else "normal"
            page.write(x, y + _ROW_MM / 2, text, 8.5, ha="right", va="center", style=slant)
        y += _ROW_MM
    page.axes.plot([edges[0], edges[-1]], [y, y], color=SOFT, lw=0.6)
    notes = ["lean: + right, − left"]
    if any(_beyond(row, advice) for row in rows):
        notes.append(f"slanted on grey: {NOT_CORRECTED}")
    if any(ratio_text(row.after.urdr) == "bare" for row in rows):
        notes.append("bare: some ground gets nothing")
    if not both:
        notes.append("the measured profile has two unlike sides, so right is not left mirrored")
    page.y = y + 1
    page.paragraph("; ".join(notes) + ".", page.left, _TABLE_MM, 7)


def _crosswind_box(
    page: Page, advice: FieldAdvice, top: float, height: float, us_units: bool
) -> None:
    """Say how to get from the wind that blows to the crosswind of the card."""
    wind, length = shown(us_units)["wind"], shown(us_units)["length"]
    blowing = 15 if us_units else 6
    felt = blowing * 0.5 * advice.station_factor
    x = page.left + _TABLE_MM + 5
    width = page.right - x
    page.box(x, top, width, height, facecolor="none", edgecolor=SOFT, lw=0.8)
    x, width = x + 3, width - 6
    page.y = top + 2.5
    page.paragraph("Finding the crosswind", x, width, 9.5, weight="bold")
    page.y += 0.8
    page.paragraph("Angle between wind and travel, and its factor:", x, width, 8)
    page.y += 1.0
    step = width / len(_ANGLES_DEG)
    for k, angle in enumerate(_ANGLES_DEG):
        middle = x + (k + 0.5) * step
        page.write(middle, page.y, f"{angle}°", 8.5, ha="center", weight="bold")
        share = f"{math.sin(math.radians(angle)):.2f}".rstrip("0").rstrip(".")
        page.write(middle, page.y + 4.2, {"1": "1.0"}.get(share, share), 8.5, ha="center")
    page.y += 9.4
    for text in (
        f"Wind measured at {length.text(advice.measured_at_m)} × factor × "
        f"{advice.station_factor:.2f} = {CROSSWIND}.",
        f"Example: {blowing} {wind.unit} at 30° from your left: {blowing} × 0.5 × "
        f"{advice.station_factor:.2f} = {felt:.1f} {wind.unit} from the left.",
        "Left and right: looking forward. Driving back, the sides change.",
    ):
        page.paragraph(text, x, width, 8)
        page.y += 0.8


def _caution(page: Page) -> float:
    """Draw the framed caution at the foot and give where it begins [mm]."""
    width = page.width
    lines = wrapped(CAUTION, width - 8, 8.5)
    height = line_mm(9.5) + len(lines) * line_mm(8.5) + 4.5
    top = PAGE_MM[1] - MARGIN_MM - height
    page.box(page.left, top, width, height, facecolor="none", edgecolor=INK, lw=1.6)
    page.write(page.left + 4, top + 2, "Caution", 9.5, weight="bold")
    for k, line in enumerate(lines):
        page.write(page.left + 4, top + 2.4 + line_mm(9.5) + k * line_mm(8.5), line, 8.5)
    return top - 2


def _beyond(row: CardRow, advice: FieldAdvice) -> bool:
    """Say whether a row's wind cannot be corrected though still air can."""
    return advice.strongest_m_s is not None and row.crosswind_m_s > advice.strongest_m_s + 1e-9

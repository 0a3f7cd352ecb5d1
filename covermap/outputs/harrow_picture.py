"""Harrowing as a picture: the field before and after, and unevenness at every angle tried."""

from __future__ import annotations

import io
import math
import textwrap
from itertools import cycle
from typing import TYPE_CHECKING, Any

import numpy as np

from covermap.ground.grid import Grid
from covermap.outputs.colours import colourise, palette
from covermap.outputs.summary import CAUTION
from covermap.plan.harrow_angle import HarrowChoice, Unevenness
from covermap.units import METRES_PER_FOOT, shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_INK = "#222222"
_SOFT = "#767676"
_SIZE_INCHES = (10.4, 9.2)
_MOST_PIXELS = 900
_LONGEST_TITLE = 90
_RATIO_RANGE = (0.0, 2.0)
_WORDS = {1: "one pass", 2: "two passes", 3: "three passes"}


def harrow_lines(choice: HarrowChoice, *, us_units: bool = False) -> list[tuple[str, str]]:
    """Give the advice as pairs of rule id and sentence; rules stand in docs/model.md.

    Parameters
    ----------
    choice : HarrowChoice
    us_units : bool
        Feet instead of metres.
    """
    before, after = choice.before.cv_pct, choice.after.cv_pct
    words = _passes(choice.passes)
    if choice.worth_it:
        back = (choice.heading_deg + 180) % 360
        lines = [
            (
                "harrow-angle",
                f"Harrow at {abs(choice.angle_deg):.0f}° to the combine's main heading, on "
                f"{choice.heading_deg:.0f}° and back {back:.0f}°: CV falls from {before:.0f} % to "
                f"{after:.0f} % with {words}.",
            )
        ]
    else:
        lines = [
            (
                "harrow-leave",
                f"Leave it: {words} would change CV from {before:.0f} % to {after:.0f} % at best.",
            )
        ]
    trial = choice.trial
    more = trial[(trial["angle_deg"] == choice.angle_deg) & (trial["passes"] == choice.passes + 1)]
    if choice.worth_it and len(more):
        cv = float(more["cv_pct"].iloc[0])
        lines.append(("harrow-again", f"One more pass would bring CV to {cv:.0f} %."))
    share = 100 * choice.harrow.moved_share
    carry = shown(us_units)["length"].text(choice.harrow.carry_m)
    lines.append(
        (
            "harrow-guess",
            f"Taken as given: {share:.0f} % of the residue moves, {carry} on average. "
            "No published figure was found: look at a trial strip first.",
        )
    )
    return lines


def harrow_picture(
    ratio_before: np.ndarray,
    ratio_after: np.ndarray,
    grid: Grid,
    choice: HarrowChoice,
    *,
    title: str = "",
    us_units: bool = False,
) -> str:
    """Draw a field before and after harrowing, and CV against the angle.

    Parameters
    ----------
    ratio_before, ratio_after : numpy.ndarray
        (rows, cols) spread ratio, NaN where it means nothing.
    grid : Grid
        Of both.
    choice : HarrowChoice
        As given by :func:`covermap.plan.harrow_angle.best_heading`.
    title : str
        Any text; "Harrow trial" if empty.
    us_units : bool
        Feet and acres instead of metres and hectares.

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
        "font.size": 9.5,
        "text.color": _INK,
        "axes.edgecolor": _SOFT,
        "axes.labelcolor": _INK,
        "xtick.color": _INK,
        "ytick.color": _INK,
        "legend.frameon": False,
        "text.parse_math": False,
    }
    with mpl.rc_context(style):
        figure = Figure(figsize=_SIZE_INCHES)
        FigureCanvasSVG(figure)
        plain = "".join(c if c.isprintable() else " " for c in title).strip()[:_LONGEST_TITLE]
        figure.text(0.05, 0.965, plain or "Harrow trial", fontsize=13, va="center")
        window = _filled(ratio_before)
        after = f"after {_passes(choice.passes)}, heading {choice.heading_deg:.0f}° and back"
        left = figure.add_axes((0.05, 0.475, 0.4, 0.43))
        right = figure.add_axes((0.53, 0.475, 0.4, 0.43))
        for axes, ratio, word, state in (
            (left, ratio_before, "before", choice.before),
            (right, ratio_after, after, choice.after),
        ):
            _draw_map(axes, ratio[window], grid.cell_m)
            axes.set_title(word, loc="left", fontsize=11)
            axes.text(0, -0.04, _numbers(state, us_units), transform=axes.transAxes, va="top")
        _draw_bar(left, grid.cell_m, us_units)
        _draw_north(left)
        _draw_heading(right, choice.heading_deg)
        _draw_ramp(figure.add_axes((0.945, 0.515, 0.014, 0.35)))
        _draw_angles(figure.add_axes((0.075, 0.175, 0.875, 0.19)), choice)
        for k, (rule, text) in enumerate(harrow_lines(choice, us_units=us_units)):
            figure.text(0.05, 0.115 - 0.02 * k, f"{text}  [{rule}]", fontsize=8.5, va="top")
        figure.text(0.05, 0.045, textwrap.fill(CAUTION, 130), fontsize=7.5, va="top")
        stream = io.StringIO()
        figure.savefig(
            stream, format="svg", metadata=dict.fromkeys(("Creator", "Date", "Format", "Type"))
        )
    return stream.getvalue()


def _passes(number: int) -> str:
    return _WORDS.get(number, f"{number} passes")


def _numbers(state: Unevenness, us_units: bool) -> str:
    """Give the measures under a map; bare ground makes the quotient endless."""
    area = shown(us_units)["area"]
    if math.isnan(state.urdr):
        lanes = "highest ÷ lowest lane –"
    elif math.isinf(state.urdr):
        lanes = "a lane of the pass lies bare"
    else:
        lanes = f"highest ÷ lowest lane {state.urdr:.1f}"
    return (
        f"CV {state.cv_pct:.0f} %,  {lanes}\n"
        f"gap {area.text(state.gap_ha * 1e4)},  double {area.text(state.double_ha * 1e4)}"
    )


def _filled(ratio: np.ndarray) -> tuple[slice, slice]:
    """Give the window that holds all values."""
    known = np.isfinite(ratio)
    rows, cols = np.flatnonzero(known.any(axis=1)), np.flatnonzero(known.any(axis=0))
    if len(rows) == 0:
        return slice(0, ratio.shape[0]), slice(0, ratio.shape[1])
    return slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1)


def _pixels(ratio: np.ndarray) -> tuple[np.ndarray, int]:
    """Average cells to a picture of bearable size; give it and cells per pixel."""
    block = max(math.ceil(max(ratio.shape) / _MOST_PIXELS), 1)
    if block == 1:
        return np.asarray(ratio, float), 1
    pad = [(0, -size % block) for size in ratio.shape]
    cut = np.pad(np.asarray(ratio, float), pad, constant_values=np.nan)
    parts = cut.reshape(cut.shape[0] // block, block, cut.shape[1] // block, block)
    count = np.isfinite(parts).sum(axis=(1, 3))
    total = np.nansum(parts, axis=(1, 3))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan), block


def _draw_map(axes: Axes, ratio: np.ndarray, cell_m: float) -> None:
    picture, block = _pixels(ratio)
    rows, cols = picture.shape
    side = cell_m * block
    axes.imshow(
        colourise("spread_ratio", picture, *_RATIO_RANGE),
        extent=(0, cols * side, 0, rows * side),
        interpolation="none",
    )
    axes.set_anchor("SW")
    axes.set(xticks=[], yticks=[])


def _draw_bar(axes: Axes, cell_m: float, us_units: bool) -> None:
    """Draw a scale bar above the map: the longest round length within a third of it."""
    metres, unit = (METRES_PER_FOOT, "ft") if us_units else (1.0, "m")
    width_m = axes.get_xlim()[1]
    most = max(width_m / 3 / metres, cell_m / metres)
    tens = 10 ** math.floor(math.log10(most))
    length = max(step * tens for step in (1, 2, 5) if step * tens <= most)
    share = length * metres / width_m
    line: dict[str, Any] = {"color": _INK, "transform": axes.transAxes, "clip_on": False}
    axes.plot([1 - share, 1], [1.025, 1.025], lw=2.2, solid_capstyle="butt", **line)
    axes.text(
        1 - share / 2, 1.035, f"{length:g} {unit}", ha="center", va="bottom",
        transform=axes.transAxes, fontsize=8.5,
    )  # fmt: skip


def _draw_north(axes: Axes) -> None:
    axes.annotate(
        "", (1.035, 1.0), (1.035, 0.86), xycoords="axes fraction",
        arrowprops={"arrowstyle": "-|>", "color": _INK, "lw": 1.2}, annotation_clip=False,
    )  # fmt: skip
    axes.text(1.035, 1.01, "N", ha="center", va="bottom", transform=axes.transAxes)


def _draw_heading(axes: Axes, heading_deg: float) -> None:
    """Draw the way there and back over the middle of the map, the true angle on paper."""
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    half = 0.2 * min(x1 - x0, y1 - y0)
    east, north = math.sin(math.radians(heading_deg)), math.cos(math.radians(heading_deg))
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    for width, colour in ((5.0, "white"), (2.0, _INK)):
        axes.annotate(
            "", (x + half * east, y + half * north), (x - half * east, y - half * north),
            arrowprops={"arrowstyle": "<|-|>", "color": colour, "lw": width, "mutation_scale": 16},
        )  # fmt: skip


def _draw_ramp(axes: Axes) -> None:
    low, high = _RATIO_RANGE
    steps = np.linspace(high, low, 200)[:, None]
    axes.imshow(
        colourise("spread_ratio", steps, low, high), extent=(0, 1, low, high), aspect="auto"
    )
    axes.set(xticks=[], yticks=[0, 0.5, 1, 1.5, 2], yticklabels=["0", "0.5", "1", "1.5", "2 +"])
    axes.yaxis.tick_right()
    axes.set_title("spread\nratio", fontsize=8.5, loc="left")


def _draw_angles(axes: Axes, choice: HarrowChoice) -> None:
    from matplotlib.ticker import MultipleLocator

    ramp = palette("residue_t_ha")
    looks = (("-", "o", 0.45), ((0, (4, 2)), "s", 0.88), ((0, (1, 1.5)), "^", 0.7))
    harrowed = choice.trial[choice.trial["passes"] > 0].sort_values("angle_deg")
    for number, (dash, mark, place) in zip(harrowed["passes"].unique(), cycle(looks), strict=False):
        rows = harrowed[harrowed["passes"] == number]
        colour = "#" + "".join(f"{int(p):02x}" for p in ramp[int(place * (len(ramp) - 1))][:3])
        axes.plot(
            rows["angle_deg"], rows["cv_pct"], color=colour, ls=dash, marker=mark, ms=4, lw=1.6,
            label=_passes(int(number)),
        )  # fmt: skip
    axes.axhline(choice.before.cv_pct, color=_INK, lw=1, ls=(0, (1, 2)), label="as it lies")
    axes.plot(
        [choice.angle_deg], [choice.after.cv_pct], marker="o", ms=11, mfc="none", mec=_INK,
        mew=1.5, lw=0, label="chosen",
    )  # fmt: skip
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_ylim(0, None)
    axes.xaxis.set_major_locator(MultipleLocator(15))
    axes.set_xlabel("angle to the combine's main heading [°], right +")
    axes.set_ylabel("CV [%]")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 0.99), fontsize=8.5, ncols=5)

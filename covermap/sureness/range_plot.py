"""How sure a field's numbers are as a picture: where the repeats fall, number by number."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from covermap.drawing.look import (
    INK,
    PALE,
    SOFT,
    axes_at,
    house_look,
    new_figure,
    plain_text,
    svg_of,
    two_colours,
    wrapped_text,
)
from covermap.sureness.perturb_field import FieldRange, marks
from covermap.sureness.range_text import number_labels, range_notes
from covermap.units import Shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WIDE, _HIGH = 8.6, 7.4
_LEFT, _PLOT_WIDE, _PLOT_HIGH, _STEP = 0.35, 7.9, 0.55, 1.18
_FIRST_PLOT = 5.1
_LONGEST_TITLE = 80
_BINS = 25


def range_plot(found: FieldRange, *, us_units: bool = False) -> str:
    """Draw how often the repeats gave what, with the stated run marked.

    SVG; text stays text, escaped; the same bytes every time.
    """
    with house_look(9.0, open_frame=True):
        figure = new_figure((_WIDE, _HIGH))
        title = plain_text(found.result.name, _LONGEST_TITLE)
        figure.text(_LEFT / _WIDE, 7.1 / _HIGH, title, fontsize=13, va="center")
        varied = next(one for one in range_notes(found) if one.rule == "range-varied")
        words = (
            f"{len(found.repeats)} repeats. {varied.text(us_units)} "
            "▼ the run as stated; line: middle of the repeats; grey: nine of ten repeats; "
            "height: how many."
        )
        figure.text(
            _LEFT / _WIDE,
            6.85 / _HIGH,
            wrapped_text(words, _PLOT_WIDE, 9.0),
            va="top",
            linespacing=1.35,
        )
        for place, (name, (label, how)) in enumerate(number_labels(found, us_units).items()):
            box = (_LEFT, _FIRST_PLOT - place * _STEP, _PLOT_WIDE, _PLOT_HIGH)
            axes = axes_at(figure, box)
            _draw(axes, label, how, found.repeats[name].to_numpy(), getattr(found.stated, name))
        return svg_of(figure)


def _draw(axes: Axes, label: str, how: Shown, values: np.ndarray, stated: float) -> None:
    low, middle, high = marks(values)
    told = f"{label}: {how.text(stated)} as stated, nine of ten between {how.text(low)} and "
    axes.text(0, 1.26, told + how.text(high), transform=axes.transAxes, va="bottom", fontsize=9.5)
    shown = values * how.per_si
    low, middle, high, stated = (x * how.per_si for x in (low, middle, high, stated))
    first, last = min(shown.min(), stated), max(shown.max(), stated)
    # what does not move by a digit that is told is not drawn as if it did
    digit = 10.0**-how.decimals
    room = 0.03 * (last - first) if last - first > digit else 10 * digit
    first, last = max(first - room, 0.0), last + room
    axes.set_xlim(first, last)
    axes.axvspan(low, high, color=PALE, lw=0, zorder=0)
    counts, edges = np.histogram(shown, _BINS, (first, last))
    axes.stairs(counts, edges, fill=True, color=two_colours()[1], zorder=2)
    axes.set_ylim(0, 1.1 * counts.max())
    axes.axvline(middle, color=INK, lw=1.6, zorder=3)
    axes.plot([stated], [1.1 * counts.max()], "v", ms=8, color=INK, clip_on=False, zorder=4)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="x", color=SOFT, labelsize=8.5)

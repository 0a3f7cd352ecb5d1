"""The cross-track spectrum as a picture: unevenness against the distance of its repeats.

Same plain look as the tray plot: dark ink, two colours of the viridis map of the residue
band; line styles, marks and labels on the lines tell everything apart without colour.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from covermap.cover.spectrum import Spectrum, spectrum_findings
from covermap.drawing.look import (
    INK,
    PALE,
    house_look,
    new_figure,
    plain_text,
    svg_of,
    two_colours,
    wrapped_text,
)
from covermap.units import length_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SIZE_INCHES = (8.6, 5.4)
_LONGEST_TITLE = 80
_TEXT_INCHES = 8.1
#: Distances that are drawn, from this part of a spacing on.
_FROM_SPACINGS = 0.3


def spectrum_plot(spectrum: Spectrum, *, title: str, us_units: bool = False) -> str:
    """Draw which part of the unevenness repeats at which distance across the passes.

    Parameters
    ----------
    spectrum : Spectrum
    title : str
        Any text.
    us_units : bool
        Feet instead of metres.

    Returns
    -------
    str
        SVG; text stays text, escaped; the same bytes every time. Where there is no spectrum
        the picture says why.
    """
    with house_look(9.5, open_frame=True):
        figure = new_figure(_SIZE_INCHES)
        shown = plain_text(title, _LONGEST_TITLE) or "Cross-track spectrum"
        figure.text(0.03, 0.95, shown, fontsize=13, va="center")
        findings = {one.rule: one.text(us_units) for one in spectrum_findings(spectrum)}
        words = "\n".join(wrapped_text(text, _TEXT_INCHES, 9) for text in findings.values())
        figure.text(0.03, 0.905, words, fontsize=9, va="top", linespacing=1.35)
        if spectrum.reason is None:
            axes = figure.add_axes((0.08, 0.12, 0.89, 0.69 - 0.037 * words.count("\n")))
            metres, unit = length_unit(us_units)
            _draw(axes, spectrum, metres, unit)
            _mark_spacings(axes, spectrum, findings, metres, unit)
        return svg_of(figure)


def _draw(axes: Axes, spectrum: Spectrum, metres: float, unit: str) -> None:
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    dark, middle = two_colours()
    # rising distances: what is left out stands in front
    first = int(np.searchsorted(spectrum.middle_m, _FROM_SPACINGS * spectrum.spacing_m))
    edges = spectrum.edges_m[first:] / metres
    curves = (
        ("machine", "spread ratio (machine)", spectrum.ratio, dark, "-", 2.6),
        ("lies there", "what lies there", spectrum.residue, middle, (0, (3, 2)), 1.5),
        ("ground", "what the ground gave", spectrum.given, INK, (0, (1, 1.4)), 1.7),
    )
    top = 1.3 * max(1.0, *(float(curve.band_cv_pct[first:].max()) for _, _, curve, *_ in curves))
    taken = -top
    for order, (word, name, curve, colour, dash, width) in enumerate(curves):
        cv = curve.band_cv_pct[first:]
        axes.stairs(
            cv,
            edges,
            baseline=None,
            color=colour,
            ls=dash,
            lw=width,
            zorder=3 + order,
            label=f"{name}: CV {curve.cv_pct:.0f} % in all",
        )
        peak = int(np.argmax(cv))
        # a curve that runs on another is told by its dashes and the key alone
        if abs(cv[peak] - taken) > 0.06 * top and cv[peak] > 0.03 * top:
            axes.text(
                edges[peak + 1] * 1.02,
                cv[peak],
                word,
                ha="left",
                va="bottom",
                fontsize=8.5,
                zorder=7,
                bbox={"fc": "white", "ec": "none", "alpha": 0.8, "pad": 0.6},
            )
            taken = cv[peak]
    low, high = edges[0], edges[-1]
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    axes.set_ylim(0, top)
    ticks = [t * 10.0**p for p in range(-1, 5) for t in (1, 2, 5) if low <= t * 10.0**p <= high]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_xlabel(
        f"distance between repeats across the passes [{unit}]\n"
        "* of the spread ratio, with the repeats at a half and thirds or fifths that belong to it"
    )
    axes.set_ylabel("part of the unevenness: CV in each band [%]")
    axes.legend(loc="lower left", bbox_to_anchor=(-0.02, 1.0), fontsize=8.5, ncols=3)


def _mark_spacings(
    axes: Axes, spectrum: Spectrum, findings: dict[str, str], metres: float, unit: str
) -> None:
    """Mark one and two spacings at the top, with what the machine does there."""
    top = axes.get_ylim()[1]
    ratio, spacing = spectrum.ratio, spectrum.spacing_m / metres
    for at, word, cv, rule, side, shift in (
        (spacing, "one spacing", ratio.one_spacing_cv_pct, "spectrum-one-spacing", "right", 0.93),
        (
            2 * spacing,
            "two spacings",
            ratio.two_spacings_cv_pct,
            "spectrum-two-spacings",
            "left",
            1.07,
        ),
    ):
        axes.axvspan(at * 2 ** (-1 / 12), at * 2 ** (1 / 12), color=PALE, lw=0, zorder=0)
        axes.plot([at], [top], marker="v", ms=8, color=INK, lw=0, clip_on=False, zorder=8)
        found = f"CV {cv:.0f} %*" if rule in findings else "does not stand out"
        text = f"{word}\n{at:.1f} {unit}\n{found}"
        axes.text(at * shift, top * 0.985, text, ha=side, va="top", fontsize=8.5)

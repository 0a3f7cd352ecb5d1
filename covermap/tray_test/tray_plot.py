"""A tray test as a picture: the profile as caught, and unevenness against pass spacing.

Own plain look: dark ink, two colours of the viridis map of the residue band, and line
styles and marks that tell everything apart in black and white too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from covermap.drawing.labels import UNEVENNESS
from covermap.drawing.look import (
    INK,
    PALE,
    SOFT,
    house_look,
    new_figure,
    plain_text,
    svg_of,
    two_colours,
)
from covermap.spread.profile import BINS
from covermap.tray_test.overlap import MODES, Mode, cv_against_spacing, widest_spacing
from covermap.tray_test.trays import MeasuredProfile
from covermap.units import length_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SIZE_INCHES = (8.0, 8.2)
_LONGEST_TITLE = 80
_WORDS: dict[Mode, str] = {
    "back_and_forth": "back and forth (every second pass turned round)",
    "round_and_round": "round and round (all passes the same way)",
}


def tray_plot(
    profile: MeasuredProfile,
    *,
    title: str = "",
    cv_limit_pct: float = 15.0,
    tray_m: float = 0.5,
    us_units: bool = False,
) -> str:
    """Draw a measured profile and what it means for the spacing of passes.

    Parameters
    ----------
    profile : MeasuredProfile
    title : str
        Any text; the name of the test if empty.
    cv_limit_pct : float
        Largest coefficient of variation accepted [%]. The default is what is accepted for
        granular fertiliser (Teagasc; Australian fertiliser trade); none is published for residue.
    tray_m : float
        Width over which the overlapped spread is averaged [m].
    us_units : bool
        Feet instead of metres.

    Returns
    -------
    str
        SVG; text stays text, escaped.
    """
    with house_look(9.5, open_frame=True):
        figure = new_figure(_SIZE_INCHES, layout="constrained")
        upper, lower = figure.subplots(2, 1, gridspec_kw={"height_ratios": (1.15, 1)})
        figure.suptitle(
            plain_text(title or profile.name, _LONGEST_TITLE), x=0.02, ha="left", fontsize=13
        )
        metres, unit = length_unit(us_units)
        _draw_profile(upper, profile, metres, unit)
        _draw_spacing(lower, profile, cv_limit_pct, tray_m, metres, unit)
        return svg_of(figure)


def _draw_profile(axes: Axes, profile: MeasuredProfile, metres: float, unit: str) -> None:
    dark, middle = two_colours()
    half = profile.behind_half_width_m / metres
    per = 100 * metres
    station = profile.station_m / metres
    left, right = -profile.reach_left_m / metres, profile.reach_right_m / metres
    axes.axvspan(-half, half, color=PALE, lw=0, zorder=0)
    axes.axvline(0, color=SOFT, lw=0.8, zorder=0.5)
    marks = "ovs^D<>pP*"
    for run, (name, kept) in enumerate(zip(profile.run_names, profile.run_kept, strict=True)):
        if len(profile.run_names) == 1:
            break
        axes.plot(
            station,
            profile.run_density_per_m[run] * per,
            "x" if not kept else marks[run % len(marks)],
            ms=4,
            mfc="none",
            mec=SOFT,
            mew=0.8,
            lw=0,
            label=name + ("" if kept else ", left out"),
        )
    curve = profile.curve
    x = np.concatenate((curve.position_m[:1], curve.position_m, curve.position_m[-1:])) / metres
    y = np.concatenate(([0.0], curve.density, [0.0])) * per
    axes.fill_between(x, y, color=middle, alpha=0.18, lw=0)
    axes.plot(x, y, color=dark, lw=1.6)
    axes.errorbar(
        station,
        profile.density_per_m * per,
        yerr=np.nan_to_num(profile.standard_error_per_m * per),
        fmt="o",
        ms=4.5,
        color=dark,
        elinewidth=1.2,
        capsize=2.5,
        label="mean ± standard error" if sum(profile.run_kept) > 1 else "trays",
    )
    peak = float(np.nanmax(profile.run_density_per_m) * per)
    if profile.fit is not None:
        edge = max(abs(left), abs(right)) * 1.12
        place = np.linspace(-edge, edge, 600) * metres
        # The deposit lays a shape in steps; a tray narrower than one would show the stairs.
        stairs = (profile.fit.reach_left_m + profile.fit.reach_right_m) / BINS
        tray = max(float(np.median(profile.tray_width_m)), stairs)
        shape = profile.fit.density_per_m(place, tray) * per
        label = f"best shape: {profile.fit.shape}"
        axes.plot(place / metres, shape, color=INK, lw=1.3, ls=(0, (5, 2)), label=label)
        peak = max(peak, float(shape.max()))
    top = peak * 1.28
    for edge_at, word, side in ((left, "left", "right"), (right, "right", "left")):
        axes.axvline(edge_at, ymax=0.86, color=SOFT, lw=1, ls=(0, (2, 2)))
        reach = f"reach {word}\n{abs(edge_at):.1f} {unit}"
        pad = (-0.015 if side == "right" else 0.015) * (right - left)
        axes.text(edge_at + pad, top * 0.86, reach, ha=side, va="top", color=INK, fontsize=8.5)
    lean = profile.lean_m / metres
    axes.plot([lean], [top * 0.9], marker="v", ms=7, color=INK, lw=0)
    towards = "right" if lean > 0 else "left"
    axes.text(
        lean, top * 0.94, f"middle of the residue: {abs(lean):.1f} {unit} {towards}", ha="center"
    )
    axes.set_ylim(0, top * 1.02)
    axes.set_xlabel(
        f"position [{unit}], left – and right + of the machine's centre line, looking forward\n"
        f"grey: behind the machine (± {half:.1f} {unit}), {profile.share_behind_machine:.0%} "
        "of the residue"
    )
    axes.set_ylabel(f"share of the residue [% per {unit}]")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), fontsize=8.5, ncols=4)


def _draw_spacing(
    axes: Axes,
    profile: MeasuredProfile,
    cv_limit_pct: float,
    tray_m: float,
    metres: float,
    unit: str,
) -> None:
    spacings = np.linspace(0.25, 1.4, 140) * profile.curve.width_m
    for mode, colour, dash in zip(MODES, two_colours(), ("-", (0, (4, 2))), strict=True):
        cv = cv_against_spacing(profile, spacings, tray_m, mode)
        found = widest_spacing(profile, cv_limit_pct, mode, tray_m)
        label = _WORDS[mode] + (
            f"; widest {found.widest_m / metres:.1f} {unit}" if found else "; never within"
        )
        axes.plot(spacings / metres, cv, color=colour, lw=1.8, ls=dash, label=label)
        if found:
            axes.plot(
                [found.widest_m / metres],
                [cv_limit_pct],
                marker="o" if mode == MODES[0] else "s",
                ms=7,
                mfc="white",
                mec=colour,
                mew=1.8,
            )
    axes.axhline(cv_limit_pct, color=INK, lw=1, ls=(0, (1, 2)))
    axes.text(
        spacings[0] / metres, cv_limit_pct, f"limit {cv_limit_pct:g} %", va="bottom", fontsize=8.5
    )
    axes.set_ylim(0, None)
    axes.set_xlim(spacings[0] / metres, spacings[-1] / metres)
    axes.set_xlabel(f"spacing of the passes [{unit}]")
    axes.set_ylabel(f"{UNEVENNESS} over {tray_m / metres:.1f} {unit} [%]")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), fontsize=8.5)

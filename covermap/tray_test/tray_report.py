"""A tray test in lines of text for people."""

from __future__ import annotations

import math

from covermap.tray_test.overlap import MODES, effective_width_half_rate, widest_spacing
from covermap.tray_test.trays import MeasuredProfile
from covermap.units import KG_PER_POUND, METRES_PER_FOOT, shown

#: Trays are laid behind a running machine, and what they show makes people adjust it.
CAUTION = (
    "Before anyone adjusts the spreader or reaches into the machine: engine off, key out, all "
    "moving parts stopped; follow the operator's manual first. Keep clear of the discharge "
    "while trays are being filled."
)


def _amount_text(profile: MeasuredProfile, us_units: bool) -> str:
    if us_units and profile.run_unit == "kg per m of travel":
        per_foot = profile.mean_amount / KG_PER_POUND * METRES_PER_FOOT
        return f"{per_foot:.3g} lb per ft of travel"
    return f"{profile.mean_amount:.3g} {profile.run_unit}"


def tray_lines(
    profile: MeasuredProfile,
    *,
    cv_limit_pct: float = 15.0,
    tray_m: float = 0.5,
    us_units: bool = False,
) -> list[tuple[str, str]]:
    """Give what was measured as (label, value) lines, the notes and the caution last.

    The largest CV accepted [%] and the width that the overlapped spread is averaged over [m] are
    as in :func:`covermap.tray_test.tray_plot.tray_plot`.
    """
    length = shown(us_units)["length"]

    def with_error(value: float, error: float) -> str:
        if not math.isfinite(error):
            return length.text(value)
        return f"{value * length.per_si:.2f} ± {error * length.per_si:.2f} {length.unit}"

    fit = profile.fit
    lean_side = "right" if profile.lean_m > 0 else "left"
    kept = sum(profile.run_kept)
    lines = [
        ("runs", f"{kept} of {len(profile.run_kept)} in the mean"),
        ("trays", f"{profile.ledger['trays']}, {profile.ledger['trays_missing']} without reading"),
        ("amount across the band", _amount_text(profile, us_units)),
        ("reach left", length.text(profile.reach_left_m)),
        ("reach right", length.text(profile.reach_right_m)),
        ("lean", f"{with_error(abs(profile.lean_m), profile.lean_se_m)} to the {lean_side}"),
        (
            "behind the machine",
            f"{profile.share_behind_machine:.0%} within {length.text(profile.behind_half_width_m)}"
            " of the centre line",
        ),
        ("width between half-peak points", length.text(effective_width_half_rate(profile))),
    ]
    if fit is not None:
        lines.append(
            (
                "best shape",
                f"{fit.shape}: reach left {with_error(fit.reach_left_m, fit.reach_left_se_m)}, "
                f"right {with_error(fit.reach_right_m, fit.reach_right_se_m)}; explains "
                f"{fit.r_squared:.0%} of the variance between trays",
            )
        )
    for mode in MODES:
        found = widest_spacing(profile, cv_limit_pct, mode, tray_m)
        if found is None:
            text = f"no spacing keeps the CV within {cv_limit_pct:g} %"
        else:
            text = f"{length.text(found.widest_m)} for a CV within {cv_limit_pct:g} %"
            if found.steady_m is None:
                text += "; narrower ones are not all within it"
            elif found.steady_m < found.widest_m:
                text += f"; every spacing from {length.text(found.from_m)} to "
                text += f"{length.text(found.steady_m)} as well"
        lines.append((f"widest spacing {mode.replace('_', ' ')}", text))
    lines += [("note", note.text(us_units)) for note in profile.notes]
    return [*lines, ("caution", CAUTION)]

"""What has to be said beside the numbers of a comparison, each sentence with its rule."""

from __future__ import annotations

from typing import Any

from covermap.comparison.compare_fields import Comparison, SettingChange
from covermap.comparison.repeat_strips import KINDS
from covermap.settings.field_settings import BY_NAME
from covermap.units import shown

#: From this share of B's pass length on the tracks are called the same, or half a header
#: over (choice of this project, no source).
LEAST_TRACK_SHARE = 0.75


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if 0 < share < 0.0995 else f"{100 * share:.0f} %"


def compare_notes(found: Comparison, us_units: bool = False) -> list[tuple[str, str]]:
    """Give what has to be said beside the numbers, as (rule id, sentence).

    Parameters
    ----------
    found : Comparison
    us_units : bool
        Feet in the sentences instead of metres.

    Returns
    -------
    list of tuple of str
        The rules stand in docs/model.md.
    """
    length = shown(us_units)["length"]
    a, b, notes = found.a, found.b, []
    if found.resampled:
        notes.append(
            (
                "compare-resampled",
                f"B lies on another grid ({b.grid.crs.to_string()}, "
                f"{length.text(b.grid.cell_m)} cells) and was averaged by area onto A's "
                f"({a.grid.crs.to_string()}, {length.text(a.grid.cell_m)} cells). Its edges are "
                "softened by up to a cell, which reads as a little more even.",
            )
        )
    if a.summary["crop"] != b.summary["crop"]:
        notes.append(
            (
                "compare-crops",
                f"A is {a.summary['crop']}, B is {b.summary['crop']}: changes of residue and "
                "cover are also those of the crop. The spread ratio does not depend on it.",
            )
        )
    if found.limits != found.limits_b:
        notes.append(
            (
                "compare-limits",
                f"A calls a gap below {found.limits[0]:g} and a double above "
                f"{found.limits[1]:g}, B {found.limits_b[0]:g} and {found.limits_b[1]:g}. Strips "
                "are as each map found them; on the common ground A's limits hold for both.",
            )
        )
    if a.summary["covermap"] != b.summary["covermap"]:
        notes.append(
            (
                "compare-versions",
                f"A was made by covermap {a.summary['covermap']}, B by {b.summary['covermap']}: "
                "a change may also be one of the model. Map both again with one version.",
            )
        )
    notes += [_chance_note(found, kind) for kind in KINDS if found.chance[kind].expected_share > 0]
    if found.same_harvest:
        notes.append(("compare-what-if", _what_if_text(found, us_units)))
    tracks = found.tracks
    if tracks is not None and tracks.same_tracks_share >= LEAST_TRACK_SHARE:
        notes.append(
            (
                "compare-same-tracks",
                f"{_percent(tracks.same_tracks_share)} of B's pass length lies within "
                f"{length.text(tracks.tolerance_m)} of a parallel pass of A, "
                f"{_percent(tracks.same_direction_share)} of that in the same direction. "
                "Up-and-back work in the same tracks builds one-sided rows; starting alternate "
                "harvests half a header over breaks them (GRDC Ground Cover 52), unless wheels "
                "have to keep to fixed lanes.",
            )
        )
    elif tracks is not None and tracks.half_over_share >= LEAST_TRACK_SHARE:
        notes.append(
            (
                "compare-half-over",
                f"{_percent(tracks.half_over_share)} of B's pass length lies about half a header "
                f"({length.text(tracks.cut_width_m / 2)}) beside the passes of A.",
            )
        )
    return notes


def _chance_note(found: Comparison, kind: str) -> tuple[str, str]:
    chance = found.chance[kind]
    return (
        "compare-chance",
        f"{kind.capitalize()} strips are {_percent(chance.share_a)} of the common ground in A and "
        f"{_percent(chance.share_b)} in B. By chance {_percent(chance.expected_share)} would be "
        f"in both; it is {_percent(chance.observed_share)}, {chance.observed_to_expected:.1f} "
        "times as much.",
    )


def _what_if_text(found: Comparison, us_units: bool) -> str:
    changes = found.setting_changes
    differ = [_setting_text(change, us_units) for change in changes]
    # what changed on every pass follows from a setting of the whole field
    whole = len(found.a.passes) if any(c.section in ("spread", "combine") for c in changes) else 0
    differ += [
        f"{name} of {count} pass{'es' if count > 1 else ''}"
        for name, count in found.pass_setting_changes.items()
        if count != whole
    ]
    if not differ:
        return "A and B are of the same track with the same settings."
    return (
        "A and B are of the same track, so what differs comes from the settings: "
        f"{'; '.join(differ)}."
    )


def _setting_text(change: SettingChange, us_units: bool) -> str:
    setting = BY_NAME.get((change.section, change.key))
    units = shown(us_units)

    def text(value: Any) -> str:
        if value is None:
            return "not given"
        if isinstance(value, bool) or not isinstance(value, int | float):
            return str(value)
        if setting is not None and setting.kind in units:
            kind = "wind" if change.section == "wind" and setting.kind == "speed" else setting.kind
            return units[kind].text(value)
        return f"{value:g} {setting.unit if setting is not None else ''}".rstrip()

    return f"[{change.section}] {change.key} {text(change.a)} → {text(change.b)}"

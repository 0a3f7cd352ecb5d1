"""What has to be said beside the numbers of a comparison, each sentence with its rule."""

from __future__ import annotations

from typing import Any

from covermap.comparison.compare_fields import Comparison, SettingChange
from covermap.comparison.repeat_strips import KINDS
from covermap.settings.field_settings import BY_NAME
from covermap.tables.said import Said
from covermap.units import shown

#: From this share of B's pass length on the tracks are called the same, or half a header
#: over (choice of this project, no source).
LEAST_TRACK_SHARE = 0.75


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if 0 < share < 0.0995 else f"{100 * share:.0f} %"


def compare_notes(found: Comparison) -> list[Said]:
    """Give what has to be said beside the numbers; the rules stand in docs/model.md."""
    a, b, notes = found.a, found.b, []

    def say(rule: str, **numbers: object) -> None:
        notes.append(Said(f"compare-{rule}", numbers))

    if found.resampled:
        say(
            "resampled",
            crs_a=a.grid.crs.to_string(),
            cell_a_m=a.grid.cell_m,
            crs_b=b.grid.crs.to_string(),
            cell_b_m=b.grid.cell_m,
        )
    if a.summary["crop"] != b.summary["crop"]:
        say("crops", crop_a=a.summary["crop"], crop_b=b.summary["crop"])
    if found.limits != found.limits_b:
        (gap_a, double_a), (gap_b, double_b) = found.limits, found.limits_b
        say("limits", gap_a=gap_a, double_a=double_a, gap_b=gap_b, double_b=double_b)
    if a.summary["covermap"] != b.summary["covermap"]:
        say("versions", version_a=a.summary["covermap"], version_b=b.summary["covermap"])
    for kind in KINDS:
        chance = found.chance[kind]
        if chance.expected_share > 0:
            say(
                "chance",
                kind=kind.capitalize(),
                share_a=_percent(chance.share_a),
                share_b=_percent(chance.share_b),
                expected=_percent(chance.expected_share),
                observed=_percent(chance.observed_share),
                times=chance.observed_to_expected,
            )
    if found.same_harvest:
        differ, differ_us = (_what_differs(found, us_units) for us_units in (False, True))
        say("what-if" if differ else "what-if-same", differ=differ, differ_us=differ_us)
    tracks = found.tracks
    if tracks is not None and tracks.same_tracks_share >= LEAST_TRACK_SHARE:
        say(
            "same-tracks",
            share=_percent(tracks.same_tracks_share),
            tolerance_m=tracks.tolerance_m,
            same_direction=_percent(tracks.same_direction_share),
        )
    elif tracks is not None and tracks.half_over_share >= LEAST_TRACK_SHARE:
        half_m = tracks.cut_width_m / 2
        say("half-over", share=_percent(tracks.half_over_share), half_m=half_m)
    return notes


def _what_differs(found: Comparison, us_units: bool) -> str:
    changes = found.setting_changes
    differ = [_setting_text(change, us_units) for change in changes]
    # what changed on every pass follows from a setting of the whole field
    whole = len(found.a.passes) if any(c.section in ("spread", "combine") for c in changes) else 0
    differ += [
        f"{name} of {count} pass{'es' if count > 1 else ''}"
        for name, count in found.pass_setting_changes.items()
        if count != whole
    ]
    return "; ".join(differ)


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

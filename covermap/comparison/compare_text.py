"""A comparison as lines for people and as numbers for programs."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from covermap import __version__
from covermap.comparison.compare_fields import Comparison, Pair, SettingChange, place_name
from covermap.comparison.compare_notes import LEAST_TRACK_SHARE, compare_notes
from covermap.comparison.repeat_strips import KINDS, LEAST_OVERLAP_SHARE
from covermap.comparison.same_tracks import HALF_OVER_PART, PARALLEL_DEG, SAME_TRACK_PART
from covermap.drawing.labels import COME_BACK, HIGHEST_TO_LOWEST, UNEVENNESS, opening
from covermap.field.mapped_field import MappedField
from covermap.files import schemas
from covermap.settings.field_settings import BY_NAME
from covermap.tables.plain_values import plain
from covermap.units import Shown, shown

_MOST_LINES = 5
_PURE = Shown(1.0, "", 2)
_LABELS = {
    "cv_pct": f"{UNEVENNESS} [%]",
    "urdr": HIGHEST_TO_LOWEST,
    "christiansen_cu_pct": "CU [%]",
    "low_quarter_du_pct": "low quarter [%]",
    "gap_ha": "gap ground",
    "double_ha": "double ground",
}


def compare_json(found: Comparison) -> dict[str, Any]:
    """Give the content of ``compare.json``; every key is described in docs/tables.md.

    Only what JSON can hold; None for what could not be worked out.
    """

    def pair(one: Pair) -> dict[str, float]:
        return {"a": one.a, "b": one.b, "change": one.change}

    def source(result: MappedField) -> dict[str, Any]:
        return {
            "folder": place_name(result),
            "field": result.name,
            "crop": result.summary["crop"],
            "crs": result.grid.crs.to_string(),
            "cell_m": result.grid.cell_m,
            "covermap": result.summary["covermap"],
        }

    repeats = found.repeats
    content = {
        "schema": schemas.COMPARE,
        "covermap": __version__,
        "a": source(found.a),
        "b": source(found.b),
        "grid": {
            "crs": found.grid.crs.to_string(),
            "cell_m": found.grid.cell_m,
            "bounds_m": found.grid.bounds,
            "b_resampled": found.resampled,
        },
        "ground": {
            "common_ha": found.common_m2 / 1e4,
            "only_a_ha": found.only_a_m2 / 1e4,
            "only_b_ha": found.only_b_m2 / 1e4,
        },
        "means_on_common_ground": {
            name: {**pair(one), "mean_absolute_change": found.mean_absolute_change[name]}
            for name, one in found.means.items()
        },
        "evenness": {
            "as_mapped": {name: pair(one) for name, one in found.as_mapped.items()},
            "on_common_ground": {
                **{name: pair(one) for name, one in found.on_common_ground.items()},
                "tray_m": found.tray_m,
                **found.limits._asdict(),
            },
        },
        "repeats": {
            "least_overlap_share": LEAST_OVERLAP_SHARE,
            **{kind: _kind_json(found, kind) for kind in KINDS},
            "strips": repeats.drop(columns="geometry").to_dict("records"),
        },
        "same_harvest": found.same_harvest,
        "tracks": None
        if found.tracks is None
        else {
            **asdict(found.tracks),
            "same_track_part_of_cut_width": SAME_TRACK_PART,
            "half_over_part_of_cut_width": HALF_OVER_PART,
            "parallel_within_deg": PARALLEL_DEG,
            "least_share": LEAST_TRACK_SHARE,
        },
        "settings_changed": [
            {**asdict(change), "unit": _unit(change)} for change in found.setting_changes
        ],
        "pass_settings_changed": dict(found.pass_setting_changes),
        "notes": [note.as_record() for note in compare_notes(found)],
    }
    return plain(content)  # type: ignore[no-any-return]


def _unit(change: SettingChange) -> str:
    setting = BY_NAME.get((change.section, change.key))
    return "" if setting is None else setting.unit


def _kind_json(found: Comparison, kind: str) -> dict[str, Any]:
    chance = found.chance[kind]
    come_back = found.repeats["strip_a"][found.repeats["kind"] == kind].nunique()
    return {
        "strips_a": int((found.strips_a["kind"] == kind).sum()),
        "strips_b": int((found.strips_b["kind"] == kind).sum()),
        "strips_a_that_come_back": int(come_back),
        **asdict(chance),
        "observed_to_expected": chance.observed_to_expected,
    }


def compare_lines(found: Comparison, us_units: bool = False) -> list[str]:
    """Give the comparison as lines of text.

    Parameters
    ----------
    found : Comparison
    us_units : bool
        Acres, feet and pounds instead of hectares, metres and tonnes.

    Returns
    -------
    list of str
    """
    unit = shown(us_units)
    area, rate = unit["area"], unit["mass per area"]
    means = found.means

    lines = [
        f"A: {place_name(found.a)} ({found.a.name}, {found.a.summary['crop']})",
        f"B: {place_name(found.b)} ({found.b.name}, {found.b.summary['crop']})",
        f"Common ground {area.text(found.common_m2)}; A alone {area.text(found.only_a_m2)}, "
        f"B alone {area.text(found.only_b_m2)}",
        "On the common ground, B − A:",
    ]
    for label, name, text in (
        ("residue", "residue_t_ha", rate.text),
        ("cover", "cover_pct", Shown(1.0, "%", 1).text),
        ("spread ratio", "spread_ratio", _PURE.text),
    ):
        pair = means[name]
        change = _signed(text(pair.change)).replace("%", "points")
        apart = text(found.mean_absolute_change[name]).replace("%", "points")
        lines.append(
            f"  {label:<13} mean {text(pair.a).strip()} → {text(pair.b).strip()} "
            f"({change}); cell by cell {apart.strip()} apart"
        )
    lines.append(f"  {'how even':<32}  {'on common ground':<32}  each map as made")
    for name, label in _LABELS.items():
        both = (found.on_common_ground[name], found.as_mapped[name])
        columns = [_pair_text(name, pair, us_units) for pair in both]
        lines.append(f"  {label:<32}  {columns[0]:<32}  {columns[1]}")
    if not math.isfinite(found.on_common_ground["urdr"].change):
        lines.append(f"  ({HIGHEST_TO_LOWEST} –: a lane got nothing, or there are too few lanes)")
    lines += _repeat_lines(found, us_units)
    lines += [f"{note.note(us_units)} [{note.rule}]" for note in compare_notes(found)]
    return lines


def _signed(text: str) -> str:
    """Put a plus before what is more than nothing as shown."""
    shows_more = text[:1].isdigit() and any(digit in text for digit in "123456789")
    return ("+" if shows_more else "") + text.strip()


def _pair_text(name: str, pair: Pair, us_units: bool) -> str:
    area = shown(us_units)["area"]

    def text(value: float) -> str:
        if name.endswith("_ha"):
            return area.text(1e4 * value)
        return f"{round(value, 1) + 0.0:.1f}" if math.isfinite(value) else "–"

    return f"{text(pair.a)} → {text(pair.b)} ({_signed(text(pair.change))})"


def _repeat_lines(found: Comparison, us_units: bool) -> list[str]:
    unit, repeats = shown(us_units), found.repeats
    counts = [
        f"{one['strips_a_that_come_back']} of {one['strips_a']} {kind} strips"
        for kind, one in ((kind, _kind_json(found, kind)) for kind in KINDS)
    ]
    lines = [
        f"{opening(COME_BACK)} (at least {LEAST_OVERLAP_SHARE:.0%} of the smaller strip in both): "
        f"{' and '.join(counts)} of A in B [compare-repeat]"
    ]
    for row in repeats.head(_MOST_LINES).to_dict("records"):
        causes = dict.fromkeys(row[x] for x in ("cause_a", "cause_b") if isinstance(row[x], str))
        lines.append(
            f"  {row['kind']:<6}  A {row['strip_a']:>3}, B {row['strip_b']:>3}  "
            f"{unit['area'].text(row['overlap_m2']):>9}  ratio {row['mean_ratio_a']:.2f} → "
            f"{row['mean_ratio_b']:.2f}  {unit['mass'].text(row['residue_kg'])} "
            f"{'missing' if row['kind'] == 'gap' else 'too much'} in both together"
            + (f"; cause: {', then '.join(causes)}" if causes else "")
        )
    if len(repeats) > _MOST_LINES:
        lines.append(f"  … and {len(repeats) - _MOST_LINES} more in repeats.gpkg")
    return lines

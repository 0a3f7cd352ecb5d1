"""What ``covermap check`` says of a track: recognised, left out, assumed. Writes nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from covermap.drawing.labels import LEFT_OUT, opening
from covermap.errors import Ask, CovermapError, SettingsError, in_python
from covermap.field.harvest_record import assumptions
from covermap.harvest.clean_track import REASONS, clean_track
from covermap.harvest.passes import find_passes
from covermap.harvest.track import Track
from covermap.settings.field_settings import FieldSettings
from covermap.settings.needed import crop_of, no_cut_width, no_spread_width, usual_cut_width_m
from covermap.tables.plain_values import plain
from covermap.tables.said import said_of
from covermap.units import shown

#: Cut width taken only to look for passes when none is known [m].
_STAND_IN_WIDTH_M = 9.0


def check_report(
    track: Track, settings: FieldSettings, name_of: Callable[[Ask], str] = in_python
) -> dict[str, Any]:
    """Gather what is known of a track before it is mapped.

    Parameters
    ----------
    track : Track
    settings : FieldSettings
        May be incomplete.
    name_of : callable
        Names what is missing as people write it who read the report.

    Returns
    -------
    dict
        recognised, ignored, fixes, passes, missing, assumptions, notes; JSON-ready.
    """
    missing: list[CovermapError] = []
    crop = None
    try:
        crop = crop_of(settings.crop)
    except CovermapError as error:
        missing.append(error)
    width = usual_cut_width_m(settings.combine.cut_width_m, track.fixes)
    if width is None:
        missing.append(no_cut_width())
    stated = settings.spread.width_m is not None or settings.spread.reach_left_m is not None
    own_spread = {"spread_width_m", "reach_left_m"} & set(track.fixes)
    if not stated and not own_spread and not settings.pass_rules:
        missing.append(no_spread_width())
    reading = {"grain_mass_kg", "grain_flow_kg_s", "grain_yield_t_ha"} & set(track.fixes)
    if not reading and settings.crop.grain_yield_t_ha is None:
        asked = Ask("crop.grain_yield", "5.4 t/ha")
        missing.append(SettingsError("The track carries no yield.", "", "Give {0}.", asked))
    clean = clean_track(
        track,
        most_speed_m_s=settings.limits.most_speed_m_s,
        most_harvest_speed_m_s=settings.limits.most_harvest_speed_m_s,
        grain_delay_s=settings.combine.grain_delay_s,
    )
    passes = find_passes(clean, width or _STAND_IN_WIDTH_M)
    ledger, table = passes.ledger, passes.table
    report = {
        "source": track.source,
        "crs": track.crs.to_string(),
        "recognised": [
            {"header": c.header, "as": c.column, "unit": c.unit} for c in track.recognised
        ],
        "ignored": track.ignored,
        "fixes": {
            "read": len(track.fixes) + len(track.unreadable),
            "harvested": int(table["fixes"].sum()),
            "removed": ledger.counts(),
            "grain_dropped_kg": ledger.grain_dropped_kg,
        },
        "passes": {
            "count": len(table),
            "length_km": float(table["length_m"].sum() / 1000),
            "spacing_median_m": float(table["spacing_m"].median()),
        },
        "missing": [error.told(name_of) for error in missing],
        "assumptions": [said.as_record() for said in assumptions(settings, crop)],
        "notes": [note.as_record() for note in (*track.notes, *clean.notes, *passes.notes)],
    }
    return plain(report)  # type: ignore[no-any-return]


def check_text(report: dict[str, Any], us_units: bool = False) -> str:
    """Put a report from :func:`check_report` into lines for a terminal."""
    unit = shown(us_units)
    fixes, passes = report["fixes"], report["passes"]
    lines = [f"{report['source']}: {fixes['read']:,} track points, mapped in {report['crs']}"]
    lines.append("Recognised columns:")
    lines += [
        f"  {c['header']} → {c['as']}" + (f" [{c['unit']}]" if c["unit"] else "")
        for c in report["recognised"]
    ]
    if report["ignored"]:
        lines.append(f"Not used: {', '.join(report['ignored'])}")
    lines.append(f"{opening(LEFT_OUT)}: {sum(fixes['removed'].values()):,}")
    lines += [
        f"  {count:>7,}  {reason}: {REASONS[reason]}"
        for reason, count in fixes["removed"].items()
        if count
    ]
    if fixes["grain_dropped_kg"]:
        lines.append(f"  with {unit['mass'].text(fixes['grain_dropped_kg'])} of grain")
    spacing, length, travel = passes["spacing_median_m"], unit["length"], unit["travel"]
    lines.append(
        f"Passes: {passes['count']}, {passes['length_km'] * 1000 * travel.per_si:.1f} {travel.unit}"
        + (f", {spacing * length.per_si:.2f} {length.unit} apart" if spacing else "")
    )
    lines.append("Assumed where nothing was said:")
    lines += [f"  {said_of(said).text(us_units)}" for said in report["assumptions"]]
    lines += [said_of(note).note(us_units) for note in report["notes"]]
    if report["missing"]:
        lines.append("Still missing for a map:")
        lines += [f"  {text}" for text in report["missing"]]
    else:
        lines.append("Nothing is missing: covermap map can run.")
    return "\n".join(lines)

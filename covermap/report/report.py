"""The report of one field: every number, sentence and picture of it, ready to be typeset."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from covermap import __version__
from covermap.drawing.caution import CAUTION
from covermap.drawing.labels import (
    FROM_IRRIGATION,
    HIGHEST_TO_LOWEST,
    LEFT_OUT,
    RATIO_MEANING,
    UNEVENNESS,
    limit_keys,
    opening,
)
from covermap.drawing.settings_used import machine_settings
from covermap.errors import OutputError
from covermap.field.mapped_field import MappedField
from covermap.files.open_result import MapResult
from covermap.report.report_pictures import report_pictures
from covermap.report.report_plan import FoundPlan, find_plan, letters, plan_content
from covermap.report.report_tables import accounts, causes_table, passes_table, strips_table
from covermap.report.report_verdict import strongest_cause, verdict
from covermap.tables.said import Said, each_once, said_of
from covermap.units import shown

#: Assumptions and notes are told up to so many characters; summary.json holds all.
MOST_ASSUMED, MOST_NOTED = 2900, 1000

_NEEDED = ("mass_kg", "residue", "wind", "causes", "assumptions", "notes")


@dataclass(frozen=True)
class Report:
    """What is typeset.

    Attributes
    ----------
    content : dict
        Texts, tables and switches, as JSON can hold them.
    pictures : dict of str to str
        SVG by the names that ``content`` uses.
    left_out : list of str
        Files of the folder that could not be used, and why.
    """

    content: dict[str, Any]
    pictures: dict[str, str]
    left_out: list[str]


def report_of(found: MapResult, made_on: date, *, us_units: bool = False) -> Report:
    """Put a folder of results into words, tables and pictures.

    Parameters
    ----------
    found : MapResult
    made_on : datetime.date
        Date of the report.
    us_units : bool
        Feet, acres, pounds and US letter paper instead of metres, hectares, tonnes and A4.

    Returns
    -------
    Report

    Raises
    ------
    OutputError
        If the results are of a version that left out what the report needs.
    """
    summary = found.summary
    missing = [key for key in _NEEDED if key not in summary]
    if missing:
        raise OutputError(
            f"{found.folder / 'summary.json'}: no {missing[0]} in it, which a report needs.",
            way_out="Run covermap map again with this version.",
        )
    name = found.name.strip() or found.folder.name
    plan, left_out = find_plan(found)
    pictures, drawn_elsewhere = report_pictures(found, plan, us_units, left_out)
    books, closes = accounts(found, us_units)
    spectrum = summary.get("spectrum")
    content = {
        "paper": "us-letter" if us_units else "a4",
        "name": name,
        "title": f"Residue report: {name}",
        "made_on": _day(made_on),
        "version": f"covermap {__version__}",
        "subtitle": _subtitle(found, plan),
        "five": five_numbers(found, us_units),
        "verdict": [said.as_told(us_units) for said in verdict(found)],
        "cause": strongest_cause(summary["causes"], us_units),
        "pictures": {name: drawn_elsewhere.get(name, "") for name in pictures},
        "map_alt": _map_alt(found, us_units),
        "ratio_meaning": RATIO_MEANING,
        "evenness": _evenness(summary["evenness"], us_units),
        "findings": [
            said_of(one).as_told(us_units) for one in (spectrum or {}).get("findings", ())
        ],
        "passes": passes_table(found, us_units),
        "causes": causes_table(summary["causes"], us_units),
        "strips": strips_table(found, us_units, letters() if plan else {}),
        "strips_count": len(found.strips),
        "plan": None if plan is None else plan_content(plan, us_units),
        "settings": [[one.label, one.text(us_units)] for one in machine_settings(found)],
        "accounts": books,
        "closes": closes,
        "assumed": _told(_assumed(summary, plan), MOST_ASSUMED, us_units),
        "noted": _told(map(said_of, summary["notes"]), MOST_NOTED, us_units),
        "left_out": left_out,
        "dropped": _dropped(found, us_units),
        "sure": [said.as_told(us_units) for said in how_sure(found)],
        "cautions": [
            Said(rule, {"caution": CAUTION}).as_told(us_units)
            for rule in ("report-caution", "report-caution-fire")
        ],
        "inputs": [[str(k), str(v)] for k, v in summary["inputs_sha256"].items()],
        "made_with": f"Map made by covermap {summary['covermap']}, report by covermap "
        f"{__version__} on {_day(made_on)}. Coordinates: {summary['field'].get('crs')}, cell "
        f"{shown(us_units)['length'].text(found.grid.cell_m)}.",
    }
    return Report(content, pictures, left_out)


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _subtitle(found: MappedField, plan: FoundPlan | None) -> str:
    parts = [str(found.summary["crop"]).capitalize()]
    if "start_time" in found.passes:
        times = pd.to_datetime(found.passes["start_time"], utc=True, errors="coerce").dropna()
        days = sorted({time.date() for time in times})
        if days:
            last = "" if len(days) == 1 else f" to {_day(days[-1])}"
            parts.append(f"harvested {_day(days[0])}{last}")
    if plan is not None and plan.content.get("next_crop"):
        parts.append(f"next crop: {plan.content['next_crop']}")
    return ", ".join(parts)


def five_numbers(found: MappedField, us_units: bool) -> list[dict[str, str]]:
    """Give the five numbers of the first page, each with a word of explanation."""
    unit, summary = shown(us_units), found.summary
    area, rate = unit["area"], unit["mass per area"]
    harvested = float(summary["field"]["harvested_ha"])
    cv_pct = summary["evenness"].get("cv_pct")
    cover = summary["residue"]["mean_cover_pct"]
    numbers = [
        ("Harvested", area.text(harvested * 1e4), f"{summary['passes']['count']} passes"),
        (
            "Lies there, mean",
            rate.text(summary["residue"]["mean_residue_t_ha"]),
            "cover unknown" if cover is None else f"covers {cover:.0f} % of the ground",
        ),
        (
            UNEVENNESS,
            "–" if cv_pct is None else f"{cv_pct:.0f} %",
            f"{unit['length'].text(summary['evenness']['tray_m'])} trays",
        ),
    ]
    for kind, key in limit_keys(found.limits).items():
        of = summary[kind]
        share = f"{100 * of['area_ha'] / harvested:.0f} % of it; " if harvested > 0 else ""
        _, beyond = key.split(": ")
        numbers.append(
            (
                "Gap ground" if kind == "gap" else "Double ground",
                area.text(of["area_ha"] * 1e4),
                f"{share}{beyond}",
            )
        )
    return [{"label": label, "value": value, "note": note} for label, value, note in numbers]


def _map_alt(found: MappedField, us_units: bool) -> str:
    area = shown(us_units)["area"]
    gap, double = (found.summary[kind] for kind in ("gap", "double"))
    return (
        f"Map of the spread ratio: {RATIO_MEANING}. "
        f"Gaps lie on {area.text(gap['area_ha'] * 1e4)} in {gap['strips']} strips, double "
        f"ground on {area.text(double['area_ha'] * 1e4)} in {double['strips']} strips."
    )


def _evenness(evenness: Mapping[str, Any], us_units: bool) -> list[dict[str, str]]:
    tray = shown(us_units)["length"].text(evenness["tray_m"])
    rows = [
        (UNEVENNESS, evenness.get("cv_pct"), "%", 0, f"scatter of {tray} trays; 0 is even"),
        (
            opening(HIGHEST_TO_LOWEST),
            evenness.get("urdr"),
            "",
            1,
            "in the middle pass; 1 is even",
        ),
        (
            "Christiansen CU",
            evenness.get("christiansen_cu_pct"),
            "%",
            0,
            f"{FROM_IRRIGATION}; 100 is even",
        ),
        (
            "Low-quarter DU",
            evenness.get("low_quarter_du_pct"),
            "%",
            0,
            f"{FROM_IRRIGATION}; 100 is even",
        ),
    ]
    return [
        {
            "label": label,
            "value": "–" if value is None else f"{value:.{places}f} {sign}".strip(),
            "note": note,
        }
        for label, value, sign, places, note in rows
    ]


def how_sure(found: MappedField) -> list[Said]:
    """Say how sure the map is, sentence by sentence."""
    spread = found.summary["settings"].get("spread", {})
    measured = spread.get("profile_file") or spread.get("shares")
    still = found.summary["wind"]["speed_mean_m_s"] is None
    rules = (
        "report-sure-measured" if measured else "report-sure-stated",
        "report-sure-mass",
        "report-sure-cover",
        "report-sure-still-air" if still else "report-sure-wind",
        "report-sure-causes",
    )
    return [Said(rule) for rule in rules]


def _assumed(summary: Mapping[str, Any], plan: FoundPlan | None) -> list[Said]:
    of_plan = [] if plan is None else plan.content["assumptions"]
    return [said_of(one) for one in [*summary["assumptions"], *of_plan]]


def _told(said: Iterable[Said], most: int, us_units: bool) -> dict[str, Any]:
    """Give sentences up to so many characters, and how many more there are."""
    sentences = [one.text(us_units) for one in each_once(said)]
    told, length = [], 0
    for text in sentences:
        length += len(text)
        if length > most:
            break
        told.append(text)
    left = len(sentences) - len(told)
    return {"texts": told, "more": f"{left} more are in summary.json." if left else ""}


def _dropped(found: MappedField, us_units: bool) -> str:
    fixes = found.summary["fixes"]
    removed = sum(fixes["removed"].values())
    grain = fixes.get("grain_dropped_kg")
    if removed == 0:
        return "No track point was left out."
    text = f"{opening(LEFT_OUT)}: {removed:,} of {fixes['read']:,}, for the reasons in the account"
    if grain is not None and math.isfinite(grain):
        share = fixes.get("grain_dropped_pct")
        of = "" if share is None else f" ({share:.1f} %)"
        text += f"; {shown(us_units)['mass'].text(grain)} of logged grain{of} went with them"
    return f"{text}. removed_fixes.csv lists each."

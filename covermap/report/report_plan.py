"""The plan as the report shows it: read back from a folder, put into tables and sentences."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from covermap.drawing.labels import IMPLEMENT_RUNS
from covermap.errors import OutputError
from covermap.files import schemas
from covermap.files.open_result import MapResult
from covermap.report.report_tables import number, table
from covermap.tables.said import said_of
from covermap.tables.signs import action_signs
from covermap.units import shown

if TYPE_CHECKING:
    import geopandas as gpd

#: So many zones are listed; plan.gpkg holds all.
MOST_ZONES = 5
#: Notes with this beginning are told beside the harrow picture, the others below.
_HARROW = "harrow-"
#: Never left out; of the other notes so many characters are told, and plan.json holds all.
_CAUTIONS = ("plan-check", "plan-adviser", "seeding-caution", "baling-caution")
MOST_NOTED = 1700
_ZONES_NEED = {"zone_id", "rule_id", "action", "area_m2", "why", "benefit"}
_MAP_AGAIN = "Run covermap map again."


@dataclass(frozen=True)
class FoundPlan:
    """A plan of a folder of results.

    Attributes
    ----------
    content : mapping
        Of ``plan.json``.
    zones : geopandas.GeoDataFrame or None
        Of ``plan.gpkg``; None where that file is not there.
    """

    content: Mapping[str, Any]
    zones: gpd.GeoDataFrame | None


def find_plan(found: MapResult) -> tuple[FoundPlan | None, list[str]]:
    """Read the plan of a folder of results, if there is one.

    Returns
    -------
    plan : FoundPlan or None
    left_out : list of str
        What is there but cannot be used, and why.
    """
    path = found.folder / "plan.json"
    if not path.is_file():
        return None, []
    try:
        content = json.loads(path.read_text("utf-8"))
        _check(content, found)
    except OutputError as error:
        return None, [f"{error} The report is without the plan."]
    except (OSError, ValueError, KeyError, TypeError) as error:
        return None, [f"plan.json is damaged ({error!r}). The report is without the plan."]
    try:
        zones = _zones(found.folder / "plan.gpkg", found, content)
    except OutputError as error:
        return FoundPlan(content, None), [f"{error} The report has no picture of the zones."]
    return FoundPlan(content, zones), []


def _check(content: Any, found: MapResult) -> None:
    if not isinstance(content, dict) or content.get("schema") != schemas.PLAN:
        raise OutputError("plan.json was made by another version of covermap.", way_out=_MAP_AGAIN)
    # without a plan of its own, covermap map leaves the one of an earlier run in the folder
    summary = found.summary
    harrow = content["harrow"] or {"before": {"gap_ha": summary["gap"]["area_ha"]}}
    same = (
        content["field"] == summary["field"]["name"]
        and content["crop"] == summary["crop"]
        and abs(harrow["before"]["gap_ha"] - summary["gap"]["area_ha"]) < 1e-3
    )
    if not same:
        raise _other_run("plan.json")
    for key in ("limits", "steps", "target", "work", "zones", "assumptions", "notes", "baling"):
        content[key]


def _other_run(file: str) -> OutputError:
    return OutputError(f"{file} is not of the same run as the map.", way_out=_MAP_AGAIN)


def _zones(path: Path, found: MapResult, content: Mapping[str, Any]) -> gpd.GeoDataFrame | None:
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError

    if not path.is_file():
        return None
    try:
        zones = pyogrio.read_dataframe(path, layer="zones")
    except (DataSourceError, DataLayerError) as error:
        raise OutputError(f"{path.name} is damaged.", way_out=_MAP_AGAIN) from error
    if len(zones) != len(content["zones"]) or zones.crs is None or _ZONES_NEED - set(zones):
        raise _other_run(path.name)
    return zones.to_crs(found.grid.crs)


def plan_content(plan: FoundPlan, us_units: bool) -> dict[str, Any]:
    """Give tables and sentences of the plan as plain data."""
    content = plan.content
    limits = content["limits"]
    unit = shown(us_units)
    rate = unit["mass per area"]
    notes = [said_of(note).as_told(us_units) for note in content["notes"]]
    cautions = [note for note in notes if note["rule"] in _CAUTIONS]
    others = [n for n in notes if not n["rule"].startswith(_HARROW) and n not in cautions]
    flags = [
        {
            "rule": str(flag["rule"]),
            "text": f"{unit['area'].text(flag['area_ha'] * 1e4)}: {said_of(flag).text(us_units)}",
        }
        for flag in content.get("seeding", [])
        if flag["area_ha"] > 0
    ]
    told = _up_to([*flags, *others], MOST_NOTED)
    left = len(flags) + len(others) - len(told)
    handled = (
        ("opener", limits.get("opener_t_ha")),
        ("with row cleaner", limits.get("cleaner_t_ha")),
    )
    loads = [f"{name} up to {rate.text(load)}" for name, load in handled if load is not None]
    return {
        "next_crop": str(content.get("next_crop") or "the next crop"),
        "limits": "; ".join([f"Cover wanted {limits['target_cover_pct']:g} %", *loads]),
        "work": _work_table(content["work"], us_units),
        "zones": _zones_told(content["zones"], us_units),
        "steps": _steps_table(content["steps"], us_units),
        "target": f"Below {limits['target_cover_pct']:g} % after the operations: "
        f"{unit['area'].text(content['target']['below_ha'] * 1e4)}; "
        f"at least that: {unit['area'].text(content['target']['meets_ha'] * 1e4)}.",
        "harrow": [note for note in notes if note["rule"].startswith(_HARROW)],
        "harrow_ground": _harrow_ground(content.get("harrow"), us_units),
        "notes": told,
        "more": f"{left} more notes are in plan.json." if left else "",
        "cautions": cautions,
    }


def _up_to(notes: list[dict[str, str]], most: int) -> list[dict[str, str]]:
    """Give the first notes that together have no more than so many characters."""
    told, length = [], 0
    for note in notes:
        length += len(note["text"])
        if length > most:
            break
        told.append(note)
    return told


def _harrow_ground(harrow: Mapping[str, Any] | None, us_units: bool) -> str:
    """Say what harrowing does to gap and double ground."""
    if harrow is None:
        return ""
    area = shown(us_units)["area"]
    gap, double = (
        f"{area.text(harrow['before'][key] * 1e4)} before, "
        f"{area.text(harrow['after'][key] * 1e4)} after"
        for key in ("gap_ha", "double_ha")
    )
    return f"Gap ground: {gap}; double ground: {double}."


def _work_table(work: Sequence[Mapping[str, Any]], us_units: bool) -> dict[str, Any]:
    area, fuel = (shown(us_units)[kind] for kind in ("area", "fuel"))
    order = {rule_id: k for k, rule_id in enumerate(reversed(list(action_signs())))}
    work = sorted(work, key=lambda row: order.get(row["rule_id"], len(order)))
    priced = any(row["cost"] is not None or row["fuel_l"] is not None for row in work)
    columns: list[tuple[str, str, float | None]] = [
        ("sign", "left", None),
        ("action", "left", 1),
        ("zones", "right", None),
        (f"ground [{area.unit}]", "right", None),
        (IMPLEMENT_RUNS, "right", None),
    ]
    if priced:
        columns += [("cost, about", "right", None), (f"fuel, about [{fuel.unit}]", "right", None)]
    signs = letters()
    rows = []
    for row in work:
        cells = [
            signs.get(row["rule_id"], ""),
            f"{row['action']}\n[{row['rule_id']}]",
            number(row["zones"], 0),
            area.number(row["area_ha"] * 1e4),
            number(row["implement_runs"], 0),
        ]
        if priced:
            cells += [number(row["cost"], 0), fuel.number(row["fuel_l"])]
        rows.append(cells)
    return table(columns, rows)


def letters() -> dict[str, str]:
    """Give the letter of every action, by rule id."""
    return {rule_id: sign.code for rule_id, sign in action_signs().items()}


def _zones_told(zones: Sequence[Mapping[str, Any]], us_units: bool) -> dict[str, Any]:
    """List the largest zones that call for work, in the words of the plan itself."""
    area = shown(us_units)["area"]
    worked = [zone for zone in zones if zone["rule_id"] != "plan-leave"]
    rows = [
        [
            str(zone["zone_id"]),
            area.text(zone["area_m2"]),
            f"{zone['action']}\n[{zone['rule_id']}]",
            said_of(zone["why"]).text(us_units),
            said_of(zone["benefit"]).text(us_units),
        ]
        for zone in worked[:MOST_ZONES]
    ]
    left = len(worked) - len(rows)
    return table(
        (
            ("zone", "right", None),
            ("ground", "right", None),
            ("action", "left", 1.1),
            ("called for by", "left", 2.2),
            ("should bring", "left", 2),
        ),
        rows,
        note=f"{left} more zones are in plan.gpkg." if left > 0 else "",
    )


def _steps_table(steps: Sequence[Mapping[str, Any]], us_units: bool) -> dict[str, Any]:
    rate = shown(us_units)["mass per area"]
    rows = []
    for step in steps:
        cover = step["cover_pct"]
        spread = "" if cover["high"] - cover["low"] < 0.5 else (
            f" ({cover['low']:.0f} to {cover['high']:.0f})"
        )  # fmt: skip
        equivalent = "*" if step["flat_equivalent"] else ""
        rows.append(
            [
                step["operation"],
                f"{cover['mid']:.0f}{spread}",
                f"{rate.text(step['residue_t_ha']['mid'])}{equivalent}",
            ]
        )
    starred = any(step["flat_equivalent"] for step in steps)
    return table(
        (("after", "left", 1), ("cover [%]", "right", None), ("residue", "right", None)),
        rows,
        note="* flat residue that would cover as much" if starred else "",
    )

"""The tables of the report: passes, causes, strips and accounts, in words ready to show."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from covermap.drawing.labels import HIGHEST_TO_LOWEST, UNEVENNESS, WINDROW, limit_keys
from covermap.field.mapped_field import MappedField
from covermap.tables.said import Said
from covermap.units import Shown, shown

#: So many passes and strips are listed; the files hold all.
MOST_PASSES, MOST_STRIPS, MOST_CAUSES = 10, 15, 2
_LONGEST_LABEL = 18
#: An account whose parts miss its total by more than this part of it does not close.
_CLOSES_WITHIN = 1e-6


def table(
    columns: Sequence[tuple[str, str, float | None]],
    rows: Sequence[Sequence[str]],
    *,
    note: str = "",
    total: bool = False,
) -> dict[str, Any]:
    """Give a table as plain data.

    Parameters
    ----------
    columns : sequence of (title, ``left`` or ``right``, width)
        Widths are parts of what is left; None is as wide as the content.
    rows : sequence of sequence of str
    note : str
        Shown below.
    total : bool
        The last row is a total.
    """
    return {
        "columns": [{"title": t, "align": a, "width": w} for t, a, w in columns],
        "rows": [list(row) for row in rows],
        "note": note,
        "total": total,
    }


def number(value: Any, decimals: int) -> str:
    """Format a number; a dash stands for what is not known, a word for infinity."""
    if value is None or pd.isna(value):
        return "–"
    return f"{value:,.{decimals}f}" if math.isfinite(value) else "no end"


def passes_table(found: MappedField, us_units: bool) -> dict[str, Any]:
    """List the least even passes, the worst first."""
    unit = shown(us_units)
    worst = found.passes.sort_values("cv_pct", ascending=False, kind="stable", na_position="last")
    rows = [
        [
            str(row["pass_id"]),
            short(row["label"]),
            "laps" if pd.isna(row["heading_deg"]) else f"{round(row['heading_deg']) % 360}°",
            unit["length"].text(row["length_m"]),
            unit["length"].text(row["spacing_m"]),
            str(row["discharge"]),
            number(row["mean_ratio"], 2),
            number(row["cv_pct"], 0),
            "bare lane" if np.isinf(row["urdr"]) else number(row["urdr"], 1),
        ]
        for row in worst.head(MOST_PASSES).drop(columns="geometry").to_dict("records")
    ]
    columns: list[tuple[str, str, float | None]] = [
        ("pass", "right", 0.7),
        ("label", "left", 2),
        ("heading", "right", 1),
        ("length", "right", 1.2),
        ("spacing", "right", 1),
        ("discharge", "left", 1.2),
        ("mean ratio", "right", 1.1),
        (f"{UNEVENNESS} [%]", "right", 1.3),
        (HIGHEST_TO_LOWEST, "right", 1.6),
    ]
    if all(row[1] in (row[0], "") for row in rows):
        del columns[1]
        rows = [[row[0], *row[2:]] for row in rows]
    left = len(found.passes) - len(rows)
    more = f"The {left} other passes are in passes.gpkg. " if left > 0 else ""
    return table(
        columns,
        rows,
        note=f"{more}Bare lane: a lane across the pass got nothing.",
    )


def short(text: object, longest: int = _LONGEST_LABEL) -> str:
    """Cut a text that would not fit."""
    told = "" if text is None or text != text else str(text)
    return told if len(told) <= longest else told[: longest - 1] + "…"


def causes_table(causes: Sequence[Mapping[str, Any]], us_units: bool) -> dict[str, Any]:
    """List the causes, with what each of them put wrong."""
    unit = shown(us_units)
    area, tonnes = unit["area"], unit["tonnes"]
    rows = [
        [
            str(row["cause"]),
            f"{row['strips']}",
            area.number(row["area_ha"] * 1e4),
            tonnes.number(row["missing_t"] * 1e3),
            tonnes.number(row["too_much_t"] * 1e3),
            str(row["rule_id"]),
        ]
        for row in causes
    ]
    return table(
        (
            ("cause", "left", 1),
            ("strips", "right", None),
            (f"ground [{area.unit}]", "right", None),
            (f"missing [{tonnes.unit}]", "right", None),
            (f"too much [{tonnes.unit}]", "right", None),
            ("rule", "left", None),
        ),
        rows,
        note="Strips and ground: where the cause ranks first. A negative number eased the fault.",
    )


def strips_table(found: MappedField, us_units: bool, signs: Mapping[str, str]) -> dict[str, Any]:
    """List the strips that matter most, with cause and, where there is a plan, action.

    Parameters
    ----------
    found : MappedField
    us_units : bool
    signs : mapping of str to str
        Letter of an action by rule id; empty where there is no plan.
    """
    unit = shown(us_units)
    length, mass = unit["length"], unit["mass"]
    planned = bool(signs) and "rule_id" in found.strips
    rows = []
    for row in found.strips.head(MOST_STRIPS).drop(columns="geometry").to_dict("records"):
        gap = row["kind"] == "gap"
        size = f"{length.number(row.get('length_m'))} × {length.number(row.get('width_m'))}"
        wrong = row["deficit_kg"] if gap else row["excess_kg"]
        causes = _first_causes(row.get("causes"))
        cells = [
            str(row["strip_id"]),
            str(row["kind"]) + (f"\n{WINDROW}" if row["discharge"] == "windrow" else ""),
            size,
            number(row["mean_ratio"], 2),
            unit["mass per area"].text(row.get("mean_residue_t_ha")),
            f"{mass.text(wrong)} {'missing' if gap else 'too much'}",
            short(row["passes"], 24),
            causes,
        ]
        if planned:
            rule = str(row["rule_id"])
            cells.append(f"{signs.get(rule, '')} {row['action']}\n[{rule}]".strip())
        rows.append(cells)
    left = len(found.strips) - len(rows)
    columns: list[tuple[str, str, float | None]] = [
        ("strip", "right", None),
        ("kind", "left", None),
        (f"size [{length.unit}]", "right", None),
        ("ratio", "right", None),
        ("lies there", "right", None),
        ("residue", "right", None),
        ("passes", "left", None),
        ("causes, largest first", "left", 2.1),
    ]
    if planned:
        columns.append(("action", "left", 1))
    return table(
        columns,
        rows,
        note=f"{left} more strips are in strips.gpkg and strips.geojson." if left > 0 else "",
    )


def _first_causes(causes: object) -> str:
    """Give the largest causes of a strip, and how many more there are."""
    if not isinstance(causes, str) or not causes:
        return "not worked out by the version that made the map"
    parts = causes.split("; ")
    more = f"; {len(parts) - MOST_CAUSES} more" if len(parts) > MOST_CAUSES else ""
    return "; ".join(parts[:MOST_CAUSES]) + more


def accounts(found: MappedField, us_units: bool) -> tuple[list[dict[str, Any]], dict[str, str]]:
    """Give the accounts of residue, ground and fixes, and whether they close.

    Parts are rounded for show; the largest takes up what rounding leaves, so that the
    numbers shown add up.

    Returns
    -------
    tables : list of dict
        Each with a ``title``.
    said : dict
        Rule and text.
    """
    unit = shown(us_units)
    mass, field, fixes = (found.summary[key] for key in ("mass_kg", "field", "fixes"))
    gap, double = (float(found.summary[kind]["area_ha"]) for kind in ("gap", "double"))
    harvested = float(field["harvested_ha"])
    removed = {k: v for k, v in fixes["removed"].items() if v}
    books: list[tuple[str, Shown, float, list[tuple[str, float]], str]] = [
        (
            "Straw and chaff grown",
            unit["mass"],
            mass["grown_kg"],
            [
                ("left standing as stubble", mass["stubble_kg"]),
                ("left on its row by the header", mass["left_by_header_kg"]),
                ("through the machine", mass["through_machine_kg"]),
            ],
            "dry matter",
        ),
        (
            "Through the machine",
            unit["mass"],
            mass["through_machine_kg"],
            [
                ("landed on the field", mass["landed_on_field_kg"]),
                ("landed outside the field", mass["landed_outside_kg"]),
                ("baled and taken off", mass["baled_kg"]),
            ],
            "dry matter",
        ),
        (
            "Harvested ground",
            unit["area"],
            harvested * 1e4,
            [
                *zip(limit_keys(found.limits).values(), (gap * 1e4, double * 1e4), strict=True),
                ("the rest, within the limits", (harvested - gap - double) * 1e4),
            ],
            "",
        ),
        (
            "Track points read",
            Shown(1.0, "points", 0),
            fixes["read"],
            [("harvested", fixes["harvested"]), *removed.items()],
            "",
        ),
    ]
    tables, open_books = [], []
    for title, show, total, parts, kind in books:
        off = abs(total - sum(value for _, value in parts))
        if off > _CLOSES_WITHIN * abs(total):
            open_books.append(f"{title}, off by {show.text(off)}")
            shown_parts = [show.text(value) for _, value in parts]
        else:
            shown_parts = _adding_up(show, total, [value for _, value in parts])
        rows = [[name, text] for (name, _), text in zip(parts, shown_parts, strict=True)]
        rows.append([f"{title}{', ' + kind if kind else ''}", show.text(total)])
        made = table(((title, "left", 1), (show.unit, "right", None)), rows, total=True)
        tables.append({"title": title, **made})
    rule = "report-balance-open" if open_books else "report-balance-closes"
    return tables, Said(rule, {"accounts": "; ".join(open_books)}).as_told(us_units)


def _adding_up(show: Shown, total: float, parts: list[float]) -> list[str]:
    """Round parts so that they add up to the rounded total; the largest gives way."""
    step = 10.0**-show.decimals
    whole = [round(part * show.per_si / step) for part in parts]
    largest = max(range(len(whole)), key=lambda k: abs(whole[k]))
    whole[largest] += round(total * show.per_si / step) - sum(whole)
    return [f"{n * step:,.{show.decimals}f} {show.unit}" for n in whole]

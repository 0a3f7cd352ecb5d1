"""Tables of the season book that compare: settings, winds, machines, and two seasons."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd

from covermap.drawing.labels import UNEVENNESS
from covermap.seasons.season_page_tables import (
    Cell,
    PageTable,
    in_unit,
    known,
    more,
    number,
    of_kind,
    settings_text,
    words,
)
from covermap.units import Shown, shown


def group_table(
    rankings: pd.DataFrame, kind: str, title: str, most: int, us_units: bool
) -> PageTable:
    """Give the groups of a comparison: settings, wind or machine."""
    unit, found = shown(us_units), of_kind(rankings, kind)
    area, wind = unit["area"], unit["wind"]
    # a pass alone has no gaps: they lie between passes
    kinds = ("gap", "double") if kind == "machine" else ()
    columns = [
        (kind, "words"),
        ("fields", "number"),
        ("passes", "number"),
        (f"ground [{area.unit}]", "number"),
        (f"{UNEVENNESS} [%], mean", "number"),
        ("mean ratio", "number"),
        *((f"{name}s [%]", "number") for name in kinds),
        (f"mean wind [{wind.unit}]", "number"),
        ("crops", "text"),
    ]
    rows = []
    for row in found.head(most).to_dict("records"):
        cells = [
            words(_group_text(row, kind, unit)),
            number(row["fields"]),
            number(row["passes"]),
            in_unit(area, row["ground_ha"], 1e4),
            number(row["cv_pct"]),
            number(row["mean_ratio"], 2),
            *(number(row[f"{name}_share"], 1, 100.0) for name in kinds),
            in_unit(wind, row["wind_speed_m_s"]),
            words(row["crops"]),
        ]
        rows.append(("", cells))
    return PageTable(title, columns, rows, note=more(len(found), len(rows)))


def _group_text(row: Mapping[Any, Any], kind: str, unit: Mapping[str, Shown]) -> str:
    """Name a group in the reader's units."""
    if kind == "wind" and known(row["class_low_m_s"]):
        wind = unit["wind"]
        low, high = wind.text(row["class_low_m_s"]), wind.text(row["class_high_m_s"])
        to = f"to {high}" if known(row["class_high_m_s"]) else "and more"
        return f"{row['what']} ({low} {to})"
    if kind != "operator settings":
        return str(row["what"])
    return settings_text(row, unit["length"], reaches=True)


def year_table(years: pd.DataFrame, us_units: bool) -> tuple[PageTable, PageTable]:
    """Give the fields compared with the season before, and those that were not."""
    area = shown(us_units)["area"]
    compared = years[years["common_ha"].notna()]
    columns = [
        ("field", "text"),
        ("field the season before", "text"),
        ("matched by", "text"),
        (f"common ground [{area.unit}]", "number"),
        *(
            (f"{what}, {when}", "number")
            for what in (
                f"{UNEVENNESS} [%]",
                f"gaps [{area.unit}]",
                f"doubles [{area.unit}]",
                "cover [%]",
            )
            for when in ("before", "now", "change")
        ),
        ("crops", "text"),
        ("remark", "words"),
    ]

    def triple(row: Mapping[Any, Any], name: str, show: Callable[..., Cell]) -> list[Cell]:
        before, change = row[f"{name}_previous"], row[f"{name}_change"]
        return [show(before), show(row[name]), show(change, sign=True)]

    def percent(value: Any, sign: bool = False) -> Cell:
        return number(value, 0, 1.0, sign)

    def hectares(value: Any, sign: bool = False) -> Cell:
        return in_unit(area, value, 1e4, sign=sign)

    rows = []
    for row in compared.to_dict("records"):
        crops = dict.fromkeys(str(row[k]) for k in ("previous_crop", "crop") if known(row[k]))
        cells = [
            Cell(str(row["name"]), link=f"#field-{row['field_id']}"),
            words(row["previous_name"]),
            words(row["matched_by"]),
            hectares(row["common_ha"]),
            *triple(row, "cv_pct", percent),
            *triple(row, "gap_ha", hectares),
            *triple(row, "double_ha", hectares),
            *triple(row, "cover_pct", percent),
            words(" → ".join(crops)),
            words(row["remark"]),
        ]
        rows.append(("", cells))
    alone = [
        ("", [words(row["name"] if known(row["name"]) else row["previous_name"]),
              words(row["remark"])])
        for row in years[years["common_ha"].isna()].to_dict("records")
    ]  # fmt: skip
    return (
        PageTable("Compared", columns, rows),
        PageTable(
            "In one season only, or not compared", [("field", "text"), ("why", "words")], alone
        ),
    )

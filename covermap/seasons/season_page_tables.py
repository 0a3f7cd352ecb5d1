"""Tables of the season book: numbers put into the reader's units, a key to sort by beside them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

import pandas as pd

from covermap.drawing.labels import HIGHEST_TO_LOWEST, IN_DOUBLES, IN_GAPS, UNEVENNESS, WINDROW
from covermap.units import Shown, shown

UNKNOWN = "–"
#: A lean that would show as nothing is not named [m].
LEAST_LEAN_M = 0.05
#: Head of a narrow column: broken where words may part.
_HIGHEST_TO_LOWEST = ", ".join(
    part.replace(" ", "\N{NO-BREAK SPACE}").replace("\N{NO-BREAK SPACE}across", " across")
    for part in (HIGHEST_TO_LOWEST, "middle pass")
)


@dataclass(frozen=True)
class Cell:
    """One cell: what it says, and where it leads.

    Attributes
    ----------
    text : str
    number : str
        What a column of numbers is sorted by; empty where it is not known.
    link : str
        Address; empty for none.
    picture, alt : str
        Address of a picture shown instead of text, and what it shows in words.
    small : str
        Words in small letters below.
    """

    text: str = UNKNOWN
    number: str = ""
    link: str = ""
    picture: str = ""
    alt: str = ""
    small: str = ""


@dataclass(frozen=True)
class PageTable:
    """One table of the page.

    Attributes
    ----------
    title : str
    columns : sequence of (heading, kind)
        Kind is ``number``, ``text``, ``words`` (long text), ``day`` or ``picture`` (not sorted
        by).
    rows : sequence of (anchor, cells)
    head : int
        Which cell of a row names it.
    note : str
    """

    title: str
    columns: Sequence[tuple[str, str]]
    rows: Sequence[tuple[str, Sequence[Cell]]]
    head: int = 0
    note: str = ""


def known(value: Any) -> bool:
    """Tell whether a value of a table is there."""
    return value is not None and not bool(pd.isna(value))


def words(value: Any) -> Cell:
    """Give a cell of text."""
    return Cell(str(value)) if known(value) and str(value) else Cell()


def number(value: Any, decimals: int = 0, factor: float = 1.0, sign: bool = False) -> Cell:
    """Give a cell of a number."""
    if not known(value):
        return Cell()
    rounded = round(float(value) * factor, decimals) + 0.0  # a rounded nothing has no sign
    return Cell(f"{rounded:{'+' if sign and rounded else ''},.{decimals}f}", f"{float(value):.9g}")


def in_unit(unit: Shown, value: Any, si: float = 1.0, *, sign: bool = False) -> Cell:
    """Give a number in a unit that stands in the head of its column; ``si`` makes it SI."""
    return number(value, unit.decimals, si * unit.per_si, sign)


def field_page_table(
    fields: pd.DataFrame,
    folders: Mapping[str, str],
    pictures: Mapping[str, str],
    anchor: Callable[[str], str],
    us_units: bool,
) -> PageTable:
    """Give the table of all fields.

    Parameters
    ----------
    fields : pandas.DataFrame
    folders, pictures : mapping of str to str
        By ``field_id``, as in :class:`covermap.seasons.season_page.SeasonContent`.
    anchor : callable
        Gives the id of a row from its ``field_id``.
    us_units : bool
    """
    unit = shown(us_units)
    area, rate, wind, length = (unit[k] for k in ("area", "mass per area", "wind", "length"))
    columns = [
        ("picture", "picture"),
        ("field", "text"),
        ("crop", "text"),
        ("machine", "text"),
        (f"harvested [{area.unit}]", "number"),
        (f"{UNEVENNESS} [%]", "number"),
        (f"gaps [{area.unit}]", "number"),
        ("gaps [%]", "number"),
        (f"doubles [{area.unit}]", "number"),
        ("doubles [%]", "number"),
        ("strongest cause", "words"),
        (_HIGHEST_TO_LOWEST, "number"),
        ("cover [%]", "number"),
        (f"residue [{rate.unit}]", "number"),
        (f"wind [{wind.unit}]", "number"),
        (f"spread width [{length.unit}]", "number"),
        ("settings", "words"),
        ("harvested on", "day"),
    ]
    warned = fields["warnings"].notna().any()
    if warned:
        columns.append(("look at this first", "words"))
    rows = []
    for row in fields.to_dict("records"):
        field_id = str(row["field_id"])
        failed = row["status"] != "mapped"
        speed = in_unit(wind, row["wind_speed_m_s"])
        cause = f"failed: {row['reason']}" if failed else row["main_cause"] or "no strip"
        cells = [
            _picture(row, pictures.get(field_id, "")),
            _named(row, folders.get(field_id)),
            words(row["crop"]),
            words(row["machine"]),
            in_unit(area, row["harvested_ha"], 1e4),
            number(row["cv_pct"]),
            in_unit(area, row["gap_ha"], 1e4),
            number(row["gap_share"], 1, 100.0),
            in_unit(area, row["double_ha"], 1e4),
            number(row["double_share"], 1, 100.0),
            Cell(str(cause), small="" if failed else str(row["main_cause_rule"] or "")),
            number(row["urdr"], 1),
            number(row["mean_cover_pct"]),
            in_unit(rate, row["mean_residue_t_ha"]),
            Cell(speed.text, speed.number, small=_from(row["wind_from_deg"])),
            in_unit(length, row["spread_width_m"]),
            words(settings_text(row, length, reaches=False)),
            words(f"{row['start_time']:%Y-%m-%d}" if known(row["start_time"]) else None),
        ]
        if warned:
            cells.append(words(row["warnings"]))
        rows.append((anchor(field_id), cells))
    return PageTable("Fields", columns, rows, head=1)


def _picture(row: Mapping[Any, Any], address: str) -> Cell:
    if not address:
        return Cell("")
    alt = (
        f"Spread ratio of {row['name']}: {number(row['gap_share'], 1, 100.0).text} % {IN_GAPS}, "
        f"{number(row['double_share'], 1, 100.0).text} % {IN_DOUBLES}"
    )
    return Cell("", picture=address, alt=alt)


def _named(row: Mapping[Any, Any], folder: str | None) -> Cell:
    """Give the name of a field with the way to its map."""
    parts = [f"part {row['part']}" if known(row["part"]) else "", row["source"] or ""]
    small = ", ".join(part for part in parts if part)
    link = f"{quote(folder)}/map.html" if folder is not None else ""
    return Cell(str(row["name"]), link=link, small=small)


def _from(degrees: Any) -> str:
    return f"from {float(degrees):.0f}°" if known(degrees) else ""


def settings_text(row: Mapping[Any, Any], length: Shown, *, reaches: bool) -> str:
    """Put into words how a machine was set, with or without how far it reached."""
    how = {"both": f"spread and {WINDROW}"}
    parts = [how.get(row["discharge"], row["discharge"] if known(row["discharge"]) else "")]
    if reaches:
        left, right = length.text(row["reach_left_m"]), length.text(row["reach_right_m"])
        parts.append(f"{left} left, {right} right")
    parts.append(row["profile"] if known(row["profile"]) else "")
    if known(row["lean_m"]) and abs(row["lean_m"]) >= LEAST_LEAN_M:
        side = "right" if row["lean_m"] > 0 else "left"
        parts.append(f"leans {length.text(abs(row['lean_m']))} {side}")
    if known(row["cut_width_m"]):
        parts.append(f"cut {length.text(row['cut_width_m'])}")
    return ", ".join(part for part in parts if part)


def of_kind(rankings: pd.DataFrame, kind: str) -> pd.DataFrame:
    """Give the rows of one ranking."""
    return rankings[rankings["ranking"] == kind]


def more(count: int, shown_rows: int) -> str:
    """Say how many rows the page leaves to rankings.csv."""
    left = count - shown_rows
    return f"{left:,} more in rankings.csv." if left > 0 else ""


def ranked_table(
    rankings: pd.DataFrame, kind: str, title: str, most: int, us_units: bool
) -> PageTable:
    """Give the first fields of a ranking."""
    area, found = shown(us_units)["area"], of_kind(rankings, kind)
    columns = [
        ("rank", "number"),
        ("field", "text"),
        (f"{UNEVENNESS} [%]", "number"),
        (f"gaps [{area.unit}]", "number"),
        (f"doubles [{area.unit}]", "number"),
        (f"ground [{area.unit}]", "number"),
        ("strongest cause", "words"),
    ]
    rows = [
        (
            "",
            [
                number(row["rank"]),
                Cell(str(row["what"]), link=f"#field-{row['field_id']}"),
                number(row["cv_pct"]),
                in_unit(area, row["gap_ha"], 1e4),
                in_unit(area, row["double_ha"], 1e4),
                in_unit(area, row["ground_ha"], 1e4),
                Cell(
                    str(row["main_cause"] if known(row["main_cause"]) else "no strip"),
                    small=str(row["main_cause_rule"]) if known(row["main_cause_rule"]) else "",
                ),
            ],
        )
        for row in found.head(most).to_dict("records")
    ]
    return PageTable(title, columns, rows, head=1, note=more(len(found), len(rows)))


def failed_table(rankings: pd.DataFrame) -> PageTable:
    """Give the fields that could not be mapped, with their reasons."""
    rows = [
        (
            "",
            [Cell(str(row["what"]), link=f"#field-{row['field_id']}"), words(row["reason"])],
        )
        for row in of_kind(rankings, "failed").to_dict("records")
    ]
    return PageTable("Not mapped", [("field", "text"), ("reason", "words")], rows)

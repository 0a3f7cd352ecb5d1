"""Headers of tables as people write them: which column each stands for, in which unit.

A header such as ``Speed (mph)`` or ``grain_flow_kgps`` is taken apart into a name, looked
up in ``tables/column_synonyms.csv`` among the rows of its kind of table, and a unit, looked
up in :mod:`covermap.units` and ``tables/unit_writings.csv``.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from covermap.errors import Ask, CovermapError, SettingsError, column_ask, unit_ask
from covermap.reading.table_kind import Column, Overrides, RecognisedColumn, TableKind, plain_name
from covermap.tables import read_table
from covermap.units import KINDS, unit_factor


@dataclass(frozen=True)
class _Match:
    column: str
    unit: str | None
    rank: int
    number: str = ""


# Bushels, whose weight the crop says.
_BUSHELS = {
    "mass per area": ("bu/ac", "bu/ha"),
    "mass flow": ("bu/s", "bu/h"),
    "mass": ("bu",),
}
_OBVIOUS_UNIT = ("angle", "percent", "share", "number")
_BRACKET = re.compile(r"[(\[{]([^)\]}]*)[)\]}]\s*$")


@cache
def units_by_plain_name(kind: str) -> dict[str, str]:
    """Give the units of a kind by all that people write for them."""
    if kind not in KINDS:
        # A clock column may say "s" or "ms"; its size tells the unit better than its header.
        return {"s": "s", "ms": "ms"} if kind == "instant" else {}
    units: dict[str, str] = {}
    for unit in (*KINDS[kind].factors, *_BUSHELS.get(kind, ())):
        units.setdefault(plain_name(unit), unit)
        units.setdefault(plain_name(unit.replace("/ac", "/acre")), unit)
    for row in read_table("unit_writings"):
        if row["kind"] == kind:
            units[plain_name(row["writing"])] = row["unit"]
    units.pop("", None)
    return units


def has_obvious_unit(kind: str) -> bool:
    """Tell whether cells of a kind hardly come in more than one unit."""
    return kind not in KINDS or kind in _OBVIOUS_UNIT


def recognise(
    headers: Sequence[str],
    kind: TableKind,
    overrides: Overrides | None = None,
    where: str = "",
    units_below: Sequence[str] = (),
) -> list[RecognisedColumn]:
    """Find out which headers of a file are which columns, and in which unit.

    Parameters
    ----------
    headers : sequence of str
        As written in the file.
    kind : TableKind
        What the file is to be.
    overrides : Overrides, optional
        What the person said; it wins.
    where : str
        File and line, for messages.
    units_below : sequence of str
        Cells of a row of units below the headers.

    Returns
    -------
    list of RecognisedColumn
        In file order, each column at most once.

    Raises
    ------
    SettingsError
        If a name, header or unit the person gave is unknown, or bushels lack a weight.
    CovermapError
        The kind's, if a unit in a header is unknown or, in a table made by hand, two headers
        mean the same.
    """
    said = overrides or Overrides()
    chosen = {
        _column_for(key, kind): _header_for(key, text, headers, kind)
        for key, text in said.columns.items()
    }
    said_units = {_column_for(key, kind): unit for key, unit in said.units.items()}
    taken = set(chosen.values())
    best: dict[tuple[str, str], tuple[tuple[bool, int, int], _Match]] = {}
    for place, header in enumerate(headers):
        below = units_below[place] if place < len(units_below) else ""
        match = None if header in taken else _match_any(header, below, kind, said_units, where)
        if match is None or match.column in chosen:
            continue
        key = (match.column, match.number if match.column in kind.several else "")
        other_number = bool(match.number) and float(match.number) != said.number
        rank = (other_number, match.rank, place)
        if kind.by_hand and key in best:
            twin = headers[best[key][0][2]]
            raise kind.error(
                f"{where}: columns {twin!r} and {header!r} both mean {' '.join(key).strip()}.",
                way_out="Keep one of them or name it otherwise.",
            )
        if key not in best or rank < best[key][0]:
            best[key] = (rank, match)
    picked = [(headers[rank[2]], match) for rank, match in best.values()]
    for column, header in chosen.items():
        place = list(headers).index(header)
        below = units_below[place] if place < len(units_below) else ""
        picked.append((header, _match_chosen(header, below, column, kind, where)))
    known = {match.column for _, match in picked}
    for name in said.units:
        column = _column_for(name, kind)
        if column not in known:
            raise SettingsError(
                f"A unit was given for {name}, but the {kind.what} has no column for {column}.",
                f"Headers: {', '.join(headers)}.",
                "Name its header with {0}.",
                column_ask(name),
            )
    found = [
        _with_unit(header, match, said_units.get(match.column), kind, said.kg_per_bushel, where)
        for header, match in picked
    ]
    return sorted(found, key=lambda one: headers.index(one.header))


def _match_any(
    header: str, below: str, kind: TableKind, said_units: Mapping[str, str], where: str
) -> _Match | None:
    """Match a header, with the unit below it if it has none itself."""
    for text in ([f"{header} ({below})"] if below else []) + [header]:
        try:
            found = _match_numbered(text, kind, where)
        except CovermapError:
            # A unit the person gives settles what the header writes, right or wrong.
            column = kind.named(_BRACKET.sub("", text))
            if column is None or column not in said_units:
                raise
            found = _Match(column, None, 0)
        if found is not None:
            return found
    return None


def _match_numbered(header: str, kind: TableKind, where: str) -> _Match | None:
    number = kind.number.search(header) if kind.number else None
    if number is not None:
        text = header[: number.start()] + kind.number_as + header[number.end() :]
        found = _match(text, header, kind, where)
        if found is not None:
            return _Match(found.column, found.unit, found.rank, number[1].replace(",", "."))
    return _match(header, header, kind, where)


def _match(text: str, header: str, kind: TableKind, where: str) -> _Match | None:
    """Give column, unit (None if the text does not tell) and rank of a header's text."""
    name, known = plain_name(text), kind.synonyms
    exact = dict(known.get(name, ()))
    for end in range(len(name) - 1, 0, -1):
        for column, rank in known.get(name[:end], ()):
            unit = units_by_plain_name(kind.columns[column].kind).get(name[end:])
            if unit is not None and (not exact or column in exact):
                return _Match(column, unit, exact.get(column, rank))
    for column, rank in exact.items():
        return _Match(column, _unit_in_last_words(text, kind.columns[column].kind), rank)
    bracket = _BRACKET.search(text)
    if bracket is None:
        return None
    for column, rank in known.get(plain_name(text[: bracket.start()]), ()):
        _refuse_unit(bracket[1], kind.columns[column], header, kind, where)
        return _Match(column, None, rank)
    return None


def _refuse_unit(text: str, column: Column, header: str, kind: TableKind, where: str) -> None:
    """Raise if a word in brackets is a unit of something else, or must be one and is none."""
    elsewhere = any(plain_name(text) in units_by_plain_name(other) for other in KINDS)
    strict = kind.strict_units and not has_obvious_unit(column.kind)
    if column.is_number and (elsewhere or strict or "/" in text):
        at = f"{where}, column" if where else "Column"
        raise kind.unit_error(
            f"{at} {header!r}: the unit {text!r} is not one of {column.kind}.",
            f"Expected one of {known_units(column.kind)}.",
            column.name,
        )


def _column_for(key: str, kind: TableKind) -> str:
    column = kind.named(key)
    if column is None:
        near = difflib.get_close_matches(plain_name(key), list(kind.synonyms), 3, 0.5)
        shown = ", ".join(near or kind.columns)
        raise SettingsError(f"{key!r} is no column of a {kind.what}.", f"Nearest: {shown}.")
    return column


def _header_for(key: str, text: str, headers: Sequence[str], kind: TableKind) -> str:
    for same in (str, plain_name):
        for header in headers:
            if same(header) == same(text):
                return header
    by_lower = {header.lower(): header for header in headers}
    near = difflib.get_close_matches(text.lower(), list(by_lower), 3, 0.4)
    shown = ", ".join(by_lower[name] for name in near) if near else ", ".join(headers)
    raise SettingsError(
        f"The {kind.what} has no column {text!r}.",
        f"{'Nearest' if near else 'It has'}: {shown}.",
        "Correct {0}.",
        column_ask(key, text),
    )


def _with_unit(
    header: str,
    match: _Match,
    said: str | None,
    kind: TableKind,
    kg_per_bushel: float | None,
    where: str,
) -> RecognisedColumn:
    column = kind.columns[match.column]
    told = said or match.unit
    if not column.is_number:
        if said is not None:
            raise SettingsError(f"{column.name} has no unit.", way_out=f"Leave {said!r} out.")
        unit = told or column.unit
        return RecognisedColumn(header, column.name, unit, 1.0, told is not None, match.number)
    unit = told or column.unit
    unit = units_by_plain_name(column.kind).get(plain_name(unit), unit)
    factor = unit_factor(unit, column.kind, kg_per_bushel)
    if factor is None and plain_name(unit).startswith("bu"):
        raise SettingsError(
            f"Column {header!r} is in bushels ({unit}), and a bushel weighs what the crop says.",
            "",
            "Name the crop with {0}, or give another unit with {1}.",
            Ask("crop.kind"),
            unit_ask(column.name),
        )
    if factor is None:
        raise SettingsError(
            f"{where + ': ' if where else ''}{unit!r} is no unit of {column.kind}.",
            f"Known: {known_units(column.kind)}.",
            "Correct {0}.",
            unit_ask(column.name, unit),
        )
    return RecognisedColumn(header, column.name, unit, factor, told is not None, match.number)


def _match_chosen(header: str, below: str, column: str, kind: TableKind, where: str) -> _Match:
    """Give the unit of a header that the person named, from its words or the row below."""
    found = _match_any(header, below, kind, {column: ""}, where)
    if found is not None and found.column == column:
        return found
    one = kind.columns[column].kind
    unit = units_by_plain_name(one).get(plain_name(below)) or _unit_in_last_words(header, one)
    return _Match(column, unit, 0)


def _unit_in_last_words(header: str, kind: str) -> str | None:
    units = units_by_plain_name(kind)
    bracket = _BRACKET.search(header)
    if bracket is not None:
        return units.get(plain_name(bracket.group(1)))
    words = [word for word in re.split(r"[\s_]+", header) if word]
    for count in (2, 1):
        unit = units.get(plain_name("".join(words[-count:]))) if len(words) > count else None
        if unit is not None:
            return unit
    return None


def known_units(kind: str) -> str:
    """List the units of a kind for a message."""
    return ", ".join((*KINDS[kind].factors, *_BUSHELS.get(kind, ())))

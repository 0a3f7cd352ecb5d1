"""Headers of tables as people write them: which column each stands for, in which unit.

A header such as ``Speed (mph)`` or ``grain_flow_kgps`` is taken apart into a name, looked
up in ``tables/column_synonyms.csv`` among the rows of its kind of table, and a unit, looked
up in :mod:`covermap.units` and ``tables/unit_writings.csv``.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property

from covermap.errors import Ask, CovermapError, SettingsError, column_ask, unit_ask
from covermap.reading.file_bytes import FileKind
from covermap.tables import read_table
from covermap.units import KINDS, unit_factor


@dataclass(frozen=True)
class Column:
    """One column that a kind of table can carry.

    Attributes
    ----------
    name : str
        How covermap calls it.
    unit : str
        Taken if nothing in the file tells another.
    kind : str
        A key of :data:`covermap.units.KINDS`, or ``instant`` (a date or clock time), ``flag``
        (yes or no), ``text``, or ``word`` (text, case aside).
    meaning : str
    choices : tuple of str
        Words allowed, if not all.
    """

    name: str
    unit: str
    kind: str
    meaning: str
    choices: tuple[str, ...] = ()

    @property
    def is_number(self) -> bool:
        """Whether its cells are numbers in some unit."""
        return self.kind in KINDS


@dataclass(frozen=True)
class RecognisedColumn:
    """One header of the file and what it stands for.

    Attributes
    ----------
    header, column, unit : str
        As written in the file, canonical name, and unit of its numbers.
    factor : float
        From that unit to the SI unit.
    unit_told : bool
        Whether header, row of units or person told the unit.
    number : str
        In the header, such as a height or a run; empty if there is none.
    """

    header: str
    column: str
    unit: str
    factor: float
    unit_told: bool = True
    number: str = ""


@dataclass(frozen=True)
class Overrides:
    """What the person said of a file: its headers and units by canonical name or synonym.

    ``kg_per_bushel`` is the bushel weight of the crop [kg]; ``number`` is the one that is
    meant where headers carry several.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    kg_per_bushel: float | None = None
    number: float | None = None


@dataclass(frozen=True)
class TableKind(FileKind):
    """One kind of table: what its headers can mean and how its errors speak.

    Attributes
    ----------
    table : str
        Rows of ``tables/column_synonyms.csv`` that hold for it.
    columns : mapping of str to Column
        All columns it can carry, by name.
    row, rows : str
        What its rows are, such as ``reading`` and ``readings``.
    needs : tuple of mapping of str to str
        Columns of which one set must be there, each with how a person calls it.
    headers : str
        An example of headers, for messages.
    by_settings : bool
        Whether a person can name headers and units by settings.
    by_hand : bool
        Whether it is small and made by hand, so that no row, column or cell may fail.
    short_rows : bool
        Whether a row may end early, its last cells being blank.
    strict_units : bool
        Whether a word in a header's brackets must be a unit where numbers need one.
    number : re.Pattern, optional
        Finds a number in a header that is no part of its name; ``number_as`` replaces it.
    several : tuple of str
        Columns that may stand more than once, told apart by that number.
    """

    table: str
    columns: Mapping[str, Column]
    row: str
    rows: str
    needs: tuple[Mapping[str, str], ...]
    headers: str
    by_settings: bool = False
    by_hand: bool = False
    short_rows: bool = False
    strict_units: bool = False
    number: re.Pattern[str] | None = None
    number_as: str = " "
    several: tuple[str, ...] = ()

    @cached_property
    def synonyms(self) -> dict[str, tuple[tuple[str, int], ...]]:
        """By plain name, the columns a synonym can stand for and its rank in the table."""
        found: dict[str, tuple[tuple[str, int], ...]] = {}
        rows = [row for row in read_table("column_synonyms") if row["table"] == self.table]
        names = [(row["synonym"], row["canonical"]) for row in rows]
        for rank, (name, column) in enumerate([*names, *((name, name) for name in self.columns)]):
            known = found.get(plain_name(name), ())
            if column not in (one for one, _ in known):
                found[plain_name(name)] = (*known, (column, rank))
        return found

    def named(self, key: str) -> str | None:
        """Give the canonical column that a name or synonym stands for, or None."""
        found = self.synonyms.get(plain_name(key))
        return found[0][0] if found else None

    def is_served_by(self, found: Sequence[RecognisedColumn]) -> bool:
        """Tell whether the columns found are enough to read the table."""
        names = {one.column for one in found}
        return any(names.issuperset(columns) for columns in self.needs)

    def column_error(self, wrong: str, expected: str, column: str) -> CovermapError:
        """Word an error that the right header for a column would mend."""
        if self.by_settings:
            way_out = "Name the right column with {0}."
            return self.error(wrong, expected, way_out, column_ask(column))
        way_out = f"Correct the column, or name the right header {column!r}."
        return self.error(wrong, expected, way_out)

    def unit_error(self, wrong: str, expected: str, column: str) -> CovermapError:
        """Word an error that the right unit for a column would mend."""
        if self.by_settings:
            way_out = "Say which it is with {0}."
            return SettingsError(wrong, expected, way_out, unit_ask(column))
        return self.error(wrong, expected, "Correct the header or convert the column.")


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


def plain_name(text: str) -> str:
    """Strip a header or unit to what it is matched by: no case, accents or separators.

    Parameters
    ----------
    text : str
        For instance ``"Ground_Speed [m s-1]"``.

    Returns
    -------
    str
        For instance ``"groundspeedms"``.
    """
    decomposed = unicodedata.normalize("NFKD", text.replace("ß", "ss")).lower()
    letters = "".join(c for c in decomposed if not unicodedata.combining(c))
    letters = re.sub(r"(?<=[a-z])\s*\^?-1(?![0-9])", "", letters)
    letters = re.sub(r"(?<![a-z])per(?![a-z])", "", letters)
    return re.sub(r"[\s_.:,\-()\[\]{}/^]", "", letters)


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
        if _column_for(name, kind) not in known:
            raise SettingsError(
                f"A unit was given for {name}, but no header stands for it; headers: "
                f"{', '.join(headers)}.",
                "",
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
        raise SettingsError(f"{key!r} is no column of a {kind.what}. Nearest: {shown}.")
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
            raise SettingsError(f"{column.name} has no unit; leave {said!r} out.")
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

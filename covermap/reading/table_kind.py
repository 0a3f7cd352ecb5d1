"""What a kind of table can hold and needs, and one such table as it stands in its file."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from covermap.errors import CovermapError, SettingsError, column_ask, unit_ask
from covermap.reading.file_bytes import FileKind
from covermap.tables import read_table
from covermap.tables.said import Said
from covermap.units import KINDS

#: Cells that say that there is nothing.
BLANK = ("", "na", "n/a", "nan", "nat", "null", "none", "-", "–", "missing", "lost")


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

    def no_columns(
        self, where: str, headers: Sequence[str], found: Sequence[RecognisedColumn]
    ) -> CovermapError:
        """Word the error for a table without the columns that it needs."""
        has = {one.column for one in found}
        columns = max(self.needs, key=lambda some: len(has & set(some)))
        lacks = " and ".join(dict.fromkeys(word for c, word in columns.items() if c not in has))
        shown = ", ".join(repr(header[:40]) for header in headers[:12])
        wrong = f"{where}: no header with {lacks} found, only {shown}."
        expected = f"Expected columns such as {self.headers}."
        if not self.by_settings:
            return self.error(wrong, expected, "Correct the header line.")
        asks = [column_ask(column) for column in self.needs[0]]
        named = " ".join(f"{{{i}}}" for i in range(len(asks)))
        return self.error(wrong, expected, f"Name yours with {named}.", *asks)


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


@dataclass(frozen=True)
class RawTable:
    """A table as it stands in the file: no unit converted, nothing judged.

    Attributes
    ----------
    name : str
        File name.
    kind : TableKind
        What it is to be.
    frame : pandas.DataFrame
        Cells of the recognised columns by header, one row per row of the file.
    source_row : numpy.ndarray
        Line or feature number of each row.
    recognised : tuple of RecognisedColumn
        Headers with a meaning.
    headers : tuple of str
        All headers.
    unreadable : tuple
        (source_row, reason, detail) of rows dropped already.
    notes : tuple of Said
        What was assumed.
    row_word : str
        ``line`` or ``feature``.
    decimal_comma : bool
        Numbers left as text use a decimal comma.
    header_line : int
        Line of the header, 0 where there is none.
    metadata : mapping of str to str
        Comment lines ``# key: value`` above the header.
    xy : numpy.ndarray, optional
        Positions from geometry, shape (rows, 2).
    crs : str, optional
        Coordinate reference system the file states.
    pass_number, part_number : numpy.ndarray, optional
        Running number of the line each row is a vertex of, 0 for points; number of that
        line within its feature, 0 if it is the only one.
    """

    name: str
    kind: TableKind
    frame: pd.DataFrame
    source_row: NDArray[np.int64]
    recognised: tuple[RecognisedColumn, ...]
    headers: tuple[str, ...]
    unreadable: tuple[tuple[int, str, str], ...]
    notes: tuple[Said, ...]
    row_word: str
    decimal_comma: bool = False
    header_line: int = 0
    metadata: Mapping[str, str] = field(default_factory=dict)
    xy: NDArray[np.float64] | None = None
    crs: str | None = None
    pass_number: NDArray[np.int64] | None = None
    part_number: NDArray[np.int64] | None = None

    def of(self, column: str) -> RecognisedColumn | None:
        """Give the header that stands for a column, or None."""
        return next((one for one in self.recognised if one.column == column), None)

    def where(self, one: RecognisedColumn, row: int | None = None) -> str:
        """Name file and column, and the line of a row, for messages."""
        line = "" if row is None else f", {self.row_word} {int(self.source_row[row])}"
        return f"{self.name}, column {one.header!r}{line}"

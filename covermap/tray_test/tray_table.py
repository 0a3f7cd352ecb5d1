"""The table of a tray test as it stands in the file: dialect, comments, header, rows."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from pathlib import Path

from covermap.errors import TrayError
from covermap.reading.file_bytes import read_small_text
from covermap.tray_test.tray_columns import TrayColumn, is_missing, number_of, recognise_trays

_DELIMITERS = ",;\t|"


@dataclass(frozen=True)
class TrayTable:
    """A tray test as it stands in the file.

    Attributes
    ----------
    name : str
        File name.
    columns : tuple of TrayColumn
        Columns with a meaning.
    rows : tuple
        (line number, cells) of each row below the header.
    metadata : dict of str to str
        Comment lines ``# key: value`` above the header.
    notes : list of str
        What was assumed so far.
    """

    name: str
    columns: tuple[TrayColumn, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    metadata: dict[str, str]
    notes: list[str]

    def of(self, meaning: str) -> TrayColumn | None:
        """Give the column with a meaning, or None."""
        return next((c for c in self.columns if c.meaning == meaning), None)

    def number(self, line: int, cells: tuple[str, ...], column: TrayColumn) -> float:
        """Read a number in SI; NaN for a blank."""
        text = cells[column.place]
        if is_missing(text):
            return math.nan
        value = number_of(text)
        if value is None or not math.isfinite(value):
            raise TrayError(
                f"{self.name}, line {line}, column {column.header!r}: {text[:40]!r} is not a "
                "number; correct it, or leave the cell blank if the tray was lost."
            )
        return value * column.factor


def read_tray_table(path: Path) -> TrayTable:
    """Read comments, header and rows.

    Raises
    ------
    TrayError
        If there is no header with positions and readings.
    """
    name = path.name
    lines = read_small_text(path, "tray test").splitlines()
    metadata: dict[str, str] = {}
    for place, line in enumerate(lines):
        text = line.strip().strip(";,\t|")
        if not text:
            continue
        comment = re.match(r"#+\s*([^:=]+?)\s*[:=]\s*(.*)", text)
        if comment:
            metadata[re.sub(r"[\s-]+", "_", comment[1].lower())] = comment[2].strip()
            continue
        found: tuple[TrayColumn, ...] = ()
        mark = ","
        for delimiter in _DELIMITERS:
            columns = recognise_trays(_cells(line.lstrip("#"), delimiter), name)
            if len(columns) > len(found):
                found, mark = columns, delimiter
        meanings = {c.meaning for c in found}
        if "position" in meanings and meanings & {"weight", "depth"}:
            return TrayTable(name, found, _rows(name, lines, place, mark), metadata, [])
        if not text.startswith("#"):
            seen = ", ".join(repr(c[:30]) for c in _cells(line, mark)[:8])
            raise TrayError(
                f"{name}, line {place + 1}: no header of a tray test, only {seen}; expected "
                "columns such as position (m) and weight (g), or run 1, run 2."
            )
    raise TrayError(f"{name} has no header; expected columns position (m) and weight (g).")


def _cells(line: str, delimiter: str) -> tuple[str, ...]:
    return tuple(cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), []))


def _rows(
    name: str, lines: list[str], header: int, delimiter: str
) -> tuple[tuple[int, tuple[str, ...]], ...]:
    width = len(_cells(lines[header].lstrip("#"), delimiter))
    rows = []
    for number, line in enumerate(lines[header + 1 :], header + 2):
        cells = _cells(line, delimiter)
        if line.lstrip().startswith("#") or not any(cells):
            continue
        if len(cells) > width and any(cells[width:]):
            raise TrayError(
                f"{name}, line {number}: {len(cells)} fields, but the header has {width}; "
                "a decimal comma needs semicolons or quotes."
            )
        rows.append((number, cells + ("",) * (width - len(cells))))
    return tuple(rows)

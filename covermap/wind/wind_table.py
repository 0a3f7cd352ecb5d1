"""A wind record as it stands in its text file: header found, cells split, nothing judged."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from covermap.errors import SettingsError, TrackError, WindError
from covermap.reading.columns import RecognisedColumn
from covermap.reading.file_bytes import SNIFFED_BYTES, encoding_of_text, read_rest
from covermap.reading.text_table import RawTrack, split_line
from covermap.units import unit_factor
from covermap.wind.wind_columns import WIND_COLUMNS, WindColumn, known_unit, recognise_wind

_DELIMITERS = (",", ";", "\t", "|")
_LINES_BEFORE_HEADER = 40
_ASKED_COLUMNS = {"wind_speed_m_s": "wind speed", "wind_from_deg": "wind direction"}


@dataclass(frozen=True)
class WindTable:
    """Cells of a wind record.

    Attributes
    ----------
    raw : RawTrack
        ``frame`` holds one text column per wind column found, by canonical name.
    columns : dict
        :class:`WindColumn` by canonical name.
    """

    raw: RawTrack
    columns: dict[str, WindColumn]


def in_wind_words(error: TrackError, name: str) -> WindError:
    """Word what the track's readers say for a wind file."""
    text = str(error).removeprefix(name)
    for word, other in (
        ("table of fixes", "table of readings"),
        ("one fix per line", "one reading per line"),
        ("Export the track", "Export the wind record"),
    ):
        text = text.replace(word, other)
    # The way out for tracks is an option; a wind file's headers are what a person can change.
    text = re.sub(
        r"[,;] name (?:the right|yours)[^=]*--column (\w+)=….?",
        r"; correct the column, or name the right header '\1'.",
        text,
    )
    return WindError(name + text)


def read_wind_table(
    path: Path, height_m: float, columns: Mapping[str, str], units: Mapping[str, str]
) -> WindTable:
    """Read a delimited text file with wind speed and direction.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    height_m : float
        Measuring height [m].
    columns, units : mapping of str to str
        See :func:`covermap.wind.wind_columns.recognise_wind`.

    Returns
    -------
    WindTable
        ``raw.source_row`` is the line number, the first line of the file being 1.

    Raises
    ------
    WindError
        If the file cannot be opened, is no text table, or lacks speed or direction.
    SettingsError
        If ``columns`` or ``units`` name something unknown.
    """
    name = path.name
    notes: list[str] = []
    lines = _lines(path, notes)
    header_line, delimiter, found = _find_header(lines, name, height_m, columns, units)
    headers = split_line(lines[header_line - 1].lstrip("#"), delimiter)
    first = header_line
    told = _units_below(lines, header_line, delimiter, found)
    if told:
        first += 1
        found = {c: _in_unit(one, told[c]) if c in told else one for c, one in found.items()}
    rows: list[list[str]] = []
    source_row: list[int] = []
    unreadable: list[tuple[int, str, str]] = []
    expected = len(headers)
    for number, line in enumerate(lines[first:], first + 1):
        if not line.strip() or line.startswith("#"):
            continue
        cells = _cells(line, delimiter)
        while len(cells) > expected and not cells[-1]:
            cells.pop()
        if len(cells) != expected:
            detail = f"{len(cells)} fields instead of {expected}"
            unreadable.append((number, "unreadable", detail))
            continue
        rows.append(cells)
        source_row.append(number)
    if unreadable and len(unreadable) >= len(rows):
        number, _, detail = unreadable[0]
        raise WindError(
            f"{name}, line {number}: {detail} as in the header of line {header_line}, and so in "
            "most lines. Expected one delimiter throughout, and numbers with a decimal comma in "
            "quotes or divided by semicolons; export the wind record again."
        )
    if not rows:
        raise WindError(
            f"{name} has a header in line {header_line} but no reading below it. Expected one "
            "reading per line; export the wind record again."
        )
    frame = pd.DataFrame(
        {c: pd.Series([row[one.place] for row in rows], dtype=object) for c, one in found.items()}
    )
    raw = RawTrack(
        frame=frame,
        source_row=np.array(source_row, dtype=np.int64),
        recognised=tuple(RecognisedColumn(c, c, o.unit, o.factor) for c, o in found.items()),
        headers=tuple(headers),
        unreadable=tuple(unreadable),
        notes=tuple(notes),
        row_word="line",
        decimal_comma=_has_decimal_comma(frame),
    )
    return WindTable(raw, found)


def _lines(path: Path, notes: list[str]) -> list[str]:
    name = path.name
    if path.is_dir():
        raise WindError(f"{path} is a folder. Give the wind file itself, a CSV.")
    try:
        with path.open("rb") as stream:
            sniffed = stream.read(SNIFFED_BYTES)
            encoding = encoding_of_text(sniffed, name)
            data = read_rest(stream, sniffed, name, is_utf16=encoding == "utf-16")
    except TrackError as error:
        raise in_wind_words(error, name) from error
    except FileNotFoundError as error:
        raise WindError(
            f"{path} does not exist. Give the wind file by its path, seen from the field file."
        ) from error
    except OSError as error:
        raise WindError(f"{path} cannot be read: {error.strerror}. Check its rights.") from error
    if encoding == "utf-8":
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError:
            encoding = "latin-1"
    if encoding != "utf-8":
        text = data.decode(encoding, "replace")
        if encoding == "latin-1":
            notes.append(f"{name} is not UTF-8; its letters were read as Latin-1.")
    # Not splitlines: it also breaks at letters that Latin-1 files of other origin hold.
    return re.split(r"\r\n|\n|\r", text.removeprefix("\ufeff"))


def _find_header(
    lines: list[str],
    name: str,
    height_m: float,
    columns: Mapping[str, str],
    units: Mapping[str, str],
) -> tuple[int, str, dict[str, WindColumn]]:
    troubles: list[tuple[int, WindError | SettingsError]] = []
    nearest: tuple[int, list[str], dict[str, WindColumn]] | None = None
    for number, line in enumerate(lines[:_LINES_BEFORE_HEADER], 1):
        for delimiter in sorted(_DELIMITERS, key=line.count, reverse=True):
            headers = _cells(line.lstrip("#"), delimiter) if delimiter in line else []
            if len(headers) < 2:
                continue
            try:
                found = recognise_wind(headers, height_m, columns, units, f"{name}, line {number}")
            except (WindError, SettingsError) as error:
                # Lines before the header fail as well; only if none fits is it trouble.
                troubles.append((len(headers), error))
                continue
            if set(_ASKED_COLUMNS) <= set(found):
                return number, delimiter, found
            if nearest is None or len(found) > len(nearest[2]):
                nearest = number, headers, found
    if troubles:
        raise max(troubles, key=lambda one: one[0])[1]
    raise _no_wind_columns(name, lines, nearest)


def _no_wind_columns(
    name: str, lines: list[str], nearest: tuple[int, list[str], dict[str, WindColumn]] | None
) -> WindError:
    first = next((i for i, line in enumerate(lines, 1) if line.strip()), 1)
    number, headers, found = nearest or (first, [lines[first - 1].strip()], {})
    missing = " and ".join(word for c, word in _ASKED_COLUMNS.items() if c not in found)
    shown = ", ".join(repr(header[:40]) for header in headers[:12])
    return WindError(
        f"{name}, line {number}: no column of {missing} found, only {shown}. Expected headers "
        "such as 'time', 'wind speed (m/s)' and 'wind direction (deg)'; correct the header line."
    )


def _cells(line: str, delimiter: str) -> list[str]:
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    try:
        return split_line(line, delimiter)
    except csv.Error:
        return []


def _units_below(
    lines: list[str], header_line: int, delimiter: str, found: Mapping[str, WindColumn]
) -> dict[str, str]:
    """Read a row of units below the header; empty if that row is no such row."""
    cells = _cells(lines[header_line], delimiter) if header_line < len(lines) else []
    if any(cell[:1].isdigit() for cell in cells):
        return {}
    told: dict[str, str] = {}
    for column, one in found.items():
        unit = cells[one.place].strip("()[] ") if one.place < len(cells) else ""
        known = known_unit(unit, column) if unit and WIND_COLUMNS[column] else None
        if known is not None:
            told[column] = known
    return told


def _in_unit(one: WindColumn, unit: str) -> WindColumn:
    factor = unit_factor(unit, WIND_COLUMNS[one.column])
    return replace(one, unit=unit, factor=factor or 1.0, unit_told=True)


def _has_decimal_comma(frame: pd.DataFrame) -> bool:
    """Tell whether more numbers carry a comma than a point."""
    numbers = [c for c in frame if WIND_COLUMNS[str(c)]]
    cells = pd.concat([frame[c].iloc[:500] for c in numbers])
    commas = cells.str.fullmatch(r"[+-]?\d*,\d+").sum()
    return bool(commas > cells.str.fullmatch(r"[+-]?\d*\.\d+").sum())

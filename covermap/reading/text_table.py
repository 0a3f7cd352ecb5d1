"""Text tables as people export them: delimiter, decimal sign, encoding, broken rows.

The first megabyte decides whether a file is a track at all; only then is the rest read.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from covermap.errors import SettingsError, TrackError
from covermap.reading.columns import TRACK_COLUMNS, RecognisedColumn, column_named, recognise
from covermap.reading.file_bytes import SNIFFED_BYTES, encoding_of_text, read_rest
from covermap.reading.table_cells import read_cells
from covermap.reading.table_lines import count_fields, text_of_lines
from covermap.units import KINDS, unit_factor

_DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_LINES_BEFORE_HEADER = 20
_PAIRS = (("longitude", "latitude"), ("easting", "northing"))


@dataclass(frozen=True)
class RawTrack:
    """A track as it stands in the file: no unit converted, no position checked.

    Attributes
    ----------
    frame : pandas.DataFrame
        One row per fix, columns by header.
    source_row : numpy.ndarray
        Line or feature number of each row.
    recognised : tuple of RecognisedColumn
        Headers with a meaning.
    headers : tuple of str
        All headers.
    unreadable : tuple
        (source_row, reason, detail) of rows dropped already.
    notes : tuple of str
        What was assumed.
    row_word : str
        ``line`` or ``feature``.
    decimal_comma : bool
        Numbers left as text use a decimal comma.
    xy : numpy.ndarray, optional
        Positions from geometry, shape (rows, 2).
    crs : str, optional
        Coordinate reference system the file states.
    pass_number, part_number : numpy.ndarray, optional
        Running number of the line each fix is a vertex of, 0 for points; number of that
        line within its feature, 0 if it is the only one.
    """

    frame: pd.DataFrame
    source_row: NDArray[np.int64]
    recognised: tuple[RecognisedColumn, ...]
    headers: tuple[str, ...]
    unreadable: tuple[tuple[int, str, str], ...]
    notes: tuple[str, ...]
    row_word: str
    decimal_comma: bool = False
    xy: NDArray[np.float64] | None = None
    crs: str | None = None
    pass_number: NDArray[np.int64] | None = None
    part_number: NDArray[np.int64] | None = None


@dataclass(frozen=True)
class _Dialect:
    delimiter: str
    headers: tuple[str, ...]
    header_line: int
    recognised: tuple[RecognisedColumn, ...]


def read_text_track(
    path: Path,
    columns: Mapping[str, str],
    units: Mapping[str, str],
    kg_per_bushel: float | None,
) -> RawTrack:
    """Read a delimited text table.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    columns, units : mapping of str to str
        What the person said, see :func:`covermap.reading.columns.recognise`.
    kg_per_bushel : float or None
        Bushel weight of the crop [kg].

    Returns
    -------
    RawTrack
        ``source_row`` is the line number, the first line of the file being 1.

    Raises
    ------
    TrackError
        If the file is no text table with a header and coordinate columns.
    SettingsError
        If an override names an unknown column, header or unit.
    """
    name = path.name
    with path.open("rb") as stream:
        sniffed = stream.read(SNIFFED_BYTES)
        encoding = encoding_of_text(sniffed, name)
        start = _decode(sniffed, encoding)
        dialect = _find_dialect(start, name, columns, units, kg_per_bushel)
        data = read_rest(stream, sniffed, name, is_utf16=encoding == "utf-16")
    notes: list[str] = []
    if encoding == "latin-1" or (encoding == "utf-8" and not _is_utf8(data)):
        encoding = "latin-1"
        notes.append(f"{name} is not UTF-8; its letters were read as Latin-1.")
    elif encoding == "utf-16":
        data, encoding = data.decode("utf-16", "replace").encode(), "utf-8"
    return _read_rows(data, encoding, dialect, name, notes)


def _decode(data: bytes, encoding: str) -> str:
    return data.decode(encoding, "replace").removeprefix("\ufeff")


def _is_utf8(data: bytes) -> bool:
    if data.isascii():
        return True
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def split_line(line: str, delimiter: str) -> list[str]:
    """Split one line into stripped fields, minding quotes."""
    fields = next(csv.reader([line], delimiter=delimiter), [])
    return [field.strip() for field in fields]


def _find_dialect(
    start: str,
    name: str,
    columns: Mapping[str, str],
    units: Mapping[str, str],
    kg_per_bushel: float | None,
) -> _Dialect:
    lines = start.splitlines()[:_LINES_BEFORE_HEADER]
    trouble: SettingsError | None = None
    for number, line in enumerate(lines, 1):
        if not line.strip() or len(line) > SNIFFED_BYTES // 8:
            continue
        best: _Dialect | None = None
        for delimiter in _DELIMITERS:
            if delimiter not in line:
                continue
            headers = tuple(split_line(line.lstrip("#"), delimiter))
            try:
                found = tuple(recognise(headers, columns, units, kg_per_bushel))
            except SettingsError as error:
                # A line before the header fails as well; the first real table is meant.
                if trouble is None or len(headers) > 2:
                    trouble = trouble or error
                continue
            if best is None or len(found) > len(best.recognised):
                best = _Dialect(delimiter, headers, number, found)
        if best is not None and _has_position(best.recognised):
            below = lines[number] if number < len(lines) else ""
            told = _units_in_row(split_line(below, best.delimiter), best)
            if told is None:
                return best
            found = tuple(
                recognise(best.headers, columns, {**told, **_by_column(units)}, kg_per_bushel)
            )
            return _Dialect(best.delimiter, best.headers, number + 1, found)
    if trouble is not None:
        raise trouble
    first = next(line for line in lines if line.strip())
    delimiter = max(_DELIMITERS, key=first.count)
    headers = tuple(split_line(first[:2000], delimiter))
    raise no_position_columns(name, headers)


def _by_column(units: Mapping[str, str]) -> dict[str, str]:
    return {column_named(key) or key: unit for key, unit in units.items()}


def _units_in_row(cells: list[str], dialect: _Dialect) -> dict[str, str] | None:
    """Read a row of units below the header; None if that row is no such row."""
    if len(cells) != len(dialect.headers) or any(c.isdigit() for cell in cells for c in cell[:1]):
        return None
    told: dict[str, str] = {}
    for one in dialect.recognised:
        kind = TRACK_COLUMNS[one.column].kind
        unit = cells[dialect.headers.index(one.header)].strip("()[] ")
        # A weight of one is enough to know a unit in bushels as such.
        if kind in KINDS and unit and unit_factor(unit, kind, 1.0) is not None:
            told[one.column] = unit
    return told or None


def _has_position(recognised: tuple[RecognisedColumn, ...]) -> bool:
    names = {one.column for one in recognised}
    return any(names.issuperset(pair) for pair in _PAIRS)


def no_position_columns(name: str, headers: tuple[str, ...]) -> TrackError:
    """Word the error for a file without coordinates."""
    shown = ", ".join(repr(header[:40]) for header in headers[:12])
    return TrackError(
        f"{name}, line 1: no header with coordinates found, only {shown}. Expected columns "
        "longitude and latitude, or easting and northing; name yours with "
        "--column longitude=… --column latitude=…."
    )


def _read_rows(
    data: bytes, encoding: str, dialect: _Dialect, name: str, notes: list[str]
) -> RawTrack:
    data = data.removeprefix(b"\xef\xbb\xbf")
    if b"\n" not in data:
        data = data.replace(b"\r", b"\n")
    if not data.endswith(b"\n"):
        data += b"\n"
    octets = np.frombuffer(data, dtype=np.uint8)
    ends = np.flatnonzero(octets == ord("\n"))
    starts = np.concatenate(([0], ends[:-1] + 1))
    fields, open_quote, blank = count_fields(octets, starts, ends, dialect.delimiter)
    lines = np.arange(1, len(starts) + 1)
    body = lines > dialect.header_line
    rows = body & ~blank
    if not rows.any():
        raise TrackError(
            f"{name} has a header in line {dialect.header_line} but no fix below it. "
            "Export the track again; expected one fix per line."
        )
    headers = list(dialect.headers)
    literal_quotes = bool(np.mean(open_quote[rows]) > 0.5)
    if literal_quotes:
        fields = count_fields(octets, starts, ends, dialect.delimiter, minding_quotes=False)[0]
        open_quote = np.zeros_like(open_quote)
    expected = len(headers)
    if np.mean(fields[rows] == expected + 1) > 0.5 and _ends_with_delimiter(
        octets, ends[rows], dialect.delimiter
    ):
        headers.append("")
        expected += 1
    wrong = rows & ((fields != expected) | open_quote)
    if np.mean(wrong[rows]) > 0.5:
        line = int(lines[wrong][0])
        raise TrackError(
            f"{name}, line {line}: {int(fields[line - 1])} fields, but the header in line "
            f"{dialect.header_line} has {expected}, and most lines differ. Expected fields "
            f"divided by {_DELIMITERS[dialect.delimiter]}; export the track again."
        )
    unreadable = tuple(
        (int(line), "wrong number of fields", f"{int(fields[line - 1])} instead of {expected}")
        if not open_quote[line - 1]
        else (int(line), "quote not closed", "a quotation mark has no partner")
        for line in lines[wrong]
    )
    good = rows & ~wrong
    text = text_of_lines(data, starts, ends, good)
    sample = text.read(1 << 16)
    text.seek(-len(sample), io.SEEK_CUR)
    decimal_comma = _has_decimal_comma(sample, encoding, dialect.delimiter)
    columns = {one.column: headers.index(one.header) for one in dialect.recognised}
    frame = read_cells(
        text,
        columns.get("time"),
        sep=dialect.delimiter,
        header=None,
        names=list(range(len(headers))),
        dtype=_text_columns(headers, dialect.recognised),
        usecols=list(columns.values()),
        decimal="," if decimal_comma else ".",
        encoding=encoding,
        encoding_errors="replace",
        quoting=csv.QUOTE_NONE if literal_quotes else csv.QUOTE_MINIMAL,
        skipinitialspace=True,
        low_memory=False,
        skip_blank_lines=False,
    )
    frame.columns = pd.Index([headers[int(place)] for place in frame.columns])
    return RawTrack(
        frame=frame,
        source_row=lines[good].astype(np.int64),
        recognised=dialect.recognised,
        headers=tuple(header for header in headers if header),
        unreadable=unreadable,
        notes=tuple(notes),
        row_word="line",
        decimal_comma=decimal_comma,
    )


def _ends_with_delimiter(
    octets: NDArray[np.uint8], ends: NDArray[np.int64], delimiter: str
) -> bool:
    last = octets[np.maximum(ends - 1, 0)]
    last = np.where(last == ord("\r"), octets[np.maximum(ends - 2, 0)], last)
    return bool(np.mean(last == ord(delimiter)) > 0.5)


def _has_decimal_comma(text: bytes, encoding: str, delimiter: str) -> bool:
    lines = text.decode(encoding, "replace").splitlines()[:200]
    cells = pd.Series(
        [cell for row in csv.reader(lines, delimiter=delimiter) for cell in row], dtype="object"
    ).str.strip()
    commas = cells.str.fullmatch(r"[+-]?\d*,\d+").sum()
    points = cells.str.fullmatch(r"[+-]?\d*\.\d+").sum()
    return bool(commas > points)


def _text_columns(
    headers: list[str], recognised: tuple[RecognisedColumn, ...]
) -> dict[int, type[str]]:
    return {
        headers.index(one.header): str
        for one in recognised
        if TRACK_COLUMNS[one.column].kind not in KINDS
    }

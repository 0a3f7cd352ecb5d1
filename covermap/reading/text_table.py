"""Text tables as people export them: delimiter, decimal sign, encoding, broken rows.

The first megabyte decides whether a file is the table at all; only then is the rest read.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from covermap.errors import CovermapError
from covermap.reading.columns import recognise, units_by_plain_name
from covermap.reading.file_bytes import (
    SNIFFED_BYTES,
    decoded,
    encoding_of_text,
    read_rest,
    told_if_unreadable,
)
from covermap.reading.table_cells import read_cells
from covermap.reading.table_kind import (
    Overrides,
    RawTable,
    RecognisedColumn,
    TableKind,
    plain_name,
)
from covermap.reading.table_lines import count_fields, text_of_lines, with_lines_mended
from covermap.units import KINDS

_DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_LINES_BEFORE_HEADER = 40
_COMMENT = re.compile(r"#+\s*([^:=]+?)\s*[:=]\s*(.*)")


@dataclass(frozen=True)
class _Dialect:
    delimiter: str
    headers: tuple[str, ...]
    header_line: int
    last_line: int
    recognised: tuple[RecognisedColumn, ...]
    metadata: Mapping[str, str] = field(default_factory=dict)


def read_text_table(path: Path, kind: TableKind, overrides: Overrides | None = None) -> RawTable:
    """Read a delimited text table.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    kind : TableKind
        What it is to be.
    overrides : Overrides, optional
        What the person said of its headers and units.

    Returns
    -------
    RawTable
        ``source_row`` is the line number, the first line of the file being 1.

    Raises
    ------
    CovermapError
        The kind's, if the file cannot be opened, is no text table or lacks what it needs.
    SettingsError
        If an override names an unknown column, header or unit.
    """
    name = path.name
    with told_if_unreadable(path, kind), path.open("rb") as stream:
        sniffed = stream.read(SNIFFED_BYTES)
        encoding = encoding_of_text(sniffed, name, kind)
        dialect = _find_dialect(decoded(sniffed, encoding), name, kind, overrides or Overrides())
        data = read_rest(stream, sniffed, name, kind, is_utf16=encoding == "utf-16")
    if kind.by_hand and len(data) > SNIFFED_BYTES:
        raise kind.error(f"{name} is larger than a megabyte and so is no {kind.what}.")
    notes: list[str] = []
    if encoding == "latin-1" or (encoding == "utf-8" and not _is_utf8(data)):
        encoding = "latin-1"
        notes.append(f"{name} is not UTF-8; its letters were read as Latin-1.")
    elif encoding == "utf-16":
        data, encoding = data.decode("utf-16", "replace").encode(), "utf-8"
    return _read_rows(data, encoding, dialect, name, kind, notes)


def _is_utf8(data: bytes) -> bool:
    if data.isascii():
        return True
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _split_line(line: str, delimiter: str) -> list[str]:
    """Split one line into stripped fields, minding quotes."""
    try:
        fields = next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return []
    return [field.strip() for field in fields]


def _lines_of(text: str) -> list[str]:
    """Give the lines that may be the header; other breaks are letters in old code pages."""
    lines = text.split("\n" if "\n" in text else "\r", _LINES_BEFORE_HEADER + 1)
    return [line.rstrip("\r") for line in lines[: _LINES_BEFORE_HEADER + 1]]


def _find_dialect(start: str, name: str, kind: TableKind, overrides: Overrides) -> _Dialect:
    lines = _lines_of(start)
    trouble: tuple[int, CovermapError] | None = None
    nearest: _Dialect | None = None
    for number, line in enumerate(lines[:_LINES_BEFORE_HEADER], 1):
        if not line.strip() or len(line) > SNIFFED_BYTES // 8:
            continue
        best: _Dialect | None = None
        for delimiter in _DELIMITERS:
            headers = tuple(_split_line(line.lstrip("#"), delimiter)) if delimiter in line else ()
            if not headers:
                continue
            try:
                found = tuple(recognise(headers, kind, overrides, f"{name}, line {number}"))
            except CovermapError as error:
                # A line before the header fails as well; only if none fits is it trouble.
                if trouble is None or len(headers) > trouble[0]:
                    trouble = len(headers), error
                continue
            if best is None or len(found) > len(best.recognised):
                best = _Dialect(delimiter, headers, number, number, found)
        if best is not None and kind.is_served_by(best.recognised):
            below = lines[number] if number < len(lines) else ""
            best = _with_units_below(best, below, f"{name}, line {number}", kind, overrides)
            return replace(best, metadata=_metadata(lines[: number - 1]))
        if best is not None and len(best.recognised) > (len(nearest.recognised) if nearest else 0):
            nearest = best
    if trouble is not None:
        raise trouble[1]
    raise _no_header(name, lines, nearest, kind)


def _metadata(lines: list[str]) -> dict[str, str]:
    comments = (_COMMENT.match(line.strip().strip(";,\t|")) for line in lines)
    return {re.sub(r"[\s-]+", "_", c[1].lower()): c[2].strip() for c in comments if c}


def _with_units_below(
    dialect: _Dialect, below: str, where: str, kind: TableKind, overrides: Overrides
) -> _Dialect:
    """Take the units from a row of units below the header, if there is one."""
    cells = [cell.strip("()[] ") for cell in _split_line(below, dialect.delimiter)]
    if len(cells) != len(dialect.headers) or any(cell[:1].isdigit() for cell in cells):
        return dialect
    of_header = dict(zip(dialect.headers, cells, strict=True))
    if not any(
        plain_name(of_header[one.header]) in units_by_plain_name(some)
        for one in dialect.recognised
        for some in KINDS
        if kind.columns[one.column].is_number
    ):
        return dialect
    found = tuple(recognise(dialect.headers, kind, overrides, where, cells))
    return replace(dialect, last_line=dialect.header_line + 1, recognised=found)


def _no_header(
    name: str, lines: list[str], nearest: _Dialect | None, kind: TableKind
) -> CovermapError:
    number = next(i for i, line in enumerate(lines, 1) if line.strip())
    headers = _split_line(
        lines[number - 1][:2000], max(_DELIMITERS, key=lines[number - 1][:2000].count)
    )
    found: tuple[RecognisedColumn, ...] = ()
    if nearest is not None:
        number, headers, found = nearest.header_line, list(nearest.headers), nearest.recognised
    return kind.no_columns(f"{name}, line {number}", headers, found)


def _read_rows(
    data: bytes, encoding: str, dialect: _Dialect, name: str, kind: TableKind, notes: list[str]
) -> RawTable:
    data = data.removeprefix(b"\xef\xbb\xbf")
    if b"\n" not in data:
        data = data.replace(b"\r", b"\n")
    elif b"\r" in data and data.count(b"\r") != data.count(b"\r\n"):
        # One within a line would be a line of its own to pandas.
        data = re.sub(rb"\r(?!\n)", b" ", data)
    if not data.endswith(b"\n"):
        data += b"\n"
    delimiter, headers = dialect.delimiter, list(dialect.headers)
    octets, starts, ends = _line_places(data)
    fields, open_quote, blank = count_fields(octets, starts, ends, delimiter)
    lines = np.arange(1, len(starts) + 1)
    rows = (lines > dialect.last_line) & ~blank & (octets[starts] != ord("#"))
    if kind.by_hand:
        empty = (delimiter + ' "\t\r').encode()
        written = [bool(data[starts[i] : ends[i]].strip(empty)) for i in np.flatnonzero(rows)]
        rows[rows] = written
    if not rows.any():
        raise kind.error(
            f"{name} has a header in line {dialect.header_line} but no {kind.row} below it.",
            f"Expected {kind.form}.",
            f"Export the {kind.what} again.",
        )
    literal_quotes = bool(np.mean(open_quote[rows]) > 0.5)
    if literal_quotes:
        fields = count_fields(octets, starts, ends, delimiter, minding_quotes=False)[0]
        open_quote = np.zeros_like(open_quote)
    expected = len(headers)
    ends_blank = _ends_with_delimiter(octets, ends, delimiter)
    if np.mean((fields[rows] == expected + 1) & ends_blank[rows]) > 0.5:
        headers.append("")
        expected += 1
    wrong = rows & ((fields != expected) | open_quote)
    longer = wrong & ends_blank & (fields > expected)
    shorter = wrong & (fields < expected) & kind.short_rows
    mendable = np.flatnonzero((longer | shorter) & ~open_quote)
    if len(mendable):
        data, mended = with_lines_mended(data, starts, ends, mendable, fields, expected, delimiter)
        octets, starts, ends = _line_places(data)
        wrong[mended] = False
    if (kind.by_hand and wrong.any()) or np.mean(wrong[rows]) > 0.5:
        raise _broken_rows(name, lines, wrong, fields, open_quote, dialect, kind)
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
    places = {one: headers.index(one.header) for one in dialect.recognised}
    numbers = [place for one, place in places.items() if kind.columns[one.column].is_number]
    decimal_comma = _has_decimal_comma(sample, encoding, delimiter, numbers)
    frame = read_cells(
        text,
        next((place for one, place in places.items() if one.column == "time"), None),
        sep=delimiter,
        header=None,
        names=list(range(len(headers))),
        dtype={place: str for place in places.values() if place not in numbers},
        usecols=list(places.values()),
        decimal="," if decimal_comma else ".",
        encoding=encoding,
        encoding_errors="replace",
        quoting=csv.QUOTE_NONE if literal_quotes else csv.QUOTE_MINIMAL,
        skipinitialspace=True,
        low_memory=False,
        skip_blank_lines=False,
    )
    frame.columns = pd.Index([headers[int(place)] for place in frame.columns])
    return RawTable(
        name=name,
        kind=kind,
        frame=frame,
        source_row=lines[good].astype(np.int64),
        recognised=dialect.recognised,
        headers=tuple(header for header in headers if header),
        unreadable=unreadable,
        notes=tuple(notes),
        row_word="line",
        decimal_comma=decimal_comma,
        header_line=dialect.header_line,
        metadata=dialect.metadata,
    )


def _line_places(
    data: bytes,
) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64]]:
    octets = np.frombuffer(data, dtype=np.uint8)
    ends = np.flatnonzero(octets == ord("\n"))
    return octets, np.concatenate(([0], ends[:-1] + 1)), ends


def _broken_rows(
    name: str,
    lines: NDArray[np.int64],
    wrong: NDArray[np.bool_],
    fields: NDArray[np.int64],
    open_quote: NDArray[np.bool_],
    dialect: _Dialect,
    kind: TableKind,
) -> CovermapError:
    line = int(lines[wrong][0])
    most = "" if kind.by_hand else ", and most lines differ"
    what = f"{int(fields[line - 1])} fields, but the header in line {dialect.header_line} has "
    what += f"{len(dialect.headers)}{most}"
    if open_quote[line - 1]:
        what = "a quotation mark has no partner"
    return kind.error(
        f"{name}, line {line}: {what}.",
        f"Expected fields divided by {_DELIMITERS[dialect.delimiter]}; a decimal comma needs "
        "quotes around the number, or fields divided by semicolons.",
        f"Correct the {kind.what} or export it again.",
    )


def _ends_with_delimiter(
    octets: NDArray[np.uint8], ends: NDArray[np.int64], delimiter: str
) -> NDArray[np.bool_]:
    last = octets[np.maximum(ends - 1, 0)]
    last = np.where(last == ord("\r"), octets[np.maximum(ends - 2, 0)], last)
    return np.asarray(last == ord(delimiter))


def _has_decimal_comma(text: bytes, encoding: str, delimiter: str, places: list[int]) -> bool:
    """Tell whether more numbers carry a comma than a point."""
    lines = text.decode(encoding, "replace").splitlines()[:200]
    rows = csv.reader(lines, delimiter=delimiter)
    cells = pd.Series(
        [row[place] for row in rows for place in places if place < len(row)], dtype="object"
    ).str.strip()
    commas = cells.str.fullmatch(r"[+-]?\d*,\d+").sum()
    points = cells.str.fullmatch(r"[+-]?\d*\.\d+").sum()
    return bool(commas > points)

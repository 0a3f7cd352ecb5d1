"""A harvest track as people really have it, read into one table of fixes in SI units.

Nothing is sorted here: rows without a usable position are set aside with their reason and
their grain, columns that cannot mean what their header says are mended or refused, and
every assumption becomes a note. Cleaning comes after.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import NoReturn

import numpy as np
import pandas as pd
import pyproj
from numpy.typing import NDArray

from covermap.errors import Ask, SettingsError, TrackError
from covermap.harvest.plausible import mend_columns
from covermap.harvest.readings import grain_of_lost_rows
from covermap.harvest.track import TRACK, TRACK_COLUMNS, Track
from covermap.harvest.track_position import Positions, crs_from_text, place
from covermap.harvest.track_sections import merge_sections
from covermap.reading.column_values import read_flags, read_numbers, read_texts, stripped
from covermap.reading.columns import has_obvious_unit
from covermap.reading.file_bytes import told_if_unreadable
from covermap.reading.table_kind import Overrides, RawTable, RecognisedColumn
from covermap.reading.text_table import read_text_table
from covermap.reading.times import read_times
from covermap.reading.vector_file import is_json, read_vector_table
from covermap.tables.said import Said

_TEXT_ENDINGS = ("", ".csv", ".txt", ".tsv", ".tab", ".dat", ".asc", ".log")
_WORKBOOK_ENDINGS = (".xlsx", ".xlsm", ".xls", ".ods")
_POSITION_COLUMNS = ("longitude", "latitude", "easting", "northing")
_DEGREES_AND_MINUTES = re.compile(
    r"[NSEWO]?\s*[+-]?\d{1,3}\s*(?:[°º:d]|deg|\s)\s*\d{1,2}(?:[.,]\d+)?\s*(?:['′’m:\s].*)?[NSEWO]?",
    re.IGNORECASE,
)


def read_track(
    path: Path,
    *,
    crs: str | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    kg_per_bushel: float | None = None,
) -> Track:
    """Read a harvest track from a text table or a vector file.

    Parameters
    ----------
    path : pathlib.Path
        CSV or other delimited text, GeoJSON, GeoPackage, Shapefile.
    crs : str, optional
        Coordinate reference system of the positions, e.g. ``EPSG:32615``; overrides what
        the file says. Degrees without one are WGS 84.
    columns : mapping of str to str, optional
        Canonical name or short alias to the header of the file.
    units : mapping of str to str, optional
        Canonical name or short alias to the unit of the numbers.
    kg_per_bushel : float, optional
        Bushel weight of the crop [kg], for columns in bushels.

    Returns
    -------
    Track
        Fixes in file order; numbers are float64 in SI units, NaN where empty.

    Raises
    ------
    TrackError
        If the file cannot be read, or holds no usable positions or several fields.
    SettingsError
        If ``crs``, ``columns`` or ``units`` name something unknown.
    """
    path = Path(path)
    named_crs = None if crs is None else crs_from_text(crs)
    raw = _read_raw(path, Overrides(columns or {}, units or {}, kg_per_bushel))
    notes = [*raw.notes, *_notes_on_headers(raw)]
    positions = _positions(raw, named_crs, path.name, notes)
    usable = positions.reason == ""
    fixes = pd.DataFrame(
        {
            "source_row": raw.source_row,
            "easting": positions.easting,
            "northing": positions.northing,
        }
    )
    time, date = raw.of("time"), raw.of("date")
    times, time_notes = read_times(
        raw,
        None if time is None else raw.frame[time.header],
        None if date is None else raw.frame[date.header],
        time,
    )
    notes += time_notes
    if times is not None:
        fixes["time"] = times
    for one in raw.recognised:
        if one.column in (*_POSITION_COLUMNS, "time", "date"):
            continue
        fixes[one.column] = _read_column(raw, one, notes)
    _number_passes(raw, fixes, notes)
    order = ["source_row", "easting", "northing", *TRACK_COLUMNS]
    fixes = fixes[[name for name in dict.fromkeys(order) if name in fixes]]
    headers = {one.column: one.header for one in raw.recognised}
    said = [Said("track-as-read", {"text": text}) for text in notes]
    fixes = mend_columns(fixes, headers, path.name, said)
    grain_kg = grain_of_lost_rows(fixes, ~usable, times is not None)
    if not usable.all():
        fixes = fixes[usable].reset_index(drop=True)
    fixes, section_notes = merge_sections(fixes)
    known = {one.header for one in raw.recognised}
    return Track(
        fixes=fixes,
        crs=positions.crs,
        source=path.name,
        recognised=raw.recognised,
        ignored=tuple(header for header in raw.headers if header not in known),
        unreadable=_unreadable(raw, positions, grain_kg),
        notes=(*said, *section_notes),
        has_time=times is not None,
    )


def _read_raw(path: Path, overrides: Overrides) -> RawTable:
    ending = path.suffix.lower()
    with told_if_unreadable(path, TRACK):
        is_text = ending in _TEXT_ENDINGS and not is_json(path)
    if is_text:
        return read_text_table(path, TRACK, overrides)
    if ending in _WORKBOOK_ENDINGS and path.is_file():
        raise TrackError(
            f"{path.name} is a spreadsheet workbook.",
            way_out="Save the sheet as CSV and give that.",
        )
    return read_vector_table(path, TRACK, overrides)


def _notes_on_headers(raw: RawTable) -> list[str]:
    notes: list[str] = []
    unknown = [
        f"{one.header!r} as {one.unit}"
        for one in raw.recognised
        # Units of a projection belong to the CRS, whatever the header says.
        if not (one.unit_told or one.column in ("easting", "northing"))
        and not has_obvious_unit(TRACK_COLUMNS[one.column].kind)
    ]
    if unknown:
        notes.append(
            f"No unit could be told from the headers; taken: {', '.join(unknown)}. "
            "Say otherwise in [units] of a field file."
        )
    converted = [
        f"{one.header!r} from {one.unit}"
        for one in raw.recognised
        if one.factor != 1.0 and one.column not in _POSITION_COLUMNS
    ]
    if converted:
        notes.append(f"Converted to SI units: {', '.join(converted)}.")
    used = {one.column: one.header for one in raw.recognised}
    notes += [
        f"Header {header!r} stands more than once; its first column was read."
        for header in used.values()
        if raw.headers.count(header) > 1
    ]
    for header in raw.headers:
        column = TRACK.named(header)
        if column in used and header not in used.values():
            notes.append(f"Column {header!r} was left out: {used[column]!r} is read as {column}.")
    return notes


def _positions(
    raw: RawTable, named_crs: pyproj.CRS | None, name: str, notes: list[str]
) -> Positions:
    by_column = {one.column: one for one in raw.recognised}
    working = None
    if raw.xy is not None:
        x, y = raw.xy[:, 0], raw.xy[:, 1]
        labels = ("the first coordinate", "the second coordinate")
        crs = named_crs or _crs_of_file(raw.crs, name)
        if crs is None:
            if np.nanmedian(np.abs(x)) > 180 or np.nanmedian(np.abs(y)) > 90:
                _ask_for_crs(name, "no coordinate reference system in the file")
            crs = pyproj.CRS.from_epsg(4326)
            notes.append(f"{name} names no coordinate reference system; degrees, WGS 84 taken.")
    else:
        metric = {"easting", "northing"} <= by_column.keys()
        degrees = {"longitude", "latitude"} <= by_column.keys()
        projected_given = named_crs is not None and named_crs.is_projected
        if not metric and not degrees:
            raise TRACK.no_columns(name, raw.headers, raw.recognised)
        use_metric = metric and (projected_given or not degrees)
        pair = ("easting", "northing") if use_metric else ("longitude", "latitude")
        first, second = by_column[pair[0]], by_column[pair[1]]
        labels = (first.header, second.header)
        for one in (first, second):
            _refuse_degrees_and_minutes(raw, one)
        x, y = (read_numbers(raw, one, [], majority=False) for one in (first, second))
        if use_metric:
            # Units of a projection belong to the CRS, whatever the header says.
            x, y = x / first.factor, y / second.factor
            if named_crs is None:
                _ask_for_crs(name, f"columns {labels[0]!r} and {labels[1]!r}")
            crs = named_crs
        elif named_crs is not None and named_crs.is_projected and _are_degrees(x, y):
            crs, working = pyproj.CRS.from_epsg(4326), named_crs
            notes.append(f"Degrees taken as WGS 84 and transformed to {named_crs.name}.")
        else:
            crs = named_crs or pyproj.CRS.from_epsg(4326)
    positions = place(x, y, crs, name, labels, working)
    notes.extend(positions.notes)
    return positions


def _crs_of_file(text: str | None, name: str) -> pyproj.CRS | None:
    try:
        return crs_from_text(text) if text else None
    except SettingsError:
        raise TrackError(
            f"{name} states an unknown coordinate reference system ({str(text)[:60]!r}).",
            "",
            "Give the right one, e.g. {0}.",
            Ask("field.crs", "EPSG:4326"),
        ) from None


def _are_degrees(x: NDArray[np.float64], y: NDArray[np.float64]) -> bool:
    present = np.isfinite(x) & np.isfinite(y)
    return bool(np.mean((np.abs(x[present]) <= 180) & (np.abs(y[present]) <= 90)) > 0.5)


def _ask_for_crs(name: str, what: str) -> NoReturn:
    raise TrackError(
        f"{name}: {what}, but which coordinate reference system is it?",
        "",
        "Give it, e.g. {0}, or {1} for degrees.",
        Ask("field.crs", "EPSG:32615"),
        Ask("field.crs", "EPSG:4326"),
    )


def _refuse_degrees_and_minutes(raw: RawTable, one: RecognisedColumn) -> None:
    """Raise if more than half of the filled cells of a position read like ``10°30.5'E``."""
    cells = raw.frame[one.header]
    if pd.api.types.is_numeric_dtype(cells.dtype):
        return
    text = stripped(cells)
    parted = text.str.fullmatch(_DEGREES_AND_MINUTES).to_numpy(bool)
    if parted.sum() > 0.5 * (text != "").sum():
        row = int(np.flatnonzero(parted)[0])
        raise TrackError(
            f"{raw.where(one, row)}: {text.iloc[row]!r}; degrees and minutes are not read.",
            way_out="Export decimal degrees.",
        )


def _read_column(
    raw: RawTable, one: RecognisedColumn, notes: list[str]
) -> pd.Series | NDArray[np.float64]:
    column = TRACK_COLUMNS[one.column]
    if column.kind == "flag":
        return read_flags(raw, one, notes, "the header was taken as down")
    return read_numbers(raw, one, notes) if column.is_number else read_texts(raw, one)


def _number_passes(raw: RawTable, fixes: pd.DataFrame, notes: list[str]) -> None:
    """Make each line part a pass: its own pass_id, or a running number."""
    if raw.pass_number is None or raw.part_number is None or not (raw.pass_number > 0).any():
        return
    number = pd.Series(raw.pass_number, index=fixes.index).astype(str)
    on_line = pd.Series(raw.pass_number > 0, index=fixes.index)
    if "pass_id" not in fixes:
        fixes["pass_id"] = number.where(on_line)
        notes.append(f"Each line became a pass; passes: {int(raw.pass_number.max())}.")
        return
    part = pd.Series(raw.part_number, index=fixes.index)
    own = fixes["pass_id"].astype(object)
    split = own.astype(str) + "." + part.astype(str)
    own = own.where(~((part > 0) & own.notna()), split)
    fixes["pass_id"] = own.where(own.notna() | ~on_line, number)


def _unreadable(raw: RawTable, positions: Positions, grain_kg: NDArray[np.float64]) -> pd.DataFrame:
    bad = np.flatnonzero(positions.reason != "")
    rows = pd.DataFrame(list(raw.unreadable), columns=["source_row", "reason", "detail"])
    rows["grain_kg"] = 0.0
    found = pd.DataFrame(
        {
            "source_row": raw.source_row[bad],
            "reason": positions.reason[bad],
            "detail": _as_written(raw, bad),
            "grain_kg": grain_kg[bad],
        }
    )
    parts = [part for part in (rows, found) if len(part)]
    table = pd.concat(parts) if parts else found
    table = table.sort_values("source_row", kind="stable").reset_index(drop=True)
    return table.astype(
        {"source_row": "int64", "reason": "object", "detail": "object", "grain_kg": "float64"}
    )


def _as_written(raw: RawTable, rows: NDArray[np.intp]) -> list[str]:
    if raw.xy is not None:
        return [f"{x:g}, {y:g}" for x, y in raw.xy[rows]]
    headers = [one.header for one in raw.recognised if one.column in _POSITION_COLUMNS]
    written = raw.frame[headers].iloc[rows].astype(object)
    written = written.where(written.notna(), "empty")
    return [", ".join(map(str, row)) for row in written.to_numpy()]

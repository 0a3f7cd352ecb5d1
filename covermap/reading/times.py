"""Clock times in the forms that tables carry them, turned into UTC."""

from __future__ import annotations

import numpy as np
import pandas as pd

from covermap.reading.table_cells import UTC_DTYPE
from covermap.reading.table_kind import BLANK, RawTable, RecognisedColumn
from covermap.tables.said import Said

_ZONE = r"(?:[T ]\d{2}:?\d{2}|^\d{1,2}:\d{2}).*(?:[Zz]|[+-]\d{2}(?::?\d{2})?)$"
_CLOCK = r"(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?\s*([AaPp])?\.?(?:[Mm]\.?)?"
_DAY_MONTH_YEAR = (
    rf"^(\d{{1,2}})([/.\-])(\d{{1,2}})[/.\-](\d{{4}}|\d{{2}})(?:[ ,T]+{_CLOCK})?\s*Z?$"
)
_ONLY_CLOCK = rf"^{_CLOCK}\s*Z?$"
_SPREADSHEET_EPOCH = pd.Timestamp("1899-12-30")


def read_times(
    raw: RawTable,
    time: pd.Series | None,
    date: pd.Series | None,
    one: RecognisedColumn | None,
) -> tuple[pd.Series | None, list[Said]]:
    """Turn the time and date columns of a table into UTC times.

    Parameters
    ----------
    raw : RawTable
        The table they come from.
    time, date : pandas.Series or None
        As read: text, numbers or datetimes.
    one : RecognisedColumn or None
        The header that speaks for both in messages; its unit, if told, is that of the time.

    Returns
    -------
    times : pandas.Series or None
        ``datetime64[ns, UTC]``, NaT where unreadable; None if there is no time of day.
    notes : list of Said
        What was assumed and what could not be read.

    Raises
    ------
    CovermapError
        The table's, if more than half of the column is no time.
    """
    notes: list[Said] = []
    where = raw.name if one is None else raw.where(one)
    no_time = Said("read-no-clock", {"what": raw.kind.what})
    if date is not None and (time is None or not time.notna().any()):
        whole = date.astype(str).str.contains(r"\d{1,2}:\d{2}")
        if whole.any() and not date.astype(str).str.contains("00:00:00")[whole].all():
            # Some call the whole instant a date.
            time, date = date, None
    if time is None or not time.notna().any():
        return None, [no_time]
    if isinstance(time.dtype, pd.DatetimeTZDtype):
        return _in_nanoseconds(time.dt.tz_convert("UTC")), notes
    if pd.api.types.is_datetime64_dtype(time.dtype):
        notes.append(_no_zone(where))
        return _utc(time), notes
    text = _as_text(time)
    if not text.notna().any():
        return None, [no_time]
    days = None if date is None else _as_text(date)
    if days is not None and days.notna().any():
        text = _join(days, text)
    numbers = _numbers(text)
    filled = text.notna()
    if (numbers.notna() & filled).sum() > 0.5 * filled.sum():
        unit = one.unit if one is not None and one.unit_told else ""
        times = _from_numbers(numbers, unit, where, notes)
    else:
        times = _from_text(text, where, notes)
    bad = filled & times.isna()
    if bad.any():
        line = f"{raw.row_word} {int(raw.source_row[int(np.flatnonzero(bad.to_numpy())[0])])}"
        example = text[bad].iloc[0]
        if bad.sum() > 0.5 * len(text):
            raise raw.kind.column_error(
                f"{where}, {line}: {example!r} is no time, nor is most of the column.",
                "Expected e.g. 2018-07-18T13:08:36Z.",
                "time",
            )
        said = {
            "where": where,
            "bad": int(bad.sum()),
            "cells": len(text),
            "example": str(example),
            "line": line,
            "rows": raw.kind.rows,
        }
        notes.append(Said("read-no-time", said))
    return times, notes


def _no_zone(where: str) -> Said:
    return Said("read-no-zone", {"where": where})


def _as_text(column: pd.Series) -> pd.Series:
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        return column.astype("object").where(column.notna(), None)
    if pd.api.types.is_numeric_dtype(column.dtype):
        return column.astype("object").where(column.notna(), None)
    text = column.astype("object")
    present = text.notna()
    text = text.where(~present, text.astype(str).str.strip())
    return text.where(present & ~text.astype(str).str.lower().isin(BLANK), None)


def _numbers(text: pd.Series) -> pd.Series:
    plain = text.astype(str).str.replace(",", ".", regex=False)
    numbers = pd.to_numeric(plain.where(text.notna()), errors="coerce").astype("float64")
    return numbers.where(np.isfinite(numbers))


def _join(days: pd.Series, text: pd.Series) -> pd.Series:
    """Put day and time of day together, unless the time already has its day."""
    day_number, clock_number = _numbers(days), _numbers(text)
    both = day_number.notna() & clock_number.notna()
    if both.any() and (day_number[both] < 1e5).all() and (clock_number[both] < 1).all():
        return (day_number + clock_number).astype("object").where(both, None)
    clock = text.astype(str)
    if clock.str.contains(r"\d{4}-\d|\d[/.]\d{1,2}[/.]\d").any():
        return text
    # hhmmss without colons, as receivers write it; the leading zero is often lost.
    bare = clock.str.fullmatch(r"\d{1,6}(?:\.\d+)?") & text.notna()
    if bare.any():
        whole = clock[bare].str.split(".").str[0].str.zfill(6)
        rest = clock[bare].str.extract(r"(\.\d+)$")[0].fillna("").replace({".0": ""})
        coloned = whole.str[:2] + ":" + whole.str[2:4] + ":" + whole.str[4:] + rest
        clock = clock.where(~bare, coloned.reindex(clock.index))
    day = days.astype(str).str.replace(r"\.0$", "", regex=True)
    day = day.str.replace(r"^(\d{4})(\d{2})(\d{2})$", r"\1-\2-\3", regex=True)
    day = day.str.replace(r"[T ]00:00(?::00)?.*$", "", regex=True)
    return (day + " " + clock).where(days.notna() & text.notna(), None)


def _from_numbers(numbers: pd.Series, unit: str, where: str, notes: list[Said]) -> pd.Series:
    """Tell by size whether numbers count seconds, milliseconds or days."""
    size = float(numbers.abs().median())
    if 1.9e13 < size < 2.2e13:
        digits = numbers.map("{:.0f}".format, na_action="ignore")
        notes.append(_no_zone(where))
        return _utc(pd.to_datetime(digits, format="%Y%m%d%H%M%S", errors="coerce"))
    for least, step, word in (
        (1e17, 1e-9, "nanoseconds"),
        (1e14, 1e-6, "microseconds"),
        (1e11, 1e-3, "milliseconds"),
        (1e8, 1.0, "seconds"),
    ):
        if size > least:
            notes.append(Said("read-time-since-1970", {"where": where, "unit": word}))
            return _since(pd.Timestamp("1970-01-01"), numbers * step)
    span = float(numbers.max() - numbers.min())
    if unit not in ("s", "ms") and numbers.min() > 20000 and numbers.max() < 80000 and span < 400:
        notes.append(Said("read-time-days", {"where": where}))
        return _since(_SPREADSHEET_EPOCH, numbers * 86400.0)
    step = 1e-3 if unit == "ms" else 1.0
    notes.append(Said("read-time-since-start", {"where": where, "unit": unit or "s"}))
    return _since(pd.Timestamp("1970-01-01"), numbers * step)


def _since(start: pd.Timestamp, seconds: pd.Series) -> pd.Series:
    # Whole milliseconds: a day number as a 64-bit float holds no more.
    fits = seconds.abs() < 9e9
    thousandths = (seconds.where(fits, 0.0) * 1000).round().astype("int64")
    moments = start.as_unit("ns") + pd.to_timedelta(thousandths, unit="ms").astype(
        "timedelta64[ns]"
    )
    return _utc(moments.where(fits))


def _utc(naive: pd.Series) -> pd.Series:
    return _in_nanoseconds(naive.dt.tz_localize("UTC"))


def _in_nanoseconds(times: pd.Series) -> pd.Series:
    # Years such as 0001 or 9999 stand for "not known" and do not fit in nanoseconds.
    year = times.dt.year
    return times.where((year > 1900) & (year < 2200)).astype(UTC_DTYPE)


def _from_text(text: pd.Series, where: str, notes: list[Said]) -> pd.Series:
    plain = text.astype(str).str.strip()
    plain = plain.str.replace(r"\s*(?:UTC|GMT)$", "Z", regex=True)
    plain = plain.where(text.notna())
    iso = plain.str.replace(",", ".", regex=False)
    iso = iso.str.replace(r"^(\d{4})[/.](\d{1,2})[/.](\d{1,2})", r"\1-\2-\3", regex=True)
    four_digits_first = iso.str.match(r"\d{4}-?\d").fillna(False).astype(bool)
    times = _in_nanoseconds(
        pd.to_datetime(iso.where(four_digits_first), format="ISO8601", utc=True, errors="coerce")
    )
    left = times.isna() & plain.notna()
    if left.any():
        times = times.fillna(_from_day_month_year(plain.where(left), where, notes))
        left = times.isna() & plain.notna()
    if left.any():
        times = times.fillna(_from_clock(plain.where(left), where, notes))
    zoned = plain.str.contains(_ZONE).fillna(False).astype(bool)
    if (times.notna() & ~zoned).any():
        notes.insert(0, _no_zone(where))
    return times


def _from_day_month_year(plain: pd.Series, where: str, notes: list[Said]) -> pd.Series:
    parts = plain.str.extract(_DAY_MONTH_YEAR)
    first = pd.to_numeric(parts[0], errors="coerce")
    second = pd.to_numeric(parts[2], errors="coerce")
    if not first.notna().any():
        return pd.Series(pd.NaT, index=plain.index, dtype=UTC_DTYPE)
    day_first = int((first > 12).sum()) > int((second > 12).sum())
    if not (first > 12).any() and not (second > 12).any():
        day_first = bool((parts[1] == ".").any())
        shown = plain[first.notna()].iloc[0]
        taken = "day.month" if day_first else "month first"
        said = {"where": where, "example": shown, "taken": taken}
        notes.append(Said("read-date-two-ways", said))
    year = pd.to_numeric(parts[3], errors="coerce")
    year = year.where(year >= 100, year + 2000)
    day, month = (first, second) if day_first else (second, first)
    calendar = pd.DataFrame({"year": year, "month": month, "day": day})
    dates = pd.to_datetime(calendar, errors="coerce")
    clock = _clock_seconds(parts[[4, 5, 6, 7]]).fillna(0.0)
    return _utc(dates + pd.to_timedelta((clock * 1000).round(), unit="ms"))


def _from_clock(plain: pd.Series, where: str, notes: list[Said]) -> pd.Series:
    seconds = _clock_seconds(plain.str.extract(_ONLY_CLOCK))
    if seconds.notna().any():
        notes.append(Said("read-time-of-day", {"where": where}))
    return _since(pd.Timestamp("1970-01-01"), seconds)


def _clock_seconds(parts: pd.DataFrame) -> pd.Series:
    hour, minute, second, half = (parts[name] for name in parts.columns)
    hours = pd.to_numeric(hour, errors="coerce")
    minutes = pd.to_numeric(minute, errors="coerce")
    seconds = pd.to_numeric(second.str.replace(",", "."), errors="coerce").fillna(0.0)
    letter = half.str.lower()
    hours = hours.where(letter.isna(), hours % 12) + 12.0 * (letter == "p")
    valid = (hours < 24) & (minutes < 60) & (seconds < 61)
    return (hours * 3600 + minutes * 60 + seconds).where(valid).astype("float64")

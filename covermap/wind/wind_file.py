"""A weather station's record read into a wind series, with a ledger of what was left out."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from covermap.errors import WindError
from covermap.reading.column_values import read_numbers
from covermap.reading.table_kind import Overrides, RawTable
from covermap.reading.text_table import read_text_table
from covermap.reading.times import read_times
from covermap.tables.said import Said
from covermap.wind.wind import MOST_WIND_SPEED_M_S, WIDEST_GAP_S, WindSeries, checked_height
from covermap.wind.wind_columns import WIND, WIND_COLUMNS

#: Reasons in the order in which the rules are applied, with what each means.
REASONS: dict[str, str] = {
    "unreadable": "the line has the wrong number of fields, or an open quotation mark",
    "no time": "the line has no readable time",
    "no speed": "the line has no readable wind speed",
    "impossible speed": f"negative, or above {MOST_WIND_SPEED_M_S:g} m/s",
    "impossible direction": "not within 0 to 360 degrees",
    "no direction": "wind, but no direction it came from",
    "duplicate time": "same instant as a reading before",
}
# Points of the compass rose, 22.5° apart (common practice, no source).
_POINTS = (
    *("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE"),
    *("S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"),
)
_POINT_DEG = {point: f"{22.5 * i:g}" for i, point in enumerate(_POINTS)}
# WMO code for a direction too variable to report (METAR, WMO No. 306, FM 15).
_NO_DIRECTION = dict.fromkeys(("VRB", "VARIABLE", "CALM"), "")


def read_wind(
    path: Path | str,
    *,
    height_m: float,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
) -> WindSeries:
    """Read a wind record from a text table with time, speed, direction and perhaps gust.

    Parameters
    ----------
    path : pathlib.Path or str
        CSV or other delimited text.
    height_m : float
        Height above ground at which the wind was measured [m].
    columns : mapping of str to str, optional
        A name such as ``speed``, ``direction``, ``gust``, ``time`` to the file's header.
    units : mapping of str to str, optional
        Such a name to the unit of the numbers.

    Returns
    -------
    WindSeries
        In order of time. A calm has speed 0 and direction NaN.

    Raises
    ------
    WindError
        If the file cannot be read, lacks a column, or holds no usable reading.
    SettingsError
        If the height is impossible, or ``columns`` or ``units`` name something unknown.
    """
    path = Path(path)
    checked_height(height_m)
    raw = read_text_table(path, WIND, Overrides(columns or {}, units or {}, number=height_m))
    notes = [*raw.notes, *_notes_on_headers(raw, height_m)]
    speed = _numbers(raw, "wind_speed_m_s", notes, {"CALM": "0"})
    from_deg = _numbers(raw, "wind_from_deg", notes, _POINT_DEG | _NO_DIRECTION)
    gust = _numbers(raw, "wind_gust_m_s", notes, {})
    clock = _times(raw, notes)
    reason, detail = _judge(clock, speed, from_deg, len(speed) == 1)
    removed = _ledger(raw, reason, detail)
    keep = np.flatnonzero(reason == "")
    if not len(keep):
        raise _nothing_left(path.name, removed)
    notes += _notes_on_removed(path.name, removed, len(speed) + len(raw.unreadable))
    if (back := int((np.diff(clock[keep]) < np.timedelta64(0)).sum())) > 0:
        notes.append(Said("wind-steps-back", {"file": path.name, "steps": back}))
    keep = keep[np.argsort(clock[keep], kind="stable")]
    speed, from_deg, gust, clock = speed[keep], from_deg[keep], gust[keep], clock[keep]
    notes += _notes_on_kept(path.name, clock, speed, gust)
    return WindSeries(
        clock_utc=clock,
        speed_m_s=speed,
        from_deg=np.where(speed > 0, from_deg % 360.0, np.nan),
        gust_m_s=np.where((gust >= 0) & (gust <= MOST_WIND_SPEED_M_S), gust, np.nan),
        height_m=float(height_m),
        removed=removed,
        notes=tuple(notes),
    )


def removed_counts(series: WindSeries) -> dict[str, int]:
    """Give how many rows each rule removed, zeros included."""
    found = series.removed["reason"].value_counts()
    return {reason: int(found.get(reason, 0)) for reason in REASONS}


def _numbers(
    raw: RawTable, column: str, notes: list[Said], words: Mapping[str, str]
) -> NDArray[np.float64]:
    one = raw.of(column)
    if one is None:
        return np.full(len(raw.source_row), np.nan)
    return read_numbers(raw, one, notes, majority=False, words=words)


def _times(raw: RawTable, notes: list[Said]) -> NDArray[np.datetime64]:
    """Give the instant of each row; NaT where it has none.

    Raises
    ------
    WindError
        If several rows have no time between them.
    """
    parts = {one.column: raw.frame[one.header] for one in raw.recognised}
    time, date, next_day = _time_and_date(parts, raw.frame.index)
    one = next((raw.of(c) for c in ("time", "hour", "date", "day") if c in parts), None)
    times, said = read_times(raw, time, date, one)
    if times is None:
        if len(raw.frame) > 1:
            raise WindError(
                f"{raw.name}: {len(raw.frame)} readings without a time of day.",
                "Expected a column 'time' such as 2018-07-18T13:00Z, or 'date' and 'hour'.",
                "Add it, or keep the one line that holds for the whole field.",
            )
        return np.array(["NaT"], dtype="datetime64[ns]")
    notes += said
    clock = times.dt.tz_localize(None).to_numpy().astype("datetime64[ns]")
    return np.asarray(clock + next_day.astype("timedelta64[D]"))


def _time_and_date(
    parts: Mapping[str, pd.Series], index: pd.Index
) -> tuple[pd.Series | None, pd.Series | None, NDArray[np.int64]]:
    """Put year, month, day and hour together where the file keeps them apart."""
    next_day = np.zeros(len(index), dtype=np.int64)
    date = parts.get("date")
    if date is None and {"year", "month", "day"} <= parts.keys():
        day = [
            parts[c].fillna("").str.replace(r"\.0*$", "", regex=True)
            for c in ("year", "month", "day")
        ]
        date = day[0] + "-" + day[1].str.zfill(2) + "-" + day[2].str.zfill(2)
        date = date.where(date.str.fullmatch(r"\d{4}-\d\d-\d\d"), "")
    time = parts.get("time")
    if time is None and date is not None and "hour" in parts:
        hour = pd.to_numeric(parts["hour"], errors="coerce")
        minute = pd.Series(0.0, index=index)
        if "minute" in parts:
            minute = pd.to_numeric(parts["minute"], errors="coerce")
        counted = hour.between(0, 24) & minute.between(0, 59)
        # Some stations count the hours of a day 1 to 24; 24 is the next day's midnight.
        next_day = np.where(hour == 24, 1, 0).astype(np.int64)
        seconds = ((hour % 24) * 3600 + minute * 60).where(counted, 0.0).round().astype(int)
        clock = (seconds // 3600).astype(str).str.zfill(2) + ":"
        clock += (seconds % 3600 // 60).astype(str).str.zfill(2)
        # What is no number may be written as a time already.
        time = clock.astype(object).where(counted, parts["hour"].where(hour.isna(), ""))
    return time, date, next_day


def _judge(
    clock: NDArray[np.datetime64],
    speed: NDArray[np.float64],
    from_deg: NDArray[np.float64],
    alone: bool,
) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Give each row the first reason to leave it out, empty if there is none."""
    reason = np.full(len(speed), "", dtype=object)
    detail = np.full(len(speed), "", dtype=object)
    blowing = speed > 0
    for why, wrong, text, shown in (
        ("no time", np.isnat(clock) & (not alone), "", speed),
        ("no speed", np.isnan(speed), "", speed),
        ("impossible speed", (speed < 0) | (speed > MOST_WIND_SPEED_M_S), "{:.6g} m/s", speed),
        ("impossible direction", blowing & ((from_deg < 0) | (from_deg > 360)), "{:g}°", from_deg),
        ("no direction", blowing & np.isnan(from_deg), "wind of {:.4g} m/s", speed),
    ):
        new = wrong & (reason == "")
        reason[new] = why
        detail[new] = [text.format(value) for value in shown[new]]
    kept = np.flatnonzero(reason == "")
    again = kept[pd.Series(clock[kept]).duplicated().to_numpy()]
    reason[again] = "duplicate time"
    detail[again] = [f"{moment:.19}".replace("T", " ") for moment in clock[again].astype(str)]
    return reason, detail


def _ledger(
    raw: RawTable, reason: NDArray[np.object_], detail: NDArray[np.object_]
) -> pd.DataFrame:
    out = reason != ""
    rows = [(line, "unreadable", f"{why}: {text}") for line, why, text in raw.unreadable]
    rows += zip(raw.source_row[out], reason[out], detail[out], strict=True)
    removed = pd.DataFrame(rows, columns=["source_row", "reason", "detail"])
    removed = removed.astype({"source_row": "int64", "reason": "object", "detail": "object"})
    return removed.sort_values("source_row", kind="stable", ignore_index=True)


def _counted(removed: pd.DataFrame) -> str:
    counts = removed["reason"].value_counts()
    return ", ".join(f"{counts[why]} {why}" for why in REASONS if why in counts)


def _nothing_left(name: str, removed: pd.DataFrame) -> WindError:
    line = int(removed["source_row"].iloc[0])
    return WindError(
        f"{name}, line {line}: {removed['reason'].iloc[0]}, and no other reading can be used "
        f"either ({_counted(removed)}).",
        f"Expected a time, a speed of 0 to {MOST_WIND_SPEED_M_S:g} m/s and a direction of 0 to 360 "
        "in each line.",
        "Check the columns and their units.",
    )


def _notes_on_headers(raw: RawTable, height_m: float) -> list[Said]:
    notes: list[Said] = []
    for one in raw.recognised:
        if WIND_COLUMNS[one.column].kind == "speed":
            if not one.unit_told:
                said = {"header": one.header, "unit": one.unit}
                notes.append(Said("wind-unit-taken", said))
            elif one.factor != 1.0:
                said = {"header": one.header, "unit": one.unit}
                notes.append(Said("wind-unit-converted", said))
        if one.column == "wind_speed_m_s" and one.number and float(one.number) != height_m:
            heights = {"named_m": float(one.number), "height_m": height_m}
            notes.append(Said("wind-height-named", {"header": one.header, **heights}))
    return notes


def _notes_on_removed(name: str, removed: pd.DataFrame, rows: int) -> list[Said]:
    if removed.empty:
        return []
    numbers = {"file": name, "removed": len(removed), "readings": rows}
    notes = [Said("wind-left-out", {**numbers, "counts": _counted(removed)})]
    again = int((removed["reason"] == "duplicate time").sum())
    if again > rows / 3:
        notes.append(Said("wind-times-repeat", {**numbers, "again": again}))
    return notes


def _notes_on_kept(
    name: str,
    clock: NDArray[np.datetime64],
    speed: NDArray[np.float64],
    gust: NDArray[np.float64],
) -> list[Said]:
    notes: list[Said] = []
    if calm := int((speed == 0).sum()):
        numbers = {"file": name, "calm": calm, "readings": len(speed)}
        notes.append(Said("wind-calm", numbers))
    if wrong := int(((gust < 0) | (gust > MOST_WIND_SPEED_M_S)).sum()):
        notes.append(Said("wind-gusts", {"file": name, "gusts": wrong}))
    steps_s = np.diff(clock).astype("int64") / 1e9
    wide = steps_s[steps_s > WIDEST_GAP_S]
    if len(wide):
        hours = {"most_h": WIDEST_GAP_S / 3600, "longest_h": float(wide.max()) / 3600}
        notes.append(Said("wind-gaps", {"file": name, "gaps": len(wide), **hours}))
    return notes

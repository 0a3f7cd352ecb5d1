"""The columns that a wind record can carry."""

from __future__ import annotations

import re

from covermap.errors import WindError
from covermap.reading.table_kind import Column, TableKind

_DECLARED = (
    Column("time", "UTC", "instant", "when the wind was measured"),
    Column("date", "UTC", "instant", "calendar day, where the file keeps it apart from the time"),
    Column("year", "", "instant", "year of the day"),
    Column("month", "", "instant", "month of the day, 1 to 12"),
    Column("day", "", "instant", "day of the month"),
    Column("hour", "", "instant", "hour of the day, 0 to 24"),
    Column("minute", "", "instant", "minute of the hour"),
    Column("wind_speed_m_s", "m/s", "speed", "mean wind speed"),
    Column("wind_from_deg", "deg", "angle", "direction the wind blows from"),
    Column("wind_gust_m_s", "m/s", "speed", "highest wind speed"),
)

WIND_COLUMNS: dict[str, Column] = {column.name: column for column in _DECLARED}

#: A record of a weather station, one reading a line; headers may name measuring heights.
WIND = TableKind(
    error=WindError,
    what="wind record",
    form="CSV with one reading per line",
    table="wind",
    columns=WIND_COLUMNS,
    row="reading",
    rows="readings",
    needs=({"wind_speed_m_s": "wind speed", "wind_from_deg": "wind direction"},),
    headers="'time', 'wind speed (m/s)' and 'wind direction (deg)'",
    strict_units=True,
    number=re.compile(r"[\s_@,]*(?:\bat\b)?[\s_]*(\d+(?:[.,]\d+)?)\s*m(?=$|[\s_(\[{,])"),
)

"""A harvest track: the columns that its file can carry, and the fixes read from it."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
import pyproj

from covermap.errors import TrackError
from covermap.reading.table_kind import Column, RecognisedColumn, TableKind
from covermap.tables.said import Said

_DECLARED = (
    Column("time", "UTC", "instant", "when the fix was recorded"),
    Column("date", "UTC", "instant", "calendar day, where the file keeps it apart from the time"),
    Column("longitude", "deg", "angle", "degrees east"),
    Column("latitude", "deg", "angle", "degrees north"),
    Column("easting", "m", "length", "distance east in the coordinate reference system"),
    Column("northing", "m", "length", "distance north in the coordinate reference system"),
    Column("elevation_m", "m", "length", "height of the ground or antenna"),
    Column("speed_m_s", "m/s", "speed", "speed over ground"),
    Column("heading_deg", "deg", "angle", "direction of travel, clockwise from true north"),
    Column("header_width_m", "m", "length", "width of crop the header takes"),
    Column("header_offset_m", "m", "length", "header centre right of the machine's centre line"),
    Column("header_down", "", "flag", "header lowered and cutting"),
    Column("grain_flow_kg_s", "kg/s", "mass flow", "wet grain per second"),
    Column("grain_mass_kg", "kg", "mass", "wet grain since the last record"),
    Column("grain_yield_t_ha", "t/ha", "mass per area", "wet grain per area"),
    Column("moisture_pct", "%", "percent", "grain moisture, wet basis"),
    Column("distance_m", "m", "length", "distance travelled since the last record"),
    Column("interval_s", "s", "time", "time since the last record"),
    Column("section", "", "text", "header section, where each has a row of its own"),
    Column("machine_id", "", "text", "machine that logged the fix, where there is more than one"),
    Column("pass_id", "", "text", "pass the fix belongs to"),
    Column("discharge", "", "word", "spread or windrow", ("spread", "windrow")),
    Column("spread_width_m", "m", "length", "edge-to-edge width of the thrown band"),
    Column("reach_left_m", "m", "length", "centre line to the left edge of the band"),
    Column("reach_right_m", "m", "length", "centre line to the right edge of the band"),
    Column("profile", "", "word", "spread profile by name"),
    Column("lean_m", "m", "length", "sideways shift of the band's centre, + to the right"),
    Column("chaff_width_m", "m", "length", "edge-to-edge width of the chaff band"),
    Column("baled_share", "share", "share", "share of the windrow that is baled off"),
    Column("cut_height_m", "m", "length", "height of the cut above ground"),
)

TRACK_COLUMNS: dict[str, Column] = {column.name: column for column in _DECLARED}

#: A harvest track, one fix a line.
TRACK = TableKind(
    error=TrackError,
    what="track",
    form="CSV with one fix per line",
    table="track",
    columns=TRACK_COLUMNS,
    row="fix",
    rows="fixes",
    needs=(
        dict.fromkeys(("longitude", "latitude"), "coordinates"),
        dict.fromkeys(("easting", "northing"), "coordinates"),
    ),
    headers="longitude and latitude, or easting and northing",
    by_settings=True,
)


@dataclass(frozen=True)
class Track:
    """A harvest track in SI units, in file order.

    Attributes
    ----------
    fixes : pandas.DataFrame
        ``source_row``, ``easting`` and ``northing`` [m], and those columns of
        :data:`TRACK_COLUMNS` that the file has.
    crs : pyproj.CRS
        Metric CRS of easting and northing.
    source : str
        File name without folder.
    recognised : tuple of RecognisedColumn
        Which header became which column.
    ignored : tuple of str
        Headers without a meaning here.
    unreadable : pandas.DataFrame
        ``source_row``, ``reason`` and ``detail`` of rows without a usable position, and
        ``grain_kg`` that no other row speaks for.
    notes : tuple of Said
        What was assumed, merged or converted, in sentences.
    has_time : bool
        Whether the fixes carry a time.
    """

    fixes: pd.DataFrame
    crs: pyproj.CRS
    source: str
    recognised: tuple[RecognisedColumn, ...]
    ignored: tuple[str, ...]
    unreadable: pd.DataFrame
    notes: tuple[Said, ...]
    has_time: bool

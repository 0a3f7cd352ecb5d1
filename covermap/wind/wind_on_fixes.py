"""The wind on the pieces at every fix: from the station down to the flight, by heading."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd

from covermap.settings.field_settings import FieldSettings
from covermap.tables.crops import Crop
from covermap.tables.said import Said
from covermap.wind.flight import (
    MOST_LAUNCH_SPEED_M_S,
    particle_classes,
    still_air_reach,
    tip_speed_m_s,
)
from covermap.wind.wind import WindSeries, constant_wind, crosswind_and_along, wind_at
from covermap.wind.wind_lean import DriftTables, FixWind, Thrower, drift_tables
from covermap.wind.wind_profile import FlightWind, mean_flight_height, reduce_to_flight

#: Pieces fall at least this far [m], or there is no flight to speak of.
_LEAST_DROP_M = 0.2


def stated_wind(settings: FieldSettings) -> WindSeries | None:
    """Give the constant wind of the settings, None if none is stated."""
    speed = settings.wind.speed_m_s
    if speed is None:
        return None
    direction = settings.wind.from_deg
    return constant_wind(
        float(speed),
        float("nan") if direction is None else float(direction),
        settings.wind.height_m,
    )


def thrower(settings: FieldSettings, stubble_m: float, forward_speed_m_s: float) -> Thrower:
    """Give how pieces leave the machine, by the settings."""
    diameter, rpm = settings.combine.rotor_diameter_m, settings.combine.rotor_rpm
    launch = MOST_LAUNCH_SPEED_M_S
    if diameter is not None and rpm is not None:
        launch = float(tip_speed_m_s(diameter, rpm))
    return Thrower(
        max(settings.combine.discharge_height_m - stubble_m, _LEAST_DROP_M),
        settings.combine.throw_elevation_deg,
        launch,
        forward_speed_m_s,
    )


def reach_of_rotor_m(how: Thrower, crop: Crop) -> float:
    """Give the reach of the middle straw class at the rotor's tip speed [m]."""
    classes = particle_classes("straw", crop.particle_group)
    middle = sorted(classes, key=lambda c: c.terminal_velocity_m_s)[len(classes) // 2]
    return float(
        still_air_reach(
            how.most_launch_speed_m_s,
            middle.terminal_velocity_m_s,
            how.drop_height_m,
            how.elevation_deg,
        )
    )


def flight_wind(settings: FieldSettings, measured_at_m: float, stubble_m: float) -> FlightWind:
    """Give the factor from the wind as measured to the wind on the pieces."""
    height = mean_flight_height(settings.combine.discharge_height_m)
    return reduce_to_flight(measured_at_m, height, stubble_m)


def tables_for(
    crop: Crop, how: Thrower, straw_share: float, most_reach_m: float, most_wind_m_s: float
) -> tuple[DriftTables, DriftTables, DriftTables]:
    """Fly the crop's pieces; give tables for straw and chaff together, straw, chaff.

    ``straw_share`` is straw's part of both; the last two are the range of the tables. Ranges
    are rounded up and the machine's speed to a tenth, so that runs alike share tables.
    """
    return _flown(
        crop,
        replace(how, forward_speed_m_s=round(how.forward_speed_m_s, 1)),
        round(straw_share, 3),
        math.ceil(most_reach_m),
        math.ceil(most_wind_m_s),
    )


@lru_cache(maxsize=32)
def _flown(
    crop: Crop, how: Thrower, straw_share: float, most_reach_m: int, most_wind_m_s: int
) -> tuple[DriftTables, DriftTables, DriftTables]:
    straw, chaff = (particle_classes(kind, crop.particle_group) for kind in ("straw", "chaff"))
    one, other = (
        drift_tables([(c, c.mass_share) for c in classes], how, most_reach_m, most_wind_m_s)
        for classes in (straw, chaff)
    )
    # the classes flown together are those flown apart; only their shares differ
    share = np.array(
        [c.mass_share * straw_share for c in straw]
        + [c.mass_share * (1 - straw_share) for c in chaff]
    )
    joined = DriftTables(
        one.landing_m,
        one.wind_m_s,
        np.concatenate([one.drift_m, other.drift_m]),
        share / share.sum(),
        one.along_wind_m_s,
        straw_share * one.along_m + (1 - straw_share) * other.along_m,
    )
    return joined, one, other


def wind_on_fixes(
    series: WindSeries,
    settings: FieldSettings,
    crop: Crop,
    path: pd.DataFrame,
    rows: np.ndarray,
    heading_deg: np.ndarray,
    machine: pd.DataFrame,
    straw_share: float,
    stubble_m: float,
    forward_speed_m_s: float,
) -> tuple[FixWind, tuple[Said, ...]]:
    """Give the wind on the pieces of every harvested fix and the tables to read it with.

    Parameters
    ----------
    series : WindSeries
        As measured.
    settings, crop : FieldSettings, Crop
        Heights, rotor and kind of pieces.
    path, rows, machine : pandas.DataFrame, numpy.ndarray, pandas.DataFrame
        Cleaned path, its (n,) harvested rows, and settings per row of it.
    heading_deg : numpy.ndarray
        (n,) direction of travel [deg].
    straw_share : float
        Straw's part of straw and chaff through the machine.
    stubble_m, forward_speed_m_s : float
        Cut height [m] and usual speed of the machine [m/s].

    Returns
    -------
    FixWind, tuple
        And what was assumed.

    Raises
    ------
    WindError
        If a wind over time meets a track without a clock.
    """
    time = path["time"].iloc[rows] if "time" in path else None
    at = wind_at(series, None if time is None else time.dt.tz_convert(None).to_numpy())
    # a constant wind comes as one value for all
    at_east = np.broadcast_to(at.east_m_s, rows.shape)
    at_north = np.broadcast_to(at.north_m_s, rows.shape)
    reduced = flight_wind(settings, series.height_m, stubble_m)
    across, along = crosswind_and_along(
        at_east * reduced.factor, at_north * reduced.factor, heading_deg
    )
    held = machine.iloc[rows]
    reaches = held[["reach_left_m", "reach_right_m"]].assign(chaff=held["chaff_width_m"] / 2)
    reach = float(np.nanmax(reaches.to_numpy(float)))
    tables = tables_for(
        crop,
        thrower(settings, stubble_m, forward_speed_m_s),
        straw_share,
        reach,
        float(max(np.abs(across).max(initial=0.0), np.abs(along).max(initial=0.0), 0.5)),
    )
    factor = {"factor": reduced.factor, "height_m": series.height_m}
    # a calm stands in where no wind is known; what is told of the wind must not make it one
    measured_east = np.where(at.known, at_east, np.nan)
    measured_north = np.where(at.known, at_north, np.nan)
    return FixWind(across, along, measured_east, measured_north, *tables), (
        *(Said("wind-as-read", {"text": text}) for text in series.notes),
        *at.notes,
        *reduced.notes,
        Said("wind-brought-down", factor),
    )

"""Wind at the machine: a series of readings, the wind at any instant, across and along.

A wind direction is the one it blows *from*; components are those *towards* which the air
moves, since that is where the pieces drift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from covermap.errors import SettingsError, WindError
from covermap.tables.said import Said

#: Surface winds above it are taken as faults of the station [m/s]. Category 5 of the
#: Saffir-Simpson scale starts at 70 m/s (137 kn; value from memory): nobody harvests then.
MOST_WIND_SPEED_M_S = 75.0
#: A reading speaks for this long before and after itself [s]: hourly records are the
#: usual ones (common practice, no source).
HELD_S = 3600.0
#: Between readings up to this far apart the wind is interpolated [s]: one hourly reading
#: may be missing.
WIDEST_GAP_S = 7200.0

_NO_ROWS = {"source_row": "int64", "reason": "object", "detail": "object"}


def _nothing_removed() -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in _NO_ROWS.items()})


@dataclass(frozen=True)
class WindSeries:
    """Wind readings in order of time.

    Attributes
    ----------
    clock_utc : numpy.ndarray
        (n,) datetime64[ns], UTC, rising; a single NaT for a wind without a time.
    speed_m_s : numpy.ndarray
        (n,) mean wind speed at ``height_m`` [m/s].
    from_deg : numpy.ndarray
        (n,) direction it blows from, clockwise from true north, 0 to below 360 [deg];
        NaN in calms.
    gust_m_s : numpy.ndarray
        (n,) gust speed [m/s]; NaN if none was reported. Not used for the drift.
    height_m : float
        Height above ground at which it was measured [m].
    removed : pandas.DataFrame
        ``source_row``, ``reason``, ``detail`` of rows left out.
    notes : tuple of str
        What was assumed, mended or counted, in sentences.
    """

    clock_utc: NDArray[np.datetime64]
    speed_m_s: NDArray[np.float64]
    from_deg: NDArray[np.float64]
    gust_m_s: NDArray[np.float64]
    height_m: float
    removed: pd.DataFrame = field(default_factory=_nothing_removed)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class WindAt:
    """The wind at given instants.

    Attributes
    ----------
    east_m_s, north_m_s : numpy.ndarray
        (m,) components towards which the air moves, at measuring height [m/s].
    known : numpy.ndarray
        (m,) bool; False where no reading is near enough and a calm stands in.
    notes : tuple of Said
        How many instants have no wind, and why.
    """

    east_m_s: NDArray[np.float64]
    north_m_s: NDArray[np.float64]
    known: NDArray[np.bool_]
    notes: tuple[Said, ...] = ()


def checked_height(height_m: float) -> float:
    """Give a measuring height back if it is one [m].

    Raises
    ------
    SettingsError
        If it is not above 0 m.
    """
    if not (math.isfinite(height_m) and height_m > 0):
        raise SettingsError(
            f"[wind] height: {height_m!r} is out of range.",
            "Expected the height above ground, in metres and more than 0, at which the wind was "
            "measured (weather stations: 10 or 2).",
        )
    return float(height_m)


def constant_wind(speed_m_s: float, from_deg: float, height_m: float) -> WindSeries:
    """Give one wind that holds all the time: a single reading without a time.

    ``from_deg`` is clockwise from true north, 0 to 360; any value, NaN too, in a calm.

    Raises
    ------
    SettingsError
        If a value is out of range.
    """
    if not 0 <= speed_m_s <= MOST_WIND_SPEED_M_S:
        raise SettingsError(
            f"[wind] speed: {speed_m_s!r} is out of range.",
            f"Expected 0 to {MOST_WIND_SPEED_M_S:g} m/s.",
            "Correct the number or its unit.",
        )
    if speed_m_s > 0 and not 0 <= from_deg <= 360:
        raise SettingsError(
            f"[wind] from_deg: {from_deg!r} is out of range.",
            "Expected the direction the wind blows from, 0 to 360 degrees clockwise from north "
            "(270 is a west wind).",
        )
    direction = from_deg % 360.0 if speed_m_s > 0 else math.nan
    return WindSeries(
        clock_utc=np.array(["NaT"], dtype="datetime64[ns]"),
        speed_m_s=np.array([float(speed_m_s)]),
        from_deg=np.array([direction]),
        gust_m_s=np.array([math.nan]),
        height_m=checked_height(height_m),
    )


def components(
    speed_m_s: NDArray[np.float64], from_deg: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Turn speed and direction *from* [deg] into components *towards* which the air moves [m/s].

    East and north, (n,) as the arguments; a direction that is NaN counts as calm.
    """
    angle = np.deg2rad(np.nan_to_num(from_deg))
    speed = np.where(np.isnan(from_deg), 0.0, speed_m_s)
    return -speed * np.sin(angle), -speed * np.cos(angle)


def blows_from_deg(
    east_m_s: NDArray[np.float64] | float, north_m_s: NDArray[np.float64] | float
) -> NDArray[np.float64]:
    """Give the direction a wind blows from, the inverse of :func:`components`.

    Clockwise from true north, 0 to below 360 [deg]; NaN in a calm, which blows from nowhere.
    """
    east, north = np.asarray(east_m_s, np.float64), np.asarray(north_m_s, np.float64)
    from_deg = np.degrees(np.arctan2(-east, -north)) % 360
    return np.where(np.hypot(east, north) > 0, from_deg, np.nan)


def mean_wind(
    east_m_s: NDArray[np.float64],
    north_m_s: NDArray[np.float64],
    weight: NDArray[np.float64] | None = None,
) -> tuple[float, float]:
    """Give the mean of some winds: speed and direction of the mean of their vectors.

    The resultant mean of US EPA, Meteorological Monitoring Guidance for Regulatory Modeling
    Applications (EPA-454/R-99-005, 2000), section 6.2.2. Vectors keep their speed, rather
    than count as unit vectors: pieces drift in proportion to the wind, so a strong wind
    tells more of where the residue went than a light one, and a calm tells nothing.

    Parameters
    ----------
    east_m_s, north_m_s : numpy.ndarray
        (n,) components towards which the air moves [m/s]; those not known (NaN) are left
        out.
    weight : numpy.ndarray, optional
        (n,) how much each counts, such as the length of its pass; alike if not given.

    Returns
    -------
    float, float
        Speed [m/s], and direction it blows from [deg]; NaN for what is not known, and for
        the direction of a calm.
    """
    known = np.isfinite(east_m_s) & np.isfinite(north_m_s)
    if not known.any():
        return math.nan, math.nan
    weights = None if weight is None else weight[known]
    east, north = (np.average(one[known], weights=weights) for one in (east_m_s, north_m_s))
    return float(np.hypot(east, north)), float(blows_from_deg(east, north))


def wind_at(series: WindSeries, time_utc: Any) -> WindAt:
    """Give the wind at instants of a track.

    Between two readings at most :data:`WIDEST_GAP_S` apart the wind *vector* is
    interpolated linearly, so that 350° and 10° meet at 0°. In wider gaps and beyond the
    ends the nearest reading holds for :data:`HELD_S`. Further away the wind is not known
    and a calm stands in.

    Parameters
    ----------
    series : WindSeries
        The readings.
    time_utc : array_like or None
        (m,) instants, datetime64 in UTC or with a time zone; None for a track without a
        clock.

    Returns
    -------
    WindAt
        Arrays of shape (m,), or (1,) if ``time_utc`` is None.

    Raises
    ------
    WindError
        If the track has no clock and the wind changes with time.
    """
    east, north = components(series.speed_m_s, series.from_deg)
    if len(east) == 1 and series.removed.empty:  # the only reading there ever was
        count = 1 if time_utc is None else len(time_utc)
        return WindAt(np.repeat(east, count), np.repeat(north, count), np.ones(count, np.bool_))
    if time_utc is None:
        raise WindError(
            f"The wind record has {len(east)} usable readings at different times, but the track "
            "has no time to match them with.",
            "",
            "Give one wind for the whole field with [wind] speed and from_deg, or a track with a "
            "time column.",
        )
    index = pd.DatetimeIndex(pd.to_datetime(pd.Index(np.asarray(time_utc)), utc=True))
    instants = index.tz_localize(None).to_numpy().astype("datetime64[ns]")
    missing = np.isnat(instants)
    clock = series.clock_utc.astype("datetime64[ns]").astype(np.int64)
    now = np.where(missing, clock[0], instants.astype(np.int64))
    later = np.searchsorted(clock, now, side="right")
    after, before = np.minimum(later, len(clock) - 1), np.maximum(later - 1, 0)
    since = np.where(later > 0, now - clock[before], np.inf) / 1e9
    until = np.where(later < len(clock), clock[after] - now, np.inf) / 1e9
    between = since + until <= WIDEST_GAP_S
    span = np.where(between, since + until, 1.0)
    weight = np.where(between, np.where(np.isfinite(since), since, 0.0) / span, until < since)
    known = (between | (np.minimum(since, until) <= HELD_S)) & ~missing
    wind_east = np.where(known, east[before] * (1 - weight) + east[after] * weight, 0.0)
    wind_north = np.where(known, north[before] * (1 - weight) + north[after] * weight, 0.0)
    return WindAt(wind_east, wind_north, known, _notes_on_unknown(series, instants, known))


def _notes_on_unknown(
    series: WindSeries, instants: NDArray[np.datetime64], known: NDArray[np.bool_]
) -> tuple[Said, ...]:
    if known.all():
        return ()
    lost = int((~known).sum())
    numbers: dict[str, Any] = {"lost": lost, "fixes": len(known), "held_h": HELD_S / 3600}
    timed = instants[~np.isnat(instants)]
    if not known.any() and len(timed):
        wind, track = series.clock_utc, timed
        ends = [
            str(np.datetime_as_string(t, unit="m")).replace("T", " ")
            for t in (wind.min(), wind.max(), track.min(), track.max())
        ]
        numbers |= zip(("wind_from", "wind_to", "track_from", "track_to"), ends, strict=True)
        return (Said("wind-of-other-times", numbers),)
    return (Said("wind-unknown", numbers),)


def crosswind_and_along(
    east_m_s: NDArray[np.float64] | float,
    north_m_s: NDArray[np.float64] | float,
    heading_deg: NDArray[np.float64] | float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Split a wind into what pushes to the right, looking forward, and what pushes forward [m/s].

    Components are those towards which the air moves, the heading is clockwise from true north;
    shapes broadcast.
    """
    angle = np.deg2rad(np.asarray(heading_deg, dtype=np.float64))
    east, north = np.asarray(east_m_s, np.float64), np.asarray(north_m_s, np.float64)
    across = east * np.cos(angle) - north * np.sin(angle)
    along = east * np.sin(angle) + north * np.cos(angle)
    return np.asarray(across), np.asarray(along)

"""How a crosswind leans and skews the band: drift tables, made once, read for every fix.

The stated (or measured) band is what lands in still air. Each class of pieces is flown in
a row of winds by :mod:`covermap.wind.flight`; what it lands further over than in still
air is its drift. The band in a wind is the still-air band with every class moved by its
own drift. Tables are made once per run, so the cost does not grow with fixes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from covermap.wind.flight import (
    ParticleClass,
    drift_table,
    fly,
    launch_speed_for_reach,
    launches,
    still_air_reach,
)

#: Winds are tabulated at these steps and drifts interpolated between them [m/s].
_FLOWN_STEP_M_S = 1.0
#: A fix takes the band of the nearest of these winds [m/s].
LEAN_STEP_M_S = 0.25
#: Landings flown on each side of the machine.
_LANDINGS = 12
#: Bins of a band in a wind.
BINS = 48


@dataclass(frozen=True)
class Thrower:
    """How pieces leave the machine, and how far they fall to the top of the stubble."""

    drop_height_m: float
    elevation_deg: float
    most_launch_speed_m_s: float
    forward_speed_m_s: float


@dataclass(frozen=True)
class DriftTables:
    """Drift of every class of pieces by where it lands in still air and by the wind.

    Attributes
    ----------
    landing_m : numpy.ndarray
        (k,) still-air landings, left negative [m].
    wind_m_s : numpy.ndarray
        (j,) air moving to the right at flight height [m/s].
    drift_m : numpy.ndarray
        (classes, k, j) how much further to the right they land [m].
    share : numpy.ndarray
        (classes,) of the mass.
    along_wind_m_s, along_m : numpy.ndarray
        (a,) air moving forward [m/s] and the mean shift along the travel [m].
    """

    landing_m: np.ndarray
    wind_m_s: np.ndarray
    drift_m: np.ndarray
    share: np.ndarray
    along_wind_m_s: np.ndarray
    along_m: np.ndarray


def drift_tables(
    classes: Sequence[tuple[ParticleClass, float]],
    thrower: Thrower,
    most_reach_m: float,
    most_wind_m_s: float,
) -> DriftTables:
    """Fly every class in a row of winds.

    Parameters
    ----------
    classes : sequence of (ParticleClass, float)
        Classes and their shares of the band's mass; shares are scaled to sum to 1.
    thrower : Thrower
        How pieces leave the machine.
    most_reach_m, most_wind_m_s : float
        Furthest still-air landing on either side [m] and strongest wind component [m/s] needed.
    """
    landing = np.linspace(-most_reach_m, most_reach_m, 2 * _LANDINGS + 1)
    steps = max(int(np.ceil(most_wind_m_s / _FLOWN_STEP_M_S)), 1)
    wind = np.arange(-steps, steps + 1) * _FLOWN_STEP_M_S
    share = np.array([s for _, s in classes])
    share = share / share.sum()
    drift, along = [], np.zeros(len(wind))
    for (particle, _), part in zip(classes, share, strict=True):
        across_m, _ = drift_table(
            particle.terminal_velocity_m_s,
            thrower.drop_height_m,
            thrower.elevation_deg,
            landing,
            wind,
            forward_speed_m_s=thrower.forward_speed_m_s,
            most_launch_speed_m_s=thrower.most_launch_speed_m_s,
        )
        drift.append(across_m - landing[:, None])
        along += part * _mean_along_m(particle, thrower, landing, wind)
    # the still-air shift is already part of where people see their band
    return DriftTables(landing, wind, np.array(drift), share, wind, along - along[steps])


def _mean_along_m(
    particle: ParticleClass, thrower: Thrower, landing_m: np.ndarray, wind_m_s: np.ndarray
) -> np.ndarray:
    """Give how far forward pieces land in each along-wind, mean over the landings [m]."""
    vt, drop, elevation = (
        particle.terminal_velocity_m_s,
        thrower.drop_height_m,
        thrower.elevation_deg,
    )
    forward, most = thrower.forward_speed_m_s, thrower.most_launch_speed_m_s
    furthest = float(still_air_reach(most, vt, drop, elevation, forward))
    reach = np.minimum(np.abs(landing_m[:: _LANDINGS // 2]), 0.98 * furthest)
    speed = launch_speed_for_reach(reach, vt, drop, elevation, forward, most)
    thrown = np.repeat(launches(speed, elevation, forward), len(wind_m_s), axis=0)
    air = np.zeros((len(thrown), 3))
    air[:, 1] = np.tile(wind_m_s, len(reach))
    landed = fly(thrown, vt, drop, air)
    return np.asarray(landed.along_m.reshape(len(reach), -1).mean(axis=0))


def leaned_band(
    tables: DriftTables,
    shares: np.ndarray,
    left_m: float,
    right_m: float,
    wind_m_s: float,
    bins: int = BINS,
) -> tuple[np.ndarray, float, float]:
    """Give the band that lands in a crosswind: (bins,) shares, summing to 1, and its edges [m].

    Parameters
    ----------
    tables : DriftTables
        From :func:`drift_tables`, reaching at least as far as the band.
    shares : numpy.ndarray
        (n,) shares of the still-air band in equal bins from its left edge.
    left_m, right_m : float
        Edges of the still-air band without its own lean [m].
    wind_m_s : float
        Air moving to the right at flight height [m/s].
    bins : int
        Of the band that lands.
    """
    edges = np.linspace(left_m, right_m, max(len(shares), 24) + 1)
    below = np.interp(
        np.linspace(0, 1, len(edges)),
        np.linspace(0, 1, len(shares) + 1),
        np.append(0.0, np.cumsum(shares)),
    )
    moved = np.empty((len(tables.share), len(edges)))
    place = np.clip((wind_m_s - tables.wind_m_s[0]) / _FLOWN_STEP_M_S, 0, len(tables.wind_m_s) - 1)
    low = min(int(place), len(tables.wind_m_s) - 2)
    for c, drift in enumerate(tables.drift_m):
        here = drift[:, low] + (place - low) * (drift[:, low + 1] - drift[:, low])
        # pieces cannot overtake each other by more than the table's smoothness allows
        moved[c] = np.maximum.accumulate(edges + np.interp(edges, tables.landing_m, here))
    left, right = float(moved.min()), float(moved.max())
    if right - left < 1e-6:
        return np.ones(bins) / bins, left - 1e-3, right + 1e-3
    grid = np.linspace(left, right, bins + 1)
    landed = np.zeros(bins + 1)
    for c, part in enumerate(tables.share):
        landed += part * np.interp(grid, moved[c], below)
    result = np.diff(landed)
    return result / result.sum(), left, right


@dataclass(frozen=True)
class FixWind:
    """The wind on the pieces at every harvested fix, and what it does to them.

    Attributes
    ----------
    across_m_s, along_m_s : numpy.ndarray
        (n,) air moving to the right and forward at flight height [m/s].
    east_m_s, north_m_s : numpy.ndarray
        (n,) air moving east and north as measured [m/s]; NaN where that is not known and a
        calm stands in.
    spread, straw, chaff : DriftTables
        For straw and chaff thrown together, and for each alone.
    """

    across_m_s: np.ndarray
    along_m_s: np.ndarray
    east_m_s: np.ndarray
    north_m_s: np.ndarray
    spread: DriftTables
    straw: DriftTables
    chaff: DriftTables

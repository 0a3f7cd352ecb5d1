"""The bands of residue behind the machine: where, how wide, how much, in which shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from covermap.ground.sweeps import sweep_corners
from covermap.ground.travel import Travel, record_starts, travel_along
from covermap.spread.deposit import Bands
from covermap.spread.profile import profile_shares
from covermap.spread.wind_lean import LEAN_STEP_M_S, DriftTables, leaned_band

#: Under wind, reaches are told apart to this [m]: fewer bands to work out.
_REACH_STEP_M = 0.05


@dataclass(frozen=True)
class FixWind:
    """The wind on the pieces at every harvested fix, and what it does to them.

    Attributes
    ----------
    across_m_s, along_m_s : numpy.ndarray
        (n,) air moving to the right and forward at flight height [m/s].
    east_m_s, north_m_s : numpy.ndarray
        (n,) air moving east and north as measured [m/s].
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


class _Shapes:
    """Profiles in use, each kept once, by what makes it."""

    def __init__(self, tables: list[tuple[float, ...]]) -> None:
        self.tables = tables
        self.rows: list[np.ndarray] = []
        self._known: dict[tuple[object, ...], tuple[int, float, float]] = {}

    def still(self, shape: str, left: float, right: float, table: int) -> tuple[int, float, float]:
        """Give row and edges [m] of a band in still air, its own lean left out."""
        key = (shape,) if shape == "flat" else (shape, round(left, 3), round(right, 3), table)
        if key not in self._known:
            own = self.tables[table] if shape == "table" else None
            self._known[key] = (self._add(profile_shares(shape, left, right, own)), 0.0, 0.0)
        return self._known[key][0], -left, right

    def leaned(
        self, row: int, left: float, right: float, wind_step: int, tables: DriftTables
    ) -> tuple[int, float, float]:
        """Give row and edges [m] of a still-air band in a crosswind."""
        if wind_step == 0:
            return row, left, right
        key = (row, round(left, 3), round(right, 3), wind_step, id(tables))
        if key not in self._known:
            shares, low, high = leaned_band(
                tables, self.rows[row], left, right, wind_step * LEAN_STEP_M_S
            )
            self._known[key] = (self._add(shares), low, high)
        return self._known[key]

    def _add(self, shares: np.ndarray) -> int:
        self.rows.append(shares)
        return len(self.rows) - 1


def distinct_rows(columns: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Tell rows of settings apart.

    Parameters
    ----------
    columns : sequence of numpy.ndarray
        Each (n,).

    Returns
    -------
    numpy.ndarray, numpy.ndarray
        (n,) number of each row's kind, from 0; (kinds,) the first row of each kind.
    """
    code = np.zeros(len(columns[0]), np.int64)
    for column in columns:
        if (column == column[0]).all():
            continue
        own, names = pd.factorize(column)
        code, _ = pd.factorize(code * len(names) + own)
    return code, np.unique(code, return_index=True)[1]


def _component(
    shapes: _Shapes,
    shape: np.ndarray,
    reach_left_m: np.ndarray,
    reach_right_m: np.ndarray,
    table: np.ndarray,
    across_m_s: np.ndarray,
    drift: DriftTables | None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give profile row, left and right edge [m] of every band of one kind."""
    step = _REACH_STEP_M if drift is not None else 1e-3
    wind_step = np.rint(across_m_s / LEAN_STEP_M_S) if drift is not None else 0 * across_m_s
    columns = [
        shape,
        np.rint(reach_left_m / step) * step,
        np.rint(reach_right_m / step) * step,
        table,
        wind_step.astype(int),
    ]
    codes, first = distinct_rows(columns)
    unique = [[column[i] for column in columns] for i in first]
    found = np.empty((len(unique), 3))
    for code, (name, left, right, number, wind) in enumerate(unique):
        row, low, high = shapes.still(str(name), left, right, int(number))
        if drift is not None:
            row, low, high = shapes.leaned(row, low, high, int(wind), drift)
        # what rounding of the reach took away comes back at the edges
        found[code] = row, low + left, high - right
    return (
        found[codes, 0].astype(np.int64),
        found[codes, 1] - reach_left_m,
        found[codes, 2] + reach_right_m,
    )


def _one(parts: list[np.ndarray]) -> np.ndarray:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def residue_bands(
    path: pd.DataFrame,
    rows: np.ndarray,
    pass_no: np.ndarray,
    machine: pd.DataFrame,
    straw_kg: np.ndarray,
    chaff_kg: np.ndarray,
    wind: FixWind | None = None,
    travel: Travel | None = None,
) -> tuple[Bands, float]:
    """Give the bands that the harvested fixes leave on the ground.

    What is cut during a record leaves the machine ``residue_delay_s`` later, at the place
    where the discharge is by then, be that on the headland. A windrow drops as a mat; wind
    is not applied to it, only to its chaff.

    Parameters
    ----------
    path : pandas.DataFrame
        Cleaned path.
    rows : numpy.ndarray
        (n,) harvested rows of it.
    pass_no : numpy.ndarray
        (n,) pass number of each.
    machine : pandas.DataFrame
        Settings per row of the path, from
        :func:`covermap.spread.machine_settings.settings_per_fix`.
    straw_kg, chaff_kg : numpy.ndarray
        (n,) residue through the machine [kg].
    wind : FixWind, optional
        Wind on the pieces; still air if not given.
    travel : Travel, optional
        Of ``path``, where it is known already.

    Returns
    -------
    Bands
        Straw and chaff, a pass standing together; straw that is baled is left out.
    float
        Straw baled and taken off [kg].
    """
    held = machine.iloc[rows]
    travel = travel or travel_along(path)
    delay = held["residue_delay_s"].to_numpy(float)
    ahead = -held["antenna_ahead_of_discharge_m"].to_numpy(float)
    windrow = (held["discharge"] == "windrow").to_numpy()
    still = np.zeros(len(rows))
    across = still if wind is None else wind.across_m_s
    if wind is not None:
        carried = np.interp(wind.along_m_s, wind.spread.along_wind_m_s, wind.spread.along_m)
        ahead = ahead + np.where(windrow, 0.0, carried)
    start = travel.positions(record_starts(path)[rows] + delay, ahead)
    end = travel.positions(path["clock_s"].to_numpy(float)[rows] + delay, ahead)
    xy = path[["easting", "northing"]].to_numpy(float)
    before, after = xy[np.maximum(rows - 1, 0)], xy[np.minimum(rows + 1, len(xy) - 1)]
    heading = np.arctan2(*(after - before).T)
    touching = np.append(False, np.hypot(*(start[1:] - end[:-1]).T) < 1e-6)
    follows = touching & np.append(False, pass_no[1:] == pass_no[:-1])

    lean = held["lean_m"].to_numpy(float)
    baled = held["baled_share"].to_numpy(float)
    chaff_width = held["chaff_width_m"].to_numpy(float)
    apart = np.isfinite(chaff_width)
    shapes = _Shapes(machine.attrs["shares"])
    shape, table = held["profile"].to_numpy(), held["shares"].to_numpy()
    reach_left = held["reach_left_m"].to_numpy(float)
    reach_right = held["reach_right_m"].to_numpy(float)
    profile = np.zeros(len(rows), np.int64)
    left, right = np.zeros(len(rows)), np.zeros(len(rows))
    for mask, drift in (
        (windrow, None),
        (~windrow & ~apart, None if wind is None else wind.spread),
        (~windrow & apart, None if wind is None else wind.straw),
    ):
        if mask.any():
            profile[mask], left[mask], right[mask] = _component(
                shapes,
                shape[mask],
                reach_left[mask],
                reach_right[mask],
                table[mask],
                across[mask],
                drift,
            )
    corners = [sweep_corners(start, end, follows, lean + left, lean + right, heading)]
    mass = [straw_kg * (1 - baled) + np.where(apart, 0.0, chaff_kg)]
    profiles, order = [profile], [np.arange(len(rows))]
    if apart.any():
        half = np.where(apart, chaff_width, 1.0) / 2
        count = len(rows)
        row, low, high = _component(
            shapes,
            np.full(count, "flat", object),
            half,
            half,
            np.full(count, -1),
            np.where(apart, across, 0.0),
            None if wind is None else wind.chaff,
        )
        chaff = sweep_corners(start, end, follows, lean + low, lean + high, heading)
        corners.append(chaff[apart])
        mass.append(chaff_kg[apart])
        profiles.append(row[apart])
        order.append(np.flatnonzero(apart))
    most = max(len(s) for s in shapes.rows)
    # a pass stands together, first its straw and then its chaff
    of_pass = pass_no[np.concatenate(order)]
    sequence = np.argsort(of_pass, kind="stable") if apart.any() else slice(None)
    bands = Bands(
        corners=_one(corners)[sequence],
        mass_kg=_one(mass)[sequence],
        profile=_one(profiles)[sequence],
        pass_index=of_pass[sequence].astype(np.int32),
        shares=np.array([np.pad(s, (0, most - len(s))) for s in shapes.rows]),
        bins=np.array([len(s) for s in shapes.rows]),
    )
    return bands, float((straw_kg * baled).sum())

"""The bands of residue behind the machine: where, how wide, how much, in which shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from covermap.ground.lean_memory import at_rows
from covermap.ground.travel import Travel
from covermap.spread.band_corners import corners_by_block
from covermap.spread.deposit import Bands
from covermap.spread.profile import profile_shares
from covermap.wind.wind_lean import LEAN_STEP_M_S, DriftTables, FixWind, leaned_band

#: Under wind, reaches are told apart to this [m]: fewer bands to work out.
_REACH_STEP_M = 0.05


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
    """Give (n,) the number of each row's kind, from 0, and (kinds,) the first row of each.

    ``columns`` are (n,) each; rows are of one kind if they are alike in all of them.
    """
    code = np.zeros(len(columns[0]), np.int64)
    for column in columns:
        if (column == column[0]).all():
            continue
        own, names = pd.factorize(column)
        code, _ = pd.factorize(code * len(names) + own)
    return code, np.unique(code, return_index=True)[1]


def _rounded(values: np.ndarray, step: float) -> np.ndarray:
    """Give ``values`` to the nearest step; worked out once where all are alike."""
    if len(values) and values.strides == (0,):
        return np.broadcast_to(np.rint(values[0] / step) * step, len(values))
    return np.asarray(np.rint(values / step) * step)


def _component(
    shapes: _Shapes,
    shape: np.ndarray,
    names: Sequence[str],
    reach_left_m: np.ndarray,
    reach_right_m: np.ndarray,
    table: np.ndarray,
    across_m_s: np.ndarray,
    drift: DriftTables | None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give profile row, left and right edge [m] of every band of one kind."""
    step = _REACH_STEP_M if drift is not None else 1e-3
    none = np.broadcast_to(0, len(shape))
    columns = [
        shape,
        _rounded(reach_left_m, step),
        _rounded(reach_right_m, step),
        table,
        none if drift is None else np.rint(across_m_s / LEAN_STEP_M_S).astype(int),
    ]
    codes, first = distinct_rows(columns)
    found = np.empty((len(first), 3))
    for code, i in enumerate(first):
        name, left, right, number, wind = (column[i] for column in columns)
        row, low, high = shapes.still(names[name], left, right, int(number))
        if drift is not None:
            row, low, high = shapes.leaned(row, low, high, int(wind), drift)
        # what rounding of the reach took away comes back at the edges
        found[code] = row, low + left, high - right
    return (
        found[codes, 0].astype(np.int64),
        found[codes, 1] - reach_left_m,
        found[codes, 2] + reach_right_m,
    )


def laden(
    places: Bands,
    rows: np.ndarray,
    pass_no: np.ndarray,
    machine: pd.DataFrame,
    straw_kg: np.ndarray,
    chaff_kg: np.ndarray,
) -> tuple[Bands, float]:
    """Put residue on bands that have none yet.

    Parameters
    ----------
    places : Bands
        From :func:`band_places`, with the same ``rows``, ``pass_no`` and ``machine``.
    straw_kg, chaff_kg : numpy.ndarray
        (n,) residue through the machine [kg].

    Returns
    -------
    Bands
        Straw and chaff, a pass standing together; straw that is baled is left out.
    float
        Straw baled and taken off [kg].
    """
    baled = at_rows(machine["baled_share"], rows)
    apart = np.isfinite(at_rows(machine["chaff_width_m"], rows))
    mass = straw_kg * (1 - baled) + np.where(apart, 0.0, chaff_kg)
    mass_kg = np.empty(len(places.corners))
    straw, chaff = _in_sequence(pass_no, apart)
    mass_kg[straw] = mass
    mass_kg[chaff] = chaff_kg[apart]
    return replace(places, mass_kg=mass_kg), float((straw_kg * baled).sum())


def _in_sequence(pass_no: np.ndarray, apart: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give where straw and chaff stand among the bands: a pass together, its straw first."""
    n = len(pass_no)
    if not apart.any():
        return np.arange(n), np.arange(0)
    order = np.argsort(np.concatenate([pass_no, pass_no[apart]]), kind="stable")
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    return place[:n], place[n:]


def band_places(
    path: pd.DataFrame,
    rows: np.ndarray,
    pass_no: np.ndarray,
    machine: pd.DataFrame,
    wind: FixWind | None = None,
    travel: Travel | None = None,
) -> Bands:
    """Give where the bands of the harvested fixes lie, without their residue.

    What is cut during a record leaves the machine ``residue_delay_s`` later, at the place
    where the discharge is by then, be that on the headland. A windrow drops as a mat; wind
    is not applied to it, only to its chaff.

    Parameters
    ----------
    path, rows, pass_no : pandas.DataFrame, numpy.ndarray, numpy.ndarray
        Cleaned path; (n,) harvested rows of it, and the pass number of each.
    machine : pandas.DataFrame
        Settings per row of the path, from
        :func:`covermap.spread.machine_settings.settings_per_fix`.
    wind : FixWind, optional
        Wind on the pieces; still air if not given.
    travel : Travel, optional
        Of ``path``, where it is known already.

    Returns
    -------
    Bands
        Of straw, and of chaff where it falls apart from it; ``mass_kg`` is 0 and read-only.
    """
    count = len(rows)
    windrow = (machine["discharge"] == "windrow").to_numpy(bool)[rows]
    chaff_width = at_rows(machine["chaff_width_m"], rows)
    apart = np.isfinite(chaff_width)
    still = np.broadcast_to(0.0, count)
    across = still if wind is None else wind.across_m_s
    shapes = _Shapes(machine.attrs["shares"])
    named = pd.Categorical(machine["profile"])
    shape, table = named.codes[rows], at_rows(machine["shares"], rows)
    names = [str(name) for name in named.categories]
    reach_left = at_rows(machine["reach_left_m"], rows)
    reach_right = at_rows(machine["reach_right_m"], rows)
    profile = np.zeros(count, np.int64)
    left, right = np.zeros(count), np.zeros(count)
    for mask, drift in (
        (windrow, None),
        (~windrow & ~apart, None if wind is None else wind.spread),
        (~windrow & apart, None if wind is None else wind.straw),
    ):
        if mask.any():
            own = slice(None) if mask.all() else mask
            profile[own], left[own], right[own] = _component(
                shapes,
                shape[own],
                names,
                reach_left[own],
                reach_right[own],
                table[own],
                across[own],
                drift,
            )
    lean = at_rows(machine["lean_m"], rows)
    left += lean
    right += lean
    edges = [(left, right)]
    chaff_profile = np.zeros(0, np.int64)
    if apart.any():
        half = np.where(apart, chaff_width, 1.0) / 2
        row, low, high = _component(
            shapes,
            np.zeros(count, np.int8),
            ["flat"],
            half,
            half,
            np.broadcast_to(-1, count),
            np.where(apart, across, 0.0),
            None if wind is None else wind.chaff,
        )
        edges.append((lean + low, lean + high))
        chaff_profile = row[apart]
    straw, chaff = _in_sequence(pass_no, apart)
    bands = len(straw) + len(chaff)
    of_pass = np.empty(bands, np.int32)
    of_pass[straw], of_pass[chaff] = pass_no, pass_no[apart]
    if len(chaff):
        of_straw, profile = profile, np.empty(bands, np.int64)
        profile[straw], profile[chaff] = of_straw, chaff_profile
    corners = np.empty((bands, 4, 2))
    carried = still if wind is None else np.where(windrow, 0.0, _along_m(wind))
    done = 0
    for block, found in corners_by_block(path, rows, pass_no, machine, carried, edges, travel):
        corners[straw[block]] = found[0]
        if len(found) > 1:
            fallen = found[1][apart[block]]
            corners[chaff[done : done + len(fallen)]] = fallen
            done += len(fallen)
    most = max(len(s) for s in shapes.rows)
    return Bands(
        corners=corners,
        mass_kg=np.broadcast_to(0.0, bands),
        profile=profile,
        pass_index=of_pass,
        shares=np.array([np.pad(s, (0, most - len(s))) for s in shapes.rows]),
        bins=np.array([len(s) for s in shapes.rows]),
    )


def _along_m(wind: FixWind) -> np.ndarray:
    """Give how far the wind carries the band along the travel [m]."""
    return np.asarray(np.interp(wind.along_m_s, wind.spread.along_wind_m_s, wind.spread.along_m))

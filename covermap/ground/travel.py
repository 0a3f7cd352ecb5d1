"""Where the machine was at any moment, also between and after its fixes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

#: After a break in the log the machine is taken to drive straight on for this long [s].
_STRAIGHT_ON_S = 60.0


@dataclass(frozen=True)
class Travel:
    """The path as knots: clock [s], chainage [m] and position [m], all in order."""

    clock_s: np.ndarray
    chainage_m: np.ndarray
    easting: np.ndarray
    northing: np.ndarray

    def positions(self, clock_s: np.ndarray, ahead_m: np.ndarray | float = 0.0) -> np.ndarray:
        """Give (n, 2) positions at ``clock_s``, ``ahead_m`` further along the path [m]."""
        s = np.interp(clock_s, self.clock_s, self.chainage_m) + ahead_m
        return np.column_stack(
            [
                np.interp(s, self.chainage_m, self.easting),
                np.interp(s, self.chainage_m, self.northing),
            ]
        )


def travel_along(path: pd.DataFrame) -> Travel:
    """Make the knots of a cleaned path.

    Across a break in the log the machine is taken to drive straight on from the last fix
    and to arrive straight at the next one, each at its own pace; never past the next fix
    if that lies straight ahead.

    Parameters
    ----------
    path : pandas.DataFrame
        ``easting``, ``northing``, ``clock_s``, ``record_s``, ``travel_m``, ``gap``.

    Returns
    -------
    Travel
    """
    xy = path[["easting", "northing"]].to_numpy(float)
    clock = path["clock_s"].to_numpy(float)
    record = np.maximum(path["record_s"].to_numpy(float), 1e-3)
    travel = path["travel_m"].to_numpy(float)
    gap = path["gap"].to_numpy(bool).copy()
    gap[0] = True
    n = len(path)
    step = np.diff(xy, axis=0)
    length = np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-9)
    direction = step / length[:, None]
    # heading out of each fix: of the step into it, or of the one after at the start of a run
    into = np.vstack([direction[:1], direction])
    out_of = np.vstack([direction, direction[-1:]])
    starts = gap
    ends = np.append(gap[1:], True)
    leaving = np.where(starts[:, None], out_of, into)
    arriving = np.where(ends[:, None], into, out_of)
    both = starts & ends
    if both.any():
        leaving[both] = into[both]
        arriving[both] = into[both]
    b = np.flatnonzero(gap)
    before_clock = clock[b] - record[b]
    before_xy = xy[b] - arriving[b] * travel[b, None]
    pace = travel / record
    a = np.flatnonzero(ends)
    room = np.append(clock[a[:-1] + 1] - record[a[:-1] + 1] - clock[a[:-1]], np.inf)
    seconds = np.clip(np.minimum(_STRAIGHT_ON_S, 0.5 * room), 0.0, None)
    seconds[-1] = _STRAIGHT_ON_S
    run_on = pace[a] * seconds
    to_next = np.vstack([before_xy[1:] - xy[a[:-1]], [[np.inf, np.inf]]])
    distance = np.hypot(to_next[:, 0], to_next[:, 1])
    with np.errstate(invalid="ignore"):
        cosine = (to_next * leaving[a]).sum(axis=1) / np.maximum(distance, 1e-9)
    # a stop, not a break: the next record begins where this one ended
    stopped = distance <= np.maximum(1.0, 0.5 * travel[a])
    straight = stopped | (np.isfinite(cosine) & (cosine > 0.5))
    toward = np.divide(
        to_next,
        distance[:, None],
        out=leaving[a].copy(),
        where=(straight & (distance > 1e-6) & np.isfinite(distance))[:, None],
    )
    run_on = np.where(straight, np.minimum(run_on, distance), run_on)
    after_xy = xy[a] + toward * run_on[:, None]
    all_clock = np.concatenate([clock, before_clock, clock[a] + seconds])
    all_xy = np.vstack([xy, before_xy, after_xy])
    # order: by fix, with the knot before it first and the knot after it last
    rank = np.concatenate([np.arange(n) * 3 + 1, b * 3, a * 3 + 2])
    order = np.argsort(rank, kind="stable")
    all_clock = np.maximum.accumulate(all_clock[order])
    all_xy = all_xy[order]
    chainage = np.concatenate(
        [[0.0], np.cumsum(np.hypot(np.diff(all_xy[:, 0]), np.diff(all_xy[:, 1])))]
    )
    return Travel(all_clock, chainage, all_xy[:, 0], all_xy[:, 1])


def record_starts(path: pd.DataFrame) -> np.ndarray:
    """Give the moment [s] at which each record's travel began."""
    clock = path["clock_s"].to_numpy(float)
    own = clock - np.maximum(path["record_s"].to_numpy(float), 1e-3)
    before = np.concatenate([own[:1], clock[:-1]])
    gap = path["gap"].to_numpy(bool).copy()
    gap[0] = True
    return np.where(gap, np.maximum(own, before), before)

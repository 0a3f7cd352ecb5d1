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
    if that lies straight ahead. The path has ``easting``, ``northing``, ``clock_s``,
    ``record_s``, ``travel_m`` and ``gap``.
    """
    fixes = [path[name].to_numpy(float) for name in ("easting", "northing")]
    clock = path["clock_s"].to_numpy(float)
    record = np.maximum(path["record_s"].to_numpy(float), 1e-3)
    travel = path["travel_m"].to_numpy(float)
    n = len(path)
    starts = path["gap"].to_numpy(bool).copy()
    starts[0] = True
    ends = np.append(starts[1:], True)
    b, a = np.flatnonzero(starts), np.flatnonzero(ends)

    def xy(at: np.ndarray) -> np.ndarray:
        return np.column_stack([own[at] for own in fixes])

    def direction(step: np.ndarray) -> np.ndarray:
        """Give the direction from fix ``step`` to the next."""
        way = xy(step + 1) - xy(step)
        return np.asarray(way / np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-9)[:, None])

    # heading at each end of a run: of the step within it, or of the one into a lone fix
    leaving = direction(np.maximum(a - 1, 0))
    arriving = direction(np.where(ends[b], np.maximum(b - 1, 0), np.minimum(b, n - 2)))
    before_clock = clock[b] - record[b]
    before_xy = xy(b) - arriving * travel[b, None]
    room = np.append(clock[a[:-1] + 1] - record[a[:-1] + 1] - clock[a[:-1]], np.inf)
    seconds = np.clip(np.minimum(_STRAIGHT_ON_S, 0.5 * room), 0.0, None)
    seconds[-1] = _STRAIGHT_ON_S
    run_on = travel[a] / record[a] * seconds
    to_next = np.vstack([before_xy[1:] - xy(a[:-1]), [[np.inf, np.inf]]])
    distance = np.hypot(to_next[:, 0], to_next[:, 1])
    with np.errstate(invalid="ignore"):
        cosine = (to_next * leaving).sum(axis=1) / np.maximum(distance, 1e-9)
    # a stop, not a break: the next record begins where this one ended
    stopped = distance <= np.maximum(1.0, 0.5 * travel[a])
    straight = stopped | (np.isfinite(cosine) & (cosine > 0.5))
    toward = np.divide(
        to_next,
        distance[:, None],
        out=leaving.copy(),
        where=(straight & (distance > 1e-6) & np.isfinite(distance))[:, None],
    )
    run_on = np.where(straight, np.minimum(run_on, distance), run_on)
    after_xy = xy(a) + toward * run_on[:, None]
    # by fix, with the knot before it first and the knot after it last
    place = np.arange(n) + np.cumsum(starts)
    place[1:] += np.cumsum(ends[:-1])

    def in_order(own: np.ndarray, before: np.ndarray, after: np.ndarray) -> np.ndarray:
        """Set the knots before and after the runs between the fixes."""
        knots = np.empty(n + len(b) + len(a))
        knots[place], knots[place[b] - 1], knots[place[a] + 1] = own, before, after
        return knots

    knot_clock = in_order(clock, before_clock, clock[a] + seconds)
    np.maximum.accumulate(knot_clock, out=knot_clock)
    easting, northing = (in_order(fixes[k], before_xy[:, k], after_xy[:, k]) for k in range(2))
    chainage = np.zeros(len(knot_clock))
    step = np.diff(easting)
    np.cumsum(np.hypot(step, np.diff(northing), out=step), out=chainage[1:])
    return Travel(knot_clock, chainage, easting, northing)


def record_starts(path: pd.DataFrame) -> np.ndarray:
    """Give the moment [s] at which each record's travel began."""
    clock = path["clock_s"].to_numpy(float)
    own = clock - np.maximum(path["record_s"].to_numpy(float), 1e-3)
    before = np.concatenate([own[:1], clock[:-1]])
    follows = ~path["gap"].to_numpy(bool)
    follows[0] = False
    np.maximum(own, before, out=own)
    own[follows] = before[follows]
    return np.asarray(own)

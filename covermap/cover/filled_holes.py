"""The harvest as it would have been logged without holes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from covermap.cover.what_if import Run
from covermap.ground.travel import travel_along
from covermap.harvest.working_width import HeaderSweeps
from covermap.wind.wind_lean import FixWind

#: A log that breaks off for less than this has no hole worth filling [m].
_LEAST_HOLE_M = 3.0
_FILL_STEP_M = 3.0


def holes(run: Run, sweeps: HeaderSweeps) -> np.ndarray:
    """Give the places in ``run.rows`` before which the log of a pass breaks off for a while."""
    rows = run.rows
    gap = run.path["gap"].to_numpy(bool)[rows]
    next_record = np.append(False, (np.diff(rows) == 1) & (np.diff(run.pass_no) == 0))
    middle_end = sweeps.corners[:, 2:].mean(axis=1)
    middle_start = sweeps.corners[:, :2].mean(axis=1)
    apart = np.append(0.0, np.hypot(*(middle_start[1:] - middle_end[:-1]).T))
    return np.flatnonzero(gap & next_record & (apart > _LEAST_HOLE_M))


def with_holes_filled(run: Run, sweeps: HeaderSweeps, own_kg_m2: np.ndarray) -> Run:
    """Give the run as if the log had not broken off: straight on, with its neighbours' residue.

    The rows added stand in the path where the log has none.
    """
    found = holes(run, sweeps)
    if len(found) == 0:
        return run
    path = run.path
    xy, clock = path[["easting", "northing"]].to_numpy(float), path["clock_s"].to_numpy(float)
    starts = sweeps.corners[:, :2].mean(axis=1)
    added, after_row, like, mass = [], [], [], []
    for place in found:
        before, row = run.rows[place - 1], run.rows[place]
        end_clock = clock[row] - max(float(path["record_s"].iloc[row]), 1e-3)
        # the antenna's own place at the start of the record after the hole
        ahead = starts[place] - sweeps.corners[place, 2:].mean(axis=0)
        end = xy[row] + ahead
        hole_m = float(np.hypot(*(end - xy[before])))
        steps = max(int(np.ceil(hole_m / _FILL_STEP_M)), 1)
        share = np.arange(1, steps + 1) / steps
        width = 0.5 * (sweeps.header_width_m[place - 1] + sweeps.header_width_m[place])
        own = 0.5 * (own_kg_m2[place - 1] + own_kg_m2[place])
        part = path.iloc[np.full(steps, row)].copy()
        part["easting"] = xy[before, 0] + share * (end[0] - xy[before, 0])
        part["northing"] = xy[before, 1] + share * (end[1] - xy[before, 1])
        part["clock_s"] = clock[before] + share * (end_clock - clock[before])
        part["record_s"] = (end_clock - clock[before]) / steps
        part["travel_m"] = hole_m / steps
        part["gap"] = False
        added.append(part)
        after_row.append(np.full(steps, before))
        like.append(np.full(steps, place))
        mass.append(np.full(steps, own * width * hole_m / steps))
    filled = path.copy()
    gap = filled["gap"].to_numpy(bool).copy()
    gap[run.rows[found]] = False
    filled["gap"] = gap
    order = np.argsort(
        np.concatenate([np.arange(len(path), dtype=float), np.concatenate(after_row) + 0.5]),
        kind="stable",
    )
    source_row = np.concatenate([np.arange(len(path)), run.rows[np.concatenate(like)]])[order]
    new_path = pd.concat([filled, *added], ignore_index=True).iloc[order].reset_index(drop=True)
    # where each harvested fix stands now, and which one each added row copies
    fix_of_row = np.full(len(path), -1)
    fix_of_row[run.rows] = np.arange(len(run.rows))
    copied = np.concatenate([fix_of_row, np.concatenate(like)])[order]
    is_added = order >= len(path)
    rows = np.flatnonzero(copied >= 0)
    fix = copied[rows]
    through = run.straw_kg + run.chaff_kg
    straw_part = run.straw_kg.sum() / max(through.sum(), 1e-9)
    new_mass = np.zeros(len(order))
    new_mass[is_added] = np.concatenate(mass)[order[is_added] - len(path)]
    added_kg = new_mass[rows]
    fresh = is_added[rows]
    machine = run.machine.iloc[source_row].reset_index(drop=True)
    machine.attrs["shares"] = list(run.machine.attrs["shares"])
    return Run(
        new_path,
        rows,
        run.pass_no[fix],
        machine,
        np.where(fresh, straw_part * added_kg, run.straw_kg[fix]),
        np.where(fresh, (1 - straw_part) * added_kg, run.chaff_kg[fix]),
        None if run.wind is None else _wind_at(run.wind, fix),
        run.spread[source_row],
        fresh,
        travel_along(new_path),
    )


def _wind_at(wind: FixWind, fix: np.ndarray) -> FixWind:
    return replace(
        wind,
        across_m_s=wind.across_m_s[fix],
        along_m_s=wind.along_m_s[fix],
        east_m_s=wind.east_m_s[fix],
        north_m_s=wind.north_m_s[fix],
    )

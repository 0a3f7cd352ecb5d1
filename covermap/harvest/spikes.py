"""Positions that jump away and back while the log's own distance stays right."""

from __future__ import annotations

import numpy as np
import pandas as pd

#: A record after a wait longer than this many records follows a pause.
PAUSE_RECORDS = 3.5
_LONGEST_SPIKE_FIXES = 30


def _allowed_step(fixes: pd.DataFrame, most_speed: float, has_time: bool) -> np.ndarray:
    """Give how far each fix may lie from the one before [m]."""
    east, north = fixes["easting"].to_numpy(), fixes["northing"].to_numpy()
    step = np.hypot(np.diff(east, prepend=east[:1]), np.diff(north, prepend=north[:1]))
    usual = float(np.median(step[1:])) if len(step) > 1 else 0.0
    if has_time:
        waited = np.diff(fixes["clock_s"].to_numpy(), prepend=fixes["clock_s"].iloc[0])
        allowed = most_speed * np.maximum(waited, 0) + 3
        same_run = waited <= 2 * fixes["record_s"].to_numpy()
    else:
        allowed = np.full(len(step), 15 * usual + 3)
        same_run = np.ones(len(step), bool)
    if "distance_m" in fixes:
        own = fixes["distance_m"].to_numpy()
        known = np.isfinite(own) & (own > 0) & same_run
        allowed = np.where(known, np.minimum(allowed, 2 * own + 5), allowed)
    return allowed


def position_spikes(fixes: pd.DataFrame, most_speed: float, has_time: bool) -> np.ndarray:
    """Mark runs of positions that jump away while their neighbours agree with each other.

    The track is cut at pauses, after which the machine may be anywhere. Each section is
    walked from its longest unbroken run outwards; a run that cannot be reached is a spike,
    unless it is so long that the section must have moved there.
    """
    n = len(fixes)
    spike = np.zeros(n, bool)
    if n < 3:
        return spike
    xy = fixes[["easting", "northing"]].to_numpy()
    allowed = _allowed_step(fixes, most_speed, has_time)
    reach = np.cumsum(allowed)
    step = np.hypot(*np.diff(xy, axis=0).T)
    jump = step > allowed[1:]
    waited = np.diff(fixes["clock_s"].to_numpy()) if has_time else np.zeros(n - 1)
    paused = waited > PAUSE_RECORDS * fixes["record_s"].to_numpy()[1:]
    sections = np.split(np.arange(n), np.flatnonzero(paused) + 1)

    def agrees(a: int, b: int) -> bool:
        apart = float(np.hypot(*(xy[b] - xy[a])))
        return bool(apart <= reach[max(a, b)] - reach[min(a, b)])

    for section in sections:
        first = int(section[0])
        inner = np.flatnonzero(jump[first : first + len(section) - 1]) + 1
        if len(inner) == 0:
            continue
        runs = np.split(section, inner)
        anchor = max(range(len(runs)), key=lambda k: len(runs[k]))
        for order, end in ((range(anchor + 1, len(runs)), -1), (range(anchor - 1, -1, -1), 0)):
            last = int(runs[anchor][end])
            for k in order:
                near = int(runs[k][0 if end else -1])
                if agrees(last, near) or len(runs[k]) > _LONGEST_SPIKE_FIXES:
                    last = int(runs[k][end])
                else:
                    spike[runs[k]] = True
    for before, section, after in zip(sections, sections[1:], sections[2:], strict=False):
        a, b, c, d = before[-1], section[0], section[-1], after[0]
        if len(section) <= 3 and not agrees(a, b) and not agrees(c, d) and agrees(a, d):
            spike[section] = True
    return spike

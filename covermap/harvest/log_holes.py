"""Holes in the log while the machine drove straight on: told, and no end of a pass."""

from __future__ import annotations

import numpy as np
import pandas as pd

from covermap.harvest.spikes import PAUSE_RECORDS
from covermap.tables.said import Said

#: A receiver can be lost for this far and the pass still be the same one [m].
LONGEST_HOLE_M = 600.0
#: Aside of the straight line on: this share of the cut width and of the distance.
_ASIDE_OF_WIDTH, _ASIDE_OF_DISTANCE = 0.3, 0.02
_PACE_FROM, _PACE_TO = 0.5, 1.5
#: A step of fewer records' travel is a stop or a late record, not a hole.
_HOLE_RECORDS = 5.0
_MOST_NOTES = 5


def drove_straight_on(
    ahead_m: float, aside_m: float, waited_s: float, pace_m_s: float, cut_width_m: float
) -> bool:
    """Tell whether the machine went straight on, at its pace, while nothing was logged.

    ``ahead_m`` and ``aside_m`` lead from the last fix before to the first after, along and
    across the heading; the pace is that of the run before.
    """
    distance = float(np.hypot(ahead_m, aside_m))
    if not 0 < ahead_m <= distance <= LONGEST_HOLE_M or waited_s <= 0:
        return False
    if aside_m > _ASIDE_OF_WIDTH * cut_width_m + _ASIDE_OF_DISTANCE * distance:
        return False
    return _PACE_FROM * pace_m_s <= distance / waited_s <= _PACE_TO * pace_m_s


def notes_on_holes(path: pd.DataFrame, pass_of_fix: np.ndarray) -> list[Said]:
    """Say where no fix was logged for a while within a pass, so that ground is missing.

    ``pass_of_fix`` is (len(path),), 0 where nothing was harvested. One note for each hole, the
    longest first, and one for the rest.
    """
    if "time" not in path:
        return []
    step, clock = path["step_m"].to_numpy(float), path["clock_s"].to_numpy(float)
    record = path["record_s"].to_numpy(float)
    waited = np.diff(clock, prepend=np.nan)
    usual = float(np.nanmedian(step))
    same = np.append(False, pass_of_fix[1:] == pass_of_fix[:-1]) & (pass_of_fix > 0)
    with np.errstate(invalid="ignore"):
        hole = same & (waited > PAUSE_RECORDS * record) & (step > _HOLE_RECORDS * usual)
    rows = np.flatnonzero(hole)
    missing = np.maximum(step - path["travel_m"].to_numpy(float), 0.0)
    rows = rows[np.argsort(-missing[rows], kind="stable")]
    notes = [
        Said(
            "passes-hole",
            {
                "waited_s": float(waited[i]),
                "when": _from_to(path["time"], i),
                "pass_id": int(pass_of_fix[i]),
                "missing_m": float(missing[i]),
            },
        )
        for i in rows[:_MOST_NOTES]
    ]
    if len(rows) > _MOST_NOTES:
        rest = rows[_MOST_NOTES:]
        numbers = {"holes": len(rest), "missing_m": float(missing[rest].sum())}
        notes.append(Said("passes-more-holes", numbers))
    return notes


def _from_to(time: pd.Series, row: int) -> str:
    before, after = time.iloc[row - 1], time.iloc[row]
    if pd.isna(before) or pd.isna(after):
        return ""
    if f"{before:%H:%M}" == f"{after:%H:%M}":
        return f" at {before:%H:%M} UTC"
    return f" from {before:%H:%M} to {after:%H:%M} UTC"

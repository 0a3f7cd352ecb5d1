"""Grain readings of a track: mass per record, blanks filled, the sensor's delay undone."""

from __future__ import annotations

import numpy as np
import pandas as pd

from covermap.harvest.clock import record_clock
from covermap.tables.said import Said

#: Readings of grain, the one that tells mass best first.
READINGS = ("grain_mass_kg", "grain_flow_kg_s", "grain_yield_t_ha")
#: Longer blanks are not filled: the crop may have changed or ended meanwhile.
_LONGEST_BLANK_RECORDS = 5
#: A machine that turned further than this over a blank was not simply cutting on [deg].
_MOST_TURN_DEG = 45.0
#: A reading this many times the middle one is an error, and no neighbour to fill from.
ABSURD_TIMES_MEDIAN = 6.0


def reading_column(fixes: pd.DataFrame) -> str | None:
    """Give the grain reading that counts, or None."""
    return next((column for column in READINGS if column in fixes), None)


def grain_per_record(fixes: pd.DataFrame) -> np.ndarray:
    """Give wet grain per record [kg]; zeros if the track has neither flow nor mass."""
    if "grain_mass_kg" in fixes:
        grain = fixes["grain_mass_kg"].to_numpy(float)
    elif "grain_flow_kg_s" in fixes:
        grain = fixes["grain_flow_kg_s"].to_numpy(float) * fixes["record_s"].to_numpy()
    else:
        return np.zeros(len(fixes))
    return np.where(np.isfinite(grain) & (grain > 0), grain, 0.0)


def grain_of_lost_rows(fixes: pd.DataFrame, lost: np.ndarray, has_time: bool) -> np.ndarray:
    """Give (n,) the wet grain [kg] of rows without a position that no other row speaks for.

    A flow times the time since the record before covers a short hole already; a mass, or a
    flow with its own interval, is lost with its row. ``fixes`` are all rows in file order,
    ``lost`` (n,) marks those without a usable position; others give 0.
    """
    if not lost.any():
        return np.zeros(len(fixes))
    timed, record_s = record_clock(fixes, has_time, [])
    grain = np.where(lost, grain_per_record(timed.assign(record_s=record_s)), 0.0)
    if "grain_mass_kg" in fixes or "interval_s" in fixes or not has_time or lost.all():
        return grain
    kept = np.flatnonzero(~lost)
    after = np.searchsorted(kept, np.arange(len(fixes)))
    inside = (after > 0) & (after < len(kept))
    clock = timed["clock_s"].to_numpy()
    hole = np.full(len(fixes), np.inf)
    hole[inside] = np.abs(clock[kept[after[inside]]] - clock[kept[after[inside] - 1]])
    return np.where(hole <= 3 * float(np.median(record_s)), 0.0, grain)


def fill_blank_readings(path: pd.DataFrame, notes: list[Said]) -> pd.DataFrame:
    """Fill short blanks in the grain reading from the readings before and after.

    Only where the machine was cutting on both sides, drove on, and did not lift the header.
    ``path`` is one machine's, with ``gap``, ``record_s`` and ``grain_kg``.
    """
    column = reading_column(path)
    if column is None:
        return path
    value = path[column].to_numpy(float, copy=True)
    blank = ~np.isfinite(value)
    positive = value[~blank & (value > 0)]
    if not blank.any() or len(positive) == 0:
        return path
    down = path["header_down"].to_numpy(bool) if "header_down" in path else np.ones(len(path), bool)
    gap = path["gap"].to_numpy(bool)
    with np.errstate(invalid="ignore"):
        sound = (value > 0) & (value <= ABSURD_TIMES_MEDIAN * np.median(positive)) & down
    xy = path[["easting", "northing"]].to_numpy(float)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], blank.astype(int), [0]])))
    filled = np.zeros(len(path), bool)
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        if first < 2 or end > len(path) - 2 or end - first > _LONGEST_BLANK_RECORDS:
            continue
        before, after = first - 1, end
        whole = down[first:end].all() and not gap[first : end + 1].any()
        if whole and sound[before] and sound[after] and _drove_on(xy, before, after):
            filled[first:end] = True
    if not filled.any():
        return path
    path = path.copy()
    known = np.flatnonzero(~blank)
    value[filled] = np.interp(np.flatnonzero(filled), known, value[known])
    path[column] = value
    if column != "grain_yield_t_ha":
        path["grain_kg"] = np.where(filled, grain_per_record(path), path["grain_kg"].to_numpy())
    notes.append(Said("track-blanks-filled", {"readings": int(filled.sum())}))
    return path


def _drove_on(xy: np.ndarray, before: int, after: int) -> bool:
    into, out = xy[before] - xy[before - 1], xy[after + 1] - xy[after]
    turn = np.degrees(np.arctan2(out[0], out[1]) - np.arctan2(into[0], into[1]))
    return bool(abs((turn + 180) % 360 - 180) < _MOST_TURN_DEG)


def readings_moved_back(path: pd.DataFrame, delay_s: float, notes: list[Said]) -> pd.DataFrame:
    """Give each fix the grain reading of ``delay_s`` later [s], total mass kept."""
    path = path.copy()
    clock = path["clock_s"].to_numpy()
    later = clock + delay_s
    for column in ("grain_flow_kg_s", "grain_yield_t_ha", "moisture_pct"):
        if column not in path:
            continue
        value = path[column].to_numpy(float)
        known = np.isfinite(value)
        if not known.any():
            continue
        moved = np.interp(later, clock[known], value[known])
        if column != "moisture_pct":
            # a blank stays a blank, only earlier
            moved[np.interp(later, clock, ~known) > 0.5] = np.nan
        path[column] = moved
    record = path["record_s"].to_numpy()
    before = path["grain_kg"].to_numpy()
    moved = np.interp(later, clock, before / record) * record
    if moved.sum() > 0:
        moved *= before.sum() / moved.sum()
    path["grain_kg"] = moved
    if "grain_mass_kg" in path:
        blank = np.interp(later, clock, path["grain_mass_kg"].isna().to_numpy(float)) > 0.5
        path["grain_mass_kg"] = np.where(blank & (moved <= 0), np.nan, moved)
    notes.append(Said("track-readings-moved", {"delay_s": delay_s}))
    return path

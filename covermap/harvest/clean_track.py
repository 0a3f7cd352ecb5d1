"""Clean a harvest track, and keep a ledger of everything taken out and why.

Two things are kept apart: the *path*, where the machine went (needed to place residue
that leaves the machine after the crop ended), and the fixes that were *cutting*.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from covermap.errors import TrackError
from covermap.harvest.clock import in_order_of_time, mend_clock, record_clock, time_backwards
from covermap.harvest.ledger import REASONS, CleanTrack, Ledger, ledger_of_unreadable, one_ledger
from covermap.harvest.machines import BETWEEN_MACHINES_S, fixes_by_machine, refuse_two_machines
from covermap.harvest.readings import (
    ABSURD_TIMES_MEDIAN,
    fill_blank_readings,
    grain_per_record,
    reading_column,
    readings_moved_back,
)
from covermap.harvest.rough_positions import smooth_rough_positions
from covermap.harvest.spikes import PAUSE_RECORDS, position_spikes
from covermap.harvest.track import Track
from covermap.tables.said import Said

__all__ = ["REASONS", "CleanTrack", "Ledger", "clean_track"]

#: Without a clock, travel is turned into time at this speed (common practice, no source).
ASSUMED_SPEED_M_S = 1.8
_STANDING_SPEED_M_S = 0.1
_ROAD_FIXES = 5


def clean_track(
    track: Track,
    *,
    most_speed_m_s: float,
    most_harvest_speed_m_s: float,
    grain_delay_s: float = 0.0,
) -> CleanTrack:
    """Take out what cannot be true or was not harvest, and say how much of each.

    Parameters
    ----------
    track : Track
        As read.
    most_speed_m_s, most_harvest_speed_m_s : float
        Faster is a position error, and for several fixes on end road travel [m/s].
    grain_delay_s : float
        From cutting to the grain reading; readings are moved back by it [s].

    Raises
    ------
    TrackError
        If fewer than two different positions are left.
    """
    notes: list[Said] = []
    ledgers = [ledger_of_unreadable(track.unreadable)]
    paths: list[pd.DataFrame] = []
    machines = fixes_by_machine(track.fixes.reset_index(drop=True), notes)
    for name, fixes in machines:
        said: list[Said] = []
        path, ledger = _clean_machine(
            fixes, track, most_speed_m_s, most_harvest_speed_m_s, grain_delay_s, said
        )
        ledgers.append(ledger)
        notes += said if name is None else [replace(one, about=f"Machine {name}") for one in said]
        if len(path) < 2:
            continue
        if paths:
            begin = float(paths[-1]["clock_s"].iloc[-1]) + BETWEEN_MACHINES_S
            path["clock_s"] += begin - float(path["clock_s"].iloc[0])
        paths.append(path)
    if not paths:
        raise TrackError(
            f"{track.source}: {len(track.fixes)} fixes, but fewer than two different positions "
            "are left after cleaning.",
            "Expected a track of a moving machine.",
            "Check that the position columns are the right ones (covermap check shows what was "
            "recognised).",
        )
    repeated = sum(one.counts()["duplicate"] for one in ledgers)
    if repeated:
        notes.append(Said("track-repeated", {"rows": repeated}))
    return CleanTrack(
        paths[0] if len(paths) == 1 else pd.concat(paths, ignore_index=True),
        one_ledger([one for one in ledgers if len(one.removed) or one.grain_seen_kg] or ledgers),
        track.has_time,
        tuple(notes),
        {one.column: one.header for one in track.recognised},
        len(track.fixes) + len(track.unreadable),
    )


def _clean_machine(
    fixes: pd.DataFrame,
    track: Track,
    most_speed_m_s: float,
    most_harvest_speed_m_s: float,
    grain_delay_s: float,
    notes: list[Said],
) -> tuple[pd.DataFrame, Ledger]:
    """Clean the fixes of one machine; fewer than two rows are left if it did not move."""
    has_time = track.has_time
    if has_time:
        fixes = in_order_of_time(fixes, notes)
    fixes, record_s = record_clock(fixes, has_time, notes)
    fixes["record_s"] = record_s
    fixes["grain_kg"] = grain_per_record(fixes)
    ledger = ledger_of_unreadable(track.unreadable.iloc[:0])

    def take_out(mask: np.ndarray, reason: str) -> None:
        nonlocal fixes, ledger
        if mask.any():
            ledger = ledger.with_removed(fixes[mask], reason, REASONS[reason])
            fixes = fixes[~mask].reset_index(drop=True)

    repeated = _duplicates(fixes, has_time)
    if repeated.any():
        grain = fixes["grain_kg"].mask(repeated & _same_reading(fixes, has_time), 0.0)
        fixes = fixes.assign(grain_kg=grain)
    take_out(repeated, "duplicate")
    if has_time:
        take_out(time_backwards(fixes), "time backwards")
        fixes = mend_clock(fixes, most_speed_m_s, notes)
        fixes["grain_kg"] = grain_per_record(fixes)
    seen = ledger.removed["grain_kg"].sum() + fixes["grain_kg"].sum()
    spikes = position_spikes(fixes, most_speed_m_s, has_time)
    refuse_two_machines(fixes, spikes, most_speed_m_s, has_time, track.source)
    take_out(spikes, "position spike")
    take_out(_too_fast(fixes, most_speed_m_s, has_time), "impossible speed")
    take_out(_standing(fixes, has_time), "standing still")
    ledger = replace(ledger, grain_seen_kg=float(seen))
    if len(fixes) < 2:
        return fixes.iloc[:0], ledger.with_removed(fixes, "not in a pass", REASONS["not in a pass"])
    path = _steps(fixes, has_time)
    smooth = smooth_rough_positions(path, notes)
    if smooth is not path:
        path = _steps(smooth, has_time)
    if not has_time:
        path = _clock_from_distance(path, notes)
    logged = path["grain_kg"].sum()
    path = fill_blank_readings(path, notes)
    ledger = replace(ledger, grain_seen_kg=float(seen + path["grain_kg"].sum() - logged))
    if grain_delay_s > 0:
        path = readings_moved_back(path, grain_delay_s, notes)
    cutting = np.ones(len(path), bool)
    for reason, mask in _not_harvest(path, most_harvest_speed_m_s).items():
        new = mask & cutting
        if new.any():
            ledger = ledger.with_removed(path[new], reason, REASONS[reason])
            cutting &= ~new
    return path.assign(cutting=cutting), ledger


def _same_reading(fixes: pd.DataFrame, has_time: bool) -> np.ndarray:
    """Tell which fixes repeat the grain of the fix before, or read none.

    Without a time two fixes of a slow machine may share a rounded position; there the whole
    row has to be the same to be a repetition.
    """
    column = reading_column(fixes)
    if column is None:
        return np.ones(len(fixes), bool)
    if has_time:
        value = fixes[column]
        return (value.eq(value.shift()) | value.isna()).to_numpy()
    rows = fixes.drop(columns=["source_row", "clock_s"])
    before = rows.shift()
    return (rows.eq(before) | (rows.isna() & before.isna())).all(axis=1).to_numpy()


def _duplicates(fixes: pd.DataFrame, has_time: bool) -> np.ndarray:
    same = np.zeros(len(fixes), bool)
    same[1:] = True
    for key in ["easting", "northing"] + (["time"] if has_time else []):
        values = fixes[key].to_numpy("datetime64[ns]" if key == "time" else float)
        # a missing time equals nothing
        same[1:] &= values[1:] == values[:-1]
    return same


def _too_fast(fixes: pd.DataFrame, most_speed: float, has_time: bool) -> np.ndarray:
    fast = np.zeros(len(fixes), bool)
    if has_time and len(fixes) > 1:
        waited = np.diff(fixes["clock_s"].to_numpy())
        step = np.hypot(np.diff(fixes["easting"]), np.diff(fixes["northing"]))
        fast[1:] = step > most_speed * np.maximum(waited, 1e-3) + 3
    if "speed_m_s" in fixes:
        fast |= fixes["speed_m_s"].to_numpy() > most_speed
    return fast


def _standing(fixes: pd.DataFrame, has_time: bool) -> np.ndarray:
    still = np.zeros(len(fixes), bool)
    if len(fixes) < 2:
        return still
    step = np.hypot(np.diff(fixes["easting"]), np.diff(fixes["northing"]))
    if has_time:
        waited = np.minimum(np.diff(fixes["clock_s"].to_numpy()), fixes["record_s"].to_numpy()[1:])
        still[1:] = step < _STANDING_SPEED_M_S * waited
    else:
        still[1:] = step < 0.01
    if "speed_m_s" in fixes:
        speed = fixes["speed_m_s"].to_numpy()
        still &= ~(speed >= _STANDING_SPEED_M_S)
    return still


def _steps(fixes: pd.DataFrame, has_time: bool) -> pd.DataFrame:
    """Add the step from the fix before, what the record covers, and where the log breaks."""
    path = fixes.copy(deep=False)
    step = np.hypot(
        np.diff(path["easting"], prepend=np.nan), np.diff(path["northing"], prepend=np.nan)
    )
    usual = float(np.nanmedian(step))
    record = path["record_s"].to_numpy()
    waited = np.diff(path["clock_s"].to_numpy(), prepend=np.nan)
    travel = np.full(len(path), usual)
    if has_time:
        # without a logged speed, the pace of the step before or after stands in at a break
        pace = step / np.where(waited > 0, waited, np.nan)
        pace = np.where(waited <= 3 * record, pace, np.nan)
        usual_pace = usual / max(float(np.median(record)), 1e-9)
        travel = pd.Series(pace).bfill().ffill().fillna(usual_pace).to_numpy() * record
    if "speed_m_s" in path:
        speed = path["speed_m_s"].to_numpy()
        travel = np.where(np.isfinite(speed) & (speed > 0) & has_time, speed * record, travel)
    most = 2.5 * np.maximum(travel, usual) + 1
    if "distance_m" in path:
        own = path["distance_m"].to_numpy()
        logged = np.isfinite(own) & (own > 0)
        travel = np.where(logged, own, travel)
        most = np.where(logged, 1.25 * own + 1.5, most)
    travel = np.maximum(travel, 0.02)
    gap = ~(step <= most)
    if has_time:
        gap |= waited > PAUSE_RECORDS * record
    path["step_m"] = step
    path["travel_m"] = np.where(gap, travel, step)
    path["gap"] = gap
    return path


def _clock_from_distance(path: pd.DataFrame, notes: list[Said]) -> pd.DataFrame:
    path = path.copy(deep=False)
    if "speed_m_s" in path and (path["speed_m_s"] > 0).any():
        speed = path["speed_m_s"].where(path["speed_m_s"] > 0).ffill().bfill().to_numpy()
        notes.append(Said("clock-of-speed"))
    else:
        speed = np.full(len(path), ASSUMED_SPEED_M_S)
        notes.append(Said("clock-of-distance", {"speed_m_s": ASSUMED_SPEED_M_S}))
    seconds = path["step_m"].fillna(0).to_numpy() / speed
    path["clock_s"] = np.cumsum(seconds)
    if "interval_s" not in path:
        path["record_s"] = path["travel_m"].to_numpy() / speed
        path["grain_kg"] = grain_per_record(path)
    return path


def _not_harvest(path: pd.DataFrame, most_harvest_speed: float) -> dict[str, np.ndarray]:
    """Mark, per reason, fixes of the path where no crop was going in."""
    n = len(path)
    none = np.zeros(n, bool)
    pace = path["travel_m"].to_numpy() / np.maximum(path["record_s"].to_numpy(), 1e-9)
    if "speed_m_s" in path:
        pace = path["speed_m_s"].fillna(pd.Series(pace)).to_numpy()
    fast = pd.Series(pace > most_harvest_speed)
    run = (fast != fast.shift()).cumsum()
    road = (fast & (fast.groupby(run).transform("size") >= _ROAD_FIXES)).to_numpy()
    header_up = none if "header_down" not in path else ~path["header_down"].to_numpy(bool)
    reading = reading_column(path)
    if reading is None:
        return {"road travel": road, "header up": header_up}
    flow = path[reading].to_numpy(float)
    if reading == "grain_mass_kg":
        flow = flow / path["record_s"].to_numpy()
    blank = np.isnan(flow)
    empty = ~blank & ~(flow > 0)
    some = ~blank & ~empty
    usual = float(np.median(flow[some])) if some.any() else np.inf
    return {
        "road travel": road,
        "header up": header_up,
        "no reading": blank,
        "no flow": empty,
        "absurd flow": np.nan_to_num(flow) > ABSURD_TIMES_MEDIAN * usual,
    }

"""The clock of a log: read it, mend it where it steps back, part equal times."""

from __future__ import annotations

import numpy as np
import pandas as pd

from covermap.tables.said import Said

#: A file with more of its fixes out of order than this was not written in order of time.
_SHUFFLED_SHARE = 0.02


def in_order_of_time(fixes: pd.DataFrame, notes: list[Said]) -> pd.DataFrame:
    """Turn round a file that runs from newest to oldest, and sort a shuffled one.

    The order comes first, since a record covers the time since the one *before* it.
    """
    time = fixes["time"]
    if time.isna().all():
        return fixes
    seconds = _seconds(time)
    step = np.diff(seconds)
    if (step < 0).sum() <= _SHUFFLED_SHARE * len(seconds):
        return fixes
    newest_first = bool((step < 0).sum() > 0.9 * (step != 0).sum())
    if newest_first:
        # turned before it is sorted, so that fixes of one second keep their order too
        fixes, seconds = fixes.iloc[::-1], seconds[::-1]
        notes.append(Said("clock-turned"))
    if (np.diff(seconds) < 0).any():
        if not newest_first:
            notes.append(Said("clock-sorted"))
        fixes = fixes.iloc[np.argsort(seconds, kind="stable")]
    return fixes.reset_index(drop=True)


def _seconds(time: pd.Series) -> np.ndarray:
    """Give seconds since 1970, those missing put between their neighbours."""
    missing = time.isna().to_numpy()
    seconds = time.astype("datetime64[ns, UTC]").astype("int64").to_numpy() / 1e9
    if missing.all():
        return np.arange(len(time), dtype=float)
    if missing.any():
        order = np.arange(len(time))
        seconds = np.interp(order, order[~missing], seconds[~missing])
    return np.asarray(seconds, float)


def record_clock(
    fixes: pd.DataFrame, has_time: bool, notes: list[Said]
) -> tuple[pd.DataFrame, np.ndarray]:
    """Add ``clock_s`` and give the seconds each record covers."""
    # only columns are added, so that what was read need not be copied
    fixes = fixes.copy(deep=False)
    if not has_time:
        fixes["clock_s"] = np.arange(len(fixes), dtype=float)
        record = (
            fixes["interval_s"].to_numpy() if "interval_s" in fixes else np.full(len(fixes), 1.0)
        )
        return fixes, np.where(np.isfinite(record) & (record > 0), record, 1.0)
    missing = int(fixes["time"].isna().sum())
    if missing:
        notes.append(Said("clock-filled", {"fixes": missing}))
    fixes["clock_s"] = _seconds(fixes["time"])
    return fixes, record_seconds(fixes)


def record_seconds(fixes: pd.DataFrame) -> np.ndarray:
    """Give the seconds each record covers: its own, else since the record before."""
    step = np.diff(fixes["clock_s"].to_numpy(), prepend=np.nan)
    positive = step[step > 0]
    usual = float(np.median(positive)) if len(positive) else 1.0
    record = np.where((step > 0) & (step <= 3 * usual), step, usual)
    if "interval_s" in fixes:
        own = fixes["interval_s"].to_numpy()
        record = np.where(np.isfinite(own) & (own > 0), own, record)
    return np.asarray(record)


def time_backwards(fixes: pd.DataFrame) -> np.ndarray:
    """Mark single fixes older than the one before while the next one is newer than both."""
    clock = fixes["clock_s"].to_numpy()
    back = np.zeros(len(clock), bool)
    if len(clock) > 2:
        back[1:-1] = (clock[1:-1] < clock[:-2]) & (clock[2:] > clock[:-2])
        back[-1] = clock[-1] < clock[-2]
    return back


def mend_clock(fixes: pd.DataFrame, most_speed: float, notes: list[Said]) -> pd.DataFrame:
    """Mend a clock that was set back, and part equal times."""
    clock = fixes["clock_s"].to_numpy().copy()
    step = np.diff(clock)
    back = np.flatnonzero(step < 0)
    usual = float(np.median(step[step > 0])) if (step > 0).any() else 1.0
    east, north = fixes["easting"].to_numpy(), fixes["northing"].to_numpy()
    for i in back:
        apart = float(np.hypot(east[i + 1] - east[i], north[i + 1] - north[i]))
        shift = clock[i] - clock[i + 1] + max(usual, apart / most_speed)
        clock[i + 1 :] += shift
        row = int(fixes["source_row"].iloc[i + 1])
        notes.append(Said("clock-set-back", {"row": row, "shift_s": shift}))
    equal = np.diff(clock) == 0
    if equal.any():
        # several fixes within one tick of the clock: part them evenly up to the next tick
        starts = np.flatnonzero(np.concatenate([[True], ~equal]))
        sizes = np.diff(np.append(starts, len(clock)))
        ahead = np.append(clock[starts[1:]], clock[-1] + usual) - clock[starts]
        place = np.arange(len(clock)) - np.repeat(starts, sizes)
        clock = clock + place * np.repeat(np.minimum(ahead, usual) / sizes, sizes)
        notes.append(Said("clock-parted", {"fixes": int(equal.sum())}))
    fixes = fixes.assign(clock_s=clock)
    # what shares a tick of the clock shares its time, or each would count the whole tick
    return fixes.assign(record_s=record_seconds(fixes)) if equal.any() else fixes

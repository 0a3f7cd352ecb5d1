"""Clean a harvest track, and keep a ledger of everything taken out and why.

Two things are kept apart: the *path*, where the machine went (needed to place residue
that leaves the machine after the crop ended), and the fixes that were *cutting*.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from covermap.errors import TrackError
from covermap.harvest.clock import mend_clock, record_clock, time_backwards
from covermap.harvest.read_track import Track
from covermap.harvest.spikes import PAUSE_RECORDS, position_spikes

#: Reasons in the order in which the rules are applied, with what each means.
REASONS: dict[str, str] = {
    "unreadable": "the row has no usable position",
    "duplicate": "same instant and position as the fix before",
    "time backwards": "a single fix older than the one before it",
    "position spike": "the position jumps away and back",
    "impossible speed": "faster than [limits] most_speed",
    "standing still": "the machine did not move",
    "road travel": "faster than [limits] most_harvest_speed for a while",
    "header up": "the header was raised",
    "no flow": "no grain came in",
    "absurd flow": "grain flow far above anything else in the track",
    "turn": "turning back at the end of a pass",
    "not in a pass": "too short a run to be a pass",
}

#: Without a clock, travel is turned into time at this speed (common practice, no source).
ASSUMED_SPEED_M_S = 1.8
_STANDING_SPEED_M_S = 0.1
_ABSURD_FLOW_TIMES_MEDIAN = 6.0
_ROAD_FIXES = 5


@dataclass(frozen=True)
class Ledger:
    """What was removed, fix by fix, and what was put right.

    Attributes
    ----------
    removed : pandas.DataFrame
        source_row, time, easting, northing, reason, detail, grain_kg (wet).
    grain_seen_kg : float
        Grain in all readable fixes, as logged [kg]; NaN if the track has none.
    notes : tuple of str
        What was repaired or assumed, in plain sentences.
    """

    removed: pd.DataFrame
    grain_seen_kg: float
    notes: tuple[str, ...] = ()

    def counts(self) -> dict[str, int]:
        """Give how many fixes each rule removed, zeros included."""
        found = self.removed["reason"].value_counts()
        return {reason: int(found.get(reason, 0)) for reason in REASONS}

    @property
    def grain_dropped_kg(self) -> float:
        """Grain logged on removed fixes [kg], wet; NaN if the track has none."""
        return float(self.removed["grain_kg"].sum()) if self.grain_seen_kg > 0 else float("nan")

    def with_removed(self, fixes: pd.DataFrame, reason: str, detail: str = "") -> Ledger:
        """Give the ledger with more fixes written off."""
        more = _written_off(fixes, reason, detail)
        removed = pd.concat([self.removed, more], ignore_index=True) if len(more) else self.removed
        return Ledger(removed, self.grain_seen_kg, self.notes)


@dataclass(frozen=True)
class CleanTrack:
    """The machine's path with the cutting fixes marked.

    Attributes
    ----------
    path : pandas.DataFrame
        One row per credible position, in order of travel: the track's columns and
        ``clock_s`` (seconds, never falling), ``step_m`` (from the row before),
        ``travel_m`` (that the record itself covers), ``record_s`` (time it covers),
        ``gap`` (True where the step is more than the record covers), ``cutting``.
    ledger : Ledger
    has_time : bool
        False if ``clock_s`` was made from distance.
    """

    path: pd.DataFrame
    ledger: Ledger
    has_time: bool
    notes: tuple[str, ...] = field(default_factory=tuple)


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
    most_speed_m_s : float
        Faster is a position error [m/s].
    most_harvest_speed_m_s : float
        Faster, for several fixes on end, is road travel [m/s].
    grain_delay_s : float
        Seconds from cutting to the grain reading; readings are moved back by it [s].

    Returns
    -------
    CleanTrack

    Raises
    ------
    TrackError
        If fewer than two different positions are left.
    """
    fixes = track.fixes.reset_index(drop=True)
    notes: list[str] = []
    fixes, record_s = record_clock(fixes, track.has_time, notes)
    fixes["record_s"] = record_s
    fixes["grain_kg"] = _grain_per_record(fixes)
    seen = float(fixes["grain_kg"].sum())
    unreadable = track.unreadable
    ledger = Ledger(
        pd.DataFrame(
            {
                "source_row": unreadable["source_row"].to_numpy(np.int64),
                "time": pd.Series(
                    pd.NaT, index=range(len(unreadable)), dtype="datetime64[ns, UTC]"
                ),
                "easting": np.nan,
                "northing": np.nan,
                "reason": "unreadable",
                "detail": unreadable["reason"].astype(str)
                + " "
                + unreadable["detail"].fillna("").astype(str),
                "grain_kg": 0.0,
            }
        ),
        seen,
    )

    def take_out(mask: np.ndarray, reason: str, detail: str = "") -> None:
        nonlocal fixes, ledger
        if mask.any():
            ledger = ledger.with_removed(fixes[mask], reason, detail or REASONS[reason])
            fixes = fixes[~mask].reset_index(drop=True)

    take_out(_duplicates(fixes, track.has_time), "duplicate")
    if track.has_time:
        take_out(time_backwards(fixes), "time backwards")
        fixes = mend_clock(fixes, most_speed_m_s, notes)
    take_out(position_spikes(fixes, most_speed_m_s, track.has_time), "position spike")
    take_out(_too_fast(fixes, most_speed_m_s, track.has_time), "impossible speed")
    take_out(_standing(fixes, track.has_time), "standing still")
    if len(fixes) < 2:
        raise TrackError(
            f"{track.source}: {len(track.fixes)} fixes, but fewer than two different positions "
            "are left after cleaning. Expected a track of a moving machine; check that the "
            "position columns are the right ones (covermap check shows what was recognised)."
        )
    path = _steps(fixes, track.has_time)
    if not track.has_time:
        path = _clock_from_distance(path, notes)
    if grain_delay_s > 0:
        path = _readings_moved_back(path, grain_delay_s, notes)
    path["cutting"] = True
    for reason, mask in _not_harvest(path, most_harvest_speed_m_s).items():
        new = mask & path["cutting"].to_numpy()
        if new.any():
            ledger = ledger.with_removed(path[new], reason, REASONS[reason])
            path.loc[new, "cutting"] = False
    return CleanTrack(path, ledger, track.has_time, tuple(notes))


def _written_off(fixes: pd.DataFrame, reason: str, detail: str) -> pd.DataFrame:
    time = (
        fixes["time"]
        if "time" in fixes
        else pd.Series(pd.NaT, index=fixes.index, dtype="datetime64[ns, UTC]")
    )
    return pd.DataFrame(
        {
            "source_row": fixes["source_row"].to_numpy(),
            "time": time.to_numpy() if time.dt.tz is None else time.array,
            "easting": fixes["easting"].to_numpy(),
            "northing": fixes["northing"].to_numpy(),
            "reason": reason,
            "detail": detail,
            "grain_kg": fixes["grain_kg"].to_numpy(),
        }
    )


def _grain_per_record(fixes: pd.DataFrame) -> np.ndarray:
    """Give wet grain per record [kg]; zeros if the track has neither flow nor mass."""
    if "grain_mass_kg" in fixes:
        grain = fixes["grain_mass_kg"].to_numpy(float)
    elif "grain_flow_kg_s" in fixes:
        grain = fixes["grain_flow_kg_s"].to_numpy(float) * fixes["record_s"].to_numpy()
    else:
        return np.zeros(len(fixes))
    return np.where(np.isfinite(grain) & (grain > 0), grain, 0.0)


def _duplicates(fixes: pd.DataFrame, has_time: bool) -> np.ndarray:
    keys = ["easting", "northing"] + (["time"] if has_time else [])
    return fixes[keys].eq(fixes[keys].shift()).all(axis=1).to_numpy()


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
    path = fixes.copy()
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


def _clock_from_distance(path: pd.DataFrame, notes: list[str]) -> pd.DataFrame:
    path = path.copy()
    if "speed_m_s" in path and (path["speed_m_s"] > 0).any():
        speed = path["speed_m_s"].where(path["speed_m_s"] > 0).ffill().bfill().to_numpy()
        notes.append("The track has no time; distance and the logged speed make the clock.")
    else:
        speed = np.full(len(path), ASSUMED_SPEED_M_S)
        notes.append(
            f"The track has no time; file order and distance serve, at {ASSUMED_SPEED_M_S} m/s."
        )
    seconds = path["step_m"].fillna(0).to_numpy() / speed
    path["clock_s"] = np.cumsum(seconds)
    if "interval_s" not in path:
        path["record_s"] = path["travel_m"].to_numpy() / speed
        path["grain_kg"] = _grain_per_record(path)
    return path


def _readings_moved_back(path: pd.DataFrame, delay_s: float, notes: list[str]) -> pd.DataFrame:
    """Give each fix the grain reading of ``delay_s`` later, total mass kept."""
    path = path.copy()
    clock = path["clock_s"].to_numpy()
    for column in ("grain_flow_kg_s", "grain_yield_t_ha", "moisture_pct"):
        if column in path:
            path[column] = np.interp(clock + delay_s, clock, path[column].fillna(0.0).to_numpy())
    record = path["record_s"].to_numpy()
    before = path["grain_kg"].to_numpy()
    moved = np.interp(clock + delay_s, clock, before / record) * record
    if moved.sum() > 0:
        moved *= before.sum() / moved.sum()
    path["grain_kg"] = moved
    if "grain_mass_kg" in path:
        path["grain_mass_kg"] = moved
    notes.append(f"Grain readings were moved back by {delay_s:g} s.")
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
    reading = next(
        (c for c in ("grain_mass_kg", "grain_flow_kg_s", "grain_yield_t_ha") if c in path), None
    )
    if reading is None:
        return {"road travel": road, "header up": header_up}
    flow = path[reading].to_numpy(float)
    if reading == "grain_mass_kg":
        flow = flow / path["record_s"].to_numpy()
    empty = ~(flow > 0)
    usual = float(np.median(flow[~empty])) if (~empty).any() else np.inf
    return {
        "road travel": road,
        "header up": header_up,
        "no flow": empty,
        "absurd flow": flow > _ABSURD_FLOW_TIMES_MEDIAN * usual,
    }

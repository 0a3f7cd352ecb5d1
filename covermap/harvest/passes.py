"""Cut the path into passes: whole runs across or around the field with crop going in.

A curve stays whole, however long, until it has come full circle (a lap of round-and-round
work); turning back parts two passes. Turns and stray bits are written to the ledger.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from covermap.errors import TrackError
from covermap.harvest.ledger import CleanTrack, Ledger, warning_of_loss
from covermap.harvest.log_holes import drove_straight_on, notes_on_holes
from covermap.harvest.pass_spacing import HEADING_BASE_M, headings_along, spacing_and_heading
from covermap.harvest.plausible import warning_of_yield
from covermap.harvest.readings import reading_column
from covermap.tables.said import Said

#: A change of heading above this, within a turn's travel, is turning back [deg].
_REVERSAL_DEG = 135.0
#: A header lifted over a corner sharper than this starts a new pass [deg].
_CORNER_DEG = 60.0
_LEAST_FIXES = 3
#: Where the log breaks off and sets in again, a fix or two may lack a reading.
_ROWS_IN_HOLE = 4


@dataclass(frozen=True)
class Passes:
    """Passes found on a path.

    Attributes
    ----------
    pass_of_fix : numpy.ndarray
        (n,) pass number from 1 for each row of the path; 0 where nothing was harvested.
    table : pandas.DataFrame
        pass_id, label, start_time, end_time, fixes, length_m, heading_deg (NaN for laps),
        spacing_m (to the neighbouring pass; NaN without one), mean_speed_m_s.
    ledger : Ledger
        With turns and stray bits added.
    notes : tuple of Said
        Holes in the log, and warnings of what was left out or cannot be.
    """

    pass_of_fix: np.ndarray
    table: pd.DataFrame
    ledger: Ledger
    notes: tuple[Said, ...] = field(default_factory=tuple)


def find_passes(clean: CleanTrack, cut_width_m: float) -> Passes:
    """Find the passes of a cleaned track.

    The header's width sets how tight a turn is and what lies beside what.

    Raises
    ------
    TrackError
        If no pass is left.
    """
    path = clean.path
    cutting = np.flatnonzero(path["cutting"].to_numpy())
    ledger = clean.ledger
    number = np.zeros(len(path), np.int64)
    if len(cutting) >= 2:
        xy = path[["easting", "northing"]].to_numpy()
        given = path["pass_id"].to_numpy() if "pass_id" in path else None
        breaks = _breaks(path, cutting, xy, cut_width_m, given, clean.has_time)
        runs = np.split(cutting, breaks)
        pieces: list[np.ndarray] = []
        turns: list[np.ndarray] = []
        header_known = "header_down" in path
        for run in runs:
            if given is not None:
                pieces.append(run)
                continue
            for piece, turn in _part(run, xy, cut_width_m, keep_turns=header_known):
                pieces.append(piece)
                turns.append(turn)
        turned = np.concatenate(turns) if turns else np.array([], int)
        ledger = ledger.with_removed(path.iloc[turned], "turn")
        least_m = max(10.0, cut_width_m) if given is None else 0.0
        stray: list[np.ndarray] = []
        travel_m = path["travel_m"].to_numpy()
        passes = 0
        for piece in pieces:
            if len(piece) < _LEAST_FIXES or travel_m[piece].sum() < least_m:
                stray.append(piece)
            else:
                passes += 1
                number[piece] = passes
        if stray:
            ledger = ledger.with_removed(path.iloc[np.concatenate(stray)], "not in a pass")
    if number.max() == 0:
        raise TrackError(
            f"No pass was found: the track has no run of at least {_LEAST_FIXES} fixes longer "
            f"than {max(10.0, cut_width_m):.0f} m with crop going in.",
            "",
            "Check the cut width, and with covermap check which track points are left out and why.",
        )
    table = _describe(path, number, cut_width_m)
    return Passes(number, table, ledger, tuple(_notes(clean, number, ledger, cut_width_m)))


def _notes(clean: CleanTrack, number: np.ndarray, ledger: Ledger, cut_width_m: float) -> list[Said]:
    path, cut = clean.path, number > 0
    width: np.ndarray | float = cut_width_m
    if "header_width_m" in path:
        logged = path["header_width_m"].to_numpy(float)[cut]
        width = np.where(logged > 0, logged, cut_width_m)
    warnings = (
        warning_of_yield(
            path["grain_kg"].to_numpy(float)[cut],
            path["travel_m"].to_numpy(float)[cut] * width,
            reading_column(path),
            clean.headers,
            float(np.median(width)),
        ),
        warning_of_loss(ledger, clean.fixes_read),
    )
    return [*(one for one in warnings if one), *notes_on_holes(path, number)]


def _angle_between(a: float, b: float) -> float:
    """Give the unsigned difference of two headings [deg]."""
    return abs((math.degrees(b - a) + 180) % 360 - 180)


def _breaks(
    path: pd.DataFrame,
    cutting: np.ndarray,
    xy: np.ndarray,
    cut_width_m: float,
    given: np.ndarray | None,
    has_time: bool,
) -> np.ndarray:
    """Give positions in ``cutting`` where a new run starts for sure."""
    a, b = cutting[:-1], cutting[1:]
    other = np.zeros(len(a), bool)
    if "machine_id" in path:
        machine = path["machine_id"].fillna("").to_numpy()
        other = machine[a] != machine[b]
    if given is not None:
        return np.flatnonzero((given[a] != given[b]) | other) + 1
    gap = path["gap"].to_numpy()
    gaps = np.concatenate([[0], np.cumsum(gap)])
    suspicious = np.flatnonzero((b - a > 1) | (gaps[b + 1] - gaps[a + 1] > 0) | other)
    clock = path["clock_s"].to_numpy()
    pace = path["travel_m"].to_numpy() / np.maximum(path["record_s"].to_numpy(), 1e-6)
    found = []
    run_starts = np.concatenate([[0], suspicious + 1])
    run_ends = np.concatenate([suspicious + 1, [len(cutting)]])
    heading_out: dict[int, float] = {}
    heading_in: dict[int, float] = {}
    for k, (s, e) in enumerate(zip(run_starts, run_ends, strict=True)):
        run = cutting[s:e]
        if len(run) == 1:  # a lone fix takes its heading from its neighbours on the path
            run = np.clip([run[0] - 1, run[0] + 1], 0, len(xy) - 1)
        heading_in[k], heading_out[k] = _end_headings(xy[run])
    for k, i in enumerate(suspicious):
        apart = xy[b[i]] - xy[a[i]]
        distance = float(np.hypot(*apart))
        change = _angle_between(heading_out[k], heading_in[k + 1])
        h = heading_out[k]
        ahead = float(apart[0] * math.sin(h) + apart[1] * math.cos(h))
        aside = abs(float(apart[0] * math.cos(h) - apart[1] * math.sin(h)))
        lifted = b[i] - a[i] > 1
        straight_on = change < _CORNER_DEG and ahead > -cut_width_m
        beside = aside > 0.5 * cut_width_m + 0.3 * max(ahead, 0.0)
        far = distance > max(5 * cut_width_m, 60.0)
        if far and straight_on and has_time and b[i] - a[i] <= _ROWS_IN_HOLE:
            run = cutting[run_starts[k] : run_ends[k]]
            waited = clock[b[i]] - clock[a[i]]
            far = not drove_straight_on(
                ahead, aside, waited, float(np.median(pace[run])), cut_width_m
            )
        if other[i] or (
            (not straight_on and (lifted or change > 100 or ahead < -cut_width_m))
            or (straight_on and (beside or far))
            or far
        ):
            found.append(i + 1)
    return np.array(found, int)


def _end_headings(xy: np.ndarray) -> tuple[float, float]:
    """Give the headings at the start and end of a run of two fixes or more [rad]."""
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    k = int(np.searchsorted(along, min(HEADING_BASE_M, along[-1])))
    j = int(np.searchsorted(along, max(along[-1] - HEADING_BASE_M, 0.0), side="right")) - 1
    first, last = xy[max(k, 1)] - xy[0], xy[-1] - xy[min(j, len(xy) - 2)]
    return math.atan2(first[0], first[1]), math.atan2(last[0], last[1])


def _part(
    run: np.ndarray, xy: np.ndarray, cut_width_m: float, *, keep_turns: bool
) -> list[tuple[np.ndarray, np.ndarray]]:
    """Part a run at reversals and full circles; give (pass, turn after it) index pairs."""
    points = xy[run]
    step = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0], np.cumsum(np.maximum(step, 1e-6))])
    heading = np.degrees(headings_along(points, along))
    turn_travel = max(3.0 * cut_width_m, 20.0)
    ahead = np.interp(along + turn_travel / 2, along, heading)
    behind = np.interp(along - turn_travel / 2, along, heading)
    turned = np.abs(ahead - behind)
    back = turned >= _REVERSAL_DEG
    parts: list[tuple[np.ndarray, np.ndarray]] = []
    start = 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], back.astype(int), [0]])))
    for low, high in zip(edges[::2], edges[1::2], strict=True):
        apex = low + int(np.argmax(turned[low:high]))
        if keep_turns:
            turn_from = turn_to = apex
        else:
            turn_from, turn_to = _bend(along, heading, apex, cut_width_m)
            turn_from, turn_to = max(turn_from, start), max(turn_to, start)
        parts += _laps(run[start:turn_from], heading[start:turn_from])
        if turn_to > turn_from:
            parts.append((run[:0], run[turn_from:turn_to]))
        start = turn_to
    parts += _laps(run[start:], heading[start:])
    return parts


def _bend(along: np.ndarray, heading: np.ndarray, apex: int, width: float) -> tuple[int, int]:
    """Give the first and last+1 fix around ``apex`` that drive tighter than the header."""
    rate = np.abs(np.gradient(heading, along))  # degrees per metre
    tight = rate > math.degrees(1 / (2.0 * width))
    low = high = apex
    # a turn may hold straight bits no longer than the header is wide
    while low > 0 and tight[np.searchsorted(along, along[low] - width) : low].any():
        low -= 1
    while high < len(along) and tight[high : np.searchsorted(along, along[high] + width)].any():
        high += 1
    while low < apex and not tight[low]:
        low += 1
    return low, max(high, low + 1)


def _laps(run: np.ndarray, heading: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Part a run each time its heading has come full circle."""
    if len(run) == 0:
        return []
    circles = np.floor(np.abs(heading - heading[0]) / 360.0 + 1e-9)
    circles = np.maximum.accumulate(circles)
    starts = np.flatnonzero(np.diff(circles) > 0) + 1
    return [(part, run[:0]) for part in np.split(run, starts)]


def _describe(path: pd.DataFrame, number: np.ndarray, cut_width_m: float) -> pd.DataFrame:
    inside = np.flatnonzero(number)
    pass_no = number[inside]
    travel = path["travel_m"].iloc[inside]
    length = travel.groupby(pass_no).sum()
    pace = (travel / path["record_s"].iloc[inside].clip(lower=1e-6)).clip(lower=1e-6)
    seconds = (travel / pace).groupby(pass_no).sum()
    xy = np.column_stack([path[name].to_numpy(float)[inside] for name in ("easting", "northing")])
    spacing, heading = spacing_and_heading(xy, pass_no, cut_width_m)
    time = path["time"].iloc[inside].groupby(pass_no) if "time" in path else None
    table = pd.DataFrame(
        {
            "pass_id": length.index.to_numpy(np.int64),
            "label": (
                path["pass_id"].iloc[inside].groupby(pass_no).first().astype(str).to_numpy(object)
                if "pass_id" in path
                else length.index.astype(str).to_numpy(object)
            ),
            "start_time": time.first().to_numpy() if time is not None else pd.NaT,
            "end_time": time.last().to_numpy() if time is not None else pd.NaT,
            "fixes": np.bincount(pass_no)[1:],
            "length_m": length.to_numpy(),
            "heading_deg": heading,
            "spacing_m": spacing,
            "mean_speed_m_s": (length / seconds).to_numpy(),
        }
    )
    for column in ("start_time", "end_time"):
        table[column] = pd.to_datetime(table[column], utc=True)
    return table

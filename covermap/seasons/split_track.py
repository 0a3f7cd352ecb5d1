"""A track that covers several fields, parted into one track for each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from covermap.harvest.track import Track
from covermap.tables.said import Said

#: A smaller cluster is a position error or a turn on the road, not a field.
#: Choices of this project, no source: about a minute's work over a length worth a map.
_LEAST_FIXES = 30
_LEAST_LENGTH_M = 50.0
# Where most of a track seems too fast for harvest its clock or speed is not to be trusted.
_MOST_ROAD = 0.5
#: How far from a boundary, and across, a turn outside it may be (a choice, no source) [m].
EDGE_M = 50.0
#: How far off a boundary may be drawn: a pass whose middle lies further outside has little or
#: none of its swath inside, with the headers in use (a choice, no source) [m].
SLOP_M = 4.0


def part_by_gaps(track: Track, gap_m: float, most_harvest_speed_m_s: float) -> NDArray[np.int64]:
    """Tell which field each fix belongs to, where fields lie apart.

    Fixes that may be harvest (header down, grain flowing, no road speed, as far as the track
    tells) nearer to each other than ``gap_m`` are of one field: single linkage. Other fixes
    go with the field that they are near to, else with the one that the machine was in
    before, so that every fix belongs to one field.

    Parameters
    ----------
    track : Track
    gap_m : float
        Fields lie further apart than this [m].
    most_harvest_speed_m_s : float
        Faster is road travel [m/s].

    Returns
    -------
    numpy.ndarray
        (fixes,) number of the field from 0, in the order of their first fix.
    """
    fixes = track.fixes
    xy = fixes[["easting", "northing"]].to_numpy(float)
    working = _may_be_harvest(fixes, most_harvest_speed_m_s)
    part = np.full(len(xy), -1, dtype=np.int64)
    part[working] = _linked(xy[working], gap_m)
    for number in range(int(part.max(initial=-1)) + 1):
        if not _is_field(xy[part == number]):
            part[part == number] = -1
    found = part >= 0
    if np.unique(part[found]).size < 2:
        return np.zeros(len(xy), dtype=np.int64)
    loose = np.flatnonzero(~found)
    near, place = cKDTree(xy[found]).query(xy[loose], distance_upper_bound=gap_m)
    at_field = np.isfinite(near) & ~working[loose]
    part[loose[at_field]] = part[found][place[at_field]]
    part = _as_before(part, fixes)
    order = pd.unique(part)
    return np.argsort(order)[np.searchsorted(np.sort(order), part)].astype(np.int64)


def part_by_boundaries(
    track: Track,
    boundaries: Sequence[BaseGeometry],
    most_harvest_speed_m_s: float = np.inf,
) -> NDArray[np.int64]:
    """Tell which boundary each fix belongs to.

    A fix in a boundary is its own. What lies outside all goes with the nearest boundary that
    holds any fix, up to ``EDGE_M`` away, as machines turn there and boundaries are drawn
    roughly; but not a neighbour's harvest. A stretch of harvest outside is a neighbour's
    where, once more than ``SLOP_M`` outside, it goes on for more than ``EDGE_M`` from where it
    got there, or gets more than ``EDGE_M`` away from the boundary.

    Parameters
    ----------
    track : Track
    boundaries : sequence of shapely geometry
        In the track's CRS.
    most_harvest_speed_m_s : float
        Faster is road travel [m/s].

    Returns
    -------
    numpy.ndarray
        (fixes,) index of the boundary; -1 where the fix belongs to none.
    """
    fixes = track.fixes
    xy = fixes[["easting", "northing"]].to_numpy(float)
    part = np.full(len(xy), -1, dtype=np.int64)
    nearest = _holder(xy, boundaries)
    held = np.unique(nearest[nearest >= 0])
    if held.size == 0:
        return part
    away_m = np.zeros(len(xy))
    outside = np.flatnonzero(nearest < 0)
    tree = shapely.STRtree([boundaries[number] for number in held])
    (_, place), away_m[outside] = tree.query_nearest(
        shapely.points(xy[outside]), return_distance=True, all_matches=False
    )
    nearest[outside] = held[place]
    working = _may_be_harvest(fixes, most_harvest_speed_m_s)
    foreign = _foreign_harvest(fixes, working, nearest, away_m)
    mine = (away_m <= EDGE_M) & ~((away_m > 0) & foreign)
    part[mine] = nearest[mine]
    return part


def _holder(xy: NDArray[np.float64], boundaries: Sequence[BaseGeometry]) -> NDArray[np.int64]:
    """Give the first boundary that holds each point, its edge too; -1 where none does."""
    holder = np.full(len(xy), -1, dtype=np.int64)
    for number, boundary in enumerate(boundaries):
        west, south, east, north = boundary.bounds
        near = (xy[:, 0] >= west) & (xy[:, 0] <= east) & (xy[:, 1] >= south) & (xy[:, 1] <= north)
        loose = np.flatnonzero(near & (holder < 0))
        shapely.prepare(boundary)
        holder[loose[shapely.intersects_xy(boundary, xy[loose])]] = number
    return holder


def _foreign_harvest(
    fixes: pd.DataFrame,
    working: NDArray[np.bool_],
    nearest: NDArray[np.int64],
    away_m: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Mark the stretches of a neighbour's harvest, and what is driven between two of them."""
    table = pd.DataFrame(
        {
            "machine": pd.factorize(fixes["machine_id"])[0] if "machine_id" in fixes else 0,
            "east": fixes["easting"].to_numpy(float),
            "north": fixes["northing"].to_numpy(float),
            "nearest": nearest,
            "away": away_m,
            "outside": away_m > 0,
            "far": away_m > SLOP_M,
            "working": working,
        }
    )
    keys = ["machine"]
    if "time" in fixes and fixes["time"].notna().all():
        keys.append("time")
        table["time"] = fixes["time"].to_numpy()
    table = table.sort_values(keys, kind="stable")
    harvest = table[table["working"]]
    # A longer way from one harvested fix to the next is a drive to other work.
    moved = np.hypot(harvest["east"].diff(), harvest["north"].diff()) > EDGE_M
    new = moved | _changes(harvest, "machine", "nearest", "outside")
    stretch = new.cumsum()
    leg = (new | _changes(harvest, "far")).cumsum()
    start = harvest.groupby(leg)[["east", "north"]].transform("first")
    reach = np.hypot(harvest["east"] - start["east"], harvest["north"] - start["north"])
    beyond = harvest["far"] & ((reach > EDGE_M) | (harvest["away"] > EDGE_M))
    foreign = beyond.groupby(stretch).transform("any").astype(float).reindex(table.index)
    around = foreign.groupby(table["machine"])
    both = pd.concat([around.ffill(), around.bfill()], axis=1).min(axis=1)
    return both.reindex(fixes.index).to_numpy() > 0


def _changes(table: pd.DataFrame, *columns: str) -> pd.Series:
    values = table[list(columns)]
    return (values != values.shift()).any(axis=1)


def track_parts(track: Track, part: NDArray[np.int64]) -> dict[int, Track]:
    """Cut a track into one track for each part; parts of -1 are left out.

    Rows without a position go with the row before them, so that no grain is lost. A note
    in each says what was taken.

    Parameters
    ----------
    track : Track
    part : numpy.ndarray
        (fixes,) part of each fix.

    Returns
    -------
    dict of int to Track
        In the order of the parts' numbers.
    """
    rows = track.fixes["source_row"].to_numpy()
    order = np.argsort(rows, kind="stable")
    lost = track.unreadable
    before = np.searchsorted(rows[order], lost["source_row"].to_numpy(), side="right") - 1
    part_of_lost = part[order][np.maximum(before, 0)] if len(part) else np.empty(0, np.int64)
    numbers = [int(n) for n in np.unique(part[part >= 0])]
    parts = {}
    for place, number in enumerate(numbers, 1):
        mine = part == number
        said = {
            "part": place,
            "parts": len(numbers),
            "source": track.source,
            "fixes": int(mine.sum()),
            "of_fixes": len(part),
        }
        parts[number] = replace(
            track,
            fixes=track.fixes[mine].reset_index(drop=True),
            unreadable=lost[part_of_lost == number].reset_index(drop=True),
            notes=(*track.notes, Said("track-part", said)),
        )
    return parts


def machines_of(track: Track) -> str | None:
    """Name the machines that logged the track, or give None if it tells none."""
    if "machine_id" not in track.fixes:
        return None
    names = sorted({str(name) for name in track.fixes["machine_id"].dropna()})
    return ", ".join(names) or None


def _may_be_harvest(fixes: pd.DataFrame, most_speed: float) -> NDArray[np.bool_]:
    """Leave out what is surely no harvest; keep everything if that leaves nothing."""
    harvest = np.ones(len(fixes), dtype=np.bool_)
    if "header_down" in fixes:
        harvest &= fixes["header_down"].to_numpy(bool)
    road = _pace_m_s(fixes) > most_speed
    if road.mean() < _MOST_ROAD:
        harvest &= ~road
    for reading in ("grain_flow_kg_s", "grain_mass_kg", "grain_yield_t_ha"):
        if reading in fixes:
            harvest &= ~(fixes[reading].to_numpy(float) <= 0)
    return harvest if harvest.any() else np.ones(len(fixes), dtype=np.bool_)


def _pace_m_s(fixes: pd.DataFrame) -> NDArray[np.float64]:
    """Give the speed: as logged, else the lesser of that to the fix before and after."""
    if "speed_m_s" in fixes:
        return fixes["speed_m_s"].to_numpy(float)
    if "time" not in fixes or len(fixes) < 3:
        return np.full(len(fixes), np.nan)
    step = np.hypot(np.diff(fixes["easting"]), np.diff(fixes["northing"]))
    waited = fixes["time"].diff().dt.total_seconds().to_numpy(float)[1:]
    pace = step / np.where(waited > 0, waited, np.nan)
    return np.asarray(np.fmin(np.append(np.nan, pace), np.append(pace, np.nan)), dtype=np.float64)


def _is_field(xy: NDArray[np.float64]) -> bool:
    size = float(np.hypot(*np.ptp(xy, axis=0)))
    return len(xy) >= _LEAST_FIXES and size >= _LEAST_LENGTH_M


def _linked(xy: NDArray[np.float64], gap_m: float) -> NDArray[np.int64]:
    """Link points up to ``gap_m`` apart and number the clusters.

    Points are sorted into squares whose diagonal is ``gap_m``: those of one square are
    linked, and only squares up to two apart can be, which their nearest points decide.
    """
    square = np.floor(xy / (gap_m / np.sqrt(2.0))).astype(np.int64)
    squares, owner = np.unique(square, axis=0, return_inverse=True)
    owner = owner.reshape(-1)
    order = np.argsort(owner, kind="stable")
    points = np.split(xy[order], np.flatnonzero(np.diff(owner[order])) + 1)
    place = {(int(e), int(n)): k for k, (e, n) in enumerate(squares)}
    trees: dict[int, cKDTree] = {}
    root = list(range(len(squares)))

    def top(k: int) -> int:
        while root[k] != k:
            root[k] = root[root[k]]
            k = root[k]
        return k

    for (east, north), one in place.items():
        for step in _AHEAD:
            other = place.get((east + step[0], north + step[1]))
            if other is None or top(one) == top(other):
                continue
            if other not in trees:
                trees[other] = cKDTree(points[other])
            near, _ = trees[other].query(points[one], distance_upper_bound=np.nextafter(gap_m, 1e9))
            if np.isfinite(near).any():
                root[top(other)] = top(one)
    tops = np.array([top(k) for k in range(len(squares))], dtype=np.int64)
    return np.asarray(np.unique(tops, return_inverse=True)[1][owner], dtype=np.int64)


_AHEAD = [(e, n) for e in range(3) for n in range(-2, 3) if (e, n) > (0, 0)]


def _as_before(part: NDArray[np.int64], fixes: pd.DataFrame) -> NDArray[np.int64]:
    """Give loose fixes the part of the fix before, machine by machine."""
    known = pd.Series(part, index=fixes.index).where(part >= 0)
    if "machine_id" in fixes:
        known = known.groupby(fixes["machine_id"], dropna=False).ffill()
        known = known.groupby(fixes["machine_id"], dropna=False).bfill()
    return known.ffill().bfill().to_numpy(np.int64)

"""Sweeps that turn, or run over ground that a pass at an angle had cut."""

from __future__ import annotations

import numpy as np

from covermap.ground.compiled import compiled
from covermap.ground.grid import Grid, whole
from covermap.ground.rasters import HeldRaster, Raster, stripes
from covermap.harvest.working_width import HeaderSweeps

#: Passes that lie within this angle of each other are neighbours, not crossings [deg].
_PARALLEL_DEG = 10.0
#: A change of heading above this over two header widths of travel is a turn [deg].
_TURN_DEG = 30.0
#: A sweep that newly cut this part of its area runs over nothing cut before.
_ALL_NEW = 0.98
#: Overlaps are looked for at this many places across a header, and here along its sweep.
_PROBES, _PROBES_ALONG = 11, np.array([0.2, 0.8])


def crossing_sweeps(
    sweeps: HeaderSweeps, newly_cut_m2: np.ndarray, cut_by: Raster, pass_no: np.ndarray, grid: Grid
) -> np.ndarray:
    """Tell (n,) which sweeps turn, or run over ground that a pass at an angle had cut.

    Sweeps stand in order of travel; ``newly_cut_m2`` and ``pass_no`` are (n,), the ground that
    each cut and its pass; ``cut_by`` is the sweep that cut each cell, -1 none.
    """
    step = sweeps.corners[:, 2:].mean(axis=1) - sweeps.corners[:, :2].mean(axis=1)
    reach = max(round(float(np.median(sweeps.header_width_m) / np.median(sweeps.length_m))), 1)
    heading, turning = _smooth_headings(step, pass_no, reach)
    swept = sweeps.header_width_m * sweeps.length_m
    over = np.flatnonzero(newly_cut_m2 < _ALL_NEW * swept)
    east, north = sweeps.corners[over, :, 0], sweeps.corners[over, :, 1]
    # x, y [cells] from the grid's north-west corner
    corners = np.stack(
        [(east - grid.west) / grid.cell_m, (grid.north - north) / grid.cell_m], axis=-1
    )
    foreign, askew = np.zeros((2, len(over)), np.int64)
    windows = [whole(grid)] if isinstance(cut_by, HeldRaster) else stripes(grid)
    top, bottom = corners[..., 1].min(axis=1), corners[..., 1].max(axis=1)
    for window in windows:
        row0, end = window.row, window.row + window.rows
        # probes off the grid are read at its edge
        low = -np.inf if row0 == 0 else row0
        high = np.inf if end == grid.rows else end
        _count_foreign(
            corners,
            over,
            np.flatnonzero((bottom >= low) & (top <= high)),
            cut_by.rows(row0, window.rows),
            row0,
            grid.rows,
            pass_no,
            heading,
            np.sin(np.radians(_PARALLEL_DEG)),
            _PROBES,
            _PROBES_ALONG,
            foreign,
            askew,
        )
    # probes at the edge may stand on a cell of the neighbour that it only touches
    beside_it = np.maximum(foreign - askew - len(_PROBES_ALONG), 0)
    crossing = turning.copy()
    crossing[over] |= askew > beside_it
    # the sweeps beside a crossing run into it by less than the probes see
    same = pass_no[1:] == pass_no[:-1]
    beside = np.append(False, crossing[:-1] & same) | np.append(crossing[1:] & same, False)
    beside[over[beside_it > 0]] = False
    return np.asarray(crossing | beside)


@compiled
def _count_foreign(
    corners: np.ndarray,
    sweep: np.ndarray,
    chosen: np.ndarray,
    cut_by: np.ndarray,
    row0: int,
    all_rows: int,
    pass_no: np.ndarray,
    heading: np.ndarray,
    least_sine: float,
    across: int,
    along: np.ndarray,
    foreign: np.ndarray,
    askew: np.ndarray,
) -> None:
    """Count a sweep's probes that stand on ground of earlier passes, and of those at an angle."""
    rows, cols = cut_by.shape
    for k in chosen:
        own = sweep[k]
        for part in along:
            left = corners[k, 0] + part * (corners[k, 3] - corners[k, 0])
            right = corners[k, 1] + part * (corners[k, 2] - corners[k, 1])
            for p in range(across):
                at = (p + 0.5) / across
                x = left[0] + at * (right[0] - left[0])
                y = left[1] + at * (right[1] - left[1])
                row = min(max(int(y), 0), all_rows - 1) - row0
                if row < 0 or row >= rows:
                    continue
                earlier = cut_by[row, min(max(int(x), 0), cols - 1)]
                if earlier < 0 or earlier >= own or pass_no[earlier] == pass_no[own]:
                    continue
                foreign[k] += 1
                askew[k] += abs(np.sin(heading[earlier] - heading[own])) > least_sine


def _smooth_headings(
    step: np.ndarray, pass_no: np.ndarray, reach: int
) -> tuple[np.ndarray, np.ndarray]:
    """Give headings over ``reach`` sweeps either side [rad], and which sweeps turn."""
    place = np.arange(len(step))
    first = np.searchsorted(pass_no, pass_no, side="left")
    last = np.searchsorted(pass_no, pass_no, side="right") - 1
    low, high = np.maximum(place - reach, first), np.minimum(place + reach, last)
    way = np.vstack([[0.0, 0.0], np.cumsum(step, axis=0)])

    def bearing(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        gone = way[b + 1] - way[a]
        return np.asarray(np.arctan2(gone[:, 0], gone[:, 1]))

    change = bearing(place, high) - bearing(low, place)
    turned = np.abs((change + np.pi) % (2 * np.pi) - np.pi)
    return bearing(low, high), turned > np.radians(_TURN_DEG)

"""Which ground each fix cut: the part of the header's sweep that was still standing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from covermap.ground.grid import Grid, Window, tiles, whole
from covermap.ground.rasterise import claim_ground, place_across
from covermap.ground.sweeps import bands_in_window, in_cells, largest_box, sweep_corners
from covermap.ground.threads import in_threads, row_parts
from covermap.ground.travel import record_starts, travel_along

_TILE_CELLS = 2048


@dataclass(frozen=True)
class HeaderSweeps:
    """What the header passed over, one sweep per harvested fix, in order of travel.

    Attributes
    ----------
    rows : numpy.ndarray
        (n,) rows of the path.
    corners : numpy.ndarray
        (n, 4, 2) corners of each sweep [m].
    header_width_m : numpy.ndarray
        (n,) width of the header [m].
    length_m : numpy.ndarray
        (n,) travel covered [m].
    """

    rows: np.ndarray
    corners: np.ndarray
    header_width_m: np.ndarray
    length_m: np.ndarray


@dataclass(frozen=True)
class CutGround:
    """The cut ground as rasters of one window.

    Attributes
    ----------
    cut_share : numpy.ndarray
        (rows, cols) part of each cell that was cut, 0 to 1.
    given_kg_m2 : numpy.ndarray
        (rows, cols) residue that this ground itself gave to the machine [kg/m²].
    cut_by : numpy.ndarray
        (rows, cols) sweep that cut most of the cell, -1 where nothing was cut.
    across_m : numpy.ndarray
        (rows, cols) distance to the right of that sweep's middle line [m], float32.
    """

    cut_share: np.ndarray
    given_kg_m2: np.ndarray
    cut_by: np.ndarray
    across_m: np.ndarray


def header_sweeps(
    path: pd.DataFrame,
    pass_of_fix: np.ndarray,
    cut_width_m: np.ndarray,
    antenna_behind_header_m: np.ndarray,
) -> HeaderSweeps:
    """Give the header's sweep for every fix that belongs to a pass.

    Parameters
    ----------
    path : pandas.DataFrame
        Cleaned path.
    pass_of_fix : numpy.ndarray
        (len(path),) pass number, 0 where nothing was harvested.
    cut_width_m, antenna_behind_header_m : numpy.ndarray
        (len(path),) header width and distance from antenna forward to the cutterbar [m].

    Returns
    -------
    HeaderSweeps
    """
    rows = np.flatnonzero(pass_of_fix > 0)
    travel = travel_along(path)
    begin, clock = record_starts(path)[rows], path["clock_s"].to_numpy(float)[rows]
    ahead = antenna_behind_header_m[rows]
    start, end = travel.positions(begin, ahead), travel.positions(clock, ahead)
    width = cut_width_m[rows]
    offset = (
        path["header_offset_m"].fillna(0.0).to_numpy(float)[rows]
        if "header_offset_m" in path
        else np.zeros(len(rows))
    )
    step = end - start
    same = np.append(False, pass_of_fix[rows][1:] == pass_of_fix[rows][:-1])
    touching = np.append(False, np.hypot(*(start[1:] - end[:-1]).T) < 1e-6)
    corners = sweep_corners(
        start,
        end,
        same & touching,
        offset - width / 2,
        offset + width / 2,
        np.arctan2(step[:, 0], step[:, 1]),
    )
    return HeaderSweeps(rows, corners, width, np.hypot(step[:, 0], step[:, 1]))


def cut_ground(
    sweeps: HeaderSweeps,
    given_kg_per_m2: np.ndarray,
    grid: Grid,
    *,
    window: Window | None = None,
) -> tuple[CutGround, np.ndarray]:
    """Let each sweep take what still stands, in order of travel.

    Parameters
    ----------
    sweeps : HeaderSweeps
        In order of travel.
    given_kg_per_m2 : numpy.ndarray
        (n,) residue per newly cut area of each sweep [kg/m²].
    grid : Grid
        The field's grid.
    window : Window, optional
        Part of the grid; all of it by default.

    Returns
    -------
    CutGround
        Rasters of the window.
    numpy.ndarray
        (n,) area newly cut inside the window by each sweep [m²].
    """
    window = window or whole(grid)
    corners = in_cells(sweeps.corners, grid)
    standing = np.ones((window.rows, window.cols))
    given = np.zeros((window.rows, window.cols))
    cut_by = np.full((window.rows, window.cols), -1, np.int32)
    density = np.ascontiguousarray(given_kg_per_m2, np.float64)
    parts = row_parts(window, corners[:, :, 1].mean(axis=1))
    claimed = np.zeros((len(parts), len(corners)))

    def claim(part: Window) -> None:
        chosen = bands_in_window(corners, part)
        here = slice(part.row - window.row, part.row - window.row + part.rows)
        claim_ground(
            corners,
            density,
            chosen,
            *largest_box(corners[chosen]),
            part.row,
            part.col,
            standing[here],
            given[here],
            cut_by[here],
            claimed[parts.index(part)],
        )

    in_threads(claim, parts)
    right = corners[:, 1] + corners[:, 2] - corners[:, 0] - corners[:, 3]
    right /= np.maximum(np.hypot(right[:, 0], right[:, 1]), 1e-9)[:, None]
    across = np.full((window.rows, window.cols), np.nan, np.float32)
    place_across(cut_by, corners.mean(axis=1), right, window.row, window.col, across)
    across *= np.float32(grid.cell_m)
    np.subtract(1.0, standing, out=standing)
    return CutGround(standing, given, cut_by, across), claimed.sum(axis=0) * grid.cell_area_m2


def newly_cut_m2(sweeps: HeaderSweeps, grid: Grid) -> np.ndarray:
    """Give the area each sweep cut newly [m²], in memory of one tile at a time."""
    nothing = np.zeros(len(sweeps.rows))
    total = np.zeros(len(sweeps.rows))
    for window in tiles(grid, _TILE_CELLS):
        total += cut_ground(sweeps, nothing, grid, window=window)[1]
    return total

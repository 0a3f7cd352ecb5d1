"""Which ground each fix cut: the part of the header's sweep that was still standing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from covermap.ground.grid import Grid, Window, whole
from covermap.ground.near_rows import CHUNK, near_window, rows_of_chunks
from covermap.ground.rasterise import claim_ground, place_across
from covermap.ground.rasters import stripes
from covermap.ground.sweeps import sweep_corners
from covermap.ground.threads import in_order, in_threads, row_parts
from covermap.ground.travel import record_starts, travel_along

#: So many sweeps are worked out at once; the numbers do not depend on it.
_BLOCK_SWEEPS = 1 << 15


@dataclass(frozen=True)
class HeaderSweeps:
    """What the header passed over, one sweep per harvested fix, in order of travel.

    Attributes
    ----------
    rows : numpy.ndarray
        (n,) rows of the path.
    corners : numpy.ndarray
        (n, 4, 2) corners of each sweep [m].
    header_width_m, length_m : numpy.ndarray
        (n,) width of the header and travel covered [m].
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
    cut_by, across_m : numpy.ndarray
        (rows, cols) sweep that cut most of the cell, -1 where nothing was cut, and how far
        right of its middle line the cell lies [m], float32.
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
    path, pass_of_fix : pandas.DataFrame, numpy.ndarray
        Cleaned path, and (len(path),) pass number, 0 where nothing was harvested.
    cut_width_m, antenna_behind_header_m : numpy.ndarray
        (len(path),) header width and distance from antenna forward to the cutterbar [m].
    """
    rows = np.flatnonzero(pass_of_fix > 0)
    travel, begun, ended = travel_along(path), record_starts(path), path["clock_s"].to_numpy(float)
    width = cut_width_m[rows]
    right_m = path["header_offset_m"].to_numpy(float) if "header_offset_m" in path else None
    corners, length = np.empty((len(rows), 4, 2)), np.empty(len(rows))
    for first in range(0, len(rows), _BLOCK_SWEEPS):
        last = min(first + _BLOCK_SWEEPS, len(rows))
        # a sweep shares its ends with the one before and the one after
        near = slice(max(first - 1, 0), min(last + 1, len(rows)))
        own = slice(first - near.start, last - near.start)
        at = rows[near]
        ahead = antenna_behind_header_m[at]
        start, end = travel.positions(begun[at], ahead), travel.positions(ended[at], ahead)
        step = end - start
        same = np.append(False, pass_of_fix[at][1:] == pass_of_fix[at][:-1])
        touching = np.append(False, np.hypot(*(start[1:] - end[:-1]).T) < 1e-6)
        offset = np.zeros(len(at)) if right_m is None else np.nan_to_num(right_m[at])
        corners[first:last] = sweep_corners(
            start,
            end,
            same & touching,
            offset - width[near] / 2,
            offset + width[near] / 2,
            np.arctan2(step[:, 0], step[:, 1]),
        )[own]
        length[first:last] = np.hypot(step[:, 0], step[:, 1])[own]
    return HeaderSweeps(rows, corners, width, length)


def cut_ground(
    sweeps: HeaderSweeps,
    given_kg_per_m2: np.ndarray,
    grid: Grid,
    *,
    window: Window | None = None,
    chunk_rows: np.ndarray | None = None,
    cores: int | None = None,
) -> CutGround:
    """Let each sweep take what still stands, in order of travel.

    Parameters
    ----------
    sweeps, given_kg_per_m2 : HeaderSweeps, numpy.ndarray
        In order of travel, and (n,) residue per newly cut area of each [kg/m²].
    grid, window : Grid, Window
        The field's, and the part of it that is asked for; all of it by default.
    chunk_rows : numpy.ndarray, optional
        Of the sweeps, from :func:`covermap.ground.near_rows.rows_of_chunks`, where many
        windows are asked for.
    cores : int, optional
        To work on at once; all if not given.
    """
    window = window or whole(grid)
    shape = (window.rows, window.cols)
    standing, given = np.ones(shape), np.zeros(shape)
    cut_by, most = np.full(shape, -1, np.int32), np.zeros(shape, np.float32)
    corners = np.ascontiguousarray(sweeps.corners, np.float64)
    density = np.ascontiguousarray(given_kg_per_m2, np.float64)
    if chunk_rows is None:
        chunk_rows = rows_of_chunks(corners, grid)
    across = np.full(shape, np.nan, np.float32)

    def claim(part: Window) -> None:
        here = slice(part.row - window.row, part.row - window.row + part.rows)
        place = (grid.as_numbers(), part.row, part.col)
        ground = (standing[here], given[here], cut_by[here], most[here])
        near = near_window(chunk_rows, part)
        claim_ground(corners, density, near, CHUNK, *place, *ground, np.zeros(len(corners)))
        place_across(cut_by[here], corners, *place, across[here])

    in_threads(claim, row_parts(window, chunk_rows.mean(axis=1), cores))
    np.subtract(1.0, standing, out=standing)
    return CutGround(standing, given, cut_by, across)


def newly_cut_m2(sweeps: HeaderSweeps, grid: Grid) -> np.ndarray:
    """Give the area each sweep cut newly [m²], in memory of some stripes at a time."""
    corners = np.ascontiguousarray(sweeps.corners, np.float64)
    chunk_rows = rows_of_chunks(corners, grid)
    total = np.zeros((len(chunk_rows), CHUNK))
    none = np.zeros((0, 0))
    unasked = (none, none.astype(np.int32), none.astype(np.float32))

    def claim(stripe: Window) -> tuple[np.ndarray, np.ndarray]:
        claimed = np.zeros(total.shape)
        near = near_window(chunk_rows, stripe)
        place = (grid.as_numbers(), stripe.row, stripe.col)
        standing = np.ones((stripe.rows, stripe.cols))
        claim_ground(
            corners, corners[:, 0, 0], near, CHUNK, *place, standing, *unasked, claimed.reshape(-1)
        )
        return near, claimed[near]

    for near, claimed in in_order(claim, stripes(grid)):
        total[near] += claimed
    return total.reshape(-1)[: len(corners)] * grid.cell_area_m2


def across_m(
    cut_by: np.ndarray, sweeps: HeaderSweeps, grid: Grid, first_row: int = 0
) -> np.ndarray:
    """Give how far right of its sweep's middle line each cell of the grid lies [m], float32.

    ``cut_by`` is (rows, cols) the sweep that cut the cell, from ``first_row`` of the grid, -1
    none; NaN where nothing was cut.
    """
    across = np.full(cut_by.shape, np.nan, np.float32)
    corners = np.ascontiguousarray(sweeps.corners, np.float64)
    place_across(np.ascontiguousarray(cut_by), corners, grid.as_numbers(), first_row, 0, across)
    return across

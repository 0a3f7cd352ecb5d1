"""The ground a moving width sweeps between fixes, as quadrilaterals.

Header and residue band are both a line across the travel, moved from one point to the
next. Where two sweeps follow each other they share the line between them, so that a curve
is laid without gaps or doubling; where the curve is tighter than the width allows, each
sweep keeps its own square ends.
"""

from __future__ import annotations

import numpy as np

from covermap.ground.grid import Grid, Window

#: A sweep shorter than this is lengthened about its middle: a thrower standing still
#: still throws some way fore and aft (no published figure; half a metre is one cell).
LEAST_LENGTH_M = 0.5

#: Shared ends may eat at most this part of a sweep's length on the inner side.
_MOST_EATEN = 0.45

#: So many sweeps are worked out at once; the numbers do not depend on it.
_BLOCK_SWEEPS = 1 << 15


def sweep_corners(
    start: np.ndarray,
    end: np.ndarray,
    follows: np.ndarray,
    left_m: np.ndarray,
    right_m: np.ndarray,
    heading_rad: np.ndarray,
) -> np.ndarray:
    """Give the corners of each sweep.

    Parameters
    ----------
    start, end : numpy.ndarray
        (n, 2) easting, northing [m] of the centre line.
    follows : numpy.ndarray
        (n,) True where a sweep starts where the one before it ended.
    left_m, right_m : numpy.ndarray
        (n,) offsets of the edges from the centre line, + to the right [m];
        ``left_m < right_m``.
    heading_rad : numpy.ndarray
        (n,) direction used where start and end coincide, clockwise from north [rad].

    Returns
    -------
    numpy.ndarray
        (n, 4, 2): left start, right start, right end, left end [m].
    """
    n = len(start)
    corners = np.empty((n, 4, 2))
    # a joint reaches one sweep back and one ahead, so a block needs those beside it
    for first in range(0, n, _BLOCK_SWEEPS):
        last = min(first + _BLOCK_SWEEPS, n)
        near = slice(max(first - 1, 0), min(last + 1, n))
        own = slice(first - near.start, last - near.start)
        corners[first:last] = _corners(
            start[near], end[near], follows[near], left_m[near], right_m[near], heading_rad[near]
        )[own]
    return corners


def _corners(
    start: np.ndarray,
    end: np.ndarray,
    follows: np.ndarray,
    left_m: np.ndarray,
    right_m: np.ndarray,
    heading_rad: np.ndarray,
) -> np.ndarray:
    """Give the corners of each sweep of one block."""
    step = end - start
    length = np.hypot(step[:, 0], step[:, 1])
    still = length < 1e-6
    along = np.where(
        still[:, None],
        np.column_stack([np.sin(heading_rad), np.cos(heading_rad)]),
        step / np.where(still, 1.0, length)[:, None],
    )
    short = length < LEAST_LENGTH_M
    middle = 0.5 * (start + end)
    half = 0.5 * LEAST_LENGTH_M * along
    start = np.where(short[:, None], middle - half, start)
    end = np.where(short[:, None], middle + half, end)
    length = np.maximum(length, LEAST_LENGTH_M)
    right = np.column_stack([along[:, 1], -along[:, 0]])
    right_start, right_end = right.copy(), right.copy()
    reach = np.maximum(np.abs(left_m), np.abs(right_m))
    joint = np.flatnonzero(follows[1:] & ~short[1:] & ~short[:-1]) + 1
    if len(joint):
        before = joint - 1
        cosine = (right[before] * right[joint]).sum(axis=1)
        # tan of half the turn, from the half-angle formula
        tangent = np.sqrt(np.clip((1 - cosine) / np.maximum(1 + cosine, 1e-9), 0, None))
        widest = np.maximum(reach[before], reach[joint])
        fits = widest * tangent <= _MOST_EATEN * np.minimum(length[before], length[joint])
        joint, before = joint[fits], before[fits]
        start[joint] = end[before]  # to the last bit, so that the line between is one
        both = right[before] + right[joint]
        # a mitre: both edges keep their distance from the centre line
        shared = both / (1 + cosine[fits])[:, None]
        right_start[joint] = shared
        right_end[before] = shared
    return np.stack(
        [
            start + left_m[:, None] * right_start,
            start + right_m[:, None] * right_start,
            end + right_m[:, None] * right_end,
            end + left_m[:, None] * right_end,
        ],
        axis=1,
    )


def in_cells(corners: np.ndarray, grid: Grid) -> np.ndarray:
    """Turn easting, northing [m] into x, y [cells] from the grid's north-west corner."""
    cells = np.empty_like(corners)
    cells[..., 0] = (corners[..., 0] - grid.west) / grid.cell_m
    cells[..., 1] = (grid.north - corners[..., 1]) / grid.cell_m
    return cells


def largest_box(corners_cells: np.ndarray) -> tuple[int, int]:
    """Give the rows and columns that the largest band of (n, 4, 2) needs as scratch."""
    if len(corners_cells) == 0:
        return 1, 1
    span = corners_cells.max(axis=1) - corners_cells.min(axis=1)
    return int(span[:, 1].max()) + 3, int(span[:, 0].max()) + 5


def bands_in_window(corners_cells: np.ndarray, window: Window) -> np.ndarray:
    """Give the indices of bands whose surroundings touch ``window``, in order."""
    low = corners_cells.min(axis=1)
    high = corners_cells.max(axis=1)
    touches = (
        (high[:, 0] >= window.col)
        & (low[:, 0] <= window.col + window.cols)
        & (high[:, 1] >= window.row)
        & (low[:, 1] <= window.row + window.rows)
    )
    return np.flatnonzero(touches)

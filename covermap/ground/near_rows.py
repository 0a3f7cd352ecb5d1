"""Which bands can touch a window of rows: so that a stripe of a large field skips the rest.

Bands follow the travel, so some that stand together lie together too. They are looked at
:data:`CHUNK` at a time; what a field costs then grows with its bands, not with bands times
stripes.
"""

from __future__ import annotations

import numpy as np

from covermap.ground.grid import Grid, Window

#: Bands that are looked at together.
CHUNK = 64
#: Rows added on either side: rounding, and the cell in which an edge ends.
_SLACK_ROWS = 2


def rows_of_chunks(corners: np.ndarray, grid: Grid) -> np.ndarray:
    """Give (chunks, 2) int64 the rows that each :data:`CHUNK` of bands may touch.

    First row and row after the last. ``corners`` are (n, 4, 2) easting, northing [m], in order
    of travel.
    """
    if not len(corners):
        return np.zeros((0, 2), np.int64)
    starts = np.arange(0, len(corners), CHUNK)
    northing = corners[..., 1]
    north = np.maximum.reduceat(northing, starts).max(axis=1)
    south = np.minimum.reduceat(northing, starts).min(axis=1)
    first = np.floor((grid.north - north) / grid.cell_m) - _SLACK_ROWS
    last = np.floor((grid.north - south) / grid.cell_m) + 1 + _SLACK_ROWS
    return np.column_stack([first, last]).astype(np.int64)


def near_window(chunk_rows: np.ndarray, window: Window) -> np.ndarray:
    """Tell of each chunk of :func:`rows_of_chunks` whether it may touch the window's rows."""
    return np.asarray(
        (chunk_rows[:, 0] < window.row + window.rows) & (chunk_rows[:, 1] > window.row)
    )

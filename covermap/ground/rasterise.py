"""Exact area rasteriser: how much of each grid cell a sweep of the header covers.

The header sweeps a quadrilateral between two fixes. What of it lies on a cell is found
exactly, by Green's theorem: each edge adds the signed area between itself and the right-hand
side of the row, and a running sum along the row turns those into covered area. Nothing is
sampled, so area is conserved to rounding and no moiré appears at any heading.

Coordinates here are in cells: ``x`` to the right, ``y`` downwards from the grid's
north-west corner.
"""

from __future__ import annotations

import math

import numpy as np

from covermap.ground.compiled import compiled

#: Covered area below this part of a sweep's is rounding noise of the running sum.
NOISE = 1e-13


@compiled
def _add_edge(
    sums: np.ndarray,
    first: np.ndarray,
    last: np.ndarray,
    xa: float,
    ya: float,
    xb: float,
    yb: float,
    weight: float,
) -> None:
    """Add the edge from a to b to the row sums, ``weight`` per unit of area to its right."""
    if ya == yb or weight == 0.0:
        return
    if ya > yb:
        xa, ya, xb, yb = xb, yb, xa, ya
        weight = -weight
    slope = (xb - xa) / (yb - ya)
    top = math.floor(ya)
    y, x = ya, xa
    for row in range(top, math.ceil(yb)):
        y_next = min(float(row + 1), yb)
        x_next = xb if y_next == yb else xa + slope * (y_next - ya)
        height = (y_next - y) * weight
        x_low, x_high = (x, x_next) if x <= x_next else (x_next, x)
        col = math.floor(x_low)
        col_end = math.floor(x_high)
        first[row] = min(first[row], col)
        last[row] = max(last[row], col_end + 1)
        if col == col_end:
            share = 0.5 * (x_low + x_high) - col
            sums[row, col] += height * (1.0 - share)
            sums[row, col + 1] += height * share
        else:
            per_x = height / (x_high - x_low)
            part = (col + 1 - x_low) * per_x
            share = 0.5 * (x_low - col + 1.0)
            sums[row, col] += part * (1.0 - share)
            sums[row, col + 1] += part * share
            for c in range(col + 1, col_end):
                sums[row, c] += per_x * 0.5
                sums[row, c + 1] += per_x * 0.5
            part = (x_high - col_end) * per_x
            share = 0.5 * (x_high - col_end)
            sums[row, col_end] += part * (1.0 - share)
            sums[row, col_end + 1] += part * share
        y, x = y_next, x_next


@compiled
def _box(corners: np.ndarray, box: np.ndarray) -> None:
    """Write the first row, first column, rows and columns of a sweep's surroundings."""
    x_low = min(min(corners[0, 0], corners[1, 0]), min(corners[2, 0], corners[3, 0]))
    x_high = max(max(corners[0, 0], corners[1, 0]), max(corners[2, 0], corners[3, 0]))
    y_low = min(min(corners[0, 1], corners[1, 1]), min(corners[2, 1], corners[3, 1]))
    y_high = max(max(corners[0, 1], corners[1, 1]), max(corners[2, 1], corners[3, 1]))
    box[0] = math.floor(y_low)
    box[1] = math.floor(x_low)
    box[2] = math.ceil(y_high) - box[0] + 1
    box[3] = math.floor(x_high) - box[1] + 3


@compiled
def _cover(
    corners: np.ndarray,
    area: float,
    box: np.ndarray,
    sums: np.ndarray,
    first: np.ndarray,
    last: np.ndarray,
) -> None:
    """Write the area a sweep covers of each cell of its box into ``sums[r, first[r]:last[r] + 1]``.

    Before, ``sums`` are 0, ``first`` is large and ``last`` is -1.
    """
    ox, oy = float(box[1]), float(box[0])
    ax, ay = corners[0, 0] - ox, corners[0, 1] - oy
    bx, by = corners[3, 0] - ox, corners[3, 1] - oy
    cx, cy = ax + (corners[1, 0] - ox - ax), ay + (corners[1, 1] - oy - ay)
    dx, dy = bx + (corners[2, 0] - ox - bx), by + (corners[2, 1] - oy - by)
    signed = 0.5 * ((cx - bx) * (dy - ay) - (dx - ax) * (cy - by))
    if area == 0.0:
        density = 0.0
    elif abs(signed) < 1e-12:
        # no area to speak of (a machine turning on the spot): all of it on one cell
        density = 0.0
        row = int(0.25 * (ay + by + cy + dy))
        col = int(0.25 * (ax + bx + cx + dx))
        sums[row, col] += area
        sums[row, col + 1] -= area
        first[row] = min(first[row], col)
        last[row] = max(last[row], col + 1)
    else:
        density = area / signed
    _add_edge(sums, first, last, ax, ay, bx, by, density)
    _add_edge(sums, first, last, cx, cy, ax, ay, density)
    _add_edge(sums, first, last, bx, by, dx, dy, density)
    _add_edge(sums, first, last, cx, cy, dx, dy, -density)
    noise = abs(area) * NOISE
    for row in range(box[2]):
        running = 0.0
        for col in range(first[row], last[row] + 1):
            running += sums[row, col]
            sums[row, col] = running if abs(running) > noise else 0.0


@compiled
def claim_ground(
    corners: np.ndarray,
    density: np.ndarray,
    near: np.ndarray,
    chunk: int,
    grid: np.ndarray,
    row0: int,
    col0: int,
    standing: np.ndarray,
    given: np.ndarray,
    cut_by: np.ndarray,
    most: np.ndarray,
    claimed: np.ndarray,
) -> None:
    """Let each header sweep take, in order, what still stands on the cells it covers.

    Parameters
    ----------
    corners, density : numpy.ndarray
        (n, 4, 2) easting, northing [m]; (n,) what a sweep's ground gives, per cell area.
    near, chunk : numpy.ndarray, int
        (chunks,) of :func:`covermap.ground.near_rows.near_window`, and sweeps in a chunk.
    grid, row0, col0 : numpy.ndarray, int, int
        west, north [m], cells per metre; first row and column of the window.
    standing : numpy.ndarray
        (rows, cols) of the window; falls from 1 as crop is cut.
    given, cut_by, most : numpy.ndarray
        Gain ``density`` times the area taken, and the sweep that took most of the cell and
        how much (float32). All (0, 0) where only areas are asked for.
    claimed : numpy.ndarray
        (n,) gains the area taken by each sweep [cells].
    """
    rows, cols = standing.shape
    box = np.zeros(4, np.int64)
    cells = np.zeros((4, 2))
    sums = np.zeros((1, 1))
    first, last = np.zeros(1, np.int64), np.zeros(1, np.int64)
    ground = len(cut_by) > 0
    for part in range(len(near)):
        if not near[part]:
            continue
        for i in range(part * chunk, min((part + 1) * chunk, len(corners))):
            for j in range(4):
                cells[j, 0] = (corners[i, j, 0] - grid[0]) * grid[2]
                cells[j, 1] = (grid[1] - corners[i, j, 1]) * grid[2]
            _box(cells, box)
            if box[0] >= row0 + rows or box[0] + box[2] <= row0:
                continue
            if box[1] >= col0 + cols or box[1] + box[3] <= col0:
                continue
            if box[2] > sums.shape[0] or box[3] + 2 > sums.shape[1]:
                tall, wide = max(box[2], sums.shape[0]), max(box[3] + 2, sums.shape[1])
                sums = np.zeros((tall, wide))
                first = np.full(tall, 1 << 60, np.int64)
                last = np.full(tall, -1, np.int64)
            _cover(cells, _area(cells), box, sums, first, last)
            here = 0.0
            for r in range(box[2]):
                row = box[0] + r - row0
                inside = 0 <= row < rows
                for c in range(first[r], last[r] + 1):
                    value = sums[r, c]
                    sums[r, c] = 0.0
                    col = box[1] + c - col0
                    if value <= 0.0 or not inside or col < 0 or col >= cols:
                        continue
                    taken = min(value, standing[row, col])
                    if taken <= 0.0:
                        continue
                    standing[row, col] -= taken
                    here += taken
                    if ground:
                        given[row, col] += taken * density[i]
                        if taken > most[row, col]:
                            most[row, col] = taken
                            cut_by[row, col] = i
                first[r] = 1 << 60
                last[r] = -1
            claimed[i] += here


@compiled
def _area(corners: np.ndarray) -> float:
    """Give the area of a (4, 2) quadrilateral."""
    area: float = 0.5 * (
        (corners[2, 0] - corners[0, 0]) * (corners[3, 1] - corners[1, 1])
        - (corners[3, 0] - corners[1, 0]) * (corners[2, 1] - corners[0, 1])
    )
    return abs(area)


@compiled
def place_across(
    cut_by: np.ndarray,
    corners: np.ndarray,
    grid: np.ndarray,
    row0: int,
    col0: int,
    across: np.ndarray,
) -> None:
    """Write how far right of its sweep's middle line each cut cell lies [m]."""
    rows, cols = cut_by.shape
    for r in range(rows):
        north = grid[1] - (r + row0 + 0.5) / grid[2]
        for c in range(cols):
            i = cut_by[r, c]
            if i < 0:
                continue
            east = grid[0] + (c + col0 + 0.5) / grid[2]
            right_x = corners[i, 1, 0] + corners[i, 2, 0] - corners[i, 0, 0] - corners[i, 3, 0]
            right_y = corners[i, 1, 1] + corners[i, 2, 1] - corners[i, 0, 1] - corners[i, 3, 1]
            length = max(math.hypot(right_x, right_y), 1e-9)
            middle_x = 0.25 * (
                corners[i, 0, 0] + corners[i, 1, 0] + corners[i, 2, 0] + corners[i, 3, 0]
            )
            middle_y = 0.25 * (
                corners[i, 0, 1] + corners[i, 1, 1] + corners[i, 2, 1] + corners[i, 3, 1]
            )
            across[r, c] = ((east - middle_x) * right_x + (north - middle_y) * right_y) / length

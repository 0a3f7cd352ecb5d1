"""The profile of a map along a straight line: what a person sees who walks across the passes."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from shapely.geometry import LineString

from covermap.ground.grid import Grid

#: A line across the middle pass covers this many passes either side of it.
_PASSES_ASIDE = 2.5


def cross_section(
    values: np.ndarray,
    grid: Grid,
    start_xy: tuple[float, float],
    end_xy: tuple[float, float],
    step_m: float | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Read a raster along a straight line, cell by cell, with no smoothing between cells.

    Parameters
    ----------
    values : numpy.ndarray
        (rows, cols) of ``grid``, any unit; NaN where there is none.
    start_xy, end_xy : tuple of float
        Easting, northing of the two ends [m], in the CRS of the grid.
    step_m : float, optional
        Readings are as far apart as this or a little closer [m], so that both ends are
        read; the cell of the grid if not given.

    Returns
    -------
    distance_m : numpy.ndarray
        (n,) float64 from the start [m]; the last is the length of the line.
    values : numpy.ndarray
        (n,) float64, each that of the cell that holds the point; NaN off the grid.

    Raises
    ------
    ValueError
        If the array is not of the grid's shape, the ends are one point or not finite, or
        the step is not above 0.
    """
    if values.shape != grid.shape:
        raise ValueError(f"values have shape {values.shape}, the grid {grid.shape}")
    step = grid.cell_m if step_m is None else step_m
    length = math.hypot(end_xy[0] - start_xy[0], end_xy[1] - start_xy[1])
    if not (math.isfinite(length) and length > 0 and math.isfinite(step) and step > 0):
        raise ValueError(f"no line from {start_xy} to {end_xy} with steps of {step} m")
    # a length that is whole steps but for rounding is whole steps
    steps = max(1, math.ceil(length / step - 1e-9))
    part = np.arange(steps + 1) / steps
    easting = start_xy[0] + part * (end_xy[0] - start_xy[0])
    northing = start_xy[1] + part * (end_xy[1] - start_xy[1])
    col = np.floor((easting - grid.west) / grid.cell_m).astype(np.int64)
    row = np.floor((grid.north - northing) / grid.cell_m).astype(np.int64)
    on = (col >= 0) & (col < grid.cols) & (row >= 0) & (row < grid.rows)
    found = np.full(len(part), np.nan)
    found[on] = values[row[on], col[on]]
    return part * length, found


def across_middle_pass(
    lines: Sequence[LineString], spacing_m: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Give a line square across the middle of the middle pass, over two passes either side.

    ``lines`` are the middle lines of the passes [m], in any order; the ends are easting,
    northing [m], the more westerly one first.

    Raises
    ------
    ValueError
        If there is no pass, or the spacing is not above 0.
    """
    if not lines or not spacing_m > 0:
        raise ValueError(f"no line across {len(lines)} passes that are {spacing_m} m apart")
    centre = np.mean([(line.centroid.x, line.centroid.y) for line in lines], axis=0)
    # a short run beside the centre shows less than a long pass a little further off
    longest = max(line.length for line in lines)
    whole = [line for line in lines if line.length >= longest / 2]
    middle = min(
        whole,
        key=lambda line: math.hypot(line.centroid.x - centre[0], line.centroid.y - centre[1]),
    )
    point = middle.interpolate(0.5, normalized=True)
    before = middle.interpolate(0.45, normalized=True)
    after = middle.interpolate(0.55, normalized=True)
    along = np.array([after.x - before.x, after.y - before.y])
    right = np.array([along[1], -along[0]]) / max(float(np.hypot(*along)), 1e-9)
    aside = _PASSES_ASIDE * spacing_m * right
    first, last = sorted(
        (float(point.x + side * aside[0]), float(point.y + side * aside[1])) for side in (-1, 1)
    )
    return first, last

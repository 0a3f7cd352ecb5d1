"""Two grids brought onto one: where they share cells, and maps averaged from one to the other."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from covermap.ground.grid import Grid, Window

#: A cell of the new grid keeps a value if at least this part of it had one.
LEAST_KNOWN_SHARE = 0.5
#: Edges that differ by less than this part of a cell lie on each other.
_SAME_EDGE = 1e-3


def cells_agree(a: Grid, b: Grid) -> bool:
    """Tell whether every cell of ``b`` lies on a cell of ``a`` (or where one would be)."""
    if not math.isclose(a.cell_m, b.cell_m, rel_tol=1e-9):
        return False
    if not (a.crs == b.crs or a.crs.equals(b.crs, ignore_axis_order=True)):
        return False
    steps = ((b.west - a.west) / a.cell_m, (a.north - b.north) / a.cell_m)
    return all(abs(step - round(step)) < _SAME_EDGE for step in steps)


def shared_windows(a: Grid, b: Grid) -> tuple[Window, Window] | None:
    """Give the rectangle that two grids share, as a window of each; None if they share no cell.

    Their cells have to agree (:func:`cells_agree`).
    """
    down, right = round((a.north - b.north) / a.cell_m), round((b.west - a.west) / a.cell_m)
    row, col = max(down, 0), max(right, 0)
    rows = min(a.rows, down + b.rows) - row
    cols = min(a.cols, right + b.cols) - col
    if rows < 1 or cols < 1:
        return None
    return Window(row, col, rows, cols), Window(row - down, col - right, rows, cols)


def part_of(grid: Grid, window: Window) -> Grid:
    """Give a window of a grid as a grid."""
    return Grid(
        grid.crs,
        grid.west + window.col * grid.cell_m,
        grid.north - window.row * grid.cell_m,
        grid.cell_m,
        window.rows,
        window.cols,
    )


def averaged_onto(
    bands: Mapping[str, np.ndarray], source: Grid, target: Grid
) -> dict[str, np.ndarray]:
    """Average maps by area onto the cells of another grid.

    The mean of the source cells under each target cell, weighted by the area they share
    with it: right for amounts per area, such as t/ha.

    Parameters
    ----------
    bands : mapping of str to numpy.ndarray
        Shape of ``source``, NaN where there is none.
    source, target : Grid
        In any two metric CRS.

    Returns
    -------
    dict of str to numpy.ndarray
        float32, shape of ``target``; NaN where less than :data:`LEAST_KNOWN_SHARE` of the
        cell had a value.
    """
    from rasterio.warp import Resampling, reproject

    # An average leaves out what lies off the source, so a rim of nothing is laid around it.
    rim = math.ceil(target.cell_m / source.cell_m) + 1
    wide = Grid(
        source.crs,
        source.west - rim * source.cell_m,
        source.north + rim * source.cell_m,
        source.cell_m,
        source.rows + 2 * rim,
        source.cols + 2 * rim,
    )

    def averaged(values: np.ndarray) -> np.ndarray:
        out = np.zeros(target.shape, np.float64)
        reproject(
            np.pad(values, rim),
            out,
            src_transform=wide.transform,
            src_crs=source.crs.to_wkt(),
            dst_transform=target.transform,
            dst_crs=target.crs.to_wkt(),
            resampling=Resampling.average,
            num_threads=2,
        )
        return out

    result = {}
    for name, values in bands.items():
        known = np.isfinite(values)
        share = averaged(known.astype(np.float64))
        total = averaged(np.where(known, values, 0.0).astype(np.float64))
        mean = np.full(target.shape, np.nan, np.float32)
        np.divide(total, share, out=mean, where=share >= LEAST_KNOWN_SHARE, casting="same_kind")
        result[name] = mean
    return result

"""Evenness of a map on chosen ground, from its spread ratios alone.

Two maps are only comparable where both have ground, read with trays of one size.
"""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
from scipy.spatial import cKDTree

from covermap.comparison.same_tracks import points_along
from covermap.cover.evenness import evenness, evenness_by_pass, middle_urdr, tray_readings
from covermap.cover.spread_limits import SpreadLimits
from covermap.ground.grid import Grid
from covermap.ground.rasters import HeldRaster

#: What :func:`evenness_on` gives, in order.
MEASURES = (
    "cv_pct",
    "urdr",
    "christiansen_cu_pct",
    "low_quarter_du_pct",
    "gap_ha",
    "double_ha",
)
_POINT_STEP_M = 1.0


def evenness_on(
    ratio: np.ndarray,
    chosen: np.ndarray,
    grid: Grid,
    passes: gpd.GeoDataFrame,
    tray_m: float,
    limits: SpreadLimits,
) -> dict[str, float]:
    """Give the measures of a map on chosen ground.

    A tray reads the mean ratio of its cells. Lanes for the URDR lie along the nearest
    pass line, and the URDR is that of the middle pass by length.

    Parameters
    ----------
    ratio : numpy.ndarray
        (rows, cols) spread ratio, known on all chosen ground.
    chosen : numpy.ndarray
        (rows, cols) bool.
    grid : Grid
    passes : geopandas.GeoDataFrame
        Lines of the passes in the grid's CRS.
    tray_m : float
        Side of a tray and width of a lane [m].
    limits : SpreadLimits

    Returns
    -------
    dict of str to float
        :data:`MEASURES` [%, –, %, %, ha, ha]; NaN where there is too little.
    """
    trays, _ = tray_readings(
        np.where(chosen, ratio, 0.0), chosen.astype(np.float64), chosen, grid.cell_m, tray_m
    )
    even = evenness(trays)
    cells, chosen_ratio = ratio[chosen], np.where(chosen, ratio, np.float32(np.nan))
    return {
        "cv_pct": even.cv_pct,
        "urdr": _middle_urdr(cells, chosen, grid, passes, tray_m),
        "christiansen_cu_pct": even.christiansen_cu_pct,
        "low_quarter_du_pct": even.low_quarter_du_pct,
        **{
            f"{kind}_ha": area_m2 / 1e4
            for kind, area_m2 in limits.areas_m2(HeldRaster(chosen_ratio), grid).items()
        },
    }


def _middle_urdr(
    ratio: np.ndarray, chosen: np.ndarray, grid: Grid, passes: gpd.GeoDataFrame, tray_m: float
) -> float:
    """Give the URDR of the middle pass by length, NaN without passes."""
    line = points_along(passes.geometry, _POINT_STEP_M)
    if len(line.place) == 0:
        return math.nan
    row, col = chosen.nonzero()
    place = np.column_stack(
        [grid.west + (col + 0.5) * grid.cell_m, grid.north - (row + 0.5) * grid.cell_m]
    )
    near = cKDTree(line.place).query(place)[1]
    gap, along = place - line.place[near], line.along[near]
    across = gap[:, 0] * along[:, 1] - gap[:, 1] * along[:, 0]
    number = (line.line[near] + 1).astype(np.int32)
    urdr = evenness_by_pass(ratio.astype(np.float64), number, across, tray_m)["urdr"]
    length_m = passes["length_m"].to_numpy(float)[urdr.index.to_numpy() - 1]
    return middle_urdr(urdr.to_numpy(), length_m)

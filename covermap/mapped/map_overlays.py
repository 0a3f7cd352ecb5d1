"""Where the cells of a grid lie on a Web Mercator map, in formulas short enough for a page.

A page cannot carry a projection library. Over one field, map and grid differ by a smooth
function, so cubic polynomials fitted to the real projection stand in for it; how far they
are off is measured and kept with them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from covermap.ground.grid import Grid

_MERCATOR = "EPSG:3857"
_EARTH_RADIUS_M = 6378137.0
#: The projection is looked up on so many points along each side.
_NODES = 21
#: Powers of x and y in each term, as ``assets/map_values.js`` has them too.
_POWERS = [(i, total - i) for total in range(4) for i in range(total + 1)]


@dataclass(frozen=True)
class MapPlace:
    """How to get from a map to a grid and back.

    Attributes
    ----------
    centre : tuple of float
        EPSG:3857 of the middle of the grid.
    half_map_m, half_grid_m : float
        Lengths that x and y are divided by, on the map and on the grid.
    to_grid : numpy.ndarray
        (10, 2): column and row [cells], from map positions off the centre.
    to_map : numpy.ndarray
        (10, 2): EPSG:3857 off the centre, from metres right of and below the grid's middle.
    corners : numpy.ndarray
        (3, 2) EPSG:3857 of the north-west, north-east and south-west corner of the picture:
        a picture has straight edges, so this is the best fit, not the corners themselves.
    error_m, picture_error_m : float
        The largest error found of the polynomials and of the picture's place [m on the
        ground].
    """

    centre: tuple[float, float]
    half_map_m: float
    half_grid_m: float
    to_grid: np.ndarray
    to_map: np.ndarray
    corners: np.ndarray
    error_m: float
    picture_error_m: float

    def as_data(self) -> dict[str, Any]:
        """Give the numbers as the page needs them."""
        return {
            "centre": list(self.centre),
            "half_map_m": self.half_map_m,
            "half_grid_m": self.half_grid_m,
            "to_grid": self.to_grid.T.tolist(),
            "to_map": self.to_map.T.tolist(),
            "corners": self.corners.tolist(),
        }


def map_place(grid: Grid) -> MapPlace:
    """Fit the way from a Web Mercator map to a grid and back.

    Over a field of some kilometres ``error_m`` is far below a millimetre.
    """
    from pyproj import Transformer

    part = np.linspace(0.0, 1.0, _NODES)
    col, row = (a.ravel() for a in np.meshgrid(part * grid.cols, part * grid.rows))
    to_mercator = Transformer.from_crs(grid.crs, _MERCATOR, always_xy=True)
    x, y = to_mercator.transform(grid.west + col * grid.cell_m, grid.north - row * grid.cell_m)
    centre = (float((x.min() + x.max()) / 2), float((y.min() + y.max()) / 2))
    half_map = float(max(np.ptp(x), np.ptp(y))) / 2
    half_grid = grid.cell_m * max(grid.rows, grid.cols) / 2
    cells = np.column_stack([col, row])
    on_map = np.column_stack([x - centre[0], y - centre[1]])
    off_middle = (cells - [grid.cols / 2, grid.rows / 2]) * grid.cell_m
    to_grid, grid_error = _fit(_terms(on_map / half_map), cells)
    to_map, map_error = _fit(_terms(off_middle / half_grid), on_map)
    straight = np.column_stack([np.ones(len(cells)), cells])
    placed, picture_error = _fit(straight, on_map)
    ends = np.array([[1.0, 0, 0], [1, grid.cols, 0], [1, 0, grid.rows]])
    shrink = math.cos(math.radians(latitude(centre[1])))
    return MapPlace(
        centre,
        half_map,
        half_grid,
        to_grid,
        to_map,
        ends @ placed + centre,
        max(grid_error * grid.cell_m, map_error * shrink),
        picture_error * shrink,
    )


def bounds_lat_lon(grid: Grid) -> list[list[float]]:
    """Give the south-west and north-east corner around a grid as latitude, longitude [deg]."""
    from rasterio.warp import transform_bounds

    west, south, east, north = transform_bounds(grid.crs.to_wkt(), _MERCATOR, *grid.bounds)
    return [
        [latitude(south), math.degrees(west / _EARTH_RADIUS_M)],
        [latitude(north), math.degrees(east / _EARTH_RADIUS_M)],
    ]


def latitude(mercator_y: float) -> float:
    """Give the latitude [deg] of a northing in EPSG:3857."""
    return math.degrees(2 * math.atan(math.exp(mercator_y / _EARTH_RADIUS_M)) - math.pi / 2)


def _terms(xy: np.ndarray) -> np.ndarray:
    return np.column_stack([xy[:, 0] ** i * xy[:, 1] ** j for i, j in _POWERS])


def _fit(terms: np.ndarray, wanted: np.ndarray) -> tuple[np.ndarray, float]:
    """Give coefficients by least squares, and the largest distance that is left."""
    found, *_ = np.linalg.lstsq(terms, wanted, rcond=None)
    return found, float(np.hypot(*(terms @ found - wanted).T).max())

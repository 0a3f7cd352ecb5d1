"""Zones as the grid of task data after ISO 11783-10: cells in degrees, one zone code in each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from covermap.errors import OutputError

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import Transformer

#: Area of a zone on the grid may differ from that of its outline by this part.
AREA_TOLERANCE = 0.005
#: Code of cells that no zone holds.
OUTSIDE_CODE = 0
#: Cell sizes tried in turn [m]; the first that keeps the areas is taken. Close together, for
#: a zone that lies along the grid is off by up to a row of cells at one size and not the next.
_CELLS_M = tuple(round(2.0 * 0.93**step, 2) for step in range(42))
#: A grid of more cells is not tried: 16 MB, beyond what is safe to hand to a small computer
#: (a choice of this project, no source).
_MOST_CELLS = 16_000_000
#: Mean length of a degree of latitude (WGS 84, from memory); sizes cells, measures nothing [m].
_DEGREE_M = 111_320.0
#: Decimals of positions and cell sizes in the file (ISO 11783-10, version 4).
_DECIMALS = 9
_STEPS_PER_DEGREE = 1e9


@dataclass(frozen=True)
class TaskGrid:
    """A grid of zone codes, its numbers exactly as the file holds them.

    Attributes
    ----------
    south_deg, west_deg : float
        WGS 84 position of the south-west corner [deg].
    north_size_deg, east_size_deg : float
        Size of a cell [deg].
    codes : numpy.ndarray
        (rows, cols) uint8; the first row is the southernmost, the first column the
        westernmost, as ISO 11783-10 stores them.
    cell_m : float
        Rough size of a cell [m].
    area_error : dict of int to float
        Area on the grid ÷ area of the zones − 1, by zone code [1].
    """

    south_deg: float
    west_deg: float
    north_size_deg: float
    east_size_deg: float
    codes: np.ndarray
    cell_m: float
    area_error: dict[int, float]

    @property
    def worst_error(self) -> float:
        """Largest difference of area of any zone, without its sign [1]."""
        return max(map(abs, self.area_error.values()))


def lay_task_grid(zones: gpd.GeoDataFrame, codes: Sequence[int]) -> TaskGrid:
    """Lay zones on the coarsest grid in degrees that keeps their areas.

    A cell belongs to the zone that its centre lies in. Cells are made finer until the area
    of every code is within :data:`AREA_TOLERANCE` of that of its outlines, both in the CRS
    of the zones. Where no grid of sensible size does, the best one is given.

    Parameters
    ----------
    zones : geopandas.GeoDataFrame
        Polygons in a metric CRS; of zones that overlap, the one of the higher code wins.
    codes : sequence of int
        1 to 254, one for each zone.

    Returns
    -------
    TaskGrid

    Raises
    ------
    OutputError
        If the zones lie on both sides of the 180th meridian, which such a grid cannot.
    """
    from pyproj import Transformer

    degrees = zones.to_crs(4326).geometry
    west, south, east, north = (float(edge) for edge in degrees.total_bounds)
    if east - west > 180.0:
        raise OutputError(
            "Cannot write task data: the field lies on both sides of the 180th meridian, and the "
            "grid of ISO 11783-10 cannot.",
            way_out="Map each side as a field of its own.",
        )
    number = np.asarray(codes)
    area = zones.geometry.area.to_numpy()
    areas = {int(code): float(area[number == code].sum()) for code in np.unique(number)}
    order = np.argsort(number, kind="stable")
    shapes = [(degrees.iloc[i], int(number[i])) for i in order]
    south_edge, west_edge = _rounded_down(south), _rounded_down(west)
    to_metres = Transformer.from_crs(4326, zones.crs, always_xy=True)

    best: TaskGrid | None = None
    for cell_m in _CELLS_M:
        north_size = round(cell_m / _DEGREE_M, _DECIMALS)
        east_size = round(
            cell_m / (_DEGREE_M * math.cos(math.radians((south + north) / 2))), _DECIMALS
        )
        rows = math.ceil((north - south_edge) / north_size)
        cols = math.ceil((east - west_edge) / east_size)
        if best is not None and rows * cols > _MOST_CELLS:
            break
        cells = _rasterised(shapes, south_edge, west_edge, north_size, east_size, (rows, cols))
        row_area = _cell_areas(
            south_edge, west_edge, north_size, east_size, (rows, cols), to_metres
        )
        errors = {
            code: float((np.count_nonzero(cells == code, axis=1) * row_area).sum()) / outline - 1.0
            for code, outline in areas.items()
        }
        grid = TaskGrid(south_edge, west_edge, north_size, east_size, cells, cell_m, errors)
        if best is None or grid.worst_error < best.worst_error:
            best = grid
        if best.worst_error <= AREA_TOLERANCE:
            break
    assert best is not None, "the first size is always tried"
    return best


def _rounded_down(degrees: float) -> float:
    """Give the next lower position that the file can hold."""
    return round(math.floor(degrees * _STEPS_PER_DEGREE) / _STEPS_PER_DEGREE, _DECIMALS)


def _rasterised(
    shapes: list[tuple[object, int]],
    south: float,
    west: float,
    north_size: float,
    east_size: float,
    shape: tuple[int, int],
) -> np.ndarray:
    """Give the code of each cell, southernmost row first."""
    from affine import Affine
    from rasterio.features import rasterize

    place = Affine(east_size, 0.0, west, 0.0, -north_size, south + shape[0] * north_size)
    drawn = rasterize(shapes, out_shape=shape, transform=place, fill=OUTSIDE_CODE, dtype="uint8")
    return np.ascontiguousarray(drawn[::-1])


def _cell_areas(
    south: float,
    west: float,
    north_size: float,
    east_size: float,
    shape: tuple[int, int],
    to_metres: Transformer,
) -> np.ndarray:
    """Give the metric area of a cell in the middle of each row [m²]."""
    rows, cols = shape
    edges = south + np.arange(rows + 1) * north_size
    middle = west + cols // 2 * east_size
    x0, y0 = to_metres.transform(np.full(rows + 1, middle), edges)
    x1, y1 = to_metres.transform(np.full(rows + 1, middle + east_size), edges)
    # half the cross product of the two diagonals
    along = (x1[1:] - x0[:-1], y1[1:] - y0[:-1])
    across = (x0[1:] - x1[:-1], y0[1:] - y1[:-1])
    area: np.ndarray = np.abs(along[0] * across[1] - along[1] * across[0]) / 2.0
    return area

"""The square grid that residue is mapped on, in a metric CRS chosen for the field."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from affine import Affine
from pyproj import CRS

from covermap.errors import Ask, SettingsError

#: Cells of the largest grid covermap will make; above it a person has mistaken a unit.
MOST_CELLS = 400_000_000


@dataclass(frozen=True)
class Grid:
    """A north-up grid whose edges sit on multiples of the cell.

    Two maps of one field in the same CRS and cell therefore lie cell on cell, whatever
    their tracks.

    Attributes
    ----------
    crs : pyproj.CRS
        Projected, in metres.
    west, north, cell_m : float
        Outer edges and side of a cell [m].
    """

    crs: CRS
    west: float
    north: float
    cell_m: float
    rows: int
    cols: int

    @property
    def transform(self) -> Affine:
        """Affine transform from column, row to easting, northing."""
        return Affine(self.cell_m, 0.0, self.west, 0.0, -self.cell_m, self.north)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north edges [m]."""
        return (
            self.west,
            self.north - self.rows * self.cell_m,
            self.west + self.cols * self.cell_m,
            self.north,
        )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        return (self.rows, self.cols)

    def as_numbers(self) -> np.ndarray:
        """Give west, north [m], cells per metre and two zeros, as the inner loops take them."""
        return np.array([self.west, self.north, 1.0 / self.cell_m, 0.0, 0.0])

    @property
    def cell_area_m2(self) -> float:
        """Area of one cell [m²]."""
        return self.cell_m**2


@dataclass(frozen=True)
class Window:
    """A rectangle of a :class:`Grid`: first row and column, number of rows and columns."""

    row: int
    col: int
    rows: int
    cols: int


def grid_around(
    crs: CRS, bounds: tuple[float, float, float, float], cell_m: float, margin_m: float = 0.0
) -> Grid:
    """Make the smallest aligned grid that holds ``bounds`` and a margin on every side.

    Bounds are west, south, east, north [m] in the CRS, which is projected and in metres.

    Raises
    ------
    SettingsError
        If the grid would be larger than :data:`MOST_CELLS`.
    """
    west, south, east, north = bounds
    first_col = math.floor((west - margin_m) / cell_m)
    last_col = math.ceil((east + margin_m) / cell_m)
    first_row = math.floor((south - margin_m) / cell_m)
    last_row = math.ceil((north + margin_m) / cell_m)
    cols, rows = max(last_col - first_col, 1), max(last_row - first_row, 1)
    if rows * cols > MOST_CELLS:
        raise SettingsError(
            f"[grid] cell: {cell_m:g} m cells over {(east - west) / 1000:,.1f} km × "
            f"{(north - south) / 1000:,.1f} km would be {rows * cols:,} cells, more than "
            f"{MOST_CELLS:,}.",
            "",
            "Choose a larger cell ({0}), or split the track by field.",
            Ask("grid.cell"),
        )
    return Grid(crs, first_col * cell_m, last_row * cell_m, cell_m, rows, cols)


def whole(grid: Grid) -> Window:
    """Give the window that is all of ``grid``."""
    return Window(0, 0, grid.rows, grid.cols)

"""Sums over the cells of a field, added row by row: the same wherever its stripes are cut."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from covermap.ground.rasters import Raster, as_raster, stripes


class RowSums:
    """Number, sum and sum of squares of the cells that have a value."""

    def __init__(self) -> None:
        self.count = 0
        self._sums: list[float] = []
        self._squares: list[float] = []

    def add(self, values: np.ndarray) -> None:
        """Add some rows, (rows, cols); NaN does not count."""
        known = np.isfinite(values)
        self.count += int(np.count_nonzero(known))
        there = np.where(known, values, 0.0).astype(np.float64)
        self._sums += there.sum(axis=1).tolist()
        self._squares += (there * there).sum(axis=1).tolist()

    @property
    def total(self) -> float:
        """Sum."""
        return math.fsum(self._sums)

    @property
    def squares(self) -> float:
        """Sum of squares."""
        return math.fsum(self._squares)

    @property
    def mean(self) -> float:
        """Mean; NaN if no cell has a value."""
        return self.total / self.count if self.count else math.nan


def rows_of(*rasters: Raster) -> Iterator[tuple[np.ndarray, ...]]:
    """Give the same rows of some rasters, stripe by stripe."""
    for part in stripes(rasters[0]):
        yield tuple(raster.rows(part.row, part.rows) for raster in rasters)


def sums_of(values: np.ndarray | float | Raster) -> RowSums:
    """Add up a whole raster."""
    sums = RowSums()
    for (rows,) in rows_of(as_raster(values)):
        sums.add(rows)
    return sums


def count_of(where: Raster) -> int:
    """Count the cells of a raster of bool that are true."""
    return sum(int(np.count_nonzero(rows)) for (rows,) in rows_of(where))

"""Sums over the cells of a field, added row by row: the same wherever its stripes are cut."""

from __future__ import annotations

import math

import numpy as np


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


class AreaMeans:
    """Mean of each numbered area of the field, cell by cell in their order.

    Parameters
    ----------
    areas : int
        They have the numbers from 1; 0 is none.
    """

    def __init__(self, areas: int) -> None:
        self._total = np.zeros(areas + 1)
        self._known = np.zeros(areas + 1, np.int64)

    def add(self, number: np.ndarray, values: np.ndarray) -> None:
        """Add (n,) cells by the number of their area; NaN does not count."""
        np.add.at(self._total, number, np.nan_to_num(values))
        self._known += np.bincount(number[np.isfinite(values)], minlength=len(self._known))

    def means(self) -> np.ndarray:
        """Give the mean of each area from number 1; 0 where nothing is known."""
        return np.asarray(self._total[1:] / np.maximum(self._known[1:], 1))

"""Ground beyond the limits of the spread ratio, and means on harvested ground: defined here."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from covermap.ground.grid import Grid
from covermap.ground.rasters import Raster, stripes


class SpreadLimits(NamedTuple):
    """Spread ratios beyond which ground is a gap or a double.

    A ratio is compared in the precision it is held in, and one that equals a limit is within
    it. The compiled loops of :mod:`covermap.cover.strip_pieces` and
    :mod:`covermap.sureness.field_numbers` compare alike.
    """

    gap_below: float
    double_above: float

    @classmethod
    def of(cls, limits: Mapping[str, Any]) -> SpreadLimits:
        """Take them from the values of the section ``[limits]``."""
        return cls(float(limits["gap_below"]), float(limits["double_above"]))

    def gap(self, ratio: np.ndarray) -> np.ndarray:
        """Tell where ground is a gap; nowhere that is not known (NaN)."""
        return np.asarray(ratio < self.gap_below)

    def double(self, ratio: np.ndarray) -> np.ndarray:
        """Tell where ground is a double; nowhere that is not known (NaN)."""
        return np.asarray(ratio > self.double_above)

    def areas_m2(self, ratio: Raster, grid: Grid) -> dict[str, float]:
        """Give the ground in gaps (``gap``) and in doubles (``double``), in strips or not [m²]."""
        cells = np.zeros(2, np.int64)
        for part in stripes(grid):
            values = ratio.rows(part.row, part.rows)
            cells += [np.count_nonzero(self.gap(values)), np.count_nonzero(self.double(values))]
        return dict(zip(("gap", "double"), (cells * grid.cell_area_m2).tolist(), strict=True))


def mean_where_known(known: Raster, band: Raster, grid: Grid) -> float:
    """Give the mean of a band over the ground on which another raster is known.

    With the spread ratio for ``known`` that is the mean on harvested ground.

    Parameters
    ----------
    known, band : Raster
        NaN where there is none; ``band`` has a value wherever ``known`` has.
    grid : Grid

    Returns
    -------
    float
        The same however it is cut in stripes; NaN without ground.
    """
    sums: list[float] = []
    cells = 0
    for part in stripes(grid):
        there = np.isfinite(known.rows(part.row, part.rows))
        cells += int(np.count_nonzero(there))
        # row by row, in one order of adding whatever the stripe
        values = np.where(there, band.rows(part.row, part.rows), 0.0).astype(np.float64)
        sums.extend(values.sum(axis=1).tolist())
    return math.fsum(sums) / cells if cells else math.nan


def known_m2(known: Raster, grid: Grid) -> float:
    """Give the ground on which a raster is known [m²]."""
    cells = (np.count_nonzero(np.isfinite(known.rows(x.row, x.rows))) for x in stripes(grid))
    return int(sum(cells)) * grid.cell_area_m2

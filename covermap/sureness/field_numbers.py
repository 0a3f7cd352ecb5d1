"""A deposit in a few numbers, and what lies on each strip: one walk over the cells.

For many deposits on the same ground. The measures are those of the map itself
(:mod:`covermap.cover.evenness`, :mod:`covermap.cover.ground_cover`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from covermap.cover.spread_limits import SpreadLimits
from covermap.ground.compiled import compiled


@dataclass(frozen=True)
class MappedGround:
    """The harvested ground that deposits are measured on.

    Attributes
    ----------
    given_kg_m2 : numpy.ndarray
        (rows, cols) residue that the ground gave to the machine [kg/m²], NaN where not
        harvested.
    pass_of_cell : numpy.ndarray
        (rows, cols) pass that cut most of the cell, from 1; 0 none.
    strip_of_cell : numpy.ndarray
        (rows, cols) strip of the cell from 1, 0 none.
    strips : int
        Number of strips.
    cell_m, tray_m : float
        Side of a cell and of a tray [m]; a tray is a whole number of cells.
    left_flat_share : float
        Residue that the header left on its own row, over that through the machine.
    cover_m2_per_kg : float
        Coefficient of the cover curve [m²/kg].
    limits : SpreadLimits
    """

    given_kg_m2: np.ndarray
    pass_of_cell: np.ndarray
    strip_of_cell: np.ndarray
    strips: int
    cell_m: float
    tray_m: float
    left_flat_share: float
    cover_m2_per_kg: float
    limits: SpreadLimits


@dataclass(frozen=True)
class FieldNumbers:
    """One deposit in numbers, over the harvested ground.

    Attributes
    ----------
    cv_pct : float
        Standard deviation (n - 1) over mean of the trays' spread ratio [%].
    mean_cover_pct, mean_residue_t_ha : float
        Mean over the cells [%, t/ha].
    gap_ha, double_ha : float
        Cells below and above the limits, in strips or not [ha].
    strip_ratio : numpy.ndarray
        (strips,) residue landed over own residue of the cells of each strip.
    """

    cv_pct: float
    mean_cover_pct: float
    mean_residue_t_ha: float
    gap_ha: float
    double_ha: float
    strip_ratio: np.ndarray


def field_numbers(
    landed_kg_m2: np.ndarray, given_factor: np.ndarray, ground: MappedGround
) -> FieldNumbers:
    """Measure one deposit, (rows, cols) [kg/m²].

    ``given_factor``, (passes + 1,), is what the ground cut by each pass gave, over
    ``given_kg_m2``. A cell that two passes cut takes the factor of the one that cut most of it.
    """
    sums = np.zeros(8)
    on_strips = np.zeros((ground.strips + 1, 2))
    _walk(
        landed_kg_m2,
        ground.given_kg_m2,
        ground.pass_of_cell,
        ground.strip_of_cell,
        np.ascontiguousarray(given_factor, np.float64),
        ground.left_flat_share,
        ground.cover_m2_per_kg,
        *ground.limits,
        round(ground.tray_m / ground.cell_m),
        sums,
        on_strips,
    )
    cells, uncovered, residue_kg_m2, gap, double, trays, off, off_squared = sums.tolist()
    spread = (off_squared - off * off / trays) / (trays - 1) if trays > 1 else math.nan
    cell_ha = ground.cell_m**2 / 1e4
    return FieldNumbers(
        100 * math.sqrt(max(spread, 0.0)) / (1 + off / trays) if trays > 1 else math.nan,
        100 * (1 - uncovered / cells),
        10 * residue_kg_m2 / cells,
        gap * cell_ha,
        double * cell_ha,
        on_strips[1:, 0] / on_strips[1:, 1],
    )


@compiled
def _walk(
    landed: np.ndarray,
    given: np.ndarray,
    pass_of_cell: np.ndarray,
    strip_of_cell: np.ndarray,
    factor: np.ndarray,
    left_flat: float,
    cover_m2_per_kg: float,
    gap_below: float,
    double_above: float,
    block: int,
    sums: np.ndarray,
    on_strips: np.ndarray,
) -> None:
    """Add cells, bare ground, residue, gaps, doubles, trays, Σ (x - 1) and Σ (x - 1)²."""
    rows, cols = landed.shape
    trays = cols // block
    tray_landed = np.zeros(trays + 1)
    tray_own = np.zeros(trays + 1)
    tray_cells = np.zeros(trays + 1, np.int64)
    cells, gap, double, uncovered, residue = 0, 0, 0, 0.0, 0.0
    counted, sum_off, sum_squared = 0, 0.0, 0.0
    for r in range(rows):
        for c in range(cols):
            if not given[r, c] > 0.0:  # NaN is not
                continue
            own = given[r, c] * factor[pass_of_cell[r, c]]
            here = landed[r, c]
            lying = here + left_flat * own
            cells += 1
            uncovered += math.exp(-cover_m2_per_kg * lying)
            residue += lying
            ratio = here / own
            if ratio < gap_below:
                gap += 1
            elif ratio > double_above:
                double += 1
            strip = strip_of_cell[r, c]
            if strip > 0:
                on_strips[strip, 0] += here
                on_strips[strip, 1] += own
            tray = min(c // block, trays)
            tray_landed[tray] += here
            tray_own[tray] += own
            tray_cells[tray] += 1
        if r % block < block - 1:
            continue
        for tray in range(trays):
            if tray_cells[tray] == block * block:
                off = tray_landed[tray] / tray_own[tray] - 1.0
                counted += 1
                sum_off += off
                sum_squared += off * off
        tray_landed[:] = 0.0
        tray_own[:] = 0.0
        tray_cells[:] = 0
    sums[0], sums[1], sums[2] = cells, uncovered, residue
    sums[3], sums[4] = gap, double
    sums[5], sums[6], sums[7] = counted, sum_off, sum_squared

"""A rope with 100 marks at 45° to the passes, laid on the finished map.

The method: 100 marks, 45° to the rows, five places a field (K-State eUpdate 426; Iowa
State ICM 2001). The standard error of a count is sqrt(p (1 - p) / n) (binomial).
"""

import math

import numpy as np
import pytest
from builders import settings_of, straight_passes

from covermap.field.field_result import FieldResult
from covermap.field.whole_field import map_field

FOOT_M = 0.3048
MARKS = 100


@pytest.fixture(scope="module")
def field() -> FieldResult:
    # a narrow spread: thick in the middle of each pass, thin between
    return map_field(
        straight_passes(12, 9.0, length_m=200.0, heading_deg=30.0),
        settings_of(crop__grain_yield=3.0, spread__width=14.0, spread__profile="triangle"),
    )


def marks(east: float, north: float, bearing_deg: float) -> tuple[np.ndarray, np.ndarray]:
    along = np.arange(MARKS) * FOOT_M
    bearing = math.radians(bearing_deg)
    return east + along * math.sin(bearing), north + along * math.cos(bearing)


def counted(
    field: FieldResult, east: np.ndarray, north: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Count marks that touch straw: pieces fall at random, a point is hit by Poisson(k M)."""
    grid = field.grid
    row = ((grid.north - north) / grid.cell_m).astype(int)
    col = ((east - grid.west) / grid.cell_m).astype(int)
    kg_m2 = field.residue_t_ha[row, col] / 10
    pieces = rng.poisson(field.crop.cover_m2_per_kg * kg_m2)
    return pieces > 0, field.cover_pct[row, col]


def starts(field: FieldResult, number: int, bearing_deg: float, rng: np.random.Generator):
    """Give starts of ropes that lie wholly on harvested ground."""
    grid, found = field.grid, []
    while len(found) < number:
        east = rng.uniform(grid.west + 20, grid.west + grid.cols * grid.cell_m - 20)
        north = rng.uniform(grid.north - grid.rows * grid.cell_m + 20, grid.north - 20)
        x, y = marks(east, north, bearing_deg)
        row, col = ((grid.north - y) / grid.cell_m), ((x - grid.west) / grid.cell_m)
        inside = (row >= 0) & (row < grid.rows) & (col >= 0) & (col < grid.cols)
        if inside.all() and np.isfinite(field.spread_ratio[row.astype(int), col.astype(int)]).all():
            found.append((east, north))
    return found


def test_a_rope_of_100_marks_agrees_with_the_map(field):
    rng = np.random.default_rng(426)
    off = []
    for start in starts(field, 200, 75.0, rng):
        hit, cover = counted(field, *marks(*start, 75.0), rng)
        p = cover.mean() / 100
        off.append((hit.mean() - p) / math.sqrt(p * (1 - p) / MARKS))
    # standard scores: 95 % within two standard errors, no bias
    assert np.mean(np.abs(off) < 2) > 0.92
    assert abs(np.mean(off)) < 3 / math.sqrt(len(off))


def test_five_ropes_at_45_degrees_give_the_cover_of_the_field(field):
    rng = np.random.default_rng(703)
    mean = float(np.mean(field.cover_pct[np.isfinite(field.spread_ratio)])) / 100
    counts = [
        np.mean(
            [counted(field, *marks(*s, 75.0), rng)[0].mean() for s in starts(field, 5, 75.0, rng)]
        )
        for _ in range(60)
    ]
    error = math.sqrt(mean * (1 - mean) / (5 * MARKS))
    assert np.mean(counts) == pytest.approx(mean, abs=3 * error / math.sqrt(60) + 0.01)
    assert np.mean(np.abs(np.array(counts) - mean) < 2 * error) > 0.85


def test_ropes_laid_along_the_passes_scatter_more(field):
    """Why 45°: a rope along the passes meets one lane only."""
    rng = np.random.default_rng(7)

    def scatter(bearing_deg: float) -> float:
        found = [
            counted(field, *marks(*s, bearing_deg), rng)[1].mean()
            for s in starts(field, 60, bearing_deg, rng)
        ]
        return float(np.std(found))

    assert scatter(30.0) > 3 * scatter(75.0)

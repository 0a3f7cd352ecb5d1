"""Zones an implement can work: rectangles of its width, no slivers, all ground in one zone."""

import numpy as np
import pytest
import shapely
from builders import UTM
from hypothesis import given, settings
from hypothesis import strategies as st

from covermap.ground.grid import Grid
from covermap.ground.rasters import as_raster
from covermap.plan.zones import (
    action_of_pieces,
    rule_field,
    without_slivers,
    zone_outlines,
    zones_of,
)


def field(rows: int = 120, cols: int = 160) -> tuple[np.ndarray, Grid]:
    return np.ones((rows, cols), bool), Grid(
        crs=UTM, west=500_000.0, north=4_980_060.0, cell_m=0.5, rows=rows, cols=cols
    )


def counted(ruling, inside, action) -> np.ndarray:
    """Cells of each piece that call for each of eight actions."""
    code = ruling.piece(inside, 0) * 8 + action[inside]
    return np.bincount(code, minlength=ruling.pieces * 8).reshape(ruling.pieces, 8)


def outline(grid: Grid) -> shapely.Polygon:
    return shapely.box(*grid.bounds)


@given(heading=st.floats(0, 360), width=st.floats(3, 15))
@settings(max_examples=25, deadline=None)
def test_every_cell_lies_in_one_piece_and_inside_its_rectangle(heading, width):
    inside, grid = field()
    ruling = rule_field(as_raster(inside), grid, heading, width, 2 * width)
    pieces = ruling.piece(inside, 0)
    assert len(pieces) == inside.sum()
    assert pieces.min() >= 0
    assert pieces.max() < ruling.pieces
    some = np.unique(pieces)[:: max(len(np.unique(pieces)) // 7, 1)]
    row, col = np.nonzero(inside)
    x = grid.west + (col + 0.5) * grid.cell_m
    y = grid.north - (row + 0.5) * grid.cell_m
    for piece, shape in zip(some, ruling.outlines(some), strict=True):
        mine = pieces == piece
        hull = shapely.buffer(shape, 1e-6)
        assert shapely.contains_xy(hull, x[mine], y[mine]).all()
        assert shape.area == pytest.approx(2 * width**2)


@given(heading=st.floats(0, 180), seed=st.integers(0, 99))
@settings(max_examples=25, deadline=None)
def test_zones_share_out_the_field_and_are_as_wide_as_the_implement(heading, seed):
    inside, grid = field()
    width = 8.0
    rng = np.random.default_rng(seed)
    # patches that call for work
    action = np.zeros(grid.shape, np.uint8)
    for _ in range(4):
        r, c = rng.integers(0, 100), rng.integers(0, 130)
        action[r : r + rng.integers(5, 40), c : c + rng.integers(5, 40)] = rng.integers(1, 8)
    ruling = rule_field(as_raster(inside), grid, heading, width, 2 * width)
    counts = counted(ruling, inside, action)
    assert counts.sum() == inside.sum()
    chosen = without_slivers(action_of_pieces(counts, 0.25), ruling, counts, grid.cell_area_m2)
    zone = zones_of(chosen, counts, ruling)
    shapes = zone_outlines(zone, ruling, outline(grid))
    assert sum(s.area for s in shapes) == pytest.approx(inside.sum() * 0.25, rel=2e-3)
    overlap = [a.intersection(b).area for i, a in enumerate(shapes) for b in shapes[i + 1 :]]
    assert max(overlap, default=0) < 0.1
    for number in range(1, zone.max() + 1):
        kinds = np.unique(chosen[zone == number])
        assert len(kinds) == 1


def test_zones_of_one_action_that_touch_are_one():
    inside, grid = field()
    action = np.zeros(grid.shape, np.uint8)
    action[:, 40:80] = 3  # a lane along north, two runs of 10 m
    ruling = rule_field(as_raster(inside), grid, 0.0, 10.0, 20.0)
    counts = counted(ruling, inside, action)
    zone = zones_of(action_of_pieces(counts, 0.25), counts, ruling)
    assert zone.max() == 2  # the lane, and what is left alone
    shapes = zone_outlines(zone, ruling, outline(grid))
    assert shapes[0].area == pytest.approx(20.0 * 60.0)


def test_a_little_ground_is_not_worth_a_pass_and_the_last_action_wins():
    counts = np.array(
        [
            [90, 10, 0, 0],  # a tenth: left
            [60, 40, 0, 0],
            [40, 30, 30, 0],  # both enough: the later one
            [70, 12, 18, 0],  # only together enough: the larger
            [0, 0, 0, 0],
        ]
    )
    assert action_of_pieces(counts, 0.25).tolist() == [0, 1, 2, 2, 0]


def test_slivers_at_the_edge_take_the_action_of_the_next_length():
    inside, grid = field()
    action = np.zeros(grid.shape, np.uint8)
    action[:2] = 5  # one metre at the north edge
    ruling = rule_field(as_raster(inside), grid, 0.0, 10.0, 29.5)
    counts = counted(ruling, inside, action)
    chosen = action_of_pieces(counts, 0.25)
    assert (chosen == 5).any()
    assert not (without_slivers(chosen, ruling, counts, grid.cell_area_m2) == 5).any()

"""Bands far from a window are skipped, many at a time, and no number changes for it."""

import numpy as np
import pytest
import shapely
from builders import ORIGIN, bands_of, grid_for, rectangle
from hypothesis import given, settings
from hypothesis import strategies as st

from covermap.ground import rasters
from covermap.ground.grid import Window, whole
from covermap.ground.near_rows import CHUNK, near_window, rows_of_chunks
from covermap.ground.sweeps import sweep_corners
from covermap.harvest.working_width import HeaderSweeps, cut_ground, newly_cut_m2
from covermap.spread.deposit import deposit

WIDTH_M = 6.0


def winding_track(seed, count=10 * CHUNK + 7):
    """Make the corners of a track that wanders and turns."""
    rng = np.random.default_rng(seed)
    heading = np.radians(rng.uniform(0, 360)) + np.cumsum(rng.normal(0, 0.15, count + 1))
    step = rng.uniform(0.5, 2.0, count + 1)[:, None] * np.column_stack(
        [np.sin(heading), np.cos(heading)]
    )
    xy = np.cumsum(step, axis=0) + ORIGIN
    half = np.full(count, WIDTH_M / 2)
    follows = np.append(False, rng.random(count - 1) < 0.95)
    return sweep_corners(xy[:-1], xy[1:], follows, -half, half, heading[1:])


def bands_along(seed):
    corners = winding_track(seed)
    rng = np.random.default_rng(seed)
    mass = np.where(rng.random(len(corners)) < 0.9, rng.uniform(1, 3, len(corners)), 0.0)
    passes = np.arange(len(corners)) // 150  # passes begin in the middle of chunks
    return bands_of(corners, mass, (1.0, 2.0, 1.5), passes)


@given(st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_rows_are_those_that_shapely_bounds(seed):
    bands = bands_along(seed)
    grid = grid_for(bands)
    rows = rows_of_chunks(bands.corners, grid)
    assert len(rows) == 11
    bounds = shapely.bounds(shapely.polygons(bands.corners))
    for chunk, (first, last) in enumerate(rows):
        own = bounds[chunk * CHUNK : (chunk + 1) * CHUNK]
        top = np.floor((grid.north - own[:, 3].max()) / grid.cell_m)
        bottom = np.floor((grid.north - own[:, 1].min()) / grid.cell_m) + 1
        assert top - 3 <= first <= top - 1
        assert bottom + 1 <= last <= bottom + 3


def test_chunks_far_from_a_window_are_not_near():
    corners = np.array([rectangle(0.0, 2.0 * i, WIDTH_M, 2.0) for i in range(8 * CHUNK)])
    grid = grid_for(bands_of(corners, np.ones(len(corners))))
    rows = rows_of_chunks(corners, grid)
    # the track runs north: the window in the south touches the first chunk only
    assert (
        near_window(rows, Window(grid.rows - 50, 0, 50, grid.cols)).tolist() == [True] + [False] * 7
    )
    assert near_window(rows, whole(grid)).all()
    assert rows_of_chunks(corners[:0], grid).shape == (0, 2)


@pytest.mark.parametrize("seed", range(5))
def test_low_windows_of_these_tracks_skip_most_bands(seed):
    """Or the tests below would show nothing."""
    bands = bands_along(seed)
    grid = grid_for(bands)
    rows = rows_of_chunks(bands.corners, grid)
    near = [near_window(rows, Window(row, 0, 10, grid.cols)) for row in range(0, grid.rows, 10)]
    assert np.mean(near) < 0.5


@given(st.integers(0, 10_000), st.integers(3, 60))
@settings(max_examples=25, deadline=None)
def test_windows_lay_bit_for_bit_what_the_whole_lays(seed, tall):
    bands = bands_along(seed)
    grid = grid_for(bands)
    wanted = deposit(bands, grid, meaningful_kg_m2=0.05)
    for first in range(0, grid.rows, tall):
        window = Window(first, 0, min(tall, grid.rows - first), grid.cols)
        own = deposit(bands, grid, meaningful_kg_m2=0.05, window=window)
        part = slice(first, first + window.rows)
        np.testing.assert_array_equal(own.kg_m2, wanted.kg_m2[part])
        np.testing.assert_array_equal(own.layers, wanted.layers[part])


@given(st.integers(0, 10_000), st.integers(3, 60))
@settings(max_examples=25, deadline=None)
def test_windows_cut_bit_for_bit_what_the_whole_cuts(seed, tall):
    corners = winding_track(seed)
    grid = grid_for(bands_of(corners, np.ones(len(corners))))
    count = len(corners)
    sweeps = HeaderSweeps(np.arange(count), corners, np.full(count, WIDTH_M), np.full(count, 1.0))
    gives = np.random.default_rng(seed).uniform(0.2, 0.6, count)
    wanted = cut_ground(sweeps, gives, grid)
    for first in range(0, grid.rows, tall):
        window = Window(first, 0, min(tall, grid.rows - first), grid.cols)
        own = cut_ground(sweeps, gives, grid, window=window)
        for name in ("cut_share", "given_kg_m2", "cut_by", "across_m"):
            np.testing.assert_array_equal(
                getattr(own, name), getattr(wanted, name)[first : first + window.rows]
            )


@pytest.mark.parametrize("seed", range(3))
def test_ground_cut_newly_does_not_depend_on_stripes(seed, monkeypatch):
    corners = winding_track(seed)
    grid = grid_for(bands_of(corners, np.ones(len(corners))))
    count = len(corners)
    sweeps = HeaderSweeps(np.arange(count), corners, np.full(count, WIDTH_M), np.full(count, 1.0))
    at_once = newly_cut_m2(sweeps, grid)
    cut = cut_ground(sweeps, np.ones(count), grid)
    assert at_once.sum() == pytest.approx(cut.cut_share.sum() * grid.cell_area_m2, rel=1e-9)
    monkeypatch.setattr(rasters, "STRIPE_CELLS", 20 * grid.cols)
    np.testing.assert_allclose(newly_cut_m2(sweeps, grid), at_once, rtol=1e-9, atol=1e-9)

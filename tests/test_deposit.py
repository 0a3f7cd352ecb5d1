"""Laws of the deposit engine, and the exact areas of shapely as an outside route."""

import numpy as np
import pytest
import shapely
from builders import ORIGIN, UTM, bands_of, grid_for, rectangle
from hypothesis import given, settings
from hypothesis import strategies as st

from covermap.ground.grid import grid_around, tiles
from covermap.spread.deposit import Bands, deposit
from covermap.spread.profile import profile_shares

coordinates = st.floats(-60, 60, allow_nan=False)
sweeps = st.lists(
    st.tuples(
        coordinates,
        coordinates,
        st.floats(0.3, 18),
        st.floats(0.3, 6),
        st.floats(0, 360),
        st.floats(0.01, 50),
    ),
    min_size=1,
    max_size=12,
)
profiles = st.lists(st.floats(0, 1), min_size=1, max_size=12).filter(lambda s: sum(s) > 0.01)


def lay(rows: list[tuple[float, ...]], shares: list[float]) -> Bands:
    corners = np.array([rectangle(*row[:5]) for row in rows])
    return bands_of(corners, [row[5] for row in rows], shares, np.arange(len(rows)))


@given(sweeps, profiles, st.sampled_from([0.25, 0.5, 1.0, 3.0]))
@settings(max_examples=60, deadline=None)
def test_mass_is_conserved_at_any_heading_cell_and_profile(rows, shares, cell):
    bands = lay(rows, shares)
    grid = grid_for(bands, cell)
    laid = deposit(bands, grid, meaningful_kg_m2=0.01)
    total = bands.mass_kg.sum()
    assert laid.kg_m2.sum() * grid.cell_area_m2 == pytest.approx(total, rel=1e-9)
    assert laid.landed_kg.sum() == pytest.approx(total, rel=1e-9)
    assert laid.kg_m2.min() >= -1e-12 * total


def naive_point_sampling(bands: Bands, grid) -> np.ndarray:
    """Lay each band's mean density on the cells whose centres it covers."""
    east = grid.west + (np.arange(grid.cols) + 0.5) * grid.cell_m
    north = grid.north - (np.arange(grid.rows) + 0.5) * grid.cell_m
    x, y = np.meshgrid(east, north)
    laid = np.zeros(grid.shape)
    for corners, mass in zip(bands.corners, bands.mass_kg, strict=True):
        polygon = shapely.Polygon(corners)
        laid[shapely.contains_xy(polygon, x, y)] += mass / polygon.area
    return laid


def test_the_mass_check_rejects_naive_point_sampling():
    """A check that cannot fail proves nothing: sampling cell centres must not pass it."""
    rows = [(0.0, 1.7 * k, 9.0, 1.7, 27.0, 3.0) for k in range(20)]
    bands = lay(rows, [1.0])
    grid = grid_for(bands)
    naive = naive_point_sampling(bands, grid).sum() * grid.cell_area_m2
    assert naive != pytest.approx(bands.mass_kg.sum(), rel=1e-9)
    exact = deposit(bands, grid, meaningful_kg_m2=0.01).kg_m2.sum() * grid.cell_area_m2
    assert exact == pytest.approx(bands.mass_kg.sum(), rel=1e-9)


@given(sweeps)
@settings(max_examples=15, deadline=None)
def test_every_cell_agrees_with_shapely_areas(rows):
    """Outside route: shapely's exact intersection areas, cell by cell."""
    bands = lay(rows[:3], [1.0])
    grid = grid_for(bands, 2.0)
    laid = deposit(bands, grid, meaningful_kg_m2=0.01).kg_m2
    east = grid.west + np.arange(grid.cols) * grid.cell_m
    north = grid.north - np.arange(grid.rows) * grid.cell_m
    boxes = shapely.box(
        east[None, :], north[:, None] - grid.cell_m, east[None, :] + grid.cell_m, north[:, None]
    )
    expected = np.zeros(grid.shape)
    for corners, mass in zip(bands.corners, bands.mass_kg, strict=True):
        polygon = shapely.Polygon(corners)
        expected += mass * shapely.area(shapely.intersection(boxes, polygon)) / polygon.area
    np.testing.assert_allclose(laid * grid.cell_area_m2, expected, atol=1e-7 * expected.max())


@given(sweeps, profiles, st.floats(0.1, 9))
@settings(max_examples=25, deadline=None)
def test_the_engine_is_linear_in_mass(rows, shares, factor):
    bands = lay(rows, shares)
    grid = grid_for(bands)
    one = deposit(bands, grid, meaningful_kg_m2=0.01).kg_m2
    more = deposit(bands.scaled(factor), grid, meaningful_kg_m2=0.01).kg_m2
    np.testing.assert_allclose(more, factor * one, rtol=1e-9, atol=1e-12)


@given(sweeps, profiles, st.integers(7, 90))
@settings(max_examples=25, deadline=None)
def test_any_tiling_gives_the_same_numbers_bit_for_bit(rows, shares, tile):
    bands = lay(rows, shares)
    grid = grid_for(bands)
    once = deposit(bands, grid, meaningful_kg_m2=0.05)
    landed = np.zeros(len(rows))
    for window in tiles(grid, tile):
        part = deposit(bands, grid, meaningful_kg_m2=0.05, window=window)
        view = (
            slice(window.row, window.row + window.rows),
            slice(window.col, window.col + window.cols),
        )
        assert (part.kg_m2 == once.kg_m2[view]).all()
        assert (part.layers == once.layers[view]).all()
        landed += part.landed_kg
    np.testing.assert_allclose(landed, once.landed_kg, rtol=1e-9)


@given(sweeps, profiles)
@settings(max_examples=25, deadline=None)
def test_mirrored_bands_give_the_mirrored_map(rows, shares):
    bands = lay(rows, shares)
    grid = grid_around(UTM, (*(ORIGIN - 120), *(ORIGIN + 120)), 0.5)
    flipped = bands.corners.copy()
    flipped[..., 0] = 2 * ORIGIN[0] - flipped[..., 0]
    # left and right change places
    flipped = flipped[:, [1, 0, 3, 2]]
    mirror = Bands(
        flipped,
        bands.mass_kg,
        bands.profile,
        bands.pass_index,
        bands.shares[:, ::-1].copy(),
        bands.bins,
    )
    one = deposit(bands, grid, meaningful_kg_m2=0.01).kg_m2
    other = deposit(mirror, grid, meaningful_kg_m2=0.01).kg_m2
    np.testing.assert_allclose(other[:, ::-1], one, atol=1e-9 * max(one.max(), 1e-9))


@given(sweeps, profiles, st.floats(0.05, 0.95))
@settings(max_examples=25, deadline=None)
def test_cutting_a_band_in_two_changes_nothing(rows, shares, cut):
    bands = lay(rows, shares)
    grid = grid_for(bands)
    left_start, right_start, right_end, left_end = np.moveaxis(bands.corners, 1, 0)
    left_cut = left_start + cut * (left_end - left_start)
    right_cut = right_start + cut * (right_end - right_start)
    first = np.stack([left_start, right_start, right_cut, left_cut], axis=1)
    second = np.stack([left_cut, right_cut, right_end, left_end], axis=1)
    halves = bands_of(
        np.concatenate([first, second]),
        np.concatenate([cut * bands.mass_kg, (1 - cut) * bands.mass_kg]),
        shares,
    )
    one = deposit(bands, grid, meaningful_kg_m2=0.01).kg_m2
    two = deposit(halves, grid, meaningful_kg_m2=0.01).kg_m2
    np.testing.assert_allclose(two, one, atol=1e-9 * one.max())


def test_layers_count_passes_not_bands():
    corners = [rectangle(0, 0, 9, 4), rectangle(0, 4, 9, 4), rectangle(3, 0, 9, 8)]
    bands = bands_of(np.array(corners), [9.0, 9.0, 18.0], [1.0], [0, 0, 1])
    grid = grid_for(bands)
    laid = deposit(bands, grid, meaningful_kg_m2=0.02)
    assert laid.layers.max() == 2
    overlap = shapely.intersection(shapely.box(-4.5, 0, 4.5, 8), shapely.box(-1.5, 0, 7.5, 8)).area
    assert (laid.layers == 2).sum() * grid.cell_area_m2 == pytest.approx(overlap)


def test_a_fan_keeps_its_mass_and_thins_outwards():
    """On a bend the outer edge travels further, so it gets less per area."""
    corners = np.array([[[-6, 0], [6, 0], [6, 4], [-6, 1]]], float) + ORIGIN
    bands = bands_of(corners, [10.0], profile_shares("triangle", 6, 6))
    grid = grid_for(bands)
    laid = deposit(bands, grid, meaningful_kg_m2=0.01)
    assert laid.landed_kg.sum() == pytest.approx(10.0, rel=1e-12)
    flat = bands_of(corners, [10.0], np.ones(40))
    column = deposit(flat, grid, meaningful_kg_m2=0.01).kg_m2.max(axis=0)
    inside = np.flatnonzero(column > 0)
    assert column[inside[2]] > 1.5 * column[inside[-3]]


def test_a_band_without_area_still_lands():
    corners = np.repeat((ORIGIN + 3.2)[None, None, :], 4, axis=1)
    bands = bands_of(corners, [5.0])
    grid = grid_around(UTM, (*ORIGIN, *(ORIGIN + 10)), 0.5)
    assert deposit(bands, grid, meaningful_kg_m2=0.01).landed_kg.sum() == pytest.approx(5.0)

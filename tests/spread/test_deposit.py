"""Laws of the deposit engine, and the exact areas of shapely as an outside route."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from builders import ORIGIN, UTM, bands_of, grid_for, rectangle, tiles
from hypothesis import given, settings
from hypothesis import strategies as st

from covermap.ground.grid import grid_around
from covermap.ground.sweeps import sweep_corners
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
    more = deposit(
        replace(bands, mass_kg=factor * bands.mass_kg), grid, meaningful_kg_m2=0.01
    ).kg_m2
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


@st.composite
def driven(draw):
    """Bands of passes that really follow on: straight, curved, turning back, standing."""
    corners, owner = [], []
    for number in range(draw(st.integers(1, 3))):
        count = draw(st.integers(1, 25))
        turns = draw(st.lists(st.floats(-0.5, 0.5), min_size=count, max_size=count))
        steps = draw(
            st.lists(st.sampled_from([0.0, 0.4, 1.7, 4.0]), min_size=count, max_size=count)
        )
        heading = draw(st.floats(0, 6.3)) + np.cumsum(turns)
        east, north = np.cumsum(np.sin(heading) * steps), np.cumsum(np.cos(heading) * steps)
        start = ORIGIN + np.array([draw(coordinates), draw(coordinates)])
        places = start + np.column_stack([np.append(0, east), np.append(0, north)])
        follows = np.append(False, np.ones(count - 1, bool))
        left, right = draw(st.floats(-9, -0.2)), draw(st.floats(0.2, 9))
        corners.append(
            sweep_corners(
                places[:-1], places[1:], follows,
                np.full(count, left), np.full(count, right), heading,
            )
        )  # fmt: skip
        owner += [number] * count
    mass = draw(st.lists(st.floats(0, 20), min_size=len(owner), max_size=len(owner)))
    shares = draw(st.lists(st.floats(0.01, 1), min_size=1, max_size=90))
    return bands_of(np.concatenate(corners), mass, shares, owner)


@given(driven(), st.sampled_from([0.3, 0.5, 1.0, 2.5]))
@settings(max_examples=60, deadline=None)
def test_bands_laid_together_are_the_bands_laid_one_by_one(bands, cell):
    grid = grid_for(bands, cell)
    alone = replace(bands, pass_index=np.arange(len(bands.mass_kg), dtype=np.int32))
    together = deposit(bands, grid, meaningful_kg_m2=0.05)
    one_by_one = deposit(alone, grid, meaningful_kg_m2=0.05)
    most = max(one_by_one.kg_m2.max(), 1e-9)
    np.testing.assert_allclose(together.kg_m2, one_by_one.kg_m2, atol=1e-9 * most)
    of_pass = np.bincount(bands.pass_index, bands.mass_kg)
    np.testing.assert_allclose(together.landed_kg, of_pass, rtol=1e-9, atol=1e-9)


@given(driven(), st.integers(5, 60))
@settings(max_examples=40, deadline=None)
def test_driven_passes_are_the_same_bit_for_bit_in_any_window(bands, tile):
    grid = grid_for(bands)
    once = deposit(bands, grid, meaningful_kg_m2=0.05)
    for window in tiles(grid, tile):
        part = deposit(bands, grid, meaningful_kg_m2=0.05, window=window)
        rows = slice(window.row, window.row + window.rows)
        cols = slice(window.col, window.col + window.cols)
        assert (part.kg_m2 == once.kg_m2[rows, cols]).all()
        assert (part.layers == once.layers[rows, cols]).all()


@given(driven())
@settings(max_examples=25, deadline=None)
def test_layers_count_passes_whose_sum_is_meaningful(bands):
    grid = grid_for(bands, 1.0)
    laid = deposit(bands, grid, meaningful_kg_m2=0.05)
    high, low = np.zeros((2, *grid.shape), int)
    for number in np.unique(bands.pass_index):
        own = replace(bands, mass_kg=np.where(bands.pass_index == number, bands.mass_kg, 0.0))
        kg_m2 = deposit(own, grid, meaningful_kg_m2=0.05).kg_m2
        high += kg_m2 >= 0.05 * (1 - 1e-6)  # sums of single precision where a pass has parts
        low += kg_m2 >= 0.05 * (1 + 1e-6)
    assert ((low <= laid.layers) & (laid.layers <= high)).all()


@given(st.floats(0, 360), st.lists(st.floats(0.05, 1), min_size=2, max_size=30))
@settings(max_examples=15, deadline=None)
def test_every_bin_of_a_pass_agrees_with_shapely_areas(heading, shares):
    """Outside route: each bin's quadrilateral cut with each cell by shapely."""
    angle = np.radians(heading)
    along = np.array([np.sin(angle), np.cos(angle)])
    places = ORIGIN + np.arange(6)[:, None] * 2.3 * along
    places[3] += [0.4, -0.3]
    follows = np.append(False, np.ones(4, bool))
    edges = np.full(5, -4.0), np.full(5, 5.0)
    corners = sweep_corners(places[:-1], places[1:], follows, *edges, np.zeros(5))
    bands = bands_of(corners, np.arange(1.0, 6.0), shares, [0] * 5)
    grid = grid_for(bands, 0.7)
    laid = deposit(bands, grid, meaningful_kg_m2=0.01).kg_m2 * grid.cell_area_m2
    east = grid.west + np.arange(grid.cols) * grid.cell_m
    north = grid.north - np.arange(grid.rows) * grid.cell_m
    boxes = shapely.box(
        east[None, :], north[:, None] - grid.cell_m, east[None, :] + grid.cell_m, north[:, None]
    )
    expected = np.zeros(grid.shape)
    part = np.linspace(0, 1, len(shares) + 1)[:, None]
    for (a, b, c, d), mass in zip(corners, bands.mass_kg, strict=True):
        near, far = a + part * (b - a), d + part * (c - d)
        bins = shapely.polygons(np.stack([near[:-1], near[1:], far[1:], far[:-1]], axis=1))
        for polygon, share in zip(bins, bands.shares[0], strict=True):
            inside = shapely.area(shapely.intersection(boxes, polygon))
            expected += mass * share * inside / polygon.area
    np.testing.assert_allclose(laid, expected, atol=1e-9 * expected.max())

"""Strips stripe by stripe: the same whatever the stripes, and as plain NumPy and SciPy say."""

import numpy as np
import pandas as pd
import pytest
import shapely
from builders import ORIGIN, UTM, bands_of, rectangle
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from covermap.cover import strip_sums
from covermap.cover.crossings import crossing_sweeps
from covermap.cover.strip_pieces import pieces_of_stripe, split_code
from covermap.cover.strips import StripFinder, StripGround
from covermap.ground import rasters
from covermap.ground.grid import Grid, Window, whole
from covermap.ground.rasters import HeldRaster, as_raster, new_raster
from covermap.harvest.working_width import HeaderSweeps
from covermap.spread.deposit import deposit

#: Invented passes, 9 cells wide, in sweeps of 3 rows.
WIDE, TALL = 9, 3
CELL_M = 0.5
LIMITS = {"gap_below": 0.5, "double_above": 1.5}


class Field:
    """Ground with patches of gap and double ground at random, and the sweeps that cut it.

    Passes run from north to south, or ``turned`` from west to east.
    """

    def __init__(self, seed, rows, passes, patch=3, some=0.7, turned=False):
        rng = np.random.default_rng(seed)
        shape = (rows, passes * WIDE)
        row, col = np.indices(shape)
        per_pass = -(-rows // TALL)
        self.cut_by = (col // WIDE * per_pass + row // TALL).astype(np.int32)
        self.pass_no = np.repeat(np.arange(1, passes + 1), per_pass)
        sweeps = passes * per_pass
        self.width_m = np.full(sweeps, WIDE * CELL_M)
        self.length_m = rng.uniform(1.0, 2.0, sweeps)
        self.windrow = rng.random(sweeps) < 0.5
        across = ((col % WIDE - WIDE // 2) * CELL_M).astype(np.float32)
        rough = rng.choice([0.2, 1.0, 2.0], (rows // patch + 1, passes * WIDE // patch + 1))
        ratio = np.kron(rough, np.ones((patch, patch)))[:rows, : passes * WIDE]
        # specks on the patches make pieces with holes and corners
        ratio = np.where(rng.random(ratio.shape) < some, ratio, 1.0)
        given = rng.uniform(0.2, 0.8, ratio.shape)
        if turned:
            shape = shape[::-1]
            ratio, given, across, self.cut_by = ratio.T, given.T, across.T, self.cut_by.T
        self.sides = (col // (WIDE // 3)).T if turned else col // (WIDE // 3)
        self.grid = Grid(UTM, *ORIGIN, CELL_M, *shape)
        self.ground = StripGround(
            ratio.astype(np.float32),
            ratio * given,
            given,
            (10 * ratio * given).astype(np.float32),
            self.cut_by,
            across,
        )

    def rows(self, window):
        part = slice(window.row, window.row + window.rows)
        return StripGround(*(values[part] for values in vars(self.ground).values()))

    def found(self, heights, **limits):
        """Find the strips in stripes of these heights, the last of them to the end."""
        chosen = {**LIMITS, "min_length_m": 2.0, "min_area_m2": 2.0, **limits}
        finder = StripFinder(
            self.grid, self.pass_no, self.width_m, self.length_m, self.windrow, **chosen
        )
        row = 0
        for height in [*heights, self.grid.rows]:
            height = min(height, self.grid.rows - row)
            if height:
                window = Window(row, 0, height, self.grid.cols)
                finder.add(window, finder.look_at(window, self.rows(window)))
            row += height
        return finder.finish()


def same(one, other):
    assert np.array_equal(one.of_cell.whole(), other.of_cell.whole())
    plain = [pd.DataFrame(found.table.drop(columns="geometry")) for found in (one, other)]
    pd.testing.assert_frame_equal(*plain, rtol=1e-9, atol=1e-9)
    outlines = [found.table.geometry.to_numpy() for found in (one, other)]
    assert shapely.equals_exact(*outlines, 0).all()
    for name in ("strip", "sweep", "cells"):
        assert np.array_equal(getattr(one.sums, name), getattr(other.sums, name))
    for name in ("landed_kg", "given_kg", "kg_of_sweep"):
        np.testing.assert_allclose(
            getattr(one.sums, name), getattr(other.sums, name), rtol=1e-9, atol=1e-9
        )


FIELDS = st.builds(
    Field,
    st.integers(0, 10_000),
    st.integers(2, 40),
    st.integers(1, 4),
    st.integers(1, 6),
    st.sampled_from([0.6, 0.9, 1.0]),
    st.booleans(),
)


@given(field=FIELDS, heights=st.lists(st.integers(1, 40), max_size=20))
@settings(max_examples=150, deadline=None)
def test_strips_do_not_depend_on_the_stripes(field, heights):
    untiled = field.found([])
    same(field.found(heights), untiled)
    same(field.found([1] * field.grid.rows), untiled)


def test_the_fields_of_these_tests_have_strips():
    found = [Field(seed, 30, 3).found([]).table for seed in range(20)]
    assert min(len(table) for table in found) >= 2
    kinds = pd.concat(found)
    assert set(kinds["kind"]) == {"gap", "double"}
    assert set(kinds["discharge"]) == {"windrow", "spread", "both"}
    assert shapely.get_num_interior_rings(shapely.get_parts(kinds.geometry)).max() > 0
    assert (kinds.geometry.geom_type == "MultiPolygon").any()


@given(field=FIELDS)
@settings(max_examples=100, deadline=None)
def test_pieces_are_those_of_scipy(field):
    """scipy.ndimage.label, 8-connected, for each pass, side and kind by itself."""
    ground, limits = field.ground, (LIMITS["gap_below"], LIMITS["double_above"])
    found = pieces_of_stripe(
        ground, whole(field.grid), field.pass_no.astype(np.int32), field.width_m, *limits
    )
    pieces, label = found.pieces, found.label
    sides = field.sides
    expected = 0
    for mask in (ground.ratio < limits[0], ground.ratio > limits[1]):
        for side in np.unique(sides):
            own, count = ndimage.label(mask & (sides == side), np.ones((3, 3)))
            expected += count
            for number in range(1, count + 1):
                assert len(np.unique(label[own == number])) == 1
            assert len(np.unique(label[own > 0])) == count
    assert len(pieces.key) == expected == label.max(initial=0)
    # numbered by where they begin
    first = np.unique(label[label > 0], return_index=True)[1]
    assert (np.diff(first) > 0).all()
    np.testing.assert_array_equal(pieces.sums[:, 0], np.bincount(label.ravel())[1:])
    rows, cols = np.nonzero(label)
    frame = pd.DataFrame({"piece": label[rows, cols], "row": rows, "col": cols})
    if len(frame):
        box = frame.groupby("piece").agg(["min", "max"]).to_numpy()
        np.testing.assert_array_equal(pieces.box, box)


@given(field=FIELDS, heights=st.lists(st.integers(1, 40), max_size=5))
@settings(max_examples=100, deadline=None)
def test_sums_are_those_of_the_cells(field, heights):
    found = field.found(heights)
    sums, of_cell, ground = found.sums, found.of_cell.whole(), field.ground
    count, area = len(found.table), CELL_M**2

    def by_strip(values):
        return np.bincount(of_cell.ravel(), np.ravel(values), count + 1)[1:]

    assert sums.count == count
    np.testing.assert_allclose(sums.landed_kg, by_strip(ground.deposit_kg_m2) * area)
    np.testing.assert_allclose(sums.given_kg, by_strip(ground.given_kg_m2) * area)
    value = np.random.default_rng(1).normal(size=len(field.pass_no))
    cells = by_strip(np.ones(of_cell.shape))
    mean = by_strip(value[field.cut_by]) / cells
    np.testing.assert_allclose(sums.mean_of_cells(value), mean, atol=1e-9)
    part = by_strip(ground.given_kg_m2 * value[field.cut_by]) * area
    np.testing.assert_allclose(sums.kg_given(value), part, atol=1e-9)
    table = found.table
    np.testing.assert_allclose(table["area_m2"], cells * area)
    np.testing.assert_allclose(table["mean_residue_t_ha"], by_strip(ground.residue_t_ha) / cells)
    for strip, passes in zip(table["strip_id"], table["passes"], strict=True):
        own = field.pass_no[field.cut_by[of_cell == strip]]
        names, times = np.unique(own, return_counts=True)
        assert passes == ", ".join(str(n) for n in names[times >= 0.02 * len(own)])


@pytest.mark.parametrize("turned", [False, True])
def test_pieces_that_lie_along_each_other_are_one_strip_across_a_seam(turned):
    """A gap over two sides of a pass is one strip; one that lies apart is another."""
    field = Field(0, 24, 1, turned=turned)
    gap = np.ones((24, WIDE), np.float32)
    gap[4:20, 0:6] = 0.2
    gap[4:20, 8] = 0.2
    field.ground.ratio[:] = gap.T if turned else gap
    for heights in ([], [12], [3], [4, 1], [1] * 24):
        of_cell = field.found(heights).of_cell.whole()
        of_cell = of_cell.T if turned else of_cell
        assert len(np.unique(of_cell[4:20, 0:6])) == 1
        assert of_cell[10, 8] != of_cell[10, 0]


@pytest.fixture
def filed(monkeypatch):
    """Rasters stand in files and stripes are a few rows."""
    monkeypatch.setattr(rasters, "HELD_CELLS", 0)
    monkeypatch.setattr(rasters, "STRIPE_CELLS", 16 * 100)
    monkeypatch.setattr(strip_sums, "_CELLS_TOGETHER", 16 * 100)


def in_a_file(values, grid):
    raster = new_raster(grid, values.dtype.type)
    raster.write(0, values)
    assert not isinstance(raster, HeldRaster)
    return raster


def test_fields_in_files_have_the_strips_of_those_in_memory(monkeypatch, filed):
    field = Field(3, 200, 6)
    in_file = field.found([70, 1, 60])
    monkeypatch.setattr(rasters, "HELD_CELLS", 10**9)
    in_memory = field.found([])
    assert isinstance(in_memory.of_cell, HeldRaster) and not isinstance(in_file.of_cell, HeldRaster)
    assert len(in_memory.table) >= 20
    same(in_file, in_memory)


def crossing_bands(field, count=400):
    """Make bands of 4 m strewn over the field, some over its edges."""
    rng = np.random.default_rng(4)
    east, north = field.grid.cols * CELL_M, field.grid.rows * CELL_M
    corners = [
        rectangle(x, y, 4.0, rng.uniform(1, 20), heading)
        for x, y, heading in zip(
            rng.uniform(-2, east, count),
            rng.uniform(-north - 2, 2, count),
            rng.uniform(0, 360, count),
            strict=True,
        )
    ]
    return bands_of(np.array(corners), rng.uniform(1, 5, count), (1.0, 3.0, 2.0))


def test_bands_over_stripes_lay_what_the_deposit_lays(filed, monkeypatch):
    field = Field(5, 300, 6)
    bands = crossing_bands(field)
    found = field.found([100, 100])
    assert len(found.sums._windows) > 10
    laid = deposit(bands, field.grid, meaningful_kg_m2=1.0).kg_m2
    of_cell = found.of_cell.whole()
    truth = np.bincount(of_cell.ravel(), laid.ravel())[1:] * CELL_M**2
    assert (truth > 0).sum() >= 30
    loads = np.column_stack([bands.mass_kg, 2 * bands.mass_kg])
    for threads in (1, 3):
        kg = found.sums.kg_laid(bands, loads, threads)
        np.testing.assert_allclose(kg, np.column_stack([truth, 2 * truth]), atol=1e-9)
    monkeypatch.setattr(strip_sums, "_BANDS_TOGETHER", 64)
    np.testing.assert_allclose(found.sums.kg_laid(bands)[:, 0], truth, atol=1e-9)


def test_crossings_over_stripes_are_those_of_the_whole(filed):
    """Sweeps of a pass each, some on ground that others cut; probes laid in plain NumPy."""
    rng = np.random.default_rng(2)
    grid = Grid(UTM, *ORIGIN, CELL_M, 200, 120)
    n = 120
    place = rng.uniform((-4, -104), (64, 4), (n, 2))
    degrees = rng.choice([0.0, 4.0, 180.0, 70.0], n)
    corners = np.array([rectangle(*p, 9.0, 2.0, a) for p, a in zip(place, degrees, strict=True)])
    blocks = np.where(rng.random((50, 30)) < 0.5, -1, rng.integers(0, n // 2, (50, 30)))
    cut_by = np.kron(blocks, np.ones((4, 4))).astype(np.int32)
    sweeps = HeaderSweeps(np.arange(n), corners, np.full(n, 9.0), np.full(n, 2.0))
    newly = np.where(np.arange(n) % 3 == 0, 18.0, 9.0)
    held, stripe_wise = (
        crossing_sweeps(sweeps, newly, raster, np.arange(1, n + 1), grid)
        for raster in (as_raster(cut_by), in_a_file(cut_by, grid))
    )
    assert np.array_equal(held, stripe_wise)
    for i, (left_start, right_start, right_end, left_end) in enumerate(corners):
        along = np.array([0.2, 0.8])[:, None, None]
        left = left_start + along * (left_end - left_start)
        right = right_start + along * (right_end - right_start)
        probes = left + ((np.arange(11) + 0.5) / 11)[:, None] * (right - left)
        cells = np.abs(np.clip((probes - ORIGIN) * (1, -1), 0, None)) / CELL_M
        col, row = np.clip(cells.astype(int), 0, (119, 199)).reshape(-1, 2).T
        earlier = cut_by[row, col]
        earlier = earlier[(earlier >= 0) & (earlier < i)]
        askew = np.abs(np.sin(np.radians(degrees[earlier] - degrees[i]))) > np.sin(np.radians(10))
        beside = max((~askew).sum() - 2, 0)
        assert held[i] == (i % 3 > 0 and askew.sum() > beside)
    assert 10 < held.sum() < n - 10


def test_a_field_without_strips_has_an_empty_table():
    field = Field(0, 20, 2)
    field.ground.ratio[:] = 1.0
    found = field.found([7])
    assert len(found.table) == 0 and found.sums.count == 0
    assert found.table["strip_id"].dtype == np.int64 and found.table["kind"].dtype != np.float64
    assert not found.of_cell.whole().any()
    speckle = Field(0, 20, 2).found([], min_area_m2=1e6)
    assert len(speckle.table) == 0 and not speckle.of_cell.whole().any()


def test_code_of_two_numbers_comes_apart():
    one, other = np.array([1, 2**31 - 1]), np.array([2**31 - 1, 0])
    assert np.array_equal(split_code(one << 32 | other), (one, other))

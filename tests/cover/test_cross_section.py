"""The profile along a line: against rasterio's own reading of points, and a plane."""

import numpy as np
import pytest
from builders import UTM
from hypothesis import given, settings
from hypothesis import strategies as st
from rasterio.io import MemoryFile
from shapely.geometry import LineString

from covermap.cover.cross_section import across_middle_pass, cross_section
from covermap.ground.grid import Grid

GRID = Grid(UTM, 500_000.0, 4_980_100.0, 0.5, 80, 120)
inside = st.tuples(st.floats(500_001, 500_059), st.floats(4_980_061, 4_980_099))


@pytest.fixture(scope="module")
def noise():
    values = np.random.default_rng(3).random(GRID.shape, np.float32)
    values[:, 100:] = np.nan
    return values


@pytest.fixture(scope="module")
def dataset(noise):
    with (
        MemoryFile() as file,
        file.open(
            driver="GTiff", height=80, width=120, count=1, dtype="float32",
            crs=GRID.crs.to_wkt(), transform=GRID.transform,
        ) as written,
    ):  # fmt: skip
        written.write(noise, 1)
        yield written


@settings(max_examples=60, deadline=None)
@given(start=inside, end=inside)
def test_readings_are_those_of_rasterio_at_the_same_points(start, end, noise, dataset):
    if np.hypot(end[0] - start[0], end[1] - start[1]) < 0.01:
        return
    distance, values = cross_section(noise, GRID, start, end)
    length = np.hypot(end[0] - start[0], end[1] - start[1])
    assert distance[0] == 0
    assert distance[-1] == pytest.approx(length)
    assert np.diff(distance).max() <= GRID.cell_m + 1e-9
    part = (distance / length)[:, None]
    points = np.asarray(start) + part * (np.asarray(end) - start)
    cells = (points - [GRID.west, GRID.north]) / GRID.cell_m
    clear = (np.abs(cells - np.rint(cells)) > 1e-6).all(axis=1)  # an edge belongs to either
    theirs = np.array([value[0] for value in dataset.sample(points)])
    np.testing.assert_array_equal(values[clear], theirs[clear])


@given(start=inside, end=inside)
def test_a_plane_is_read_within_half_a_cell(start, end):
    if np.hypot(end[0] - start[0], end[1] - start[1]) < 0.01:
        return
    col, row = np.meshgrid(np.arange(120) + 0.5, np.arange(80) + 0.5)
    plane = 3.0 + 0.2 * col * GRID.cell_m - 0.1 * row * GRID.cell_m
    distance, values = cross_section(plane, GRID, start, end, step_m=0.2)
    at = [3.0 + 0.2 * (x - GRID.west) - 0.1 * (GRID.north - y) for x, y in (start, end)]
    exact = at[0] + (at[1] - at[0]) * distance / distance[-1]
    assert np.abs(values - exact).max() <= (0.2 + 0.1) * GRID.cell_m / 2 + 1e-9


def test_off_the_grid_there_is_nothing(noise):
    distance, values = cross_section(
        noise, GRID, (499_990.0, 4_980_090.1), (500_010.0, 4_980_090.1)
    )
    assert np.isnan(values[distance < 10 - 1e-9]).all()
    assert np.isfinite(values[distance >= 10]).all()
    _, values = cross_section(noise, GRID, (500_049.1, 4_980_090.1), (500_058.1, 4_980_090.1))
    assert np.isnan(values[2:]).all()


def test_what_is_no_line_is_refused(noise):
    at = (500_010.0, 4_980_080.0)
    with pytest.raises(ValueError, match="no line"):
        cross_section(noise, GRID, at, at)
    with pytest.raises(ValueError, match="no line"):
        cross_section(noise, GRID, at, (500_020.0, 4_980_080.0), step_m=0.0)
    with pytest.raises(ValueError, match="no line"):
        cross_section(noise, GRID, at, (float("nan"), 0.0))
    with pytest.raises(ValueError, match="shape"):
        cross_section(noise[1:], GRID, at, (500_020.0, 4_980_080.0))


@given(
    heading=st.floats(0, 360),
    passes=st.integers(5, 15),
    spacing=st.floats(4, 15),
    backwards=st.booleans(),
)
def test_the_line_crosses_five_passes_square(heading, passes, spacing, backwards):
    angle = np.radians(heading)
    along, right = (
        np.array([np.sin(angle), np.cos(angle)]),
        np.array([np.cos(angle), -np.sin(angle)]),
    )
    ends = [(k * spacing * right, k * spacing * right + 400 * along) for k in range(passes)]
    lines = [LineString([b, a] if backwards else [a, b]) for a, b in ends]
    start, end = across_middle_pass(lines, spacing)
    line = LineString([start, end])
    assert line.length == pytest.approx(5 * spacing)
    assert sum(line.crosses(one) for one in lines) == 5
    assert (np.array(end) - start) @ along == pytest.approx(0, abs=1e-6)
    assert start[0] <= end[0]


def test_a_short_run_in_the_middle_is_passed_over():
    lines = [LineString([(x, 0), (x, 400)]) for x in (0, 10, 30, 40)]
    lines.insert(2, LineString([(20, 195), (20, 205)]))
    start, end = across_middle_pass(lines, 10.0)
    assert (start[0] + end[0]) / 2 in (pytest.approx(10), pytest.approx(30))
    with pytest.raises(ValueError, match="no line across 0 passes"):
        across_middle_pass([], 10.0)

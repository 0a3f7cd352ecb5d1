"""Outlines of strips against rasterio.features.shapes (GDAL's polygonize, 4-connected)."""

import numpy as np
import pytest
import shapely
from builders import UTM
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from rasterio.features import shapes

from covermap.cover import strip_outlines
from covermap.cover.strip_outlines import cell_runs, outlines, traced
from covermap.ground.grid import Grid, Window


def grid_of(image):
    return Grid(UTM, 500_000.0, 4_980_000.0, 0.5, *image.shape)


def runs_of(image, tall=None):
    """Give the runs of an image in stripes of ``tall`` rows."""
    same = np.arange(image.max() + 1).astype(np.int32)
    tall = tall or len(image)
    starts = range(0, len(image), tall)
    return [
        cell_runs(image[r : r + tall], same, Window(r, 0, *image[r : r + tall].shape))
        for r in starts
    ]


def exact_outlines(image, tall=None):
    runs = np.concatenate(runs_of(image, tall))
    return traced(runs[np.argsort(runs[:, 0], kind="stable")], grid_of(image))


def by_rasterio(image):
    parts = [[] for _ in range(image.max())]
    grid = grid_of(image)
    for shape, value in shapes(image, image > 0, connectivity=4, transform=grid.transform):
        shell, *holes = shape["coordinates"]
        parts[int(value) - 1].append(shapely.Polygon(shell, holes))
    return np.array([p[0] if len(p) == 1 else shapely.MultiPolygon(p) for p in parts], object)


def numbered(image):
    """Number what is in an image on from 1; 0 stays 0."""
    values = np.unique(np.append(0, image))
    return np.searchsorted(values, image).astype(np.int32)


#: Few numbers, so that holes, corners that touch and rings in rings are common.
IMAGES = st.builds(
    numbered,
    hnp.arrays(
        np.int32,
        st.tuples(st.integers(1, 12), st.integers(1, 12)),
        elements=st.sampled_from([0, 1, 1, 1, 2, 3]),
    ),
)


def check(image, tall=None):
    ours = exact_outlines(image, tall)
    theirs = by_rasterio(image)
    assert shapely.equals_exact(shapely.normalize(ours), shapely.normalize(theirs), 0).all()
    assert shapely.is_valid(ours).all()
    count = sum(len(p.interiors) for p in shapely.get_parts(ours))
    assert count == sum(len(p.interiors) for p in shapely.get_parts(theirs))
    return ours


@given(image=IMAGES.filter(lambda image: image.max() > 0), tall=st.integers(1, 12))
@settings(max_examples=300, deadline=None)
def test_outlines_are_those_of_rasterio(image, tall):
    ours = check(image, tall)
    cells = np.bincount(image.ravel())[1:]
    np.testing.assert_allclose(shapely.area(ours), cells * 0.25, rtol=1e-12)
    for part in shapely.get_parts(ours):
        assert part.exterior.is_ccw and not any(hole.is_ccw for hole in part.interiors)


PICTURES = {
    "one cell": (["#"], 1, [0]),
    "hole": (["###", "#.#", "###"], 1, [1]),
    "corner touch": (["#.", ".#"], 2, [0, 0]),
    "hole that opens at a corner": (["###.", "#.#.", "##.."], 1, [1]),
    "two holes that touch": (["#####", "#.###", "##.##", "#####"], 1, [2]),
    "island in a hole": (["#####", "#...#", "#.#.#", "#...#", "#####"], 2, [1, 0]),
    "closed at corners only": ([".#.", "#.#", ".#."], 4, [0, 0, 0, 0]),
}


@pytest.mark.parametrize("name", PICTURES)
def test_holes_and_pinches(name):
    lines, parts, holes = PICTURES[name]
    image = np.array([[c == "#" for c in line] for line in lines]).astype(np.int32)
    found = shapely.get_parts(check(image))
    assert len(found) == parts
    assert sorted(len(p.interiors) for p in found) == sorted(holes)


def lanes(count):
    """Make an image of slanting lanes, the first of 8 cells across, the next of 16 ..."""
    row, col = np.mgrid[0:160, 0 : 72 * count]
    place = col + np.floor(row / 2.75).astype(int)
    number = place // 72 % count + 1
    return np.where(place % 72 < 8 * number, number, 0).astype(np.int32)


def test_smoothing_keeps_the_area_and_drops_steps():
    image = lanes(8)
    exact = exact_outlines(image)
    smooth = outlines(runs_of(image), grid_of(image), 8)
    assert shapely.is_valid(smooth).all()
    np.testing.assert_allclose(shapely.area(smooth), shapely.area(exact), rtol=3e-3)
    fewer = shapely.get_num_coordinates(smooth) < 0.5 * shapely.get_num_coordinates(exact)
    assert fewer.all()


@pytest.mark.parametrize("together", [1, 100, 1000])
def test_outlines_do_not_depend_on_what_is_traced_together(together, monkeypatch):
    image = numbered(lanes(9))
    usual = outlines(runs_of(image), grid_of(image), 9)
    monkeypatch.setattr(strip_outlines, "_RUNS_TOGETHER", together)
    again = outlines(runs_of(image), grid_of(image), 9)
    assert shapely.equals_exact(usual, again, 0).all()

"""Long tracks: read and worked out block by block, with the numbers of the whole."""

import csv
import io
from datetime import datetime

import numpy as np
import pandas as pd
import pytest
import shapely
from builders import ORIGIN, at, settings_of, straight_passes
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from covermap.ground.lean_memory import at_rows
from covermap.ground.sweeps import sweep_corners
from covermap.harvest import outline
from covermap.harvest.clean_track import clean_track
from covermap.harvest.outline import field_outline
from covermap.harvest.pass_spacing import spacing_and_heading
from covermap.reading import table_cells as track_cells
from covermap.reading import table_lines as track_lines
from covermap.reading.table_cells import plain_moments, read_cells
from covermap.reading.table_lines import count_fields, text_of_lines
from covermap.spread import band_corners
from covermap.spread.bands import band_places, laden
from covermap.spread.machine_settings import settings_per_fix

WIDTH = 9.0


def wavy_passes(offsets_m, wave_m, rng, noise_m=0.03, length_m=300.0, step_m=2.0):
    """Make passes along waves, each ``offsets_m`` aside of the last; every second driven back."""
    parts = []
    for k, aside in enumerate(np.cumsum(offsets_m)):
        along = np.arange(0.0, length_m, step_m)
        xy = np.column_stack([aside + wave_m * np.sin(along / 60), along])
        xy += rng.normal(0, noise_m, xy.shape)
        parts.append(xy[:: -1 if k % 2 else 1])
    number = np.repeat(np.arange(1, len(parts) + 1), [len(p) for p in parts])
    return np.concatenate(parts) + ORIGIN, number


@pytest.mark.parametrize("wave_m", [0.0, 12.0])
def test_spacing_is_the_distance_to_the_neighbours_lines(wave_m):
    """Reference: distance from points of a pass to the lines of the two beside it, by GEOS."""
    offsets = np.array([9.0, 8.6, 9.3, 8.9, 10.4, 8.2])
    xy, number = wavy_passes(offsets, wave_m, np.random.default_rng(4))
    spacing, heading = spacing_and_heading(xy, number, WIDTH)
    lines = [shapely.LineString(xy[number == k]) for k in range(1, 7)]
    for k, line in enumerate(lines):
        points = shapely.line_interpolate_point(line, np.linspace(20, line.length - 20, 200))
        beside = [lines[j] for j in (k - 1, k + 1) if 0 <= j < 6]
        away = np.concatenate([shapely.distance(points, other) for other in beside])
        # between two neighbours unlike each other the middle is anywhere between the two
        low, high = np.quantile(away, 0.45) - 0.08, np.quantile(away, 0.55) + 0.08
        assert low < spacing[k] < high
    along = np.where(np.arange(6) % 2, 180.0, 0.0)
    assert np.abs((heading - along + 180) % 360 - 180).max() < 3


def test_points_far_from_all_others_have_no_spacing():
    xy, number = wavy_passes([0.0, 9.0, 40.0], 0.0, np.random.default_rng(4))
    spacing, _ = spacing_and_heading(xy, number, WIDTH)
    assert np.isfinite(spacing).tolist() == [True, True, False]


@given(st.integers(0, 2**32 - 1), st.floats(3.0, 14.0))
def test_spacing_looks_at_every_pair_within_reach(seed, width):
    """The squares lose no pair: a k-d tree (SciPy) over the same points finds the same ones."""
    rng = np.random.default_rng(seed)
    offsets = rng.uniform(0.35, 1.5, 5) * width
    xy, number = wavy_passes(offsets, 0.0, rng, noise_m=0.0, length_m=90.0)
    spacing, _ = spacing_and_heading(xy, number, width)
    # straight passes: straight across means the nearest point of another line
    tree = cKDTree(np.unique(xy[:, :1], axis=0))
    lines = tree.data[:, 0]
    for k in range(5):
        own = xy[number == k + 1][0, 0]
        near = lines[tree.query_ball_point([own], 1.8 * width - 0.3)] - own
        sides = [np.abs(s).min() for s in (near[near < -0.01], near[near > 0.01]) if len(s)]
        edge = np.abs(np.abs(lines - own) - 1.8 * width) < 0.31
        if len(sides) and not edge.any():
            assert spacing[k] == pytest.approx(np.median(sides), abs=1e-6)


def test_sweeps_hang_on_the_one_before_only():
    rng = np.random.default_rng(2)
    turn = np.cumsum(rng.normal(0, 0.3, 40))
    places = np.cumsum(np.column_stack([np.sin(turn), np.cos(turn)]) * 2.0, axis=0)
    follows = rng.random(39) > 0.2
    given_ = (places[:-1], places[1:], follows, np.full(39, -4.0), np.full(39, 5.0), turn[:-1])
    whole = sweep_corners(*given_)
    # where they follow, the line between two sweeps is one
    joined = (whole[1:, 0] == whole[:-1, 3]).all(axis=1)
    assert 5 < joined.sum() < 39
    for first in np.flatnonzero(~follows):
        part = sweep_corners(*(column[first:] for column in given_))
        np.testing.assert_array_equal(part, whole[first:])


@pytest.mark.parametrize("chaff_width", [None, 4.0])
def test_bands_do_not_depend_on_the_block(monkeypatch, chaff_width):
    angle = np.linspace(0, 3, 93)  # in a bend, so that neighbours share slanting ends
    track = at(60 * np.column_stack([np.sin(angle), np.cos(angle)]))
    path = clean_track(track, most_speed_m_s=13, most_harvest_speed_m_s=4).path
    number = np.repeat([1, 2, 3], 31)
    settings = settings_of(spread__chaff_width=chaff_width, combine__residue_delay_s=3)
    machine = settings_per_fix(settings, path, number)
    rows = np.flatnonzero(number)
    straw, chaff = np.linspace(1, 2, len(rows)), np.linspace(0.5, 0.1, len(rows))
    at_once = band_places(path, rows, number, machine)
    whole, _ = laden(at_once, rows, number, machine, straw, chaff)
    assert len(whole.corners) == len(rows) * (1 if chaff_width is None else 2)
    assert whole.mass_kg.sum() == pytest.approx((straw + chaff).sum(), rel=1e-12)
    assert (np.diff(whole.pass_index) >= 0).all()
    monkeypatch.setattr(band_corners, "_BLOCK_FIXES", 10)
    places = band_places(path, rows, number, machine)
    assert not places.mass_kg.any()
    bands, _ = laden(places, rows, number, machine, straw, chaff)
    for name in ("corners", "mass_kg", "profile", "pass_index"):
        np.testing.assert_array_equal(getattr(bands, name), getattr(whole, name))


def test_settings_for_all_fixes_take_memory_once():
    fixes = straight_passes(2, 9.0).fixes.assign(gap=False)
    machine = settings_per_fix(settings_of(), fixes, np.ones(len(fixes), int))
    assert machine["reach_left_m"].to_numpy().strides == (0,)
    assert at_rows(machine["reach_left_m"], np.arange(5)).tolist() == [4.5] * 5
    assert machine["discharge"].cat.codes.dtype == np.int8


def test_words_in_the_track_win_fix_by_fix():
    fixes = straight_passes(2, 9.0).fixes
    words = np.where(np.arange(len(fixes)) % 2, "Windrow", "").astype(object)
    machine = settings_per_fix(
        settings_of(), fixes.assign(discharge=words), np.ones(len(fixes), int)
    )
    assert machine["discharge"].tolist()[:4] == ["spread", "windrow", "spread", "windrow"]
    # a row without a chaff width of its own drops it over half of the cut
    assert at_rows(machine["chaff_width_m"], np.arange(2))[1] == pytest.approx(4.5)


CELL = st.one_of(
    st.integers(-(10**6), 10**6).map(str),
    st.floats(-1e6, 1e6).map(lambda x: f"{x:.6g}"),
    st.sampled_from(["", "NA", "x", "True", "007", "1e3", "99999999999999999999"]),
)


@given(st.lists(st.tuples(CELL, CELL), min_size=1, max_size=12))
@example([("1", ""), ("2", ""), ("3", "x"), ("4", "5")])
@example([("1", "2.5"), ("2", ""), ("3.50", "7")])
def test_cells_are_those_of_one_read(rows):
    text = "".join(f"{a},2026-08-01T12:00:0{i % 10}Z,{b}\n" for i, (a, b) in enumerate(rows))
    options = {"header": None, "names": [0, 1, 2], "dtype": {1: str}, "low_memory": False}
    whole = pd.read_csv(io.StringIO(text), **options)
    kept = track_cells._BLOCK_ROWS
    try:
        track_cells._BLOCK_ROWS = 2
        found = read_cells(io.BytesIO(text.encode()), 1, **options)
    finally:
        track_cells._BLOCK_ROWS = kept
    pd.testing.assert_frame_equal(found[[0, 2]], whole[[0, 2]])
    if isinstance(found[1].dtype, pd.DatetimeTZDtype):
        expected = [datetime.fromisoformat(one) for one in whole[1]]
        assert [one.to_pydatetime() for one in found[1]] == expected
    else:
        assert found[1].tolist() == whole[1].tolist()


@given(
    st.datetimes(datetime(1950, 1, 1), datetime(2150, 1, 1)),
    st.sampled_from(["T", " "]),
    st.sampled_from(["seconds", "milliseconds", "microseconds"]),
    st.sampled_from(["+00:00", "+05:30", "-07:00"]),
)
def test_plain_moments_are_those_of_the_standard_library(moment, gap, places, zone):
    written = moment.isoformat(gap, places) + zone
    found = plain_moments(pd.Series([written, None]))
    assert found[0].to_pydatetime() == datetime.fromisoformat(written)
    assert pd.isna(found[1])


@pytest.mark.parametrize(
    "other",
    ["2026-8-01T12:00:00Z", "2026-08-01T12:00:00", "2026-08-01T12:00:60Z", "now", "-",
     "2026-02-30T12:00:00Z", "01.08.2026 12:00", "1785585600", "20260801T120000Z"],
)  # fmt: skip
def test_other_times_are_left_to_the_long_way(other):
    assert plain_moments(pd.Series(["2026-08-01T12:00:00Z", other])) is None


FIELD = st.text(st.sampled_from('ab1; ,"'), max_size=6)


@given(st.lists(st.lists(FIELD, min_size=1, max_size=4), min_size=1, max_size=9))
def test_fields_are_counted_as_the_standard_library_does(rows):
    written = io.StringIO()
    csv.writer(written, lineterminator="\n").writerows(rows)
    data = written.getvalue().encode()
    octets = np.frombuffer(data, np.uint8)
    ends = np.flatnonzero(octets == ord("\n"))
    starts = np.append(0, ends[:-1] + 1)
    kept = track_lines._BLOCK_LINES
    try:
        track_lines._BLOCK_LINES = 2
        fields, open_quote, blank = count_fields(octets, starts, ends, ",")
    finally:
        track_lines._BLOCK_LINES = kept
    read = list(csv.reader(io.StringIO(written.getvalue())))
    assert [max(len(row), 1) for row in read] == fields.tolist()
    assert not open_quote.any()
    lines = data.decode().splitlines()
    assert blank.tolist() == [not line.strip() for line in lines]
    good = fields > 1
    if good.any():
        text = text_of_lines(data, starts, ends, good).read().decode().splitlines()
        assert text == [line for line, keep in zip(lines, good, strict=True) if keep]


def test_an_odd_quotation_mark_is_told():
    octets = np.frombuffer(b'1,"2,3\n4,5,6\n', np.uint8)
    _, open_quote, _ = count_fields(octets, np.array([0, 7]), np.array([6, 12]), ",")
    assert open_quote.tolist() == [True, False]


@pytest.mark.parametrize("heading", [0.0, 20.0, 77.0])
def test_outline_of_a_block_of_passes_is_its_rectangle(monkeypatch, heading):
    """Known answer: n passes, spacing s and width w make (n − 1)·s + w by their length."""
    fixes = straight_passes(40, 9.0, 200.0, heading_deg=heading).fixes
    xy = fixes[["easting", "northing"]].to_numpy().reshape(40, -1, 2)
    lines = shapely.linestrings(xy)
    known = 200.0 * (39 * 9.0 + 8.8)
    for block in (7, 64):
        monkeypatch.setattr(outline, "_BLOCK_PASSES", block)
        found = field_outline(lines, np.full(40, 9.0), np.full(40, 8.8))
        assert found.geom_type == "Polygon" and len(found.interiors) == 0
        assert found.area == pytest.approx(known, rel=5e-4)
        assert shapely.covers(found.buffer(0.02), lines).all()


def test_outline_is_the_closing_of_all_swaths():
    """Reference: morphological closing (Serra 1982) of the joined swaths, finely, by GEOS."""
    rng = np.random.default_rng(8)
    xy, number = wavy_passes(rng.uniform(8.5, 9.5, 12), 25.0, rng, noise_m=0.05)
    lines = np.array([shapely.LineString(xy[number == k]) for k in range(1, 13)])
    found = field_outline(lines, np.full(12, 9.0), np.full(12, 9.0))
    swaths = shapely.union_all(shapely.buffer(lines, 4.5, cap_style="flat", join_style="mitre"))
    closed = swaths.buffer(5.0, quad_segs=64).buffer(-5.0, quad_segs=64)
    assert found.area == pytest.approx(closed.area, rel=5e-4)
    assert found.symmetric_difference(closed).area < 1e-3 * closed.area
    assert found.boundary.hausdorff_distance(closed.boundary) < 0.3

"""One track of several fields: single linkage as SciPy has it, and nothing gets lost."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely
from builders import told, track_of
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import pdist
from season_builders import passes, road

from covermap.harvest.track import Track
from covermap.seasons.split_track import (
    EDGE_M,
    _linked,
    machines_of,
    part_by_boundaries,
    part_by_gaps,
    track_parts,
)

SPEED = 4.5


def track(*parts: pd.DataFrame, **columns: object):
    fixes = pd.concat(parts, ignore_index=True)
    time = pd.Timestamp("2026-08-01T12:00:00Z") + pd.to_timedelta(fixes["seconds"], unit="s")
    table = pd.DataFrame({"easting": fixes["east"], "northing": fixes["north"], "time": time})
    if "machine" in fixes:
        table["machine_id"] = fixes["machine"]
    return track_of(table.assign(**columns))


def partition(numbers) -> set[frozenset[int]]:
    numbers = np.asarray(numbers)
    return {frozenset(np.flatnonzero(numbers == n).tolist()) for n in np.unique(numbers)}


@settings(max_examples=150, deadline=None)
@given(
    arrays(np.float64, st.tuples(st.integers(2, 40), st.just(2)),
           elements=st.floats(-700, 700).map(lambda v: round(v, 2))),
    st.sampled_from([20.0, 100.0, 200.0]),
)  # fmt: skip
def test_clusters_are_those_of_single_linkage(xy, gap):
    # Reference: scipy.cluster.hierarchy, single linkage cut at the gap.
    expected = fcluster(linkage(pdist(xy), "single"), gap, "distance")
    assert partition(_linked(xy, gap)) == partition(expected)


@pytest.mark.parametrize(("apart", "fields"), [(199.0, 1), (201.0, 2)])
def test_fields_part_at_the_gap_and_not_below(apart, fields):
    found = part_by_gaps(track(passes(0), passes(27 + apart, start_s=900)), 200.0, SPEED)
    assert len(np.unique(found)) == fields


def test_a_drive_at_road_speed_does_not_join_two_fields():
    two = track(passes(0), road((27, 0), (1500, 0), 500), passes(1500, start_s=1000))
    found = part_by_gaps(two, 200.0, SPEED)
    east = two.fixes["easting"].to_numpy() - 500_000
    assert set(found[east < 30]) == {0}
    assert set(found[east >= 1500]) == {1}
    # the road goes with the field that was left, until the next is near
    assert set(found[(east > 30) & (east < 1250)]) == {0}
    assert set(found[(east > 1350)]) == {1}


@pytest.mark.parametrize("column", ["header_down", "grain_flow_kg_s", "speed_m_s"])
def test_any_sign_of_harvest_tells_a_slow_drive_from_work(column):
    drive = road((27, 0), (1500, 0), 500)
    drive["seconds"] = 500 + (drive["seconds"] - 500) * 4  # 2 m/s
    field = passes(0)
    working = np.r_[
        np.ones(len(field), bool), np.zeros(len(drive), bool), np.ones(len(field), bool)
    ]
    value = {"header_down": working, "grain_flow_kg_s": working * 5.0}.get(
        column, np.where(working, 2.0, 9.0)
    )
    two = track(field, drive, passes(1500, start_s=2000), **{column: value})
    assert len(np.unique(part_by_gaps(two, 200.0, SPEED))) == 2
    assert len(np.unique(part_by_gaps(track_of(two.fixes.drop(columns=column)), 200.0, SPEED))) == 1


def test_wild_positions_are_no_field_and_stay_with_theirs():
    fixes = passes(0)
    fixes.loc[10:14, "east"] += 5000
    one = track(fixes)
    assert set(part_by_gaps(one, 200.0, SPEED)) == {0}
    both = track(fixes, passes(2000, start_s=900))
    assert set(part_by_gaps(both, 200.0, SPEED)[10:15]) == {0}


def test_a_field_worked_on_two_days_is_one_and_numbers_follow_the_file():
    days = track(passes(3000), passes(0, start_s=9e3), passes(3036, start_s=9e4))
    found = part_by_gaps(days, 200.0, SPEED)
    n = len(passes())
    assert found.tolist() == [0] * n + [1] * n + [0] * n


def test_two_machines_in_two_fields_are_parted_though_their_rows_alternate():
    one, two = passes(0, machine="A"), passes(4000, machine="B")
    mixed = pd.concat([one, two]).sort_values("seconds", kind="stable")
    found = part_by_gaps(track(mixed), 200.0, SPEED)
    parts = track_parts(track(mixed), found)
    assert [machines_of(part) for part in parts.values()] == ["A", "B"]
    for part, alone in zip(parts.values(), (one, two), strict=True):
        np.testing.assert_array_equal(part.fixes["easting"], alone["east"])


@settings(max_examples=25, deadline=None)
@given(st.lists(st.sampled_from([0.0, 1500.0, 3000.0]), min_size=1, max_size=5),
       st.lists(st.integers(0, 2000), max_size=6, unique=True))  # fmt: skip
def test_every_fix_and_every_row_without_a_position_is_in_one_part(places, lost):
    whole = track(*(passes(east, start_s=900.0 * k) for k, east in enumerate(places)))
    unreadable = pd.DataFrame(
        {"source_row": sorted(lost), "reason": "no position", "detail": "", "grain_kg": 1.5}
    )
    whole = replace(whole, unreadable=unreadable)
    found = part_by_gaps(whole, 200.0, SPEED)
    parts = list(track_parts(whole, found).values())
    rows = np.concatenate([part.fixes["source_row"] for part in parts])
    assert sorted(rows) == whole.fixes["source_row"].tolist()
    kept = pd.concat([part.unreadable for part in parts])
    assert sorted(kept["source_row"]) == sorted(lost)
    assert kept["grain_kg"].sum() == 1.5 * len(lost)
    assert len(parts) == len(set(places))


def test_boundaries_take_what_lies_in_them_and_turns_at_their_edge():
    whole = track(passes(0), passes(300, start_s=900), passes(3000, start_s=1800))
    east = whole.fixes["easting"].to_numpy()
    shapes = [shapely.box(500_300, 4_980_010, 500_330, 4_980_090),
              shapely.box(499_990, 4_980_010, 500_030, 4_980_090)]  # fmt: skip
    found = part_by_boundaries(whole, shapes)
    points = shapely.points(whole.fixes[["easting", "northing"]].to_numpy())
    for number, shape in enumerate(shapes):
        # Reference: GEOS distance, point by point.
        np.testing.assert_array_equal(found == number, shapely.distance(points, shape) <= EDGE_M)
    assert set(found[east > 502_000]) == {-1}
    parts = track_parts(whole, found)
    assert [len(part.fixes) for part in parts.values()] == [len(passes())] * 2
    assert "Part 2 of 2 of made.csv: 204 of its 612 fixes." in told(parts[1].notes)


def cut_ground(whole: Track, part: np.ndarray) -> shapely.Geometry:
    """Give the ground under a header of 9 m along the parted track, turns left out."""
    xy = whole.fixes.loc[part == 0, ["easting", "northing"]].to_numpy()
    steps = np.stack([xy[:-1], xy[1:]], axis=1)
    along = np.abs(np.diff(xy[:, 0])) < 1.0
    near = np.abs(np.diff(xy[:, 1])) < 10.0
    lines = shapely.linestrings(steps[along & near])
    return shapely.union_all(shapely.buffer(lines, 4.5, cap_style="flat"))


# in order, and a land of two passes after another from either side
ORDERS = {"in order": list(range(20)), "in lands": [k // 2 + 10 * (k % 2) for k in range(20)]}


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("side", ["west", "south"])
@pytest.mark.parametrize("header_known", [True, False])
def test_a_neighbours_harvest_is_not_the_fields(order, side, header_known):
    # 20 passes of 9 m and 400 m, with turns 12 m deep at both ends
    parts = []
    for place, number in enumerate(ORDERS[order]):
        one = passes(9.0 * number, count=1, length_m=424.0, start_s=300.0 * place)
        one["north"] -= 12.0
        if place % 2:
            one[["east", "north"]] = one[["east", "north"]].to_numpy()[::-1]
        parts.append(one)
    whole = track(*parts)
    north = whole.fixes["northing"].to_numpy() - 4_980_000
    down = (north >= 0) & (north <= 400)
    if header_known:
        whole = replace(whole, fixes=whole.fixes.assign(header_down=down))
    half = {"west": shapely.box(499_995.5, 4_980_000, 500_085.5, 4_980_400),
            "south": shapely.box(499_995.5, 4_980_000, 500_175.5, 4_980_200)}[side]  # fmt: skip
    found = part_by_boundaries(whole, [half])
    # Reference: GEOS, the ground of the passes that lies in the boundary.
    cut = cut_ground(whole, np.where(down, found, -1))
    inside = cut_ground(whole, np.where(down, 0, -1)).intersection(half).area
    assert inside == pytest.approx(half.area, rel=0.01)
    assert cut.area == pytest.approx(inside, rel=0.03)
    assert cut.intersection(half).area == pytest.approx(inside, rel=0.01)


@pytest.mark.parametrize("off_m", [0.5, 3.5])
@pytest.mark.parametrize("header_known", [True, False])
def test_a_pass_along_a_rough_boundary_is_the_fields_and_so_are_turns(off_m, header_known):
    whole = track(passes(0, count=6, length_m=424.0))
    north = whole.fixes["northing"].to_numpy() - 4_980_000
    if header_known:
        whole = replace(whole, fixes=whole.fixes.assign(header_down=(north > 12) & (north < 412)))
    rough = shapely.box(500_000 + off_m, 4_980_012, 500_045 - off_m, 4_980_412)
    assert set(part_by_boundaries(whole, [rough])) == {0}


def test_machines_and_a_mixed_file_do_not_change_whose_the_harvest_is():
    one = passes(0, count=6, length_m=400.0, machine="A")
    two = passes(27, count=6, length_m=400.0, machine="B")
    east = shapely.box(500_022.5, 4_980_000, 500_080, 4_980_400)
    mixed = track(pd.concat([one, two]).sort_values("seconds", kind="stable"))
    found = part_by_boundaries(mixed, [east])
    np.testing.assert_array_equal(found == 0, mixed.fixes["easting"] > 500_022.5)
    shuffled = replace(mixed, fixes=mixed.fixes.sample(frac=1, random_state=1, ignore_index=True))
    again = part_by_boundaries(shuffled, [east])
    np.testing.assert_array_equal(again == 0, shuffled.fixes["easting"] > 500_022.5)


def test_a_boundary_without_a_fix_takes_no_turn_from_its_neighbour():
    whole = track(passes(0))
    shapes = [shapely.box(499_995, 4_980_010, 500_032, 4_980_090),
              shapely.box(499_995, 4_980_101, 500_032, 4_980_200)]  # fmt: skip
    assert set(part_by_boundaries(whole, shapes)) == {0}
    assert set(part_by_boundaries(whole, shapes[1:])) == {-1}

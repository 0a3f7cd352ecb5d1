"""Whole passes from every way of driving a field."""

import numpy as np
import pandas as pd
import pytest
from builders import at, settings_of, straight_passes, told, track_of

from covermap.errors import TrackError
from covermap.field.whole_field import map_field
from covermap.harvest.clean_track import clean_track
from covermap.harvest.passes import find_passes

WIDTH = 9.0


def passes_of(track, width=WIDTH):
    clean = clean_track(track, most_speed_m_s=12.0, most_harvest_speed_m_s=4.5)
    return clean, find_passes(clean, width)


def along(line: np.ndarray, step: float = 2.0) -> np.ndarray:
    """Resample a polyline to even steps."""
    s = np.append(0.0, np.cumsum(np.hypot(*np.diff(line, axis=0).T)))
    at_s = np.arange(0.0, s[-1], step)
    return np.column_stack([np.interp(at_s, s, line[:, 0]), np.interp(at_s, s, line[:, 1])])


def arc(centre, radius, start_deg, end_deg):
    a = np.radians(np.linspace(start_deg, end_deg, 40))
    return np.column_stack([centre[0] + radius * np.cos(a), centre[1] + radius * np.sin(a)])


@pytest.mark.parametrize("heading_deg", [0.0, 33.0, 180.0])
def test_back_and_forth_with_turns_left_out(heading_deg):
    _, found = passes_of(straight_passes(6, WIDTH, heading_deg=heading_deg))
    assert len(found.table) == 6
    np.testing.assert_allclose(found.table["spacing_m"], WIDTH, atol=0.05)
    turned = np.abs((found.table["heading_deg"] - heading_deg + 90) % 180 - 90)
    assert turned.max() < 0.5
    assert found.table["length_m"].min() > 195


@pytest.mark.parametrize("bulb", [False, True])
def test_back_and_forth_with_turns_logged_and_no_header_switch(bulb):
    """A continuous log with U-turns or bulb turns and nothing to tell turns by."""
    parts = []
    for k in range(5):
        x, up = k * WIDTH, k % 2 == 0
        line = np.array([[x, 0.0], [x, 200.0]])
        parts.append(line if up else line[::-1])
        if k == 4:
            break
        edge = 200.0 if up else 0.0
        sign = 1 if up else -1
        if bulb:
            swing = np.array(
                [[x, edge], [x - 3, edge + sign * 8], [x - 1, edge + sign * 14],
                 [x + WIDTH / 2, edge + sign * 17], [x + WIDTH + 1, edge + sign * 14],
                 [x + WIDTH + 3, edge + sign * 8], [x + WIDTH, edge]]
            )  # fmt: skip
        else:
            a = np.linspace(0, np.pi, 12)
            swing = np.column_stack(
                [x + WIDTH / 2 * (1 - np.cos(a)), edge + sign * WIDTH / 2 * np.sin(a)]
            )
        parts.append(swing)
    track = at(along(np.concatenate(parts), 1.7))
    _, found = passes_of(track)
    assert len(found.table) == 5
    assert found.ledger.counts()["turn"] > 0
    np.testing.assert_allclose(found.table["spacing_m"], WIDTH, atol=0.3)
    # what is left of each pass is nearly all of it
    assert found.table["length_m"].min() > 185


def test_header_up_ends_a_pass_and_is_counted():
    up = along(np.array([[0.0, 0], [0, 150]]))
    turn = along(arc((4.5, 150), 4.5, 180, 0))
    down = along(np.array([[9.0, 150], [9, 0]]))
    points = np.concatenate([up, turn, down])
    track = at(points)
    lowered = np.ones(len(points), bool)
    lowered[len(up) : len(up) + len(turn)] = False
    clean, found = passes_of(track_of(track.fixes.assign(header_down=lowered)))
    assert len(found.table) == 2
    assert found.ledger.counts()["header up"] == len(turn)
    assert len(clean.path) == len(points), "the path keeps the turn: residue still falls there"


def test_round_and_round_comes_out_as_laps():
    a = np.arange(0, 6 * 2 * np.pi, 0.02)
    radius = 90 - WIDTH * a / (2 * np.pi)
    track = at(along(np.column_stack([radius * np.cos(a), radius * np.sin(a)])))
    _, found = passes_of(track)
    assert len(found.table) == 6
    np.testing.assert_allclose(found.table["spacing_m"], WIDTH, atol=0.3)
    assert found.ledger.counts()["turn"] == 0


def test_square_round_and_round_with_tight_corners():
    corners = []
    for k in range(5):
        d, size = (k + 0.5) * WIDTH, 150.0
        first = d if k == 0 else d - WIDTH
        corners += [(first, d), (size - d, d), (size - d, size - d), (d, size - d)]
    _, found = passes_of(at(along(np.array(corners, float))))
    assert 5 <= len(found.table) <= 6
    assert found.ledger.counts()["turn"] == 0


def test_a_contour_curve_is_not_cut_to_pieces():
    y = np.linspace(0, 400, 300)
    tracks = []
    for k in range(4):
        line = np.column_stack([60 * np.sin(y / 60) + k * WIDTH, y])
        tracks.append(along(line if k % 2 == 0 else line[::-1]))
    gap = [np.array([[np.nan, np.nan]])]
    del gap
    track = at(np.concatenate(tracks))
    _, found = passes_of(track)
    assert len(found.table) == 4
    assert found.table["length_m"].min() > 480


def test_opening_headland_then_back_and_forth():
    size = 160.0
    lap = np.array([[0, 0], [size, 0], [size, size], [0, size], [0, 4.0]], float)
    parts = [along(lap)]
    for k in range(1, 6):
        line = np.array([[k * WIDTH, 12.0], [k * WIDTH, size - 12.0]])
        parts.append(along(line if k % 2 else line[::-1]))
    points = np.concatenate(parts)
    first = at(points)
    pause = np.concatenate([np.full(len(p), 60.0 * i) for i, p in enumerate(parts)])
    fixes = first.fixes.assign(time=first.fixes["time"] + np.array(pause, "timedelta64[s]"))
    _, found = passes_of(track_of(fixes))
    assert len(found.table) == 6
    assert found.table["length_m"].iloc[0] > 3.9 * size


def test_one_way_passes_with_the_log_switched_off_between():
    _, found = passes_of(straight_passes(5, WIDTH, one_way=True))
    assert len(found.table) == 5


def test_a_gap_straight_ahead_does_not_part_a_pass():
    track = straight_passes(1, WIDTH)
    kept = track.fixes.drop(index=range(40, 46))
    _, found = passes_of(track_of(kept))
    assert len(found.table) == 1


def test_a_stop_in_mid_pass_does_not_part_it():
    track = straight_passes(1, WIDTH)
    later = np.where(np.arange(len(track.fixes)) >= 50, 120, 0).astype("timedelta64[s]")
    _, found = passes_of(track_of(track.fixes.assign(time=track.fixes["time"] + later)))
    assert len(found.table) == 1


def test_road_travel_is_no_pass():
    road = np.column_stack([np.linspace(-900, -20, 110), np.full(110, -30.0)])
    field = straight_passes(4, WIDTH).fixes[["easting", "northing"]].to_numpy()
    field = field - np.array([500_000.0, 4_980_000.0])
    times = np.concatenate([np.arange(110), 200 + np.arange(len(field))])
    # the passes' own pauses
    times[110:] += np.repeat(np.arange(4) * 60, len(field) // 4)
    track = at(np.concatenate([road, field]))
    start = track.fixes["time"].iloc[0]
    fixes = track.fixes.assign(time=start + np.array(times, "timedelta64[s]"))
    _, found = passes_of(track_of(fixes))
    assert found.ledger.counts()["road travel"] >= 105
    assert len(found.table) == 4


def test_given_pass_numbers_are_kept():
    track = straight_passes(2, WIDTH)
    names = np.where(np.arange(len(track.fixes)) < 60, "north end", "the rest")
    _, found = passes_of(track_of(track.fixes.assign(pass_id=names)))
    assert list(found.table["label"]) == ["north end", "the rest"]


def test_no_pass_says_what_to_do():
    track = at(np.column_stack([np.arange(5) * 1.0, np.zeros(5)]))
    with pytest.raises(TrackError, match="No pass was found"):
        map_field(track, settings_of())


# --- holes in the log ----------------------------------------------------------------


def with_a_hole(aside_m=0.0, pause_s=0.0, passes=2):
    """Passes of 900 m at 2 m/s; of the first, 178 s are missing."""
    fixes = straight_passes(passes, WIDTH, length_m=900.0).fixes
    row = np.arange(len(fixes))
    first = row <= 450
    fixes = fixes.assign(
        easting=fixes["easting"] + np.where(first & (row >= 150), aside_m, 0.0),
        time=fixes["time"] + pd.to_timedelta(np.where(row >= 150, pause_s, 0.0), unit="s"),
    )
    return track_of(fixes.drop(index=range(150, 327)))


def test_a_long_hole_straight_ahead_is_told_and_no_new_pass():
    clean, found = passes_of(with_a_hole())
    assert len(found.table) == 2
    assert told(found.notes) == [
        "No fixes for 178 s from 12:02 to 12:05 UTC in pass 1, about 354 m; this ground is not "
        "mapped.",
    ]
    # the hole is not counted as driven, and what was mapped is the rest
    assert found.table["length_m"].iloc[0] == pytest.approx(902 - 354, abs=1)
    result = map_field(with_a_hole(), settings_of())
    assert found.notes[0].text() in told(result.notes)
    assert result.harvested_m2 == pytest.approx(WIDTH * (2 * 902 - 354), rel=0.01)
    assert clean.path["gap"].sum() == 3


def test_a_short_hole_names_its_minute_once():
    fixes = straight_passes(1, WIDTH).fixes
    _, found = passes_of(track_of(fixes.drop(index=range(20, 40))))
    assert told(found.notes) == [
        "No fixes for 21 s at 12:00 UTC in pass 1, about 40 m; this ground is not mapped.",
    ]


@pytest.mark.parametrize(
    ("aside_m", "pause_s"), [(12.0, 0.0), (0.0, 400.0)], ids=["aside", "out of pace"]
)
def test_a_long_hole_that_was_not_driven_straight_parts_the_pass(aside_m, pause_s):
    _, found = passes_of(with_a_hole(aside_m, pause_s))
    assert len(found.table) == 3
    assert found.notes == ()


def test_passes_of_two_machines_stay_apart():
    """The second machine sets in straight ahead of where the first one stopped."""
    one = straight_passes(1, WIDTH).fixes.assign(machine_id="A")
    other = one.assign(northing=one["northing"] + 202.0, machine_id="B")
    _, found = passes_of(track_of(pd.concat([one, other]).drop(columns="source_row")))
    assert len(found.table) == 2


# --- warnings ------------------------------------------------------------------------


def test_much_lost_grain_is_warned_of_by_its_main_reason():
    fixes = straight_passes(2, WIDTH).fixes.assign(grain_flow_kg_s=6.0)
    still = fixes.iloc[[60] * 40].assign(
        time=fixes["time"].iloc[60] + pd.to_timedelta(np.arange(1, 41), unit="s")
    )
    later = fixes["time"] + pd.to_timedelta(np.where(fixes.index > 60, 40, 0), unit="s")
    track = pd.concat([fixes.iloc[:61], still, fixes.assign(time=later).iloc[61:]])
    _, found = passes_of(track_of(track.drop(columns="source_row")))
    (warning,) = told(found.notes)
    assert warning.startswith("Warning: 17% of the grain was left out, mainly as 'standing still'")


def test_many_fixes_lost_without_grain_are_warned_of_too():
    fixes = straight_passes(2, WIDTH).fixes
    flow = np.where(np.arange(len(fixes)) < 70, 0.0, 6.0)
    _, found = passes_of(track_of(fixes.assign(grain_flow_kg_s=flow)))
    warning, *_ = told(found.notes)
    assert warning.startswith("Warning: 35% of the track points were left out, mainly as 'no flow'")
    # a header raised is ordinary driving
    raised = fixes.assign(header_down=flow > 0)
    assert passes_of(track_of(raised))[1].notes == ()


def test_a_flow_no_crop_can_give_is_warned_of_with_the_likely_unit():
    """6 t/ha on 9 m at 2 m/s are 10.8 kg/s, or 38.9 t/h (1 kg/s = 3.6 t/h, NIST SP 811)."""
    fixes = straight_passes(2, WIDTH).fixes
    assert passes_of(track_of(fixes.assign(grain_flow_kg_s=10.8)))[1].notes == ()
    # wet maize of 20 t/ha is a lot and no error
    assert passes_of(track_of(fixes.assign(grain_flow_kg_s=36.0)))[1].notes == ()
    (warning,) = told(passes_of(track_of(fixes.assign(grain_flow_kg_s=60.0)))[1].notes)
    assert warning.startswith("Warning: column 'flow' gives 33.33 t/ha")
    assert 'give [units] flow = "lb/s" or [units] flow = "t/h".' in warning

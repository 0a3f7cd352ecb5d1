"""Whole passes from every way of driving a field."""

import numpy as np
import pytest
from builders import at, settings_of, straight_passes, track_of

from covermap.errors import TrackError
from covermap.field import map_field
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

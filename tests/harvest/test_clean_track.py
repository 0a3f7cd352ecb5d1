"""Every cleaning rule finds its fault, counts it and leaves the rest alone."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from builders import at, settings_of, straight_passes, told, track_of

from covermap.errors import TrackError
from covermap.field.whole_field import map_field
from covermap.harvest.clean_track import REASONS, clean_track
from covermap.harvest.rough_positions import cross_track_sigma_m


def clean(track, **more):
    return clean_track(track, most_speed_m_s=12.0, most_harvest_speed_m_s=4.5, **more)


def removed(result) -> dict[str, int]:
    return {reason: n for reason, n in result.ledger.counts().items() if n}


def test_a_clean_track_loses_nothing():
    track = straight_passes(3, 9.0)
    result = clean(track)
    assert removed(result) == {}
    assert result.path["cutting"].all()
    assert set(result.ledger.counts()) == set(REASONS)


def test_duplicates_are_counted():
    fixes = straight_passes(1, 9.0).fixes
    doubled = pd.concat([fixes, fixes.iloc[[10, 40]]]).sort_index(kind="stable")
    doubled["source_row"] = np.arange(len(doubled)) + 2
    result = clean(track_of(doubled))
    assert removed(result) == {"duplicate": 2}
    assert list(result.ledger.removed["source_row"]) == [13, 44]


def test_a_thousand_latitude_spikes_go_and_the_path_stays():
    """Spikes of 100 to 1,000 m in northing while the logged distance stays right."""
    rng = np.random.default_rng(3)
    track = straight_passes(40, 9.0, length_m=400.0)
    fixes = track.fixes.assign(distance_m=2.0, interval_s=1.0)
    wild = np.sort(rng.choice(np.arange(5, len(fixes) - 5), 1000, replace=False))
    jump = rng.uniform(100, 1000, 1000) * rng.choice([-1, 1], 1000)
    moved = fixes["northing"].to_numpy().copy()
    moved[wild] += jump
    result = clean(track_of(fixes.assign(northing=moved)))
    gone = result.ledger.removed["source_row"].to_numpy() - 2
    assert set(wild) <= set(gone)
    assert len(gone) <= 1000 + 20
    assert result.path["northing"].max() <= fixes["northing"].max() + 1e-6


def test_a_spike_without_clock_or_distance():
    track = straight_passes(2, 9.0)
    moved = track.fixes["easting"].to_numpy().copy()
    moved[[20, 21, 150]] += 400
    fixes = track.fixes.assign(easting=moved).drop(columns="time")
    assert removed(clean(track_of(fixes, has_time=False))) == {"position spike": 3}


def test_a_clock_set_back_is_mended_and_said():
    fixes = straight_passes(1, 9.0).fixes
    back = np.where(np.arange(len(fixes)) >= 50, -6, 0).astype("timedelta64[s]")
    result = clean(track_of(fixes.assign(time=fixes["time"] + back)))
    assert removed(result) == {}
    assert np.diff(result.path["clock_s"]).min() > 0
    assert any("clock steps back at row 52" in note for note in told(result.notes))


def test_one_stale_time_is_removed():
    fixes = straight_passes(1, 9.0).fixes
    time = fixes["time"].copy()
    time.iloc[30] -= pd.Timedelta(seconds=20)
    assert removed(clean(track_of(fixes.assign(time=time)))) == {"time backwards": 1}


def test_a_shuffled_file_is_put_in_order():
    fixes = straight_passes(2, 9.0).fixes
    mixed = fixes.sample(frac=1, random_state=1).reset_index(drop=True)
    result = clean(track_of(mixed))
    assert removed(result) == {}
    np.testing.assert_allclose(result.path["northing"], fixes["northing"])
    assert any("sorted by time" in note for note in told(result.notes))


def test_times_of_whole_seconds_at_five_hertz_are_parted():
    points = np.column_stack([np.zeros(100), np.arange(100) * 0.4])
    track = at(points)
    seconds = np.repeat(np.arange(20), 5)
    start = track.fixes["time"].iloc[0]
    fixes = track.fixes.assign(time=start + np.array(seconds, "timedelta64[s]"))
    result = clean(track_of(fixes))
    assert removed(result) == {}
    assert np.diff(result.path["clock_s"]).min() > 0.1


def test_standing_still_is_dropped_with_its_grain():
    points = np.column_stack([np.zeros(60), np.minimum(np.arange(60), 30) * 2.0])
    track = at(points)
    result = clean(track_of(track.fixes.assign(grain_flow_kg_s=5.0)))
    assert removed(result) == {"standing still": 29}
    assert result.ledger.grain_dropped_kg == pytest.approx(29 * 5.0)
    assert result.ledger.grain_seen_kg == pytest.approx(60 * 5.0)


def test_zero_and_absurd_flow():
    fixes = straight_passes(1, 9.0).fixes
    flow = np.full(len(fixes), 6.0)
    flow[[5, 6]] = 0.0
    flow[70] = 900.0
    flow[80] = np.nan
    result = clean(track_of(fixes.assign(grain_flow_kg_s=flow)))
    assert removed(result) == {"no flow": 2, "absurd flow": 1}
    assert result.path["grain_flow_kg_s"].iloc[80] == 6.0
    assert result.ledger.grain_dropped_kg == pytest.approx(900.0)
    assert len(result.path) == len(fixes), "positions without flow still belong to the path"


def test_impossible_logged_speed():
    fixes = straight_passes(1, 9.0).fixes
    speed = np.full(len(fixes), 2.0)
    speed[17] = 88.0
    assert removed(clean(track_of(fixes.assign(speed_m_s=speed)))) == {"impossible speed": 1}


def test_grain_delay_moves_readings_back_and_keeps_the_mass():
    fixes = straight_passes(1, 9.0).fixes
    n = len(fixes)
    flow = np.where(np.arange(n) >= 12, 6.0, 0.0)
    flow[40] = 9.0
    delayed = clean(track_of(fixes.assign(grain_flow_kg_s=flow)), grain_delay_s=10)
    path = delayed.path
    assert removed(delayed) == {"no flow": 2}
    assert int(np.argmax(path["grain_kg"])) == 30
    assert path["grain_kg"].sum() == pytest.approx(flow.sum())


@pytest.mark.parametrize("points", [np.zeros((1, 2)), np.zeros((40, 2))])
def test_one_place_is_no_track(points):
    with pytest.raises(TrackError, match="fewer than two different positions"):
        clean(at(points))


# --- several machines ----------------------------------------------------------------


def mixed(east_m: float, north_m: float = 0.0, later_s: float = 0.0) -> pd.DataFrame:
    """Two machines side by side, their rows dealt out in turn."""
    one = straight_passes(2, 9.0).fixes.assign(machine_id="A", grain_flow_kg_s=6.0)
    other = one.assign(
        easting=one["easting"] + east_m,
        northing=one["northing"] + north_m,
        time=one["time"] + pd.Timedelta(seconds=later_s),
        machine_id="B",
    )
    both = pd.concat([one, other]).sort_index(kind="stable").reset_index(drop=True)
    return both.assign(source_row=np.arange(len(both)) + 2)


@pytest.mark.parametrize("later_s", [0.0, 0.5])
def test_machines_told_apart_by_a_column_are_cleaned_one_by_one(later_s):
    result = clean(track_of(mixed(18.0, later_s=later_s)))
    assert removed(result) == {}
    path = result.path
    assert path["machine_id"].tolist() == ["A"] * (len(path) // 2) + ["B"] * (len(path) // 2)
    assert (path["record_s"] == 1.0).all()
    assert np.diff(path["clock_s"]).min() > 0
    assert path["gap"].iloc[len(path) // 2]
    assert result.ledger.grain_seen_kg == pytest.approx(6.0 * len(path))
    assert any("2 machines (A, B), mapped one after the other" in n for n in told(result.notes))


def test_a_machine_that_never_moved_is_written_off_beside_one_that_did():
    fixes = mixed(18.0)
    parked = fixes["machine_id"] == "B"
    fixes.loc[parked, ["easting", "northing"]] = [500_018.0, 4_980_000.0]
    result = clean(track_of(fixes))
    assert set(result.path["machine_id"]) == {"A"}
    assert sum(removed(result).values()) == parked.sum()


@pytest.mark.parametrize(
    ("east_m", "north_m", "later_s"),
    [(54.0, 0.0, 0.0), (54.0, 0.0, 0.5), (300.0, 0.0, 0.5), (9.0, -15.0, 0.0), (9.0, -15.0, 0.5)],
)
def test_mixed_machines_without_a_column_are_refused(east_m, north_m, later_s):
    fixes = mixed(east_m, north_m, later_s).drop(columns="machine_id")
    with pytest.raises(TrackError, match=r"two machines in one file.*columns={.machine_id"):
        clean(track_of(fixes))


# --- order, blanks and repetitions ---------------------------------------------------


def test_a_file_that_runs_from_newest_to_oldest_weighs_the_same():
    fixes = straight_passes(2, 9.0).fixes.assign(grain_flow_kg_s=6.0)
    fixes = fixes.drop(index=[20, 40, 41, 160]).reset_index(drop=True)
    forward = clean(track_of(fixes))
    backward = clean(track_of(fixes[::-1].drop(columns="source_row")))
    assert backward.ledger.grain_seen_kg == pytest.approx(forward.ledger.grain_seen_kg)
    for column in ("record_s", "grain_kg", "northing"):
        np.testing.assert_allclose(backward.path[column], forward.path[column])
    assert any("newest to oldest" in note for note in told(backward.notes))


def test_fixes_that_share_a_second_share_its_grain():
    """5 kg/s over 20 s are 100 kg, however many fixes a second has."""
    points = np.column_stack([np.zeros(100), np.arange(100) * 0.4])
    track = at(points)
    seconds = np.repeat(np.arange(20), 5).astype("timedelta64[s]")
    fixes = track.fixes.assign(time=track.fixes["time"].iloc[0] + seconds, grain_flow_kg_s=5.0)
    assert clean(track_of(fixes)).ledger.grain_seen_kg == pytest.approx(100.0, rel=0.01)


def test_a_short_blank_is_filled_and_a_long_one_is_not_zero_flow():
    fixes = straight_passes(1, 9.0).fixes
    flow = np.full(len(fixes), 6.0)
    flow[31:] = 8.0
    flow[30] = np.nan
    flow[50:55] = np.nan
    flow[70:76] = np.nan
    result = clean(track_of(fixes.assign(grain_flow_kg_s=flow)))
    assert removed(result) == {"no reading": 6}
    assert result.path["grain_flow_kg_s"].iloc[30] == pytest.approx(7.0)
    assert result.path["grain_kg"].iloc[50:55].tolist() == [8.0] * 5
    assert "6 empty flow readings were filled from their neighbours." in told(result.notes)
    # 30 records of 6 kg, the blank of 7 kg, the rest of 8 kg but for the long blank
    whole = 30 * 6.0 + 7.0 + (len(fixes) - 31 - 6) * 8.0
    assert result.ledger.grain_seen_kg == pytest.approx(whole)
    assert result.ledger.grain_dropped_kg == 0.0


def test_a_blank_where_the_header_was_up_or_the_machine_turned_is_not_filled():
    fixes = straight_passes(1, 9.0).fixes
    flow = np.full(len(fixes), 6.0)
    flow[40:43] = np.nan
    down = np.ones(len(fixes), bool)
    down[41] = False
    result = clean(track_of(fixes.assign(grain_flow_kg_s=flow, header_down=down)))
    assert removed(result) == {"header up": 1, "no reading": 2}
    corner = np.concatenate(
        [[[0.0, y] for y in range(0, 60, 2)], [[x, 58.0] for x in range(2, 60, 2)]]
    )
    track = at(corner)
    flow = np.full(len(corner), 6.0)
    flow[28:32] = np.nan
    assert removed(clean(track_of(track.fixes.assign(grain_flow_kg_s=flow)))) == {"no reading": 4}


def test_grain_of_repeated_rows_is_neither_seen_nor_dropped():
    fixes = straight_passes(1, 9.0).fixes.assign(grain_flow_kg_s=6.0)
    doubled = pd.concat([fixes, fixes]).sort_index(kind="stable").drop(columns="source_row")
    result = clean(track_of(doubled))
    assert removed(result) == {"duplicate": len(fixes)}
    assert result.ledger.grain_seen_kg == pytest.approx(6.0 * len(fixes))
    assert result.ledger.grain_dropped_kg == 0.0
    # the same place and second with another reading is no repetition of it
    other = doubled.assign(grain_flow_kg_s=np.tile([6.0, 2.0], len(fixes)))
    assert clean(track_of(other)).ledger.grain_dropped_kg == pytest.approx(2.0 * len(fixes))


def test_without_a_time_only_a_whole_row_again_is_a_repetition():
    fixes = straight_passes(1, 9.0).fixes.assign(grain_mass_kg=6.0).drop(columns="time")
    doubled = pd.concat([fixes, fixes]).sort_index(kind="stable").drop(columns="source_row")
    assert clean(track_of(doubled, False)).ledger.grain_dropped_kg == 0.0
    slow = doubled.assign(speed_m_s=np.tile([1.0, 1.1], len(fixes)))
    assert clean(track_of(slow, False)).ledger.grain_dropped_kg == pytest.approx(6 * len(fixes))


def test_grain_of_rows_without_a_position_is_seen_and_dropped():
    track = track_of(straight_passes(1, 9.0).fixes.assign(grain_mass_kg=6.0))
    lost = pd.DataFrame(
        {"source_row": [500], "reason": ["no position"], "detail": [""], "grain_kg": [50.0]}
    )
    result = clean(replace(track, unreadable=lost))
    assert removed(result) == {"unreadable": 1}
    assert result.ledger.grain_dropped_kg == pytest.approx(50.0)
    assert result.ledger.grain_seen_kg == pytest.approx(50.0 + 6.0 * len(track.fixes))


# --- rough positions -----------------------------------------------------------------


def rough(track, sigma_m, seed=7):
    rng = np.random.default_rng(seed)
    noise = rng.normal(0.0, sigma_m, (len(track.fixes), 2))
    fixes = track.fixes
    return track_of(
        fixes.assign(
            easting=fixes["easting"] + noise[:, 0], northing=fixes["northing"] + noise[:, 1]
        )
    )


@pytest.mark.parametrize("sigma_m", [0.1, 0.3, 0.5])
def test_the_roughness_that_was_put_in_is_found(sigma_m):
    """White noise of a known standard deviation, on steps of 2 m."""
    path = clean(straight_passes(10, 9.0, step_m=2.0)).path
    rng = np.random.default_rng(5)
    noisy = path.assign(
        easting=path["easting"] + rng.normal(0, sigma_m, len(path)),
        northing=path["northing"] + rng.normal(0, sigma_m, len(path)),
    )
    assert cross_track_sigma_m(noisy) == pytest.approx(sigma_m, rel=0.15)


def test_rough_positions_are_smoothed_to_the_area_and_evenness_of_the_field():
    """10 passes of 9 m, 202 m long with the first record's travel: 1.818 ha, spread flat."""
    true = straight_passes(10, 9.0)
    noisy = rough(true, 0.5)
    result = map_field(noisy, settings_of())
    assert result.harvested_m2 == pytest.approx(10 * 9.0 * 202.0, rel=0.03)
    assert result.evenness.cv_pct < 20
    assert any(
        n.startswith("Positions jump by about 0.5 m from fix to fix") for n in told(result.notes)
    )
    path = clean(noisy).path
    moved = np.hypot(
        path["easting"].to_numpy() - noisy.fixes["easting"].to_numpy(),
        path["northing"].to_numpy() - noisy.fixes["northing"].to_numpy(),
    )
    assert 0.1 < moved.max() <= 3 * 0.55
    aside = (path["easting"].to_numpy() - true.fixes["easting"].to_numpy()).std()
    assert aside < 0.6 * 0.5


@pytest.mark.parametrize("radius_m", [None, 25.0])
def test_clean_positions_stay_bit_for_bit(radius_m):
    track = rough(straight_passes(3, 9.0), 0.03)
    if radius_m is not None:
        a = np.arange(0, 6, 3.0 / radius_m)
        track = at(radius_m * np.column_stack([np.cos(a), np.sin(a)]))
    path = clean(track).path
    for column in ("easting", "northing"):
        assert (path[column].to_numpy() == track.fixes[column].to_numpy()).all()

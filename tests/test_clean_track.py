"""Every cleaning rule finds its fault, counts it and leaves the rest alone."""

import numpy as np
import pandas as pd
import pytest
from builders import at, straight_passes, track_of

from covermap.errors import TrackError
from covermap.harvest.clean_track import REASONS, clean_track


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
    assert any("clock steps back at row 52" in note for note in result.notes)


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
    assert any("sorted by time" in note for note in result.notes)


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
    assert removed(result) == {"no flow": 3, "absurd flow": 1}
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

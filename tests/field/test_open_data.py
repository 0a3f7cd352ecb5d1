"""The main job on real harvest tracks that nobody here made, against independent figures.

The figures are those of the data folder's own README (numpy and pyproj, outside this
project) and of the data sets' documentation. They are facts about the files, not prose.
"""

import numpy as np
import pandas as pd
import pytest
from builders import settings_of

from covermap.field.harvest_record import read_harvest
from covermap.field.whole_field import map_field
from covermap.harvest.read_track import read_track

CORN = {
    "crop__kind": "corn",
    "crop__grain_yield": None,
    "combine__cut_width": "30 ft",
    "spread__width": "30 ft",
}


@pytest.fixture(scope="module", params=["corn_clock_repaired.csv", "corn_clock_as_recorded.csv"])
def corn(request, open_data):
    """A corn track of the Univ. of Minnesota (CC BY-SA 3.0), passes
    left to be found: the file's own pass numbers are thrown away."""
    from dataclasses import replace

    track = read_track(open_data / request.param)
    track = replace(track, fixes=track.fixes.drop(columns="pass_id"))
    return track, map_field(track, settings_of(**CORN))


def test_dry_grain(corn):
    """229,300.3 kg at 15.5 % is 193,758.8 kg of dry matter."""
    _, result = corn
    dropped = result.ledger.grain_dropped_kg
    dry = 229_300.3 * 0.845
    assert result.ledger.grain_seen_kg == pytest.approx(232_942.8, abs=0.1)
    assert dropped < 0.0006 * 232_942.8
    assert result.mass.grain_kg == pytest.approx(dry, rel=6e-4)


def test_covered_area_and_yield(corn):
    """272,962 m² by distance × recorded width; 269,348 m² covered at least once; 8,400 kg/ha
    at 15.5 % on the recorded width."""
    track, result = corn
    harvest = read_harvest(track, settings_of(**CORN))
    swept = float((harvest.sweeps.header_width_m * harvest.sweeps.length_m).sum())
    # ours is by position, theirs by the log's own distance, which is 0.6 % shorter
    assert swept == pytest.approx(272_962, rel=0.01)
    assert result.harvested_m2 == pytest.approx(269_348, rel=0.003)
    at_market = result.mass.grain_kg / 0.845
    assert 1e4 * at_market / swept == pytest.approx(8_400, rel=0.01)


def test_passes_by_reversal_and_their_spacing(corn):
    """46 passes by reversal of heading, 44 of them at least 500 m; spacing 9.07 m, sd 0.33,
    mean speed 2.01 m/s. Runs that start again beside or ahead in the same direction are
    passes of their own here; counted by reversal they must be the 46."""
    _, result = corn
    passes = result.passes
    heading = passes["heading_deg"].to_numpy()
    # runs of a few fixes on a bend have no heading of their own
    north = np.cos(np.radians(pd.Series(heading).ffill().to_numpy())) > 0
    assert 1 + int((north[1:] != north[:-1]).sum()) == 46
    assert len(passes) <= 46 + 5
    long = passes["length_m"] >= 500
    assert int(long.sum()) == 44
    assert passes.loc[long, "spacing_m"].median() == pytest.approx(9.07, abs=0.03)
    assert passes.loc[long, "spacing_m"].std() == pytest.approx(0.33, abs=0.25)
    speed = np.average(passes["mean_speed_m_s"], weights=passes["length_m"])
    assert speed == pytest.approx(2.01, abs=0.05)


def test_flat_band_of_the_cut_width_gives_the_ground_its_own_back(corn):
    _, result = corn
    ratio = result.spread_ratio[np.isfinite(result.spread_ratio)]
    assert ratio.mean() == pytest.approx(1.0, abs=0.02)
    assert np.median(ratio) == pytest.approx(1.0, abs=0.03)


def test_published_yield_formula_on_the_first_rows(open_data):
    """Univ. of Minnesota, notes that came with the corn track:
    bu/ac = (lb/s · s · (100 − M) / (100 − 15.5) / 56) / (in · in / 6,272,640);
    128.3688, 130.3289, 146.1816, 125.1539 on its rows, there for 360 in of swath and
    distances of 116, 159, 169, 221 in."""
    track = read_track(open_data / "corn_clock_repaired.csv")
    harvest = read_harvest(track, settings_of(**CORN))
    dry_kg = harvest.flow.grain_dry_kg[:4]
    area_m2 = (track.fixes["distance_m"] * track.fixes["header_width_m"]).to_numpy()[:4]
    kg_per_bushel_dry = 47.32 * 0.45359237
    bushels_per_acre = dry_kg / kg_per_bushel_dry / (area_m2 / 4046.8564224)
    np.testing.assert_allclose(
        bushels_per_acre, [128.3688, 130.3289, 146.1816, 125.1539], rtol=5e-4
    )


def test_the_clock_as_recorded_is_mended(open_data):
    result = map_field(read_track(open_data / "corn_clock_as_recorded.csv"), settings_of(**CORN))
    assert result.ledger.counts()["time backwards"] <= 2
    assert np.isfinite(result.evenness.cv_pct)


def test_wheat_with_the_header_width_changing_on_the_way(open_data):
    """Wheat track (Montana State University, MIT): 265,484 m² by distance × width, 106,871.8 kg
    wet grain; widths 10.668 m at an offset of 0.6 m and 11.887 m."""
    track = read_track(open_data / "wheat_two_widths.csv")
    wheat = settings_of(crop__grain_yield=None, combine__cut_width=None, spread__width="35 ft")
    harvest = read_harvest(track, wheat)
    swept = float((harvest.sweeps.header_width_m * harvest.sweeps.length_m).sum())
    assert swept == pytest.approx(265_484, rel=0.01)
    assert {10.668, 11.887} <= set(np.round(harvest.sweeps.header_width_m, 3))
    result = map_field(track, wheat)
    assert result.ledger.grain_seen_kg == pytest.approx(106_871.8, abs=0.1)
    assert result.ledger.grain_dropped_kg < 0.01 * 106_871.8
    kept = harvest.clean.path["grain_kg"].to_numpy()[harvest.sweeps.rows].sum()
    assert kept + result.ledger.grain_dropped_kg == pytest.approx(106_871.8, abs=0.1)
    moisture = track.fixes["moisture_pct"]
    assert result.mass.grain_kg == pytest.approx(kept * (1 - moisture.mean() / 100), rel=0.01)

"""Wind on the map: mirror law, mass, lean by class, standing crop, tables against flights."""

import numpy as np
import pandas as pd
import pytest
from builders import ORIGIN, settings_of, straight_passes, told, track_of
from free_fall import fall_time_s
from hypothesis import given, settings
from hypothesis import strategies as st

from covermap.cli.sample_command import write_sample
from covermap.errors import SettingsError, WindError
from covermap.field.harvest_record import read_harvest
from covermap.field.whole_field import map_field
from covermap.settings.field_file import build_settings
from covermap.spread.profile import profile_shares
from covermap.tables.crops import find_crop
from covermap.wind.flight import fly, launch_speed_for_reach, particle_classes
from covermap.wind.wind_lean import Thrower, drift_tables, leaned_band
from covermap.wind.wind_on_fixes import tables_for

WHEAT = find_crop("wheat")
HOW = Thrower(1.65, 0.0, 90.0, 0.0)


def lean_of_band_m(shares, left_m, right_m):
    """The centre of mass of a band."""
    middles = left_m + (np.arange(len(shares)) + 0.5) * (right_m - left_m) / len(shares)
    return float((shares * middles).sum())


@pytest.fixture(scope="module")
def tables():
    return tables_for(WHEAT, HOW, 0.8, 8.0, 8.0)


def test_still_air_changes_nothing(tables):
    shares = profile_shares("trapezoid", 5, 4)
    landed, left, right = leaned_band(tables[0], shares, -5, 4, 0.0)
    assert (left, right) == (pytest.approx(-5, abs=1e-5), pytest.approx(4, abs=1e-5))
    fine = np.interp(np.linspace(0, 1, 49), np.linspace(0, 1, 41), np.append(0, np.cumsum(shares)))
    np.testing.assert_allclose(np.cumsum(landed), fine[1:], atol=2e-3)


@given(wind=st.floats(-7, 7), left=st.floats(1, 7), right=st.floats(1, 7))
@settings(max_examples=40, deadline=None)
def test_shares_stay_whole_and_wind_from_the_other_side_mirrors(tables, wind, left, right):
    shares = profile_shares("triangle", left, right)
    landed, low, high = leaned_band(tables[0], shares, -left, right, wind)
    assert landed.sum() == pytest.approx(1.0)
    assert landed.min() >= -1e-12
    mirror, low_m, high_m = leaned_band(tables[0], shares[::-1], -right, left, -wind)
    assert (low_m, high_m) == (pytest.approx(-high, abs=1e-6), pytest.approx(-low, abs=1e-6))
    np.testing.assert_allclose(mirror[::-1], landed, atol=1e-9)
    if wind > 0.3:
        still = lean_of_band_m(shares, -left, right)
        assert lean_of_band_m(landed, low, high) > still


def test_table_agrees_with_single_flights():
    """Outside the table: one piece of each class, launched and flown on its own."""
    for particle in particle_classes("straw", "small_grain"):
        table = drift_tables([(particle, 1.0)], HOW, 4.0, 5.0)
        vt = particle.terminal_velocity_m_s
        reach = 0.4 * 4.0 if vt < 3 else 2.0
        speed = float(launch_speed_for_reach(reach, vt, HOW.drop_height_m, 0.0))
        flown = fly([[speed, 0, 0]], [vt], HOW.drop_height_m, (2.5, 0, 0)).across_m[0]
        shares = np.zeros(400)
        shares[int(200 + reach / 4.0 * 200)] = 1.0
        landed, left, right = leaned_band(table, shares, -4, 4, 2.5, bins=4000)
        assert lean_of_band_m(landed, left, right) == pytest.approx(flown, abs=0.08)


def test_light_pieces_go_with_the_wind_for_as_long_as_they_fall():
    """Drift of a very light piece is wind × time of fall (closed form of the fall)."""
    chaff = min(particle_classes("chaff", "small_grain"), key=lambda c: c.terminal_velocity_m_s)
    table = drift_tables([(chaff, 1.0)], HOW, 3.0, 4.0)
    middle = table.drift_m[0][len(table.landing_m) // 2]
    at_four = middle[np.searchsorted(table.wind_m_s, 4.0)]
    fall = float(fall_time_s(chaff.terminal_velocity_m_s, HOW.drop_height_m))
    assert at_four == pytest.approx(4.0 * fall, rel=0.08)


def test_chaff_drifts_further_than_straw(tables):
    _, straw, chaff = tables
    shares = np.ones(1)
    lean = [lean_of_band_m(*leaned_band(t, shares, -4.5, 4.5, 3.0)) for t in (straw, chaff)]
    assert lean[1] > lean[0] + 0.5


def windy(track, speed, from_deg, **more):
    return map_field(track, settings_of(wind__speed=speed, wind__from_deg=from_deg, **more))


def test_mass_is_kept_in_any_wind():
    for from_deg in (0, 77, 200):
        result = windy(straight_passes(3, 9.0, length_m=80), 6.0, from_deg)
        m = result.mass
        assert m.landed_on_field_kg + m.landed_outside_kg == pytest.approx(
            m.through_machine_kg, rel=1e-9
        )


def test_back_and_forth_flips_the_side_and_the_map_shows_it():
    """A steady west wind blows from the left going north and from the right going south."""
    result = windy(straight_passes(6, 9.0), 5.0, 270.0)
    across = result.passes["crosswind_m_s"].to_numpy()
    assert (across[::2] > 2).all()
    assert (across[1::2] < -2).all()
    east = result.grid.west + (np.arange(result.grid.cols) + 0.5) * result.grid.cell_m
    middle = result.residue_t_ha[result.grid.rows // 2]
    # over the ground everything moved east, whichever way it was driven
    centre = np.nansum(middle * east) / np.nansum(middle) - ORIGIN[0]
    assert centre > 22.5 + 1.0


def test_mirror_law_on_the_raster():
    """Wind from the left and heading reversed gives the mirrored map."""
    track = straight_passes(5, 9.0, length_m=100)
    fixes = track.fixes.assign(easting=2 * ORIGIN[0] - track.fixes["easting"])
    settings_one = {"spread__profile": "trapezoid", "spread__reach_left": 5.0,
                    "spread__reach_right": 3.5, "spread__width": None}  # fmt: skip
    settings_two = settings_one | {"spread__reach_left": 3.5, "spread__reach_right": 5.0}
    one = windy(track, 4.0, 250.0, **settings_one)
    two = windy(track_of(fixes), 4.0, 110.0, **settings_two)
    assert two.grid.west + two.grid.cols * two.grid.cell_m == pytest.approx(
        2 * ORIGIN[0] - one.grid.west
    )
    np.testing.assert_allclose(
        two.residue_t_ha[:, ::-1], one.residue_t_ha, atol=2e-3 * np.nanmax(one.residue_t_ha)
    )


def test_residue_on_crop_still_standing_is_counted_per_pass():
    """Working eastwards, a west wind throws onto the uncut side, an east wind does not."""
    toward = windy(straight_passes(5, 9.0), 5.0, 270.0)
    away = windy(straight_passes(5, 9.0), 5.0, 90.0)
    assert away.mass.on_standing_crop_kg == pytest.approx(0.0, abs=1e-6)
    share = toward.mass.on_standing_crop_kg / toward.mass.through_machine_kg
    assert 0.1 < share < 0.6
    by_pass = toward.passes["on_standing_crop_kg"]
    assert by_pass.sum() == pytest.approx(toward.mass.on_standing_crop_kg)
    assert by_pass.iloc[-1] == 0.0, "nothing is left standing beside the last pass"
    wide = map_field(straight_passes(5, 9.0), settings_of(spread__width=12.0))
    assert wide.mass.on_standing_crop_kg == pytest.approx(
        wide.mass.through_machine_kg * 4 / 5 * 1.5 / 12, rel=0.03
    )


def test_a_windrow_is_not_blown_but_its_chaff_is():
    calm, wind = (
        windy(
            straight_passes(1, 9.0), speed, 270.0,
            spread__discharge="windrow", spread__width=1.5, spread__chaff_width=4.0,
        )
        for speed in (0.0, 6.0)
    )  # fmt: skip
    row = calm.grid.rows // 2
    peak = [np.nanargmax(r.residue_t_ha[row]) * 0.5 + r.grid.west for r in (calm, wind)]
    assert peak[0] == pytest.approx(peak[1], abs=0.51)
    # the chaff lies elsewhere, so the lane under the windrow lost some
    assert np.nanmax(wind.residue_t_ha[row]) < np.nanmax(calm.residue_t_ha[row])


def test_head_wind_and_tail_wind_move_the_band_along_the_travel():
    calm, tail = (windy(straight_passes(1, 9.0), speed, 180.0) for speed in (0.0, 5.0))
    north = [
        float(np.nansum(np.nansum(r.residue_t_ha, axis=1) * (r.grid.north - 0.5 * np.arange(
            r.grid.rows))) / np.nansum(r.residue_t_ha))
        for r in (calm, tail)
    ]  # fmt: skip
    assert 0.5 < north[1] - north[0] < 6.0


def test_a_turning_wind_leans_the_passes_one_after_the_other(tmp_path):
    from covermap.field.open_field import open_field

    opened = open_field(write_sample(tmp_path, "oats"))
    result = map_field(opened.track, opened.settings, opened.boundary, wind=opened.wind)
    from_deg = result.passes["wind_from_deg"].to_numpy()
    turn = (from_deg - 215 + 180) % 360 - 180
    assert (np.diff(turn) > -0.5).all(), "it turns one way all day, through north"
    assert turn[-1] > 90
    assert any("1 impossible speed, 1 no direction" in note for note in told(result.notes))
    truth = pd.read_json(tmp_path / "oats_truth.json", typ="series")
    assert len(result.passes) == truth["passes"]
    assert result.harvested_m2 == pytest.approx(truth["area_m2"], rel=0.005)


def test_wind_over_time_needs_a_clock(tmp_path):
    from covermap.wind.wind_file import read_wind

    path = tmp_path / "w.csv"
    path.write_text(
        "time,speed_m_s,direction\n2026-08-01T11:00:00Z,3,270\n2026-08-01T13:00:00Z,4,280\n",
        "utf-8",
    )
    wind = read_wind(path, height_m=10)
    fixes = straight_passes(2, 9.0).fixes.drop(columns="time")
    with pytest.raises(WindError):
        map_field(track_of(fixes, has_time=False), settings_of(), wind=wind)
    constant = map_field(
        track_of(fixes, has_time=False), settings_of(wind__speed=3, wind__from_deg=270)
    )
    assert constant.passes["crosswind_m_s"].abs().max() > 1


def test_reach_follows_from_rotor_and_rpm():
    """Common practice, no source: about 750 rpm in most crops."""
    result = map_field(
        straight_passes(3, 9.0),
        settings_of(spread__width=None, combine__rotor_diameter=0.65, combine__rotor_rpm=750),
    )
    assert 2.5 < result.passes["reach_left_m"].iloc[0] < 6.5
    assert any("rotor diameter and rpm" in note for note in told(result.notes))


@pytest.mark.parametrize(
    ("wind", "says"),
    [
        ({"speed": 3}, "from_deg"),
        ({"from_deg": 3}, "without speed"),
        ({"speed": 3, "from_deg": 10, "file": "w.csv"}, "not both"),
        ({"speed": -3, "from_deg": 10}, "at least 0"),
        ({"speed": 3, "from_deg": 400}, "at most 360"),
        ({"speed": 3, "from_deg": 40, "height": 0}, "more than 0"),
    ],
)
def test_bad_wind_settings(wind, says):
    with pytest.raises(SettingsError, match="wind") as caught:
        build_settings({"crop": {"kind": "wheat"}, "wind": wind}, source="f.toml")
    assert says in str(caught.value)


def test_tables_serve_every_fix(tables):
    """Cost does not grow with the model's detail: few bands for many fixes."""
    harvest = read_harvest(straight_passes(4, 9.0), settings_of(wind__speed=5, wind__from_deg=300))
    assert len(harvest.bands.mass_kg) == 404
    assert len(harvest.bands.shares) <= 8

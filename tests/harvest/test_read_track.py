"""Harvest tracks as people have them: dialects, units, times, geometries and bad files.

The positions below lie in an invented field; expected values are written out by hand or
follow from ISO 8601, RFC 7946, the EPSG register (through pyproj) and NIST SP 811.
"""

import json
import re
import tracemalloc

import geopandas
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from builders import told
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from covermap.cli.options import in_options
from covermap.errors import CovermapError, SettingsError, TrackError
from covermap.harvest.read_track import read_track

LON, LAT = -93.97, 43.92  # UTM zone 15 north


def write(folder, text, name="track.csv", encoding="utf-8"):
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
    return path


def table(headers, rows, delimiter=","):
    return "\n".join(delimiter.join(map(str, row)) for row in [headers, *rows]) + "\n"


def points(count, **columns):
    """A CSV of fixes 2 m apart or so, with further columns."""
    rows = [
        [f"{LON:.6f}", f"{LAT + 2e-5 * i:.6f}", *(values[i] for values in columns.values())]
        for i in range(count)
    ]
    return table(["longitude", "latitude", *columns], rows)


def noted(track, *words):
    return any(all(word in note for word in words) for note in told(track.notes))


# --- real tracks ---------------------------------------------------------------------


def test_real_corn_track(open_data):
    """Corn track (Univ. of Minnesota, CC BY-SA 3.0); totals from its README."""
    path = open_data / "corn_clock_repaired.csv"
    track = read_track(path)
    assert len(track.fixes) == 4949
    assert track.ignored == ()
    assert len(track.unreadable) == 0
    assert track.has_time
    wet = (track.fixes["grain_flow_kg_s"] * track.fixes["interval_s"]).sum()
    assert wet == pytest.approx(232_942.8, rel=1e-3)
    assert track.crs.to_epsg() == 32615
    raw = pd.read_csv(path)
    east, north = pyproj.Proj(proj="utm", zone=15, ellps="WGS84")(raw.longitude, raw.latitude)
    np.testing.assert_allclose(track.fixes["easting"], east, atol=1e-3)
    np.testing.assert_allclose(track.fixes["northing"], north, atol=1e-3)
    assert str(track.fixes["time"].dtype) == "datetime64[ns, UTC]"
    assert track.fixes["source_row"].iloc[[0, -1]].tolist() == [2, 4950]


def test_real_wheat_track(open_data):
    """Wheat track (Montana State University, MIT); totals from the data README."""
    track = read_track(open_data / "wheat_two_widths.csv")
    assert len(track.fixes) == 11_171
    assert track.fixes["grain_mass_kg"].sum() == pytest.approx(106_871.8, rel=1e-3)
    assert noted(track, "no zone", "UTC")
    assert track.ignored == ()


# --- dialects ------------------------------------------------------------------------

DIALECTS = [
    (",", "."),
    (";", "."),
    ("\t", "."),
    (";", ","),
    ("\t", ","),
]


@settings(
    max_examples=30,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    dialect=st.sampled_from(DIALECTS),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "latin-1", "utf-16"]),
    quoted=st.booleans(),
    newline=st.sampled_from(["\n", "\r\n"]),
    flows=st.lists(st.floats(0, 60).map(lambda x: round(x, 4)), min_size=2, max_size=9),
)
def test_values_come_back_from_every_dialect(tmp_path, dialect, encoding, quoted, newline, flows):
    delimiter, decimal = dialect
    quote = '"' if quoted else ""

    def cell(value):
        text = f"{value:.6f}".replace(".", decimal) if isinstance(value, float) else value
        return f"{quote}{text}{quote}"

    lines = [["Länge", "longitude", "latitude", "grain_flow_kg_s", "pass_id"]]
    lines += [["é", LON, LAT + 1e-4 * i, float(flow), "A1"] for i, flow in enumerate(flows)]
    text = newline.join(delimiter.join(cell(c) for c in line) for line in lines) + newline
    track = read_track(write(tmp_path, text, "t.csv", encoding))
    np.testing.assert_allclose(track.fixes["grain_flow_kg_s"], flows, rtol=1e-12)
    assert track.fixes["pass_id"].tolist() == ["A1"] * len(flows)
    assert track.ignored == ("Länge",)
    assert len(track.unreadable) == 0


def test_lines_before_the_header_and_blank_lines_keep_line_numbers(tmp_path):
    text = "# invented field\nexported 2018\n\n" + points(3).replace("\n", "\n\n", 2)
    track = read_track(write(tmp_path, text))
    assert track.fixes["source_row"].tolist() == [6, 8, 9]


def test_rows_with_a_wrong_number_of_fields_are_set_aside(tmp_path):
    lines = points(6, flow=list("123456")).splitlines()
    lines[2] += ",9,9"
    lines[4] = "-93.97,43.92"
    lines[5] += '"'
    track = read_track(write(tmp_path, "\n".join(lines)))
    assert track.fixes["source_row"].tolist() == [2, 4, 7]
    assert track.unreadable["source_row"].tolist() == [3, 5, 6]
    assert track.unreadable["reason"].tolist() == [
        "wrong number of fields",
        "wrong number of fields",
        "quote not closed",
    ]


def test_a_delimiter_at_the_end_of_rows_is_no_field(tmp_path):
    lines = points(3, flow=["1", "2", "3"]).splitlines()
    text = "\n".join([lines[0], *(line + "," for line in lines[1:])])
    assert read_track(write(tmp_path, text)).fixes["grain_flow_kg_s"].tolist() == [1, 2, 3]


def test_quoted_delimiters_are_text(tmp_path):
    text = points(2, pass_id=['"north, long"', '"say ""A"""'])
    track = read_track(write(tmp_path, text))
    assert track.fixes["pass_id"].iloc[0] == "north, long"
    assert len(track.unreadable) == 0


# --- units and cells -----------------------------------------------------------------


def test_units_of_the_headers_are_applied(tmp_path):
    text = table(
        ["Lon", "Lat", "Speed (mph)", "Width_ft", "Flow(lb/s)", "distance [in]", "yield_bu_ac"],
        [[LON, LAT, 5, 35, 20, 100, 80], [LON, LAT + 1e-5, 5, 35, 20, 100, 80]],
    )
    track = read_track(write(tmp_path, text), kg_per_bushel=60 * 0.45359237)
    first = track.fixes.iloc[0]
    assert first["speed_m_s"] == pytest.approx(2.2352)
    assert first["header_width_m"] == pytest.approx(10.668)
    assert first["grain_flow_kg_s"] == pytest.approx(9.0718474)
    assert first["distance_m"] == pytest.approx(2.54)
    # 80 bu/ac of wheat: 5.38 t/ha
    assert first["grain_yield_t_ha"] == pytest.approx(5.38, abs=0.005)
    assert noted(track, "mph", "Converted")


def test_a_missing_unit_is_taken_as_si_and_said(tmp_path):
    path = write(tmp_path, points(2, Flow=[3, 4], speed_mps=[1, 2]))
    assert noted(read_track(path), "No unit", "'Flow' as kg/s")
    assert not noted(read_track(path), "speed_mps")
    said = read_track(path, units={"flow": "lb/s"})
    assert said.fixes["grain_flow_kg_s"].iloc[0] == pytest.approx(3 * 0.45359237)
    assert not noted(said, "No unit")
    assert not noted(read_track(path, units={"flow": "kg/s"}), "No unit")


def test_a_row_of_units_below_the_header_is_read(tmp_path):
    text = table(
        ["lon", "lat", "speed", "flow"], [["deg", "deg", "mph", "(lb/s)"], [LON, LAT, 5, 20]]
    )
    track = read_track(write(tmp_path, text))
    assert track.fixes["source_row"].tolist() == [3]
    assert track.fixes["speed_m_s"].iloc[0] == pytest.approx(2.2352)
    assert track.fixes["grain_flow_kg_s"].iloc[0] == pytest.approx(9.0718474)
    assert len(track.unreadable) == 0
    said = read_track(write(tmp_path, text), units={"speed": "km/h"})
    assert said.fixes["speed_m_s"].iloc[0] == pytest.approx(5 / 3.6)


def test_a_header_that_stands_twice_is_said(tmp_path):
    path = write(tmp_path, table(["lon", "lat", "speed", "speed"], [[LON, LAT, 1, 2]]))
    track = read_track(path)
    assert track.fixes["speed_m_s"].tolist() == [1.0]
    assert noted(track, "'speed'", "more than once")


def test_cells_that_are_no_numbers_are_counted_with_their_first_line(tmp_path):
    text = points(6, flow_kg_s=["1", "x", "", "NA", "inf", "y"])
    track = read_track(write(tmp_path, text))
    assert track.fixes["grain_flow_kg_s"].notna().tolist() == [True] + [False] * 5
    assert noted(track, "no number in 2 of 6", "'x'", "line 3")


def test_flags_texts_and_spread_settings(tmp_path):
    text = points(
        3,
        header=["down", "UP", ""],
        discharge=["Spread", "windrow", ""],
        pass_id=["007", "8", ""],
        reach_left_ft=[10, 20, ""],
        baled_share=[0, 0.5, 1],
    )
    fixes = read_track(write(tmp_path, text)).fixes
    assert fixes["header_down"].dtype == bool
    assert fixes["header_down"].tolist() == [True, False, True]
    assert fixes["discharge"].tolist()[:2] == ["spread", "windrow"]
    assert fixes["pass_id"].tolist()[:2] == ["007", "8"]
    assert fixes[["discharge", "pass_id"]].iloc[2].isna().all()
    assert fixes["reach_left_m"].iloc[0] == pytest.approx(3.048)


# --- positions -----------------------------------------------------------------------


def test_spikes_do_not_move_the_zone(tmp_path):
    lines = points(30).splitlines()
    lines[3] = "-10.0,43.9"
    lines[4] = "0,0"
    lines[5] = "nan,43.9"
    lines[6] = "500,43.9"
    track = read_track(write(tmp_path, "\n".join(lines)))
    assert track.crs.to_epsg() == 32615
    assert len(track.fixes) == 27
    assert dict(zip(track.unreadable["source_row"], track.unreadable["reason"], strict=True)) == {
        5: "no position",
        6: "no position",
        7: "position out of range",
    }


@pytest.mark.parametrize(("lon", "lat", "epsg"), [(150.1, -33.0, 32756), (-179.9, 60.0, 32601)])
def test_zone_by_hemisphere_and_side(tmp_path, lon, lat, epsg):
    text = table(["lon", "lat"], [[lon, lat], [lon, lat + 1e-4]])
    assert read_track(write(tmp_path, text)).crs.to_epsg() == epsg


@pytest.mark.parametrize(
    ("code", "kept"),
    [(32615, True), (25832, True), (3857, False), (26993, True), (2264, False), (3395, False)],
)
def test_projected_positions_end_in_metres_that_are_metres(tmp_path, code, kept):
    lon, lat = {25832: (9.5, 50.0), 2264: (-79.0, 35.5), 26993: (-94.5, 45.0)}.get(code, (LON, LAT))
    forward = pyproj.Transformer.from_crs(4326, code, always_xy=True)
    x, y = forward.transform([lon, lon + 0.001], [lat, lat + 0.001])
    text = table(["Easting", "Northing"], zip(x, y, strict=True))
    track = read_track(write(tmp_path, text), crs=f"EPSG:{code}")
    assert (track.crs == pyproj.CRS.from_epsg(code)) is kept
    step = np.hypot(track.fixes["easting"].diff()[1], track.fixes["northing"].diff()[1])
    geodesic = pyproj.Geod(ellps="WGS84").inv(lon, lat, lon + 0.001, lat + 0.001)[2]
    assert step == pytest.approx(geodesic, rel=2e-3)


def test_degrees_with_a_projected_crs_go_into_that_crs(tmp_path):
    track = read_track(write(tmp_path, points(3)), crs="EPSG:32614")
    assert track.crs.to_epsg() == 32614
    assert noted(track, "WGS 84", "zone 14")


# --- time ----------------------------------------------------------------------------

NOON = pd.Timestamp("2018-07-18T12:00:00Z")


@pytest.mark.parametrize(
    ("texts", "note"),
    [
        (["2018-07-18T12:00:00Z", "2018-07-18T12:00:01.5Z"], None),
        (["2018-07-18T14:00:00+02:00", "2018-07-18T13:00:01.5+01:00"], None),
        (["2018-07-18 12:00:00", "2018-07-18 12:00:01.5"], "no zone"),
        (["2018/07/18 12:00:00", "2018/07/18 12:00:01.5"], "no zone"),
        (["20180718T120000Z", "20180718T120001.5Z"], None),
        (["2018-07-18 12:00:00 UTC", "2018-07-18 12:00:01.5 UTC"], None),
        (["1531915200", "1531915201.5"], "seconds since"),
        (["1531915200000", "1531915201500"], "milliseconds since"),
        (["43299.5", "43299.50001736111"], "spreadsheet"),
        (["20180718120000", "20180718120001"], "no zone"),
        (["18/07/2018 12:00:00", "18/07/2018 12:00:01.5"], "no zone"),
        (["07/18/2018 12:00:00 PM", "07/18/2018 12:00:01.5 PM"], "no zone"),
        (["18.07.2018 12:00:00", "18.07.2018 12:00:01.5"], "no zone"),
        (["18-07-18 12:00:00", "18-07-18 12:00:01.5"], "no zone"),
    ],
)
def test_time_forms(tmp_path, texts, note):
    track = read_track(write(tmp_path, points(2, time=texts)))
    assert track.has_time
    times = track.fixes["time"]
    assert str(times.dtype) == "datetime64[ns, UTC]"
    assert times.iloc[0] == NOON
    step = 1.0 if texts[1] == "20180718120001" else 1.5
    assert (times.iloc[1] - times.iloc[0]).total_seconds() == pytest.approx(step, abs=0.002)
    assert noted(track, note) if note else not noted(track, "zone and were")


@pytest.mark.parametrize(
    ("dates", "clocks"),
    [
        ("2018-07-18", "12:00:00"),
        ("18/07/2018", "12:00"),
        ("20180718", "120000"),
        ("7/18/2018", "12:00:00 PM"),
        ("43299", "0.5"),
        ("18.07.2018", "12:00:00.0"),
    ],
)
def test_date_and_time_apart(tmp_path, dates, clocks):
    path = write(tmp_path, points(3, Date=[dates] * 3, Time=[clocks] * 3))
    assert (read_track(path).fixes["time"] == NOON).all()


def test_morning_time_without_colons_keeps_its_hour(tmp_path):
    path = write(tmp_path, points(2, date=["20180718"] * 2, time=["93000", "093001"]))
    assert read_track(path).fixes["time"].dt.hour.tolist() == [9, 9]


def test_undecidable_dates_are_month_first_and_said(tmp_path):
    track = read_track(write(tmp_path, points(2, time=["07/08/2018 10:00", "07/08/2018 10:01"])))
    assert track.fixes["time"].iloc[0] == pd.Timestamp("2018-07-08T10:00Z")
    assert noted(track, "two ways", "month first")


def test_elapsed_seconds_and_bare_clock_times_have_no_date(tmp_path):
    elapsed = read_track(write(tmp_path, points(2, time_s=[30000, 30002])))
    assert elapsed.fixes["time"].diff()[1] == pd.Timedelta("2s")
    assert noted(elapsed, "date is not known")
    clock = read_track(write(tmp_path, points(2, time=["10:00:00", "10:00:02"])))
    assert clock.fixes["time"].diff()[1] == pd.Timedelta("2s")
    assert noted(clock, "without a date")


def test_a_whole_instant_under_the_name_date(tmp_path):
    track = read_track(write(tmp_path, points(2, Date=["2018-07-18T12:00:00Z"] * 2)))
    assert (track.fixes["time"] == NOON).all()


def test_years_that_stand_for_unknown_are_gaps(tmp_path):
    times = ["0001-01-01T00:00:00Z", "2018-07-18T12:00:00Z", "9999-12-31T00:00:00Z"]
    times += ["2018-07-18T12:00:01Z"]
    track = read_track(write(tmp_path, points(4, time=times)))
    assert track.fixes["time"].isna().tolist() == [True, False, True, False]


def test_single_bad_times_become_gaps(tmp_path):
    times = ["2018-07-18T12:00:00Z", "later", "", "2018-07-18T12:00:03Z"]
    track = read_track(write(tmp_path, points(4, time=times)))
    assert track.fixes["time"].isna().tolist() == [False, True, True, False]
    assert noted(track, "no readable time in 1 of 4", "'later'", "line 3")


@pytest.mark.parametrize("columns", [{}, {"date": ["2018-07-18"] * 2}, {"time": ["", ""]}])
def test_without_a_time_of_day(tmp_path, columns):
    track = read_track(write(tmp_path, points(2, **columns)))
    assert not track.has_time
    assert "time" not in track.fixes
    assert noted(track, "no time")


def test_nothing_is_sorted_or_dropped(tmp_path):
    times = ["2018-07-18T12:00:02Z", "2018-07-18T12:00:00Z", "2018-07-18T12:00:00Z"]
    track = read_track(write(tmp_path, points(3, time=times)))
    assert track.fixes["time"].dt.second.tolist() == [2, 0, 0]


# --- geometries ----------------------------------------------------------------------


def feature(kind, coordinates, **properties):
    geometry = None if kind is None else {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def geojson(folder, *features, name="track.geojson", **more):
    tree = {"type": "FeatureCollection", "features": list(features), **more}
    return write(folder, json.dumps(tree), name)


LINE = [[LON, LAT], [LON, LAT + 1e-4], [LON, LAT + 2e-4]]


def test_geojson_points_and_null_geometry(tmp_path):
    path = geojson(
        tmp_path,
        feature("Point", LINE[0], time="2018-07-18T12:00:00Z", flow_kg_s=3, pass_id=1),
        feature(None, None, time="2018-07-18T12:00:01Z", flow_kg_s=3),
        feature("Point", [], flow_kg_s=3),
        feature("Point", ["a", "b"], flow_kg_s=3),
        feature("Polygon", [[*LINE, LINE[0]]], flow_kg_s=3),
        feature("Point", LINE[2], time="2018-07-18T12:00:02Z", flow_kg_s=5, pass_id=2),
    )
    track = read_track(path)
    assert track.fixes["source_row"].tolist() == [1, 6]
    assert track.fixes["grain_flow_kg_s"].tolist() == [3.0, 5.0]
    assert track.fixes["pass_id"].tolist() == ["1", "2"]
    assert track.unreadable["source_row"].tolist() == [2, 3, 4, 5]
    assert set(track.unreadable["reason"]) == {"no position", "not a point or line"}


@pytest.mark.parametrize("key", ["time", "times", "coordTimes"])
def test_geojson_lines_with_a_value_per_vertex(tmp_path, key):
    times = [f"2018-07-18T12:00:0{i}Z" for i in range(3)]
    path = geojson(
        tmp_path,
        feature("LineString", LINE, width_m=9, **{key: times, "speed_m_s": [1, 2, 3]}),
        feature("LineString", LINE[::-1], width_m=8, **{key: times, "speed_m_s": [1, 2]}),
    )
    track = read_track(path)
    assert track.fixes["source_row"].tolist() == [1] * 3 + [2] * 3
    assert track.fixes["pass_id"].tolist() == ["1"] * 3 + ["2"] * 3
    assert track.fixes["header_width_m"].tolist() == [9.0] * 3 + [8.0] * 3
    assert track.fixes["time"].dt.second.tolist() == [0, 1, 2] * 2
    assert track.fixes["speed_m_s"].tolist()[:3] == [1.0, 2.0, 3.0]
    assert track.fixes["speed_m_s"].isna().tolist() == [False] * 3 + [True] * 3
    assert noted(track, "speed_m_s", "feature 2", "not as long")


def test_each_part_of_a_multiline_is_a_pass(tmp_path):
    path = geojson(
        tmp_path,
        feature("MultiLineString", [LINE, LINE[:2]], pass_id="north", speed_m_s=2),
        feature("LineString", LINE, pass_id="south", speed_m_s=2),
    )
    fixes = read_track(path).fixes
    assert fixes["pass_id"].tolist() == ["north.1"] * 3 + ["north.2"] * 2 + ["south"] * 3


def test_geojson_under_a_text_name_and_with_a_crs_of_the_old_draft(tmp_path):
    east, north = 421460.0, 4864259.0
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32615"}}
    path = geojson(
        tmp_path, *(feature("Point", [east, north + i]) for i in range(3)), name="t.csv", crs=crs
    )
    track = read_track(path)
    assert track.crs.to_epsg() == 32615
    assert track.fixes["northing"].tolist() == [north, north + 1, north + 2]


@pytest.mark.parametrize("ending", ["gpkg", "shp", "fgb"])
def test_other_vector_files_keep_their_crs(tmp_path, ending):
    frame = geopandas.GeoDataFrame(
        {
            "header_width_m": [9.0, 9.0],
            "moisture_pct": [13.5, np.nan],
            "note": ["a", "b"],
            "geometry": [shapely.Point(500000 + i, 4864000) for i in range(2)],
        },
        crs="EPSG:32615",
    )
    path = tmp_path / f"track.{ending}"
    frame = frame.rename(columns={c: c[:10] for c in frame}) if ending == "shp" else frame
    # A FlatGeobuf with a spatial index would store the features in another order.
    frame.to_file(path, **({"SPATIAL_INDEX": "NO"} if ending == "fgb" else {}))
    track = read_track(path)
    assert track.crs.to_epsg() == 32615
    assert track.fixes["easting"].tolist() == [500000.0, 500001.0]
    assert track.fixes["header_width_m"].tolist() == [9.0, 9.0]
    assert track.fixes["moisture_pct"].isna().tolist() == [False, True]
    assert track.ignored == ("note",)
    assert read_track(path, crs="EPSG:32614").crs.to_epsg() == 32614


def test_geopackage_with_times_and_lines(tmp_path):
    frame = geopandas.GeoDataFrame(
        {
            "time": pd.to_datetime(["2018-07-18T12:00:00Z", "2018-07-18T12:10:00Z"]),
            "geometry": [shapely.LineString(LINE), shapely.LineString(LINE[:2])],
        },
        crs="EPSG:4326",
    )
    path = tmp_path / "track.gpkg"
    frame.to_file(path)
    track = read_track(path)
    assert track.fixes["pass_id"].tolist() == ["1"] * 3 + ["2"] * 2
    assert track.fixes["time"].iloc[0] == NOON
    assert track.crs.to_epsg() == 32615


def test_a_shapefile_without_crs_is_asked_about_unless_in_degrees(tmp_path):
    for name, x, y in (("deg", LON, LAT), ("metre", 421460.0, 4864259.0)):
        points_ = [shapely.Point(x, y + 1e-5 * i) for i in range(2)]
        with pytest.warns(UserWarning, match="crs"):
            geopandas.GeoDataFrame({"a": [1, 2]}, geometry=points_).to_file(
                tmp_path / f"{name}.shp"
            )
    assert noted(read_track(tmp_path / "deg.shp"), "WGS 84")
    with pytest.raises(TrackError, match='crs="EPSG:32615"'):
        read_track(tmp_path / "metre.shp")


# --- header sections -----------------------------------------------------------------


def sectioned(instants, sections, *, label=True, sideways=True, along=False):
    rows = []
    for i in range(instants):
        for s in range(sections):
            lon = LON + 4e-5 * s * sideways
            lat = LAT + 2e-5 * i + 4e-6 * s * along
            rows.append(
                [f"2018-07-18T12:00:{i:02d}Z", lon, lat, 2 + s, 1 + s, 0.5 * s, 5 + s, s % 2]
                + [s] * label
            )
    headers = ["time", "lon", "lat", "width_m", "flow_kg_s", "offset_m", "yield_t_ha", "header"]
    return table(headers + ["section"] * label, rows)


@pytest.mark.parametrize(("label", "sideways"), [(True, True), (False, True), (False, False)])
def test_sections_of_one_instant_become_one_fix(tmp_path, label, sideways):
    track = read_track(write(tmp_path, sectioned(6, 3, label=label, sideways=sideways)))
    assert len(track.fixes) == 6
    assert track.fixes["source_row"].tolist() == [2, 5, 8, 11, 14, 17]
    first = track.fixes.iloc[0]
    assert first["header_width_m"] == 9.0
    assert first["grain_flow_kg_s"] == 6.0
    assert first["header_offset_m"] == pytest.approx((0.5 * 3 + 1.0 * 4) / 9)
    assert first["grain_yield_t_ha"] == pytest.approx((5 * 2 + 6 * 3 + 7 * 4) / 9)
    assert bool(first["header_down"])
    assert noted(track, "18 rows", "6 fixes")


def test_sections_without_time_share_their_position(tmp_path):
    text = sectioned(4, 2, sideways=False)
    text = "\n".join(line.split(",", 1)[1] for line in text.splitlines())
    track = read_track(write(tmp_path, text))
    assert len(track.fixes) == 4
    assert track.fixes["header_width_m"].tolist() == [5.0] * 4


def test_repeated_records_are_no_sections(tmp_path):
    lines = points(6, time=[f"2018-07-18T12:00:0{i}Z" for i in range(6)]).splitlines()
    doubled = [lines[0], *(line for line in lines[1:] for _ in range(2))]
    assert len(read_track(write(tmp_path, "\n".join(doubled))).fixes) == 12
    sections = sectioned(5, 2).splitlines()
    again = [*sections[:5], *sections[3:5], *sections[5:]]
    assert len(read_track(write(tmp_path, "\n".join(again))).fixes) == 6


def test_several_fixes_in_one_clock_second_are_no_sections(tmp_path):
    text = sectioned(8, 4, label=False, sideways=False, along=True)
    track = read_track(write(tmp_path, text))
    assert len(track.fixes) == 32
    assert noted(track, "share each clock time")


def test_a_single_repeated_time_is_no_section(tmp_path):
    times = [f"2018-07-18T12:00:0{i}Z" for i in (0, 1, 1, 2, 3, 4, 5)]
    assert len(read_track(write(tmp_path, points(7, time=times))).fixes) == 7


def two_machines(apart_deg, *, ident=False, flip=False):
    """Two machines logging in the same seconds, there and back."""
    rows = []
    for i in range(40):
        lat = LAT + 2e-5 * (i if i < 20 else 39 - i)
        lon = LON + 1.2e-4 * (i >= 20)
        side = -1 if flip and i >= 20 else 1
        for k, name in enumerate("AB"):
            rows.append(
                [f"2018-07-18T12:00:{i:02d}Z", lon + side * k * apart_deg, lat, 6] + [name] * ident
            )
    return table(["time", "lon", "lat", "flow_kg_s"] + ["Vehicle ID"] * ident, rows)


@pytest.mark.parametrize("apart_deg", [2.6e-4, 3.7e-4])
def test_rows_further_apart_than_a_header_are_no_sections(tmp_path, apart_deg):
    """2.6e-4 degrees of longitude at 43.92° north are 21 m (111.32 km × cos latitude)."""
    track = read_track(write(tmp_path, two_machines(apart_deg)))
    assert len(track.fixes) == 80


def test_rows_that_change_sides_with_the_heading_are_two_machines(tmp_path):
    """10 m apart and always west and east: no header turns round without its sides."""
    near = 1.25e-4
    assert len(read_track(write(tmp_path, two_machines(near))).fixes) == 80
    # the same rows, but turning with the machine, are sections
    assert len(read_track(write(tmp_path, two_machines(near, flip=True))).fixes) == 40


def test_a_machine_column_keeps_rows_of_one_second_apart(tmp_path):
    track = read_track(write(tmp_path, two_machines(1.25e-4, ident=True, flip=True)))
    assert len(track.fixes) == 80
    assert set(track.fixes["machine_id"]) == {"A", "B"}


def test_sections_are_merged_machine_by_machine(tmp_path):
    lines = sectioned(6, 3).splitlines()
    other = [line.replace("-93.9", "-93.8") for line in lines[1:]]
    mixed = [x for pair in zip(lines[1:], other, strict=True) for x in pair]
    text = "\n".join([lines[0] + ",machine", *(f"{x},{'AB'[i % 2]}" for i, x in enumerate(mixed))])
    track = read_track(write(tmp_path, text))
    assert track.fixes["machine_id"].tolist() == ["A", "B"] * 6
    assert track.fixes["header_width_m"].tolist() == [9.0] * 12
    assert noted(track, "Machine B", "18 rows", "6 fixes")


# --- columns that cannot mean what they say ------------------------------------------


@pytest.mark.parametrize(
    ("number", "unit"), [(35, "ft"), (29.5, "ft"), (900, "cm"), (9000, "mm"), (360, "in")]
)
def test_a_header_no_machine_has_is_refused_with_the_likely_unit(tmp_path, number, unit):
    """35 ft = 10.668 m, 360 in = 9.144 m (NIST SP 811)."""
    path = write(tmp_path, points(4, width=[number] * 4))
    with pytest.raises(TrackError, match=f'\'width\'.*none is wider.*units={{"width": "{unit}"}}'):
        read_track(path)
    told = read_track(path, units={"width": unit}).fixes["header_width_m"]
    assert told.iloc[0] == pytest.approx({35: 10.668, 29.5: 8.9916, 360: 9.144}.get(number, 9.0))


def test_moisture_as_a_fraction_becomes_percent_and_is_said(tmp_path):
    track = read_track(write(tmp_path, points(4, moisture=[0.135, 0.14, 0.13, ""])))
    assert track.fixes["moisture_pct"].iloc[:3].tolist() == pytest.approx([13.5, 14.0, 13.0])
    assert noted(track, "'moisture'", "fractions", "percent")
    dry = read_track(write(tmp_path, points(4, moisture=[13.5, 14, 13, 0.9])))
    assert dry.fixes["moisture_pct"].tolist() == [13.5, 14, 13, 0.9]


def test_a_yield_no_crop_gives_is_warned_of_with_the_likely_unit(tmp_path):
    """80 bu/ac of wheat are 5.38 t/ha."""
    track = read_track(
        write(tmp_path, points(4, yield_=[80, 75, 85, 0])), columns={"yield": "yield_"}
    )
    (warning,) = [note.text() for note in track.notes if note.is_warning]
    assert "'yield_' gives 80 t/ha" in warning
    assert '[units] yield = "bu/ac"' in warning
    assert not noted(read_track(write(tmp_path, points(2, yield_t_ha=[18, 19]))), "Warning")


def test_a_running_total_becomes_the_grain_of_each_record(tmp_path):
    own = [5.0, *([4.0, 6.0] * 20)]
    total = [f"{x:.1f}" for x in np.cumsum(own)]
    total[10] = ""
    track = read_track(write(tmp_path, points(41, grain_mass_kg=total)))
    mass = track.fixes["grain_mass_kg"].to_numpy()
    expected = np.array(own)
    expected[10:12] = 5.0  # the blank and the next one share what the total rose by
    np.testing.assert_allclose(mass, expected)
    assert noted(track, "'grain_mass_kg'", "running total")
    plain = read_track(write(tmp_path, points(41, grain_mass_kg=own)))
    assert plain.fixes["grain_mass_kg"].tolist() == own


def test_a_running_total_that_was_not_set_to_nothing_does_not_start_with_a_load(tmp_path):
    times = [f"2018-07-18T12:00:{i:02d}Z" for i in range(40)][::-1]
    total = list(50_000 + 5 * np.arange(40))[::-1]  # newest first
    mass = read_track(write(tmp_path, points(40, time=times, mass_kg=total))).fixes["grain_mass_kg"]
    assert mass.iloc[:-1].tolist() == [5.0] * 39
    assert np.isnan(mass.iloc[-1])


def test_degrees_and_minutes_are_named_as_such(tmp_path):
    rows = [["10°0.000000'E", f"52°0.00{i}157'N"] for i in range(3)]
    with pytest.raises(TrackError, match=r"line 2: .10°0.000000'E.*Export decimal degrees"):
        read_track(write(tmp_path, table(["lon", "lat"], rows)))


def lost(**columns):
    """Twenty fixes, one a second, of which one and then five in a row have no position."""
    lines = points(
        20, time=[f"2018-07-18T12:00:{i:02d}Z" for i in range(20)], **columns
    ).splitlines()
    for i in (4, 10, 11, 12, 13, 14):
        lines[1 + i] = ",," + lines[1 + i].split(",", 2)[2]
    return "\n".join(lines)


def test_rows_without_a_position_keep_their_grain(tmp_path):
    by_mass = read_track(write(tmp_path, lost(grain_mass_kg=[3, 5] * 10))).unreadable
    assert by_mass["grain_kg"].tolist() == [3, 3, 5, 3, 5, 3]
    # a flow stands for the time since the record before, which covers the short hole
    by_flow = read_track(write(tmp_path, lost(flow_kg_s=[7] * 20))).unreadable
    assert by_flow["grain_kg"].tolist() == [0, 7, 7, 7, 7, 7]
    own_time = read_track(write(tmp_path, lost(flow_kg_s=[7] * 20, interval_s=[1] * 20)))
    assert own_time.unreadable["grain_kg"].tolist() == [7] * 6


# --- files that cannot be used -------------------------------------------------------

SWAPPED = table(["longitude", "latitude"], [[LAT, LON], [LAT, LON + 1e-5]])
METRES = [[421460 + i, 4864259] for i in range(4)]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "empty"),
        ("  \n \n", "empty"),
        ("longitude,latitude,flow\n", "no fix below"),
        ("a,b,c\n1,2,3\n", "--column longitude="),
        ("time;flow\n1;2\n", "coordinates"),
        ("longitude,flow\n-93,2\n", "coordinates"),
        (table(["lon", "lat"], [["", ""], ["NA", "x"]]), "no row has a position"),
        (table(["lon", "lat"], [[0, 0], [0, 0]]), "no row has a position"),
        (SWAPPED, "seem swapped.*--column longitude=latitude --column latitude=longitude"),
        (table(["lon", "lat"], [[LON, 95.5], [LON, 96]]), "swapped|beyond ±90"),
        (table(["lon", "lat"], [[200, 40], [201, 40]]), "beyond ±180"),
        (table(["lon", "lat"], METRES), "--crs EPSG"),
        (table(["easting", "northing"], METRES), "--crs"),
        (table(["x", "y"], METRES), "--crs"),
        (table(["lon", "lat"], [[LON, LAT]] * 50 + [[LON + 3, LAT]] * 50), "more than one field"),
        (table(["lon", "lat"], [[LON, LAT], [LON + 3, LAT]] * 50), "mixed UTM zones"),
        (points(3, flow_kg_s=["x", "y", "1"]), "line 2.*no number"),
        (points(3, time=["soon", "later", "12:00"]), "line 2.*no time"),
        (points(3, header=["perhaps", "well", "up"]), "line 2.*neither yes nor no"),
        (points(3, discharge=["spread", "heap", ""]), "line 3.*'heap'.*spread or windrow"),
        ("lon,lat\n" + "-93,43,1,2\n" * 4, "line 2.*4 fields.*header in line 1 has 2"),
        (b"PK\x03\x04" + b"\0" * 500, "ZIP archive.*CSV"),
        (b"\x89PNG\r\n\x1a\n" + b"\0" * 500, "PNG"),
        (b"lon,lat\n\0\1\2\3", "binary"),
        ('{"a": 1}', "no GeoJSON"),
        ('{"type": "FeatureCollection", "features": [', "GeoJSON|broken JSON"),
        ('{"type": "FeatureCollection", "features": [{"type": "Feature", ', "line 1: broken JSON"),
    ],
)
def test_unusable_files_say_why_and_what_to_do(tmp_path, content, words):
    path = write(tmp_path, content, "harvest.csv")
    with pytest.raises(TrackError) as caught:
        read_track(path)
    message = caught.value.told(in_options)
    assert re.search(words, message)
    assert message.startswith("harvest.csv")
    assert str(tmp_path) not in message
    assert message.endswith(".")


@pytest.mark.parametrize(
    ("features", "words"),
    [
        ([], "no feature"),
        ([feature("Polygon", [[*LINE, LINE[0]]])], "--boundary"),
        ([feature(None, None)], "no feature has a position"),
    ],
)
def test_unusable_geometries(tmp_path, features, words):
    with pytest.raises(TrackError) as caught:
        read_track(geojson(tmp_path, *features))
    assert words in caught.value.told(in_options)


def test_a_broken_vector_file(tmp_path):
    with pytest.raises(TrackError, match=r"^t\.gpkg cannot be opened"):
        read_track(write(tmp_path, b"SQLite format 3\0 and then nothing", "t.gpkg"))


def test_missing_folder_and_locked_files(tmp_path, monkeypatch):
    for name in ("none.csv", "none.gpkg"):
        with pytest.raises(TrackError, match=f"^{name} was not found"):
            read_track(tmp_path / name)
    with pytest.raises(TrackError, match="is a folder"):
        read_track(tmp_path)
    locked = write(tmp_path, points(2))

    def refuse(*_args, **_kwargs):
        raise PermissionError(13, "Permission denied")

    # The test user may be root, whom file modes do not stop.
    monkeypatch.setattr(type(locked), "open", refuse)
    with pytest.raises(TrackError, match="may not be read"):
        read_track(locked)


@pytest.mark.parametrize("crs", ["EPSG:999999", "nonsense", "EPSG:4978"])
def test_an_unknown_crs_is_a_setting_error(tmp_path, crs):
    with pytest.raises(SettingsError, match='crs="EPSG:4326"'):
        read_track(write(tmp_path, points(2)), crs=crs)


def test_degrees_under_a_projected_crs_without_names_for_it(tmp_path):
    text = table(["x", "y"], [[LON, LAT], [LON, LAT]])
    with pytest.raises(TrackError, match="look like degrees"):
        read_track(write(tmp_path, text), crs="EPSG:32615")
    assert read_track(write(tmp_path, text), crs="EPSG:4326").crs.to_epsg() == 32615


def test_a_column_override_that_is_not_there_names_the_nearest(tmp_path):
    with pytest.raises(SettingsError, match="Yld_raw"):
        read_track(write(tmp_path, points(2, Yld_raw=[1, 2])), columns={"flow": "yld_rw"})


@pytest.mark.parametrize(
    "start", [b"", b"a,b,c\n1,2,3\n", b"lon,lat\n-93.9,43.9\n", b'{"type": "FeatureCollection"']
)
def test_large_junk_is_refused_in_little_memory(tmp_path, start):
    path = tmp_path / "junk.csv"
    with path.open("wb") as stream:
        stream.write(start)
        for _ in range(8):
            stream.write(b"x" * (1 << 17))
        stream.truncate(3_000_000_000)
    tracemalloc.start()
    try:
        with pytest.raises(CovermapError):
            read_track(path)
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()


def test_large_table_without_coordinates_is_refused_in_little_memory(tmp_path):
    path = write(tmp_path, "a,b\n" + "1,2\n" * 10_000_000)
    tracemalloc.start()
    try:
        with pytest.raises(TrackError, match="coordinates"):
            read_track(path)
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()

"""Strips, passes and removed fixes, read back with GDAL and by the words of RFC 7946."""

import csv
import json
import warnings

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from shapely.geometry import LineString, MultiPolygon, Polygon, box

from covermap.errors import OutputError
from covermap.files.vectors import write_geojson, write_passes, write_removed_fixes, write_strips

UTM = "EPSG:32626"


def made_strips(shapes=None):
    hole = Polygon(
        box(500_000, 4_980_000, 500_060, 4_980_030).exterior.coords,
        [box(500_010, 4_980_010, 500_020, 4_980_020).exterior.coords[::-1]],
    )
    shapes = shapes or [hole.reverse(), box(500_000, 4_980_040, 500_090, 4_980_044)]
    return gpd.GeoDataFrame(
        {
            "strip_id": [7, 8],
            "rank": [1, 2],
            "kind": ["gap", "double"],
            "length_m": [60.0, 90.0],
            "mean_ratio": [np.nan, 1.8],
            "passes": ["12, 13", None],
        },
        geometry=shapes,
        crs=UTM,
    )


def geojson(folder):
    return json.loads((folder / "strips.geojson").read_text("utf-8"))


def test_geojson_follows_rfc_7946(tmp_path):
    write_strips(tmp_path, made_strips())
    content = geojson(tmp_path)
    assert content["type"] == "FeatureCollection"
    assert "crs" not in content  # section 4
    for feature, strip in zip(
        content["features"], made_strips().to_crs(4326).geometry, strict=True
    ):
        shape = shapely.from_geojson(json.dumps(feature))
        assert shape.exterior.is_ccw  # section 3.1.6
        assert all(not ring.is_ccw for ring in shape.interiors)
        west, south, east, north = shape.bounds  # longitude first, section 3.1.1
        assert -180 <= west < east <= 180
        assert -90 <= south < north <= 90
        assert shape.hausdorff_distance(strip) < 2e-7
    text = (tmp_path / "strips.geojson").read_text("utf-8")
    assert max(len(part.split(".")[1]) for part in text.split() if part.startswith("-26.")) <= 8


def test_geojson_has_null_for_what_is_unknown(tmp_path):
    write_strips(tmp_path, made_strips())
    first, second = (feature["properties"] for feature in geojson(tmp_path)["features"])
    assert first["mean_ratio"] is None
    assert second["passes"] is None
    assert first["strip_id"] == 7
    assert isinstance(first["strip_id"], int)


def test_geopackage_keeps_crs_values_and_types(tmp_path):
    write_strips(tmp_path, made_strips())
    assert pyogrio.list_layers(tmp_path / "strips.gpkg").tolist() == [["strips", "Polygon"]]
    back = gpd.read_file(tmp_path / "strips.gpkg")
    assert back.crs.to_epsg() == 32626
    assert back["strip_id"].dtype == np.int64
    assert back["kind"].tolist() == ["gap", "double"]
    assert np.isnan(back["mean_ratio"][0])
    assert back.geometry.geom_equals(made_strips().geometry).all()


def test_no_strips_still_make_readable_files(tmp_path):
    write_strips(tmp_path, made_strips().iloc[:0])
    assert geojson(tmp_path)["features"] == []
    info = pyogrio.read_info(tmp_path / "strips.gpkg", layer="strips")
    assert info["features"] == 0
    assert info["fields"].tolist() == [c for c in made_strips().columns if c != "geometry"]
    assert info["ogr_types"][:4] == ["OFTInteger64", "OFTInteger64", "OFTString", "OFTReal"]


def test_a_strip_of_two_parts_is_kept_whole(tmp_path):
    two = MultiPolygon(
        [box(500_000, 4_980_000, 500_010, 4_980_003), box(500_020, 4_980_000, 500_030, 4_980_003)]
    )
    write_strips(tmp_path, made_strips([two, box(500_000, 4_980_040, 500_090, 4_980_044)]))
    assert gpd.read_file(tmp_path / "strips.gpkg").area.tolist() == pytest.approx([60, 360])


def made_passes():
    line = LineString([(500_000, 4_980_000), (500_000, 4_980_100)])
    return gpd.GeoDataFrame(
        {
            "pass_id": [1, 2],
            "label": ["1", "=2"],
            "start_time": pd.to_datetime(["2026-08-01T12:00:00Z", None]),
            "spacing_m": [np.nan, 9.0],
        },
        geometry=[line, line],
        crs=UTM,
    )


def test_passes_come_back(tmp_path):
    write_passes(tmp_path, made_passes())
    assert pyogrio.list_layers(tmp_path / "passes.gpkg").tolist() == [["passes", "LineString"]]
    back = gpd.read_file(tmp_path / "passes.gpkg")
    assert back["start_time"][0] == pd.Timestamp("2026-08-01T12:00:00Z")
    assert pd.isna(back["start_time"][1])
    assert back["pass_id"].dtype == np.int64
    assert back.length.tolist() == [100, 100]


@pytest.mark.parametrize("write", [write_passes, write_strips])
def test_a_folder_that_is_not_there_is_an_output_error(tmp_path, write):
    with pytest.raises(OutputError, match="gpkg"):
        write(tmp_path / "none", made_passes() if write is write_passes else made_strips())


def rows(folder):
    with (folder / "removed_fixes.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_removed_fixes_come_back(tmp_path):
    removed = pd.DataFrame(
        {
            "source_row": [2, 9],
            "time": pd.to_datetime(["2026-08-01T12:00:00.5Z", None]),
            "longitude": [-26.5, np.nan],
            "latitude": [44.123456789, np.nan],
            "reason": ["jump", "unreadable"],
            "detail": ["12 m", 'a "quoted", text'],
            "grain_kg": [-0.25, np.nan],
        }
    )
    write_removed_fixes(tmp_path, removed)
    first, second = rows(tmp_path)
    assert first["source_row"] == "2"
    assert pd.Timestamp(first["time"]) == removed["time"][0]
    assert first["longitude"] == "-26.5000000"
    assert first["latitude"] == "44.1234568"
    assert first["grain_kg"] == "-0.25"
    assert second["detail"] == 'a "quoted", text'
    assert (second["time"], second["longitude"]) == ("", "")


def test_text_never_becomes_a_formula(tmp_path):
    # OWASP, "CSV Injection": cells that start with = + - @ tab or carriage return.
    texts = ["=1+1", "+cmd", "-x", "@sum", "\tx", "-12.5", "plain"]
    write_removed_fixes(tmp_path, pd.DataFrame({"source_row": range(7), "detail": texts}))
    found = [row["detail"] for row in rows(tmp_path)]
    assert found == ["'=1+1", "'+cmd", "'-x", "'@sum", "'\tx", "-12.5", "plain"]


def test_nothing_removed_still_gives_a_header(tmp_path):
    write_removed_fixes(tmp_path, pd.DataFrame({"source_row": []}))
    text = (tmp_path / "removed_fixes.csv").read_text("utf-8")
    assert text == "source_row,time,longitude,latitude,reason,detail\n"


def test_what_is_infinite_is_null_in_geojson(tmp_path):
    """RFC 8259, section 6: infinity is not permitted. The library would drop it and say so."""
    table = made_strips()[["strip_id", "geometry"]].assign(urdr=[np.inf, 2.5])
    file = tmp_path / "passes.geojson"
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        write_geojson(file, table, "Polygon", {})
    assert caught == []
    found = [f["properties"] for f in json.loads(file.read_text("utf-8"))["features"]]
    assert [row["urdr"] for row in found] == [None, 2.5]

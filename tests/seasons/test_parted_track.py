"""Files of outlines as people have them, and what a season says about them."""

import geopandas as gpd
import pytest
import shapely
from builders import UTM
from season_builders import InThisProcess, passes, write_track

from covermap.errors import BoundaryError, SettingsError
from covermap.reading.polygons import read_outlines
from covermap.seasons.field_job import look_at
from covermap.seasons.find_fields import jobs_of
from covermap.seasons.job import Common
from covermap.seasons.season_file import read_season

BOX = shapely.box(499_995, 4_979_999, 500_032, 4_980_101)
FAR = shapely.box(504_000, 4_980_000, 504_100, 4_980_100)
CROP = '[defaults.crop]\nkind = "wheat"\ngrain_yield = 6\n[defaults.combine]\ncut_width = 9\n'


def outlines(path, **shapes):
    layer = gpd.GeoDataFrame({"name": list(shapes)}, geometry=list(shapes.values()), crs=UTM)
    layer.to_crs("EPSG:4326").to_file(path)
    return path


def season_notes(folder, text):
    (folder / "season.toml").write_text(CROP + text, "utf-8")
    season = read_season(folder / "season.toml")
    common = Common(folder / "out", "token", season.defaults)
    calls = [(str(k), (e.source, e.overrides, e.parting, common))
             for k, e in enumerate(season.entries)]  # fmt: skip
    looks = {int(k): look for k, look in InThisProcess().run(look_at, calls)}
    return jobs_of(season, season.entries, looks)


def test_a_table_of_no_shapes_is_named_with_what_was_expected(tmp_path):
    table = tmp_path / "fields.csv"
    table.write_text("name,area\nNorth,3\n")
    with pytest.raises(BoundaryError, match=r"fields\.csv: holds no polygon; .*GeoJSON"):
        read_outlines(table, UTM, None)
    write_track(tmp_path / "week.csv", passes())
    jobs, notes = season_notes(
        tmp_path, '[[tracks]]\nfile = "week.csv"\nboundaries = "fields.csv"\n'
    )
    assert "fields.csv: holds no polygon" in jobs[0].trouble
    assert notes == []


@pytest.mark.parametrize("shape", [shapely.Point(1, 2), shapely.Polygon()])
def test_a_file_without_a_polygon_says_so(tmp_path, shape):
    file = tmp_path / "fields.gpkg"
    gpd.GeoDataFrame({"name": ["A"]}, geometry=[shape], crs="EPSG:4326").to_file(file)
    with pytest.raises(BoundaryError, match=r"fields\.gpkg: holds no polygon .*closed polygon"):
        read_outlines(file, UTM, None)


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
@pytest.mark.parametrize("ending", ["gpkg", "geojson", "shp"])
def test_metres_without_a_crs_are_refused_and_degrees_are_not(tmp_path, ending):
    file = tmp_path / f"fields.{ending}"
    gpd.GeoDataFrame({"name": ["A"]}, geometry=[BOX]).to_file(file)
    with pytest.raises(BoundaryError, match=rf"fields\.{ending}: its positions are no degrees"):
        read_outlines(file, UTM, None)
    layer = gpd.GeoDataFrame({"name": ["A"]}, geometry=[BOX], crs=UTM).to_crs("EPSG:4326")
    layer.set_crs(None, allow_override=True).to_file(file)
    found = read_outlines(file, UTM, None)["A"]
    assert found.symmetric_difference(BOX).area < 0.01 * BOX.area


def test_an_outline_that_no_track_drove_is_named_once(tmp_path):
    outlines(tmp_path / "fields.geojson", Home=BOX, Away=FAR,
             **{"Never cut": shapely.box(0, 0, 9, 9)})  # fmt: skip
    write_track(tmp_path / "a.csv", passes())
    text = '[[tracks]]\nfile = "a.csv"\nboundaries = "fields.geojson"\n'
    _, notes = season_notes(tmp_path, text)
    assert notes == [
        'fields.geojson: "Away" has no fix of a.csv.',
        'fields.geojson: "Never cut" has no fix of a.csv.',
    ]
    write_track(tmp_path / "b.csv", passes(4000.0))
    _, notes = season_notes(tmp_path, text + text.replace("a.csv", "b.csv"))
    assert notes == ['fields.geojson: "Never cut" has no fix of a.csv or b.csv.']


def test_boundaries_and_split_exclude_each_other(tmp_path):
    with pytest.raises(SettingsError, match="boundaries and split exclude each other"):
        season_notes(
            tmp_path,
            '[[tracks]]\nfile = "a.csv"\nboundaries = "fields.geojson"\nsplit = "gaps"\n',
        )

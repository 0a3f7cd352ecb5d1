"""Outlines as one boundary and as a season's named fields: the same checks in the same words."""

import json
import math

import geopandas as gpd
import pytest
import shapely
from builders import UTM
from hypothesis import given
from hypothesis import strategies as st

from covermap.errors import BoundaryError
from covermap.reading.polygons import read_boundary, read_outlines

BOX = shapely.box(499_900, 4_979_900, 500_100, 4_980_100)
DEGREES = gpd.GeoSeries([BOX], crs=UTM).to_crs("EPSG:4326").iloc[0]
RING = [list(xy) for xy in DEGREES.exterior.coords]
READERS = {
    "boundary": lambda path: read_boundary(path, UTM),
    "season": lambda path: read_outlines(path, UTM, None)["Home"],
}


def polygon(ring):
    return {"type": "Polygon", "coordinates": [ring]}


def geojson(path, *geometries, **more):
    features = [
        {"type": "Feature", "properties": {"name": "Home"}, "geometry": geometry}
        for geometry in geometries
    ]
    tree = {"type": "FeatureCollection", "features": features, **more}
    path.write_text(json.dumps(tree), "utf-8")
    return path


def moved(change):
    return polygon([list(change(x, y)) for x, y in RING])


FAULTS = {
    "metres": (polygon([list(xy) for xy in BOX.exterior.coords]), "are no degrees"),
    "swapped": (moved(lambda x, y: (y, x - 70)), "are no degrees"),
    "NaN": (polygon([*RING[:2], [math.nan, 45.0], *RING[3:]]), "without a position"),
    "infinite": (polygon([*RING[:2], [math.inf, 45.0], *RING[3:]]), "without a position"),
    "empty": ({"type": "Polygon", "coordinates": []}, "holds no polygon"),
    "nothing": (None, "holds no polygon"),
    "line": ({"type": "LineString", "coordinates": RING}, r"holds no polygon \(1 other"),
    "point": ({"type": "Point", "coordinates": RING[0]}, r"holds no polygon \(1 other"),
    "crossing": (polygon([RING[0], RING[2], RING[1], RING[3], RING[0]]), "cross itself"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_both_readers_say_the_same_of_the_same_fault(tmp_path, fault):
    geometry, words = FAULTS[fault]
    path = geojson(tmp_path / "fields.geojson", geometry)
    said = []
    for read in READERS.values():
        with pytest.raises(BoundaryError, match=words) as caught:
            read(path)
        said.append(str(caught.value))
    assert said[0] == said[1]
    assert said[0].startswith("fields.geojson")
    assert "Expected" in said[0] or caught.value.way_out


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.filterwarnings("ignore:invalid value encountered in linearrings")
@pytest.mark.parametrize("lost", [math.nan, math.inf])
def test_a_corner_without_a_position(tmp_path, reader, lost):
    path = tmp_path / "fields.gpkg"
    shape = shapely.Polygon([*RING[:2], (lost, 45.0), *RING[3:]])
    gpd.GeoDataFrame({"name": ["Home"]}, geometry=[shape], crs="EPSG:4326").to_file(path)
    with pytest.raises(BoundaryError, match="corner without a position"):
        READERS[reader](path)


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("gone.geojson", None, "no such boundary file"),
        ("table.csv", b"name,area\nHome,3\n", "a table without shapes"),
        ("junk.gpkg", b"SQLite format 3\0 and then nothing", "cannot be read as a polygon file"),
        ("cut.geojson", b'{"type": "FeatureCollection", "features": [', "cannot be read"),
        ("empty.geojson", b"", "cannot be read"),
    ],
)
def test_files_of_no_outlines(tmp_path, reader, name, content, words):
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(BoundaryError, match=words):
        READERS[reader](tmp_path / name)


@pytest.mark.parametrize("reader", READERS)
def test_a_geojson_that_names_its_crs_and_one_in_degrees_are_read(tmp_path, reader):
    """RFC 7946 is in degrees; the draft of 2008 let a file name another system."""
    crs = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{UTM.to_epsg()}"}}
    metres = polygon([list(xy) for xy in BOX.exterior.coords])
    for path in (
        geojson(tmp_path / "degrees.geojson", polygon(RING)),
        geojson(tmp_path / "metres.geojson", metres, crs=crs),
    ):
        found = READERS[reader](path)
        assert found.symmetric_difference(BOX).area < 1e-3 * BOX.area


def test_all_polygons_are_one_boundary_and_those_of_a_name_one_field(tmp_path):
    far = moved(lambda x, y: (x + 0.01, y))
    path = geojson(tmp_path / "two.geojson", polygon(RING), far)
    for read in READERS.values():
        assert read(path).geom_type == "MultiPolygon"
        assert read(path).area == pytest.approx(2 * BOX.area, rel=1e-2)


numbers = st.floats(-1e7, 1e7) | st.floats(-200, 200) | st.just(math.nan) | st.just(math.inf)


@given(ring=st.lists(st.tuples(numbers, numbers), max_size=6), close=st.booleans())
def test_any_ring_is_an_outline_or_told(tmp_path_factory, ring, close):
    path = tmp_path_factory.mktemp("ring") / "ring.geojson"
    geojson(path, polygon([*ring, *ring[:1]] if close else ring))
    said = []
    for read in READERS.values():
        try:
            found = read(path)
        except BoundaryError as error:
            said.append(str(error))
        else:
            said.append(found.wkt)
            assert math.isfinite(found.area)
            assert found.area > 0
    assert said[0] == said[1]

"""What leaves the farm office, read back with readers that are not covermap's own.

GDAL through pyogrio and rasterio, rio-cogeo, jsonschema, SQLite, pyarrow, pystac; Shapefile
and KML also by the words of their published descriptions.
"""

import csv
import io
import json
import os
import sqlite3
import struct
import time
import zipfile
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import jsonschema
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely
from click.testing import CliRunner
from deadlines import wait_until
from pyproj import Geod
from rio_cogeo import cog_validate

from covermap.cli.commands import commands
from covermap.cli.export_command import export_command
from covermap.cli.sample_command import write_sample
from covermap.drawing.colours import colourise
from covermap.errors import OutputError
from covermap.export.content import read_export_content
from covermap.tables.column_meanings import columns_of

NAME = 'Löß, "Süd" =cmd() <b>Ödland</b> & 麦 ' + "x" * 300
LABELS = ["=cmd()|' /C calc'!A0", "<b>fat</b> & <script>alert(1)</script>", "麦" * 300, 'a "b", c']
KML = "{http://www.opengis.net/kml/2.2}"
LAYERS = ("strips", "passes", "zones", "outline")
FILES = {"strips": "strips.gpkg", "passes": "passes.gpkg", "zones": "plan.gpkg"}
AREAS = ("strips", "zones", "outline")


def map_sample(folder, *options, sample="canola"):
    field = write_sample(folder, sample)
    run = ["map", str(field), "--out", str(folder / "result"), "--cell", "1", "--quiet", *options]
    assert CliRunner().invoke(commands, run, catch_exceptions=False).exit_code == 0
    return folder / "result"


def run_export(result, purpose, out, *options):
    run = [str(result), "--for", purpose, "--out", str(out), *options]
    return CliRunner().invoke(export_command, run, catch_exceptions=False)


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """A result with a plan, whose names are as nasty as a person can type them."""
    folder = map_sample(tmp_path_factory.mktemp("farm"))
    summary = json.loads((folder / "summary.json").read_text("utf-8"))
    summary["field"]["name"] = NAME
    (folder / "summary.json").write_text(json.dumps(summary), "utf-8")
    passes = pyogrio.read_dataframe(folder / "passes.gpkg")
    passes["label"] = [LABELS[i % len(LABELS)] for i in range(len(passes))]
    (folder / "passes.gpkg").unlink()
    pyogrio.write_dataframe(passes, folder / "passes.gpkg", layer="passes", driver="GPKG")
    return folder


@pytest.fixture(scope="module")
def out(result, tmp_path_factory):
    folder = tmp_path_factory.mktemp("out") / "sent"
    done = run_export(result, "all", folder, "--task-quantity", "working_depth",
                      "--task-value", "plan-check-stand=0.02")  # fmt: skip
    assert done.exit_code == 0, done.output
    return folder


@pytest.fixture(scope="module")
def content(result):
    return read_export_content(result)


def unzipped(path):
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        return {name: archive.read(name) for name in archive.namelist()}


def all_bytes(out):
    for path in sorted(out.rglob("*")):
        # GDAL leaves .aux.xml beside what the tests read
        if path.is_file() and not path.name.endswith(".aux.xml"):
            yield path.name, path.read_bytes()
            if path.suffix in (".zip", ".kmz"):
                for name, data in unzipped(path).items():
                    yield f"{path.name}/{name}", data


def shapes_in(out, layer, crs):
    """Read a layer's shapes from each format that has it."""
    gis, phone = out / "gis", out / "phone"
    folder = {"strips": "Strips", "zones": "Plan zones", "passes": "Passes",
              "outline": "Field outline"}[layer]  # fmt: skip
    from pyarrow import parquet

    wkb = parquet.read_table(gis / f"{layer}.parquet").column("geometry").to_pylist()
    return {
        "GeoPackage": pyogrio.read_dataframe(gis / "field.gpkg", layer=layer).geometry,
        "GeoJSON": pyogrio.read_dataframe(gis / f"{layer}.geojson").to_crs(crs).geometry,
        "GeoJSON, phone": pyogrio.read_dataframe(phone / f"{layer}.geojson").to_crs(crs).geometry,
        "Shapefile": pyogrio.read_dataframe(
            f"/vsizip/{gis / f'{layer}_shapefile.zip'}/{layer}.shp"
        ).geometry,
        "KMZ": gpd.GeoSeries(
            shapely.force_2d(
                pyogrio.read_dataframe(f"/vsizip/{phone / 'field.kmz'}/doc.kml", layer=folder)
                .geometry.to_numpy()
            ),
            crs=4326,
        ).to_crs(crs),
        "GeoParquet": gpd.GeoSeries(shapely.from_wkb(wkb), crs=crs),
    }  # fmt: skip


@pytest.mark.parametrize("layer", AREAS)
def test_areas_come_back_from_every_format(out, content, layer):
    wanted = content.layers[layer].geometry.area.to_numpy()
    assert wanted.sum() > 100
    for kind, found in shapes_in(out, layer, content.grid.crs).items():
        areas = found.area.to_numpy()
        assert len(areas) == len(wanted), kind
        np.testing.assert_allclose(areas, wanted, rtol=0.005, err_msg=kind)
        assert areas.sum() == pytest.approx(wanted.sum(), rel=0.005), kind


def test_lengths_of_passes_come_back_from_every_format(out, content):
    wanted = content.layers["passes"].length.to_numpy()
    for kind, found in shapes_in(out, "passes", content.grid.crs).items():
        np.testing.assert_allclose(found.length.to_numpy(), wanted, rtol=1e-3, err_msg=kind)


def test_areas_on_the_ellipsoid_agree(out, content):
    # Karney 2013, geodesic areas: a route that knows nothing of the field's CRS. UTM areas
    # are within 0.08 % of it in the middle of a zone (scale 0.9996).
    geod = Geod(ellps="WGS84")
    for layer in AREAS:
        shapes = pyogrio.read_dataframe(out / "gis" / f"{layer}.geojson").geometry
        found = [abs(geod.geometry_area_perimeter(shape)[0]) for shape in shapes]
        np.testing.assert_allclose(found, content.layers[layer].area, rtol=0.002)
    with (out / "table" / "strips.csv").open(encoding="utf-8-sig", newline="") as stream:
        table = [float(row["area_m2"]) for row in csv.DictReader(stream)]
    np.testing.assert_allclose(table, content.layers["strips"]["area_m2"])


# --- GeoPackage -----------------------------------------------------------------------------


def test_the_package_is_sound_and_described(out, content):
    path = out / "gis" / "field.gpkg"
    assert [row[0] for row in pyogrio.list_layers(path)][:4] == list(content.layers)
    with closing(sqlite3.connect(path)) as package:
        ask = package.execute
        # OGC 12-128r19, requirements 2, 6 and 7
        assert ask("PRAGMA application_id").fetchone()[0] == int.from_bytes(b"GPKG", "big")
        assert ask("PRAGMA integrity_check").fetchone() == ("ok",)
        assert ask("PRAGMA foreign_key_check").fetchall() == []
        extensions = set(ask("SELECT table_name, extension_name FROM gpkg_extensions"))
        assert {("gpkg_data_columns", "gpkg_schema"), ("gpkg_metadata", "gpkg_metadata"),
                ("gpkg_data_column_constraints", "gpkg_schema")} <= extensions  # fmt: skip
        for layer in content.layers:
            described = dict(
                ask("SELECT column_name, description FROM gpkg_data_columns WHERE table_name = ?",
                    (layer,))
            )  # fmt: skip
            fields = set(pyogrio.read_info(path, layer=layer)["fields"])
            assert set(described) == fields
            assert all(described.values())
            (description,) = ask(
                "SELECT description FROM gpkg_contents WHERE table_name = ?", (layer,)
            ).fetchone()
            assert description
    metadata = pyogrio.read_info(path, layer="strips")["dataset_metadata"]
    assert metadata["field"] == content.name
    assert "moving parts stopped" in metadata["caution"]


def test_each_layer_has_a_stored_style_that_covers_what_is_in_it(out):
    path = out / "gis" / "field.gpkg"
    styles = pyogrio.read_dataframe(path, layer="layer_styles")
    assert sorted(styles["f_table_name"]) == sorted(LAYERS)
    assert styles["useAsDefault"].all()
    for style in styles.to_dict("records"):
        table = pyogrio.read_dataframe(path, layer=style["f_table_name"])
        with closing(sqlite3.connect(path)) as package:
            (column,) = package.execute(
                "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?",
                (style["f_table_name"],),
            ).fetchone()
        assert style["f_geometry_column"] == column
        renderer = ElementTree.fromstring(style["styleQML"]).find("renderer-v2")
        assert ElementTree.fromstring(style["styleSLD"]).get("version") == "1.0.0"
        if renderer.get("attr"):
            values = {category.get("value") for category in renderer.iter("category")}
            assert set(table[renderer.get("attr")]) <= values


def test_every_value_of_the_passes_comes_back_from_the_package(out, result):
    was = pyogrio.read_dataframe(result / "passes.gpkg")
    now = pyogrio.read_dataframe(out / "gis" / "field.gpkg", layer="passes")
    pd.testing.assert_frame_equal(
        pd.DataFrame(now.drop(columns="geometry")), pd.DataFrame(was.drop(columns="geometry"))
    )


# --- GeoTIFF --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["residue_t_ha", "cover_pct", "spread_ratio", "layers", "plan"])
def test_rasters_are_cloud_optimised_and_described(out, name, result):
    path = out / "gis" / f"{name}.tif"
    valid, errors, warnings = cog_validate(str(path), strict=True)
    assert (valid, errors, warnings) == (True, [], [])
    assert ElementTree.parse(path.with_suffix(".sld")).getroot().get("version") == "1.0.0"
    assert ElementTree.parse(path.with_suffix(".qml")).getroot().find("pipe") is not None
    with rasterio.open(path) as raster:
        assert all(raster.units)
        for band in range(1, raster.count + 1):
            tags, values = raster.tags(band), raster.read(band)
            there = values[np.isfinite(values)].astype(float)
            assert tags["meaning"]
            if len(there):
                assert float(tags["STATISTICS_MINIMUM"]) == pytest.approx(there.min(), rel=1e-5)
                assert float(tags["STATISTICS_MAXIMUM"]) == pytest.approx(there.max(), rel=1e-5)
                assert float(tags["STATISTICS_MEAN"]) == pytest.approx(there.mean(), rel=1e-4)
        if name != "plan":
            with rasterio.open(result / "residue.tif") as whole:
                number = whole.descriptions.index(name) + 1
                np.testing.assert_array_equal(raster.read(1), whole.read(number))
                assert (whole.transform, whole.crs) == (raster.transform, raster.crs)


def test_the_style_of_the_plan_shows_the_band_of_cover(out):
    qml = ElementTree.parse(out / "gis" / "plan.qml").getroot()
    sld = ElementTree.parse(out / "gis" / "plan.sld").getroot()
    number = qml.find("pipe/rasterrenderer").get("band")
    assert sld.find(".//{http://www.opengis.net/sld}SourceChannelName").text == number
    with rasterio.open(out / "gis" / "plan.tif") as raster:
        assert raster.descriptions[int(number) - 1] == "cover_after_pct"


# --- GeoJSON --------------------------------------------------------------------------------

POSITION = {
    "type": "array",
    "minItems": 2,
    "maxItems": 3,  # section 3.1.1
    "prefixItems": [
        {"type": "number", "minimum": -180, "maximum": 180},  # section 4: longitude first
        {"type": "number", "minimum": -90, "maximum": 90},
    ],
}
RING = {"type": "array", "minItems": 4, "items": POSITION}  # section 3.1.6
LINE = {"type": "array", "minItems": 2, "items": POSITION}  # section 3.1.4


def geometry_of(kind, coordinates):
    return {
        "type": "object",
        "required": ["type", "coordinates"],
        "properties": {"type": {"const": kind}, "coordinates": coordinates},
        "not": {"anyOf": [{"required": [m]} for m in ("geometry", "properties", "features")]},
    }  # section 7.1


RFC_7946 = {
    "type": "object",
    "required": ["type", "features", "bbox"],
    "properties": {
        "type": {"const": "FeatureCollection"},  # section 3.3
        "bbox": {"type": "array", "minItems": 4, "maxItems": 6, "items": {"type": "number"}},
        "features": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["type", "geometry", "properties"],  # section 3.2
                "properties": {
                    "type": {"const": "Feature"},
                    "properties": {"type": ["object", "null"]},
                    "geometry": {
                        "oneOf": [
                            geometry_of("Polygon", {"type": "array", "items": RING}),
                            geometry_of(
                                "MultiPolygon",
                                {"type": "array", "items": {"type": "array", "items": RING}},
                            ),
                            geometry_of("LineString", LINE),
                            geometry_of("MultiLineString", {"type": "array", "items": LINE}),
                            {"type": "null"},
                        ]
                    },
                },
                "not": {"anyOf": [{"required": [m]} for m in ("coordinates", "features")]},
            },
        },
    },
    "not": {
        "anyOf": [
            {"required": [m]} for m in ("crs", "coordinates", "geometry", "properties")
        ]  # sections 4 and 7.1
    },
}


@pytest.mark.parametrize("layer", LAYERS)
@pytest.mark.parametrize("folder", ["gis", "phone"])
def test_geojson_keeps_rfc_7946(out, folder, layer):
    text = (out / folder / f"{layer}.geojson").read_bytes().decode("utf-8")
    assert not text.startswith("\ufeff")  # RFC 8259, section 8.1
    data = json.loads(text)
    jsonschema.validate(data, RFC_7946)
    bounds = []
    for feature in data["features"]:
        shape = shapely.geometry.shape(feature["geometry"])
        bounds.append(shape.bounds)
        for part in getattr(shape, "geoms", [shape]):
            if part.geom_type == "Polygon":  # section 3.1.6, right-hand rule
                assert part.exterior.is_ccw
                assert not any(hole.is_ccw for hole in part.interiors)
    around = np.array(bounds)
    np.testing.assert_allclose(
        data["bbox"],  # section 5: west, south, east, north
        [*around[:, :2].min(axis=0), *around[:, 2:].max(axis=0)],
        atol=2e-7,
    )
    properties = data["features"][0]["properties"]
    assert set(data["columns"]) == set(properties)
    assert all(told["meaning"] for told in data["columns"].values())


def test_the_schema_can_fail():
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(
            {"type": "FeatureCollection", "bbox": [0, 0, 1, 1], "features": [], "crs": {}},
            RFC_7946,
        )


# --- Shapefile ------------------------------------------------------------------------------


def dbf_fields(data):
    """Read name, type and length of each field (dBASE III table file header)."""
    length = struct.unpack("<H", data[8:10])[0]
    fields, at = [], 32
    while data[at] != 0x0D:
        name = data[at : at + 11].split(b"\0")[0]
        fields.append((name.decode("ascii"), chr(data[at + 11]), data[at + 16]))
        at += 32
    assert at + 1 == length
    return fields


def shp_areas(data):
    """Read polygon areas (ESRI Shapefile Technical Description, July 1998, pages 2 to 8)."""
    code, length = struct.unpack(">i", data[:4])[0], struct.unpack(">i", data[24:28])[0]
    assert (code, 2 * length) == (9994, len(data))
    areas, at = [], 100
    while at < len(data):
        size = 2 * struct.unpack(">i", data[at + 4 : at + 8])[0]
        record = data[at + 8 : at + 8 + size]
        kind, parts, points = struct.unpack("<i32xii", record[:44])
        assert kind == 5
        starts = [*struct.unpack(f"<{parts}i", record[44 : 44 + 4 * parts]), points]
        xy = np.frombuffer(record[44 + 4 * parts :], "<f8").reshape(-1, 2)
        area = 0.0
        for first, last in pairwise(starts):
            ring = xy[first:last] - xy[0]
            x, y = ring.T
            # outer rings run clockwise, holes the other way
            area -= 0.5 * float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))
        areas.append(area)
        at += 8 + size
    return areas


@pytest.mark.parametrize("layer", LAYERS)
def test_shapefile_has_all_parts_and_documented_short_names(out, content, layer):
    parts = unzipped(out / "gis" / f"{layer}_shapefile.zip")
    endings = {"shp", "shx", "dbf", "prj", "cpg", "sld", "qml"}
    assert set(parts) == {f"{layer}.{end}" for end in endings} | {"columns.txt"}
    assert parts[f"{layer}.cpg"].strip() == b"UTF-8"
    assert parts[f"{layer}.prj"].startswith(b"PROJCS[")
    names = [name for name, _, _ in dbf_fields(parts[f"{layer}.dbf"])]
    columns = content.columns(layer)
    assert names == [column.short_name for column in columns.values()]
    assert all(len(name) <= 10 for name in names)
    lines = parts["columns.txt"].decode("utf-8").split("\n")
    for name, column in columns.items():
        assert f"{column.short_name} | {name} | {column.unit or '-'} | {column.meaning}" in lines


def test_shapefile_areas_by_the_published_description(out, content):
    parts = unzipped(out / "gis" / "strips_shapefile.zip")
    wanted = content.layers["strips"].geometry.area
    np.testing.assert_allclose(shp_areas(parts["strips.shp"]), wanted, rtol=1e-9)


def test_shapefile_keeps_letters_and_cuts_long_text_at_a_whole_character(out):
    table = pyogrio.read_dataframe(f"/vsizip/{out / 'gis' / 'passes_shapefile.zip'}/passes.shp")
    assert table["label"][0] == LABELS[0]
    cut = table["label"][2]
    assert cut.endswith("…")
    assert set(cut[:-1]) == {"麦"}
    assert 248 < len(cut.encode("utf-8")) <= 254
    assert pd.Timestamp(table["start_time"][0]).tzinfo is not None


# --- KMZ ------------------------------------------------------------------------------------

# Content models of ogckml22.xsd (OGC 07-147r2), for the elements in use, from memory.
FEATURE = ["name", "visibility", "open", "Snippet", "description", "LookAt", "styleUrl", "Style",
           "Region", "ExtendedData"]  # fmt: skip
SHAPES = ["LineString", "Polygon", "MultiGeometry"]
MODELS = {
    "kml": ["Document"],
    "Document": [*FEATURE, "Schema", "Feature"],
    "Folder": [*FEATURE, "Feature"],
    "Placemark": [*FEATURE, *SHAPES],
    "GroundOverlay": [*FEATURE, "color", "drawOrder", "Icon", "altitude", "altitudeMode",
                      "LatLonBox"],
    "Icon": ["href"],
    "LatLonBox": ["north", "south", "east", "west", "rotation"],
    "Style": ["IconStyle", "LabelStyle", "LineStyle", "PolyStyle"],
    "LineStyle": ["color", "colorMode", "width"],
    "PolyStyle": ["color", "colorMode", "fill", "outline"],
    "Schema": ["SimpleField"],
    "SimpleField": ["displayName"],
    "ExtendedData": ["Data", "SchemaData"],
    "SchemaData": ["SimpleData"],
    "MultiGeometry": SHAPES,
    "Polygon": ["extrude", "tessellate", "altitudeMode", "outerBoundaryIs", "innerBoundaryIs"],
    "LineString": ["extrude", "tessellate", "altitudeMode", "coordinates"],
    "outerBoundaryIs": ["LinearRing"],
    "innerBoundaryIs": ["LinearRing"],
    "LinearRing": ["coordinates"],
}  # fmt: skip


def check_model(element):
    if len(element) == 0:
        return
    tag = element.tag.removeprefix(KML)
    names = [child.tag.removeprefix(KML) for child in element]
    if tag in ("Document", "Folder"):
        names = ["Feature" if n in ("Folder", "Placemark", "GroundOverlay") else n for n in names]
    places = [MODELS[tag].index(name) for name in names]
    assert places == sorted(places), f"{tag}: {names}"
    for child in element:
        check_model(child)


@pytest.fixture(scope="module")
def kmz(out):
    return unzipped(out / "phone" / "field.kmz")


def test_the_archive_opens_by_itself(kmz):
    assert next(iter(kmz)) == "doc.kml"  # the first one of an archive is opened
    root = ElementTree.fromstring(kmz["doc.kml"])
    check_model(root)
    assert {href.text for href in root.iter(f"{KML}href")} <= set(kmz)
    assert b"NetworkLink" not in kmz["doc.kml"]
    styles = {style.get("id") for style in root.iter(f"{KML}Style")}
    used = {url.text for url in root.iter(f"{KML}styleUrl")}
    assert used <= {f"#{style}" for style in styles}
    schemas = {schema.get("id"): {f.get("name") for f in schema} for schema in
               root.iter(f"{KML}Schema")}  # fmt: skip
    for data in root.iter(f"{KML}SchemaData"):
        assert {d.get("name") for d in data} <= schemas[data.get("schemaUrl").removeprefix("#")]


def test_markup_in_names_shows_as_typed(kmz):
    root = ElementTree.fromstring(kmz["doc.kml"])
    assert root.find(f"{KML}Document/{KML}name").text == NAME
    for description in root.iter(f"{KML}description"):
        assert "<" not in description.text
    texts = [d.text for d in root.iter(f"{KML}description")]
    assert any("&lt;script&gt;" in text for text in texts)
    for name in root.iter(f"{KML}SimpleData"):
        assert "<" not in name.text


def test_gap_and_double_differ_in_fill_and_edge_on_the_phone(kmz):
    root = ElementTree.fromstring(kmz["doc.kml"])
    look = {
        style.get("id"): (
            style.find(f"{KML}LineStyle/{KML}width").text,
            style.find(f"{KML}PolyStyle/{KML}color").text,
        )
        for style in root.iter(f"{KML}Style")
    }
    gap, double = look["strips-gap"], look["strips-double"]
    assert gap[0] != double[0]
    ends = colourise("spread_ratio", np.array([0.0, 2.0]), 0, 2)
    for (_, colour), end in ((gap, ends[0]), (double, ends[1])):
        # KML has opacity, blue, green, red
        assert [int(colour[i : i + 2], 16) for i in (6, 4, 2)] == end[:3].tolist()


def test_the_picture_lies_where_the_raster_does(kmz, content):
    from PIL import Image

    root = ElementTree.fromstring(kmz["doc.kml"])
    box = {e.tag.removeprefix(KML): float(e.text) for e in root.find(f".//{KML}LatLonBox")}
    image = np.array(Image.open(io.BytesIO(kmz["files/spread_ratio.png"])).convert("RGBA"))
    rows, cols = image.shape[:2]
    ratio = content.bands["spread_ratio"]
    strips = content.layers["strips"]
    points = gpd.GeoSeries(
        shapely.centroid(strips[strips["length_m"] > 15].buffer(-1).to_numpy()),
        crs=content.grid.crs,
    )
    points = points[~points.is_empty]
    degrees, checked = points.to_crs(4326), 0
    for metres, place in zip(points, degrees, strict=True):
        row = int((content.grid.north - metres.y) / content.grid.cell_m)
        col = int((metres.x - content.grid.west) / content.grid.cell_m)
        around = ratio[row - 1 : row + 2, col - 1 : col + 2]
        if not np.isfinite(around).all() or np.ptp(around) > 0.02:
            continue  # only where a cell to one side gives the same colour
        i = int((box["north"] - place.y) / (box["north"] - box["south"]) * rows)
        j = int((place.x - box["west"]) / (box["east"] - box["west"]) * cols)
        wanted = colourise("spread_ratio", around[1:2, 1:2], 0, 2)[0, 0]
        assert np.abs(image[i, j].astype(int) - wanted.astype(int)).max() <= 12
        checked += 1
    assert checked >= 5
    assert image[0, 0, 3] == 0


# --- tables ---------------------------------------------------------------------------------


def test_tables_are_fit_for_a_spreadsheet(out, content):
    for path in (out / "table").iterdir():
        raw = path.read_bytes()
        assert raw.startswith(b"\xef\xbb\xbf")
        text = raw.decode("utf-8-sig")
        assert text.count("\r\n") == text.count("\n")  # RFC 4180, section 2
        for row in csv.reader(io.StringIO(text, newline="")):
            for cell in row:
                starts = cell[:1] in ("=", "+", "-", "@", "\t", "\r", "\n")
                assert not starts or float(cell) < 0  # OWASP, "CSV Injection"
    back = pd.read_csv(out / "table" / "passes.csv", encoding="utf-8-sig")
    labels = content.layers["passes"]["label"]
    assert back["label"][0] == "'" + labels[0]
    assert back["label"].tolist()[1:4] == labels.tolist()[1:4]
    np.testing.assert_allclose(back["length_m"], content.layers["passes"]["length_m"], atol=1e-4)


def test_the_list_of_columns_has_no_header_and_misses_none(out):
    with (out / "table" / "columns.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = [tuple(row) for row in csv.reader(stream)]
    assert rows[0][:2] == ("strips.csv", "strip_id")
    listed = {(row[0], row[1]) for row in rows}
    for name in ("strips", "passes", "zones", "causes"):
        with (out / "table" / f"{name}.csv").open(encoding="utf-8-sig", newline="") as stream:
            header = next(csv.reader(stream))
        assert {(f"{name}.csv", column) for column in header} == {
            pair for pair in listed if pair[0] == f"{name}.csv"
        }


def test_points_of_the_table_lie_in_their_strips(out, content):
    table = pd.read_csv(out / "table" / "strips.csv", encoding="utf-8-sig")
    points = gpd.GeoSeries.from_xy(table["longitude"], table["latitude"], crs=4326)
    shapes = content.layers["strips"].geometry.reset_index(drop=True)
    assert shapes.buffer(0.05).contains(points.to_crs(content.grid.crs)).all()


# --- GeoParquet and STAC --------------------------------------------------------------------


@pytest.mark.parametrize("layer", LAYERS)
def test_geoparquet_says_what_it_holds(out, content, layer):
    from pyarrow import parquet

    schema = parquet.read_schema(out / "gis" / f"{layer}.parquet")
    geo = json.loads(schema.metadata[b"geo"])
    # GeoParquet 1.0.0, file and column metadata
    assert geo["version"] == "1.0.0"
    assert geo["primary_column"] == "geometry"
    column = geo["columns"]["geometry"]
    assert column["encoding"] == "WKB"
    assert column["crs"]["id"] == {"authority": "EPSG", "code": 32626}
    np.testing.assert_allclose(column["bbox"], content.layers[layer].total_bounds)
    for name, told in content.columns(layer).items():
        assert schema.field(name).metadata[b"unit"].decode() == told.unit
        assert schema.field(name).metadata[b"description"].decode() == told.meaning


def test_the_stac_item_is_valid_and_its_assets_are_there(out, content):
    import pystac
    from pystac.extensions.projection import ProjectionExtension
    from pystac.validation.local_validator import get_local_schema_cache
    from referencing import Registry, Resource

    path = out / "gis" / "stac_item.json"
    data = json.loads(path.read_text("utf-8"))
    schemas = get_local_schema_cache()  # core schemas of STAC 1.1.0 that pystac brings along
    registry = Registry().with_resources(
        [(name, Resource.from_contents(schema)) for name, schema in schemas.items()]
    )
    core = next(schema for name, schema in schemas.items() if name.endswith("item.json"))
    assert list(jsonschema.Draft7Validator(core, registry=registry).iter_errors(data)) == []
    item = pystac.Item.from_dict(data)
    assert item.properties["title"] == content.name
    assert data["properties"]["start_datetime"] < data["properties"]["end_datetime"]
    shape = shapely.geometry.shape(item.geometry)
    np.testing.assert_allclose(item.bbox, shape.bounds, atol=1e-7)
    for asset in item.assets.values():
        assert asset.href.startswith("./")
        assert (path.parent / asset.href).is_file()
    projection = ProjectionExtension.ext(item)
    assert projection.code == "EPSG:32626"
    with rasterio.open(out / "gis" / "spread_ratio.tif") as raster:
        assert tuple(projection.shape) == raster.shape
        np.testing.assert_allclose(projection.transform, list(raster.transform)[:6])
        (band,) = item.assets["spread_ratio.tif"].to_dict()["raster:bands"]
        assert band["data_type"] == raster.dtypes[0]
        assert band["statistics"]["maximum"] == pytest.approx(np.nanmax(raster.read(1)), rel=1e-5)


# --- all files together ---------------------------------------------------------------------


def test_no_file_gives_away_where_it_was_made_or_asks_for_another(out, result):
    secrets = {str(result), str(result.parent), str(Path.home()), str(Path.cwd()), "/tmp/",
               os.environ.get("USER") or "/tmp/"}  # fmt: skip
    secrets = {text.encode() for text in secrets if len(text) > 4}
    # names of XML namespaces and schemas; nothing is fetched from them
    names = (b"http://www.opengis.net/", b"https://stac-extensions.github.io/",
             b"http://www.geopackage.org/spec", b"http://gdal.org",
             b"http://www.w3.org/", b"https://proj.org/schemas/")  # fmt: skip
    checked = 0
    for name, data in all_bytes(out):
        for secret in secrets:
            assert secret not in data, f"{name}: {secret!r}"
        for piece in data.split(b"http")[1:] if not name.endswith((".tif", ".png")) else []:
            assert (b"http" + piece).startswith(names), f"{name}: {piece[:60]!r}"
        checked += 1
    assert checked > 60


def test_the_same_result_gives_the_same_bytes(result, out, tmp_path):
    # past every time stamp; those of a ZIP count in steps of 2 s
    newest = max(p.stat().st_mtime for p in out.rglob("*"))
    wait_until(lambda: time.time() // 2 > newest // 2)
    done = run_export(result, "all", tmp_path / "again", "--task-quantity", "working_depth",
                      "--task-value", "plan-check-stand=0.02")  # fmt: skip
    assert done.exit_code == 0
    first, second = dict(all_bytes(out)), dict(all_bytes(tmp_path / "again"))
    assert set(first) == set(second)
    assert [name for name in first if first[name] != second[name]] == []


def test_files_are_whole_or_not_there(result, tmp_path, monkeypatch):
    def fails(folder, content):
        (folder / "field.kmz").write_bytes(b"half")
        raise OutputError("disk full")

    monkeypatch.setattr("covermap.export.phone.write_phone_files", fails)
    with pytest.raises(OutputError, match="disk full"):
        run_export(result, "all", tmp_path / "sent")
    assert not (tmp_path / "sent").exists()


def test_a_second_export_replaces_the_first(result, tmp_path):
    for _ in range(2):
        done = run_export(result, "task", tmp_path, "--task-quantity", "working_depth",
                          "--task-value", "plan-check-stand=0.02")  # fmt: skip
        assert done.exit_code == 0
    assert {p.name for p in (tmp_path / "task" / "TASKDATA").iterdir()} == {
        "GRD00001.BIN", "TASKDATA.XML",
    }  # fmt: skip
    assert {p.name for p in tmp_path.iterdir()} == {"task"}


def test_the_folder_is_in_the_result_if_none_is_named(result):
    done = CliRunner().invoke(export_command, [str(result), "--for", "table"])
    assert done.exit_code == 0
    assert (result / "export" / "table" / "strips.csv").is_file()


def test_what_is_not_installed_is_left_out_and_said(result, tmp_path, monkeypatch):
    monkeypatch.setattr("covermap.export.gis.is_installed", lambda _: False)
    done = run_export(result, "gis", tmp_path)
    assert done.exit_code == 0
    assert 'No GeoParquet: it needs pip install "covermap[parquet]".' in done.output
    assert 'No STAC item: it needs pip install "covermap[stac]".' in done.output
    names = {path.name for path in (tmp_path / "gis").iterdir()}
    assert "field.gpkg" in names
    assert not {n for n in names if n.endswith((".parquet", "stac_item.json"))}


def test_wrong_options_are_refused_with_the_way_out(result, tmp_path):
    none = run_export(result, "task", tmp_path)
    assert none.exit_code == 2
    assert "working_depth" in none.output
    stray = run_export(result, "gis", tmp_path, "--task-value", "plan-harrow=1")
    assert stray.exit_code == 2
    word = run_export(result, "task", tmp_path, "--task-quantity", "working_depth",
                      "--task-value", "plan-harrow=deep")  # fmt: skip
    assert "RULE=VALUE" in word.output
    with pytest.raises(OutputError, match="no such folder"):
        run_export(tmp_path / "none", "gis", tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    """A result without plan, strips or times."""
    folder = map_sample(tmp_path_factory.mktemp("bare"), sample="barley")
    strips = pyogrio.read_dataframe(folder / "strips.gpkg").iloc[:0]
    passes = pyogrio.read_dataframe(folder / "passes.gpkg")
    passes["start_time"] = passes["end_time"] = pd.Series(
        [pd.NaT] * len(passes), dtype="datetime64[ms, UTC]"
    )
    for layer, table, shape in (("strips", strips, "Polygon"), ("passes", passes, "LineString")):
        (folder / f"{layer}.gpkg").unlink()
        pyogrio.write_dataframe(
            table, folder / f"{layer}.gpkg", layer=layer, geometry_type=shape, driver="GPKG"
        )
    return folder


def test_a_result_without_plan_strips_or_times_still_goes_out(bare, tmp_path):
    done = run_export(bare, "all", tmp_path)
    assert done.exit_code == 0
    assert (
        "No task data (prescription map) after ISO 11783-10: this result has no plan."
        in done.output
    )
    assert "No STAC item: the track has no times" in done.output
    assert pyogrio.read_info(tmp_path / "gis" / "field.gpkg", layer="strips")["features"] == 0
    assert json.loads((tmp_path / "gis" / "strips.geojson").read_text("utf-8"))["features"] == []
    for name, data in all_bytes(tmp_path / "phone"):
        if name.endswith("doc.kml"):
            check_model(ElementTree.fromstring(data))
    header = (tmp_path / "table" / "strips.csv").read_text("utf-8-sig")
    assert header.startswith("strip_id,")
    assert not (tmp_path / "task").exists()
    with pytest.raises(OutputError, match='next_crop="wheat"'):
        run_export(bare, "task", tmp_path, "--task-quantity", "working_depth")


def test_outline_without_a_plan_is_the_harvested_ground(bare):
    found = read_export_content(bare)
    with rasterio.open(bare / "residue.tif") as raster:
        cells = np.isfinite(raster.read(raster.descriptions.index("spread_ratio") + 1)).sum()
    assert found.outline.area == pytest.approx(cells * found.grid.cell_area_m2, rel=1e-9)
    assert found.outline.is_valid
    stated = found.result.summary["field"]["outline_ha"] * 1e4
    assert found.outline.area == pytest.approx(stated, rel=0.05)


def test_outline_with_a_plan_is_that_of_the_map(content):
    stated = content.result.summary["field"]["outline_ha"] * 1e4
    assert content.outline.area == pytest.approx(stated, rel=1e-4)


def test_damaged_files_are_named(bare, tmp_path):
    import shutil

    broken = tmp_path / "broken"
    shutil.copytree(bare, broken)
    (broken / "plan.gpkg").write_bytes(b"no package")
    with pytest.raises(OutputError, match=r"plan\.gpkg"):
        run_export(broken, "gis", tmp_path / "x")
    (broken / "plan.gpkg").unlink()
    (broken / "causes.csv").unlink()
    with pytest.raises(OutputError, match=r"causes\.csv"):
        run_export(broken, "gis", tmp_path / "x")


def test_columns_of_every_layer_are_those_of_its_file(content):
    for layer, file in FILES.items():
        table = content.layers[layer]
        assert list(content.columns(layer)) == [c for c in table.columns if c != "geometry"]
        assert set(content.columns(layer)) <= set(columns_of(file))

"""Task sets, read back whole by an independent reader of ISO 11783-10 (PyPI isoxml).

Its data classes are made from the published schemas of versions 3.3 and 4.3 (so its own
notes say), so element and attribute lists, lengths, ranges and patterns come from there.
Areas are measured anew in an equal-area projection (Lambert, of PROJ) about each field, not
in the plane the writer uses.
"""

import re
import shutil
import tempfile
import unicodedata
from dataclasses import fields
from datetime import UTC, datetime, timedelta, timezone
from enum import Enum
from pathlib import Path
from typing import get_args
from xml.etree import ElementTree

import geopandas as gpd
import isoxml.models.base.v3 as version_3
import isoxml.models.base.v4 as version_4
import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st
from isoxml.converter.np_grid import to_numpy_array
from isoxml.converter.shapely_geom import ShapelyConverterV3, ShapelyConverterV4
from isoxml.models.ddi_entities import DDEntity
from isoxml.util.isoxml_io import isoxml_from_path
from shapely.affinity import rotate
from shapely.geometry import MultiPolygon, Polygon, box

from covermap.errors import OutputError, SettingsError
from covermap.export.task_file import TASK_FILES, designator, plain_text, write_task_set
from covermap.export.task_grid import AREA_TOLERANCE, lay_task_grid
from covermap.export.task_values import task_quantities
from covermap.plan.actions import ACTIONS, RULE_IDS

MADE = datetime(2026, 8, 1, 12, 30, tzinfo=UTC)
HARROWED = {"plan-harrow": 0.05}


def zones_of(rule_ids, shapes, crs="EPSG:32626"):
    return gpd.GeoDataFrame({"rule_id": rule_ids}, geometry=list(shapes), crs=crs)


def two_zones():
    """Make a harrow zone in the south-west corner of ground to be left."""
    west, south = 500_000.0, 4_980_000.0
    corner = box(west, south, west + 60, south + 36)
    field = box(west, south, west + 240, south + 180)
    return zones_of(["plan-harrow", "plan-leave"], [corner, field - corner])


def written(folder, zones, **changes):
    """Write a set, and give the root, the grid of codes and what was said."""
    options = {
        "field_name": "Invented field",
        "outline": zones.union_all(),
        "quantity": "working_depth",
        "made": MADE,
        "values": HARROWED,
    }
    said = write_task_set(folder, zones, **(options | changes))
    root, binaries = isoxml_from_path(folder / "TASKDATA")
    grid = root.tasks[0].grids[0]
    return root, to_numpy_array(binaries[grid.filename], grid), said


def true_areas(degrees):
    """Measure shapes in degrees on the ellipsoid, by an equal-area projection about them."""
    shapes = gpd.GeoSeries(degrees, crs=4326)
    west, south, east, north = shapes.total_bounds
    about = f"+proj=laea +lat_0={(south + north) / 2} +lon_0={(west + east) / 2} +ellps=WGS84"
    return shapes.to_crs(about).area.to_numpy()


def grid_area(grid, codes, code):
    """Measure the cells of one code on the ellipsoid, row by row from the south."""
    west, east = float(grid.minimum_east_position), grid.cell_east_size
    low = float(grid.minimum_north_position) + np.arange(len(codes)) * grid.cell_north_size
    rows = shapely.box(west, low, west + east, low + grid.cell_north_size)
    return float(np.count_nonzero(codes == code, axis=1) @ true_areas(rows))


def assert_by_schema(element, kind):
    """Hold an element against its class made from the published schema."""
    known, children = (
        {f.metadata.get("name", f.name): f for f in fields(kind) if f.metadata["type"] == sort}
        for sort in ("Attribute", "Element")
    )
    where = element.tag
    assert element.tag == kind.Meta.name
    for name, field in known.items():
        assert element.get(name) is not None or not field.metadata.get("required"), (where, name)
    for name, text in element.attrib.items():
        assert name in known, f"{where}: attribute {name} is not in the schema"
        rule = known[name].metadata
        types = get_args(known[name].type) or (known[name].type,)
        choices = [one for one in types if isinstance(one, type) and issubclass(one, Enum)]
        if choices and str not in types:
            assert text in {one.value for one in choices[0]}, (where, name, text)
        if rule.get("format") == "base16":
            assert len(bytes.fromhex(text)) == rule["length"], (where, name, text)
        elif rule.get("length"):
            assert len(text) == rule["length"], (where, name, text)
        assert len(text) <= rule.get("max_length", 10_000), (where, name, text)
        assert len(text) >= rule.get("min_length", 0), (where, name, text)
        if "pattern" in rule:
            assert re.fullmatch(rule["pattern"], text), (where, name, text)
        if "min_inclusive" in rule:
            assert rule["min_inclusive"] <= type(rule["min_inclusive"])(text), (where, name, text)
            assert type(rule["max_inclusive"])(text) <= rule["max_inclusive"], (where, name, text)
        if "fraction_digits" in rule:
            assert len(text.partition(".")[2]) <= rule["fraction_digits"], (where, name, text)
    for name, field in children.items():
        assert len(element.findall(name)) >= field.metadata.get("min_occurs", 0), (where, name)
    for child in element:
        assert child.tag in children, f"{where}: element {child.tag} is not in the schema"
        (inner,) = get_args(children[child.tag].type)
        assert_by_schema(child, inner)


def schema_root(root):
    return {"3": version_3, "4": version_4}[root.get("VersionMajor")].Iso11783TaskData


def xml_of(folder):
    return ElementTree.parse(folder / "TASKDATA" / "TASKDATA.XML").getroot()


@st.composite
def fields_with_zones(draw):
    """Draw a field somewhere on earth: tiles of an implement, some left out, any heading."""
    latitude = draw(st.floats(-68, 68))
    longitude = draw(st.floats(-179, 179))
    place = gpd.GeoSeries(gpd.points_from_xy([longitude], [latitude]), crs=4326)
    crs = place.estimate_utm_crs()
    middle = place.to_crs(crs).iloc[0]
    width, length = draw(st.floats(6, 40)), draw(st.floats(12, 80))
    rows, cols = draw(st.integers(1, 6)), draw(st.integers(1, 6))
    kinds = draw(
        st.lists(st.sampled_from([*RULE_IDS, ""]), min_size=rows * cols, max_size=rows * cols)
    )
    if not any(kinds):
        kinds[0] = "plan-harrow"
    heading = draw(st.floats(0, 180))
    tiles = [
        box(
            middle.x + (i % cols) * width,
            middle.y + (i // cols) * length,
            middle.x + (i % cols + 1) * width,
            middle.y + (i // cols + 1) * length,
        )
        for i in range(rows * cols)
    ]
    turned = [rotate(tile, heading, origin=(middle.x, middle.y)) for tile in tiles]
    pairs = [(kind, tile) for kind, tile in zip(kinds, turned, strict=True) if kind]
    # by action, so that some zones are of several parts and have holes
    rule_ids = sorted({kind for kind, _ in pairs})
    shapes = [shapely.union_all([t for kind, t in pairs if kind == r]) for r in rule_ids]
    return zones_of(rule_ids, shapes, crs)


@settings(max_examples=40, deadline=None)
@given(zones=fields_with_zones(), data=st.data())
def test_any_field_comes_back_whole(zones, data):
    quantity = data.draw(st.sampled_from(sorted(task_quantities())))
    row = task_quantities()[quantity]
    values = {r: data.draw(st.floats(row.least, row.most)) for r in zones["rule_id"]}
    outline = zones.union_all()
    folder = Path(tempfile.mkdtemp())
    try:
        root, codes, said = written(
            folder, zones, quantity=quantity, values=values, outline=outline
        )
        xml = xml_of(folder)
    finally:
        shutil.rmtree(folder)
    assert_by_schema(xml, schema_root(xml))

    # values: exact at the resolution, the entity's own (ISO 11783-11)
    task = root.tasks[0]
    treatment = {zone.code: zone for zone in task.treatment_zones}
    by_words = {zone.designator: zone.code for zone in task.treatment_zones}
    entity = DDEntity.from_bytes(treatment[0].process_data_variables[0].process_data_ddi)
    assert entity.ddi == row.ddi
    for rule_id, value in values.items():
        (variable,) = treatment[by_words[ACTIONS[rule_id]]].process_data_variables
        assert abs(variable.process_data_value * row.si_per_bit - value) <= row.si_per_bit * 0.501
        assert any("task-rounded" in s and ACTIONS[rule_id] in s for s in said) or (
            variable.process_data_value * row.si_per_bit
            == pytest.approx(value, rel=1e-8, abs=row.si_per_bit * 1e-5)
        )

    # areas and places of zones
    grid = task.grids[0]
    assert set(np.unique(codes)) <= set(treatment)
    degrees = zones.to_crs(4326)
    true = true_areas(degrees.geometry)
    if any("[task-cells-coarse]" in sentence for sentence in said):
        assert true.min() < 300.0  # of the smallest; what is larger can always be laid
        true = true[:0]
    for rule_id, area in zip(degrees["rule_id"][: len(true)], true, strict=True):
        laid = grid_area(grid, codes, by_words[ACTIONS[rule_id]])
        assert laid == pytest.approx(area, rel=AREA_TOLERANCE + 1e-4)
    chosen = np.random.default_rng(1).integers(0, codes.size, 200)
    rows, cols = np.unravel_index(chosen, codes.shape)
    north = float(grid.minimum_north_position) + (rows + 0.5) * grid.cell_north_size
    east = float(grid.minimum_east_position) + (cols + 0.5) * grid.cell_east_size
    expected = np.zeros(len(chosen), int)
    for rule_id, shape in zip(degrees["rule_id"], degrees.geometry, strict=True):
        expected[shapely.contains_xy(shape, east, north)] = by_words[ACTIONS[rule_id]]
    on_edge = shapely.distance(
        shapely.union_all(degrees.boundary.to_numpy()), shapely.points(east, north)
    )
    assert (codes[rows, cols] == expected)[on_edge > 1e-9].all()

    # the field: every corner, and the area
    converter = ShapelyConverterV3() if xml.get("VersionMajor") == "3" else ShapelyConverterV4()
    (partfield,) = root.partfields
    parts = [converter.to_shapely_polygon(polygon) for polygon in partfield.polygons]
    given_parts = gpd.GeoSeries([outline], crs=zones.crs).to_crs(4326).explode().tolist()
    assert len(parts) == len(given_parts)
    for part, given_part in zip(parts, given_parts, strict=True):
        close = shapely.get_coordinates(part) - shapely.get_coordinates(given_part)
        assert np.abs(close).max() <= 1e-7
    assert true_areas(parts) == pytest.approx(true_areas(given_parts), rel=1e-4)
    # UTM scales lengths by 0.9996 to 1.001 within its zone (from memory)
    assert partfield.area == pytest.approx(true_areas(given_parts).sum(), rel=0.003, abs=1)


def test_first_byte_is_the_south_west_corner(tmp_path):
    """ISO 11783-10 orders cells from the minimum position, eastwards, then northwards."""
    written(tmp_path, two_zones())
    grid = xml_of(tmp_path).find("TSK/GRD")
    cells = (tmp_path / "TASKDATA" / "GRD00001.BIN").read_bytes()
    rows, cols = int(grid.get("F")), int(grid.get("E"))
    harrow, leave = 1 + RULE_IDS.index("plan-harrow"), 1 + RULE_IDS.index("plan-leave")
    assert len(cells) == rows * cols == int(grid.get("H"))
    assert cols > rows  # the field is wider than it is high
    assert cells[cols + 1] == harrow
    assert cells[2 * cols - 2] == leave  # south-east
    assert cells[-2 * cols + 1] == leave  # north-west


@pytest.mark.parametrize("quantity", sorted(task_quantities()))
def test_entities_are_those_of_the_data_dictionary(quantity):
    """Against the copy of the ISO 11783-11 data dictionary in PyPI isoxml."""
    row = task_quantities()[quantity]
    entity = DDEntity.from_id(row.ddi)
    assert (entity.name, entity.unit) == (row.standard_name, row.unit)
    unit_in_si = {"mm": 1e-3, "Pa": 1.0, "N": 1.0, "mg/m²": 1e-6, "ppm": 1e-6}[entity.unit]
    assert row.si_per_bit == pytest.approx(entity.bit_resolution * unit_in_si)
    shown = {"cm": 100, "kPa": 1e-3, "N": 1, "kg/ha": 1e4, "%": 100}[row.shown_unit]
    assert row.shown_per_si == shown
    assert max(abs(row.least), row.most) / row.si_per_bit < 2**31


@pytest.mark.parametrize("quantity", sorted(task_quantities()))
def test_nothing_goes_into_the_ground_unless_a_person_said_so(tmp_path, quantity):
    leave_value = task_quantities()[quantity].leave_value
    assert leave_value is None or leave_value <= 0.0
    with pytest.raises(SettingsError) as refused:
        written(tmp_path, two_zones(), quantity=quantity, values=None)
    assert 'task_values={"plan-harrow": "VALUE"}' in str(refused.value)
    assert ("plan-leave" in str(refused.value)) == (leave_value is None)
    assert not list(tmp_path.iterdir())

    root, _, _ = written(
        tmp_path, two_zones(), quantity=quantity, values={"plan-harrow": 0.02, "plan-leave": 0.01}
    )
    (task,) = root.tasks
    idle = {
        task.default_treatment_zone_code,
        task.position_lost_treatment_zone_code,
        task.out_of_field_treatment_zone_code,
    }
    assert idle == {0}
    (outside,) = [zone for zone in task.treatment_zones if zone.code == 0]
    assert [v.process_data_value for v in outside.process_data_variables] == [0]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"quantity": "working_dept"}, "Did you mean 'working_depth'"),
        ({"values": {"plan-harow": 0.05}}, "Did you mean 'plan-harrow'"),
        ({"values": {"plan-harrow": 5.0}}, "between -0.5 and 0.5 m"),
        ({"values": {"plan-harrow": float("nan")}}, "between -0.5 and 0.5 m"),
        ({"values": {"plan-leave": 0.0}}, "no value for plan-harrow (heavy harrow)"),
    ],
)
def test_settings_that_cannot_be_meant_are_refused(tmp_path, changes, words):
    with pytest.raises(SettingsError, match=re.escape(words)):
        written(tmp_path, two_zones(), **changes)
    assert not list(tmp_path.iterdir())


def test_plans_that_cannot_be_written_are_refused(tmp_path):
    good = two_zones()
    fiji = gpd.GeoSeries([box(179.999, -17.0, 180.001, -16.999)], crs=4326).to_crs(32760)
    for zones, outline, words in (
        (good.iloc[:0], good.union_all(), "no zones"),
        (good, Polygon(), "no outline"),
        (good.to_crs(4326), good.union_all(), "metric CRS"),
        (zones_of(["plan-fly"], [box(0, 0, 9, 9)]), box(0, 0, 9, 9), "'plan-fly'"),
        (zones_of(["plan-harrow"], fiji, fiji.crs), fiji.iloc[0], "180th meridian"),
    ):
        with pytest.raises(OutputError, match=words):
            written(tmp_path, zones, outline=outline)


def test_ground_too_small_for_the_grid_is_named(tmp_path):
    tiny = zones_of(["plan-harrow"], [box(500_000.03, 4_980_000.03, 500_000.3, 4_980_000.2)])
    grid = lay_task_grid(tiny, [5])
    assert grid.worst_error > AREA_TOLERANCE
    _, _, said = written(tmp_path, tiny)
    (coarse,) = [s for s in said if "[task-cells-coarse]" in s]
    assert "'heavy harrow'" in coarse
    assert not any("[task-cells]" in s for s in said)


def test_parts_that_lie_apart_need_version_4(tmp_path):
    zones = two_zones()
    far = box(500_400, 4_980_000, 500_500, 4_980_100)
    _, _, said = written(tmp_path, zones, outline=zones.union_all())
    assert xml_of(tmp_path).get("VersionMajor") == "3"
    assert not any("[task-parts]" in s for s in said)
    _, _, said = written(tmp_path, zones, outline=MultiPolygon([zones.union_all(), far]))
    xml = xml_of(tmp_path)
    assert_by_schema(xml, version_4.Iso11783TaskData)
    assert (xml.get("VersionMajor"), len(xml.findall("PFD/PLN"))) == ("4", 2)
    assert any("2 parts" in s and "[task-parts]" in s for s in said)


@settings(max_examples=60, deadline=None)
@given(name=st.text(max_size=60))
@example(name="<a b='&\">\x00\x1b]]>")
@example(name="\u202egnp.exe\ufffe\ud800 field")
@example(name="e\u0301" * 40)
@example(name="\U0001f469\u200d\U0001f33e" * 20)
@example(name="\u0301" * 50)
def test_any_name_is_cut_with_care(name):
    folder = Path(tempfile.mkdtemp())
    try:
        root, _, _ = written(folder, two_zones(), field_name=name)
        assert_by_schema(xml_of(folder), version_3.Iso11783TaskData)
        readme = (folder / "READ_ME_FIRST.txt").read_text("utf-8")
    finally:
        shutil.rmtree(folder)
    got = root.partfields[0].designator
    whole = plain_text(name) or "field"
    assert whole.startswith(got)
    assert 1 <= len(got) <= 32
    assert readme.startswith(
        f"Task data (prescription map) after ISO 11783-10: working depth, {whole}\nMade by covermap"
    )
    following = whole[len(got) :].lstrip()
    if following and not unicodedata.category(whole[0]).startswith("M"):
        assert not unicodedata.category(following[0]).startswith("M")
        assert "\u200d" not in (following[0], got[-1])
        assert len(got) > 10


def test_the_cut_can_fall_inside_a_letter():
    """Without care the 32nd character would end between a letter and its accent."""
    text = "x" * 31 + "e\u0301" + "y" * 9
    assert text[:32].endswith("e")
    assert designator(text) == "x" * 31


def test_the_text_says_what_to_check_first(tmp_path):
    _, _, said = written(tmp_path, two_zones(), values={"plan-harrow": 0.0504, "plan-till": 0.1})
    text = (tmp_path / "READ_ME_FIRST.txt").read_text("utf-8")
    for words in (
        "on the terminal before work",
        "engine off, key out, all moving parts stopped",
        "operator's manual first",
        "Local codes and licensed advisers",
        "0 is at the soil surface, not lifted",
        "heavy harrow, 0.22 ha: 5 cm (50) [plan-harrow]",
        "leave, 4.10 ha: 0 cm (0) [plan-leave]",
        "Setpoint Tillage Depth, entity 51",
        "0.0504 m was rounded to 0.05 m",
        "but the plan has no such zone. [task-unused]",
        "2026-08-01 12:30 UTC",
        "version 3.3",
    ):
        assert words in text, words
    assert all(sentence in text for sentence in said)
    assert all(re.search(r"\[task-[a-z-]+\]$", sentence) for sentence in said)
    assert text.index("before work") < text.index("Quantity:")


def test_same_input_same_bytes_and_no_path_of_this_computer(tmp_path):
    contents = []
    for place in ("one", "another"):
        folder = tmp_path / place
        folder.mkdir()
        # the same moment, told in another time zone
        made = MADE.astimezone(timezone(timedelta(hours=-6 if place == "one" else 9)))
        written(folder, two_zones(), made=made)
        files = sorted(p for p in folder.rglob("*") if p.is_file())
        assert tuple(p.relative_to(folder).as_posix() for p in files) == TASK_FILES
        contents.append([p.read_bytes() for p in files])
    assert contents[0] == contents[1]
    for content in contents[0]:
        assert str(tmp_path).encode() not in content
        assert str(Path.home()).encode() + b"/" not in content


@pytest.mark.parametrize(
    "damage",
    [
        lambda root: root.attrib.pop("ManagementSoftwareVersion"),
        lambda root: root.set("Colour", "red"),
        lambda root: root.find("PFD").set("C", "x" * 33),
        lambda root: root.find("TSK").set("G", "9"),
        lambda root: root.find("TSK").set("A", "TASK1"),
        lambda root: root.find("TSK/TZN").set("A", "255"),
        lambda root: root.find("TSK/TZN/PDV").set("A", "33"),
        lambda root: root.find("TSK/TZN/PDV").set("B", str(2**31)),
        lambda root: root.find("TSK/GRD").set("G", "GRID0001"),
        lambda root: root.find("TSK/GRD").attrib.pop("I"),
        lambda root: root.find("PFD/PLN/LSG/PNT").set("C", "91.0"),
        lambda root: ElementTree.SubElement(root.find("TSK"), "NOTE"),
    ],
)
def test_the_structure_check_can_fail(tmp_path, damage):
    written(tmp_path, two_zones())
    root = xml_of(tmp_path)
    assert_by_schema(root, version_3.Iso11783TaskData)
    damage(root)
    with pytest.raises(AssertionError):
        assert_by_schema(root, version_3.Iso11783TaskData)

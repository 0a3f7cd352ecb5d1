"""The one Python door: the commands as functions, with the same numbers and files."""

import json
import subprocess
import sys
from datetime import date
from pathlib import Path

import geopandas as gpd
import numpy as np
import pypdf
import pytest
import rasterio

import covermap
from covermap.errors import OutputError, SettingsError

SAMPLES = Path(__file__).parents[2] / "sample_fields"
WHEAT = SAMPLES / "wheat" / "wheat.toml"


@pytest.fixture(scope="module")
def field():
    return covermap.map_field(WHEAT)


@pytest.fixture(scope="module")
def folder(field, tmp_path_factory):
    place = tmp_path_factory.mktemp("door") / "map"
    field.write(place)
    return place


def test_the_names_offered_are_these():
    assert covermap.__all__ == [
        "Answer",
        "CovermapError",
        "FieldMap",
        "OpenField",
        "advise",
        "compare",
        "how_sure",
        "map_field",
        "open_result",
        "read",
        "season",
        "trays",
    ]
    assert set(covermap.__all__) < set(dir(covermap))
    for name in covermap.__all__:
        assert getattr(covermap, name).__name__ == name
        assert callable(getattr(covermap, name))
    with pytest.raises(AttributeError, match="no attribute 'harvester'"):
        _ = covermap.harvester


def test_functions_stay_functions_when_their_rooms_are_imported():
    for name in ("compare", "season", "trays", "how_sure", "advise", "read"):
        assert not isinstance(getattr(covermap, name), type(sys))


def test_importing_loads_nothing_heavy():
    code = (
        "import sys, covermap; "
        "print(sorted(m for m in ('numpy', 'pandas', 'click', 'rasterio') if m in sys.modules))"
    )
    assert subprocess.check_output([sys.executable, "-c", code], text=True) == "[]\n"


def test_a_field_shows_itself(field):
    assert repr(field).startswith(
        "<covermap: 'Sample wheat, narrow spell and windrow block', wheat"
    )
    assert "\n" not in repr(field)
    page = field._repr_html_()
    assert field.verdict in page
    assert "<svg" in page


def test_tables_and_arrays_are_those_of_the_files(field, folder):
    strips = gpd.read_file(folder / "strips.gpkg")
    assert isinstance(field.strips, gpd.GeoDataFrame)
    assert len(field.strips) == len(strips)
    assert len(field.passes) == len(gpd.read_file(folder / "passes.gpkg"))
    with rasterio.open(folder / "residue.tif") as file:
        assert field.transform == file.transform
        assert field.crs.to_epsg() == file.crs.to_epsg()
        for name, values in field.rasters.items():
            band = file.read(file.descriptions.index(name) + 1)
            np.testing.assert_array_equal(values, band)
    written = json.loads((folder / "summary.json").read_text("utf-8"))
    assert written["evenness"] == field.summary["evenness"]
    assert set(written["inputs_sha256"]) == {"wheat.toml", "wheat.csv"}


def test_an_xarray_view_where_xarray_is_there(field, monkeypatch):
    xarray = pytest.importorskip("xarray")
    seen = field.xarray()
    assert isinstance(seen, xarray.Dataset)
    column, row = 40, 20
    east, north = rasterio.transform.xy(field.transform, row, column)
    there = seen["residue_t_ha"].sel(easting=east, northing=north)
    np.testing.assert_equal(float(there), float(field.rasters["residue_t_ha"][row, column]))
    monkeypatch.setitem(sys.modules, "xarray", None)
    with pytest.raises(OutputError, match="pip install xarray"):
        field.xarray()


def test_settings_are_arguments_and_win_over_the_field_file(tmp_path):
    opened = covermap.read(WHEAT, spread_width="30 ft", residue_delay=0)
    assert opened.settings.spread.width_m == pytest.approx(9.144)
    assert opened.settings.combine.residue_delay_s == 0
    bare = covermap.map_field(
        SAMPLES / "wheat" / "wheat.csv", crop="wheat", cut_width="30 ft", spread_width="30 ft"
    )
    assert bare.summary["settings"]["combine"]["cut_width"] == pytest.approx(9.144)
    # what is read already is mapped as it is, or with other settings
    assert covermap.map_field(opened).result.settings == opened.settings
    wide = covermap.map_field(opened, spread_width=12.0)
    assert wide.result.settings.spread.width_m == 12.0
    with pytest.raises(SettingsError, match=r"such as .*spread_width"):
        covermap.read(WHEAT, spred_width="30 ft")


def test_errors_name_arguments():
    with pytest.raises(SettingsError) as caught:
        covermap.map_field(SAMPLES / "wheat" / "wheat.csv", crop="wheat", cut_width="30 ft")
    assert 'spread_width="35 ft"' in str(caught.value)
    assert "--" not in str(caught.value)
    with pytest.raises(SettingsError) as caught:
        covermap.read(SAMPLES / "wheat" / "wheat.csv", columns={"longitude": "Eastwards"})
    assert 'columns={"longitude": ' in str(caught.value)
    assert "--" not in str(caught.value)


def test_a_plan_and_its_files(field, tmp_path):
    plan = field.plan(next_crop="canola", operations="no-till drill")
    assert plan.summary["next_crop"] == "canola"
    assert "What to do:" in str(plan)
    assert "\n" not in repr(plan)
    assert "<svg" in plan._repr_html_()
    files = plan.write(tmp_path / "plan")
    assert {f.name for f in files} >= {"plan.gpkg", "plan.tif", "plan.json", "plan.svg"}
    assert all(f.is_file() for f in files)
    beside = field.write(tmp_path / "both", plan=plan)
    assert {"plan.json", "map.html"} <= {f.name for f in beside}
    with pytest.raises(SettingsError, match=r"\[spread\] width was settled"):
        field.plan(spread_width="9 m")


def test_a_result_read_back_is_the_same_field(field, folder):
    back = covermap.open_result(folder)
    assert repr(back) == repr(field)
    assert back.verdict == field.verdict
    assert back.picture() == field.picture()
    for name, values in field.rasters.items():
        np.testing.assert_array_equal(back.rasters[name], values)
    for wrong in (lambda: back.plan(), lambda: back.write(folder / "again")):
        with pytest.raises(OutputError, match=r"covermap\.map_field"):
            wrong()


def test_the_report(field, folder, tmp_path):
    pytest.importorskip("typst")
    day = date(2026, 10, 14)
    for one, name in ((field, "run.pdf"), (covermap.open_result(folder), "back.pdf")):
        file = one.report(tmp_path / name, today=day)
        assert "Sample wheat" in pypdf.PdfReader(file).pages[0].extract_text()


def test_a_comparison(folder, tmp_path):
    covermap.map_field(WHEAT, spread_width="11 m").write(tmp_path / "wider")
    answer = covermap.compare(folder, tmp_path / "wider")
    assert answer.found.same_harvest
    assert answer.text(us_units=True) != answer.text()
    assert (tmp_path / "told" / "compare.json") in answer.write(tmp_path / "told")
    assert "<svg" in answer._repr_html_()


def test_how_sure():
    answer = covermap.how_sure(SAMPLES / "oats" / "oats.toml", repeats=20, seed=3)
    assert len(answer.found.repeats) == 20
    assert answer.summary["seed"] == 3


def test_advice_with_and_without_a_track(tmp_path):
    answer = covermap.advise(SAMPLES / "oats" / "oats.toml")
    assert "engine off" in str(answer)
    assert answer.write(tmp_path) == [tmp_path / "settings_card.svg"]
    alone = covermap.advise(
        headings_deg=[0.0], crop="oats", cut_width="9 m", spread_width="9 m", spacing="30 ft"
    )
    assert alone.found.headings[0].heading_deg == 0.0


def test_trays(tmp_path):
    answer = covermap.trays(SAMPLES / "oats" / "oats_trays.csv")
    assert {f.name for f in answer.write(tmp_path)} == {"profile.toml", "trays.svg"}
    assert answer.found.shares.sum() == pytest.approx(1.0)
    with pytest.raises(SettingsError, match="more than 0"):
        covermap.trays(SAMPLES / "oats" / "oats_trays.csv", cv_limit=0)


def test_a_season(tmp_path):
    pytest.importorskip("distributed")
    source = tmp_path / "fields"
    source.mkdir()
    for file in ("wheat.toml", "wheat.csv"):
        (source / file).write_bytes((SAMPLES / "wheat" / file).read_bytes())
    content = covermap.season(source, tmp_path / "out", workers=1, cell="1 m")
    assert [row["status"] for row in content["fields"]] == ["mapped"]
    assert (tmp_path / "out" / "season.html").is_file()

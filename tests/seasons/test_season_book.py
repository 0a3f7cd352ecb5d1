"""The season book from folders that were really mapped: tables, rankings, two years."""

import io
import json
import re
import shutil
import sys
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path
from sqlite3 import connect

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from pyproj import CRS, Geod
from shapely.geometry import LineString

from covermap.cli.commands import commands
from covermap.cli.sample_command import write_sample
from covermap.comparison.compare_fields import compare_fields
from covermap.errors import OutputError
from covermap.files.geotiff import write_geotiff
from covermap.files.open_result import open_result
from covermap.ground.grid import Grid
from covermap.seasons import season_book, season_tables
from covermap.seasons.rankings import PASS_COLUMNS, beaufort_force, rankings
from covermap.seasons.season_book import write_season_book
from covermap.seasons.season_notes import season_facts, worst_fields
from covermap.seasons.season_results import open_season, read_field
from covermap.seasons.season_tables import FIELD_COLUMNS, SeasonTables, field_table
from covermap.seasons.thumbnail import thumbnail_png
from covermap.seasons.year_on_year import YEAR_COLUMNS, match_fields
from covermap.tables import read_table
from covermap.tables.column_meanings import columns_of

HOSTILE = '<script>alert("x")</script> & Oat\'s "hill"'
#: field_id: sample, name, machine, further options of covermap map
FIELDS = {
    "north-40": ("wheat", "North forty", "combine 1", ()),
    "oat-hill": ("oats", HOSTILE, "combine 2", ()),
    "rows": ("corn", "=Rows only", "combine 2",
             ("--discharge", "windrow", "--spread-width", "1.5 m")),
    "west-20": ("canola", "West twenty", None, ("--wind-speed", "4.5", "--wind-from", "270",
                                                "--wind-height", "2")),
}  # fmt: skip
BROKEN = {
    "field_id": "a-broken", "name": "Broken log", "status": "failed", "folder": None,
    "reason": "log.csv, line 3: no position.", "machine": None, "source": "log.csv", "part": None,
    "key": None, "seconds": None,
}  # fmt: skip


def mapped(folder, field_id, sample, options=(), *, still=False):
    field = write_sample(folder / "samples" / field_id, sample)
    if still:
        field.write_text(field.read_text("utf-8").replace('file = "oats_wind.csv"', ""), "utf-8")
    run = ["map", str(field), "--out", str(folder / "season" / "fields" / field_id),
           "--cell", "2", "--quiet", *options]  # fmt: skip
    ran = CliRunner().invoke(commands, run, catch_exceptions=False)
    assert ran.exit_code == 0, ran.output


def listed(field_id, name, machine=None, **more):
    return {
        "field_id": field_id, "name": name, "status": "mapped", "reason": None,
        "folder": f"fields/{field_id}", "machine": machine, "source": "log.csv", "part": None,
        "key": "0" * 64, "seconds": 1.5, **more,
    }  # fmt: skip


def write_list(folder, rows, name="Harvest 2026"):
    content = {"schema": "covermap-season-2", "covermap": "0.1.0", "name": name, "fields": rows}
    (folder / "season.json").write_text(json.dumps(content), "utf-8")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A season of four fields and a failed one; its list is not in the order of the ids."""
    folder = tmp_path_factory.mktemp("season")
    for field_id, (sample, _, _, options) in FIELDS.items():
        mapped(folder, field_id, sample, options)
    rows = [listed(k, name, machine) for k, (_, name, machine, _) in FIELDS.items()]
    write_list(folder / "season", [*reversed(rows), BROKEN])
    return folder / "season"


@pytest.fixture(scope="module")
def book(made):
    written = write_season_book(made)
    assert written == ["fields.parquet", "passes.parquet", "rankings.csv", "season.html",
                       "strips.gpkg"]  # fmt: skip
    return made


@pytest.fixture
def copy(made, tmp_path):
    shutil.copytree(made, tmp_path / "season")
    return tmp_path / "season"


def summary_of(book, field_id):
    return json.loads((book / "fields" / field_id / "summary.json").read_text("utf-8"))


# --- tables ---------------------------------------------------------------------------------


def test_fields_hold_what_each_summary_says(book):
    fields = pd.read_parquet(book / "fields.parquet")
    assert list(fields["field_id"]) == sorted([*FIELDS, "a-broken"])
    assert list(fields.columns) == list(FIELD_COLUMNS)
    rows = fields.set_index("field_id")
    assert rows.loc["a-broken", "reason"] == "log.csv, line 3: no position."
    number = [name for name, kind in FIELD_COLUMNS.items() if kind in ("number", "count")]
    assert rows.loc["a-broken", number].isna().all()
    for field_id in FIELDS:
        row, told = rows.loc[field_id], summary_of(book, field_id)
        assert row["cv_pct"] == told["evenness"]["cv_pct"]
        assert row["harvested_ha"] == told["field"]["harvested_ha"]
        for kind in ("gap", "double"):
            share = told[kind]["area_ha"] / told["field"]["harvested_ha"]
            assert row[f"{kind}_share"] == pytest.approx(share)
        assert row["mean_cover_pct"] == told["residue"]["mean_cover_pct"]
        assert row["main_cause"] == told["causes"][0]["cause"]
        # the sides of the map in degrees enclose what the GeoJSON, written apart, holds
        strips = gpd.read_file(book / "fields" / field_id / "strips.geojson")
        west, south, east, north = strips.total_bounds
        assert row["west_deg"] <= west + 1e-6
        assert row["south_deg"] <= south + 1e-6
        assert row["east_deg"] >= east - 1e-6
        assert row["north_deg"] >= north - 1e-6
    assert rows.loc["rows", "discharge"] == "windrow"
    assert rows.loc["north-40", "discharge"] == "both"
    assert 0 < rows.loc["north-40", "windrow_share"] < 0.2
    assert rows.loc["west-20", ["wind_speed_m_s", "wind_from_deg"]].to_list() == [4.5, 270.0]
    assert rows.loc["west-20", "wind_height_m"] == 2.0


def test_passes_are_those_of_all_fields(book):
    passes = pd.read_parquet(book / "passes.parquet")
    assert list(passes.columns) == ["field_id", "field", *columns_of("passes.gpkg")]
    for field_id in FIELDS:
        own = gpd.read_file(book / "fields" / field_id / "passes.gpkg").drop(columns="geometry")
        mine = passes[passes["field_id"] == field_id].drop(columns=["field_id", "field"])
        pd.testing.assert_frame_equal(
            mine.reset_index(drop=True)[own.columns], own, check_dtype=False
        )
    assert str(passes["start_time"].dtype) == "datetime64[ms, UTC]"


def test_strips_lie_in_degrees_with_the_areas_of_their_fields(book):
    """Areas against those on the WGS 84 ellipsoid (GeographicLib in pyproj.Geod)."""
    strips = gpd.read_file(book / "strips.gpkg")
    assert strips.crs.to_epsg() == 4326
    assert [c for c in strips.columns if c != "geometry"] == [
        "field_id", "field", *columns_of("strips.gpkg")]  # fmt: skip
    for field_id in FIELDS:
        own = gpd.read_file(book / "fields" / field_id / "strips.gpkg")
        mine = strips[strips["field_id"] == field_id].reset_index(drop=True)
        assert list(mine["strip_id"]) == list(own["strip_id"])
        assert list(mine["causes"]) == list(own["causes"])
    assert strips.loc[strips["field_id"] == "west-20", "action"].notna().all()  # it has a plan
    assert strips.loc[strips["field_id"] == "north-40", "action"].isna().all()
    geod = Geod(ellps="WGS84")
    metric = pd.concat(
        [gpd.read_file(book / "fields" / k / "strips.gpkg").geometry.area for k in sorted(FIELDS)]
    )
    area = np.array([abs(geod.geometry_area_perimeter(s)[0]) for s in strips.geometry])
    # all lie near the middle of a UTM zone, whose scale is 0.9996 there
    assert area / metric.to_numpy() == pytest.approx(1 / 0.9996**2, rel=1e-5)


def test_the_package_says_what_its_columns_mean(book):
    with closing(connect(book / "strips.gpkg")) as package:
        told = dict(package.execute("SELECT column_name, description FROM gpkg_data_columns"))
        (about,) = package.execute("SELECT description FROM gpkg_contents").fetchone()
    assert told["deficit_kg"] == columns_of("strips.gpkg")["deficit_kg"].text
    assert "WGS 84" in about


def test_strips_written_in_many_goes_are_those_written_in_one(book, tmp_path, monkeypatch):
    monkeypatch.setattr(season_tables, "_ROWS_AT_ONCE", 1)
    season = open_season(book)
    with SeasonTables(tmp_path) as tables:
        for row in season.fields:
            found = read_field(season, row)
            if found.strips is not None:
                tables.add(row["field_id"], found.record["name"], found.passes, found.strips)
    once, often = (gpd.read_file(f / "strips.gpkg") for f in (book, tmp_path))
    pd.testing.assert_frame_equal(pd.DataFrame(once), pd.DataFrame(often))
    once, often = (pd.read_parquet(f / "passes.parquet") for f in (book, tmp_path))
    pd.testing.assert_frame_equal(once, often)


def test_the_same_season_gives_the_same_bytes(copy, tmp_path):
    def contents():
        return {f.name: f.read_bytes() for f in copy.iterdir() if f.is_file()}

    write_season_book(copy)
    first = contents()
    for file in (copy / "fields").rglob("*"):
        file.touch()
    write_season_book(copy)
    assert contents() == first


# --- rankings -------------------------------------------------------------------------------


def test_rankings_follow_the_summaries(book):
    table = pd.read_csv(book / "rankings.csv")
    told = {k: summary_of(book, k) for k in FIELDS if k != "rows"}  # rows are not judged
    for ranking, value in (
        ("highest unevenness", lambda s: s["evenness"]["cv_pct"]),
        ("most double ground", lambda s: s["double"]["area_ha"]),
        ("most gap ground", lambda s: s["gap"]["area_ha"]),
    ):
        rows = table[table["ranking"] == ranking]
        assert list(rows["field_id"]) == sorted(told, key=lambda k: -value(told[k]))
        assert list(rows["rank"]) == [1, 2, 3]
    assert list(table.loc[table["ranking"] == "windrow", "field_id"]) == ["rows"]
    failed = table[table["ranking"] == "failed"]
    assert list(failed["reason"]) == ["log.csv, line 3: no position."]
    # a spreadsheet must not run a name as a formula
    assert "'=Rows only" in set(table["what"])
    machines = table[table["ranking"] == "machine"].set_index("what")
    assert set(machines.index) == {"combine 1", "combine 2", "not named"}
    assert machines.loc["combine 2", "fields"] == 1  # not the one laid in windrows


def test_the_wind_of_the_passes_falls_into_its_classes(book):
    table = pd.read_csv(book / "rankings.csv")
    wind = table[table["ranking"] == "wind"]
    passes = pd.read_parquet(book / "passes.parquet").query("discharge == 'spread'")
    assert wind["passes"].sum() == len(passes)
    assert wind["ground_ha"].sum() == pytest.approx(passes["cut_area_m2"].sum() / 1e4, abs=1e-3)
    known = wind[wind["class_low_m_s"].notna()]
    assert list(known["class_low_m_s"]) == sorted(known["class_low_m_s"])
    assert list(wind["what"])[-1] == "no wind known"
    # 4.5 m/s at 2 m is 6.0 m/s at 10 m by FAO-56 equation 47 (u2 = 0.748 u10): force 4
    canola = (passes["field_id"] == "west-20").sum()
    assert wind.set_index("what").loc["force 4, moderate breeze", "passes"] >= canola


def test_beaufort_bounds_agree_with_the_scale_formula():
    """v = 0.836 B^1.5 m/s at 10 m (WMO code 1100, from memory), at the halves between forces."""
    rows = read_table("beaufort")
    for force, row in enumerate(rows[1:], 1):
        assert float(row["from_m_s"]) == pytest.approx(0.836 * (force - 0.5) ** 1.5, abs=0.11)
    for speed, force in ((0.0, 0), (0.2, 0), (0.3, 1), (5.4, 3), (5.5, 4), (32.7, 12), (60, 12)):
        assert beaufort_force(speed, 10.0) == force
    assert beaufort_force(4.5, 10.0) == 3
    assert beaufort_force(4.5, 2.0) == 4
    assert beaufort_force(float("nan"), 10.0) is None


def made_field(field_id, **values):
    base = {
        "name": field_id, "status": "mapped", "discharge": "spread", "crop": "wheat",
        "harvested_ha": 10.0, "cv_pct": 20.0, "gap_ha": 1.0, "double_ha": 0.5, "gap_share": 0.1,
        "double_share": 0.05, "mean_ratio": 1.0, "passes": 2, "cut_width_m": 9.0,
        "gap_strips": 1, "double_strips": 1, "missing_t": 0.0, "too_much_t": 0.0,
        "mean_cover_pct": 80.0, "wind_height_m": 10.0,
    }  # fmt: skip
    return {"field_id": field_id, **base, **values}


def made_passes(field_id, cut_ha, cv_pct, **values):
    count = len(cut_ha)
    base = {
        "discharge": "spread", "profile": "flat", "reach_left_m": 4.5, "reach_right_m": 4.5,
        "lean_m": 0.0, "wind_speed_m_s": np.nan, "mean_ratio": 1.0,
    }  # fmt: skip
    columns = {**base, **values, "cut_area_m2": np.array(cut_ha) * 1e4, "cv_pct": cv_pct}
    columns["field_id"] = field_id
    return pd.DataFrame({k: np.broadcast_to(v, count) for k, v in columns.items()})


def test_means_are_weighted_by_ground():
    """1 ha at 10 % and 3 ha at 30 % are 25 %, not 20 %; what is not known has no weight."""
    fields = field_table(
        [
            made_field("a", machine="one", harvested_ha=10.0, cv_pct=10.0, gap_ha=1.0),
            made_field("b", machine="one", harvested_ha=30.0, cv_pct=30.0, gap_ha=6.0),
            made_field("c", machine="two", harvested_ha=50.0, cv_pct=None, discharge="windrow"),
        ]
    )
    passes = pd.concat(
        [
            made_passes("a", [1.0, 5.0], [10.0, np.nan]),
            made_passes("b", [3.0], [30.0], reach_left_m=4.6),  # the same to half a metre
            made_passes("c", [2.0], [90.0], discharge="windrow"),
        ]
    )
    found = rankings(fields, passes).set_index(["ranking", "rank"])
    assert found.loc[("operator settings", 1), "cv_pct"] == pytest.approx(25.0)
    assert found.loc[("operator settings", 1), ["fields", "passes"]].to_list() == [2, 3]
    assert found.loc[("operator settings", 1), "ground_ha"] == pytest.approx(9.0)
    assert found.loc[("operator settings", 1), "reach_left_m"] == pytest.approx(4.5 + 0.1 / 3)
    assert found.loc[("operator settings", 2), "discharge"] == "windrow"
    assert found.loc[("wind", 1), "passes"] == 3
    assert found.loc[("machine", 1), "cv_pct"] == pytest.approx(25.0)
    assert found.loc[("machine", 1), "gap_share"] == pytest.approx(7.0 / 40.0)
    assert "two" not in set(found["what"])
    facts = dict(season_facts(fields, False))
    assert facts["Harvested"] == "90.00 ha"
    assert facts["Unevenness (CV), mean by ground"] == "25 %"
    assert facts["Gap ground"].startswith("7.00 ha (18 %)")
    assert dict(season_facts(fields, True))["Harvested"] == "222.39 ac"  # 1 ha = 2.47105 ac
    assert [field_id for field_id, _ in worst_fields(fields)] == ["b", "a"]


def group_rows(found, ranking):
    return found[found["ranking"] == ranking].reset_index(drop=True)


@settings(max_examples=12, deadline=None)
@given(st.data())
def test_rankings_do_not_hang_on_the_order_of_fields_or_passes(data):
    count = data.draw(st.integers(2, 6))
    numbers = st.floats(0, 100)
    fields, passes = [], []
    for k in range(count):
        machine = data.draw(st.sampled_from(["one", "two", None]))
        status = data.draw(st.sampled_from(["mapped", "mapped", "failed"]))
        fields.append(made_field(f"f{k}", machine=machine, status=status,
                                 cv_pct=data.draw(numbers), gap_ha=data.draw(numbers)))  # fmt: skip
        if status == "mapped":
            cut = data.draw(st.lists(st.floats(0.1, 5), min_size=1, max_size=3))
            passes.append(made_passes(f"f{k}", cut, data.draw(numbers),
                                      wind_speed_m_s=data.draw(numbers)))  # fmt: skip
    table = pd.concat(passes) if passes else pd.DataFrame(columns=[*PASS_COLUMNS, "field_id"])
    one = rankings(field_table(fields), table)
    turned = rankings(field_table(fields[::-1]), table.iloc[::-1])
    for ranking in (
        "highest unevenness",
        "most gap ground",
        "operator settings",
        "wind",
        "machine",
    ):
        pd.testing.assert_frame_equal(
            group_rows(one, ranking), group_rows(turned, ranking), check_exact=False
        )
    assert sum(one["ranking"] == "failed") == sum(f["status"] == "failed" for f in fields)
    wind = group_rows(one, "wind")
    assert wind["ground_ha"].sum() == pytest.approx(table["cut_area_m2"].sum() / 1e4)


# --- the page -------------------------------------------------------------------------------


class Links(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.links, self.ids = [], [], set()

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.tags.append(tag)
        self.ids.add(attrs.get("id"))
        if tag == "a":
            self.links.append(attrs["href"])


def parsed(page):
    found = Links()
    found.feed(page)
    return found


def test_the_page_escapes_names_and_leads_to_each_map(book):
    text = (book / "season.html").read_text("utf-8")
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text
    page = parsed(text)
    assert page.tags.count("script") == 1
    maps = {link for link in page.links if not link.startswith("#")}
    assert maps == {f"fields/{k}/map.html" for k in FIELDS}
    assert all((book / link).is_file() for link in maps)
    assert {link[1:] for link in page.links if link.startswith("#")} <= page.ids
    assert not re.search(r"(https?:)?//", re.sub(r"data:image/png;base64,[\w+/=]+", "", text)
                         .replace("// ", ""))  # fmt: skip


def test_every_sentence_of_judgement_names_its_rule(book):
    text = (book / "season.html").read_text("utf-8")
    for rule in ("season-worst", "season-worst-rows", "season-failed", "season-rows",
                 "season-some-rows", "season-no-experiment", "season-wind", "season-caution",
                 "cause-"):  # fmt: skip
        assert f"[{rule}" in text, rule
    assert "engine off, key out" in text
    assert "season-versions" not in text
    assert "season-limits" not in text


def test_us_units_convert_and_the_tables_stay_si(copy):
    write_season_book(copy)
    table = (copy / "rankings.csv").read_bytes()
    metric = (copy / "season.html").read_text("utf-8")
    write_season_book(copy, us_units=True)
    text = (copy / "season.html").read_text("utf-8")
    assert (copy / "rankings.csv").read_bytes() == table
    for unit in ("harvested [ac]", "residue [lb/ac]", "wind [mph]", "spread width [ft]"):
        assert unit in text
        assert unit not in metric
    hectares = summary_of(copy, "oat-hill")["field"]["harvested_ha"]
    assert f">{hectares / 0.40468564:.2f}</td>" in text  # ac: NIST SP 811, Appendix B
    assert " ha<" not in text
    assert "size: letter" in text


def test_thumbnails_have_the_published_colours_of_the_map(tmp_path):
    """Ends and middle of ColorBrewer's PuOr; a pixel is the mean of the cells under it."""
    grid = Grid(CRS.from_epsg(32626), 500_000.0, 4_000_000.0, 1.0, 1536, 768)
    ratio = np.ones(grid.shape, np.float32)
    ratio[:, :256] = 0.0
    ratio[:, 512:] = 2.0
    ratio[:768, 256:512] = np.nan
    # half of the cells bare, half with double: even in the mean
    ratio[768:, 256:512] = np.tile([0.0, 2.0], 128)
    write_geotiff(tmp_path / "residue.tif", grid, {"spread_ratio": ratio}, {})
    picture = Image.open(io.BytesIO(thumbnail_png(tmp_path / "residue.tif", (0.5, 1.5))))
    assert picture.size == (48, 96)
    seen = np.asarray(picture.convert("RGBA"))
    assert (seen[:, :15] == (224, 130, 20, 255)).all()
    assert (seen[:, 33:] == (45, 0, 75, 255)).all()
    assert (seen[:47, 17:31, 3] == 0).all()
    assert (seen[49:, 17:31] == (247, 247, 247, 255)).all()


def test_a_small_map_is_not_blown_up(tmp_path):
    grid = Grid(CRS.from_epsg(32626), 500_000.0, 4_000_000.0, 1.0, 20, 30)
    write_geotiff(tmp_path / "r.tif", grid, {"spread_ratio": np.ones(grid.shape)}, {})
    assert Image.open(io.BytesIO(thumbnail_png(tmp_path / "r.tif", (0.5, 1.5)))).size == (30, 20)


def test_many_pictures_lie_beside_the_page(copy, monkeypatch):
    write_season_book(copy)
    inside = (copy / "season.html").read_text("utf-8")
    assert inside.count("data:image/png") == len(FIELDS)
    monkeypatch.setattr(season_book, "MOST_PICTURES_INSIDE", 2)
    assert "thumbnails/" in write_season_book(copy)
    text = (copy / "season.html").read_text("utf-8")
    assert "data:image/png" not in text
    sources = re.findall(r'<img src="([^"]+)"[^>]* loading="lazy"', text)
    assert sorted(sources) == [f"thumbnails/{k}.png" for k in sorted(FIELDS)]
    for source in sources:
        with Image.open(copy / source) as picture:
            assert picture.format == "PNG"


# --- what may be wrong ----------------------------------------------------------------------


@pytest.mark.parametrize("file", ["summary.json", "passes.gpkg", "strips.gpkg", "residue.tif"])
def test_a_field_that_cannot_be_read_is_listed_as_failed(copy, file):
    (copy / "fields" / "oat-hill" / file).write_bytes(b"{}")
    write_season_book(copy)
    fields = pd.read_parquet(copy / "fields.parquet").set_index("field_id")
    assert fields.loc["oat-hill", "status"] == "failed"
    assert file in fields.loc["oat-hill", "reason"]
    assert pd.isna(fields.loc["oat-hill", "cv_pct"])
    assert "oat-hill" not in set(gpd.read_file(copy / "strips.gpkg")["field_id"])
    assert "2 failed" in (copy / "season.html").read_text("utf-8")


def test_a_season_of_failures_still_gives_a_book(tmp_path):
    write_list(tmp_path, [BROKEN])
    write_season_book(tmp_path)
    assert len(gpd.read_file(tmp_path / "strips.gpkg")) == 0
    assert len(pd.read_parquet(tmp_path / "fields.parquet")) == 1
    assert "0 mapped, 1 failed" in (tmp_path / "season.html").read_text("utf-8")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"schema": "other-1"}, "other-1"),
        ({"fields": [{"name": "x"}]}, "field 1: there is no field_id"),
        ({"fields": [BROKEN, BROKEN]}, "stands there twice"),
        ({"fields": [BROKEN | {"status": "new"}]}, "'new'"),
        ({"fields": [listed("x", "x", folder="../../elsewhere")]}, "elsewhere"),
        ({"fields": [listed("x", "x", folder="/etc")]}, "/etc"),
        ({"fields": "none"}, "no list of fields"),
    ],
)
def test_a_damaged_list_is_refused(tmp_path, change, told):
    content = {"schema": "covermap-season-2", "covermap": "0.1.0", "name": "x", "fields": []}
    (tmp_path / "season.json").write_text(json.dumps(content | change), "utf-8")
    with pytest.raises(OutputError, match=re.escape(told)) as error:
        write_season_book(tmp_path)
    assert "season.json" in str(error.value)
    assert [f.name for f in tmp_path.iterdir()] == ["season.json"]


def test_no_season_no_book(tmp_path):
    with pytest.raises(OutputError, match=r"no season\.json"):
        write_season_book(tmp_path)


def test_a_book_is_written_whole_or_not_at_all(copy, monkeypatch):
    write_season_book(copy)
    before = {f.name: f.read_bytes() for f in copy.iterdir() if f.is_file()}
    write_list(copy, [BROKEN])
    before["season.json"] = (copy / "season.json").read_bytes()

    def full(content):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(season_book, "season_page", full)
    with pytest.raises(OutputError, match="disk is full"):
        write_season_book(copy)
    assert {f.name: f.read_bytes() for f in copy.iterdir() if f.is_file()} == before


def test_without_pyarrow_the_book_says_what_is_missing(copy, monkeypatch):
    write_season_book(copy)
    assert (copy / "fields.parquet").exists()
    with monkeypatch.context() as gone:
        gone.setitem(sys.modules, "pyarrow", None)
        assert not season_tables.can_write_parquet()
    # pandas itself leans on pyarrow where it is installed, so only our own use is taken away
    for module in (season_tables, season_book):
        monkeypatch.setattr(module, "can_write_parquet", lambda: False)
    assert write_season_book(copy) == ["rankings.csv", "season.html", "strips.gpkg"]
    # those of an older run must not stand beside the new book
    assert not list(copy.glob("*.parquet"))
    assert "pip install &#34;covermap[parquet]&#34;" in (copy / "season.html").read_text("utf-8")


# --- two seasons ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def before(made, tmp_path_factory):
    """The season before: oats in still air under another name, canola as it is, barley alone."""
    folder = tmp_path_factory.mktemp("before")
    mapped(folder, "hill", "oats", still=True)
    mapped(folder, "round", "barley")
    shutil.copytree(made / "fields" / "west-20", folder / "season" / "fields" / "west")
    write_list(
        folder / "season",
        [listed("hill", "Hill"), listed("round", "North forty"), listed("west", "west  TWENTY")],
        "Harvest 2025",
    )
    return folder / "season"


def test_two_seasons_are_compared_on_common_ground(copy, before):
    """The numbers are those of ``covermap compare`` on the two folders."""
    assert "year_on_year.csv" in write_season_book(copy, previous=before)
    table = pd.read_csv(copy / "year_on_year.csv")
    assert list(table.columns) == list(YEAR_COLUMNS)
    rows = table[table["common_ha"].notna()].set_index("field_id")
    assert list(rows.index) == ["oat-hill", "west-20"]
    assert list(rows["previous_field_id"]) == ["hill", "west"]
    assert list(rows["matched_by"]) == ["ground", "ground"]
    same = rows.loc["west-20"]
    assert same[["cv_pct_change", "gap_ha_change", "cover_pct_change"]].to_list() == [0, 0, 0]
    found = compare_fields(
        open_result(before / "fields" / "hill"), open_result(copy / "fields" / "oat-hill")
    )
    oats, even = rows.loc["oat-hill"], found.on_common_ground
    assert oats["cv_pct_change"] == pytest.approx(even["cv_pct"].change, abs=1e-3)
    assert oats["cv_pct_change"] > 1  # the wind made it less even
    assert oats["double_ha_change"] == pytest.approx(even["double_ha"].change, abs=1e-3)
    assert oats["cover_pct"] == pytest.approx(found.means["cover_pct"].b, abs=1e-3)
    rest = table[table["common_ha"].isna()]
    remarks = dict(zip(rest["name"].fillna(rest["previous_field_id"]), rest["remark"], strict=True))
    assert remarks["Broken log"] == "failed this season"
    assert remarks["North forty"] == "this season only: a field of that name lies elsewhere"
    assert remarks["round"] == "the season before only"
    text = (copy / "season.html").read_text("utf-8")
    assert "Against Harvest 2025" in text
    assert "[season-year-ground]" in text
    write_season_book(copy)
    assert not (copy / "year_on_year.csv").exists()


def made_season(folder, grounds):
    """Make a season of bare passes: field_id to name and (west, east, north) metres [km 500]."""
    records = []
    for field_id, (name, west, east, length) in grounds.items():
        place = folder / "fields" / field_id
        place.mkdir(parents=True)
        xs = np.arange(west + 5.0, east, 10.0)
        lines = [LineString([(500_000 + x, 4e6), (500_000 + x, 4e6 + length)]) for x in xs]
        passes = gpd.GeoDataFrame(
            {"working_width_m": 10.0, "spacing_m": 10.0, "pass_id": range(len(xs))},
            geometry=lines, crs="EPSG:32626",
        )  # fmt: skip
        passes.to_file(place / "passes.gpkg", layer="passes")
        box = passes.to_crs(4326).total_bounds
        names = ("west_deg", "south_deg", "east_deg", "north_deg")
        records.append({"field_id": field_id, "name": name, "status": "mapped",
                        **dict(zip(names, map(float, box), strict=True))})  # fmt: skip
    write_list(folder, [listed(k, v[0]) for k, v in grounds.items()])
    return open_season(folder), field_table(records)


def test_fields_match_by_ground_then_by_name(tmp_path):
    now = made_season(
        tmp_path / "now",
        {
            "a": ("East half", 100, 200, 300),  # half of the old field, the larger part
            "b": ("West half", 0, 80, 300),
            "c": ("Mill", 400, 500, 300),  # a tenth of the old Mill: by name
            "d": ("Brook", 700, 800, 300),  # a tenth of another name: not the same
            "e": ("Home", 1000, 1100, 300),  # the old Home lies elsewhere
        },
    )
    old = made_season(
        tmp_path / "old",
        {
            "all": ("Whole", 0, 200, 300),
            "mill": (" mill ", 490, 590, 300),
            "x": ("Other", 790, 890, 300),
            "home": ("Home", 3000, 3100, 300),
        },
    )
    pairs, left = match_fields(*now, *old)
    assert [(p.field_id, p.previous_field_id, p.matched_by) for p in pairs] == [
        ("a", "all", "ground"), ("c", "mill", "name")]  # fmt: skip
    assert pairs[0].overlap_share == pytest.approx(1.0, abs=0.02)
    assert pairs[1].overlap_share == pytest.approx(0.1, abs=0.02)
    assert left == {
        "b": "lies on Whole, which was compared with East half",
        "e": "a field of that name lies elsewhere",
    }


def test_notes_on_unlike_fields(copy):
    for field_id, key, value in (("oat-hill", "covermap", "0.0.9"),):
        path = copy / "fields" / field_id / "summary.json"
        content = json.loads(path.read_text("utf-8")) | {key: value}
        content["settings"]["limits"]["double_above"] = 1.8
        path.write_text(json.dumps(content), "utf-8")
    write_season_book(copy)
    text = (copy / "season.html").read_text("utf-8")
    assert "[season-versions]" in text
    assert "[season-limits]" in text
    assert Path(copy / "season.html").stat().st_size < 300_000

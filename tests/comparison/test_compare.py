"""Two results of one field compared: laws, known answers, other routes, friendly errors."""

import json
import math
import re
import shutil
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from builders import ORIGIN, UTM, settings_of, straight_passes, track_of
from click.testing import CliRunner
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from pyproj import CRS
from rasterio.warp import transform
from shapely.geometry import LineString, box

from covermap.cli.compare_command import compare_command
from covermap.comparison.common_ground import averaged_onto, cells_agree, shared_windows
from covermap.comparison.compare_fields import compare_fields
from covermap.comparison.compare_notes import compare_notes
from covermap.comparison.compare_text import compare_json, compare_lines
from covermap.comparison.repeat_strips import Chance, chance_of_overlap, repeat_strips
from covermap.comparison.same_tracks import match_tracks
from covermap.comparison.write_compare import write_compare
from covermap.errors import CovermapError, OutputError, SettingsError
from covermap.field.whole_field import map_field
from covermap.files.open_result import open_result
from covermap.ground.grid import Grid
from covermap.mapped.write_results import write_results

FILES = ["compare.json", "compare.svg", "difference.tif", "repeats.gpkg"]
WIDTH = 9.0


def moved(track, east=0.0, north=0.0, turned_round=False):
    fixes = track.fixes.copy()
    if turned_round:  # every pass driven the other way
        fixes[["easting", "northing"]] = fixes[["easting", "northing"]].to_numpy()[::-1]
    return track_of(
        fixes.assign(easting=fixes["easting"] + east, northing=fixes["northing"] + north)
    )


def result(folder: Path, name: str, track, sha: str, **settings) -> Path:
    out = folder / name
    write_results(map_field(track, settings_of(**settings)), out, {"made.csv": sha})
    return out


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Six passes of one field: years and settings."""
    folder = tmp_path_factory.mktemp("results")
    track = straight_passes(6, WIDTH, length_m=80)
    one_way = straight_passes(6, WIDTH, length_m=80, one_way=True)
    return {
        "first": result(folder, "first", track, "1", spread__width=6.0),
        "wide": result(folder, "wide", track, "1", spread__width=WIDTH),
        "again": result(folder, "again", moved(track, 0.5), "2", spread__width=6.5),
        "half": result(folder, "half", moved(track, WIDTH / 2), "3", spread__width=6.0),
        "turned": result(folder, "turned", moved(track, turned_round=True), "4", spread__width=6.0),
        "one_way": result(folder, "one_way", one_way, "5", spread__width=6.0),
        "coarse": result(folder, "coarse", track, "1", spread__width=6.0, grid__cell=1.0),
        "far": result(folder, "far", moved(track, 5000), "6"),
        "part": result(folder, "part", moved(track, 3 * WIDTH, 20), "7", spread__width=6.0),
    }


def compared(made, a, b):
    return compare_fields(open_result(made[a]), open_result(made[b]))


def rules(found):
    return [note.rule for note in compare_notes(found)]


def text_of(found, rule, us_units=False):
    return {note.rule: note.text(us_units) for note in compare_notes(found)}[rule]


def test_a_map_against_itself_changes_nothing_and_repeats_everything(made):
    found = compared(made, "first", "first")
    for name, change in found.change.items():
        known = np.isfinite(found.a.rasters["spread_ratio"].whole())
        assert (change[known] == 0).all(), name
        assert np.isnan(change[~known]).all(), name
    assert found.only_a_m2 == found.only_b_m2 == 0
    strips = found.a.strips
    assert len(strips) == 7
    assert sorted(found.repeats["strip_a"]) == sorted(strips["strip_id"])
    assert (found.repeats["strip_a"] == found.repeats["strip_b"]).all()
    assert found.repeats["overlap_share"].to_numpy() == pytest.approx(1.0)
    lacking = 2 * strips.set_index("strip_id")["deficit_kg"]
    assert found.repeats["residue_kg"].to_numpy() == pytest.approx(
        lacking[found.repeats["strip_a"]].to_numpy()
    )
    assert found.repeats["residue_kg"].is_monotonic_decreasing
    chance = found.chance["gap"]
    assert chance.observed_share == chance.share_a == chance.share_b
    assert rules(found) == ["compare-chance", "compare-what-if-same"]
    assert "same settings" in text_of(found, "compare-what-if-same")


@pytest.mark.parametrize("name", ["first", "wide", "again"])
def test_evenness_on_all_ground_is_what_the_map_states(made, name):
    """The summary comes from masses and the cutting sweep, this from ratios and pass lines."""
    found = compared(made, name, name)
    for measure in ("cv_pct", "christiansen_cu_pct", "low_quarter_du_pct", "gap_ha", "double_ha"):
        stated = found.as_mapped[measure].a
        assert found.on_common_ground[measure].a == pytest.approx(stated, rel=0.02, abs=0.02)


def test_urdr_on_common_ground_is_worked_out_by_hand(tmp_path):
    """A flat band of 12 m every 9 m lies twice on 3 m: 2 ÷ 1 by geometry."""
    track = straight_passes(5, WIDTH, length_m=80)
    folder = result(tmp_path, "double", track, "1", spread__width=12.0)
    found = compare_fields(open_result(folder), open_result(folder))
    assert found.on_common_ground["urdr"].a == pytest.approx(2.0, rel=0.02)
    assert found.as_mapped["urdr"].a == pytest.approx(2.0, rel=0.02)


@pytest.mark.parametrize(("a", "b"), [("first", "again"), ("first", "half"), ("part", "first")])
def test_the_other_way_round_is_the_mirror_image(made, a, b):
    there, back = compared(made, a, b), compared(made, b, a)
    assert there.grid == back.grid
    for name, change in there.change.items():
        assert np.array_equal(change, -back.change[name], equal_nan=True), name
    assert there.common_m2 == back.common_m2
    assert (there.only_a_m2, there.only_b_m2) == (back.only_b_m2, back.only_a_m2)
    for measure, pair in there.on_common_ground.items():
        assert pair.change == pytest.approx(-back.on_common_ground[measure].change, nan_ok=True)
    pairs = set(zip(there.repeats["strip_a"], there.repeats["strip_b"], strict=True))
    assert pairs == set(zip(back.repeats["strip_b"], back.repeats["strip_a"], strict=True))
    for kind, chance in there.chance.items():
        assert chance.observed_share == back.chance[kind].observed_share
        assert chance.expected_share == back.chance[kind].expected_share


def test_cells_are_compared_where_they_lie(made):
    """The same numbers cell by cell from rasterio's own merged windows."""
    found = compared(made, "first", "part")
    with (
        rasterio.open(made["first"] / "residue.tif") as a,
        rasterio.open(made["part"] / "residue.tif") as b,
    ):
        middle = found.grid.shape[0] // 2
        for col in range(0, found.grid.cols, 7):
            x = found.grid.west + (col + 0.5) * found.grid.cell_m
            y = found.grid.north - (middle + 0.5) * found.grid.cell_m
            one, other = (next(r.sample([(x, y)], indexes=[1, 3])) for r in (a, b))
            change = found.change["residue_t_ha"][middle, col]
            if np.isfinite(one[1]) and np.isfinite(other[1]):
                assert change == pytest.approx(other[0] - one[0], abs=1e-6)
            else:
                assert np.isnan(change)
    # Passes are 82 m long, the first fix speaks for the 2 m before it; driven up they reach
    # from -2 to 80 m, driven down from 82 to 0 m. B lies 20 m north, three passes east.
    assert found.common_m2 == pytest.approx(WIDTH * (64 + 60 + 64))
    assert found.only_a_m2 == pytest.approx(WIDTH * (6 * 82 - 64 - 60 - 64))
    assert found.only_b_m2 == pytest.approx(found.only_a_m2)


def test_wider_spread_on_one_track_is_a_what_if(made):
    found = compared(made, "first", "wide")
    assert found.same_harvest
    assert found.tracks is None
    assert rules(found) == ["compare-what-if"]
    assert "[spread] width 6.0 m → 9.0 m." in text_of(found, "compare-what-if")
    assert "[spread] width 19.7 ft → 29.5 ft." in text_of(found, "compare-what-if", us_units=True)
    # flat and as wide as the spacing: even everywhere (geometry)
    assert found.on_common_ground["cv_pct"].b == pytest.approx(0, abs=1)
    assert found.means["residue_t_ha"].change == pytest.approx(0, abs=0.05)
    assert len(found.repeats) == 0
    assert found.chance["gap"].observed_share == 0
    # 3 m of every 9 m had nothing
    assert found.chance["gap"].share_a == pytest.approx(1 / 3, rel=0.05)


def test_settings_of_single_passes_count_in_a_what_if(made, tmp_path):
    folder = tmp_path / "passes"
    shutil.copytree(made["first"], folder)
    passes = gpd.read_file(folder / "passes.gpkg")
    passes.loc[[1, 3], "lean_m"] = 0.7
    passes.to_file(folder / "passes.gpkg", layer="passes")
    found = compare_fields(open_result(made["first"]), open_result(folder))
    assert found.pass_setting_changes == {"lean_m": 2}
    assert text_of(found, "compare-what-if").endswith("settings: lean_m of 2 passes.")


def test_a_shared_boundary_does_not_make_one_harvest(made, tmp_path):
    pair = []
    for name, read in (("first", 246), ("again", 300)):
        folder = tmp_path / name
        shutil.copytree(made[name], folder)
        content = json.loads((folder / "summary.json").read_text("utf-8"))
        content["inputs_sha256"]["outline.geojson"] = "same"
        content["fixes"]["read"] = read
        (folder / "summary.json").write_text(json.dumps(content), "utf-8")
        pair.append(open_result(folder))
    assert not compare_fields(*pair).same_harvest


def test_the_same_tracks_are_named_with_their_direction(made):
    found = compared(made, "first", "again")
    assert found.tracks.same_tracks_share == pytest.approx(1.0)
    assert found.tracks.same_direction_share == pytest.approx(1.0)
    assert found.tracks.tolerance_m == WIDTH / 4
    assert "within 2.2 m" in text_of(found, "compare-same-tracks")
    assert "GRDC Ground Cover 52" in text_of(found, "compare-same-tracks")
    turned = compared(made, "first", "turned")
    assert turned.tracks.same_tracks_share == pytest.approx(1.0, abs=0.02)
    assert turned.tracks.same_direction_share == pytest.approx(0.0)
    half_and_half = compared(made, "first", "one_way")
    assert half_and_half.tracks.same_direction_share == pytest.approx(0.5, abs=0.01)


def test_half_a_header_over_repeats_nothing_beyond_chance(made):
    found = compared(made, "first", "half")
    assert found.tracks.same_tracks_share == 0
    assert found.tracks.half_over_share == pytest.approx(1.0)
    assert "compare-half-over" in rules(found)
    assert "compare-same-tracks" not in rules(found)
    assert "about half a header (4.5 m)" in text_of(found, "compare-half-over")
    assert len(found.repeats) == 0
    chance = found.chance["gap"]
    assert chance.share_a > 0.2
    assert chance.share_b > 0.2
    assert chance.observed_share < chance.expected_share


@given(
    offset=st.floats(-4.4, 4.4),
    width=st.sampled_from([6.0, 9.0, 12.0]),
    heading=st.floats(0, 360),
    turn=st.booleans(),
)
@hypothesis_settings(max_examples=40, deadline=None)
def test_offset_of_tracks_is_found_at_any_heading(offset, width, heading, turn):
    def lines(shift, back):
        made = [LineString([(k * width + shift, 0), (k * width + shift, 200)]) for k in range(5)]
        made = [shapely.reverse(line) if back else line for line in made]
        return gpd.GeoSeries(made, crs=UTM).rotate(-heading, origin=(0, 0))

    offset *= width / 9
    away = abs(offset)
    for limit in (0.25, 0.375):
        if abs(away - limit * width) < 0.01 * width:
            return
    found = match_tracks(lines(0, back=False), lines(offset, back=turn), width)
    assert found.length_m == pytest.approx(1000)
    assert found.same_tracks_share == pytest.approx(1.0 if away < width / 4 else 0.0)
    if away < width / 4:
        assert found.same_direction_share == pytest.approx(0.0 if turn else 1.0)
    assert found.half_over_share == pytest.approx(1.0 if away > 0.375 * width else 0.0)


def test_crossing_and_distant_passes_are_not_the_same_tracks():
    along = gpd.GeoSeries([LineString([(0, 9 * k), (200, 9 * k)]) for k in range(5)], crs=UTM)
    across = gpd.GeoSeries([LineString([(100, -50), (100, 150)])], crs=UTM)
    assert match_tracks(along, across, 9.0).same_tracks_share == 0
    away = match_tracks(along, along.translate(0, 500), 9.0)
    assert away.same_tracks_share == away.half_over_share == 0
    assert math.isnan(away.same_direction_share)
    # a pass that runs on over the end of its fellow counts with the part beside it
    longer = gpd.GeoSeries([LineString([(0, 0), (400, 0)])], crs=UTM)
    assert match_tracks(along, longer, 9.0).same_tracks_share == pytest.approx(0.5, abs=0.01)


def test_overlap_by_chance_is_what_random_shifts_give():
    """The product rule against the mean over every shift of one pattern (Monte Carlo, whole)."""
    rng = np.random.default_rng(3)
    a, b = rng.random((2, 1, 240)) < np.array([0.3, 0.2])[:, None, None]
    every = [chance_of_overlap(a, np.roll(b, k, 1), np.ones_like(a)) for k in range(240)]
    mean = np.mean([one.observed_share for one in every])
    assert mean == pytest.approx(every[0].expected_share, rel=1e-9)
    assert math.isnan(Chance(0.0, 0.5, 0.0, 0.0).observed_to_expected)


def strips_of(*rows, causes=None):
    table = gpd.GeoDataFrame(
        {
            "strip_id": range(1, len(rows) + 1),
            "kind": [kind for kind, *_ in rows],
            "mean_ratio": 0.2,
            "excess_kg": [kg if kind == "double" else 0.0 for kind, _, kg, _ in rows],
            "deficit_kg": [kg if kind == "gap" else 0.0 for kind, _, kg, _ in rows],
            "passes": "1",
            "discharge": [discharge for *_, discharge in rows],
        },
        geometry=[shape for _, shape, *_ in rows],
        crs=UTM,
    )
    return table if causes is None else table.assign(cause=causes)


def test_repeats_by_hand():
    a = strips_of(
        ("gap", box(0, 0, 3, 100), 30.0, "spread"),
        ("double", box(10, 0, 13, 100), 80.0, "spread"),
        ("double", box(30, 0, 32, 100), 900.0, "windrow"),
        ("gap", box(50, 0, 53, 100), 70.0, "spread"),
        causes=["wind", None, "windrow", "width"],
    )
    b = strips_of(
        ("gap", box(1, 0, 4, 100), 60.0, "spread"),  # 2 of 3 m
        ("gap", box(10, 0, 13, 100), 80.0, "spread"),  # same place, other kind
        ("double", box(30, 0, 32, 100), 900.0, "windrow"),
        ("gap", box(50, 40, 53, 60), 10.0, "spread"),  # small, wholly inside
        ("gap", box(52, 0, 55, 35), 10.0, "spread"),  # a third of the smaller: not enough
    )
    found = repeat_strips(a, b)
    assert found[["strip_a", "strip_b"]].to_numpy().tolist() == [[1, 1], [4, 4], [3, 3]]
    assert found["overlap_m2"].tolist() == pytest.approx([200, 60, 200])
    assert found["overlap_share"].tolist() == pytest.approx([2 / 3, 1, 1])
    assert found["residue_kg"].tolist() == pytest.approx(
        [30 * 2 / 3 + 60 * 2 / 3, 70 / 5 + 10, 1800]
    )
    assert found["cause_a"].tolist() == ["wind", "width", "windrow"]
    assert found["cause_b"].isna().all()
    assert found.area.tolist() == pytest.approx(found["overlap_m2"].tolist())


@given(
    split=st.integers(1, 4),
    east=st.floats(-3, 3),
    north=st.floats(-3, 3),
    seed=st.integers(0, 99),
)
@hypothesis_settings(max_examples=25, deadline=None)
def test_averaging_agrees_with_exact_polygon_overlay(split, east, north, seed):
    """Against exactextract 0.3 (exact area weights), another cell and another offset."""
    rng = np.random.default_rng(seed)
    values = rng.random((24, 30)).astype(np.float32)
    values[rng.random(values.shape) < 0.1] = np.nan
    source = Grid(UTM, ORIGIN[0], ORIGIN[1] + 24.0, 1.0, 24, 30)
    cell = (0.7, 1.3, 2.0, 2.5)[split - 1]
    target = Grid(UTM, source.west + east, source.north - north, cell, 9, 10)
    mean = averaged_onto({"x": values}, source, target)["x"]
    cells = [
        box(x, y - cell, x + cell, y)
        for y in target.north - cell * np.arange(9)
        for x in target.west + cell * np.arange(10)
    ]
    frame = gpd.GeoDataFrame({"id": range(90)}, geometry=cells, crs=UTM)
    west, south, right, north_edge = source.bounds
    rasters = [
        NumPyRasterSource(
            values, xmin=west, ymin=south, xmax=right, ymax=north_edge, nodata=np.nan, name="v"
        ),
    ]
    got = exact_extract(rasters, frame, ["mean", "count"], output="pandas")
    share = got["count"].to_numpy(float) / cell**2
    expected = np.where(share >= 0.5, got["mean"].to_numpy(float), np.nan)
    sure = np.abs(share - 0.5) > 0.02
    assert np.allclose(mean.ravel()[sure], expected[sure], atol=2e-3, equal_nan=True)


def test_averaging_onto_whole_blocks_is_the_block_mean():
    rng = np.random.default_rng(0)
    values = rng.random((40, 60)).astype(np.float32)
    source = Grid(UTM, ORIGIN[0], ORIGIN[1], 0.5, 40, 60)
    target = Grid(UTM, ORIGIN[0], ORIGIN[1], 2.0, 10, 15)
    mean = averaged_onto({"x": values}, source, target)["x"]
    assert np.allclose(mean, values.reshape(10, 4, 15, 4).mean(axis=(1, 3)), atol=1e-6)


def test_averaging_into_another_zone_keeps_mass_and_place():
    """Mass in t/ha × area, and a heavy spot where pyproj says it is, a UTM zone further."""
    source = Grid(UTM, ORIGIN[0] + 240_000, ORIGIN[1] + 200, 1.0, 200, 200)
    values = np.zeros((200, 200), np.float32)
    values[60:100, 120:150] = 8.0
    neighbour = CRS.from_epsg(32627)
    (x,), (y,) = transform(
        UTM.to_wkt(), neighbour.to_wkt(), [source.west + 135], [source.north - 80]
    )
    target = Grid(neighbour, round(x) - 150, round(y) + 150, 0.5, 600, 600)
    got = averaged_onto({"x": values}, source, target)["x"]
    # the scale of the two zones differs by 0.1 % at this distance from their middles
    assert np.nansum(got) * 0.25 == pytest.approx(8.0 * 40 * 30, rel=3e-3)
    row, col = np.nonzero(got > 4)
    assert target.west + 0.5 * (col.mean() + 0.5) == pytest.approx(x, abs=0.2)
    assert target.north - 0.5 * (row.mean() + 0.5) == pytest.approx(y, abs=0.2)


def test_only_multiples_of_the_cell_agree():
    a = Grid(UTM, ORIGIN[0], ORIGIN[1], 0.5, 10, 10)
    assert cells_agree(a, Grid(UTM, a.west - 3.5, a.north + 2, 0.5, 20, 20))
    assert not cells_agree(a, Grid(UTM, a.west + 0.2, a.north, 0.5, 20, 20))
    assert not cells_agree(a, Grid(CRS.from_epsg(32627), a.west, a.north, 0.5, 20, 20))
    assert not cells_agree(a, Grid(UTM, a.west, a.north, 1.0, 20, 20))
    assert shared_windows(a, Grid(UTM, a.west + 5, a.north, 0.5, 9, 9)) is None


def test_another_cell_is_averaged_and_said(made):
    found = compared(made, "first", "coarse")
    assert found.resampled
    assert "1.0 m cells" in text_of(found, "compare-resampled")
    assert found.tray_m == 1.0
    # one track, one setting: both hold the same mass on the same ground
    pair = found.means["residue_t_ha"]
    assert pair.b == pytest.approx(pair.a, rel=0.02)
    assert found.common_m2 == pytest.approx(6 * WIDTH * 80, rel=0.05)
    back = compared(made, "coarse", "first")
    assert back.grid.cell_m == 1.0
    # cells half over the edge hold less
    assert back.means["residue_t_ha"].b == pytest.approx(pair.a, rel=0.03)
    # block means of the fine map, by another route
    fine, coarse = back.b, back.grid
    down = round((coarse.north - fine.grid.north) * 2)
    right = round((fine.grid.west - coarse.west) * 2)
    wide = np.full((2 * coarse.rows + 8, 2 * coarse.cols + 8), np.nan)
    top, left = max(down, 0), max(right, 0)
    part = fine.rasters["residue_t_ha"].whole()[top - down :, left - right :]
    part = part[: wide.shape[0] - top, : wide.shape[1] - left]
    wide[top : top + part.shape[0], left : left + part.shape[1]] = part
    blocks = wide[: 2 * coarse.rows, : 2 * coarse.cols]
    blocks = blocks.reshape(coarse.rows, 2, coarse.cols, 2).mean(axis=(1, 3))
    got = back.bands_b["residue_t_ha"]
    both = np.isfinite(blocks) & np.isfinite(got)
    assert both.sum() > 4000
    assert np.allclose(got[both], blocks[both], atol=1e-4)


def test_another_crs_is_averaged_and_said(made, tmp_path):
    track = straight_passes(6, WIDTH, length_m=80)
    east, north = transform(
        UTM.to_wkt(), "EPSG:32627", track.fixes["easting"], track.fixes["northing"]
    )
    settings = settings_of(spread__width=6.0)
    there = replace(
        track,
        fixes=track.fixes.assign(easting=east, northing=north),
        crs=CRS.from_epsg(32627),
    )
    write_results(map_field(there, settings), tmp_path / "zone", {"made.csv": "9"})
    found = compare_fields(open_result(made["first"]), open_result(tmp_path / "zone"))
    assert "EPSG:32627" in text_of(found, "compare-resampled")
    assert found.strips_b.crs == found.grid.crs
    assert found.means["residue_t_ha"].change == pytest.approx(0, abs=0.1)
    assert found.tracks.same_tracks_share == pytest.approx(1.0)
    assert found.repeats["strip_a"].nunique() == len(found.strips_a)


def test_fields_that_do_not_overlap_are_refused(made):
    with pytest.raises(SettingsError, match="do not overlap"):
        compared(made, "first", "far")


def test_other_crops_limits_and_versions_are_said(made, tmp_path):
    folder = tmp_path / "other"
    shutil.copytree(made["again"], folder)
    content = json.loads((folder / "summary.json").read_text("utf-8"))
    content["crop"] = "barley"
    content["covermap"] = "0.0.9"
    content["settings"]["limits"]["gap_below"] = 0.4
    (folder / "summary.json").write_text(json.dumps(content), "utf-8")
    found = compare_fields(open_result(made["first"]), open_result(folder))
    assert set(rules(found)) >= {"compare-crops", "compare-limits", "compare-versions"}


# --- files and command


def test_files_hold_what_was_found(made, tmp_path):
    found = compared(made, "first", "again")
    assert write_compare(found, tmp_path / "out") == FILES
    with rasterio.open(tmp_path / "out" / "difference.tif") as raster:
        assert raster.descriptions == (
            "residue_change_t_ha",
            "cover_change_pct",
            "spread_ratio_change",
        )
        assert "B minus A" in raster.tags()["content"]
        assert raster.crs.to_epsg() == 32626
        assert np.array_equal(raster.read(1), found.change["residue_t_ha"], equal_nan=True)
        assert raster.transform == found.grid.transform
    back = gpd.read_file(tmp_path / "out" / "repeats.gpkg")
    assert len(back) == len(found.repeats) > 0
    assert back.crs.to_epsg() == 32626
    assert back["strip_a"].tolist() == found.repeats["strip_a"].tolist()
    assert back.area.sum() == pytest.approx(found.repeats["overlap_m2"].sum())
    content = json.loads((tmp_path / "out" / "compare.json").read_text("utf-8"))
    assert content == compare_json(found)
    assert content["repeats"]["gap"]["strips_a_that_come_back"] == 7
    assert content["means_on_common_ground"]["cover_pct"]["change"] == pytest.approx(
        found.means["cover_pct"].change, abs=1e-6
    )


def test_no_repeats_still_make_readable_files(made, tmp_path):
    write_compare(compared(made, "first", "half"), tmp_path)
    assert len(gpd.read_file(tmp_path / "repeats.gpkg")) == 0


def test_the_command_prints_plain_lines(made, tmp_path):
    words = [str(made["first"]), str(made["again"]), "--out", str(tmp_path / "out")]
    done = CliRunner().invoke(compare_command, words)
    assert done.exit_code == 0, done.output
    assert "[compare-repeat]" in done.output
    assert "7 of 7 gap strips and 0 of 0 double strips" in done.output
    assert "engine off" in done.output
    assert " t/ha" in done.output
    us = CliRunner().invoke(compare_command, [*words, "--us-units"])
    assert " lb/ac" in us.output
    assert " t/ha" not in us.output
    assert not re.search(r"\d ha\b|\d m\b|\d kg\b", us.output)
    told = CliRunner().invoke(compare_command, [*words, "--json"])
    assert json.loads(told.output) == json.loads((tmp_path / "out" / "compare.json").read_text())


def test_every_sentence_of_judgement_carries_its_rule(made):
    for pair in (("first", "again"), ("first", "wide"), ("first", "half"), ("first", "coarse")):
        for line in compare_lines(compared(made, *pair)):
            if line.startswith(("Note", "Repeat")):
                assert "[compare-" in line


@pytest.mark.parametrize("side", [0, 1])
def test_a_comparison_never_goes_among_the_results(made, tmp_path, side):
    found = compared(made, "first", "again")
    before = sorted(p.name for p in made["first"].iterdir())
    with pytest.raises(OutputError, match="itself"):
        write_compare(found, made[("first", "again")[side]])
    assert sorted(p.name for p in made["first"].iterdir()) == before


def damage(folder, name, how):
    path = folder / name
    if how == "missing":
        path.unlink()
    elif how == "rubbish":
        path.write_bytes(b"not at all")
    else:
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


@pytest.mark.parametrize("name", ["residue.tif", "summary.json", "strips.gpkg", "passes.gpkg"])
@pytest.mark.parametrize("how", ["missing", "rubbish", "cut off"])
def test_a_damaged_folder_is_named(made, tmp_path, name, how):
    folder = tmp_path / "damaged"
    shutil.copytree(made["first"], folder)
    damage(folder, name, how)
    with pytest.raises(OutputError, match=name) as caught:
        compare_fields(open_result(folder), open_result(made["first"]))
    assert str(folder) in str(caught.value)
    assert "covermap map" in str(caught.value)


def test_what_is_no_result_is_told_so(made, tmp_path):
    with pytest.raises(OutputError, match="no such folder"):
        open_result(tmp_path / "none")
    with pytest.raises(OutputError, match="is a file"):
        open_result(made["first"] / "residue.tif")
    with pytest.raises(OutputError, match=r"no residue\.tif"):
        open_result(tmp_path)
    assert issubclass(OutputError, CovermapError)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"schema": "covermap-summary-0", "covermap": "0.0.1"}, r"another version.*0\.0\.1"),
        ({"field": {"bounds_m": [0, 0, 1, 1], "cell_m": 0.5}}, "different runs"),
        ({"settings": {}}, "no good settings, limits, gap_below"),
        ({"settings": 5}, "damaged"),
        ({"evenness": None}, "damaged"),
    ],
)
def test_a_summary_that_does_not_fit_is_refused(made, tmp_path, change, words):
    folder = tmp_path / "odd"
    shutil.copytree(made["first"], folder)
    path = folder / "summary.json"
    path.write_text(json.dumps({**json.loads(path.read_text("utf-8")), **change}), "utf-8")
    with pytest.raises(OutputError, match=words):
        open_result(folder)


def test_older_strips_without_a_cause_are_read(made, tmp_path):
    folder = tmp_path / "older"
    shutil.copytree(made["again"], folder)
    strips = gpd.read_file(folder / "strips.gpkg")
    keep = [c for c in strips.columns if not c.startswith("cause")]
    strips[keep].to_file(folder / "strips.gpkg", layer="strips")
    found = compare_fields(open_result(made["first"]), open_result(folder))
    assert len(found.repeats) > 0
    assert found.repeats["cause_b"].isna().all()

"""The commands as a person runs them: files, texts, exit codes."""

import json
import subprocess
import sys
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rasterio

from covermap.cli import commands as cli
from covermap.cli.commands import commands
from covermap.cli.options import in_options, option_name
from covermap.errors import Ask, column_ask, unit_ask
from covermap.settings.field_settings import SETTINGS

FILES = {
    "residue.tif",
    "strips.gpkg",
    "strips.geojson",
    "passes.gpkg",
    "map.html",
    "summary.json",
    "removed_fixes.csv",
    "causes.csv",
    "spectrum.svg",
}


def run(*words: object, monkeypatch, capsys) -> tuple[int, str, str]:
    """Run the command line in this process; give exit code, output and errors."""
    monkeypatch.setattr(sys, "argv", ["covermap", *map(str, words)])
    code = 0
    try:
        cli.main()
    except SystemExit as end:
        code = int(end.code or 0)
    captured = capsys.readouterr()
    return code, captured.out, captured.err


@pytest.fixture
def covermap(monkeypatch, capsys):
    return lambda *words: run(*words, monkeypatch=monkeypatch, capsys=capsys)


@pytest.mark.parametrize(
    ("ask", "written"),
    [
        (Ask("field.crs", "EPSG:32615"), "--crs EPSG:32615"),
        (Ask("crop.kind", "wheat"), "--crop wheat"),
        (Ask("spread.width", "35 ft"), '--spread-width "35 ft"'),
        (Ask("out"), "--out"),
        (column_ask("time"), "--column time=…"),
        (column_ask("time", "Local time"), '--column "time=Local time"'),
        (unit_ask("flow", "lb/s"), "--unit flow=lb/s"),
    ],
    ids=lambda value: str(value),
)
def test_what_an_error_asks_for_is_named_as_an_option(ask, written):
    assert in_options(ask) == written


@pytest.fixture
def bare_track(tmp_path) -> Path:
    """Four passes in degrees without a yield, as a bare CSV."""
    rows = []
    for k in range(4):
        for i in range(60):
            north = i if k % 2 == 0 else 59 - i
            rows.append(
                (
                    f"2026-08-01T12:{(k * 90 + i) // 60:02d}:{(k * 90 + i) % 60:02d}Z",
                    -27.0 + k * 9.0 / 78_800,
                    45.0 + north * 2.0 / 111_130,
                )
            )
    path = tmp_path / "bare.csv"
    pd.DataFrame(rows, columns=["time", "longitude", "latitude"]).to_csv(path, index=False)
    return path


THREE = ("--crop", "wheat", "--cut-width", "30 ft", "--spread-width", "30 ft")


def test_bare_track_and_three_numbers(covermap, bare_track, tmp_path):
    out = tmp_path / "out"
    code, text, err = covermap("map", bare_track, *THREE, "--grain-yield", "80 bu/ac", "--out", out)
    assert (code, err) == (0, "")
    assert {f.name for f in out.iterdir()} == FILES
    assert "engine off" in text
    assert "0.43 ha" in text
    content = json.loads((out / "summary.json").read_text("utf-8"))
    assert content["schema"] == "covermap-summary-2"
    assert content["passes"]["count"] == 4
    assert content["mass_kg"]["grain_kg"] == pytest.approx(
        80 * 67.2511 * 0.865 * content["field"]["harvested_ha"], rel=1e-3
    )
    assert set(content["inputs_sha256"]) == {"bare.csv"}


def test_raster_bands_are_named_and_carry_units(covermap, bare_track, tmp_path):
    out = tmp_path / "out"
    covermap("map", bare_track, *THREE, "--grain-yield", 5, "--out", out, "--quiet")
    with rasterio.open(out / "residue.tif") as raster:
        assert raster.descriptions == ("residue_t_ha", "cover_pct", "spread_ratio", "layers")
        assert raster.units[0] == "t/ha"
        assert np.isnan(raster.nodata)
        content = json.loads((out / "summary.json").read_text("utf-8"))
        total = np.nansum(raster.read(1), dtype=float) * raster.res[0] ** 2 / 10
    mass = content["mass_kg"]
    expected = mass["landed_on_field_kg"] + mass["landed_outside_kg"] + mass["left_by_header_kg"]
    assert total == pytest.approx(expected, rel=1e-6)


def test_json_is_the_summary_and_nothing_else(covermap, bare_track, tmp_path):
    out = tmp_path / "out"
    code, text, err = covermap(
        "map", bare_track, *THREE, "--grain-yield", 5, "--out", out, "--json"
    )
    assert (code, err) == (0, "")
    assert json.loads(text) == json.loads((out / "summary.json").read_text("utf-8"))


def test_quiet_prints_nothing(covermap, bare_track, tmp_path):
    done = covermap(
        "map", bare_track, *THREE, "--grain-yield", 5, "--out", tmp_path / "o", "--quiet"
    )
    assert done == (0, "", "")


def test_us_units_are_shown(covermap, bare_track, tmp_path):
    _, text, _ = covermap(
        "map", bare_track, *THREE, "--grain-yield", 5, "--out", tmp_path / "o", "--us-units"
    )
    assert " ac" in text
    assert "lb/ac" in text
    assert " ha" not in text


def test_a_rerun_replaces_only_its_own_files(covermap, bare_track, tmp_path):
    out = tmp_path / "out"
    words = ("map", bare_track, *THREE, "--grain-yield", 5, "--out", out, "--quiet")
    covermap(*words)
    (out / "notes.txt").write_text("mine", "utf-8")
    before = (out / "residue.tif").read_bytes()
    covermap(*words, "--cell", "1 m")
    assert (out / "notes.txt").read_text("utf-8") == "mine"
    assert (out / "residue.tif").read_bytes() != before
    assert {f.name for f in out.iterdir()} == FILES | {"notes.txt"}


def test_a_failed_rerun_leaves_the_old_results(covermap, bare_track, tmp_path):
    out = tmp_path / "out"
    words = ("map", bare_track, *THREE, "--grain-yield", 5, "--out", out)
    covermap(*words)
    before = {f.name: f.read_bytes() for f in out.iterdir()}
    code, _, err = covermap(*words, "--spread-width", "0")
    assert code == 2
    assert err.startswith("Error: [spread] width")
    assert {f.name: f.read_bytes() for f in out.iterdir()} == before


def test_check_writes_nothing_and_lists_what_is_missing(covermap, bare_track):
    before = set(bare_track.parent.iterdir())
    code, text, _ = covermap("check", bare_track)
    assert code == 0
    for word in ("longitude", "Passes: 4", "--crop", "--cut-width", "--spread-width",
                 "--grain-yield", "residue_delay_s"):  # fmt: skip
        assert word in text, word
    code, text, _ = covermap("check", bare_track, *THREE, "--grain-yield", 5)
    assert "Nothing is missing" in text
    assert set(bare_track.parent.iterdir()) == before
    _, text, _ = covermap("check", bare_track, "--json")
    report = json.loads(text)
    assert report["passes"]["count"] == 4
    assert report["fixes"]["removed"]["duplicate"] == 0


def test_column_and_unit_overrides(covermap, bare_track, tmp_path):
    table = pd.read_csv(bare_track)
    table["Q7"] = 18.0
    odd = tmp_path / "odd.csv"
    table.rename(columns={"time": "Wann"}).to_csv(odd, index=False)
    out = tmp_path / "o"
    code, _, err = covermap(
        "map", odd, *THREE, "--column", "time=Wann", "--column", "flow=Q7", "--unit", "flow=lb/s",
        "--out", out, "--quiet",
    )  # fmt: skip
    assert (code, err) == (0, "")
    content = json.loads((out / "summary.json").read_text("utf-8"))
    assert content["mass_kg"]["grain_kg"] == pytest.approx(18 * 0.45359237 * 240 * 0.865, rel=1e-3)
    code, _, err = covermap("map", odd, *THREE, "--column", "nonsense", "--out", out)
    assert code == 2
    assert "NAME=VALUE" in err


def test_pass_settings_file(covermap, bare_track, tmp_path):
    rules = tmp_path / "rules.csv"
    rules.write_text("passes,width\n2-3,4 m\n", "utf-8")
    out = tmp_path / "o"
    covermap(
        "map", bare_track, *THREE, "--grain-yield", 5, "--pass-settings", rules, "--out", out,
        "--quiet",
    )  # fmt: skip
    content = json.loads((out / "summary.json").read_text("utf-8"))
    assert set(content["inputs_sha256"]) == {"bare.csv", "rules.csv"}
    import geopandas as gpd

    passes = gpd.read_file(out / "passes.gpkg")
    assert list(passes["reach_left_m"].round(2)) == [4.57, 2.0, 2.0, 4.57]


def test_sample_then_map(covermap, tmp_path):
    code, text, _ = covermap("sample", tmp_path / "s", "--field", "barley")
    assert code == 0
    assert "covermap map" in text
    code, _, err = covermap(
        "map", tmp_path / "s" / "barley.toml", "--out", tmp_path / "o", "--cell", "1 m"
    )
    assert (code, err) == (0, "")


def test_advise_from_options_alone_and_from_a_field(covermap, tmp_path):
    code, text, err = covermap(
        "advise", "--crop", "wheat", "--cut-width", 9, "--spread-width", 8, "--wind-speed", 6,
        "--wind-from", 270, "--heading", 0, "--out", tmp_path / "card",
    )  # fmt: skip
    assert (code, err) == (0, "")
    assert "engine off" in text
    card = (tmp_path / "card" / "settings_card.svg").read_text("utf-8")
    assert card.lstrip().startswith("<?xml")
    covermap("sample", tmp_path / "s", "--field", "oats")
    code, text, err = covermap("advise", tmp_path / "s" / "oats.toml", "--json")
    assert (code, err) == (0, "")
    report = json.loads(text)
    assert report["headings"]
    assert {w["rule"] for w in report["ways_out"]} <= {
        "advise-reach", "advise-reach-bare", "advise-direction", "advise-cut-height",
        "advise-windrow", "advise-forward-speed",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "--crop"),
        (("--crop", "wheat"), "--spread-width"),
        (("--crop", "wheat", "--spread-width", 8), "--cut-width"),
        (("--crop", "wheat", "--spread-width", 8, "--cut-width", 9), "--heading"),
        (("--crop", "wheat", "--wind-file", "gone.csv"), "gone.csv"),
    ],
)
def test_advise_says_what_is_missing(words, says, covermap, tmp_path):
    code, text, err = covermap("advise", *words, "--out", tmp_path / "o")
    assert (code, text) == (2, "")
    assert says in err
    assert not (tmp_path / "o").exists()


def test_catch_can_transect_through_the_trays_command(covermap, open_data, tmp_path):
    """Published: Christiansen CU 87.4, low-half DU 87.5, low-quarter DU 83.1 (catch cans
    across a lane of 224 ft, North Carolina extension publication), here
    from the profile that the command wrote, overlapped with both neighbour lanes."""
    import tomllib

    from covermap.cover.evenness import christiansen_cu_pct, low_du_pct

    out = tmp_path / "o"
    code, text, err = covermap("trays", open_data / "catch_can_transect.csv", "--out", out)
    assert (code, err) == (0, "")
    assert {f.name for f in out.iterdir()} == {"profile.toml", "trays.svg"}
    assert "engine off" in text
    spread = tomllib.loads((out / "profile.toml").read_text("utf-8"))["spread"]
    shares = np.array(spread["shares"])
    left, right = -spread["reach_left"], spread["reach_right"]
    lean = spread.get("lean", 0.0)
    middles = lean + left + (np.arange(len(shares)) + 0.5) * (right - left) / len(shares)
    cans = pd.read_csv(open_data / "catch_can_transect.csv")["station_m"].to_numpy()
    cans = cans[np.abs(cans) <= 112 * 0.3048 + 1e-6]
    lane = 224 * 0.3048
    caught = sum(np.interp(cans + k * lane, middles, shares, left=0, right=0) for k in (-1, 0, 1))
    assert christiansen_cu_pct(caught) == pytest.approx(87.4, abs=0.5)
    assert low_du_pct(caught, 0.5) == pytest.approx(87.5, abs=0.5)
    assert low_du_pct(caught) == pytest.approx(83.1, abs=0.7)


def test_tray_test_to_profile_to_map(covermap, tmp_path):
    """The measured profile of a sample stands in for the stated one and maps nearly alike."""
    folder = tmp_path / "s"
    covermap("sample", folder, "--field", "oats")
    covermap("trays", folder / "oats_trays.csv", "--out", folder / "measured")
    field = (folder / "oats.toml").read_text("utf-8")
    start, end = field.index("reach_left"), field.index("[wind]")
    measured = field[:start] + 'profile_file = "measured/profile.toml"\n\n' + field[end:]
    (folder / "measured.toml").write_text(measured, "utf-8")
    cv = []
    for name in ("oats", "measured"):
        out = tmp_path / name
        code, _, err = covermap("map", folder / f"{name}.toml", "--out", out, "--quiet")
        assert (code, err) == (0, "")
        content = json.loads((out / "summary.json").read_text("utf-8"))
        cv.append(content["evenness"]["cv_pct"])
    assert "profile.toml" in content["inputs_sha256"]
    assert cv[1] == pytest.approx(cv[0], abs=5.0)
    code, _, err = covermap(
        "map", folder / "measured.toml", "--spread-width", 9, "--out", tmp_path / "x"
    )
    assert code == 2
    assert "profile_file" in err


def test_trays_measured_from_one_end_are_warned_of(covermap, tmp_path):
    path = tmp_path / "t.csv"
    rows = "".join(f"{0.25 + 0.5 * k},{w}\n" for k, w in enumerate((5, 9, 10, 9, 6, 3)))
    path.write_text("position (m),weight (g)\n" + rows, "utf-8")
    code, text, _ = covermap(
        "trays", path, "--tray-width", 0.5, "--tray-length", 0.5, "--out", tmp_path / "o"
    )
    assert code == 0
    assert "Warning: nothing lies to the left of the centre line" in text
    assert "-0.0" not in text
    _, text, _ = covermap(
        "trays", path, "--tray-width", 0.5, "--tray-length", 0.5, "--out", tmp_path / "o",
        "--us-units",
    )  # fmt: skip
    # 42 g in trays of 0.5 m by 0.5 m, half a metre apart: 84 g per metre, 0.0564 lb per foot
    assert "0.0564 lb per ft of travel" in text


def test_a_measured_profile_serves_advice_from_options_alone(covermap, tmp_path):
    covermap("sample", tmp_path, "--field", "oats")
    covermap("trays", tmp_path / "oats_trays.csv", "--out", tmp_path / "m")
    words = ["advise", "--crop", "oats", "--cut-width", 10.5, "--heading", 0]
    code, text, err = covermap(*words, "--profile-file", tmp_path / "m" / "profile.toml", "--json")
    assert (code, err) == (0, "")
    assert json.loads(text)["present"]["reach_left_m"] == pytest.approx(6.2, abs=0.3)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "empty"),
        ("position (m),weight (g)\n0,1\n", "tray"),
        ("position (m),weight (g)\n0,1\n1,-4\n2,3\n", "line 3"),
        ("a,b\n1,2\n", "position"),
        ("position (m),weight (g)\n0,0\n1,0\n2,0\n", "t.csv"),
    ],
)
def test_bad_tray_tests(content, says, covermap, tmp_path):
    path = tmp_path / "t.csv"
    path.write_text(content, "utf-8")
    code, text, err = covermap("trays", path, "--out", tmp_path / "o")
    assert (code, text) == (2, "")
    assert says in err.lower()
    assert err.count("\n") == 1
    assert not (tmp_path / "o").exists()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "empty"),
        ("time,direction\n2026-08-01T12:00:00Z,270\n", "speed"),
        ("time,speed_m_s\n2026-08-01T12:00:00Z,3\n", "direction"),
        ("time,speed_m_s,direction\n2026-08-01T12:00:00Z,-3,10\n", "wind.csv"),
    ],
)
def test_bad_wind_files(content, says, covermap, bare_track, tmp_path):
    path = tmp_path / "wind.csv"
    path.write_text(content, "utf-8")
    code, text, err = covermap(
        "map", bare_track, *THREE, "--grain-yield", 5, "--wind-file", path, "--out", tmp_path / "o"
    )
    assert (code, text) == (2, "")
    assert says in err.lower()
    assert err.count("\n") == 1
    assert not (tmp_path / "o").exists()


def test_what_does_not_fit_together_is_a_warning(covermap, bare_track, tmp_path):
    """Passes lie 9 m apart; 30 m of header is a slip for 30 ft."""
    _, text, _ = covermap(
        "map", bare_track, "--crop", "wheat", "--cut-width", 30, "--spread-width", 30,
        "--grain-yield", 5, "--out", tmp_path / "o",
    )  # fmt: skip
    assert "Warning: passes lie 9.0 m apart" in text
    assert "Did you mean 30 ft?" in text
    ring = "[[-27.1,45],[-26.9999,45],[-26.9999,45.0004],[-27.1,45.0004],[-27.1,45]]"
    part = tmp_path / "part.geojson"
    part.write_text(f'{{"type":"Polygon","coordinates":[{ring}]}}', "utf-8")
    _, text, _ = covermap(
        "map", bare_track, *THREE, "--grain-yield", 5, "--boundary", part, "--out", tmp_path / "o"
    )
    assert "lies outside the boundary" in text


def test_no_absolute_path_of_the_computer_in_any_output(covermap, bare_track, tmp_path):
    out = tmp_path / "out"
    covermap("map", bare_track, *THREE, "--grain-yield", 5, "--out", out, "--quiet")
    for file in out.iterdir():
        assert str(tmp_path).encode() not in file.read_bytes(), file.name


def test_a_fault_of_our_own_is_one_line_and_code_1(covermap, bare_track, tmp_path, monkeypatch):
    def broken(*args, **kwargs):
        raise RuntimeError("boom")

    monkeypatch.setattr("covermap.field.whole_field.map_field", broken)
    monkeypatch.delenv("COVERMAP_DEBUG", raising=False)
    code, _, err = covermap("map", bare_track, *THREE, "--out", tmp_path / "o")
    assert code == 1
    assert "fault of its own" in err
    assert "Traceback" not in err
    assert not (tmp_path / "o").exists()


def test_ctrl_c_is_code_130(covermap, bare_track, tmp_path, monkeypatch):
    def stopped(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr("covermap.field.whole_field.map_field", stopped)
    code, _, _ = covermap("map", bare_track, *THREE, "--out", tmp_path / "o")
    assert code == 130
    assert not (tmp_path / "o").exists()


def test_python_dash_m_and_no_bar_in_a_pipe(bare_track, tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "covermap", "map", bare_track, *THREE, "--grain-yield", "5",
         "--out", tmp_path / "o"],
        capture_output=True,
        text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0
    assert done.stderr == ""


def test_progress_bar_on_a_terminal(bare_track, tmp_path):
    import os
    import pty

    main, terminal = pty.openpty()
    done = subprocess.run(
        [sys.executable, "-m", "covermap", "map", bare_track, *THREE, "--grain-yield", "5",
         "--out", tmp_path / "o"],
        stdout=subprocess.DEVNULL,
        stderr=terminal,
        check=False,
    )  # fmt: skip
    os.close(terminal)
    shown = os.read(main, 100_000).decode()
    os.close(main)
    assert done.returncode == 0
    assert "100%" in shown


def test_help_loads_nothing_heavy():
    code = (
        "import sys; from covermap.cli.commands import commands\n"
        "try: commands(['--help'], standalone_mode=True)\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'pandas', 'numba', 'geopandas', 'rasterio', 'folium', 'shapely'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip().endswith("[]")


def test_every_setting_has_an_option():
    known = {o for p in commands.commands["map"].params for o in p.opts}
    for setting in SETTINGS:
        if (setting.section, setting.key) != ("field", "track"):
            assert f"--{option_name(setting)}" in known


def test_public_commands_are_a_tested_list():
    assert sorted(commands.commands) == [
        "advise",
        "check",
        "compare",
        "export",
        "map",
        "plan",
        "range",
        "report",
        "sample",
        "season",
        "trays",
    ]
    assert resources.files("covermap.tables").joinpath("crops.csv").is_file()

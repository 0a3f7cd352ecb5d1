"""Speed and memory of the 100 ha field, as ratios or caps measured in one run.

Run with ``pytest tests/benchmarks``; plain ``pytest`` leaves this folder out.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from hundred_hectares import FIXES, WIDTH_M, positions, write_track
from pyproj import CRS
from rasterio.enums import MergeAlg
from rasterio.features import rasterize
from scipy.spatial import cKDTree

from covermap.field import whole_field
from covermap.field.harvest_record import read_harvest
from covermap.field.whole_field import map_field
from covermap.ground.grid import Grid, grid_around
from covermap.ground.sweeps import sweep_corners
from covermap.harvest.read_track import read_track
from covermap.settings.field_file import build_settings
from covermap.spread.deposit import Bands, deposit
from covermap.spread.profile import profile_shares

CELL_M = 0.5
CODE = (
    "import json, re, sys, time\n"
    "from pathlib import Path\n"
    "start = time.perf_counter()\n"
    "from covermap.cli.commands import commands\n"
    "commands(sys.argv[1:], standalone_mode=False)\n"
    "taken = time.perf_counter() - start\n"
    # the peak of getrusage would be that of the process this one was started from
    "status = Path('/proc/self/status').read_text()\n"
    "peak = int(re.search(r'VmHWM:\\s+(\\d+)', status)[1]) / 1024\n"
    "print(json.dumps({'seconds': taken, 'megabytes': peak}))\n"
)


@pytest.fixture(scope="module")
def bands() -> Bands:
    xy, _ = positions()
    start, end = xy[:-1], xy[1:]
    keep = np.hypot(*(end - start).T) < 5
    start, end = start[keep], end[keep]
    follows = np.append(False, (start[1:] == end[:-1]).all(axis=1))
    half = np.full(len(start), WIDTH_M / 2)
    corners = sweep_corners(start, end, follows, -half, half, np.zeros(len(start)))
    return Bands(
        corners,
        np.full(len(start), 10.0),
        np.zeros(len(start), np.int64),
        np.cumsum(~follows).astype(np.int32),
        profile_shares("bell", WIDTH_M / 2, WIDTH_M / 2)[None, :],
        np.array([40]),
    )


@pytest.fixture(scope="module")
def grid(bands) -> Grid:
    low, high = bands.corners.min(axis=(0, 1)), bands.corners.max(axis=(0, 1))
    return grid_around(CRS.from_epsg(32626), (*low, *high), CELL_M, 2.0)


def seconds(work, repeats: int = 3) -> float:
    """Give the best of several runs, after one to warm up."""
    work()
    taken = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def test_deposit_is_fifteen_times_faster_than_buffer_and_rasterise(bands, grid, capsys):
    """The GIS route: buffer each segment and rasterise with addition; it has no profile."""

    def ours() -> None:
        deposit(bands, grid, meaningful_kg_m2=0.05)

    def theirs() -> None:
        middle = bands.corners[:, [0, 3]] / 2 + bands.corners[:, [1, 2]] / 2
        swaths = shapely.buffer(shapely.linestrings(middle), WIDTH_M / 2, cap_style="flat")
        density = bands.mass_kg / shapely.area(swaths)
        rasterize(
            zip(swaths, density, strict=True),
            out_shape=grid.shape,
            transform=grid.transform,
            merge_alg=MergeAlg.add,
            dtype="float32",
        )

    fast = slow = float("inf")
    for _ in range(4):  # turn about, so that whatever else the machine does falls on both
        fast, slow = min(fast, seconds(ours, 10)), min(slow, seconds(theirs, 1))
    with capsys.disabled():
        print(f"\ndeposit {fast:.3f} s, buffer and rasterise {slow:.2f} s: {slow / fast:.1f} ×")
    assert slow >= 15 * fast


def test_deposit_costs_at_most_four_additions_to_every_cell(bands, grid, capsys):
    """The floor: NumPy adds once to every harvested cell, in the order of the harvest.

    In the order of the raster the floor is lower. The figure does not say which is meant: the
    one has to hold, and missing the other counts as an expected failure, not as passed.
    """
    laid = deposit(bands, grid, meaningful_kg_m2=0.05).kg_m2
    in_raster = np.flatnonzero(laid > 0)
    row, col = np.divmod(in_raster, grid.cols)
    middle = bands.corners.mean(axis=1)
    east, north = grid.west + (col + 0.5) * CELL_M, grid.north - (row + 0.5) * CELL_M
    band = cKDTree(middle).query(np.column_stack([east, north]))[1]
    in_harvest = in_raster[np.argsort(band, kind="stable")]
    ones = np.ones(len(in_raster))
    fast, floor, lowest = [], [], []
    for _ in range(10):  # turn about, so that whatever else the machine does falls on all
        fast.append(seconds(lambda: deposit(bands, grid, meaningful_kg_m2=0.05), 1))
        floor.append(seconds(lambda: np.bincount(in_harvest, ones, laid.size), 1))
        lowest.append(seconds(lambda: np.bincount(in_raster, ones, laid.size), 1))
    ratio, hardest = min(fast) / min(floor), min(fast) / min(lowest)
    with capsys.disabled():
        print(
            f"\ndeposit {min(fast):.4f} s, bincount {min(floor):.4f} s: {ratio:.2f} × "
            f"({hardest:.2f} × in the order of the raster)"
        )
    assert ratio <= 4
    if hardest > 4:
        pytest.xfail(f"{hardest:.2f} × in the order of the raster, not 4: docs/model.md")


def test_ten_times_the_fixes_cost_at_most_eleven_times(tmp_path, capsys):
    """The whole map in one process, 20,000 and 200,000 fixes at equal spacing."""
    chosen = {
        ("crop", "kind"): "wheat",
        ("combine", "cut_width"): WIDTH_M,
        ("spread", "width"): 10.5,
        ("spread", "profile"): "trapezoid",
    }
    tracks = {}
    for fixes in (20_000, 200_000):
        tracks[fixes] = tmp_path / f"{fixes}.csv"
        write_track(tracks[fixes], fixes)

    def map_each(fixes: int, times: int) -> float:
        start = time.perf_counter()
        for _ in range(times):
            map_field(read_track(tracks[fixes]), build_settings({}, chosen))
        return (time.perf_counter() - start) / times

    map_each(20_000, 1)
    taken = {fixes: float("inf") for fixes in tracks}
    for _ in range(3):  # turn about and as long on each, so that other load falls on both
        for fixes, times in ((20_000, 10), (200_000, 1)):
            taken[fixes] = min(taken[fixes], map_each(fixes, times))
    ratio = taken[200_000] / taken[20_000]
    with capsys.disabled():
        print(f"\n{taken[20_000]:.2f} s, ten times the fixes {taken[200_000]:.1f} s: {ratio:.1f} ×")
    assert ratio <= 11


def test_help_answers_in_four_tenths_of_a_second(capsys):
    """A process of its own, from start to end."""

    def ask() -> None:
        subprocess.run(
            [sys.executable, "-m", "covermap", "--help"], capture_output=True, check=True
        )

    taken = seconds(ask, 5)
    with capsys.disabled():
        print(f"\ncovermap --help {taken:.2f} s")
    assert taken < 0.4


def test_the_whole_map_run_fits_in_time_and_memory(tmp_path, capsys):
    """100 ha, 50,000 fixes, 0.5 m: within 12 s and 1 GB on two cores."""
    track = tmp_path / "track.csv"
    write_track(track)
    first = run_map(track, tmp_path / "first")  # may compile the engine's loops
    again = run_map(track, tmp_path / "again")
    with capsys.disabled():
        print(
            f"\nmap of {FIXES:,} fixes: {again['seconds']:.1f} s, {again['megabytes']:.0f} MB "
            f"(first run {first['seconds']:.1f} s)"
        )
    assert again["seconds"] <= 12
    assert again["megabytes"] <= 1000


def test_a_turning_wind_costs_at_most_half_again(tmp_path, capsys):
    """The same field without wind and with one that turns through the day."""
    track, wind = tmp_path / "track.csv", tmp_path / "wind.csv"
    write_track(track)
    hours = [f"2026-08-01T{h:02d}:00:00Z,{3 + h % 5},{(200 + 13 * h) % 360}" for h in range(5, 24)]
    wind.write_text("time,speed_m_s,direction\n" + "\n".join(hours) + "\n", "utf-8")
    run_map(track, tmp_path / "warm", "--wind-file", wind)
    calm, windy = [], []
    for _ in range(2):  # turn about, so that whatever else the machine does falls on both
        calm.append(run_map(track, tmp_path / "calm")["seconds"])
        windy.append(run_map(track, tmp_path / "windy", "--wind-file", wind)["seconds"])
    with capsys.disabled():
        print(
            f"\nturning wind {min(windy):.1f} s, still air {min(calm):.1f} s: "
            f"{min(windy) / min(calm):.2f} ×"
        )
    assert min(windy) <= 1.5 * min(calm)


def test_causes_cost_at_most_six_deposits(tmp_path, capsys, monkeypatch):
    """Every fault of the machine at once: heaped, narrow, leaning, late, in a crosswind.

    The figure was set when the engine laid band by band. Against that the causes have to keep
    to it; against the deposit of today, which lays whole passes, they miss it, which counts
    as an expected failure, not as passed.
    """
    track = tmp_path / "track.csv"
    write_track(track)
    chosen = {
        ("crop", "kind"): "wheat",
        ("combine", "cut_width"): WIDTH_M,
        ("spread", "width"): 8.0,
        ("spread", "profile"): "bell",
        ("spread", "lean"): 1.0,
        ("wind", "speed"): 6.0,
        ("wind", "from_deg"): 110.0,
    }
    seen = []
    causes = whole_field.strip_causes

    def watched(*given):
        seen.append(given)
        return causes(*given)

    monkeypatch.setattr(whole_field, "strip_causes", watched)
    settings = build_settings({}, chosen)
    result = map_field(read_track(track), settings)
    laid = read_harvest(read_track(track), settings).bands
    assert len(result.strips) >= 500
    # turn about, so that whatever else the machine does falls on both
    alone = replace(laid, pass_index=np.arange(len(laid.mass_kg), dtype=np.int32))
    plain, fast, why = [], [], []
    for _ in range(20):
        plain.append(seconds(lambda: deposit(alone, result.grid, meaningful_kg_m2=0.05), 1))
        fast.append(seconds(lambda: deposit(laid, result.grid, meaningful_kg_m2=0.05), 1))
        why.append(seconds(lambda: causes(*seen[0]), 1))
    ratio, today = min(why) / min(plain), min(why) / min(fast)
    with capsys.disabled():
        print(
            f"\ncauses of {len(result.strips)} strips {min(why):.2f} s, deposit "
            f"{min(plain):.2f} s: {ratio:.1f} × ({today:.1f} × of whole passes)"
        )
    assert ratio <= 6
    if today > 6:
        pytest.xfail(f"{today:.1f} × the deposit of whole passes, not 6: docs/model.md")


def run_map(track: Path, out: Path, *more: object) -> dict[str, float]:
    """Map the field in a process of its own; give its seconds and megabytes."""
    words = [
        "map", track, "--crop", "wheat", "--cut-width", WIDTH_M, "--spread-width", 10.5,
        "--profile", "trapezoid", "--quiet", "--out", out, *more,
    ]  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", CODE, *map(str, words)],
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stdout.splitlines()[-1])

"""Very large fields: in stripes, with the same results, within a stated memory.

The largest, 1.5 million fixes on 3,000 ha, takes minutes and gigabytes of temporary files, and
runs only with ``COVERMAP_LARGE=1``.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from hundred_hectares import WIDTH_M, write_track

CODE = (
    "import json, re, sys\n"
    "from pathlib import Path\n"
    "from covermap.cover import tray_readings as readings\n"
    "from covermap.ground import rasters\n"
    "rasters.STRIPE_CELLS, rasters.HELD_CELLS, readings.MOST_HELD = json.loads(sys.argv[1])\n"
    "from covermap.cli.commands import commands\n"
    "commands(sys.argv[2:], standalone_mode=False)\n"
    "status = Path('/proc/self/status').read_text()\n"
    "print(int(re.search(r'VmHWM:\\s+(\\d+)', status)[1]) / 1024)\n"
)
AS_SHIPPED = [1_500_000, 16_000_000, 40_000_000]
IN_FILES = [1_500_000, 0, 0]
UNTILED = [10**12, 10**12, 10**12]


def run_map(track: Path, out: Path, limits: list[int]) -> float:
    """Map a field in a process of its own; give its peak memory [MiB]."""
    words = [
        "map", track, "--crop", "wheat", "--cut-width", WIDTH_M, "--spread-width", 10.5,
        "--profile", "trapezoid", "--quiet", "--out", out,
    ]  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", CODE, json.dumps(limits), *map(str, words)],
        capture_output=True,
        text=True,
        check=True,
    )
    return float(done.stdout.splitlines()[-1])


def assert_same_results(one: Path, other: Path) -> None:
    """Rasters bit for bit, strips and numbers to 1e-9."""
    with (
        rasterio.open(one / "residue.tif") as first,
        rasterio.open(other / "residue.tif") as second,
    ):
        for band in first.indexes:
            np.testing.assert_array_equal(first.read(band), second.read(band))
    tables = [gpd.read_file(folder / "strips.gpkg") for folder in (one, other)]
    assert len(tables[0]) == len(tables[1]) > 300
    assert tables[0].geometry.equals(tables[1].geometry)
    for column in tables[0].columns.drop("geometry"):
        left, right = (table[column].to_numpy() for table in tables)
        if left.dtype.kind == "f":
            np.testing.assert_allclose(left, right, rtol=1e-9, atol=1e-9)
        else:
            assert (left == right).all(), column
    texts = [(folder / "summary.json").read_text("utf-8") for folder in (one, other)]
    summaries = [json.loads(text) for text in texts]
    for key in ("evenness", "gap", "double", "mass_kg"):
        assert summaries[0][key] == pytest.approx(summaries[1][key], rel=1e-9, abs=1e-9), key


def test_three_hundred_hectares_in_stripes_are_the_untiled_run(tmp_path, capsys):
    track = tmp_path / "track.csv"
    write_track(track, 150_000)
    stripes = run_map(track, tmp_path / "stripes", IN_FILES)
    untiled = run_map(track, tmp_path / "untiled", UNTILED)
    with capsys.disabled():
        print(f"\n300 ha: {stripes:.0f} MiB in stripes and files, {untiled:.0f} MiB untiled")
    assert_same_results(tmp_path / "stripes", tmp_path / "untiled")
    assert stripes <= 0.5 * untiled
    assert stripes <= 1000


@pytest.mark.skipif(not os.environ.get("COVERMAP_LARGE"), reason="minutes: set COVERMAP_LARGE=1")
def test_three_thousand_hectares_fit_in_one_and_a_half_gigabytes(tmp_path, capsys):
    track = tmp_path / "track.csv"
    write_track(track, 1_500_000)
    peak = run_map(track, tmp_path / "out", AS_SHIPPED)
    with capsys.disabled():
        print(f"\n3,000 ha, 1.5 million fixes: {peak:.0f} MiB")
    assert peak * 2**20 < 1.5e9

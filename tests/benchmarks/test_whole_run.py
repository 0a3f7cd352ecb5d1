"""The whole map run of 100 ha against a floor: the same libraries, raster and an empty map.

The floor imports the libraries that a map run imports, reads the track with pandas, writes
the same pixels with the same options through rasterio, and an empty folium map. It works
nothing out. Reading its pixels from a file is taken off its time.

Run with ``pytest tests/benchmarks``; plain ``pytest`` leaves this folder out.
"""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pytest
import rasterio
from hundred_hectares import WIDTH_M, write_track

from covermap.files.geotiff import COG_OPTIONS

LIBRARIES = (
    "numpy", "pandas", "pyproj", "shapely", "geopandas", "pyogrio", "rasterio", "numba",
    "scipy.sparse", "folium", "matplotlib.figure", "matplotlib.backends.backend_svg",
)  # fmt: skip
MAP = """
import json, resource, sys, time
start = time.perf_counter()
from covermap.cli.commands import commands
commands(sys.argv[2:], standalone_mode=False)
seconds = time.perf_counter() - start
used = resource.getrusage(resource.RUSAGE_SELF)
imported = [name for name in json.loads(sys.argv[1]) if name in sys.modules]
print(json.dumps({"seconds": seconds, "processor": time.process_time(), "imported": imported,
                  "megabytes": used.ru_maxrss / 1024}))
"""
FLOOR = """
import json, sys, time
start = time.perf_counter()
import importlib
how = json.loads(sys.argv[1])
for name in how["libraries"]:
    importlib.import_module(name)
import folium, numpy as np, pandas as pd, rasterio
pd.read_csv(how["track"])
before, worked_before = time.perf_counter(), time.process_time()
pixels = np.load(how["pixels"])
given, worked_given = time.perf_counter() - before, time.process_time() - worked_before
count, height, width = pixels.shape
with rasterio.open(
    how["out"] + "/floor.tif", "w", driver="COG", height=height, width=width, count=count,
    dtype="float32", crs=how["crs"], transform=rasterio.Affine(*how["transform"]),
    nodata=np.nan, **how["options"],
) as raster:
    raster.write(pixels)
folium.Map().save(how["out"] + "/floor.html")
print(json.dumps({"seconds": time.perf_counter() - start - given,
                  "processor": time.process_time() - worked_given}))
"""


def run(code: str, *words: object) -> dict:
    """Run code in a process of its own; give what it prints last."""
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, words)], capture_output=True, text=True, check=True
    )
    return json.loads(done.stdout.splitlines()[-1])


@pytest.fixture(scope="module")
def runs(tmp_path_factory) -> tuple[list[dict], list[dict]]:
    """Give five runs of each, turn about, so that what else the machine does falls on both."""
    folder = tmp_path_factory.mktemp("whole")
    track = folder / "track.csv"
    write_track(track)
    words = [
        json.dumps(LIBRARIES), "map", track, "--crop", "wheat", "--cut-width", WIDTH_M,
        "--spread-width", 10.5, "--profile", "trapezoid", "--quiet", "--out", folder / "map",
    ]  # fmt: skip
    run(MAP, *words)  # may compile the engine's loops
    with rasterio.open(folder / "map" / "residue.tif") as raster:
        np.save(folder / "pixels.npy", raster.read())
        how = {
            "libraries": LIBRARIES,
            "track": str(track),
            "pixels": str(folder / "pixels.npy"),
            "out": str(folder),
            "crs": raster.crs.to_wkt(),
            "transform": list(raster.transform)[:6],
            "options": {**COG_OPTIONS, "num_threads": "ALL_CPUS"},
        }
    floors, maps = [], []
    for _ in range(5):
        floors.append(run(FLOOR, json.dumps(how)))
        maps.append(run(MAP, *words))
    return floors, maps


def test_a_map_run_takes_at_most_three_times_the_floor(runs, capsys) -> None:
    """Seconds on the clock, the best of five of each; processor seconds are told beside."""
    _, maps = runs
    floor, ours = (min(one["seconds"] for one in side) for side in runs)
    floor_work, our_work = (min(one["processor"] for one in side) for side in runs)
    with capsys.disabled():
        print(
            f"\nmap {ours:.1f} s, floor {floor:.1f} s: {ours / floor:.2f} ×; processor "
            f"{our_work:.1f} s and {floor_work:.1f} s: {our_work / floor_work:.2f} ×; "
            f"{max(one['megabytes'] for one in maps):.0f} MB"
        )
    assert ours <= 3 * floor


def test_the_floor_imports_nothing_that_the_map_run_does_without(runs) -> None:
    _, maps = runs
    assert maps[0]["imported"] == list(LIBRARIES)

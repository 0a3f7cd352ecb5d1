"""Memory of a plan follows the stripe, not the field.

Each run is a process of its own that maps a field, sets the mark of its highest memory back,
and plans the field; rasters stand in files, as those of very large fields do.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from statistics import median

TESTS = Path(__file__).parents[1]
STRIPE_CELLS = 50_000
CODE = """
import re, sys, tempfile
from pathlib import Path
from covermap.ground import rasters
from covermap.files import geotiff
rasters.STRIPE_CELLS, rasters.HELD_CELLS = int(sys.argv[2]), int(sys.argv[3])
# what GDAL may hold whatever the field, kept below the small field's size
geotiff._MOST_IN_MEMORY, geotiff._BLOCK_STORE = 0, 2**22
from builders import settings_of, straight_passes
from covermap.field.whole_field import map_field
from covermap.ground.lean_memory import give_back
from covermap.ground.threads import limit_threads
from covermap.plan.plan_field import plan_field
from covermap.plan.write_plan import write_plan

def plan_of(passes, length_m):
    track = straight_passes(passes, 9.0, length_m, heading_deg=20.0)
    result = map_field(track, settings_of(
        spread__width=9.0, spread__profile="bell", field__next_crop="canola", grid__cell=0.25,
        plan__opener_limit=5.0, plan__harrow_most_angle=10, plan__implement_width=12.0))
    give_back(10**9)
    Path("/proc/self/clear_refs").write_text("5")
    before = memory("VmRSS")
    with tempfile.TemporaryDirectory() as folder:
        plan = plan_field(result)
        write_plan(Path(folder), plan)
    assert plan.harrow is not None
    return result.grid.rows * result.grid.cols, memory("VmHWM") - before

def memory(name):
    return int(re.search(name + r":\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1024

with limit_threads(1):
    plan_of(8, 60.0)  # compiled code and drawing are loaded once
    times = int(sys.argv[1])
    print(*plan_of(14 * times, 170.0 * times))
"""


def peak_of(times: int, *, in_stripes: bool = True) -> tuple[float, float]:
    """Plan a field of so many times the sides; give its cells and the memory it took [MiB]."""
    cut = [STRIPE_CELLS, 0] if in_stripes else [10**12, 10**12]
    done = subprocess.run(
        [sys.executable, "-c", CODE, *map(str, [times, *cut])],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(TESTS), str(TESTS.parent)])},
    )
    cells, peak = done.stdout.split()
    return float(cells), float(peak)


def test_a_plan_of_four_times_the_area_takes_hardly_more_memory(capsys):
    runs = [(peak_of(1), peak_of(2)) for _ in range(3)]  # turn about
    small, large = (median(run[k][1] for run in runs) for k in (0, 1))
    whole = peak_of(2, in_stripes=False)[1]
    with capsys.disabled():
        print(f"\nplan: {small:.0f} MiB, four times the area {large:.0f}, untiled {whole:.0f}")
    assert runs[0][1][0] > 3.5 * runs[0][0][0]
    assert large <= 1.6 * small
    assert large <= 0.4 * whole

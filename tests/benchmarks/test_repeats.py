"""200 perturbed repeats of the 100 ha field in a wind, against one map of it.

Run with ``pytest tests/benchmarks``; plain ``pytest`` leaves this folder out.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from hundred_hectares import WIDTH_M, write_track

REPEATS = 200
CODE = """
import json, resource, sys, time
from covermap.field.whole_field import map_field
from covermap.settings.field_file import build_settings
from covermap.harvest.read_track import read_track
from covermap.sureness.perturb_field import perturb_field

track = read_track(sys.argv[1])
settings = build_settings({}, {
    ("crop", "kind"): "wheat", ("combine", "cut_width"): float(sys.argv[2]),
    ("spread", "width"): 10.5, ("spread", "profile"): "trapezoid",
    ("wind", "speed"): 4.0, ("wind", "from_deg"): 250.0,
})
perturb_field(track, settings, repeats=2, seed=99)  # may compile the engine's loops

def seconds(work):
    start = time.perf_counter()
    work()
    return time.perf_counter() - start

# before and after, so that whatever else the machine does falls on both
once = [seconds(lambda: map_field(track, settings))]
many = seconds(lambda: perturb_field(track, settings, repeats=int(sys.argv[3])))
once.append(seconds(lambda: map_field(track, settings)))
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps({"once": min(once), "many": many, "megabytes": peak}))
"""


def test_two_hundred_repeats_cost_at_most_twenty_maps(tmp_path: Path, capsys) -> None:
    """The repeats with the stated map and reading the harvest, within 20 maps and 1.5 GB."""
    track = tmp_path / "track.csv"
    write_track(track)
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(track), str(WIDTH_M), str(REPEATS)],
        capture_output=True,
        text=True,
        check=True,
    )
    took = json.loads(done.stdout.splitlines()[-1])
    with capsys.disabled():
        print(
            f"\n{REPEATS} repeats {took['many']:.1f} s, one map {took['once']:.1f} s: "
            f"{took['many'] / took['once']:.1f} ×, {took['megabytes']:.0f} MB"
        )
    assert took["many"] <= 20 * took["once"]
    assert took["megabytes"] <= 1500

"""A season on one worker process and on two, the whole command each time."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest
from hundred_hectares import WIDTH_M, write_track

FIELDS = 16
FIXES = 15_000  # 30 ha each


def run_season(folder: Path, out: Path, workers: int) -> float:
    """Map all fields of a folder; give the seconds from start to end of the command."""
    words = [
        "season", folder, "--out", out, "--workers", workers, "--crop", "wheat",
        "--cut-width", WIDTH_M, "--spread-width", 10.5, "--profile", "trapezoid", "--quiet",
    ]  # fmt: skip
    start = time.perf_counter()
    subprocess.run([sys.executable, "-m", "covermap", *map(str, words)], check=True)
    return time.perf_counter() - start


def test_two_workers_are_at_least_1_7_times_one(tmp_path, capsys):
    """As in a season so long that start and book do not matter: their time is taken off.

    It is that of the same command once more, with nothing left to map. Missing the figure for
    this short season as a whole counts as an expected failure, not as passed.
    """
    fields = tmp_path / "fields"
    fields.mkdir()
    write_track(fields / "field-01.csv", FIXES)
    content = (fields / "field-01.csv").read_bytes()
    for number in range(2, FIELDS + 1):  # a line of its own, or one field would be like another
        (fields / f"field-{number:02}.csv").write_bytes(content + content.splitlines(True)[-1])
    run_season(fields, tmp_path / "warm", 2)
    whole, mapping = {}, {}
    for workers in (1, 2):
        whole[workers] = run_season(fields, tmp_path / f"on-{workers}", workers)
        mapping[workers] = whole[workers] - run_season(fields, tmp_path / f"on-{workers}", workers)
    ratio, short = mapping[1] / mapping[2], whole[1] / whole[2]
    with capsys.disabled():
        print(
            f"\n{FIELDS} fields: one worker {mapping[1]:.1f} s, two {mapping[2]:.1f} s: "
            f"{ratio:.2f} × (start and book included {short:.2f} ×)"
        )
    assert ratio >= 1.7
    if short < 1.7:
        pytest.xfail(f"{short:.2f} × with start and book of {FIELDS} fields, not 1.7")

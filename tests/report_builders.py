"""Small results to report on, from plain geometry."""

import json
import shutil
from datetime import date
from pathlib import Path

from builders import settings_of, straight_passes

from covermap.field.whole_field import map_field
from covermap.mapped.write_results import write_results
from covermap.plan.plan_field import plan_field

DAY = date(2026, 10, 14)
WIDTH = 9.0


def made(folder: Path, planned: bool = False, track=None, **settings) -> Path:
    track = straight_passes(10, WIDTH, length_m=90) if track is None else track
    result = map_field(track, settings_of(**settings))
    plan = plan_field(result) if planned else None
    write_results(result, folder, {"made.csv": "a" * 64, "made.toml": "b" * 64}, plan=plan)
    return folder


def changed(folder: Path, to: Path, change, name="summary.json") -> Path:
    """Copy a folder of results and change one JSON file in it."""
    shutil.copytree(folder, to)
    content = json.loads((to / name).read_text("utf-8"))
    change(content)
    (to / name).write_text(json.dumps(content), "utf-8")
    return to

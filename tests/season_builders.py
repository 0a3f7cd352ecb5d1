"""Small seasons for the tests: invented tracks in the open sea, in folders."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
from pyproj import Transformer

from covermap.seasons.job_record import season_lock, sweep
from covermap.seasons.run_season import run_season
from covermap.seasons.season_file import read_season

#: UTM zone 26 north, as in builders.py.
_TO_DEGREES = Transformer.from_crs("EPSG:32626", "EPSG:4326", always_xy=True)

DEFAULTS = """
[season]
name = "Invented season"
folder = "."

[defaults.crop]
kind = "wheat"
grain_yield = 6
[defaults.combine]
cut_width = "9 m"
[defaults.spread]
width = "8 m"
[defaults.grid]
cell = "1 m"
"""


def passes(
    east: float = 0.0,
    north: float = 0.0,
    count: int = 4,
    length_m: float = 100.0,
    start_s: float = 0.0,
    machine: str | None = None,
) -> pd.DataFrame:
    """Make passes of 9 m, back and forth, from a corner in metres off the origin."""
    parts, clock = [], start_s
    for k in range(count):
        along = np.arange(0.0, length_m + 1e-9, 2.0)
        along = along[::-1] if k % 2 else along
        parts.append(
            pd.DataFrame(
                {
                    "east": 500_000.0 + east + 9.0 * k,
                    "north": 4_980_000.0 + north + along,
                    "seconds": clock + np.arange(len(along)),
                }
            )
        )
        clock += len(along) + 60.0
    fixes = pd.concat(parts, ignore_index=True)
    return fixes if machine is None else fixes.assign(machine=machine)


def road(start: tuple[float, float], end: tuple[float, float], start_s: float) -> pd.DataFrame:
    """Make a drive at 8 m/s with a fix every second."""
    seconds = np.arange(1.0, np.hypot(end[0] - start[0], end[1] - start[1]) / 8.0)
    share = seconds / (seconds[-1] + 1.0)
    return pd.DataFrame(
        {
            "east": 500_000.0 + start[0] + share * (end[0] - start[0]),
            "north": 4_980_000.0 + start[1] + share * (end[1] - start[1]),
            "seconds": start_s + seconds,
        }
    )


def write_track(path: Path, *parts: pd.DataFrame) -> Path:
    """Write fixes as a CSV in degrees."""
    fixes = pd.concat(parts, ignore_index=True)
    lon, lat = _TO_DEGREES.transform(fixes["east"], fixes["north"])
    time = pd.Timestamp("2026-08-01T12:00:00Z") + pd.to_timedelta(fixes["seconds"], unit="s")
    table = pd.DataFrame(
        {
            "time": time.dt.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "longitude": np.round(lon, 8),
            "latitude": np.round(lat, 8),
        }
    )
    if "machine" in fixes:
        table["machine_id"] = fixes["machine"]
    path.parent.mkdir(parents=True, exist_ok=True)
    table.to_csv(path, index=False, lineterminator="\n")
    return path


def write_season(folder: Path, fields: int = 3, **season: str) -> Path:
    """Write a season file with bare tracks beside it; give the season file."""
    for k in range(fields):
        write_track(folder / f"field_{k}.csv", passes(east=3000.0 * k, length_m=60.0 + 10.0 * k))
    file = folder / "season.toml"
    file.write_text(season.get("text", DEFAULTS), "utf-8")
    return file


class InThisProcess:
    """Runs a season's calls one after the other, here."""

    def run(self, work, calls):
        for name, arguments in calls:
            try:
                outcome = work(*arguments)
            except Exception as error:
                outcome = error
            yield name, outcome


def run(source: Path, out: Path, crew=None, **more):
    season = read_season(source)
    with season_lock(out) as token:
        sweep(out)
        try:
            return run_season(season, out, token, crew or InThisProcess(), **more)
        finally:
            sweep(out)


def rows(content) -> dict[str, dict]:
    return {row["field_id"]: row for row in content["fields"]}


def without_seconds(content) -> dict:
    fields = [{k: v for k, v in row.items() if k != "seconds"} for row in content["fields"]]
    return {**content, "fields": fields}


def bytes_of(folder: Path) -> dict[str, object]:
    """Give the content of every file; of a GeoPackage all but the time it was written at."""
    return {
        f.relative_to(folder).as_posix(): tables(f) if f.suffix == ".gpkg" else f.read_bytes()
        for f in sorted(folder.rglob("*"))
        if f.is_file()
    }


def tables(package: Path) -> list:
    with closing(sqlite3.connect(package)) as base:
        names = [n for (n,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return [
            (name, base.execute(f'SELECT * FROM "{name}"').fetchall())
            for name in sorted(names)
            if name != "gpkg_contents" and not name.startswith("rtree_")
        ]

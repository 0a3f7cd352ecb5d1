"""Make the sample fields of this folder: invented data with a known truth.

Run from the top of the repository: ``python sample_fields/make_samples.py``. The result is the
same on every machine; the package ships it, and ``covermap sample`` copies it.

Nothing here was measured. The fields lie in the open sea, so that they are nobody's, and
every number follows from the seed and the constants below. ``*_truth.json`` beside each
field says what was put in.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import shapely
from sample_driving import canola
from sample_shapes import NOTE, Sample, back_and_forth, lonlat
from sample_wind import oats

SEED = 20261125


def _wheat(rng: np.random.Generator) -> Sample:
    """Make wheat in 9 m passes: a spell of narrow spread, and a block in windrows, baled."""
    width, passes, length, step, seconds = 9.0, 30, 380.0, 4.0, 2.0
    path = back_and_forth(passes, width, length, step, turn=True)
    cutting = path["pass"].to_numpy() > 0
    east, north = path["east"].to_numpy(), path["north"].to_numpy()
    yield_t_ha = 5.2 + 0.9 * np.sin(2 * np.pi * east / 180) * np.cos(2 * np.pi * north / 260)
    first = np.append(True, np.diff(path["pass"]) != 0) & cutting
    travel = np.where(first, 0.0, step)
    flow = np.where(cutting, yield_t_ha / 10 * width * travel / seconds, 0.0)
    flow *= np.where(cutting, rng.normal(1.0, 0.02, len(path)), 1.0)
    # the first record of a pass covers the step up to it
    flow[first] = (yield_t_ha / 10 * width * step / seconds)[first]
    clock = pd.Timestamp("2026-08-11T13:00:00Z") + pd.to_timedelta(
        np.arange(len(path)) * seconds, unit="s"
    )
    lon, lat = lonlat(east + rng.normal(0, 0.02, len(path)), north + rng.normal(0, 0.02, len(path)))
    table = pd.DataFrame(
        {
            "Time": clock.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "Longitude": lon,
            "Latitude": lat,
            "Speed (km/h)": np.round(np.full(len(path), step / seconds * 3.6), 2),
            "Header down": np.where(cutting, 1, 0),
            "Grain flow (kg/s)": np.round(flow, 4),
            "Moisture (%)": 13.5,
        }
    )
    grain = float(np.round(flow, 4).sum() * seconds)
    # the log's own faults: repeated rows and one wild position, seeded
    doubled = np.sort(rng.choice(np.flatnonzero(cutting), 12, replace=False))
    wild = int(rng.choice(np.flatnonzero(cutting)[50:-50]))
    table["Latitude"] = np.where(table.index == wild, lat + 0.004, lat)
    table = pd.concat([table, table.loc[doubled]]).sort_index(kind="stable")
    return Sample(
        {
            "wheat.csv": table.to_csv(index=False, lineterminator="\n"),
            "wheat.toml": """# Invented sample field: wheat, one combine, 9 m header.
[field]
name = "Sample wheat, narrow spell and windrow block"
track = "wheat.csv"

[crop]
kind = "wheat"
cut_height = "15 cm"

[combine]
cut_width = "9 m"
residue_delay_s = 4

[spread]
discharge = "spread"
width = "9 m"
profile = "flat"

# From pass 9 to 14 the spread was set far too narrow.
[[pass_settings]]
passes = "9-14"
width = "4.5 m"
profile = "trapezoid"

# Passes 21 to 24 were laid in windrows and baled.
[[pass_settings]]
passes = "21-24"
discharge = "windrow"
width = "1.6 m"
chaff_width = "4 m"
baled_share = 0.85
""",
        },
        {
            "crop": "wheat",
            "passes": passes,
            "cut_width_m": width,
            "area_m2": passes * width * (length + step),
            "grain_wet_kg": grain,
            "moisture_pct": 13.5,
            "narrow_passes": [9, 14],
            "windrow_passes": [21, 24],
            "baled_share": 0.85,
            "duplicates": len(doubled),
            "position_spikes": 1,
            "header_up_fixes": int((~cutting).sum()),
        },
    )


def _corn(rng: np.random.Generator) -> Sample:
    """Make corn with a 12-row header, logged and set in US units, spread too wide."""
    foot, pound = 0.3048, 0.45359237
    width, passes, length, step, seconds = 30 * foot, 20, 420.0, 6.0, 3.0
    path = back_and_forth(passes, width, length, step, turn=False)
    east, north = path["east"].to_numpy(), path["north"].to_numpy()
    yield_t_ha = 9.4 + 1.2 * np.cos(2 * np.pi * (east + north) / 300)
    moisture = np.round(rng.normal(18.0, 0.6, len(path)), 1)
    flow = np.round(yield_t_ha / 10 * width * step / seconds / pound, 3)
    number = path["pass"].to_numpy()
    clock = pd.Timestamp("2026-10-21T09:30:00Z") + pd.to_timedelta(
        np.arange(len(path)) * seconds + (number - 1) * 36.0, unit="s"
    )
    lon, lat = lonlat(
        1500 + east + rng.normal(0, 0.03, len(path)), north + rng.normal(0, 0.03, len(path))
    )
    table = pd.DataFrame(
        {
            "Date": clock.strftime("%Y-%m-%d"),
            "Time": clock.strftime("%H:%M:%S"),
            "Longitude": lon,
            "Latitude": lat,
            "Speed (mph)": np.round(np.full(len(path), step / seconds / 0.44704), 3),
            "Distance (ft)": np.round(np.full(len(path), step / foot), 3),
            "Width (ft)": 30.0,
            "Flow (lb/s)": flow,
            "Moisture (%)": moisture,
        }
    )
    dry = float((flow * pound * seconds * (1 - moisture / 100)).sum())
    return Sample(
        {
            "corn.csv": table.to_csv(index=False, lineterminator="\n"),
            "corn.toml": """# Invented sample field: corn, 12 rows of 30 inches, in US units.
[field]
name = "Sample corn, spread wider than the header"
track = "corn.csv"

[crop]
kind = "corn"
cut_height = "12 in"

[combine]
cut_width = "30 ft"
residue_delay_s = 4

[spread]
discharge = "spread"
width = "36 ft"
profile = "flat"
""",
        },
        {
            "crop": "corn",
            "passes": passes,
            "cut_width_m": width,
            "area_m2": passes * width * (length + step),
            "grain_dry_kg": dry,
            "spread_width_m": 36 * foot,
            "overlap_ratio_in_doubles": 2 / 1.2,
        },
    )


def _barley(rng: np.random.Generator) -> Sample:
    """Make barley cut round and round, no clock in the log, the spread leaning to the left."""
    width, long_side, short_side, step = 7.5, 260.0, 190.0, 4.0
    laps = int(short_side / 2 / width)
    corners: list[tuple[float, float]] = []
    for k in range(laps):
        d = (k + 0.5) * width
        start = d if k == 0 else d - width
        corners += [
            (start, d),
            (long_side - d, d),
            (long_side - d, short_side - d),
            (d, short_side - d),
        ]
    corners.append((corners[-1][0], laps * width + 0.5 * width))
    line = np.array(corners)
    along = np.append(0.0, np.cumsum(np.hypot(*np.diff(line, axis=0).T)))
    fine = np.arange(0.0, along[-1], 0.5)
    x, y = np.interp(fine, along, line[:, 0]), np.interp(fine, along, line[:, 1])
    # corners driven as curves of a few metres
    kernel = np.ones(15) / 15
    x[7:-7], y[7:-7] = np.convolve(x, kernel, "valid"), np.convolve(y, kernel, "valid")
    swept = shapely.LineString(np.column_stack([x, y])).buffer(width / 2, cap_style="flat")
    every = int(step / 0.5)
    x, y = x[::every], y[::every]
    lon, lat = lonlat(3000 + x + rng.normal(0, 0.02, len(x)), y + rng.normal(0, 0.02, len(x)))
    table = pd.DataFrame({"lat": lat, "lon": lon})
    text = table.to_csv(index=False, sep=";", decimal=",", lineterminator="\n")
    ring = [(0, 0), (long_side, 0), (long_side, short_side), (0, short_side), (0, 0)]
    ring_lon, ring_lat = lonlat(*(np.array(ring, float) + np.array([3000.0, 0.0])).T)
    boundary = {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {"name": "invented outline"},
                "geometry": {
                    "type": "Polygon",
                    "coordinates": [
                        np.column_stack([ring_lon, ring_lat]).tolist(),
                    ],
                },
            }
        ],
    }
    return Sample(
        {
            "barley.csv": text,
            "barley_boundary.geojson": json.dumps(boundary, indent=1) + "\n",
            "barley.toml": """# Invented sample field: barley, round and round, no clock in the log.
[field]
name = "Sample barley, round and round, leaning spread"
track = "barley.csv"
boundary = "barley_boundary.geojson"

[crop]
kind = "barley"
grain_yield = "4.6 t/ha"
cut_height = "12 cm"

[combine]
cut_width = "7.5 m"
residue_delay_s = 3

[spread]
discharge = "spread"
reach_left = "5.4 m"
reach_right = "3.4 m"
profile = "trapezoid"
lean = "-0.6 m"
""",
        },
        {
            "crop": "barley",
            "laps": laps,
            "cut_width_m": width,
            "area_m2": swept.area,
            "grain_yield_t_ha": 4.6,
            "lean_m": -0.6,
        },
    )


MAKERS: dict[str, Callable[[np.random.Generator], Sample]] = {
    "wheat": _wheat,
    "corn": _corn,
    "barley": _barley,
    "oats": oats,
    "canola": canola,
}


def make_sample(name: str) -> Sample:
    """Make one sample field in memory, the same every time."""
    return MAKERS[name](np.random.default_rng([SEED, list(MAKERS).index(name)]))


def write_samples(folder: Path) -> None:
    """Write every sample field into a folder of its own in ``folder``."""
    for name in MAKERS:
        sample = make_sample(name)
        truth = {"origin": NOTE, **sample.truth}
        files = {**sample.files, f"{name}_truth.json": json.dumps(truth, indent=2) + "\n"}
        (folder / name).mkdir(parents=True, exist_ok=True)
        for file_name, text in files.items():
            (folder / name / file_name).write_text(text, "utf-8", newline="\n")


if __name__ == "__main__":
    write_samples(Path(__file__).parent)

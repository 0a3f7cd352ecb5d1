"""The sample field with a day's turning wind, and a tray test of its spreader; invented."""

from __future__ import annotations

import numpy as np
import pandas as pd
from sample_shapes import Sample, back_and_forth, lonlat

from covermap.spread.profile import profile_shares

_WIDTH_M, _PASSES, _LENGTH_M, _STEP_M, _SECONDS = 10.5, 26, 340.0, 5.4, 3.0
_REACH_LEFT_M, _REACH_RIGHT_M = 6.2, 5.4


def oats(rng: np.random.Generator) -> Sample:
    """Make oats cut over a long day while the wind turns from south-west to north."""
    path = back_and_forth(_PASSES, _WIDTH_M, _LENGTH_M, _STEP_M, turn=False)
    east, north = path["east"].to_numpy(), path["north"].to_numpy()
    number = path["pass"].to_numpy()
    # a quarter of an hour is lost on every other turn, so that the day is long
    waited = (number - 1) * 40.0 + (number - 1) // 2 * 900.0
    clock = pd.Timestamp("2026-08-19T09:00:00Z") + pd.to_timedelta(
        np.arange(len(path)) * _SECONDS + waited, unit="s"
    )
    yield_t_ha = 4.4 + 0.4 * np.sin(2 * np.pi * north / 200)
    flow = np.round(yield_t_ha / 10 * _WIDTH_M * _STEP_M / _SECONDS, 4)
    lon, lat = lonlat(
        4500 + east + rng.normal(0, 0.02, len(path)), north + rng.normal(0, 0.02, len(path))
    )
    track = pd.DataFrame(
        {
            "time": clock.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "longitude": lon,
            "latitude": lat,
            "grain_flow_kg_s": flow,
            "moisture_pct": 13.5,
        }
    )
    hours = np.arange(0, 8)
    wind = pd.DataFrame(
        {
            "time": (
                pd.Timestamp("2026-08-19T08:30:00Z") + pd.to_timedelta(hours, unit="h")
            ).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "wind speed (m/s)": [2.1, 3.4, 4.6, 5.8, 6.3, 5.9, 5.1, 4.2],
            "wind from (deg)": [215.0, 228.0, 246.0, 270.0, 291.0, 318.0, 344.0, 5.0],
            "gust (m/s)": [3.9, 5.2, 7.0, 9.1, 9.8, 9.3, 8.0, 6.9],
        }
    )
    rows = wind.to_csv(index=False, lineterminator="\n").split("\n")
    # the station's own faults: a reading without a direction and an impossible one
    rows.insert(4, "2026-08-19T10:45:00Z,4.9,,7.2")
    rows.insert(6, "2026-08-19T11:50:00Z,468.7,262.0,")
    return Sample(
        {
            "oats.csv": track.to_csv(index=False, lineterminator="\n"),
            "oats_wind.csv": "\n".join(rows),
            "oats_trays.csv": _trays(rng),
            "oats.toml": f"""# Invented sample field: oats, a day's turning wind.
[field]
name = "Sample oats, turning wind"
track = "oats.csv"

[crop]
kind = "oats"

[combine]
cut_width = "10.5 m"
residue_delay_s = 4
discharge_height = "1.8 m"

[spread]
reach_left = "{_REACH_LEFT_M} m"
reach_right = "{_REACH_RIGHT_M} m"
profile = "trapezoid"

[wind]
file = "oats_wind.csv"
height = "10 m"
""",
        },
        {
            "crop": "oats",
            "passes": _PASSES,
            "cut_width_m": _WIDTH_M,
            "area_m2": _PASSES * _WIDTH_M * (_LENGTH_M // _STEP_M + 1) * _STEP_M,
            "wind_rows_removed": {"no direction": 1, "impossible speed": 1},
            "wind_from_first_deg": 215.0,
            "wind_from_last_deg": 5.0,
            "tray_reach_left_m": _REACH_LEFT_M,
            "tray_reach_right_m": _REACH_RIGHT_M,
        },
    )


def _trays(rng: np.random.Generator) -> str:
    """Make a tray test in still air: three runs over trays of 0.5 m, 0.8 m apart."""
    middle = np.round(np.arange(-7.2, 7.21, 0.8), 2)
    shares = profile_shares("trapezoid", _REACH_LEFT_M, _REACH_RIGHT_M)
    edges = np.linspace(-_REACH_LEFT_M, _REACH_RIGHT_M, len(shares) + 1)
    below = np.append(0.0, np.cumsum(shares))
    caught = np.interp(middle + 0.25, edges, below) - np.interp(middle - 0.25, edges, below)
    table = pd.DataFrame({"position (m)": middle})
    for run in (1, 2, 3):
        grams = 1900 * caught * rng.normal(1.0, 0.06, len(middle)) * rng.normal(1.0, 0.05)
        table[f"run {run} (g)"] = np.round(np.maximum(grams, 0), 1)
    head = "# tray width: 0.5 m\n# tray length: 0.5 m\n# moisture: 11 %\n# wind: calm\n"
    return head + table.to_csv(index=False, lineterminator="\n")

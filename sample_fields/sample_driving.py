"""The sample field whose faults lie in the driving and the log; invented."""

from __future__ import annotations

import numpy as np
import pandas as pd
from sample_shapes import Sample, lonlat

_WIDTH_M, _LENGTH_M, _STEP_M, _SECONDS = 9.0, 400.0, 4.0, 2.0
_FULL_PASSES, _EDGE_DEG = 14, 18.0
_YIELD_T_HA, _DELAY_S = 2.6, 12
#: Passes by number: driven this much too near; the log broken off; the machine standing.
_NEAR_PASS, _NEAR_M = 7, 3.0
_HOLE_PASS, _HOLE_FROM_M, _HOLE_TO_M = 10, 160.0, 232.0
_STOP_PASS, _STOP_AT_M, _STOP_S = 12, 200.0, 120.0


def canola(rng: np.random.Generator) -> Sample:
    """Make canola with an oblique edge, a pass driven too near, a hole in the log, a stop."""
    slope, swath = np.tan(np.radians(_EDGE_DEG)), _WIDTH_M / 2 / np.cos(np.radians(_EDGE_DEG))
    along_edge = np.arange(0.0, _LENGTH_M / np.cos(np.radians(_EDGE_DEG)), _STEP_M)
    heading = np.array([-np.sin(np.radians(_EDGE_DEG)), np.cos(np.radians(_EDGE_DEG))])
    # pass 1 runs along the oblique western edge; all others end on what it cut
    passes = [pd.DataFrame(along_edge[:, None] * heading, columns=["east", "north"])]
    cut_share = [np.ones(len(along_edge))]
    number = 1
    while True:
        number += 1
        shift = _NEAR_M if number >= _NEAR_PASS else 0.0
        east = (_FULL_PASSES - number + 1.5) * _WIDTH_M + shift
        # the header enters standing crop from the edge's swath on
        first = max(0.0, (swath - _WIDTH_M / 2 - east) / slope)
        if first > _LENGTH_M - 70:
            break
        north = np.arange(np.ceil(first / _STEP_M) * _STEP_M, _LENGTH_M + 1e-9, _STEP_M)
        if number % 2:
            north = north[::-1]
        standing = _standing(east, north, _WIDTH_M - _NEAR_M if number == _NEAR_PASS else _WIDTH_M)
        passes.append(pd.DataFrame({"east": east, "north": north}))
        cut_share.append(standing)
    path = pd.concat(passes, keys=range(1, len(passes) + 1), names=["pass"]).reset_index(0)
    share = np.concatenate(cut_share)
    order, on = path["pass"].to_numpy(), path["north"].to_numpy()
    clock = np.arange(len(path)) * _SECONDS + (order - 1) * 40.0
    stop = (order == _STOP_PASS) & ((on > _STOP_AT_M) if _STOP_PASS % 2 == 0 else (on < _STOP_AT_M))
    clock += np.where(stop | (order > _STOP_PASS), _STOP_S, 0.0)
    flow = np.round(_YIELD_T_HA / 10 * _WIDTH_M * share * _STEP_M / _SECONDS, 4)
    lon, lat = lonlat(
        6500 + path["east"].to_numpy() + rng.normal(0, 0.02, len(path)),
        on + rng.normal(0, 0.02, len(path)),
    )
    table = pd.DataFrame(
        {
            "time": (
                pd.Timestamp("2026-09-03T10:00:00Z") + pd.to_timedelta(clock, unit="s")
            ).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "longitude": lon,
            "latitude": lat,
            "grain_flow_kg_s": flow,
            "moisture_pct": 8.5,
        }
    )
    hole = (order == _HOLE_PASS) & (on > _HOLE_FROM_M) & (on < _HOLE_TO_M)
    return Sample(
        {
            "canola.csv": table[~hole].to_csv(index=False, lineterminator="\n"),
            "canola.toml": f"""# Invented sample field: canola, faults of driving and log.
[field]
name = "Sample canola, driving and log"
track = "canola.csv"
next_crop = "wheat"

[crop]
kind = "canola"

[combine]
cut_width = "{_WIDTH_M:g} m"
# A slow machine: residue leaves {_DELAY_S} s after it is cut.
residue_delay_s = {_DELAY_S}

[spread]
width = "{_WIDTH_M:g} m"
profile = "flat"

[plan]
operations = [
    "winter weathering, after autumn harvest (US table, by cover)",
    "drill, double-disc openers (US table, by mass)",
]
implement_width = "12 m"
opener_limit = "3.5 t/ha"
cleaner_limit = "5 t/ha"
""",
        },
        {
            "crop": "canola",
            "passes": int(order.max()),
            "cut_width_m": _WIDTH_M,
            "grain_wet_kg": float(flow[~hole].sum() * _SECONDS),
            "moisture_pct": 8.5,
            "near_pass": _NEAR_PASS,
            "near_m": _NEAR_M,
            "point_row_passes": [
                int(n)
                for n in np.unique(order[order > 1])
                if share[order == n].min() < 0.95 and n != _NEAR_PASS
            ],
            "hole_pass": _HOLE_PASS,
            "hole_from_m": _HOLE_FROM_M,
            "hole_to_m": _HOLE_TO_M,
            "stop_pass": _STOP_PASS,
            "residue_delay_s": _DELAY_S,
        },
    )


def _standing(east: float, north: np.ndarray, most_m: float) -> np.ndarray:
    """Give the part of the header in standing crop, east of the swath along the edge."""
    edge = -north * np.tan(np.radians(_EDGE_DEG))
    swath = _WIDTH_M / 2 / np.cos(np.radians(_EDGE_DEG))
    west = np.maximum(east - _WIDTH_M / 2, edge + swath)
    return np.asarray(np.clip(east + _WIDTH_M / 2 - west, 0.0, most_m) / _WIDTH_M)

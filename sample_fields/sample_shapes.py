"""What all invented sample fields are drawn with: place, passes, and the sample itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from pyproj import Transformer

_CRS = "EPSG:32626"
#: South-west corner of the fields in that CRS [m]: open sea.
_CORNER = (500_000.0, 4_980_000.0)
NOTE = "Invented data made by sample_fields/make_samples.py; no real field, farm or machine."


@dataclass(frozen=True)
class Sample:
    """One sample field: its files by name, and the truth behind them."""

    files: dict[str, str]
    truth: dict[str, object]


def lonlat(east: np.ndarray, north: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Turn metres east and north of the corner into degrees, to about a millimetre."""
    transform = Transformer.from_crs(_CRS, "EPSG:4326", always_xy=True)
    lon, lat = transform.transform(_CORNER[0] + east, _CORNER[1] + north)
    return np.round(lon, 8), np.round(lat, 8)


def back_and_forth(
    passes: int, width_m: float, length_m: float, step_m: float, turn: bool
) -> pd.DataFrame:
    """Give east, north, pass number (0 on turns) of straight passes with U-turns."""
    rows = []
    for k in range(passes):
        x = (k + 0.5) * width_m
        up = k % 2 == 0
        y = np.arange(0.0, length_m + 1e-9, step_m)
        y = y if up else length_m - y
        rows.append(pd.DataFrame({"east": x, "north": y, "pass": k + 1}))
        if turn and k < passes - 1:
            # out on the headland, round, and back in beside
            angle = np.linspace(0, np.pi, 9)[1:-1]
            radius = width_m / 2
            out = step_m
            east = np.concatenate([[x], x + radius * (1 - np.cos(angle)), [x + width_m]])
            bulge = np.concatenate([[out], out + radius * np.sin(angle), [out]])
            north = length_m + bulge if up else -bulge
            rows.append(pd.DataFrame({"east": east, "north": north, "pass": 0}))
    return pd.concat(rows, ignore_index=True)

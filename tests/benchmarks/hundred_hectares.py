"""The field all benchmarks use: 100 ha, 1 Hz, 50,000 fixes, in 12 m passes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from pyproj import Transformer

FIXES = 50_000
WIDTH_M = 12.0
STEP_M = 100 * 1e4 / WIDTH_M / FIXES
LENGTH_M = 1000.0
HEADING_DEG = 20.0


def positions(fixes: int = FIXES) -> tuple[np.ndarray, np.ndarray]:
    """Give (n, 2) positions [m] and clock [s] of back-and-forth passes with pauses.

    Fields of another number of fixes are squares with the same spacing.
    """
    per_pass = int(LENGTH_M * np.sqrt(fixes / FIXES) / STEP_M)
    k, i = np.divmod(np.arange(fixes), per_pass)
    along = np.where(k % 2 == 0, i, per_pass - 1 - i) * STEP_M
    rng = np.random.default_rng(7)
    xy = np.column_stack([k * WIDTH_M + rng.normal(0, 0.05, fixes), along])
    angle = np.radians(HEADING_DEG)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return xy @ turn.T + np.array([500_000.0, 4_980_000.0]), np.arange(fixes) + k * 40.0


def write_track(path: Path, fixes: int = FIXES) -> None:
    """Write the field as a plain CSV with flow and speed."""
    xy, clock = positions(fixes)
    transform = Transformer.from_crs("EPSG:32626", "EPSG:4326", always_xy=True)
    lon, lat = transform.transform(xy[:, 0], xy[:, 1])
    rng = np.random.default_rng(8)
    time = pd.Timestamp("2026-08-01T06:00:00Z") + pd.to_timedelta(clock, unit="s")
    pd.DataFrame(
        {
            "time": time.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "longitude": lon.round(8),
            "latitude": lat.round(8),
            "speed_m_s": round(STEP_M, 3),
            "grain_flow_kg_s": rng.normal(11.0, 0.8, fixes).round(3),
        }
    ).to_csv(path, index=False)

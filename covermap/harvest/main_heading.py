"""The direction that the passes of a field have in common."""

from __future__ import annotations

import numpy as np

from covermap.errors import Ask, SettingsError


def combine_heading_deg(heading_deg: np.ndarray, length_m: np.ndarray) -> float:
    """Give the direction that passes have in common, there and back alike [deg, 0 to 180).

    The mean of doubled angles, weighted by length (axial data; Mardia and Jupp, Directional
    Statistics, from memory). (n,) headings are clockwise from north, NaN for laps, which are
    left out.

    Raises
    ------
    SettingsError
        If no pass has a heading, or passes have no direction in common.
    """
    known = np.isfinite(heading_deg)
    doubled = length_m[known] @ np.exp(2j * np.radians(heading_deg[known]))
    if not abs(doubled) > 1e-6 * length_m.sum():
        raise SettingsError(
            "The combine's passes have no main heading (laps, or crossing ways).",
            "",
            "State the heading of the implement: {0}.",
            Ask("plan.implement_heading", "90"),
        )
    # rounding first, so that a hair west of north is 0 and not 180
    return round(float(np.degrees(np.angle(doubled)) / 2), 3) % 180

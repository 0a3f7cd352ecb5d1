"""How residue is shared across the band: flat, triangle, trapezoid, bell or a table."""

from __future__ import annotations

import numpy as np

#: Bins across the band for the shapes that need them.
BINS = 40
#: The bell's edges lie this many standard deviations from its middle; 0.3 % is cut off
#: and shared out.
BELL_REACH_SIGMAS = 3.0
#: The trapezoid is level over this middle part of each side.
TRAPEZOID_LEVEL = 0.5


def _half_below(shape: str, u: np.ndarray) -> np.ndarray:
    """Give the mass between the centre (0) and ``u`` (to 1) of a half of unit mass."""
    if shape == "flat":
        return u
    if shape == "triangle":
        return np.asarray(u * (2 - u))
    if shape == "trapezoid":
        level = TRAPEZOID_LEVEL
        height = 2 / (1 + level)
        past = np.maximum(u - level, 0)
        return np.asarray(height * (u - past**2 / (2 * (1 - level))))
    if shape == "bell":
        from scipy.special import erf  # slow to load

        reach = BELL_REACH_SIGMAS / np.sqrt(2)
        return np.asarray(erf(u * reach) / erf(reach))
    raise ValueError(f"unknown profile shape {shape!r}")


def profile_shares(
    shape: str, reach_left_m: float, reach_right_m: float, table: tuple[float, ...] | None = None
) -> np.ndarray:
    """Give the share of residue in equal bins from the left edge to the right, summing to 1.

    Each side of a shape (``flat``, ``triangle``, ``trapezoid``, ``bell`` or ``table``) is
    stretched to its own reach, with the peak on the machine's centre line and no step there.
    Reaches are not negative and not both 0; a table holds the shares for ``table``, any sum.
    """
    if shape == "table":
        shares = np.asarray(table, float)
        return np.asarray(shares / shares.sum())
    if shape == "flat":
        return np.ones(1)
    width = reach_left_m + reach_right_m
    x = np.linspace(-reach_left_m, reach_right_m, BINS + 1)
    left = reach_left_m / width
    below = np.where(
        x < 0,
        left * (1 - _half_below(shape, np.clip(-x / max(reach_left_m, 1e-12), 0, 1))),
        left + (1 - left) * _half_below(shape, np.clip(x / max(reach_right_m, 1e-12), 0, 1)),
    )
    shares = np.diff(below)
    return np.asarray(shares / shares.sum())

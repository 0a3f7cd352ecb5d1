"""Rough positions: how far they jump from fix to fix, and a smoothed path where they do."""

from __future__ import annotations

import numpy as np
import pandas as pd

from covermap.tables.said import Said

#: Travel that one smoothed position is read from [m].
SMOOTHED_OVER_M = 10.0
#: Positions rougher than this, in headings wobbling more than that, are smoothed. A receiver
#: with correction signals stays well below (common practice, no source).
_ROUGH_M, _WOBBLE_DEG = 0.15, 5.0
#: No position moves further than this many times the roughness: a real bend stays.
_MOST_SIGMAS = 3.0
_LEAST_FIXES = 5
#: Median absolute deviation to standard deviation of a normal distribution.
_MAD_TO_SIGMA = 1.4826
#: So many fixes are worked out at once.
_BLOCK_FIXES = 1 << 15
_FOURTH_DIFFERENCE = np.array([1.0, -4.0, 6.0, -4.0, 1.0])


def cross_track_sigma_m(path: pd.DataFrame) -> float:
    """Give the roughness of the positions across the heading [m], standard deviation.

    From differences of the fourth order (second differences of second differences), so that
    a curve, whose second differences are all alike, is not taken for roughness. Errors that
    change slowly leave no trace here, nor need they: they do not make headings wobble. 0 if no
    five fixes follow one another without a ``gap``.
    """
    if len(path) < 5:
        return 0.0
    gap = path["gap"].to_numpy(bool)
    whole = ~(gap[1:-3] | gap[2:-2] | gap[3:-1] | gap[4:])
    if not whole.any():
        return 0.0
    norm = float(np.sqrt((_FOURTH_DIFFERENCE**2).sum()))
    return _MAD_TO_SIGMA * float(np.median(np.abs(_jumps_across(path)[whole]))) / norm


def _jumps_across(path: pd.DataFrame) -> np.ndarray:
    """Give the fourth differences of the positions across the heading [m]."""
    easting, northing = path["easting"].to_numpy(float), path["northing"].to_numpy(float)
    across = np.empty(len(path) - 4)
    for first in range(0, len(across), _BLOCK_FIXES):
        last = min(first + _BLOCK_FIXES, len(across))
        xy = np.column_stack([easting[first : last + 4], northing[first : last + 4]])
        windows = np.stack([xy[k : last - first + k] for k in range(5)])
        jump = np.tensordot(_FOURTH_DIFFERENCE, windows, axes=1)
        chord = xy[4:] - xy[:-4]
        length = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-9)
        across[first:last] = (jump[:, 0] * chord[:, 1] - jump[:, 1] * chord[:, 0]) / length
    return across


def smooth_rough_positions(path: pd.DataFrame, notes: list[Said]) -> pd.DataFrame:
    """Smooth the path along its travel where positions are rough; else give it as it is.

    It has ``easting``, ``northing``, ``step_m`` [m] and ``gap``.
    """
    sigma = cross_track_sigma_m(path)
    gap = path["gap"].to_numpy(bool)
    steps = path["step_m"].to_numpy(float)[~gap]
    if sigma <= _ROUGH_M or len(steps) == 0:
        return path
    usual = max(float(np.median(steps)), 1e-3)
    wobble = float(np.degrees(np.arctan2(np.sqrt(2.0) * sigma, usual)))
    if wobble <= _WOBBLE_DEG:
        return path
    from scipy.signal import savgol_filter  # slow to load, and seldom needed

    half = max(int(SMOOTHED_OVER_M / usual / 4) * 2 + 1, 3)
    xy = path[["easting", "northing"]].to_numpy(float)
    smooth = xy.copy()
    starts = np.flatnonzero(np.append(True, gap[1:]))
    for first, end in zip(starts, np.append(starts[1:], len(xy)), strict=True):
        if end - first < max(half, _LEAST_FIXES):
            continue
        # half the window twice over: its weights fall off to both ends, so that a fix that
        # enters or leaves the window does not make the heading jump again
        for _ in range(2):
            smooth[first:end] = savgol_filter(smooth[first:end], half, 1, axis=0, mode="interp")
    moved = smooth - xy
    length = np.maximum(np.hypot(moved[:, 0], moved[:, 1]), 1e-12)
    moved *= np.minimum(1.0, _MOST_SIGMAS * sigma / length)[:, None]
    numbers = {"jump_m": float(sigma), "over_m": float(2 * (half - 1) * usual)}
    notes.append(Said("track-smoothed", numbers))
    return path.assign(easting=xy[:, 0] + moved[:, 0], northing=xy[:, 1] + moved[:, 1])

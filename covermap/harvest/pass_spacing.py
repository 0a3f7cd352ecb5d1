"""How far apart the passes lie, and which way each one runs."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from covermap.ground.compiled import compiled

#: Headings are read over this much travel, so that position noise is no turn [m].
HEADING_BASE_M = 6.0


def headings_along(xy: np.ndarray, along: np.ndarray) -> np.ndarray:
    """Give (n,) unwrapped headings [rad] read over a few metres either side of each fix.

    Clockwise from north. ``xy`` is (n, 2) easting, northing [m], ``along`` (n,) the chainage
    of each, never falling [m].
    """
    half = HEADING_BASE_M / 2
    ahead = np.clip(along + half, along[0], along[-1])
    behind = np.clip(along - half, along[0], along[-1])
    dx = np.interp(ahead, along, xy[:, 0]) - np.interp(behind, along, xy[:, 0])
    dy = np.interp(ahead, along, xy[:, 1]) - np.interp(behind, along, xy[:, 1])
    return np.unwrap(np.arctan2(dx, dy))


def spacing_and_heading(
    xy: np.ndarray, number: np.ndarray, cut_width_m: float
) -> tuple[np.ndarray, np.ndarray]:
    """Give each pass's spacing [m] and mean heading [deg].

    The spacing is the median, over points along the pass, of the distance straight across
    to the nearest other run on either side.

    Parameters
    ----------
    xy, number : numpy.ndarray
        (n, 2) easting, northing [m] of the harvested fixes, a pass standing together; (n,)
        pass of each, from 1, rising.
    cut_width_m : float
        Header width [m].

    Returns
    -------
    numpy.ndarray, numpy.ndarray
        (passes,) each; NaN where no pass lies beside, and for laps.
    """
    every = cut_width_m / 4
    passes = int(number[-1])
    edges = np.searchsorted(number, np.arange(1, passes + 2))
    points, headings, chainage = [], [], []
    mean_heading = np.full(passes, np.nan)
    for k in range(passes):
        own = xy[edges[k] : edges[k + 1]]
        along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(own, axis=0).T))])
        s = np.arange(every / 2, max(along[-1], every), every)
        points.append(
            np.column_stack([np.interp(s, along, own[:, 0]), np.interp(s, along, own[:, 1])])
        )
        heading = np.interp(s, along, headings_along(own, np.maximum.accumulate(along)))
        headings.append(heading)
        chainage.append(s)
        resultant = np.exp(1j * heading).mean()
        if abs(resultant) > 0.5:
            mean_heading[k] = math.degrees(math.atan2(resultant.imag, resultant.real)) % 360
    owner = np.repeat(np.arange(1, passes + 1, dtype=np.int32), [len(s) for s in chainage])
    beside = _beside(points, headings, owner, chainage, cut_width_m, every)
    found = np.isfinite(beside)
    nearest = pd.Series(beside[found]).groupby(np.repeat(owner, 2)[found.ravel()])
    spacing = nearest.median().reindex(range(1, passes + 1)).to_numpy(float)
    return spacing, mean_heading


def _beside(
    points: list[np.ndarray],
    headings: list[np.ndarray],
    owner: np.ndarray,
    chainages: list[np.ndarray],
    cut_width_m: float,
    every_m: float,
) -> np.ndarray:
    """Give (n, 2) distances of all points to the nearest other run left and right [m]."""
    reach = 1.8 * cut_width_m
    xy = np.concatenate(points)
    across, up = (np.floor((xy[:, k] - xy[:, k].min()) / reach).astype(np.int64) for k in range(2))
    # an empty row of squares between columns, so that neighbours never wrap around
    column = int(up.max()) + 2
    key = across * column + up
    del across, up
    order = np.argsort(key, kind="stable")
    nearest = np.full((len(xy), 2), np.inf)
    _nearest_runs(
        key[order],
        column,
        order,
        xy[order],
        np.concatenate(headings)[order],
        owner[order],
        np.concatenate(chainages)[order],
        reach,
        cut_width_m,
        every_m,
        nearest,
    )
    return nearest


@compiled
def _nearest_runs(
    key: np.ndarray,
    column: int,
    order: np.ndarray,
    xy: np.ndarray,
    heading: np.ndarray,
    owner: np.ndarray,
    chainage: np.ndarray,
    reach: float,
    width: float,
    every: float,
    nearest: np.ndarray,
) -> None:
    """Look from each point straight across; all arrays but ``nearest`` are sorted by key."""
    n = len(key)
    first = np.zeros(3, np.int64)
    for i in range(n):
        sine, cosine = math.sin(heading[i]), math.cos(heading[i])
        for k in range(3):
            low = key[i] + (k - 1) * column - 1
            while first[k] < n and key[first[k]] < low:
                first[k] += 1
            j = first[k]
            while j < n and key[j] <= low + 2:
                east, north = xy[j, 0] - xy[i, 0], xy[j, 1] - xy[i, 1]
                ahead = east * sine + north * cosine
                across = east * cosine - north * sine
                aside = abs(across)
                if (
                    abs(ahead) <= 0.6 * every
                    and aside > 0.3 * width
                    and east * east + north * north <= reach * reach
                    and (owner[j] != owner[i] or abs(chainage[j] - chainage[i]) > 4 * width)
                    and abs(math.cos(heading[i] - heading[j])) > 0.9
                ):
                    side = 1 if across > 0 else 0
                    if aside < nearest[order[i], side]:
                        nearest[order[i], side] = aside
                j += 1

"""Whether one harvest drove in the tracks of another, between them, or elsewhere."""

from __future__ import annotations

import math
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from scipy.spatial import cKDTree

#: In the same track: within this part of the cut width (choice of this project, no source).
SAME_TRACK_PART = 0.25
#: Half a header over: off half the cut width by at most this part of it (as above).
HALF_OVER_PART = 0.125
#: Passes within this angle are parallel [deg] (as above).
PARALLEL_DEG = 15.0
#: Points along a pass per cut width; with passes no nearer than half a cut width, 64
#: neighbours hold every pass in reach.
_POINTS_PER_WIDTH = 8
_NEIGHBOURS = 64


@dataclass(frozen=True)
class LinePoints:
    """Points along lines, each the middle of its piece.

    Attributes
    ----------
    place, along : numpy.ndarray
        (n, 2) position [m] and unit vector of travel.
    line : numpy.ndarray
        (n,) index of the line.
    length_m : numpy.ndarray
        (n,) travel the point stands for [m].
    """

    place: np.ndarray
    along: np.ndarray
    line: np.ndarray
    length_m: np.ndarray


@dataclass(frozen=True)
class TrackMatch:
    """How the passes of harvest B lie to those of harvest A, as shares of B's pass length.

    Attributes
    ----------
    cut_width_m, tolerance_m : float
        Width the limits follow from, and how near counts as the same track [m].
    length_m : float
        Pass length of B [m].
    same_tracks_share : float
        Within the tolerance of a parallel pass of A.
    same_direction_share : float
        Of that length, driven the same way as A; NaN if there is none.
    half_over_share : float
        About half a cut width from the nearest parallel pass of A.
    """

    cut_width_m: float
    tolerance_m: float
    length_m: float
    same_tracks_share: float
    same_direction_share: float
    half_over_share: float


def points_along(lines: gpd.GeoSeries, step_m: float) -> LinePoints:
    """Walk along lines in steps of at most ``step_m`` [m]."""
    places, alongs, owners, lengths = [], [], [], []
    for number, line in enumerate(lines.geometry):
        for part in shapely.get_parts(line):
            xy = shapely.get_coordinates(part)
            gone = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))))
            if gone[-1] <= 0:
                continue
            count = math.ceil(gone[-1] / step_m)
            ends = np.linspace(0.0, gone[-1], count + 1)
            middle = (ends[:-1] + ends[1:]) / 2
            corner = np.column_stack([np.interp(ends, gone, xy[:, k]) for k in (0, 1)])
            chord = np.diff(corner, axis=0)
            size = np.hypot(*chord.T)
            keep = size > 0
            places.append(
                np.column_stack([np.interp(middle, gone, xy[:, k]) for k in (0, 1)])[keep]
            )
            alongs.append(chord[keep] / size[keep, None])
            owners.append(np.full(int(keep.sum()), number))
            lengths.append(np.diff(ends)[keep])
    if not places:
        return LinePoints(np.empty((0, 2)), np.empty((0, 2)), np.empty(0, int), np.empty(0))
    return LinePoints(
        np.concatenate(places),
        np.concatenate(alongs),
        np.concatenate(owners),
        np.concatenate(lengths),
    )


def match_tracks(a: gpd.GeoSeries, b: gpd.GeoSeries, cut_width_m: float) -> TrackMatch:
    """Say how the passes of B lie to those of A.

    Lines are in the order of travel, in one metric CRS; the cut width is in [m].
    """
    step = cut_width_m / _POINTS_PER_WIDTH
    tolerance = SAME_TRACK_PART * cut_width_m
    old, new = points_along(a, step), points_along(b, step)
    total = float(new.length_m.sum())
    if total == 0 or len(old.place) == 0:
        return TrackMatch(cut_width_m, tolerance, total, 0.0, math.nan, 0.0)
    reach = math.hypot((0.5 + HALF_OVER_PART) * cut_width_m, step)
    count = min(_NEIGHBOURS, len(old.place))
    away, near = cKDTree(old.place).query(new.place, k=count, distance_upper_bound=reach)
    away, near = away.reshape(-1, count), near.reshape(-1, count)
    found = np.isfinite(away)
    near = np.where(found, near, 0)
    turned = np.einsum("ij,ikj->ik", new.along, old.along[near])
    gap = new.place[:, None, :] - old.place[near]
    across = np.abs(gap[..., 0] * old.along[near, 1] - gap[..., 1] * old.along[near, 0])
    beside = np.abs(np.einsum("ikj,ikj->ik", gap, old.along[near])) <= step
    parallel = np.abs(turned) >= math.cos(math.radians(PARALLEL_DEG))
    across = np.where(found & beside & parallel, across, np.inf)
    best = across.argmin(axis=1)
    rows = np.arange(len(best))
    offset, same_way = across[rows, best], turned[rows, best] > 0
    same = offset <= tolerance
    half = np.abs(offset - cut_width_m / 2) <= HALF_OVER_PART * cut_width_m
    in_same = float(new.length_m[same].sum())
    return TrackMatch(
        cut_width_m=cut_width_m,
        tolerance_m=tolerance,
        length_m=total,
        same_tracks_share=in_same / total,
        same_direction_share=(
            float(new.length_m[same & same_way].sum()) / in_same if in_same > 0 else math.nan
        ),
        half_over_share=float(new.length_m[half].sum()) / total,
    )

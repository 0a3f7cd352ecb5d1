"""The ground a moving width sweeps between fixes, as quadrilaterals.

Header and residue band are both a line across the travel, moved from one point to the
next. Where two sweeps follow each other they share the line between them, so that a curve
is laid without gaps or doubling; where the curve is tighter than the width allows, each
sweep keeps its own square ends.
"""

from __future__ import annotations

import math

import numpy as np

from covermap.ground.compiled import compiled

#: A sweep shorter than this is lengthened about its middle: a thrower standing still
#: still throws some way fore and aft (no published figure; half a metre is one cell).
LEAST_LENGTH_M = 0.5

#: Shared ends may eat at most this part of a sweep's length on the inner side.
_MOST_EATEN = 0.45


def sweep_corners(
    start: np.ndarray,
    end: np.ndarray,
    follows: np.ndarray,
    left_m: np.ndarray,
    right_m: np.ndarray,
    heading_rad: np.ndarray,
) -> np.ndarray:
    """Give (n, 4, 2) the corners of each sweep [m]: left start, right start, right end, left end.

    Parameters
    ----------
    start, end : numpy.ndarray
        (n, 2) easting, northing [m] of the centre line.
    follows : numpy.ndarray
        (n,) True where a sweep starts where the one before it ended.
    left_m, right_m : numpy.ndarray
        (n,) offsets of the edges from the centre line, + to the right [m];
        ``left_m < right_m``.
    heading_rad : numpy.ndarray
        (n,) direction used where start and end coincide, clockwise from north [rad].
    """
    corners = np.empty((len(start), 4, 2))
    _set_corners(
        np.ascontiguousarray(start, np.float64),
        np.ascontiguousarray(end, np.float64),
        np.ascontiguousarray(follows, np.bool_),
        np.asarray(left_m, np.float64),
        np.asarray(right_m, np.float64),
        np.asarray(heading_rad, np.float64),
        corners,
    )
    return corners


@compiled
def _set_corners(
    start: np.ndarray,
    end: np.ndarray,
    follows: np.ndarray,
    left_m: np.ndarray,
    right_m: np.ndarray,
    heading_rad: np.ndarray,
    corners: np.ndarray,
) -> None:
    """Write the corners of each sweep; each looks at the one before it only."""
    before_x = before_y = before_length = 0.0
    before_short = True
    for i in range(len(start)):
        x0, y0, x1, y1 = start[i, 0], start[i, 1], end[i, 0], end[i, 1]
        length = math.hypot(x1 - x0, y1 - y0)
        if length < 1e-6:
            along_x, along_y = math.sin(heading_rad[i]), math.cos(heading_rad[i])
        else:
            along_x, along_y = (x1 - x0) / length, (y1 - y0) / length
        short = length < LEAST_LENGTH_M
        if short:
            middle_x, middle_y = 0.5 * (x0 + x1), 0.5 * (y0 + y1)
            half_x, half_y = 0.5 * LEAST_LENGTH_M * along_x, 0.5 * LEAST_LENGTH_M * along_y
            x0, y0 = middle_x - half_x, middle_y - half_y
            x1, y1 = middle_x + half_x, middle_y + half_y
            length = LEAST_LENGTH_M
        # to the right of the travel
        right_x, right_y = along_y, -along_x
        across_x, across_y = right_x, right_y
        if i > 0 and follows[i] and not short and not before_short:
            cosine = before_x * right_x + before_y * right_y
            # tan of half the turn, from the half-angle formula
            tangent = math.sqrt(max((1 - cosine) / max(1 + cosine, 1e-9), 0.0))
            widest = max(
                max(abs(left_m[i]), abs(right_m[i])), max(abs(left_m[i - 1]), abs(right_m[i - 1]))
            )
            if widest * tangent <= _MOST_EATEN * min(length, before_length):
                # a mitre: both edges keep their distance from the centre line; the place is
                # the same to the last bit, so that the line between is one
                across_x = (before_x + right_x) / (1 + cosine)
                across_y = (before_y + right_y) / (1 + cosine)
                x0, y0 = end[i - 1, 0], end[i - 1, 1]
                corners[i - 1, 2, 0] = x0 + right_m[i - 1] * across_x
                corners[i - 1, 2, 1] = y0 + right_m[i - 1] * across_y
                corners[i - 1, 3, 0] = x0 + left_m[i - 1] * across_x
                corners[i - 1, 3, 1] = y0 + left_m[i - 1] * across_y
        corners[i, 0, 0] = x0 + left_m[i] * across_x
        corners[i, 0, 1] = y0 + left_m[i] * across_y
        corners[i, 1, 0] = x0 + right_m[i] * across_x
        corners[i, 1, 1] = y0 + right_m[i] * across_y
        corners[i, 2, 0] = x1 + right_m[i] * right_x
        corners[i, 2, 1] = y1 + right_m[i] * right_y
        corners[i, 3, 0] = x1 + left_m[i] * right_x
        corners[i, 3, 1] = y1 + left_m[i] * right_y
        before_x, before_y = right_x, right_y
        before_length, before_short = length, short

"""The outline of the field, drawn around the passes; whether a stated one fits them."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from covermap.errors import BoundaryError

#: Ground between passes up to this many header widths apart belongs to the field.
_BRIDGED_WIDTHS = 1.0
#: A quarter circle in so many pieces strays by 5 mm at a reach of 15 m.
_ARC_SEGMENTS = 32
#: So many passes are joined, and so many sweeps held against a boundary, at once.
_BLOCK_PASSES = 32
_BLOCK_SWEEPS = 1 << 14


def field_outline(lines: np.ndarray, spacing_m: np.ndarray, width_m: np.ndarray) -> BaseGeometry:
    """Draw the outline around the header's sweeps, closing the chinks between passes.

    (passes,) each: middle lines [m], pass spacing (NaN where unknown) and header width.
    """
    known = spacing_m[np.isfinite(spacing_m)]
    usual = float(np.median(known)) if len(known) else float(np.median(width_m))
    reach = _BRIDGED_WIDTHS * max(float(np.median(width_m)), usual) / 2 + 0.5
    parts = []
    for first in range(0, len(lines), _BLOCK_PASSES):
        block = slice(first, first + _BLOCK_PASSES)
        # a line simplified by a few centimetres has half of the points or fewer
        swaths = shapely.buffer(
            shapely.simplify(lines[block], 0.05, preserve_topology=False),
            width_m[block] / 2,
            cap_style="flat",
            join_style="mitre",
        )
        # each swath grown by itself: edges of neighbours no longer cross to and fro all along
        parts.append(shapely.union_all(shapely.buffer(swaths, reach, quad_segs=_ARC_SEGMENTS)))
    grown = shapely.union_all(parts)
    closed = shapely.buffer(grown, -reach, quad_segs=_ARC_SEGMENTS)
    return shapely.simplify(shapely.make_valid(closed), 0.05)


def check_boundary(boundary: BaseGeometry, sweep_corners: np.ndarray, name: str) -> None:
    """Refuse a boundary that the harvested ground does not touch.

    ``sweep_corners`` are (n, 4, 2) corners of the header's sweeps [m], ``name`` is the file's.

    Raises
    ------
    BoundaryError
        If boundary and harvested ground lie apart.
    """
    apart = np.inf
    for first in range(0, len(sweep_corners), _BLOCK_SWEEPS):
        swept = shapely.polygons(sweep_corners[first : first + _BLOCK_SWEEPS])
        if shapely.intersects(boundary, swept).any():
            return
        apart = min(apart, float(shapely.distance(boundary, swept).min()))
    raise BoundaryError(
        f"{name}: the boundary does not touch the track; they lie {apart / 1000:,.1f} km apart.",
        way_out="Is it the outline of another field, or are its coordinates swapped?",
    )

"""Where the edges of the residue bands lie, from where the discharge was at each moment."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from covermap.ground.lean_memory import at_rows
from covermap.ground.sweeps import sweep_corners
from covermap.ground.travel import Travel, record_starts, travel_along

#: So many fixes are worked out at once; the numbers do not depend on it.
_BLOCK_FIXES = 1 << 15


def corners_by_block(
    path: pd.DataFrame,
    rows: np.ndarray,
    pass_no: np.ndarray,
    machine: pd.DataFrame,
    carried_m: np.ndarray,
    edges: list[tuple[np.ndarray, np.ndarray]],
    travel: Travel | None,
) -> Iterator[tuple[slice, list[np.ndarray]]]:
    """Give the corners of the bands, a block of fixes at a time.

    Parameters
    ----------
    path, rows, pass_no, machine, travel
        As for :func:`covermap.spread.bands.band_places`.
    carried_m : numpy.ndarray
        (n,) how far the wind carries the band along the travel [m].
    edges : list of (numpy.ndarray, numpy.ndarray)
        (n,) left and right edge of the bands of each kind, + to the right [m].

    Yields
    ------
    slice, list of numpy.ndarray
        Which fixes, and the (fixes, 4, 2) corners [m] of their bands of each kind.
    """
    travel = travel or travel_along(path)
    begun, ended = record_starts(path), path["clock_s"].to_numpy(float)
    easting, northing = path["easting"].to_numpy(float), path["northing"].to_numpy(float)
    delay = at_rows(machine["residue_delay_s"], rows)
    behind = at_rows(machine["antenna_ahead_of_discharge_m"], rows)
    for first in range(0, len(rows), _BLOCK_FIXES):
        block = slice(first, min(first + _BLOCK_FIXES, len(rows)))
        # a band shares its ends with the one before and the one after
        near = slice(max(first - 1, 0), min(block.stop + 1, len(rows)))
        own = slice(first - near.start, block.stop - near.start)
        at, ahead = rows[near], carried_m[near] - behind[near]
        start = travel.positions(begun[at] + delay[near], ahead)
        end = travel.positions(ended[at] + delay[near], ahead)
        before, after = np.maximum(at - 1, 0), np.minimum(at + 1, len(path) - 1)
        heading = np.arctan2(easting[after] - easting[before], northing[after] - northing[before])
        touching = np.append(False, np.hypot(*(start[1:] - end[:-1]).T) < 1e-6)
        follows = touching & (np.diff(pass_no[near], prepend=-1) == 0)
        yield (
            block,
            [
                sweep_corners(start, end, follows, left[near], right[near], heading)[own]
                for left, right in edges
            ],
        )

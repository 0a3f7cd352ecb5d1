"""How much residue a set of bands puts on each strip: the engine read strip by strip."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from covermap.ground.grid import Grid
from covermap.ground.rasterise import sum_on_strips
from covermap.ground.sweeps import in_cells, largest_box
from covermap.spread.deposit import Bands

#: Side of the blocks in which strips are looked for before a band is worked out [cells].
_BLOCK = 16
#: Bands are joined along the travel up to this length, where they bend and lie apart less [m]
_JOIN_M, _STRAIGHT_M, _APART_M = 8.0, 0.25, 0.6
#: and do not open at an edge by more than this part of it,
_OPEN = 0.3
#: and where less than this share of their residue would have to move across.
_ALIKE = 0.05
#: Their loads must be the same to this part either way.
_AS_HEAVY = 0.15


@dataclass(frozen=True)
class StripSums:
    """Adds up over strips what lies on cells, what sweeps say and what bands lay.

    Attributes
    ----------
    grid : Grid
        The field's grid.
    of_cell : numpy.ndarray
        (rows, cols) integer: number of the strip a cell belongs to, from 1; 0 none.
    count : int
        Number of strips.
    cells, strip : numpy.ndarray
        (m,) flat index of every cell in a strip, and its strip.
    busy : numpy.ndarray
        Which blocks of the grid hold a cell of any strip.
    """

    grid: Grid
    of_cell: np.ndarray
    count: int
    cells: np.ndarray
    strip: np.ndarray
    busy: np.ndarray

    @classmethod
    def on(cls, of_cell: np.ndarray, grid: Grid) -> StripSums:
        """Prepare for a raster of strip numbers."""
        cells = np.flatnonzero(of_cell)
        strip = of_cell.ravel()[cells]
        tall, wide = (np.arange(0, size, _BLOCK) for size in grid.shape)
        busy = np.logical_or.reduceat(of_cell > 0, tall, axis=0)
        busy = np.logical_or.reduceat(busy, wide, axis=1)
        count = int(strip.max(initial=0))
        # half the memory to walk through where the numbers allow
        of_cell = of_cell.astype(np.uint16) if count < 2**16 else of_cell
        return cls(grid, of_cell, count, cells, strip, busy)

    def kg_of_cells(self, kg_m2: np.ndarray, where: np.ndarray | None = None) -> np.ndarray:
        """Give (strips,) mass [kg] of a raster of mass per area, of some ``cells`` only."""
        weights = kg_m2.ravel()[self.cells] * self.grid.cell_area_m2
        if where is not None:
            weights *= where
        return np.bincount(self.strip, weights, self.count + 1)[1:]

    def mean_of_cells(self, values: np.ndarray) -> np.ndarray:
        """Give (strips,) the mean of a value of every one of ``cells``."""
        total = np.bincount(self.strip, values, self.count + 1)
        return total[1:] / np.bincount(self.strip, minlength=self.count + 1)[1:]

    def kg_laid(self, bands: Bands, loads_kg: np.ndarray | None = None) -> np.ndarray:
        """Lay ``bands`` and add up what falls on each strip.

        The same exact areas as :func:`covermap.spread.deposit.deposit`, without its rasters.

        Parameters
        ----------
        bands : Bands
            What is laid, and where.
        loads_kg : numpy.ndarray, optional
            (n, loads) several masses for the same bands [kg]; the bands' own otherwise.

        Returns
        -------
        numpy.ndarray
            (strips, loads) [kg].
        """
        loads = bands.mass_kg[:, None] if loads_kg is None else loads_kg
        bands, loads = _joined_along(*_joined_along(bands, loads))
        corners = in_cells(bands.corners, self.grid)
        found = np.zeros((self.count + 1, loads.shape[1]))
        # one thread: what-ifs run side by side
        sum_on_strips(
            corners,
            np.ascontiguousarray(loads, np.float64),
            np.ascontiguousarray(bands.profile, np.int64),
            np.ascontiguousarray(bands.shares, np.float64),
            np.ascontiguousarray(bands.bins, np.int64),
            *largest_box(corners),
            self.of_cell,
            self.busy,
            _BLOCK,
            found,
        )
        return np.asarray(found[1:])


def _joined_along(bands: Bands, loads: np.ndarray) -> tuple[Bands, np.ndarray]:
    """Join each two bands that go straight on with like profiles, up to a few metres."""
    count = len(loads) // 2 * 2
    one, two = bands.corners[0:count:2], bands.corners[1:count:2]
    opening = one[:, [3, 2]] - two[:, [0, 1]]
    middle, edges = opening.mean(axis=1), np.hypot(opening[..., 0], opening[..., 1])
    chord = two[:, [3, 2]] - one[:, :2]
    length = np.hypot(chord[..., 0], chord[..., 1])
    half = 0.5 * (one[:, [3, 2]] + two[:, [0, 1]]) - one[:, :2]
    # how far the joint lies aside of the straight line from start to end
    aside = np.abs(half[..., 0] * chord[..., 1] - half[..., 1] * chord[..., 0])
    join = (
        (np.hypot(middle[:, 0], middle[:, 1]) < _APART_M)
        & (edges < _OPEN * length).all(axis=1)
        & (aside < _STRAIGHT_M * length).all(axis=1)
        & (length.max(axis=1) < _JOIN_M)
        & _as_heavy(loads[0:count:2], loads[1:count:2])
        & _alike(bands, bands.profile[0:count:2], bands.profile[1:count:2])
    )
    first = np.flatnonzero(join) * 2
    corners, loads = bands.corners.copy(), loads.copy()
    corners[first, 2:] = corners[first + 1, 2:]
    loads[first] += loads[first + 1]
    keep = np.ones(len(loads), bool)
    keep[first + 1] = False
    joined = replace(
        bands,
        corners=corners[keep],
        mass_kg=bands.mass_kg[keep],
        profile=bands.profile[keep],
        pass_index=bands.pass_index[keep],
    )
    return joined, loads[keep]


def _as_heavy(one: np.ndarray, two: np.ndarray) -> np.ndarray:
    """Tell which pairs of (n, loads) carry about the same."""
    return np.asarray((np.abs(one - two) <= _AS_HEAVY * (np.abs(one) + np.abs(two))).all(axis=1))


def _alike(bands: Bands, one: np.ndarray, two: np.ndarray) -> np.ndarray:
    """Tell which pairs of profiles are the same, or as good as."""
    alike = one == two
    number = one * len(bands.bins) + two
    codes, place = np.unique(number[~alike], return_inverse=True)
    a, b = np.divmod(codes, len(bands.bins))
    moved = 0.5 * np.abs(bands.shares[a] - bands.shares[b]).sum(axis=1)
    alike[~alike] = ((moved < _ALIKE) & (bands.bins[a] == bands.bins[b]))[place]
    return np.asarray(alike)

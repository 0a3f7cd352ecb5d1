"""How much residue a set of bands puts on each strip: the engine read strip by strip."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from covermap.ground.grid import Grid, Window, whole
from covermap.ground.rasterise import sum_on_strips
from covermap.ground.rasters import HeldRaster, Raster, stripes
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
#: Bands are joined in parts of this many, to save memory.
_BANDS_TOGETHER = 1 << 18


@dataclass(frozen=True)
class StripSums:
    """What lies on each strip, which sweeps cut it, and what bands lay on it.

    Attributes
    ----------
    grid : Grid
        The field's grid.
    of_cell : Raster
        Integer number of the strip a cell belongs to, from 1; 0 none.
    landed_kg, given_kg : numpy.ndarray
        (strips,) residue that landed on each strip and that its ground gave [kg].
    strip, sweep : numpy.ndarray
        (m,) int32 strip, from 1, and a sweep that cut some of it; each pair once.
    cells : numpy.ndarray
        (m,) cells of the strip that the sweep cut.
    kg_of_sweep : numpy.ndarray
        (m,) residue that these cells gave [kg].
    """

    grid: Grid
    of_cell: Raster
    landed_kg: np.ndarray
    given_kg: np.ndarray
    strip: np.ndarray
    sweep: np.ndarray
    cells: np.ndarray
    kg_of_sweep: np.ndarray

    @property
    def count(self) -> int:
        """Number of strips."""
        return len(self.landed_kg)

    @cached_property
    def _windows(self) -> list[Window]:
        """Give the parts of the grid that are worked one after the other."""
        if isinstance(self.of_cell, HeldRaster):
            return [whole(self.grid)]
        return stripes(self.grid, rows_together=_BLOCK)

    @cached_property
    def _held(self) -> np.ndarray | None:
        """Give a held raster in as little memory to walk through as the numbers allow."""
        if not isinstance(self.of_cell, HeldRaster):
            return None
        of_cell = self.of_cell.whole()
        return of_cell.astype(np.uint16) if self.count < 2**16 else of_cell

    @cached_property
    def _busy(self) -> np.ndarray:
        """Tell which blocks of the grid hold a cell of any strip."""
        found = []
        for window in self._windows:
            some = self._rows(window) > 0
            tall, wide = np.arange(0, window.rows, _BLOCK), np.arange(0, window.cols, _BLOCK)
            some = np.logical_or.reduceat(some, tall, axis=0)
            found.append(np.logical_or.reduceat(some, wide, axis=1))
        return np.concatenate(found)

    def _rows(self, window: Window) -> np.ndarray:
        return self.of_cell.rows(window.row, window.rows) if self._held is None else self._held

    def kg_given(self, by_sweep: np.ndarray) -> np.ndarray:
        """Give (strips,) residue that the strips' ground gave [kg], times a factor per sweep."""
        kg = self.kg_of_sweep * by_sweep[self.sweep]
        return np.bincount(self.strip, kg, self.count + 1)[1:]

    def mean_of_cells(self, by_sweep: np.ndarray) -> np.ndarray:
        """Give (strips,) the mean over a strip's cells of a value per sweep."""
        total = np.bincount(self.strip, self.cells * by_sweep[self.sweep], self.count + 1)
        return total[1:] / np.bincount(self.strip, self.cells, self.count + 1)[1:]

    def kg_laid(
        self, bands: Bands, loads_kg: np.ndarray | None = None, threads: int = 1
    ) -> np.ndarray:
        """Lay ``bands`` and add up what falls on each strip.

        The same exact areas as :func:`covermap.spread.deposit.deposit`, without its rasters.

        Parameters
        ----------
        bands : Bands
            What is laid, and where.
        loads_kg : numpy.ndarray, optional
            (n, loads) several masses for the same bands [kg]; the bands' own otherwise.
        threads : int
            Stripes worked side by side. One where what-ifs already run side by side.

        Returns
        -------
        numpy.ndarray
            (strips, loads) [kg].
        """
        loads = bands.mass_kg[:, None] if loads_kg is None else loads_kg
        corners, loads, profile = self._joined(bands, loads)
        north = np.floor(corners[..., 1].min(axis=1))
        south = np.ceil(corners[..., 1].max(axis=1))
        shares = np.ascontiguousarray(bands.shares, np.float64)
        bins = np.ascontiguousarray(bands.bins, np.int64)
        box = largest_box(corners)

        def laid(window: Window) -> np.ndarray:
            here = (south >= window.row) & (north < window.row + window.rows)
            found = np.zeros((self.count + 1, loads.shape[1]))
            sum_on_strips(
                corners,
                loads,
                profile,
                shares,
                bins,
                np.flatnonzero(here),
                *box,
                window.row,
                self._rows(window),
                self._busy[window.row // _BLOCK :],
                _BLOCK,
                found,
            )
            return found[1:]

        if threads == 1 or len(self._windows) == 1:
            return np.asarray(sum(map(laid, self._windows)))
        with ThreadPoolExecutor(threads) as pool:
            return np.asarray(sum(pool.map(laid, self._windows)))

    def _joined(self, bands: Bands, loads: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Join bands along the travel; give corners [cells], loads [kg] and profile of each."""
        parts = []
        for start in range(0, max(len(loads), 1), _BANDS_TOGETHER):
            part = slice(start, start + _BANDS_TOGETHER)
            some = replace(
                bands,
                corners=bands.corners[part],
                mass_kg=bands.mass_kg[part],
                profile=bands.profile[part],
                pass_index=bands.pass_index[part],
            )
            some, kg = _joined_along(*_joined_along(some, loads[part]))
            parts.append((in_cells(some.corners, self.grid), kg, some.profile))
        corners, kg, profile = (np.concatenate(column) for column in zip(*parts, strict=True))
        return corners, np.asarray(kg, np.float64), np.asarray(profile, np.int64)


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

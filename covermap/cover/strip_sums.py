"""How much residue a set of bands puts on each strip: the engine read strip by strip."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property, reduce

import numpy as np

from covermap.ground.compiled import compiled
from covermap.ground.grid import Grid, Window, whole
from covermap.ground.lay_bands import sum_runs_on_strips
from covermap.ground.near_rows import near_window
from covermap.ground.rasters import HeldRaster, Raster, stripes
from covermap.spread.deposit import Bands, Runs, runs_of

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
#: Cells of a filed raster that are read at once: bands that run over a seam are worked out
#: on both sides of it, so these stripes are taller than others.
_CELLS_TOGETHER = 3_000_000
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
    cells, kg_of_sweep : numpy.ndarray
        (m,) cells of the strip that the sweep cut, and residue that these gave [kg].
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
        return stripes(self.grid, cells=_CELLS_TOGETHER, rows_together=_BLOCK)

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
        """Lay ``bands`` and give (strips, loads) what falls on each strip [kg].

        The same exact areas as :func:`covermap.spread.deposit.deposit`, without its rasters.

        Parameters
        ----------
        bands : Bands
            What is laid, and where.
        loads_kg : numpy.ndarray, optional
            (n, loads) several masses for the same bands [kg]; the bands' own otherwise.
        threads : int
            Stripes worked side by side. One where what-ifs already run side by side.
        """
        loads = bands.mass_kg[:, None] if loads_kg is None else loads_kg
        joined, loads = _joined(bands, np.ascontiguousarray(loads, np.float64))
        runs = runs_of(joined, self.grid)
        columns = [
            self._kg_of_load(joined, runs, np.ascontiguousarray(load), threads)
            if load.any()
            else np.zeros(self.count)
            for load in loads.T
        ]
        return np.column_stack(columns)

    def _kg_of_load(self, bands: Bands, runs: Runs, kg: np.ndarray, threads: int) -> np.ndarray:
        """Give (strips,) what one load of the bands puts on each strip [kg]."""
        # runs follow from where the bands lie; only what they carry is another
        heaviest = np.maximum.reduceat(np.abs(kg), runs.bands[:, 0])

        def laid(window: Window) -> np.ndarray:
            found = np.zeros(self.count + 1)
            load = bands.load(near_window(runs.chunk_rows, window), kg)
            sum_runs_on_strips(
                load._replace(skipped=np.zeros(len(kg), np.bool_)),
                runs.bands,
                heaviest,
                self.grid.as_numbers(),
                window.row,
                self._rows(window),
                self._busy[window.row // _BLOCK :],
                _BLOCK,
                found,
            )
            return found[1:]

        if threads == 1 or len(self._windows) == 1:
            return reduce(np.add, map(laid, self._windows))
        with ThreadPoolExecutor(threads) as pool:
            return reduce(np.add, pool.map(laid, self._windows))


def _joined(bands: Bands, loads: np.ndarray) -> tuple[Bands, np.ndarray]:
    """Join bands that go straight on with like profiles, up to a few metres."""
    parts = []
    shares, bins = np.ascontiguousarray(bands.shares), np.ascontiguousarray(bands.bins, np.int64)
    for start in range(0, max(len(loads), 1), _BANDS_TOGETHER):
        part = slice(start, start + _BANDS_TOGETHER)
        corners = np.array(bands.corners[part], np.float64)
        some = np.array(loads[part])
        profile = np.array(bands.profile[part], np.int64)
        pass_index = np.array(bands.pass_index[part], np.int32)
        count = len(some)
        for _ in range(2):
            count = _join(
                corners[:count], some[:count], profile[:count], pass_index[:count], shares, bins
            )
        parts.append([c[:count].copy() for c in (corners, some, profile, pass_index)])
    corners, loads, profile, pass_index = (np.concatenate(c) for c in zip(*parts, strict=True))
    return Bands(corners, loads[:, 0].copy(), profile, pass_index, shares, bins), loads


@compiled
def _join(
    corners: np.ndarray,
    loads: np.ndarray,
    profile: np.ndarray,
    pass_index: np.ndarray,
    shares: np.ndarray,
    bins: np.ndarray,
) -> int:
    """Join each two bands in place where they allow it; give how many are left."""
    count = 0
    i = 0
    while i < len(loads):
        corners[count] = corners[i]
        loads[count] = loads[i]
        profile[count] = profile[i]
        pass_index[count] = pass_index[i]
        two = i + 1
        i += 1
        if (
            two % 2 == 1
            and two < len(loads)
            and pass_index[count] == pass_index[two]
            and _goes_on(corners, count, two)
            and _as_heavy(loads, count, two)
            and _alike(shares, bins, profile[count], profile[two])
        ):
            corners[count, 2:] = corners[two, 2:]
            loads[count] += loads[two]
            i += 1
        count += 1
    return count


@compiled
def _goes_on(corners: np.ndarray, one: int, two: int) -> bool:
    """Tell whether a band begins where another ends, and both are short and straight."""
    middle_x = middle_y = 0.0
    for start, end in ((0, 3), (1, 2)):
        open_x = corners[one, end, 0] - corners[two, start, 0]
        open_y = corners[one, end, 1] - corners[two, start, 1]
        middle_x += 0.5 * open_x
        middle_y += 0.5 * open_y
        chord_x = corners[two, end, 0] - corners[one, start, 0]
        chord_y = corners[two, end, 1] - corners[one, start, 1]
        length = math.sqrt(chord_x * chord_x + chord_y * chord_y)
        half_x = 0.5 * (corners[one, end, 0] + corners[two, start, 0]) - corners[one, start, 0]
        half_y = 0.5 * (corners[one, end, 1] + corners[two, start, 1]) - corners[one, start, 1]
        # how far the joint lies aside of the straight line from start to end
        aside = abs(half_x * chord_y - half_y * chord_x)
        if (
            math.sqrt(open_x * open_x + open_y * open_y) >= _OPEN * length
            or aside >= _STRAIGHT_M * length
            or length >= _JOIN_M
        ):
            return False
    return math.sqrt(middle_x * middle_x + middle_y * middle_y) < _APART_M


@compiled
def _as_heavy(loads: np.ndarray, one: int, two: int) -> bool:
    """Tell whether two bands carry about the same."""
    for load in range(loads.shape[1]):
        a, b = loads[one, load], loads[two, load]
        if abs(a - b) > _AS_HEAVY * (abs(a) + abs(b)):
            return False
    return True


@compiled
def _alike(shares: np.ndarray, bins: np.ndarray, one: int, two: int) -> bool:
    """Tell whether two profiles are the same, or as good as."""
    if one == two:
        return True
    if bins[one] != bins[two]:
        return False
    moved = 0.0
    for k in range(bins[one]):
        moved += 0.5 * abs(shares[one, k] - shares[two, k])
    return moved < _ALIKE

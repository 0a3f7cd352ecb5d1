"""Where the residue landed: bands of residue onto the grid, mass conserved."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from covermap.ground.grid import Grid, Window, whole
from covermap.ground.lay_bands import Load, find_runs, lay_runs
from covermap.ground.near_rows import CHUNK, near_window, rows_of_chunks
from covermap.ground.threads import core_count, in_order, in_threads, row_parts


@dataclass(frozen=True)
class Bands:
    """Residue bands in order of travel, one per fix and component (straw, chaff).

    Attributes
    ----------
    corners : numpy.ndarray
        (n, 4, 2) easting, northing [m]: left start, right start, right end, left end.
    mass_kg : numpy.ndarray
        (n,) dry matter each band puts down [kg].
    profile : numpy.ndarray
        (n,) row of ``shares`` that each band follows.
    pass_index : numpy.ndarray
        (n,) running number of the pass; bands of one pass stand together.
    shares : numpy.ndarray
        (profiles, most bins) share per bin from the left edge to the right, each row
        summing to 1 over its first ``bins`` entries.
    bins : numpy.ndarray
        (profiles,) number of bins of each profile.
    """

    corners: np.ndarray
    mass_kg: np.ndarray
    profile: np.ndarray
    pass_index: np.ndarray
    shares: np.ndarray
    bins: np.ndarray

    def load(self, near: np.ndarray, mass: np.ndarray) -> Load:
        """Give the bands as the inner loops take them, those ``near`` with ``mass``."""
        return Load(
            np.ascontiguousarray(self.corners, np.float64),
            np.ascontiguousarray(mass, np.float64),
            np.ascontiguousarray(self.profile, np.int64),
            np.ascontiguousarray(self.shares, np.float64),
            np.ascontiguousarray(self.bins, np.int64),
            near,
            CHUNK,
            np.zeros(0, np.bool_),
        )


@dataclass(frozen=True)
class Deposit:
    """Residue on the ground.

    Attributes
    ----------
    kg_m2 : numpy.ndarray
        (rows, cols) dry matter per area [kg/m²].
    layers : numpy.ndarray
        (rows, cols) uint8: how many passes put a meaningful share on the cell.
    landed_kg : numpy.ndarray
        By ``pass_index``: mass of the pass that fell inside the window [kg].
    on_standing_kg : numpy.ndarray
        By ``pass_index``: part of it that fell on crop that a later pass cut [kg].
    """

    kg_m2: np.ndarray
    layers: np.ndarray
    landed_kg: np.ndarray
    on_standing_kg: np.ndarray


@dataclass(frozen=True)
class Runs:
    """Bands of one pass, side by side, that are worked out together.

    Attributes
    ----------
    bands : numpy.ndarray
        (runs, 4) first band, band after the last, first row, row after the last.
    heaviest_kg : numpy.ndarray
        (runs,) largest mass of a band.
    passes_in_parts : bool
        True if a pass has several runs.
    chunk_rows : numpy.ndarray
        (chunks, 2) of :func:`covermap.ground.near_rows.rows_of_chunks`.
    """

    bands: np.ndarray
    heaviest_kg: np.ndarray
    passes_in_parts: bool
    chunk_rows: np.ndarray


def deposit(
    bands: Bands,
    grid: Grid,
    *,
    meaningful_kg_m2: float,
    window: Window | None = None,
    cut_pass: np.ndarray | None = None,
    runs: Runs | None = None,
    cores: int | None = None,
) -> Deposit:
    """Lay ``bands`` on ``grid``; linear in mass, exact in area.

    Parameters
    ----------
    bands : Bands
        What left the machine, and where it goes.
    grid : Grid
        The field's grid.
    meaningful_kg_m2 : float
        A pass counts as a layer on a cell once it has put down this much [kg/m²].
    window : Window, optional
        Part of the grid to compute; all of it by default. Each cell gets bit for bit the
        same number whatever the window.
    cut_pass : numpy.ndarray, optional
        Array of the window's shape: number of the pass that cut each cell, 0 if none.
    runs : Runs, optional
        Of these bands on this grid, where many windows are asked for.
    cores : int, optional
        To work on at once; all if not given. The numbers do not depend on it.

    Returns
    -------
    Deposit
        Arrays of the window's shape.
    """
    window = window or whole(grid)
    runs = runs or runs_of(bands, grid)
    total = np.zeros((window.rows, window.cols))
    layers = np.zeros((window.rows, window.cols), np.uint8)
    asked = np.zeros((0, 0), np.int32)
    if cut_pass is not None:
        asked = np.ascontiguousarray(cut_pass, np.int32)
    parts = row_parts(window, runs.chunk_rows.mean(axis=1), cores)
    passes = int(bands.pass_index.max(initial=0)) + 1
    landed, on_standing = np.zeros((2, len(parts), passes))
    # so that the sums are mass per area at once
    mass, heaviest = bands.mass_kg / grid.cell_area_m2, runs.heaviest_kg / grid.cell_area_m2
    pass_index = np.ascontiguousarray(bands.pass_index, np.int32)

    def lay(part: Window) -> None:
        here = slice(part.row - window.row, part.row - window.row + part.rows)
        merged = (part.rows, part.cols) if runs.passes_in_parts else (0, 0)
        lay_runs(
            bands.load(near_window(runs.chunk_rows, part), mass),
            pass_index,
            runs.bands,
            heaviest,
            grid.as_numbers(),
            part.row,
            part.col,
            float(meaningful_kg_m2),
            total[here],
            layers[here],
            landed[parts.index(part)],
            asked[here],
            on_standing[parts.index(part)],
            np.zeros(merged, np.float32),
            np.full(merged, -1, np.int32),
        )

    in_threads(lay, parts)
    landed, on_standing = (kg.sum(axis=0) * grid.cell_area_m2 for kg in (landed, on_standing))
    return Deposit(total, layers, landed, on_standing)


def runs_of(bands: Bands, grid: Grid) -> Runs:
    """Part bands into runs that are worked out together."""
    count = len(bands.mass_kg)
    corners = np.ascontiguousarray(bands.corners, np.float64)
    mass = np.ascontiguousarray(bands.mass_kg, np.float64)
    pass_index = np.ascontiguousarray(bands.pass_index, np.int32)
    first_row = rows = 0
    if count:
        south, north = float(corners[..., 1].min()), float(corners[..., 1].max())
        first_row = math.floor((grid.north - north) / grid.cell_m) - 1
        rows = math.ceil((grid.north - south) / grid.cell_m) + 2 - first_row

    def find(part: slice) -> tuple[np.ndarray, np.ndarray]:
        runs, heaviest = (
            np.zeros((part.stop - part.start, 4), np.int64),
            np.zeros(part.stop - part.start),
        )
        columns = (corners[part], mass[part], pass_index[part])
        number = find_runs(*columns, grid.as_numbers(), first_row, rows, runs, heaviest)
        runs[:, :2] += part.start
        return runs[:number].copy(), heaviest[:number].copy()

    found = list(in_order(find, _whole_passes(pass_index)))
    runs = np.concatenate([runs for runs, _ in found])
    of_pass = pass_index[runs[:, 0]]
    return Runs(
        runs,
        np.concatenate([heaviest for _, heaviest in found]),
        bool((of_pass[1:] == of_pass[:-1]).any()),
        rows_of_chunks(corners, grid),
    )


def _whole_passes(pass_index: np.ndarray) -> list[slice]:
    """Cut bands into as many parts as there are cores, each of whole passes."""
    starts = np.append(np.flatnonzero(np.diff(pass_index)) + 1, len(pass_index))
    aims = np.linspace(0, len(pass_index), core_count() + 1)
    edges = [0, *np.unique(starts[np.searchsorted(starts, aims[1:])]).tolist()]
    return [slice(a, b) for a, b in itertools.pairwise(edges)]

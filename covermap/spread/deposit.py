"""Where the residue landed: bands of residue onto the grid, mass conserved."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from covermap.ground.grid import Grid, Window, whole
from covermap.ground.rasterise import lay_bands
from covermap.ground.sweeps import bands_in_window, in_cells, largest_box
from covermap.ground.threads import in_threads, row_parts


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

    def scaled(self, factor: float | np.ndarray) -> Bands:
        """Give the same bands with their mass multiplied by ``factor``."""
        return Bands(
            self.corners,
            self.mass_kg * factor,
            self.profile,
            self.pass_index,
            self.shares,
            self.bins,
        )


@dataclass(frozen=True)
class Deposit:
    """Residue on the ground.

    Attributes
    ----------
    kg_m2 : numpy.ndarray
        (rows, cols) dry matter per area [kg/m²].
    layers : numpy.ndarray
        (rows, cols) how many passes put a meaningful share on the cell.
    landed_kg : numpy.ndarray
        (n,) part of each band's mass that fell inside the window [kg].
    on_standing_kg : numpy.ndarray
        (n,) part of it that fell on crop that a later pass cut [kg].
    """

    kg_m2: np.ndarray
    layers: np.ndarray
    landed_kg: np.ndarray
    on_standing_kg: np.ndarray


def deposit(
    bands: Bands,
    grid: Grid,
    *,
    meaningful_kg_m2: float,
    window: Window | None = None,
    cut_pass: np.ndarray | None = None,
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

    Returns
    -------
    Deposit
        Arrays of the window's shape.
    """
    window = window or whole(grid)
    corners = in_cells(bands.corners, grid)
    total = np.zeros((window.rows, window.cols))
    layers = np.zeros((window.rows, window.cols), np.uint16)
    parts = row_parts(window, corners)
    landed = np.zeros((len(parts), len(bands.mass_kg)))
    on_standing = np.zeros_like(landed)
    cut = np.broadcast_to(np.int32(0), total.shape) if cut_pass is None else cut_pass
    cut = np.ascontiguousarray(cut, np.int32)
    columns = (
        np.ascontiguousarray(bands.mass_kg, np.float64),
        np.ascontiguousarray(bands.profile, np.int64),
        np.ascontiguousarray(bands.pass_index, np.int32),
        np.ascontiguousarray(bands.shares, np.float64),
        np.ascontiguousarray(bands.bins, np.int64),
    )

    def lay(part: Window) -> None:
        chosen = bands_in_window(corners, part)
        here = slice(part.row - window.row, part.row - window.row + part.rows)
        lay_bands(
            corners,
            *columns,
            chosen,
            *largest_box(corners[chosen]),
            part.row,
            part.col,
            float(meaningful_kg_m2 * grid.cell_area_m2),
            total[here],
            layers[here],
            landed[parts.index(part)],
            cut[here],
            on_standing[parts.index(part)],
        )

    in_threads(lay, parts)
    total /= grid.cell_area_m2
    return Deposit(total, layers, landed.sum(axis=0), on_standing.sum(axis=0))

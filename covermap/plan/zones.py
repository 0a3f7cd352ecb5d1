"""Zones that an implement can work: its own width, its own heading, no slivers.

The field is ruled into runs of the implement's width and each run into lengths. A
length takes one action if enough of its ground calls for it; lengths alike that touch are
one zone.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely.geometry.base import BaseGeometry

from covermap.ground.grid import Grid
from covermap.ground.rasters import Raster, stripes

#: A length at the field's edge with less than this part of its ground inside joins the next.
_LEAST_INSIDE = 0.3
#: Smaller holes in a zone come from rounding; the smallest real one is a whole length [m²].
_LEAST_HOLE_M2 = 5.0


@dataclass(frozen=True)
class Ruling:
    """The field ruled into lengths of runs.

    Attributes
    ----------
    heading_deg, width_m, length_m : float
        Of the implement; length of a piece along its travel [m].
    west_of, south_of : float
        Where the first run and the first length begin, across and along [m].
    runs, lengths : int
        How many there are.
    grid : Grid
        Of the cells ruled.
    """

    heading_deg: float
    width_m: float
    length_m: float
    west_of: float
    south_of: float
    runs: int
    lengths: int
    grid: Grid

    @property
    def pieces(self) -> int:
        """Number of pieces, empty ones too."""
        return self.runs * self.lengths

    def piece(self, inside: np.ndarray, first_row: int) -> np.ndarray:
        """Give the piece of each cell ``inside`` some rows of the grid, run × lengths + length."""
        across, along = _places(inside, first_row, self.grid, self.heading_deg)
        run = ((across - self.west_of) / self.width_m).astype(np.int64)
        length = ((along - self.south_of) / self.length_m).astype(np.int64)
        return np.asarray(run * self.lengths + length)

    def outlines(self, pieces: np.ndarray) -> np.ndarray:
        """Give the rectangles of pieces as polygons in the grid's CRS."""
        run, length = np.divmod(pieces, self.lengths)
        across = self.west_of + run[:, None] * self.width_m + np.array([0, 1, 1, 0]) * self.width_m
        along = (
            self.south_of + length[:, None] * self.length_m + np.array([0, 0, 1, 1]) * self.length_m
        )
        angle = np.radians(self.heading_deg)
        east = across * np.cos(angle) + along * np.sin(angle)
        north = -across * np.sin(angle) + along * np.cos(angle)
        return np.asarray(shapely.polygons(np.stack([east, north], axis=2)))


def rule_field(
    inside: Raster, grid: Grid, heading_deg: float, width_m: float, length_m: float
) -> Ruling:
    """Rule the ground ``inside`` into runs of the implement, and those into lengths.

    Parameters
    ----------
    inside : Raster
        (rows, cols) bool, true somewhere.
    grid : Grid
    heading_deg : float
        Clockwise from grid north.
    width_m, length_m : float
        Working width; length of a piece [m].

    Returns
    -------
    Ruling
    """
    ends = np.array([[np.inf, np.inf], [-np.inf, -np.inf]])
    for part in stripes(grid):
        places = _places(inside.rows(part.row, part.rows), part.row, grid, heading_deg)
        if places[0].size:
            ends[0] = np.minimum(ends[0], [place.min() for place in places])
            ends[1] = np.maximum(ends[1], [place.max() for place in places])
    west_of, south_of = ends[0] - grid.cell_m / 2
    runs = int((ends[1, 0] - west_of) / width_m) + 1
    lengths = int((ends[1, 1] - south_of) / length_m) + 1
    return Ruling(
        heading_deg, width_m, length_m, float(west_of), float(south_of), runs, lengths, grid
    )


def _places(
    inside: np.ndarray, first_row: int, grid: Grid, heading_deg: float
) -> tuple[np.ndarray, np.ndarray]:
    """Give how far across and along the heading each cell ``inside`` lies [m]."""
    row, col = np.nonzero(inside)
    east = grid.west + (col + 0.5) * grid.cell_m
    north = grid.north - (row + first_row + 0.5) * grid.cell_m
    angle = np.radians(heading_deg)
    across = east * np.cos(angle) - north * np.sin(angle)
    return across, east * np.sin(angle) + north * np.cos(angle)


def action_of_pieces(counts: np.ndarray, least_share: float) -> np.ndarray:
    """Give one action for each piece.

    Parameters
    ----------
    counts : numpy.ndarray
        (pieces, actions) cells that call for each action; action 0 is to leave, later ones
        win.
    least_share : float
        A piece is left unless at least this share of it calls for something.

    Returns
    -------
    numpy.ndarray
        (pieces,) action: the last one that enough ground calls for; where only several
        together are enough, the one with most ground.
    """
    total = np.maximum(counts.sum(axis=1, keepdims=True), 1)
    share = counts / total
    enough = share >= max(least_share, 1e-12)
    enough[:, 0] = False
    last = counts.shape[1] - 1 - enough[:, ::-1].argmax(axis=1)
    alone = enough.any(axis=1)
    together = (share[:, 1:].sum(axis=1) >= max(least_share, 1e-12)) & ~alone
    most = 1 + counts[:, 1:].argmax(axis=1)
    return np.where(alone, last, np.where(together, most, 0))


def without_slivers(
    action: np.ndarray, ruling: Ruling, counts: np.ndarray, cell_m2: float
) -> np.ndarray:
    """Let pieces that are mostly outside take the action of the next length of their run."""
    cells = counts.sum(axis=1).reshape(ruling.runs, ruling.lengths)
    full = ruling.width_m * ruling.length_m / cell_m2
    of_piece = action.reshape(ruling.runs, ruling.lengths).copy()
    thin = (cells > 0) & (cells < _LEAST_INSIDE * full)
    wide = np.pad(cells * ~thin, ((0, 0), (1, 1)))
    before, after = wide[:, :-2], wide[:, 2:]
    padded = np.pad(of_piece, ((0, 0), (1, 1)))
    neighbour = np.where(after > before, padded[:, 2:], padded[:, :-2])
    of_piece[thin] = np.where(np.maximum(before, after) > 0, neighbour, of_piece)[thin]
    return np.asarray(of_piece.ravel())


def zones_of(action: np.ndarray, counts: np.ndarray, ruling: Ruling) -> np.ndarray:
    """Give the zone of each piece, from 1: touching pieces of one action; 0 where nothing lies.

    All that is left alone is one zone, the last.
    """
    shape = (ruling.runs, ruling.lengths)
    held = (counts.sum(axis=1) > 0).reshape(shape)
    kind = np.where(held, action.reshape(shape), -1)
    number = np.arange(ruling.pieces).reshape(shape)
    pairs = []
    for one, other in (
        ((slice(None, -1), slice(None)), (slice(1, None), slice(None))),
        ((slice(None), slice(None, -1)), (slice(None), slice(1, None))),
    ):
        same = (kind[one] == kind[other]) & (kind[one] > 0)
        pairs.append(np.stack([number[one][same], number[other][same]]))
    a, b = np.concatenate(pairs, axis=1)
    graph = coo_array((np.ones(len(a)), (a, b)), shape=(ruling.pieces, ruling.pieces))
    _, group = connected_components(graph, directed=False)
    zone = np.zeros(ruling.pieces, np.int64)
    worked = kind.ravel() > 0
    _, zone[worked] = np.unique(group[worked], return_inverse=True)
    zone[worked] += 1
    zone[kind.ravel() == 0] = zone.max() + 1
    return zone


def zone_outlines(zone: np.ndarray, ruling: Ruling, outline: BaseGeometry) -> np.ndarray:
    """Give the polygon of each zone from 1, cut off at the field's outline."""
    pieces = np.flatnonzero(zone)
    boxes = ruling.outlines(pieces)
    order = np.argsort(zone[pieces], kind="stable")
    bounds = np.searchsorted(zone[pieces][order], np.arange(1, zone.max() + 2))
    # snapped to a millimetre, so that lengths side by side leave no seam
    joined = [
        shapely.union_all(boxes[order[low:high]], grid_size=1e-3)
        for low, high in itertools.pairwise(bounds)
    ]
    whole = np.array([_without_slits(shape) for shape in joined], dtype=object)
    return np.asarray(shapely.intersection(whole, outline))


def _without_slits(shape: BaseGeometry) -> BaseGeometry:
    """Close the holes that rounding leaves between rectangles side by side."""
    parts = []
    for part in shapely.get_parts(shape):
        holes = [ring for ring in part.interiors if shapely.Polygon(ring).area > _LEAST_HOLE_M2]
        parts.append(shapely.Polygon(part.exterior, holes))
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)

"""Gap and double strips: ground long enough to act on that is far from its own residue.

Ground is first cut into pieces by pass and by side of the pass (left, middle, right), and
pieces are joined where they lie along each other. Lanes between passes so stay lanes, and
do not grow together into one comb over the bare starts of the passes.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from covermap.cover.piece_seams import across_seam, joined
from covermap.cover.strip_outlines import cell_runs, outlines
from covermap.cover.strip_pieces import (
    KINDS,
    SCALE,
    EdgeRow,
    Pieces,
    StripePieces,
    StripGround,
    added_up,
    kind_of,
    pieces_of_stripe,
    split_code,
)
from covermap.cover.strip_sums import StripSums
from covermap.ground.grid import Grid, Window
from covermap.ground.rasters import Raster, new_raster, stripes

__all__ = ["STRIP_COLUMNS", "StripFinder", "StripGround", "StripePieces", "Strips"]

#: Pieces are one strip if they touch along this part of the longer one.
_JOINED_ALONG = 0.3
#: A pass is named with a strip if it cut at least this part of it.
_PASS_PART = 0.02

#: Pairs of piece and sweep worked on at once, to save memory.
_TOGETHER = 1 << 19

STRIP_COLUMNS = (
    "strip_id",
    "rank",
    "kind",
    "length_m",
    "width_m",
    "area_m2",
    "mean_ratio",
    "mean_residue_t_ha",
    "excess_kg",
    "deficit_kg",
    "passes",
    "discharge",
)


@dataclass(frozen=True)
class Strips:
    """Strips, and which cell belongs to which.

    Attributes
    ----------
    table : geopandas.GeoDataFrame
        :data:`STRIP_COLUMNS` and polygons, most important first.
    of_cell : Raster
        int32 strip_id of the cell, 0 none.
    sums : StripSums
        What lies on each strip, and which sweeps cut it.
    """

    table: gpd.GeoDataFrame
    of_cell: Raster
    sums: StripSums


@dataclass
class StripFinder:
    """Finds gap and double strips and ranks them by the residue they lack or have too much.

    The field is handed over stripe by stripe; how it is cut into stripes makes no difference.
    :meth:`look_at` may be asked for several stripes at once, :meth:`add` takes them in order.

    Parameters
    ----------
    grid : Grid
        The field's grid.
    pass_of_sweep, header_width_m, length_m, windrow_of_sweep : numpy.ndarray
        (sweeps,) pass number, width of the header and travel covered [m], and True where
        straw was laid in a row.
    gap_below, double_above : float
        Spread ratios that make a gap or a double.
    min_length_m, min_area_m2 : float
        Shorter or smaller areas are speckle.
    """

    grid: Grid
    pass_of_sweep: np.ndarray
    header_width_m: np.ndarray
    length_m: np.ndarray
    windrow_of_sweep: np.ndarray
    gap_below: float = field(kw_only=True)
    double_above: float = field(kw_only=True)
    min_length_m: float = field(kw_only=True)
    min_area_m2: float = field(kw_only=True)

    def __post_init__(self) -> None:
        self.pass_of_sweep = np.ascontiguousarray(self.pass_of_sweep, np.int32)
        self.header_width_m = np.ascontiguousarray(self.header_width_m, np.float64)
        self._piece_of_cell = new_raster(self.grid, np.int32)
        self._parts: list[Pieces] = []
        self._same: list[np.ndarray] = [np.zeros(0, np.int64)]
        self._last_row: EdgeRow | None = None
        self._count = 0

    def look_at(self, window: Window, ground: StripGround) -> StripePieces:
        """Find the pieces of a stripe of whole rows, whichever; changes nothing."""
        return pieces_of_stripe(
            ground,
            window,
            self.pass_of_sweep,
            self.header_width_m,
            self.gap_below,
            self.double_above,
        )

    def add(self, window: Window, found: StripePieces) -> None:
        """Take the next stripe of whole rows, from north to south."""
        found = found.numbered_after(self._count)
        pieces = found.pieces
        self._count += len(pieces.key)
        if self._last_row is not None:
            same, beside, faces = across_seam(self._last_row, found.top)
            self._same.append(same)
            pieces = replace(
                pieces,
                beside=np.append(pieces.beside, beside),
                faces=np.append(pieces.faces, faces),
            )
        self._parts.append(pieces)
        self._last_row = found.bottom
        self._piece_of_cell.write(window.row, found.label)

    def finish(self) -> Strips:
        """Give the strips of the whole field, the table in the grid's CRS."""
        grid = self.grid
        pieces, number_of_part = joined(self._parts, np.concatenate(self._same))
        strip_of_piece, count, most_m = _grown(pieces, self.length_m, grid.cell_m)
        diagonal = np.hypot(*_spans(pieces, strip_of_piece, count)) * grid.cell_m
        own = _OnStrips.of(
            pieces,
            strip_of_piece,
            np.maximum(most_m, diagonal) >= self.min_length_m,
            self.min_area_m2 / grid.cell_area_m2,
        )
        strip_pass, pass_length_m, pass_cells = added_up(
            own.strip.astype(np.int64) << 32 | self.pass_of_sweep[own.sweep],
            self.length_m[own.sweep],
            own.cells,
        )
        along = np.zeros(count)
        np.maximum.at(along, strip_pass >> 32, pass_length_m)
        # worth a polygon: large enough, and not too short in every direction
        area = own.sums[:, 0] * grid.cell_area_m2
        worth = np.flatnonzero(
            (area >= self.min_area_m2) & (np.maximum(along, diagonal) >= self.min_length_m)
        )
        worth = worth[np.argsort(own.kind[worth], kind="stable")]
        number = np.zeros(count, np.int32)
        number[worth] = np.arange(1, len(worth) + 1)
        of_part = np.append(0, number[strip_of_piece]).astype(np.int32)[number_of_part]
        del pieces, number_of_part, strip_of_piece
        polygons = self._polygons(of_part, len(worth))
        length = np.maximum(along[worth], _longest_side(polygons))
        cells, landed, given, lying = own.sums[worth].T
        landed, given = landed * grid.cell_area_m2, given * grid.cell_area_m2
        table = pd.DataFrame(
            {
                "number": np.arange(1, len(worth) + 1),
                "kind": np.array(KINDS, object)[own.kind[worth]],
                "length_m": length,
                "width_m": area[worth] / np.maximum(length, 1e-9),
                "area_m2": area[worth],
                "mean_ratio": landed / given,
                "mean_residue_t_ha": lying / cells,
                "excess_kg": np.maximum(landed - given, 0.0),
                "deficit_kg": np.maximum(given - landed, 0.0),
                "passes": _pass_names(strip_pass, pass_cells, own.sums[:, 0], worth),
                "discharge": _discharge(own, self.windrow_of_sweep)[worth],
                "landed_kg": landed,
                "given_kg": given,
                "geometry": polygons,
            }
        )
        table = _ranked(table[table["length_m"] >= self.min_length_m])
        strip_id = np.zeros(len(worth) + 1, np.int32)
        strip_id[table["number"].to_numpy(int)] = table["strip_id"]
        self._renumber(strip_id[of_part])
        strip = strip_id[number[own.strip]]
        kept = strip > 0
        sums = StripSums(
            grid,
            self._piece_of_cell,
            table["landed_kg"].to_numpy(float),
            table["given_kg"].to_numpy(float),
            strip[kept],
            own.sweep[kept],
            own.cells[kept],
            own.given_kg_m2[kept] * grid.cell_area_m2,
        )
        return Strips(
            gpd.GeoDataFrame(
                table[[*STRIP_COLUMNS, "geometry"]], geometry="geometry", crs=grid.crs
            ),
            self._piece_of_cell,
            sums,
        )

    def _polygons(self, number_of_part: np.ndarray, count: int) -> np.ndarray:
        """Give the outlines of the strips that the pieces of the stripes belong to."""
        if count == 0:
            return np.zeros(0, object)
        parts = [
            cell_runs(self._piece_of_cell.rows(w.row, w.rows), number_of_part, w)
            for w in stripes(self.grid)
        ]
        return outlines(parts, self.grid, count)

    def _renumber(self, strip_of_part: np.ndarray) -> None:
        """Turn the raster of pieces into one of strips."""
        for w in stripes(self.grid):
            held = self._piece_of_cell.rows(w.row, w.rows)
            self._piece_of_cell.write(w.row, strip_of_part[held])


@dataclass(frozen=True)
class _OnStrips:
    """What lies on the grown strips: sums, kind, and the sweeps of those that may be worth it."""

    sums: np.ndarray
    kind: np.ndarray
    strip: np.ndarray
    sweep: np.ndarray
    cells: np.ndarray
    given_kg_m2: np.ndarray

    @classmethod
    def of(
        cls, pieces: Pieces, strip_of_piece: np.ndarray, may_be_long: np.ndarray, least_cells: float
    ) -> _OnStrips:
        count = len(may_be_long)
        added = [np.bincount(strip_of_piece, s, count) for s in pieces.sums.T]
        sums = np.column_stack(added) / [1.0, SCALE, SCALE, SCALE]
        kind = np.zeros(count, np.int64)
        kind[strip_of_piece] = kind_of(pieces.key)
        large = may_be_long & (sums[:, 0] >= least_cells)
        found = []
        # some strips at a time, to save memory
        groups = len(pieces.on_sweep) // _TOGETHER + 1
        edges = np.linspace(0, count, groups + 1).astype(int)
        for low, high in pairwise(edges):
            here = large.copy()
            here[:low] = here[high:] = False
            codes, places = [np.zeros(0, np.int64)], [np.zeros(0, np.int32)]
            for first in range(0, len(pieces.on_sweep), _TOGETHER):
                part = slice(first, first + _TOGETHER)
                piece, sweep = split_code(pieces.on_sweep[part])
                strip = strip_of_piece[piece - 1]
                kept = np.flatnonzero(here[strip] & (pieces.on_sweep_cells[part] > 0))
                codes.append(strip[kept].astype(np.int64) << 32 | sweep[kept])
                places.append((first + kept).astype(np.int32))
            place = np.concatenate(places)
            code, cells, given = added_up(
                np.concatenate(codes), pieces.on_sweep_cells[place], pieces.on_sweep_given[place]
            )
            found.append((*(side.astype(np.int32) for side in split_code(code)), cells, given))
        strip, sweep, cells, given = (np.concatenate(column) for column in zip(*found, strict=True))
        return cls(sums, kind, strip, sweep, cells, given / SCALE)


def _grown(
    pieces: Pieces, length_m: np.ndarray, cell_m: float
) -> tuple[np.ndarray, int, np.ndarray]:
    """Join pieces along each other: their strips, how many, and the most each is long [m]."""
    count = len(pieces.key)
    # a piece is of one pass, so its sweeps follow each other
    piece_length = np.zeros(count)
    for first in range(0, len(pieces.on_sweep), _TOGETHER):
        part = slice(first, first + _TOGETHER)
        piece, sweep = split_code(pieces.on_sweep[part])
        length = length_m[sweep] * (pieces.on_sweep_cells[part] > 0)
        piece_length += np.bincount(piece - 1, length, count)
    one, other = (side - 1 for side in split_code(pieces.beside))
    longer = np.maximum(piece_length[one], piece_length[other])
    join = pieces.faces * cell_m >= _JOINED_ALONG * longer
    graph = coo_array((np.ones(join.sum()), (one[join], other[join])), shape=(count, count))
    strips, strip_of_piece = connected_components(graph, directed=False)
    return strip_of_piece, int(strips), np.bincount(strip_of_piece, piece_length, strips)


def _spans(pieces: Pieces, strip_of_piece: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Give rows and columns that each strip spans."""
    low = np.full((count, 2), np.iinfo(np.int32).max)
    high = np.zeros((count, 2), np.int64)
    np.minimum.at(low, strip_of_piece, pieces.box[:, [0, 2]])
    np.maximum.at(high, strip_of_piece, pieces.box[:, [1, 3]])
    rows, cols = (high - low + 1).T
    return rows, cols


def _ranked(strips: pd.DataFrame) -> pd.DataFrame:
    """Put the most important strips first and number them."""
    weight = strips[["excess_kg", "deficit_kg"]].max(axis=1)
    # straw laid in rows on purpose is no fault of the spread; it comes last
    weight = weight.where(strips["discharge"] != "windrow", weight - weight.max() - 1)
    strips = strips.iloc[np.argsort(-weight.to_numpy(float), kind="stable")]
    rank = np.arange(1, len(strips) + 1)
    return strips.reset_index(drop=True).assign(strip_id=rank, rank=rank)


def _discharge(own: _OnStrips, windrow: np.ndarray) -> np.ndarray:
    """Say per strip whether its ground was spread on, laid with windrows, or both."""
    count = len(own.kind)
    share = np.bincount(own.strip, own.cells * windrow[own.sweep], count) / own.sums[:, 0]
    return np.where(share > 0.8, "windrow", np.where(share < 0.2, "spread", "both")).astype(object)


def _longest_side(polygons: np.ndarray) -> np.ndarray:
    """Give the longer side of the smallest rectangle around each polygon [m]."""
    corners, owner = shapely.get_coordinates(
        shapely.minimum_rotated_rectangle(polygons), return_index=True
    )
    side = np.hypot(*np.diff(corners, axis=0).T)
    side[np.diff(owner) != 0] = 0.0
    longest = np.zeros(len(polygons))
    np.maximum.at(longest, owner[1:], side)
    return longest


def _pass_names(
    strip_pass: np.ndarray, pass_cells: np.ndarray, cells: np.ndarray, worth: np.ndarray
) -> list[str]:
    """Name the passes of each strip of ``worth``."""
    owner, number = split_code(strip_pass)
    named = pass_cells >= _PASS_PART * cells[owner]
    texts = pd.Series(number[named].astype(str)).groupby(owner[named]).agg(", ".join)
    return [str(t) for t in texts.reindex(worth)]

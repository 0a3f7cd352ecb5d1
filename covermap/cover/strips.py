"""Gap and double strips: ground long enough to act on that is far from its own residue.

Ground is first cut into pieces by pass and by side of the pass (left, middle, right), and
pieces are joined where they lie along each other. Lanes between passes so stay lanes, and
do not grow together into one comb over the bare starts of the passes.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from rasterio.features import shapes
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from covermap.ground.compiled import compiled
from covermap.ground.grid import Grid
from covermap.harvest.working_width import HeaderSweeps

#: Pieces are one strip if they touch along this part of the longer one.
_JOINED_ALONG = 0.3
#: A pass is named with a strip if it cut at least this part of it.
_PASS_PART = 0.02
_ZONES = 3
#: Outlines are smoothed by a cell where that keeps the area to this part.
_AREA_KEPT = 0.003

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
    of_cell : numpy.ndarray
        (rows, cols) int32: strip_id of the cell, 0 none.
    """

    table: gpd.GeoDataFrame
    of_cell: np.ndarray


@dataclass(frozen=True)
class StripGround:
    """What the strip finder needs to know of each cell; arrays of (rows, cols).

    Attributes
    ----------
    ratio : numpy.ndarray
        Spread ratio, NaN where it means nothing.
    deposit_kg_m2, given_kg_m2, residue_t_ha : numpy.ndarray
        Residue landed through the machine, given up, and lying in all.
    cut_by : numpy.ndarray
        Sweep that cut the cell, -1 none.
    across_m : numpy.ndarray
        Distance to the right of that sweep's middle line [m].
    windrow : numpy.ndarray
        (sweeps,) True where straw was laid in a row.
    """

    ratio: np.ndarray
    deposit_kg_m2: np.ndarray
    given_kg_m2: np.ndarray
    residue_t_ha: np.ndarray
    cut_by: np.ndarray
    across_m: np.ndarray
    windrow: np.ndarray


@compiled
def _root(parent: np.ndarray, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@compiled
def _label_pieces(key: np.ndarray) -> np.ndarray:
    """Label 8-connected areas of equal key from 1; key 0 stays 0."""
    rows, cols = key.shape
    label = np.zeros((rows, cols), np.int32)
    parent = np.zeros(rows * cols // 2 + 2, np.int32)
    count = 0
    for r in range(rows):
        for c in range(cols):
            k = key[r, c]
            if k == 0:
                continue
            found = 0
            for step in range(4):
                rr = r if step == 0 else r - 1
                cc = c - 1 if step <= 1 else (c if step == 2 else c + 1)
                if rr < 0 or cc < 0 or cc >= cols or key[rr, cc] != k:
                    continue
                other = _root(parent, label[rr, cc])
                if found == 0:
                    found = other
                elif other != found:
                    parent[max(other, found)] = min(other, found)
                    found = min(other, found)
            if found == 0:
                count += 1
                if count >= len(parent):
                    grown = np.zeros(2 * len(parent), np.int32)
                    grown[: len(parent)] = parent
                    parent = grown
                parent[count] = count
                found = count
            label[r, c] = found
    number = np.zeros(count + 1, np.int32)
    used = 0
    for i in range(1, count + 1):
        root = _root(parent, i)
        if number[root] == 0:
            used += 1
            number[root] = used
        number[i] = number[root]
    for r in range(rows):
        for c in range(cols):
            label[r, c] = number[label[r, c]]
    return label


def _touching(label: np.ndarray) -> pd.DataFrame:
    """Give pairs of pieces that share cell faces, with the number of faces."""
    codes = []
    for one, other in (
        (label[:, :-1], label[:, 1:]),
        (label[:-1, :], label[1:, :]),
    ):
        both = (one > 0) & (other > 0) & (one != other)
        a, b = one[both].astype(np.int64), other[both].astype(np.int64)
        codes.append(np.minimum(a, b) << 32 | np.maximum(a, b))
    code, faces = np.unique(np.concatenate(codes), return_counts=True)
    return pd.DataFrame({"a": code >> 32, "b": code & 0xFFFFFFFF, "faces": faces})


def _lengths(
    label: np.ndarray, sweep: np.ndarray, pass_of_sweep: np.ndarray, length_m: np.ndarray
) -> np.ndarray:
    """Give the length along the travel of each label [m], the longest of its passes."""
    pair = np.unique(label.astype(np.int64) << 32 | sweep)
    piece, own = pair >> 32, pair & 0xFFFFFFFF
    by_pass = pd.Series(length_m[own]).groupby([piece, pass_of_sweep[own]]).sum()
    longest = by_pass.groupby(level=0).max()
    lengths = np.zeros(int(piece.max()) + 1 if len(piece) else 1)
    lengths[longest.index.to_numpy()] = longest.to_numpy()
    return lengths


def find_strips(
    ground: StripGround,
    grid: Grid,
    pass_of_sweep: np.ndarray,
    sweeps: HeaderSweeps,
    *,
    gap_below: float,
    double_above: float,
    min_length_m: float,
    min_area_m2: float,
) -> Strips:
    """Find gap and double strips and rank them by the residue they lack or have too much.

    Parameters
    ----------
    ground : StripGround
        The field, cell by cell.
    grid : Grid
        Its grid.
    pass_of_sweep : numpy.ndarray
        (n,) pass number of each header sweep.
    sweeps : HeaderSweeps
        The sweeps themselves.
    gap_below, double_above : float
        Spread ratios that make a gap or a double.
    min_length_m, min_area_m2 : float
        Shorter or smaller areas are speckle.

    Returns
    -------
    Strips
        The table in the grid's CRS, and the strip of every cell.
    """
    of_cell = np.zeros(grid.shape, np.int32)
    found: list[pd.DataFrame] = []
    for kind, mask in (("gap", ground.ratio < gap_below), ("double", ground.ratio > double_above)):
        strips, label = _strips_of_kind(
            kind, mask, ground, grid, pass_of_sweep, sweeps, min_length_m, min_area_m2
        )
        if len(strips):
            # numbers of the second kind go on from those of the first
            before = int(of_cell.max())
            strips["number"] += before
            of_cell[label > 0] = label[label > 0] + before
        found.append(strips)
    strips = pd.concat(found, ignore_index=True)
    if len(strips):
        weight = strips[["excess_kg", "deficit_kg"]].max(axis=1)
        # straw laid in rows on purpose is no fault of the spread; it comes last
        weight = weight.where(strips["discharge"] != "windrow", weight - weight.max() - 1)
        strips = strips.iloc[np.argsort(-weight.to_numpy(), kind="stable")].reset_index(drop=True)
    strips["strip_id"] = np.arange(1, len(strips) + 1)
    strips["rank"] = strips["strip_id"]
    strip_of_number = np.zeros(int(of_cell.max()) + 1, np.int32)
    if len(strips):
        strip_of_number[strips["number"].to_numpy(int)] = strips["strip_id"]
    table = gpd.GeoDataFrame(
        strips[[*STRIP_COLUMNS, "geometry"]], geometry="geometry", crs=grid.crs
    )
    return Strips(table, strip_of_number[of_cell])


def _empty() -> pd.DataFrame:
    texts = {"kind", "passes", "discharge"}
    whole = {"strip_id", "rank"}
    types = {
        c: "object" if c in texts else "int64" if c in whole else "float64" for c in STRIP_COLUMNS
    }
    return pd.DataFrame({c: pd.Series(dtype=t) for c, t in types.items()}).assign(
        geometry=pd.Series(dtype=object)
    )


def _strips_of_kind(
    kind: str,
    mask: np.ndarray,
    ground: StripGround,
    grid: Grid,
    pass_of_sweep: np.ndarray,
    sweeps: HeaderSweeps,
    min_length_m: float,
    min_area_m2: float,
) -> tuple[pd.DataFrame, np.ndarray]:
    """Give the strips of one kind with their numbers, and the number of every cell."""
    label = np.zeros(grid.shape, np.int32)
    if not mask.any():
        return _empty(), label
    inside = mask.nonzero()
    sweep = ground.cut_by[inside].astype(np.int64)
    across = ground.across_m[inside] / sweeps.header_width_m[sweep] + 0.5
    zone = np.clip((across * _ZONES).astype(np.int32), 0, _ZONES - 1)
    label[inside] = pass_of_sweep[sweep] * _ZONES + zone + 1
    label = _label_pieces(label)
    piece = label[inside]
    piece_length = _lengths(piece, sweep, pass_of_sweep, sweeps.length_m)
    pieces = len(piece_length) - 1
    touch = _touching(label)
    longer = np.maximum(piece_length[touch["a"]], piece_length[touch["b"]])
    join = touch[touch["faces"].to_numpy() * grid.cell_m >= _JOINED_ALONG * longer]
    graph = coo_array((np.ones(len(join)), (join["a"] - 1, join["b"] - 1)), shape=(pieces, pieces))
    count, strip_of_piece = connected_components(graph, directed=False)
    strip = strip_of_piece[piece - 1]
    cells = np.bincount(strip, minlength=count)
    area = cells * grid.cell_area_m2
    along = _lengths(strip, sweep, pass_of_sweep, sweeps.length_m)
    # worth a polygon: large enough, and not too short in every direction
    box = _extent_m(inside, strip, count, grid.cell_m)
    worth = np.flatnonzero((area >= min_area_m2) & (np.maximum(along, box) >= min_length_m))
    if len(worth) == 0:
        return _empty(), label
    number = np.zeros(count, np.int32)
    number[worth] = np.arange(1, len(worth) + 1)
    label[inside] = number[strip]
    polygons = _polygons(label, grid, len(worth))
    corners, owner = shapely.get_coordinates(
        shapely.minimum_rotated_rectangle(polygons), return_index=True
    )
    length = np.maximum(along[worth], _longest_side(corners, owner, len(worth)))
    deposit, given = ground.deposit_kg_m2[inside], ground.given_kg_m2[inside]
    landed = np.bincount(strip, deposit, count)[worth] * grid.cell_area_m2
    own = np.bincount(strip, given, count)[worth] * grid.cell_area_m2
    lying = np.bincount(strip, ground.residue_t_ha[inside], count)[worth] / cells[worth]
    table = pd.DataFrame(
        {
            "number": np.arange(1, len(worth) + 1),
            "strip_id": 0,
            "rank": 0,
            "kind": kind,
            "length_m": length,
            "width_m": area[worth] / np.maximum(length, 1e-9),
            "area_m2": area[worth],
            "mean_ratio": landed / own,
            "mean_residue_t_ha": lying,
            "excess_kg": np.maximum(landed - own, 0.0),
            "deficit_kg": np.maximum(own - landed, 0.0),
            "discharge": _discharge(strip, ground.windrow[sweep], cells)[worth],
            "passes": _pass_names(strip, pass_of_sweep[sweep], cells, worth),
            "geometry": polygons,
        }
    )
    return table[table["length_m"] >= min_length_m].copy(), label


def _discharge(strip: np.ndarray, windrow: np.ndarray, cells: np.ndarray) -> np.ndarray:
    """Say per strip whether its ground was spread on, laid with windrows, or both."""
    share = np.bincount(strip, windrow, len(cells)) / cells
    return np.where(share > 0.8, "windrow", np.where(share < 0.2, "spread", "both"))


def _extent_m(
    inside: tuple[np.ndarray, ...], strip: np.ndarray, count: int, cell_m: float
) -> np.ndarray:
    """Give the diagonal of each strip's box [m], an upper bound of its straight length."""
    spans = []
    for axis in inside:
        low = np.full(count, np.iinfo(np.int64).max)
        high = np.zeros(count, np.int64)
        np.minimum.at(low, strip, axis)
        np.maximum.at(high, strip, axis)
        spans.append(high - low + 1)
    return np.asarray(np.hypot(spans[0], spans[1]) * cell_m)


def _polygons(image: np.ndarray, grid: Grid, count: int) -> np.ndarray:
    parts: list[list[shapely.Geometry]] = [[] for _ in range(count)]
    for geometry, value in shapes(image, mask=image > 0, connectivity=4, transform=grid.transform):
        rings = geometry["coordinates"]
        parts[int(value) - 1].append(shapely.Polygon(rings[0], rings[1:]))
    joined = np.array(
        [p[0] if len(p) == 1 else shapely.MultiPolygon(p) for p in parts], dtype=object
    )
    # steps of cells are smoothed where the area stays; narrow strips keep them
    smooth = shapely.simplify(joined, grid.cell_m, preserve_topology=False)
    off = np.abs(shapely.area(smooth) / shapely.area(joined) - 1)
    rough = (off > _AREA_KEPT) | ~shapely.is_valid(smooth)
    smooth[rough] = joined[rough]
    bad = np.flatnonzero(rough)[~shapely.is_valid(joined[rough])]
    smooth[bad] = shapely.make_valid(joined[bad])
    return np.asarray(shapely.normalize(smooth))


def _longest_side(coordinates: np.ndarray, index: np.ndarray, count: int) -> np.ndarray:
    side = np.hypot(*np.diff(coordinates, axis=0).T)
    side[np.diff(index) != 0] = 0.0
    longest = np.zeros(count)
    np.maximum.at(longest, index[1:], side)
    return longest


def _pass_names(
    strip: np.ndarray, pass_no: np.ndarray, cells: np.ndarray, worth: np.ndarray
) -> list[str]:
    wanted = np.zeros(len(cells), bool)
    wanted[worth] = True
    wanted = wanted[strip]
    pair, count = np.unique(
        strip[wanted].astype(np.int64) << 32 | pass_no[wanted], return_counts=True
    )
    owner, number = pair >> 32, pair & 0xFFFFFFFF
    named = count >= _PASS_PART * cells[owner]
    texts = pd.Series(number[named].astype(str)).groupby(owner[named]).agg(", ".join)
    return [str(t) for t in texts.reindex(worth)]

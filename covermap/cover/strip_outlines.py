"""Outlines of strips, traced from their runs of cells row by row.

Every run of cells has a left and a right edge. On the line between two rows the ends of the
runs above and below are paired from west to east; each pair is a stretch of outline along
that line, or none where an edge goes straight on. Interiors lie to the left of an outline,
so outer rings run counter-clockwise.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise

import numpy as np
import shapely

from covermap.ground.compiled import compiled
from covermap.ground.grid import Grid, Window
from covermap.ground.threads import core_count

#: Outlines are smoothed by the largest of these parts of a cell that keeps the area
_TOLERANCES = (1.0, 0.5, 0.25, 0.0)
#: to this part.
_AREA_KEPT = 0.003
#: Strips are traced together up to about this many runs.
_RUNS_TOGETHER = 250_000


def cell_runs(label: np.ndarray, number: np.ndarray, window: Window) -> np.ndarray:
    """Give the runs of cells of a window, by rows.

    ``label`` is (rows, cols), ``number`` the strip of each label, 0 none.

    Returns
    -------
    numpy.ndarray
        (n, 4) int32: strip, row, first column, column after the last.
    """
    strip = np.pad(number[label], ((0, 0), (1, 1)))
    row, col = np.nonzero(strip[:, 1:] != strip[:, :-1])
    here = strip[row, col + 1]
    # where a run begins; the next change of the row ends it
    begins = np.flatnonzero(here > 0)
    runs = [here[begins], window.row + row[begins], col[begins], col[begins + 1]]
    return np.column_stack(runs).astype(np.int32)


@compiled
def _root(parent: np.ndarray, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@compiled
def _components(
    first: np.ndarray, above: np.ndarray, start: np.ndarray, end: np.ndarray
) -> np.ndarray:
    """Give each run the first run of the area it is joined to along cell faces."""
    parent = np.arange(len(start)).astype(np.int32)
    for line in range(len(above)):
        if not above[line]:
            continue
        a, b = first[line - 1], first[line]
        while a < first[line] and b < first[line + 1]:
            if start[a] < end[b] and start[b] < end[a]:
                one, two = _root(parent, a), _root(parent, b)
                parent[max(one, two)] = min(one, two)
            if end[a] < end[b]:
                a += 1
            else:
                b += 1
    for i in range(len(parent)):
        parent[i] = _root(parent, i)
    return parent


@compiled
def _pair_ends(
    a: int,
    a_end: int,
    b: int,
    b_end: int,
    column: np.ndarray,
    part: np.ndarray,
    follows: np.ndarray,
) -> None:
    """Pair the edges a.. of the row above a line with b.. of the row below it."""
    waiting, waiting_above = -1, False
    while a < a_end or b < b_end:
        if a == a_end or b == b_end:
            take_above = b == b_end
        elif column[a] != column[b]:
            take_above = column[a] < column[b]
        else:
            # where cells touch at a corner, each keeps its own; but an area that touches
            # itself is joined there, so that the ground it closes in is a hole of its own
            ends_first = part[a // 2] != part[b // 2]
            take_above = (a % 2 == 1) == ends_first
        edge = a if take_above else b
        if take_above:
            a += 1
        else:
            b += 1
        if waiting < 0:
            waiting, waiting_above = edge, take_above
        else:
            # left edges run down and right edges up
            if waiting_above == (waiting % 2 == 0):
                follows[waiting] = edge
            else:
                follows[edge] = waiting
            waiting = -1


@compiled
def _walk(
    row: np.ndarray,
    column: np.ndarray,
    follows: np.ndarray,
    corners: np.ndarray,
    ring_start: np.ndarray,
    ring_run: np.ndarray,
    outer: np.ndarray,
) -> int:
    """Write the corners of every ring, closed; give the number of rings."""
    rings = corner = 0
    for first in range(len(follows)):
        if follows[first] < 0:
            continue
        ring_start[rings] = corner
        ring_run[rings] = first // 2
        # rings start at their north-west corner; an outer one with the edge that runs down
        if first % 2 == 0:
            corners[corner, 0], corners[corner, 1] = column[first], row[first // 2]
            corner += 1
        area = 0
        edge = first
        while follows[edge] >= 0:
            after = follows[edge]
            follows[edge] = -1
            area += column[edge] if edge % 2 == 1 else -column[edge]
            if column[edge] != column[after]:
                line = row[edge // 2] + (1 if edge % 2 == 0 else 0)
                corners[corner, 0], corners[corner, 1] = column[edge], line
                corners[corner + 1, 0], corners[corner + 1, 1] = column[after], line
                corner += 2
            edge = after
        if first % 2 == 1:
            corners[corner] = corners[ring_start[rings]]
            corner += 1
        outer[rings] = area > 0
        rings += 1
    ring_start[rings] = corner
    return rings


@compiled
def _trace(runs: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Trace runs (strip, row, start, end) that stand in that order.

    Gives corners (x, y in cells), where each ring starts, the first run of its area and
    whether it is an outer ring.
    """
    strip, row, start, end = runs[:, 0], runs[:, 1], runs[:, 2], runs[:, 3]
    count = len(runs)
    first = np.zeros(count + 1, np.int64)
    above = np.zeros(count, np.bool_)
    lines = 0
    for i in range(count):
        if i == 0 or strip[i] != strip[i - 1] or row[i] != row[i - 1]:
            first[lines] = i
            above[lines] = i > 0 and strip[i] == strip[i - 1] and row[i] == row[i - 1] + 1
            lines += 1
    first[lines] = count
    part = _components(first, above[:lines], start, end)
    column = np.zeros(2 * count, np.int32)
    for i in range(count):
        column[2 * i] = start[i]
        column[2 * i + 1] = end[i]
    follows = np.full(2 * count, -1, np.int32)
    for line in range(lines):
        here, after = 2 * first[line], 2 * first[line + 1]
        over = 2 * first[line - 1] if above[line] else here
        _pair_ends(over, here, here, after, column, part, follows)
        if line + 1 == lines or not above[line + 1]:
            _pair_ends(here, after, after, after, column, part, follows)
    bends = 0
    for edge in range(2 * count):
        bends += column[edge] != column[follows[edge]]
    corners = np.zeros((2 * bends + count, 2))
    ring_start = np.zeros(count + 1, np.int64)
    ring_run = np.zeros(count, np.int64)
    outer = np.zeros(count, np.bool_)
    rings = _walk(row, column, follows, corners, ring_start, ring_run, outer)
    for ring in range(rings):
        ring_run[ring] = part[ring_run[ring]]
    return (
        corners[: ring_start[rings]],
        ring_start[: rings + 1],
        ring_run[:rings],
        outer[:rings],
    )


def traced(runs: np.ndarray, grid: Grid, *, cut_steps: bool = False) -> np.ndarray:
    """Give the outline of every strip, cell edge by cell edge.

    Parameters
    ----------
    runs : numpy.ndarray
        (n, 4) as of :func:`cell_runs`, in order of strip, row and column.
    cut_steps : bool
        Go through the middles of steps: as much is cut off as is added, and a slanting edge
        becomes straight.

    Returns
    -------
    numpy.ndarray
        Polygons, or multipolygons where the cells of a strip do not join along faces; one
        for each strip that has runs, in order.
    """
    cells, ring_start, run, outer = _trace(runs)
    if cut_steps:
        cells, ring_start = _through_steps(cells, ring_start)
    corners = np.empty_like(cells)
    corners[:, 0] = grid.west + cells[:, 0] * grid.cell_m
    corners[:, 1] = grid.north - cells[:, 1] * grid.cell_m
    ring_of = np.repeat(np.arange(len(outer)), np.diff(ring_start))
    rings = shapely.linearrings(corners, indices=ring_of)
    # an area's outer ring before its holes; areas in the order of their first runs
    order = np.lexsort((~outer, run))
    area = np.unique(run, return_inverse=True)[1][order]
    polygons = shapely.polygons(rings[order], indices=area)
    strip = runs[:, 0][run[outer][np.argsort(run[outer], kind="stable")]]
    number, first, parts = np.unique(strip, return_index=True, return_counts=True)
    found = np.empty(len(number), object)
    single = parts == 1
    found[single] = polygons[first[single]]
    several = np.flatnonzero(~single)
    of_several = np.repeat(~single, parts)
    found[several] = shapely.multipolygons(
        polygons[of_several], indices=np.repeat(np.arange(len(several)), parts[several])
    )
    return found


def outlines(parts: list[np.ndarray], grid: Grid, count: int) -> np.ndarray:
    """Give (count,) the outline of every strip, smoothed where that keeps its area, normalised.

    ``parts`` are runs of cells of windows from north to south, emptied to save memory; each of
    the ``count`` strips has some.
    """
    runs = np.concatenate(parts)
    parts.clear()
    order = np.argsort(runs[:, 0], kind="stable")
    ends = np.cumsum(np.bincount(runs[:, 0], minlength=count + 1)[1:])
    pieces = max(core_count(), -(-len(runs) // _RUNS_TOGETHER))
    wanted = np.linspace(0, len(runs), pieces + 1)[1:]
    cuts = np.unique(np.append(0, ends[np.searchsorted(ends, wanted).clip(max=count - 1)]))

    def smoothed(one: tuple[int, int]) -> np.ndarray:
        return _smoothed(runs[order[slice(*one)]], grid)

    with ThreadPoolExecutor(core_count()) as pool:
        return np.concatenate(list(pool.map(smoothed, pairwise(cuts))))


def _smoothed(runs: np.ndarray, grid: Grid) -> np.ndarray:
    """Take the steps of cells out of outlines where the area stays."""
    found = traced(runs, grid)
    area = shapely.area(found)
    middle = traced(runs, grid, cut_steps=True)
    rough = np.ones(len(found), bool)
    for part in _TOLERANCES:  # of a cell, the coarsest first
        smooth = shapely.simplify(middle[rough], part * grid.cell_m, preserve_topology=False)
        # what smoothing took or gave is given back all along the edge
        lacking = (area[rough] - shapely.area(smooth)) / np.maximum(shapely.length(smooth), 1e-9)
        smooth = shapely.buffer(smooth, lacking, join_style="mitre", mitre_limit=2.0)
        keeps = np.abs(shapely.area(smooth) / area[rough] - 1) <= _AREA_KEPT
        keeps[keeps] = shapely.is_valid(smooth[keeps])
        kept = np.flatnonzero(rough)[keeps]
        found[kept] = smooth[keeps]
        rough[kept] = False
    return np.asarray(shapely.normalize(found))


def _through_steps(corners: np.ndarray, ring_start: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Put the middle of each step's edge in the place of its corners.

    A step's edge has the area on the inside of one end and on the outside of the other; edges
    at the end of an area, or of a bay in it, keep both corners.
    """
    after = np.arange(1, len(corners) + 1)
    after[ring_start[1:] - 1] = ring_start[:-1]
    before = np.empty_like(after)
    before[after] = np.arange(len(corners))
    way = corners[after] - corners
    turn = np.sign(way[before, 0] * way[:, 1] - way[before, 1] * way[:, 0])
    is_step = turn * turn[after] < 0
    # a kept edge gives its second corner, and its first unless the edge before gave it
    count = np.where(is_step, 1, 1 + is_step[before])
    place = np.cumsum(count) - count
    points = np.empty((int(count.sum()), 2))
    points[place] = np.where(is_step[:, None], corners + way / 2, corners)
    last = np.flatnonzero(~is_step)
    points[place[last] + count[last] - 1] = corners[after[last]]
    return points, np.append(place[ring_start[:-1]], len(points))

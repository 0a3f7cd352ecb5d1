"""Pieces of gap and double ground put together over the seams between stripes.

Whatever the stripes, pieces are numbered by where they begin, from north to south and west
to east.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from covermap.cover.strip_pieces import EdgeRow, Pieces, kind_of, split_code


def across_seam(above: EdgeRow, below: EdgeRow) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Find what belongs together, and what lies side by side, across a seam of stripes.

    ``above`` is the last row of one stripe and ``below`` the first of the next.

    Returns
    -------
    numpy.ndarray
        Pieces that are one, as ``one << 32 | other``.
    numpy.ndarray, numpy.ndarray
        Pieces side by side, and the faces they share.
    """
    cols = len(above.key)
    same = []
    for step in (-1, 0, 1):
        up = slice(max(step, 0), cols + min(step, 0))
        down = slice(max(-step, 0), cols + min(-step, 0))
        one = (above.key[up] > 0) & (above.key[up] == below.key[down])
        same.append(_code(above.piece[up][one], below.piece[down][one]))
    face = (above.piece > 0) & (below.piece > 0) & (above.key != below.key)
    face &= kind_of(above.key) == kind_of(below.key)
    beside, faces = np.unique(_code(above.piece[face], below.piece[face]), return_counts=True)
    faces = faces.astype(np.int32)
    return np.unique(np.concatenate(same)), beside, faces


#: Codes worked on at once, to save memory.
_TOGETHER = 1 << 18


def _code(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    return np.asarray(np.minimum(one, other).astype(np.int64) << 32 | np.maximum(one, other))


def _renumber(code: np.ndarray, of_part: np.ndarray) -> None:
    """Give each ``piece << 32 | sweep`` the piece's new number, a part at a time."""
    for first in range(0, len(code), _TOGETHER):
        piece, sweep = split_code(code[first : first + _TOGETHER])
        code[first : first + _TOGETHER] = of_part[piece].astype(np.int64) << 32 | sweep


def _added_up_where(some: np.ndarray, code: np.ndarray, *columns: np.ndarray) -> None:
    """Add up the numbers of equal codes among ``some`` in the first of each, in place.

    What is left of the others is 0; nothing is copied, since there may be millions.
    """
    place = np.flatnonzero(some)
    place = place[np.argsort(code[place], kind="stable")]
    if len(place) == 0:
        return
    starts = np.flatnonzero(np.append(True, np.diff(code[place]) != 0))
    for column in columns:
        sums = np.add.reduceat(column[place], starts)
        column[place] = 0
        column[place[starts]] = sums


def joined(parts: list[Pieces], same: np.ndarray) -> tuple[Pieces, np.ndarray]:
    """Put the pieces of all stripes together, numbered from 1 by where they begin.

    Parameters
    ----------
    parts : list of Pieces
        Of the stripes from north to south, numbered on from 1; emptied to save memory.
    same : numpy.ndarray
        Pieces that are one, as ``one << 32 | other``.

    Returns
    -------
    Pieces, numpy.ndarray
        And the int32 number of each piece of ``parts``; 0 for 0.
    """
    columns = {f.name: [getattr(part, f.name) for part in parts] for f in fields(Pieces)}
    parts.clear()

    def held(name: str) -> np.ndarray:
        return np.concatenate(columns.pop(name))

    key, box = held("key"), held("box")
    before = len(key)
    one, other = split_code(same)
    graph = coo_array((np.ones(len(one), bool), (one - 1, other - 1)), shape=(before, before))
    count, number = connected_components(graph, directed=False)
    # numbered by their first members, which is where they begin
    first = np.full(count, before, np.int64)
    np.minimum.at(first, number, np.arange(before))
    sums = np.column_stack([np.bincount(number, column, count) for column in held("sums").T])
    joined_box = box[first]
    for column, extreme in ((0, np.minimum), (1, np.maximum), (2, np.minimum), (3, np.maximum)):
        extreme.at(joined_box[:, column], number, box[:, column])
    of_part = np.append(0, number + 1).astype(np.int32)
    # only pieces of several parts can meet a sweep or a neighbour twice
    several = np.append(False, np.bincount(number, minlength=count)[number] > 1)
    on_sweep = held("on_sweep")
    met = several[on_sweep >> 32]
    _renumber(on_sweep, of_part)
    sweeps = (on_sweep, held("on_sweep_cells"), held("on_sweep_given"))
    _added_up_where(met, *sweeps)
    one, other = split_code(held("beside"))
    met = several[one] | several[other]
    neighbours = (_code(of_part[one], of_part[other]), held("faces"))
    _added_up_where(met, *neighbours)
    pieces = Pieces(key[first], sums, joined_box, *sweeps, *neighbours)
    return pieces, of_part

"""Pieces of gap and double ground: cells of one kind, pass and side of the pass that touch.

A grid is worked through stripe by stripe; :mod:`covermap.cover.piece_seams` puts together
the pieces that run over a seam.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from covermap.ground.compiled import compiled
from covermap.ground.grid import Window

#: Sides of a pass: left, middle, right.
_ZONES = 3
#: Kinds of strips, by the number that stands in a key.
KINDS = ("gap", "double")
#: Loads are added up as whole numbers of this part of their unit: such sums are exact, and so
#: do not depend on where stripes are cut.
SCALE = 2.0**30
_LOW = 0xFFFFFFFF


@dataclass(frozen=True)
class StripGround:
    """What the strip finder needs to know of each cell of a window; arrays of (rows, cols).

    Attributes
    ----------
    ratio : numpy.ndarray
        float32 spread ratio, NaN where it means nothing.
    deposit_kg_m2, given_kg_m2, residue_t_ha : numpy.ndarray
        Residue landed through the machine, given up, and lying in all.
    cut_by : numpy.ndarray
        int32 sweep that cut the cell, -1 none.
    across_m : numpy.ndarray
        Distance to the right of that sweep's middle line [m].
    """

    ratio: np.ndarray
    deposit_kg_m2: np.ndarray
    given_kg_m2: np.ndarray
    residue_t_ha: np.ndarray
    cut_by: np.ndarray
    across_m: np.ndarray


@dataclass(frozen=True)
class Pieces:
    """Pieces with what lies on them.

    Attributes
    ----------
    key : numpy.ndarray
        (n,) what the cells of a piece have in common; see :func:`kind_of`.
    sums : numpy.ndarray
        (n, 4): cells; deposit and residue given up [kg/m² / SCALE] and residue in all
        [t/ha / SCALE], each summed over the cells.
    box : numpy.ndarray
        (n, 4): first row, last row, first column, last column.
    on_sweep : numpy.ndarray
        (m,) int64: piece and sweep that share cells, as ``piece << 32 | sweep``. Where a pair
        stands more than once, all but one have no cells.
    on_sweep_cells, on_sweep_given : numpy.ndarray
        (m,) these cells (int32), and residue given up [kg/m² / SCALE] summed over them.
    beside : numpy.ndarray
        (k,) int64: pieces of one kind that lie side by side, ``one << 32 | other``.
    faces : numpy.ndarray
        (k,) int32 cell faces that these share; 0 for a pair that stands there before.
    """

    key: np.ndarray
    sums: np.ndarray
    box: np.ndarray
    on_sweep: np.ndarray
    on_sweep_cells: np.ndarray
    on_sweep_given: np.ndarray
    beside: np.ndarray
    faces: np.ndarray


@dataclass(frozen=True)
class EdgeRow:
    """The row of cells at a stripe's edge: number of the piece and its key, 0 none."""

    piece: np.ndarray
    key: np.ndarray


@dataclass(frozen=True)
class StripePieces:
    """The pieces of one stripe.

    Attributes
    ----------
    label : numpy.ndarray
        (rows, cols) int32 piece of each cell, 0 none.
    top, bottom : EdgeRow
        The stripe's first row and its last.
    """

    pieces: Pieces
    label: np.ndarray
    top: EdgeRow
    bottom: EdgeRow

    def numbered_after(self, count: int) -> StripePieces:
        """Give the same with ``count`` added to the number of every piece."""
        own = self.pieces
        twice = count << 32 | count
        return StripePieces(
            replace(own, on_sweep=own.on_sweep + (count << 32), beside=own.beside + twice),
            _raised(self.label, count),
            *(EdgeRow(_raised(row.piece, count), row.key) for row in (self.top, self.bottom)),
        )


def _raised(number: np.ndarray, count: int) -> np.ndarray:
    return np.where(number > 0, number + np.int32(count), np.int32(0))


def kind_of(key: np.ndarray) -> np.ndarray:
    """Give the place in :data:`KINDS` that a key stands for."""
    return (key - 1) % len(KINDS)


def split_code(code: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Take ``one << 32 | other`` apart."""
    return code >> 32, code & _LOW


def added_up(code: np.ndarray, *columns: np.ndarray) -> tuple[np.ndarray, ...]:
    """Give the codes, ascending and each once, and per code the sums of each of ``columns``."""
    if len(code) == 0:
        return (code, *columns)
    order = np.argsort(code, kind="stable")
    code = code[order]
    starts = np.flatnonzero(np.append(True, code[1:] != code[:-1]))
    return (code[starts], *(np.add.reduceat(column[order], starts) for column in columns))


@compiled
def _keys(
    ratio: np.ndarray,
    cut_by: np.ndarray,
    across_m: np.ndarray,
    pass_of_sweep: np.ndarray,
    header_width_m: np.ndarray,
    gap_below: float,
    double_above: float,
) -> np.ndarray:
    """Give the key of every cell: its kind, pass and side of the pass; 0 none."""
    rows, cols = ratio.shape
    key = np.zeros((rows, cols), np.int32)
    for r in range(rows):
        for c in range(cols):
            value = ratio[r, c]
            is_gap = value < gap_below
            if not is_gap and not value > double_above:
                continue
            i = cut_by[r, c]
            across = across_m[r, c] / header_width_m[i] + 0.5
            zone = min(max(int(across * _ZONES), 0), _ZONES - 1)
            key[r, c] = (pass_of_sweep[i] * _ZONES + zone) * 2 + (1 if is_gap else 2)
    return key


@compiled
def _root(parent: np.ndarray, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@compiled
def _label(key: np.ndarray) -> tuple[np.ndarray, int]:
    """Label 8-connected areas of equal key from 1; key 0 stays 0."""
    rows, cols = key.shape
    label = np.zeros((rows, cols), np.int32)
    parent = np.empty(int(np.count_nonzero(key)) + 1, np.int32)
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
    return label, used


@compiled
def _measure(
    label: np.ndarray,
    key: np.ndarray,
    row0: int,
    deposit: np.ndarray,
    given: np.ndarray,
    residue: np.ndarray,
    cut_by: np.ndarray,
    key_of: np.ndarray,
    sums: np.ndarray,
    box: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Add up what lies on each piece; give its sweeps and faces by runs of cells."""
    rows, cols = label.shape
    # as many as there can be: memory that is not written to costs nothing, while arrays that
    # are exchanged for longer ones in the loop would slow every step of it
    most = int(np.count_nonzero(label))
    code, on_sweep_cells = np.empty(most, np.int64), np.empty(most, np.int32)
    on_sweep_given = np.empty(most)
    beside, faces = np.empty(2 * most, np.int64), np.empty(2 * most, np.int32)
    codes = pairs = 0
    for r in range(rows):
        before = np.int64(-1)
        touched = np.int64(-1)
        for c in range(cols):
            piece = np.int64(label[r, c])
            if piece == 0:
                before = touched = np.int64(-1)
                continue
            p = piece - 1
            if sums[p, 0] == 0.0:
                key_of[p] = key[r, c]
                box[p, 0] = row0 + r
                box[p, 2] = c
                box[p, 3] = c
            box[p, 1] = row0 + r
            box[p, 2] = min(box[p, 2], c)
            box[p, 3] = max(box[p, 3], c)
            sums[p, 0] += 1.0
            own = np.floor(given[r, c] * SCALE + 0.5)
            sums[p, 1] += np.floor(deposit[r, c] * SCALE + 0.5)
            sums[p, 2] += own
            sums[p, 3] += np.floor(residue[r, c] * SCALE + 0.5)
            here = piece << 32 | np.int64(cut_by[r, c])
            if here != before:
                before = here
                code[codes] = here
                on_sweep_cells[codes] = 0
                on_sweep_given[codes] = 0.0
                codes += 1
            on_sweep_cells[codes - 1] += 1
            on_sweep_given[codes - 1] += own
            kind = key[r, c] & 1
            other = np.int64(label[r, c - 1]) if c > 0 else np.int64(0)
            if other > 0 and other != piece and (key[r, c - 1] & 1) == kind:
                beside[pairs] = min(piece, other) << 32 | max(piece, other)
                faces[pairs] = 1
                pairs += 1
                touched = np.int64(-1)
            other = np.int64(label[r - 1, c]) if r > 0 else np.int64(0)
            if other > 0 and other != piece and (key[r - 1, c] & 1) == kind:
                pair = min(piece, other) << 32 | max(piece, other)
                if pair != touched:
                    beside[pairs] = pair
                    faces[pairs] = 0
                    pairs += 1
                    touched = pair
                faces[pairs - 1] += 1
            else:
                touched = np.int64(-1)
    return (
        code[:codes],
        on_sweep_cells[:codes],
        on_sweep_given[:codes],
        beside[:pairs],
        faces[:pairs],
    )


def pieces_of_stripe(
    ground: StripGround,
    window: Window,
    pass_of_sweep: np.ndarray,
    header_width_m: np.ndarray,
    gap_below: float,
    double_above: float,
) -> StripePieces:
    """Find the pieces of one stripe, numbered from 1.

    Parameters
    ----------
    ground, window : StripGround, Window
        The stripe's rows, and where they lie.
    pass_of_sweep, header_width_m : numpy.ndarray
        (sweeps,) pass number, and width of the header [m].
    gap_below, double_above : float
        Spread ratios that make a gap or a double.
    """
    key = _keys(
        ground.ratio,
        ground.cut_by,
        ground.across_m,
        pass_of_sweep,
        header_width_m,
        # ratios are compared as they are held
        ground.ratio.dtype.type(gap_below),
        ground.ratio.dtype.type(double_above),
    )
    label, count = _label(key)
    key_of = np.zeros(count, np.int32)
    sums = np.zeros((count, 4))
    box = np.zeros((count, 4), np.int32)
    code, cells, given, beside, faces = _measure(
        label,
        key,
        window.row,
        ground.deposit_kg_m2,
        ground.given_kg_m2,
        ground.residue_t_ha,
        ground.cut_by,
        key_of,
        sums,
        box,
    )
    sweeps = added_up(code, cells, given)
    neighbours = added_up(beside, faces)
    pieces = Pieces(key_of, sums, box, *sweeps, *neighbours)
    edges = (EdgeRow(label[r].copy(), key[r].copy()) for r in (0, -1))
    return StripePieces(pieces, label, *edges)

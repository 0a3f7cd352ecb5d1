"""What one pass of a straw harrow does to residue: it drags some of it along its own travel.

Of what lies on a cell a share is picked up and put down further along the travel, with
exponentially distributed carry distances: a tine row lets go of a piece at any moment
alike. Burial is another matter and not counted here.

The harrow's lines of travel are drawn on the grid as digital lines that share out its cells:
each cell is on one line, each line in one run. Along a line the load in the tines is a
recursion from cell to cell with the exact mean of each cell, so mass is conserved to rounding,
nothing becomes negative, nothing leaks sideways into the next run, and the work is one look
at each cell whatever the carry distance. Turning the raster and back would smear and lose
mass; convolution by Fourier transform would drag across the field's edges and leave small
negative numbers. The price is that a line strays from the true one by up to half a cell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from covermap.errors import SettingsError
from covermap.ground.compiled import compiled
from covermap.ground.grid import Grid

#: Mean carry distance [m]. A stated guess: no published figure was found for harrows. Straw
#: harrows have four or five rows of tines, 2 to 3 m front to back (common practice, no
#: source), and straw is taken to stay in the tines for about that length.
USUAL_CARRY_M = 3.0
#: Share of the residue that is picked up. A stated guess: harrowing moves straw, not chaff
#: (Green and Poisson 2002, Alberta Agriculture fact sheet), and some of the straw lies under
#: or between stubble.
USUAL_MOVED_SHARE = 0.6


@dataclass(frozen=True)
class Harrow:
    """A harrow as it drags residue.

    Attributes
    ----------
    implement_width_m : float
        Width of a run [m]; runs lie side by side without overlap.
    carry_m : float
        Mean distance that moved residue is carried [m].
    moved_share : float
        Share of the residue on a cell that is picked up, 0 to 1.

    Raises
    ------
    SettingsError
        If a value is out of range.
    """

    implement_width_m: float
    carry_m: float = USUAL_CARRY_M
    moved_share: float = USUAL_MOVED_SHARE

    def __post_init__(self) -> None:
        for name, value, low, high in (
            ("implement_width_m", self.implement_width_m, 1.0, 50.0),
            ("carry_m", self.carry_m, 0.0, 50.0),
            ("moved_share", self.moved_share, 0.0, 1.0),
        ):
            if not low <= value <= high:
                raise SettingsError(
                    f"harrow {name}: {value:g} is out of range.",
                    f"Expected {low:g} to {high:g}.",
                )


@dataclass(frozen=True)
class HarrowedGround:
    """Residue after a pass.

    Attributes
    ----------
    residue_kg_m2 : numpy.ndarray
        (rows, cols) [kg/m²]; as before outside the harrowed ground.
    outside_kg : float
        Residue in the tines where the harrow left the field [kg]; it is not laid anywhere.
    """

    residue_kg_m2: np.ndarray
    outside_kg: float


def harrow_pass(
    residue_kg_m2: np.ndarray, inside: np.ndarray, grid: Grid, heading_deg: float, harrow: Harrow
) -> HarrowedGround:
    """Harrow a field once, back and forth, and say what lies where.

    Runs lie side by side, the middle line of one through the middle of the grid; every
    second one is driven against ``heading_deg``. In a cell of length d along the travel the
    load falls by exp(−d/carry_m), and what is picked up evenly over it leaves with the
    share (carry_m/d)·(1 − exp(−d/carry_m)). What is still carried at the field's edge goes to
    ``outside_kg``, as a harrow is lifted there and drops its load in the turn.

    Parameters
    ----------
    residue_kg_m2 : numpy.ndarray
        (rows, cols) residue on the ground [kg/m²], or any mass per area.
    inside : numpy.ndarray
        (rows, cols) bool, cells that are harrowed. Values elsewhere are left alone, NaN too.
    grid : Grid
        Of the arrays.
    heading_deg : float
        Of the travel, clockwise from north.
    harrow : Harrow

    Returns
    -------
    HarrowedGround
        Linear in the residue; mass before = mass after + ``outside_kg``.

    Raises
    ------
    SettingsError
        If an array is not of the grid's shape, or residue inside is negative or not finite.

    Notes
    -----
    Where stripes of period S lie at an angle θ to the travel, an exponential carry of mean L
    leaves |1 − m + m/(1 + 2πi L sin θ/S)| of their amplitude, m the moved share (Fourier
    transform of the exponential distribution, textbook).
    """
    if residue_kg_m2.shape != grid.shape or inside.shape != grid.shape:
        raise SettingsError(
            f"harrow: residue {residue_kg_m2.shape} or inside {inside.shape} is not of the grid.",
            f"Expected both of its shape, {grid.shape}.",
        )
    east, north = math.sin(math.radians(heading_deg)), math.cos(math.radians(heading_deg))
    by_rows = abs(north) >= abs(east)
    # lines step through rows if they run nearer north, else through columns
    before = np.ascontiguousarray(residue_kg_m2 if by_rows else residue_kg_m2.T, np.float64)
    ground = np.ascontiguousarray(inside if by_rows else inside.T, np.bool_)
    along, across = (-north, east) if by_rows else (east, -north)
    lines = _lines(ground.shape, grid.cell_m, across / along, harrow.implement_width_m)
    step_m = grid.cell_m / abs(along)
    stays = math.exp(-step_m / harrow.carry_m) if harrow.carry_m > 0 else 0.0
    leaves = harrow.carry_m / step_m * (1 - stays)
    after = before.copy()
    lost = _drag(before, ground, *lines, along > 0, harrow.moved_share, stays, leaves, after)
    if not lost >= 0:
        raise SettingsError(
            "harrow: residue inside the field is negative or not finite.",
            "Expected 0 kg/m² or more.",
        )
    return HarrowedGround(
        after if by_rows else np.ascontiguousarray(after.T), float(lost * grid.cell_area_m2)
    )


def _lines(
    shape: tuple[int, int], cell_m: float, slope: float, width_m: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give the shift of lines per row, the first line of each run (and an end), and its way.

    Line k runs through column k + shift[row]. Ties are rounded to even, so that a mirrored
    field has mirrored lines and runs.
    """
    rows, cols = shape
    shift = np.rint((np.arange(rows) - (rows - 1) / 2) * slope).astype(np.int64)
    line = np.arange(-shift.max(), cols - shift.min())
    off_m = (line - (cols - 1) / 2) * cell_m / math.hypot(1.0, slope)
    run = np.rint(off_m / width_m).astype(np.int64)
    first = np.flatnonzero(np.diff(run, prepend=run[0] - 1))
    return shift, line[0] + np.append(first, len(line)), run[first] % 2 == 0


@compiled
def _drag(
    before: np.ndarray,
    inside: np.ndarray,
    shift: np.ndarray,
    run_start: np.ndarray,
    there: np.ndarray,
    down: bool,
    moved: float,
    stays: float,
    leaves: float,
    after: np.ndarray,
) -> float:
    """Drag along every line into ``after``; give what left the field, NaN for bad residue."""
    rows, cols = before.shape
    lost = 0.0
    for k in range(len(there)):
        load = np.zeros(run_start[k + 1] - run_start[k])
        ahead = down == there[k]
        for n in range(rows):
            r = n if ahead else rows - 1 - n
            begin = run_start[k] + shift[r]
            for c in range(max(begin, 0), min(run_start[k + 1] + shift[r], cols)):
                held = load[c - begin]
                if not inside[r, c]:
                    lost += held
                    load[c - begin] = 0.0
                    continue
                lies = before[r, c]
                if not 0.0 <= lies < np.inf:
                    return np.nan
                taken = moved * lies
                after[r, c] = lies - taken * leaves + held * (1.0 - stays)
                load[c - begin] = held * stays + taken * leaves
            # lines that ran off the grid's side have left the field
            for c in range(begin, min(0, run_start[k + 1] + shift[r])):
                lost += load[c - begin]
                load[c - begin] = 0.0
            for c in range(max(cols, begin), run_start[k + 1] + shift[r]):
                lost += load[c - begin]
                load[c - begin] = 0.0
        lost += load.sum()
    return lost

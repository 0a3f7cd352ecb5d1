"""What one pass of a straw harrow does to residue: it drags some of it along its own travel.

Of what lies on a cell a share is picked up and put down further along the travel, with
exponentially distributed carry distances: a tine row lets go of a piece at any moment
alike. Burial is another matter and not counted here.

The harrow's lines of travel are drawn on the grid as digital lines that share out its cells:
each cell is on one line, each line in one run. Along a line the load in the tines is a
recursion from cell to cell with the exact mean of each cell, so mass is conserved to rounding,
nothing becomes negative, nothing leaks sideways into the next run, and the work is one look
at each cell whatever the carry distance. Stripes of rows are gone through from north to south
for the lines that go south, then back for the others, each line's load going over from stripe
to stripe: where they are cut leaves no mark. Turning the raster and back would smear and lose
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
from covermap.ground.rasters import Raster, as_raster, new_raster, stripes

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
    residue_kg_m2 : Raster
        (rows, cols) [kg/m²]; as before outside the harrowed ground.
    outside_kg : float
        Residue in the tines where the harrow left the field [kg]; it is not laid anywhere.
    """

    residue_kg_m2: Raster
    outside_kg: float


def harrow_pass(
    residue_kg_m2: np.ndarray | Raster,
    inside: np.ndarray | Raster,
    grid: Grid,
    heading_deg: float,
    harrow: Harrow,
) -> HarrowedGround:
    """Harrow a field once, back and forth, and say what lies where.

    Runs lie side by side, the middle line of one through the middle of the grid; every
    second one is driven against ``heading_deg``. In a cell of length d along the travel the
    load falls by exp(−d/carry_m), and what is picked up evenly over it leaves with the
    share (carry_m/d)·(1 − exp(−d/carry_m)). What is still carried at the field's edge goes to
    ``outside_kg``, as a harrow is lifted there and drops its load in the turn.

    Parameters
    ----------
    residue_kg_m2 : numpy.ndarray or Raster
        (rows, cols) residue on the ground [kg/m²], or any mass per area.
    inside : numpy.ndarray or Raster
        (rows, cols) bool, cells that are harrowed. Values elsewhere are left alone, NaN too.
    grid : Grid
        Of both.
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
    lies, ground = as_raster(residue_kg_m2), as_raster(inside)
    if lies.shape != grid.shape or ground.shape != grid.shape:
        raise SettingsError(
            f"harrow: residue {lies.shape} or inside {ground.shape} is not of the grid.",
            f"Expected both of its shape, {grid.shape}.",
        )
    east, north = math.sin(math.radians(heading_deg)), math.cos(math.radians(heading_deg))
    by_rows = abs(north) >= abs(east)
    # lines step through rows if they run nearer north, else through columns
    along, across = (-north, east) if by_rows else (east, -north)
    shape = grid.shape if by_rows else grid.shape[::-1]
    begin, there = _lines(shape, grid.cell_m, across / along, harrow.implement_width_m)
    step_m = grid.cell_m / abs(along)
    stays = math.exp(-step_m / harrow.carry_m) if harrow.carry_m > 0 else 0.0
    share = (harrow.moved_share, stays, harrow.carry_m / step_m * (1 - stays))
    load, lost = np.zeros(len(there)), np.zeros(len(there))
    after = new_raster(grid, np.float64)
    windows = stripes(grid)
    # a line never turns back, so that its load goes over from stripe to stripe
    for southward in (True, False):
        ahead = southward if by_rows else southward == (across / along >= 0)
        driven = (there == (along > 0)) == ahead
        for window in windows if southward else reversed(windows):
            values = (lies if southward else after).rows(window.row, window.rows)
            harrowed = ground.rows(window.row, window.rows)
            values, harrowed = (v if by_rows else v.T for v in (values, harrowed))
            values = np.array(values, np.float64, order="C")
            here = begin[window.row : window.row + window.rows] if by_rows else begin + window.row
            if not _drag(
                values, np.ascontiguousarray(harrowed, np.bool_), here, driven, ahead, *share,
                load, lost,
            ):  # fmt: skip
                raise SettingsError(
                    "harrow: residue inside the field is negative or not finite.",
                    "Expected 0 kg/m² or more.",
                )
            after.write(window.row, values if by_rows else values.T)
    # what is still in the tines at the end of a line has left the field
    return HarrowedGround(after, math.fsum((*lost, *load)) * grid.cell_area_m2)


def _lines(
    shape: tuple[int, int], cell_m: float, slope: float, width_m: float
) -> tuple[np.ndarray, np.ndarray]:
    """Give the line through the first cell of each row, and the way each line is driven.

    Ties are rounded to even, so that a mirrored field has mirrored lines and runs.
    """
    rows, cols = shape
    shift = np.rint((np.arange(rows) - (rows - 1) / 2) * slope).astype(np.int64)
    line = np.arange(-shift.max(), cols - shift.min())
    off_m = (line - (cols - 1) / 2) * cell_m / math.hypot(1.0, slope)
    run = np.rint(off_m / width_m).astype(np.int64)
    return shift.max() - shift, run % 2 == 0


@compiled
def _drag(
    values: np.ndarray,
    inside: np.ndarray,
    begin: np.ndarray,
    driven: np.ndarray,
    ahead: bool,
    moved: float,
    stays: float,
    leaves: float,
    load: np.ndarray,
    lost: np.ndarray,
) -> bool:
    """Drag along the lines driven one way, in place; False for bad residue."""
    steps, wide = values.shape
    for k in range(steps):
        n = k if ahead else steps - 1 - k
        for c in range(wide):
            line = begin[n] + c
            if not driven[line]:
                continue
            held = load[line]
            if not inside[n, c]:
                lost[line] += held
                load[line] = 0.0
                continue
            lies = values[n, c]
            if not 0.0 <= lies < np.inf:
                return False
            taken = moved * lies
            values[n, c] = lies - taken * leaves + held * (1.0 - stays)
            load[line] = held * stays + taken * leaves
    return True

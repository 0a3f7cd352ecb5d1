"""Why each strip is there: the engine run again with one fault taken away at a time.

Faults are taken away one after the other until every sweep lays its residue evenly on the
ground that it cut, which is a spread ratio of 1. What changes on a strip when a fault goes
is that fault's part. Holes in the log go first, then settings that differ from the usual
ones; then windrow, wind, heaped profile, lean, width and delay together, each the mean of
what it does taken away first of them and last, what is left over shared equally (of up to
three faults this is their Shapley value: faults that act together share what they do
together); then surges of flow; last the way the passes were driven.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd

from covermap.cover import what_if
from covermap.cover.filled_holes import with_holes_filled
from covermap.cover.strip_sums import StripSums
from covermap.cover.what_if import Run
from covermap.ground.grid import Grid
from covermap.ground.threads import core_count
from covermap.harvest.working_width import CutGround, HeaderSweeps
from covermap.spread.deposit import Bands

#: What each cause is called; the key is also its rule id in docs/model.md.
CAUSES: dict[str, str] = {
    "cause-narrow": "spread narrower than the pass spacing",
    "cause-wide": "spread wider than the pass spacing: passes overlap",
    "cause-heaped": "straw heaped within the band, not even from edge to edge",
    "cause-lean": "spread leans to one side or is lopsided",
    "cause-wind": "crosswind",
    "cause-windrow": "windrow or bale row",
    "cause-steering": "pass driven too near its neighbour, or part of the header empty",
    "cause-turn": "turn, headland or point row",
    "cause-flow": "start or stop of flow: residue leaves later than it is cut",
    "cause-settings": "change of settings from the usual ones",
    "cause-holes": "missing fixes in the log",
    "unexplained": "unexplained",
}
#: A record that carries this much more or less than its ground gave is a surge or a stop.
_SURGE = 0.5
#: Passes that lie within this angle of each other are neighbours, not crossings [deg].
_PARALLEL_DEG = 10.0
#: A change of heading above this over two header widths of travel is a turn [deg].
_TURN_DEG = 30.0
#: A sweep that newly cut this part of its area runs over nothing cut before.
_ALL_NEW = 0.98
#: Overlaps are looked for at this many places across a header, and here along its sweep.
_PROBES, _PROBES_ALONG = 11, np.array([0.2, 0.8])

_MACHINE: tuple[tuple[str, Callable[[Run], Run]], ...] = (
    ("cause-wind", what_if.in_still_air),
    ("cause-heaped", what_if.even_across),
    ("cause-lean", what_if.centred),
    ("width", what_if.as_wide_as_cut),
    ("cause-flow", what_if.without_delay),
)


@dataclass(frozen=True)
class Cut:
    """What was cut where.

    Attributes
    ----------
    sweeps : HeaderSweeps
    newly_cut_m2, own_kg_m2 : numpy.ndarray
        (n,) ground cut [m²] and residue it gave per area [kg/m²].
    ground : CutGround
        Of the whole grid, made with ``own_kg_m2``.
    """

    sweeps: HeaderSweeps
    newly_cut_m2: np.ndarray
    own_kg_m2: np.ndarray
    ground: CutGround


def strip_causes(
    run: Run, cut: Cut, grid: Grid, strip_of_cell: np.ndarray, landed_kg_m2: np.ndarray
) -> pd.DataFrame:
    """Give what each cause put on, or kept from, each strip.

    Parameters
    ----------
    run : Run
        What the bands were made of.
    cut : Cut
        What was cut.
    grid : Grid
    strip_of_cell : numpy.ndarray
        (rows, cols) strip of each cell from 1, 0 none.
    landed_kg_m2 : numpy.ndarray
        (rows, cols) the deposit [kg/m²].

    Returns
    -------
    pandas.DataFrame
        One row per strip in order, a column per cause [kg]: + where the cause put residue
        on the strip. The row sums to landed less own residue.
    """
    sums = StripSums.on(strip_of_cell, grid)
    found = pd.DataFrame(0.0, index=range(1, sums.count + 1), columns=list(CAUSES))
    if sums.count == 0:
        return found

    def laid(one: Run) -> np.ndarray:
        return sums.kg_laid(one.bands())[:, 0]

    actual, own = sums.kg_of_cells(landed_kg_m2), sums.kg_of_cells(cut.ground.given_kg_m2)
    before = actual
    filled = with_holes_filled(run, cut.sweeps, cut.own_kg_m2)
    if filled is not run:
        now = laid(filled)
        found["cause-holes"] = before - now
        before = now
    usual = what_if.usual_settings(run, cut.newly_cut_m2)
    steady = filled
    if usual is not None and what_if.differs(filled, usual)[filled.rows].any():
        steady = what_if.with_usual_settings(filled, usual)
        now = laid(steady)
        found["cause-settings"] = before - now
        before = now
    cut_by = cut.ground.cut_by.ravel()[sums.cells]
    with ThreadPoolExecutor(core_count()) as pool:
        where_cut = pool.submit(_where_cut, run, cut, sums, cut_by, own)
        faults = _machine_faults(steady, usual, before, lambda: where_cut.result()[0], laid, pool)
    driven = where_cut.result()[1]
    for name, kg in faults.items():
        if name == "width":
            wide = what_if.width_to_cut(steady)[steady.rows][~steady.added] - 1
            narrow = sums.mean_of_cells(wide[cut_by]) < 0
            found["cause-narrow"], found["cause-wide"] = kg * narrow, kg * ~narrow
        else:
            found[name] += kg
    for name, kg in driven.items():
        found[name] += kg
    found["unexplained"] = actual - own - found.sum(axis=1).to_numpy()
    return found


def _machine_faults(
    run: Run,
    usual: what_if.Settings | None,
    before: np.ndarray,
    where_cut: Callable[[], np.ndarray],
    laid: Callable[[Run], np.ndarray],
    pool: ThreadPoolExecutor,
) -> dict[str, np.ndarray]:
    """Share what lies between ``before`` and ``where_cut`` out among the machine's faults."""
    here = run.rows
    width = np.abs(what_if.width_to_cut(run) - 1) > what_if.SAME_WIDTH
    spread = run.spread
    present = {
        "cause-windrow": bool((~spread[here]).any()),
        "cause-wind": run.wind is not None,
        "cause-heaped": bool(what_if.heaped(run)[here].any()),
        "cause-lean": bool(what_if.leaning(run)[here].any()),
        "width": bool((width & spread)[here].any()),
        "cause-flow": bool(what_if.late(run)[here].any()),
    }
    steps: dict[str, Callable[[Run], Run]] = {
        "cause-windrow": lambda one: what_if.spread_not_windrowed(one, usual),
        **dict(_MACHINE),
    }
    order = [name for name in steps if present[name]]
    if not order:
        return {"unexplained": before - where_cut()}

    def without(gone: frozenset[str]) -> np.ndarray:
        one = run
        for step in order:  # always in the same order
            one = steps[step](one) if step in gone else one
        return laid(one)

    alone = [frozenset({name}) for name in order]
    others = [frozenset(order) - one for one in alone]
    wanted = [gone for gone in dict.fromkeys(alone + others) if 0 < len(gone) < len(order)]
    known = dict(zip(wanted, pool.map(without, wanted), strict=True))
    even = where_cut()
    known |= {frozenset(): before, frozenset(order): even}
    parts = {
        name: 0.5 * (before - known[gone] + known[rest] - even)
        for name, gone, rest in zip(order, alone, others, strict=True)
    }
    left_over = (before - even - sum(parts.values())) / len(order)
    return {name: part + left_over for name, part in parts.items()}


def _where_cut(
    run: Run, cut: Cut, sums: StripSums, cut_by: np.ndarray, own: np.ndarray
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Lay everything where the header cut it: what is left is flow and driving.

    ``cut_by`` is the sweep that cut each of the strips' cells, ``own`` what they gave [kg].

    Returns
    -------
    numpy.ndarray
        (strips,) kg on each strip with the masses as they were.
    dict
        kg per strip by cause: surges of flow, and overlap beside and across.
    """
    sweeps, through = cut.sweeps, run.straw_kg + run.chaff_kg
    steady = cut.own_kg_m2 * cut.newly_cut_m2
    off = through - steady
    surge = np.abs(off) > _SURGE * np.maximum(steady, through)
    crossing = _crosses(cut, run.pass_no, sums.grid)
    flat = Bands(
        _of_full_header(run, sweeps),
        through,
        np.zeros(len(through), np.int64),
        run.pass_no.astype(np.int32),
        np.ones((1, 1)),
        np.ones(1, np.int64),
    )
    loads = np.column_stack(
        [
            through,
            np.where(surge, off, 0.0),
            np.where(crossing, 0.0, steady),
            np.where(crossing, steady, 0.0),
        ]
    )
    kg = sums.kg_laid(flat, loads)
    # cell by cell the sweep that cut most of it; the sum of both is exact
    across = sums.kg_of_cells(cut.ground.given_kg_m2, crossing[cut_by])
    return kg[:, 0], {
        "cause-flow": kg[:, 1],
        "cause-steering": kg[:, 2] - (own - across),
        "cause-turn": kg[:, 3] - across,
    }


def _of_full_header(run: Run, sweeps: HeaderSweeps) -> np.ndarray:
    """Give the corners of the sweeps as if the header had cut over its full width."""
    width, centre = (values[run.rows] for values in what_if.full_header(run))
    partly = np.flatnonzero(width > sweeps.header_width_m + 1e-6)
    corners = sweeps.corners.copy()
    across = corners[partly][:, [1, 2]] - corners[partly][:, [0, 3]]
    across /= sweeps.header_width_m[partly, None, None]
    middle = corners[partly][:, [0, 3]] + corners[partly][:, [1, 2]]
    offset = centre[partly] - what_if.header_offset_m(run)[run.rows[partly]]
    left, right = offset - width[partly] / 2, offset + width[partly] / 2
    corners[partly[:, None], [0, 3]] = middle / 2 + left[:, None, None] * across
    corners[partly[:, None], [1, 2]] = middle / 2 + right[:, None, None] * across
    return corners


def _crosses(cut: Cut, pass_no: np.ndarray, grid: Grid) -> np.ndarray:
    """Tell which sweeps turn, or run over ground that a pass at an angle had cut."""
    sweeps = cut.sweeps
    step = sweeps.corners[:, 2:].mean(axis=1) - sweeps.corners[:, :2].mean(axis=1)
    reach = max(round(float(np.median(sweeps.header_width_m) / np.median(sweeps.length_m))), 1)
    heading, turning = _smooth_headings(step, pass_no, reach)
    swept = sweeps.header_width_m * sweeps.length_m
    over = np.flatnonzero(cut.newly_cut_m2 < _ALL_NEW * swept)
    corners = sweeps.corners[over]
    along = _PROBES_ALONG[:, None, None]
    left, right = (
        corners[:, start] + along * (corners[:, end] - corners[:, start])
        for start, end in ((0, 3), (1, 2))
    )
    at = ((np.arange(_PROBES) + 0.5) / _PROBES)[:, None, None, None]
    # (places, n)
    probes = (left + at * (right - left)).reshape(_PROBES * len(_PROBES_ALONG), len(over), 2)
    col = np.clip(((probes[..., 0] - grid.west) / grid.cell_m).astype(int), 0, grid.cols - 1)
    row = np.clip(((grid.north - probes[..., 1]) / grid.cell_m).astype(int), 0, grid.rows - 1)
    earlier = cut.ground.cut_by[row, col]
    foreign = (earlier >= 0) & (earlier < over) & (pass_no[earlier] != pass_no[over])
    angle = np.abs(np.sin(heading[earlier] - heading[over]))
    askew = (foreign & (angle > np.sin(np.radians(_PARALLEL_DEG)))).sum(axis=0)
    # probes at the edge may stand on a cell of the neighbour that it only touches
    beside_it = np.maximum(foreign.sum(axis=0) - askew - len(_PROBES_ALONG), 0)
    crossing = turning.copy()
    crossing[over] |= askew > beside_it
    # the sweeps beside a crossing run into it by less than the probes see
    same = pass_no[1:] == pass_no[:-1]
    beside = np.append(False, crossing[:-1] & same) | np.append(crossing[1:] & same, False)
    beside[over[beside_it > 0]] = False
    return np.asarray(crossing | beside)


def _smooth_headings(
    step: np.ndarray, pass_no: np.ndarray, reach: int
) -> tuple[np.ndarray, np.ndarray]:
    """Give headings over ``reach`` sweeps either side [rad], and which sweeps turn."""
    place = np.arange(len(step))
    first = np.searchsorted(pass_no, pass_no, side="left")
    last = np.searchsorted(pass_no, pass_no, side="right") - 1
    low, high = np.maximum(place - reach, first), np.minimum(place + reach, last)
    way = np.vstack([[0.0, 0.0], np.cumsum(step, axis=0)])

    def bearing(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        gone = way[b + 1] - way[a]
        return np.asarray(np.arctan2(gone[:, 0], gone[:, 1]))

    change = bearing(place, high) - bearing(low, place)
    turned = np.abs((change + np.pi) % (2 * np.pi) - np.pi)
    return bearing(low, high), turned > np.radians(_TURN_DEG)

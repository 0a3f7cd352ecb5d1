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
from covermap.cover.crossings import crossing_sweeps
from covermap.cover.filled_holes import with_holes_filled
from covermap.cover.strip_sums import StripSums
from covermap.cover.what_if import Run
from covermap.ground.grid import Grid
from covermap.ground.rasters import Raster
from covermap.ground.threads import core_count
from covermap.harvest.working_width import HeaderSweeps
from covermap.spread.deposit import Bands
from covermap.tables.signs import words_of

#: What each cause is called; the key is also its rule id in docs/model.md.
CAUSES = words_of("cause")
#: A record that carries this much more or less than its ground gave is a surge or a stop.
_SURGE = 0.5
#: Up to this many sweeps, what-ifs are worked out side by side.
_SIDE_BY_SIDE = 500_000

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
    newly_cut_m2, own_kg_m2 : numpy.ndarray
        (n,) ground cut [m²] and residue it gave per area [kg/m²].
    cut_by : Raster
        Sweep that cut most of each cell, -1 none.
    """

    sweeps: HeaderSweeps
    newly_cut_m2: np.ndarray
    own_kg_m2: np.ndarray
    cut_by: Raster


def strip_causes(run: Run, cut: Cut, grid: Grid, sums: StripSums) -> pd.DataFrame:
    """Give what each cause put on, or kept from, each strip.

    Returns
    -------
    pandas.DataFrame
        One row per strip in order, a column per cause [kg]: + where the cause put residue
        on the strip. The row sums to landed less own residue.
    """
    found = pd.DataFrame(0.0, index=range(1, sums.count + 1), columns=list(CAUSES))
    if sums.count == 0:
        return found

    # of a very large field the bands of one what-if fill much memory: one after the other
    side_by_side = core_count() if len(run.rows) <= _SIDE_BY_SIDE else 1
    threads = core_count() if side_by_side == 1 else 1

    def laid(one: Run) -> np.ndarray:
        return sums.kg_laid(one.bands(), threads=threads)[:, 0]

    before = sums.landed_kg
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
    with ThreadPoolExecutor(side_by_side) as pool:
        where_cut = pool.submit(_where_cut, run, cut, grid, sums, threads)
        faults = _machine_faults(steady, usual, before, lambda: where_cut.result()[0], laid, pool)
    driven = where_cut.result()[1]
    for name, kg in faults.items():
        if name == "width":
            wide = what_if.width_to_cut(steady)[steady.rows][~steady.added] - 1
            narrow = sums.mean_of_cells(wide) < 0
            found["cause-narrow"], found["cause-wide"] = kg * narrow, kg * ~narrow
        else:
            found[name] += kg
    for name, kg in driven.items():
        found[name] += kg
    found["unexplained"] = sums.landed_kg - sums.given_kg - found.sum(axis=1).to_numpy()
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
    # heaped bands have many bins and take longest: first, so that no core is left waiting
    wanted.sort(key=lambda gone: "cause-heaped" in gone)
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
    run: Run, cut: Cut, grid: Grid, sums: StripSums, threads: int
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Lay everything where the header cut it: what is left is flow and driving.

    Gives (strips,) kg on each strip with the masses as they were, and kg per strip by cause:
    surges of flow, and overlap beside and across.
    """
    sweeps, through = cut.sweeps, run.straw_kg + run.chaff_kg
    steady = cut.own_kg_m2 * cut.newly_cut_m2
    off = through - steady
    surge = np.abs(off) > _SURGE * np.maximum(steady, through)
    crossing = crossing_sweeps(sweeps, cut.newly_cut_m2, cut.cut_by, run.pass_no, grid)
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
    kg = sums.kg_laid(flat, loads, threads)
    # cell by cell the sweep that cut most of it; the sum of both is exact
    across = sums.kg_given(crossing)
    return kg[:, 0], {
        "cause-flow": kg[:, 1],
        "cause-steering": kg[:, 2] - (sums.given_kg - across),
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

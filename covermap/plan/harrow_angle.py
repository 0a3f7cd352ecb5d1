"""At which angle to the combine's passes a harrow evens out the residue best.

Every angle is tried on the whole field: there is no smaller stand-in to agree with it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass

import numpy as np
import pandas as pd

from covermap.cover.evenness import middle_urdr, tray_ratio
from covermap.cover.spread_limits import SpreadLimits
from covermap.errors import SettingsError
from covermap.ground.field_sums import RowSums
from covermap.ground.grid import Grid
from covermap.ground.rasters import Raster, new_raster, stripes
from covermap.ground.threads import core_count
from covermap.plan.harrow import Harrow, HarrowedGround, harrow_pass

#: Angles to the combine's passes that are tried [deg].
USUAL_ANGLES_DEG = tuple(range(0, 91, 5))
#: Harrowing that wins less is not worth the pass; angles closer than half of it are as good
#: as each other [points of CV]. A choice of this project (no source).
LEAST_GAIN_PCT = 1.0
_TRAY_M = 0.5
#: Lanes to either side of a pass that are told apart.
_LANES = 200
_MOST_THREADS = 4


@dataclass(frozen=True)
class HarrowField:
    """A field that may be harrowed; rasters of (rows, cols).

    Attributes
    ----------
    residue_kg_m2 : Raster
        Residue on the ground [kg/m²].
    given_kg_m2 : Raster
        Residue that the same ground gave up [kg/m²], of the same kinds; 0 or NaN where
        unknown.
    inside : Raster
        Bool, ground that is harrowed.
    grid : Grid
    pass_no : Raster or None
        Combine pass that cut the cell, from 1; 0 none. With ``across_m`` gives the URDR.
    across_m : Raster or None
        Distance to the right of that pass's middle line [m].
    """

    residue_kg_m2: Raster
    given_kg_m2: Raster
    inside: Raster
    grid: Grid
    pass_no: Raster | None = None
    across_m: Raster | None = None


@dataclass(frozen=True)
class Unevenness:
    """How unevenly residue lies.

    Attributes
    ----------
    cv_pct : float
        Coefficient of variation of the spread ratio over trays of 0.5 m [%].
    urdr : float
        Highest ÷ lowest mean lane across a combine pass, of the middle pass by area cut; NaN
        where passes are not known.
    gap_ha, double_ha : float
        Cells below and above the limits [ha], strips or not.
    """

    cv_pct: float
    urdr: float
    gap_ha: float
    double_ha: float


class UnevennessGauge:
    """Measures one field before and after harrowing, against limits of the spread ratio."""

    def __init__(self, field: HarrowField, gap_below: float, double_above: float) -> None:
        self._field = field
        self._limits = SpreadLimits(gap_below, double_above)
        self._block = max(round(_TRAY_M / field.grid.cell_m), 1)
        self._windows = stripes(field.grid, rows_together=self._block)
        #: Place of each cell's lane in the sums, -1 for ground without residue of its own.
        self._lane = new_raster(field.grid, np.int32)
        most = -1
        for window in self._windows:
            at = (window.row, window.rows)
            with np.errstate(invalid="ignore"):
                counted = field.inside.rows(*at) & (field.given_kg_m2.rows(*at) > 0)
            lane = np.where(counted, 0, -1).astype(np.int32)
            if field.pass_no is not None and field.across_m is not None:
                across = np.floor(field.across_m.rows(*at)[counted] / _TRAY_M)
                pass_no = field.pass_no.rows(*at)[counted].astype(np.int32)
                lane[counted] = pass_no * 2 * _LANES
                lane[counted] += np.clip(across, -_LANES, _LANES - 1).astype(np.int32) + _LANES
            self._lane.write(window.row, lane)
            most = max(most, int(lane.max()))
        if most < 0:
            raise SettingsError(
                "harrow: no cell inside the field has residue of its own.",
                "Expected some above 0 kg/m².",
            )
        if field.pass_no is None or field.across_m is None:
            return
        self._count = np.zeros((most // (2 * _LANES) + 1, 2 * _LANES))
        for window in self._windows:
            lane = self._lane.rows(window.row, window.rows)
            self._count += np.bincount(lane[lane >= 0], minlength=self._count.size).reshape(
                self._count.shape
            )
        # as evenness_by_pass: a lane counts with a quarter of the cells of a full one
        self._full = (self._count > 0) & (
            self._count >= 0.25 * self._count.max(axis=1, keepdims=True)
        )

    def measure(self, residue_kg_m2: Raster) -> Unevenness:
        """Measure residue [kg/m²] lying on the field."""
        field, trays = self._field, RowSums()
        lanes = None if field.pass_no is None else np.zeros(self._count.size)
        gap = double = 0
        for window in self._windows:
            lane = self._lane.rows(window.row, window.rows)
            residue = residue_kg_m2.rows(window.row, window.rows)
            given = field.given_kg_m2.rows(window.row, window.rows)
            counted = lane >= 0
            ratio = residue[counted] / given[counted].astype(float)
            if self._block > 1:
                tray = tray_ratio(residue, given, counted, self._block)
            else:
                tray = np.full(lane.shape, np.nan)
                tray[counted] = ratio
            # trays that have their own back are 1: sums of what is off that lose no digits
            trays.add(tray - 1)
            gap += int(self._limits.gap(ratio).sum())
            double += int(self._limits.double(ratio).sum())
            if lanes is not None:
                np.add.at(lanes, lane[counted], ratio)
        cell_ha = field.grid.cell_area_m2 / 1e4
        return Unevenness(
            _cv_pct(trays),
            math.nan if lanes is None else self._urdr(lanes.reshape(self._count.shape)),
            gap * cell_ha,
            double * cell_ha,
        )

    def _urdr(self, ratio: np.ndarray) -> float:
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = ratio / self._count
            high = np.where(self._full, mean, -np.inf).max(axis=1)
            low = np.where(self._full, mean, np.inf).min(axis=1)
            urdr = np.where(low > 0, high / low, np.inf)
        known = (self._full.sum(axis=1) > 1) & (np.arange(len(self._full)) > 0)
        return middle_urdr(urdr[known], self._count.sum(axis=1)[known])


def _cv_pct(less_one: RowSums) -> float:
    """Give the coefficient of variation with n − 1 [%] of readings less one."""
    count, off = less_one.count, less_one.total
    if count < 2 or count + off == 0:
        return math.nan
    variance = max(less_one.squares - off * off / count, 0.0) / (count - 1)
    return 100 * math.sqrt(variance) / (1 + off / count)


def _passes(
    field: HarrowField, harrow: Harrow, heading_deg: float, number: int, turn_deg: float
) -> Iterator[HarrowedGround]:
    """Give the ground after each of a number of passes, what was dragged off summed up."""
    residue, lost = field.residue_kg_m2, 0.0
    for k in range(number):
        done = harrow_pass(residue, field.inside, field.grid, heading_deg + k * turn_deg, harrow)
        residue, lost = done.residue_kg_m2, lost + done.outside_kg
        yield HarrowedGround(residue, lost)


def harrow_trial(
    field: HarrowField,
    harrow: Harrow,
    main_heading_deg: float,
    angles_deg: Sequence[float] = USUAL_ANGLES_DEG,
    passes: Sequence[int] = (1, 2),
    *,
    second_turn_deg: float = 0.0,
    gap_below: float = 0.5,
    double_above: float = 1.5,
) -> pd.DataFrame:
    """Harrow a field at each angle and measure what lies there afterwards.

    Parameters
    ----------
    field : HarrowField
    harrow : Harrow
    main_heading_deg : float
        Of the combine's passes; either way along them.
    angles_deg : sequence of float
        To the right of ``main_heading_deg``; negative to the left.
    passes : sequence of int
        Numbers of harrow passes to report, from 1.
    second_turn_deg : float
        Every pass is turned by this against the one before it.
    gap_below, double_above : float
        Limits of the spread ratio.

    Returns
    -------
    pandas.DataFrame
        One row per angle and number of passes: angle_deg, heading_deg (of the first pass),
        passes, cv_pct, urdr, gap_ha, double_ha, outside_kg. The first row is the field as it
        lies: 0 passes, no angle.

    Raises
    ------
    SettingsError
        If no angle or number of passes is given, or the field has no residue of its own.
    """
    if len(angles_deg) == 0 or len(passes) == 0 or min(passes) < 1:
        raise SettingsError(
            "harrow: nothing to try.", "Expected at least one angle and numbers of passes from 1."
        )
    gauge = UnevennessGauge(field, gap_below, double_above)

    def row(angle_deg: float, number: int, residue: Raster, lost: float) -> dict[str, float]:
        return {
            "angle_deg": angle_deg,
            "heading_deg": (main_heading_deg + angle_deg) % 360,
            "passes": number,
            **asdict(gauge.measure(residue)),
            "outside_kg": lost,
        }

    def at_angle(angle_deg: float) -> list[dict[str, float]]:
        heading = main_heading_deg + angle_deg
        done = _passes(field, harrow, heading, max(passes), second_turn_deg)
        return [
            row(angle_deg, number, ground.residue_kg_m2, ground.outside_kg)
            for number, ground in enumerate(done, 1)
            if number in passes
        ]

    with ThreadPoolExecutor(min(core_count(), _MOST_THREADS)) as pool:
        found = list(pool.map(at_angle, angles_deg))
    rows = [row(math.nan, 0, field.residue_kg_m2, 0.0)]
    return pd.DataFrame([*rows, *(one for angle in found for one in angle)])


@dataclass(frozen=True)
class HarrowChoice:
    """The heading chosen for a harrow and what it does.

    Attributes
    ----------
    harrow : Harrow
    angle_deg : float
        Of the first pass to the right of the combine's main heading.
    heading_deg : float
        Of the first pass, clockwise from north; every second run is driven against it.
    passes : int
        Harrow passes that the choice was made for.
    worth_it : bool
        Whether CV falls by at least :data:`LEAST_GAIN_PCT`.
    before, after : Unevenness
        By the same measures, ``after`` with ``passes`` passes.
    residue_kg_m2 : Raster
        (rows, cols) residue afterwards [kg/m²].
    outside_kg : float
        Dragged off the field [kg].
    trial : pandas.DataFrame
        All angles, as given by :func:`harrow_trial`, with 1 to ``max(2, passes)`` passes.
    """

    harrow: Harrow
    angle_deg: float
    heading_deg: float
    passes: int
    worth_it: bool
    before: Unevenness
    after: Unevenness
    residue_kg_m2: Raster
    outside_kg: float
    trial: pd.DataFrame


def best_heading(
    field: HarrowField,
    harrow: Harrow,
    main_heading_deg: float,
    angles_deg: Sequence[float] = USUAL_ANGLES_DEG,
    passes: int = 1,
    *,
    second_turn_deg: float = 0.0,
    gap_below: float = 0.5,
    double_above: float = 1.5,
) -> HarrowChoice:
    """Choose the angle with the lowest CV after a number of passes.

    Of the angles within :data:`LEAST_GAIN_PCT` of the lowest the smallest is taken, the one to
    the right first: steeper crossing must win something.

    Parameters
    ----------
    field, harrow, main_heading_deg, second_turn_deg, gap_below, double_above
        As in :func:`harrow_trial`, as are the errors.
    angles_deg : sequence of float
        Angles that the field's shape and the driver allow.
    passes : int
        Harrow passes that are planned.

    Returns
    -------
    HarrowChoice
    """
    if passes < 1:
        raise SettingsError(f"harrow passes: {passes} is out of range.", way_out="Give 1 or more.")
    trial = harrow_trial(
        field,
        harrow,
        main_heading_deg,
        angles_deg,
        range(1, max(2, passes) + 1),
        second_turn_deg=second_turn_deg,
        gap_below=gap_below,
        double_above=double_above,
    )
    planned = trial[trial["passes"] == passes]
    as_good = planned[planned["cv_pct"] <= planned["cv_pct"].min() + LEAST_GAIN_PCT]
    angle_deg = min(as_good["angle_deg"], key=lambda a: (abs(a), -a))
    heading = main_heading_deg + angle_deg
    *_, done = _passes(field, harrow, heading, passes, second_turn_deg)
    gauge = UnevennessGauge(field, gap_below, double_above)
    before, after = gauge.measure(field.residue_kg_m2), gauge.measure(done.residue_kg_m2)
    return HarrowChoice(
        harrow,
        float(angle_deg),
        float(heading % 360),
        passes,
        before.cv_pct - after.cv_pct >= LEAST_GAIN_PCT,
        before,
        after,
        done.residue_kg_m2,
        done.outside_kg,
        trial,
    )

"""The ground as the next pass meets it: loads, cover and harrowing, to be read by rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import partial

import numpy as np

from covermap.cover.ground_cover import cover_pct
from covermap.field.field_result import FieldResult
from covermap.ground.field_sums import RowSums, rows_of
from covermap.ground.grid import Grid
from covermap.ground.rasters import DerivedRaster, Raster, new_raster, stripes
from covermap.plan.actions import HEAP_ABOVE, Spot
from covermap.plan.harrow_angle import HarrowChoice, HarrowField
from covermap.plan.operation_table import Operation, Range
from covermap.plan.operations import Step, sequence

#: A pass laid in windrows still has them if this part of its ground lies double.
_LEAST_ROW_SHARE = 0.03
#: A strip shorter than this many working widths can be a heap.
_HEAP_WIDTHS = 2.0


@dataclass(frozen=True)
class PlannedGround:
    """The whole field; rasters of the names that :class:`covermap.plan.actions.Spot` has."""

    ratio: Raster
    harrowed_ratio: Raster
    load_t_ha: Raster
    harrowed_load_t_ha: Raster
    cover_pct: Raster
    in_row: Raster
    heap: Raster

    @property
    def known(self) -> Raster:
        """Bool, harvested ground."""
        return DerivedRaster(np.isfinite, self.ratio)

    def where_known(self, values: Raster) -> Raster:
        """Give numbers on harvested ground, NaN off it."""
        return DerivedRaster(_where_known, self.ratio, values)

    def spot(self, first: int, count: int) -> Spot:
        """Give ``count`` rows from row ``first``."""
        return Spot(*(getattr(self, name.name).rows(first, count) for name in fields(Spot)))


@dataclass(frozen=True)
class Followed:
    """Residue through the operations.

    Attributes
    ----------
    residue_t_ha, load_t_ha, last_t_ha : Raster
        Now, at seeding and after the operations [t/ha]; NaN off the harvested ground.
    steps : list of Step
        Means of the harvested ground.
    """

    residue_t_ha: Raster
    load_t_ha: Raster
    last_t_ha: Raster
    steps: list[Step]


def follow_residue(
    result: FieldResult, operations: Sequence[Operation], seeding_step: int, *, fragile: bool
) -> Followed:
    """Follow the residue of a field through operations; errors as those of ``sequence``.

    Parameters
    ----------
    result : FieldResult
    operations : sequence of Operation
        In the order of work.
    seeding_step : int
        Place of the ground that the seeder meets, 0 for now.
    fragile : bool
        Whether the residue breaks up easily.
    """
    grid, k = result.grid, result.crop.cover_m2_per_kg
    residue = DerivedRaster(
        _where_known, result.rasters["spread_ratio"], result.rasters["residue_t_ha"]
    )
    load, last = new_raster(grid, np.float32), new_raster(grid, np.float32)
    sums = [[RowSums() for _ in range(6)] for _ in range(len(operations) + 1)]
    for part in stripes(grid):
        rows = residue.rows(part.row, part.rows)
        steps = sequence(rows, operations, fragile=fragile, cover_m2_per_kg=k)
        load.write(part.row, np.asarray(steps[seeding_step].residue_t_ha.mid))
        last.write(part.row, np.asarray(steps[-1].residue_t_ha.mid))
        for step, means in zip(steps, sums, strict=True):
            for values, mean in zip((*step.residue_t_ha, *step.cover_pct), means, strict=True):
                mean.add(np.asarray(values))
    found = [[one.mean for one in step] for step in sums]
    steps = [
        replace(step, residue_t_ha=Range(*mean[:3]), cover_pct=Range(*mean[3:]))
        for step, mean in zip(steps, found, strict=True)
    ]
    return Followed(residue, load, last, steps)


def _where_known(ratio: np.ndarray, values: np.ndarray) -> np.ndarray:
    return np.where(np.isfinite(ratio), values, np.float32(np.nan))


def cover_of(residue_t_ha: Raster, result: FieldResult) -> Raster:
    """Give the ground covered by residue [%]."""
    return DerivedRaster(
        partial(cover_pct, cover_m2_per_kg=result.crop.cover_m2_per_kg), residue_t_ha
    )


def harrow_field(result: FieldResult, residue_t_ha: Raster) -> HarrowField:
    """Give the field that a harrow would meet: what the machine laid on harvested ground.

    What the header left on its row lies evenly and does not count, so that evenness before
    harrowing is that of the map.
    """
    given, flat = result.rasters["given_kg_m2"], np.float32(result.left_flat_share)

    def laid(residue: np.ndarray, given: np.ndarray) -> np.ndarray:
        return np.maximum(np.nan_to_num(residue / 10 - given * flat), 0)

    return HarrowField(
        _kept(DerivedRaster(laid, residue_t_ha, given), result.grid),
        given,
        DerivedRaster(np.isfinite, result.rasters["spread_ratio"]),
        result.grid,
        result.cut_by_pass,
        result.off_middle_m,
    )


def _kept(raster: Raster, grid: Grid) -> Raster:
    """Work a raster out once, where it is read many times."""
    kept = new_raster(grid, np.float32)
    for part in stripes(grid):
        kept.write(part.row, raster.rows(part.row, part.rows))
    return kept


def planned_ground(
    result: FieldResult,
    followed: Followed,
    field: HarrowField,
    harrow: HarrowChoice | None,
    width_m: float,
) -> PlannedGround:
    """Put together what the next pass meets.

    Parameters
    ----------
    result : FieldResult
    followed : Followed
    field : HarrowField
        Before harrowing.
    harrow : HarrowChoice or None
        The best harrowing, None if there is nothing to even.
    width_m : float
        Of the implement.
    """
    strips, ratio, load = result.strips, result.rasters["spread_ratio"], followed.load_t_ha
    short = (
        (strips["length_m"] < _HEAP_WIDTHS * width_m)
        & (strips["mean_ratio"] > HEAP_ABOVE)
        & (strips["discharge"] != "windrow")
    )
    heap, lying = np.append(False, short.to_numpy(bool)), _passes_in_rows(result)
    after: Raster = ratio
    after_load: Raster = load
    if harrow is not None:
        after = DerivedRaster(_ratio_after, harrow.residue_kg_m2, field.given_kg_m2)
        after_load = DerivedRaster(
            _load_after, harrow.residue_kg_m2, field.residue_kg_m2, followed.residue_t_ha, load
        )
    return PlannedGround(
        ratio,
        after,
        load,
        after_load,
        cover_of(followed.last_t_ha, result),
        DerivedRaster(lambda number: lying[number], result.cut_by_pass),
        DerivedRaster(lambda number: heap[number], result.rasters["strip_of_cell"]),
    )


def _ratio_after(harrowed: np.ndarray, given: np.ndarray) -> np.ndarray:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(harrowed / given, np.float32)


def _load_after(
    harrowed: np.ndarray, laid: np.ndarray, residue: np.ndarray, load: np.ndarray
) -> np.ndarray:
    with np.errstate(invalid="ignore", divide="ignore"):
        moved = 10 * (harrowed - laid)
        # the operations keep the same share of what lies there then
        after = np.where(residue > 0, load * (1 + moved / residue), moved)
        return np.asarray(np.maximum(after, 0), np.float32)


def _passes_in_rows(result: FieldResult) -> np.ndarray:
    """Tell which passes have straw still lying in windrows, by pass number."""
    known, rows = np.zeros((2, len(result.passes) + 1), np.int64)
    for number, ratio in rows_of(result.cut_by_pass, result.rasters["spread_ratio"]):
        known += np.bincount(number[np.isfinite(ratio)], minlength=len(known))
        rows += np.bincount(number[result.limits.double(ratio)], minlength=len(rows))
    laid = np.append(False, (result.passes["discharge"] == "windrow").to_numpy(bool))
    return np.asarray(laid & (rows >= _LEAST_ROW_SHARE * np.maximum(known, 1)))

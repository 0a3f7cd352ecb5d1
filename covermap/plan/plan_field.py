"""What the strips mean for the next crop, and what the next pass should do. Writes nothing."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd

from covermap.errors import Ask, SettingsError
from covermap.field.field_result import FieldResult
from covermap.harvest.main_heading import combine_heading_deg
from covermap.plan.actions import HEAP_ABOVE, Limits, Spot, choose_actions
from covermap.plan.baling import Baling, removable_straw, straw_need_t_ha
from covermap.plan.erosion import WindLoss, field_mean_ratio, water_loss_ratio, wind_loss
from covermap.plan.fragility import Fragility, fragility_of
from covermap.plan.harrow import Harrow
from covermap.plan.harrow_angle import (
    HarrowChoice,
    HarrowField,
    best_heading,
)
from covermap.plan.nitrogen import TieUp, tie_up
from covermap.plan.operation_table import Operation, daily_decay, find_operation
from covermap.plan.operations import CoverClass, Step, cover_class, sequence
from covermap.plan.plan_work import Wanted, Ways, field_zones, strip_actions, work_by_action
from covermap.plan.seeding import (
    COLD_LOAD_T_HA,
    Establishment,
    SeedingFlags,
    establishment,
    judge_seeding,
    row_zone_share,
)
from covermap.settings.field_settings import FieldSettings, defaults_used
from covermap.settings.needed import no_cut_width, usual_cut_width_m
from covermap.tables.crops import find_crop
from covermap.tables.said import Said, each_once

#: Harrow headings are tried at this step [deg].
_ANGLE_STEP_DEG = 5.0
#: A pass laid in windrows still has them if this part of its ground lies double.
_LEAST_ROW_SHARE = 0.03
#: A strip shorter than this many working widths can be a heap.
_HEAP_WIDTHS = 2.0


@dataclass(frozen=True)
class FieldPlan:
    """What comes next on one field.

    Attributes
    ----------
    result : FieldResult
        The map the plan is made from.
    limits : Limits
    fragile : Fragility
    steps : list of Step
        Now and after each operation: residue and cover, rasters.
    seeding_step : int
        Place in ``steps`` of the ground that the seeder meets.
    target : CoverClass
        Ground above and below the target after the operations.
    water_ratio : tuple of float
        Field's soil-loss ratio to water, now and after the operations.
    wind_ratio : tuple of WindLoss
        Soil-loss ratio to wind, now and after the operations.
    nitrogen : TieUp
        Of the residue now, worked in or left on the surface.
    seeding : SeedingFlags
    response : Establishment or None
    harrow : HarrowChoice or None
        None where the passes have no common heading, or nothing is uneven.
    baling : Baling
        Of the residue now.
    action : numpy.ndarray
        (rows, cols) uint8 place in :data:`covermap.plan.actions.RULE_IDS` of the cell's zone.
    spot : Spot
    strips, zones : geopandas.GeoDataFrame
        With rule_id, action and the numbers behind them.
    work : pandas.DataFrame
        Hectares, passes, travel, cost and fuel by action.
    assumptions : tuple of Said
    notes : tuple of Said
    """

    result: FieldResult
    limits: Limits
    fragile: Fragility
    steps: list[Step]
    seeding_step: int
    target: CoverClass
    water_ratio: tuple[float, float]
    wind_ratio: tuple[WindLoss, WindLoss]
    nitrogen: TieUp
    seeding: SeedingFlags
    response: Establishment | None
    harrow: HarrowChoice | None
    baling: Baling
    action: np.ndarray
    spot: Spot
    strips: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    work: pd.DataFrame
    assumptions: tuple[Said, ...]
    notes: tuple[Said, ...]


def wants_plan(settings: FieldSettings) -> bool:
    """Tell whether the person asked for a plan: next_crop, or anything in [plan]."""
    return any(name == ("field", "next_crop") or name[0] == "plan" for name in settings.given)


def plan_field(result: FieldResult) -> FieldPlan:
    """Plan the next pass from a mapped field and its [plan] settings.

    Raises
    ------
    SettingsError
        If an operation, crop or limit is unknown or contradicts another.
    """
    settings, k = result.settings, result.crop.cover_m2_per_kg
    _check_next_crop(settings)
    operations = _operations(settings)
    limits = _limits(result, operations)
    fragile = _fragile(settings, result.crop.kind)
    harvested = np.isfinite(result.spread_ratio)
    residue = np.where(harvested, result.residue_t_ha, np.nan).astype(np.float32)
    steps = sequence(residue, operations, fragile=fragile.fragile, cover_m2_per_kg=k)
    seeding_step = _seeding_step(operations)
    load = np.asarray(steps[seeding_step].residue_t_ha.mid)
    cover_then = np.asarray(steps[-1].cover_pct.mid)
    heading, harrow = _harrow(result, residue, harvested)
    spot = _spot(result, residue, load, cover_then, harrow)
    pays = harrow is not None and harrow.worth_it
    wanted = Wanted(
        choose_actions(spot, limits, harrow_pays=pays),
        choose_actions(spot, limits, harrow_pays=pays, with_passes=False),
    )
    ways = Ways(
        _implement_width_m(result),
        harrow.heading_deg if harrow is not None else _stated_heading(settings, heading),
        heading,
    )
    zones, action = field_zones(result, spot, wanted, limits, ways)
    strips = strip_actions(result, spot, wanted, action, limits)
    rates = {
        "per_pct": settings.plan.water_loss_per_pct,
        "roughness_mm": settings.plan.roughness_m * 1000,
    }
    covers = (np.asarray(steps[0].cover_pct.mid), cover_then)
    opener = settings.plan.opener
    cold = settings.plan.cold_wet_spring
    return FieldPlan(
        result=result,
        limits=limits,
        fragile=fragile,
        steps=steps,
        seeding_step=seeding_step,
        target=cover_class(cover_then, result.grid.cell_area_m2, limits.target_cover_pct),
        water_ratio=(
            field_mean_ratio(water_loss_ratio(covers[0], **rates)),
            field_mean_ratio(water_loss_ratio(covers[1], **rates)),
        ),
        wind_ratio=(wind_loss(covers[0]), wind_loss(covers[1])),
        nitrogen=tie_up(residue, result.crop.kind, settings.plan.target_c_n),
        seeding=judge_seeding(
            load,
            np.asarray(steps[seeding_step].cover_pct.mid),
            opener=opener,
            opener_limit_t_ha=limits.opener_t_ha,
            cleaner_limit_t_ha=limits.cleaner_t_ha,
            hairpin_t_ha=limits.hairpin_t_ha,
            cold_wet_spring=None if cold is None else cold == "yes",
            thin_cover_pct=limits.target_cover_pct,
        ),
        response=_response(settings, load, result.crop.kind),
        harrow=harrow,
        baling=_baling(result, residue, operations, fragile.fragile),
        action=action,
        spot=spot,
        strips=strips,
        zones=zones,
        work=work_by_action(zones, settings),
        assumptions=tuple(defaults_used(settings, ["plan"])),
        notes=_notes(steps, fragile, result),
    )


def _check_next_crop(settings: FieldSettings) -> None:
    named = settings.field.next_crop
    if named is None:
        return
    try:
        find_crop(named)
    except SettingsError as error:
        # the crop table speaks of the harvested crop
        wrong = f"[field] next_crop: {named!r} is not in the crop table."
        raise SettingsError(wrong, error.expected) from None


def _limits(result: FieldResult, operations: list[Operation]) -> Limits:
    stated = result.settings.plan
    return Limits(
        *result.limits,
        stated.target_cover_pct,
        stated.opener_limit_t_ha,
        stated.cleaner_limit_t_ha,
        stated.hairpin_from_t_ha if stated.opener == "disc" else None,
        COLD_LOAD_T_HA if stated.cold_wet_spring == "yes" else None,
        any(operation.kind == "tillage" for operation in operations),
    )


def _stated_heading(settings: FieldSettings, main_deg: float) -> float:
    stated = settings.plan.implement_heading_deg
    return main_deg if stated is None else float(stated)


def _fragile(settings: FieldSettings, crop: str) -> Fragility:
    stated = settings.plan.fragile
    if stated is not None:
        return Fragility(stated == "yes", "stated by you", "stated", None)
    try:
        return fragility_of(crop)
    except SettingsError as error:
        raise SettingsError(
            error.wrong, error.way_out, "Give {0}.", Ask("plan.fragile", "yes")
        ) from None


def _operations(settings: FieldSettings) -> list[Operation]:
    named = settings.plan.operations or ()
    found = [find_operation(name) for name in named]
    rate, days = settings.plan.decay_pct_per_day, settings.plan.decay_days
    if rate is not None and days is not None:
        return [daily_decay(rate / 100, days), *found]
    if rate is not None or days is not None:
        raise SettingsError(
            "[plan] decay_pct_per_day and decay_days go together.", way_out="Give both."
        )
    return found


def _seeding_step(operations: list[Operation]) -> int:
    """Give the step whose ground the seeder meets: before the first seeding, else the last."""
    kinds = [operation.kind for operation in operations]
    return kinds.index("seeding") if "seeding" in kinds else len(kinds)


def _implement_width_m(result: FieldResult) -> float:
    """Give the working width of harrow or tillage tool [m]: as stated, else the cut width."""
    stated, passes = result.settings.plan.implement_width_m, result.passes
    width = stated or usual_cut_width_m(
        result.settings.combine.cut_width_m,
        measured_m=(passes["spacing_m"].median(), passes["working_width_m"].median()),
    )
    if width is None:
        raise no_cut_width()
    return width


def _harrow(
    result: FieldResult, residue: np.ndarray, harvested: np.ndarray
) -> tuple[float, HarrowChoice | None]:
    """Give the combine's main heading, and the best harrowing if there is anything to even."""
    settings, passes = result.settings, result.passes
    try:
        heading = combine_heading_deg(
            passes["heading_deg"].to_numpy(float), passes["length_m"].to_numpy(float)
        )
    except SettingsError:  # round and round: any heading is as good a start
        heading = 0.0
    least = settings.plan.harrow_least_angle_deg
    most = settings.plan.harrow_most_angle_deg
    if least > most:
        raise SettingsError(
            f"[plan] harrow_least_angle ({least:g}°) is above harrow_most_angle ({most:g}°).",
            way_out="Correct one of them.",
        )
    if len(result.strips) == 0:
        return heading, None
    stated = settings.plan.implement_heading_deg
    if stated is None:
        steps = np.arange(least, most + 1e-9, _ANGLE_STEP_DEG)
        angles = sorted({float(a) for a in (*steps, *(-steps), most, -most)})
    else:
        angles = [(float(stated) - heading + 90) % 180 - 90]
    choice = best_heading(
        HarrowField(
            _deposit_kg_m2(result, residue),
            result.given_kg_m2,
            harvested,
            result.grid,
            result.pass_of_cell,
            result.across_m,
        ),
        Harrow(
            _implement_width_m(result),
            settings.plan.harrow_carry_m,
            settings.plan.harrow_moved_share,
        ),
        heading,
        angles,
        round(settings.plan.harrow_passes),
        **result.limits._asdict(),
    )
    return heading, choice


def _deposit_kg_m2(result: FieldResult, residue: np.ndarray) -> np.ndarray:
    """Give what the machine laid: what lies there less what the header left on its row.

    So evenness before harrowing is that of the map; what the header left lies evenly.
    """
    flat = result.given_kg_m2 * np.float32(result.left_flat_share)
    return np.asarray(np.maximum(np.nan_to_num(residue / 10 - flat), 0))


def _spot(
    result: FieldResult,
    residue: np.ndarray,
    load: np.ndarray,
    cover_then: np.ndarray,
    harrow: HarrowChoice | None,
) -> Spot:
    strips = result.strips
    width = _implement_width_m(result)
    short = (
        (strips["length_m"] < _HEAP_WIDTHS * width)
        & (strips["mean_ratio"] > HEAP_ABOVE)
        & (strips["discharge"] != "windrow")
    )
    heap = np.append(False, short.to_numpy(bool))
    after, after_load = result.spread_ratio, load
    if harrow is not None:
        with np.errstate(invalid="ignore", divide="ignore"):
            after = (harrow.residue_kg_m2 / result.given_kg_m2).astype(np.float32)
            moved = 10 * (harrow.residue_kg_m2 - _deposit_kg_m2(result, residue))
            # the operations keep the same share of what lies there then
            after_load = np.where(residue > 0, load * (1 + moved / residue), moved)
            after_load = np.maximum(after_load, 0).astype(np.float32)
    return Spot(
        result.spread_ratio,
        after,
        load,
        after_load,
        cover_then,
        _in_rows(result),
        heap[result.strip_of_cell],
    )


def _in_rows(result: FieldResult) -> np.ndarray:
    """Tell which ground was cut by passes whose straw still lies in windrows."""
    number = result.pass_of_cell
    double = result.limits.double(result.spread_ratio)
    known = np.bincount(number[np.isfinite(result.spread_ratio)], minlength=len(result.passes) + 1)
    rows = np.bincount(number[double], minlength=len(result.passes) + 1)
    laid = np.append(False, (result.passes["discharge"] == "windrow").to_numpy(bool))
    lying = laid & (rows >= _LEAST_ROW_SHARE * np.maximum(known, 1))
    return np.asarray(lying[number])


def _response(settings: FieldSettings, load: np.ndarray, crop: str) -> Establishment | None:
    measure = settings.plan.response
    if measure == "none":
        return None
    next_crop = settings.field.next_crop
    if next_crop is None:
        raise SettingsError(
            "[plan] response needs the crop to be sown.",
            "",
            "Give {0}.",
            Ask("field.next_crop", "wheat"),
        )
    return establishment(load, next_crop, crop, measure=measure)


def _baling(
    result: FieldResult, residue: np.ndarray, operations: list[Operation], fragile: bool
) -> Baling:
    settings = result.settings
    stated, rotation = settings.plan.keep_residue_t_ha, settings.plan.rotation
    if stated is not None and rotation is not None:
        raise SettingsError(
            "[plan] keep_residue and rotation say the same thing.", way_out="Give one."
        )
    keep, source = stated or 0.0, "stated by you"
    if rotation is not None:
        keep, source = straw_need_t_ha(rotation), f"published for {rotation}"
    share = settings.plan.balable_share
    return removable_straw(
        residue,
        operations,
        cell_area_m2=result.grid.cell_area_m2,
        balable_share=_straw_share(result) if share is None else share,
        target_cover_pct=settings.plan.target_cover_pct,
        fragile=fragile,
        cover_m2_per_kg=result.crop.cover_m2_per_kg,
        keep_t_ha=keep,
        keep_source=source,
    )


def _straw_share(result: FieldResult) -> float:
    """Give the straw's share of the residue through the machine, chaff being too fine to bale."""
    chaff = result.crop.chaff_to_grain * result.mass.grain_kg
    return float(np.clip(1 - chaff / max(result.mass.through_machine_kg, 1e-9), 0, 1))


def _notes(steps: list[Step], fragile: Fragility, result: FieldResult) -> tuple[Said, ...]:
    notes = [note for step in steps for note in step.notes]
    if len(steps) == 1:
        notes.append(Said("plan-no-operations"))
    elif fragile.conflict is not None:
        notes.append(fragile.conflict)
    zone, rows = result.settings.plan.row_zone_width_m, result.settings.plan.row_spacing_m
    if zone is not None and rows is not None:
        notes.append(Said("seeding-row-zone", {"share": row_zone_share(zone, rows)}))
    elif zone is not None or rows is not None:
        raise SettingsError(
            "[plan] row_zone_width and row_spacing go together.", way_out="Give both."
        )
    if not (result.passes["discharge"] == "windrow").any():
        notes.append(Said("baling-chopped"))
    return each_once(notes)

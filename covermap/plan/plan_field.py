"""What the strips mean for the next crop, and what the next pass should do. Writes nothing."""

from __future__ import annotations

from functools import partial

import numpy as np

from covermap.errors import Ask, SettingsError
from covermap.field.field_result import FieldResult
from covermap.ground.rasters import DerivedRaster, Raster
from covermap.harvest.main_heading import combine_heading_deg
from covermap.plan.actions import Limits
from covermap.plan.baling import Baling, removable_straw, straw_need_t_ha
from covermap.plan.erosion import (
    field_mean_ratio,
    field_wind_loss,
    water_loss_range,
    water_loss_ratio,
)
from covermap.plan.field_plan import FieldPlan
from covermap.plan.fragility import Fragility, fragility_of
from covermap.plan.harrow import Harrow
from covermap.plan.harrow_angle import (
    HarrowChoice,
    HarrowField,
    best_heading,
)
from covermap.plan.nitrogen import field_tie_up
from covermap.plan.operation_table import Operation, daily_decay, find_operation, range_means
from covermap.plan.operations import Step, cover_class
from covermap.plan.plan_work import Calls, Ways, field_zones, strip_actions, work_by_action
from covermap.plan.planned_ground import (
    cover_of,
    follow_residue,
    harrow_field,
    planned_ground,
)
from covermap.plan.seeding import (
    COLD_LOAD_T_HA,
    Establishment,
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
    settings = result.settings
    _check_next_crop(settings)
    operations = _operations(settings)
    limits = _limits(result, operations)
    fragile = _fragile(settings, result.crop.kind)
    seeding_step = _seeding_step(operations)
    followed = follow_residue(result, operations, seeding_step, fragile=fragile.fragile)
    load, covers = followed.load_t_ha, [
        cover_of(residue, result) for residue in (followed.residue_t_ha, followed.last_t_ha)
    ]  # fmt: skip
    width_m = _implement_width_m(result)
    heading = _main_heading_deg(result)
    meets = harrow_field(result, followed.residue_t_ha)
    harrow = _harrow(result, meets, heading, width_m)
    ground = planned_ground(result, followed, meets, harrow, width_m)
    calls = Calls(ground, limits, harrow is not None and harrow.worth_it)
    ways = Ways(
        width_m,
        harrow.heading_deg if harrow is not None else _stated_heading(settings, heading),
        heading,
    )
    zones, action = field_zones(result, calls, ways)
    roughness_mm = settings.plan.roughness_m * 1000
    water = partial(
        water_loss_ratio,
        per_pct=settings.plan.water_loss_per_pct,
        roughness_mm=roughness_mm,
    )
    now, then = (field_mean_ratio(DerivedRaster(water, cover)) for cover in covers)
    opener = settings.plan.opener
    cold = settings.plan.cold_wet_spring
    return FieldPlan(
        result=result,
        limits=limits,
        fragile=fragile,
        steps=followed.steps,
        seeding_step=seeding_step,
        target=cover_class(covers[1], result.grid.cell_area_m2, limits.target_cover_pct),
        water_ratio=(now, then),
        water_range=range_means(partial(water_loss_range, roughness_mm=roughness_mm), covers[1]),
        wind_ratio=(field_wind_loss(covers[0]), field_wind_loss(covers[1])),
        nitrogen=field_tie_up(followed.residue_t_ha, result.crop.kind, settings.plan.target_c_n),
        seeding=judge_seeding(
            load,
            cover_of(load, result),
            opener=opener,
            opener_limit_t_ha=limits.opener_t_ha,
            cleaner_limit_t_ha=limits.cleaner_t_ha,
            hairpin_t_ha=limits.hairpin_t_ha,
            cold_wet_spring=None if cold is None else cold == "yes",
            thin_cover_pct=limits.target_cover_pct,
        ),
        response=_response(settings, load, result.crop.kind),
        harrow=harrow,
        baling=_baling(result, followed.residue_t_ha, operations, fragile.fragile),
        action=action,
        ground=ground,
        strips=strip_actions(result, calls, action),
        zones=zones,
        work=work_by_action(zones, settings),
        assumptions=tuple(defaults_used(settings, ["plan"])),
        notes=_notes(followed.steps, fragile, result),
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


def _main_heading_deg(result: FieldResult) -> float:
    passes = result.passes
    try:
        return combine_heading_deg(
            passes["heading_deg"].to_numpy(float), passes["length_m"].to_numpy(float)
        )
    except SettingsError:  # round and round: any heading is as good a start
        return 0.0


def _harrow(
    result: FieldResult, meets: HarrowField, heading_deg: float, width_m: float
) -> HarrowChoice | None:
    """Give the best harrowing if there is anything to even."""
    settings = result.settings
    least = settings.plan.harrow_least_angle_deg
    most = settings.plan.harrow_most_angle_deg
    if least > most:
        raise SettingsError(
            f"[plan] harrow_least_angle ({least:g}°) is above harrow_most_angle ({most:g}°).",
            way_out="Correct one of them.",
        )
    if len(result.strips) == 0:
        return None
    stated = settings.plan.implement_heading_deg
    if stated is None:
        steps = np.arange(least, most + 1e-9, _ANGLE_STEP_DEG)
        angles = sorted({float(a) for a in (*steps, *(-steps), most, -most)})
    else:
        angles = [(float(stated) - heading_deg + 90) % 180 - 90]
    return best_heading(
        meets,
        Harrow(
            width_m,
            settings.plan.harrow_carry_m,
            settings.plan.harrow_moved_share,
        ),
        heading_deg,
        angles,
        round(settings.plan.harrow_passes),
        **result.limits._asdict(),
    )


def _response(settings: FieldSettings, load: Raster, crop: str) -> Establishment | None:
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
    result: FieldResult, residue: Raster, operations: list[Operation], fragile: bool
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

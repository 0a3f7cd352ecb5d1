"""The plan in words and numbers: lines for people, ``plan.json`` for programs.

Every sentence of judgement or advice carries the id of its rule in docs/model.md.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from covermap import __version__
from covermap.drawing.caution import CAUTION
from covermap.drawing.labels import IMPLEMENT_RUNS, opening, soil_loss
from covermap.files import schemas
from covermap.ground.field_sums import count_of, sums_of
from covermap.plan.actions import Limits
from covermap.plan.field_plan import FieldPlan
from covermap.plan.harrow_picture import harrow_said
from covermap.plan.operation_table import Range
from covermap.tables.plain_values import plain
from covermap.tables.said import Said, each_once, rules_of
from covermap.units import shown

_ALWAYS = ("plan-order", "plan-check", "plan-adviser")
_FEW = 6
#: Less ground than this is not a line of its own [ha].
_LEAST_HA = 0.005


def why(numbers: Mapping[str, Any], limits: Limits) -> Said:
    """Say which number called for the action of a strip or zone."""
    return Said(numbers["rule_id"], _numbers(numbers, limits))


def benefit(numbers: Mapping[str, Any], limits: Limits) -> Said:
    """Say what the action of a strip or zone should bring."""
    return Said(f"{numbers['rule_id']}-brings", _numbers(numbers, limits))


def _numbers(numbers: Mapping[str, Any], limits: Limits) -> dict[str, Any]:
    return {**numbers, **asdict(limits), "most_t_ha": limits.most_t_ha}


def plan_lines(plan: FieldPlan, us_units: bool) -> list[str]:
    """Give the plan as lines of text, each judgement with its rule id in brackets."""
    result = plan.result
    next_crop = result.settings.field.next_crop
    lines = [f"{result.name}: plan for {next_crop or 'the next crop'} after {result.crop.kind}"]
    lines += ["What to do:", *work_lines(plan, us_units)]
    lines += ["Largest zones:", *_zone_lines(plan, us_units)]
    lines += ["Ground cover:", *_cover_lines(plan, us_units)]
    lines += ["Soil loss, nitrogen, seeding:", *_soil_lines(plan, us_units)]
    if plan.harrow is not None:
        lines += ["Harrow:", *_lines(_harrow_said(plan), us_units)]
    lines += ["Baling:", *_baling_lines(plan, us_units)]
    lines += _lines(map(Said, _ALWAYS), us_units)
    lines += [f"Assumed: {said.text(us_units)}" for said in plan.assumptions]
    lines.append(CAUTION)
    return lines


def _lines(said: Iterable[Said], us_units: bool) -> list[str]:
    return [f"  {one.text(us_units)} [{one.rule}]" for one in said]


def _harrow_said(plan: FieldPlan) -> list[Said]:
    """Say what harrowing would do, and first whether any zone calls for it."""
    if plan.harrow is None:
        return []
    zoned = (plan.zones["rule_id"] == "plan-harrow").any()
    return [Said("plan-whole-field" if zoned else "plan-no-harrow"), *harrow_said(plan.harrow)]


def work_lines(plan: FieldPlan, us_units: bool) -> list[str]:
    """Give one line for each action: ground, implement runs, cost and fuel."""
    unit = shown(us_units)
    currency = plan.result.settings.plan.currency or ""
    lines = []
    for row in plan.work.to_dict("records"):
        if row["area_ha"] < _LEAST_HA:
            continue
        parts = [
            unit["area"].text(row["area_ha"] * 1e4),
            _runs(row["implement_runs"]),
        ]
        if math.isfinite(row["cost"]):
            parts.append(f"about {row['cost']:,.0f} {currency}".rstrip())
        if math.isfinite(row["fuel_l"]):
            parts.append(f"about {unit['fuel'].text(row['fuel_l'])} fuel")
        lines.append(f"  {row['action']:<26} {', '.join(parts)} [{row['rule_id']}]")
    return lines


def _runs(number: int) -> str:
    return f"{number} {IMPLEMENT_RUNS if number != 1 else IMPLEMENT_RUNS[:-1]}"


def _span(share: Range) -> str:
    low, mid, high = share
    return f"{mid:.2f} ({low:.2f} to {high:.2f})"


def _zone_lines(plan: FieldPlan, us_units: bool) -> list[str]:
    unit = shown(us_units)
    worked = plan.zones[plan.zones["rule_id"] != "plan-leave"]
    lines = [
        f"  zone {row['zone_id']}, {unit['area'].text(row['area_m2'])}: {row['action']}: "
        f"{why(row, plan.limits).text(us_units)} It should bring: "
        f"{benefit(row, plan.limits).text(us_units)} [{row['rule_id']}]"
        for row in worked.head(_FEW).drop(columns="geometry").to_dict("records")
    ]
    return lines or ["  Nothing calls for work on a zone as wide as the implement. [plan-leave]"]


def _cover_lines(plan: FieldPlan, us_units: bool) -> list[str]:
    rate = shown(us_units)["mass per area"]
    lines = []
    for step in plan.steps:
        low, mid, high = step.cover_pct
        spread = "" if high - low < 0.5 else f" ({low:.0f} to {high:.0f} %)"
        mass = rate.text(float(step.residue_t_ha.mid))
        label = step.label if not step.basis else f"after {step.label}"
        equivalent = " flat equivalent" if step.flat_equivalent else ""
        lines.append(f"  {label}: cover {mid:.0f} %{spread}, {mass}{equivalent}")
    area = shown(us_units)["area"]
    lines.append(
        f"  Below {plan.limits.target_cover_pct:g} % then: "
        f"{area.text(plan.target.area_below_m2)} of "
        f"{area.text(plan.target.area_below_m2 + plan.target.area_meets_m2)}"
    )
    return [*lines, *_lines([plan.target.note, *plan.notes], us_units)]


def _soil_lines(plan: FieldPlan, us_units: bool) -> list[str]:
    now, then = plan.water_ratio
    low, _, high = plan.water_range
    wind_now, wind_then = (loss.ratio for loss in plan.wind_ratio)
    lines = [
        f"  {opening(soil_loss('water', f'{now:.2f}'))} now, {then:.2f} ({low:.2f} to {high:.2f}) "
        "after the operations.",
        *_lines([Said("erosion-water")], us_units),
        f"  {opening(soil_loss('wind', _span(wind_now)))} now, "
        f"{_span(wind_then)} after the operations.",
        *_lines([Said("erosion-wind")], us_units),
    ]
    if any(loss.outside for loss in plan.wind_ratio):
        lines += _lines([Said("erosion-wind-outside")], us_units)
    lines += _lines([Said("erosion-mean")], us_units)
    if plan.nitrogen.per_ha is not None:
        low, mid, high = plan.nitrogen.per_ha
        per_ha = shown(us_units)["nutrient"]
        middle = "" if math.isnan(mid) else f", middle {mid * per_ha.per_si:.0f}"
        held = f"{low * per_ha.per_si:.0f} to {high * per_ha.per_si:.0f} {per_ha.unit}"
        lines.append(f"  Nitrogen tied up: {held}{middle}.")
    lines += _lines(plan.nitrogen.notes, us_units)
    area = shown(us_units)["area"]
    cell = plan.result.grid.cell_area_m2
    for flag in plan.seeding.flags:
        ground, said = area.text(count_of(flag.where) * cell), flag.said
        lines.append(f"  {ground}: {said.text(us_units)} [{said.rule}]")
    lines += _lines(plan.seeding.not_judged, us_units)
    if plan.response is not None:
        if plan.response.change_pct is not None:
            change = round(sums_of(plan.response.change_pct).mean) + 0
            lines.append(f"  Mean published response {change} %.")
        lines += _lines(plan.response.notes, us_units)
    return [*lines, *_lines([Said("seeding-caution")], us_units)]


def _baling_lines(plan: FieldPlan, us_units: bool) -> list[str]:
    tonnes = shown(us_units)["tonnes"]
    baling = plan.baling
    return [
        f"  Could leave, were it in windrows: {tonnes.text(baling.removable_t * 1e3)} of "
        f"{tonnes.text(baling.residue_t * 1e3)} lying there "
        f"(a baler could pick up {tonnes.text(baling.balable_t * 1e3)}).",
        *_lines(baling.notes, us_units),
    ]


def plan_json(plan: FieldPlan) -> dict[str, Any]:
    """Give the content of ``plan.json``; every key is described in docs/tables.md."""
    settings = plan.result.settings
    limits = asdict(plan.limits)
    zones = [
        {
            **zone,
            "why": why(zone, plan.limits).as_record(),
            "benefit": benefit(zone, plan.limits).as_record(),
        }
        for zone in plan.zones.drop(columns="geometry").to_dict("records")
    ]
    harrow = plan.harrow
    content = {
        "schema": schemas.PLAN,
        "covermap": __version__,
        "field": plan.result.name,
        "crop": plan.result.crop.kind,
        "next_crop": settings.field.next_crop,
        "limits": limits,
        "fragile": {"fragile": plan.fragile.fragile, "source": plan.fragile.source},
        "steps": [
            {
                "operation": step.label,
                "basis": step.basis,
                "flat_equivalent": step.flat_equivalent,
                "source": step.source,
                "residue_t_ha": step.residue_t_ha._asdict(),
                "cover_pct": step.cover_pct._asdict(),
            }
            for step in plan.steps
        ],
        "target": {
            "target_cover_pct": plan.limits.target_cover_pct,
            "meets_ha": plan.target.area_meets_m2 / 1e4,
            "below_ha": plan.target.area_below_m2 / 1e4,
        },
        "soil_loss_ratio": {
            "water": dict(zip(("now", "after"), plan.water_ratio, strict=True)),
            "wind": {
                name: loss.ratio._asdict()
                for name, loss in zip(("now", "after"), plan.wind_ratio, strict=True)
            },
        },
        "nitrogen_kg_ha": None if plan.nitrogen.per_ha is None else plan.nitrogen.per_ha._asdict(),
        "seeding": [
            {
                **flag.said.as_record(),
                "area_ha": count_of(flag.where) * plan.result.grid.cell_area_m2 / 1e4,
            }
            for flag in plan.seeding.flags
        ],
        "harrow": None
        if harrow is None
        else {
            "heading_deg": harrow.heading_deg,
            "angle_deg": harrow.angle_deg,
            "passes": harrow.passes,
            "worth_it": harrow.worth_it,
            "before": asdict(harrow.before),
            "after": asdict(harrow.after),
            "trial": harrow.trial.to_dict("records"),
        },
        "baling": {
            "removable_t": plan.baling.removable_t,
            "balable_t": plan.baling.balable_t,
            "residue_t": plan.baling.residue_t,
            "must_stay_t_ha": plan.baling.must_stay_t_ha,
            "no_baling_ha": count_of(plan.baling.no_baling) * plan.result.grid.cell_area_m2 / 1e4,
        },
        "work": plan.work.to_dict("records"),
        "zones": zones,
        "assumptions": [said.as_record() for said in plan.assumptions],
        "notes": [note.as_record() for note in _all_notes(plan)],
        "caution": CAUTION,
    }
    return plain(content)  # type: ignore[no-any-return]


def _all_notes(plan: FieldPlan) -> tuple[Said, ...]:
    notes = [
        plan.target.note,
        *plan.notes,
        *plan.nitrogen.notes,
        *plan.seeding.not_judged,
        *([] if plan.response is None else plan.response.notes),
        *plan.baling.notes,
        *_harrow_said(plan),
        *map(Said, (*rules_of("erosion"), "seeding-caution", *_ALWAYS)),
    ]
    return each_once(notes)


def with_words(table: Any, limits: Limits, us_units: bool = False) -> Any:
    """Add to strips or zones the number that called for the action, and what it brings."""
    records = table.drop(columns="geometry").to_dict("records")
    return table.assign(
        why=[why(r, limits).text(us_units) for r in records],
        benefit=[benefit(r, limits).text(us_units) for r in records],
    )

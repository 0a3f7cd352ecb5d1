"""The result in numbers: ``summary.json`` for programs, lines of text for people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from covermap.cover.spectrum import spectrum_findings
from covermap.drawing.labels import (
    HIGHEST_TO_LOWEST,
    LEFT_OUT,
    UNEVENNESS,
    WINDROW,
    opening,
)
from covermap.field.field_result import FieldResult
from covermap.field.mapped_field import MappedField
from covermap.files import schemas
from covermap.units import shown

#: A cause with a smaller part of all residue laid wrong is left to causes.csv.
_LEAST_TOLD = 0.03
#: What is wrong on a kind of ground, and its key in the summary.
_WRONG = {"gap": ("missing", "strip_deficit_kg"), "double": ("too much", "strip_excess_kg")}


def summary(result: FieldResult, inputs: Mapping[str, str]) -> dict[str, Any]:
    """Give the content of ``summary.json``; every key is described in docs/tables.md.

    Parameters
    ----------
    result : FieldResult
    inputs : mapping of str to str
        File name to SHA-256.
    """
    return {"schema": schemas.SUMMARY, **result.summary, "inputs_sha256": dict(inputs)}


def facts(found: MappedField, us_units: bool) -> list[tuple[str, str]]:
    """Give label and value of what a person wants to see first, in their units."""
    unit, told = shown(us_units), found.summary
    area, rate, tonnes, percent = (
        unit[kind] for kind in ("area", "mass per area", "tonnes", "percent")
    )
    mass, residue, even, fixes = (told[k] for k in ("mass_kg", "residue", "evenness", "fixes"))
    harvested_m2 = told["field"]["harvested_ha"] * 1e4
    through, outside = mass["through_machine_kg"], mass["landed_outside_kg"]
    lines = [
        ("Harvested", area.text(harvested_m2)),
        (
            "Residue through the machine",
            f"{tonnes.text(through)}, {rate.text(residue['through_machine_t_ha'])}",
        ),
        (
            "Lying on the ground, mean",
            f"{rate.text(residue['mean_residue_t_ha'])}, cover "
            f"{percent.text(residue['mean_cover_pct'])}",
        ),
        (
            "Landed outside the field",
            f"{tonnes.text(outside)} ({outside / max(through, 1e-9):.1%})",
        ),
    ]
    if mass["on_standing_crop_kg"] > 0:
        lines.append(
            ("On crop cut later", f"{tonnes.text(mass['on_standing_crop_kg'])}, left there")
        )
    if mass["baled_kg"] > 0:
        lines.append(("Baled and taken off", tonnes.text(mass["baled_kg"])))
    limit, urdr = found.limits.double_above, found.passes["urdr"]
    # JSON holds no infinity: a middle that is not known of passes that are is one
    bare = "a lane without residue" if urdr.notna().any() else "–"
    middle = bare if even["urdr"] is None else f"{even['urdr']:.1f}"
    lines += [
        (
            f"{UNEVENNESS}, {unit['length'].text(even['tray_m'])} trays",
            percent.text(even["cv_pct"]),
        ),
        (
            opening(HIGHEST_TO_LOWEST),
            f"{middle} in the middle pass; above {limit:g} in {int((urdr > limit).sum())} of "
            f"{len(urdr)}",
        ),
    ]
    for kind, (what, wrong) in _WRONG.items():
        of = told[kind]
        share = of["area_ha"] * 1e4 / harvested_m2
        lines.append(
            (
                f"{kind.capitalize()} ground",
                f"{area.text(of['area_ha'] * 1e4)} ({share:.0%}); {of['strips']} strips, "
                f"{tonnes.text(of[wrong])} {what}",
            )
        )
    text = f"{sum(fixes['removed'].values()):,} of {fixes['read']:,}"
    if fixes["grain_dropped_kg"] is not None:
        text += f", with {unit['mass'].text(fixes['grain_dropped_kg'])} of grain"
        text += f" ({fixes['grain_dropped_pct']:.1f}%)"
    lines.append((opening(LEFT_OUT), text))
    return lines


def _count(number: int, word: str) -> str:
    return f"{number} {word}" + ("" if number == 1 else "s")


def _causes_told(found: MappedField, most: int) -> list[Mapping[str, Any]]:
    """Give the causes worth telling, largest first."""
    causes = found.summary["causes"]
    weight = [abs(row["missing_t"]) + abs(row["too_much_t"]) for row in causes]
    least = _LEAST_TOLD * sum(weight)
    told = zip(causes, weight, strict=True)
    return [row for row, own in told if row["strips"] > 0 or own >= least][:most]


def cause_facts(found: MappedField, us_units: bool, most: int = 3) -> list[str]:
    """Give a few words for each of the causes that put most residue wrong."""
    area = shown(us_units)["area"]
    return [
        f"{row['cause']} ({_count(row['strips'], 'strip')}, {area.text(row['area_ha'] * 1e4)})"
        for row in _causes_told(found, most)
    ]


def cause_lines(result: FieldResult, us_units: bool, most: int = 5) -> list[str]:
    """Give one line for each of the causes that put most residue wrong, and what repeats."""
    unit = shown(us_units)
    causes = [
        f"  {row['cause']}: {_count(row['strips'], 'strip')}, "
        f"{unit['area'].text(row['area_ha'] * 1e4)}; "
        f"{unit['tonnes'].text(row['missing_t'] * 1e3)} missing, "
        f"{unit['tonnes'].text(row['too_much_t'] * 1e3)} too much [{row['rule_id']}]"
        for row in _causes_told(result, most)
    ]
    repeats = spectrum_findings(result.spectrum)
    return causes + [f"  {one.text(us_units)} [{one.rule}]" for one in repeats]


def top_strip_lines(found: MappedField, us_units: bool, most: int = 5) -> list[str]:
    """Give two lines for each of the strips that matter most: what, and why."""
    unit = shown(us_units)
    lines = []
    for strip in found.strips.head(most).itertuples():
        amount = strip.deficit_kg if strip.kind == "gap" else strip.excess_kg
        passes = strip.passes if len(strip.passes) <= 24 else strip.passes[:20] + " …"
        lines.append(
            f"{strip.rank:>3}  {strip.kind:<6}  {unit['length'].text(strip.length_m):>10} × "
            f"{unit['length'].text(strip.width_m):>8}  ratio {strip.mean_ratio:>5.2f}  "
            f"{unit['mass per area'].text(strip.mean_residue_t_ha):>12}  "
            f"{unit['mass'].text(amount):>10} {'missing' if strip.kind == 'gap' else 'too much'}  "
            f"passes {passes}{f' ({WINDROW})' if strip.discharge == 'windrow' else ''}"
        )
        lines.append(f"     {strip.causes}")
    return lines

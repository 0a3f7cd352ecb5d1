"""The result in numbers: ``summary.json`` for programs, lines of text for people."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from covermap import __version__
from covermap.cover.spectrum import spectrum_findings
from covermap.cover.spread_limits import mean_where_known
from covermap.drawing.labels import (
    CROSSWIND,
    HIGHEST_TO_LOWEST,
    LEFT_OUT,
    UNEVENNESS,
    WINDROW,
    blown_from,
    limit_keys,
    opening,
)
from covermap.field.field_passes import wind_from_deg
from covermap.field.field_result import FieldResult
from covermap.files import schemas
from covermap.files.plain_values import plain
from covermap.settings.field_settings import BY_NAME
from covermap.units import shown

#: A cause with a smaller part of all residue laid wrong is left to causes.csv.
_LEAST_TOLD = 0.03
#: What is wrong with a kind of strip, and its column.
_WRONG = {"gap": ("missing", "deficit_kg"), "double": ("too much", "excess_kg")}


def summary(result: FieldResult, inputs: Mapping[str, str]) -> dict[str, Any]:
    """Give the content of ``summary.json``; every key is described in docs/tables.md.

    Parameters
    ----------
    result : FieldResult
    inputs : mapping of str to str
        File name to SHA-256.

    Returns
    -------
    dict
        Only what JSON can hold; None for what could not be worked out.
    """
    ledger = result.ledger
    seen = ledger.grain_seen_kg
    settings: dict[str, dict[str, Any]] = {}
    for (section, key), setting in BY_NAME.items():
        if section != "field":
            settings.setdefault(section, {})[key] = result.settings.value_of(setting)
    passes, mass = result.passes, result.mass
    content = {
        "schema": schemas.SUMMARY,
        "covermap": __version__,
        "field": {
            "name": result.name,
            "crs": result.grid.crs.to_string(),
            "cell_m": result.grid.cell_m,
            "bounds_m": result.grid.bounds,
            "outline_ha": result.outline.area / 1e4,
            "harvested_ha": result.harvested_m2 / 1e4,
        },
        "inputs_sha256": dict(inputs),
        "crop": result.crop.kind,
        "mass_kg": asdict(mass),
        "residue": {
            "through_machine_t_ha": mass.through_machine_kg / 1e3 / (result.harvested_m2 / 1e4),
            "mean_residue_t_ha": _mean_on_harvested(result, "residue_t_ha"),
            "mean_cover_pct": _mean_on_harvested(result, "cover_pct"),
        },
        "evenness": {**asdict(result.evenness), "tray_m": result.tray_m},
        **_beyond_limits(result),
        "passes": {
            "count": len(passes),
            "spacing_median_m": float(passes["spacing_m"].median()),
            "length_km": float(passes["length_m"].sum() / 1000),
            "mean_speed_m_s": float(
                np.average(passes["mean_speed_m_s"], weights=passes["length_m"])
            ),
            "working_width_m": float(result.harvested_m2 / passes["length_m"].sum()),
        },
        "wind": _wind(result),
        "causes": result.causes.to_dict("records"),
        "spectrum": _spectrum(result),
        "top_strips": result.strips.drop(columns="geometry").head(10).to_dict("records"),
        "fixes": {
            "read": result.fixes_read,
            "harvested": int(passes["fixes"].sum()),
            "removed": ledger.counts(),
            "grain_dropped_kg": ledger.grain_dropped_kg,
            "grain_dropped_pct": 100 * ledger.grain_dropped_kg / seen if seen > 0 else None,
        },
        "settings": settings,
        "assumptions": [said.as_record() for said in result.assumptions],
        "notes": [said.as_record() for said in result.notes],
    }
    return plain(content)  # type: ignore[no-any-return]


def _mean_on_harvested(result: FieldResult, band: str) -> float:
    return mean_where_known(result.rasters["spread_ratio"], result.rasters[band], result.grid)


def _beyond_limits(result: FieldResult) -> dict[str, dict[str, float]]:
    """Give harvested ground beyond each limit: all of it, and the part that makes strips."""
    found = {}
    for kind, area_m2 in result.limits.areas_m2(
        result.rasters["spread_ratio"], result.grid
    ).items():
        strips = result.strips[result.strips["kind"] == kind]
        _, wrong = _WRONG[kind]
        found[kind] = {
            "area_ha": area_m2 / 1e4,
            "strips": len(strips),
            "strip_area_ha": float(strips["area_m2"].sum()) / 1e4,
            f"strip_{wrong}": float(strips[wrong].sum()),
        }
    return found


def _spectrum(result: FieldResult) -> dict[str, Any] | None:
    spectrum = result.spectrum
    if spectrum.reason:
        return None
    curves = {"ratio": spectrum.ratio, "residue": spectrum.residue, "given": spectrum.given}
    return {
        "one_spacing_m": spectrum.spacing_m,
        **{
            name: {
                "cv_pct": curve.cv_pct,
                "one_spacing_cv_pct": curve.one_spacing_cv_pct,
                "two_spacings_cv_pct": curve.two_spacings_cv_pct,
            }
            for name, curve in curves.items()
        },
        "findings": [one.as_record() for one in spectrum_findings(spectrum)],
    }


def facts(result: FieldResult, us_units: bool) -> list[tuple[str, str]]:
    """Give label and value of what a person wants to see first, in their units."""
    unit = shown(us_units)
    mass, even = result.mass, result.evenness
    lying, covered = (_mean_on_harvested(result, name) for name in ("residue_t_ha", "cover_pct"))
    outside = mass.landed_outside_kg / max(mass.through_machine_kg, 1e-9)
    lines = [
        ("Harvested", unit["area"].text(result.harvested_m2)),
        (
            "Residue through the machine",
            f"{unit['tonnes'].text(mass.through_machine_kg)}, "
            f"{unit['mass per area'].text(10 * mass.through_machine_kg / result.harvested_m2)}",
        ),
        (
            "Lying on the ground, mean",
            f"{unit['mass per area'].text(lying)}, cover {covered:.0f} %",
        ),
        (
            "Landed outside the field",
            f"{unit['tonnes'].text(mass.landed_outside_kg)} ({outside:.1%})",
        ),
    ]
    if mass.on_standing_crop_kg > 0:
        lines.append(
            ("On crop cut later", f"{unit['tonnes'].text(mass.on_standing_crop_kg)}, left there")
        )
    if mass.baled_kg > 0:
        lines.append(("Baled and taken off", unit["tonnes"].text(mass.baled_kg)))
    limit = result.limits.double_above
    uneven = int((result.passes["urdr"] > limit).sum())
    urdr = "a lane without residue" if math.isinf(even.urdr) else f"{even.urdr:.1f}"
    lines += [
        (
            f"{UNEVENNESS}, {unit['length'].text(result.tray_m)} trays",
            f"{even.cv_pct:.0f} %",
        ),
        (
            opening(HIGHEST_TO_LOWEST),
            f"{urdr} in the middle pass; above {limit:g} in {uneven} of {len(result.passes)}",
        ),
    ]
    for kind, area in _beyond_limits(result).items():
        share = area["area_ha"] * 1e4 / result.harvested_m2
        what, wrong = _WRONG[kind]
        lines.append(
            (
                f"{kind.capitalize()} ground",
                f"{unit['area'].text(area['area_ha'] * 1e4)} ({share:.0%}); "
                f"{area['strips']} strips, {unit['tonnes'].text(area[f'strip_{wrong}'])} {what}",
            )
        )
    dropped = sum(result.ledger.counts().values())
    grain = result.ledger.grain_dropped_kg
    text = f"{dropped:,} of {result.fixes_read:,}"
    if math.isfinite(grain):
        share = grain / result.ledger.grain_seen_kg
        text += f", with {unit['mass'].text(grain)} of grain ({share:.1%})"
    lines.append((opening(LEFT_OUT), text))
    return lines


def _count(number: int, word: str) -> str:
    return f"{number} {word}" + ("" if number == 1 else "s")


def _causes_told(result: FieldResult) -> pd.DataFrame:
    """Give the causes worth telling, largest first."""
    causes = result.causes
    weight = causes["missing_t"].abs() + causes["too_much_t"].abs()
    return causes[(causes["strips"] > 0) | (weight >= _LEAST_TOLD * weight.sum())]


def cause_facts(result: FieldResult, us_units: bool, most: int = 3) -> list[str]:
    """Give a few words for each of the causes that put most residue wrong."""
    area = shown(us_units)["area"]
    return [
        f"{row['cause']} ({_count(row['strips'], 'strip')}, {area.text(row['area_ha'] * 1e4)})"
        for row in _causes_told(result).head(most).to_dict("records")
    ]


def cause_lines(result: FieldResult, us_units: bool, most: int = 5) -> list[str]:
    """Give one line for each of the causes that put most residue wrong, and what repeats."""
    unit = shown(us_units)
    causes = [
        f"  {row['cause']}: {_count(row['strips'], 'strip')}, "
        f"{unit['area'].text(row['area_ha'] * 1e4)}; "
        f"{unit['tonnes'].text(row['missing_t'] * 1e3)} missing, "
        f"{unit['tonnes'].text(row['too_much_t'] * 1e3)} too much [{row['rule_id']}]"
        for row in _causes_told(result).head(most).to_dict("records")
    ]
    repeats = spectrum_findings(result.spectrum)
    return causes + [f"  {one.text(us_units)} [{one.rule}]" for one in repeats]


def top_strip_lines(result: FieldResult, us_units: bool, most: int = 5) -> list[str]:
    """Give two lines for each of the strips that matter most: what, and why."""
    unit = shown(us_units)
    lines = []
    for strip in result.strips.head(most).itertuples():
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


def settings_used(result: FieldResult, us_units: bool) -> list[tuple[str, str]]:
    """Give label and value of the settings the passes were made with."""
    unit = shown(us_units)
    passes = result.passes

    def spread(column: str) -> str:
        low, high = float(passes[column].min()), float(passes[column].max())
        text = unit["length"].text(low)
        return text if high - low < 0.05 else f"{text} to {unit['length'].text(high)}"

    counts = passes["discharge"].value_counts()
    wind = _wind_text(result, us_units)
    return [
        ("Crop", result.crop.kind),
        ("Discharge", ", ".join(f"{kind} on {n} passes" for kind, n in counts.items())),
        ("Reach left", spread("reach_left_m")),
        ("Reach right", spread("reach_right_m")),
        ("Lean (+ right)", spread("lean_m")),
        ("Profile", ", ".join(str(p) for p in passes["profile"].unique())),
        ("Wind", wind),
        ("Pass spacing, middle", unit["length"].text(float(passes["spacing_m"].median()))),
        *(
            (one.capitalize(), below)
            for one, below in (key.split(": ") for key in limit_keys(result.limits).values())
        ),
        ("Cell", unit["length"].text(result.grid.cell_m)),
    ]


def _wind(result: FieldResult) -> dict[str, float | None]:
    """Give the wind over the passes: as measured, and across them on the flying straw."""
    passes = result.passes[result.passes["wind_speed_m_s"].notna()]
    if passes.empty:
        return dict.fromkeys(("speed_mean_m_s", "speed_max_m_s", "crosswind_max_m_s"))
    return {
        "speed_mean_m_s": float(np.average(passes["wind_speed_m_s"], weights=passes["length_m"])),
        "speed_max_m_s": float(passes["wind_speed_m_s"].max()),
        "crosswind_max_m_s": float(passes["crosswind_m_s"].abs().max()),
    }


def _wind_text(result: FieldResult, us_units: bool) -> str:
    wind, unit = _wind(result), shown(us_units)["wind"]
    if wind["speed_mean_m_s"] is None:
        return "none known: still air"
    return (
        f"{unit.text(wind['speed_mean_m_s'])}{blown_from(wind_from_deg(result.passes), 'about ')}, "
        f"{CROSSWIND} up to {unit.text(wind['crosswind_max_m_s'])}"
    )

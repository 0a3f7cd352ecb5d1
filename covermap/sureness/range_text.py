"""How sure a field's numbers are: lines for people, ``range.json`` for programs.

Every sentence of judgement carries the id of its rule in docs/model.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import pandas as pd

from covermap import __version__
from covermap.drawing.caution import CAUTION
from covermap.drawing.labels import UNEVENNESS
from covermap.files import schemas
from covermap.sureness.perturb_field import LOW_MARK, NUMBERS, FieldRange, mark_between, marks
from covermap.tables import read_table
from covermap.tables.plain_values import plain
from covermap.tables.said import Said
from covermap.units import Shown, shown

#: A strip that stays in this part of the repeats, or more, is there; one that stays in
#: less than the other part may as well not be (choices of this project, no source).
STAYS, DOUBTFUL = 0.9, 0.5
_FEW = 5


def range_json(found: FieldRange, inputs: Mapping[str, str]) -> dict[str, Any]:
    """Give the content of ``range.json``; every key is described in docs/tables.md.

    ``inputs`` are file names to SHA-256. Only what JSON can hold; None for what could not be
    worked out.
    """
    numbers = {}
    for name in NUMBERS:
        values = found.repeats[name].to_numpy()
        low, middle, high = marks(values)
        numbers[name] = {
            "stated": getattr(found.stated, name),
            "median": middle,
            "p05": low,
            "p95": high,
            "p05_between": mark_between(values, LOW_MARK),
            "p95_between": mark_between(values, 1 - LOW_MARK),
        }
    content = {
        "schema": schemas.RANGE,
        "covermap": __version__,
        "field": found.result.name,
        "inputs_sha256": dict(inputs),
        "repeats": len(found.repeats),
        "seed": found.seed,
        "standard_deviation": asdict(found.perturbations),
        "wind_stated": found.windy,
        "tray_m": found.result.tray_m,
        **found.result.limits._asdict(),
        "numbers": numbers,
        "strips": {kind: _kind(found.strips, kind) for kind in ("gap", "double")},
        "varied": read_table("perturbations"),
        "notes": [note.as_record() for note in range_notes(found)],
    }
    return plain(content)  # type: ignore[no-any-return]


def _kind(strips: pd.DataFrame, kind: str) -> dict[str, int]:
    share = strips.loc[strips["kind"] == kind, "share_of_repeats"]
    return {
        "strips": len(share),
        "stay_in_nine_of_ten": int((share >= STAYS).sum()),
        "stay_in_fewer_than_half": int((share < DOUBTFUL).sum()),
    }


def range_notes(found: FieldRange) -> list[Said]:
    """Give what has to be known to read the numbers."""
    how = found.perturbations
    wind = f"wind speed {how.wind_speed:.0%}, wind direction {how.wind_direction_deg:g}°, "
    cv = found.repeats["cv_pct"].to_numpy()
    low, high = mark_between(cv, 1 - LOW_MARK)
    enough = low == low and high == high
    rules = (
        "range-varied",
        *(() if found.windy else ("range-still",)),
        "range-kept",
        "range-cells",
        "range-strips",
        "range-enough" if enough else "range-few",
    )
    numbers = {
        **asdict(how),
        "wind": wind if found.windy else "",
        "repeats": len(cv),
        "low_pct": low,
        "high_pct": high,
    }
    return [Said(rule, numbers) for rule in rules]


def number_labels(found: FieldRange, us_units: bool = False) -> dict[str, tuple[str, Shown]]:
    """Give what each number is called and how it is shown."""
    unit = shown(us_units)
    tray, area = unit["length"].text(found.result.tray_m), unit["area"]
    per_cent, ground = Shown(1.0, "%", 1), Shown(1e4 * area.per_si, area.unit, area.decimals)
    return {
        "cv_pct": (f"{UNEVENNESS}, {tray} trays", per_cent),
        "mean_cover_pct": ("Cover, mean", per_cent),
        "mean_residue_t_ha": ("Lying on the ground, mean", unit["mass per area"]),
        "gap_ha": ("Gap ground", ground),
        "double_ha": ("Double ground", ground),
    }


def range_lines(found: FieldRange, us_units: bool = False) -> list[str]:
    """Give the numbers, the strips and the notes as lines of text.

    Parameters
    ----------
    found : FieldRange
    us_units : bool
        Acres and pounds instead of hectares and tonnes.

    Returns
    -------
    list of str
    """
    unit = shown(us_units)
    rows = [("", "stated", "middle", "nine of ten between")]
    for name, (label, how) in number_labels(found, us_units).items():
        low, middle, high = (how.text(mark) for mark in marks(found.repeats[name].to_numpy()))
        rows.append((label, how.text(getattr(found.stated, name)), middle, f"{low} and {high}"))
    widths = [max(len(row[k]) for row in rows) for k in range(3)]
    lines = [f"{found.result.name}: {len(found.repeats)} repeats, seed {found.seed}"]
    lines += [
        f"  {row[0]:<{widths[0]}}  {row[1]:>{widths[1]}}  {row[2]:>{widths[2]}}  {row[3]}"
        for row in rows
    ]
    for kind in ("gap", "double"):
        one = _kind(found.strips, kind)
        if one["strips"]:
            lines.append(
                f"{kind.capitalize()} strips: {one['stay_in_nine_of_ten']} of {one['strips']} stay "
                f"in nine repeats of ten or more, {one['stay_in_fewer_than_half']} in fewer than "
                "half [range-strips]"
            )
    if len(found.strips):
        lines.append("Strips that matter most, of the stated run:")
    lines += [
        f"  {strip['strip_id']:>3}  {strip['kind']:<6}  {unit['area'].text(strip['area_m2']):>9}  "
        f"in {strip['share_of_repeats']:>4.0%} of repeats; ratio {strip['stated_ratio']:.2f}, "
        f"nine of ten between {strip['ratio_p05']:.2f} and {strip['ratio_p95']:.2f}"
        for strip in found.strips.head(_FEW).to_dict("records")
    ]
    return [*lines, *(f"{note.note()} [{note.rule}]" for note in range_notes(found)), CAUTION]

"""What the map page says of each pass, strip and raster layer, in the reader's units."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from covermap.drawing.labels import (
    CROSSWIND,
    HIGHEST_TO_LOWEST,
    IMPLEMENT_RUNS,
    LAYERS,
    RATIO_MEANING,
    UNEVENNESS,
    blown_from,
    opening,
)
from covermap.units import Shown, shown

#: Title of each raster layer in the layer switch, in the order shown.
LAYER_TITLES = {
    "residue_t_ha": "Residue",
    "cover_pct": "Ground cover",
    "spread_ratio": "Spread ratio",
    "layers": opening(LAYERS),
}

LAYER_MEANINGS = {
    "residue_t_ha": "Dry residue lying on the ground",
    "cover_pct": "Ground hidden by residue",
    "spread_ratio": opening(RATIO_MEANING),
    "layers": "Only those that laid a meaningful share",
}

#: The layers of a plan, shown only where there is one.
PLAN_TITLES = {
    "harrowed_ratio": "Spread ratio after harrowing",
    "cover_after_pct": "Ground cover after operations",
}
LAYER_MEANINGS |= {
    "harrowed_ratio": "As the harrow simulation leaves it on the best heading",
    "cover_after_pct": "Ground hidden by residue when the stated operations are done",
}
#: Layers that are coloured like another one.
_LIKE = {"harrowed_ratio": "spread_ratio", "cover_after_pct": "cover_pct"}

#: Title of each kind of strip.
STRIP_TITLES = {"gap": "Gap strip", "double": "Double strip"}

Rows = list[list[str]]


def like(name: str) -> str:
    """Give the layer whose colours and unit a layer has."""
    return _LIKE.get(name, name)


def in_both_units(lines: Callable[[bool], Iterable[Sequence[str]]]) -> Rows:
    """Give label, metric text and, where they differ, text and label in US units of each line.

    ``lines`` takes ``us_units``.
    """
    rows = []
    for (label, metric), (us_label, us) in zip(lines(False), lines(True), strict=True):
        row = [label, metric]
        if label != us_label:
            row += [us, us_label]
        elif metric != us:
            row.append(us)
        rows.append(row)
    return rows


def pass_rows(record: Mapping[str, Any], us_units: bool) -> Rows:
    """Give label and value of what is known of one pass (in SI), its name first."""
    unit = shown(us_units)
    length, rate = unit["length"], unit["mass per area"]
    started = record.get("start_time")
    lines = [
        ("Pass", _pass_name(record)),
        ("Started", f"{started:%Y-%m-%d %H:%M} UTC" if _known(started) else ""),
        ("Length", _text(length, record, "length_m")),
        ("Heading", _number(record, "heading_deg", 0, "°")),
        ("Speed", _text(unit["speed"], record, "mean_speed_m_s")),
        ("Working width", _text(length, record, "working_width_m")),
        ("Spacing", _text(length, record, "spacing_m")),
        ("Discharge", _plain(record, "discharge")),
        ("Profile", _plain(record, "profile")),
        ("Reach left", _text(length, record, "reach_left_m")),
        ("Reach right", _text(length, record, "reach_right_m")),
        ("Lean", _lean(length, record)),
        ("Residue", _text(rate, record, "residue_t_ha")),
        ("Residue, mass", _text(unit["mass"], record, "residue_kg")),
        ("Spread ratio, mean", _number(record, "mean_ratio", 2)),
        (f"{UNEVENNESS} across the pass", _number(record, "cv_pct", 0, " %")),
        (opening(HIGHEST_TO_LOWEST), _number(record, "urdr", 2)),
        *[(label, text) for label, text in wind_rows(record, us_units)],
        ("On crop cut later", _text(unit["mass"], record, "on_standing_crop_kg")),
    ]
    return [[label, value] for label, value in lines if value]


def wind_rows(record: Mapping[str, Any], us_units: bool) -> Rows:
    """Give label and value lines of the wind on one pass; nothing where there was none."""
    if not _known(record.get("wind_speed_m_s")):
        return []
    speed = shown(us_units)["wind"]
    across = float(record["crosswind_m_s"])
    side = "left" if across > 0 else "right"
    return [
        [
            "Wind as measured",
            speed.text(float(record["wind_speed_m_s"]))
            + blown_from(float(record["wind_from_deg"])),
        ],
        [opening(CROSSWIND), f"{speed.text(abs(across))} from the {side}"],
    ]


def strip_rows(record: Mapping[str, Any], us_units: bool) -> Rows:
    """Give label and value of what is known of one strip (in SI), its name first."""
    unit = shown(us_units)
    lines = [
        (STRIP_TITLES.get(str(record["kind"]), "Strip"), f"rank {record['rank']}"),
        ("Length", _text(unit["length"], record, "length_m")),
        ("Width", _text(unit["length"], record, "width_m")),
        ("Area", _text(unit["area"], record, "area_m2")),
        ("Spread ratio, mean", _number(record, "mean_ratio", 2)),
        ("Residue lying here", _text(unit["mass per area"], record, "mean_residue_t_ha")),
        ("Too much by", _text(unit["mass"], record, "excess_kg", zero=False)),
        ("Too little by", _text(unit["mass"], record, "deficit_kg", zero=False)),
        ("Passes", _plain(record, "passes")),
        ("Cause", _plain(record, "causes") or _plain(record, "cause")),
        ("Next pass", _with_rule(record, "action")),
    ]
    return [[label, value] for label, value in lines if value]


def zone_rows(record: Mapping[str, Any], us_units: bool) -> Rows:
    """Give label and value lines of one zone of a plan, its words in both units beside it."""
    unit = shown(us_units)
    lines = [
        ("Plan zone", f"{record['zone_id']}: {record['action']}"),
        ("Area", _text(unit["area"], record, "area_m2")),
        (opening(IMPLEMENT_RUNS), _number(record, "implement_runs", 0)),
        ("Why", _plain(record, "why_us" if us_units else "why")),
        ("Should bring", _plain(record, "benefit_us" if us_units else "benefit")),
        ("Rule", _plain(record, "rule_id")),
    ]
    return [[label, value] for label, value in lines if value]


def strip_line(record: Mapping[str, Any], us_units: bool) -> str:
    """Give one line on a strip for the list of strips."""
    length = shown(us_units)["length"]
    size = f"{_text(length, record, 'length_m')} × {_text(length, record, 'width_m')}"
    title = STRIP_TITLES.get(str(record["kind"]), "Strip")
    return f"{title}, {size}, ratio {_number(record, 'mean_ratio', 2)}"


def display_range(
    name: str, values: np.ndarray, limits: tuple[float, float], us_units: bool
) -> tuple[float, float]:
    """Give the values at the two ends of a band's colour ramp, in its unit.

    Values are of any shape, NaN where there is none; the limits are gap below and double above,
    as spread ratio. The end of a load is a round number in the reader's unit.
    """
    if like(name) == "cover_pct":
        return 0.0, 100.0
    if like(name) == "spread_ratio":
        return 0.0, max(2.0, 2 * limits[1] - 1)
    if name == "layers":
        return 0.0, 4.0
    per_si = shown(us_units)["mass per area"].per_si
    present = values[np.isfinite(values)]
    # A few heavy cells must not push all the others into the light end of the ramp.
    high = float(np.percentile(present, 98)) * per_si if present.size else 0.0
    return 0.0, _round_up(high) / per_si


def legend_marks(
    name: str, ends: tuple[float, float], limits: tuple[float, float], us_units: bool
) -> list[tuple[float, str]]:
    """Give place (0 to 1) and text of each mark on a colour ramp."""
    _, high = ends
    if like(name) == "spread_ratio":
        below = [(v, f"{v:.2g}") for v in (0.0, limits[0], 1.0, limits[1])]
        return [
            (v / 2 if v <= 1 else 0.5 + (v - 1) / (high - 1) / 2, text)
            for v, text in [*below, (high, f"{high:.2g}+")]
        ]
    if like(name) == "cover_pct":
        return [(v / 100, f"{v} %") for v in (0, 25, 50, 75, 100)]
    top = high * shown(us_units)["mass per area"].per_si
    step = top / 4
    if abs(_round_up(top) - top) > 1e-6 * top:  # round in the other unit: so the marks move
        step = _round_up(top / 5)
    count = math.floor(top / step - 0.55) + 1
    marks = [(k * step / top, f"{k * step:,.6g}") for k in range(count)]
    return [*marks, (1.0, f"{float(f'{top:.3g}'):,.6g}+")]


def layer_unit(name: str, us_units: bool) -> str:
    """Give the unit of a raster layer as the legend shows it."""
    if name == "residue_t_ha":
        return shown(us_units)["mass per area"].unit
    return {"cover_pct": "%", "spread_ratio": "1 = even", "layers": "number"}[like(name)]


def _round_up(value: float) -> float:
    """Give the next number whose quarters are short to write."""
    if value <= 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1, 1.2, 1.6, 2, 3, 4, 6, 8, 10) if step * power >= value)


def _known(value: Any) -> bool:
    return value is not None and not bool(pd.isna(value))


def _plain(record: Mapping[str, Any], name: str) -> str:
    value = record.get(name)
    return str(value) if _known(value) else ""


def _with_rule(record: Mapping[str, Any], name: str) -> str:
    text, rule = _plain(record, name), _plain(record, "rule_id")
    return f"{text} [{rule}]" if text and rule else text


def _value(record: Mapping[str, Any], name: str) -> float | None:
    value = record.get(name)
    if value is None or pd.isna(value) or not math.isfinite(float(value)):
        return None
    return float(value)


def _number(record: Mapping[str, Any], name: str, decimals: int, unit: str = "") -> str:
    value = _value(record, name)
    return "" if value is None else f"{value:,.{decimals}f}{unit}"


def _text(unit: Shown, record: Mapping[str, Any], name: str, *, zero: bool = True) -> str:
    value = _value(record, name)
    return "" if value is None or (value == 0 and not zero) else unit.text(value)


def _lean(unit: Shown, record: Mapping[str, Any]) -> str:
    value = _value(record, "lean_m")
    if value is None:
        return ""
    side = "right" if value > 0 else "left" if value < 0 else ""
    return f"{unit.text(abs(value))} {side}".strip()


def _pass_name(record: Mapping[str, Any]) -> str:
    number, label = str(record["pass_id"]), _plain(record, "label")
    return number if label in ("", number) else f"{number} ({label})"

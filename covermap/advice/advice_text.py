"""Settings advice in lines of text for people, and as plain data for programs."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

from covermap.advice.advise_field import FieldAdvice, HeadingAdvice
from covermap.advice.settings_advice import CardRow, Overlap, PairAdvice, SpreadSetting, overlap
from covermap.drawing.labels import (
    CORRECTED,
    CROSSWIND,
    FLYING_STRAW,
    HIGHEST_TO_LOWEST,
    UNEVENNESS,
    blown_from,
    opening,
)
from covermap.units import Shown, shown

#: Advice makes people walk up to the machine, so it never comes without this.
CAUTION = (
    "Before anyone reaches into the machine: engine off, key out, all moving parts stopped; "
    "follow the operator's manual first. Keep clear of the discharge while it runs. Local codes "
    "and licensed advisers go before this advice."
)
#: Head of the strongest wind that advice can still do something about.
STRONGEST = f"Strongest crosswind that can be {CORRECTED}"
#: Written where the thinnest tray gets nothing, so that no quotient exists.
BARE = "bare"


def side_text(crosswind_m_s: float, wind: Shown) -> str:
    """Say how strong a crosswind is and where it comes from.

    Parameters
    ----------
    crosswind_m_s : float
        On the flying straw, towards the right of travel [m/s].
    wind : Shown
    """
    text = wind.text(abs(crosswind_m_s))
    if _rounds_to_zero(crosswind_m_s, wind):
        return f"{text}"
    return f"{text} from the {'left' if crosswind_m_s > 0 else 'right'}"


def lean_text(lean_m: float, length: Shown) -> str:
    """Give a lean with its unit and side."""
    if _rounds_to_zero(lean_m, length):
        return "none"
    return f"{length.text(abs(lean_m))} {'right' if lean_m > 0 else 'left'}"


def lean_number(lean_m: float, length: Shown) -> str:
    """Give a lean with its sign, + to the right, without its unit."""
    if _rounds_to_zero(lean_m, length):
        return number(0.0, length)
    return f"{lean_m * length.per_si:+.{length.decimals}f}".replace("-", "−")


def number(value: float, kind: Shown) -> str:
    """Give a quantity without its unit."""
    return f"{value * kind.per_si:.{kind.decimals}f}"


def ratio_text(urdr: float) -> str:
    """Give highest ÷ lowest, or :data:`BARE` where some ground gets nothing."""
    return f"{urdr:.1f}" if math.isfinite(urdr) and urdr < 100 else BARE


def setting_text(setting: SpreadSetting, length: Shown) -> str:
    """Give a setting as it is read out to the driver."""
    return (
        f"reach left {length.text(setting.reach_left_m)}, "
        f"right {length.text(setting.reach_right_m)}, lean {lean_text(setting.lean_m, length)}"
    )


def heading_text(one: HeadingAdvice, us_units: bool) -> str:
    """Give the advice for one heading and the way back as one sentence."""
    units = shown(us_units)
    pair, length = one.pair, units["length"]
    back = "" if pair.one_way else f" and back {(one.heading_deg + 180) % 360:.0f}°"
    start = (
        f"heading {one.heading_deg:.0f}°{back}: "
        f"crosswind {side_text(pair.crosswind_m_s, units['wind'])}: "
    )
    if not pair.worth_it:
        return f"{start}leave as it is; CV {pair.before.cv_pct:.0f} % [{rule_of(pair)}]"
    way_back = "" if pair.one_way else f"back: {setting_text(pair.back, length)}; "
    return (
        f"{start}{setting_text(pair.there, length)}; {way_back}"
        f"CV {pair.before.cv_pct:.0f} % → {pair.after.cv_pct:.0f} % [{rule_of(pair)}]"
    )


def rule_of(pair: PairAdvice) -> str:
    """Give the rule by which a heading is set anew or left."""
    return "advise-set" if pair.worth_it else "advise-leave"


def wind_text(advice: FieldAdvice, us_units: bool) -> str:
    """Say which wind the advice is for and what of it the flying straw feels."""
    speed = advice.wind_speed_m_s
    if math.isnan(speed):
        return "no wind given: still air"
    return (
        f"{shown(us_units)['wind'].text(speed)}{blown_from(advice.wind_from_deg)}, measured at "
        f"{shown(us_units)['length'].text(advice.measured_at_m)}; "
        f"{advice.station_factor:.2f} of it blows {FLYING_STRAW}"
    )


def strongest_text(advice: FieldAdvice, us_units: bool) -> str:
    """Say which crosswind can still be corrected, on the flying straw and as measured."""
    wind, length = shown(us_units)["wind"], shown(us_units)["length"]
    most = max(row.crosswind_m_s for row in advice.card)
    if advice.strongest_m_s is None:
        return "none: not even still air is even enough with this spreader and spacing"
    least = "at least " if advice.strongest_m_s >= most - 1e-9 else ""
    if advice.strongest_m_s <= 0:
        return f"none that was tried; the weakest was {wind.text(_weakest(advice))}"
    measured = advice.strongest_m_s / advice.station_factor
    return (
        f"{least}{wind.text(advice.strongest_m_s)} {FLYING_STRAW}, which is "
        f"{wind.text(measured)} measured at {length.text(advice.measured_at_m)} "
        "blowing square across"
    )


def way_lines(advice: FieldAdvice, us_units: bool) -> list[str]:
    """Give what else would help, each with the id of its rule."""
    return [f"{way.text(us_units)} [{way.rule}]" for way in advice.ways_out]


def _weakest(advice: FieldAdvice) -> float:
    return min((r.crosswind_m_s for r in advice.card if r.crosswind_m_s > 0), default=0.0)


def advice_lines(advice: FieldAdvice, us_units: bool) -> list[str]:
    """Give the advice for the terminal, the caution last.

    Parameters
    ----------
    advice : FieldAdvice
    us_units : bool
        Feet and miles per hour instead of metres and metres per second.

    Returns
    -------
    list of str
    """
    lines = [f"Wind: {wind_text(advice, us_units)}", ""]
    lines += _headings_table(advice, us_units)
    lines += ["", f"{STRONGEST}: {strongest_text(advice, us_units)} [advise-strongest]"]
    lines += ["", *_card_table(advice, us_units)]
    if advice.ways_out:
        lines += ["", "What else would help:"]
        lines += [f"  {way}" for way in way_lines(advice, us_units)]
    return [*lines, CAUTION]


def _headings_table(advice: FieldAdvice, us_units: bool) -> list[str]:
    units = shown(us_units)
    wind, length = units["wind"], units["length"]
    head = [
        "Heading",
        "Share of work",
        opening(CROSSWIND),
        f"Now: left, right, lean [{length.unit}]",
        f"Set: left, right, lean [{length.unit}]",
        f"{UNEVENNESS} [%]",
        opening(HIGHEST_TO_LOWEST),
        "Rule",
    ]
    rows = [head]
    for one in advice.headings:
        pair = one.pair
        ways = [(0, pair.there, pair.present_there), (180, pair.back, pair.present_back)]
        for back, setting, present in ways[: 1 if pair.one_way else 2]:
            rows.append(
                [
                    f"{(one.heading_deg + back) % 360:.0f}°",
                    "" if back else f"{one.share:.0%}",
                    side_text(-pair.crosswind_m_s if back else pair.crosswind_m_s, wind),
                    _three(present, length),
                    _three(setting, length) if pair.worth_it else "leave as it is",
                    ""
                    if back
                    else _change(f"{pair.before.cv_pct:.0f}", f"{pair.after.cv_pct:.0f}", pair),
                    ""
                    if back
                    else _change(ratio_text(pair.before.urdr), ratio_text(pair.after.urdr), pair),
                    "" if back else rule_of(pair),
                ]
            )
    return _aligned(rows)


def _change(before: str, after: str, pair: PairAdvice) -> str:
    return f"{before} → {after}" if pair.worth_it else before


def _three(setting: SpreadSetting, length: Shown) -> str:
    return (
        f"{number(setting.reach_left_m, length)}, {number(setting.reach_right_m, length)}, "
        f"{lean_number(setting.lean_m, length)}"
    )


def _card_table(advice: FieldAdvice, us_units: bool) -> list[str]:
    units = shown(us_units)
    wind, length = units["wind"], units["length"]
    rows = [
        [
            f"{opening(CROSSWIND)} [{wind.unit}]",
            f"From the left: left, right, lean [{length.unit}]",
            "From the right",
            f"{UNEVENNESS} [%]",
            opening(HIGHEST_TO_LOWEST),
        ]
    ]
    rows += [
        [
            number(row.crosswind_m_s, wind).removesuffix(".0"),
            _three(row.setting, length),
            _three(row.setting.mirrored(), length) if is_mirrored(advice) else "–",
            f"{row.after.cv_pct:.0f}",
            ratio_text(row.after.urdr) + ("" if row.corrected else f"  not {CORRECTED}"),
        ]
        for row in table_rows(advice, us_units)
    ]
    return _aligned(rows)


def table_rows(advice: FieldAdvice, us_units: bool) -> list[CardRow]:
    """Give the rows at whole winds: every 1 m/s, or every 2 mph.

    A wind between two rows of the card gets the setting between theirs, and the evenness
    which that setting gives.
    """
    wind = shown(us_units)["wind"]
    step = (2.0 if us_units else 1.0) / wind.per_si
    strength = [row.crosswind_m_s for row in advice.card]
    rows = []
    for k in range(math.floor(strength[-1] / step + 1e-9) + 1):
        here = k * step
        same = [row for row in advice.card if abs(row.crosswind_m_s - here) < 1e-9]
        if same:
            rows.append(same[0])
            continue
        low, high = next(p for p in pairwise(advice.card) if p[1].crosswind_m_s > here)
        part = (here - low.crosswind_m_s) / (high.crosswind_m_s - low.crosswind_m_s)
        a, b = low.setting, high.setting
        setting = SpreadSetting(
            a.reach_left_m + part * (b.reach_left_m - a.reach_left_m),
            a.reach_right_m + part * (b.reach_right_m - a.reach_right_m),
            a.lean_m + part * (b.lean_m - a.lean_m),
        )
        band = advice.model.lands(setting, here)
        after: Overlap = overlap(band, band.mirrored(), advice.model.spacing_m)
        rows.append(CardRow(here, setting, after, low.corrected and high.corrected))
    return rows


def _aligned(rows: list[list[str]]) -> list[str]:
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return [
        "  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]


def is_mirrored(advice: FieldAdvice) -> bool:
    """Say whether wind from the right asks for the mirror image of wind from the left.

    A measured profile that is not alike on both sides has no such mirror image.
    """
    table = advice.model.table
    if table is None:
        return True
    most = max(table)
    return all(abs(a - b) <= 1e-6 * most for a, b in zip(table, reversed(table), strict=True))


def advice_json(advice: FieldAdvice) -> dict[str, Any]:
    """Give the advice as plain data, SI units, nothing that JSON cannot hold.

    Parameters
    ----------
    advice : FieldAdvice

    Returns
    -------
    dict
        Keys wind, headings, card, strongest_crosswind_m_s, ways_out, limits, present and
        spacing_m. None stands for NaN and infinity.
    """
    return {
        "wind": {
            "speed_m_s": _plain(advice.wind_speed_m_s),
            "from_deg": _plain(advice.wind_from_deg),
            "measured_at_m": _plain(advice.measured_at_m),
            "station_factor": _plain(advice.station_factor),
        },
        "headings": [
            {
                "heading_deg": _plain(one.heading_deg),
                "share": _plain(one.share),
                "crosswind_m_s": _plain(one.pair.crosswind_m_s),
                "worth_it": bool(one.pair.worth_it),
                "rule": rule_of(one.pair),
                "there": _setting(one.pair.there),
                "back": None if one.pair.one_way else _setting(one.pair.back),
                "one_way": one.pair.one_way,
                "present_there": _setting(one.pair.present_there),
                "present_back": None if one.pair.one_way else _setting(one.pair.present_back),
                "before": _overlap(one.pair.before),
                "after": _overlap(one.pair.after),
            }
            for one in advice.headings
        ],
        "card": [
            {
                "crosswind_m_s": _plain(row.crosswind_m_s),
                "setting": _setting(row.setting),
                "after": _overlap(row.after),
                "corrected": bool(row.corrected),
            }
            for row in advice.card
        ],
        "strongest_crosswind_m_s": advice.strongest_m_s,
        "ways_out": [way.as_record() for way in advice.ways_out],
        "limits": {
            "least_reach_m": _plain(advice.limits.least_reach_m),
            "most_reach_m": _plain(advice.limits.most_reach_m),
            "most_lean_m": _plain(advice.limits.most_lean_m),
        },
        "present": _setting(advice.present),
        "spacing_m": _plain(advice.model.spacing_m),
    }


def _setting(setting: SpreadSetting) -> dict[str, float | None]:
    return {
        "reach_left_m": _plain(setting.reach_left_m),
        "reach_right_m": _plain(setting.reach_right_m),
        "lean_m": _plain(setting.lean_m),
    }


def _overlap(found: Overlap) -> dict[str, float | None]:
    return {"cv_pct": _plain(found.cv_pct), "urdr": _plain(found.urdr)}


def _plain(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _rounds_to_zero(value: float, kind: Shown) -> bool:
    return round(abs(value) * kind.per_si, kind.decimals) == 0

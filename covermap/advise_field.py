"""Settings advice for a field: its headings, its wind, its spreader."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from covermap.crops import Crop
from covermap.errors import SettingsError
from covermap.harvest.residue import residue_ratios
from covermap.harvest_record import (
    Harvest,
    crop_of,
    cut_height_m,
    heading_deg,
    mean_speed_m_s,
    ratios_of,
)
from covermap.plan.settings_advice import (
    CardRow,
    MachineLimits,
    Overlap,
    PairAdvice,
    SpreadModel,
    SpreadSetting,
    advise_pair,
    card_rows,
    strongest_corrected_m_s,
)
from covermap.settings import FieldSettings, PassRule
from covermap.spread.wind import WindSeries, components, crosswind_and_along
from covermap.spread.wind_on_fixes import flight_wind, reach_of_rotor_m, tables_for, thrower

#: Crosswinds on the card [m/s, on the pieces].
CARD_STEP_M_S = 0.5
CARD_MOST_M_S = 6.0
#: Forward speed taken where there is no track [m/s] (common practice, no source).
_FORWARD_M_S = 1.8
_HEADING_STEP_DEG = 10.0
_LEAST_HEADING_SHARE = 0.1
#: Raising the cut by this much is worked out as a way out [m].
CUT_RAISED_M = 0.1


@dataclass(frozen=True)
class HeadingAdvice:
    """Advice for one axis of work: a heading and the way back.

    Attributes
    ----------
    heading_deg : float
        Of the way there, 0 to below 180 [deg].
    share : float
        Part of the work on this axis.
    pair : PairAdvice
        For the mean crosswind on it.
    """

    heading_deg: float
    share: float
    pair: PairAdvice


@dataclass(frozen=True)
class FieldAdvice:
    """All that the card and the terminal show.

    Attributes
    ----------
    headings : tuple of HeadingAdvice
        Most used first.
    card : tuple of CardRow
        Best settings by crosswind from the left.
    model, limits, present : SpreadModel, MachineLimits, SpreadSetting
        What was advised for.
    strongest_m_s : float
        Strongest crosswind on the pieces that can be made good [m/s]; None if not even
        still air is.
    station_factor : float
        Wind on the pieces ÷ wind as measured.
    measured_at_m : float
        Height of the measuring [m].
    wind_speed_m_s, wind_from_deg : float
        Mean wind as measured; NaN if none is given.
    with_the_wind : Overlap
        Evenness of the best still-air setting: what driving with the wind would give.
    ways_out : tuple of (rule id, sentence)
        What else would help, ids as in docs/model.md.
    crop : Crop
    """

    headings: tuple[HeadingAdvice, ...]
    card: tuple[CardRow, ...]
    model: SpreadModel
    limits: MachineLimits
    present: SpreadSetting
    strongest_m_s: float | None
    station_factor: float
    measured_at_m: float
    wind_speed_m_s: float
    wind_from_deg: float
    with_the_wind: Overlap
    ways_out: tuple[tuple[str, str], ...]
    crop: Crop


def advise(
    settings: FieldSettings,
    *,
    wind: WindSeries | None,
    harvest: Harvest | None = None,
    headings_deg: tuple[float, ...] = (),
    spacing_m: float | None = None,
    card_most_m_s: float = CARD_MOST_M_S,
) -> FieldAdvice:
    """Advise reach and lean for a field or for stated headings.

    Parameters
    ----------
    settings : FieldSettings
        Crop, cut width, spread and the machine's limits.
    wind : WindSeries or None
        Still air if None; a series is taken by its mean over the harvest.
    harvest : Harvest, optional
        Gives headings, spacing and speed.
    headings_deg : tuple of float
        Headings to advise for where there is no harvest, and instead of its own.
    spacing_m : float, optional
        Pass spacing; the cut width by default.
    card_most_m_s : float
        Strongest crosswind on the card [m/s, on the pieces]; 0 leaves it at still air.

    Returns
    -------
    FieldAdvice

    Raises
    ------
    SettingsError
        If crop, cut width, spread width or heading is missing.
    """
    crop = crop_of(settings)
    ratios = ratios_of(settings, crop)
    stubble_m = cut_height_m(settings, crop)
    forward = _FORWARD_M_S if harvest is None else mean_speed_m_s(harvest.passes)
    how = thrower(settings, stubble_m, forward)
    present = _present(settings, reach_of_rotor_m(how, crop))
    limits = MachineLimits(
        settings.number("advice", "least_reach"),
        max(settings.number("advice", "most_reach"), present.reach_left_m, present.reach_right_m),
        max(settings.number("advice", "most_lean"), abs(present.lean_m)),
    )
    spacing = spacing_m or _spacing(settings, harvest)
    axes = _axes(headings_deg, harvest)
    speed, from_deg, measured_at = _mean_wind(wind, harvest)
    factor = flight_wind(settings, measured_at, stubble_m).factor
    on_pieces = 0.0 if np.isnan(speed) else speed * factor
    joined, _, _ = tables_for(
        crop,
        how,
        ratios.straw_through / ratios.through,
        1.4 * limits.most_reach_m,
        max(card_most_m_s, on_pieces) + 1.0,
    )
    shape = str(settings.get("spread", "profile"))
    model = SpreadModel(shape, settings.get("spread", "shares"), joined, spacing)
    found = []
    for heading, share in axes:
        across = 0.0
        if on_pieces > 0:
            east, north = components(np.array([on_pieces]), np.array([from_deg]))
            across = float(crosswind_and_along(east, north, heading)[0][0])
        found.append(HeadingAdvice(heading, share, advise_pair(model, limits, present, across)))
    card = card_rows(model, limits, np.arange(0.0, card_most_m_s + 1e-9, CARD_STEP_M_S))
    strongest = strongest_corrected_m_s(card)
    calm = card[0].after
    return FieldAdvice(
        headings=tuple(found),
        card=tuple(card),
        model=model,
        limits=limits,
        present=present,
        strongest_m_s=strongest,
        station_factor=factor,
        measured_at_m=measured_at,
        wind_speed_m_s=speed,
        wind_from_deg=from_deg,
        with_the_wind=calm,
        ways_out=_ways_out(found, calm, strongest, crop, stubble_m, from_deg),
        crop=crop,
    )


def advised_rules(advice: FieldAdvice, harvest: Harvest) -> list[PassRule]:
    """Give the advice as settings per pass, to map what it would have done."""
    table = harvest.passes.table
    rules = []
    for number, heading in zip(table["pass_id"], table["heading_deg"], strict=True):
        if np.isnan(heading):
            continue
        axis = min(advice.headings, key=lambda h: abs((heading - h.heading_deg + 90) % 180 - 90))
        there = abs((heading - axis.heading_deg + 180) % 360 - 180) < 90
        setting = axis.pair.there if there else axis.pair.back
        values = {
            "reach_left": setting.reach_left_m,
            "reach_right": setting.reach_right_m,
            "lean": setting.lean_m,
        }
        rules.append(PassRule(str(number), "", "", values, "advice: "))
    return rules


def _present(settings: FieldSettings, rotor_reach_m: float) -> SpreadSetting:
    width = settings.get("spread", "width")
    left, right = settings.get("spread", "reach_left"), settings.get("spread", "reach_right")
    if left is None and width is None and settings.get("combine", "rotor_rpm") is not None:
        width = 2 * rotor_reach_m
    if left is None and width is None:
        raise SettingsError(
            '[spread] width is missing: give --spread-width "35 ft", or --reach-left and '
            "--reach-right."
        )
    lean = settings.number("spread", "lean")
    if left is None or right is None:
        return SpreadSetting(float(width) / 2, float(width) / 2, lean)
    return SpreadSetting(float(left), float(right), lean)


def _spacing(settings: FieldSettings, harvest: Harvest | None) -> float:
    if harvest is not None and harvest.passes.table["spacing_m"].notna().any():
        return float(harvest.passes.table["spacing_m"].median())
    width = settings.get("combine", "cut_width")
    if width is None:
        raise SettingsError('[combine] cut_width is missing: give --cut-width "35 ft".')
    return float(width)


def _axes(headings_deg: tuple[float, ...], harvest: Harvest | None) -> list[tuple[float, float]]:
    """Give headings from 0 to below 180 and their part of the work."""
    if headings_deg:
        return [(h % 180.0, 1 / len(headings_deg)) for h in headings_deg]
    if harvest is None:
        raise SettingsError("A heading is missing: give --heading, or a track that shows it.")
    heading = heading_deg(harvest.sweeps) % 180
    length = harvest.sweeps.length_m
    bins = np.rint(heading / _HEADING_STEP_DEG).astype(int) % int(180 / _HEADING_STEP_DEG)
    work = np.bincount(bins, length)
    found = []
    for k in np.argsort(-work):
        share = work[k] / length.sum()
        if share < _LEAST_HEADING_SHARE:
            break
        # the mean of axes is that of their doubled angles
        mean = np.average(np.exp(2j * np.radians(heading[bins == k])), weights=length[bins == k])
        found.append((float(np.degrees(np.angle(mean)) / 2 % 180), float(share)))
    return found or [(float(heading[0]), 1.0)]


def _mean_wind(wind: WindSeries | None, harvest: Harvest | None) -> tuple[float, float, float]:
    """Give mean speed, direction and measuring height; over the harvest where there is one."""
    if wind is None:
        return float("nan"), float("nan"), 10.0
    if harvest is not None and harvest.wind is not None:
        east, north = harvest.wind.east_m_s.mean(), harvest.wind.north_m_s.mean()
    else:
        both = components(wind.speed_m_s, wind.from_deg)
        east, north = both[0].mean(), both[1].mean()
    from_deg = np.degrees(np.arctan2(-east, -north)) % 360
    return float(np.hypot(east, north)), float(from_deg), wind.height_m


def _ways_out(
    found: list[HeadingAdvice],
    calm: Overlap,
    strongest_m_s: float | None,
    crop: Crop,
    stubble_m: float,
    from_deg: float,
) -> tuple[tuple[str, str], ...]:
    """Say what else would help where the settings alone do not; ids stand in docs/model.md."""
    ways = []
    worst = max(found, key=lambda h: h.pair.after.cv_pct)
    wind = abs(worst.pair.crosswind_m_s)
    beyond = wind > 0 and wind > (strongest_m_s or 0.0)
    if strongest_m_s is None:
        uneven = (
            f"leaves {calm.urdr:.1f} times as much on the heaviest ground as on the thinnest"
            if math.isfinite(calm.urdr)
            else "leaves some ground bare"
        )
        ways.append(
            (
                "reach",
                f"Even in still air the best setting {uneven}: the machine does not reach far "
                "enough for this spacing, or its profile is too peaked.",
            )
        )
    if beyond and worst.pair.after.cv_pct > calm.cv_pct + 5 and not np.isnan(from_deg):
        along = from_deg % 180
        ways.append(
            (
                "direction",
                f"Driving with and against the wind (heading {along:.0f}° and "
                f"{along + 180:.0f}°) takes the crosswind away: CV {calm.cv_pct:.0f} % instead "
                f"of {worst.pair.after.cv_pct:.0f} %.",
            )
        )
    if beyond:
        higher = residue_ratios(crop, cut_height_m=stubble_m + CUT_RAISED_M)
        lower = residue_ratios(crop, cut_height_m=stubble_m)
        less = 1 - higher.through / lower.through
        ways.append(
            (
                "cut height",
                f"Cutting {CUT_RAISED_M * 100:.0f} cm higher leaves {100 * less:.0f} % less to "
                "spread, so every strip too heavy or too thin is off by that much less.",
            )
        )
        ways.append(
            (
                "windrow",
                "If the straw can be baled, a windrow takes the wind out of it: laid, not thrown; "
                "only the chaff still drifts.",
            )
        )
        ways.append(
            (
                "forward speed",
                "Driving slower does not change the kilograms per square metre; it helps only a "
                "spreader that is overfed (no published figure).",
            )
        )
    return tuple(ways)

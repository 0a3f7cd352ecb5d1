"""Settings advice for a field: its headings, its wind, its spreader."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from covermap.advice.settings_advice import (
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
from covermap.errors import Ask, SettingsError
from covermap.field.harvest import Harvest
from covermap.field.harvest_record import (
    heading_deg,
    mean_speed_m_s,
    ratios_of,
)
from covermap.harvest.residue import residue_ratios
from covermap.harvest.track import Track
from covermap.settings.field_settings import FieldSettings
from covermap.settings.needed import (
    crop_of,
    cut_height_m,
    no_cut_width,
    no_spread_width,
    usual_cut_width_m,
)
from covermap.tables.crops import Crop
from covermap.tables.said import Said
from covermap.wind.wind import WindSeries, components, crosswind_and_along, mean_wind
from covermap.wind.wind_on_fixes import flight_wind, reach_of_rotor_m, tables_for, thrower

#: Crosswinds on the card [m/s, on the flying straw].
CARD_STEP_M_S = 0.5
CARD_MOST_M_S = 6.0
#: Forward speed taken where there is no track [m/s] (common practice, no source).
_FORWARD_M_S = 1.8
_HEADING_STEP_DEG = 10.0
_LEAST_HEADING_SHARE = 0.1
_LEAST_SPACING_M, _MOST_SPACING_M = 1.0, 40.0
#: Raising the cut by this much is worked out as a way out [m].
CUT_RAISED_M = 0.1


@dataclass(frozen=True)
class HeadingAdvice:
    """Advice for one axis of work: a heading and the way back, or a heading driven alone.

    Attributes
    ----------
    heading_deg : float
        Of the way there [deg].
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
        Strongest crosswind on the flying straw that can be corrected [m/s]; None if not even
        still air is.
    station_factor : float
        Wind on the flying straw ÷ wind as measured.
    measured_at_m : float
        Height of the measuring [m].
    wind_speed_m_s, wind_from_deg : float
        Mean wind as measured; NaN if none is given.
    ways_out : tuple of Said
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
    ways_out: tuple[Said, ...]
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
        Strongest crosswind on the card [m/s, on the flying straw]; 0 leaves it at still air.

    Returns
    -------
    FieldAdvice

    Raises
    ------
    SettingsError
        If crop, cut width, spread width or heading is missing.
    """
    crop = crop_of(settings.crop)
    if settings.spread.discharge == "windrow":
        raise SettingsError(
            "[spread] discharge is windrow: there is no throw to set.",
            "",
            "Give {0} and its width to be advised for spreading instead.",
            Ask("spread.discharge", "spread"),
        )
    ratios = ratios_of(settings, crop)
    stubble_m = cut_height_m(settings.crop, crop)
    forward = _FORWARD_M_S if harvest is None else mean_speed_m_s(harvest.passes)
    how = thrower(settings, stubble_m, forward)
    present = _present(settings, reach_of_rotor_m(how, crop))
    spacing = _spacing(settings, harvest) if spacing_m is None else spacing_m
    if not _LEAST_SPACING_M <= spacing <= _MOST_SPACING_M:
        raise SettingsError(
            f"A pass spacing of {spacing:g} m is out of range.",
            f"Expected the distance between passes, {_LEAST_SPACING_M:g} to {_MOST_SPACING_M:g} m.",
        )
    axes = _axes(headings_deg, harvest, present)
    limits = _limits(settings, [present, *(s for a in axes for s in (a.there, a.back))])
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
    model = SpreadModel(settings.spread.profile, settings.spread.shares, joined, spacing)
    found = []
    for axis in axes:
        across = 0.0
        if on_pieces > 0:
            east, north = components(np.array([on_pieces]), np.array([from_deg]))
            across = float(crosswind_and_along(east, north, axis.heading_deg)[0][0])
        pair = advise_pair(model, limits, axis.there, axis.back, across, one_way=axis.one_way)
        found.append(HeadingAdvice(axis.heading_deg, axis.share, pair))
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
        ways_out=_ways_out(found, calm, strongest, crop, stubble_m, from_deg),
        crop=crop,
    )


def advised_track(advice: FieldAdvice, harvest: Harvest, track: Track) -> Track:
    """Give the track with the advice as settings per fix, to map what it would have done.

    Fixes whose heading needs no change, and windrows, keep their settings.
    """
    heading = heading_deg(harvest.sweeps)
    rows = harvest.clean.path["source_row"].to_numpy()[harvest.sweeps.rows]
    thrown = (harvest.machine["discharge"] == "spread").to_numpy()[harvest.sweeps.rows]
    turned = np.array([_apart(heading, h.heading_deg, h.pair.one_way) for h in advice.headings])
    nearest = turned.argmin(axis=0)
    values = np.full((len(rows), 3), np.nan)
    for k, one in enumerate(advice.headings):
        there = np.abs((heading - one.heading_deg + 180) % 360 - 180) <= 90
        for mask, setting in ((there, one.pair.there), (~there, one.pair.back)):
            if one.pair.worth_it:
                chosen = thrown & (nearest == k) & mask
                values[chosen] = setting.reach_left_m, setting.reach_right_m, setting.lean_m
    columns = ["reach_left_m", "reach_right_m", "lean_m"]
    by_row = pd.DataFrame(values, index=rows, columns=columns)
    settings = by_row[~by_row.index.duplicated()].reindex(track.fixes["source_row"])
    fixes = track.fixes.copy()
    for column in columns:
        own = fixes[column].to_numpy(float) if column in fixes else np.nan
        advised = settings[column].to_numpy()
        fixes[column] = np.where(np.isfinite(advised), advised, own)
    return replace(track, fixes=fixes)


def _apart(heading: np.ndarray, axis_deg: float, one_way: bool) -> np.ndarray:
    """Give how far headings turn from an axis, or from its one direction [deg]."""
    turn = np.abs((heading - axis_deg + 180) % 360 - 180)
    return turn if one_way else np.minimum(turn, 180 - turn)


def _limits(settings: FieldSettings, present: list[SpreadSetting]) -> MachineLimits:
    """Give what the machine can do; what it was set to it can do too."""
    least, most = settings.advice.least_reach_m, settings.advice.most_reach_m
    if least > most:
        raise SettingsError(
            f"[advice] least_reach {least:g} m is more than most_reach {most:g} m.",
            way_out="Give the shortest and the longest reach to one side.",
        )
    reaches = [r for p in present for r in (p.reach_left_m, p.reach_right_m)]
    leans = [abs(p.lean_m) for p in present]
    return MachineLimits(
        min(least, *reaches),
        max(most, *reaches),
        max(settings.advice.most_lean_m, *leans),
    )


def _present(settings: FieldSettings, rotor_reach_m: float) -> SpreadSetting:
    width, lean = settings.spread.width_m, settings.spread.lean_m
    left, right = settings.spread.reach_left_m, settings.spread.reach_right_m
    if left is not None and right is not None:
        return SpreadSetting(left, right, lean)
    if width is None and settings.combine.rotor_rpm is not None:
        width = 2 * rotor_reach_m
    if width is None:
        raise no_spread_width()
    return SpreadSetting(width / 2, width / 2, lean)


def _spacing(settings: FieldSettings, harvest: Harvest | None) -> float:
    if harvest is not None and harvest.passes.table["spacing_m"].notna().any():
        return float(harvest.passes.table["spacing_m"].median())
    logged = None if harvest is None else harvest.clean.path
    width = usual_cut_width_m(settings.combine.cut_width_m, logged)
    if width is None:
        raise no_cut_width()
    return width


@dataclass(frozen=True)
class _Axis:
    """One axis of work: heading [deg], part of the work, driven one way only, settings."""

    heading_deg: float
    share: float
    one_way: bool
    there: SpreadSetting
    back: SpreadSetting


def _axes(
    headings_deg: tuple[float, ...], harvest: Harvest | None, present: SpreadSetting
) -> list[_Axis]:
    """Find the axes of work, most used first, with the settings that were driven there."""
    if headings_deg:
        share = 1 / len(headings_deg)
        return [_Axis(h % 360.0, share, False, present, present) for h in headings_deg]
    if harvest is None:
        raise SettingsError(
            "A heading is missing.", "", "Give {0}, or a track that shows it.", Ask("heading")
        )
    heading, length = heading_deg(harvest.sweeps), harvest.sweeps.length_m
    table = harvest.passes.table
    laps = table.loc[table["heading_deg"].isna(), "length_m"].sum()
    # round and round, neighbours run the same way, whatever happens across the field
    circle = 360.0 if laps > 0.5 * table["length_m"].sum() else 180.0
    bins = np.rint(heading % circle / _HEADING_STEP_DEG).astype(int)
    bins %= int(circle / _HEADING_STEP_DEG)
    work = np.bincount(bins, length)
    found: list[_Axis] = []
    for k in np.argsort(-work):
        inside = bins == k
        share = float(work[k] / length.sum())
        if found and share < _LEAST_HEADING_SHARE:
            break
        # the mean of axes is that of their doubled angles
        twice = np.exp(2j * np.radians(heading[inside]))
        axis = float(np.degrees(np.angle(np.average(twice, weights=length[inside]))) / 2 % 180)
        axis = 0.0 if axis > 179.5 else axis  # due north and a hair less are one axis
        there = np.abs((heading - axis + 180) % 360 - 180) <= 90
        ahead = length[inside & there].sum() / length[inside].sum()
        if ahead < 0.5 and (circle > 180 or ahead < _LEAST_HEADING_SHARE):
            axis, there, ahead = axis + 180.0, ~there, 1 - ahead
        one_way = bool(circle > 180 or ahead > 1 - _LEAST_HEADING_SHARE)
        found.append(
            _Axis(
                axis,
                share,
                one_way,
                _driven(harvest, inside & there, present),
                _driven(harvest, inside & ~there, present),
            )
        )
    return found


def _driven(harvest: Harvest, mask: np.ndarray, otherwise: SpreadSetting) -> SpreadSetting:
    """Give the middle setting of some sweeps that were spread, not laid in windrows."""
    held = harvest.machine.iloc[harvest.sweeps.rows[mask]]
    held = held[held["discharge"] == "spread"]
    if held.empty:
        return otherwise
    middle = held[["reach_left_m", "reach_right_m", "lean_m"]].median()
    return SpreadSetting(*(float(v) for v in middle))


def _mean_wind(wind: WindSeries | None, harvest: Harvest | None) -> tuple[float, float, float]:
    """Give mean speed, direction and measuring height; over the harvest where there is one."""
    if wind is None:
        return float("nan"), float("nan"), 10.0
    if harvest is not None and harvest.wind is not None:
        east, north = harvest.wind.east_m_s, harvest.wind.north_m_s
    else:
        east, north = components(wind.speed_m_s, wind.from_deg)
    return *mean_wind(east, north), wind.height_m


def _ways_out(
    found: list[HeadingAdvice],
    calm: Overlap,
    strongest_m_s: float | None,
    crop: Crop,
    stubble_m: float,
    from_deg: float,
) -> tuple[Said, ...]:
    """Say what else would help where the settings alone do not; ids stand in docs/model.md."""
    ways = []
    worst = max(found, key=lambda h: h.pair.after.cv_pct)
    wind = abs(worst.pair.crosswind_m_s)
    beyond = wind > 0 and wind > (strongest_m_s or 0.0)
    if strongest_m_s is None:
        rule = "advise-reach" if math.isfinite(calm.urdr) else "advise-reach-bare"
        ways.append(Said(rule, {"urdr": calm.urdr}))
    if beyond and worst.pair.after.cv_pct > calm.cv_pct + 5 and not np.isnan(from_deg):
        along = from_deg % 180
        numbers = {
            "along_deg": along,
            "back_deg": along + 180,
            "calm_cv_pct": calm.cv_pct,
            "cv_pct": worst.pair.after.cv_pct,
        }
        ways.append(Said("advise-direction", numbers))
    if beyond:
        higher = residue_ratios(crop, cut_height_m=stubble_m + CUT_RAISED_M)
        lower = residue_ratios(crop, cut_height_m=stubble_m)
        less = 1 - higher.through / lower.through
        raised = {"raised_m": CUT_RAISED_M, "less_pct": 100 * less}
        ways.append(Said("advise-cut-height", raised))
        ways += [Said("advise-windrow"), Said("advise-forward-speed")]
    return tuple(ways)

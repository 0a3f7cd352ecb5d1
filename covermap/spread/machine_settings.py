"""Which setting of the machine held at which fix: field, then pass or time, then fix."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from covermap.errors import SettingsError
from covermap.field_file import parse_pass_numbers
from covermap.settings import BY_NAME, PER_PASS, FieldSettings, PassRule

#: A windrow is this wide unless its width is given (common practice, no source) [m].
WINDROW_WIDTH_M = 1.5
#: Chaff falls over this part of the cut width behind a windrow (common practice, no source).
CHAFF_SHARE_OF_CUT_WIDTH = 0.5

#: Column of the track → key of [spread].
_FIX_COLUMNS = {
    "discharge": "discharge",
    "spread_width_m": "width",
    "reach_left_m": "reach_left",
    "reach_right_m": "reach_right",
    "profile": "profile",
    "lean_m": "lean",
    "chaff_width_m": "chaff_width",
    "baled_share": "baled_share",
}


def settings_per_fix(
    settings: FieldSettings, path: pd.DataFrame, pass_of_fix: np.ndarray
) -> pd.DataFrame:
    """Give the settings that held at every fix of the path.

    Parameters
    ----------
    settings : FieldSettings
        Settings of the field and rules for passes or time windows.
    path : pandas.DataFrame
        Cleaned path; its own setting columns win.
    pass_of_fix : numpy.ndarray
        (len(path),) pass number, 0 outside passes.

    Returns
    -------
    pandas.DataFrame
        cut_width_m, antenna_ahead_of_discharge_m, antenna_behind_header_m,
        residue_delay_s, discharge, reach_left_m, reach_right_m, profile, lean_m,
        chaff_width_m (NaN: with the straw), baled_share, shares (row of a list, -1 none).

    Raises
    ------
    SettingsError
        If the spread width or cut width is missing, or a rule fits no pass or time.
    """
    n = len(path)
    table: dict[str, np.ndarray] = {}
    for key, setting in PER_PASS.items():
        value = settings.get(setting.section, key)
        if key == "shares":
            continue
        if setting.kind == "choice":
            table[key] = np.full(n, value, object)
        else:
            table[key] = np.full(n, np.nan if value is None else float(value))
    shares: list[tuple[float, ...]] = []
    table["shares"] = np.full(n, -1.0)
    if settings.get("spread", "shares") is not None:
        shares.append(settings.get("spread", "shares"))
        table["shares"][:] = 0
    for rule in settings.pass_rules:
        mask = _fixes_of_rule(rule, path, pass_of_fix)
        _apply(table, mask, rule.values, shares)
    for column, key in _FIX_COLUMNS.items():
        if column in path:
            _apply_column(table, key, path[column], path["source_row"])
    frame = _finish(pd.DataFrame(table), path, pass_of_fix > 0)
    frame.attrs["shares"] = shares
    return frame


def _apply(
    table: dict[str, np.ndarray],
    mask: np.ndarray,
    values: Any,
    shares: list[tuple[float, ...]],
) -> None:
    if "width" in values:
        table["reach_left"][mask] = table["reach_right"][mask] = np.nan
    if "reach_left" in values:
        table["width"][mask] = np.nan
    if values.get("discharge") == "windrow" and not {"width", "reach_left"} & set(values):
        for key in ("width", "reach_left", "reach_right"):
            table[key][mask] = np.nan
    for key, value in values.items():
        if key == "shares":
            shares.append(value)
            table["shares"][mask] = len(shares) - 1
            table["profile"][mask] = "table"
        else:
            table[key][mask] = value


def _apply_column(
    table: dict[str, np.ndarray], key: str, column: pd.Series, source_row: pd.Series
) -> None:
    setting = BY_NAME["spread", key]
    known = column.notna().to_numpy()
    if setting.kind == "choice":
        texts = column.astype(str).str.strip().str.lower()
        known &= (texts != "").to_numpy()
        wrong = known & ~texts.isin(setting.choices).to_numpy()
        values = texts.to_numpy(object)
    else:
        numbers = column.to_numpy(float)
        low = numbers <= setting.low if setting.above_low else numbers < setting.low
        wrong = known & (low | (numbers > setting.high))
        values = numbers
    if wrong.any():
        first = int(np.flatnonzero(wrong)[0])
        expected = (
            " or ".join(setting.choices)
            if setting.kind == "choice"
            else f"between {setting.low:g} and {setting.high:g} {setting.unit}"
        )
        raise SettingsError(
            f"Track, row {int(source_row.iloc[first])}, column {column.name}: "
            f"{column.iloc[first]!r} is out of range; expected {expected}."
        )
    if key == "width":
        table["reach_left"][known] = table["reach_right"][known] = np.nan
    if key in ("reach_left", "reach_right"):
        table["width"][known] = np.nan
    table[key][known] = values[known]


def _fixes_of_rule(rule: PassRule, path: pd.DataFrame, pass_of_fix: np.ndarray) -> np.ndarray:
    mask = np.zeros(len(path), bool)
    if rule.passes:
        for low, high in parse_pass_numbers(rule.passes, rule.where):
            mask |= (pass_of_fix >= low) & (pass_of_fix <= high)
        if not mask.any():
            raise SettingsError(
                f"{rule.where}passes {rule.passes}: the track has passes 1 to "
                f"{int(pass_of_fix.max())}. Correct the pass numbers."
            )
        return mask
    if "time" not in path:
        raise SettingsError(
            f"{rule.where}a time window needs a track with time; name the passes instead."
        )
    try:
        start, end = pd.Timestamp(rule.start), pd.Timestamp(rule.end)
    except ValueError:
        raise SettingsError(
            f"{rule.where}from {rule.start!r} to {rule.end!r}: expected ISO times such as "
            "2026-08-14T13:05:00Z."
        ) from None
    start = start.tz_localize("UTC") if start.tzinfo is None else start
    end = end.tz_localize("UTC") if end.tzinfo is None else end
    mask = ((path["time"] >= start) & (path["time"] <= end)).to_numpy()
    if not mask.any():
        raise SettingsError(
            f"{rule.where}no fix lies between {rule.start} and {rule.end}; the track runs from "
            f"{path['time'].min():%Y-%m-%dT%H:%M:%SZ} to {path['time'].max():%Y-%m-%dT%H:%M:%SZ}."
        )
    return mask


def _finish(table: pd.DataFrame, path: pd.DataFrame, harvested: np.ndarray) -> pd.DataFrame:
    """Fill widths from each other and check that every harvested fix has a band."""
    windrow = (table["discharge"] == "windrow").to_numpy()
    cut = table["cut_width"].to_numpy(float)
    if "header_width_m" in path:
        own = path["header_width_m"].to_numpy(float)
        cut = np.where(np.isfinite(own) & (own > 0), own, cut)
    if harvested.any() and not np.isfinite(cut[harvested]).all():
        raise SettingsError(
            "[combine] cut_width is missing and the track has no header width: give "
            '--cut-width "35 ft".'
        )
    width = table["width"].to_numpy(float)
    left, right = table["reach_left"].to_numpy(float), table["reach_right"].to_numpy(float)
    width = np.where(windrow & np.isnan(width) & np.isnan(left), WINDROW_WIDTH_M, width)
    left = np.where(np.isnan(left), width / 2, left)
    right = np.where(np.isnan(right), width / 2, right)
    if harvested.any() and not (np.isfinite(left) & np.isfinite(right))[harvested].all():
        raise SettingsError(
            '[spread] width is missing: give --spread-width "35 ft", or --reach-left and '
            "--reach-right."
        )
    chaff = table["chaff_width"].to_numpy(float)
    chaff = np.where(windrow & np.isnan(chaff), CHAFF_SHARE_OF_CUT_WIDTH * cut, chaff)
    return pd.DataFrame(
        {
            "cut_width_m": cut,
            "antenna_ahead_of_discharge_m": table["antenna_ahead_of_discharge"],
            "antenna_behind_header_m": table["antenna_behind_header"],
            "residue_delay_s": table["residue_delay_s"],
            "discharge": table["discharge"],
            "reach_left_m": left,
            "reach_right_m": right,
            "profile": table["profile"],
            "lean_m": table["lean"],
            "chaff_width_m": chaff,
            "baled_share": np.where(windrow, table["baled_share"], 0.0),
            "shares": table["shares"].astype(int),
        }
    )

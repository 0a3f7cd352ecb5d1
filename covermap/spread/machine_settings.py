"""Which setting of the machine held at which fix: field, then pass or time, then fix."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from covermap.errors import SettingsError
from covermap.settings.field_settings import (
    BY_NAME,
    PER_PASS,
    FieldSettings,
    PassRule,
    parse_pass_numbers,
)
from covermap.settings.map_settings import DISCHARGES, PROFILES
from covermap.settings.needed import cut_width_of_fixes_m, no_cut_width, no_spread_width
from covermap.settings.setting import Setting, SettingValue

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

    The path's own setting columns win over rules for passes or time windows, and these over
    the field's. ``pass_of_fix`` is (len(path),), 0 outside passes.

    Returns
    -------
    pandas.DataFrame
        cut_width_m, antenna_ahead_of_discharge_m, antenna_behind_header_m,
        residue_delay_s, discharge, reach_left_m, reach_right_m, profile, lean_m,
        chaff_width_m (NaN: with the straw), baled_share, shares (row of a list, -1 none).
        Discharge and profile are categories; what holds for all fixes takes memory once.

    Raises
    ------
    SettingsError
        If the spread width or cut width is missing, or a rule fits no pass or time.
    """
    table = _Table(len(path))
    for key, setting in PER_PASS.items():
        if key != "shares":
            value = _number(setting, settings.value_of(setting))
            table[key] = np.array([value], np.int8 if setting.kind == "choice" else float)
    shares: list[tuple[float, ...]] = []
    table["shares"] = np.array([-1])
    if settings.spread.shares is not None:
        shares.append(settings.spread.shares)
        table["shares"] = np.array([0])
    for rule in settings.pass_rules:
        mask = _fixes_of_rule(rule, path, pass_of_fix)
        _apply(table, mask, rule.values, shares)
    for column, key in _FIX_COLUMNS.items():
        if column in path:
            _apply_column(table, key, path[column], path["source_row"])
    frame = _finish(table, path, pass_of_fix > 0)
    frame.attrs["shares"] = shares
    return frame


class _Table(dict[str, np.ndarray]):
    """Settings by key: one number for all fixes, or one for each; choices by their place."""

    def __init__(self, fixes: int) -> None:
        super().__init__()
        self.fixes = fixes

    def of_each(self, key: str) -> np.ndarray:
        """Give the numbers of a setting, one for each fix, to be changed."""
        if len(self[key]) != self.fixes:
            self[key] = np.repeat(self[key], self.fixes)
        return self[key]


def _apply(
    table: _Table,
    mask: np.ndarray,
    values: Mapping[str, SettingValue],
    shares: list[tuple[float, ...]],
) -> None:
    unset: set[str] = set()
    if "width" in values:
        unset |= {"reach_left", "reach_right"}
    if "reach_left" in values:
        unset |= {"width"}
    if values.get("discharge") == "windrow" and not {"width", "reach_left"} & set(values):
        unset |= {"width", "reach_left", "reach_right"}
    for key in unset:
        table.of_each(key)[mask] = np.nan
    for key, value in values.items():
        if isinstance(value, tuple):
            shares.append(tuple(float(share) for share in value))
            table.of_each("shares")[mask] = len(shares) - 1
            table.of_each("profile")[mask] = PROFILES.index("table")
        else:
            table.of_each(key)[mask] = _number(PER_PASS[key], value)


def _number(setting: Setting, value: SettingValue) -> float:
    """Give the place of a choice, or a number; NaN for what is not given."""
    if isinstance(value, str):
        return setting.choices.index(value)
    return float(value) if isinstance(value, int | float) else np.nan


def _apply_column(table: _Table, key: str, column: pd.Series, source_row: pd.Series) -> None:
    setting = BY_NAME["spread", key]
    known = column.notna().to_numpy()
    if setting.kind == "choice":
        texts = column.astype(str).str.strip().str.lower()
        known = known & (texts != "").to_numpy(bool)
        values = pd.Index(setting.choices).get_indexer(pd.Index(texts))
        wrong = known & (values < 0)
    else:
        values = column.to_numpy(float)
        low = values <= setting.low if setting.above_low else values < setting.low
        wrong = known & (low | (values > setting.high))
    if wrong.any():
        first = int(np.flatnonzero(wrong)[0])
        expected = (
            " or ".join(setting.choices)
            if setting.kind == "choice"
            else f"between {setting.low:g} and {setting.high:g} {setting.unit}"
        )
        raise SettingsError(
            f"Track, row {int(source_row.iloc[first])}, column {column.name}: "
            f"{column.iloc[first]!r} is out of range.",
            f"Expected {expected}.",
        )
    others = {"width": ("reach_left", "reach_right"), "reach_left": ("width",)}
    others["reach_right"] = others["reach_left"]
    for other in others.get(key, ()):
        table.of_each(other)[known] = np.nan
    table.of_each(key)[known] = values[known]


def _fixes_of_rule(rule: PassRule, path: pd.DataFrame, pass_of_fix: np.ndarray) -> np.ndarray:
    mask = np.zeros(len(path), bool)
    if rule.passes:
        for low, high in parse_pass_numbers(rule.passes, rule.where):
            mask |= (pass_of_fix >= low) & (pass_of_fix <= high)
        if not mask.any():
            raise SettingsError(
                f"{rule.where}passes {rule.passes}: the track has passes 1 to "
                f"{int(pass_of_fix.max())}.",
                way_out="Correct the pass numbers.",
            )
        return mask
    if "time" not in path:
        raise SettingsError(
            f"{rule.where}a time window needs a track with time.",
            way_out="Name the passes instead.",
        )
    try:
        start, end = pd.Timestamp(rule.start), pd.Timestamp(rule.end)
    except ValueError:
        raise SettingsError(
            f"{rule.where}from {rule.start!r} to {rule.end!r}: not both are times.",
            "Expected ISO times such as 2026-08-14T13:05:00Z.",
        ) from None
    start = start.tz_localize("UTC") if start.tzinfo is None else start
    end = end.tz_localize("UTC") if end.tzinfo is None else end
    mask = ((path["time"] >= start) & (path["time"] <= end)).to_numpy()
    if not mask.any():
        raise SettingsError(
            f"{rule.where}no fix lies between {rule.start} and {rule.end}.",
            f"The track runs from {path['time'].min():%Y-%m-%dT%H:%M:%SZ} to "
            f"{path['time'].max():%Y-%m-%dT%H:%M:%SZ}.",
        )
    return mask


def _finish(table: _Table, path: pd.DataFrame, harvested: np.ndarray) -> pd.DataFrame:
    """Fill widths from each other and check that every harvested fix has a band."""
    windrow = table["discharge"] == DISCHARGES.index("windrow")
    cut = cut_width_of_fixes_m(table["cut_width"], path)
    if (harvested & ~np.isfinite(cut)).any():
        raise no_cut_width()
    width, left, right = table["width"], table["reach_left"], table["reach_right"]
    width = np.where(windrow & np.isnan(width) & np.isnan(left), WINDROW_WIDTH_M, width)
    left = np.where(np.isnan(left), width / 2, left)
    right = np.where(np.isnan(right), width / 2, right)
    if (harvested & ~(np.isfinite(left) & np.isfinite(right))).any():
        raise no_spread_width()
    chaff = table["chaff_width"]
    chaff = np.where(windrow & np.isnan(chaff), CHAFF_SHARE_OF_CUT_WIDTH * cut, chaff)
    columns: dict[str, Any] = {
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
        "shares": table["shares"],
    }
    # what holds for all fixes is kept once, however many there are
    columns = {name: np.broadcast_to(values, table.fixes) for name, values in columns.items()}
    for name, choices in (("discharge", DISCHARGES), ("profile", PROFILES)):
        columns[name] = pd.Categorical.from_codes(columns[name], categories=pd.Index(choices))
    return pd.DataFrame(columns, copy=False)

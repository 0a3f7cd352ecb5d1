"""Tracks with a row per header section and instant: merged to one fix per instant."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from covermap.tables.said import Said

_SUMMED = ("header_width_m", "grain_flow_kg_s", "grain_mass_kg")
_WEIGHTED = ("header_offset_m", "grain_yield_t_ha")
#: Sections lie within half the widest header of its middle: 18 m, or 60 ft, is as wide as
#: headers get (common practice, no source). What lies further off is another machine.
_NEAR_M = 9.2
#: Rows of two machines side by side change sides when both turn; sections never do.
_SAME_SIDE_SHARE = 0.9
_SHARE_WITH_PATTERN = 0.8
_SAME_PLACE_M = 0.05


def merge_sections(fixes: pd.DataFrame) -> tuple[pd.DataFrame, tuple[Said, ...]]:
    """Merge rows (in file order) that are sections of one header at one instant.

    Widths, flows and masses are summed, offsets and yields averaged by width, positions
    averaged; a header is down if any section is. Plain duplicate rows stay as they are. Gives
    one row per instant where sections were found, and notes of how many became how many.
    """
    if "machine_id" in fixes and len(fixes["machine_id"].unique()) > 1:
        return _merge_per_machine(fixes)
    rows = len(fixes)
    has_section = "section" in fixes
    together = _rows_of_one_instant(fixes, has_section)
    if rows < 2 or not together.any():
        return fixes, ()
    instant = np.cumsum(np.concatenate(([True], ~together)))
    if has_section:
        same = pd.DataFrame({"instant": instant, "section": fixes["section"]})
    else:
        same = fixes.drop(columns="source_row").assign(instant=instant)
    # A repeated section is a repeated record; it becomes a fix of its own, for cleaning.
    repeat = same.groupby(list(same.columns), dropna=False, sort=False).cumcount().to_numpy()
    keys = pd.DataFrame({"instant": instant, "repeat": repeat})
    group = keys.groupby(["instant", "repeat"], sort=False).ngroup().to_numpy().astype(np.int64)
    size = np.bincount(group)
    if size.max() == 1:
        return fixes, ()
    if not _within_a_header(fixes, group, size):
        return fixes, ()
    if not has_section:
        verdict = _looks_like_sections(fixes, group, size)
        if not isinstance(verdict, bool):
            return fixes, verdict
    merged = _merge(fixes, group)
    note = Said("track-sections-merged", {"rows": rows, "fixes": len(merged)})
    return merged, (note,)


def _merge_per_machine(fixes: pd.DataFrame) -> tuple[pd.DataFrame, tuple[Said, ...]]:
    """Merge the sections of each machine by themselves; the rows keep the order of the file."""
    parts, notes = [], []
    for name, rows in fixes.groupby("machine_id", dropna=False, sort=False):
        part, said = merge_sections(rows.reset_index(drop=True))
        parts.append(part)
        notes += [replace(note, about=f"Machine {name}") for note in said]
    merged = pd.concat(parts).sort_values("source_row", kind="stable")
    return merged.reset_index(drop=True), tuple(notes)


def _within_a_header(
    fixes: pd.DataFrame, group: NDArray[np.int64], size: NDArray[np.int64]
) -> bool:
    """Tell whether the rows of an instant lie as near to each other as a header is wide."""
    position = fixes[["easting", "northing"]].to_numpy()
    centre = np.stack([np.bincount(group, position[:, axis]) / size for axis in (0, 1)], axis=1)
    apart = np.hypot(*(position - centre[group]).T)[size[group] > 1]
    return bool(np.mean(apart <= _NEAR_M) >= _SHARE_WITH_PATTERN)


def _rows_of_one_instant(fixes: pd.DataFrame, has_section: bool) -> NDArray[np.bool_]:
    """Tell for each row but the first whether it belongs to the instant of the one before."""
    if "time" in fixes:
        time = fixes["time"].to_numpy(dtype="datetime64[ns]")
        # NaT equals nothing, so fixes without a time are never merged.
        return np.asarray(time[1:] == time[:-1])
    if not has_section:
        return np.zeros(max(len(fixes) - 1, 0), dtype=np.bool_)
    position = fixes[["easting", "northing"]].to_numpy()
    return np.asarray((position[1:] == position[:-1]).all(axis=1))


def _looks_like_sections(
    fixes: pd.DataFrame, group: NDArray[np.int64], size: NDArray[np.int64]
) -> bool | tuple[Said, ...]:
    """Tell sections from fixes that merely share a clock second."""
    usual = int(np.bincount(size[group]).argmax())
    if usual < 2 or np.mean(size[group] == usual) < _SHARE_WITH_PATTERN:
        return ()
    position = fixes[["easting", "northing"]].to_numpy()
    centre = np.stack([np.bincount(group, position[:, axis]) / size for axis in (0, 1)], axis=1)
    first = np.unique(group, return_index=True)[1]
    last = len(group) - 1 - np.unique(group[::-1], return_index=True)[1]
    spread = position[last] - position[first]
    travel = np.gradient(centre, axis=0) if len(centre) > 1 else np.zeros_like(centre)
    length = np.maximum(np.hypot(*travel.T), 1e-9)
    along = np.median(np.abs((spread * travel).sum(axis=1)) / length)
    aside = (spread[:, 0] * travel[:, 1] - spread[:, 1] * travel[:, 0]) / length
    across = np.median(np.abs(aside))
    clear = np.abs(aside) > max(0.5 * float(across), _SAME_PLACE_M)
    right = float(np.mean(aside[clear] > 0)) if clear.any() else 1.0
    if max(right, 1 - right) < _SAME_SIDE_SHARE:
        return ()
    if np.median(np.hypot(*spread.T)) < _SAME_PLACE_M or along < across:
        return True
    return (Said("track-sections-kept", {"fixes": usual}),)


def _merge(fixes: pd.DataFrame, group: NDArray[np.int64]) -> pd.DataFrame:
    grouped = fixes.groupby(group, sort=True)
    merged = grouped.first()
    # first() skips gaps; the row number must be the group's own first.
    merged["source_row"] = grouped["source_row"].min()
    for column in ("easting", "northing"):
        merged[column] = grouped[column].mean()
    for column in _SUMMED:
        if column in fixes:
            merged[column] = grouped[column].sum(min_count=1)
    for column in _WEIGHTED:
        if column in fixes:
            merged[column] = _weighted_mean(fixes, column, group)
    if "header_down" in fixes:
        merged["header_down"] = grouped["header_down"].any()
    return merged[fixes.columns].reset_index(drop=True)


def _weighted_mean(fixes: pd.DataFrame, column: str, group: NDArray[np.int64]) -> pd.Series:
    values = fixes[column]
    plain = values.groupby(group).mean()
    if "header_width_m" not in fixes:
        return plain
    weight = fixes["header_width_m"].where(values.notna(), 0.0).fillna(0.0).clip(lower=0.0)
    total = weight.groupby(group).sum()
    mean = (values.fillna(0.0) * weight).groupby(group).sum() / total.where(total > 0)
    return mean.fillna(plain)

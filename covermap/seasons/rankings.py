"""Which fields came out worst, and how even it was by setting, wind and machine.

Groups are means over ground: they say what happened, not what a machine or a setting does.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from covermap.drawing.labels import WINDROW
from covermap.seasons.season_results import FAILED, MAPPED, weighted_mean
from covermap.tables import read_table
from covermap.wind.wind_profile import GRASS_ROUGHNESS_M, log_profile_factor

#: What a row of ``rankings.csv`` can be, in this order.
RANKINGS = (
    "highest unevenness",
    "most double ground",
    "most gap ground",
    "operator settings",
    "wind",
    "machine",
    WINDROW,
    "failed",
)
#: Columns of ``rankings.csv``.
RANKING_COLUMNS = (
    "ranking",
    "rank",
    "field_id",
    "what",
    "crops",
    "fields",
    "passes",
    "ground_ha",
    "cv_pct",
    "mean_ratio",
    "gap_ha",
    "gap_share",
    "double_ha",
    "double_share",
    "wind_speed_m_s",
    "class_low_m_s",
    "class_high_m_s",
    "discharge",
    "profile",
    "reach_left_m",
    "reach_right_m",
    "lean_m",
    "cut_width_m",
    "main_cause",
    "main_cause_rule",
    "reason",
)
#: Height that Beaufort forces are defined at [m].
BEAUFORT_HEIGHT_M = 10.0
NO_WIND = "no wind known"
NO_MACHINE = "not named"

#: Settings and readings of passes that the groups need.
PASS_COLUMNS = (
    "cut_area_m2",
    "cv_pct",
    "mean_ratio",
    "discharge",
    "profile",
    "reach_left_m",
    "reach_right_m",
    "lean_m",
    "wind_speed_m_s",
)
#: Lengths of settings are rounded to this before grouping [m]: logged settings scatter, and
#: nobody sets a spreader finer (choice of this project, no source).
_SETTING_STEP_M = 0.5
_SETTINGS = ("discharge", "profile", "reach_left_m", "reach_right_m", "lean_m", "cut_width_m")


@cache
def _forces() -> tuple[np.ndarray, tuple[str, ...]]:
    rows = read_table("beaufort")
    return np.array([float(row["from_m_s"]) for row in rows]), tuple(row["name"] for row in rows)


def beaufort_force(speed_m_s: float, height_m: float) -> int | None:
    """Give the Beaufort force of a mean wind.

    Parameters
    ----------
    speed_m_s : float
        Mean wind speed [m/s]; NaN where none is known.
    height_m : float
        Height it was measured at [m].

    Returns
    -------
    int or None
        0 to 12 by ``tables/beaufort.csv`` (WMO), after the speed was brought to 10 m by the
        log profile over short grass and rounded to the 0.1 m/s that the scale is given in.
    """
    if not math.isfinite(speed_m_s):
        return None
    factor = log_profile_factor(BEAUFORT_HEIGHT_M, height_m, 0.0, GRASS_ROUGHNESS_M)
    bounds, _ = _forces()
    return int(np.searchsorted(bounds, round(speed_m_s * factor, 1), side="right")) - 1


def _class_of_wind(key: tuple[Any, ...], _: pd.DataFrame) -> dict[str, Any]:
    """Give name and bounds of a Beaufort force, at 10 m [m/s]."""
    force = key[0]
    if force is None:
        return {"what": NO_WIND}
    bounds, names = _forces()
    # the scale is given to 0.1 m/s: a class ends that much below the next one
    high = round(float(bounds[force + 1]) - 0.1, 1) if force + 1 < len(bounds) else math.nan
    return {
        "what": f"force {force}, {names[force]}",
        "class_low_m_s": float(bounds[force]),
        "class_high_m_s": high,
    }


def laid_in_windrows(fields: pd.DataFrame) -> pd.Series:
    """Tell which fields were laid wholly in windrows, on purpose: nothing to judge."""
    return fields["discharge"] == "windrow"


def judged(fields: pd.DataFrame) -> pd.DataFrame:
    """Give the mapped fields that can be judged by how even they are."""
    mapped = fields["status"] == MAPPED
    return fields[mapped & ~laid_in_windrows(fields)]


def rankings(fields: pd.DataFrame, passes: pd.DataFrame) -> pd.DataFrame:
    """Rank fields, and compare settings, winds and machines.

    ``passes`` has ``field_id`` and :data:`PASS_COLUMNS` of all passes of the season.

    Returns
    -------
    pandas.DataFrame
        :data:`RANKING_COLUMNS`; every field of every ranking, failed ones last with their
        reason.
    """
    told = fields.set_index("field_id", drop=False)
    about = told[["crop", "machine", "cut_width_m", "wind_height_m"]]
    driven = passes.join(about, on="field_id") if len(passes) else passes
    good, mapped = judged(fields), fields[fields["status"] == MAPPED]
    rows: list[dict[str, Any]] = []
    for ranking, by in zip(RANKINGS[:3], ("cv_pct", "double_ha", "gap_ha"), strict=True):
        order = good[good[by].notna()].sort_values(
            [by, "field_id"], ascending=[False, True], kind="stable"
        )
        rows += _field_rows(ranking, order)
    rows += _pass_groups("operator settings", driven, _settings_key, _settings_of)
    spread = driven[driven["discharge"] == "spread"] if len(driven) else driven
    rows += _pass_groups("wind", spread, _wind_key, _class_of_wind, by_key=True)
    rows += _machine_rows(good)
    rows += _field_rows(WINDROW, mapped[laid_in_windrows(mapped)])
    rows += _field_rows("failed", fields[fields["status"] == FAILED])
    return pd.DataFrame(rows, columns=list(RANKING_COLUMNS)).astype(
        {"rank": "int64", "fields": "int64", "passes": "Int64"}
    )


def _field_rows(ranking: str, fields: pd.DataFrame) -> list[dict[str, Any]]:
    """Give one row for each field, in the order they come in."""
    return [
        {
            **{name: row[name] for name in RANKING_COLUMNS if name in fields},
            "ranking": ranking,
            "rank": rank,
            "what": row["name"],
            "crops": row["crop"],
            "fields": 1,
            "ground_ha": row["harvested_ha"],
        }
        for rank, row in enumerate(fields.to_dict("records"), 1)
    ]


def _machine_rows(fields: pd.DataFrame) -> list[dict[str, Any]]:
    """Give one row for each machine, most ground first."""
    rows: list[dict[str, Any]] = []
    names = fields["machine"].where(fields["machine"].notna(), NO_MACHINE)
    for name, group in fields.groupby(names, sort=True):
        ground = group["harvested_ha"]
        gap, double = float(group["gap_ha"].sum()), float(group["double_ha"].sum())
        total = float(ground.sum())
        rows.append(
            {
                "what": str(name),
                "crops": _listed(group["crop"]),
                "fields": len(group),
                "passes": int(group["passes"].sum()),
                "ground_ha": total,
                "cv_pct": weighted_mean(group["cv_pct"], ground),
                "mean_ratio": weighted_mean(group["mean_ratio"], ground),
                "gap_ha": gap,
                "gap_share": gap / total if total > 0 else math.nan,
                "double_ha": double,
                "double_share": double / total if total > 0 else math.nan,
                "wind_speed_m_s": weighted_mean(group["wind_speed_m_s"], ground),
            }
        )
    rows.sort(key=lambda row: (-row["ground_ha"], row["what"]))
    return [{**row, "ranking": "machine", "rank": rank} for rank, row in enumerate(rows, 1)]


def _pass_groups(
    ranking: str,
    passes: pd.DataFrame,
    key_of: Callable[[pd.DataFrame], pd.Series],
    about: Callable[[tuple[Any, ...], pd.DataFrame], dict[str, Any]],
    *,
    by_key: bool = False,
) -> list[dict[str, Any]]:
    """Give one row for each group of passes: by its key, or most ground first."""
    if passes.empty:
        return []
    rows: list[dict[str, Any]] = []
    for key, group in passes.groupby(key_of(passes), sort=False):
        cut = group["cut_area_m2"]
        rows.append(
            {
                "key": key,
                **about(key, group),
                "crops": _listed(group["crop"]),
                "fields": int(group["field_id"].nunique()),
                "passes": len(group),
                "ground_ha": float(cut.sum()) / 1e4,
                "cv_pct": weighted_mean(group["cv_pct"], cut),
                "mean_ratio": weighted_mean(group["mean_ratio"], cut),
                "wind_speed_m_s": weighted_mean(group["wind_speed_m_s"], cut),
            }
        )

    def order(row: dict[str, Any]) -> Any:
        if by_key:  # what is not known comes last
            return math.inf if row["key"][0] is None else row["key"][0]
        return (-row["ground_ha"], row["what"])

    rows.sort(key=order)
    return [{**row, "ranking": ranking, "rank": rank} for rank, row in enumerate(rows, 1)]


def _settings_key(passes: pd.DataFrame) -> pd.Series:
    """Give what the machine was set to, lengths rounded."""
    known = passes[list(_SETTINGS)].copy()
    for name in _SETTINGS[2:]:
        known[name] = (known[name] / _SETTING_STEP_M).round() * _SETTING_STEP_M + 0.0
    known = known.astype(object).where(known.notna(), None)
    return pd.Series(list(known.itertuples(index=False, name=None)), passes.index)


def _settings_of(key: tuple[Any, ...], group: pd.DataFrame) -> dict[str, Any]:
    """Give the settings of a group: its own means, not the rounded ones that made it."""
    means = {name: weighted_mean(group[name], group["cut_area_m2"]) for name in _SETTINGS[2:]}
    found: dict[str, Any] = {"discharge": key[0], "profile": key[1], **means}
    left, right, lean, cut = (found[name] for name in _SETTINGS[2:])
    parts = [str(key[0] or ""), f"{left:.3g} m left, {right:.3g} m right", str(key[1] or "")]
    if abs(lean) >= 0.05:
        parts.append(f"lean {lean:+.1f} m")
    if math.isfinite(cut):
        parts.append(f"cut {cut:.3g} m")
    return found | {"what": "; ".join(part for part in parts if part)}


def _wind_key(passes: pd.DataFrame) -> pd.Series:
    """Give the Beaufort force of each pass, in a tuple of its own."""
    pairs = zip(passes["wind_speed_m_s"], passes["wind_height_m"], strict=True)
    return pd.Series([(beaufort_force(float(v), float(z)),) for v, z in pairs], passes.index)


def _listed(values: pd.Series) -> str:
    return ", ".join(sorted(str(value) for value in values.dropna().unique()))


def season_evenness_pct(fields: pd.DataFrame) -> float:
    """Give the mean CV of the judged fields by harvested ground [%]; NaN if there is none."""
    good = judged(fields)
    return weighted_mean(good["cv_pct"], good["harvested_ha"])

"""The passes of a field as a table: what each cut, laid down and how evenly."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from covermap.field.harvest import Harvest
from covermap.wind.wind import blows_from_deg, components, mean_wind

_WIND = ("wind_speed_m_s", "wind_from_deg")


def _pass_mean(values: np.ndarray, pass_no: np.ndarray) -> np.ndarray:
    return np.asarray(pd.Series(values).groupby(pass_no).mean().to_numpy())


def pass_table(
    harvest: Harvest, by_pass: pd.DataFrame, lines: np.ndarray, pass_no: np.ndarray
) -> gpd.GeoDataFrame:
    """Gather what is known of each pass: one row each, columns as in docs/tables.md.

    ``by_pass`` is the evenness of each pass in order, ``lines`` a line for each, ``pass_no``
    (n,) the pass of each sweep.
    """
    flow = harvest.flow
    held = harvest.machine.iloc[harvest.sweeps.rows]
    groups = pd.DataFrame(
        {
            "cut_area_m2": harvest.newly_cut_m2,
            "grain_dry_kg": flow.grain_dry_kg,
            "residue_kg": flow.through_kg,
            "length": harvest.sweeps.length_m,
        }
    ).groupby(pass_no)
    sums = groups.sum()
    first = held.groupby(pass_no)[
        ["discharge", "reach_left_m", "reach_right_m", "profile", "lean_m"]
    ].first()
    table = harvest.passes.table.copy()
    table["working_width_m"] = (sums["cut_area_m2"] / sums["length"]).to_numpy()
    table["cut_area_m2"] = sums["cut_area_m2"].to_numpy()
    table["grain_dry_kg"] = sums["grain_dry_kg"].to_numpy()
    table["residue_kg"] = sums["residue_kg"].to_numpy()
    area = sums["cut_area_m2"].where(sums["cut_area_m2"] > 1.0)
    table["residue_t_ha"] = (10 * sums["residue_kg"] / area).to_numpy()
    for column in first:
        table[column] = first[column].to_numpy()
    wind = harvest.wind
    for column, values in (
        ("crosswind_m_s", None if wind is None else wind.across_m_s),
        ("wind_along_m_s", None if wind is None else wind.along_m_s),
    ):
        table[column] = np.nan if values is None else _pass_mean(values, pass_no)
    if wind is None:
        table["wind_speed_m_s"] = table["wind_from_deg"] = np.nan
    else:
        east, north = _pass_mean(wind.east_m_s, pass_no), _pass_mean(wind.north_m_s, pass_no)
        table["wind_speed_m_s"] = np.hypot(east, north)
        table["wind_from_deg"] = blows_from_deg(east, north)
    for column in ("mean_ratio", "cv_pct", "urdr", "christiansen_cu_pct", "low_quarter_du_pct"):
        table[column] = by_pass[column].to_numpy()
    return gpd.GeoDataFrame(table, geometry=lines, crs=harvest.grid.crs)


def wind_from_deg(passes: pd.DataFrame) -> float:
    """Give the direction the wind blew from over some passes, by their lengths [deg].

    By :func:`covermap.wind.wind.mean_wind`; NaN where no wind is known, and in a calm.
    """
    known = passes[passes["wind_speed_m_s"].notna()]
    east, north = components(*(known[name].to_numpy(float) for name in _WIND))
    return mean_wind(east, north, known["length_m"].to_numpy(float))[1]

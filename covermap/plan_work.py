"""What the plan comes to: an action for every strip, zones for the implement, hectares."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from covermap.field import FieldResult
from covermap.plan.actions import ACTIONS, RULE_IDS, Limits, Spot, beyond_limits
from covermap.plan.zones import (
    action_of_pieces,
    rule_field,
    without_slivers,
    zone_outlines,
    zones_of,
)
from covermap.settings import FieldSettings

#: A piece of a zone is this many working widths long, and never shorter than a strip.
_PIECE_WIDTHS = 2.0


def _means(number: np.ndarray, count: int, values: np.ndarray) -> np.ndarray:
    total = np.bincount(number, np.nan_to_num(values), count + 1)[1:]
    known = np.bincount(number, np.isfinite(values), count + 1)[1:]
    return np.asarray(total / np.maximum(known, 1))


def _numbers(
    of_cell: np.ndarray, cells: np.ndarray, count: int, spot: Spot, limits: Limits
) -> dict[str, np.ndarray]:
    """Give the numbers that actions are explained with, for areas numbered from 1."""
    ratio, load = spot.ratio.ravel()[cells], spot.load_t_ha.ravel()[cells]
    before = beyond_limits(ratio, load, limits)
    after = beyond_limits(
        spot.harrowed_ratio.ravel()[cells], spot.harrowed_load_t_ha.ravel()[cells], limits
    )
    return {
        "mean_ratio": _means(of_cell, count, ratio),
        "load_t_ha": _means(of_cell, count, load),
        "cover_after_pct": _means(of_cell, count, spot.cover_pct.ravel()[cells]),
        "beyond_share": _means(of_cell, count, before.astype(float)),
        "beyond_share_harrowed": _means(of_cell, count, after.astype(float)),
    }


def _called_share(counts: np.ndarray, chosen: np.ndarray) -> np.ndarray:
    """Give the share of each area's ground that calls for the action chosen."""
    total = np.maximum(counts.sum(axis=1), 1)
    return np.asarray(counts[np.arange(len(counts)), chosen] / total)


def strip_actions(
    result: FieldResult, spot: Spot, action: np.ndarray, limits: Limits
) -> gpd.GeoDataFrame:
    """Add to the strips what to do about each, and the numbers behind it."""
    strips = result.strips
    cells = np.flatnonzero(result.strip_of_cell)
    number = result.strip_of_cell.ravel()[cells]
    kinds = len(RULE_IDS)
    code = (number.astype(np.int64) - 1) * kinds + action.ravel()[cells]
    counts = np.bincount(code, minlength=len(strips) * kinds).reshape(len(strips), kinds)
    chosen = action_of_pieces(counts, result.settings.number("plan", "zone_share"))
    numbers = _numbers(number, cells, len(strips), spot, limits)
    numbers.pop("mean_ratio")
    numbers["called_share"] = _called_share(counts, chosen)
    return strips.assign(
        rule_id=[RULE_IDS[a] for a in chosen],
        action=[ACTIONS[RULE_IDS[a]] for a in chosen],
        **numbers,
    )


def field_zones(
    result: FieldResult,
    spot: Spot,
    action: np.ndarray,
    limits: Limits,
    width_m: float,
    heading_deg: float,
) -> gpd.GeoDataFrame:
    """Give the zones of the field for an implement, worked ones first, largest first.

    Parameters
    ----------
    result : FieldResult
    spot : Spot
        The ground as the next pass meets it.
    action : numpy.ndarray
        (rows, cols) place in :data:`covermap.plan.actions.RULE_IDS`.
    limits : Limits
    width_m, heading_deg : float
        Of the implement.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns are described in docs/tables.md.
    """
    settings, grid = result.settings, result.grid
    least = settings.number("limits", "strip_min_length")
    ruling = rule_field(
        np.isfinite(spot.ratio), grid, heading_deg, width_m, max(_PIECE_WIDTHS * width_m, least)
    )
    counts = ruling.counted(action, len(RULE_IDS))
    chosen = action_of_pieces(counts, settings.number("plan", "zone_share"))
    chosen = without_slivers(chosen, ruling, counts, grid.cell_area_m2)
    zone = zones_of(chosen, counts, ruling)
    count = int(zone.max())
    by_zone = np.zeros((count + 1, len(RULE_IDS)))
    np.add.at(by_zone, zone, counts)
    of_cell = zone[ruling.piece]
    # swaths in a zone are what the driver counts as passes
    swath = np.flatnonzero(zone) // ruling.lengths
    pair = np.unique(zone[zone > 0] * ruling.swaths + swath)
    first = np.zeros(count + 1, np.int64)
    first[zone] = chosen
    table = pd.DataFrame(
        {
            "zone_id": np.arange(1, count + 1),
            "rule_id": [RULE_IDS[a] for a in first[1:]],
            "action": [ACTIONS[RULE_IDS[a]] for a in first[1:]],
            "area_m2": np.bincount(of_cell, minlength=count + 1)[1:] * grid.cell_area_m2,
            "swaths": np.bincount(pair // ruling.swaths, minlength=count + 1)[1:],
            "heading_deg": heading_deg,
            "width_m": width_m,
            **_numbers(of_cell, ruling.cells, count, spot, limits),
            "called_share": _called_share(by_zone[1:], first[1:]),
        }
    )
    table["travel_m"] = table["area_m2"] / width_m
    shapes = zone_outlines(zone, ruling, result.outline)
    zones = gpd.GeoDataFrame(table, geometry=shapes, crs=grid.crs)
    order = np.lexsort((-zones["area_m2"], zones["rule_id"] == "plan-leave"))
    zones = zones.iloc[order].reset_index(drop=True)
    zones["zone_id"] = np.arange(1, count + 1)
    return zones


#: Which of the stated prices an action is paid with.
_PRICES = {
    "plan-harrow": "harrow",
    "plan-spread-again": "rake",
    "plan-till": "till",
    "plan-bale-or-rake": "rake",
}


def work_by_action(zones: gpd.GeoDataFrame, settings: FieldSettings) -> pd.DataFrame:
    """Add zones up by action; cost and fuel are NaN where no price is stated."""
    rows = []
    for rule_id, group in zones.groupby("rule_id", sort=False):
        hectares = group["area_m2"].sum() / 1e4
        price = _PRICES.get(str(rule_id))
        cost = None if price is None else settings.get("plan", f"{price}_cost_per_ha")
        fuel = None if price is None else settings.get("plan", f"{price}_fuel_l_per_ha")
        per_l = settings.get("plan", "fuel_price_per_l")
        fuel_l = np.nan if fuel is None else fuel * hectares
        total = np.nan if cost is None else cost * hectares
        if cost is not None and fuel is not None and per_l is not None:
            total += fuel_l * per_l
        rows.append(
            {
                "rule_id": rule_id,
                "action": ACTIONS[str(rule_id)],
                "zones": len(group),
                "area_ha": hectares,
                "swaths": int(group["swaths"].sum()),
                "travel_km": group["travel_m"].sum() / 1000,
                "cost": total,
                "fuel_l": fuel_l,
            }
        )
    return pd.DataFrame(rows)

"""What the plan comes to: an action for every strip, zones for the implement, hectares."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from covermap.field.field_result import FieldResult
from covermap.plan.actions import (
    ACTIONS,
    LEAST_MENDED,
    PASSES,
    RULE_IDS,
    Limits,
    Spot,
    beyond_limits,
)
from covermap.plan.zones import (
    Ruling,
    action_of_pieces,
    rule_field,
    without_slivers,
    zone_outlines,
    zones_of,
)
from covermap.settings.field_settings import FieldSettings

#: A piece of a zone is this many working widths long, and never shorter than a strip.
_PIECE_WIDTHS = 2.0
#: A zone of fewer pieces is not worth driving to with harrow or tillage (a stated guess).
_LEAST_PIECES = 3
_HARROW = RULE_IDS.index("plan-harrow")
_PASS_NUMBERS = [RULE_IDS.index(rule) for rule in PASSES]


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
        "off_even": _means(of_cell, count, np.abs(ratio - 1)),
        "off_even_harrowed": _means(of_cell, count, np.abs(spot.harrowed_ratio.ravel()[cells] - 1)),
    }


def _called_share(counts: np.ndarray, chosen: np.ndarray) -> np.ndarray:
    """Give the share of each area's ground that calls for the action chosen."""
    total = np.maximum(counts.sum(axis=1), 1)
    return np.asarray(counts[np.arange(len(counts)), chosen] / total)


def strip_actions(
    result: FieldResult, spot: Spot, wanted: Wanted, zone_action: np.ndarray, limits: Limits
) -> gpd.GeoDataFrame:
    """Add to the strips what to do about each, and the numbers behind it.

    A strip is harrowed or tilled only where it lies in a zone that is.
    """
    strips = result.strips
    cells = np.flatnonzero(result.strip_of_cell)
    number = result.strip_of_cell.ravel()[cells]
    kinds = len(RULE_IDS)

    def counted(action: np.ndarray) -> np.ndarray:
        code = (number.astype(np.int64) - 1) * kinds + action.ravel()[cells]
        return np.bincount(code, minlength=len(strips) * kinds).reshape(len(strips), kinds)

    least = result.settings.plan.zone_share
    counts, gentle, zoned = counted(wanted.any), counted(wanted.gentle), counted(zone_action)
    chosen = action_of_pieces(counts, least)
    worked = zoned[np.arange(len(strips)), chosen] >= 0.5 * zoned.sum(axis=1)
    apart = np.isin(chosen, _PASS_NUMBERS) & ~worked
    chosen = np.where(apart, action_of_pieces(gentle, least), chosen)
    called = np.where(apart, _called_share(gentle, chosen), _called_share(counts, chosen))
    numbers = _numbers(number, cells, len(strips), spot, limits)
    numbers.pop("mean_ratio")
    return strips.assign(
        rule_id=[RULE_IDS[a] for a in chosen],
        action=[ACTIONS[RULE_IDS[a]] for a in chosen],
        **numbers,
        called_share=called,
    )


@dataclass(frozen=True)
class Wanted:
    """What each cell calls for: uint8 places in :data:`covermap.plan.actions.RULE_IDS`.

    Attributes
    ----------
    any, gentle : numpy.ndarray
        (rows, cols) with and without passes of harrow or tillage.
    """

    any: np.ndarray
    gentle: np.ndarray


@dataclass(frozen=True)
class Ways:
    """How the field is driven next.

    Attributes
    ----------
    width_m : float
        Of the implement.
    pass_heading_deg : float
        Of harrow or tillage.
    main_heading_deg : float
        Of seeding and everything else.
    """

    width_m: float
    pass_heading_deg: float
    main_heading_deg: float


def field_zones(
    result: FieldResult, spot: Spot, wanted: Wanted, limits: Limits, ways: Ways
) -> tuple[gpd.GeoDataFrame, np.ndarray]:
    """Give the zones of the field, worked ones first, largest first, and the action per cell.

    Harrow and tillage zones are implement runs on their own heading and come first; the ground they
    leave is ruled along the main heading.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns are described in docs/tables.md.
    numpy.ndarray
        (rows, cols) uint8 action of the zone that each cell lies in.
    """
    inside = np.isfinite(spot.ratio)
    done = np.zeros(inside.shape, np.uint8)
    passes = np.where(np.isin(wanted.any, _PASS_NUMBERS), wanted.any, 0)
    tables: list[gpd.GeoDataFrame] = []
    if passes.any():
        table, of_cell = _ruled(result, spot, passes, inside, ways.pass_heading_deg, ways, limits)
        done[of_cell > 0] = of_cell[of_cell > 0]
        tables.append(table[table["rule_id"] != "plan-leave"])
        inside = inside & (done == 0)
    if inside.any():
        table, of_cell = _ruled(
            result, spot, wanted.gentle, inside, ways.main_heading_deg, ways, limits
        )
        done[inside] = of_cell[inside]
        if tables and len(tables[0]):
            worked = shapely.union_all(tables[0].geometry)
            table = table.assign(geometry=table.geometry.difference(worked))
        tables.append(table)
    zones = gpd.GeoDataFrame(pd.concat(tables, ignore_index=True), crs=result.grid.crs)
    zones = zones[zones["area_m2"] > 0]
    order = np.lexsort((-zones["area_m2"], zones["rule_id"] == "plan-leave"))
    zones = zones.iloc[order].reset_index(drop=True)
    zones["zone_id"] = np.arange(1, len(zones) + 1)
    return zones, done


def _ruled(
    result: FieldResult,
    spot: Spot,
    action: np.ndarray,
    inside: np.ndarray,
    heading_deg: float,
    ways: Ways,
    limits: Limits,
) -> tuple[gpd.GeoDataFrame, np.ndarray]:
    """Rule some ground along a heading; give its zones and the action of every cell."""
    settings, grid, width_m = result.settings, result.grid, ways.width_m
    length_m = max(_PIECE_WIDTHS * width_m, settings.limits.strip_min_length_m)
    ruling = rule_field(inside, grid, heading_deg, width_m, length_m)
    counts = ruling.counted(action, len(RULE_IDS))
    chosen = action_of_pieces(counts, settings.plan.zone_share)
    chosen = without_slivers(chosen, ruling, counts, grid.cell_area_m2)
    chosen = _worth_driving(chosen, zones_of(chosen, counts, ruling), ruling, spot)
    zone = zones_of(chosen, counts, ruling)
    count = int(zone.max())
    by_zone = np.zeros((count + 1, len(RULE_IDS)))
    np.add.at(by_zone, zone, counts)
    of_cell = zone[ruling.piece]
    # runs in a zone are what the driver counts as passes
    run = np.flatnonzero(zone) // ruling.lengths
    pair = np.unique(zone[zone > 0] * ruling.runs + run)
    first = np.zeros(count + 1, np.int64)
    first[zone] = chosen
    area = np.bincount(of_cell, minlength=count + 1)[1:] * grid.cell_area_m2
    table = pd.DataFrame(
        {
            "zone_id": np.arange(1, count + 1),
            "rule_id": [RULE_IDS[a] for a in first[1:]],
            "action": [ACTIONS[RULE_IDS[a]] for a in first[1:]],
            "area_m2": area,
            "implement_runs": np.bincount(pair // ruling.runs, minlength=count + 1)[1:],
            "heading_deg": heading_deg,
            "width_m": width_m,
            **_numbers(of_cell, ruling.cells, count, spot, limits),
            "called_share": _called_share(by_zone[1:], first[1:]),
            "travel_m": area / width_m,
        }
    )
    shapes = zone_outlines(zone, ruling, result.outline)
    cells = np.zeros(inside.shape, np.uint8)
    cells.ravel()[ruling.cells] = chosen[ruling.piece]
    return gpd.GeoDataFrame(table, geometry=shapes, crs=grid.crs), cells


def _worth_driving(chosen: np.ndarray, zone: np.ndarray, ruling: Ruling, spot: Spot) -> np.ndarray:
    """Leave zones of harrow or tillage that are too small, or that harrowing hardly evens."""
    count = int(zone.max())
    of_cell = zone[ruling.piece]
    before, after = (
        _means(of_cell, count, np.abs(ratio.ravel()[ruling.cells] - 1))
        for ratio in (spot.ratio, spot.harrowed_ratio)
    )
    pieces = np.bincount(zone, minlength=count + 1)[1:]
    drop = pieces < _LEAST_PIECES
    harrowed = np.zeros(count, bool)
    harrowed[zone[chosen == _HARROW] - 1] = True
    drop |= harrowed & (after > (1 - LEAST_MENDED) * before)
    left = np.isin(chosen, _PASS_NUMBERS) & np.append(False, drop)[zone]
    return np.where(left, 0, chosen)


def work_by_action(zones: gpd.GeoDataFrame, settings: FieldSettings) -> pd.DataFrame:
    """Add zones up by action; cost and fuel are NaN where no price is stated."""
    stated = settings.plan
    harrow = stated.harrow_cost_per_ha, stated.harrow_fuel_l_per_ha
    rake = stated.rake_cost_per_ha, stated.rake_fuel_l_per_ha
    prices = {
        "plan-harrow": harrow,
        "plan-spread-again": rake,
        "plan-till": (stated.till_cost_per_ha, stated.till_fuel_l_per_ha),
        "plan-bale-or-rake": rake,
    }
    rows = []
    for rule_id, group in zones.groupby("rule_id", sort=False):
        hectares = group["area_m2"].sum() / 1e4
        cost, fuel = prices.get(str(rule_id), (None, None))
        per_l = stated.fuel_price_per_l
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
                "implement_runs": int(group["implement_runs"].sum()),
                "travel_km": group["travel_m"].sum() / 1000,
                "cost": total,
                "fuel_l": fuel_l,
            }
        )
    return pd.DataFrame(rows)

"""What the plan comes to: an action for every strip, zones for the implement, hectares."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from covermap.field.field_result import FieldResult
from covermap.ground.field_sums import count_of
from covermap.ground.rasters import (
    DerivedRaster,
    FiledRaster,
    HeldRaster,
    Raster,
    new_raster,
    stripes,
)
from covermap.plan.actions import (
    ACTIONS,
    LEAST_MENDED,
    PASSES,
    RULE_IDS,
    Limits,
    Spot,
    beyond_limits,
    choose_actions,
)
from covermap.plan.planned_ground import PlannedGround
from covermap.plan.zones import (
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


@dataclass(frozen=True)
class Calls:
    """What each cell calls for, and with what numbers that is explained.

    Attributes
    ----------
    ground : PlannedGround
    limits : Limits
    harrow_pays : bool
        Whether harrowing evens the field out worth a pass.
    """

    ground: PlannedGround
    limits: Limits
    harrow_pays: bool

    def action(self, spot: Spot, *, with_passes: bool) -> np.ndarray:
        """Give the action of some cells, with and without passes of harrow or tillage."""
        return choose_actions(
            spot, self.limits, harrow_pays=self.harrow_pays, with_passes=with_passes
        )


class _AreaFigures:
    """Adds up the numbers that actions are explained with, cell by cell in their order.

    Parameters
    ----------
    areas : int
        Pieces or strips, numbered from 0.
    limits : Limits
    """

    def __init__(self, areas: int, limits: Limits) -> None:
        self._areas, self._limits = areas, limits
        self._sums: dict[str, np.ndarray] = {}

    def add(self, number: np.ndarray, spot: Spot, where: np.ndarray) -> None:
        """Add the cells ``where`` of some rows, by the number of their area."""
        ratio, load, after = spot.ratio[where], spot.load_t_ha[where], spot.harrowed_ratio[where]
        beyond = beyond_limits(ratio, load, self._limits)
        beyond_after = beyond_limits(after, spot.harrowed_load_t_ha[where], self._limits)
        for name, values in {
            "mean_ratio": ratio,
            "load_t_ha": load,
            "cover_after_pct": spot.cover_pct[where],
            "beyond_share": beyond.astype(float),
            "beyond_share_harrowed": beyond_after.astype(float),
            "off_even": np.abs(ratio - 1),
            "off_even_harrowed": np.abs(after - 1),
        }.items():
            sums = self._sums.setdefault(name, np.zeros((2, self._areas)))
            np.add.at(sums[0], number, np.nan_to_num(values))
            sums[1] += np.bincount(number[np.isfinite(values)], minlength=self._areas)

    def means(self, group: np.ndarray, groups: int) -> dict[str, np.ndarray]:
        """Give the means of groups of areas numbered from 1."""
        found = {}
        for name, sums in self._sums.items():
            total, known = (np.bincount(group, one, groups + 1)[1:] for one in sums)
            found[name] = np.asarray(total / np.maximum(known, 1))
        return found


def _counted(number: np.ndarray, action: np.ndarray, areas: int) -> np.ndarray:
    """Give (areas, actions) cells that call for each action."""
    kinds = len(RULE_IDS)
    code = number.astype(np.int64) * kinds + action
    return np.bincount(code, minlength=areas * kinds).reshape(areas, kinds)


def _called_share(counts: np.ndarray, chosen: np.ndarray) -> np.ndarray:
    """Give the share of each area's ground that calls for the action chosen."""
    total = np.maximum(counts.sum(axis=1), 1)
    return np.asarray(counts[np.arange(len(counts)), chosen] / total)


def strip_actions(result: FieldResult, calls: Calls, zone_action: Raster) -> gpd.GeoDataFrame:
    """Add to the strips what to do about each, and the numbers behind it.

    A strip is harrowed or tilled only where it lies in a zone that is.
    """
    strips = result.strips
    areas = len(strips)
    figures = _AreaFigures(areas, calls.limits)
    counts, gentle, zoned = np.zeros((3, areas, len(RULE_IDS)), np.int64)
    for part in stripes(result.grid):
        of_cell = result.rasters["strip_of_cell"].rows(part.row, part.rows)
        where = of_cell > 0
        number = of_cell[where] - 1
        spot = calls.ground.spot(part.row, part.rows)
        figures.add(number, spot, where)
        counts += _counted(number, calls.action(spot, with_passes=True)[where], areas)
        gentle += _counted(number, calls.action(spot, with_passes=False)[where], areas)
        zoned += _counted(number, zone_action.rows(part.row, part.rows)[where], areas)
    least = result.settings.plan.zone_share
    chosen = action_of_pieces(counts, least)
    worked = zoned[np.arange(areas), chosen] >= 0.5 * zoned.sum(axis=1)
    apart = np.isin(chosen, _PASS_NUMBERS) & ~worked
    chosen = np.where(apart, action_of_pieces(gentle, least), chosen)
    called = np.where(apart, _called_share(gentle, chosen), _called_share(counts, chosen))
    numbers = figures.means(np.arange(areas) + 1, areas)
    numbers.pop("mean_ratio", None)
    return strips.assign(
        rule_id=[RULE_IDS[a] for a in chosen],
        action=[ACTIONS[RULE_IDS[a]] for a in chosen],
        **numbers,
        called_share=called,
    )


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


def field_zones(result: FieldResult, calls: Calls, ways: Ways) -> tuple[gpd.GeoDataFrame, Raster]:
    """Give the zones of the field, worked ones first, largest first, and the action per cell.

    Harrow and tillage zones are implement runs on their own heading and come first; the ground they
    leave is ruled along the main heading.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns are described in docs/tables.md.
    Raster
        (rows, cols) uint8 action of the zone that each cell lies in.
    """
    inside = calls.ground.known
    action = new_raster(result.grid, np.uint8)
    tables: list[gpd.GeoDataFrame] = []
    if calls.harrow_pays or calls.limits.tills:
        table = _ruled(result, calls, inside, ways, action, with_passes=True)
        tables.append(table[table["rule_id"] != "plan-leave"])
        inside = DerivedRaster(lambda here, done: here & (done == 0), inside, action)
    if count_of(inside):
        table = _ruled(result, calls, inside, ways, action, with_passes=False)
        if tables and len(tables[0]):
            worked = shapely.union_all(tables[0].geometry)
            table = table.assign(geometry=table.geometry.difference(worked))
        tables.append(table)
    zones = gpd.GeoDataFrame(
        pd.concat([table for table in tables if len(table)], ignore_index=True),
        crs=result.grid.crs,
    )
    zones = zones[zones["area_m2"] > 0]
    order = np.lexsort((-zones["area_m2"], zones["rule_id"] == "plan-leave"))
    zones = zones.iloc[order].reset_index(drop=True)
    zones["zone_id"] = np.arange(1, len(zones) + 1)
    return zones, action


def _ruled(
    result: FieldResult,
    calls: Calls,
    inside: Raster,
    ways: Ways,
    action: HeldRaster | FiledRaster,
    *,
    with_passes: bool,
) -> gpd.GeoDataFrame:
    """Rule some ground along a heading; give its zones, and write the action of every cell."""
    settings, grid, width_m = result.settings, result.grid, ways.width_m
    heading_deg = ways.pass_heading_deg if with_passes else ways.main_heading_deg
    length_m = max(_PIECE_WIDTHS * width_m, settings.limits.strip_min_length_m)
    ruling = rule_field(inside, grid, heading_deg, width_m, length_m)
    figures = _AreaFigures(ruling.pieces, calls.limits)
    counts = np.zeros((ruling.pieces, len(RULE_IDS)), np.int64)
    for part in stripes(grid):
        where = inside.rows(part.row, part.rows)
        piece, spot = ruling.piece(where, part.row), calls.ground.spot(part.row, part.rows)
        figures.add(piece, spot, where)
        wanted = calls.action(spot, with_passes=with_passes)[where]
        if with_passes:
            wanted[~np.isin(wanted, _PASS_NUMBERS)] = 0
        counts += _counted(piece, wanted, ruling.pieces)
    chosen = action_of_pieces(counts, settings.plan.zone_share)
    chosen = without_slivers(chosen, ruling, counts, grid.cell_area_m2)
    chosen = _worth_driving(chosen, zones_of(chosen, counts, ruling), figures)
    for part in stripes(grid):
        where = inside.rows(part.row, part.rows)
        values = action.rows(part.row, part.rows).copy()
        values[where] = chosen[ruling.piece(where, part.row)]
        action.write(part.row, values)
    zone = zones_of(chosen, counts, ruling)
    count = int(zone.max())
    by_zone = np.zeros((count + 1, len(RULE_IDS)))
    np.add.at(by_zone, zone, counts)
    # runs in a zone are what the driver counts as passes
    run = np.flatnonzero(zone) // ruling.lengths
    pair = np.unique(zone[zone > 0] * ruling.runs + run)
    first = np.zeros(count + 1, np.int64)
    first[zone] = chosen
    area = by_zone.sum(axis=1)[1:] * grid.cell_area_m2
    table = pd.DataFrame(
        {
            "zone_id": np.arange(1, count + 1),
            "rule_id": [RULE_IDS[a] for a in first[1:]],
            "action": [ACTIONS[RULE_IDS[a]] for a in first[1:]],
            "area_m2": area,
            "implement_runs": np.bincount(pair // ruling.runs, minlength=count + 1)[1:],
            "heading_deg": heading_deg,
            "width_m": width_m,
            **figures.means(zone, count),
            "called_share": _called_share(by_zone[1:], first[1:]),
            "travel_m": area / width_m,
        }
    )
    return gpd.GeoDataFrame(
        table, geometry=zone_outlines(zone, ruling, result.outline), crs=grid.crs
    )


def _worth_driving(chosen: np.ndarray, zone: np.ndarray, figures: _AreaFigures) -> np.ndarray:
    """Leave zones of harrow or tillage that are too small, or that harrowing hardly evens."""
    count = int(zone.max())
    means = figures.means(zone, count)
    pieces = np.bincount(zone, minlength=count + 1)[1:]
    drop = pieces < _LEAST_PIECES
    harrowed = np.zeros(count, bool)
    harrowed[zone[chosen == _HARROW] - 1] = True
    drop |= harrowed & (means["off_even_harrowed"] > (1 - LEAST_MENDED) * means["off_even"])
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

"""The plan of one field: everything that was found out about its next pass."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import pandas as pd

from covermap.field.field_result import FieldResult
from covermap.ground.rasters import Raster
from covermap.plan.actions import Limits
from covermap.plan.baling import Baling
from covermap.plan.erosion import WindLoss
from covermap.plan.fragility import Fragility
from covermap.plan.harrow_angle import HarrowChoice
from covermap.plan.nitrogen import TieUp
from covermap.plan.operation_table import Range
from covermap.plan.operations import CoverClass, Step
from covermap.plan.planned_ground import PlannedGround
from covermap.plan.seeding import Establishment, SeedingFlags
from covermap.tables.said import Said


@dataclass(frozen=True)
class FieldPlan:
    """What comes next on one field.

    Attributes
    ----------
    result : FieldResult
        The map the plan is made from.
    limits : Limits
    fragile : Fragility
    steps : list of Step
        Now and after each operation: residue and cover, means of the harvested ground.
    seeding_step : int
        Place in ``steps`` of the ground that the seeder meets.
    target : CoverClass
        Ground above and below the target after the operations.
    water_ratio : tuple of float
        Field's soil-loss ratio to water, now and after the operations.
    water_range : Range
        After the operations, for cover that works more, as usual and less.
    wind_ratio : tuple of WindLoss
        Field's soil-loss ratio to wind, now and after the operations.
    nitrogen : TieUp
        Of the residue now, worked in or left on the surface: means of the ground.
    seeding : SeedingFlags
    response : Establishment or None
    harrow : HarrowChoice or None
        None where the passes have no common heading, or nothing is uneven.
    baling : Baling
        Of the residue now.
    action : Raster
        (rows, cols) uint8 place in :data:`covermap.plan.actions.RULE_IDS` of the cell's zone.
    ground : PlannedGround
    strips, zones : geopandas.GeoDataFrame
        With rule_id, action and the numbers behind them.
    work : pandas.DataFrame
        Hectares, passes, travel, cost and fuel by action.
    assumptions : tuple of Said
    notes : tuple of Said
    """

    result: FieldResult
    limits: Limits
    fragile: Fragility
    steps: list[Step]
    seeding_step: int
    target: CoverClass
    water_ratio: tuple[float, float]
    water_range: Range
    wind_ratio: tuple[WindLoss, WindLoss]
    nitrogen: TieUp
    seeding: SeedingFlags
    response: Establishment | None
    harrow: HarrowChoice | None
    baling: Baling
    action: Raster
    ground: PlannedGround
    strips: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    work: pd.DataFrame
    assumptions: tuple[Said, ...]
    notes: tuple[Said, ...]

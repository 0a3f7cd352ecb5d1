"""What was found out about one field: rasters, passes, strips, accounts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry.base import BaseGeometry

from covermap.cover.evenness import Evenness
from covermap.cover.spectrum import Spectrum
from covermap.cover.spread_limits import SpreadLimits
from covermap.field.harvest_record import Harvest
from covermap.ground.grid import Grid
from covermap.ground.rasters import Raster
from covermap.harvest.ledger import Ledger
from covermap.harvest.working_width import across_m
from covermap.settings.field_settings import FieldSettings
from covermap.tables.crops import Crop
from covermap.tables.said import Said


@dataclass(frozen=True)
class MassBalance:
    """Dry matter [kg]: everything grown is in one of the accounts.

    grown = stubble + left_by_header + landed_on_field + landed_outside + baled, and
    through_machine = landed_on_field + landed_outside + baled. What fell on crop that a
    later pass cut (on_standing_crop) is part of what landed: it is taken to lie where it
    fell, though some goes through the machine again with that crop.
    """

    grain_kg: float
    grown_kg: float
    stubble_kg: float
    left_by_header_kg: float
    through_machine_kg: float
    landed_on_field_kg: float
    landed_outside_kg: float
    baled_kg: float
    on_standing_crop_kg: float


@dataclass(frozen=True)
class FieldResult:
    """Everything found out about one field.

    Attributes
    ----------
    name : str
        As the person calls it.
    grid : Grid
        Of all arrays.
    rasters : mapping of str to Raster
        residue_t_ha, cover_pct, spread_ratio, layers, given_kg_m2 (float32, NaN where there
        is nothing to say), cut_by (sweep, -1 none) and strip_of_cell (strip_id, 0 none), to
        be read by rows. Properties of the same names read them whole.
    harvest : Harvest
        What the combine did, without the bands, which are laid.
    left_flat_share : float
        Residue that the header left flat on its own row, over that through the machine.
    passes, strips : geopandas.GeoDataFrame
        In the grid's CRS.
    causes : pandas.DataFrame
        Causes added up over the field: rule_id, cause, strips, area_ha, missing_t, too_much_t.
    causes_kg : pandas.DataFrame
        What each cause put on each strip [kg].
    spectrum : Spectrum
        What repeats across the passes.
    outline : shapely geometry
        Of the field.
    evenness : Evenness
        Of the spread ratio over the harvested ground.
    tray_m : float
        Side of the trays the evenness was read with [m].
    harvested_m2 : float
        Ground cut at least once.
    ledger : Ledger
        What was removed.
    fixes_read : int
        Fixes in the track.
    assumptions, notes : tuple of Said
        Defaults that filled holes; what was found and repaired.
    """

    name: str
    grid: Grid
    rasters: Mapping[str, Raster]
    harvest: Harvest
    left_flat_share: float
    passes: gpd.GeoDataFrame
    strips: gpd.GeoDataFrame
    causes: pd.DataFrame
    causes_kg: pd.DataFrame
    spectrum: Spectrum
    outline: BaseGeometry
    mass: MassBalance
    evenness: Evenness
    tray_m: float
    harvested_m2: float
    ledger: Ledger
    fixes_read: int
    settings: FieldSettings
    crop: Crop
    assumptions: tuple[Said, ...]
    notes: tuple[Said, ...]

    @property
    def limits(self) -> SpreadLimits:
        """Spread ratios that make a gap or a double."""
        limits = self.settings.limits
        return SpreadLimits(limits.gap_below, limits.double_above)

    @property
    def residue_t_ha(self) -> np.ndarray:
        """Residue on the ground [t/ha]."""
        return self.rasters["residue_t_ha"].whole()

    @property
    def cover_pct(self) -> np.ndarray:
        """Ground covered [%]."""
        return self.rasters["cover_pct"].whole()

    @property
    def spread_ratio(self) -> np.ndarray:
        """Residue landed ÷ residue of the ground itself."""
        return self.rasters["spread_ratio"].whole()

    @property
    def layers(self) -> np.ndarray:
        """Passes that put a meaningful share on the cell."""
        return self.rasters["layers"].whole()

    @property
    def given_kg_m2(self) -> np.ndarray:
        """Residue that the ground itself gave to the machine [kg/m²]; NaN if not harvested."""
        return self.rasters["given_kg_m2"].whole()

    @property
    def strip_of_cell(self) -> np.ndarray:
        """strip_id of the cell, 0 none."""
        return self.rasters["strip_of_cell"].whole()

    @cached_property
    def pass_of_cell(self) -> np.ndarray:
        """Pass that cut the cell, from 1; 0 none."""
        pass_no = np.append(self.harvest.pass_of_sweep, 0).astype(np.int32)
        return np.asarray(pass_no[self.rasters["cut_by"].whole()])

    @cached_property
    def across_m(self) -> np.ndarray:
        """How far right of that pass's middle line the cell lies [m]."""
        return across_m(self.rasters["cut_by"].whole(), self.harvest.sweeps, self.grid)

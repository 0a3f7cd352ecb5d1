"""What was found out about one field: rasters, passes, strips, accounts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from functools import cached_property
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry.base import BaseGeometry

from covermap import __version__
from covermap.cover.evenness import Evenness
from covermap.cover.spectrum import Spectrum, spectrum_findings
from covermap.cover.spread_limits import SpreadLimits, mean_where_known
from covermap.field.harvest import Harvest
from covermap.ground.grid import Grid
from covermap.ground.rasters import DerivedRaster, PlacedRaster, Raster
from covermap.harvest.ledger import Ledger
from covermap.harvest.working_width import across_m
from covermap.settings.field_settings import BY_NAME, FieldSettings
from covermap.tables.crops import Crop
from covermap.tables.plain_values import plain
from covermap.tables.said import Said

#: What is wrong with a kind of strip.
_WRONG = {"gap": "deficit_kg", "double": "excess_kg"}


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
    inputs_sha256 : mapping of str to str
        File name to SHA-256 of what was read, where it is known.
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
    inputs_sha256: Mapping[str, str] = field(default_factory=dict)

    @property
    def limits(self) -> SpreadLimits:
        """Spread ratios that make a gap or a double."""
        limits = self.settings.limits
        return SpreadLimits(limits.gap_below, limits.double_above)

    @property
    def place(self) -> str:
        """Its name: a run stands in memory."""
        return self.name

    @cached_property
    def summary(self) -> Mapping[str, Any]:
        """Numbers by the keys of ``summary.json``; None for what could not be worked out."""
        return _summary(self)

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

    @property
    def cut_by_pass(self) -> Raster:
        """Pass that cut the cell, from 1; 0 none."""
        pass_no = np.append(self.harvest.pass_of_sweep, 0).astype(np.int32)
        return DerivedRaster(lambda cut_by: pass_no[cut_by], self.rasters["cut_by"])

    @property
    def off_middle_m(self) -> Raster:
        """How far right of that pass's middle line the cell lies [m]."""
        return PlacedRaster(
            lambda first, cut_by: across_m(cut_by, self.harvest.sweeps, self.grid, first),
            self.rasters["cut_by"],
        )

    @cached_property
    def pass_of_cell(self) -> np.ndarray:
        """All of ``cut_by_pass``."""
        return self.cut_by_pass.whole()

    @cached_property
    def across_m(self) -> np.ndarray:
        """All of ``off_middle_m``."""
        return self.off_middle_m.whole()


def _summary(result: FieldResult) -> dict[str, Any]:
    ledger = result.ledger
    seen = ledger.grain_seen_kg
    settings: dict[str, dict[str, Any]] = {}
    for (section, key), setting in BY_NAME.items():
        if section != "field":
            settings.setdefault(section, {})[key] = result.settings.value_of(setting)
    passes, mass = result.passes, result.mass
    content = {
        "covermap": __version__,
        "field": {
            "name": result.name,
            "crs": result.grid.crs.to_string(),
            "cell_m": result.grid.cell_m,
            "bounds_m": result.grid.bounds,
            "outline_ha": result.outline.area / 1e4,
            "harvested_ha": result.harvested_m2 / 1e4,
        },
        "inputs_sha256": dict(result.inputs_sha256),
        "crop": result.crop.kind,
        "mass_kg": asdict(mass),
        "residue": {
            "through_machine_t_ha": mass.through_machine_kg / 1e3 / (result.harvested_m2 / 1e4),
            "mean_residue_t_ha": _mean_on_harvested(result, "residue_t_ha"),
            "mean_cover_pct": _mean_on_harvested(result, "cover_pct"),
        },
        "evenness": {**asdict(result.evenness), "tray_m": result.tray_m},
        **_beyond_limits(result),
        "passes": {
            "count": len(passes),
            "spacing_median_m": float(passes["spacing_m"].median()),
            "length_km": float(passes["length_m"].sum() / 1000),
            "mean_speed_m_s": float(
                np.average(passes["mean_speed_m_s"], weights=passes["length_m"])
            ),
            "working_width_m": float(result.harvested_m2 / passes["length_m"].sum()),
        },
        "wind": _wind(result),
        "causes": result.causes.to_dict("records"),
        "spectrum": _spectrum(result),
        "top_strips": result.strips.drop(columns="geometry").head(10).to_dict("records"),
        "fixes": {
            "read": result.fixes_read,
            "harvested": int(passes["fixes"].sum()),
            "removed": ledger.counts(),
            "grain_dropped_kg": ledger.grain_dropped_kg,
            "grain_dropped_pct": 100 * ledger.grain_dropped_kg / seen if seen > 0 else None,
        },
        "settings": settings,
        "assumptions": [said.as_record() for said in result.assumptions],
        "notes": [said.as_record() for said in result.notes],
    }
    return plain(content)  # type: ignore[no-any-return]


def _mean_on_harvested(result: FieldResult, band: str) -> float:
    return mean_where_known(result.rasters["spread_ratio"], result.rasters[band], result.grid)


def _beyond_limits(result: FieldResult) -> dict[str, dict[str, float]]:
    """Give harvested ground beyond each limit: all of it, and the part that makes strips."""
    found = {}
    for kind, area_m2 in result.limits.areas_m2(
        result.rasters["spread_ratio"], result.grid
    ).items():
        strips = result.strips[result.strips["kind"] == kind]
        wrong = _WRONG[kind]
        found[kind] = {
            "area_ha": area_m2 / 1e4,
            "strips": len(strips),
            "strip_area_ha": float(strips["area_m2"].sum()) / 1e4,
            f"strip_{wrong}": float(strips[wrong].sum()),
        }
    return found


def _spectrum(result: FieldResult) -> dict[str, Any] | None:
    spectrum = result.spectrum
    if spectrum.reason is not None:
        return None
    curves = {"ratio": spectrum.ratio, "residue": spectrum.residue, "given": spectrum.given}
    return {
        "one_spacing_m": spectrum.spacing_m,
        **{
            name: {
                "cv_pct": curve.cv_pct,
                "one_spacing_cv_pct": curve.one_spacing_cv_pct,
                "two_spacings_cv_pct": curve.two_spacings_cv_pct,
            }
            for name, curve in curves.items()
        },
        "findings": [one.as_record() for one in spectrum_findings(spectrum)],
    }


def _wind(result: FieldResult) -> dict[str, float | None]:
    """Give the wind over the passes: as measured, and across them on the flying straw."""
    passes = result.passes[result.passes["wind_speed_m_s"].notna()]
    if passes.empty:
        return dict.fromkeys(("speed_mean_m_s", "speed_max_m_s", "crosswind_max_m_s"))
    return {
        "speed_mean_m_s": float(np.average(passes["wind_speed_m_s"], weights=passes["length_m"])),
        "speed_max_m_s": float(passes["wind_speed_m_s"].max()),
        "crosswind_max_m_s": float(passes["crosswind_m_s"].abs().max()),
    }

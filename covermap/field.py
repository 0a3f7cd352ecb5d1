"""One field, all steps in order: from the track to what lies where. Writes nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
from rasterio.features import rasterize
from shapely.geometry.base import BaseGeometry

from covermap.cover.cause_table import field_causes, with_causes
from covermap.cover.causes import Cut, strip_causes
from covermap.cover.evenness import Evenness, evenness, evenness_by_pass, tray_readings
from covermap.cover.ground_cover import cover_pct
from covermap.cover.spectrum import Spectrum, cross_track_spectrum
from covermap.cover.strips import StripGround, find_strips
from covermap.cover.what_if import Run
from covermap.crops import Crop
from covermap.errors import SettingsError
from covermap.field_passes import pass_table, weighted_median
from covermap.ground.grid import Grid
from covermap.harvest.clean_track import Ledger
from covermap.harvest.main_heading import combine_heading_deg
from covermap.harvest.outline import field_outline
from covermap.harvest.read_track import Track
from covermap.harvest.residue import own_residue_kg_m2
from covermap.harvest.working_width import cut_ground
from covermap.harvest_record import Harvest, assumptions, pass_lines, read_harvest
from covermap.settings import FieldSettings
from covermap.spread.deposit import Bands, Deposit, deposit
from covermap.spread.wind import WindSeries

#: A cell counts as harvested ground if at least this part of it was cut.
HARVESTED_SHARE = 0.5
#: Less than this off the field is not drawn [kg/m²].
_DUST_KG_M2 = 1e-9

Progress = Callable[[str], None]


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
    residue_t_ha, cover_pct, spread_ratio, layers : numpy.ndarray
        (rows, cols) float32, NaN where there is nothing to say.
    given_kg_m2 : numpy.ndarray
        Residue that the ground itself gave to the machine [kg/m²], NaN where not harvested.
    left_flat_share : float
        Residue that the header left flat on its own row, over that through the machine.
    pass_of_cell : numpy.ndarray
        Pass that cut the cell, from 1; 0 none.
    across_m : numpy.ndarray
        How far right of that pass's middle line the cell lies [m].
    strip_of_cell : numpy.ndarray
        strip_id of the cell, 0 none.
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
    mass : MassBalance
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
    settings : FieldSettings
    crop : Crop
    assumptions, notes : tuple of str
        Defaults that filled holes; what was found and repaired.
    bands : Bands
        What was laid down, for what-ifs.
    """

    name: str
    grid: Grid
    residue_t_ha: np.ndarray
    cover_pct: np.ndarray
    spread_ratio: np.ndarray
    layers: np.ndarray
    given_kg_m2: np.ndarray
    left_flat_share: float
    pass_of_cell: np.ndarray
    across_m: np.ndarray
    strip_of_cell: np.ndarray
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
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]
    bands: Bands


def map_field(
    track: Track,
    settings: FieldSettings,
    boundary: BaseGeometry | None = None,
    progress: Progress | None = None,
    wind: WindSeries | None = None,
) -> FieldResult:
    """Map where the residue of one harvest track landed and what that means.

    Parameters
    ----------
    track : Track
        As read by :func:`covermap.harvest.read_track.read_track`.
    settings : FieldSettings
        As built by :func:`covermap.field_file.build_settings`.
    boundary : shapely geometry, optional
        Outline of the field in the track's CRS; drawn around the passes if not given.
    progress : callable
        Told the name of each step as it starts.
    wind : WindSeries, optional
        Wind over time; wins over a constant wind in the settings.

    Returns
    -------
    FieldResult

    Raises
    ------
    CovermapError
        If the track or a setting does not allow a map.
    """
    progress = progress or _silent
    progress("passes and residue flow")
    harvest = read_harvest(track, settings, boundary, wind)
    grid, sweeps, flow = harvest.grid, harvest.sweeps, harvest.flow
    pass_no = harvest.passes.pass_of_fix[sweeps.rows]
    own = own_residue_kg_m2(flow.through_kg, harvest.newly_cut_m2, sweeps.length_m, pass_no)
    progress("ground that was cut")
    cut = Cut(sweeps, harvest.newly_cut_m2, own, cut_ground(sweeps, own, grid)[0])
    progress("where it landed")
    mean_kg_m2 = flow.through_kg.sum() / max(harvest.newly_cut_m2.sum(), 1e-9)
    laid = deposit(
        harvest.bands,
        grid,
        meaningful_kg_m2=settings.number("limits", "layer_share") * mean_kg_m2,
        cut_pass=np.append(pass_no, 0).astype(np.int32)[cut.ground.cut_by],
    )
    progress("what it means")
    lines = pass_lines(harvest)
    outline = boundary or field_outline(
        lines, harvest.passes.table["spacing_m"].to_numpy(), _widths(harvest, pass_no)
    )
    inside = rasterize([outline], out_shape=grid.shape, transform=grid.transform).astype(bool)
    inside |= (cut.ground.cut_share >= HARVESTED_SHARE) if boundary is None else False
    return _meaning(track, settings, harvest, cut, laid, lines, outline, inside, progress)


def _silent(step: str) -> None:
    """Take no notice of progress."""


def _widths(harvest: Harvest, pass_no: np.ndarray) -> np.ndarray:
    """Give the widest header of each pass [m]."""
    return pd.Series(harvest.sweeps.header_width_m).groupby(pass_no).max().to_numpy()


def _meaning(
    track: Track,
    settings: FieldSettings,
    harvest: Harvest,
    cut: Cut,
    laid: Deposit,
    lines: np.ndarray,
    outline: BaseGeometry,
    inside: np.ndarray,
    progress: Progress,
) -> FieldResult:
    grid, flow, sweeps, ground = harvest.grid, harvest.flow, harvest.sweeps, cut.ground
    ratios = flow.ratios
    pass_no = harvest.passes.pass_of_fix[sweeps.rows]
    harvested = (ground.cut_share >= HARVESTED_SHARE) & (ground.given_kg_m2 > 0) & inside
    ratio = np.full(grid.shape, np.nan, np.float32)
    np.divide(laid.kg_m2, ground.given_kg_m2, out=ratio, where=harvested, casting="same_kind")
    residue_t_ha = np.multiply(laid.kg_m2, 10.0, dtype=np.float32, casting="same_kind")
    if ratios.left_flat > 0:
        flat = 10 * ratios.left_flat / ratios.through
        residue_t_ha += np.multiply(ground.given_kg_m2, flat, dtype=np.float32, casting="same_kind")
    trays, tray_m = tray_readings(laid.kg_m2, ground.given_kg_m2, harvested, grid.cell_m)
    even = evenness(trays)
    del trays
    by_pass = evenness_by_pass(
        ratio[harvested],
        pass_no.astype(np.int32)[ground.cut_by[harvested]],
        ground.across_m[harvested],
    )
    passes = pass_table(harvest, by_pass.reindex(harvest.passes.table["pass_id"]), lines, pass_no)
    passes["on_standing_crop_kg"] = laid.on_standing_kg[1:]
    known = passes["urdr"].notna()
    even = replace(
        even,
        urdr=weighted_median(
            passes.loc[known, "urdr"].to_numpy(), passes.loc[known, "length_m"].to_numpy()
        ),
    )
    progress("strips")
    found = find_strips(
        StripGround(
            ratio,
            laid.kg_m2,
            ground.given_kg_m2,
            residue_t_ha,
            ground.cut_by,
            ground.across_m,
            (harvest.machine["discharge"] == "windrow").to_numpy()[sweeps.rows],
        ),
        grid,
        pass_no,
        sweeps,
        gap_below=settings.number("limits", "gap_below"),
        double_above=settings.number("limits", "double_above"),
        min_length_m=settings.number("limits", "strip_min_length"),
        min_area_m2=settings.number("limits", "strip_min_area"),
    )
    progress("why strips are there")
    causes_kg = strip_causes(
        Run.of_harvest(
            harvest.clean.path,
            sweeps.rows,
            pass_no,
            harvest.machine,
            flow.straw_kg,
            flow.chaff_kg,
            harvest.wind,
        ),
        cut,
        grid,
        found.of_cell,
        laid.kg_m2,
    )
    strips = with_causes(found.table, causes_kg)
    given = np.where(harvested, ground.given_kg_m2, np.nan).astype(np.float32)
    pass_of_cell = np.append(pass_no, 0).astype(np.int32)[ground.cut_by]
    outside = ~inside & ~(laid.kg_m2 > _DUST_KG_M2)
    residue_t_ha[outside] = np.nan
    layers = laid.layers.astype(np.float32)
    layers[outside] = np.nan
    grain = float(flow.grain_dry_kg.sum())
    landed = float(laid.landed_kg.sum())
    on_field = float(laid.kg_m2[inside].sum() * grid.cell_area_m2)
    mass = MassBalance(
        grain_kg=grain,
        grown_kg=grain * (ratios.straw + ratios.chaff),
        stubble_kg=grain * ratios.stubble,
        left_by_header_kg=grain * ratios.left_flat,
        through_machine_kg=grain * ratios.through,
        landed_on_field_kg=on_field,
        landed_outside_kg=landed - on_field,
        baled_kg=harvest.baled_kg,
        on_standing_crop_kg=float(laid.on_standing_kg.sum()),
    )
    return FieldResult(
        name=settings.get("field", "name") or track.source.rsplit(".", 1)[0],
        grid=grid,
        residue_t_ha=residue_t_ha,
        cover_pct=cover_pct(residue_t_ha, harvest.crop.cover_m2_per_kg),
        spread_ratio=ratio,
        layers=layers,
        given_kg_m2=given,
        left_flat_share=ratios.left_flat / ratios.through,
        pass_of_cell=pass_of_cell,
        across_m=ground.across_m,
        strip_of_cell=found.of_cell,
        passes=passes,
        strips=strips,
        causes=field_causes(strips, causes_kg),
        causes_kg=causes_kg,
        spectrum=_spectrum(ratio, given, residue_t_ha, grid, passes),
        outline=outline,
        mass=mass,
        evenness=even,
        tray_m=tray_m,
        harvested_m2=float(harvest.newly_cut_m2.sum()),
        ledger=harvest.passes.ledger,
        fixes_read=len(track.fixes) + len(track.unreadable),
        settings=settings,
        crop=harvest.crop,
        assumptions=assumptions(settings, harvest.crop),
        notes=(
            *track.notes,
            *harvest.clean.notes,
            *harvest.passes.notes,
            *flow.notes,
            *harvest.notes,
            *_warnings(harvest, mass, settings, harvested),
        ),
        bands=harvest.bands,
    )


def _spectrum(
    ratio: np.ndarray,
    given: np.ndarray,
    residue_t_ha: np.ndarray,
    grid: Grid,
    passes: gpd.GeoDataFrame,
) -> Spectrum:
    try:
        heading = combine_heading_deg(
            passes["heading_deg"].to_numpy(float), passes["length_m"].to_numpy(float)
        )
    except SettingsError:  # laps have none, and the spectrum says so
        heading = float("nan")
    spacing = float(passes["spacing_m"].median())
    return cross_track_spectrum(ratio, given, residue_t_ha, grid, heading, spacing)


def _warnings(
    harvest: Harvest, mass: MassBalance, settings: FieldSettings, harvested: np.ndarray
) -> tuple[str, ...]:
    """Say what does not fit together, so that a slip of the pen is seen."""
    found = []
    spacing = float(harvest.passes.table["spacing_m"].median())
    width = float(np.median(harvest.sweeps.header_width_m))
    if np.isfinite(spacing) and not 0.75 <= width / spacing <= 1.35:
        feet = width * 0.3048
        hint = f" Did you mean {width:g} ft?" if abs(feet / spacing - 1) < 0.2 else ""
        found.append(
            f"Warning: passes lie {spacing:.1f} m apart, but the header is {width:.1f} m wide."
            f"{hint} Area and residue per hectare follow from that width."
        )
    if "header_width_m" in harvest.clean.path and ("combine", "cut_width") in settings.given:
        found.append(
            "The header width in the track is used; the stated cut width only fills its gaps."
        )
    outside = mass.landed_outside_kg / max(mass.through_machine_kg, 1e-9)
    cut_inside = harvested.sum() * harvest.grid.cell_area_m2 / harvest.newly_cut_m2.sum()
    if settings.get("field", "boundary") is not None and cut_inside < 0.8:
        found.append(
            f"Warning: {1 - cut_inside:.0%} of the harvested ground lies outside the boundary. "
            "Mass and harvested area are those of the whole track; evenness, gaps and doubles "
            "are of the ground inside. Is it the right boundary?"
        )
    elif outside > 0.2:
        found.append(
            f"Warning: {outside:.0%} of the residue landed outside the harvested ground. Check "
            "the spread width, the lean and the residue delay."
        )
    return tuple(found)

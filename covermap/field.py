"""One field, all steps in order: from the track to what lies where. Writes nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
from rasterio.features import rasterize
from shapely.geometry.base import BaseGeometry

from covermap.cover.evenness import Evenness, evenness, evenness_by_pass, tray_readings
from covermap.cover.ground_cover import cover_pct
from covermap.cover.strips import StripGround, find_strips
from covermap.crops import Crop
from covermap.ground.grid import Grid
from covermap.harvest.clean_track import Ledger
from covermap.harvest.outline import field_outline
from covermap.harvest.read_track import Track
from covermap.harvest.residue import own_residue_kg_m2
from covermap.harvest.working_width import CutGround, cut_ground
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
    passes, strips : geopandas.GeoDataFrame
        In the grid's CRS.
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
    passes: gpd.GeoDataFrame
    strips: gpd.GeoDataFrame
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
    ground, _ = cut_ground(sweeps, own, grid)
    progress("where it landed")
    mean_kg_m2 = flow.through_kg.sum() / max(harvest.newly_cut_m2.sum(), 1e-9)
    laid = deposit(
        harvest.bands,
        grid,
        meaningful_kg_m2=settings.number("limits", "layer_share") * mean_kg_m2,
        cut_pass=np.append(pass_no, 0).astype(np.int32)[ground.cut_by],
    )
    progress("what it means")
    lines = pass_lines(harvest)
    outline = boundary or field_outline(
        lines, harvest.passes.table["spacing_m"].to_numpy(), _widths(harvest, pass_no)
    )
    inside = rasterize([outline], out_shape=grid.shape, transform=grid.transform).astype(bool)
    inside |= (ground.cut_share >= HARVESTED_SHARE) if boundary is None else False
    return _meaning(track, settings, harvest, ground, laid, lines, outline, inside, progress)


def _silent(step: str) -> None:
    """Take no notice of progress."""


def _widths(harvest: Harvest, pass_no: np.ndarray) -> np.ndarray:
    """Give the widest header of each pass [m]."""
    return pd.Series(harvest.sweeps.header_width_m).groupby(pass_no).max().to_numpy()


def _meaning(
    track: Track,
    settings: FieldSettings,
    harvest: Harvest,
    ground: CutGround,
    laid: Deposit,
    lines: np.ndarray,
    outline: BaseGeometry,
    inside: np.ndarray,
    progress: Progress,
) -> FieldResult:
    grid, flow, sweeps = harvest.grid, harvest.flow, harvest.sweeps
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
    passes = _pass_table(harvest, by_pass.reindex(harvest.passes.table["pass_id"]), lines, pass_no)
    passes["on_standing_crop_kg"] = np.bincount(
        harvest.bands.pass_index, laid.on_standing_kg, len(passes) + 1
    )[1:]
    known = passes["urdr"].notna()
    even = replace(
        even,
        urdr=_weighted_median(
            passes.loc[known, "urdr"].to_numpy(), passes.loc[known, "length_m"].to_numpy()
        ),
    )
    progress("strips")
    strips = find_strips(
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
        passes=passes,
        strips=strips,
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


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    if len(values) == 0:
        return float("nan")
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])


def _pass_mean(values: np.ndarray, pass_no: np.ndarray) -> np.ndarray:
    return np.asarray(pd.Series(values).groupby(pass_no).mean().to_numpy())


def _pass_table(
    harvest: Harvest, by_pass: pd.DataFrame, lines: np.ndarray, pass_no: np.ndarray
) -> gpd.GeoDataFrame:
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
        table["wind_from_deg"] = np.degrees(np.arctan2(-east, -north)) % 360
    for column in ("mean_ratio", "cv_pct", "urdr", "christiansen_cu_pct", "low_quarter_du_pct"):
        table[column] = by_pass[column].to_numpy()
    return gpd.GeoDataFrame(table, geometry=lines, crs=harvest.grid.crs)

"""One field, all steps in order: from the track to what lies where. Writes nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry.base import BaseGeometry

from covermap.cover.cause_table import field_causes, with_causes
from covermap.cover.causes import Cut, strip_causes
from covermap.cover.evenness import evenness_of, middle_urdr
from covermap.cover.spectrum import Spectrum, cross_track_spectrum
from covermap.errors import SettingsError
from covermap.field.field_ground import FieldGround, ground_of_field
from covermap.field.field_passes import pass_table
from covermap.field.field_result import FieldResult, MassBalance
from covermap.field.harvest import Harvest
from covermap.field.harvest_record import assumptions, pass_lines, read_harvest, run_of
from covermap.ground.grid import Grid
from covermap.ground.lean_memory import give_back
from covermap.ground.rasters import Raster
from covermap.harvest.main_heading import combine_heading_deg
from covermap.harvest.outline import field_outline
from covermap.harvest.residue import own_residue_kg_m2
from covermap.harvest.track import Track
from covermap.settings.field_settings import FieldSettings
from covermap.tables.said import Said
from covermap.units import METRES_PER_FOOT
from covermap.wind.wind import WindSeries

Progress = Callable[[str], None]


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
        As built by :func:`covermap.settings.field_file.build_settings`.
    boundary : shapely geometry, optional
        Outline of the field in the track's CRS; drawn around the passes if not given.
    progress : callable
        Told the name of each step as it starts.
    wind : WindSeries, optional
        Wind over time; wins over a constant wind in the settings.

    Raises
    ------
    CovermapError
        If the track or a setting does not allow a map.
    """
    progress = progress or (lambda _step: None)
    give_back(len(track.fixes))
    progress("passes and residue flow")
    harvest = read_harvest(track, settings, boundary, wind)
    sweeps, flow = harvest.sweeps, harvest.flow
    own = own_residue_kg_m2(
        flow.through_kg, harvest.newly_cut_m2, sweeps.length_m, harvest.pass_of_sweep
    )
    lines = pass_lines(harvest)
    widest = pd.Series(sweeps.header_width_m).groupby(harvest.pass_of_sweep).max()
    outline = boundary or field_outline(
        lines, harvest.passes.table["spacing_m"].to_numpy(), widest.to_numpy()
    )
    progress("where it landed")
    ground = ground_of_field(harvest, settings, own, outline, bounded=boundary is not None)
    harvest = harvest.without_bands()
    give_back(len(track.fixes))
    progress("what it means")
    return _meaning(track, settings, harvest, own, ground, lines, outline, progress)


def _meaning(
    track: Track,
    settings: FieldSettings,
    harvest: Harvest,
    own_kg_m2: np.ndarray,
    ground: FieldGround,
    lines: np.ndarray,
    outline: BaseGeometry,
    progress: Progress,
) -> FieldResult:
    grid, flow, sweeps = harvest.grid, harvest.flow, harvest.sweeps
    ratios = flow.ratios
    pass_no = harvest.pass_of_sweep
    by_pass = ground.by_pass.table()
    passes = pass_table(harvest, by_pass.reindex(harvest.passes.table["pass_id"]), lines, pass_no)
    passes["on_standing_crop_kg"] = ground.on_standing_kg[1:]
    even = replace(
        evenness_of(ground.trays),
        urdr=middle_urdr(passes["urdr"].to_numpy(), passes["length_m"].to_numpy()),
    )
    progress("strips")
    found = ground.strips.finish()
    give_back(len(track.fixes))
    progress("why strips are there")
    causes_kg = strip_causes(
        run_of(harvest),
        Cut(sweeps, harvest.newly_cut_m2, own_kg_m2, ground.rasters["cut_by"]),
        grid,
        found.sums,
    )
    strips = with_causes(found.table, causes_kg)
    grain = float(flow.grain_dry_kg.sum())
    mass = MassBalance(
        grain_kg=grain,
        grown_kg=grain * (ratios.straw + ratios.chaff),
        stubble_kg=grain * ratios.stubble,
        left_by_header_kg=grain * ratios.left_flat,
        through_machine_kg=grain * ratios.through,
        landed_on_field_kg=ground.on_field_kg,
        landed_outside_kg=ground.landed_kg - ground.on_field_kg,
        baled_kg=harvest.baled_kg,
        on_standing_crop_kg=float(ground.on_standing_kg.sum()),
    )
    return FieldResult(
        name=settings.field.name or track.source.rsplit(".", 1)[0],
        grid=grid,
        rasters={**ground.rasters, "strip_of_cell": found.of_cell},
        harvest=harvest,
        left_flat_share=ratios.left_flat / ratios.through,
        passes=passes,
        strips=strips,
        causes=field_causes(strips, causes_kg),
        causes_kg=causes_kg,
        spectrum=_spectrum(ground.rasters, grid, passes),
        outline=outline,
        mass=mass,
        evenness=even,
        tray_m=ground.tray_m,
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
            *_warnings(harvest, mass, settings, ground.harvested_m2),
        ),
    )


def _spectrum(rasters: Mapping[str, Raster], grid: Grid, passes: gpd.GeoDataFrame) -> Spectrum:
    try:
        heading = combine_heading_deg(
            passes["heading_deg"].to_numpy(float), passes["length_m"].to_numpy(float)
        )
    except SettingsError:  # laps have none, and the spectrum says so
        heading = float("nan")
    spacing = float(passes["spacing_m"].median())
    ratio, given, residue = (
        rasters[name] for name in ("spread_ratio", "given_kg_m2", "residue_t_ha")
    )
    return cross_track_spectrum(ratio, given, residue, grid, heading, spacing)


def _warnings(
    harvest: Harvest, mass: MassBalance, settings: FieldSettings, inside_m2: float
) -> tuple[Said, ...]:
    """Say what does not fit together, so that a slip of the pen is seen."""
    found = []
    spacing = float(harvest.passes.table["spacing_m"].median())
    width = float(np.median(harvest.sweeps.header_width_m))
    if np.isfinite(spacing) and not 0.75 <= width / spacing <= 1.35:
        feet = width * METRES_PER_FOOT
        likely = abs(feet / spacing - 1) < 0.2
        rule = "field-width-in-feet" if likely else "field-width-not-spacing"
        numbers = {"spacing_m": spacing, "width_m": width, "feet": width}
        found.append(Said(rule, numbers))
    stated = settings.combine.cut_width_m is not None
    if "header_width_m" in harvest.clean.path and stated:
        found.append(Said("field-width-of-track"))
    outside = mass.landed_outside_kg / max(mass.through_machine_kg, 1e-9)
    cut_inside = inside_m2 / harvest.newly_cut_m2.sum()
    if settings.field.boundary is not None and cut_inside < 0.8:
        found.append(Said("field-outside-boundary", {"share": float(1 - cut_inside)}))
    elif outside > 0.2:
        found.append(Said("field-landed-outside", {"share": float(outside)}))
    return tuple(found)

"""What the combine did on one field: passes, ground cut, residue flow and bands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from covermap.cover.what_if import Run
from covermap.field.harvest import Harvest
from covermap.ground.grid import grid_around
from covermap.ground.travel import travel_along
from covermap.harvest.clean_track import clean_track
from covermap.harvest.outline import check_boundary
from covermap.harvest.passes import Passes, find_passes
from covermap.harvest.residue import ResidueRatios, residue_flow, residue_ratios
from covermap.harvest.track import Track
from covermap.harvest.working_width import HeaderSweeps, header_sweeps, newly_cut_m2
from covermap.settings.field_settings import SECTIONS, FieldSettings, defaults_used
from covermap.settings.needed import crop_of, cut_height_m, no_cut_width, usual_cut_width_m
from covermap.spread.bands import band_places, laden
from covermap.spread.machine_settings import settings_per_fix
from covermap.tables.crops import Crop
from covermap.tables.said import Said
from covermap.wind.wind import WindSeries
from covermap.wind.wind_on_fixes import reach_of_rotor_m, stated_wind, thrower, wind_on_fixes

_MARGIN_M = 2.0


def run_of(harvest: Harvest) -> Run:
    """Give the run as it was, for what-ifs."""
    return Run(
        harvest.clean.path,
        harvest.sweeps.rows,
        harvest.pass_of_sweep,
        harvest.machine,
        harvest.flow.straw_kg,
        harvest.flow.chaff_kg,
        harvest.wind,
        spread=(harvest.machine["discharge"] == "spread").to_numpy(bool),
        added=np.zeros(len(harvest.sweeps.rows), bool),
        travel=travel_along(harvest.clean.path),
    )


def ratios_of(settings: FieldSettings, crop: Crop) -> ResidueRatios:
    """Give residue per grain by the settings and the crop."""
    return residue_ratios(
        crop,
        cut_height_m=cut_height_m(settings.crop, crop),
        straw_to_grain=settings.crop.straw_to_grain,
        chaff_to_grain=settings.crop.chaff_to_grain,
        harvest_index=settings.crop.harvest_index,
    )


def mean_speed_m_s(passes: Passes) -> float:
    """Give the mean speed over all passes [m/s]."""
    table = passes.table
    return float(np.average(table["mean_speed_m_s"], weights=table["length_m"]))


def read_harvest(
    track: Track,
    settings: FieldSettings,
    boundary: BaseGeometry | None = None,
    wind: WindSeries | None = None,
) -> Harvest:
    """Work out passes, working width, residue flow and bands of a track.

    A wind given here wins over a constant one in the settings.
    """
    crop = crop_of(settings.crop)
    wind = wind or stated_wind(settings)
    width = usual_cut_width_m(settings.combine.cut_width_m, track.fixes)
    if width is None:
        raise no_cut_width()
    clean = clean_track(
        track,
        most_speed_m_s=settings.limits.most_speed_m_s,
        most_harvest_speed_m_s=settings.limits.most_harvest_speed_m_s,
        grain_delay_s=settings.combine.grain_delay_s,
    )
    passes = find_passes(clean, width)
    path = clean.path
    stubble_m = cut_height_m(settings.crop, crop)
    forward = mean_speed_m_s(passes)
    settings, notes = _reach_from_rotor(settings, crop, stubble_m, forward)
    machine = settings_per_fix(settings, path, passes.pass_of_fix)
    sweeps = header_sweeps(
        path,
        passes.pass_of_fix,
        machine["cut_width_m"].to_numpy(),
        machine["antenna_behind_header_m"].to_numpy(),
    )
    if boundary is not None:
        name = str(settings.field.boundary or "boundary")
        check_boundary(boundary, sweeps.corners, name.replace("\\", "/").rsplit("/", 1)[-1])
    pass_no = passes.pass_of_fix[sweeps.rows]
    ratios = ratios_of(settings, crop)
    # masses need area, area needs a grid that holds header and bands
    fix_wind = None
    if wind is not None:
        fix_wind, wind_notes = wind_on_fixes(
            wind,
            settings,
            crop,
            path,
            sweeps.rows,
            heading_deg(sweeps),
            machine,
            ratios.straw_through / ratios.through,
            stubble_m,
            forward,
        )
        notes = (*notes, *wind_notes)
    places = band_places(path, sweeps.rows, pass_no, machine, fix_wind)
    both = (sweeps.corners, places.corners)
    low = np.min([corners.min(axis=(0, 1)) for corners in both], axis=0)
    high = np.max([corners.max(axis=(0, 1)) for corners in both], axis=0)
    grid = grid_around(
        track.crs,
        (low[0], low[1], high[0], high[1]),
        settings.grid.cell_m,
        _MARGIN_M,
    )
    cut_m2 = newly_cut_m2(sweeps, grid)
    flow = residue_flow(
        path,
        sweeps.rows,
        cut_m2,
        crop,
        ratios,
        grain_yield_t_ha=settings.crop.grain_yield_t_ha,
        grain_moisture_pct=settings.crop.grain_moisture_pct,
    )
    bands, baled_kg = laden(places, sweeps.rows, pass_no, machine, flow.straw_kg, flow.chaff_kg)
    return Harvest(
        clean, passes, machine, sweeps, cut_m2, flow, bands, baled_kg, grid, crop, fix_wind, notes
    )


def heading_deg(sweeps: HeaderSweeps) -> np.ndarray:
    """Give the direction of each sweep [deg]."""
    corners = sweeps.corners
    step = corners[:, 2] + corners[:, 3] - corners[:, 0] - corners[:, 1]
    return np.asarray(np.degrees(np.arctan2(step[:, 0], step[:, 1])) % 360)


def _reach_from_rotor(
    settings: FieldSettings, crop: Crop, stubble_m: float, forward_m_s: float
) -> tuple[FieldSettings, tuple[Said, ...]]:
    """Fill in the reach from rotor and rpm where no width is stated."""
    spread = settings.spread
    stated = spread.width_m is not None or spread.reach_left_m is not None
    if settings.combine.rotor_rpm is None or stated:
        return settings, ()
    reach = reach_of_rotor_m(thrower(settings, stubble_m, forward_m_s), crop)
    note = Said("field-reach-of-rotor", {"reach_m": reach})
    return replace(settings, spread=replace(spread, width_m=2 * reach)), (note,)


def pass_lines(harvest: Harvest) -> np.ndarray:
    """Give each pass as a line through the middle of its header sweeps."""
    pass_no = harvest.pass_of_sweep
    first = np.append(True, pass_no[1:] != pass_no[:-1])
    corners = harvest.sweeps.corners
    # the start of each pass, and then the end of each of its sweeps
    place = np.arange(len(pass_no)) + np.cumsum(first)
    points = np.empty((len(pass_no) + int(first.sum()), 2))
    points[place] = corners[:, 2:].mean(axis=1)
    points[place[first] - 1] = corners[first, :2].mean(axis=1)
    owner = np.repeat(pass_no, 1 + first) - 1
    return np.asarray(shapely.linestrings(points, indices=owner))


def assumptions(settings: FieldSettings, crop: Crop | None) -> tuple[Said, ...]:
    """Say which default filled which hole of the map."""
    said = defaults_used(settings, [name for name in SECTIONS if name != "plan"])
    if crop is None:
        return tuple(said)
    kind = {"crop": crop.kind}
    if settings.crop.cut_height_m is None:
        said.append(Said("assumed-cut-height", {**kind, "cut_height_m": crop.cut_height_m}))
    if settings.crop.straw_to_grain is None and settings.crop.harvest_index is None:
        shares = {"straw": crop.straw_to_grain, "chaff": crop.chaff_to_grain}
        said.append(Said("assumed-straw", {**kind, **shares}))
    if crop.header_takes_share < 1:
        share = 1 - crop.header_takes_share
        said.append(Said("assumed-header-leaves", {**kind, "share": share}))
    return tuple(said)

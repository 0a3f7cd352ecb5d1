"""What the combine did on one field: passes, ground cut, residue flow and bands."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from covermap.errors import Ask, SettingsError
from covermap.ground.grid import Grid, grid_around
from covermap.harvest.clean_track import CleanTrack, clean_track
from covermap.harvest.outline import check_boundary
from covermap.harvest.passes import Passes, find_passes
from covermap.harvest.read_track import Track
from covermap.harvest.residue import ResidueFlow, ResidueRatios, residue_flow, residue_ratios
from covermap.harvest.working_width import HeaderSweeps, header_sweeps, newly_cut_m2
from covermap.settings.field_settings import BY_NAME, SETTINGS, FieldSettings
from covermap.spread.bands import band_places, laden
from covermap.spread.deposit import Bands
from covermap.spread.machine_settings import settings_per_fix
from covermap.tables.crops import Crop, find_crop
from covermap.tables.said import Said
from covermap.wind.wind import WindSeries
from covermap.wind.wind_lean import FixWind
from covermap.wind.wind_on_fixes import reach_of_rotor_m, stated_wind, thrower, wind_on_fixes

_MARGIN_M = 2.0


@dataclass(frozen=True)
class Harvest:
    """What the combine did: the first half of the job."""

    clean: CleanTrack
    passes: Passes
    machine: pd.DataFrame
    sweeps: HeaderSweeps
    newly_cut_m2: np.ndarray
    flow: ResidueFlow
    bands: Bands
    baled_kg: float
    grid: Grid
    crop: Crop
    wind: FixWind | None
    notes: tuple[Said, ...]

    def without_bands(self) -> Harvest:
        """Give the same without its bands, which are laid: they take much memory."""
        few = slice(0)
        bands = replace(
            self.bands,
            corners=self.bands.corners[few].copy(),
            mass_kg=self.bands.mass_kg[few].copy(),
            profile=self.bands.profile[few].copy(),
            pass_index=self.bands.pass_index[few].copy(),
        )
        return replace(self, bands=bands)


def crop_of(settings: FieldSettings) -> Crop:
    """Give the crop of the settings.

    Raises
    ------
    SettingsError
        If none is given or it is unknown.
    """
    kind = settings.get("crop", "kind")
    if kind is None:
        raise SettingsError("[crop] kind is missing.", "", "Give {0}.", Ask("crop.kind", "wheat"))
    return find_crop(kind)


def cut_height_m(settings: FieldSettings, crop: Crop) -> float:
    """Give the stubble height [m]: as stated, else the crop's usual one."""
    stated = settings.get("crop", "cut_height")
    return crop.cut_height_m if stated is None else float(stated)


def ratios_of(settings: FieldSettings, crop: Crop) -> ResidueRatios:
    """Give residue per grain by the settings and the crop."""
    return residue_ratios(
        crop,
        cut_height_m=cut_height_m(settings, crop),
        straw_to_grain=settings.get("crop", "straw_to_grain"),
        chaff_to_grain=settings.get("crop", "chaff_to_grain"),
        harvest_index=settings.get("crop", "harvest_index"),
    )


def mean_speed_m_s(passes: Passes) -> float:
    """Give the mean speed over all passes [m/s]."""
    table = passes.table
    return float(np.average(table["mean_speed_m_s"], weights=table["length_m"]))


def typical_cut_width_m(track: Track, settings: FieldSettings) -> float:
    """Give the header width [m]: as stated, else the middle one of the track.

    Raises
    ------
    SettingsError
        If neither is known.
    """
    stated = settings.get("combine", "cut_width")
    if stated is not None:
        return float(stated)
    if "header_width_m" in track.fixes:
        widths = track.fixes["header_width_m"]
        if (widths > 0).any():
            return float(widths[widths > 0].median())
    raise SettingsError(
        "[combine] cut_width is missing and the track has no header width.",
        "",
        "Give {0}.",
        Ask("combine.cut_width", "35 ft"),
    )


def read_harvest(
    track: Track,
    settings: FieldSettings,
    boundary: BaseGeometry | None = None,
    wind: WindSeries | None = None,
) -> Harvest:
    """Work out passes, working width, residue flow and bands of a track.

    A wind given here wins over a constant one in the settings.
    """
    crop = crop_of(settings)
    wind = wind or stated_wind(settings)
    width = typical_cut_width_m(track, settings)
    clean = clean_track(
        track,
        most_speed_m_s=settings.number("limits", "most_speed"),
        most_harvest_speed_m_s=settings.number("limits", "most_harvest_speed"),
        grain_delay_s=settings.number("combine", "grain_delay_s"),
    )
    passes = find_passes(clean, width)
    path = clean.path
    stubble_m = cut_height_m(settings, crop)
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
        name = str(settings.get("field", "boundary") or "boundary")
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
        settings.number("grid", "cell"),
        _MARGIN_M,
    )
    cut_m2 = newly_cut_m2(sweeps, grid)
    flow = residue_flow(
        path,
        sweeps.rows,
        cut_m2,
        crop,
        ratios,
        grain_yield_t_ha=settings.get("crop", "grain_yield"),
        grain_moisture_pct=settings.get("crop", "grain_moisture_pct"),
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
    stated = [settings.get("spread", key) for key in ("width", "reach_left")]
    if settings.get("combine", "rotor_rpm") is None or stated != [None, None]:
        return settings, ()
    reach = reach_of_rotor_m(thrower(settings, stubble_m, forward_m_s), crop)
    note = Said("field-reach-of-rotor", {"reach_m": reach})
    return settings.with_values({("spread", "width"): 2 * reach}), (note,)


def pass_lines(harvest: Harvest) -> np.ndarray:
    """Give each pass as a line through the middle of its header sweeps."""
    pass_no = harvest.passes.pass_of_fix[harvest.sweeps.rows]
    first = np.append(True, pass_no[1:] != pass_no[:-1])
    corners = harvest.sweeps.corners
    # the start of each pass, and then the end of each of its sweeps
    place = np.arange(len(pass_no)) + np.cumsum(first)
    points = np.empty((len(pass_no) + int(first.sum()), 2))
    points[place] = corners[:, 2:].mean(axis=1)
    points[place[first] - 1] = corners[first, :2].mean(axis=1)
    owner = np.repeat(pass_no, 1 + first) - 1
    return np.asarray(shapely.linestrings(points, indices=owner))


#: How a default of a kind is shown; other kinds have the same unit for every reader.
_SHOWN_AS = {
    "length": "length g",
    "speed": "wind g",
    "area": "small area g",
    "mass per area": "mass per area g",
}


def defaults_used(settings: FieldSettings, sections: Collection[str]) -> list[Said]:
    """Say which defaults of some sections are in use, each with its reason."""
    said = []
    for name, setting in BY_NAME.items():
        value = settings.values[name]
        unsaid = value is None or not setting.why or setting.section not in sections
        if name in settings.given or unsaid:
            continue
        kind = _SHOWN_AS.get(setting.kind, "")
        if not kind:
            text = f"{value:g}" if isinstance(value, float) else str(value)
            own = "" if setting.kind in ("number", "choice", "share") else f" {setting.unit}"
            value = f"{text}{own}"
        numbers = {"setting": setting.name, "value": value, "kind": kind, "why": setting.why}
        said.append(Said("assumed-default", numbers))
    return said


def assumptions(settings: FieldSettings, crop: Crop | None) -> tuple[Said, ...]:
    """Say which default filled which hole of the map."""
    said = defaults_used(settings, [s.section for s in SETTINGS if s.section != "plan"])
    if crop is None:
        return tuple(said)
    kind = {"crop": crop.kind}
    if ("crop", "cut_height") not in settings.given:
        said.append(Said("assumed-cut-height", {**kind, "cut_height_m": crop.cut_height_m}))
    if not {("crop", "straw_to_grain"), ("crop", "harvest_index")} & settings.given:
        shares = {"straw": crop.straw_to_grain, "chaff": crop.chaff_to_grain}
        said.append(Said("assumed-straw", {**kind, **shares}))
    if crop.header_takes_share < 1:
        share = 1 - crop.header_takes_share
        said.append(Said("assumed-header-leaves", {**kind, "share": share}))
    return tuple(said)

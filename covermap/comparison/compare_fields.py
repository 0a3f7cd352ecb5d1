"""Two maps of one field side by side: what changed, what came back, what was done otherwise.

Computes only: results in, a :class:`Comparison` out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

import geopandas as gpd
import numpy as np
from rasterio.features import rasterize

from covermap.comparison.common_evenness import MEASURES, evenness_on
from covermap.comparison.common_ground import averaged_onto, cells_agree, part_of, shared_windows
from covermap.comparison.repeat_strips import KINDS, Chance, chance_of_overlap, repeat_strips
from covermap.comparison.same_tracks import TrackMatch, match_tracks
from covermap.cover.spread_limits import SpreadLimits, known_m2
from covermap.errors import SettingsError
from covermap.field.mapped_field import MappedField
from covermap.files.open_result import MAP_AGAIN
from covermap.ground.grid import Grid
from covermap.ground.rasters import HeldRaster, Raster
from covermap.settings.needed import usual_cut_width_m

#: Bands that are compared.
_BANDS = ("residue_t_ha", "cover_pct", "spread_ratio")
_PASS_SETTINGS = ("discharge", "profile", "reach_left_m", "reach_right_m", "lean_m")


@dataclass(frozen=True)
class Pair:
    """One number in A and in B; NaN where it could not be worked out."""

    a: float
    b: float

    @property
    def change(self) -> float:
        """B − A."""
        # two lanes without residue (infinite both) have not changed, nor are they known
        return self.b - self.a if math.isfinite(self.a) and math.isfinite(self.b) else math.nan


@dataclass(frozen=True)
class SettingChange:
    """A setting that is not the same in both; SI values, None where it was not given."""

    section: str
    key: str
    a: Any
    b: Any


@dataclass(frozen=True)
class Comparison:
    """What two maps of one field have in common and what not.

    Attributes
    ----------
    a, b : MappedField
        As read; B in its own grid.
    grid : Grid
        Of all arrays: the rectangle that both maps cover, in A's cells.
    bands_a, bands_b, change : mapping of str to numpy.ndarray
        (rows, cols) residue_t_ha, cover_pct, spread_ratio; ``change`` is B − A on the
        common ground (harvested in both), NaN elsewhere.
    resampled : bool
        B was averaged onto A's cells.
    common_m2, only_a_m2, only_b_m2 : float
        Harvested ground of both, of A alone, of B alone [m²].
    means : mapping of str to Pair
        Band to its mean over the common ground.
    mean_absolute_change : mapping of str to float
        Band to the mean of abs(B − A) over the common ground.
    as_mapped, on_common_ground : mapping of str to Pair
        :data:`covermap.comparison.common_evenness.MEASURES` as each map states them for its
        own ground, and worked out anew on the common ground.
    tray_m : float
        Side of the trays on the common ground [m].
    limits, limits_b : SpreadLimits
        Of A, used on the common ground; of B.
    strips_a, strips_b : geopandas.GeoDataFrame
        In the grid's CRS.
    repeats : geopandas.GeoDataFrame
        As :func:`covermap.comparison.repeat_strips.repeat_strips`.
    chance : mapping of str to Chance
        By kind of strip.
    same_harvest : bool
        Both are of one track: a what-if of settings.
    tracks : TrackMatch or None
        How B's passes lie to A's; None for one harvest.
    setting_changes : tuple of SettingChange
    pass_setting_changes : mapping of str to int
        Setting to the number of passes it differs on; for one harvest in the same passes.
    """

    a: MappedField
    b: MappedField
    grid: Grid
    bands_a: Mapping[str, np.ndarray]
    bands_b: Mapping[str, np.ndarray]
    change: Mapping[str, np.ndarray]
    resampled: bool
    common_m2: float
    only_a_m2: float
    only_b_m2: float
    means: Mapping[str, Pair]
    mean_absolute_change: Mapping[str, float]
    as_mapped: Mapping[str, Pair]
    on_common_ground: Mapping[str, Pair]
    tray_m: float
    limits: SpreadLimits
    limits_b: SpreadLimits
    strips_a: gpd.GeoDataFrame
    strips_b: gpd.GeoDataFrame
    repeats: gpd.GeoDataFrame
    chance: Mapping[str, Chance]
    same_harvest: bool
    tracks: TrackMatch | None
    setting_changes: tuple[SettingChange, ...]
    pass_setting_changes: Mapping[str, int]


def compare_fields(a: MappedField, b: MappedField) -> Comparison:
    """Compare two maps of one field.

    Raises
    ------
    SettingsError
        If the two have no harvested ground in common.
    """
    resampled = not cells_agree(a.grid, b.grid)
    rasters_b: Mapping[str, Raster] = b.rasters
    if resampled:
        whole = {name: b.rasters[name].whole() for name in _BANDS}
        averaged = averaged_onto(whole, b.grid, a.grid)
        rasters_b = {name: HeldRaster(values) for name, values in averaged.items()}
    windows = shared_windows(a.grid, a.grid if resampled else b.grid)
    if windows is None:
        raise _no_common_ground(a, b)
    in_a, in_b = (
        {name: x[name].rows(w.row, w.rows)[:, w.col : w.col + w.cols] for name in _BANDS}
        for x, w in ((a.rasters, windows[0]), (rasters_b, windows[1]))
    )
    grid = part_of(a.grid, windows[0])
    harvested_a, harvested_b = (np.isfinite(x["spread_ratio"]) for x in (in_a, in_b))
    common = harvested_a & harvested_b
    if not common.any():
        raise _no_common_ground(a, b)
    change = {}
    for name in in_a:
        change[name] = np.where(common, in_b[name] - in_a[name], np.float32(np.nan))
    passes_b, strips_b = b.passes.to_crs(grid.crs), b.strips.to_crs(grid.crs)
    tray_m = max(_tray_m(a), _tray_m(b), grid.cell_m)
    measured = [
        evenness_on(ratio, common, grid, passes, tray_m, a.limits)
        for ratio, passes in ((in_a["spread_ratio"], a.passes), (in_b["spread_ratio"], passes_b))
    ]
    same_harvest = _of_one_track(a, b)
    cut_width_m = min(_cut_width_m(a), _cut_width_m(b))
    cell = grid.cell_area_m2
    # ground of a map beyond the shared rectangle is that map's alone, too
    whole_a, whole_b = (known_m2(x.rasters["spread_ratio"], x.grid) for x in (a, b))
    common_m2 = int(common.sum()) * cell
    return Comparison(
        a=a,
        b=b,
        grid=grid,
        bands_a=in_a,
        bands_b=in_b,
        change=change,
        resampled=resampled,
        common_m2=common_m2,
        only_a_m2=max(whole_a - common_m2, 0.0),
        only_b_m2=max(whole_b - common_m2, 0.0),
        means={name: Pair(_mean(in_a[name][common]), _mean(in_b[name][common])) for name in change},
        mean_absolute_change={name: _mean(np.abs(x[common])) for name, x in change.items()},
        as_mapped=_stated(a, b),
        on_common_ground={name: Pair(measured[0][name], measured[1][name]) for name in MEASURES},
        tray_m=max(round(tray_m / grid.cell_m), 1) * grid.cell_m,
        limits=a.limits,
        limits_b=b.limits,
        strips_a=a.strips,
        strips_b=strips_b,
        repeats=repeat_strips(a.strips, strips_b),
        chance={
            kind: chance_of_overlap(
                _ground_of(a.strips, kind, grid), _ground_of(strips_b, kind, grid), common
            )
            for kind in KINDS
        },
        same_harvest=same_harvest,
        tracks=None
        if same_harvest
        else match_tracks(a.passes.geometry, passes_b.geometry, cut_width_m),
        setting_changes=_setting_changes(a.summary["settings"], b.summary["settings"]),
        pass_setting_changes=_pass_setting_changes(a, b) if same_harvest else {},
    )


def place_name(result: MappedField) -> str:
    """Give the last part of where a result stands."""
    return PurePath(result.place).name or result.place


def _no_common_ground(a: MappedField, b: MappedField) -> SettingsError:
    return SettingsError(
        f"{a.place} and {b.place} do not overlap: no harvested ground is in both maps "
        f"({a.name} and {b.name}).",
        way_out="Name two results of the same field.",
    )


def _mean(values: np.ndarray) -> float:
    return float(np.mean(values, dtype=np.float64))


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


def _tray_m(result: MappedField) -> float:
    stated = _number(result.summary["evenness"].get("tray_m"))
    return stated if math.isfinite(stated) else result.grid.cell_m


def _cut_width_m(result: MappedField) -> float:
    """Give the stated cut width [m], else what the passes measured or how far apart they lay."""
    stated = _number(result.summary["settings"].get("combine", {}).get("cut_width"))
    passes = result.summary.get("passes", {})
    measured = [_number(passes.get(name)) for name in ("working_width_m", "spacing_median_m")]
    width = usual_cut_width_m(stated if stated > 0 else None, measured_m=measured)
    if width is None:
        raise SettingsError(
            f"{result.place}: no cut width, working width or pass spacing in its summary.",
            way_out=MAP_AGAIN,
        )
    return width


def _stated(a: MappedField, b: MappedField) -> dict[str, Pair]:
    def of(result: MappedField, name: str) -> float:
        if name.endswith("_ha"):
            return _number(result.summary.get(name.removesuffix("_ha"), {}).get("area_ha"))
        return _number(result.summary["evenness"].get(name))

    return {name: Pair(of(a, name), of(b, name)) for name in MEASURES}


def _ground_of(strips: gpd.GeoDataFrame, kind: str, grid: Grid) -> np.ndarray:
    """Mark the cells whose middle lies in a strip of a kind."""
    shapes = [
        s for s in strips.geometry[strips["kind"] == kind] if s is not None and not s.is_empty
    ]
    if not shapes:
        return np.zeros(grid.shape, bool)
    return np.asarray(
        rasterize(shapes, out_shape=grid.shape, transform=grid.transform, dtype="uint8") > 0
    )


def _of_one_track(a: MappedField, b: MappedField) -> bool:
    """Tell whether both maps read the same track file.

    A boundary, too, is shared between years; but then as many fixes will not have been read.
    """

    def hashes(result: MappedField) -> set[str]:
        settings = result.summary["settings"]
        others = {
            PurePath(str(settings.get(section, {}).get(key) or "")).name
            for section, key in (("wind", "file"), ("spread", "profile_file"))
        }
        inputs = result.summary["inputs_sha256"].items()
        return {
            h for name, h in inputs if not name.lower().endswith(".toml") and name not in others
        }

    read_a, read_b = (x.summary["fixes"].get("read") for x in (a, b))
    return bool(hashes(a) & hashes(b)) and read_a == read_b


def _setting_changes(
    a: Mapping[str, Mapping[str, Any]], b: Mapping[str, Mapping[str, Any]]
) -> tuple[SettingChange, ...]:
    names = dict.fromkeys((s, k) for side in (a, b) for s, keys in side.items() for k in keys)
    pairs = ((s, k, a.get(s, {}).get(k), b.get(s, {}).get(k)) for s, k in names)
    return tuple(SettingChange(*one) for one in pairs if one[2] != one[3])


def _pass_setting_changes(a: MappedField, b: MappedField) -> dict[str, int]:
    """Count passes per setting that differs; empty if the passes are not the same ones."""
    if not np.array_equal(a.passes["pass_id"], b.passes["pass_id"]):
        return {}
    found = {}
    for name in _PASS_SETTINGS:
        if name in a.passes.columns and name in b.passes.columns:
            one, other = a.passes[name], b.passes[name]
            count = int(((one != other) & ~(one.isna() & other.isna())).sum())
            if count:
                found[name] = count
    return found

"""The ground of one field, stripe by stripe: what was cut, what landed, what it is beside it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
from affine import Affine
from rasterio.features import rasterize
from shapely.geometry.base import BaseGeometry

from covermap.cover.evenness import PassReadings, tray_readings
from covermap.cover.ground_cover import cover_pct
from covermap.cover.strips import StripePieces, StripFinder, StripGround
from covermap.cover.tray_readings import Readings
from covermap.field.harvest import Harvest
from covermap.ground.grid import Grid, Window
from covermap.ground.near_rows import rows_of_chunks
from covermap.ground.rasters import DerivedRaster, Raster, new_raster, stripes
from covermap.ground.threads import in_order
from covermap.harvest.working_width import cut_ground
from covermap.settings.field_settings import FieldSettings
from covermap.spread.deposit import deposit, runs_of

#: A cell counts as harvested ground if at least this part of it was cut.
HARVESTED_SHARE = 0.5
#: Less than this off the field is not drawn [kg/m²].
_DUST_KG_M2 = 1e-9
#: Side of the trays that evenness is read with [m].
_TRAY_M = 0.5


@dataclass(frozen=True)
class FieldGround:
    """What the stripes of a field hold and add up to.

    Attributes
    ----------
    rasters : mapping of str to Raster
        residue_t_ha, cover_pct, spread_ratio, layers, given_kg_m2 (float32, NaN where there
        is nothing to say) and cut_by (int32, sweep that cut the cell, -1 none).
    trays, tray_m : Readings, float
        Spread ratio tray by tray, and the side of the trays [m].
    by_pass : PassReadings
        Spread ratio of the cells of each pass.
    strips : StripFinder
        Has seen all stripes.
    on_field_kg, landed_kg : float
        Residue that fell inside the outline, and anywhere [kg].
    on_standing_kg : numpy.ndarray
        By pass number: residue that fell on crop that a later pass cut [kg].
    harvested_m2 : float
        Harvested ground inside the outline [m²].
    """

    rasters: Mapping[str, Raster]
    trays: Readings
    tray_m: float
    by_pass: PassReadings
    strips: StripFinder
    on_field_kg: float
    landed_kg: float
    on_standing_kg: np.ndarray
    harvested_m2: float


@dataclass(frozen=True)
class _Stripe:
    """One stripe, worked out."""

    rasters: Mapping[str, np.ndarray]
    pieces: StripePieces
    trays: np.ndarray
    tray_m: float
    of_pass: tuple[np.ndarray, np.ndarray, np.ndarray]
    on_field: np.ndarray
    landed_kg: np.ndarray
    on_standing_kg: np.ndarray
    harvested: int


def ground_of_field(
    harvest: Harvest,
    settings: FieldSettings,
    own_kg_m2: np.ndarray,
    outline: BaseGeometry,
    *,
    bounded: bool,
) -> FieldGround:
    """Work out the ground of a field in stripes of whole rows, some at a time.

    ``own_kg_m2`` is (n,) the residue that each sweep's ground gave. If the outline was given
    (``bounded``), harvested ground outside it does not count.
    """
    grid, sweeps = harvest.grid, harvest.sweeps
    pass_no = harvest.pass_of_sweep.astype(np.int32)
    rasters = {
        name: new_raster(grid, np.float32)
        for name in ("residue_t_ha", "spread_ratio", "layers", "given_kg_m2")
    }
    rasters["cut_by"] = new_raster(grid, np.int32)
    finder = StripFinder(
        grid,
        pass_no,
        sweeps.header_width_m,
        sweeps.length_m,
        (harvest.machine["discharge"] == "windrow").to_numpy()[sweeps.rows],
        gap_below=settings.limits.gap_below,
        double_above=settings.limits.double_above,
        min_length_m=settings.limits.strip_min_length_m,
        min_area_m2=settings.limits.strip_min_area_m2,
    )
    trays, by_pass = Readings(), PassReadings(_TRAY_M)
    on_field: list[np.ndarray] = []
    passes = int(pass_no.max()) + 1
    landed, on_standing = np.zeros(passes), np.zeros(passes)
    harvested, tray_m = 0, _TRAY_M
    together = max(round(_TRAY_M / grid.cell_m), 1)
    windows = stripes(grid, rows_together=together)
    work = _worker(harvest, settings, own_kg_m2, pass_no, finder, bounded, len(windows) > 1)
    # rasterio may only burn the outline in one thread at a time
    parts = ((window, _inside(outline, grid, window)) for window in windows)
    for window, stripe in zip(windows, in_order(work, parts), strict=True):
        for name, values in stripe.rasters.items():
            rasters[name].write(window.row, values)
        finder.add(window, stripe.pieces)
        trays.add(stripe.trays)
        by_pass.add(*stripe.of_pass)
        on_field.append(stripe.on_field)
        landed += stripe.landed_kg
        on_standing += stripe.on_standing_kg
        harvested += stripe.harvested
        tray_m = stripe.tray_m
    return FieldGround(
        rasters={
            **rasters,
            "cover_pct": DerivedRaster(
                partial(cover_pct, cover_m2_per_kg=harvest.crop.cover_m2_per_kg),
                rasters["residue_t_ha"],
            ),
        },
        trays=trays,
        tray_m=tray_m,
        by_pass=by_pass,
        strips=finder,
        on_field_kg=math.fsum(np.concatenate(on_field)) * grid.cell_area_m2,
        landed_kg=float(landed.sum()),
        on_standing_kg=on_standing,
        harvested_m2=harvested * grid.cell_area_m2,
    )


def _worker(
    harvest: Harvest,
    settings: FieldSettings,
    own_kg_m2: np.ndarray,
    pass_no: np.ndarray,
    finder: StripFinder,
    bounded: bool,
    many: bool,
) -> Callable[[tuple[Window, np.ndarray]], _Stripe]:
    """Give the function that works out one stripe."""
    grid, sweeps, flow = harvest.grid, harvest.sweeps, harvest.flow
    mean_kg_m2 = flow.through_kg.sum() / max(harvest.newly_cut_m2.sum(), 1e-9)
    meaningful = settings.limits.layer_share * mean_kg_m2
    flat = 10 * flow.ratios.left_flat / flow.ratios.through
    runs = runs_of(harvest.bands, grid)
    chunk_rows = rows_of_chunks(sweeps.corners, grid)
    pass_of_sweep = np.append(pass_no, 0).astype(np.int32)
    cores = 1 if many else None

    def work(part: tuple[Window, np.ndarray]) -> _Stripe:
        window, inside = part
        cut = cut_ground(sweeps, own_kg_m2, grid, window=window, chunk_rows=chunk_rows, cores=cores)
        pass_of_cell = pass_of_sweep[cut.cut_by]
        laid = deposit(
            harvest.bands,
            grid,
            meaningful_kg_m2=meaningful,
            window=window,
            cut_pass=pass_of_cell,
            runs=runs,
            cores=cores,
        )
        if not bounded:
            inside = inside | (cut.cut_share >= HARVESTED_SHARE)
        harvested = (cut.cut_share >= HARVESTED_SHARE) & (cut.given_kg_m2 > 0) & inside
        ratio = np.full(inside.shape, np.nan, np.float32)
        np.divide(laid.kg_m2, cut.given_kg_m2, out=ratio, where=harvested, casting="same_kind")
        residue = np.multiply(laid.kg_m2, 10.0, dtype=np.float32, casting="same_kind")
        if flat > 0:
            residue += np.multiply(cut.given_kg_m2, flat, dtype=np.float32, casting="same_kind")
        outside = ~inside & ~(laid.kg_m2 > _DUST_KG_M2)
        residue[outside] = np.nan
        layers = laid.layers.astype(np.float32)
        layers[outside] = np.nan
        trays, tray_m = tray_readings(laid.kg_m2, cut.given_kg_m2, harvested, grid.cell_m, _TRAY_M)
        return _Stripe(
            rasters={
                "residue_t_ha": residue,
                "spread_ratio": ratio,
                "layers": layers,
                "given_kg_m2": np.where(harvested, cut.given_kg_m2, np.nan).astype(np.float32),
                "cut_by": cut.cut_by,
            },
            pieces=finder.look_at(
                window,
                StripGround(ratio, laid.kg_m2, cut.given_kg_m2, residue, cut.cut_by, cut.across_m),
            ),
            trays=trays.astype(np.float32),
            tray_m=tray_m,
            of_pass=(ratio[harvested], pass_of_cell[harvested], cut.across_m[harvested]),
            on_field=np.where(inside, laid.kg_m2, 0.0).sum(axis=1),
            landed_kg=laid.landed_kg,
            on_standing_kg=laid.on_standing_kg,
            harvested=int(harvested.sum()),
        )

    return work


def _inside(outline: BaseGeometry, grid: Grid, window: Window) -> np.ndarray:
    """Tell which cells of a window have their middle inside the outline."""
    west = grid.west + window.col * grid.cell_m
    place = Affine(grid.cell_m, 0.0, west, 0.0, -grid.cell_m, grid.north - window.row * grid.cell_m)
    shape = (window.rows, window.cols)
    return np.asarray(rasterize([outline], out_shape=shape, transform=place), bool)

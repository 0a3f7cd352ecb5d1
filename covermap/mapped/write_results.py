"""Write everything a run found into one folder: whole, or not at all."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import Transformer

from covermap import __version__
from covermap.drawing.caution import CAUTION
from covermap.drawing.map_texts import in_both_units
from covermap.drawing.settings_used import settings_used
from covermap.field.field_result import FieldResult
from covermap.files.geotiff import write_geotiff
from covermap.files.open_result import BANDS
from covermap.files.vectors import write_csv, write_passes, write_removed_fixes, write_strips
from covermap.files.write_whole import whole_files
from covermap.ground.rasters import Raster
from covermap.ground.threads import core_count
from covermap.mapped.map_page import MapContent, map_page
from covermap.mapped.spectrum_plot import spectrum_plot
from covermap.mapped.summary import cause_facts, facts, summary
from covermap.plan.face import FieldPlan, with_words, write_plan
from covermap.tables.plain_values import write_json


def bands(result: FieldResult) -> dict[str, Raster]:
    """Give the raster bands by name, in the order of the file."""
    return {name: result.rasters[name] for name in BANDS}


def map_content(result: FieldResult, us_units: bool, plan: FieldPlan | None = None) -> MapContent:
    """Gather what the map page shows."""
    start = result.passes["start_time"].min()

    def card(us: bool) -> list[tuple[str, str]]:
        why = "; ".join(cause_facts(result, us)) or "no strips"
        return [*facts(result, us), ("Why strips are there", why), ("Caution", CAUTION)]

    return MapContent(
        title=result.name,
        grid=result.grid,
        bands={**bands(result), **({} if plan is None else _planned(plan))},
        passes=result.passes,
        strips=result.strips if plan is None else plan.strips,
        boundary=result.outline,
        facts=in_both_units(card),
        settings_text=in_both_units(
            lambda us: [(one.label, one.text(us)) for one in settings_used(result)]
        ),
        date_text="" if start is None or start != start else f"{start:%Y-%m-%d}",
        limits=result.limits,
        us_units=us_units,
        zones=None if plan is None else _zones(plan),
    )


def _planned(plan: FieldPlan) -> dict[str, Raster]:
    """Give the rasters of a plan that the map page shows."""
    harrowed = {} if plan.harrow is None else {"harrowed_ratio": plan.ground.harrowed_ratio}
    return harrowed | {"cover_after_pct": plan.ground.cover_pct}


def _zones(plan: FieldPlan) -> gpd.GeoDataFrame:
    """Give the zones with their words in both units."""
    us = with_words(plan.zones, plan.limits, True)
    return with_words(plan.zones, plan.limits).assign(why_us=us["why"], benefit_us=us["benefit"])


def write_results(
    result: FieldResult,
    out_dir: Path,
    inputs: Mapping[str, str],
    *,
    us_units: bool = False,
    progress: Callable[[str], None] | None = None,
    plan: FieldPlan | None = None,
) -> list[str]:
    """Write raster, strips, causes, passes, map, ledger and summary, and the plan if any.

    Parameters
    ----------
    result : FieldResult
    out_dir : pathlib.Path
        Made if missing; only covermap's own files in it are replaced.
    inputs : mapping of str to str
        File name to SHA-256 of what was read.
    us_units : bool
        Units on the map page; files keep SI.
    progress : callable, optional
        Told the name of each step.
    plan : FieldPlan, optional
        Its files come beside, and strips carry their action.

    Returns
    -------
    list of str
        Names of the files written.

    Raises
    ------
    OutputError
        If the folder cannot be written; nothing in it has changed then.
    """
    tell = progress or _silent
    tags = {
        "covermap_version": __version__,
        "field": result.name,
        "crop": result.crop.kind,
        **{name: f"{limit:g}" for name, limit in result.limits._asdict().items()},
    }
    # GDAL packs the raster in threads of its own while Python makes the other files; both
    # are done, or have failed, before any file moves.
    with whole_files(out_dir) as folder, _beside() as start:
        raster = start(write_geotiff, folder / "residue.tif", result.grid, bands(result), tags)
        tell("strips and passes")
        write_strips(folder, _strips(result, plan))
        write_csv(folder / "causes.csv", result.causes)
        write_passes(folder, result.passes)
        write_removed_fixes(folder, _with_lonlat(result))
        tell("map.html")
        (folder / "map.html").write_text(map_page(map_content(result, us_units, plan)), "utf-8")
        plot = spectrum_plot(result.spectrum, title=result.name, us_units=us_units)
        (folder / "spectrum.svg").write_text(plot, "utf-8")
        if plan is not None:
            tell("plan")
            write_plan(folder, plan, us_units=us_units)
        write_json(folder / "summary.json", summary(result, inputs))
        tell("residue.tif")
        raster.result()
        return sorted(f.name for f in folder.iterdir())


def _strips(result: FieldResult, plan: FieldPlan | None) -> gpd.GeoDataFrame:
    return result.strips if plan is None else with_words(plan.strips, plan.limits)


@contextmanager
def _beside() -> Iterator[Callable[..., Future[None]]]:
    """Give what starts work in a thread beside this one; where threads are limited, at once."""
    if core_count() > 1:
        with ThreadPoolExecutor(1) as pool:
            yield pool.submit
        return

    def at_once(work: Callable[..., None], *given: object) -> Future[None]:
        done: Future[None] = Future()
        work(*given)
        done.set_result(None)
        return done

    yield at_once


def _silent(step: str) -> None:
    """Take no notice of progress."""


def _with_lonlat(result: FieldResult) -> pd.DataFrame:
    removed = result.ledger.removed.copy()
    transform = Transformer.from_crs(result.grid.crs, "EPSG:4326", always_xy=True)
    lon, lat = transform.transform(removed["easting"].to_numpy(), removed["northing"].to_numpy())
    finite = np.isfinite(removed["easting"].to_numpy(float))
    removed["longitude"] = np.where(finite, lon, np.nan).round(7)
    removed["latitude"] = np.where(finite, lat, np.nan).round(7)
    columns = ["source_row", "time", "longitude", "latitude", "reason", "detail", "grain_kg"]
    return removed[columns]

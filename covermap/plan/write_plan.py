"""Write a plan into a folder: zones, cover to expect, pictures, numbers."""

from __future__ import annotations

import json
from pathlib import Path

from covermap import __version__
from covermap.files.geotiff import write_geotiff
from covermap.files.vectors import write_layer
from covermap.ground.rasters import Raster
from covermap.plan.actions import ACTIONS
from covermap.plan.field_plan import FieldPlan
from covermap.plan.harrow_picture import harrow_picture
from covermap.plan.plan_picture import plan_picture
from covermap.plan.plan_text import plan_json, with_words


def plan_bands(plan: FieldPlan) -> dict[str, Raster]:
    """Give the bands of ``plan.tif`` by name, in the order of the file."""
    return {
        "residue_at_seeding_t_ha": plan.ground.load_t_ha,
        "cover_after_pct": plan.ground.cover_pct,
        "below_target": plan.ground.where_known(plan.target.below),
        "removable_t_ha": plan.baling.removable_t_ha,
        "action": plan.ground.where_known(plan.action),
    }


def write_plan(folder: Path, plan: FieldPlan, *, us_units: bool = False) -> None:
    """Write plan.gpkg, plan.tif, plan.svg, harrow.svg and plan.json into an open folder.

    Parameters
    ----------
    folder : pathlib.Path
        From :func:`covermap.files.write_whole.whole_files`.
    plan : FieldPlan
    us_units : bool
        Units of the pictures; files keep SI.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    result = plan.result
    write_layer(folder / "plan.gpkg", with_words(plan.zones, plan.limits), "zones", "Polygon")
    tags = {
        "covermap_version": __version__,
        "field": result.name,
        "operations": "; ".join(step.label for step in plan.steps[1:]),
        "actions": "; ".join(f"{i} {word}" for i, word in enumerate(ACTIONS.values())),
    }
    write_geotiff(folder / "plan.tif", result.grid, plan_bands(plan), tags)
    (folder / "plan.svg").write_text(plan_picture(plan, us_units=us_units), "utf-8")
    if plan.harrow is not None:
        picture = harrow_picture(
            plan.ground.ratio,
            plan.ground.harrowed_ratio,
            result.grid,
            plan.harrow,
            title=result.name,
            us_units=us_units,
            limits=plan.limits.spread,
        )
        (folder / "harrow.svg").write_text(picture, "utf-8")
    text = json.dumps(plan_json(plan), indent=2, ensure_ascii=False, allow_nan=False)
    (folder / "plan.json").write_text(text + "\n", "utf-8")

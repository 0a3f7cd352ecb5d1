"""The pictures of the report: drawn anew in the reader's units, or taken from the folder."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
from shapely.geometry import LineString

from covermap.cover.cross_section import across_middle_pass, cross_section
from covermap.files.open_result import MapResult
from covermap.report.field_picture import cross_section_plot, field_picture
from covermap.report.report_plan import FoundPlan

#: Passes that the cross-section shows.
PASSES_ACROSS = 10
#: Width and most height of the maps [mm]: on A4, and on US letter paper, which is lower.
_MAP_MM, _ZONES_MM = ((178.0, 150.0), (178.0, 122.0)), ((88.0, 88.0), (88.0, 80.0))
_PICTURES = {"spectrum": "spectrum.svg", "harrow": "harrow.svg"}
_SVG_SIZE = re.compile(r'width="([\d.]+)pt" height="([\d.]+)pt" viewBox="0 0 \1 \2"')
#: Part of the height of the harrow picture where its maps begin and end.
_HARROW_MAPS = (0.055, 0.60)
_FEET = re.compile(r"\[ft\]|\d ft\b")


def report_pictures(
    found: MapResult, plan: FoundPlan | None, us_units: bool, left_out: list[str]
) -> tuple[dict[str, str], dict[str, str]]:
    """Draw what the drawing room draws and take the rest from the folder.

    Parameters
    ----------
    found : MapResult
    plan : FoundPlan or None
    us_units : bool
        Feet instead of metres.
    left_out : list of str
        Grows by what is there but cannot be used.

    Returns
    -------
    pictures : dict of str to str
        SVG by name: ``map``, and where there is one ``across``, ``zones``, ``spectrum``,
        ``harrow``.
    foreign : dict of str to str
        What to say under a picture that was drawn in other units.
    """
    pictures = {
        "map": field_picture(found, "spread_ratio", us_units=us_units, size_mm=_MAP_MM[us_units])
    }
    across = _across(found, us_units)
    if across is not None:
        pictures["across"] = across
    if plan is not None and plan.zones is not None:
        pictures["zones"] = field_picture(
            found, "spread_ratio", zones=plan.zones, us_units=us_units, size_mm=_ZONES_MM[us_units]
        )
    foreign = {}
    for name, file in _PICTURES.items():
        path = found.folder / file
        if not path.is_file() or (name == "harrow" and (plan is None or not _harrowed(plan))):
            continue
        svg = _readable_svg(path, left_out)
        if svg is not None:
            pictures[name] = _maps_only(svg) if name == "harrow" else svg
            if bool(_FEET.search(svg)) != us_units:
                unit = "metres" if us_units else "feet"
                foreign[name] = f"Drawn with the map, in {unit}."
    return pictures, foreign


def _maps_only(svg: str) -> str:
    """Show the two maps of the harrow picture; what it says below is told in words."""
    size = _SVG_SIZE.search(svg)
    if size is None:
        return svg
    width, height = float(size[1]), float(size[2])
    top, bottom = (part * height for part in _HARROW_MAPS)
    high = bottom - top
    shown_part = f'width="{width}pt" height="{high}pt" viewBox="0 {top} {width} {high}"'
    return svg.replace(size[0], shown_part, 1)


def _harrowed(plan: FoundPlan) -> bool:
    return plan.content.get("harrow") is not None


def _readable_svg(path: Path, left_out: list[str]) -> str | None:
    try:
        svg = path.read_text("utf-8")
        ElementTree.fromstring(svg)
    except (OSError, ValueError, ElementTree.ParseError):
        left_out.append(f"{path.name} is damaged: the report is without it.")
        return None
    return svg


def _across(found: MapResult, us_units: bool) -> str | None:
    """Draw the spread ratio along a line over some ten passes; None where there is no such."""
    spacing = found.summary["passes"].get("spacing_median_m")
    lines = [line for line in found.passes.geometry if line.geom_type == "LineString"]
    if not spacing or not lines:
        return None
    # the line of across_middle_pass is five spacings long
    start, end = across_middle_pass(lines, spacing * PASSES_ACROSS / 5)
    distance, ratio = cross_section(found.rasters["spread_ratio"].whole(), found.grid, start, end)
    known = np.flatnonzero(np.isfinite(ratio))
    if len(known) < 2:
        return None
    on = slice(known[0], known[-1] + 1)
    begin, stop = distance[known[0]], distance[known[-1]]
    across = LineString([start, end])
    crossings = [
        across.project(point)
        for line in lines
        for point in getattr(across.intersection(line), "geoms", [across.intersection(line)])
        if point.geom_type == "Point" and not point.is_empty
    ]
    return cross_section_plot(
        distance[on] - begin,
        ratio[on],
        layer="spread_ratio",
        limits=found.limits,
        spacing_m=spacing,
        us_units=us_units,
        passes_m=np.sort([at - begin for at in crossings if begin <= at <= stop]),
    )

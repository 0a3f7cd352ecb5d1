"""One map of a field, and the profile along a line across its passes, for the report.

Sizes are in inches on the page, so that letters are as large as they say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from covermap.drawing.labels import limit_key, limit_keys
from covermap.drawing.look import (
    INK,
    SOFT,
    Box,
    axes_at,
    blank_axes,
    house_look,
    new_figure,
    svg_of,
    two_colours,
)
from covermap.drawing.map_drawing import (
    STRIP_LOOKS,
    draw_outline,
    draw_raster,
    draw_strips,
    draw_zones,
    ground_shapes,
    points_per_metre,
)
from covermap.drawing.map_legend import (
    draw_north,
    draw_ramp,
    draw_scale_bar,
    draw_strip_key,
)
from covermap.drawing.map_texts import LAYER_TITLES, display_range, layer_unit, legend_marks
from covermap.drawing.plan_signs import draw_sign
from covermap.field.mapped_field import MappedField
from covermap.tables.signs import Sign, action_signs_of
from covermap.units import MM_PER_INCH, length_unit, shown

if TYPE_CHECKING:
    import geopandas as gpd
    from matplotlib.axes import Axes

#: Width and most height of a map of a layer, of one of zones, and of a profile [mm].
_LAYER_MM, _ZONES_MM, _SECTION_MM = (178.0, 126.0), (88.0, 100.0), (178.0, 52.0)
_MARGIN, _GAP = 0.06, 0.14
#: A column of the legend, a row of it, the ramp, and the bar with north [inches].
_COLUMN, _ROW_HIGH, _RAMP_LONG, _RAMP_WIDE, _TOOLS_HIGH = 1.62, 0.19, 2.3, 0.14, 0.52
_MOST_BAR = 1.05
#: A key of strips stands on three lines.
_KEY_HIGH = 0.46
#: Beside a profile, for the names of the limits.
_LABELS_WIDE = 1.05


@dataclass(frozen=True)
class _Sheet:
    """Where things stand on a picture [inches]."""

    size: tuple[float, float]
    map_box: Box
    legend_box: Box
    beside: bool


def field_picture(
    found: MappedField,
    layer: str = "spread_ratio",
    *,
    strips: bool = True,
    zones: gpd.GeoDataFrame | None = None,
    us_units: bool = False,
    size_mm: tuple[float, float] | None = None,
) -> str:
    """Draw one map of a field, with legend, north and scale bar.

    Parameters
    ----------
    found : MappedField
    layer : str
        A band of the result.
    strips : bool
        Mark gap and double strips.
    zones : geopandas.GeoDataFrame, optional
        Zones of a plan, with ``rule_id``: then they are drawn instead of the layer and its
        strips, by action, and the legend is of actions.
    us_units : bool
        Feet and pounds per acre instead of metres and tonnes per hectare.
    size_mm : tuple of float, optional
        The most width and height; 178 by 126 for a layer, 88 by 100 for zones.

    Returns
    -------
    str
        SVG, no larger than the field needs; text stays text; the same bytes every time.

    Raises
    ------
    ValueError
        If the result has no such band.
    """
    if layer not in found.rasters:
        raise ValueError(f"no layer {layer!r} to draw; there are {', '.join(found.rasters)}")
    grid, values = found.grid, found.rasters[layer].whole()
    ground = ground_shapes(values, grid)
    bounds = shapely.total_bounds(ground) if ground else np.array(grid.bounds)
    signs = [] if zones is None else action_signs_of(zones["rule_id"])
    kinds = list(STRIP_LOOKS) if strips and zones is None else []
    most = np.array(size_mm or (_LAYER_MM if zones is None else _ZONES_MM)) / MM_PER_INCH
    sheet = _sheet(bounds[2:] - bounds[:2], most, len(signs) or len(kinds), ramp=zones is None)
    keys = limit_keys(found.limits)
    with house_look(8.5):
        figure = new_figure(sheet.size)
        axes = axes_at(figure, sheet.map_box)
        axes.set(xlim=bounds[::2], ylim=bounds[1::2])
        axes.axis("off")
        draw_outline(axes, ground, 0.8)
        if zones is not None:
            draw_zones(axes, zones.to_crs(grid.crs))
        else:
            ends = display_range(layer, values, found.limits, us_units)
            draw_raster(axes, values, grid, layer, ends)
            draw_ramp(
                axes_at(figure, _ramp_box(sheet)),
                layer,
                legend_marks(layer, ends, found.limits, us_units),
                f"{LAYER_TITLES[layer]} [{layer_unit(layer, us_units)}]",
                upright=sheet.beside,
            )
        if kinds:
            draw_strips(axes, found.strips)
        legend = blank_axes(figure, sheet.legend_box)
        _draw_keys(legend, signs, {kind: keys[kind] for kind in kinds}, layer, sheet)
        x = 0.0 if sheet.beside else sheet.legend_box[2] - _COLUMN
        draw_scale_bar(legend, x, 0.1, points_per_metre(axes), _MOST_BAR, us_units=us_units)
        draw_north(legend, x + _COLUMN - 0.22, 0.22, grid)
        return svg_of(figure)


def _sheet(extent_m: np.ndarray, most: np.ndarray, keys: int, *, ramp: bool) -> _Sheet:
    """Put the legend beside the map or below it, whichever leaves the map larger."""
    room = most - 2 * _MARGIN
    row_high = _KEY_HIGH if ramp else _ROW_HIGH
    below_high = max(_TOOLS_HIGH, row_high * -(-keys // _key_columns(room[0], ramp))) + _GAP
    beside_high = _TOOLS_HIGH + _GAP + row_high * keys + (_RAMP_LONG + 3 * _GAP if ramp else 0)
    taken = np.array([(_COLUMN + _GAP, 0.0), (0.0, below_high)])
    scales = np.min((room - taken) / extent_m, axis=1)
    wide, high = scales.max() * extent_m
    if scales[0] >= scales[1]:
        total = max(high, beside_high)
        size = (wide + _GAP + _COLUMN, total)
        map_box = (_MARGIN, _MARGIN + total - high, wide, high)
        legend_box = (_MARGIN + wide + _GAP, _MARGIN, _COLUMN, total)
    else:
        size = (room[0], below_high + high)
        map_box = (_MARGIN, _MARGIN + below_high, wide, high)
        legend_box = (_MARGIN, _MARGIN, room[0], below_high - _GAP)
    whole = (size[0] + 2 * _MARGIN, size[1] + 2 * _MARGIN)
    return _Sheet(whole, map_box, legend_box, bool(scales[0] >= scales[1]))


def _key_columns(wide: float, ramp: bool) -> int:
    """Give how many keys stand side by side below a map."""
    return max(1, int((wide - (_RAMP_LONG + 2 * _GAP if ramp else 0)) / _COLUMN) - 1)


def _ramp_box(sheet: _Sheet) -> Box:
    left, low, _, high = sheet.legend_box
    if sheet.beside:
        return (left, low + high - _GAP - _RAMP_LONG, _RAMP_WIDE, _RAMP_LONG)
    return (left, low + high - _RAMP_WIDE, _RAMP_LONG, _RAMP_WIDE)


def _draw_keys(
    axes: Axes, signs: list[Sign], keys: Mapping[str, str], layer: str, sheet: _Sheet
) -> None:
    """Draw what zones or strips look like, from the top left on."""
    _, _, wide, high = sheet.legend_box
    ramp = not signs
    columns = 1 if sheet.beside else _key_columns(wide, ramp)
    left = 0.0 if sheet.beside or not ramp else _RAMP_LONG + 2 * _GAP
    row_high = _KEY_HIGH if ramp else _ROW_HIGH
    top = high - row_high / 2
    if sheet.beside and ramp:
        top -= _RAMP_LONG + 3 * _GAP
    for k, sign in enumerate(signs):
        draw_sign(axes, left + k % columns * _COLUMN, top - k // columns * _ROW_HIGH, sign)
    for k, (kind, text) in enumerate(keys.items()):
        place = (left + k % columns * _COLUMN, top - k // columns * row_high)
        lines = text.replace(": ", ":\n").replace("× ", "×\n")
        draw_strip_key(axes, *place, kind, lines, layer=layer)


def cross_section_plot(
    distance_m: np.ndarray,
    values: np.ndarray,
    *,
    layer: str,
    limits: tuple[float, float] | None = None,
    spacing_m: float | None = None,
    us_units: bool = False,
    passes_m: np.ndarray | None = None,
) -> str:
    """Draw the profile of a layer along a line across the passes.

    Parameters
    ----------
    distance_m : numpy.ndarray
        (n,) from the start of the line [m], rising.
    values : numpy.ndarray
        (n,) in the unit of the layer (SI); NaN where there is none.
    layer : str
        Name of a raster band.
    limits : tuple of float, optional
        Gap below, double above, in the unit of the layer; what lies beyond is hatched as
        strips are.
    spacing_m : float, optional
        Distance of passes [m]; drawn to scale as a bracket, as it does not say where they lie.
    us_units : bool
        Feet and pounds per acre instead of metres and tonnes per hectare.
    passes_m : numpy.ndarray, optional
        Where the line crosses the middle of passes [m]; each is marked.

    Returns
    -------
    str
        SVG; text stays text; the same bytes every time.

    Raises
    ------
    ValueError
        If the two arrays differ in length or have no value.
    """
    distance, profile = np.asarray(distance_m, float), np.asarray(values, float)
    if distance.shape != profile.shape or not np.isfinite(profile).any():
        raise ValueError(f"no profile of {distance.shape} distances and {profile.shape} values")
    factor = shown(us_units)["mass per area"].per_si if layer == "residue_t_ha" else 1.0
    metres, unit = length_unit(us_units)
    wide, high = (side / MM_PER_INCH for side in _SECTION_MM)
    with house_look(8.5, open_frame=True):
        figure = new_figure((wide, high))
        axes = axes_at(figure, (0.75, 0.42, wide - 0.75 - _LABELS_WIDE, high - 0.72))
        x, y = distance / metres, profile * factor
        axes.set(xlim=(x[0], x[-1]), ylim=(0, 1.08 * float(np.nanmax(y))))
        _draw_profile(axes, x, y, None if limits is None else np.multiply(limits, factor))
        if passes_m is not None:
            _mark_passes(axes, np.asarray(passes_m, float) / metres)
        if spacing_m is not None:
            _draw_spacing(axes, spacing_m / metres, unit)
        axes.set_xlabel(f"along the line [{unit}]", labelpad=2)
        axes.set_ylabel(f"{LAYER_TITLES[layer]}\n[{layer_unit(layer, us_units)}]")
        return svg_of(figure)


def _draw_profile(axes: Axes, x: np.ndarray, y: np.ndarray, limits: np.ndarray | None) -> None:
    """Draw the curve, and hatch what lies below and above the limits."""
    dark, _ = two_colours()
    axes.plot(x, y, color=dark, lw=1.4, drawstyle="steps-mid", zorder=4)
    if limits is None:
        return
    top = axes.get_ylim()[1]
    axes.set_ylim(0, max(top, 1.15 * limits[1]))
    marks = zip(STRIP_LOOKS.items(), limits, (y < limits[0], y > limits[1]), strict=True)
    for (kind, look), limit, beyond in marks:
        axes.axhline(limit, color=INK, lw=0.9, ls=look.dash, zorder=3)
        axes.fill_between(
            x, y, limit, where=beyond, step="mid", fc="none", ec=INK, hatch=look.hatch.paper, lw=0,
            zorder=2,
        )  # fmt: skip
        word = limit_key(kind, limit).split(" ×")[0].replace(": ", ":\n")
        # beside the plot, where no curve runs
        axes.text(
            1.01, limit, word, transform=axes.get_yaxis_transform(), fontsize=7.5, va="center"
        )


def _mark_passes(axes: Axes, places: np.ndarray) -> None:
    low, high = axes.get_xlim()
    on = places[(places >= low) & (places <= high)]
    axes.vlines(on, *axes.get_ylim(), color=SOFT, lw=0.6, zorder=1)
    axes.plot(
        on, np.full(len(on), axes.get_ylim()[1]), "v", color=INK, ms=4.5, clip_on=False, zorder=5
    )
    axes.text(0.0, 1.05, "▾ middle of a pass", transform=axes.transAxes, fontsize=7.5, va="bottom")


def _draw_spacing(axes: Axes, spacing: float, unit: str) -> None:
    """Draw one spacing to scale above the plot, at its right end."""
    right = axes.get_xlim()[1]
    above = axes.get_xaxis_transform()
    axes.annotate(
        "", (right - spacing, 1.1), (right, 1.1), xycoords=above, textcoords=above,
        arrowprops={"arrowstyle": "|-|", "color": INK, "lw": 0.9, "shrinkA": 0, "shrinkB": 0,
                    "mutation_scale": 3},
        annotation_clip=False,
    )  # fmt: skip
    axes.annotate(
        f"spacing {spacing:.1f} {unit}", (right - spacing, 1.1), xytext=(-4, 0), xycoords=above,
        textcoords="offset points", ha="right", va="center", fontsize=7.5, annotation_clip=False,
    )  # fmt: skip

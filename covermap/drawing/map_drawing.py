"""What printed maps are put together from: axes to scale, raster, outlines, strips, zones.

Gap and double are told apart without colour: too little is slanted and broken, too much is
crossed and whole. Outlines in ink lie on a wider line of white, so that they show on any
colour of any ramp.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from covermap.drawing.colours import colourise, is_discrete
from covermap.drawing.look import (
    INK,
    POINTS_PER_INCH,
    Box,
    axes_at,
)
from covermap.drawing.map_texts import like
from covermap.drawing.map_values import in_blocks
from covermap.ground.grid import Grid
from covermap.ground.rasters import Raster, as_raster, stripes
from covermap.tables.signs import Hatch, Sign, action_signs_of, hatch_of

if TYPE_CHECKING:
    import geopandas as gpd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.path import Path

#: Outlines are drawn to this fineness on paper [pt].
FINENESS_PT = 0.3
#: Images have no more pixels than this: fine enough for print, small enough to send.
_MOST_PIXELS = 360_000
#: A ring with less than so many squares of the fineness in it is not drawn.
_SPECK = 10.0
#: Letter sizes of zones and the room around its middle that each needs [pt].
_LETTERS = ((10.0, 9.0), (6.5, 4.6))
#: Strips narrower on paper than this have a finer outline, without white around it [pt].
_THIN_PT = 4.0
_FINE, _HEAVY, _CASING = 0.7, 1.4, 0.9


@dataclass(frozen=True)
class StripLook:
    """How one kind of strip is marked; dash and colour in matplotlib's notation.

    Attributes
    ----------
    hatch : Hatch
    dash : str or tuple
        Of the outline.
    hatch_colour : str
        Stands out from the end of the spread ratio's ramp that such strips lie on.
    place : float
        That end, 0 or 1.
    """

    hatch: Hatch
    dash: Any
    hatch_colour: str
    place: float


STRIP_LOOKS = {
    "gap": StripLook(hatch_of("gap"), (0, (4, 2)), INK, 0.0),
    "double": StripLook(hatch_of("double"), "-", "white", 1.0),
}


def map_axes(figure: Figure, box: Box, bounds: Sequence[float], *, frame: bool = False) -> Axes:
    """Lay a map (west, south, east, north [m]) as large as it goes into the upper left of a box."""
    west, south, east, north = bounds
    scale = min(box[2] / (east - west), box[3] / (north - south))
    wide, high = scale * (east - west), scale * (north - south)
    axes = axes_at(figure, (box[0], box[1] + box[3] - high, wide, high))
    axes.set(xlim=(west, east), ylim=(south, north), xticks=[], yticks=[], frame_on=frame)
    for spine in axes.spines.values():
        spine.set_linewidth(0.6)
    return axes


def box_of(axes: Axes) -> Box:
    """Give left, bottom, width, height of axes in inches."""
    figure: Any = axes.figure
    wide, high = figure.get_size_inches()
    at = axes.get_position(original=True)
    return (at.x0 * wide, at.y0 * high, at.width * wide, at.height * high)


def bounds_of(values: np.ndarray | Raster, grid: Grid) -> Box:
    """Give west, south, east, north [m] of the cells that have a value; of all if none has."""
    raster = as_raster(values)
    in_row, in_col = np.zeros(grid.rows, bool), np.zeros(grid.cols, bool)
    for part in stripes(grid):
        known = np.isfinite(raster.rows(part.row, part.rows))
        in_row[part.row : part.row + part.rows] = known.any(axis=1)
        in_col |= known.any(axis=0)
    rows, cols = np.flatnonzero(in_row), np.flatnonzero(in_col)
    if len(rows) == 0:
        return grid.bounds
    return (
        grid.west + int(cols[0]) * grid.cell_m,
        grid.north - (int(rows[-1]) + 1) * grid.cell_m,
        grid.west + (int(cols[-1]) + 1) * grid.cell_m,
        grid.north - int(rows[0]) * grid.cell_m,
    )


def blocks_of(shape: tuple[int, int], most_pixels: int = _MOST_PIXELS) -> int:
    """Give how many cells on a side go into one pixel of a picture."""
    return max(1, math.ceil(math.sqrt(shape[0] * shape[1] / most_pixels)))


def draw_raster(
    axes: Axes,
    values: np.ndarray | Raster,
    grid: Grid,
    layer: str,
    ends: tuple[float, float],
    most_pixels: int = _MOST_PIXELS,
) -> None:
    """Lay a raster under a map, in the colours of its layer; the view stays as it is.

    Values have the shape of the grid, NaN where there is none; ``ends`` are those at the ends
    of the ramp. Blocks of cells are averaged until there are no more than ``most_pixels``.
    """
    name = like(layer)
    block = blocks_of(grid.shape, most_pixels)
    picture = in_blocks(values, block, whole_numbers=is_discrete(name))
    draw_image(axes, colourise(name, picture, *ends), grid, grid.cell_m * block)


def draw_image(axes: Axes, image: np.ndarray, grid: Grid, pixel_m: float) -> None:
    """Lay RGBA pixels, which may hang over the grid's edge, under a map."""
    xlim, ylim = axes.get_xlim(), axes.get_ylim()
    rows, cols = image.shape[:2]
    extent = (grid.west, grid.west + cols * pixel_m, grid.north - rows * pixel_m, grid.north)
    # each cell is seen as it is: smoothing would mix the colours of neighbours
    axes.imshow(image, extent=extent, interpolation="none", aspect="auto", zorder=1)
    axes.set(xlim=xlim, ylim=ylim)


def points_per_metre(axes: Axes) -> float:
    """Give the scale of a map [pt/m]."""
    west, east = axes.get_xlim()
    return box_of(axes)[2] * POINTS_PER_INCH / (east - west)


def ring_path(shapes: Any, fine_m: float) -> Path | None:
    """Give one path of all rings of polygons, or None if nothing is left.

    What is smaller than ``fine_m`` [m] does not show.
    """
    from matplotlib.path import Path as NewPath

    parts = shapely.get_parts(shapely.simplify(np.asarray(shapes, dtype=object), fine_m))
    # turned so that holes run against their shell, or they would be filled
    parts = shapely.normalize(parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON])
    rings = shapely.get_rings(parts[~shapely.is_empty(parts)])
    # slits where pieces were joined would show as stray lines
    rings = rings[shapely.area(shapely.polygons(rings)) > _SPECK * fine_m**2]
    if len(rings) == 0:
        return None
    return NewPath.make_compound_path(
        *(NewPath(shapely.get_coordinates(ring), closed=True) for ring in rings)
    )


def draw_outline(axes: Axes, shapes: Any, width_pt: float = 1.2) -> None:
    """Draw the edge of some ground."""
    from matplotlib.patches import PathPatch

    path = ring_path(shapes, FINENESS_PT / points_per_metre(axes))
    if path is not None:
        axes.add_patch(PathPatch(path, fc="none", ec=INK, lw=width_pt, zorder=4, clip_on=False))


def draw_strips(axes: Axes, strips: gpd.GeoDataFrame, *, heavy: bool = False) -> None:
    """Mark gap and double strips, by their ``kind``, all of a kind as one shape.

    A heavy outline tells one sort of strip from another.
    """
    scale = points_per_metre(axes)
    shapes = strips.geometry.to_numpy()
    # a strip is about twice its area over its edge wide
    wide_pt = 2 * shapely.area(shapes) / shapely.length(shapes) * scale
    for kind, look in STRIP_LOOKS.items():
        for thin in (True, False):
            chosen = shapes[(strips["kind"] == kind).to_numpy() & ((wide_pt < _THIN_PT) == thin)]
            path = ring_path(chosen, FINENESS_PT / scale)
            if path is not None:
                mark_strips(axes, path, look, heavy=heavy, thin=thin)


def mark_strips(
    axes: Axes, path: Path, look: StripLook, *, heavy: bool, thin: bool = False
) -> None:
    """Draw the hatch and the outline of a kind of strip over a shape.

    White around the outline of a thin one would hide what lies there.
    """
    from matplotlib.patches import PathPatch

    width = _HEAVY if heavy else _FINE
    plain: dict[str, Any] = {"fc": "none", "clip_on": False}
    # heavy ones lie on what has changed, which may have either colour
    hatch_colour = INK if heavy else look.hatch_colour
    hatch = look.hatch.paper
    axes.add_patch(PathPatch(path, ec=hatch_colour, hatch=hatch, lw=0, zorder=2, **plain))
    if thin and not heavy:
        width /= 2
    else:
        axes.add_patch(PathPatch(path, ec="white", lw=width + _CASING, zorder=3, **plain))
    axes.add_patch(PathPatch(path, ec=INK, ls=look.dash, lw=width, zorder=3, **plain))


def draw_zones(axes: Axes, zones: gpd.GeoDataFrame) -> None:
    """Fill the zones of a plan with the signs of their actions, by ``rule_id``."""
    from matplotlib.patches import PathPatch

    fine_m = FINENESS_PT / points_per_metre(axes)
    for sign in action_signs_of(zones["rule_id"]):
        shapes = zones.geometry[zones["rule_id"] == sign.rule_id].to_numpy()
        path = ring_path(shapes, fine_m)
        if path is None:
            continue
        hatch = sign.hatch.paper or None
        axes.add_patch(PathPatch(path, fc=sign.colour, ec=INK, hatch=hatch, lw=0.5, zorder=2))
        _draw_letters(axes, sign, shapes)


def _draw_letters(axes: Axes, sign: Sign, shapes: Any) -> None:
    """Write the letter where the zone leaves room for it, as large as fits."""
    scale = points_per_metre(axes)
    for shape in shapely.get_parts(shapely.simplify(shapes, FINENESS_PT / scale)):
        for size, room in _LETTERS:
            inner = shapely.get_parts(shapely.buffer(shape, -room / scale))
            inner = inner[~shapely.is_empty(inner)]
            if len(inner) == 0:
                continue
            spot = shapely.point_on_surface(inner[shapely.area(inner).argmax()])
            axes.text(
                spot.x, spot.y, sign.code, fontsize=size, fontweight="bold", ha="center",
                va="center", zorder=5,
                bbox={"boxstyle": "square,pad=0.15", "fc": sign.colour, "ec": "none"},
            )  # fmt: skip
            break


def ground_shapes(values: np.ndarray, grid: Grid) -> list[Any]:
    """Give polygons of the ground that has values, along the edges of its cells."""
    from rasterio.features import shapes

    known = np.isfinite(values)
    found: Iterable[Any] = shapes(known.astype(np.uint8), known, transform=grid.transform)
    return [shapely.geometry.shape(shape) for shape, _ in found]

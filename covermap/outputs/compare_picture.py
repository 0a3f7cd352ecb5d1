"""Two maps of a field and their difference, side by side, on one sheet.

Spread ratio in the map's own colours. Hatching tells gap from double, a heavy outline what
came back, so that all of it survives a black-and-white printer.
"""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np

from covermap.compare_fields import Comparison
from covermap.ground.grid import Grid
from covermap.outputs.colours import colourise, palette
from covermap.outputs.map_texts import display_range, legend_marks
from covermap.units import METRES_PER_FOOT, shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.transforms import Transform

_INK = "#222222"
_SOFT = "#767676"
_BAND = "spread_ratio"
_WIDTH_INCHES = 12.0
_MARGIN_INCHES = 0.35
_HEAD_INCHES, _FOOT_INCHES = 1.15, 1.3
_LOWEST_INCHES, _HIGHEST_INCHES = 2.4, 7.5
_MOST_PIXELS = 300_000
#: Of the maps within the drawing: fine enough for print, smooth enough for narrow strips.
_IMAGE_DPI = 150
_LONGEST_TITLE = 90
_LONGEST_NAME = 30
_HEAVY, _FINE = 1.4, 0.5
#: Changes of the spread ratio beyond this get the end colour.
_MOST_CHANGE = 1.0
#: Hatch and line of each kind: slanted and broken for too little, crossed and whole for too much.
_MARKS: dict[str, tuple[str, Any]] = {"gap": ("///", (0, (4, 2))), "double": ("xxx", "-")}


def compare_picture(found: Comparison, *, us_units: bool = False) -> str:
    """Draw A, B and B − A.

    Parameters
    ----------
    found : Comparison
    us_units : bool
        A scale bar in feet, areas in acres.

    Returns
    -------
    str
        SVG; text stays text, escaped; the same for the same comparison.
    """
    import matplotlib as mpl

    style: dict[Any, Any] = {
        "svg.hashsalt": "covermap",
        "svg.fonttype": "none",
        "font.family": ["DejaVu Sans", "sans-serif"],
        "font.size": 9.0,
        "text.color": _INK,
        "axes.edgecolor": _SOFT,
        "axes.labelcolor": _INK,
        "xtick.color": _INK,
        "hatch.linewidth": 0.5,
        "text.parse_math": False,
    }
    with mpl.rc_context(style):
        stream = io.StringIO()
        _sheet(found, us_units).savefig(
            stream,
            format="svg",
            dpi=_IMAGE_DPI,
            metadata=dict.fromkeys(("Creator", "Date", "Format", "Type")),
        )
    return stream.getvalue()


def _sheet(found: Comparison, us_units: bool) -> Figure:
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    grid = found.grid
    panel = (_WIDTH_INCHES - 4 * _MARGIN_INCHES) / 3
    high = min(max(panel * grid.rows / grid.cols, _LOWEST_INCHES), _HIGHEST_INCHES)
    total = high + _HEAD_INCHES + _FOOT_INCHES
    figure = Figure(figsize=(_WIDTH_INCHES, total))
    FigureCanvasSVG(figure)
    names = [_plain(x.folder.name or str(x.folder), _LONGEST_NAME) for x in (found.a, found.b)]
    title = _plain(f"{found.a.field_name}: {names[0]} and {names[1]} compared", _LONGEST_TITLE)
    left = _MARGIN_INCHES / _WIDTH_INCHES
    figure.text(left, 1 - 0.3 / total, title, fontsize=13, va="center")
    area = shown(us_units)["area"]
    ground = (
        f"Harvested in both: {area.text(found.common_m2)}; numbers below are of this ground. "
        f"A alone {area.text(found.only_a_m2)}, B alone {area.text(found.only_b_m2)}."
    )
    figure.text(left, 1 - 0.56 / total, ground, va="center")
    ratio_range = display_range(_BAND, np.empty(0), found.limits, us_units)
    axes = []
    for k in range(3):
        at = (_MARGIN_INCHES + k * (panel + _MARGIN_INCHES)) / _WIDTH_INCHES
        axes.append(
            figure.add_axes((at, _FOOT_INCHES / total, panel / _WIDTH_INCHES, high / total))
        )
    maps = ((found.bands_a, found.strips_a), (found.bands_b, found.strips_b))
    for k, (bands, strips) in enumerate(maps):
        side = "ab"[k]
        _draw_map(axes[k], grid, colourise(_BAND, _shrunk(bands[_BAND]), *ratio_range))
        for kind in _MARKS:
            _outline(axes[k], strips[strips["kind"] == kind], kind, heavy=False)
        even = found.on_common_ground
        axes[k].set_title(
            f"{side.upper()}: {names[k]}\nCV {_number(getattr(even['cv_pct'], side))} %, "
            f"gap {area.text(1e4 * getattr(even['gap_ha'], side))}, "
            f"double {area.text(1e4 * getattr(even['double_ha'], side))}",
            loc="left",
            fontsize=9,
        )
        marks = legend_marks(_BAND, ratio_range, found.limits, us_units)
        _legend(figure, axes[k], marks, "spread ratio: residue landed ÷ given up; 1 = even")
        _keys(figure, axes[k], [f"{kind} strip" for kind in _MARKS], heavy=False)
    ends = (1 - _MOST_CHANGE, 1 + _MOST_CHANGE)
    _draw_map(axes[2], grid, colourise(_BAND, _shrunk(1 + found.change[_BAND]), *ends))
    for kind in _MARKS:
        _outline(axes[2], found.repeats[found.repeats["kind"] == kind], kind, heavy=True)
    axes[2].set_title(
        "B − A: change of the spread ratio\nonly ground harvested in both", loc="left", fontsize=9
    )
    change_marks = [(0.0, "−1 or less"), (0.25, "−0.5"), (0.5, "0"), (0.75, "+0.5"), (1.0, "+1+")]
    _legend(figure, axes[2], change_marks, "change: orange less in B, purple more in B")
    _keys(figure, axes[2], [f"repeat offender: {kind} in both" for kind in _MARKS], heavy=True)
    _scale_bar(axes[0], grid, us_units)
    for one in axes:
        _north(figure, one, grid)
    return figure


def _plain(text: str, longest: int) -> str:
    """Leave out what XML forbids (control characters) and what would not fit."""
    text = "".join(c if c.isprintable() else " " for c in text).strip()
    return text if len(text) <= longest else text[: longest - 1] + "…"


def _number(value: float) -> str:
    return f"{value:.0f}" if math.isfinite(value) else "–"


def _shrunk(values: np.ndarray) -> np.ndarray:
    """Average blocks of cells until the image is small enough for a page."""
    block = math.ceil(math.sqrt(values.size / _MOST_PIXELS))
    if block > 1:
        rows, cols = (math.ceil(size / block) * block for size in values.shape)
        wide = np.full((rows, cols), np.nan, np.float32)
        wide[: values.shape[0], : values.shape[1]] = values
        parts = wide.reshape(rows // block, block, cols // block, block)
        known = np.isfinite(parts).sum(axis=(1, 3))
        total = np.nansum(parts, axis=(1, 3), dtype=np.float64)
        values = np.full(known.shape, np.nan, np.float32)
        np.divide(total, known, out=values, where=known > 0, casting="same_kind")
    return values


def _draw_map(axes: Axes, grid: Grid, image: np.ndarray) -> None:
    west, south, east, north = grid.bounds
    # the last blocks of a shrunk image may hang over the edge
    cell = max(math.ceil(math.sqrt(grid.rows * grid.cols / _MOST_PIXELS)), 1) * grid.cell_m
    right, low = west + image.shape[1] * cell, north - image.shape[0] * cell
    axes.imshow(image, extent=(west, right, low, north), interpolation="antialiased", zorder=1)
    axes.set_xlim(west, east)
    axes.set_ylim(south, north)
    axes.set_aspect("equal", anchor="NW")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_linewidth(0.6)


def _outline(axes: Axes, strips: gpd.GeoDataFrame, kind: str, *, heavy: bool) -> None:
    """Draw all strips of a kind as one shape, holes and all."""
    import shapely
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    rings = [
        Path(shapely.get_coordinates(ring), closed=True)
        for part in shapely.get_parts(strips.geometry.to_numpy())
        for ring in shapely.get_rings(part)
    ]
    if not rings:
        return
    shape = Path.make_compound_path(*rings)
    hatch, line = _MARKS[kind]
    # ink does not show on the dark end of the ramp
    on_dark = kind == "double" and not heavy
    if heavy:
        axes.add_patch(PathPatch(shape, fc="none", ec="white", lw=3.0, zorder=2))
    axes.add_patch(
        PathPatch(shape, fc="none", ec="white" if on_dark else _INK, hatch=hatch, lw=0, zorder=2)
    )
    width = _HEAVY if heavy else _FINE
    axes.add_patch(PathPatch(shape, fc="none", ec=_INK, ls=line, lw=width, zorder=3))


def _legend(figure: Figure, axes: Axes, marks: list[tuple[float, str]], label: str) -> None:
    """Lay a colour ramp with its marks under a map."""
    box = axes.get_position(original=True)
    high = figure.get_figheight()
    ramp = figure.add_axes((box.x0, box.y0 - 0.28 / high, box.width, 0.14 / high))
    ramp.imshow(palette(_BAND)[None, 1:], aspect="auto", extent=(0, 1, 0, 1))
    ramp.set_yticks([])
    ramp.set_xticks([place for place, _ in marks], [text for _, text in marks], fontsize=8)
    for text, place in zip(ramp.get_xticklabels(), (place for place, _ in marks), strict=True):
        text.set_horizontalalignment("left" if place == 0 else "right" if place == 1 else "center")
    ramp.set_xlabel(label, fontsize=8.5, labelpad=2)


def _keys(figure: Figure, axes: Axes, labels: list[str], *, heavy: bool) -> None:
    from matplotlib.patches import Patch

    box = axes.get_position(original=True)
    dark = tuple(palette(_BAND)[-1] / 255)
    patches = []
    for (kind, (hatch, line)), label in zip(_MARKS.items(), labels, strict=True):
        on_dark = kind == "double" and not heavy
        patches.append(
            Patch(
                facecolor=dark if on_dark else "none",
                edgecolor="white" if on_dark else _INK,
                hatch=hatch,
                ls=line,
                lw=_HEAVY if heavy else _FINE,
                label=label,
            )
        )
    axes.legend(
        handles=patches,
        loc="upper left",
        bbox_to_anchor=(box.x0, box.y0 - 0.78 / float(figure.get_figheight())),
        bbox_transform=figure.transFigure,
        borderaxespad=0,
        frameon=False,
        fontsize=8.5,
        ncols=1 if heavy else 2,
        handlelength=2.6,
        handleheight=1.1,
    )


def _scale_bar(axes: Axes, grid: Grid, us_units: bool) -> None:
    """Draw a bar of a round length in the lower left corner."""
    metres, unit = (METRES_PER_FOOT, "ft") if us_units else (1.0, "m")
    west, south, east, north = grid.bounds
    most = 0.35 * (east - west) / metres
    ten = 10.0 ** math.floor(math.log10(most))
    size = max(step * ten for step in (1, 2, 5) if step * ten <= most)
    left, low = west + 0.04 * (east - west), south + 0.03 * (north - south)
    right = left + size * metres
    white = {"boxstyle": "square,pad=0.15", "fc": "white", "ec": "none", "alpha": 0.85}
    axes.plot([left, right], [low, low], color="white", lw=5, zorder=4, solid_capstyle="butt")
    axes.plot([left, right], [low, low], color=_INK, lw=2.4, zorder=5, solid_capstyle="butt")
    axes.annotate(
        f"{size:g} {unit}",
        ((left + right) / 2, low),
        xytext=(0, 5),
        textcoords="offset points",
        ha="center",
        va="bottom",
        fontsize=8,
        bbox=white,
        zorder=5,
    )


def _north(figure: Figure, axes: Axes, grid: Grid) -> None:
    """Draw an arrow to true north in the upper right corner."""
    from matplotlib.transforms import offset_copy
    from pyproj import Transformer

    west, south, east, north = grid.bounds
    middle = ((west + east) / 2, (south + north) / 2)
    to_degrees = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(*middle)
    ahead = to_degrees.transform(lon, lat + 1e-4, direction="INVERSE")
    way = np.subtract(ahead, middle)
    way = 13 * way / np.hypot(*way)

    def off_corner(side: int) -> Transform:
        """Give the place of the arrow's tip (1) or tail (-1), points off the upper right corner."""
        x, y = (-16, -22) + side * way
        return offset_copy(axes.transAxes, figure, x=x, y=y, units="points")

    axes.annotate(
        "N",
        (1, 1),
        xycoords=off_corner(1),
        xytext=(1, 1),
        textcoords=off_corner(-1),
        ha="center",
        va="center",
        fontsize=8.5,
        bbox={"boxstyle": "circle,pad=0.1", "fc": "white", "ec": "none", "alpha": 0.85},
        arrowprops={"arrowstyle": "-|>", "color": _INK, "lw": 1.2, "shrinkB": 0},
        zorder=5,
    )

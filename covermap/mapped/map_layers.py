"""The raster layers of the map page: numbers, colours and legend of each, made together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from covermap.drawing.colours import colour_index, is_discrete, palette
from covermap.drawing.map_texts import (
    LAYER_MEANINGS,
    LAYER_TITLES,
    PLAN_TITLES,
    display_range,
    layer_unit,
    legend_marks,
    like,
)
from covermap.drawing.map_values import (
    RATIO_STEP,
    count_levels,
    display_grid,
    in_blocks,
    level_errors,
    load_levels,
    packed,
    ratio_levels,
    share_levels,
    written,
)
from covermap.ground.grid import Grid
from covermap.ground.rasters import Raster, as_raster, stripes

#: Kind of each layer, as the page formats it.
_KINDS = {
    "residue_t_ha": "mass per area",
    "cover_pct": "percent",
    "spread_ratio": "ratio",
    "layers": "count",
}


@dataclass(frozen=True)
class RasterLayer:
    """One raster of the page.

    Attributes
    ----------
    name, title : str
    legend : dict
        What ``assets/map_page.html`` shows of it.
    data : dict
        What ``assets/map_values.js`` paints and reads.
    """

    name: str
    title: str
    legend: dict[str, Any]
    data: dict[str, Any]


@dataclass(frozen=True)
class RasterLayers:
    """All rasters of the page on one grid; its cells are blocks of the map's own cells."""

    grid: Grid
    cells_in_block: int
    layers: list[RasterLayer]


def raster_layers(
    bands: Mapping[str, np.ndarray | Raster],
    grid: Grid,
    limits: tuple[float, float],
    *,
    us_units: bool,
) -> RasterLayers:
    """Make the raster layers that there are bands for.

    Bands are as :attr:`covermap.mapped.map_page.MapContent.bands`; the limits are gap below and
    double above, as spread ratio. The ends of the colour ramps are round in the reader's units.
    """
    titles = {name: title for name, title in (LAYER_TITLES | PLAN_TITLES).items() if name in bands}
    residue = as_raster(bands["residue_t_ha"])
    shown_on, times = display_grid(
        grid,
        sum(
            int(np.isfinite(residue.rows(part.row, part.rows)).sum(dtype=np.int64))
            for part in stripes(grid)
        ),
    )
    values, levels, index, ends = {}, {}, {}, {}
    for name in titles:
        values[name] = in_blocks(bands[name], times, whole_numbers=is_discrete(like(name)))
        ends[name] = display_range(name, values[name], limits, us_units)
        levels[name] = _levels(name, values[name], ends[name][1])
        index[name] = packed(values[name], levels[name])
    texts = written(index)
    layers = []
    for name, title in titles.items():
        exact = is_discrete(like(name))
        errors = np.zeros(len(levels[name])) if exact else level_errors(levels[name])
        look = palette(like(name))[colour_index(like(name), levels[name], *ends[name])]
        layers.append(
            RasterLayer(
                name,
                title,
                _legend(name, title, ends[name], limits),
                {
                    "name": name,
                    "title": title,
                    "kind": _KINDS[like(name)],
                    "levels": [float(f"{v:.6g}") for v in levels[name]],
                    "errors": [float(f"{v:.3g}") for v in errors],
                    "colours": look[:, :3].tobytes().hex(),
                    **texts[name],
                },
            )
        )
    return RasterLayers(shown_on, times, layers)


def _levels(name: str, values: np.ndarray, high: float) -> np.ndarray:
    """Give the values that a layer can have on the page."""
    kind = _KINDS[like(name)]
    if kind == "count":
        return count_levels(values)
    if kind == "percent":
        return share_levels()
    if kind == "ratio":
        # what a simulation leaves is not known as closely
        return ratio_levels(values, high, RATIO_STEP if name == like(name) else 2 * RATIO_STEP)
    return load_levels(values)


def _legend(
    name: str, title: str, ends: tuple[float, float], limits: tuple[float, float]
) -> dict[str, Any]:
    colours = [f"rgb({r},{g},{b})" for r, g, b, _ in palette(like(name))[1:].tolist()]
    units = list(dict.fromkeys(layer_unit(name, us) for us in (False, True)))
    legend: dict[str, Any] = {
        "name": name,
        "title": title,
        "meaning": LAYER_MEANINGS[name],
        "units": units,
    }
    if is_discrete(like(name)):
        last = len(colours) - 1
        return legend | {
            "swatches": [(c, f"{i}+" if i == last else str(i)) for i, c in enumerate(colours)]
        }
    return legend | {
        "colours": ",".join(colours[::2] if like(name) == "spread_ratio" else colours[::6]),
        "marks": [
            (
                "" if len(units) == 1 else "us" if us else "metric",
                [
                    (f"{100 * place:.1f}", text)
                    for place, text in legend_marks(name, ends, limits, us)
                ],
            )
            for us in (False, True)[: len(units)]
        ],
    }

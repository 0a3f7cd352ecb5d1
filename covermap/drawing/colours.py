"""One colour table for map, report and page, from open colour-blind-safe sets.

Sequential ramps run from light to dark, so that more residue prints darker. The spread
ratio has the middle of its ramp at 1, an orange of middle grey at the gap end and a near
black purple at the double end: the two ends stay apart without colour. The anchors, with
the source and licence of each set, are in ``tables/colour_ramps.csv``: viridis (CC0) and
ColorBrewer sets (Apache-2.0).
"""

from __future__ import annotations

from functools import cache

import numpy as np

from covermap.tables import read_table

#: Index of cells without a value in :func:`colour_index` and :func:`palette`.
NO_VALUE = 0
_STEPS = 255
_EVEN = 1.0


@cache
def _anchors(name: str) -> tuple[np.ndarray, np.ndarray]:
    rows = [row for row in read_table("colour_ramps") if row["band"] == name]
    if not rows:
        known = dict.fromkeys(row["band"] for row in read_table("colour_ramps"))
        raise KeyError(f"no colour ramp for {name!r}; there are: {', '.join(known)}")
    places = np.array([float(row["place"]) for row in rows])
    colours = np.array([[float(row[part]) for part in ("red", "green", "blue")] for row in rows])
    return places, colours


def is_discrete(name: str) -> bool:
    """Tell whether a band has one colour per whole number rather than a ramp."""
    return bool(_anchors(name)[0][-1] > 1)


def palette(name: str) -> np.ndarray:
    """Give the colours of a band, one row per index of :func:`colour_index`.

    Parameters
    ----------
    name : str
        Name of a raster band, such as ``residue_t_ha``.

    Returns
    -------
    numpy.ndarray
        uint8 RGBA, shape (n, 4), n at most 256; row :data:`NO_VALUE` is transparent.

    Raises
    ------
    KeyError
        If the table has no such band.
    """
    places, colours = _anchors(name)
    wanted = places if is_discrete(name) else np.linspace(0.0, 1.0, _STEPS)
    table = np.zeros((len(wanted) + 1, 4), np.uint8)
    for part in range(3):
        table[1:, part] = np.rint(np.interp(wanted, places, colours[:, part]))
    table[1:, 3] = 255
    return table


def colour_index(name: str, values: np.ndarray, low: float, high: float) -> np.ndarray:
    """Give the row of :func:`palette` for each value.

    Parameters
    ----------
    name : str
        Name of a raster band.
    values : numpy.ndarray
        In the unit of the band, any shape; NaN where there is none.
    low, high : float
        Values at the two ends of the ramp, in the unit of the band; beyond them the end
        colour is used. A discrete band has its own and takes no notice of them.

    Returns
    -------
    numpy.ndarray
        uint8, shape of ``values``; :data:`NO_VALUE` where a value is NaN.

    Raises
    ------
    KeyError
        If the table has no such band.
    ValueError
        If ``low`` is not below ``high``, or the two do not enclose 1 for the spread ratio.
    """
    places, _ = _anchors(name)
    values = np.asarray(values, np.float32)
    missing = np.isnan(values)
    if is_discrete(name):
        steps = np.clip(np.rint(values), places[0], places[-1]) - places[0]
    else:
        middle = _EVEN if name == "spread_ratio" else (low + high) / 2
        if not low < middle < high:
            raise ValueError(f"{name}: {low:g} to {high:g} is no range around {middle:g}")
        lower = (values - np.float32(low)) * np.float32(0.5 / (middle - low))
        upper = (values - np.float32(middle)) * np.float32(0.5 / (high - middle)) + 0.5
        place = np.clip(np.where(values < middle, lower, upper), 0.0, 1.0)
        steps = np.rint(place * (_STEPS - 1))
    return np.where(missing, NO_VALUE, np.nan_to_num(steps) + 1).astype(np.uint8)


def colourise(name: str, values: np.ndarray, low: float, high: float) -> np.ndarray:
    """Colour the values of a band as :func:`colour_index` and :func:`palette` say.

    Returns
    -------
    numpy.ndarray
        uint8 RGBA, shape of ``values`` + (4,); transparent where a value is NaN.
    """
    colours: np.ndarray = palette(name)[colour_index(name, values, low, high)]
    return colours

"""The numbers behind the pictures of the map page, packed small with a stated error.

Each raster goes into the page once, as one whole number a cell; the page paints its
pictures from them and reads them out under the cursor, so that picture and number cannot
differ. Cells are those of the grid, or square blocks of them where the field is large.
"""

from __future__ import annotations

import base64
import math
import zlib
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from covermap.ground import rasters
from covermap.ground.grid import Grid
from covermap.ground.rasters import Raster, as_raster
from covermap.ground.threads import core_count

#: Cells with a value, all cells, and cells on a side, at most. Six rasters then stay within
#: a page of 5 MB, and a picture within what the browsers of phones can hold.
_MOST_VALUES, _MOST_CELLS, _MOST_ON_A_SIDE = 1_250_000, 4_000_000, 4096
#: Levels at most; one of the 256 numbers of a byte stands for "nothing here".
_LEVELS = 255
#: Spread ratios, up to the end of their colour ramp, are packed in these steps.
RATIO_STEP = 0.01
#: Loads above this percentile may be heaps, and get so many of the levels.
_USUAL_PCT, _FOR_HEAPS = 99.5, 25
#: Stands for "nothing here"; level k is packed as k + 1.
NOTHING = 0
_STRATEGIES = (zlib.Z_DEFAULT_STRATEGY, zlib.Z_RLE)


def display_grid(grid: Grid, values: int) -> tuple[Grid, int]:
    """Give the grid that the page shows, and how many cells lie along a side of one of its cells.

    It has the same north-west corner; ``values`` is the number of cells that have a value.
    """
    times = max(
        math.ceil(math.sqrt(values / _MOST_VALUES)),
        math.ceil(math.sqrt(grid.rows * grid.cols / _MOST_CELLS)),
        math.ceil(max(grid.rows, grid.cols) / _MOST_ON_A_SIDE),
        1,
    )
    shown = replace(
        grid,
        cell_m=grid.cell_m * times,
        rows=math.ceil(grid.rows / times),
        cols=math.ceil(grid.cols / times),
    )
    return shown, times


def in_blocks(values: np.ndarray | Raster, times: int, *, whole_numbers: bool) -> np.ndarray:
    """Give the mean of each square block of cells; cells without a value do not count.

    Parameters
    ----------
    values : numpy.ndarray or Raster
        (rows, cols), read by rows; NaN where there is none.
    times : int
        Cells along a side of a block; the last blocks may hang over the edge.
    whole_numbers : bool
        Numbers stay whole: the middle cell stands for the block.

    Returns
    -------
    numpy.ndarray
        float32, NaN where a block has no value.
    """
    raster = as_raster(values)
    height, width = raster.shape
    blocks = np.empty((-(-height // times), -(-width // times)), np.float32)
    mean = _middles if whole_numbers else _means
    tall = max(rasters.STRIPE_CELLS // (blocks.shape[1] * times**2), 1)
    for first in range(0, len(blocks), tall):
        part = blocks[first : first + tall]
        padded = np.full((len(part) * times, part.shape[1] * times), np.nan, np.float32)
        found = raster.rows(first * times, len(padded))
        padded[: len(found), :width] = found
        part[:] = mean(padded.reshape(len(part), times, part.shape[1], times))
    return blocks


def _middles(blocks: np.ndarray) -> np.ndarray:
    """Give the middle cell of each block; (rows, times, cols, times)."""
    middle = blocks.shape[1] // 2
    return blocks[:, middle, :, middle]


def _means(blocks: np.ndarray) -> np.ndarray:
    """Give the mean of each block; (rows, times, cols, times)."""
    rows, times, cols, _ = blocks.shape
    total = np.zeros((rows, cols), np.float32)
    count = np.zeros((rows, cols), np.float32)
    for i in range(times):
        for j in range(times):
            part = blocks[:, i, :, j]
            known = ~np.isnan(part)
            np.add(total, part, out=total, where=known)
            count += known
    with np.errstate(invalid="ignore"):
        return np.asarray(total / np.where(count > 0, count, np.nan), np.float32)


def count_levels(values: np.ndarray) -> np.ndarray:
    """Give the levels of a raster of whole numbers, up to 254; they are kept exactly."""
    return np.arange(min(_most(values), _LEVELS - 1.0) + 1)


def share_levels() -> np.ndarray:
    """Give the levels of a raster of percentages: 0 to 100 in steps of 0.5."""
    return np.linspace(0.0, 100.0, 201)


def ratio_levels(values: np.ndarray, high: float, step: float = RATIO_STEP) -> np.ndarray:
    """Give the levels of a raster of ratios: even steps up to ``high``, wider ones above."""
    fine = np.linspace(0.0, high, round(high / step) + 1)
    most = _most(values)
    if most <= high:
        return fine
    return np.concatenate([fine, np.linspace(high, most, _LEVELS - len(fine) + 1)[1:]])


def load_levels(values: np.ndarray) -> np.ndarray:
    """Give the levels of a raster of loads: close together near 0, wider for heavy loads.

    They go with the square, so that the error goes with the root of the load: where little
    lies a little more hides much ground. The few cells of a heap, if there is one, get
    levels at equal ratios, so that they do not coarsen all others.
    """
    most = max(_most(values), 1e-3)
    present = values[np.isfinite(values)]
    usual = float(np.percentile(present, _USUAL_PCT)) if present.size else most
    if not 0 < usual < most / 1.5:
        return np.asarray(most * (np.arange(_LEVELS) / (_LEVELS - 1)) ** 2)
    fine = _LEVELS - _FOR_HEAPS
    return np.append(
        usual * (np.arange(fine) / (fine - 1)) ** 2,
        np.geomspace(usual, most, _FOR_HEAPS + 1)[1:],
    )


def _most(values: np.ndarray) -> float:
    finite = values[np.isfinite(values)]
    return float(finite.max()) if finite.size else 0.0


def level_errors(levels: np.ndarray) -> np.ndarray:
    """Give how far the true value can be from each level: half the wider step beside it."""
    if len(levels) < 2:
        return np.zeros(len(levels))
    half = np.diff(levels) / 2
    return np.asarray(np.maximum(np.append(half, half[-1]), np.append(half[0], half)))


def packed(values: np.ndarray, levels: np.ndarray) -> np.ndarray:
    """Give each value as the number of the nearest level, from 1; :data:`NOTHING` for NaN."""
    between = ((levels[1:] + levels[:-1]) / 2).astype(np.float32)
    index = np.searchsorted(between, values) + 1
    return np.where(np.isnan(values), NOTHING, index).astype(np.uint8)


def written(rasters: Mapping[str, np.ndarray]) -> dict[str, dict[str, str]]:
    """Write packed rasters as text for a page.

    Cover and ratio follow the residue closely, so of every raster but the first only the
    difference from what an earlier one leads one to expect is kept:
    value = expected[earlier] + data, modulo 256. Where that is shorter, each row of the data
    is written less the row above.

    Parameters
    ----------
    rasters : mapping of str to numpy.ndarray
        uint8 of one shape, as :func:`packed` gives them.

    Returns
    -------
    dict of str to dict
        ``like``: name of the earlier raster, empty for none; ``expected``: base64 of 256
        bytes; ``less``: "row above" or empty; ``data``: base64 (RFC 4648) of a zlib stream
        (RFC 1950) of the rows from the north.
    """
    names = list(rasters)

    def one(place: int) -> dict[str, str]:
        raster = rasters[names[place]]
        like, expected, least = "", np.zeros(256, np.uint8), _bits(np.bincount(raster.ravel()))
        for name in names[:place]:
            pairs = np.bincount(
                (rasters[name].astype(np.uint16) * 256 + raster).ravel(), minlength=65536
            ).reshape(256, 256)
            guess = pairs.argmax(axis=1)
            rest = (np.arange(256)[None, :] - guess[:, None]) & 255
            bits = _bits(np.bincount(rest.ravel(), pairs.ravel()))
            if bits < least:
                like, expected, least = name, guess.astype(np.uint8), bits
        rest = raster - expected[rasters[like]] if like else raster
        down = np.diff(rest, axis=0, prepend=np.zeros((1, rest.shape[1]), np.uint8))
        ways = {
            "": min((_deflated(rest, how) for how in _STRATEGIES), key=len),
            "row above": _deflated(down, zlib.Z_DEFAULT_STRATEGY),
        }
        way = min(ways, key=lambda name: len(ways[name]))
        return {
            "like": like,
            "expected": _base64(expected.tobytes()) if like else "",
            "less": way,
            "data": _base64(ways[way]),
        }

    with ThreadPoolExecutor(core_count()) as pool:
        return dict(zip(names, pool.map(one, range(len(names))), strict=True))


def _deflated(values: np.ndarray, strategy: int) -> bytes:
    """Compress; noise does best where no repeats are looked for but runs of one value."""
    maker = zlib.compressobj(6, zlib.DEFLATED, zlib.MAX_WBITS, 9, strategy)
    return maker.compress(values.tobytes()) + maker.flush()


def _bits(counts: np.ndarray) -> float:
    """Give what numbers with these counts take at best (Shannon's entropy) [bits]."""
    counts = counts[counts > 0]
    return float((counts * np.log2(counts.sum() / counts)).sum())


def _base64(content: bytes) -> str:
    return base64.b64encode(content).decode("ascii")

"""Share a grid window between the machine's cores; the numbers stay bit for bit the same."""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from covermap.ground.grid import Window

#: Windows smaller than this are not worth a second thread [cells].
_LEAST_CELLS = 250_000


def core_count() -> int:
    """Give the number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def row_parts(window: Window, corners_cells: np.ndarray) -> list[Window]:
    """Cut ``window`` into bands of rows with about as many sweeps each, one per core.

    Parameters
    ----------
    window : Window
    corners_cells : numpy.ndarray
        (n, 4, 2) corners of the sweeps [cells].
    """
    parts = min(core_count(), window.rows * window.cols // _LEAST_CELLS)
    if parts < 2 or len(corners_cells) < parts:
        return [window]
    middle = corners_cells[:, :, 1].mean(axis=1)
    cuts = np.quantile(middle, np.arange(1, parts) / parts).astype(int) - window.row
    edges = np.unique(np.clip([0, *cuts, window.rows], 0, window.rows))
    return [
        Window(window.row + int(a), window.col, int(b - a), window.cols)
        for a, b in itertools.pairwise(edges)
    ]


def in_threads(work: Callable[[Window], None], parts: list[Window]) -> None:
    """Run ``work`` on every part; the compiled loops let go of the interpreter's lock."""
    if len(parts) == 1:
        work(parts[0])
        return
    with ThreadPoolExecutor(len(parts)) as pool:
        for done in [pool.submit(work, part) for part in parts]:
            done.result()

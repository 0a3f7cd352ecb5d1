"""Share a grid window between the machine's cores; the numbers stay bit for bit the same."""

from __future__ import annotations

import itertools
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

import numpy as np

from covermap.errors import SettingsError
from covermap.ground.grid import Window

S = TypeVar("S")
T = TypeVar("T")

#: Windows smaller than this are not worth a second thread [cells].
_LEAST_CELLS = 250_000


#: Environment variable: no more threads than this in one process.
THREADS_VARIABLE = "COVERMAP_THREADS"

# Limits in force. Jobs of one process may overlap in time, so the lowest of them holds;
# threads that a job starts must see it too, so it is no context variable.
_limits: list[int] = []


def core_count() -> int:
    """Give the number of threads that this process may use.

    The cores open to the process, but no more than ``COVERMAP_THREADS`` (environment) or
    :func:`limit_threads` allows.

    Raises
    ------
    SettingsError
        If ``COVERMAP_THREADS`` is no whole number from 1.
    """
    if hasattr(os, "sched_getaffinity"):
        cores = len(os.sched_getaffinity(0))
    else:
        cores = os.cpu_count() or 1
    said = os.environ.get(THREADS_VARIABLE, "").strip()
    if said and not (said.isdecimal() and int(said) > 0):
        raise SettingsError(
            f"{THREADS_VARIABLE}={said} is no number of threads.",
            "Expected a whole number from 1.",
            "Correct it or unset it.",
        )
    return min([cores, *([int(said)] if said else []), *_limits])


@contextmanager
def limit_threads(count: int) -> Iterator[None]:
    """Let covermap use at most ``count`` threads meanwhile, in this whole process.

    For programs that run several fields side by side; the numbers do not change.
    """
    _limits.append(count)
    try:
        yield
    finally:
        _limits.remove(count)


def row_parts(window: Window, sweep_rows: np.ndarray, cores: int | None = None) -> list[Window]:
    """Cut ``window`` into bands of rows with about as many sweeps each, one per core.

    ``sweep_rows`` is (n,) the row of the middle of each sweep [cells]; ``cores`` is the most
    parts, as many as there are cores if not given.
    """
    parts = min(cores or core_count(), window.rows * window.cols // _LEAST_CELLS)
    if parts < 2:
        return [window]
    inside = sweep_rows[(sweep_rows >= window.row) & (sweep_rows < window.row + window.rows)]
    if len(inside) < parts:
        return [window]
    cuts = np.quantile(inside, np.arange(1, parts) / parts).astype(int) - window.row
    edges = np.unique(np.clip([0, *cuts, window.rows], 0, window.rows))
    return [
        Window(window.row + int(a), window.col, int(b - a), window.cols)
        for a, b in itertools.pairwise(edges)
    ]


def in_order(work: Callable[[S], T], parts: Iterable[S]) -> Iterator[T]:
    """Run ``work`` on every part, as many at once as there are cores, and give the results.

    The results come in the order of the parts, and no more of them wait than are worked on.
    Parts are taken up one by one, by the caller's own thread.
    """
    cores = core_count()
    if cores == 1:
        yield from map(work, parts)
        return
    with ThreadPoolExecutor(cores) as pool:
        waiting: deque[Future[T]] = deque()
        for part in parts:
            waiting.append(pool.submit(work, part))
            if len(waiting) > cores:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def in_threads(work: Callable[[Window], None], parts: list[Window]) -> None:
    """Run ``work`` on every part; the compiled loops let go of the interpreter's lock."""
    if len(parts) == 1:
        work(parts[0])
        return
    with ThreadPoolExecutor(len(parts)) as pool:
        list(pool.map(work, parts))

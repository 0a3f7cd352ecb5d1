"""Deadlines for the tests: they grow with how slow the machine is just now; none is a pause.

A test that waits for something asks for it again and again, and goes on as soon as it is
there. So a deadline costs time only where the test fails.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable

#: What the piece of work in :func:`slowness` takes on an idle core [s].
_WORK_S = 0.06


def slowness() -> float:
    """Give how many times slower than an idle core this machine works just now, at least 1.

    A fixed piece of work is timed by the clock on the wall, so that a slow machine and a busy
    one both count. ``COVERMAP_SLOWNESS`` (environment) goes first, at least 1 as well.
    """
    said = os.environ.get("COVERMAP_SLOWNESS")
    if said:
        return max(1.0, float(said))
    begin = time.perf_counter()
    sum(k * k % 7 for k in range(500_000))
    return max(1.0, (time.perf_counter() - begin) / _WORK_S)


def within(seconds: float) -> float:
    """Give what ``seconds`` of an idle machine may take on this one, as busy as it is now."""
    return seconds * slowness()


def wait_until(
    happened: Callable[[], object],
    seconds: float = 30.0,
    found: Callable[[], object] = lambda: "waited too long",
) -> None:
    """Ask until ``happened()`` is true; after ``seconds`` of an idle machine fail with ``found()``.

    How slow the machine is gets measured only when ``seconds`` have passed.
    """
    begin = time.monotonic()
    allowed = seconds
    while not happened():
        if time.monotonic() - begin > allowed:
            longer = within(seconds)
            assert longer > allowed, found()
            allowed = longer
        time.sleep(0.005)

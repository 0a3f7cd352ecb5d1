"""Compile the inner loops of the engine once and keep the machine code on disk."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., object])


def compiled(function: F) -> F:
    """Compile ``function`` with Numba on first use and remember it between runs.

    Where neither the package folder nor the user's cache folder can be written, the
    function is compiled anew in each run: slower to start, the same numbers.
    """
    return _compiled(function, {})


def compiled_fast(function: F) -> F:
    """Compile as :func:`compiled` does, with a product and a sum rounded once together."""
    return _compiled(function, {"fastmath": {"contract"}})


def _compiled(function: F, options: dict[str, Any]) -> F:
    options = {"nogil": True, "error_model": "numpy", **options}
    try:
        return cast(F, numba.njit(cache=True, **options)(function))
    except RuntimeError:  # Numba found no folder to cache in
        return cast(F, numba.njit(**options)(function))

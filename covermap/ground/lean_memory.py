"""Give freed memory back to the system, where a field is so large that it matters.

The GNU C library keeps freed blocks for later, which for the arrays of stripes adds up to
hundreds of megabytes. Where another C library is in use nothing happens.
"""

from __future__ import annotations

import ctypes
from contextlib import suppress

import numpy as np
import pandas as pd

#: Tracks with more fixes than this are worked on with lean memory.
LARGE_TRACK = 400_000
#: Blocks from this size stand alone, and go back when freed [bytes].
_ALONE_BYTES = 1 << 20
# name of the setting in glibc's malloc.h
_M_MMAP_THRESHOLD = -3


def give_back(fixes: int) -> None:
    """Give back what is free now, and from now on large blocks as they are freed.

    Nothing is done for tracks of up to :data:`LARGE_TRACK` fixes, since it costs time.
    """
    if fixes <= LARGE_TRACK:
        return
    with suppress(OSError, AttributeError):
        library = ctypes.CDLL(None)
        library.mallopt(_M_MMAP_THRESHOLD, _ALONE_BYTES)
        library.malloc_trim(0)


def at_rows(column: pd.Series, rows: np.ndarray) -> np.ndarray:
    """Give (n,) the numbers of a settings column at ``rows`` of the path.

    Read-only and without a copy where all are alike.
    """
    values = column.to_numpy()
    if len(values) and values.strides == (0,):
        return np.broadcast_to(values[0], len(rows))
    return np.asarray(values[rows])

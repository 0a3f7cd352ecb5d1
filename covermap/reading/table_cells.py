"""Cells of a long text table, read a block of rows at a time so that little stands in memory."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pandas as pd

UTC_DTYPE = pd.DatetimeTZDtype("ns", "UTC")
_PLAIN = r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}:[0-5]\d(?:\.\d{1,9})?(?:Z|[+-]\d{2}:\d{2})"
_BLOCK_ROWS = 100_000
_NUMBERS = (np.dtype(np.int64), np.dtype(np.float64))


def read_cells(text: io.BytesIO, time_column: int | None, **options: Any) -> pd.DataFrame:
    """Read the cells of a delimited text, the same as if all were read at once.

    Times all written like ``2018-07-18T13:08:36Z`` come as moments, not as text.

    Parameters
    ----------
    text : io.BytesIO
        At its first row of cells.
    time_column : int, optional
        Name of the column of times, if there is one.
    **options
        Of :func:`pandas.read_csv`; ``dtype`` names the columns of text.

    Returns
    -------
    pandas.DataFrame
    """
    begin = text.tell()
    for moments_in in dict.fromkeys((time_column, None)):
        text.seek(begin)
        frame = _read_blocks(text, moments_in, options)
        if frame is not None:
            return frame
    text.seek(begin)
    whole: pd.DataFrame = pd.read_csv(text, **options)
    return whole


def _read_blocks(
    text: io.BytesIO, moments_in: int | None, options: dict[str, Any]
) -> pd.DataFrame | None:
    """Read block by block; None where a block would be read otherwise than the whole."""
    parts: list[pd.DataFrame] = []
    with pd.read_csv(text, chunksize=_BLOCK_ROWS, **options) as blocks:
        for part in blocks:
            # one cell of text makes its whole column text, as written in the file
            if any(part[c].dtype not in _NUMBERS for c in part if c not in options["dtype"]):
                return None
            if moments_in is not None:
                moments = plain_moments(part[moments_in])
                if moments is None:
                    return None
                part[moments_in] = moments
            parts.append(part)
    return parts[0] if len(parts) == 1 else pd.concat(parts, ignore_index=True)


def plain_moments(cells: pd.Series) -> pd.Series | None:
    """Give UTC times where all cells are written as ISO 8601 with a zone.

    Parameters
    ----------
    cells : pandas.Series
        As read; empty cells are missing.

    Returns
    -------
    pandas.Series or None
        ``datetime64[ns, UTC]``; None if any cell is written otherwise.
    """
    filled = cells.dropna()
    if len(filled) and not filled.str.fullmatch(_PLAIN).all():
        return None
    try:
        return pd.to_datetime(cells, format="ISO8601", utc=True).astype(UTC_DTYPE)
    except ValueError:  # no such day, or one that does not fit in nanoseconds
        return None

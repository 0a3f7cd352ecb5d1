"""A harvest track as the steps after reading it take it."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
import pyproj

from covermap.reading.columns import RecognisedColumn


@dataclass(frozen=True)
class Track:
    """A harvest track in SI units, in file order.

    Attributes
    ----------
    fixes : pandas.DataFrame
        ``source_row``, ``easting`` and ``northing`` [m], and those columns of
        :data:`covermap.reading.columns.TRACK_COLUMNS` that the file has.
    crs : pyproj.CRS
        Metric CRS of easting and northing.
    source : str
        File name without folder.
    recognised : tuple of RecognisedColumn
        Which header became which column.
    ignored : tuple of str
        Headers without a meaning here.
    unreadable : pandas.DataFrame
        ``source_row``, ``reason`` and ``detail`` of rows without a usable position, and
        ``grain_kg`` that no other row speaks for.
    notes : tuple of str
        What was assumed, merged or converted, in sentences.
    has_time : bool
        Whether the fixes carry a time.
    """

    fixes: pd.DataFrame
    crs: pyproj.CRS
    source: str
    recognised: tuple[RecognisedColumn, ...]
    ignored: tuple[str, ...]
    unreadable: pd.DataFrame
    notes: tuple[str, ...]
    has_time: bool

"""Readings of a field too many to hold: kept in a file where they must, read in order."""

from __future__ import annotations

import math
import tempfile
import weakref
from collections.abc import Iterator
from typing import IO

import numpy as np

from covermap.errors import OutputError

#: Readings up to this many are held in memory.
MOST_HELD = 40_000_000
#: Readings worked on at once; sums do not depend on how they came in.
_CHUNK = 1 << 20
_HALF = 1 << 16


class Readings:
    """Numbers from 0 in single precision, in the order in which they were added."""

    def __init__(self) -> None:
        self.count = 0
        self._held: list[np.ndarray] = []
        self._file: IO[bytes] | None = None

    def add(self, values: np.ndarray) -> None:
        """Add readings at the end.

        Raises
        ------
        OutputError
            If the disk of temporary files is full.
        """
        self._held.append(np.asarray(values, np.float32).ravel())
        self.count += self._held[-1].size
        if self._file is None and self.count <= MOST_HELD:
            return
        try:
            if self._file is None:
                self._file = tempfile.TemporaryFile(prefix="covermap-")  # noqa: SIM115
                weakref.finalize(self, self._file.close)
            self._file.seek(0, 2)
            for held in self._held:
                self._file.write(np.ascontiguousarray(held).data)
        except OSError as error:
            raise OutputError(
                f"A field this large needs room for temporary files in {tempfile.gettempdir()}: "
                f"{error.strerror or error}.",
                way_out="Free some space there, or set TMPDIR to another disk.",
            ) from error
        self._held = []

    def part(self, first: int, count: int) -> np.ndarray:
        """Give ``count`` readings from number ``first``."""
        count = max(min(count, self.count - first), 0)
        if self._file is None:
            if len(self._held) != 1:
                self._held = [np.concatenate([*self._held, np.zeros(0, np.float32)])]
            return self._held[0][first : first + count]
        values = np.empty(count, np.float32)
        self._file.seek(4 * first)
        self._file.readinto(values.data)  # type: ignore[attr-defined]
        return values

    def chunks(self) -> Iterator[np.ndarray]:
        """Give all readings in order, some at a time, in double precision."""
        for first in range(0, self.count, _CHUNK):
            yield self.part(first, _CHUNK).astype(float)

    def mean(self) -> float:
        """Give the mean; NaN without readings."""
        if self.count == 0:
            return math.nan
        return math.fsum(float(chunk.sum()) for chunk in self.chunks()) / self.count

    def deviations(self, mean: float) -> tuple[float, float]:
        """Give the sums of squared and of absolute distances from ``mean``."""
        squared, absolute = [], []
        for chunk in self.chunks():
            chunk -= mean
            absolute.append(float(np.abs(chunk).sum()))
            squared.append(float((chunk * chunk).sum()))
        return math.fsum(squared), math.fsum(absolute)

    def sum_of_lowest(self, number: int) -> float:
        """Give the sum of the ``number`` lowest readings.

        Bits of numbers from 0 stand in the order of the numbers, so that their upper and
        then their lower half point out the last of the lowest.
        """
        if number <= 0:
            return 0.0
        upper = np.zeros(_HALF, np.int64)
        for first in range(0, self.count, _CHUNK):
            upper += np.bincount(self._bits(first) >> 16, minlength=_HALF)
        before = np.cumsum(upper) - upper
        edge = int(np.searchsorted(before + upper, number))
        lower = np.zeros(_HALF, np.int64)
        sums = []
        for first in range(0, self.count, _CHUNK):
            bits = self._bits(first)
            values = self.part(first, _CHUNK)
            sums.append(float(values[bits >> 16 < edge].sum(dtype=float)))
            lower += np.bincount(bits[bits >> 16 == edge] & (_HALF - 1), minlength=_HALF)
        left = number - int(before[edge])
        taken = np.clip(left - (np.cumsum(lower) - lower), 0, lower)
        places = np.flatnonzero(taken)
        values = ((edge << 16) + places).astype(np.uint32).view(np.float32).astype(float)
        return math.fsum(sums) + math.fsum((values * taken[places]).tolist())

    def _bits(self, first: int) -> np.ndarray:
        positive = np.maximum(self.part(first, _CHUNK), np.float32(0))
        return np.ascontiguousarray(positive).view(np.uint32)

"""Rasters of one field that are worked out and read stripe by stripe.

Small ones are held in memory. Those of very large fields stand in temporary files, which
the system takes away even if the run is killed; memory then follows the stripe.
"""

from __future__ import annotations

import tempfile
import threading
import weakref
from collections.abc import Callable
from typing import IO, Protocol

import numpy as np

from covermap.errors import Ask, OutputError
from covermap.ground.grid import Grid, Window

#: Cells worked on at once.
STRIPE_CELLS = 1_500_000
#: Grids up to this size are held in memory [cells].
HELD_CELLS = 16_000_000
#: Of larger grids than this, fewer cells are worked on at once: their tracks take the memory.
LEAN_CELLS = 64_000_000


class Raster(Protocol):
    """A raster that can be read by rows; what is read is not to be changed."""

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        ...

    def rows(self, first: int, count: int) -> np.ndarray:
        """Give ``count`` rows from row ``first``."""
        ...

    def whole(self) -> np.ndarray:
        """Give all rows, read into memory."""
        return self.rows(0, self.shape[0])


class HeldRaster(Raster):
    """A raster in memory."""

    def __init__(self, values: np.ndarray) -> None:
        self._values = values

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        return (self._values.shape[0], self._values.shape[1])

    def rows(self, first: int, count: int) -> np.ndarray:
        """Give ``count`` rows from row ``first``."""
        return self._values[first : first + count]

    def write(self, first: int, values: np.ndarray) -> None:
        """Set the rows from row ``first``."""
        self._values[first : first + len(values)] = values


class FiledRaster:
    """A raster in a temporary file without a name; 0 where nothing was written."""

    def __init__(self, shape: tuple[int, int], dtype: type) -> None:
        self.shape = shape
        self._dtype = np.dtype(dtype)
        self._lock = threading.Lock()
        try:
            self._file: IO[bytes] = tempfile.TemporaryFile(prefix="covermap-")  # noqa: SIM115
            weakref.finalize(self, self._file.close)
            self._file.truncate(shape[0] * self._row_bytes)
        except OSError as error:
            raise _no_room(error) from error

    @property
    def _row_bytes(self) -> int:
        return self.shape[1] * self._dtype.itemsize

    def rows(self, first: int, count: int) -> np.ndarray:
        """Give ``count`` rows from row ``first``."""
        count = max(min(count, self.shape[0] - first), 0)
        values = np.empty((count, self.shape[1]), self._dtype)
        with self._lock:
            self._file.seek(first * self._row_bytes)
            self._file.readinto(values.reshape(-1).view(np.uint8).data)  # type: ignore[attr-defined]
        return values

    def whole(self) -> np.ndarray:
        """Give all rows, read into memory."""
        return self.rows(0, self.shape[0])

    def write(self, first: int, values: np.ndarray) -> None:
        """Set the rows from row ``first``.

        Raises
        ------
        OutputError
            If the disk of temporary files is full.
        """
        content = np.ascontiguousarray(values, self._dtype)
        try:
            with self._lock:
                self._file.seek(first * self._row_bytes)
                self._file.write(content.reshape(-1).view(np.uint8).data)
        except OSError as error:
            raise _no_room(error) from error


class DerivedRaster(Raster):
    """A raster that follows cell by cell from others and is worked out when read."""

    def __init__(self, function: Callable[..., np.ndarray], *sources: Raster) -> None:
        self._function = function
        self._sources = sources

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        return self._sources[0].shape

    def rows(self, first: int, count: int) -> np.ndarray:
        """Give ``count`` rows from row ``first``."""
        return self._function(*(source.rows(first, count) for source in self._sources))


class PlacedRaster(DerivedRaster):
    """A derived raster that also depends on where its rows lie: ``function(first, *rows)``."""

    def rows(self, first: int, count: int) -> np.ndarray:
        """Give ``count`` rows from row ``first``."""
        return self._function(first, *(source.rows(first, count) for source in self._sources))


def as_raster(values: np.ndarray | float | Raster) -> Raster:
    """Take an array or a number for a raster; give a raster as it is."""
    if isinstance(values, np.ndarray | float | int):
        return HeldRaster(np.atleast_2d(values))
    return values


def new_raster(grid: Grid, dtype: type) -> HeldRaster | FiledRaster:
    """Make a raster to be written, in memory or in a file by the size of the grid.

    Raises
    ------
    OutputError
        If there is no room for temporary files.
    """
    if grid.rows * grid.cols <= HELD_CELLS:
        return HeldRaster(np.zeros(grid.shape, dtype))
    return FiledRaster(grid.shape, dtype)


def stripes(
    grid: Grid | Raster, *, cells: int | None = None, rows_together: int = 1
) -> list[Window]:
    """Cut a grid or raster into windows of whole rows, from north to south.

    Parameters
    ----------
    cells : int, optional
        About as many cells in each; if not given :data:`STRIPE_CELLS`, half of it above
        :data:`LEAN_CELLS`.
    rows_together : int
        Edges fall on multiples of this many rows.
    """
    rows, cols = grid.shape
    cells = cells or (STRIPE_CELLS // 2 if rows * cols > LEAN_CELLS else STRIPE_CELLS)
    tall = max(cells // max(cols, 1) // rows_together * rows_together, rows_together)
    return [Window(row, 0, min(tall, rows - row), cols) for row in range(0, rows, tall)]


def _no_room(error: OSError) -> OutputError:
    return OutputError(
        f"A field this large needs room for temporary files in {tempfile.gettempdir()}: "
        f"{error.strerror or error}.",
        "",
        "Free some space there, set TMPDIR to another disk, or choose a larger cell ({0}).",
        Ask("grid.cell"),
    )

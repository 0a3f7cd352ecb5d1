"""Lines of a long text table: how many fields each has, and the good ones on their own."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray

#: So many lines are looked at at once.
_BLOCK_LINES = 1 << 14


def text_of_lines(
    data: bytes, starts: NDArray[np.int64], ends: NDArray[np.int64], good: NDArray[np.bool_]
) -> io.BytesIO:
    """Give the good lines as a stream; where they are the rest of the file, without a copy.

    Parameters
    ----------
    data : bytes
        The whole file.
    starts, ends : numpy.ndarray
        (lines,) place of the first byte and of the line break of each line.
    good : numpy.ndarray
        (lines,) lines to keep.

    Returns
    -------
    io.BytesIO
        At the first good line.
    """
    edges = np.flatnonzero(np.diff(good, prepend=False, append=False))
    if len(edges) == 2 and good[-1]:
        text = io.BytesIO(data)
        text.seek(int(starts[edges[0]]))
        return text
    view = memoryview(data)
    return io.BytesIO(
        b"".join(
            view[starts[first] : ends[after - 1] + 1]
            for first, after in zip(edges[::2], edges[1::2], strict=True)
        )
    )


def with_lines_mended(
    data: bytes,
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    lines: NDArray[np.intp],
    fields: NDArray[np.int64],
    expected: int,
    delimiter: str,
) -> tuple[bytes, NDArray[np.intp]]:
    """Give some lines as many fields as expected by adding or leaving out blank last ones.

    Parameters
    ----------
    data : bytes
        The whole file.
    starts, ends : numpy.ndarray
        (lines,) place of the first byte and of the line break of each line.
    lines : numpy.ndarray
        Which lines, from 0.
    fields : numpy.ndarray
        (lines,) number of fields of each line.
    expected : int
        Fields wanted.
    delimiter : str
        One ASCII character.

    Returns
    -------
    data : bytes
        With as many lines as before.
    mended : numpy.ndarray
        Those of the lines that could be mended.
    """
    mark, parts, done, mended = delimiter.encode(), [], 0, []
    for line in lines:
        text = data[starts[line] : ends[line]]
        kept = text.rstrip(b" \t\r" + mark)
        count = int(fields[line]) - text[len(kept) :].count(mark)
        if count <= expected:
            parts += [data[done : starts[line]], kept, mark * (expected - count)]
            done = ends[line]
            mended.append(line)
    return b"".join((*parts, data[done:])), np.array(mended, dtype=np.intp)


def count_fields(
    octets: NDArray[np.uint8],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    delimiter: str,
    *,
    minding_quotes: bool = True,
) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_]]:
    """Count fields per line; tell lines with an open quote and blank lines.

    Parameters
    ----------
    octets : numpy.ndarray
        The whole file, uint8.
    starts, ends : numpy.ndarray
        (lines,) place of the first byte and of the line break of each line.
    delimiter : str
        One ASCII character.
    minding_quotes : bool
        Whether quotation marks hide delimiters.

    Returns
    -------
    fields : numpy.ndarray
        (lines,) number of fields.
    open_quote, blank : numpy.ndarray
        (lines,) True where a quotation mark has no partner, and where nothing is written.
    """
    fields = np.ones(len(starts), np.int64)
    open_quote, blank = np.zeros(len(starts), np.bool_), np.zeros(len(starts), np.bool_)
    for first in range(0, len(starts), _BLOCK_LINES):
        block = slice(first, min(first + _BLOCK_LINES, len(starts)))
        offset, end = starts[first], ends[block.stop - 1] + 1
        own, begin, close = octets[offset:end], starts[block] - offset, ends[block] - offset
        is_delimiter = own == ord(delimiter)
        quotes = own == ord('"')
        if minding_quotes and quotes.any():
            seen = np.cumsum(quotes)
            before = seen[begin] - quotes[begin]
            open_quote[block] = (seen[close] - before) % 2
            is_delimiter &= (seen - np.repeat(before, close - begin + 1)) % 2 == 0
        place = np.flatnonzero(is_delimiter)
        fields[block] += np.searchsorted(place, close) - np.searchsorted(place, begin)
        if (fields[block] == 1).any():
            blackest = np.maximum.reduceat(own, begin)
            blank[block] = (fields[block] == 1) & (blackest <= ord(" "))
    return fields, open_quote, blank

"""Cells of a column turned into numbers, flags or text, counting what fails."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from covermap.reading.table_kind import BLANK, RawTable, RecognisedColumn

_INFINITE = ("inf", "-inf", "+inf", "infinity")
_YES = ("1", "1.0", "true", "t", "yes", "y", "on", "down", "lowered", "working", "cutting")
_NO = ("0", "0.0", "false", "f", "no", "n", "off", "up", "raised")


def read_numbers(
    raw: RawTable,
    one: RecognisedColumn,
    notes: list[str],
    *,
    majority: bool = True,
    words: Mapping[str, str] | None = None,
) -> NDArray[np.float64]:
    """Read a column as float64 in its SI unit; NaN where blank or no finite number.

    Parameters
    ----------
    raw : RawTable
        The table as it stands in the file.
    one : RecognisedColumn
        Which column.
    notes : list of str
        Grows by one sentence if cells could not be read.
    majority : bool
        Whether a column unreadable for the most part is an error.
    words : mapping of str to str, optional
        Numbers that words in capitals stand for.

    Raises
    ------
    CovermapError
        The table's, if more than half of the column is text, or any in one made by hand.
    """
    cells = raw.frame[one.header]
    if pd.api.types.is_numeric_dtype(cells.dtype) and cells.dtype != np.bool_:
        numbers = cells.to_numpy(dtype=np.float64, na_value=np.nan)
        bad, text = np.isinf(numbers) & raw.kind.by_hand, cells
    else:
        text = stripped(cells)
        if words:
            meant = text.str.upper().map(words)
            text = text.where(meant.isna(), meant)
        plain = text.str.replace("−", "-", regex=False)
        plain = plain.str.replace(",", ".", regex=False) if raw.decimal_comma else plain
        numbers = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
        blank = BLANK if raw.kind.by_hand else (*BLANK, *_INFINITE)
        bad = (~np.isfinite(numbers)) & ~text.str.lower().isin(blank).to_numpy(dtype=np.bool_)
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        example = str(text.iloc[row])[:40]
        where = raw.where(one, row)
        if raw.kind.by_hand:
            raise raw.kind.error(
                f"{where}: {example!r} is not a number.",
                way_out=f"Correct it, or leave the cell blank if the {raw.kind.row} has none.",
            )
        if majority and bad.sum() > 0.5 * len(bad):
            raise raw.kind.column_error(
                f"{where}: {example!r} is no number, nor is most of the column.",
                "Expected numbers.",
                one.column,
            )
        notes.append(
            f"{raw.where(one)}: no number in {int(bad.sum())} of {len(bad)} cells, first "
            f"{example!r} in {raw.row_word} {int(raw.source_row[row])}; left empty."
        )
    numbers = np.where(np.isfinite(numbers), numbers, np.nan)
    return np.asarray(numbers * one.factor, dtype=np.float64)


def read_flags(raw: RawTable, one: RecognisedColumn, notes: list[str], taken: str) -> pd.Series:
    """Read a yes-or-no column; cells that say neither count as yes, with a note.

    Parameters
    ----------
    raw, one, notes
        As for :func:`read_numbers`.
    taken : str
        What yes means, for the note.

    Raises
    ------
    CovermapError
        The table's, if more than half of the column says neither yes nor no.
    """
    cells = raw.frame[one.header]
    if cells.dtype == np.bool_:
        return cells
    text = stripped(cells).str.lower()
    yes = text.isin(_YES)
    neither = ~yes & ~text.isin(_NO)
    if neither.any():
        row = int(np.flatnonzero(neither.to_numpy())[0])
        if neither.sum() > 0.5 * len(neither):
            raise raw.kind.column_error(
                f"{raw.where(one, row)}: {text.iloc[row]!r} is neither yes nor no, nor is most of "
                "the column.",
                "Expected 1 or 0, true or false, down or up.",
                one.column,
            )
        notes.append(
            f"{raw.where(one)}: neither yes nor no in {int(neither.sum())} of {len(neither)} "
            f"cells, first in {raw.row_word} {int(raw.source_row[row])}; {taken} there."
        )
    return (yes | neither).astype(bool)


def read_texts(raw: RawTable, one: RecognisedColumn) -> pd.Series:
    """Read a text column; None where blank, whole numbers without a decimal point.

    Raises
    ------
    CovermapError
        The table's, if a column with a choice of words holds another.
    """
    cells, column = raw.frame[one.header], raw.kind.columns[one.column]
    text = stripped(cells)
    if pd.api.types.is_numeric_dtype(cells.dtype):
        text = text.str.replace(r"\.0+$", "", regex=True)
    blank = text.str.lower().isin(BLANK)
    if column.kind == "word":
        text = text.str.lower()
    other = ~blank & ~text.isin(column.choices)
    if column.choices and other.any():
        row = int(np.flatnonzero(other.to_numpy())[0])
        raise raw.kind.error(
            f"{raw.where(one, row)}: {text.iloc[row]!r} is unknown.",
            f"Expected {' or '.join(column.choices)}, or an empty cell.",
        )
    return text.astype(object).where(~blank, None)


def stripped(cells: pd.Series) -> pd.Series:
    """Give cells as text without blanks or quotation marks around them; empty if missing."""
    return cells.astype(object).where(cells.notna(), "").astype(str).str.strip().str.strip('"')

"""Cells of a track column turned into numbers, flags or text, counting what fails."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from covermap.errors import TrackError
from covermap.reading.columns import RecognisedColumn
from covermap.reading.text_table import RawTrack

_EMPTY = ("", "na", "n/a", "nan", "null", "none", "-", "inf", "-inf", "+inf", "infinity")
_YES = ("1", "1.0", "true", "t", "yes", "y", "on", "down", "lowered", "working", "cutting")
_NO = ("0", "0.0", "false", "f", "no", "n", "off", "up", "raised")
_DEGREES_AND_MINUTES = re.compile(
    r"[NSEWO]?\s*[+-]?\d{1,3}\s*(?:[°º:d]|deg|\s)\s*\d{1,2}(?:[.,]\d+)?\s*(?:['′’m:\s].*)?[NSEWO]?",
    re.IGNORECASE,
)
_CHOICES = {"discharge": ("spread", "windrow")}


def read_numbers(
    raw: RawTrack, one: RecognisedColumn, where: str, notes: list[str], *, majority: bool = True
) -> NDArray[np.float64]:
    """Read a column as float64 in its SI unit; NaN where empty or no finite number.

    Parameters
    ----------
    raw : RawTrack
        The track as it stands in the file.
    one : RecognisedColumn
        Which column.
    where : str
        File and column, for messages.
    notes : list of str
        Grows by one sentence if cells could not be read.
    majority : bool
        Whether a column unreadable for the most part is an error.

    Raises
    ------
    TrackError
        If more than half of the column is text.
    """
    cells = raw.frame[one.header]
    if pd.api.types.is_numeric_dtype(cells.dtype):
        numbers = cells.to_numpy(dtype=np.float64, na_value=np.nan)
    else:
        text = _stripped(cells)
        plain = text.str.replace(",", ".", regex=False) if raw.decimal_comma else text
        numbers = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
        bad = (~np.isfinite(numbers)) & ~text.str.lower().isin(_EMPTY).to_numpy(dtype=np.bool_)
        if bad.any():
            row, example = int(raw.source_row[bad][0]), str(text[bad].iloc[0])
            if majority and bad.sum() > 0.5 * len(bad):
                raise TrackError(
                    f"{where}, {raw.row_word} {row}: {example!r} is no number, nor is most of "
                    f"the column. Expected numbers; name the right one with "
                    f"--column {one.column}=…."
                )
            notes.append(
                f"{where}: no number in {int(bad.sum())} of {len(bad)} cells, first "
                f"{example!r} in {raw.row_word} {row}; left empty."
            )
    numbers = np.where(np.isfinite(numbers), numbers, np.nan)
    return np.asarray(numbers * one.factor, dtype=np.float64)


def refuse_degrees_and_minutes(raw: RawTrack, one: RecognisedColumn, where: str) -> None:
    """Raise if a position column is written in degrees and minutes.

    Raises
    ------
    TrackError
        If more than half of the cells that are filled read like ``10°30.5'E``.
    """
    cells = raw.frame[one.header]
    if pd.api.types.is_numeric_dtype(cells.dtype):
        return
    text = _stripped(cells)
    parted = text.str.fullmatch(_DEGREES_AND_MINUTES).to_numpy(bool)
    if parted.sum() <= 0.5 * (text != "").sum():
        return
    place = int(np.flatnonzero(parted)[0])
    raise TrackError(
        f"{where}, {raw.row_word} {int(raw.source_row[place])}: {text.iloc[place]!r}; degrees and "
        "minutes are not read; export decimal degrees."
    )


def read_flags(raw: RawTrack, one: RecognisedColumn, where: str, notes: list[str]) -> pd.Series:
    """Read a yes-or-no column; cells that say neither count as yes, with a note.

    Raises
    ------
    TrackError
        If more than half of the column says neither yes nor no.
    """
    cells = raw.frame[one.header]
    if cells.dtype == np.bool_:
        return cells
    text = _stripped(cells).str.lower()
    yes = text.isin(_YES)
    neither = ~yes & ~text.isin(_NO)
    if neither.any():
        place = int(np.flatnonzero(neither.to_numpy())[0])
        row, example = int(raw.source_row[place]), str(text.iloc[place])
        if neither.sum() > 0.5 * len(neither):
            raise TrackError(
                f"{where}, {raw.row_word} {row}: {example!r} is neither yes nor no, nor is most "
                "of the column. Expected 1 or 0, true or false, down or up."
            )
        notes.append(
            f"{where}: neither yes nor no in {int(neither.sum())} of {len(neither)} cells, first "
            f"in {raw.row_word} {row}; the header was taken as down there."
        )
    return (yes | neither).astype(bool)


def read_texts(raw: RawTrack, one: RecognisedColumn, where: str) -> pd.Series:
    """Read a text column; missing where empty, whole numbers without a decimal point.

    Raises
    ------
    TrackError
        If a column with a fixed choice of words holds another.
    """
    text = _stripped(raw.frame[one.header])
    if pd.api.types.is_numeric_dtype(raw.frame[one.header].dtype):
        text = text.str.replace(r"\.0+$", "", regex=True)
    empty = text.str.lower().isin(("", "na", "n/a", "nan", "null", "none"))
    if one.column in ("discharge", "profile"):
        text = text.str.lower()
    choices = _CHOICES.get(one.column)
    if choices is not None:
        other = ~empty & ~text.isin(choices)
        if other.any():
            place = int(np.flatnonzero(other.to_numpy())[0])
            raise TrackError(
                f"{where}, {raw.row_word} {int(raw.source_row[place])}: {text.iloc[place]!r} is "
                f"unknown. Expected {' or '.join(choices)}, or an empty cell."
            )
    return text.astype(object).where(~empty, None)


def _stripped(cells: pd.Series) -> pd.Series:
    return cells.astype(object).where(cells.notna(), "").astype(str).str.strip().str.strip('"')

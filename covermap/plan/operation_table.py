"""What tillage, seeding, harrowing and winter keep of the residue, by published table.

A figure is the share kept either of the *mass* or of the *cover*; each row of
``tables/operations.csv`` says which, and where it is from.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Literal, NamedTuple

import numpy as np

from covermap.errors import SettingsError
from covermap.ground.field_sums import RowSums, rows_of
from covermap.ground.rasters import Raster
from covermap.tables import read_table
from covermap.tables.said import Said

#: Steiner et al. 1999 (secondary citation): share of flat wheat straw lost per day *of weather
#: in which straw rots*; dry or frozen days do not count, so no default uses it.
STEINER_DECAY_PER_DAY = 0.028

_WORDS = {
    "plow": "plough", "disk": "disc", "moldboard": "mouldboard", "fall": "autumn",
    "inch": "in", "inches": "in", "airseeder": "air seeder",
    "with": "", "and": "", "or": "", "the": "", "a": "",
}  # fmt: skip


class Range(NamedTuple):
    """The low and high end of what is published, and the middle that the map takes."""

    low: np.ndarray | float
    mid: np.ndarray | float
    high: np.ndarray | float


class Kept(NamedTuple):
    """Share that an operation keeps."""

    low: float
    mid: float
    high: float


@dataclass(frozen=True)
class Operation:
    """One operation and the share of residue it keeps.

    Attributes
    ----------
    name, source_key : str
        Plain name, and the published table in plain words; unique together.
    basis : {"mass", "cover"}
        What the share is of.
    fragile, nonfragile : tuple of float or None
        Lowest and highest share kept on the surface; None where none is published.
    kind : str
        tillage, harrow, seeding, weathering, application or other.
    source, confidence, note : str
        Where the figure is from; ``read``, ``memory`` or ``stated``; what else is known.
    also_called : str
        Other name of the same row.
    decay : Said or None
        What was counted on, where the figure is not from the table.
    """

    name: str
    source_key: str
    basis: Literal["mass", "cover"]
    fragile: tuple[float, float] | None
    nonfragile: tuple[float, float] | None
    kind: str
    source: str
    confidence: str
    note: str = ""
    also_called: str = ""
    decay: Said | None = None

    @property
    def label(self) -> str:
        """Name and table, which :func:`find_operation` takes as they stand."""
        return f"{self.name} ({self.source_key})"

    def kept(self, fragile: bool) -> Kept:
        """Give the share kept: low, middle and high; SettingsError where none is published."""
        ends = self.fragile if fragile else self.nonfragile
        if ends is None:
            word = "fragile" if fragile else "non-fragile"
            raise SettingsError(
                f"operation {self.label!r}: no published figure for {word} residue.",
                way_out="Name an operation that has one.",
            )
        return Kept(ends[0], (ends[0] + ends[1]) / 2, ends[1])


@cache
def operation_table() -> tuple[Operation, ...]:
    """Give every row of ``tables/operations.csv``."""

    def ends(row: dict[str, str], which: str) -> tuple[float, float] | None:
        low, high = row[f"{which}_low"], row[f"{which}_high"]
        return (float(low), float(high)) if low else None

    return tuple(
        Operation(
            name=row["operation"],
            source_key=row["source_key"],
            basis="mass" if row["basis"] == "mass" else "cover",
            fragile=ends(row, "fragile"),
            nonfragile=ends(row, "nonfragile"),
            kind=row["kind"],
            source=row["source"],
            confidence=row["confidence"],
            note=row["note"],
            also_called=row["also_called"],
        )
        for row in read_table("operations")
    )


def _words(name: str) -> frozenset[str]:
    """Give the words of a name, spelling, plurals, order and punctuation aside."""
    words = re.findall(r"[a-z]+|\d+", name.lower().replace('"', " in "))
    words = [
        w[:-1] if len(w) > 3 and w.endswith("s") and not w.endswith("ss") else w for w in words
    ]
    return frozenset(" ".join(_WORDS.get(word, word) for word in words).split())


def find_operation(name: str) -> Operation:
    """Look an operation up; case, punctuation, word order and US or British spelling aside.

    All words of a name are enough, or as many as fit one row only. Where several tables
    know the tool, add the table: ``"planter, double-disc openers (US table, by mass)"``.

    Raises
    ------
    SettingsError
        If no row fits, or more than one; the message names the nearest.
    """
    asked = _words(name)
    named = [
        (words, row)
        for row in operation_table()
        for called in filter(None, (row.name, row.also_called))
        for words in (_words(called), _words(called) | _words(row.source_key))
    ]
    exact = {row.label: row for words, row in named if words == asked}
    found = exact or {row.label: row for words, row in named if asked and asked <= words}
    if len(found) == 1:
        return next(iter(found.values()))
    if found:
        labels = sorted(found, key=len)
        more = f" and {len(labels) - 8} more" if len(labels) > 8 else ""
        raise SettingsError(
            f"operation {name!r} fits more than one row: {'; '.join(labels[:8])}{more}.",
            way_out="Write one of these, with its table in brackets.",
        )
    texts: dict[str, list[str]] = {}
    for words, row in named:
        texts.setdefault(" ".join(sorted(words)), []).append(row.label)
    near = difflib.get_close_matches(" ".join(sorted(asked)), texts, n=8, cutoff=0.4)
    labels = list(dict.fromkeys(label for text in near for label in texts[text]))[:4]
    raise SettingsError(
        f"operation {name!r} is not in the table of operations.",
        f"Nearest: {'; '.join(labels)}." if labels else "",
        "The whole list is covermap/tables/operations.csv.",
    )


def daily_decay(rate_per_day: float, days: float) -> Operation:
    """Make an operation of straw rotting: mass × (1 − rate) ^ days.

    Parameters
    ----------
    rate_per_day : float
        Share of the mass lost per day [1/day]; see :data:`STEINER_DECAY_PER_DAY`.
    days : float
        Days of weather in which straw rots, not calendar days [day].

    Raises
    ------
    SettingsError
        If the rate is not within 0 to 1 or the days are negative.
    """
    if not (0 <= rate_per_day < 1 and 0 <= days < math.inf):
        raise SettingsError(
            f"daily decay: {rate_per_day!r} per day over {days!r} days.",
            "Expected a rate from 0 up to but not including 1 and days of 0 or more.",
        )
    kept = (1 - rate_per_day) ** days
    return Operation(
        name=f"rotting for {days:g} days",
        source_key="stated, by mass",
        basis="mass",
        fragile=(kept, kept),
        nonfragile=(kept, kept),
        kind="weathering",
        source="rate and days stated by the user",
        confidence="stated",
        decay=Said("cover-decay", {"rate_pct": 100 * rate_per_day, "days": days}),
    )


def range_means(figures: Callable[[np.ndarray], Range], raster: Raster) -> Range:
    """Give the field's means of low, middle and high, worked out cell by cell."""
    sums = (RowSums(), RowSums(), RowSums())
    for (rows,) in rows_of(raster):
        for part, values in zip(sums, figures(rows), strict=True):
            part.add(np.asarray(values))
    return Range(*(part.mean for part in sums))

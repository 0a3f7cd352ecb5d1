"""How each cause of strips is told from the others: a letter, and a colour for its family.

The letter alone is enough. The signs, with the source of the colours, are in
``tables/cause_signs.csv``; the two causes of spread width share a colour, and so do the two
of driving, because the set has fewer colours than there are causes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from covermap.cover.causes import CAUSES
from covermap.tables import read_table


@dataclass(frozen=True)
class CauseSign:
    """The signs of one cause.

    Attributes
    ----------
    rule_id, words : str
        The cause.
    code : str
        One capital letter of its words.
    colour, ink : str
        ``#rrggbb`` of the ground and of the letter on it.
    """

    rule_id: str
    words: str
    code: str
    colour: str
    ink: str


@cache
def cause_signs() -> dict[str, CauseSign]:
    """Give the signs of every cause, by its words as strips carry them."""
    rows = {row["cause"]: row for row in read_table("cause_signs")}
    signs = {}
    for rule_id, words in CAUSES.items():
        row = rows[rule_id]
        rgb = [int(row[part]) for part in ("red", "green", "blue")]
        signs[words] = CauseSign(
            rule_id,
            words,
            row["code"],
            "#" + "".join(f"{part:02x}" for part in rgb),
            "#000000" if _relative_luminance(rgb) > 0.18 else "#ffffff",
        )
    return signs


def cause_signs_of(causes: Iterable[object]) -> list[CauseSign]:
    """Give the signs of the causes named in words, each once, in the order of the causes."""
    there = {str(cause) for cause in causes}
    return [sign for words, sign in cause_signs().items() if words in there]


def _relative_luminance(rgb: list[int]) -> float:
    """Give relative luminance as WCAG 2.2 defines it; above 0.18 black text reads better."""
    part = [v / 255 / 12.92 if v <= 10 else ((v / 255 + 0.055) / 1.055) ** 2.4 for v in rgb]
    return 0.2126 * part[0] + 0.7152 * part[1] + 0.0722 * part[2]

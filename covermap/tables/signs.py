"""How strips, causes and actions are told apart: letters, hatch and colour, on paper and screen.

One table, ``tables/signs.csv``, holds every sign with the source of its colour; no letters, no
hatch and no colour of it mean two things. Actions have one letter, causes two, so that a
letter alone tells which of them it is. How each medium draws a hatch is in
``tables/hatches.csv``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from covermap.tables import read_table

#: Relative luminance above which black text reads better than white.
_INK_FROM = 0.18


@dataclass(frozen=True)
class Hatch:
    """A hatch, and how each medium draws it; empty where it is not drawn there.

    Attributes
    ----------
    name : str
        In words; empty for none.
    paper : str
        In matplotlib's notation.
    brushes : tuple of str
        Of desktop GIS, one laid on the other.
    mark : str
        Well-known name of a mark (OGC 02-070, section 11.3.2).
    mark_size_px : str
    mark_filled : bool
    screen : str
        An SVG path on a tile of 16 by 16 pixels.
    """

    name: str = ""
    paper: str = ""
    brushes: tuple[str, ...] = ()
    mark: str = ""
    mark_size_px: str = ""
    mark_filled: bool = False
    screen: str = ""


@dataclass(frozen=True)
class Sign:
    """The signs of one cause or action.

    Attributes
    ----------
    rule_id, words : str
        The cause or action.
    code : str
        One capital letter of the words of an action; two letters of those of a cause.
    hatch : Hatch
    colour, ink : str
        ``#rrggbb`` of the ground and of the letters on it.
    """

    rule_id: str
    words: str
    code: str
    hatch: Hatch
    colour: str
    ink: str


@cache
def _rows() -> dict[str, dict[str, str]]:
    return {row["name"]: row for row in read_table("signs")}


@cache
def hatch_of(name: str) -> Hatch:
    """Give the hatch of a kind of strip, an action or whatever else ``signs.csv`` names."""
    wanted = _rows()[name]["hatch"]
    if not wanted:
        return Hatch()
    row = next(row for row in read_table("hatches") if row["hatch"] == wanted)
    return Hatch(
        wanted,
        row["paper"],
        tuple(row["brushes"].split()),
        row["mark"],
        row["mark_size_px"],
        row["mark_filled"] == "yes",
        row["screen"],
    )


def words_of(kind: str) -> dict[str, str]:
    """Give what each ``cause`` or ``action`` is called, by rule id, in the order of the table."""
    return {name: row["words"] for name, row in _rows().items() if row["of"] == kind}


@cache
def action_signs() -> dict[str, Sign]:
    """Give the signs of every action, by rule id, in the order of the actions."""
    return {rule_id: _sign(rule_id, words) for rule_id, words in words_of("action").items()}


@cache
def cause_signs() -> dict[str, Sign]:
    """Give the signs of every cause, by its words as strips carry them."""
    return {words: _sign(rule_id, words) for rule_id, words in words_of("cause").items()}


def action_signs_of(rule_ids: Iterable[str]) -> list[Sign]:
    """Give the signs of the actions named, each once, the most urgent first, leave last."""
    there = set(rule_ids)
    return [sign for sign in reversed(action_signs().values()) if sign.rule_id in there]


def cause_signs_of(causes: Iterable[object]) -> list[Sign]:
    """Give the signs of the causes named in words, each once, in the order of the causes."""
    there = {str(cause) for cause in causes}
    return [sign for words, sign in cause_signs().items() if words in there]


def _sign(rule_id: str, words: str) -> Sign:
    row = _rows()[rule_id]
    rgb = [int(row[part]) for part in ("red", "green", "blue")]
    return Sign(
        rule_id,
        words,
        row["code"],
        hatch_of(rule_id),
        "#" + "".join(f"{part:02x}" for part in rgb),
        "#000000" if _relative_luminance(rgb) > _INK_FROM else "#ffffff",
    )


def _relative_luminance(rgb: list[int]) -> float:
    """Give relative luminance as WCAG 2.2 defines it."""
    part = [v / 255 / 12.92 if v <= 10 else ((v / 255 + 0.055) / 1.055) ** 2.4 for v in rgb]
    return 0.2126 * part[0] + 0.7152 * part[1] + 0.0722 * part[2]

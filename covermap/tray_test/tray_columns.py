"""Which column of a tray test means what, and in which unit."""

from __future__ import annotations

import re
from dataclasses import dataclass

from covermap.errors import TrayError
from covermap.units import KG_PER_POUND, KINDS, METRES_PER_FOOT

_MEANINGS = {
    "position": "position station offset distance place across",
    "side": "side",
    "run": "run repeat replicate replication rep test",
    "weight": "weight mass amount caught residue",
    "depth": "depth catch",
    "area": "area tray_area",
    "width": "width tray_width section_width",
    "length": "length tray_length",
    "moisture": "moisture water moisture_content",
    "direction": "direction driven",
    "wind_speed": "wind_speed",
    "wind_from": "wind_from wind_from_deg",
}
_BY_WORD = {word: meaning for meaning, words in _MEANINGS.items() for word in words.split()}
_MILLIMETRES = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 1000 * METRES_PER_FOOT / 12}
_INCHES = {"inch": 1000 * METRES_PER_FOOT / 12, "inches": 1000 * METRES_PER_FOOT / 12}
_UNITS: dict[str, dict[str, float]] = {
    "position": KINDS["length"].factors,
    "width": KINDS["length"].factors,
    "length": KINDS["length"].factors,
    # The international avoirdupois ounce is 1/16 lb (NIST SP 811, appendix B.8).
    "weight": {**KINDS["mass"].factors, "oz": KG_PER_POUND / 16, "ounces": KG_PER_POUND / 16},
    "depth": {**_MILLIMETRES, **_INCHES},
    "area": {
        **KINDS["area"].factors,
        "cm2": 1e-4,
        "in2": (METRES_PER_FOOT / 12) ** 2,
    },
    "moisture": KINDS["percent"].factors,
}
#: Taken if a header names no unit: small trays are weighed in grams.
_ASSUMED = {"position": "m", "width": "m", "length": "m", "weight": "g", "depth": "mm"}
_ASSUMED |= {"area": "m2", "moisture": "%"}
_NO_READING = ("", "-", "–", "na", "n/a", "nan", "missing", "lost", "null", "none")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d+)?", re.IGNORECASE)


@dataclass(frozen=True)
class TrayColumn:
    """One column that means something.

    Attributes
    ----------
    place : int
        Which column, from 0.
    header, meaning, unit : str
        As written; a key of the table of meanings; empty if the header names none.
    run : str
        Name of the run a weight column belongs to, or empty.
    """

    place: int
    header: str
    meaning: str
    unit: str = ""
    run: str = ""

    @property
    def assumed_unit(self) -> str:
        """Unit if the header names none."""
        return _ASSUMED.get(self.meaning, "")

    @property
    def factor(self) -> float:
        """Factor to SI (depth: to mm)."""
        return _UNITS.get(self.meaning, {}).get(self.unit or self.assumed_unit, 1.0)


def is_missing(cell: str) -> bool:
    """Tell whether a cell says that there is no reading."""
    return cell.strip().lower() in _NO_READING


def number_of(text: str) -> float | None:
    """Read a number with a point or a comma; None if it is none."""
    text = text.strip().replace("−", "-")
    return float(text.replace(",", ".")) if _NUMBER.fullmatch(text) else None


def recognise_trays(headers: tuple[str, ...], name: str) -> tuple[TrayColumn, ...]:
    """Find the columns of a tray test among headers.

    Raises
    ------
    TrayError
        If two columns mean the same, or a unit in brackets is not known.
    """
    found: list[TrayColumn] = []
    for place, header in enumerate(headers):
        column = _column(place, header, name)
        if column is None:
            continue
        twin = next((c for c in found if (c.meaning, c.run) == (column.meaning, column.run)), None)
        if twin is not None:
            raise TrayError(
                f"{name}: columns {twin.header!r} and {header!r} both mean "
                f"{column.run or column.meaning}; keep one of them or name it otherwise."
            )
        found.append(column)
    if sum(c.meaning in ("weight", "depth") for c in found) > 1:
        plain = [c for c in found if c.meaning in ("weight", "depth") and not c.run]
        if plain or len({c.meaning for c in found} & {"weight", "depth"}) > 1:
            raise TrayError(
                f"{name}: weights and depths, or weights with and without a run, stand side by "
                "side; keep one kind of reading."
            )
    if any(c.run for c in found):
        found = [c for c in found if c.meaning != "run"]
    return tuple(found)


def _column(place: int, header: str, name: str) -> TrayColumn | None:
    word, unit = _split_unit(header)
    run = re.fullmatch(r"(?:(weight|mass|depth|catch|amount)_?)?(?:run|pass)?_?(\d+)", word)
    if run and (run[1] or not word.isdigit()):
        meaning = "depth" if run[1] in ("depth", "catch") else "weight"
        if not run[1] and unit in _UNITS["depth"]:
            meaning = "depth"
        number = run[2]
        return TrayColumn(
            place, header, meaning, _known(unit, meaning, header, name), f"run {number}"
        )
    if word not in _BY_WORD:
        return None
    meaning = _BY_WORD[word]
    if meaning not in _UNITS:
        return TrayColumn(place, header, meaning)
    if meaning == "weight" and unit in _UNITS["depth"] and unit not in _UNITS["weight"]:
        meaning = "depth"
    return TrayColumn(place, header, meaning, _known(unit, meaning, header, name))


def _known(unit: str, meaning: str, header: str, name: str) -> str:
    if unit and unit not in _UNITS[meaning]:
        known = ", ".join(list(_UNITS[meaning])[:14])
        raise TrayError(
            f"{name}, column {header!r}: the unit {unit!r} is not one of {meaning}; known are "
            f"{known}."
        )
    return unit


def _split_unit(header: str) -> tuple[str, str]:
    """Split ``Weight (g)``, ``weight [g]``, ``weight_g`` or ``weight, g`` in word and unit."""
    text = header.strip().lower().replace("²", "2").replace("^2", "2")
    bracket = re.fullmatch(r"(.*?)\s*[(\[]\s*([^)\]]*?)\s*[)\]]", text)
    if bracket:
        return _word(bracket[1]), bracket[2]
    parts = re.fullmatch(r"(.+?)(?:\s*,\s*|[\s_]+)([a-z%]+2?)", text)
    known = {u for units in _UNITS.values() for u in units} | {"pct", "deg"}
    if parts and parts[2] in known:
        return _word(parts[1]), parts[2]
    return _word(text), ""


def _word(text: str) -> str:
    return re.sub(r"[\s\-.]+", "_", text.strip())

"""Units people write, and the SI units covermap computes in.

Text such as ``"35 ft"`` or ``"80 bu/ac"`` becomes a plain number in the SI unit of its
kind, and back again for readers of US units. Factors are exact by definition: the
international yard and pound (NIST SP 811, appendix B.8) and the US bushel weights of
``tables/crops.csv``.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from covermap.errors import Ask, SettingsError

METRES_PER_FOOT = 0.3048
KG_PER_POUND = 0.45359237
SQUARE_METRES_PER_ACRE = 4046.8564224
KG_PER_SHORT_TON = 2000 * KG_PER_POUND
#: The US gallon is 231 cubic inches (NIST SP 811, appendix B.8).
LITRES_PER_GALLON = 231 * (10 * METRES_PER_FOOT / 12) ** 3
MM_PER_INCH = 25.4


@dataclass(frozen=True)
class Kind:
    """One kind of quantity: its SI unit and the other units people write for it."""

    si_unit: str
    factors: dict[str, float]


_LENGTH = {
    "m": 1.0,
    "metre": 1.0,
    "meter": 1.0,
    "metres": 1.0,
    "meters": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "km": 1000.0,
    "ft": METRES_PER_FOOT,
    "foot": METRES_PER_FOOT,
    "feet": METRES_PER_FOOT,
    "'": METRES_PER_FOOT,
    "in": METRES_PER_FOOT / 12,
    "inch": METRES_PER_FOOT / 12,
    "inches": METRES_PER_FOOT / 12,
    '"': METRES_PER_FOOT / 12,
    "yd": 3 * METRES_PER_FOOT,
    "mi": 5280 * METRES_PER_FOOT,
    "mile": 5280 * METRES_PER_FOOT,
    "miles": 5280 * METRES_PER_FOOT,
}
_MASS = {
    "kg": 1.0,
    "g": 0.001,
    "t": 1000.0,
    "tonne": 1000.0,
    "lb": KG_PER_POUND,
    "lbs": KG_PER_POUND,
    "short_ton": KG_PER_SHORT_TON,
    # The international avoirdupois ounce is 1/16 lb (NIST SP 811, appendix B.8).
    "oz": KG_PER_POUND / 16,
    "ounces": KG_PER_POUND / 16,
}
_TIME = {"s": 1.0, "sec": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0, "hr": 3600.0}

KINDS: dict[str, Kind] = {
    "length": Kind("m", _LENGTH),
    "mass": Kind("kg", _MASS),
    "time": Kind("s", _TIME),
    "speed": Kind(
        "m/s",
        {
            "m/s": 1.0,
            "mps": 1.0,
            "km/h": 1 / 3.6,
            "kmh": 1 / 3.6,
            "kph": 1 / 3.6,
            "mph": 5280 * METRES_PER_FOOT / 3600,
            "mi/h": 5280 * METRES_PER_FOOT / 3600,
            "ft/s": METRES_PER_FOOT,
            "kn": 1852 / 3600,
            "kt": 1852 / 3600,
            "knots": 1852 / 3600,
        },
    ),
    "mass flow": Kind(
        "kg/s",
        {
            "kg/s": 1.0,
            "kgps": 1.0,
            "g/s": 0.001,
            "t/h": 1000 / 3600,
            "lb/s": KG_PER_POUND,
            "lbs/s": KG_PER_POUND,
            "lb/min": KG_PER_POUND / 60,
        },
    ),
    "mass per area": Kind(
        "t/ha",
        {
            "t/ha": 1.0,
            "tonne/ha": 1.0,
            "mg/ha": 1.0,
            "dt/ha": 0.1,
            "kg/ha": 0.001,
            "g/m2": 0.01,
            "kg/m2": 10.0,
            "lb/ac": KG_PER_POUND / SQUARE_METRES_PER_ACRE * 10,
            "lbs/ac": KG_PER_POUND / SQUARE_METRES_PER_ACRE * 10,
            "short_ton/ac": KG_PER_SHORT_TON / SQUARE_METRES_PER_ACRE * 10,
        },
    ),
    "area": Kind(
        "m2",
        {
            "m2": 1.0,
            "ha": 1e4,
            "ac": SQUARE_METRES_PER_ACRE,
            "ft2": METRES_PER_FOOT**2,
            "cm2": 1e-4,
            "in2": (METRES_PER_FOOT / 12) ** 2,
        },
    ),
    "depth": Kind(
        "mm",
        {
            "mm": 1.0,
            "cm": 10.0,
            "m": 1000.0,
            **dict.fromkeys(("in", "inch", "inches"), 1000 * METRES_PER_FOOT / 12),
        },
    ),
    "percent": Kind("%", {"%": 1.0, "pct": 1.0, "percent": 1.0}),
    "share": Kind("share", {"share": 1.0, "%": 0.01, "pct": 0.01, "percent": 0.01}),
    "angle": Kind("deg", {"deg": 1.0, "°": 1.0, "degrees": 1.0, "rad": 180 / math.pi}),
    "temperature": Kind("degC", {"degC": 1.0}),
    "number": Kind("", {}),
}

_QUANTITY = re.compile(r"^\s*([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$")


def unit_factor(unit: str, kind: str, kg_per_bushel: float | None = None) -> float | None:
    """Give the factor from ``unit`` to the SI unit of ``kind``, or None if it is unknown.

    Parameters
    ----------
    unit : str
        As written by a person or a column header, case aside.
    kind : str
        A key of :data:`KINDS`.
    kg_per_bushel : float, optional
        Bushel weight of the crop [kg]; makes ``bu`` units known.

    Returns
    -------
    float or None
        Multiply a number in ``unit`` by it to get the SI value.
    """
    text = unit.strip().lower().replace(" ", "").replace("²", "2").replace("acre", "ac")
    text = text.replace("ton/ac", "short_ton/ac").replace("short_short_", "short_")
    text = text.replace("second", "s").replace("hour", "h")
    factor = KINDS[kind].factors.get(text)
    if factor is None and kg_per_bushel is not None and text.startswith("bu"):
        rest = text.removeprefix("bushels").removeprefix("bushel").removeprefix("bu")
        bushel = {
            ("mass per area", "/ac"): kg_per_bushel / SQUARE_METRES_PER_ACRE * 10,
            ("mass per area", "/ha"): kg_per_bushel / 1000,
            ("mass flow", "/s"): kg_per_bushel,
            ("mass flow", "/h"): kg_per_bushel / 3600,
            ("mass", ""): kg_per_bushel,
        }
        factor = bushel.get((kind, rest))
    return factor


def read_quantity(value: object, kind: str, name: str, kg_per_bushel: float | None = None) -> float:
    """Turn a number or a text with a unit into a float in the SI unit of its kind.

    Parameters
    ----------
    value : object
        A number (taken as SI), or text such as ``"35 ft"``.
    kind : str
        A key of :data:`KINDS`.
    name : str
        How the person knows the value, for the message.
    kg_per_bushel : float, optional
        Bushel weight of the crop [kg].

    Returns
    -------
    float
        The value in the SI unit of ``kind``.

    Raises
    ------
    SettingsError
        If the text is no finite number or its unit is not one of the kind.
    """
    si_unit = KINDS[kind].si_unit
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise SettingsError(
            f"{name}: {value!r} is neither number nor text.",
            f"Expected a number in {si_unit or 'no unit'} or text with a unit.",
        )
    if isinstance(value, str):
        match = _QUANTITY.match(value)
        if match is None:
            raise SettingsError(f"{name}: {value!r} is not a number.", _example(kind))
        number = float(match.group(1).replace(",", "."))
        unit = match.group(2)
        if unit:
            factor = unit_factor(unit, kind, kg_per_bushel)
            if factor is None:
                known = ", ".join(dict.fromkeys(KINDS[kind].factors)) or "no unit at all"
                crop = [Ask("crop.kind", "wheat")] if unit.startswith("bu") else []
                raise SettingsError(
                    f"{name}: the unit {unit!r} is not one of {kind}.",
                    f"Known: {known}.",
                    "Bushels need {0}." if crop else "",
                    *crop,
                )
            number *= factor
    else:
        number = float(value)
    if not math.isfinite(number):
        raise SettingsError(f"{name}: {value!r} is not a finite number.", _example(kind))
    return number


def _example(kind: str) -> str:
    examples = {
        "length": 'Write metres (10.7) or a unit ("35 ft").',
        "speed": 'Write metres per second (2.2) or a unit ("5 mph").',
        "mass per area": 'Write tonnes per hectare (5.4) or a unit ("80 bu/ac").',
        "time": 'Write seconds (4) or a unit ("4 s").',
    }
    return examples.get(kind, f"Write a number in {KINDS[kind].si_unit}.")


@dataclass(frozen=True)
class Shown:
    """How a quantity is shown to a person: factor from SI, unit text, decimals."""

    per_si: float
    unit: str
    decimals: int

    def text(self, value: float | None) -> str:
        """Format an SI ``value`` with its unit; a dash stands for None or NaN."""
        number = self.number(value)
        return number if number == "–" else f"{number} {self.unit}"

    def number(self, value: float | None) -> str:
        """Format an SI ``value`` without its unit."""
        if value is None or not math.isfinite(value):
            return "–"
        # a rounded nothing has no sign
        rounded = round(value * self.per_si, self.decimals) + 0.0
        return f"{rounded:,.{self.decimals}f}"


_METRIC = {
    "length": Shown(1.0, "m", 1),
    "area": Shown(1e-4, "ha", 2),
    "mass": Shown(1.0, "kg", 0),
    "tonnes": Shown(1e-3, "t", 1),
    "mass per area": Shown(1.0, "t/ha", 2),
    "speed": Shown(3.6, "km/h", 1),
    "wind": Shown(1.0, "m/s", 1),
    "nutrient": Shown(1.0, "kg/ha", 1),
    "nutrient per mass": Shown(1.0, "kg per tonne", 1),
    "percent": Shown(1.0, "%", 0),
    "fuel": Shown(1.0, "l", 0),
    "travel": Shown(1e-3, "km", 1),
    "small length": Shown(100.0, "cm", 0),
    "small area": Shown(1.0, "m²", 1),
    "warming": Shown(1.0, "°C", 1),
}
_US = {
    "length": Shown(1 / METRES_PER_FOOT, "ft", 1),
    "area": Shown(1 / SQUARE_METRES_PER_ACRE, "ac", 2),
    "mass": Shown(1 / KG_PER_POUND, "lb", 0),
    "tonnes": Shown(1 / KG_PER_SHORT_TON, "short ton", 1),
    "mass per area": Shown(SQUARE_METRES_PER_ACRE / 10 / KG_PER_POUND, "lb/ac", 0),
    "speed": Shown(3600 / (5280 * METRES_PER_FOOT), "mph", 1),
    "wind": Shown(3600 / (5280 * METRES_PER_FOOT), "mph", 1),
    "nutrient": Shown(SQUARE_METRES_PER_ACRE / 1e4 / KG_PER_POUND, "lb/ac", 1),
    "nutrient per mass": Shown(KG_PER_SHORT_TON / 1000 / KG_PER_POUND, "lb per short ton", 1),
    "percent": Shown(1.0, "%", 0),
    "fuel": Shown(1 / LITRES_PER_GALLON, "gal", 0),
    "travel": Shown(1 / (5280 * METRES_PER_FOOT), "mi", 1),
    "small length": Shown(12 / METRES_PER_FOOT, "in", 0),
    "small area": Shown(1 / METRES_PER_FOOT**2, "ft²", 1),
    "warming": Shown(1.8, "°F", 1),
}


def shown(us_units: bool) -> dict[str, Shown]:
    """Give the display units by kind: metric, or US customary if ``us_units``."""
    return _US if us_units else _METRIC


def length_unit(us_units: bool) -> tuple[float, str]:
    """Give metres per unit of length of plots and scale bars, and the unit."""
    return (METRES_PER_FOOT, "ft") if us_units else (1.0, "m")

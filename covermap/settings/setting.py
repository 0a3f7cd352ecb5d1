"""One setting: its name, type, unit, bounds, default and the reason for it.

A section of the field file is a frozen dataclass; each of its fields is declared once, by one
of the functions here, with all that is known of the setting.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, TypedDict, TypeVar, Unpack, overload

from covermap.errors import SettingsError
from covermap.units import KINDS, read_quantity

#: What a setting can hold, in SI.
SettingValue = str | float | tuple[str, ...] | tuple[float, ...] | None

#: Kinds whose unit ends the name of the attribute, but not the key in the field file.
UNIT_AT_END = {
    "length": "_m",
    "mass per area": "_t_ha",
    "speed": "_m_s",
    "angle": "_deg",
    "area": "_m2",
}


#: Settings whose key alone would not tell what they are, or holds a unit.
_ARGUMENTS = {
    "crop.kind": "crop",
    "crop.grain_moisture_pct": "grain_moisture",
    "combine.grain_delay_s": "grain_delay",
    "combine.residue_delay_s": "residue_delay",
    "spread.width": "spread_width",
    "wind.speed": "wind_speed",
    "wind.from_deg": "wind_from",
    "wind.height": "wind_height",
    "wind.file": "wind_file",
}


@dataclass(frozen=True)
class Setting:
    """One key of the field file.

    Attributes
    ----------
    section, key : str
        Where it stands in the field file.
    attribute : str
        Its name in the section's dataclass: the key, and its unit.
    kind : str
        A key of :data:`covermap.units.KINDS`, or ``text``, ``texts``, ``choice`` or ``list``.
    meaning : str
        One sentence for docs and help.
    default : str, float, tuple or None
        Value if nothing is given; None if it is optional or found otherwise.
    why : str
        Reason for the default; its figures as in a sentence (:mod:`covermap.tables.said`).
    low, high : float
        Bounds, both allowed unless ``above_low``.
    above_low : bool
        The value must be larger than ``low``.
    choices : tuple of str
        For kind ``choice``.
    whole_field : bool
        Cannot be set for single passes, though its section may.
    """

    section: str
    key: str
    attribute: str
    kind: str
    meaning: str
    default: SettingValue = None
    why: str = ""
    low: float = float("-inf")
    high: float = float("inf")
    above_low: bool = False
    choices: tuple[str, ...] = ()
    whole_field: bool = False

    @property
    def name(self) -> str:
        """How a person sees it."""
        return f"[{self.section}] {self.key}"

    @property
    def argument(self) -> str:
        """Its name where there are no sections: a Python argument; an option with dashes."""
        return _ARGUMENTS.get(f"{self.section}.{self.key}", self.key)

    @property
    def unit(self) -> str:
        """SI unit, or an empty text."""
        return KINDS[self.kind].si_unit if self.kind in KINDS else ""

    def read(self, value: object, where: str, kg_per_bushel: float | None) -> Any:
        """Check ``value`` and turn it into SI.

        Raises
        ------
        SettingsError
            If it is of the wrong kind or out of bounds.
        """
        name = f"{where}{self.name}"
        if self.kind == "text":
            if not isinstance(value, str) or not value.strip():
                raise SettingsError(f"{name}: {value!r} is no text.", "Expected a text.")
            return value.strip()
        if self.kind == "texts":
            if isinstance(value, str):
                value = [part for part in value.split(";") if part.strip()]
            if not isinstance(value, list | tuple) or not all(isinstance(v, str) for v in value):
                raise SettingsError(
                    f"{name}: {value!r} is no list of texts.", "Expected a list of texts."
                )
            return tuple(v.strip() for v in value)
        if self.kind == "choice":
            text = str(value).strip().lower()
            if text not in self.choices:
                raise SettingsError(
                    f"{name}: {value!r} is none of {', '.join(self.choices)}.",
                    way_out="Choose one of them.",
                )
            return text
        if self.kind == "list":
            if isinstance(value, str):
                value = [part for part in value.replace(";", ",").split(",") if part.strip()]
            if not isinstance(value, list | tuple) or len(value) < 1:
                raise SettingsError(
                    f"{name}: {value!r} is no list of numbers.", "Expected a list of numbers."
                )
            numbers = tuple(read_quantity(v, "number", name) for v in value)
            if min(numbers) < 0 or sum(numbers) <= 0:
                raise SettingsError(
                    f"{name}: shares must not be negative and not all zero.",
                    "Expected numbers of 0 or more, one of them above 0.",
                )
            return numbers
        number = read_quantity(value, self.kind, name, kg_per_bushel)
        too_low = number <= self.low if self.above_low else number < self.low
        if too_low or number > self.high:
            low = f"{'more than' if self.above_low else 'at least'} {self.low:g}"
            high = f" and at most {self.high:g}" if self.high < float("inf") else ""
            raise SettingsError(
                f"{name}: {value!r} is out of range.",
                f"Expected {low}{high} {self.unit}".rstrip() + ".",
                "Correct the number or its unit.",
            )
        return number


def settings_of(section: str, kind: type[Any]) -> tuple[Setting, ...]:
    """List the settings that a section's dataclass declares."""
    found = []
    for one in dataclasses.fields(kind):
        said = dict(one.metadata)
        key = said.pop("key", None) or one.name.removesuffix(UNIT_AT_END.get(said["kind"], ""))
        found.append(Setting(section, key, one.name, **said))
    return tuple(found)


class _Bounds(TypedDict, total=False):
    """What may be said of a number beside kind and default; ``above`` is a bound not allowed."""

    key: str
    low: float
    above: float
    high: float
    whole_field: bool


_Choice = TypeVar("_Choice", bound=str)


def _declared(default: SettingValue, **said: object) -> Any:
    if "above" in said:
        said |= {"low": said.pop("above"), "above_low": True}
    return dataclasses.field(default=default, metadata={"default": default, **said})


@overload
def number(
    kind: str, meaning: str, *, default: float, why: str, **bounds: Unpack[_Bounds]
) -> float: ...


@overload
def number(
    kind: str, meaning: str, *, why: str = "", **bounds: Unpack[_Bounds]
) -> float | None: ...


def number(
    kind: str,
    meaning: str,
    *,
    default: float | None = None,
    why: str = "",
    **bounds: Unpack[_Bounds],
) -> Any:
    """Declare a number of a kind of :data:`covermap.units.KINDS`."""
    return _declared(default, kind=kind, meaning=meaning, why=why, **bounds)


@overload
def choice(
    choices: tuple[_Choice, ...], meaning: str, *, default: _Choice, why: str
) -> _Choice: ...


@overload
def choice(choices: tuple[_Choice, ...], meaning: str) -> _Choice | None: ...


def choice(
    choices: tuple[_Choice, ...], meaning: str, *, default: _Choice | None = None, why: str = ""
) -> Any:
    """Declare a choice of a few words."""
    return _declared(default, kind="choice", meaning=meaning, why=why, choices=choices)


def text(meaning: str, *, whole_field: bool = False) -> str | None:
    """Declare a text, such as the name of a file."""
    declared: str | None = _declared(None, kind="text", meaning=meaning, whole_field=whole_field)
    return declared


def texts(meaning: str) -> tuple[str, ...] | None:
    """Declare a list of texts."""
    declared: tuple[str, ...] | None = _declared(None, kind="texts", meaning=meaning)
    return declared


def shares(meaning: str) -> tuple[float, ...] | None:
    """Declare a list of shares that are not negative and not all zero."""
    declared: tuple[float, ...] | None = _declared(None, kind="list", meaning=meaning)
    return declared

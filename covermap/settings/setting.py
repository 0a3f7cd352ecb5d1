"""One setting: its name, unit, bounds, default and the reason for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from covermap.errors import SettingsError
from covermap.units import KINDS, read_quantity


@dataclass(frozen=True)
class Setting:
    """One key of the field file.

    Attributes
    ----------
    section, key : str
        Where it stands in the field file.
    kind : str
        A key of :data:`covermap.units.KINDS`, or ``text``, ``texts``, ``choice`` or ``list``.
    meaning : str
        One sentence for docs and help.
    default : object
        Value if nothing is given; None if it is optional or found otherwise.
    why : str
        Reason for the default.
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
    kind: str
    meaning: str
    default: Any = None
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
                raise SettingsError(f"{name}: expected a text, not {value!r}.")
            return value.strip()
        if self.kind == "texts":
            if isinstance(value, str):
                value = [part for part in value.split(";") if part.strip()]
            if not isinstance(value, list | tuple) or not all(isinstance(v, str) for v in value):
                raise SettingsError(f"{name}: expected a list of texts, not {value!r}.")
            return tuple(v.strip() for v in value)
        if self.kind == "choice":
            text = str(value).strip().lower()
            if text not in self.choices:
                raise SettingsError(
                    f"{name}: {value!r} is none of {', '.join(self.choices)}. Choose one of them."
                )
            return text
        if self.kind == "list":
            if isinstance(value, str):
                value = [part for part in value.replace(";", ",").split(",") if part.strip()]
            if not isinstance(value, list | tuple) or len(value) < 1:
                raise SettingsError(f"{name}: expected a list of numbers, not {value!r}.")
            numbers = tuple(read_quantity(v, "number", name) for v in value)
            if min(numbers) < 0 or sum(numbers) <= 0:
                raise SettingsError(f"{name}: shares must not be negative and not all zero.")
            return numbers
        number = read_quantity(value, self.kind, name, kg_per_bushel)
        too_low = number <= self.low if self.above_low else number < self.low
        if too_low or number > self.high:
            low = f"{'more than' if self.above_low else 'at least'} {self.low:g}"
            high = f" and at most {self.high:g}" if self.high < float("inf") else ""
            raise SettingsError(
                f"{name}: {value!r} is out of range; expected {low}{high} {self.unit}".rstrip()
                + ". Correct the number or its unit."
            )
        return number


def positive(section: str, key: str, kind: str, meaning: str, **more: Any) -> Setting:
    """Make a setting whose value must be above 0."""
    return Setting(section, key, kind, meaning, low=0.0, above_low=True, **more)

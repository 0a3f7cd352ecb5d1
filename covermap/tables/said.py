"""Judgements as rule and numbers, and the one place that makes sentences of them.

The words stand in ``tables/sentences/``, a TOML file for each room or feature that judges,
named by the first word of its rule ids: ``plan-order`` is in ``plan.toml``. Numbers are kept
in SI; a sentence is made where it is shown, in the reader's units. So nothing has to convert
a sentence, and results that are read back can be told in other units than they were made.
"""

from __future__ import annotations

import math
import string
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any

from covermap.units import Shown, shown


@dataclass(frozen=True)
class Said:
    """One judgement.

    Attributes
    ----------
    rule : str
        Id of the rule, as docs/model.md has it.
    numbers : mapping
        What the sentence is filled with: SI numbers and texts that JSON can hold.
    about : str
        Whom it is said of, where there are several: ``Machine A``.
    """

    rule: str
    numbers: Mapping[str, Any] = field(default_factory=dict)
    about: str = ""

    @property
    def is_warning(self) -> bool:
        """Whether its rule stands under ``[warnings]`` in the file of sentences."""
        return self.rule in _sentences(self.rule.partition("-")[0])["warnings"]

    def sentence(self, us_units: bool = False) -> str:
        """Give the sentence, in US units if ``us_units``; a warning's starts small."""
        words = _Sentence(us_units).vformat(template(self.rule, us_units), (), self.numbers)
        return f"{self.about}: {words}" if self.about else words

    def text(self, us_units: bool = False) -> str:
        """Give the sentence, marked if it is a warning."""
        return f"{'Warning: ' if self.is_warning else ''}{self.sentence(us_units)}"

    def note(self, us_units: bool = False) -> str:
        """Give the sentence as a line of its own, marked as a note or a warning."""
        return f"{'' if self.is_warning else 'Note: '}{self.text(us_units)}"

    def as_record(self) -> dict[str, Any]:
        """Give rule, numbers and the sentence in SI, for files that programs read."""
        numbers = {k: _plain(v) for k, v in self.numbers.items() if k in names_in(self.rule)}
        about = {"about": self.about} if self.about else {}
        return {"rule": self.rule, **about, "numbers": numbers, "text": self.text()}

    def as_told(self, us_units: bool) -> dict[str, str]:
        """Give rule and sentence, for pages and pictures that show both."""
        return {"rule": self.rule, "text": self.text(us_units)}


def said_of(record: Mapping[str, Any]) -> Said:
    """Read back what :meth:`Said.as_record` gave."""
    return Said(str(record["rule"]), record.get("numbers", {}), record.get("about", ""))


def each_once(said: Iterable[Said]) -> tuple[Said, ...]:
    """Give judgements in order, those that say the same only once."""
    return tuple({(one.rule, one.text()): one for one in said}.values())


def template(rule: str, us_units: bool = False) -> str:
    """Give the words of a rule; KeyError if there is no such rule.

    A rule whose words themselves depend on the unit ("tonnes") has two, ``si`` and ``us``.
    """
    rules = _sentences(rule.partition("-")[0])
    words = rules[rule] if rule in rules else rules["warnings"][rule]
    return words if isinstance(words, str) else words["us" if us_units else "si"]


def filled(words: str, us_units: bool = False) -> str:
    """Give a text that holds figures of its own, such as the reason for a default."""
    return _Sentence(us_units).format(words)


def names_in(rule: str) -> set[str]:
    """Give the names of the numbers that the words of a rule show."""
    words = template(rule) + template(rule, us_units=True)
    found = [(name, form) for _, name, form, _ in string.Formatter().parse(words) if name]
    nested = [name for _, form in found for _, name, _, _ in string.Formatter().parse(form or "")]
    names = {name for name, _ in found} | {name for name in nested if name}
    return {name for name in names if not name[0].isdigit()}


def rules_of(room: str) -> tuple[str, ...]:
    """Give the ids of all rules in one file of sentences."""
    rules = _sentences(room)
    return (*(rule for rule in rules if rule != "warnings"), *rules["warnings"])


@cache
def _sentences(room: str) -> dict[str, Any]:
    file = resources.files("covermap.tables") / "sentences" / f"{room}.toml"
    if not file.is_file():
        raise KeyError(f"{room}: no file of sentences is called so")
    return {"warnings": {}, **tomllib.loads(file.read_text("utf-8"))}


def _plain(value: Any) -> Any:
    value = value.item() if hasattr(value, "item") else value
    return None if isinstance(value, float) and not math.isfinite(value) else value


class _Sentence(string.Formatter):
    """Fills a sentence: a kind of quantity as format (``{x:length}``) shows value and unit.

    ``{x:length number}`` leaves the unit out. What follows is a format of Python's own for
    the value (``{x:length .0f}``); ``g`` gives a stated figure as it was stated in SI, and in
    US units with the decimals of its kind. A number in place of a name is itself, in SI:
    ``{3.3:mass per area g}`` is a published figure. ``{x:words}`` is a text that holds such
    figures itself. None and NaN are a dash.
    """

    def __init__(self, us_units: bool) -> None:
        self._us_units = us_units
        self._units: Mapping[str, Shown] = shown(us_units)

    def get_field(self, field_name: str, _args: Sequence[Any], kwargs: Mapping[str, Any]) -> Any:
        if field_name[0].isdigit():
            return float(field_name), field_name
        return kwargs[field_name], field_name

    def format_field(self, value: Any, format_spec: str) -> str:
        kind = max((k for k in self._units if f"{format_spec} ".startswith(f"{k} ")), default="")
        if format_spec and (value is None or (isinstance(value, float) and math.isnan(value))):
            return "–"
        if format_spec == "words":
            return self.format(value)
        if not kind:
            return str(format(value, format_spec))
        unit = self._units[kind]
        rest = format_spec[len(kind) :].split()
        own = "".join(word for word in rest if word != "number")
        if own == "g" and self._us_units:
            here = value * unit.per_si
            number = unit.number(value) if abs(here) >= 1 or not here else f"{here:.2g}"
        elif own:
            number = format(value * unit.per_si, own)
        else:
            number = unit.number(value)
        return number if "number" in rest or number == "–" else f"{number} {unit.unit}"

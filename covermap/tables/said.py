"""Judgements as rule and numbers, and the one place that makes sentences of them.

The words stand in ``tables/sentences/``, a TOML file for each room or feature that judges,
named by the first word of its rule ids: ``plan-order`` is in ``plan.toml``. Numbers are kept
in SI; a sentence is made where it is shown, in the reader's units. So nothing has to convert
a sentence, and results that are read back can be told in other units than they were made.
"""

from __future__ import annotations

import string
import tomllib
from collections.abc import Mapping, Sequence
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
    """

    rule: str
    numbers: Mapping[str, Any] = field(default_factory=dict)

    def text(self, us_units: bool = False) -> str:
        """Give the sentence, in US units if ``us_units``."""
        return _Sentence(us_units).vformat(template(self.rule), (), self.numbers)

    def as_record(self) -> dict[str, Any]:
        """Give rule, numbers and the sentence in SI, for files that programs read."""
        return {"rule": self.rule, "numbers": dict(self.numbers), "text": self.text()}


def said_of(record: Mapping[str, Any]) -> Said:
    """Read back what :meth:`Said.as_record` gave."""
    return Said(str(record["rule"]), record.get("numbers", {}))


def template(rule: str) -> str:
    """Give the words of a rule; KeyError if there is no such rule."""
    return _sentences(rule.partition("-")[0])[rule]


def rules_of(room: str) -> tuple[str, ...]:
    """Give the ids of all rules in one file of sentences."""
    return tuple(_sentences(room))


@cache
def _sentences(room: str) -> dict[str, str]:
    file = resources.files("covermap.tables") / "sentences" / f"{room}.toml"
    return {str(k): str(v) for k, v in tomllib.loads(file.read_text("utf-8")).items()}


class _Sentence(string.Formatter):
    """Fills a sentence: a kind of quantity as format (``{x:length}``) shows value and unit.

    ``{x:length number}`` leaves the unit out. Everything else is a format of Python's own.
    """

    def __init__(self, us_units: bool) -> None:
        self._units: Mapping[str, Shown] = shown(us_units)

    def get_value(self, key: int | str, _args: Sequence[Any], kwargs: Mapping[str, Any]) -> Any:
        return kwargs[str(key)]

    def format_field(self, value: Any, format_spec: str) -> str:
        kind = format_spec.removesuffix(" number")
        unit = self._units.get(kind)
        if unit is None:
            return str(format(value, format_spec))
        return unit.text(value) if format_spec == kind else unit.bare(value)

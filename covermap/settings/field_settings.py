"""Every setting covermap takes, and the values of one run.

The field file, the command line and the docs all read this one list.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from covermap.errors import SettingsError
from covermap.settings.map_settings import DISCHARGES, MAP_SETTINGS, PROFILES
from covermap.settings.plan_settings import PLAN_SETTINGS
from covermap.settings.setting import Setting

__all__ = [
    "BY_NAME",
    "DISCHARGES",
    "PER_PASS",
    "PER_PASS_SECTIONS",
    "PROFILES",
    "SETTINGS",
    "FieldSettings",
    "PassRule",
    "Setting",
    "parse_pass_numbers",
]

SETTINGS: tuple[Setting, ...] = (*MAP_SETTINGS, *PLAN_SETTINGS)
BY_NAME = {(s.section, s.key): s for s in SETTINGS}

#: Keys that a pass, a time window or a fix may set for itself.
PER_PASS_SECTIONS = ("spread", "combine")

#: Settings that a pass, a time window or a fix may set for itself, by key.
PER_PASS = {s.key: s for s in SETTINGS if s.section in PER_PASS_SECTIONS and not s.whole_field}


@dataclass(frozen=True)
class PassRule:
    """Settings that hold for some passes or for a time window only.

    Attributes
    ----------
    passes : str
        Pass numbers such as ``"3-7,12"``; empty if a time window is meant.
    start, end : str
        ISO times of the window; empty if passes are meant.
    values : mapping of str to object
        Keys of [spread] or [combine] in SI.
    where : str
        For messages.
    """

    passes: str
    start: str
    end: str
    values: Mapping[str, Any]
    where: str


@dataclass(frozen=True)
class FieldSettings:
    """All settings of one run, checked, in SI units, defaults filled in.

    ``values`` maps (section, key) to the value; ``given`` holds the names the person set.
    """

    values: Mapping[tuple[str, str], Any]
    given: frozenset[tuple[str, str]]
    pass_rules: tuple[PassRule, ...] = ()
    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)

    def get(self, section: str, key: str) -> Any:
        """Give the value of a setting, its default, or None."""
        return self.values[(section, key)]

    def number(self, section: str, key: str) -> float:
        """Give the value of a setting that always has a number."""
        return float(self.values[(section, key)])

    def with_values(self, changes: Mapping[tuple[str, str], Any]) -> FieldSettings:
        """Give the same settings with some values (in SI) replaced: a what-if."""
        for section, key in changes:
            if (section, key) not in BY_NAME:
                raise SettingsError(f"[{section}] {key} is no setting of covermap.")
        return replace(
            self,
            values={**self.values, **changes},
            given=self.given | frozenset(changes),
        )


def parse_pass_numbers(text: str, place: str) -> list[tuple[int, int]]:
    """Turn ``"3-7,12"`` into [(3, 7), (12, 12)]."""
    spans = []
    for part in text.split(","):
        ends = part.strip().split("-")
        if not all(e.strip().isdigit() for e in ends) or len(ends) > 2:
            raise SettingsError(
                f'{place}passes: {part.strip()!r} is no pass number or span. Write "3-7,12".'
            )
        low, high = int(ends[0]), int(ends[-1])
        if high < low:
            raise SettingsError(f"{place}passes: {part.strip()!r} runs backwards.")
        spans.append((low, high))
    return spans

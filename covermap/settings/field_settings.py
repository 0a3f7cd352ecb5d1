"""Every setting covermap takes, and the values of one run.

The field file, the command line and the docs all read this one list.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, get_type_hints

from covermap.errors import SettingsError
from covermap.settings.map_settings import (
    AdviceSection,
    CombineSection,
    CropSection,
    FieldSection,
    GridSection,
    LimitsSection,
    SpreadSection,
    WindSection,
)
from covermap.settings.plan_settings import PlanSection
from covermap.settings.setting import Setting, SettingValue, settings_of
from covermap.tables.said import Said


@dataclass(frozen=True)
class PassRule:
    """Settings that hold for some passes or for a time window only.

    Attributes
    ----------
    passes : str
        Pass numbers such as ``"3-7,12"``; empty if a time window is meant.
    start, end : str
        ISO times of the window; empty if passes are meant.
    values : mapping of str to str, float or tuple
        Keys of [spread] or [combine] in SI.
    where : str
        For messages.
    """

    passes: str
    start: str
    end: str
    values: Mapping[str, SettingValue]
    where: str


@dataclass(frozen=True, kw_only=True)
class FieldSettings:
    """All settings of one run, checked, in SI units, defaults filled in.

    Each section of the field file is an attribute; ``given`` holds (section, key) of what the
    person set. A what-if is a copy: ``replace(settings, spread=replace(settings.spread,
    lean_m=1.0))``.
    """

    field: FieldSection
    crop: CropSection
    combine: CombineSection
    spread: SpreadSection
    wind: WindSection
    limits: LimitsSection
    advice: AdviceSection
    grid: GridSection
    plan: PlanSection
    given: frozenset[tuple[str, str]] = frozenset()
    pass_rules: tuple[PassRule, ...] = ()
    columns: Mapping[str, str] = dataclasses.field(default_factory=dict)
    units: Mapping[str, str] = dataclasses.field(default_factory=dict)

    def value_of(self, setting: Setting) -> SettingValue:
        """Give the value of a setting, for what shows or keeps them all."""
        value: SettingValue = getattr(getattr(self, setting.section), setting.attribute)
        return value


#: The dataclass of each section, in the order of the docs.
SECTIONS: dict[str, type[Any]] = {
    name: kind
    for name, kind in get_type_hints(FieldSettings).items()
    if dataclasses.is_dataclass(kind) and isinstance(kind, type)
}
SETTINGS: tuple[Setting, ...] = tuple(
    setting for name, kind in SECTIONS.items() for setting in settings_of(name, kind)
)
BY_NAME = {(s.section, s.key): s for s in SETTINGS}

#: Settings that a pass, a time window or a fix may set for itself, by key.
PER_PASS = {s.key: s for s in SETTINGS if s.section in ("spread", "combine") and not s.whole_field}


#: How a default of a kind is shown; other kinds have the same unit for every reader.
_SHOWN_AS = {
    "length": "length g",
    "speed": "wind g",
    "area": "small area g",
    "mass per area": "mass per area g",
}


def defaults_used(settings: FieldSettings, sections: Collection[str]) -> list[Said]:
    """Say which defaults of some sections are in use, each with its reason."""
    said = []
    for name, setting in BY_NAME.items():
        value = settings.value_of(setting)
        unsaid = value is None or not setting.why or setting.section not in sections
        if name in settings.given or unsaid:
            continue
        kind = _SHOWN_AS.get(setting.kind, "")
        if not kind:
            text = f"{value:g}" if isinstance(value, float) else str(value)
            own = "" if setting.kind in ("number", "choice", "share") else f" {setting.unit}"
            value = f"{text}{own}"
        numbers = {"setting": setting.name, "value": value, "kind": kind, "why": setting.why}
        said.append(Said("assumed-default", numbers))
    return said


def parse_pass_numbers(text: str, place: str) -> list[tuple[int, int]]:
    """Turn ``"3-7,12"`` into [(3, 7), (12, 12)]."""
    spans = []
    for part in text.split(","):
        ends = part.strip().split("-")
        if not all(e.strip().isdigit() for e in ends) or len(ends) > 2:
            raise SettingsError(
                f"{place}passes: {part.strip()!r} is no pass number or span.",
                way_out='Write "3-7,12".',
            )
        low, high = int(ends[0]), int(ends[-1])
        if high < low:
            raise SettingsError(
                f"{place}passes: {part.strip()!r} runs backwards.", way_out=f'Write "{high}-{low}".'
            )
        spans.append((low, high))
    return spans

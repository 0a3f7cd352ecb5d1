"""Read the settings of a field: a TOML field file and options.

Options given on the command line use the same names as the field file and win over it.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from covermap.errors import SettingsError
from covermap.settings.field_settings import (
    BY_NAME,
    PER_PASS,
    SECTIONS,
    FieldSettings,
    PassRule,
    parse_pass_numbers,
)
from covermap.settings.map_settings import CombineSection, SpreadSection, WindSection
from covermap.settings.setting import Setting, SettingValue
from covermap.tables.crops import find_crop

_OTHER_SECTIONS = ("pass_settings", "columns", "units")


def read_field_file(path: Path) -> dict[str, Any]:
    """Read a TOML field file as nested plain values.

    Raises
    ------
    SettingsError
        If the file cannot be read or is not TOML.
    """
    try:
        return tomllib.loads(path.read_text("utf-8-sig"))
    except FileNotFoundError:
        raise SettingsError(
            f"{path.name}: no such field file.", way_out="Check the name."
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"{path.name}: cannot be read as a field file ({_reason(error)}).",
            "Expected UTF-8 text in TOML.",
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"{path.name}: not valid TOML: {error}.", 'Text needs quotes: width = "35 ft".'
        ) from None


def _reason(error: Exception) -> str:
    return (error.strerror or "cannot be opened") if isinstance(error, OSError) else "not UTF-8"


def build_settings(
    file_values: Mapping[str, Any],
    options: Mapping[tuple[str, str], object] | None = None,
    *,
    source: str = "",
    pass_table: Sequence[PassRule] = (),
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
) -> FieldSettings:
    """Check all values, turn them to SI and fill in the defaults.

    Parameters
    ----------
    file_values : mapping
        Content of a field file, may be empty.
    options : mapping
        (section, key) to value; wins over the file. None values are skipped.
    source : str
        Name of the field file for messages.
    pass_table : sequence of PassRule
        Further rules, from :func:`covermap.settings.pass_table.read_pass_table`.
    columns, units : mapping
        Further column and unit overrides.

    Returns
    -------
    FieldSettings

    Raises
    ------
    SettingsError
        For an unknown key (the nearest right one is named) or a value out of range.
    """
    where = f"{source}: " if source else ""
    raw: dict[tuple[str, str], tuple[object, str]] = {}
    for section, content in file_values.items():
        if section in _OTHER_SECTIONS:
            continue
        if section not in SECTIONS:
            raise SettingsError(
                f"{where}[{section}] is no section of a field file.",
                *_nearest(section, [*SECTIONS, *_OTHER_SECTIONS]),
            )
        if not isinstance(content, dict):
            raise SettingsError(
                f"{where}{section} must be a section.", way_out=f"Write [{section}]."
            )
        for key, value in content.items():
            raw[_known(section, key, where).section, key] = (value, where)
    for name, value in (options or {}).items():
        if value is not None:
            raw[name] = (value, "")
    crop = raw.get(("crop", "kind"))
    try:
        kg_per_bushel = find_crop(str(crop[0])).kg_per_bushel if crop else None
    except SettingsError as error:
        raise error.at(crop[1] if crop else "") from None
    stated: dict[str, dict[str, Any]] = {name: {} for name in SECTIONS}
    for (section, key), (value, place) in raw.items():
        setting = BY_NAME[section, key]
        stated[section][setting.attribute] = setting.read(value, place, kg_per_bushel)
    sections: dict[str, Any] = {name: kind(**stated[name]) for name, kind in SECTIONS.items()}
    rules = [
        pass_rule(entry, f"{where}[[pass_settings]] number {number}: ", kg_per_bushel)
        for number, entry in enumerate(_list(file_values.get("pass_settings", []), where), 1)
    ]
    settings = FieldSettings(
        **sections,
        given=frozenset(raw),
        pass_rules=(*rules, *pass_table),
        columns={**_texts(file_values, "columns", where), **(columns or {})},
        units={**_texts(file_values, "units", where), **(units or {})},
    )
    _check_spread(settings.spread, where)
    _check_wind(settings.wind, settings.combine, where)
    return settings


def pass_rule(entry: object, place: str, kg_per_bushel: float | None) -> PassRule:
    """Check one rule for passes: passes or from and to, then keys of [spread] or [combine].

    Raises
    ------
    SettingsError
        If a key or value is wrong, or the rule says not or twice which passes it is for.
    """
    if not isinstance(entry, dict):
        raise SettingsError(
            f"{place}{entry!r} is no section.", way_out="Write it as [[pass_settings]]."
        )
    values: dict[str, SettingValue] = {}
    for key, value in entry.items():
        if key in ("passes", "from", "to"):
            continue
        setting = PER_PASS.get(key)
        if setting is None:
            names = ["passes", "from", "to", *PER_PASS]
            raise SettingsError(f"{place}{key!r} is no key for passes.", *_nearest(key, names))
        values[key] = setting.read(value, place, kg_per_bushel)
    passes = str(entry.get("passes", "")).strip()
    start, end = str(entry.get("from", "")).strip(), str(entry.get("to", "")).strip()
    if bool(passes) == bool(start or end):
        raise SettingsError(
            f"{place}it says {'twice' if passes else 'not'} which passes it is for.",
            way_out='Give either passes = "3-7,12" or from and to times, and not both.',
        )
    if passes:
        parse_pass_numbers(passes, place)
    elif not (start and end):
        raise SettingsError(f"{place}a time window needs both from and to.", way_out="Give both.")
    if not values:
        raise SettingsError(f"{place}no setting follows.", way_out="Add for example width or lean.")
    spread: dict[str, Any] = {
        PER_PASS[key].attribute: value
        for key, value in values.items()
        if PER_PASS[key].section == "spread"
    }
    if "shares" in values:
        spread.setdefault("profile", "table")
    _check_spread(SpreadSection(**spread), place)
    return PassRule(passes, start, end, values, place)


def _check_spread(spread: SpreadSection, where: str) -> None:
    left, right = spread.reach_left_m, spread.reach_right_m
    if (left is None) != (right is None):
        raise SettingsError(
            f"{where}[spread] reach_left and reach_right go together.",
            way_out="Give both or width alone.",
        )
    if left is not None and right is not None:
        if left + right <= 0:
            raise SettingsError(
                f"{where}[spread] reach_left and reach_right: the band has no width.",
                "Expected a sum above 0.",
            )
        if spread.width_m is not None:
            raise SettingsError(
                f"{where}[spread] width and reach_left/reach_right say the same thing.",
                way_out="Give one.",
            )
    if spread.profile == "table" and spread.shares is None:
        raise SettingsError(
            f"{where}[spread] profile table needs shares.", way_out="Give shares = [ … ]."
        )
    if spread.shares is not None and spread.profile != "table":
        raise SettingsError(
            f"{where}[spread] shares are given for another profile.",
            way_out='Set profile = "table".',
        )


def _check_wind(wind: WindSection, combine: CombineSection, where: str) -> None:
    speed, direction = wind.speed_m_s, wind.from_deg
    if wind.file is not None and (speed is not None or direction is not None):
        raise SettingsError(
            f"{where}[wind] file is given, and so is speed or from_deg.",
            way_out="Give either file, or speed and from_deg, not both.",
        )
    if speed is None and direction is not None:
        raise SettingsError(f"{where}[wind] from_deg is given without speed.", way_out="Give both.")
    if speed and direction is None:
        raise SettingsError(
            f"{where}[wind] speed is given without from_deg.",
            way_out="Say where the wind blew from, in degrees clockwise from true north.",
        )
    if (combine.rotor_diameter_m is None) != (combine.rotor_rpm is None):
        raise SettingsError(
            f"{where}[combine] rotor_diameter and rotor_rpm go together.",
            way_out="Give both or neither.",
        )


def with_stated(
    settings: FieldSettings, options: Mapping[tuple[str, str], object]
) -> FieldSettings:
    """Give settings with some stated anew, checked and in SI.

    Parameters
    ----------
    settings : FieldSettings
    options : mapping
        (section, key) to value.

    Raises
    ------
    SettingsError
        If a value is out of range.
    """
    kind = settings.crop.kind
    kg_per_bushel = find_crop(kind).kg_per_bushel if kind else None
    for name, value in options.items():
        setting = BY_NAME[name]
        section = getattr(settings, setting.section)
        stated = {setting.attribute: setting.read(value, "", kg_per_bushel)}
        changed: dict[str, Any] = {setting.section: replace(section, **stated)}
        settings = replace(settings, given=settings.given | {name}, **changed)
    return settings


def _known(section: str, key: str, where: str) -> Setting:
    setting = BY_NAME.get((section, key))
    if setting is None:
        keys = [k for s, k in BY_NAME if s == section]
        raise SettingsError(f"{where}[{section}] {key}: no such setting.", *_nearest(key, keys))
    return setting


def _nearest(word: str, known: list[str]) -> tuple[str, str]:
    """Give what was expected and the way out."""
    near = difflib.get_close_matches(word.lower(), known, n=1, cutoff=0.5)
    return ("", f"Did you mean {near[0]!r}?") if near else (f"Known: {', '.join(known)}.", "")


def _list(value: object, where: str) -> list[Any]:
    if not isinstance(value, list):
        raise SettingsError(
            f"{where}pass_settings is no list.", way_out="Write it as [[pass_settings]]."
        )
    return value


def _texts(file_values: Mapping[str, Any], section: str, where: str) -> dict[str, str]:
    content = file_values.get(section, {})
    if not isinstance(content, dict) or not all(isinstance(v, str) for v in content.values()):
        raise SettingsError(
            f"{where}[{section}]: not every line holds a text.",
            'Expected lines such as time = "MyTime".',
        )
    return {str(k): str(v) for k, v in content.items()}

"""Read the settings of a field: a TOML field file and options.

Options given on the command line use the same names as the field file and win over it.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from covermap.errors import SettingsError
from covermap.settings.field_settings import (
    BY_NAME,
    PER_PASS,
    SETTINGS,
    FieldSettings,
    PassRule,
    Setting,
    parse_pass_numbers,
)
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
        raise SettingsError(f"{path.name}: no such field file. Check the name.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"{path.name}: cannot be read as a field file ({_reason(error)}). "
            "Expected UTF-8 text in TOML."
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f'{path.name}: not valid TOML: {error}. Text needs quotes: width = "35 ft".'
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
    sections = dict.fromkeys(s.section for s in SETTINGS)
    for section, content in file_values.items():
        if section in _OTHER_SECTIONS:
            continue
        if section not in sections:
            raise SettingsError(
                f"{where}[{section}] is no section of a field file."
                + _nearest(section, [*sections, *_OTHER_SECTIONS])
            )
        if not isinstance(content, dict):
            raise SettingsError(f"{where}{section} must be a section: write [{section}].")
        for key, value in content.items():
            raw[_known(section, key, where).section, key] = (value, where)
    for name, value in (options or {}).items():
        if value is not None:
            raw[name] = (value, "")
    crop = raw.get(("crop", "kind"))
    try:
        kg_per_bushel = find_crop(str(crop[0])).kg_per_bushel if crop else None
    except SettingsError as error:
        raise SettingsError(f"{crop[1] if crop else ''}{error}") from None
    values: dict[tuple[str, str], Any] = {name: s.default for name, s in BY_NAME.items()}
    for name, (value, place) in raw.items():
        values[name] = BY_NAME[name].read(value, place, kg_per_bushel)
    _check_spread(values, where)
    _check_wind(values, where)
    rules = [
        pass_rule(entry, f"{where}[[pass_settings]] number {number}: ", kg_per_bushel)
        for number, entry in enumerate(_list(file_values.get("pass_settings", []), where), 1)
    ]
    return FieldSettings(
        values=values,
        given=frozenset(raw),
        pass_rules=(*rules, *pass_table),
        columns={**_texts(file_values, "columns", where), **(columns or {})},
        units={**_texts(file_values, "units", where), **(units or {})},
    )


def pass_rule(entry: object, place: str, kg_per_bushel: float | None) -> PassRule:
    """Check one rule for passes: passes or from and to, then keys of [spread] or [combine].

    Raises
    ------
    SettingsError
        If a key or value is wrong, or the rule says not or twice which passes it is for.
    """
    if not isinstance(entry, dict):
        raise SettingsError(f"{place}write it as [[pass_settings]].")
    values: dict[str, Any] = {}
    for key, value in entry.items():
        if key in ("passes", "from", "to"):
            continue
        setting = PER_PASS.get(key)
        if setting is None:
            names = ["passes", "from", "to", *PER_PASS]
            raise SettingsError(f"{place}{key!r} is no key for passes." + _nearest(key, names))
        values[key] = setting.read(value, place, kg_per_bushel)
    passes = str(entry.get("passes", "")).strip()
    start, end = str(entry.get("from", "")).strip(), str(entry.get("to", "")).strip()
    if bool(passes) == bool(start or end):
        raise SettingsError(
            f'{place}give either passes = "3-7,12" or from and to times, and not both.'
        )
    if passes:
        parse_pass_numbers(passes, place)
    elif not (start and end):
        raise SettingsError(f"{place}a time window needs both from and to.")
    if not values:
        raise SettingsError(f"{place}no setting follows; add for example width or lean.")
    merged = {("spread", k): values.get(k) for k in ("width", "reach_left", "reach_right")}
    merged["spread", "profile"] = values.get("profile")
    merged["spread", "shares"] = values.get("shares")
    _check_spread(merged, place)
    return PassRule(passes, start, end, values, place)


def _check_spread(values: Mapping[tuple[str, str], Any], where: str) -> None:
    left, right = values.get(("spread", "reach_left")), values.get(("spread", "reach_right"))
    if (left is None) != (right is None):
        raise SettingsError(
            f"{where}[spread] reach_left and reach_right go together; give both or width alone."
        )
    if left is not None and left + right <= 0:
        raise SettingsError(f"{where}[spread] reach_left and reach_right: the band has no width.")
    if left is not None and values.get(("spread", "width")) is not None:
        raise SettingsError(
            f"{where}[spread] width and reach_left/reach_right say the same thing; give one."
        )
    has_shares = values.get(("spread", "shares")) is not None
    profile = values.get(("spread", "profile"))
    if profile == "table" and not has_shares:
        raise SettingsError(f"{where}[spread] profile table needs shares = [ … ].")
    if has_shares and profile not in ("table", None):
        raise SettingsError(f'{where}[spread] shares are given; set profile = "table".')


def _check_wind(values: Mapping[tuple[str, str], Any], where: str) -> None:
    speed, direction = values["wind", "speed"], values["wind", "from_deg"]
    if values["wind", "file"] is not None and (speed is not None or direction is not None):
        raise SettingsError(f"{where}[wind] give either file, or speed and from_deg, not both.")
    if speed is None and direction is not None:
        raise SettingsError(f"{where}[wind] from_deg is given without speed; give both.")
    if speed and direction is None:
        raise SettingsError(
            f"{where}[wind] speed is given without from_deg: say where the wind blew from, in "
            "degrees clockwise from true north."
        )
    if (values["combine", "rotor_diameter"] is None) != (values["combine", "rotor_rpm"] is None):
        raise SettingsError(f"{where}[combine] rotor_diameter and rotor_rpm go together.")


def _known(section: str, key: str, where: str) -> Setting:
    setting = BY_NAME.get((section, key))
    if setting is None:
        keys = [k for s, k in BY_NAME if s == section]
        raise SettingsError(
            f"{where}[{section}] {key}: no such setting."
            + _nearest(key, keys, f" Settings of [{section}]: {', '.join(keys)}.")
        )
    return setting


def _nearest(word: str, known: list[str], otherwise: str = "") -> str:
    near = difflib.get_close_matches(word.lower(), known, n=1, cutoff=0.5)
    return f" Did you mean {near[0]!r}?" if near else otherwise


def _list(value: object, where: str) -> list[Any]:
    if not isinstance(value, list):
        raise SettingsError(f"{where}pass_settings: write it as [[pass_settings]].")
    return value


def _texts(file_values: Mapping[str, Any], section: str, where: str) -> dict[str, str]:
    content = file_values.get(section, {})
    if not isinstance(content, dict) or not all(isinstance(v, str) for v in content.values()):
        raise SettingsError(f'{where}[{section}]: expected lines such as time = "MyTime".')
    return {str(k): str(v) for k, v in content.items()}

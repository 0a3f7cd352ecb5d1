"""Read a season file (TOML): which fields, which settings for all, what differs where."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from covermap.errors import SettingsError
from covermap.settings.field_file import read_field_file
from covermap.settings.field_settings import BY_NAME, SECTIONS
from covermap.tables.crops import find_crop
from covermap.units import read_quantity

#: Fields of one track lie further apart than this if nothing else is said [m].
DEFAULT_GAP_M = 200.0

_MORE_SECTIONS = ("pass_settings", "columns", "units")
_TOP = ("season", "defaults", "fields", "tracks")
_SEASON_KEYS = ("name", "year", "folder")
_FIELD_KEYS = ("file", "track", "name", "machine")
_TRACK_KEYS = ("file", "boundaries", "name_column", "split", "gap", "machine")
#: Settings that name a file: relative to the season file that states them.
FILE_SETTINGS = (
    ("field", "track"),
    ("field", "boundary"),
    ("spread", "profile_file"),
    ("wind", "file"),
)


@dataclass(frozen=True)
class Parting:
    """How one track is parted into fields: where they lie apart, or by their outlines."""

    gap_m: float | None = None
    boundaries: Path | None = None
    name_column: str | None = None


@dataclass(frozen=True)
class Entry:
    """One field, or one track that may hold several.

    Attributes
    ----------
    source : pathlib.Path
        Field file or track.
    name, machine : str or None
        As the person calls them.
    overrides : mapping
        Sections as in a field file that win over it.
    parting : Parting or None
        None for one field.
    """

    source: Path
    name: str | None = None
    machine: str | None = None
    overrides: Mapping[str, Any] = field(default_factory=dict)
    parting: Parting | None = None


@dataclass(frozen=True)
class Season:
    """What a season file, or a folder alone, says.

    Attributes
    ----------
    name : str
    year : int or None
    root : pathlib.Path
        Folder that names are relative to.
    defaults : mapping
        Sections as in a field file that hold below every field file.
    entries : tuple of Entry
    folder : pathlib.Path or None
        Where to look for more fields.
    file : pathlib.Path or None
        The season file itself.
    """

    name: str
    year: int | None
    root: Path
    defaults: Mapping[str, Any]
    entries: tuple[Entry, ...]
    folder: Path | None
    file: Path | None = None


def read_season(source: Path) -> Season:
    """Read a season file (TOML), or take a folder as a season.

    Raises
    ------
    SettingsError
        For an unknown key (the nearest right one is named) or a wrong value.
    """
    if source.is_dir():
        root = source.absolute()
        return Season(root.name, None, root, {}, (), root)
    if not source.exists():
        raise SettingsError(f"{source}: no such folder or season file.", way_out="Check the name.")
    if source.suffix.lower() != ".toml":
        raise SettingsError(
            f"{source.name} is neither a folder nor a season file (.toml).",
            way_out="One track is mapped with covermap map.",
        )
    content = read_field_file(source)
    root, where = source.absolute().parent, f"{source.name}: "
    if "track" in content.get("field", {}) and not {"season", "fields", "tracks"} & set(content):
        raise SettingsError(
            f"{where}a field file, no season file.",
            way_out="Map one field with covermap map, or give its folder.",
        )
    _only(content, _TOP, where)
    head = _table(content.get("season", {}), f"{where}[season]")
    _only(head, _SEASON_KEYS, f"{where}[season] ")
    year = head.get("year")
    if year is not None and (isinstance(year, bool) or not isinstance(year, int)):
        raise SettingsError(
            f"{where}[season] year: {year!r} is no year.", "Expected a whole number."
        )
    folder = _text(head, "folder", f"{where}[season] ")
    if folder is not None and not (root / folder).is_dir():
        raise SettingsError(
            f"{where}[season] folder: {folder!r} is no folder here.", way_out="Check the name."
        )
    defaults = _table(content.get("defaults", {}), f"{where}[defaults]")
    for key in ("name", "track", "boundary"):
        if key in _table(defaults.get("field", {}), f"{where}[defaults.field]"):
            raise SettingsError(
                f"{where}[defaults.field] {key} belongs to one field.", way_out="Move it."
            )
    defaults = checked_sections(defaults, root, f"{where}[defaults] ")
    entries = [
        _field_entry(entry, root, f"{where}[[fields]] number {number}: ")
        for number, entry in enumerate(_tables(content, "fields", where), 1)
    ] + [
        _track_entry(entry, root, f"{where}[[tracks]] number {number}: ")
        for number, entry in enumerate(_tables(content, "tracks", where), 1)
    ]
    if not entries and folder is None:
        raise SettingsError(
            f"{where}names no field.",
            way_out='Add [[fields]] file = "north.toml", or [season] folder = ".".',
        )
    return Season(
        _text(head, "name", f"{where}[season] ") or source.stem,
        year,
        root,
        defaults,
        tuple(entries),
        None if folder is None else root / folder,
        source,
    )


def _field_entry(entry: Mapping[str, Any], root: Path, where: str) -> Entry:
    _only(entry, (*_FIELD_KEYS, *SECTIONS, *_MORE_SECTIONS), where)
    if ("file" in entry) == ("track" in entry):
        raise SettingsError(
            f"{where}names no field or more than one.",
            way_out='Give either file = "north.toml" or track = "north.csv".',
        )
    key = "file" if "file" in entry else "track"
    source = root / str(_text(entry, key, where))
    if (source.suffix.lower() == ".toml") != (key == "file"):
        raise SettingsError(
            f"{where}{key}: of the wrong kind.", "A field file ends in .toml, a track does not."
        )
    return Entry(
        source,
        _text(entry, "name", where),
        _text(entry, "machine", where),
        _overrides(entry, _FIELD_KEYS, root, where),
    )


def _track_entry(entry: Mapping[str, Any], root: Path, where: str) -> Entry:
    _only(entry, (*_TRACK_KEYS, *SECTIONS, *_MORE_SECTIONS), where)
    file = _text(entry, "file", where)
    if file is None or file.lower().endswith(".toml"):
        raise SettingsError(
            f"{where}names no track.", way_out='Name the track: file = "week31.csv".'
        )
    boundaries, split = (_text(entry, key, where) for key in ("boundaries", "split"))
    if boundaries is not None and split is not None:
        raise SettingsError(
            f"{where}boundaries and split exclude each other.",
            way_out="Say how to part the track by one of them, and leave the other out.",
        )
    if boundaries is None and split is None:
        raise SettingsError(
            f"{where}neither boundaries nor split.",
            "",
            'Say how to part the track: boundaries = "fields.geojson" or split = "gaps".',
        )
    if split not in (None, "gaps"):
        raise SettingsError(f"{where}split: {split!r} is unknown.", 'Expected "gaps".')
    for key, other in (("gap", boundaries), ("name_column", split)):
        if key in entry and other is not None:
            raise SettingsError(
                f"{where}{key} does not go with {other!r}.", way_out="Leave it out."
            )
    gap_m = None
    if split is not None:
        gap_m = read_quantity(entry.get("gap", DEFAULT_GAP_M), "length", f"{where}gap")
        if not 1.0 <= gap_m <= 100_000.0:
            raise SettingsError(
                f"{where}gap: {gap_m:g} m is out of range.", "Expected 1 m to 100 km."
            )
    parting = Parting(
        gap_m,
        None if boundaries is None else root / boundaries,
        _text(entry, "name_column", where),
    )
    overrides = _overrides(entry, _TRACK_KEYS, root, where)
    if "boundary" in overrides.get("field", {}):
        raise SettingsError(
            f"{where}[field] boundary is of one field.",
            way_out="Use boundaries, one outline for each field.",
        )
    return Entry(root / file, None, _text(entry, "machine", where), overrides, parting)


def _overrides(
    entry: Mapping[str, Any], keys: Collection[str], root: Path, where: str
) -> dict[str, Any]:
    sections = {key: value for key, value in entry.items() if key not in keys}
    for key in ("name", "track"):
        if isinstance(sections.get("field"), dict) and key in sections["field"]:
            raise SettingsError(
                f"{where}[field] {key} has another place here.",
                way_out="Write it beside the file, not in [field].",
            )
    return checked_sections(sections, root, where)


def checked_sections(sections: Mapping[str, Any], root: Path, where: str) -> dict[str, Any]:
    """Check sections as in a field file, and give the files that they name full paths.

    Raises
    ------
    SettingsError
        For an unknown key or a value out of range.
    """
    checked: dict[str, Any] = {}
    crop = sections.get("crop")
    kind = crop.get("kind") if isinstance(crop, dict) else None
    try:
        weight = find_crop(str(kind)).kg_per_bushel if kind is not None else None
    except SettingsError as error:
        raise error.at(where) from None
    for section, content in sections.items():
        if section in _MORE_SECTIONS:
            checked[section] = content
            continue
        _only({section: None}, (*SECTIONS, *_MORE_SECTIONS), where)
        values = dict(_table(content, f"{where}[{section}]"))
        _only(values, [k for s, k in BY_NAME if s == section], f"{where}[{section}] ")
        for key, value in values.items():
            # Grain in bushels waits for the crop, which another file may name.
            if kind is not None or not _in_bushels(value):
                BY_NAME[section, key].read(value, where, weight)
            if (section, key) in FILE_SETTINGS:
                values[key] = str(root / str(value))
        checked[section] = values
    return checked


def _in_bushels(value: object) -> bool:
    return isinstance(value, str) and "bu" in value.lower()


def _only(table: Mapping[str, Any], known: Collection[str], where: str) -> None:
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key.lower(), list(known), n=1, cutoff=0.5)
            hint = f"Did you mean {near[0]!r}?" if near else f"Known: {', '.join(known)}."
            raise SettingsError(f"{where}{key!r} is no key here.", hint)


def _table(value: object, what: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise SettingsError(f"{what}: no section.", "Expected lines such as key = value.")
    return value


def _tables(content: Mapping[str, Any], key: str, where: str) -> list[dict[str, Any]]:
    value = content.get(key, [])
    if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
        raise SettingsError(
            f"{where}{key}: no list of sections.", way_out=f"Write it as [[{key}]]."
        )
    return value


def _text(table: Mapping[str, Any], key: str, where: str) -> str | None:
    value = table.get(key)
    if value is not None and (not isinstance(value, str) or not value.strip()):
        raise SettingsError(f"{where}{key}: {value!r} is no text.", "Expected a text in quotes.")
    return value.strip() if isinstance(value, str) else None

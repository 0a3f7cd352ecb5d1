"""Read a profile file: a measured spread that field files can name."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

from covermap.errors import SettingsError, TrayError
from covermap.reading.file_bytes import FileKind, read_text
from covermap.settings.field_settings import BY_NAME
from covermap.settings.map_settings import SpreadSection

_PROFILE_FILE = FileKind(TrayError, "profile file", "TOML with a section [spread]")
_KEYS = ("profile", "shares", "reach_left", "reach_right", "lean")


def read_profile_file(
    path: Path, below: SpreadSection | None = None
) -> tuple[SpreadSection, frozenset[str]]:
    """Read a profile file.

    Parameters
    ----------
    path : pathlib.Path
        TOML with a section [spread].
    below : SpreadSection, optional
        What holds where the file says nothing; the defaults if not given.

    Returns
    -------
    SpreadSection
        ``below`` with the file's profile, shares, reach_left, reach_right, and lean if given.
    frozenset of str
        Keys of [spread] that the file sets.

    Raises
    ------
    TrayError
        If the file is no profile file or a value is out of range.
    """
    path = Path(path)
    try:
        content = tomllib.loads(read_text(path, _PROFILE_FILE))
    except tomllib.TOMLDecodeError as error:
        raise TrayError(
            f"{path.name}: not valid TOML ({error}).", way_out="Make it anew from its tray test."
        ) from None
    section = content.get("spread")
    if set(content) != {"spread"} or not isinstance(section, dict):
        raise TrayError(
            f"{path.name}: no profile file.", "Expected one section [spread] and nothing else."
        )
    unknown = sorted(set(section) - set(_KEYS))
    missing = [k for k in ("shares", "reach_left", "reach_right") if k not in section]
    if unknown or missing:
        what = f"unknown {', '.join(unknown)}" if unknown else f"no {', '.join(missing)}"
        raise TrayError(
            f"{path.name}, [spread]: {what}.",
            "Expected shares, reach_left and reach_right, and perhaps lean.",
        )
    try:
        said: dict[str, Any] = {
            BY_NAME["spread", key].attribute: BY_NAME["spread", key].read(
                value, f"{path.name}: ", None
            )
            for key, value in section.items()
        }
    except SettingsError as error:
        raise TrayError(error.wrong, error.expected, error.way_out, *error.asks) from None
    if said.setdefault("profile", "table") != "table":
        raise TrayError(
            f"{path.name}, [spread] profile does not go with shares.", 'Expected "table".'
        )
    if said["reach_left_m"] + said["reach_right_m"] <= 0:
        raise TrayError(f"{path.name}: reach_left and reach_right are both 0.", "Expected a band.")
    return replace(below or SpreadSection(), **said), frozenset({"profile", *section})

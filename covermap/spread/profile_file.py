"""Write and read a profile file: a measured spread that field files can name."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from covermap.errors import SettingsError, TrayError
from covermap.settings import BY_NAME
from covermap.spread.tray_table import read_tray_text
from covermap.spread.trays import MeasuredProfile

_KEYS = ("profile", "shares", "reach_left", "reach_right", "lean")


def profile_file_text(
    profile: MeasuredProfile, metadata: Mapping[str, str] | None = None, made_by: str = ""
) -> str:
    """Write a measured profile as TOML for ``[spread] profile_file = "…"``.

    Parameters
    ----------
    profile : MeasuredProfile
    metadata : mapping of str to str, optional
        What the test file says of itself (wind, crop, date); goes in as comments.
    made_by : str
        Program and version, for the comments.

    Returns
    -------
    str
        TOML with one section, [spread]; lengths in metres.
    """
    kept = sum(profile.run_kept)
    comments = [
        'Spread measured with trays. In a field file: [spread] profile_file = "this file".',
        f"Source: {profile.name}, {kept} of {len(profile.run_kept)} runs, "
        f"{profile.ledger.get('trays', 0)} trays." + (f" Made by {made_by}." if made_by else ""),
        f"Lean {profile.lean_m:+.2f} m (+ right, looking forward), already in the shares.",
        *(f"{key}: {value}" for key, value in (metadata or {}).items()),
        *profile.notes,
    ]
    rows = [", ".join(f"{s:.6f}" for s in profile.shares[k : k + 8]) for k in _every(profile, 8)]
    return (
        "\n".join(f"# {_one_line(comment)}" for comment in comments)
        + '\n\n[spread]\nprofile = "table"\n'
        + "# metres from the machine's centre line to the ends of the table\n"
        + f"reach_left = {profile.table_left_m:.3f}\n"
        + f"reach_right = {profile.table_right_m:.3f}\n"
        + "# share of the residue in equal steps from left to right\n"
        + "shares = [\n"
        + "".join(f"  {row},\n" for row in rows)
        + "]\n"
    )


def _every(profile: MeasuredProfile, count: int) -> range:
    return range(0, len(profile.shares), count)


def _one_line(text: str) -> str:
    """Leave only what TOML allows in a comment: no line break, no control character."""
    return "".join(c if c.isprintable() else " " for c in text)


def read_profile_file(path: Path) -> dict[str, Any]:
    """Read a profile file.

    Parameters
    ----------
    path : pathlib.Path
        TOML with a section [spread].

    Returns
    -------
    dict
        Keys of [spread] in SI: profile, shares, reach_left, reach_right, lean if given.

    Raises
    ------
    TrayError
        If the file is no profile file or a value is out of range.
    """
    path = Path(path)
    try:
        content = tomllib.loads(read_tray_text(path, "profile file"))
    except tomllib.TOMLDecodeError as error:
        raise TrayError(
            f"{path.name}: not valid TOML ({error}); make it anew from its tray test."
        ) from None
    section = content.get("spread")
    if set(content) != {"spread"} or not isinstance(section, dict):
        raise TrayError(f"{path.name}: expected one section [spread] and nothing else.")
    unknown = sorted(set(section) - set(_KEYS))
    missing = [k for k in ("shares", "reach_left", "reach_right") if k not in section]
    if unknown or missing:
        what = f"unknown {', '.join(unknown)}" if unknown else f"no {', '.join(missing)}"
        raise TrayError(
            f"{path.name}, [spread]: {what}; expected shares, reach_left and reach_right, and "
            "perhaps lean."
        )
    try:
        values = {
            key: BY_NAME["spread", key].read(value, f"{path.name}: ", None)
            for key, value in section.items()
        }
    except SettingsError as error:
        raise TrayError(str(error)) from None
    if values.setdefault("profile", "table") != "table":
        raise TrayError(f'{path.name}, [spread] profile: expected "table", as shares are given.')
    if values["reach_left"] + values["reach_right"] <= 0:
        raise TrayError(f"{path.name}: reach_left and reach_right are both 0; expected a band.")
    return values

"""What a worker is told of one field, and what it answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from covermap.seasons.season_file import Parting


@dataclass(frozen=True)
class FieldJob:
    """One field to be mapped; small, as it travels to a worker.

    Attributes
    ----------
    field_id : str
        Lower-case letters, digits and dashes.
    source : pathlib.Path
        Field file or track.
    source_name : str
        As shown.
    name, machine : str or None
        As the person calls them.
    overrides : mapping
        Sections as in a field file that win over it.
    parting, part : Parting and int, or None
        How to part the track, and which part this field is.
    part_text : str or None
        ``"2 of 3"``.
    trouble : str
        Why it cannot be mapped, if that is known already.
    """

    field_id: str
    source: Path
    source_name: str
    name: str | None = None
    machine: str | None = None
    overrides: Mapping[str, Any] = field(default_factory=dict)
    parting: Parting | None = None
    part: int | None = None
    part_text: str | None = None
    trouble: str = ""


@dataclass(frozen=True)
class Common:
    """What holds for all fields of a run.

    Attributes
    ----------
    out : pathlib.Path
    token : str
        Of the run that holds the folder.
    defaults, options : mapping
        Sections as in a field file: below every field file, and above everything.
    us_units : bool
        On the map pages.
    """

    out: Path
    token: str
    defaults: Mapping[str, Any] = field(default_factory=dict)
    options: Mapping[str, Any] = field(default_factory=dict)
    us_units: bool = False


@dataclass(frozen=True)
class Done:
    """What came of a job: its row of season.json, and more that the run wants to know.

    ``skipped`` if nothing had to be done; ``stop`` if the disk allows no other field either.
    """

    row: dict[str, Any]
    skipped: bool = False
    stop: bool = False


@dataclass(frozen=True)
class Look:
    """The fields found in a track: number, name, machines of each; or what is wrong."""

    parts: tuple[tuple[int, str | None, str | None], ...] = ()
    fixes: int = 0
    outside: int = 0
    trouble: str = ""

"""The parts of a track that covers several fields; the last one read is kept at hand."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from shapely.geometry.base import BaseGeometry

from covermap.errors import BoundaryError
from covermap.harvest.read_track import read_track
from covermap.harvest.track import Track
from covermap.reading.polygons import read_outlines
from covermap.seasons.season_file import Parting
from covermap.seasons.split_track import (
    machines_of,
    part_by_boundaries,
    part_by_gaps,
    track_parts,
)


@dataclass(frozen=True)
class FieldPart:
    """One field's part of a track.

    Attributes
    ----------
    number : int
        From 1: of the part by gaps, or of the named outline in its file.
    name : str or None
        Of the outline.
    track : Track
    boundary : shapely geometry or None
        In the track's CRS.
    machines : str or None
        Who logged it.
    """

    number: int
    name: str | None
    track: Track
    boundary: BaseGeometry | None
    machines: str | None


@dataclass(frozen=True)
class PartedTrack:
    """All parts of one track, by number, and the fixes that lie in none."""

    parts: Mapping[int, FieldPart]
    fixes: int
    outside: int


# One file is enough: its fields come one after the other.
_kept: dict[str, PartedTrack] = {}


def parted_track(path: Path, parting: Parting, speed_m_s: float, **how: Any) -> PartedTrack:
    """Read a track and part it, or give what was read before from the same bytes.

    Parameters
    ----------
    path : pathlib.Path
        The whole track.
    parting : Parting
    speed_m_s : float
        Faster is road travel [m/s].
    how
        What :func:`covermap.harvest.read_track.read_track` takes.

    Returns
    -------
    PartedTrack

    Raises
    ------
    CovermapError
        If track or outlines cannot be read, or no fix lies in an outline.
    """
    files = [path] + ([parting.boundaries] if parting.boundaries else [])
    try:
        key = repr(
            ([_sha256(f) for f in files], path.name, parting, speed_m_s, sorted(how.items()))
        )
    except OSError:
        key = ""  # reading it will say what is wrong
    if key and key in _kept:
        return _kept[key]
    fresh = _read(path, parting, speed_m_s, how)
    _kept.clear()
    _kept[key] = fresh
    return fresh


def _read(path: Path, parting: Parting, speed: float, how: Mapping[str, Any]) -> PartedTrack:
    track = read_track(path, **how)
    outlines: dict[str, BaseGeometry] = {}
    if parting.boundaries is not None:
        outlines = read_outlines(parting.boundaries, track.crs, parting.name_column)
        part = part_by_boundaries(track, list(outlines.values()), speed)
        if not (part >= 0).any():
            raise BoundaryError(
                f"{parting.boundaries.name}: none of its {len(outlines)} outlines holds a fix of "
                f"{path.name}.",
                way_out="Are they the outlines of other fields?",
            )
    else:
        part = part_by_gaps(track, float(parting.gap_m or 0.0), speed)
    names, shapes = list(outlines), list(outlines.values())
    parts = {
        number + 1: FieldPart(
            number + 1,
            names[number] if names else None,
            one,
            shapes[number] if shapes else None,
            machines_of(one),
        )
        for number, one in track_parts(track, part).items()
    }
    if len(parts) == 1 and not outlines:
        # a track of one field stays as it is, without a word about parts
        parts = {1: FieldPart(1, None, track, None, machines_of(track))}
    return PartedTrack(parts, len(part), int(np.sum(part < 0)))


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()

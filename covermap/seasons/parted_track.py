"""The parts of a track that covers several fields; the last one read is kept at hand."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
from shapely.geometry.base import BaseGeometry

from covermap.errors import BoundaryError
from covermap.harvest.read_track import Track, read_track
from covermap.seasons.season_file import Parting
from covermap.seasons.split_track import (
    machines_of,
    part_by_boundaries,
    part_by_gaps,
    track_parts,
)

_NAME_COLUMNS = ("name", "field", "field_name", "fieldname")


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
                f"{path.name}. Are they the outlines of other fields?"
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


def read_outlines(
    path: Path, crs: pyproj.CRS | None, name_column: str | None
) -> dict[str, BaseGeometry]:
    """Read named outlines of fields and bring them into a CRS.

    Parameters
    ----------
    path : pathlib.Path
        GeoJSON, GeoPackage, Shapefile or whatever else GDAL opens.
    crs : pyproj.CRS or None
        Of the track; None leaves them as they are in the file.
    name_column : str or None
        Column of the names, if it has none of the usual headers.

    Returns
    -------
    dict of str to shapely geometry
        In the order of the file.

    Raises
    ------
    BoundaryError
        If the file cannot be read, holds no polygon or no usable positions, or a polygon has
        no name.
    """
    import geopandas as gpd
    import shapely

    if not path.exists():
        raise BoundaryError(f"{path.name}: no such file of outlines. Check boundaries.")
    try:
        layer = gpd.read_file(path)
    except Exception as error:  # GDAL's drivers raise what they like
        raise BoundaryError(
            f"{path.name}: cannot be read as a polygon file. Expected GeoJSON, GeoPackage or "
            "Shapefile with a polygon for each field."
        ) from error
    if not isinstance(layer, gpd.GeoDataFrame):
        # a table is read as one without shapes
        raise BoundaryError(
            f"{path.name}: holds no polygon; it is a table without shapes. Expected GeoJSON, "
            "GeoPackage or Shapefile with a polygon for each field. Name that file as boundaries."
        )
    others = len(layer)
    layer = layer[layer.geom_type.isin(["Polygon", "MultiPolygon"]) & ~layer.is_empty]
    if layer.empty:
        raise BoundaryError(
            f"{path.name}: holds no polygon ({others} other features). Expected one for each "
            "field; draw each outline as a closed polygon."
        )
    wanted = [name_column.lower()] if name_column else list(_NAME_COLUMNS)
    column = next((c for w in wanted for c in layer.columns if str(c).lower() == w), None)
    if column is None:
        have = ", ".join(str(c) for c in layer.columns if c != "geometry") or "none"
        raise BoundaryError(
            f"{path.name}: no column of names ({', '.join(wanted)}); it has: {have}. Say which "
            'with name_column = "…".'
        )
    if layer.crs is None:
        layer = layer.set_crs("EPSG:4326")
    if layer.crs.is_geographic and (abs(layer.total_bounds) > (360, 90, 360, 90)).any():
        raise BoundaryError(
            f"{path.name}: its positions are no degrees, and it names no other coordinate "
            "reference system. Expected longitude and latitude, or a file that says its system "
            "(a GeoPackage, or a Shapefile with its .prj). Export it again with one."
        )
    layer = layer if crs is None else layer.to_crs(crs)
    outlines: dict[str, BaseGeometry] = {}
    for number, (name, shape) in enumerate(zip(layer[column], layer.geometry, strict=True), 1):
        if not isinstance(name, str) or not name.strip():
            raise BoundaryError(f"{path.name}: polygon {number} has no name in {column!r}.")
        if not shape.is_valid:
            raise BoundaryError(
                f"{path.name}: polygon {number} ({name.strip()}) is not a proper outline "
                f"({shapely.is_valid_reason(shape)}). Redraw it so that it does not cross itself."
            )
        before = outlines.get(name.strip())
        outlines[name.strip()] = shape if before is None else shapely.union_all([before, shape])
    return outlines


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()

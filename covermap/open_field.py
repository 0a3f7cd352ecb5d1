"""From a SOURCE that a person names to track, settings and boundary."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from shapely.geometry.base import BaseGeometry

from covermap.crops import find_crop
from covermap.errors import SettingsError
from covermap.field_file import build_settings, read_field_file, read_pass_table
from covermap.harvest.outline import read_boundary
from covermap.harvest.read_track import Track, read_track
from covermap.settings import FieldSettings
from covermap.spread.profile_file import read_profile_file
from covermap.spread.wind import WindSeries
from covermap.spread.wind_file import read_wind


@dataclass(frozen=True)
class OpenField:
    """A field ready to be mapped.

    Attributes
    ----------
    track : Track
    settings : FieldSettings
    boundary : shapely geometry or None
        In the track's CRS.
    wind : WindSeries or None
        From a wind file.
    inputs : mapping of str to str
        File name to SHA-256 of every file read.
    """

    track: Track
    settings: FieldSettings
    boundary: BaseGeometry | None
    wind: WindSeries | None
    inputs: Mapping[str, str]


def open_field(
    source: Path,
    options: Mapping[tuple[str, str], object] | None = None,
    *,
    pass_settings: Path | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
) -> OpenField:
    """Read a field file (TOML) or a bare track with everything that belongs to it.

    Parameters
    ----------
    source : pathlib.Path
        Field file ending in .toml, or a track.
    options : mapping
        (section, key) to value; wins over the field file.
    pass_settings : pathlib.Path, optional
        CSV of settings per pass.
    columns, units : mapping, optional
        Column and unit overrides, canonical name to header or unit.

    Returns
    -------
    OpenField

    Raises
    ------
    CovermapError
        If a file or a setting is wrong.
    """
    options = dict(options or {})
    files = [source]
    file_values = {}
    named = ""
    if source.suffix.lower() == ".toml":
        file_values = read_field_file(source)
        named = source.name
    rules = []
    if pass_settings is not None:
        rules = read_pass_table(pass_settings)
        files.append(pass_settings)
    settings = build_settings(
        file_values, options, source=named, pass_table=rules, columns=columns, units=units
    )

    def beside(section: str, key: str) -> Path | None:
        """Give a file that a setting names: beside the field file, or as typed."""
        stated = settings.get(section, key)
        if stated is None:
            return None
        from_file = (section, key) not in options and named
        return source.parent / stated if from_file else Path(stated)

    profile_path = beside("spread", "profile_file")
    if profile_path is not None:
        settings = with_profile(settings, profile_path)
        files.append(profile_path)
    track_path = source
    if named:
        stated = settings.get("field", "track")
        if stated is None:
            raise SettingsError(f'{named}: [field] track is missing; add track = "harvest.csv".')
        track_path = source.parent / stated
        files.append(track_path)
    kind = settings.get("crop", "kind")
    track = read_track(
        track_path,
        crs=settings.get("field", "crs"),
        columns=settings.columns,
        units=settings.units,
        kg_per_bushel=find_crop(kind).kg_per_bushel if kind else None,
    )
    boundary = wind = None
    boundary_path = beside("field", "boundary")
    if boundary_path is not None:
        boundary = read_boundary(boundary_path, track.crs)
        files.append(boundary_path)
    wind_path = beside("wind", "file")
    if wind_path is not None:
        wind = read_wind(wind_path, height_m=settings.number("wind", "height"))
        files.append(wind_path)
    return OpenField(track, settings, boundary, wind, {f.name: _sha256(f) for f in files})


def with_profile(settings: FieldSettings, path: Path) -> FieldSettings:
    """Fill in the band that a profile file describes.

    Raises
    ------
    SettingsError
        If the band is stated in another way too.
    """
    keys = ("width", "reach_left", "reach_right", "profile", "shares")
    stated = [key for key in keys if ("spread", key) in settings.given]
    if stated:
        raise SettingsError(
            f"[spread] profile_file and {stated[0]} say the same thing; give one of them."
        )
    values = read_profile_file(path)
    return settings.with_values({("spread", key): value for key, value in values.items()})


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()

"""From a SOURCE that a person names to track, settings and boundary."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from shapely.geometry.base import BaseGeometry

from covermap.errors import SettingsError
from covermap.harvest.read_track import read_track
from covermap.harvest.track import Track
from covermap.reading.polygons import read_boundary
from covermap.settings.field_file import build_settings, read_field_file
from covermap.settings.field_settings import FieldSettings
from covermap.settings.pass_table import read_pass_table
from covermap.spread.profile_file import read_profile_file
from covermap.tables.crops import find_crop
from covermap.wind.wind import WindSeries
from covermap.wind.wind_file import read_wind

#: Reads a track; :func:`covermap.harvest.read_track.read_track` or one with its arguments.
TrackReader = Callable[..., Track]

# Who states one of these keys takes back what says the same thing in another way.
_TAKES_BACK = (
    ("spread", {"width"}, ("reach_left", "reach_right", "profile_file")),
    ("spread", {"reach_left", "reach_right"}, ("width", "profile_file")),
    ("spread", {"profile_file"}, ("width", "reach_left", "reach_right", "profile", "shares")),
    ("spread", {"profile"}, ("shares", "profile_file")),
    ("spread", {"shares"}, ("profile_file",)),
    ("wind", {"file"}, ("speed", "from_deg")),
    ("wind", {"speed", "from_deg"}, ("file",)),
)


@dataclass(frozen=True)
class FieldInputs:
    """What a field is made from: its settings and the files they name, none read yet.

    Attributes
    ----------
    settings : FieldSettings
        With the band of a profile file filled in.
    others : tuple of pathlib.Path
        The source, pass settings and profile file, as far as there are any.
    """

    settings: FieldSettings
    track: Path
    boundary: Path | None
    wind: Path | None
    others: tuple[Path, ...]

    @property
    def files(self) -> tuple[Path, ...]:
        """Every file, the source first."""
        named = (self.track, self.boundary, self.wind)
        return tuple(dict.fromkeys((*self.others, *(f for f in named if f is not None))))

    def hashes(self) -> dict[str, str]:
        """Give file name to SHA-256 of every file; OSError if one cannot be read."""
        return {file.name: _sha256(file) for file in self.files}


@dataclass(frozen=True)
class OpenField:
    """A field ready to be mapped.

    Attributes
    ----------
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

    Raises
    ------
    CovermapError
        If a file or a setting is wrong.
    """
    return read_inputs(
        find_inputs(source, options, pass_settings=pass_settings, columns=columns, units=units)
    )


def find_inputs(
    source: Path,
    options: Mapping[tuple[str, str], object] | None = None,
    *,
    pass_settings: Path | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    defaults: Mapping[str, Any] | None = None,
    overrides: Mapping[str, Any] | None = None,
) -> FieldInputs:
    """Build the settings of a field and find the files that it names; read no track yet.

    Parameters
    ----------
    source, options, pass_settings, columns, units
        As for :func:`open_field`.
    defaults, overrides : mapping, optional
        Sections as in a field file that hold below and above it; files that they name have
        full paths.

    Raises
    ------
    CovermapError
        If a setting or the field file is wrong.
    """
    options = dict(options or {})
    others = [source]
    file_values = {}
    named = ""
    if source.suffix.lower() == ".toml":
        file_values = read_field_file(source)
        named = source.name
    if defaults or overrides:
        file_values = over(over(defaults or {}, file_values), overrides or {})
    rules = []
    if pass_settings is not None:
        rules = read_pass_table(pass_settings)
        others.append(pass_settings)
    settings = build_settings(
        file_values, options, source=named, pass_table=rules, columns=columns, units=units
    )

    def beside(stated: str | None, section: str, key: str) -> Path | None:
        """Give a file that a setting names: beside the field file, or as typed."""
        if stated is None:
            return None
        from_file = (section, key) not in options and named
        return source.parent / stated if from_file else Path(stated)

    boundary = beside(settings.field.boundary, "field", "boundary")
    wind = beside(settings.wind.file, "wind", "file")
    profile_path = beside(settings.spread.profile_file, "spread", "profile_file")
    if profile_path is not None:
        settings = with_profile(settings, profile_path)
        others.append(profile_path)
    track_path = source
    if named:
        stated = settings.field.track
        if stated is None:
            raise SettingsError(
                f"{named}: [field] track is missing.", way_out='Add track = "harvest.csv".'
            )
        track_path = source.parent / stated
    return FieldInputs(settings, track_path, boundary, wind, tuple(others))


def read_inputs(inputs: FieldInputs, read: TrackReader = read_track) -> OpenField:
    """Read track, boundary and wind of a field.

    Parameters
    ----------
    read : callable
        Takes what :func:`covermap.harvest.read_track.read_track` takes; may give a part of
        the track only.

    Raises
    ------
    CovermapError
        If a file is wrong.
    """
    settings = inputs.settings
    kind = settings.crop.kind
    track = read(
        inputs.track,
        crs=settings.field.crs,
        columns=settings.columns,
        units=settings.units,
        kg_per_bushel=find_crop(kind).kg_per_bushel if kind else None,
    )
    boundary = wind = None
    if inputs.boundary is not None:
        boundary = read_boundary(inputs.boundary, track.crs)
    if inputs.wind is not None:
        wind = read_wind(inputs.wind, height_m=settings.wind.height_m)
    return OpenField(track, settings, boundary, wind, inputs.hashes())


def over(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Lay the sections of one field file over those of another.

    A key above wins, and takes back what says the same thing in another way below (reaches
    and width, a wind file and one wind). Rules for passes follow those below, so they win.

    Returns
    -------
    dict
        Sections as in a field file.
    """
    merged: dict[str, Any] = {
        section: dict(content) if isinstance(content, Mapping) else content
        for section, content in below.items()
    }
    for section, said, taken_back in _TAKES_BACK:
        content, present = above.get(section), merged.get(section)
        if isinstance(content, Mapping) and isinstance(present, dict) and said & set(content):
            for key in taken_back:
                present.pop(key, None)
    for section, content in above.items():
        present = merged.get(section)
        if isinstance(content, Mapping) and isinstance(present, dict):
            present.update(content)
        elif isinstance(content, list) and isinstance(present, list):
            merged[section] = [*present, *content]
        else:
            merged[section] = content
    return merged


def settings_alone(
    options: Mapping[tuple[str, str], object],
) -> tuple[FieldSettings, WindSeries | None]:
    """Build settings that go without a track, and read the wind file that they name.

    Raises
    ------
    CovermapError
        If a setting or a file that it names is wrong.
    """
    settings = build_settings({}, options)
    if settings.spread.profile_file is not None:
        settings = with_profile(settings, Path(settings.spread.profile_file))
    file = settings.wind.file
    wind = None if file is None else read_wind(Path(file), height_m=settings.wind.height_m)
    return settings, wind


def with_profile(settings: FieldSettings, path: Path) -> FieldSettings:
    """Fill in the band that a profile file describes.

    Raises
    ------
    SettingsError
        If the band is stated in another way too.
    """
    stated = [
        key
        for key in ("width", "reach_left", "reach_right", "profile", "shares")
        if ("spread", key) in settings.given
    ]
    if stated:
        raise SettingsError(
            f"[spread] profile_file and {stated[0]} say the same thing.",
            way_out="Give one of them.",
        )
    spread, keys = read_profile_file(path, settings.spread)
    given = settings.given | {("spread", key) for key in keys}
    return replace(settings, spread=spread, given=given)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()

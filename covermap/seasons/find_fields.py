"""Find the fields of a season: field files, tracks, and what else lies in a folder."""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from covermap.errors import CovermapError, SettingsError
from covermap.harvest.track import TRACK
from covermap.reading.polygons import read_outlines
from covermap.seasons.job import FieldJob, Look
from covermap.seasons.job_record import LOCK_FILE
from covermap.seasons.season_file import DEFAULT_GAP_M, FILE_SETTINGS, Entry, Parting, Season
from covermap.settings.field_file import read_field_file

_TABLES = (".csv", ".tsv", ".tab", ".txt", ".dat", ".asc", ".log")
_SURELY_TRACKS = (".csv", ".tsv", ".tab", ".geojson", ".gpkg", ".shp")
_DRIVERS = (".gpkg", ".shp")
_BESIDE_SHAPEFILE = (".shx", ".dbf", ".prj", ".cpg", ".qix", ".sbn", ".sbx", ".qmd")
_POSITIONS = ({"longitude", "latitude"}, {"easting", "northing"})
_SNIFFED_BYTES = 1 << 16
_RESULT_FILES = ("season.json", "summary.json", LOCK_FILE)
_RESERVED = {"con", "prn", "aux", "nul", *(f"{p}{n}" for p in ("com", "lpt") for n in range(10))}
_LONGEST_ID = 80


@dataclass(frozen=True)
class Skipped:
    """A file that is no field, and why."""

    source: str
    reason: str


def find_entries(season: Season, out: Path) -> tuple[list[Entry], list[Skipped]]:
    """Gather the entries of the season file and, where asked for, those of its folder.

    In the order of the season file, then by name; nothing in ``out`` is a source.
    """
    entries = list(season.entries)
    if season.folder is None:
        return entries, []
    files = list(_files(season.folder, out.absolute()))
    taken = {_same(entry.source) for entry in entries}
    taken |= {_same(season.file)} if season.file else set()
    taken |= {_same(e.parting.boundaries) for e in entries if e.parting and e.parting.boundaries}
    for entry in entries:
        taken |= _named_files(entry.source)
        taken |= {_same(Path(path)) for path in _file_settings(entry.overrides)}
    taken |= {_same(Path(path)) for path in _file_settings(season.defaults)}
    skipped: list[Skipped] = []
    field_files = [f for f in files if f.suffix.lower() == ".toml" and _same(f) not in taken]
    for file in field_files:
        reason = _why_no_field_file(file)
        if reason:
            skipped.append(Skipped(_shown(file, season.root), reason))
        else:
            entries.append(Entry(file))
            taken |= _named_files(file)
    headers = set(_texts(season.defaults, "columns").values())
    for file in files:
        if file.suffix.lower() == ".toml" or _same(file) in taken:
            continue
        reason = why_no_track(file, headers)
        if reason:
            skipped.append(Skipped(_shown(file, season.root), reason))
        else:
            entries.append(Entry(file, parting=Parting(gap_m=DEFAULT_GAP_M)))
    return entries, sorted(skipped, key=lambda one: one.source)


def jobs_of(
    season: Season, entries: Iterable[Entry], looks: Mapping[int, Look]
) -> tuple[list[FieldJob], list[str]]:
    """Turn entries into one job a field, in the order of their ids, with notes for the person.

    ``looks`` has what was found in the tracks to be parted, by place in ``entries``.
    """
    jobs: list[FieldJob] = []
    notes: list[str] = []
    entries = list(entries)
    for place, entry in enumerate(entries):
        shown = _shown(entry.source, season.root)
        stem = slug(str(Path(shown).with_suffix("")))
        job = FieldJob(stem, entry.source, shown, entry.name, entry.machine, entry.overrides)
        look = looks.get(place)
        if look is None or look.trouble:
            jobs.append(replace(job, trouble=look.trouble if look else ""))
            continue
        if look.outside:
            notes.append(
                f"{shown}: {look.outside:,} of {look.fixes:,} fixes lie outside all boundaries "
                "and are in no map."
            )
        by_name = entry.parting is not None and entry.parting.boundaries is not None
        if len(look.parts) == 1 and not by_name:
            jobs.append(job)
            continue
        for order, (number, name, _) in enumerate(look.parts, 1):
            jobs.append(
                replace(
                    job,
                    field_id=f"{stem}-{slug(name) if name else number}",
                    name=name or f"{entry.source.stem} {number}",
                    parting=entry.parting,
                    part=number,
                    part_text=f"{order} of {len(look.parts)}",
                )
            )
    notes += _never_driven(season, entries, looks)
    notes += _shared_ground(jobs)
    return sorted(_unique(jobs), key=lambda job: job.field_id), notes


def _never_driven(season: Season, entries: Sequence[Entry], looks: Mapping[int, Look]) -> list[str]:
    """Name the outlines that hold no fix of any track parted by their file."""
    tracks: dict[tuple[Path, str | None], list[str]] = {}
    driven: dict[tuple[Path, str | None], set[str | None]] = {}
    for place, entry in enumerate(entries):
        look, parting = looks.get(place), entry.parting
        # what could not be read has its own row, and tells nothing of where it drove
        if look is None or look.trouble or parting is None or parting.boundaries is None:
            continue
        file = (parting.boundaries, parting.name_column)
        tracks.setdefault(file, []).append(_shown(entry.source, season.root))
        driven.setdefault(file, set()).update(name for _, name, _ in look.parts)
    notes = []
    for (path, column), sources in tracks.items():
        try:
            names = read_outlines(path, None, column)
        except CovermapError:
            continue  # changed or gone since the look: the rows of its fields say so
        shown = _shown(path, season.root)
        notes += [
            f'{shown}: "{name}" has no fix of {" or ".join(sources)}.'
            for name in names
            if name not in driven[path, column]
        ]
    return notes


def _shared_ground(jobs: Iterable[FieldJob]) -> list[str]:
    """Say what is done where two tracks lie in one outline."""
    sources: dict[str, list[str]] = {}
    for job in jobs:
        if job.parting is not None and job.parting.boundaries is not None and job.name:
            sources.setdefault(job.name, []).append(job.source_name)
    return [
        f"{name} was driven by {len(tracks)} tracks ({', '.join(tracks)}): each is mapped on its "
        "own, and what it threw onto ground that another cut counts as landed outside. Put both "
        "machines into one track with a column machine_id to map them together."
        for name, tracks in sorted(sources.items())
        if len(tracks) > 1
    ]


def slug(text: str) -> str:
    """Turn a name into lower-case ASCII letters, digits and dashes; never empty."""
    plain = unicodedata.normalize("NFKD", text.replace("ß", "ss")).encode("ascii", "ignore")
    words = re.sub(r"[^a-z0-9]+", "-", plain.decode().lower()).strip("-")
    if not words:
        words = f"field-{_short_hash(text)}"
    if len(words) > _LONGEST_ID:
        words = f"{words[: _LONGEST_ID - 9].rstrip('-')}-{_short_hash(text)}"
    return f"{words}-field" if words in _RESERVED else words


def _short_hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def _unique(jobs: list[FieldJob]) -> list[FieldJob]:
    """Tell jobs of one id apart by a hash of what they are, which no other file changes."""
    count = Counter(job.field_id for job in jobs)
    seen: set[str] = set()
    told = []
    for job in jobs:
        name = job.field_id
        if count[name] > 1:
            name = f"{name}-{_short_hash(f'{job.source_name}|{job.name}|{job.part}')}"
        if name in seen:
            raise SettingsError(
                f"{job.source_name} is named twice as the same field.",
                way_out="Leave one out, or give them different names.",
            )
        seen.add(name)
        told.append(replace(job, field_id=name))
    return told


def _files(folder: Path, out: Path, seen: frozenset[Path] = frozenset()) -> Iterable[Path]:
    """Give the files below a folder, but hidden ones and folders of results."""
    # a link may lead back to a folder above
    seen |= {folder.resolve()}
    if folder.absolute() == out:
        raise SettingsError(
            f"{out}: the folder of the tracks itself.",
            way_out=f"Choose another for the results, such as {folder / 'season'}.",
        )
    for path in sorted(folder.iterdir()):
        if path.name.startswith("."):
            continue
        if path.is_dir():
            results = any((path / name).exists() for name in _RESULT_FILES)
            if path.absolute() != out and not results and path.resolve() not in seen:
                yield from _files(path, out, seen)
        elif path.is_file():
            yield path


def _same(path: Path) -> Path:
    return path.resolve()


def _shown(path: Path, root: Path) -> str:
    try:
        return path.absolute().relative_to(root).as_posix()
    except ValueError:
        return path.name


def _texts(sections: Mapping[str, Any], section: str) -> dict[str, str]:
    content = sections.get(section)
    return dict(content) if isinstance(content, dict) else {}


def _file_settings(content: Mapping[str, Any]) -> list[str]:
    found = [_texts(content, section).get(key) for section, key in FILE_SETTINGS]
    return [path for path in found if isinstance(path, str)]


def _named_files(file: Path) -> set[Path]:
    """Give the files that a field file names; none if it cannot be read."""
    if file.suffix.lower() != ".toml":
        return set()
    try:
        content = read_field_file(file)
    except SettingsError:
        return set()
    return {_same(file.parent / path) for path in _file_settings(content)}


def _why_no_field_file(file: Path) -> str:
    try:
        content = read_field_file(file)
    except SettingsError:
        return ""  # its own row says what is wrong with it
    if {"season", "fields", "tracks"} & set(content):
        return "a season file; give it as SOURCE to use it"
    if set(content) == {"spread"}:
        return "a profile file of covermap trays, no field file"
    if "track" not in _texts(content, "field"):
        return "no field file: it has no [field] track"
    return ""


def why_no_track(file: Path, headers: Iterable[str] = ()) -> str:
    """Say why a file cannot be a track; empty if it may be one, be it a broken one.

    ``headers`` are those that the person names as columns.
    """
    ending = file.suffix.lower()
    if ending in _BESIDE_SHAPEFILE and file.with_suffix(".shp").exists():
        return f"belongs to {file.stem}.shp"
    kinds: dict[tuple[str, ...], Callable[[], str]] = {
        _TABLES: lambda: _why_no_table(file, set(headers)),
        (".geojson", ".json"): lambda: _why_no_geojson(file),
        _DRIVERS: lambda: _why_no_layer(file),
    }
    for endings, look in kinds.items():
        if ending in endings:
            try:
                return look()
            except OSError:
                return ""
    return "no track: expected CSV, GeoJSON, GeoPackage or Shapefile"


def _why_no_table(file: Path, headers: set[str]) -> str:
    with file.open("rb") as stream:
        start = stream.read(_SNIFFED_BYTES)
    broken = not start.strip() or b"\0" in start.removeprefix(b"\xff\xfe")[1::2][:64]
    if broken and file.suffix.lower() in _SURELY_TRACKS:
        return ""
    encoding = "utf-16" if start.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8"
    for line in start.decode(encoding, "replace").lstrip("\ufeff{").splitlines()[:20]:
        for delimiter in ",;\t|":
            cells = [cell.strip(' "#') for cell in line.split(delimiter)]
            known = {TRACK.named(cell) for cell in cells}
            known |= {TRACK.named(re.sub(r"[(\[].*", "", cell)) for cell in cells}
            if any(pair <= known for pair in _POSITIONS) or len(headers & set(cells)) > 1:
                return ""
    return (
        "no track: no columns of positions (a wind record, tray test, pass settings or something "
        "else)"
    )


def _why_no_geojson(file: Path) -> str:
    try:
        content = json.loads(file.read_bytes())
    except ValueError:
        return "" if file.suffix.lower() == ".geojson" else "no track: not JSON that can be read"
    features = content.get("features") if isinstance(content, dict) else None
    if not isinstance(features, list):
        return "no track: no GeoJSON feature collection"
    kinds = {
        (feature.get("geometry") or {}).get("type")
        for feature in features
        if isinstance(feature, dict)
    }
    return _AREAS if kinds and kinds <= {"Polygon", "MultiPolygon"} else ""


_AREAS = "areas (outlines of fields), no track"


def _why_no_layer(file: Path) -> str:
    import pyogrio

    try:
        kinds = {str(kind) for _, kind in pyogrio.list_layers(file)}
    except Exception:  # GDAL's drivers raise what they like; the field's row will say it
        return ""
    return _AREAS if kinds and all("Polygon" in kind for kind in kinds) else ""

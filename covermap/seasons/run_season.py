"""Map all fields of a season: find them, hand them out, keep what came of each, write the book."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from covermap import __version__
from covermap.errors import Ask, OutputError, SettingsError
from covermap.files import schemas
from covermap.files.write_whole import whole_files
from covermap.seasons.field_job import (
    failed_row,
    keep_failure,
    look_at,
    map_one,
    reason_of,
)
from covermap.seasons.find_fields import Skipped, find_entries, jobs_of
from covermap.seasons.job import Common, Done, FieldJob, Look
from covermap.seasons.job_record import season_lock, sweep
from covermap.seasons.season_book import write_season_book
from covermap.seasons.season_file import Season, checked_sections, read_season
from covermap.seasons.season_results import SEASON_FILE
from covermap.seasons.workers import Crew, WorkerDied, dask_crew
from covermap.tables.plain_values import write_json


@dataclass
class Progress:
    """How far the run is.

    Attributes
    ----------
    step : str
        What is being done.
    tracks, looked_at : int
        Tracks that may hold several fields, and those looked at.
    all, mapped, skipped, failed : int
        Fields, and what came of those that are done.
    begun_s : float
        Reading of the clock that never steps back [s].
    """

    step: str = "looking at the tracks"
    tracks: int = 0
    looked_at: int = 0
    all: int = 0
    mapped: int = 0
    skipped: int = 0
    failed: int = 0
    begun_s: float = field(default_factory=time.monotonic)

    @property
    def done(self) -> int:
        """Fields that are through."""
        return self.mapped + self.skipped + self.failed

    def seconds_left(self) -> float | None:
        """Give the time left at the pace so far [s]; None before any field was mapped.

        Fields that were there already take no time and say nothing about the pace.
        """
        if not self.mapped:
            return None
        pace = (time.monotonic() - self.begun_s) / (self.mapped + self.failed)
        return max(0.0, pace * (self.all - self.done))


Tell = Callable[[Progress], None]


def map_season(
    source: Path,
    out: Path,
    *,
    sections: Mapping[str, Any],
    workers: int | None = None,
    scheduler: str | None = None,
    previous: Path | None = None,
    us_units: bool = False,
    tell: Tell | None = None,
) -> dict[str, Any]:
    """Map every field of a season that is not mapped already, and write the season book.

    Parameters
    ----------
    source : pathlib.Path
        Folder of tracks and field files, or a season file (TOML).
    out : pathlib.Path
        Folder for the results, held by this run while it lasts.
    sections : mapping
        Sections as in a field file, ``columns`` and ``units`` among them, that win over every
        field's own; files that they name lie relative to the working directory.
    workers : int, optional
        Worker processes on this machine; one for each core if not given.
    scheduler : str, optional
        Address of a Dask scheduler to work on instead.
    previous : pathlib.Path, optional
        Results of the season before, for a comparison year on year.
    us_units : bool
        Feet, acres and pounds on map pages and in the book.
    tell : callable, optional
        Told the progress as it grows, always the same :class:`Progress`.

    Returns
    -------
    dict
        Content of season.json; a field that failed is a row with its reason.

    Raises
    ------
    CovermapError
        If source, a setting or ``previous`` is wrong, the folder cannot be written or another
        run holds it, or nobody can do the work. Finished fields are kept.
    """
    checked = checked_sections(sections, Path.cwd(), "")
    if previous is not None and not (previous / SEASON_FILE).is_file():
        raise SettingsError(
            f"{previous}: no {SEASON_FILE} there.",
            "",
            "Give the folder of results of the season before: {0}.",
            Ask("previous", "…"),
        )
    season, out = read_season(source), out.absolute()
    progress, tell = Progress(), tell or _silent
    with season_lock(out) as token:
        sweep(out)
        try:
            with dask_crew(workers, scheduler, out, token) as crew:
                content = run_season(
                    season,
                    out,
                    token,
                    crew,
                    options=checked,
                    us_units=us_units,
                    tell=tell,
                    progress=progress,
                )
        finally:
            # workers have ended here, so nothing of what they left half done is in use
            sweep(out)
        progress.step = "writing the book"
        tell(progress)
        write_season_book(out, us_units=us_units, previous=previous)
    return content


def run_season(
    season: Season,
    out: Path,
    token: str,
    crew: Crew,
    *,
    options: Mapping[str, Any] | None = None,
    us_units: bool = False,
    tell: Tell | None = None,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Map every field of a season that is not mapped already, and write season.json.

    Parameters
    ----------
    season : Season
    out : pathlib.Path
        Folder for the results, held by this run.
    token : str
        Of the lock.
    crew : Crew
        Who does the work.
    options : mapping
        Sections as in a field file that win over everything.
    us_units : bool
        On the map pages.
    tell : callable
        Told the progress as it grows.
    progress : Progress
        Kept up to date, if given.

    Returns
    -------
    dict
        Content of season.json.

    Raises
    ------
    CovermapError
        If the folder cannot be written, or nobody can do the work. Single fields that
        fail become rows.
    """
    progress = progress or Progress()
    tell = tell or _silent
    common = Common(out, token, season.defaults, options or {}, us_units)
    entries, skipped = find_entries(season, out)
    to_look = [
        (str(place), (entry.source, entry.overrides, entry.parting, common))
        for place, entry in enumerate(entries)
        if entry.parting is not None
    ]
    progress.tracks = len(to_look)
    tell(progress)
    looks: dict[int, Look] = {}
    for name, look in crew.run(look_at, to_look):
        looks[int(name)] = look if isinstance(look, Look) else Look(trouble=_why(look))
        progress.looked_at += 1
        tell(progress)
    jobs, notes = jobs_of(season, entries, looks)
    if not jobs:
        raise SettingsError(
            f"{season.folder or season.file}: no field in it.",
            "Expected field files (.toml) or harvest tracks (.csv, .geojson and the like), or a "
            "season file that names them.",
            " ".join(f"Left out: {one.source}: {one.reason}." for one in skipped),
        )
    progress.step, progress.all, progress.begun_s = "mapping", len(jobs), time.monotonic()
    rows = _rows(jobs, common, crew, tell, progress)
    content = season_content(season, rows, skipped, notes)
    with whole_files(out) as folder:
        write_json(folder / SEASON_FILE, content, indent=1)
    return content


def season_content(
    season: Season,
    rows: Mapping[str, Mapping[str, Any]],
    skipped: Sequence[Skipped],
    notes: Sequence[str],
) -> dict[str, Any]:
    """Give the content of season.json, the same whatever order the fields were done in."""
    return {
        "schema": schemas.SEASON,
        "covermap": __version__,
        "name": season.name,
        "year": season.year,
        "fields": [dict(rows[field_id]) for field_id in sorted(rows)],
        "skipped": [{"source": one.source, "reason": one.reason} for one in skipped],
        "notes": list(notes),
    }


def _rows(
    jobs: Sequence[FieldJob], common: Common, crew: Crew, tell: Tell, progress: Progress
) -> dict[str, dict[str, Any]]:
    by_id = {job.field_id: job for job in jobs}
    rows: dict[str, dict[str, Any]] = {}
    tell(progress)
    calls = ((job.field_id, (job, common)) for job in jobs)
    for field_id, outcome in crew.run(map_one, calls):
        done = outcome
        if not isinstance(done, Done):
            row = failed_row(by_id[field_id], _why(done))
            keep_failure(common.out, row)
            done = Done(row)
        rows[field_id] = done.row
        if done.stop:
            raise OutputError(
                f"The season stopped at {field_id}: {done.row['reason']} {progress.done} of "
                f"{progress.all} fields are done and kept.",
                way_out="Run the season again to go on.",
            )
        if done.skipped:
            progress.skipped += 1
        elif done.row["status"] == "mapped":
            progress.mapped += 1
        else:
            progress.failed += 1
        tell(progress)
    return rows


def _why(error: object) -> str:
    if isinstance(error, WorkerDied):
        return (
            "The worker died while mapping this field, each time it was tried. It may need more "
            "memory: try fewer workers, or a larger [grid] cell for this field."
        )
    return reason_of(error if isinstance(error, BaseException) else RuntimeError(repr(error)))


def _silent(progress: Progress) -> None:
    """Take no notice."""

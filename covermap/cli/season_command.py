"""The command ``covermap season``: many fields at once, finished ones left as they are."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from covermap.cli.options import pairs_of, setting_options, settings_of
from covermap.settings.field_settings import SECTIONS
from covermap.units import shown

if TYPE_CHECKING:
    from covermap.seasons.run_season import Progress

#: Exit code of a season that went through with fields that could not be mapped.
SOME_FAILED = 3

# Name, track and boundary are of one field; the other two may hold for a whole season.
_SECTIONS = tuple(name for name in SECTIONS if name != "field")


@click.command("season")
@click.argument("source", type=click.Path(path_type=Path))
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Folder for the results."
)
@click.option(
    "--workers",
    type=click.IntRange(min=1),
    help="Worker processes on this machine. Default: one for each core.",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Work on the Dask cluster with this scheduler instead, such as tcp://10.0.0.5:8786.",
)
@click.option(
    "--previous",
    type=click.Path(path_type=Path),
    help="Results of the season before, for a comparison year on year.",
)
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="NAME=HEADER",
    help="Which column holds what, such as time=MyTime. May be repeated.",
)
@click.option(
    "--unit",
    "units",
    multiple=True,
    metavar="NAME=UNIT",
    help="Unit of a column, such as flow=lb/s. May be repeated.",
)
@click.option(
    "--next-crop",
    "set_field_next_crop",
    metavar="TEXT",
    help="Crop to be sown next on every field; with it, each also gets a plan.",
)
@click.option(
    "--crs",
    "set_field_crs",
    metavar="TEXT",
    help="CRS of the tracks' coordinates if they are not degrees.",
)
@setting_options(*_SECTIONS)
@click.option("--us-units", is_flag=True, help="Show feet, acres and pounds.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
@click.option("--json", "as_json", is_flag=True, help="Print the content of season.json.")
def season_command(
    source: Path,
    out: Path,
    workers: int | None,
    scheduler: str | None,
    previous: Path | None,
    columns: tuple[str, ...],
    units: tuple[str, ...],
    us_units: bool,
    quiet: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Map every field of SOURCE, a folder of tracks and field files or a season file (.toml).

    Fields that are mapped already, from the same files and settings, are left as they are.
    One field that fails does not stop the others. Needs the extra covermap[season].
    """
    from covermap.seasons.run_season import Progress, map_season

    if workers is not None and scheduler is not None:
        raise click.UsageError("--workers and --scheduler exclude each other; give one.")
    sections: dict[str, Any] = {}
    for (section, key), value in settings_of(options).items():
        sections.setdefault(section, {})[key] = value
    for name, texts, option in (("columns", columns, "--column"), ("units", units, "--unit")):
        if texts:
            sections[name] = pairs_of(texts, option)
    progress = Progress()
    try:
        with _line(show=not quiet and not as_json) as show:

            def tell(now: Progress) -> None:
                nonlocal progress
                progress = now
                show(now)

            content = map_season(
                source,
                out,
                sections=sections,
                workers=workers,
                scheduler=scheduler,
                previous=previous,
                us_units=us_units,
                tell=tell,
            )
    except KeyboardInterrupt:
        click.echo(
            f"At least {progress.done} of {progress.all} fields are done and kept; the same "
            "command goes on from there.",
            err=True,
        )
        raise
    if as_json:
        click.echo(json.dumps(content, indent=2, ensure_ascii=False))
    elif not quiet:
        _tell_result(content, out.absolute(), progress, us_units)
    else:
        _tell_failed(content, err=True)
    if any(row["status"] == "failed" for row in content["fields"]):
        sys.exit(SOME_FAILED)


def _tell_result(content: dict[str, Any], out: Path, progress: Progress, us_units: bool) -> None:
    from covermap.drawing.caution import CAUTION
    from covermap.tables.said import said_of

    rows = content["fields"]
    _tell_failed(content)
    for row in rows:
        for warning in row.get("warnings") or ():
            click.echo(f"Warning: {row['field_id']}: {said_of(warning).sentence(us_units)}")
    for one in content["skipped"]:
        click.echo(f"Left out: {one['source']}: {one['reason']}.")
    for note in content["notes"]:
        click.echo(f"Note: {note}")
    area_m2 = sum(row.get("area_ha") or 0.0 for row in rows) * 1e4
    click.echo(
        f"{content['name']}: {len(rows)} fields, {progress.mapped} mapped now, "
        f"{progress.skipped} mapped before, {progress.failed} failed; "
        f"{shown(us_units)['area'].text(area_m2)} harvested."
    )
    click.echo(f"The season book: {out / 'season.html'}")
    click.echo(CAUTION)


def _tell_failed(content: dict[str, Any], *, err: bool = False) -> None:
    for row in content["fields"]:
        if row["status"] == "failed":
            text = f"Not mapped: {row['field_id']} ({row['source']}): {row['reason']}"
            click.echo(text, err=err)


@contextmanager
def _line(show: bool) -> Iterator[Callable[[Progress], None]]:
    """Show one line that is written over on a terminal; in a pipe show nothing."""
    if not (show and _terminal()):
        yield lambda progress: None  # noqa: ARG005
        return

    def tell(progress: Progress) -> None:
        click.echo(f"\r\x1b[2K{progress_text(progress)}", nl=False, err=True)

    try:
        yield tell
    finally:
        click.echo("\r\x1b[2K", nl=False, err=True)


def _terminal() -> bool:
    return sys.stderr.isatty()


def progress_text(progress: Progress) -> str:
    """Say in one line how far the season is."""
    if progress.step != "mapping":
        counted = f": {progress.looked_at} of {progress.tracks}" if not progress.all else ""
        return f"{progress.step}{counted}"
    left = progress.seconds_left()
    return (
        f"{progress.done} of {progress.all} fields: {progress.mapped} mapped, "
        f"{progress.skipped} there already, {progress.failed} failed"
        + ("" if left is None else f"; {_duration(left)} left")
    )


def _duration(seconds: float) -> str:
    minutes = round(seconds / 60)
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60} min"

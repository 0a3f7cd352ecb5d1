"""The command ``covermap range``: how far the numbers move if the settings are a little off."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from covermap.cli.options import open_source, progress_bar, setting_options, source_options

#: Fewer hold no 5 % mark of their own; more would not fit in memory with many strips.
_LEAST_REPEATS, _MOST_REPEATS = 20, 10_000


@click.command("range")
@source_options
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Folder for the results."
)
@click.option(
    "--repeats",
    type=click.IntRange(_LEAST_REPEATS, _MOST_REPEATS),
    default=200,
    show_default=True,
    help="How often the field is laid anew.",
)
@click.option(
    "--seed",
    type=click.IntRange(0),
    default=1,
    show_default=True,
    help="Start of the random numbers; the same seed gives the same files.",
)
@setting_options()
@click.option("--us-units", is_flag=True, help="Show feet, acres and pounds.")
@click.option("--json", "as_json", is_flag=True, help="Print the content of range.json.")
def range_command(
    source: Path,
    out: Path,
    repeats: int,
    seed: int,
    us_units: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Say how sure the map of SOURCE is, a field file (.toml) or a bare harvest track.

    Wind, spread width and yield are a little off in every repeat. Writes range.csv (one row
    a repeat), strips_range.csv (how often each strip stays), range.svg and range.json.
    """
    with progress_bar(show=not as_json) as tell:
        tell("reading")
        opened = open_source(source, options)
        from covermap.files.folder_lock import folder_lock
        from covermap.sureness.perturb_field import perturb_field
        from covermap.sureness.range_text import range_json, range_lines
        from covermap.sureness.write_range import write_range

        with folder_lock(out):
            found = perturb_field(
                opened.track,
                opened.settings,
                opened.boundary,
                tell,
                opened.wind,
                repeats=repeats,
                seed=seed,
            )
            files = write_range(found, out, opened.inputs, us_units=us_units)
    if as_json:
        click.echo(json.dumps(range_json(found, opened.inputs), indent=2, ensure_ascii=False))
        return
    for line in range_lines(found, us_units):
        click.echo(line)
    click.echo(f"Written to {out}: {', '.join(files)}")

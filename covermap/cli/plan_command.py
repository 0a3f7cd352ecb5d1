"""The command ``covermap plan``: what the strips mean for the next pass."""

from __future__ import annotations

import json
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import click

from covermap.cli.options import open_source, progress_bar, setting_options, source_options


@click.command("plan")
@source_options
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the plan's files.")
@setting_options()
@click.option("--us-units", is_flag=True, help="Show feet, acres and pounds.")
@click.option("--json", "as_json", is_flag=True, help="Print the content of plan.json.")
def plan_command(
    source: Path, out: Path | None, us_units: bool, as_json: bool, **options: Any
) -> None:
    """Plan the next pass over SOURCE, a field file (.toml) or a bare harvest track.

    Operations to come, the seeder's limits and the implement are settings of [plan]. With
    --out the zones, the picture, the cover to expect and all numbers are written there.
    """
    with progress_bar(show=not as_json) as tell:
        tell("reading")
        opened = open_source(source, options)
        from covermap.field.whole_field import map_field
        from covermap.files.folder_lock import folder_lock
        from covermap.files.write_whole import whole_files
        from covermap.plan.plan_field import plan_field
        from covermap.plan.plan_text import plan_json, plan_lines
        from covermap.plan.write_plan import write_plan

        with nullcontext() if out is None else folder_lock(out):
            result = map_field(opened.track, opened.settings, opened.boundary, tell, opened.wind)
            tell("plan")
            plan = plan_field(result)
            files: list[str] = []
            if out is not None:
                with whole_files(out) as folder:
                    write_plan(folder, plan, us_units=us_units)
                    files = sorted(file.name for file in folder.iterdir())
    if as_json:
        click.echo(json.dumps(plan_json(plan), indent=2, ensure_ascii=False))
        return
    for line in plan_lines(plan, us_units):
        click.echo(line)
    if out is not None:
        click.echo(f"Written to {out}: {', '.join(files)}")

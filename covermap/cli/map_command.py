"""The command ``covermap map``: where the residue landed and what that means."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from covermap.cli.options import open_source, progress_bar, setting_options, source_options


@click.command("map")
@source_options
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Folder for the results."
)
@setting_options()
@click.option("--us-units", is_flag=True, help="Show feet, acres and pounds.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
@click.option("--json", "as_json", is_flag=True, help="Print the content of summary.json.")
def map_command(
    source: Path,
    out: Path,
    us_units: bool,
    quiet: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Map the residue of SOURCE, a field file (.toml) or a bare harvest track.

    With a bare track --crop, --cut-width and --spread-width suffice, and --grain-yield
    where the track carries no yield.
    """
    with progress_bar(show=not quiet and not as_json) as tell:
        tell("reading")
        opened = open_source(source, options)
        from covermap.field.whole_field import map_field
        from covermap.files.folder_lock import folder_lock
        from covermap.mapped.write_results import write_results
        from covermap.plan.plan_field import plan_field, wants_plan

        with folder_lock(out):
            result = map_field(opened.track, opened.settings, opened.boundary, tell, opened.wind)
            plan = plan_field(result) if wants_plan(opened.settings) else None
            files = write_results(
                result, out, opened.inputs, us_units=us_units, progress=tell, plan=plan
            )
    from covermap.drawing.caution import CAUTION
    from covermap.mapped.summary import cause_lines, facts, summary, top_strip_lines

    if as_json:
        click.echo(json.dumps(summary(result, opened.inputs), indent=2, ensure_ascii=False))
        return
    if quiet:
        return
    click.echo(f"{result.name}: {result.crop.kind}, {len(result.passes)} passes")
    lines = facts(result, us_units)
    width = max(len(label) for label, _ in lines)
    for label, value in lines:
        click.echo(f"  {label:<{width}}  {value}")
    strips = top_strip_lines(result, us_units)
    if strips:
        click.echo("Why strips are there:")
        for line in cause_lines(result, us_units):
            click.echo(line)
        shown_strips = f"{len(strips) // 2} of {len(result.strips)}"
        click.echo(f"Strips that matter most ({shown_strips}):")
        for line in strips:
            click.echo(line)
    else:
        click.echo("No gap or double strip long enough to act on.")
    if plan is not None:
        from covermap.plan.plan_text import work_lines

        click.echo("What to do next (covermap plan says why):")
        for line in work_lines(plan, us_units):
            click.echo(line)
    for note in result.notes:
        click.echo(note.note(us_units))
    click.echo(f"{len(result.assumptions)} assumptions filled holes; covermap check lists them.")
    click.echo(f"Written to {out}: {', '.join(files)}")
    click.echo(CAUTION)

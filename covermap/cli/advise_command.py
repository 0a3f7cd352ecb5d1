"""The command ``covermap advise``: settings that would have spread evenly."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from covermap.cli.options import arguments_of, extra_source_options, setting_options, show
from covermap.settings.field_settings import SECTIONS


@click.command("advise")
@setting_options(*(name for name in SECTIONS if name != "plan"))
@click.option(
    "--heading",
    "headings",
    type=float,
    multiple=True,
    metavar="DEG",
    help="Heading to advise for, instead of the track's own. May be repeated.",
)
@click.option("--spacing", metavar="TEXT", help="Pass spacing; the track's or the cut width else.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the settings card.")
@click.option("--us-units", is_flag=True, help="Show feet and miles per hour.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
@extra_source_options
@click.argument("source", required=False, type=click.Path(path_type=Path))
def advise_command(
    source: Path | None,
    headings: tuple[float, ...],
    spacing: str | None,
    out: Path | None,
    us_units: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Advise reach and lean for this cut width, crop and wind, heading by heading.

    From SOURCE, a field file or track, or from options alone (then --crop, --cut-width,
    --spread-width and --heading are needed).
    """
    from covermap.door.offers import advise

    how = arguments_of(options, with_source=source is not None)
    advice = advise(source, headings_deg=headings, spacing=spacing, **how)
    if out is not None:
        advice.write(out, us_units=us_units)
    show(advice, us_units=us_units, as_json=as_json)
    if out is not None and not as_json:
        click.echo(f"Card to take along: {out / 'settings_card.svg'}")

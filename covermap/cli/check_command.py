"""The command ``covermap check``: what covermap makes of a file; writes nothing."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from covermap.cli.options import in_options, open_source, setting_options, source_options


@click.command("check")
@source_options
@setting_options()
@click.option("--us-units", is_flag=True, help="Show feet, miles and pounds.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def check_command(source: Path, us_units: bool, as_json: bool, **options: Any) -> None:
    """Say what was recognised in SOURCE, which track points would be left out and what is assumed.

    Writes nothing. Missing settings are listed, not refused.
    """
    opened = open_source(source, options)
    from covermap.mapped.check import check_report, check_text

    report = check_report(opened.track, opened.settings, in_options)
    if as_json:
        click.echo(json.dumps(report, indent=2, ensure_ascii=False))
    else:
        click.echo(check_text(report, us_units))

"""The command ``covermap report``: a folder of results as a report to print or send."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click


@click.command("report")
@click.argument("result", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="File for the report. Default: report.pdf in RESULT.",
)
@click.option("--us-units", is_flag=True, help="Show feet, acres and pounds, on US letter paper.")
def report_command(result: Path, out: Path | None, us_units: bool) -> None:
    """Write a report of RESULT, a folder that covermap map wrote: report.pdf.

    The field at a glance, evenness, strips, the plan where there is one, and what all of it
    rests on. Needs the extra covermap[report].
    """
    from covermap.drawing.caution import CAUTION
    from covermap.files.open_result import open_result
    from covermap.files.write_whole import whole_files
    from covermap.report.report import report_of
    from covermap.report.report_pdf import typeset_report

    file = result / "report.pdf" if out is None else out
    today = date.today()
    report = report_of(open_result(result), today, us_units=us_units)
    typeset = typeset_report(report, today)
    with whole_files(file.parent) as folder:
        (folder / file.name).write_bytes(typeset.pdf)
    for text in report.left_out:
        click.echo(f"Note: {text}")
    if typeset.not_shown:
        click.echo(
            f"Note: no font of this machine has {', '.join(typeset.not_shown)}; the report shows "
            "the codes. Install a font for that script and run covermap report again."
        )
    click.echo(f"Written to {file}")
    click.echo(CAUTION)

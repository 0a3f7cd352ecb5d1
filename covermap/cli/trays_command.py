"""The command ``covermap trays``: the spread measured from a tray test."""

from __future__ import annotations

from pathlib import Path

import click

from covermap.cli.options import show


@click.command("trays")
@click.argument("test", type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for results.")
@click.option("--tray-width", metavar="TEXT", help="Width of a tray across the band [m].")
@click.option("--tray-length", metavar="TEXT", help="Length of a tray along the travel [m].")
@click.option("--tray-area", metavar="TEXT", help="Area of a tray [m2].")
@click.option("--moisture", metavar="TEXT", help="Moisture of what was weighed [%].")
@click.option("--cv-limit", default="15", show_default=True, help="Largest CV accepted [%].")
@click.option("--keep-all-runs", is_flag=True, help="Keep runs that disagree with their fellows.")
@click.option("--us-units", is_flag=True, help="Show feet.")
def trays_command(
    test: Path,
    out: Path,
    tray_width: str | None,
    tray_length: str | None,
    tray_area: str | None,
    moisture: str | None,
    cv_limit: str,
    keep_all_runs: bool,
    us_units: bool,
) -> None:
    """Measure the spread from a tray test TEST (CSV of weights across the band).

    Writes profile.toml, which a field file can name as [spread] profile_file, and trays.svg.
    """
    from covermap.door.offers import trays

    measured = trays(
        test,
        tray_width=tray_width,
        tray_length=tray_length,
        tray_area=tray_area,
        moisture=moisture,
        cv_limit=cv_limit,
        keep_all_runs=keep_all_runs,
    )
    measured.write(out, us_units=us_units)
    show(measured, us_units=us_units)
    click.echo(f"Written to {out}: profile.toml, trays.svg")

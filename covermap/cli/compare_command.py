"""The command ``covermap compare``: two results of one field side by side."""

from __future__ import annotations

from pathlib import Path

import click

from covermap.cli.options import show


@click.command("compare")
@click.argument("a", type=click.Path(path_type=Path))
@click.argument("b", type=click.Path(path_type=Path))
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Folder for the comparison."
)
@click.option("--us-units", is_flag=True, help="Show feet, acres and pounds.")
@click.option("--json", "as_json", is_flag=True, help="Print the content of compare.json.")
def compare_command(a: Path, b: Path, out: Path, us_units: bool, as_json: bool) -> None:
    """Compare A and B, two folders that covermap map wrote of one field.

    Two settings (what if?) or two years. Writes difference.tif (B minus A), repeats.gpkg
    (strips that come back in the same place), compare.json and compare.svg.
    """
    from covermap.door.offers import compare
    from covermap.drawing.caution import CAUTION

    found = compare(a, b)
    files = found.write(out, us_units=us_units)
    show(found, us_units=us_units, as_json=as_json)
    if not as_json:
        click.echo(f"Written to {out}: {', '.join(file.name for file in files)}")
        click.echo(CAUTION)

"""The command ``covermap compare``: two results of one field side by side."""

from __future__ import annotations

import json
from pathlib import Path

import click


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
    from covermap.comparison.compare_fields import compare_fields
    from covermap.comparison.compare_text import compare_json, compare_lines
    from covermap.comparison.write_compare import write_compare
    from covermap.drawing.caution import CAUTION
    from covermap.files.open_result import open_result

    found = compare_fields(open_result(a), open_result(b))
    files = write_compare(found, out, us_units=us_units)
    if as_json:
        click.echo(json.dumps(compare_json(found), indent=2, ensure_ascii=False))
        return
    for line in compare_lines(found, us_units):
        click.echo(line)
    click.echo(f"Written to {out}: {', '.join(files)}")
    click.echo(CAUTION)

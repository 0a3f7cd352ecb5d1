"""The command ``covermap sample``: invented sample fields, copied from what the package brings."""

from __future__ import annotations

from pathlib import Path

import click

import covermap
from covermap.errors import OutputError, SettingsError
from covermap.files.write_whole import whole_files

SAMPLE_NAMES = ("wheat", "corn", "barley", "oats", "canola")


def write_sample(folder: Path, name: str) -> Path:
    """Copy a sample field into ``folder`` and give the path of its field file.

    Parameters
    ----------
    folder : pathlib.Path
        Made if missing.
    name : str
        One of :data:`SAMPLE_NAMES`.

    Raises
    ------
    SettingsError
        If there is no sample of that name.
    OutputError
        If the folder cannot be written, or holds a changed file of the same name.
    """
    if name not in SAMPLE_NAMES:
        raise SettingsError(
            f"--field {name!r}: no such sample.", f"Known: {', '.join(SAMPLE_NAMES)}."
        )
    files = {
        file.name: file.read_bytes() for file in (_shipped() / name).iterdir() if file.is_file()
    }
    for file_name, content in files.items():
        place = folder / file_name
        if place.is_file() and place.read_bytes() != content:
            raise OutputError(
                f"{place}: already there and changed; it was left alone.",
                way_out="Choose another folder, or remove the file.",
            )
    with whole_files(folder) as whole:
        for file_name, content in files.items():
            (whole / file_name).write_bytes(content)
    return folder / f"{name}.toml"


def _shipped() -> Path:
    """Give the folder of the samples: in an installed package, or beside it in a checkout."""
    package = Path(covermap.__file__).parent
    installed = package / "sample_fields"
    return installed if installed.is_dir() else package.parent / "sample_fields"


@click.command("sample")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--field",
    "name",
    default="wheat",
    show_default=True,
    help="Which sample: wheat, corn, barley, oats or canola.",
)
def sample_command(folder: Path, name: str) -> None:
    """Write a ready sample field (invented) into FOLDER, to start with."""
    field_file = write_sample(folder, name)
    click.echo(f"Wrote {field_file} and its track (invented data).")
    click.echo(f"Next: covermap map {field_file} --out {folder / 'out'}")

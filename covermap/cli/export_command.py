"""The command ``covermap export``: a result as files for other programs."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from covermap.export.content import ExportContent

#: What an export is for; each has a folder of its own of that name.
PURPOSES = ("gis", "phone", "table", "task")
#: Folder that a terminal looks for (ISO 11783-10).
_TASK_FOLDER = "TASKDATA"


@click.command("export")
@click.argument("result", type=click.Path(path_type=Path))
@click.option(
    "--for",
    "purpose",
    required=True,
    type=click.Choice([*PURPOSES, "all"]),
    help="Who the files are for.",
)
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder for the files. Default: RESULT/export."
)
@click.option(
    "--task-quantity", metavar="NAME", help="What the task data set, such as working_depth."
)
@click.option(
    "--task-value",
    "task_values",
    multiple=True,
    metavar="RULE=VALUE",
    help="Value for an action, in SI, such as plan-harrow=0.05. May be repeated.",
)
def export_command(
    result: Path,
    purpose: str,
    out: Path | None,
    task_quantity: str | None,
    task_values: tuple[str, ...],
) -> None:
    """Write RESULT, a folder that covermap map wrote, as files for other programs.

    gis: styled GeoPackage, GeoTIFF, Shapefile, GeoJSON. phone: KMZ, GeoJSON. table: CSV.
    task: the plan's zones as task data (prescription map) after ISO 11783-10, with
    --task-quantity and a --task-value for each action; all leaves it out without them. Files
    keep SI units.
    """
    from covermap.drawing.caution import CAUTION
    from covermap.drawing.labels import TASK_DATA
    from covermap.export.content import read_export_content
    from covermap.export.gis import write_gis_files
    from covermap.export.phone import write_phone_files
    from covermap.export.table import write_table_files
    from covermap.files.write_whole import whole_files

    values = _values(task_values)
    if purpose == "task" and task_quantity is None:
        raise click.UsageError(f"--for task needs --task-quantity: {_known_quantities()}.")
    if purpose not in ("task", "all") and (task_quantity is not None or values):
        raise click.UsageError("--task-quantity and --task-value go with --for task or all.")
    content = read_export_content(result)
    wanted = list(PURPOSES) if purpose == "all" else [purpose]
    notes: list[str] = []
    if purpose == "all" and (task_quantity is None or "zones" not in content.layers):
        wanted.remove("task")
        why = (
            "this result has no plan"
            if "zones" not in content.layers
            else f"it needs --task-quantity ({_known_quantities()}) and --task-value"
        )
        notes.append(f"No {TASK_DATA}: {why}.")
    written: dict[Path, list[str]] = {}
    with ExitStack() as stack:
        # nothing moves into place before everything is written
        for one in wanted:
            to = (out or result / "export") / one
            folder = stack.enter_context(whole_files(to))
            if one == "gis":
                notes += write_gis_files(folder, content)
            elif one == "phone":
                write_phone_files(folder, content)
            elif one == "table":
                write_table_files(folder, content)
            else:
                inner = stack.enter_context(whole_files(to / _TASK_FOLDER))
                notes += _write_task(folder, inner, content, str(task_quantity), values)
                written[to / _TASK_FOLDER] = sorted(file.name for file in inner.iterdir())
            written[to] = sorted(file.name for file in folder.iterdir())
    for to, files in written.items():
        click.echo(f"Written to {to}: {', '.join(files)}")
    for note in notes:
        click.echo(f"Note: {note}")
    click.echo(CAUTION)


def _write_task(
    folder: Path, inner: Path, content: ExportContent, quantity: str, values: dict[str, float]
) -> list[str]:
    """Write the task data and part its files: those of TASKDATA go whole into that folder."""
    from covermap.errors import Ask, OutputError
    from covermap.export.task_file import write_task_set

    if "zones" not in content.layers:
        raise OutputError(
            f"{content.result.folder}: no plan.gpkg in it, and task data are made of the plan's "
            "zones.",
            "",
            "Map the field with {0} first.",
            Ask("field.next_crop", "wheat"),
        )
    notes = write_task_set(
        folder,
        content.layers["zones"],
        field_name=content.name,
        outline=content.outline,
        quantity=quantity,
        made=content.when,
        values=values,
    )
    for file in (folder / _TASK_FOLDER).iterdir():
        file.replace(inner / file.name)
    (folder / _TASK_FOLDER).rmdir()
    return notes


def _values(texts: tuple[str, ...]) -> dict[str, float]:
    values = {}
    for text in texts:
        rule, _, number = text.partition("=")
        try:
            values[rule.strip()] = float(number)
        except ValueError:
            raise click.UsageError(
                f"--task-value {text!r}: expected RULE=VALUE, as in plan-harrow=0.05."
            ) from None
    return values


def _known_quantities() -> str:
    from covermap.export.task_values import task_quantities

    return ", ".join(task_quantities())

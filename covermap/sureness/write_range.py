"""Write how sure a field's numbers are into one folder: whole, or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from covermap.files.write_whole import whole_files
from covermap.sureness.perturb_field import FieldRange
from covermap.sureness.range_plot import range_plot
from covermap.sureness.range_text import range_json
from covermap.tables.plain_values import write_json


def write_range(
    found: FieldRange, out_dir: Path, inputs: Mapping[str, str], *, us_units: bool = False
) -> list[str]:
    """Write range.csv, strips_range.csv, range.svg and range.json; give their names.

    ``inputs`` are names to SHA-256 of what was read. Files keep SI; units are those of the
    picture.

    Raises
    ------
    OutputError
        If the folder cannot be written; nothing in it has changed then.
    """
    with whole_files(out_dir) as folder:
        for name, table in (("range.csv", found.repeats), ("strips_range.csv", found.strips)):
            table.to_csv(folder / name, index=False, float_format="%.7g", lineterminator="\n")
        (folder / "range.svg").write_text(range_plot(found, us_units=us_units), "utf-8")
        write_json(folder / "range.json", range_json(found, inputs))
        return sorted(file.name for file in folder.iterdir())

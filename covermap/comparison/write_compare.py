"""Write a comparison into one folder: whole, or not at all."""

from __future__ import annotations

import json
from pathlib import Path

from covermap import __version__
from covermap.comparison.compare_fields import Comparison
from covermap.comparison.compare_picture import compare_picture
from covermap.comparison.compare_text import compare_json
from covermap.errors import OutputError
from covermap.files.geotiff import write_geotiff
from covermap.files.vectors import write_layer
from covermap.files.write_whole import whole_files

_CHANGE_NAMES = {
    "residue_t_ha": "residue_change_t_ha",
    "cover_pct": "cover_change_pct",
    "spread_ratio": "spread_ratio_change",
}


def write_compare(found: Comparison, out_dir: Path, *, us_units: bool = False) -> list[str]:
    """Write difference.tif, repeats.gpkg, compare.json and compare.svg.

    Parameters
    ----------
    found : Comparison
    out_dir : pathlib.Path
        Made if missing; files of the same names are replaced. Not A's or B's own folder
        (a folder of results is not to be mixed with a comparison).
    us_units : bool
        Units in the picture; files keep SI.

    Returns
    -------
    list of str
        Names of the files written.

    Raises
    ------
    OutputError
        If the folder cannot be written; nothing in it has changed then.
    """
    if out_dir.exists():
        for name, result in (("A", found.a), ("B", found.b)):
            if out_dir.samefile(result.folder):
                raise OutputError(
                    f"{out_dir} is the folder of {name} itself.",
                    "",
                    "Choose another folder, so that the comparison does not lie among the results "
                    "of one map.",
                )
    with whole_files(out_dir) as folder:
        write_geotiff(
            folder / "difference.tif",
            found.grid,
            {_CHANGE_NAMES[name]: change for name, change in found.change.items()},
            {
                "covermap_version": __version__,
                "content": "B minus A on ground harvested in both",
                "a": found.a.folder.name,
                "b": found.b.folder.name,
            },
        )
        write_layer(folder / "repeats.gpkg", found.repeats, "repeats", "Polygon")
        text = json.dumps(compare_json(found), indent=2, ensure_ascii=False, allow_nan=False)
        (folder / "compare.json").write_text(text + "\n", "utf-8")
        (folder / "compare.svg").write_text(compare_picture(found, us_units=us_units), "utf-8")
        return sorted(file.name for file in folder.iterdir())

"""Write a comparison into one folder: whole, or not at all."""

from __future__ import annotations

from pathlib import Path

from covermap import __version__
from covermap.comparison.compare_fields import Comparison, place_name
from covermap.comparison.compare_picture import compare_picture
from covermap.comparison.compare_text import compare_json
from covermap.errors import OutputError
from covermap.files.geotiff import write_geotiff
from covermap.files.vectors import write_layer
from covermap.files.write_whole import whole_files
from covermap.tables.plain_values import write_json

_CHANGE_NAMES = {
    "residue_t_ha": "residue_change_t_ha",
    "cover_pct": "cover_change_pct",
    "spread_ratio": "spread_ratio_change",
}


def write_compare(found: Comparison, out_dir: Path, *, us_units: bool = False) -> list[str]:
    """Write difference.tif, repeats.gpkg, compare.json and compare.svg; give their names.

    Files keep SI; units are those of the picture. A folder of results is not to be mixed with
    a comparison, so it must not be A's or B's own.

    Raises
    ------
    OutputError
        If the folder cannot be written; nothing in it has changed then.
    """
    if out_dir.exists():
        for name, result in (("A", found.a), ("B", found.b)):
            if Path(result.place).exists() and out_dir.samefile(result.place):
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
                "a": place_name(found.a),
                "b": place_name(found.b),
            },
        )
        write_layer(folder / "repeats.gpkg", found.repeats, "repeats", "Polygon")
        write_json(folder / "compare.json", compare_json(found))
        (folder / "compare.svg").write_text(compare_picture(found, us_units=us_units), "utf-8")
        return sorted(file.name for file in folder.iterdir())

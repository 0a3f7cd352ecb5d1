"""Tables for a spreadsheet: strips, passes, zones and causes as CSV with decimal points, in SI."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from covermap.export.content import ExportContent
from covermap.files.vectors import write_csv
from covermap.tables.column_meanings import OutputColumn, columns_of, meanings_of

if TYPE_CHECKING:
    import geopandas as gpd

#: Layers with a point of each shape in degrees.
_WITH_POINT = ("strips", "zones")


def write_table_files(folder: Path, content: ExportContent) -> None:
    """Write the tables and ``columns.csv`` into an open folder.

    ``columns.csv`` has no header line: file, column, unit and meaning of every column.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    tables: dict[str, pd.DataFrame] = {}
    meanings: dict[str, dict[str, OutputColumn]] = {}
    for layer in ("strips", "passes", "zones"):
        if layer not in content.layers:
            continue
        shapes = content.layers[layer]
        table = pd.DataFrame(shapes.drop(columns=shapes.geometry.name))
        columns = content.columns(layer)
        if layer in _WITH_POINT:
            table = table.join(_points(shapes))
            columns |= columns_of(f"{layer}.csv")
        tables[f"{layer}.csv"], meanings[f"{layer}.csv"] = table, columns
    tables["causes.csv"] = content.causes
    meanings["causes.csv"] = meanings_of("causes.csv", content.causes.columns)
    for name, table in tables.items():
        write_csv(folder / name, table, for_spreadsheet=True)
    rows = [
        (name, column.name, column.unit, column.meaning)
        for name, columns in meanings.items()
        for column in columns.values()
    ]
    write_csv(folder / "columns.csv", pd.DataFrame(rows), header=False, for_spreadsheet=True)


def _points(shapes: gpd.GeoDataFrame) -> pd.DataFrame:
    """Give a point inside each shape [deg]."""
    points = shapes.geometry.representative_point().to_crs(4326)
    return pd.DataFrame(
        {"longitude": points.x.round(7), "latitude": points.y.round(7)}, index=shapes.index
    )

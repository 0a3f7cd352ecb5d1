"""Tables for a spreadsheet: strips, passes, zones and causes as CSV.

Comma, decimal point, SI units. UTF-8 with a byte order mark, because spreadsheet programs
take a file without one for the local code page and spoil names; lines end as RFC 4180 says.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from covermap.export.content import ExportContent
from covermap.files.vectors import not_written, safe_cell, time_text
from covermap.tables.column_meanings import OutputColumn, columns_of, meanings_of

if TYPE_CHECKING:
    import geopandas as gpd

#: Layers with a point of each shape in degrees.
_WITH_POINT = ("strips", "zones")


def write_table_files(folder: Path, content: ExportContent) -> None:
    """Write the tables and ``columns.csv`` into an open folder.

    ``columns.csv`` has no header line: file, column, unit and meaning of every column.
    Text that a spreadsheet would run as a formula gets an apostrophe in front.

    Parameters
    ----------
    folder : pathlib.Path
        From :func:`covermap.files.write_whole.whole_files`.
    content : ExportContent

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
        _write(folder / name, table, header=True)
    rows = [
        (name, column.name, column.unit, column.meaning)
        for name, columns in meanings.items()
        for column in columns.values()
    ]
    _write(folder / "columns.csv", pd.DataFrame(rows), header=False)


def _points(shapes: gpd.GeoDataFrame) -> pd.DataFrame:
    """Give a point inside each shape [deg]."""
    points = shapes.geometry.representative_point().to_crs(4326)
    return pd.DataFrame(
        {"longitude": points.x.round(7), "latitude": points.y.round(7)}, index=shapes.index
    )


def _write(path: Path, table: pd.DataFrame, *, header: bool) -> None:
    cells = table.copy()
    for name in cells.columns:
        column = cells[name]
        if pd.api.types.is_datetime64_any_dtype(column):
            cells[name] = [time_text(value) for value in column]
        elif not pd.api.types.is_numeric_dtype(column):
            cells[name] = pd.Series([safe_cell(v) for v in column], cells.index, object)
        elif name not in ("longitude", "latitude"):
            cells[name] = column.round(4)
    try:
        cells.to_csv(path, index=False, header=header, lineterminator="\r\n", encoding="utf-8-sig")
    except OSError as error:
        raise not_written(path, error) from error

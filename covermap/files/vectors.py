"""Tables with and without shapes as files other programs read.

GeoPackage and GeoJSON carry the meaning of their columns inside.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from covermap.errors import Ask, OutputError
from covermap.files.geopackage_notes import add_column_meanings
from covermap.tables.column_meanings import OutputColumn, meanings_of

if TYPE_CHECKING:
    import geopandas as gpd

#: Columns of removed_fixes.csv; more may follow them.
REMOVED_COLUMNS = ("source_row", "time", "longitude", "latitude", "reason", "detail")
#: Columns of positions [deg].
DEGREES = ("longitude", "latitude")

# What spreadsheet programs take for the start of a formula (OWASP, "CSV Injection"), also in
# the full-width forms that some of them read alike.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?\Z")


def write_strips(folder: Path, strips: gpd.GeoDataFrame) -> None:
    """Write ``strips.gpkg`` in the CRS of the field and ``strips.geojson`` by RFC 7946."""
    write_layer(folder / "strips.gpkg", strips, "strips", "Polygon")
    write_geojson(
        folder / "strips.geojson", strips, "Polygon", meanings_of("strips.gpkg", strips.columns)
    )


def write_passes(folder: Path, passes: gpd.GeoDataFrame) -> None:
    """Write ``passes.gpkg`` in the CRS of the field."""
    write_layer(folder / "passes.gpkg", passes, "passes", "LineString")


def write_removed_fixes(folder: Path, removed: pd.DataFrame) -> None:
    """Write ``removed_fixes.csv``, with a header only if nothing was removed.

    Parameters
    ----------
    folder : pathlib.Path
        Has to be there.
    removed : pandas.DataFrame
        Columns :data:`REMOVED_COLUMNS`, longitude and latitude in [deg], and any others;
        columns that are missing are left empty.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    others = [name for name in removed.columns if name not in REMOVED_COLUMNS]
    table = removed.reindex(columns=[*REMOVED_COLUMNS, *others])
    for name in DEGREES:
        degrees = pd.to_numeric(table[name]).to_numpy(float)
        table[name] = ["" if np.isnan(value) else f"{value:.7f}" for value in degrees]
    write_csv(folder / "removed_fixes.csv", table, decimals=None)


def write_csv(
    path: Path,
    table: pd.DataFrame,
    *,
    decimals: int | None = 4,
    header: bool = True,
    for_spreadsheet: bool = False,
) -> None:
    """Write a table as CSV in UTF-8, times as ISO 8601.

    Text that a spreadsheet would run as a formula gets an apostrophe in front.

    Parameters
    ----------
    path : pathlib.Path
    table : pandas.DataFrame
    decimals : int, optional
        Numbers are rounded to it, but for positions in degrees; None leaves them.
    header : bool
        Write a line of column names.
    for_spreadsheet : bool
        With a byte order mark, because spreadsheet programs take a file without one for the
        local code page and spoil names; lines end as RFC 4180 says.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    cells = table.copy()
    for name in cells.columns:
        column = cells[name]
        if pd.api.types.is_datetime64_any_dtype(column):
            cells[name] = pd.Series([time_text(v) for v in column], column.index, object)
        elif not pd.api.types.is_numeric_dtype(column):
            cells[name] = pd.Series([safe_cell(v) for v in column], column.index, object)
        elif decimals is not None and name not in DEGREES:
            cells[name] = column.round(decimals)
    encoding, ending = ("utf-8-sig", "\r\n") if for_spreadsheet else ("utf-8", "\n")
    try:
        cells.to_csv(
            path,
            index=False,
            header=header,
            lineterminator=ending,
            encoding=encoding,
            errors="replace",
        )
    except OSError as error:
        raise not_written(path, error) from error


def time_text(value: Any) -> str:
    """Give a time as ISO 8601 text; empty where there is none."""
    return "" if pd.isna(value) else str(value.isoformat()).replace("+00:00", "Z")


def safe_cell(value: Any) -> Any:
    """Put an apostrophe before text that a spreadsheet would run as a formula."""
    if isinstance(value, pd.Timestamp):
        return time_text(value)
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS) and not _NUMBER.match(value):
        return "'" + value
    return value


def write_layer(
    path: Path,
    table: gpd.GeoDataFrame,
    layer: str,
    geometry: str,
    *,
    description: str = "",
    metadata: Mapping[str, str] | None = None,
    append: bool = False,
    columns: Mapping[str, OutputColumn] | None = None,
) -> None:
    """Write one layer of a GeoPackage in the CRS of the field.

    Parameters
    ----------
    path : pathlib.Path
    table : geopandas.GeoDataFrame
        May be empty.
    layer : str
        Name of the layer.
    geometry : str
        Type of its shapes, such as ``Polygon``.
    description : str
        What the layer is.
    metadata : mapping of str to str, optional
        About the whole file; only with its first layer.
    append : bool
        Add to the file.
    columns : mapping of str to OutputColumn, optional
        Stored as the meanings of the columns; by the file's name if not given.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    _write(
        path,
        _known_types(table),
        driver="GPKG",
        layer=layer,
        geometry_type=_geometry_type(table, geometry),
        layer_options={"DESCRIPTION": description} if description else {},
        append=append,
        **({"dataset_metadata": dict(metadata)} if metadata else {}),
    )
    if columns is None:
        columns = meanings_of(path.name, table.columns)
    if columns:
        try:
            add_column_meanings(path, {layer: columns})
        except sqlite3.Error as error:
            raise not_written(path, error) from error


def write_geojson(
    path: Path,
    table: gpd.GeoDataFrame,
    geometry: str,
    columns: Mapping[str, OutputColumn],
    about: Mapping[str, str] | None = None,
) -> None:
    """Write GeoJSON by RFC 7946: WGS 84, right-hand rule, bounding box, no CRS member.

    Parameters
    ----------
    path : pathlib.Path
    table : geopandas.GeoDataFrame
        In a metric CRS; may be empty.
    geometry : str
        Type of its shapes, such as ``Polygon``.
    columns : mapping of str to OutputColumn
        Written as the foreign member ``columns`` (section 6.1), so that the file says what
        its properties mean.
    about : mapping of str to str, optional
        Further foreign members.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    # Degrees to 7 decimals are about a centimetre (RFC 7946, section 11.2, has 6 for 10 cm).
    _write(
        path,
        # JSON has no word for what is infinite (RFC 8259, section 6), such as the ratio of the
        # highest part of a band to one that gets nothing
        _known_types(table).replace([np.inf, -np.inf], np.nan),
        driver="GeoJSON",
        geometry_type=_geometry_type(table, geometry),
        layer_options={
            "RFC7946": "YES",
            "COORDINATE_PRECISION": "7",
            "WRITE_NAME": "NO",
            "WRITE_BBOX": "YES",
        },
    )
    members: dict[str, Any] = dict(about or {})
    members["columns"] = {n: {"unit": c.unit, "meaning": c.meaning} for n, c in columns.items()}
    text = json.dumps(members, ensure_ascii=False)[1:-1]
    head, mark, rest = path.read_text("utf-8").partition('"features": [')
    if not mark or set(members) & {"type", "bbox", "features", "geometry", "properties"}:
        raise ValueError(f"{path.name}: no place for foreign members")
    path.write_text(f"{head}{text},\n{mark}{rest}", "utf-8")


def write_shapefile(
    path: Path, table: gpd.GeoDataFrame, geometry: str, columns: Mapping[str, OutputColumn]
) -> None:
    """Write a Shapefile with .prj and .cpg, columns under their short names.

    Times become ISO 8601 text; text longer than a dBASE field ends in an ellipsis.

    Parameters
    ----------
    path : pathlib.Path
        Ends in ``.shp``.
    table : geopandas.GeoDataFrame
        In a metric CRS; may be empty.
    geometry : str
        Type of its shapes, such as ``Polygon``.
    columns : mapping of str to OutputColumn
        All columns of the table but its shapes; others are left out.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    import geopandas as gpd

    shown = _known_types(table)
    fields = {}
    for name, column in columns.items():
        values = shown[name]
        if values.dtype.kind == "M" or isinstance(values.dtype, pd.DatetimeTZDtype):
            values = pd.Series([time_text(v) or None for v in values], shown.index, object)
        if values.dtype.kind not in "iufb":
            values = pd.Series([_dbase_text(v) for v in values], shown.index, object)
        fields[column.short_name] = values
    _write(
        path,
        gpd.GeoDataFrame(fields, geometry=shown.geometry, crs=shown.crs),
        driver="ESRI Shapefile",
        geometry_type=geometry,  # this format has one type for one part and for several
        layer_options={"ENCODING": "UTF-8", "DBF_DATE_LAST_UPDATE": "1980-01-01"},
    )


#: Bytes that a text field of a dBASE table holds.
DBASE_BYTES = 254


def _dbase_text(value: Any) -> Any:
    """Cut text to what a dBASE field holds, at a whole character."""
    if not isinstance(value, str):
        return None
    raw = value.encode("utf-8", "replace")
    if len(raw) <= DBASE_BYTES:
        return value
    return raw[: DBASE_BYTES - 3].decode("utf-8", "ignore") + "…"


def _known_types(table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give text columns a type that does not hang on what the first rows hold."""
    import geopandas as gpd

    columns = {
        name: table[name].astype("string").astype(object).where(table[name].notna(), None)
        if table[name].dtype.kind not in "iufbM"
        and not isinstance(table[name].dtype, pd.DatetimeTZDtype)
        else table[name]
        for name in table.columns
        if name != table.geometry.name
    }
    return gpd.GeoDataFrame(columns, geometry=table.geometry, crs=table.crs)


def _geometry_type(table: gpd.GeoDataFrame, geometry: str) -> str:
    several = bool(table.geometry.geom_type.str.startswith("Multi").any())
    return f"Multi{geometry}" if several else geometry


def _write(path: Path, table: gpd.GeoDataFrame, **options: Any) -> None:
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError, FeatureError

    try:
        pyogrio.write_dataframe(
            table, path, promote_to_multi=options["geometry_type"].startswith("Multi"), **options
        )
    except (DataSourceError, DataLayerError, FeatureError, OSError) as error:
        raise not_written(path, error) from error


def not_written(path: Path, error: Exception) -> OutputError:
    """Give the error for a file that could not be written."""
    return OutputError(
        f"Cannot write {path.name} to the folder {path.parent}: {error}.",
        "",
        "Look whether the disk is full, or choose another folder ({0}).",
        Ask("out"),
    )

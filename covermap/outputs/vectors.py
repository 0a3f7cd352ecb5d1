"""Strips, passes and the ledger of removed fixes as files other programs read."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from covermap.errors import OutputError

if TYPE_CHECKING:
    import geopandas as gpd

#: Columns of removed_fixes.csv; more may follow them.
REMOVED_COLUMNS = ("source_row", "time", "longitude", "latitude", "reason", "detail")

# What spreadsheet programs take for the start of a formula (OWASP, "CSV Injection").
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?\Z")


def write_strips(folder: Path, strips: gpd.GeoDataFrame) -> None:
    """Write ``strips.gpkg`` in the CRS of the field and ``strips.geojson`` by RFC 7946.

    Parameters
    ----------
    folder : pathlib.Path
        Has to be there.
    strips : geopandas.GeoDataFrame
        Polygons in a metric CRS; may be empty.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    write_layer(folder / "strips.gpkg", strips, "strips", "Polygon")
    # Degrees to 7 decimals are about a centimetre (RFC 7946, section 11.2, has 6 for 10 cm).
    _write(
        folder / "strips.geojson",
        _known_types(strips),
        driver="GeoJSON",
        geometry_type=_geometry_type(strips, "Polygon"),
        layer_options={"RFC7946": "YES", "COORDINATE_PRECISION": "7", "WRITE_NAME": "NO"},
    )


def write_passes(folder: Path, passes: gpd.GeoDataFrame) -> None:
    """Write ``passes.gpkg`` in the CRS of the field.

    Parameters
    ----------
    folder : pathlib.Path
        Has to be there.
    passes : geopandas.GeoDataFrame
        Lines in a metric CRS; may be empty.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    write_layer(folder / "passes.gpkg", passes, "passes", "LineString")


def write_causes(folder: Path, causes: pd.DataFrame) -> None:
    """Write ``causes.csv``: causes of strips added up over the field.

    Parameters
    ----------
    folder : pathlib.Path
        Has to be there.
    causes : pandas.DataFrame
        From :func:`covermap.cover.cause_table.field_causes`.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    path = folder / "causes.csv"
    try:
        causes.round(4).to_csv(path, index=False, lineterminator="\n", encoding="utf-8")
    except OSError as error:
        raise _not_written(path, error) from error


def write_removed_fixes(folder: Path, removed: pd.DataFrame) -> None:
    """Write ``removed_fixes.csv``, with a header only if nothing was removed.

    Text that a spreadsheet would run as a formula gets an apostrophe in front.

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
    for name in table.columns:
        column = table[name]
        if name in ("longitude", "latitude"):
            degrees = pd.to_numeric(column).to_numpy(float)
            table[name] = ["" if np.isnan(value) else f"{value:.7f}" for value in degrees]
        elif isinstance(column.dtype, pd.DatetimeTZDtype) or column.dtype.kind == "M":
            table[name] = [_time_text(value) for value in column]
        elif column.dtype.kind not in "iufb":
            table[name] = [_safe_cell(value) for value in column]
    path = folder / "removed_fixes.csv"
    try:
        table.to_csv(path, index=False, lineterminator="\n", encoding="utf-8", errors="replace")
    except OSError as error:
        raise _not_written(path, error) from error


def _time_text(value: Any) -> str:
    return "" if pd.isna(value) else str(value.isoformat()).replace("+00:00", "Z")


def _safe_cell(value: Any) -> Any:
    if isinstance(value, pd.Timestamp):
        return _time_text(value)
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS) and not _NUMBER.match(value):
        return "'" + value
    return value


def write_layer(path: Path, table: gpd.GeoDataFrame, layer: str, geometry: str) -> None:
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
    )


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
        raise _not_written(path, error) from error


def _not_written(path: Path, error: Exception) -> OutputError:
    return OutputError(
        f"Cannot write {path.name} to the folder {path.parent}: {error}. Look whether the disk "
        "is full, or choose another folder with --out."
    )

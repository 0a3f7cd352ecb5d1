"""What a GeoPackage says about itself: meaning of each column, stored styles, fixed times.

Written with SQLite, since GDAL's vector writer has no call for them: the schema extension
(OGC 12-128r19 GeoPackage 1.4, annex F.9) for columns, and the table ``layer_styles``, a
convention that desktop GIS read and the standard leaves to applications.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from covermap.tables.column_meanings import OutputColumn

_SCHEMA = "http://www.geopackage.org/spec130/#extension_schema"
# As in the standard, F.9, tables gpkg_data_columns and gpkg_data_column_constraints.
_SCHEMA_TABLES = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT,
  description TEXT, mime_type TEXT, constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT,
  min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN,
  description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE IF NOT EXISTS gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL,
  scope TEXT NOT NULL, CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
"""
_STYLE_TABLE = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),
  f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256),
  styleName TEXT(30), styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT,
  owner TEXT(30), ui TEXT(30), update_time DATETIME)
"""


@dataclass(frozen=True)
class StoredStyle:
    """How a layer is drawn, in two languages.

    Attributes
    ----------
    qml : str
        Style text of desktop GIS.
    sld : str
        Styled Layer Descriptor 1.0.0 (OGC 02-070).
    description : str
    """

    qml: str
    sld: str
    description: str


def add_column_meanings(path: Path, layers: Mapping[str, Mapping[str, OutputColumn]]) -> None:
    """Add the schema extension: for each layer and column its unit and meaning.

    Of a GeoPackage without the extension; all layers and columns have to be there.
    """
    with closing(sqlite3.connect(path)) as package, package:
        package.executescript(_SCHEMA_TABLES)
        for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
            package.execute(
                "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
                (table, _SCHEMA),
            )
        package.executemany(
            "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)",
            [
                (layer, name, None, _title(name, column), column.text)
                for layer, columns in layers.items()
                for name, column in columns.items()
            ],
        )


def _title(name: str, column: OutputColumn) -> str:
    return f"{name} [{column.unit}]" if column.unit else name


def add_styles(path: Path, styles: Mapping[str, StoredStyle], geometry: str, when: str) -> None:
    """Store a default style for each layer of a GeoPackage without stored styles.

    ``geometry`` names the geometry column; ``when`` is ISO 8601 with milliseconds, UTC.
    """
    with closing(sqlite3.connect(path)) as package, package:
        package.execute(_STYLE_TABLE)
        package.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description,"
            " last_change) VALUES ('layer_styles', 'attributes', 'layer_styles',"
            " 'How each layer is drawn', ?)",
            (when,),
        )
        package.executemany(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name,"
            " f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description,"
            " owner, update_time) VALUES ('', '', ?, ?, ?, ?, ?, 1, ?, '', ?)",
            [
                (layer, geometry, layer, style.qml, style.sld, style.description, when)
                for layer, style in styles.items()
            ],
        )


def fix_times(path: Path, when: str) -> None:
    """Set every time stamp of a GeoPackage, so that equal content gives equal bytes."""
    with closing(sqlite3.connect(path)) as package, package:
        package.execute("UPDATE gpkg_contents SET last_change = ?", (when,))
        if package.execute(
            "SELECT 1 FROM sqlite_master WHERE name = 'gpkg_metadata_reference'"
        ).fetchone():
            package.execute("UPDATE gpkg_metadata_reference SET timestamp = ?", (when,))


def gpkg_time(when: datetime) -> str:
    """Give a time in the form that the standard asks for (requirement 15)."""
    return f"{when:%Y-%m-%dT%H:%M:%S}.{when.microsecond // 1000:03d}Z"

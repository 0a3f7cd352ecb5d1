"""A layer as GeoParquet, with the meaning of each column in the file's schema."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from covermap.files.vectors import not_written
from covermap.tables.column_meanings import OutputColumn

if TYPE_CHECKING:
    import geopandas as gpd


def write_geoparquet(
    path: Path, table: gpd.GeoDataFrame, columns: Mapping[str, OutputColumn]
) -> None:
    """Write a layer as GeoParquet 1.0.0 (OGC), unit and meaning as metadata of its columns.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    from pyarrow import parquet

    plain = io.BytesIO()
    table.to_parquet(plain, index=False, schema_version="1.0.0")
    plain.seek(0)
    arrow = parquet.read_table(plain)
    schema = arrow.schema
    for number, field in enumerate(schema):
        column = columns.get(field.name)
        if column is not None:
            told = {"unit": column.unit, "description": column.meaning}
            schema = schema.set(number, field.with_metadata(told))
    try:
        parquet.write_table(arrow.cast(schema), path)
    except OSError as error:
        raise not_written(path, error) from error

"""Tables of a whole season, written field by field: strips, passes, fields.

All strips of all fields go into one GeoPackage in WGS 84, since fields lie in several UTM
zones; their lengths and areas stay those of their own field's metric CRS.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

import pandas as pd

from covermap.files.geopackage_notes import add_column_meanings, fix_times, gpkg_time
from covermap.files.vectors import not_written, write_layer
from covermap.tables.column_meanings import OutputColumn, columns_of

if TYPE_CHECKING:
    import geopandas as gpd
    import pyarrow as pa

#: Columns of fields.parquet in order, with the kind of each.
FIELD_COLUMNS: dict[str, str] = {
    **dict.fromkeys(("field_id", "name", "status", "reason", "warnings"), "text"),
    **dict.fromkeys(("source", "part", "machine", "crop"), "text"),
    **dict.fromkeys(("start_time", "end_time"), "time"),
    **dict.fromkeys(("harvested_ha", "length_km"), "number"),
    "passes": "count",
    **dict.fromkeys(("cut_width_m", "working_width_m", "spacing_m", "mean_speed_m_s"), "number"),
    "discharge": "text",
    "windrow_share": "number",
    **dict.fromkeys(("reach_left_m", "reach_right_m", "spread_width_m", "lean_m"), "number"),
    "profile": "text",
    **dict.fromkeys(("cv_pct", "urdr", "christiansen_cu_pct", "low_quarter_du_pct"), "number"),
    **dict.fromkeys(("mean_ratio", "gap_ha", "gap_share"), "number"),
    "gap_strips": "count",
    **dict.fromkeys(("missing_t", "double_ha", "double_share"), "number"),
    "double_strips": "count",
    **dict.fromkeys(("too_much_t", "gap_below", "double_above"), "number"),
    **dict.fromkeys(("main_cause", "main_cause_rule"), "text"),
    **dict.fromkeys(("mean_residue_t_ha", "mean_cover_pct"), "number"),
    **dict.fromkeys(("wind_speed_m_s", "wind_from_deg", "crosswind_max_m_s"), "number"),
    **dict.fromkeys(("wind_height_m", "west_deg", "south_deg", "east_deg"), "number"),
    **dict.fromkeys(("north_deg", "seconds"), "number"),
    "covermap": "text",
}
#: Said where pyarrow is missing.
NO_PARQUET = (
    "fields.parquet and passes.parquet were not written: they need pyarrow. Install it with "
    'pip install "covermap[parquet]".'
)

_INTEGERS = ("pass_id", "fixes", "strip_id", "rank")
_DTYPES: dict[str, Any] = {
    "text": "object",
    "number": "float64",
    "count": "Int64",
    "time": "datetime64[ms, UTC]",
}
#: Fields are written together until their rows are this many: a file opened for each of them
#: would take most of the time.
_ROWS_AT_ONCE = 5_000
_STRIPS_ABOUT = (
    "Strips of all fields of the season in WGS 84. Lengths, widths and areas were measured in "
    "the metric CRS of each field."
)


def can_write_parquet() -> bool:
    """Tell whether pyarrow is there."""
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        return False
    return True


def field_table(records: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    """Give the table of fields, every column of :data:`FIELD_COLUMNS` with its own type."""
    rows = list(records)
    columns = {}
    for name, kind in FIELD_COLUMNS.items():
        values = pd.Series([row.get(name) for row in rows], dtype=object)
        columns[name] = values.where(values.notna(), None).astype(_DTYPES[kind])
    return pd.DataFrame(columns)


class SeasonTables:
    """Tables of a season that grow field by field in an open folder.

    Parameters
    ----------
    folder : pathlib.Path
        From :func:`covermap.files.write_whole.whole_files`.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._strips: list[gpd.GeoDataFrame] = []
        self._passes: list[pd.DataFrame] = []
        self._begun = False
        self._parquet: Any = None
        self._last: pd.Timestamp | None = None

    def __enter__(self) -> SeasonTables:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Write what is left and close the files."""
        try:
            if error is None:
                self._write_strips(last=True)
                self._write_passes(last=True)
        finally:
            if self._parquet is not None:
                self._parquet.close()

    def add(self, field_id: str, name: str, passes: pd.DataFrame, strips: gpd.GeoDataFrame) -> None:
        """Take in the passes and strips of one field, strips in any CRS."""
        self._strips.append(_with_field(strips.to_crs("EPSG:4326"), field_id, name))
        self._passes.append(_with_field(passes, field_id, name))
        ended = passes["end_time"].max() if "end_time" in passes else pd.NaT
        if not pd.isna(ended):
            self._last = ended if self._last is None else max(self._last, ended)
        self._write_strips(last=False)
        self._write_passes(last=False)

    def _write_strips(self, *, last: bool) -> None:
        import geopandas as gpd
        import shapely

        if not last and sum(map(len, self._strips)) < _ROWS_AT_ONCE:
            return
        path, columns = self._folder / "strips.gpkg", columns_with_field("strips.gpkg")
        shapes = [shape for table in self._strips for shape in table.geometry]
        # one type of shape and one type for each column, whatever the first fields hold
        several = [s if s.geom_type.startswith("Multi") else shapely.multipolygons([s])
                   for s in shapes]  # fmt: skip
        data = pd.DataFrame(
            {name: _joined(self._strips, name, kind) for name, kind in _kinds(columns).items()}
        )
        table = gpd.GeoDataFrame(data, geometry=several, crs="EPSG:4326")
        if len(table) or not self._begun:
            write_layer(
                path,
                table,
                "strips",
                "Polygon",
                description=_STRIPS_ABOUT,
                append=self._begun,
                columns={},
            )
            self._begun = True
        self._strips = []
        if last:
            when = self._last if self._last is not None else pd.Timestamp(0, tz="UTC")
            try:
                add_column_meanings(path, {"strips": columns})
                fix_times(path, gpkg_time(when.to_pydatetime()))
            except sqlite3.Error as error:
                raise not_written(path, error) from error

    def _write_passes(self, *, last: bool) -> None:
        if not last and sum(map(len, self._passes)) < _ROWS_AT_ONCE:
            return
        if not can_write_parquet():
            self._passes = []
            return
        import pyarrow as pa
        from pyarrow import parquet

        columns = columns_with_field("passes.gpkg")
        kinds = _kinds(columns)
        path, schema = self._folder / "passes.parquet", _schema(kinds, columns)
        data = {name: _joined(self._passes, name, kind) for name, kind in kinds.items()}
        try:
            if self._parquet is None:
                self._parquet = parquet.ParquetWriter(path, schema)
            table = pa.Table.from_pandas(pd.DataFrame(data), schema, preserve_index=False)
            self._parquet.write_table(table.replace_schema_metadata(None))
        except OSError as error:
            raise not_written(path, error) from error
        self._passes = []


def columns_with_field(file: str) -> dict[str, OutputColumn]:
    """Give the columns of a table of all fields: the field, then those of a field's own file."""
    return {**columns_of("passes.parquet"), **columns_of(file)}


def write_fields(folder: Path, fields: pd.DataFrame) -> None:
    """Write ``fields.parquet`` from :func:`field_table`; nothing where pyarrow is missing.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    if not can_write_parquet():
        return
    import pyarrow as pa
    from pyarrow import parquet

    path = folder / "fields.parquet"
    schema = _schema(FIELD_COLUMNS, columns_of("fields.parquet"))
    table = pa.Table.from_pandas(fields, schema, preserve_index=False)
    try:
        parquet.write_table(table.replace_schema_metadata(None), path)
    except OSError as error:
        raise not_written(path, error) from error


def _with_field(table: Any, field_id: str, name: str) -> Any:
    return table.assign(field_id=field_id, field=name)


def _kinds(columns: Mapping[str, OutputColumn]) -> dict[str, str]:
    """Tell the kind of each column by its unit."""
    return {
        name: "count"
        if name in _INTEGERS
        else {"": "text", "UTC": "time"}.get(column.unit, "number")
        for name, column in columns.items()
    }


def _joined(tables: list[Any], name: str, kind: str) -> Any:
    """Put a column of several tables together; one that a table lacks is unknown there."""
    cells: list[Any] = []
    for table in tables:
        cells += table[name].tolist() if name in table else [None] * len(table)
    values = pd.Series(cells, dtype=object)
    dtype: Any = "int64" if kind == "count" else _DTYPES[kind]
    return values.where(values.notna(), None).astype(dtype)


def _schema(kinds: Mapping[str, str], columns: Mapping[str, OutputColumn]) -> pa.Schema:
    """Give the types of a Parquet file, with unit and meaning of each column."""
    import pyarrow as pa

    types = {
        "text": pa.string(),
        "number": pa.float64(),
        "count": pa.int64(),
        "time": pa.timestamp("ms", tz="UTC"),
    }
    return pa.schema(
        [
            pa.field(
                name,
                types[kind],
                metadata={"unit": columns[name].unit, "description": columns[name].meaning}
                if name in columns
                else None,
            )
            for name, kind in kinds.items()
        ]
    )

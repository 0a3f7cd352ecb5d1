"""Files for an adviser with any GIS: styled, described, and each whole by itself."""

from __future__ import annotations

import importlib.util
import shutil
import sqlite3
import tempfile
from collections.abc import Mapping
from pathlib import Path

from covermap.drawing.map_texts import display_range
from covermap.errors import OutputError
from covermap.export.content import LAYERS, ExportContent, write_geojson_layers
from covermap.export.desktop_styles import raster_qml, vector_qml
from covermap.export.layer_styles import raster_sld, vector_sld
from covermap.export.zip_files import write_zip
from covermap.files.geopackage_notes import (
    StoredStyle,
    add_column_meanings,
    add_styles,
    fix_times,
    gpkg_time,
)
from covermap.files.geotiff import write_geotiff
from covermap.files.open_result import BANDS, MAP_AGAIN
from covermap.files.vectors import (
    DBASE_BYTES,
    not_written,
    write_layer,
    write_shapefile,
)
from covermap.tables.column_meanings import OutputColumn, band_column

#: Name of the geometry column that GDAL gives a GeoPackage.
_GEOMETRY = "geom"
#: Band of plan.tif that its style shows.
_PLAN_BAND = "cover_after_pct"


def write_gis_files(folder: Path, content: ExportContent) -> list[str]:
    """Write everything for a GIS into an open folder; give notes on what was left out and why.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    write_field_package(folder / "field.gpkg", content)
    write_rasters(folder, content)
    write_geojson_layers(folder, content)
    for layer in content.layers:
        write_shapefile_zip(folder / f"{layer}_shapefile.zip", layer, content)
    return [*_parquet(folder, content), *_stac(folder, content)]


def write_field_package(path: Path, content: ExportContent) -> None:
    """Write one GeoPackage of all layers, with styles, descriptions and column meanings."""
    when = gpkg_time(content.when)
    styles: dict[str, StoredStyle] = {}
    for layer, table in content.layers.items():
        title, shape, _ = LAYERS[layer]
        write_layer(
            path,
            table,
            layer,
            shape,
            description=title,
            metadata=None if styles else content.about(),
            append=bool(styles),
            columns={},  # all layers get theirs at once, below,
        )
        styles[layer] = StoredStyle(
            vector_qml(layer, content.limits), vector_sld(layer, content.limits), title
        )
    try:
        add_column_meanings(path, {layer: content.columns(layer) for layer in content.layers})
        add_styles(path, styles, _GEOMETRY, when)
        fix_times(path, when)
    except sqlite3.Error as error:
        raise not_written(path, error) from error


def write_rasters(folder: Path, content: ExportContent) -> None:
    """Write each band as a GeoTIFF of its own with its style beside, and the plan's raster.

    A GIS shows a file of one band right at once; of several it makes a false-colour picture.
    """
    for name in BANDS:
        values = content.bands[name]
        write_geotiff(folder / f"{name}.tif", content.grid, {name: values}, content.about())
        ends = display_range(name, values, content.limits, False)
        _write_raster_styles(folder / name, name, ends)
    plan = content.result.folder / "plan.tif"
    if "zones" in content.layers and plan.is_file():
        try:
            shutil.copyfile(plan, folder / "plan.tif")
        except OSError as error:
            raise not_written(folder / "plan.tif", error) from error
        _write_raster_styles(folder / "plan", "cover_pct", (0.0, 100.0), _band_number(plan))


def _band_number(plan: Path) -> int:
    import rasterio
    from rasterio.errors import RasterioError

    try:
        with rasterio.open(plan) as raster:
            if _PLAN_BAND in raster.descriptions:
                return int(raster.descriptions.index(_PLAN_BAND)) + 1
    except RasterioError as error:
        raise OutputError(f"{plan}: damaged or no GeoTIFF ({error}).", way_out=MAP_AGAIN) from error
    raise OutputError(f"{plan}: no band {_PLAN_BAND}.", way_out=MAP_AGAIN)


def _write_raster_styles(stem: Path, name: str, ends: tuple[float, float], band: int = 1) -> None:
    unit = band_column(name).unit
    for ending, style in ((".sld", raster_sld), (".qml", raster_qml)):
        stem.with_suffix(ending).write_text(style(name, *ends, unit, band), "utf-8")


def write_shapefile_zip(path: Path, layer: str, content: ExportContent) -> None:
    """Write one layer as a zipped Shapefile with styles and the list of its columns."""
    columns = content.columns(layer)
    with tempfile.TemporaryDirectory(dir=path.parent, prefix=".shp-") as temporary:
        stem = Path(temporary) / layer
        write_shapefile(stem.with_suffix(".shp"), content.layers[layer], LAYERS[layer][1], columns)
        parts = {
            part.name: part.read_bytes() for part in sorted(Path(temporary).glob(f"{layer}.*"))
        }
    parts[f"{layer}.sld"] = vector_sld(layer, content.limits).encode("utf-8")
    parts[f"{layer}.qml"] = vector_qml(layer, content.limits).encode("utf-8")
    parts["columns.txt"] = columns_text(
        columns, content.about() | {"crs": content.grid.crs.to_string()}
    ).encode("utf-8")
    write_zip(path, parts)


def columns_text(columns: Mapping[str, OutputColumn], about: Mapping[str, str]) -> str:
    """Give short names, names, units and meanings as text."""
    lines = [f"{key}: {value}" for key, value in about.items()]
    lines += [
        "",
        f"Text longer than {DBASE_BYTES} bytes is cut and ends in an ellipsis; the GeoPackage "
        "has it whole. Times are ISO 8601 text.",
        "",
        "short name | name | unit | meaning",
    ]
    lines += [
        f"{column.short_name} | {name} | {column.unit or '-'} | {column.meaning}"
        for name, column in columns.items()
    ]
    return "\n".join(lines) + "\n"


def is_installed(name: str) -> bool:
    """Tell whether an optional library can be imported."""
    return importlib.util.find_spec(name) is not None


def _parquet(folder: Path, content: ExportContent) -> list[str]:
    from covermap.export.geoparquet import write_geoparquet

    if not is_installed("pyarrow"):
        return ['No GeoParquet: it needs pip install "covermap[parquet]".']
    for layer, table in content.layers.items():
        write_geoparquet(folder / f"{layer}.parquet", table, content.columns(layer))
    return []


def _stac(folder: Path, content: ExportContent) -> list[str]:
    from covermap.export.stac_item import write_stac_item

    if not is_installed("pystac"):
        return ['No STAC item: it needs pip install "covermap[stac]".']
    if content.start is None or content.end is None:
        return ["No STAC item: the track has no times, and an item must have one."]
    write_stac_item(folder / "stac_item.json", content)
    return []

"""A STAC item beside the files for a GIS: where, when, and what each file holds."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from covermap.export.content import LAYERS, ExportContent, right_handed
from covermap.files.open_result import BANDS
from covermap.files.vectors import not_written
from covermap.tables.column_meanings import band_column
from covermap.tables.plain_values import write_json

_SHAPEFILE = "application/zip"
#: Digits of degrees, about a centimetre.
_DIGITS = 7


def write_stac_item(path: Path, content: ExportContent) -> None:
    """Write an item of STAC 1.1.0 with projection and raster fields, of content with times.

    The files for a GIS that are in the same folder become assets, with addresses relative to
    the item.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    import pystac
    from pystac.extensions.projection import ProjectionExtension

    degrees = content.layers["outline"].geometry.to_crs(4326)
    grid = content.grid
    shape = right_handed(degrees.union_all())
    item = pystac.Item(
        id="-".join(re.findall(r"\w+", content.name)).lower() or "field",
        geometry=None if shape.is_empty else _rounded(shape.__geo_interface__),
        bbox=None if shape.is_empty else [round(float(v), _DIGITS) for v in shape.bounds],
        datetime=None,
        start_datetime=content.start,
        end_datetime=content.end,
        properties={
            "title": content.name,
            "description": "Residue behind the combine, mapped by covermap",
            "crop": content.about()["crop"],
        },
    )
    code = grid.crs.to_authority()
    projection = ProjectionExtension.ext(item, add_if_missing=True)
    projection.apply(
        code=None if code is None else ":".join(code),
        wkt2=grid.crs.to_wkt() if code is None else None,
        bbox=list(grid.bounds),
        shape=list(grid.shape),
        transform=list(grid.transform)[:6],
    )
    _add_vectors(item, path.parent, content)
    _add_rasters(item, path.parent, content)
    try:
        write_json(path, item.to_dict(include_self_link=False, transform_hrefs=False))
    except OSError as error:
        raise not_written(path, error) from error


def _add_vectors(item: Any, folder: Path, content: ExportContent) -> None:
    import pystac

    kinds: list[tuple[str, str]] = [
        (".geojson", pystac.MediaType.GEOJSON),
        (".parquet", pystac.MediaType.VND_APACHE_PARQUET),
        ("_shapefile.zip", _SHAPEFILE),
    ]
    _add(item, folder, "field.gpkg", pystac.MediaType.GEOPACKAGE, "All layers, styled")
    for layer in content.layers:
        for ending, kind in kinds:
            _add(item, folder, layer + ending, kind, LAYERS[layer][0])


def _add_rasters(item: Any, folder: Path, content: ExportContent) -> None:
    import pystac
    import rasterio
    from pystac.extensions.raster import (
        DataType,
        NoDataStrings,
        RasterBand,
        RasterExtension,
        Statistics,
    )

    for name in BANDS:
        column = band_column(name)
        _add(item, folder, f"{name}.tif", pystac.MediaType.COG, column.meaning)
        with rasterio.open(folder / f"{name}.tif") as raster:
            told = raster.tags(1)
        numbers = {
            key: float(told[f"STATISTICS_{tag}"])
            for key, tag in (
                ("minimum", "MINIMUM"),
                ("maximum", "MAXIMUM"),
                ("mean", "MEAN"),
                ("stddev", "STDDEV"),
                ("valid_percent", "VALID_PERCENT"),
            )
            if f"STATISTICS_{tag}" in told
        }
        band = RasterBand.create(
            nodata=NoDataStrings.NAN,
            data_type=DataType.FLOAT32,
            spatial_resolution=content.grid.cell_m,
            statistics=Statistics.create(**numbers) if numbers else None,
            unit=column.unit,
        )
        raster_fields = RasterExtension.ext(item.assets[f"{name}.tif"], add_if_missing=True)
        raster_fields.apply(bands=[band])
    plan = "Ground cover after all operations, and what the plan rests on"
    _add(item, folder, "plan.tif", pystac.MediaType.COG, plan)


def _add(item: Any, folder: Path, name: str, kind: str, title: str) -> None:
    import pystac

    if (folder / name).is_file():
        asset = pystac.Asset(f"./{name}", title=title, media_type=kind, roles=["data"])
        item.add_asset(name, asset)


def _rounded(shape: Any) -> Any:
    """Give a geometry with coordinates that say no more than they know."""
    if isinstance(shape, dict):
        return {"type": shape["type"], "coordinates": _rounded(shape["coordinates"])}
    if isinstance(shape, list | tuple):
        return [_rounded(part) for part in shape]
    return round(float(shape), _DIGITS)

"""Outlines of fields as people keep them: any polygon file."""

from __future__ import annotations

from pathlib import Path

import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from covermap.errors import BoundaryError


def read_boundary(path: Path, crs: CRS) -> BaseGeometry:
    """Read the field's outline from any polygon file and bring it into ``crs``.

    Parameters
    ----------
    path : pathlib.Path
        GeoJSON, GeoPackage, Shapefile or whatever else GDAL opens.
    crs : pyproj.CRS
        Metric CRS of the track.

    Returns
    -------
    shapely geometry
        Polygon or MultiPolygon: all polygons of the file joined.

    Raises
    ------
    BoundaryError
        If the file cannot be read, holds no polygon, or a ring crosses itself.
    """
    import geopandas as gpd

    if not path.exists():
        raise BoundaryError(f"{path.name}: no such boundary file. Check --boundary.")
    try:
        layer = gpd.read_file(path)
    except Exception as error:  # GDAL's drivers raise what they like
        raise BoundaryError(
            f"{path.name}: cannot be read as a polygon file. Expected GeoJSON, GeoPackage or "
            "Shapefile with a polygon."
        ) from error
    if not isinstance(layer, gpd.GeoDataFrame):
        raise BoundaryError(
            f"{path.name}: holds no polygon; it is a table without shapes. Expected GeoJSON, "
            "GeoPackage or Shapefile with a polygon."
        )
    polygons = layer[layer.geom_type.isin(["Polygon", "MultiPolygon"])]
    if polygons.empty:
        raise BoundaryError(
            f"{path.name}: holds no polygon ({len(layer)} other features). Expected the field's "
            "outline as a polygon."
        )
    for number, geometry in enumerate(polygons.geometry, 1):
        if not geometry.is_valid:
            raise BoundaryError(
                f"{path.name}: polygon {number} is not a proper outline "
                f"({shapely.is_valid_reason(geometry)}). Redraw it so that it does not cross "
                "itself."
            )
    if polygons.crs is None:
        polygons = polygons.set_crs("EPSG:4326")
    return polygons.to_crs(crs).union_all()

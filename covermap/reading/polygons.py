"""Outlines of fields as people keep them: any polygon file."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from covermap.errors import BoundaryError
from covermap.reading.file_bytes import FileKind, told_if_unreadable

if TYPE_CHECKING:
    import geopandas as gpd

_OUTLINES = FileKind(
    BoundaryError, "boundary file", "GeoJSON, GeoPackage or Shapefile with a polygon"
)
_EXPECTED = f"Expected {_OUTLINES.form} for each field."
_NAME_COLUMNS = ("name", "field", "field_name", "fieldname")
#: Beyond these, longitude and latitude are no degrees.
_MOST_DEGREES = (360, 90, 360, 90)


def read_boundary(path: Path, crs: CRS) -> BaseGeometry:
    """Read a field's outline: all polygons of a file joined, in ``crs``.

    Parameters
    ----------
    path : pathlib.Path
        GeoJSON, GeoPackage, Shapefile or whatever else GDAL opens.
    crs : pyproj.CRS
        Metric CRS of the track.

    Returns
    -------
    shapely geometry
        Polygon or MultiPolygon.

    Raises
    ------
    BoundaryError
        If the file cannot be read, holds no polygon or no usable positions, or a ring crosses
        itself.
    """
    return _in_crs(_read_polygons(path), crs, path.name).union_all()


def read_outlines(path: Path, crs: CRS | None, name_column: str | None) -> dict[str, BaseGeometry]:
    """Read named outlines of fields and bring them into a CRS.

    Parameters
    ----------
    path : pathlib.Path
        GeoJSON, GeoPackage, Shapefile or whatever else GDAL opens.
    crs : pyproj.CRS or None
        Of the track; None leaves them as they are in the file.
    name_column : str or None
        Column of the names, if it has none of the usual headers.

    Returns
    -------
    dict of str to shapely geometry
        In the order of the file.

    Raises
    ------
    BoundaryError
        As :func:`read_boundary`, or if a polygon has no name.
    """
    layer = _read_polygons(path)
    wanted = [name_column.lower()] if name_column else list(_NAME_COLUMNS)
    column = next((c for w in wanted for c in layer.columns if str(c).lower() == w), None)
    if column is None:
        have = ", ".join(str(c) for c in layer.columns if c != "geometry") or "none"
        raise BoundaryError(
            f"{path.name}: no column of names ({', '.join(wanted)}).",
            f"It has: {have}.",
            'Say which with name_column = "…".',
        )
    layer = layer if crs is None else _in_crs(layer, crs, path.name)
    outlines: dict[str, BaseGeometry] = {}
    for number, (name, shape) in enumerate(zip(layer[column], layer.geometry, strict=True), 1):
        if not isinstance(name, str) or not name.strip():
            raise BoundaryError(
                f"{path.name}: polygon {number} has no name in {column!r}.",
                "Expected a name for each.",
                'Name it, or say with name_column = "…" which other column holds the names.',
            )
        before = outlines.get(name.strip())
        outlines[name.strip()] = shape if before is None else shapely.union_all([before, shape])
    return outlines


def _read_polygons(path: Path) -> gpd.GeoDataFrame:
    """Read the polygons of a file, each a proper outline at usable positions, with a CRS."""
    import geopandas as gpd

    name = path.name
    with told_if_unreadable(path, _OUTLINES), path.open("rb"):
        pass
    try:
        # What the driver warns of is judged below, by the shapes that it gives.
        with warnings.catch_warnings(record=True):
            warnings.simplefilter("always")
            layer = gpd.read_file(path)
    except Exception as error:  # GDAL's drivers raise what they like
        raise BoundaryError(f"{name}: cannot be read as a polygon file.", _EXPECTED) from error
    if not isinstance(layer, gpd.GeoDataFrame):
        raise BoundaryError(f"{name}: holds no polygon; it is a table without shapes.", _EXPECTED)
    others = len(layer)
    layer = layer[layer.geom_type.isin(["Polygon", "MultiPolygon"]) & ~layer.is_empty]
    if layer.empty:
        raise BoundaryError(
            f"{name}: holds no polygon ({others} other features).",
            "Expected the outline of each field.",
            "Draw it as a closed polygon.",
        )
    for number, shape in enumerate(layer.geometry, 1):
        if not np.isfinite(shapely.get_coordinates(shape)).all():
            raise BoundaryError(
                f"{name}: polygon {number} has a corner without a position.",
                way_out="Draw it again or export it again.",
            )
        if not shape.is_valid:
            raise BoundaryError(
                f"{name}: polygon {number} is not a proper outline "
                f"({shapely.is_valid_reason(shape)}).",
                way_out="Redraw it so that it does not cross itself.",
            )
    if layer.crs is None:
        layer = layer.set_crs("EPSG:4326")
    if layer.crs.is_geographic and (abs(layer.total_bounds) > _MOST_DEGREES).any():
        raise BoundaryError(
            f"{name}: its positions are no degrees, and it names no other coordinate reference "
            "system.",
            "Expected longitude before latitude, or a file that says its system (a GeoPackage, or "
            "a Shapefile with its .prj).",
            "Export it again with one.",
        )
    return layer


def _in_crs(layer: gpd.GeoDataFrame, crs: CRS, name: str) -> gpd.GeoDataFrame:
    moved = layer.to_crs(crs)
    if not np.isfinite(moved.total_bounds).all():
        raise BoundaryError(
            f"{name}: its positions lie where the track's coordinate reference system "
            f"({crs.name}) does not reach.",
            "Expected the outline of the field that the track drove.",
            "Check that it names the right system, and longitude before latitude.",
        )
    return moved

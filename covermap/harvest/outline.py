"""The outline of the field: read from a polygon file, or drawn around the passes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from covermap.errors import BoundaryError

#: Ground between passes up to this many header widths apart belongs to the field.
_BRIDGED_WIDTHS = 1.0
#: A quarter circle in so many pieces strays by 5 mm at a reach of 15 m.
_ARC_SEGMENTS = 32
#: So many passes are joined, and so many sweeps held against a boundary, at once.
_BLOCK_PASSES = 32
_BLOCK_SWEEPS = 1 << 14


def field_outline(lines: np.ndarray, spacing_m: np.ndarray, width_m: np.ndarray) -> BaseGeometry:
    """Draw the outline around the header's sweeps, closing the chinks between passes.

    Parameters
    ----------
    lines : numpy.ndarray of shapely.LineString
        (passes,) middle line of each pass [m].
    spacing_m, width_m : numpy.ndarray
        (passes,) pass spacing (NaN where unknown) and header width [m].

    Returns
    -------
    shapely geometry
        Polygon or MultiPolygon.
    """
    known = spacing_m[np.isfinite(spacing_m)]
    usual = float(np.median(known)) if len(known) else float(np.median(width_m))
    reach = _BRIDGED_WIDTHS * max(float(np.median(width_m)), usual) / 2 + 0.5
    parts = []
    for first in range(0, len(lines), _BLOCK_PASSES):
        block = slice(first, first + _BLOCK_PASSES)
        # a line simplified by a few centimetres has half of the points or fewer
        swaths = shapely.buffer(
            shapely.simplify(lines[block], 0.05, preserve_topology=False),
            width_m[block] / 2,
            cap_style="flat",
            join_style="mitre",
        )
        # each swath grown by itself: edges of neighbours no longer cross to and fro all along
        parts.append(shapely.union_all(shapely.buffer(swaths, reach, quad_segs=_ARC_SEGMENTS)))
    grown = shapely.union_all(parts)
    closed = shapely.buffer(grown, -reach, quad_segs=_ARC_SEGMENTS)
    return shapely.simplify(shapely.make_valid(closed), 0.05)


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


def check_boundary(boundary: BaseGeometry, sweep_corners: np.ndarray, name: str) -> None:
    """Refuse a boundary that the harvested ground does not touch.

    Parameters
    ----------
    boundary : shapely geometry
        Outline of the field.
    sweep_corners : numpy.ndarray
        (n, 4, 2) corners of the header's sweeps [m].
    name : str
        Name of the boundary file.

    Raises
    ------
    BoundaryError
        If boundary and harvested ground lie apart.
    """
    apart = np.inf
    for first in range(0, len(sweep_corners), _BLOCK_SWEEPS):
        swept = shapely.polygons(sweep_corners[first : first + _BLOCK_SWEEPS])
        if shapely.intersects(boundary, swept).any():
            return
        apart = min(apart, float(shapely.distance(boundary, swept).min()))
    raise BoundaryError(
        f"{name}: the boundary does not touch the track; they lie {apart / 1000:,.1f} km "
        "apart. Is it the outline of another field, or are its coordinates swapped?"
    )

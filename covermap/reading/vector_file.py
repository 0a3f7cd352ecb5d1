"""Tables kept as geometry: GeoJSON, GeoPackage, Shapefile and what else the driver opens.

GeoJSON is read with the standard library, since a list per vertex keeps its type that way
(RFC 7946 allows any JSON value as a property).
"""

from __future__ import annotations

import json
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from covermap.errors import Ask, CovermapError
from covermap.reading.columns import recognise
from covermap.reading.file_bytes import SNIFFED_BYTES, FileKind, read_rest, told_if_unreadable
from covermap.reading.table_kind import Overrides, RawTable, TableKind
from covermap.tables.said import Said

_POINT, _LINE, _RING = 0, 1, 2


def read_vector_table(path: Path, kind: TableKind, overrides: Overrides) -> RawTable:
    """Read a vector file: points are rows, and so are the vertices of lines.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    kind : TableKind
        What it is to be.
    overrides : Overrides
        What the person said of its headers and units.

    Returns
    -------
    RawTable
        ``source_row`` is the number of the feature, from 1.

    Raises
    ------
    CovermapError
        The kind's, if the file cannot be opened or holds no points or lines.
    SettingsError
        If an override names an unknown column, header or unit.
    """
    notes: list[Said] = []
    crs: str | None
    with told_if_unreadable(path, kind):
        if is_json(path):
            frame, geometry, crs, broken = _read_geojson(path, kind)
        else:
            # Opened here, so that a missing or locked file is named as such.
            with path.open("rb") as stream:
                if not stream.read(1):
                    raise kind.error(f"{path.name} is empty.", way_out=_again(kind))
            frame, geometry, crs = _read_with_driver(path, kind, notes)
            broken = {}
    if len(geometry) == 0:
        raise kind.error(f"{path.name} holds no feature.", way_out=_again(kind))
    headers = tuple(str(name) for name in frame.columns)
    recognised = tuple(recognise(headers, kind, overrides, path.name))
    frame = frame[[one.header for one in recognised]]
    shape = shapely.get_type_id(geometry)
    # Multipoints and multilines hold points and lines; all else is no track.
    usable = np.isin(shape, (_POINT, _LINE, 4, 5)) & ~shapely.is_empty(geometry)
    if not usable.any():
        if np.isin(shape, (3, 6)).any():
            raise kind.error(
                f"{path.name} holds areas, not a {kind.what}.",
                "Expected points or lines.",
                "A field boundary goes into {0}.",
                Ask("field.boundary"),
            )
        raise kind.error(
            f"{path.name}: no feature has a position.", "Expected points or lines.", _again(kind)
        )
    unreadable = tuple(
        (int(i) + 1, *broken.get(int(i), _why_unusable(int(shape[i]))))
        for i in np.flatnonzero(~usable)
    )
    feature = np.flatnonzero(usable)
    parts, owner = shapely.get_parts(geometry[feature], return_index=True)
    xy, part_of = shapely.get_coordinates(parts, return_index=True)
    feature_of = feature[owner[part_of]]
    is_line = np.isin(shapely.get_type_id(parts), (_LINE, _RING))
    running = np.where(is_line, np.cumsum(is_line), 0)
    first_part = np.searchsorted(owner, owner)
    several = np.bincount(owner)[owner] > 1
    number_within = np.where(is_line & several, np.arange(len(owner)) - first_part + 1, 0)
    return RawTable(
        name=path.name,
        kind=kind,
        frame=_spread_over_vertices(frame, feature_of, notes, path.name),
        source_row=(feature_of + 1).astype(np.int64),
        recognised=recognised,
        headers=headers,
        unreadable=unreadable,
        notes=tuple(notes),
        row_word="feature",
        xy=np.asarray(xy, dtype=np.float64),
        crs=crs,
        pass_number=running[part_of],
        part_number=number_within[part_of],
    )


def is_json(path: Path) -> bool:
    """Tell whether the first character that is not white opens a JSON object."""
    with path.open("rb") as stream:
        start = stream.read(4096)
    return start.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] == b"{"


def _why_unusable(kind: int) -> tuple[str, str]:
    if kind == -1:
        return "no position", "the feature has no geometry"
    if kind in (_POINT, _LINE, 4, 5):
        return "no position", "the geometry is empty"
    return "not a point or line", "areas and collections are no fixes"


def _again(kind: FileKind) -> str:
    return f"Export the {kind.what} again."


def _read_geojson(
    path: Path, kind: FileKind
) -> tuple[pd.DataFrame, NDArray[np.object_], str, dict[int, tuple[str, str]]]:
    name = path.name
    with path.open("rb") as stream:
        start = stream.read(SNIFFED_BYTES)
        if b"\0" in start or (b'"Feature"' not in start and b'"coordinates"' not in start):
            raise kind.error(
                f"{name} is no GeoJSON: no feature in its first megabyte.",
                "Expected a FeatureCollection of points or lines.",
                _again(kind),
            )
        data = read_rest(stream, start, name, kind, in_lines=False)
    try:
        tree = json.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise _no_json(f"{name} is not UTF-8, as GeoJSON has to be.", kind) from None
    except json.JSONDecodeError as error:
        wrong = f"{name}, line {error.lineno}: broken JSON ({error.msg}). It may be cut off."
        raise _no_json(wrong, kind) from None
    except RecursionError:
        raise _no_json(f"{name}: JSON nested too deeply.", kind) from None
    features = tree.get("features") if tree.get("type") == "FeatureCollection" else [tree]
    if not isinstance(features, list):
        raise _no_json(f"{name}: 'features' is no list.", kind)
    features = [one if isinstance(one, dict) else {} for one in features]
    geometry, broken = _shapes(features)
    properties = [_dict(one.get("properties")) for one in features]
    return pd.DataFrame(properties, dtype=object), geometry, _json_crs(tree), broken


def _no_json(wrong: str, kind: FileKind) -> CovermapError:
    return kind.error(wrong, "Expected GeoJSON (RFC 7946).", _again(kind))


def _dict(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _json_crs(tree: dict[str, Any]) -> str:
    # RFC 7946 fixes WGS 84; the 2008 draft let a file name another CRS, and many still do.
    named = _dict(_dict(tree.get("crs")).get("properties")).get("name")
    return named if isinstance(named, str) else "OGC:CRS84"


def _shapes(
    features: list[dict[str, Any]],
) -> tuple[NDArray[np.object_], dict[int, tuple[str, str]]]:
    shapes = np.full(len(features), None, dtype=object)
    broken: dict[int, tuple[str, str]] = {}
    points: list[int] = []
    pairs: list[tuple[float, float]] = []
    for i, one in enumerate(features):
        raw = _dict(one.get("geometry")) if "geometry" in one else one
        kind = raw.get("type")
        coordinates = raw.get("coordinates")
        if kind is None or (not coordinates and "geometries" not in raw):
            continue
        try:
            if kind == "Point":
                pair = (float(coordinates[0]), float(coordinates[1]))  # type: ignore[index]
                points.append(i)
                pairs.append(pair)
            else:
                shapes[i] = shapely.geometry.shape(raw)
        except (TypeError, ValueError, IndexError, KeyError, AttributeError, shapely.GEOSException):
            broken[i] = ("no position", "the geometry is broken")
    if points:
        shapes[points] = shapely.points(np.asarray(pairs, dtype=np.float64))
    return shapes, broken


def _read_with_driver(
    path: Path, kind: FileKind, notes: list[Said]
) -> tuple[pd.DataFrame, NDArray[np.object_], str | None]:
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError

    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            layers = [
                (pyogrio.read_info(path, layer=layer, force_feature_count=True), layer)
                for layer, shape in pyogrio.list_layers(path)
                if shape is not None
            ]
            if not layers:
                raise kind.error(f"{path.name} has no layer with geometry.", way_out=_again(kind))
            lines_or_points = [
                one for one in layers if "Polygon" not in (one[0]["geometry_type"] or "")
            ]
            info, layer = max(lines_or_points or layers, key=lambda one: one[0]["features"])
            table = pyogrio.read_dataframe(path, layer=layer)
    except (DataSourceError, DataLayerError, ValueError, UnicodeDecodeError) as error:
        if isinstance(error, CovermapError):
            raise
        raise kind.error(
            f"{path.name} cannot be opened as a vector file. It may be cut off, or a part of it "
            "be missing (a Shapefile needs its .shx and .dbf).",
            way_out=f"Export the {kind.what} again, as CSV or GeoPackage.",
        ) from None
    told = {str(one.message).replace(str(path), path.name) for one in caught}
    notes += [Said("read-driver", {"file": path.name, "text": text}) for text in sorted(told)]
    if len(layers) > 1:
        said = {"file": path.name, "layers": len(layers), "layer": layer}
        notes.append(Said("read-layer", said))
    geometry = np.asarray(table.geometry.to_numpy(), dtype=object)
    frame = pd.DataFrame(table.drop(columns=table.geometry.name))
    return frame, geometry, info["crs"]


def _spread_over_vertices(
    frame: pd.DataFrame, feature_of: NDArray[np.int64], notes: list[Said], name: str
) -> pd.DataFrame:
    """Repeat a feature's properties over its vertices, or deal out a list of them."""
    vertices = np.bincount(feature_of, minlength=len(frame))
    columns: dict[str, Any] = {}
    for header in frame.columns:
        column = frame[header]
        lists = _lists_in(column)
        if not lists:
            columns[header] = column.take(feature_of).reset_index(drop=True)
            continue
        values = column.to_numpy(dtype=object).take(feature_of)
        start = np.concatenate(([0], np.cumsum(vertices)))
        wrong = []
        for feature, given in lists.items():
            here = slice(int(start[feature]), int(start[feature + 1]))
            if len(given) == vertices[feature]:
                values[here] = given
            else:
                values[here] = None
                if vertices[feature]:
                    wrong.append(feature + 1)
        if wrong:
            said = {"file": name, "header": header, "features": len(wrong), "first": wrong[0]}
            notes.append(Said("read-list-length", said))
        columns[header] = pd.Series(list(values), dtype=object).infer_objects()
    return pd.DataFrame(columns, index=pd.RangeIndex(len(feature_of)))


def _lists_in(column: pd.Series) -> dict[int, list[Any]]:
    if column.dtype != object and not pd.api.types.is_string_dtype(column.dtype):
        return {}
    found: dict[int, list[Any]] = {}
    for i, value in enumerate(column):
        given = value
        if isinstance(given, str) and given.startswith("["):
            try:
                given = json.loads(given)
            except json.JSONDecodeError:
                continue
        if isinstance(given, list | tuple | np.ndarray):
            flat: list[Any] = []
            for one in given:
                flat.extend(one) if isinstance(one, list | np.ndarray) else flat.append(one)
            found[i] = flat
    return found

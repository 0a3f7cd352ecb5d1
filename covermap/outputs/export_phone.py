"""Files for a phone: one KMZ that opens by itself, and plain GeoJSON.

The KMZ holds the spread ratio as a picture on the ground, and strips, plan zones, passes and
outline as shapes (OGC 12-007r2, KML 2.3; the elements used are all of KML 2.2). Texts are
text: markup in a name shows as typed.
"""

from __future__ import annotations

import html
import io
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import shapely
from affine import Affine
from shapely.geometry.polygon import orient

from covermap.ground.grid import Grid
from covermap.ground.threads import core_count
from covermap.outputs.colours import colour_index, palette
from covermap.outputs.export_content import LAYERS, ExportContent
from covermap.outputs.layer_styles import Look, layer_looks
from covermap.outputs.map_texts import display_range
from covermap.outputs.signs import action_signs
from covermap.outputs.vectors import time_text, write_geojson
from covermap.outputs.zip_files import write_zip

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

_KML = "http://www.opengis.net/kml/2.2"
_IMAGE = "files/spread_ratio.png"
#: Pictures larger than this are refused or blurred by some phones (common practice, no source).
_LONGEST_SIDE = 2048
#: Of the layers, those a phone shows at once; the others wait in the list.
_SHOWN = ("strips", "outline")
_FOLDERS = {
    "outline": "Field outline",
    "strips": "Strips",
    "zones": "Plan zones",
    "passes": "Passes",
}
_BAND = "spread_ratio"
#: Columns whose text is the person's own; they come only in the description, escaped.
_OWN_WORDS = ("label", "name")


def write_phone_files(folder: Path, content: ExportContent) -> None:
    """Write ``field.kmz`` and a GeoJSON of each layer into an open folder.

    Parameters
    ----------
    folder : pathlib.Path
        From :func:`covermap.outputs.write_whole.whole_files`.
    content : ExportContent

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    image, box = ratio_image(content.grid, content.bands[_BAND], content.limits)
    document = kml_text(content, box).encode("utf-8")
    # the first file of the archive is the one that is opened (OGC 12-007r2, annex C)
    write_zip(folder / "field.kmz", {"doc.kml": document, _IMAGE: image})
    for layer, table in content.layers.items():
        write_geojson(
            folder / f"{layer}.geojson",
            table,
            LAYERS[layer][1],
            content.columns(layer),
            {"title": LAYERS[layer][0], **content.about()},
        )


def ratio_image(
    grid: Grid, ratio: np.ndarray, limits: tuple[float, float]
) -> tuple[bytes, tuple[float, float, float, float]]:
    """Draw the spread ratio on latitude and longitude.

    Parameters
    ----------
    grid : Grid
    ratio : numpy.ndarray
        (rows, cols), NaN where there is none.
    limits : tuple of float
        Gap below, double above.

    Returns
    -------
    bytes
        PNG image.
    tuple of float
        West, south, east, north edge [deg].
    """
    from PIL import Image
    from rasterio.warp import Resampling, reproject, transform_bounds

    west, south, east, north = transform_bounds(grid.crs.to_wkt(), "EPSG:4326", *grid.bounds)
    high_m, wide_m = grid.rows * grid.cell_m, grid.cols * grid.cell_m
    pixel_m = max(grid.cell_m, max(high_m, wide_m) / _LONGEST_SIDE)
    rows, cols = max(1, math.floor(high_m / pixel_m)), max(1, math.floor(wide_m / pixel_m))
    seen = np.full((rows, cols), np.nan, np.float32)
    reproject(
        np.asarray(ratio, np.float32),
        seen,
        src_transform=grid.transform,
        src_crs=grid.crs.to_wkt(),
        src_nodata=np.nan,
        dst_transform=Affine((east - west) / cols, 0, west, 0, (south - north) / rows, north),
        dst_crs="EPSG:4326",
        dst_nodata=np.nan,
        resampling=Resampling.average if pixel_m > grid.cell_m else Resampling.nearest,
        num_threads=core_count(),
    )
    image = Image.fromarray(colour_index(_BAND, seen, *display_range(_BAND, seen, limits, False)))
    colours = palette(_BAND)
    image.putpalette(colours[:, :3].tobytes())
    written = io.BytesIO()
    image.save(written, "PNG", transparency=colours[:, 3].tobytes())
    return written.getvalue(), (west, south, east, north)


def kml_text(content: ExportContent, box: tuple[float, float, float, float]) -> str:
    """Give the KML document: styles, the picture, and a folder for each layer."""
    ElementTree.register_namespace("", _KML)
    root = ElementTree.Element(f"{{{_KML}}}kml")
    document = _add(root, "Document")
    _add(document, "name", content.name)
    _add(document, "open", "1")
    _add(document, "description", _as_text(f"{k}: {v}" for k, v in content.about().items()))
    for layer, looks in layer_looks().items():
        if layer in content.layers:
            for look in looks.looks:
                _style(document, _style_id(layer, look.value), look)
    for layer in content.layers:
        _schema(document, layer, content)
    overlay = _add(document, "GroundOverlay")
    _add(overlay, "name", "Spread ratio")
    gap, double = content.limits
    _add(
        overlay,
        "description",
        "Residue landed ÷ residue this ground gave up. White is 1; orange is less, with a gap "
        f"below {gap:g}; purple is more, double above {double:g}.",
    )
    _add(overlay, "color", "d0ffffff")
    _add(_add(overlay, "Icon"), "href", _IMAGE)
    edges = _add(overlay, "LatLonBox")
    west, south, east, north = box
    for side, value in {"north": north, "south": south, "east": east, "west": west}.items():
        _add(edges, side, f"{value:.9f}")
    for layer in _FOLDERS:
        if layer in content.layers:
            _folder(document, layer, content)
    text = ElementTree.tostring(root, "unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _folder(document: ElementTree.Element, layer: str, content: ExportContent) -> None:
    folder = _add(document, "Folder")
    _add(folder, "name", _FOLDERS[layer])
    visible = "1" if layer in _SHOWN else "0"
    _add(folder, "visibility", visible)
    _add(folder, "description", LAYERS[layer][0])
    names = [name for name in content.columns(layer) if name not in _OWN_WORDS]
    looks = layer_looks()[layer]
    table = content.layers[layer]
    shapes = table.geometry.to_crs(4326)
    records = table.drop(columns=table.geometry.name).to_dict("records")
    for record, shape in zip(records, shapes, strict=True):
        if shape is None or shape.is_empty:
            continue
        mark = _add(folder, "Placemark")
        _add(mark, "name", _name(layer, record))
        _add(mark, "visibility", visible)
        _add(mark, "description", _description(layer, record))
        value = str(record.get(looks.column, "")) if looks.column else ""
        _add(mark, "styleUrl", "#" + _style_id(layer, value))
        _data(mark, layer, record, names)
        _geometry(mark, shape)


def _name(layer: str, record: Mapping[str, Any]) -> str:
    if layer == "strips":
        return f"{'Gap' if record['kind'] == 'gap' else 'Double'} strip {record['strip_id']}"
    if layer == "zones":
        sign = action_signs().get(str(record["rule_id"]))
        words = f"{sign.code}: {sign.words}" if sign else "other"
        return f"Zone {record['zone_id']}, {words}"
    return f"Pass {record['pass_id']}" if layer == "passes" else "Field outline"


def _description(layer: str, record: Mapping[str, Any]) -> str:
    """Give the words on a feature; its numbers come as data beside."""
    keys = {
        "strips": ("cause", "causes", "action", "why", "benefit", "rule_id"),
        "zones": ("action", "why", "benefit", "rule_id"),
        "passes": ("label",),
        "outline": ("name",),
    }[layer]
    words = [
        str(record[key]) if key in ("why", "benefit") else f"{key.replace('_', ' ')}: {record[key]}"
        for key in keys
        if isinstance(record.get(key), str)
    ]
    return _as_text(words)


def _as_text(lines: Iterable[str]) -> str:
    """Join lines so that a reader who takes them for markup still shows them as typed."""
    return html.escape(".\n".join(line.rstrip(".") for line in lines), quote=False)


def _schema(document: ElementTree.Element, layer: str, content: ExportContent) -> None:
    """Declare the numbers of a layer with their meaning (OGC 12-007r2, section 9.8)."""
    schema = _add(document, "Schema")
    schema.set("name", layer)
    schema.set("id", f"{layer}-columns")
    table = content.layers[layer]
    for name, column in content.columns(layer).items():
        if name not in _OWN_WORDS:
            field = _add(schema, "SimpleField")
            field.set("type", {"i": "int", "f": "double"}.get(table[name].dtype.kind, "string"))
            field.set("name", name)
            _add(field, "displayName", column.text)


def _data(
    mark: ElementTree.Element, layer: str, record: Mapping[str, Any], names: Iterable[str]
) -> None:
    data = _add(_add(mark, "ExtendedData"), "SchemaData")
    data.set("schemaUrl", f"#{layer}-columns")
    for name in names:
        value = record[name]
        if value is None or value != value:  # no number, no time
            continue
        if isinstance(value, pd.Timestamp):
            text = time_text(value)
        elif isinstance(value, float):
            text = f"{value:.10g}"
        else:
            text = html.escape(str(value), quote=False)
        _add(data, "SimpleData", text).set("name", name)


def _geometry(mark: ElementTree.Element, shape: BaseGeometry) -> None:
    parts = list(getattr(shape, "geoms", [shape]))
    parent = _add(mark, "MultiGeometry") if len(parts) > 1 else mark
    for part in parts:
        if part.geom_type == "LineString":
            line = _add(parent, "LineString")
            _add(line, "tessellate", "1")
            _add(line, "coordinates", _coordinates(part))
            continue
        area = _add(parent, "Polygon")
        part = orient(part)
        for tag, rings in (
            ("outerBoundaryIs", [part.exterior]),
            ("innerBoundaryIs", part.interiors),
        ):
            for ring in rings:
                linear = _add(_add(area, tag), "LinearRing")
                _add(linear, "coordinates", _coordinates(ring))


def _coordinates(line: Any) -> str:
    places = shapely.get_coordinates(line)
    return ("%.7f,%.7f " * len(places) % tuple(places.ravel().tolist())).rstrip()


def _style_id(layer: str, value: str) -> str:
    return f"{layer}-{value}" if value else layer


def _style(document: ElementTree.Element, name: str, look: Look) -> None:
    style = _add(document, "Style")
    style.set("id", name)
    line = _add(style, "LineStyle")
    _add(line, "color", _kml_colour(look.line, 1.0))
    # KML has no dashes: a double's edge is heavy, a gap's is thin
    _add(line, "width", f"{1.0 if look.dashed else 2 * look.line_width_px:g}")
    area = _add(style, "PolyStyle")
    _add(area, "color", _kml_colour(look.fill or "#ffffff", look.opacity))
    _add(area, "fill", "1" if look.fill else "0")


def _kml_colour(colour: str, opacity: float) -> str:
    """Give a colour as KML has it: opacity, blue, green, red."""
    return f"{round(255 * opacity):02x}{colour[5:7]}{colour[3:5]}{colour[1:3]}"


def _add(parent: ElementTree.Element, tag: str, text: str | None = None) -> ElementTree.Element:
    child = ElementTree.SubElement(parent, f"{{{_KML}}}{tag}")
    child.text = text
    return child

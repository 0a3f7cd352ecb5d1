"""Files for a phone: one KMZ that opens by itself, and plain GeoJSON.

The KMZ holds the spread ratio as a picture on the ground, and strips, plan zones, passes and
outline as shapes (OGC 12-007r2, KML 2.3; the elements used are all of KML 2.2). Texts are
text: markup in a name shows as typed.
"""

from __future__ import annotations

import html
import io
import math
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely
from affine import Affine
from shapely.geometry.polygon import orient

from covermap.drawing.colours import colour_index, palette
from covermap.drawing.labels import RATIO_MEANING, limit_keys, opening
from covermap.drawing.map_texts import display_range
from covermap.export.content import LAYERS, ExportContent, write_geojson_layers
from covermap.export.layer_styles import layer_looks
from covermap.export.templates import filled
from covermap.export.zip_files import write_zip
from covermap.files.vectors import time_text
from covermap.ground.grid import Grid
from covermap.ground.threads import core_count
from covermap.tables.signs import action_signs

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

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    image, box = ratio_image(content.grid, content.bands[_BAND], content.limits)
    document = kml_text(content, box).encode("utf-8")
    # the first file of the archive is the one that is opened (OGC 12-007r2, annex C)
    write_zip(folder / "field.kmz", {"doc.kml": document, _IMAGE: image})
    write_geojson_layers(folder, content)


def ratio_image(
    grid: Grid, ratio: np.ndarray, limits: tuple[float, float]
) -> tuple[bytes, tuple[float, float, float, float]]:
    """Draw the spread ratio, (rows, cols) and NaN where there is none, on latitude and longitude.

    Gives a PNG image and its west, south, east and north edge [deg]; the limits are gap below
    and double above.
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
    keys = limit_keys(content.limits)
    return filled(
        "phone.kml",
        content=content,
        about=_as_text(f"{k}: {v}" for k, v in content.about().items()),
        styles=[
            (_style_id(layer, look.value), look)
            for layer, looks in layer_looks(content.limits).items()
            if layer in content.layers
            for look in looks.looks
        ],
        schemas={layer: _fields(layer, content) for layer in content.layers},
        ratio_told=f"{opening(RATIO_MEANING)}. White is 1; orange is less, purple is more. "
        f"{opening(keys['gap'])}; {keys['double']}.",
        image=_IMAGE,
        box=dict(zip(("west", "south", "east", "north"), box, strict=True)),
        folders=[
            {
                "layer": layer,
                "name": name,
                "visible": "1" if layer in _SHOWN else "0",
                "description": LAYERS[layer][0],
                "marks": _marks(layer, content),
            }
            for layer, name in _FOLDERS.items()
            if layer in content.layers
        ],
        kml_colour=_kml_colour,
        coordinates=_coordinates,
    )


def _marks(layer: str, content: ExportContent) -> Iterator[dict[str, Any]]:
    names = [name for name in content.columns(layer) if name not in _OWN_WORDS]
    looks = layer_looks(content.limits)[layer]
    table = content.layers[layer]
    shapes = table.geometry.to_crs(4326)
    records = table.drop(columns=table.geometry.name).to_dict("records")
    for record, shape in zip(records, shapes, strict=True):
        if shape is None or shape.is_empty:
            continue
        value = str(record.get(looks.column, "")) if looks.column else ""
        yield {
            "name": _name(layer, record),
            "description": _description(layer, record),
            "style": _style_id(layer, value),
            "data": _data(record, names),
            "parts": [
                orient(part) if part.geom_type == "Polygon" else part
                for part in getattr(shape, "geoms", [shape])
            ],
        }


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


def _fields(layer: str, content: ExportContent) -> list[tuple[str, str, str]]:
    """Give name, type and meaning of the numbers of a layer."""
    table = content.layers[layer]
    return [
        (
            name,
            {"i": "int", "f": "double"}.get(table[name].dtype.kind, "string"),
            column.text,
        )
        for name, column in content.columns(layer).items()
        if name not in _OWN_WORDS
    ]


def _data(record: Mapping[str, Any], names: Iterable[str]) -> list[tuple[str, str]]:
    data = []
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
        data.append((name, text))
    return data


def _coordinates(line: Any) -> str:
    places = shapely.get_coordinates(line)
    return ("%.7f,%.7f " * len(places) % tuple(places.ravel().tolist())).rstrip()


def _style_id(layer: str, value: str) -> str:
    return f"{layer}-{value}" if value else layer


def _kml_colour(colour: str, opacity: float) -> str:
    """Give a colour as KML has it: opacity, blue, green, red."""
    return f"{round(255 * opacity):02x}{colour[5:7]}{colour[3:5]}{colour[1:3]}"

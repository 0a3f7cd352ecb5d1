"""A small picture of a field's spread ratio, in the colours of its map."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np

from covermap.drawing.colours import NO_VALUE, colour_index, palette
from covermap.drawing.map_texts import display_range
from covermap.errors import OutputError

#: Longest side of a picture [pixels].
THUMBNAIL_PX = 96
_BAND = "spread_ratio"


def thumbnail_png(raster: Path, limits: tuple[float, float]) -> bytes:
    """Draw the spread ratio in ``residue.tif``, north up, at most 96 pixels a side.

    The raster is read at reduced size through its overviews; a pixel shows the mean of the
    cells under it, transparent where nothing was harvested. The limits, gap below and double
    above, set the ends of the colours, as on the field's map.

    Raises
    ------
    OutputError
        If the raster is missing, damaged or without a spread ratio.
    """
    import rasterio
    from rasterio.enums import Resampling
    from rasterio.errors import RasterioError

    try:
        with rasterio.open(raster) as source:
            band = source.descriptions.index(_BAND) + 1
            shrink = min(1.0, THUMBNAIL_PX / max(source.height, source.width))
            shape = tuple(max(1, round(side * shrink)) for side in (source.height, source.width))
            values = source.read(band, out_shape=shape, resampling=Resampling.average)
    except (RasterioError, ValueError) as error:
        raise OutputError(
            f"{raster}: missing, damaged or without the band {_BAND} ({error}).",
            way_out="Map the field again to write it.",
        ) from error
    return _png(np.asarray(values, np.float32), display_range(_BAND, values, limits, False))


def _png(values: np.ndarray, ends: tuple[float, float]) -> bytes:
    from PIL import Image

    picture = Image.fromarray(colour_index(_BAND, values, *ends))
    picture.putpalette(palette(_BAND)[:, :3].tobytes())
    file = io.BytesIO()
    picture.save(file, "PNG", optimize=True, transparency=NO_VALUE)
    return file.getvalue()

"""Raster bands as small images that lie right on a Web Mercator map."""

from __future__ import annotations

import base64
import math
import struct
import zlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from affine import Affine

from covermap.ground.grid import Grid
from covermap.outputs.colours import NO_VALUE, colour_index, is_discrete, palette

# Together they keep four images of a field of any size within a page of 5 MB.
_MOST_PIXELS = 1_200_000
_LONGEST_SIDE = 2_400

_MERCATOR = "EPSG:3857"
_EARTH_RADIUS_M = 6378137.0


@dataclass(frozen=True)
class MercatorFrame:
    """A rectangle in Web Mercator that holds a grid, cut into pixels.

    Attributes
    ----------
    west, south, east, north : float
        Edges in EPSG:3857.
    rows, cols : int
        Size of the image.
    """

    west: float
    south: float
    east: float
    north: float
    rows: int
    cols: int

    @property
    def transform(self) -> Affine:
        """Affine transform from column, row to EPSG:3857."""
        wide = (self.east - self.west) / self.cols
        high = (self.north - self.south) / self.rows
        return Affine(wide, 0.0, self.west, 0.0, -high, self.north)

    @property
    def corners_lat_lon(self) -> list[list[float]]:
        """South-west and north-east corner as latitude, longitude [deg]."""
        return [
            [_latitude(self.south), math.degrees(self.west / _EARTH_RADIUS_M)],
            [_latitude(self.north), math.degrees(self.east / _EARTH_RADIUS_M)],
        ]


def _latitude(mercator_y: float) -> float:
    return math.degrees(2 * math.atan(math.exp(mercator_y / _EARTH_RADIUS_M)) - math.pi / 2)


def mercator_frame(grid: Grid) -> MercatorFrame:
    """Give the frame of the images of a grid.

    Pixels are no finer than the cells, and so many at most that the page stays small.
    """
    from rasterio.warp import transform_bounds

    west, south, east, north = transform_bounds(grid.crs.to_wkt(), _MERCATOR, *grid.bounds)
    long_m, wide_m = grid.rows * grid.cell_m, grid.cols * grid.cell_m
    pixel_m = max(
        grid.cell_m,
        math.sqrt(long_m * wide_m / _MOST_PIXELS),
        max(long_m, wide_m) / _LONGEST_SIDE,
    )
    stretch = 1 / math.cos(math.radians(_latitude((south + north) / 2)))
    return MercatorFrame(
        west,
        south,
        east,
        north,
        max(1, round((north - south) / (pixel_m * stretch))),
        max(1, round((east - west) / (pixel_m * stretch))),
    )


def on_mercator(
    grid: Grid, bands: Mapping[str, np.ndarray], frame: MercatorFrame
) -> dict[str, np.ndarray]:
    """Bring bands onto the pixels of a frame.

    Parameters
    ----------
    grid : Grid
        Where the bands lie.
    bands : mapping of str to numpy.ndarray
        Each of the shape of the grid, NaN where there is none.
    frame : MercatorFrame

    Returns
    -------
    dict of str to numpy.ndarray
        float32 of (frame.rows, frame.cols), in the units of the bands. Means of cells where
        a pixel holds several, but whole numbers stay whole.
    """
    from rasterio.warp import Resampling, reproject

    coarser = frame.rows * frame.cols < 0.7 * grid.rows * grid.cols
    source_crs = grid.crs.to_wkt()

    def warp(name: str) -> np.ndarray:
        image = np.full((frame.rows, frame.cols), np.nan, np.float32)
        mean = coarser and not is_discrete(name)
        reproject(
            np.asarray(bands[name], np.float32),
            image,
            src_transform=grid.transform,
            src_crs=source_crs,
            src_nodata=np.nan,
            dst_transform=frame.transform,
            dst_crs=_MERCATOR,
            dst_nodata=np.nan,
            resampling=Resampling.average if mean else Resampling.nearest,
            num_threads=4,
        )
        return image

    # Threads belong to the warp: around it, rasterio's muted warnings would leak out.
    return {name: warp(name) for name in bands}


def image_url(name: str, values: np.ndarray, low: float, high: float) -> str:
    """Give a band as the ``data:`` address of a PNG image with a palette.

    Parameters
    ----------
    name : str
        Name of the band, for its colours.
    values : numpy.ndarray
        (rows, cols), in the unit of the band; NaN where there is none.
    low, high : float
        Ends of the colour ramp, in the unit of the band.

    Returns
    -------
    str
    """
    image = palette_png(colour_index(name, values, low, high), palette(name))
    return "data:image/png;base64," + base64.b64encode(image).decode("ascii")


def palette_png(index: np.ndarray, colours: np.ndarray) -> bytes:
    """Encode an indexed-colour PNG (W3C PNG Specification, third edition, section 11.2).

    Parameters
    ----------
    index : numpy.ndarray
        uint8 of (rows, cols): rows of ``colours``.
    colours : numpy.ndarray
        uint8 RGBA of (n, 4); only row ``NO_VALUE`` may be transparent.

    Returns
    -------
    bytes
    """
    rows, cols = index.shape
    lines = np.zeros((rows, cols + 1), np.uint8)  # filter type 0 before each line
    lines[:, 1:] = index
    header = struct.pack(">IIBBBBB", cols, rows, 8, 3, 0, 0, 0)
    return b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", header),
            _chunk(b"PLTE", colours[:, :3].tobytes()),
            _chunk(b"tRNS", colours[: NO_VALUE + 1, 3].tobytes()),
            _chunk(b"IDAT", zlib.compress(lines.tobytes(), 6)),
            _chunk(b"IEND", b""),
        )
    )


def _chunk(kind: bytes, content: bytes) -> bytes:
    check = zlib.crc32(kind + content)
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", check)

"""Small tracks, bands and settings for the tests, built from plain geometry."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd
from pyproj import CRS

from covermap.ground.grid import Grid, Window, grid_around
from covermap.harvest.track import Track
from covermap.settings.field_file import build_settings
from covermap.settings.field_settings import FieldSettings
from covermap.spread.deposit import Bands
from covermap.tables.said import Said

UTM = CRS.from_epsg(32626)
ORIGIN = np.array([500_000.0, 4_980_000.0])


def told(said: Iterable[Said]) -> list[str]:
    """Give what is said in SI, in order."""
    return [one.text() for one in said]


def texts(said: Iterable[Said]) -> dict[str, str]:
    """Give what is said in SI, by rule id."""
    return {one.rule: one.text() for one in said}


#: Unit words of SI, standing alone; a rate of work by the hour stays an hour.
_SI_UNITS = re.compile(
    r"(?<![\w.])(?:t/ha|kg/ha|kg/s|ha|km/h|km|kg|cm|mm|m/s|m²|m2|°C|l|tonnes?|(?:kilo)?met(?:re|er)s?"
    r"|hectares?|lit(?:re|er)s?|kilograms?)(?![\w/])|(?<=\d )[mt](?![\w/'])"
)


def si_units_in(text: str) -> list[str]:
    """Give the words of SI units that stand in a text."""
    return _SI_UNITS.findall(text)


def track_of(fixes: pd.DataFrame, has_time: bool = True) -> Track:
    """Make a track of fixes in metres; rows are numbered like lines of a file."""
    fixes = fixes.reset_index(drop=True)
    if "source_row" not in fixes:
        fixes = fixes.assign(source_row=np.arange(len(fixes)) + 2)
    return Track(
        fixes=fixes,
        crs=UTM,
        source="made.csv",
        recognised=(),
        ignored=(),
        unreadable=pd.DataFrame({"source_row": [], "reason": [], "detail": []}),
        notes=(),
        has_time=has_time,
    )


def at(points: np.ndarray, seconds: float = 1.0, start: str = "2026-08-01T12:00:00Z") -> Track:
    """Make a track from (n, 2) metres off the origin, one fix every ``seconds``."""
    xy = np.asarray(points, float) + ORIGIN
    clock = pd.Timestamp(start) + pd.to_timedelta(np.arange(len(xy)) * seconds, unit="s")
    return track_of(pd.DataFrame({"easting": xy[:, 0], "northing": xy[:, 1], "time": clock}))


def straight_passes(
    passes: int,
    spacing_m: float,
    length_m: float = 200.0,
    step_m: float = 2.0,
    heading_deg: float = 0.0,
    one_way: bool = False,
    pause_s: float = 60.0,
) -> Track:
    """Make parallel passes, back and forth, turns left out (a pause in the log)."""
    parts, times, clock = [], [], 0.0
    for k in range(passes):
        along = np.arange(0.0, length_m + 1e-9, step_m)
        if k % 2 and not one_way:
            along = along[::-1]
        parts.append(np.column_stack([np.full(len(along), k * spacing_m), along]))
        times.append(clock + np.arange(len(along)))
        clock += len(along) + pause_s
    xy = np.concatenate(parts)
    angle = np.radians(heading_deg)
    # clockwise from north
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    xy = xy @ turn.T + ORIGIN
    time = pd.Timestamp("2026-08-01T12:00:00Z") + pd.to_timedelta(np.concatenate(times), unit="s")
    return track_of(pd.DataFrame({"easting": xy[:, 0], "northing": xy[:, 1], "time": time}))


def settings_of(**values: object) -> FieldSettings:
    """Make settings from section__key=value; wheat at 6 t/ha without delay by default."""
    options: dict[tuple[str, str], object] = {
        ("crop", "kind"): "wheat",
        ("crop", "grain_yield"): 6.0,
        ("combine", "cut_width"): 9.0,
        ("combine", "residue_delay_s"): 0,
        ("spread", "width"): 9.0,
    }
    for name, value in values.items():
        section, key = name.split("__")
        options[section, key] = value
    return build_settings({}, {k: v for k, v in options.items() if v is not None})


def bands_of(
    corners: np.ndarray,
    mass_kg: Sequence[float] | np.ndarray,
    shares: Sequence[float] = (1.0,),
    pass_index: Sequence[int] | None = None,
) -> Bands:
    """Make bands of one profile from (n, 4, 2) corners."""
    mass = np.asarray(mass_kg, float)
    table = np.asarray(shares, float)
    return Bands(
        np.asarray(corners, float),
        mass,
        np.zeros(len(mass), np.int64),
        np.zeros(len(mass), np.int32) if pass_index is None else np.asarray(pass_index, np.int32),
        (table / table.sum())[None, :],
        np.array([len(table)]),
    )


def rectangle(
    east: float, north: float, width: float, length: float, heading_deg: float = 0.0
) -> np.ndarray:
    """Give the corners of one sweep: middle of its start, width, length and heading."""
    angle = np.radians(heading_deg)
    along = np.array([np.sin(angle), np.cos(angle)])
    right = np.array([along[1], -along[0]])
    start = np.array([east, north]) + ORIGIN
    end = start + length * along
    half = width / 2 * right
    return np.array([start - half, start + half, end + half, end - half])


def grid_for(bands: Bands, cell_m: float = 0.5) -> Grid:
    """Give a grid that holds all bands."""
    low, high = bands.corners.min(axis=(0, 1)), bands.corners.max(axis=(0, 1))
    return grid_around(UTM, (*low, *high), cell_m, 2.0)


def tiles(grid: Grid, tile_cells: int) -> list[Window]:
    """Cut ``grid`` into windows of at most ``tile_cells`` × ``tile_cells``."""
    return [
        Window(row, col, min(tile_cells, grid.rows - row), min(tile_cells, grid.cols - col))
        for row in range(0, grid.rows, tile_cells)
        for col in range(0, grid.cols, tile_cells)
    ]

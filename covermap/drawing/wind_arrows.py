"""Arrows that show where the wind blew to, along the passes of a map."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    import geopandas as gpd

#: Arrows stand at these parts of the passes in turn, so that a turning wind shows.
_PLACES = (0.5, 0.2, 0.8)
#: Length of a barb, as part of the arrow.
_BARB = 0.3


def wind_arrows(passes: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give an arrow on some passes, pointing the way the air moves, none on another.

    Parameters
    ----------
    passes : geopandas.GeoDataFrame
        With ``wind_speed_m_s`` and ``wind_from_deg``, as measured, NaN without wind.

    Returns
    -------
    geopandas.GeoDataFrame
        The chosen passes with arrows as MultiLineStrings; the longest arrow is a twelfth of
        the field's diagonal, and lengths follow the speed.
    """
    if "wind_speed_m_s" not in passes:
        return passes.iloc[:0]
    windy = passes[(passes["wind_speed_m_s"] > 0) & passes.geometry.notna()]
    if windy.empty:
        return windy
    west, south, east, north = passes.total_bounds
    longest = np.hypot(east - west, north - south) / 12
    turn = np.resize(_PLACES, len(windy))
    middle = shapely.get_coordinates(
        shapely.line_interpolate_point(windy.geometry.to_numpy(), turn, normalized=True)
    )
    chosen: list[int] = []
    for k, place in enumerate(middle):
        if all(np.hypot(*(place - middle[j])) > longest for j in chosen):
            chosen.append(k)
    windy, middle = windy.iloc[chosen], middle[chosen]
    speed = windy["wind_speed_m_s"].to_numpy(float)
    toward = np.radians(windy["wind_from_deg"].to_numpy(float) + 180.0)
    length = longest * speed / speed.max()

    def ahead(angle: np.ndarray, size: np.ndarray) -> np.ndarray:
        return np.asarray(np.column_stack([np.sin(angle), np.cos(angle)]) * size[:, None])

    tail, tip = middle - ahead(toward, length / 2), middle + ahead(toward, length / 2)
    barb = _BARB * length
    left, right = tip - ahead(toward + 0.45, barb), tip - ahead(toward - 0.45, barb)
    arrows = [
        shapely.MultiLineString([[t, p], [a, p, b]])
        for t, p, a, b in zip(tail, tip, left, right, strict=True)
    ]
    return windy.set_geometry(arrows, crs=passes.crs)

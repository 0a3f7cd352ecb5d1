"""Positions of a track: checked, and put into one metric coordinate reference system."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyproj
from numpy.typing import NDArray
from pyproj.enums import TransformDirection
from pyproj.exceptions import CRSError

from covermap.errors import Ask, SettingsError, TrackError, column_ask

LARGEST_SPREAD_M = 100_000.0
# A mapping CRS may stretch lengths; beyond this share areas and rates would be off.
_LARGEST_STRETCH = 0.005
_COLUMNS = column_ask("longitude"), column_ask("latitude")


@dataclass(frozen=True)
class Positions:
    """Metric positions of all rows, and what is wrong with some of them.

    ``easting`` and ``northing`` [m] are NaN where ``reason`` is not empty.
    """

    easting: NDArray[np.float64]
    northing: NDArray[np.float64]
    crs: pyproj.CRS
    reason: NDArray[np.object_]
    notes: tuple[str, ...]


def crs_from_text(text: str) -> pyproj.CRS:
    """Read a coordinate reference system such as ``EPSG:32615``.

    Raises
    ------
    SettingsError
        If it is unknown, or neither geographic nor projected.
    """
    try:
        crs = pyproj.CRS.from_user_input(text)
    except CRSError:
        raise SettingsError(
            f"[field] crs {text}: not a coordinate reference system.",
            "",
            "Give its EPSG code, e.g. {0} for degrees or {1} for UTM zone 15 north.",
            Ask("field.crs", "EPSG:4326"),
            Ask("field.crs", "EPSG:32615"),
        ) from None
    if crs.is_compound and crs.sub_crs_list:
        crs = crs.sub_crs_list[0]
    if not (crs.is_geographic or crs.is_projected):
        raise SettingsError(
            f"[field] crs {text}: {crs.name} is neither geographic nor projected.",
            "",
            "Give the code of degrees ({0}) or of a projected system.",
            Ask("field.crs", "EPSG:4326"),
        )
    return crs


def place(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    crs: pyproj.CRS,
    name: str,
    labels: tuple[str, str],
    working_crs: pyproj.CRS | None = None,
) -> Positions:
    """Check positions and transform them to a metric CRS.

    Parameters
    ----------
    x, y : numpy.ndarray
        Longitude and latitude, or easting and northing, in ``crs``; NaN where missing.
    crs : pyproj.CRS
        Of ``x`` and ``y``.
    name : str
        File name, for messages.
    labels : tuple of str
        What the file calls the two, for messages.
    working_crs : pyproj.CRS, optional
        Metric CRS to use instead of the UTM zone of the median position.

    Raises
    ------
    TrackError
        If no position is usable, most are out of range or swapped, or they are spread
        over more than one field.
    """
    present = np.isfinite(x) & np.isfinite(y)
    if crs.is_geographic:
        # Receivers without a fix write 0, 0.
        present &= ~((x == 0) & (y == 0))
    if not present.any():
        raise TrackError(
            f"{name}: no row has a position in {labels[0]!r} and {labels[1]!r}.",
            "Expected numbers.",
            "Name the right columns with {0} {1}.",
            *_COLUMNS,
        )
    usable = present.copy()
    if crs.is_geographic:
        usable &= _in_range_or_error(x, y, present, name, labels)
    elif float(np.median(np.abs(x[present]))) <= 360 and (
        float(np.median(np.abs(y[present]))) <= 90
    ):
        raise TrackError(
            f"{name}: {labels[0]!r} and {labels[1]!r} look like degrees, but the coordinate "
            f"reference system is {crs.name}.",
            "",
            "Give {0}.",
            Ask("field.crs", "EPSG:4326"),
        )
    target, notes = _metric_crs(x[usable], y[usable], crs, working_crs)
    easting = np.full(len(x), np.nan)
    northing = np.full(len(x), np.nan)
    if target == crs:
        longitude, _ = _degrees(x[usable], y[usable], crs)
        fits = np.isfinite(longitude)
        easting[usable] = np.where(fits, x[usable], np.nan)
        northing[usable] = np.where(fits, y[usable], np.nan)
    else:
        transformer = pyproj.Transformer.from_crs(crs, target, always_xy=True)
        easting[usable], northing[usable] = transformer.transform(x[usable], y[usable])
    fits = np.isfinite(easting) & np.isfinite(northing)
    if not fits.any():
        raise TrackError(
            f"{name}: no position in {labels[0]!r} and {labels[1]!r} lies within {crs.name}.",
            "",
            "Give the coordinate reference system of the file with {0}.",
            Ask("field.crs", "…"),
        )
    easting[~fits] = northing[~fits] = np.nan
    # one text many times over, not a copy for each row
    reasons = np.array(["", "position out of range", "no position"], dtype=object)
    reason = reasons[np.where(fits, 0, np.where(present, 1, 2))]
    _check_spread(easting[fits], northing[fits], name)
    return Positions(easting, northing, target, reason, notes)


def _in_range_or_error(
    longitude: NDArray[np.float64],
    latitude: NDArray[np.float64],
    present: NDArray[np.bool_],
    name: str,
    labels: tuple[str, str],
) -> NDArray[np.bool_]:
    lon_fits, lat_fits = np.abs(longitude) <= 180, np.abs(latitude) <= 90
    fits = lon_fits & lat_fits
    if np.mean(fits[present]) >= 0.5:
        return fits
    swapped = (np.abs(latitude) <= 180) & (np.abs(longitude) <= 90)
    if np.mean(swapped[present]) >= 0.5:
        raise TrackError(
            f"{name}: longitude and latitude seem swapped: {labels[1]!r} goes beyond ±90°, and "
            f"{labels[0]!r} would fit as latitude.",
            "",
            "Say which is which with {0} {1}.",
            column_ask("longitude", labels[1]),
            column_ask("latitude", labels[0]),
        )
    if float(np.median(np.abs(latitude[present]))) > 1000:
        raise TrackError(
            f"{name}: {labels[0]!r} and {labels[1]!r} look like metres or feet, not degrees.",
            "",
            "Give their coordinate reference system, e.g. {0}.",
            Ask("field.crs", "EPSG:32615"),
        )
    wrong = labels[1] if np.mean(lat_fits[present]) < np.mean(lon_fits[present]) else labels[0]
    limit = "±90" if wrong == labels[1] else "±180"
    raise TrackError(
        f"{name}: most values of {wrong!r} are beyond {limit} degrees.",
        "Expected degrees.",
        "Name the right columns with {0} {1}, or give {2} for projected coordinates.",
        *_COLUMNS,
        Ask("field.crs", "…"),
    )


def _metric_crs(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    crs: pyproj.CRS,
    working_crs: pyproj.CRS | None,
) -> tuple[pyproj.CRS, tuple[str, ...]]:
    # The median, so that a few spikes cannot move the zone.
    longitudes, latitudes = _degrees(x, y, crs)
    found = np.isfinite(longitudes) & np.isfinite(latitudes)
    if not found.any():
        return crs, ()
    longitude = float(np.median(longitudes[found]))
    latitude = float(np.median(latitudes[found]))
    for candidate in (working_crs, crs):
        if candidate is not None and _is_metric(candidate, longitude, latitude):
            return candidate, ()
    zone = int((longitude + 180) // 6) % 60 + 1
    utm = pyproj.CRS.from_epsg((32600 if latitude >= 0 else 32700) + zone)
    hemisphere = "north" if latitude >= 0 else "south"
    note = f"Positions were transformed from {crs.name} to UTM zone {zone} {hemisphere} (metres)."
    return utm, (note,)


def _degrees(
    x: NDArray[np.float64], y: NDArray[np.float64], crs: pyproj.CRS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if crs.is_geographic:
        return x, y
    transformer = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    longitude, latitude = transformer.transform(x, y, direction=TransformDirection.FORWARD)
    return np.asarray(longitude), np.asarray(latitude)


def _is_metric(crs: pyproj.CRS, longitude: float, latitude: float) -> bool:
    if not crs.is_projected or any(axis.unit_name != "metre" for axis in crs.axis_info):
        return False
    method = crs.coordinate_operation.method_name if crs.coordinate_operation else ""
    if "Pseudo Mercator" in method or method.startswith("Mercator"):
        return False
    factors = pyproj.Proj(crs).get_factors(longitude, latitude)
    stretches = np.array([factors.meridional_scale, factors.parallel_scale])
    return bool(np.all(np.abs(stretches - 1) < _LARGEST_STRETCH))


def _check_spread(easting: NDArray[np.float64], northing: NDArray[np.float64], name: str) -> None:
    def span(values: NDArray[np.float64]) -> float:
        low = float(np.quantile(values, 0.01, method="higher"))
        high = float(np.quantile(values, 0.99, method="lower"))
        return high - low

    spread = max(span(easting), span(northing))
    if spread <= LARGEST_SPREAD_M:
        return
    jumps = np.hypot(np.diff(easting), np.diff(northing)) > LARGEST_SPREAD_M
    if np.mean(jumps) > 0.02:
        raise TrackError(
            f"{name}: {int(jumps.sum()):,} times the track jumps by more than 100 km, so its rows "
            "seem to be in mixed UTM zones or of mixed machines.",
            way_out="Export it in degrees (longitude, latitude), one machine and field per file.",
        )
    raise TrackError(
        f"{name}: the track spreads over {spread / 1000:,.0f} km.",
        "Expected one field.",
        "It seems to hold more than one field or mixed zones: split it, or export it in degrees.",
    )

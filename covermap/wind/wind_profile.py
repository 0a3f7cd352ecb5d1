"""Wind by height: from the weather station's height and ground to that of flying pieces.

Logarithmic profiles over the station's ground and over the stubble, tied together as the
wind erosion model of the USDA (public domain) does. Sources: Raupach 1994,
Boundary-Layer Meteorology 71:211-216, for the displacement height; that model of USDA-ARS
for the roughness and for the step from one ground to another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from covermap.errors import SettingsError
from covermap.tables.said import Said

#: Roughness of open country with short grass, where stations stand [m]. Davenport's
#: class "open", as in the WMO guide to instruments (No. 8); value from memory.
GRASS_ROUGHNESS_M = 0.03
#: Bare ground is no smoother than this [m]: USDA-ARS, wind erosion model, 0.3 × random
#: roughness, here of 6 mm.
BARE_GROUND_ROUGHNESS_M = 0.3 * 0.006
#: Exponent of the roughness ratio (USDA-ARS, wind erosion model).
_GROUND_CHANGE_EXPONENT = 0.067
#: The roughness formula of that model holds above this silhouette area index.
_LEAST_SILHOUETTE = 0.1
#: Mean height of a piece in the air over its discharge height, see :func:`mean_flight_height`.
MEAN_HEIGHT_SHARE = 0.6


@dataclass(frozen=True)
class FlightWind:
    """How wind at the station becomes wind on the pieces.

    Attributes
    ----------
    factor : float
        Wind speed at flight height over that at the station.
    displacement_m, roughness_m : float
        Of the stubble [m].
    notes : tuple of Said
        Says so where the profile had no meaning and a calm was taken.
    """

    factor: float
    displacement_m: float
    roughness_m: float
    notes: tuple[Said, ...] = ()


def _above_profile_foot(
    height_m: float, displacement_m: float, roughness_m: float, name: str
) -> float:
    """Give ln((z - d) / z0) where it is positive, or refuse the height."""
    if not (roughness_m > 0 and displacement_m >= 0):
        raise SettingsError(
            f"Wind profile: roughness {roughness_m!r} m and displacement {displacement_m!r} m.",
            "Expected a roughness above 0 and a displacement of 0 or more.",
        )
    foot = displacement_m + roughness_m
    if not (math.isfinite(height_m) and height_m > foot):
        raise SettingsError(
            f"{name}: {height_m!r} m lies in or below the plants or ground, where a wind profile "
            "has no meaning.",
            f"Expected more than {foot:.3g} m.",
        )
    return math.log((height_m - displacement_m) / roughness_m)


def log_profile_factor(
    to_height_m: float, from_height_m: float, displacement_m: float, roughness_m: float
) -> float:
    """Give wind speed at one height over that at another [m], over the same ground.

    Displacement and roughness [m] are the ground's; 0 at or below their sum, where the profile
    ends.

    Raises
    ------
    SettingsError
        If ``from_height_m`` is that low, or ground values are impossible.
    """
    below = _above_profile_foot(from_height_m, displacement_m, roughness_m, "Wind height")
    if to_height_m <= displacement_m + roughness_m:
        return 0.0
    return math.log((to_height_m - displacement_m) / roughness_m) / below


def moved_wind_factor(
    to_height_m: float,
    from_height_m: float,
    *,
    to_displacement_m: float,
    to_roughness_m: float,
    from_displacement_m: float,
    from_roughness_m: float,
) -> float:
    """Give wind speed over one ground over that over another.

    ``u2 = u1 · ln((z2-d2)/z02) / ln((z1-d1)/z01) · (z02/z01)^0.067``

    Raises
    ------
    SettingsError
        If a height lies at or below displacement + roughness, or ground values are
        impossible.
    """
    to = _above_profile_foot(to_height_m, to_displacement_m, to_roughness_m, "Wind height")
    start = _above_profile_foot(
        from_height_m, from_displacement_m, from_roughness_m, "[wind] height"
    )
    return to / start * math.pow(to_roughness_m / from_roughness_m, _GROUND_CHANGE_EXPONENT)


def stubble_roughness(
    stubble_height_m: float, silhouette_area_index: float = 0.2
) -> tuple[float, float]:
    """Give displacement (Raupach 1994) and roughness (USDA-ARS) of standing stubble [m].

    Parameters
    ----------
    stubble_height_m : float
        Height of the cut [m].
    silhouette_area_index : float
        Side area of stems over ground area, above 0.1 [m²/m²]. 0.2 is 300 stems per m²
        of 2.7 mm, 0.25 m high (stem count times stem width times height).

    Raises
    ------
    SettingsError
        If a value is out of range.
    """
    if not (math.isfinite(stubble_height_m) and stubble_height_m >= 0):
        raise SettingsError(
            f"[crop] cut_height: {stubble_height_m!r} is out of range.", "Expected 0 m or more."
        )
    if not (math.isfinite(silhouette_area_index) and silhouette_area_index > _LEAST_SILHOUETTE):
        raise SettingsError(
            f"Silhouette area index of the stubble: {silhouette_area_index!r} is out of range.",
            f"Expected more than {_LEAST_SILHOUETTE:g}, below which the formula does not hold.",
        )
    depth = math.sqrt(15.0 * silhouette_area_index)
    displacement_m = stubble_height_m * (1 - (1 - math.exp(-depth)) / depth)
    a = silhouette_area_index
    roughness_m = stubble_height_m / (17.27 - 1.254 * math.log(a) / a - 3.714 / a)
    return displacement_m, roughness_m


def mean_flight_height(discharge_height_m: float) -> float:
    """Give the mean height above ground of a piece on its way down [m].

    Averaged over the time of flight of a piece thrown level, it is half the discharge
    height if it sinks at a steady speed and two thirds if it falls freely (z = H - g t²/2).
    Straw lies between.

    Raises
    ------
    SettingsError
        If the discharge is not above ground.
    """
    if not (math.isfinite(discharge_height_m) and discharge_height_m > 0):
        raise SettingsError(
            f"[combine] discharge_height: {discharge_height_m!r} is out of range.",
            "Expected more than 0 m.",
        )
    return discharge_height_m * MEAN_HEIGHT_SHARE


def reduce_to_flight(
    from_height_m: float,
    flight_height_m: float,
    stubble_height_m: float,
    *,
    station_roughness_m: float = GRASS_ROUGHNESS_M,
) -> FlightWind:
    """Give the factor from wind at the station to wind on the pieces over the stubble.

    By :func:`moved_wind_factor`, from the station's ground to stubble. A profile is a mean
    over many minutes and much ground; just above the stems, and in the lee of the machine,
    the wind is something else.

    Parameters
    ----------
    from_height_m, flight_height_m : float
        Above ground [m]: of the measurement, and of the pieces (:func:`mean_flight_height`).
    stubble_height_m : float
        Height of the cut [m]; 0 is bare ground.
    station_roughness_m : float
        Of the ground around the station [m].

    Returns
    -------
    FlightWind
        With factor 0 and a note if the pieces fly below displacement + roughness.

    Raises
    ------
    SettingsError
        If a value is out of range.
    """
    displacement_m, roughness_m = stubble_roughness(stubble_height_m)
    roughness_m = max(roughness_m, BARE_GROUND_ROUGHNESS_M)
    if not (math.isfinite(flight_height_m) and flight_height_m > 0):
        raise SettingsError(
            f"Flight height of the pieces: {flight_height_m!r} is out of range.",
            "Expected more than 0 m above ground.",
        )
    if flight_height_m <= displacement_m + roughness_m:
        numbers = {"flight_m": flight_height_m, "least_m": displacement_m + roughness_m}
        note = Said("wind-within-stubble", numbers)
        return FlightWind(0.0, displacement_m, roughness_m, (note,))
    factor = moved_wind_factor(
        flight_height_m,
        from_height_m,
        to_displacement_m=displacement_m,
        to_roughness_m=roughness_m,
        from_displacement_m=0.0,
        from_roughness_m=station_roughness_m,
    )
    return FlightWind(factor, displacement_m, roughness_m)

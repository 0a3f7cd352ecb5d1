"""How much less soil water and wind take under residue than from bare ground.

Soil-loss ratios, 1 for bare ground. The curve is bent, so a field with gaps loses more than
its mean cover lets one think: take the mean of the *ratio*, never the ratio of the mean
cover.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from covermap.errors import SettingsError
from covermap.ground.field_sums import count_of, sums_of
from covermap.ground.rasters import DerivedRaster, Raster
from covermap.plan.operation_table import Range, range_means

#: Bare smooth ground of the unit plot [mm]: 0.24 in (Renard et al. 1997).
SMOOTH_ROUGHNESS_MM = 6.096
#: How strongly cover works: rain between rills, usual cropland, rills (USDA-ARS training
#: notes: 0.025 to over 0.05; 0.035 usual after Renard et al. 1997) [1/%].
INTERRILL_PER_PCT, CROPLAND_PER_PCT, RILL_PER_PCT = 0.025, 0.035, 0.050
#: Cover within which Fryrear 1985 measured [%].
WIND_VALID_PCT = (8.0, 80.0)
_FRYREAR = (1.81, 0.072)
# Bilbro & Fryrear (wind tunnel) as quoted in, and field of, Mendez & Buschiazzo 2008
_OTHER_WIND_PER_PCT = (0.0438, 0.0605)


@dataclass(frozen=True)
class WindLoss:
    """Wind erosion against bare ground.

    Attributes
    ----------
    ratio : Range
        Soil-loss ratio: lowest, Fryrear's, and highest of the published curves.
    outside : numpy.ndarray of bool
        Cover outside 8 to 80 %, where the curve is not measured.
    """

    ratio: Range
    outside: np.ndarray


def _check_cover(cover_pct: np.ndarray | float) -> np.ndarray:
    cover = np.asarray(cover_pct)
    if np.any((cover < 0) | (cover > 100)):
        raise SettingsError("erosion: a cover is out of range.", "Expected 0 to 100 %.")
    return cover


def water_loss_ratio(
    cover_pct: np.ndarray | float,
    per_pct: float = CROPLAND_PER_PCT,
    roughness_mm: float = SMOOTH_ROUGHNESS_MM,
) -> np.ndarray:
    """Give soil loss to water ÷ that of bare ground: exp(−b Sp (6.096 / Ru)^0.08).

    Parameters
    ----------
    cover_pct : array or float
        Ground covered, Sp [%].
    per_pct : float
        How strongly cover works, b [1/%], within 0.025 and 0.05.
    roughness_mm : float
        Surface roughness, Ru [mm].

    Raises
    ------
    SettingsError
        If b, the roughness or the cover is out of range.

    References
    ----------
    Renard et al. 1997, USDA Agriculture Handbook 703.
    """
    if not INTERRILL_PER_PCT <= per_pct <= RILL_PER_PCT:
        raise SettingsError(
            f"erosion: b = {per_pct!r} is out of range.",
            f"Expected what is published, {INTERRILL_PER_PCT} to {RILL_PER_PCT}.",
        )
    if not 0 < roughness_mm < math.inf:
        raise SettingsError(
            f"erosion: a roughness of {roughness_mm!r} mm is out of range.", "Expected above 0 mm."
        )
    slope = per_pct * (SMOOTH_ROUGHNESS_MM / roughness_mm) ** 0.08
    return np.asarray(np.exp(-slope * _check_cover(cover_pct)))


def water_loss_range(
    cover_pct: np.ndarray | float, roughness_mm: float = SMOOTH_ROUGHNESS_MM
) -> Range:
    """Give the water soil-loss ratio for b of 0.05 (low), 0.035 and 0.025 (high)."""
    return Range(
        *(
            water_loss_ratio(cover_pct, per_pct, roughness_mm)
            for per_pct in (RILL_PER_PCT, CROPLAND_PER_PCT, INTERRILL_PER_PCT)
        )
    )


def wind_loss(cover_pct: np.ndarray | float) -> WindLoss:
    """Give soil loss to wind ÷ that of bare ground: 1.81 exp(−0.072 SC), never above 1.

    Outside 8 to 80 % the ratio is clamped and marked: below, the curve would pass 1 and is
    held there; above, it is held at its value at 80 %.

    Parameters
    ----------
    cover_pct : array or float
        Ground covered by flat residue [%].

    References
    ----------
    Fryrear 1985 (r = 0.94; the exponent is garbled in the stored abstract and fixed by its
    57 % at 20 % and 95 % at 50 % cover). Low and high: the lowest and highest of that,
    exp(−0.0438 SC) (Bilbro & Fryrear) and exp(−0.0605 SC) (Mendez & Buschiazzo 2008).
    """
    cover = _check_cover(cover_pct)
    low_end, high_end = WIND_VALID_PCT
    held = np.minimum(cover, high_end)
    mid = np.minimum(_FRYREAR[0] * np.exp(-_FRYREAR[1] * held), 1)
    low = high = mid
    for per_pct in _OTHER_WIND_PER_PCT:
        other = np.exp(-per_pct * held)
        low, high = np.minimum(low, other), np.maximum(high, other)
    return WindLoss(Range(low, mid, high), (cover < low_end) | (cover > high_end))


def field_wind_loss(cover_pct: Raster) -> WindLoss:
    """Give the field's soil loss to wind: means of :func:`wind_loss` over all mapped ground.

    ``outside`` is true if any of the ground is. Errors as :func:`field_mean_ratio`.
    """
    ratio = range_means(lambda cover: wind_loss(cover).ratio, cover_pct)
    if math.isnan(float(ratio.mid)):
        raise _nothing_mapped()
    outside = count_of(DerivedRaster(lambda cover: wind_loss(cover).outside, cover_pct))
    return WindLoss(ratio, np.asarray(outside > 0))


def field_mean_ratio(ratio: np.ndarray | float | Raster) -> float:
    """Give the field's soil-loss ratio: the mean over all mapped ground.

    Not the ratio of the mean cover, which is lower wherever cover is uneven (the water curve
    is convex everywhere, the wind curve above 8.2 % cover).

    Raises
    ------
    SettingsError
        If nothing is mapped.
    """
    mean = sums_of(ratio).mean
    if math.isnan(mean):
        raise _nothing_mapped()
    return mean


def _nothing_mapped() -> SettingsError:
    return SettingsError("erosion: no mapped ground.", "Expected cells that are not NaN.")

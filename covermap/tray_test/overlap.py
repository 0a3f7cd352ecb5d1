"""How passes lie over each other: unevenness against the spacing of the passes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from covermap.errors import TrayError

#: ``back_and_forth``: each pass runs against the one before it, so that left lies over
#: left; ``round_and_round``: all passes run the same way, so that right lies over left.
Mode = Literal["back_and_forth", "round_and_round"]
MODES: tuple[Mode, ...] = ("back_and_forth", "round_and_round")

#: Tray positions along one period lie no further apart than this [m].
_STEP_M = 0.05
#: Spacings are searched up to this many band widths; a level band has CV 122 % there.
_WIDEST_BANDS = 2.5
_SEARCH_STEPS = 400


@dataclass(frozen=True)
class ProfileCurve:
    """Residue across the band as straight lines between points, nothing outside them.

    Attributes
    ----------
    position_m : numpy.ndarray
        (n,) ascending, + right of the machine's centre line [m].
    density : numpy.ndarray
        (n,) share per metre, or any amount per area.
    """

    position_m: NDArray[np.float64]
    density: NDArray[np.float64]

    @property
    def curve(self) -> ProfileCurve:
        """The curve itself, so that curves and measured profiles can be used alike."""
        return self

    @property
    def width_m(self) -> float:
        """Edge-to-edge width [m]."""
        return float(self.position_m[-1] - self.position_m[0])

    def at(self, position_m: ArrayLike) -> NDArray[np.float64]:
        """Give the density at positions."""
        x = np.asarray(position_m, float)
        return np.asarray(np.interp(x, self.position_m, self.density, left=0.0, right=0.0))

    def below(self, position_m: ArrayLike) -> NDArray[np.float64]:
        """Give the amount left of positions, exact for straight lines."""
        x, d = self.position_m, self.density
        step = np.diff(x)
        sums = np.concatenate(([0.0], np.cumsum((d[1:] + d[:-1]) / 2 * step)))
        place = np.clip(position_m, x[0], x[-1])
        piece = np.clip(np.searchsorted(x, place, side="right") - 1, 0, len(x) - 2)
        past = place - x[piece]
        slope = (np.diff(d) / step)[piece]
        return np.asarray(sums[piece] + d[piece] * past + slope * past**2 / 2)

    def total(self) -> float:
        """Give the whole amount under the curve."""
        return float(self.below(self.position_m[-1]))

    def centroid_m(self) -> float:
        """Give the middle of the amount [m]."""
        x, d = self.position_m, self.density
        moment = np.diff(x) * (x[:-1] * (2 * d[:-1] + d[1:]) + x[1:] * (d[:-1] + 2 * d[1:])) / 6
        return float(moment.sum() / self.total())

    def mirrored(self) -> ProfileCurve:
        """Give the curve with left and right exchanged."""
        return ProfileCurve(-self.position_m[::-1], self.density[::-1])

    def scaled(self, factor: float) -> ProfileCurve:
        """Give the curve with all densities multiplied."""
        return ProfileCurve(self.position_m, self.density * factor)


class HasCurve(Protocol):
    """A measured profile, or a curve."""

    @property
    def curve(self) -> ProfileCurve:
        """Residue across the band."""
        ...


@dataclass(frozen=True)
class WidestSpacing:
    """How far apart passes may run.

    Attributes
    ----------
    widest_m : float
        The largest spacing at which the CV is within the limit [m].
    steady_m : float or None
        The largest spacing such that it *and every narrower one* down to ``from_m`` is
        within the limit: the one to drive by if the spacing varies. None if ``from_m``
        itself is not within it.
    from_m : float
        Narrowest spacing looked at: half of the half-rate width (narrower passes are not
        driven: common practice, no source) [m].
    """

    widest_m: float
    steady_m: float | None
    from_m: float


def overlapped(
    profile: HasCurve,
    position_m: ArrayLike,
    spacing_m: float,
    mode: Mode = "round_and_round",
    tray_m: float = 0.0,
) -> NDArray[np.float64]:
    """Give what lies at positions across endless passes.

    Parameters
    ----------
    profile : HasCurve
        Residue across one pass; the passes lie at 0, ±S, ±2S …
    position_m : array_like
        Middles of the trays [m].
    spacing_m : float
        Distance S between neighbouring passes [m].
    mode : str
        ``back_and_forth`` mirrors every second pass, ``round_and_round`` none.
    tray_m : float
        Width of a tray [m]; 0 reads the curve at a point.

    Returns
    -------
    numpy.ndarray
        Sum of all passes, mean over each tray, in the unit of the curve.
    """
    if mode not in MODES:
        raise TrayError(
            f"mode: {mode!r} is none of {', '.join(MODES)}.", way_out="Choose one of them."
        )
    if not spacing_m > 0 or not tray_m >= 0:
        raise TrayError(
            f"Spacing {spacing_m:g} m and tray {tray_m:g} m make no pattern.",
            "Expected a spacing above 0 and a tray of 0 m or more.",
        )
    curve = profile.curve
    x = np.asarray(position_m, float)
    far = np.abs(curve.position_m).max() + tray_m
    passes = np.arange(
        np.floor((x.min() - far) / spacing_m), np.ceil((x.max() + far) / spacing_m) + 1
    )
    away = x - passes[:, None] * spacing_m
    if mode == "back_and_forth":
        away = np.where(passes[:, None] % 2 == 0, away, -away)
    if tray_m == 0:
        return np.asarray(curve.at(away).sum(axis=0))
    caught = curve.below(away + tray_m / 2) - curve.below(away - tray_m / 2)
    return np.asarray(caught.sum(axis=0) / tray_m)


def cv_against_spacing(
    profile: HasCurve,
    spacings_m: ArrayLike,
    tray_m: float = 0.5,
    mode: Mode = "back_and_forth",
) -> NDArray[np.float64]:
    """Give the coefficient of variation [%] of overlapped passes for each spacing [m].

    A tray [m] is slid over one period of the pattern (the spacing, or twice the spacing back
    and forth) in even steps of at most 0.05 m. As a whole period is covered this is the
    population CV (divided by n): no sample stands for a larger whole.
    """
    result = []
    for spacing in np.atleast_1d(np.asarray(spacings_m, float)):
        period = float(spacing) * (2 if mode == "back_and_forth" else 1)
        if not np.isfinite(period) or period <= 0:
            raise TrayError(
                f"A spacing of {spacing:g} m is no spacing.", "Expected metres above 0."
            )
        count = int(np.ceil(period / _STEP_M - 1e-9))
        middles = (np.arange(count) + 0.5) * period / count
        lies = overlapped(profile, middles, float(spacing), mode, tray_m)
        result.append(100 * lies.std() / lies.mean())
    return np.array(result)


def widest_spacing(
    profile: HasCurve,
    cv_limit_pct: float,
    mode: Mode = "back_and_forth",
    tray_m: float = 0.5,
) -> WidestSpacing | None:
    """Find how far apart passes may run so that the CV stays within a limit.

    Parameters
    ----------
    profile : HasCurve
        Residue across one pass.
    cv_limit_pct : float
        Largest CV accepted, above 0 and at most 100 [%].
    mode : str
        ``back_and_forth`` or ``round_and_round``.
    tray_m : float
        Width of a tray [m].

    Returns
    -------
    WidestSpacing or None
        To 0.01 m; None if no spacing from half of the half-rate width up is within the
        limit.
    """
    if not 0 < cv_limit_pct <= 100:
        raise TrayError(
            f"A CV limit of {cv_limit_pct:g} % is out of range.",
            "Expected more than 0 and at most 100 %.",
        )
    start = effective_width_half_rate(profile) / 2
    stop = profile.curve.width_m * _WIDEST_BANDS
    step = max(_STEP_M, profile.curve.width_m / _SEARCH_STEPS)
    spacings = np.arange(start, stop + step, step)
    within = cv_against_spacing(profile, spacings, tray_m, mode) <= cv_limit_pct
    if not within.any():
        return None

    def border(last: int) -> float:
        good, bad = float(spacings[last]), float(spacings[last] + step)
        while bad - good > 0.005:
            middle = (good + bad) / 2
            fits = cv_against_spacing(profile, middle, tray_m, mode)[0] <= cv_limit_pct
            good, bad = (middle, bad) if fits else (good, middle)
        return round(good, 2)

    first_bad = int(np.argmin(within)) if not within.all() else len(within)
    return WidestSpacing(
        widest_m=border(int(np.flatnonzero(within)[-1])),
        steady_m=border(first_bad - 1) if first_bad else None,
        from_m=start,
    )


def effective_width_half_rate(profile: HasCurve) -> float:
    """Give the distance between the outermost points at half of the peak [m].

    Ohio State University Extension, Bulletin 817: twice the distance to the half-rate
    point is the effective swath.
    """
    x, d = profile.curve.position_m, profile.curve.density
    first, last = outermost(x, d, d.max() / 2)
    return last - first


def outermost(
    position_m: NDArray[np.float64], density: NDArray[np.float64], level: float
) -> tuple[float, float]:
    """Give the outermost positions where the straight lines reach a level [m]."""
    reached = np.flatnonzero(density >= level * (1 - 1e-12))
    low, high = int(reached[0]), int(reached[-1])

    def crossing(inner: int, outer: int) -> float:
        if not 0 <= outer < len(density):
            return float(position_m[inner])
        part = (density[inner] - level) / (density[inner] - density[outer])
        return float(position_m[inner] + part * (position_m[outer] - position_m[inner]))

    return crossing(low, low - 1), crossing(high, high + 1)

"""Fit the shapes the deposit knows (flat, triangle, trapezoid, bell) to tray readings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from covermap.spread.profile import profile_shares

SHAPES = ("flat", "triangle", "trapezoid", "bell")
#: The peak keeps this share of the band's width away from each edge.
_PEAK_INSIDE = 0.02
#: How far inside the edges seen a level band's own edges are looked for [tray spacings].
_LEVEL_TRAYS = 2.5
#: A tray of unknown width is taken as this wide in the fit: a point has no slope to follow
#: where a level band ends [share of the tray spacing].
_POINT_WIDTH = 0.1


@dataclass(frozen=True)
class FittedShape:
    """One shape fitted to the readings; standard errors are heteroscedasticity-robust.

    Attributes
    ----------
    shape : str
        ``flat``, ``triangle``, ``trapezoid`` or ``bell``.
    reach_left_m, reach_right_m : float
        Machine's centre line to each edge; negative if the band ends short of it [m].
    lean_m : float
        Middle of the residue, + right of the machine's centre line [m].
    peak_m : float
        Where the two sides of the shape meet [m].
    reach_left_se_m, reach_right_se_m, lean_se_m : float
        Standard errors [m].
    r_squared : float
        Share of the variance between trays that the shape explains.
    residual_per_m : float
        Root mean square of what is left over [1/m].
    aicc : float
        Akaike's criterion with the correction for few readings; lowest is best.
    total : float
        Amount under the shape (near 1 for shares).
    """

    shape: str
    reach_left_m: float
    reach_right_m: float
    lean_m: float
    peak_m: float
    reach_left_se_m: float
    reach_right_se_m: float
    lean_se_m: float
    r_squared: float
    residual_per_m: float
    aicc: float
    total: float

    def field_values(self) -> dict[str, str | float]:
        """Give [spread] keys; there reaches count from the shifted middle, the lean."""
        return {
            "profile": self.shape,
            "lean": self.peak_m,
            "reach_left": self.reach_left_m + self.peak_m,
            "reach_right": self.reach_right_m - self.peak_m,
        }

    def density_per_m(self, position_m: NDArray[np.float64], width_m: float) -> NDArray[np.float64]:
        """Give the shape at positions, averaged over a tray ``width_m`` wide [1/m]."""
        band = self.reach_left_m + self.reach_right_m
        centre = (self.reach_right_m - self.reach_left_m) / 2
        peak = (self.peak_m + self.reach_left_m) / band
        parameters = np.array([self.total, centre, band, peak])
        return _tray_average(self.shape, position_m, np.full(len(position_m), width_m), parameters)


def fit_shapes(
    station_m: NDArray[np.float64],
    tray_width_m: NDArray[np.float64],
    run_density: NDArray[np.float64],
    edges_m: tuple[float, float],
) -> tuple[FittedShape, ...]:
    """Fit all shapes to all readings, the best (lowest AICc) first.

    Each shape is averaged over the width of the tray, as the tray itself does. The two
    sides of a shape may differ in length; a flat band has no peak to place.

    Parameters
    ----------
    station_m, tray_width_m : numpy.ndarray
        (n,) positions and widths of the trays [m].
    run_density : numpy.ndarray
        (runs, n) share per metre; NaN where nothing was read [1/m].
    edges_m : tuple of float
        Edges of the band seen, to start from [m].

    Returns
    -------
    tuple of FittedShape
        Empty if there are too few readings for any shape.
    """
    known = np.isfinite(run_density)
    run, tray = np.nonzero(known)
    x, y = station_m[tray], run_density[run, tray]
    point = _POINT_WIDTH * float(np.median(np.diff(station_m)))
    widths = np.maximum(tray_width_m, point)
    w = widths[tray]
    gap = max(float(np.median(np.diff(station_m)) - np.median(widths)), 0.0)
    fits = [fit for shape in SHAPES if (fit := _fit(shape, x, w, y, edges_m, gap)) is not None]
    return tuple(sorted(fits, key=lambda fit: fit.aicc))


def _tray_average(
    shape: str,
    x: NDArray[np.float64],
    w: NDArray[np.float64],
    parameters: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Average a shape over trays; parameters are total, centre, width, place of the peak."""
    total, centre, width = parameters[:3]
    places, below, _ = _unit_shape(shape, float(parameters[3]) if shape != "flat" else 0.5)
    edges = centre + width * places
    upper, lower = np.interp(x + w / 2, edges, below), np.interp(x - w / 2, edges, below)
    return np.asarray(total * (upper - lower) / w)


@lru_cache(maxsize=256)
def _unit_shape(shape: str, peak: float) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Give places from -1/2 to 1/2, the share below each, and the middle of the residue."""
    shares = profile_shares(shape, peak, 1 - peak)
    places = np.linspace(-0.5, 0.5, len(shares) + 1)
    middle = float((shares * (places[1:] + places[:-1]) / 2).sum())
    return places, np.concatenate(([0.0], np.cumsum(shares))), middle


def _level_start(
    x: NDArray[np.float64],
    w: NDArray[np.float64],
    y: NDArray[np.float64],
    edges_m: tuple[float, float],
) -> NDArray[np.float64]:
    """Look for the edges of a level band on a lattice: between two trays nothing slopes."""
    step = float(np.median(np.diff(np.unique(x))))
    inwards = step * np.arange(0, _LEVEL_TRAYS, 1 / 6)
    left = (edges_m[0] + inwards)[:, None, None]
    right = (edges_m[1] - inwards)[None, :, None]
    overlap = np.minimum(x + w / 2, right) - np.maximum(x - w / 2, left)
    caught = np.clip(overlap / w, 0, None)
    height = (caught @ y) / np.maximum((caught**2).sum(axis=-1), 1e-12)
    rest = ((y - height[..., None] * caught) ** 2).sum(axis=-1)
    rest[right[..., 0] - left[..., 0] < step / 2] = np.inf
    if not np.isfinite(rest).any():
        return np.array([1.0, sum(edges_m) / 2, edges_m[1] - edges_m[0]])
    i, j = np.unravel_index(np.argmin(rest), rest.shape)
    low, high = edges_m[0] + inwards[i], edges_m[1] - inwards[j]
    return np.array([height[i, j] * (high - low), (low + high) / 2, high - low])


def _lean(shape: str, parameters: NDArray[np.float64]) -> float:
    _, centre, width = parameters[:3]
    peak = float(parameters[3]) if shape != "flat" else 0.5
    return float(centre + width * _unit_shape(shape, peak)[2])


def _gradient(
    function: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    at: NDArray[np.float64],
) -> NDArray[np.float64]:
    columns = []
    for k in range(len(at)):
        step = np.zeros(len(at))
        step[k] = 1e-4 * max(abs(at[k]), 0.1)
        columns.append((function(at + step) - function(at - step)) / (2 * step[k]))
    return np.stack(columns, axis=-1)


def _fit(
    shape: str,
    x: NDArray[np.float64],
    w: NDArray[np.float64],
    y: NDArray[np.float64],
    edges_m: tuple[float, float],
    gap_m: float,
) -> FittedShape | None:
    count = 3 if shape == "flat" else 4
    # One more for the variance; AICc needs a reading beyond that.
    k = count + 1
    if len(y) <= k + 1:
        return None
    span = float(np.ptp(x)) + float(w.max())
    width = max(edges_m[1] - edges_m[0], 1e-3 * span)
    start = np.array([1.0, sum(edges_m) / 2, width, 0.5])[:count]
    if shape == "flat":
        start = _level_start(x, w, y, edges_m)
    low = np.array([0.0, x.min(), 1e-4 * span, _PEAK_INSIDE])[:count]
    high = np.array([10.0, x.max(), 2 * span, 1 - _PEAK_INSIDE])[:count]

    def model(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        return _tray_average(shape, x, w, parameters)

    from scipy.optimize import least_squares  # slow to load, and a map seldom needs it

    found = least_squares(
        lambda p: model(p) - y,
        np.clip(start, low + 1e-9, high - 1e-9),
        bounds=(low, high),
        x_scale=np.array([1.0, width, width, 1.0])[:count],
        xtol=1e-6,
        ftol=1e-8,
        gtol=1e-9,
    )
    best = np.asarray(found.x, float)
    rest = y - model(best)
    squares = max(float(rest @ rest), 1e-12 * float(y @ y))
    # Sandwich covariance with leverage-corrected residuals (MacKinnon and White 1985, HC3;
    # from memory): readings scatter more under the peak than at the edges.
    slopes = _gradient(model, best)
    bread = np.linalg.pinv(slopes.T @ slopes)
    leverage = np.einsum("ij,jk,ik->i", slopes, bread, slopes)
    scaled = rest / np.clip(1 - leverage, 0.05, 1.0)
    covariance = bread @ (slopes.T * scaled**2) @ slopes @ bread

    def shown(p: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.array([p[2] / 2 - p[1], p[2] / 2 + p[1], _lean(shape, p)])

    turned = _gradient(shown, best)
    variances = np.diag(turned @ covariance @ turned.T).clip(min=0)
    if shape == "flat":
        # No tray sees where between two trays a level band ends.
        variances = variances + gap_m**2 / 12 * np.array([1.0, 1.0, 0.5])
    errors = np.sqrt(variances)
    left, right, lean = shown(best)
    n = len(y)
    spread = float(((y - y.mean()) ** 2).sum())
    return FittedShape(
        shape=shape,
        reach_left_m=float(left),
        reach_right_m=float(right),
        lean_m=float(lean),
        peak_m=float(best[1] + best[2] * (best[3] - 0.5)) if count == 4 else float(best[1]),
        reach_left_se_m=float(errors[0]),
        reach_right_se_m=float(errors[1]),
        lean_se_m=float(errors[2]),
        r_squared=1 - squares / spread if spread > 0 else 0.0,
        residual_per_m=float(np.sqrt(squares / n)),
        aicc=n * float(np.log(squares / n)) + 2 * k + 2 * k * (k + 1) / (n - k - 1),
        total=float(best[0]),
    )

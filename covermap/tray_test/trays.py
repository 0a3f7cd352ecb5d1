"""From tray readings to the profile of the spread: where the residue landed, how surely."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from covermap.errors import TrayError
from covermap.tables.said import Said
from covermap.tray_test.overlap import ProfileCurve, outermost
from covermap.tray_test.tray_file import TrayTest
from covermap.tray_test.tray_shapes import FittedShape, fit_shapes

#: The band ends where the mean profile falls under this share of its peak.
EDGE_SHARE_OF_PEAK = 0.02
#: Runs are compared as shares of residue that would have to move to turn one into the
#: other. Less than this is scatter (own choice, no source).
_LEAST_DISAGREEMENT = 0.10
#: Median absolute deviations, scaled to a standard deviation, that make an outlier
#: (common practice, no source).
_OUTLIER_DEVIATIONS = 3.0
#: A mirrored run fits its mirror image at least this much better (own choice, no source).
_MIRROR_GAIN = 0.5
_COMPARED_POINTS = 801
#: Less than this across the band is nothing: a share of it would not be a number.
_LEAST_AMOUNT = 1e-12


@dataclass(frozen=True)
class MeasuredProfile:
    """Profile of the thrown band as trays caught it; left and right looking forward.

    Attributes
    ----------
    name : str
        Name of the test.
    station_m, tray_width_m : numpy.ndarray
        (n,) middle of each tray, + right, and its width (0: a point) [m].
    density_per_m, standard_error_per_m : numpy.ndarray
        (n,) mean share per metre and its standard error from the runs (NaN with fewer
        than two runs there) [1/m].
    run_density_per_m : numpy.ndarray
        (runs, n) share per metre of every run, NaN where it has no tray [1/m].
    run_names : tuple of str
        All runs.
    run_kept : tuple of bool
        Runs that are in the mean.
    run_amount : numpy.ndarray
        (runs,) amount across the band, in ``run_unit``.
    run_unit : str
        ``kg per m of travel``, or what the trays allow.
    curve : ProfileCurve
        Mean profile from edge to edge, integral 1 [1/m].
    reach_left_m, reach_right_m : float
        Centre line to each edge; negative if the band ends short of it [m].
    lean_m, lean_se_m : float
        Middle of the residue, + right, and its standard error: the larger of that between
        runs and that from the scatter of single trays [m].
    behind_half_width_m, share_behind_machine : float
        Half width of the ground behind the machine [m], share of the residue on it.
    asymmetry_share : float
        Share that would have to move to make the two halves mirror images.
    shares : numpy.ndarray
        Share in equal steps from the left to the right of the table, sum 1.
    table_left_m, table_right_m : float
        Centre line to the ends of ``shares``: the reaches, but never negative [m].
    fit : FittedShape or None
        Best of flat, triangle, trapezoid and bell; None with too few readings.
    other_fits : tuple of FittedShape
        The others, best first.
    notes : tuple of Said
        What was found, assumed and left out.
    ledger : mapping of str to int
        runs, runs_left_out, runs_mirrored, trays, trays_missing, trays_outside.
    """

    name: str
    station_m: NDArray[np.float64]
    tray_width_m: NDArray[np.float64]
    density_per_m: NDArray[np.float64]
    standard_error_per_m: NDArray[np.float64]
    run_density_per_m: NDArray[np.float64]
    run_names: tuple[str, ...]
    run_kept: tuple[bool, ...]
    run_amount: NDArray[np.float64]
    run_unit: str
    curve: ProfileCurve
    reach_left_m: float
    reach_right_m: float
    lean_m: float
    lean_se_m: float
    behind_half_width_m: float
    share_behind_machine: float
    asymmetry_share: float
    shares: NDArray[np.float64]
    table_left_m: float
    table_right_m: float
    fit: FittedShape | None
    other_fits: tuple[FittedShape, ...] = ()
    notes: tuple[Said, ...] = ()
    ledger: Mapping[str, int] = field(default_factory=dict)

    @property
    def mean_amount(self) -> float:
        """Mean amount across the band of the runs kept, in ``run_unit``."""
        return float(self.run_amount[list(self.run_kept)].mean())


def measure_profile(
    test: TrayTest,
    *,
    behind_half_width_m: float = 1.5,
    keep_all_runs: bool = False,
    share_step_m: float = 0.25,
) -> MeasuredProfile:
    """Turn tray readings into the profile of the thrown band.

    Between trays the profile runs in straight lines; over the outer half of an end tray it
    is level. Every run counts the same: runs are turned to shares before the mean. The
    band ends where the mean falls under 2 % of its peak; what lies beyond is cut off and
    shared out.

    Parameters
    ----------
    test : TrayTest
        Readings, from :func:`covermap.tray_test.tray_file.read_tray_test`.
    behind_half_width_m : float
        Ground within this distance of the centre line is behind the machine [m].
    keep_all_runs : bool
        Keep a run that disagrees with its fellows in the mean.
    share_step_m : float
        About the step of ``shares`` [m].

    Returns
    -------
    MeasuredProfile

    Raises
    ------
    TrayError
        If a run caught nothing, or an option is out of range.
    """
    if not (behind_half_width_m > 0 and share_step_m > 0):
        raise TrayError(
            f"{test.name}: behind_half_width {behind_half_width_m:g} m or share_step "
            f"{share_step_m:g} m is out of range.",
            "Expected both above 0.",
        )
    notes = list(test.notes)
    curves, run_amount = _run_curves(test)
    density = np.array([_at_stations(test, run, curves[run]) for run in range(len(curves))])
    kept = _judge_runs(test, curves, keep_all_runs, notes)
    mean, error = _mean_and_error(density[kept])
    seen = np.isfinite(mean)
    station, width, mean, error = (
        a[seen] for a in (test.station_m, test.tray_width_m, mean, error)
    )
    density = density[:, seen]
    whole = _curve(station, width, mean)
    curve, factor = _trimmed(whole)
    left, right = float(curve.position_m[0]), float(curve.position_m[-1])
    outside = int(((station < left) | (station > right)).sum())
    _note_edges(test.name, station, whole, curve, outside, notes)
    mean, error, density = mean * factor, error * factor, density * factor
    fits = fit_shapes(station, width, density[kept], (left, right))
    if not fits:
        notes.append(Said("tray-no-shape"))
    lean = curve.centroid_m()
    half = behind_half_width_m
    table_left, table_right = max(-left, 0.0), max(right, 0.0)
    steps = max(round((table_left + table_right) / share_step_m), 1)
    bins = np.linspace(-table_left, table_right, steps + 1)
    asymmetry = _moved_share(curve, curve.mirrored())
    if side := _empty_side(curve):
        notes.append(Said("tray-one-side", {"side": side}))
    halves = "alike" if asymmetry < _LEAST_DISAGREEMENT else "differ"
    notes.append(Said(f"tray-halves-{halves}", {"share": float(asymmetry)}))
    return MeasuredProfile(
        name=test.name,
        station_m=station,
        tray_width_m=width,
        density_per_m=mean,
        standard_error_per_m=error,
        run_density_per_m=density,
        run_names=test.run_names,
        run_kept=tuple(bool(k) for k in kept),
        run_amount=run_amount,
        run_unit=test.run_unit,
        curve=curve,
        reach_left_m=-left,
        reach_right_m=right,
        lean_m=lean,
        lean_se_m=_lean_error(station, width, density[kept], lean, fits),
        behind_half_width_m=half,
        share_behind_machine=float(curve.below(half) - curve.below(-half)),
        asymmetry_share=asymmetry,
        shares=np.maximum(np.diff(curve.below(bins)), 0.0),
        table_left_m=table_left,
        table_right_m=table_right,
        fit=fits[0] if fits else None,
        other_fits=fits[1:],
        notes=tuple(notes),
        ledger={
            "runs": len(curves),
            "runs_left_out": int((~kept).sum()),
            "runs_mirrored": test.mirrored,
            "trays": int(np.isfinite(test.amount).sum()) + test.missing,
            "trays_missing": test.missing,
            "trays_outside": outside,
        },
    )


def _curve(
    station: NDArray[np.float64], width: NDArray[np.float64], amount: NDArray[np.float64]
) -> ProfileCurve:
    """Straight lines between trays, level over the outer half of the end trays."""
    x, y = station, amount
    if width[0] > 0:
        x, y = np.append(x[0] - width[0] / 2, x), np.append(y[0], y)
    if width[-1] > 0:
        x, y = np.append(x, x[-1] + width[-1] / 2), np.append(y, y[-1])
    return ProfileCurve(x, y)


def _run_curves(test: TrayTest) -> tuple[list[ProfileCurve], NDArray[np.float64]]:
    curves, amounts = [], []
    for name, amount in zip(test.run_names, test.amount, strict=True):
        read = np.isfinite(amount)
        if read.sum() < 2:
            raise TrayError(
                f"{test.name}, {name}: {int(read.sum())} tray with a reading.",
                "Expected at least two across the band.",
                "Add the missing weights or leave the run out.",
            )
        curve = _curve(test.station_m[read], test.tray_width_m[read], amount[read])
        total = curve.total()
        if total <= _LEAST_AMOUNT:
            raise TrayError(
                f"{test.name}, {name}: all trays are zero, so there is no spread to measure.",
                way_out="Check the weights or leave the run out.",
            )
        amounts.append(total)
        curves.append(curve.scaled(1 / total))
    return curves, np.array(amounts)


def _at_stations(test: TrayTest, run: int, curve: ProfileCurve) -> NDArray[np.float64]:
    """Read a run at all stations, over gaps too; NaN beyond its own end trays."""
    read = np.flatnonzero(np.isfinite(test.amount[run]))
    density = curve.at(test.station_m)
    density[: read[0]] = density[read[-1] + 1 :] = np.nan
    return density


def _mean_and_error(
    density: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    count = np.isfinite(density).sum(axis=0)
    known = np.maximum(count, 1)
    mean = np.where(count > 0, np.nansum(density, axis=0) / known, np.nan)
    squares = np.nansum((density - mean) ** 2, axis=0)
    error = np.sqrt(squares / np.maximum(count - 1, 1) / known)
    return mean, np.where(count > 1, error, np.nan)


def _moved_share(one: ProfileCurve, other: ProfileCurve) -> float:
    """Give the share of residue that lies elsewhere: half of the area between two curves."""
    ends = (one.position_m[[0, -1]], other.position_m[[0, -1]])
    x = np.linspace(min(e[0] for e in ends), max(e[1] for e in ends), _COMPARED_POINTS)
    return float(np.abs(one.at(x) - other.at(x)).mean() * (x[-1] - x[0]) / 2)


def _judge_runs(
    test: TrayTest, curves: list[ProfileCurve], keep_all: bool, notes: list[Said]
) -> NDArray[np.bool_]:
    """Look for mirror images and for runs that disagree; say so; tell which to keep."""
    names = np.array(test.run_names)
    turned = _mirror_images(curves)
    if turned.any():
        notes.append(Said("tray-mirrored", {"runs": ", ".join(names[turned])}))
    kept = np.ones(len(curves), dtype=np.bool_)
    if len(curves) < 3:
        return kept
    ends = np.array([c.position_m[[0, -1]] for c in curves])
    x = np.linspace(ends[:, 0].min(), ends[:, 1].max(), _COMPARED_POINTS)
    density = np.array([c.at(x) for c in curves])
    away = np.abs(density - np.median(density, axis=0)).mean(axis=1) * (x[-1] - x[0]) / 2
    middle = float(np.median(away))
    scatter = 1.4826 * float(np.median(np.abs(away - middle)))
    limit = max(_LEAST_DISAGREEMENT, 2 * middle, middle + _OUTLIER_DEVIATIONS * scatter)
    for run in np.flatnonzero(away > limit):
        rule = "tray-disagrees-kept" if keep_all else "tray-disagrees"
        shares = {"share": float(away[run]), "limit": limit, "middle": middle}
        notes.append(Said(rule, {"run": str(names[run]), **shares}))
        kept[run] = keep_all
    return kept


def _mirror_images(curves: list[ProfileCurve]) -> NDArray[np.bool_]:
    """Tell the runs, the fewer ones, that fit the others better when mirrored."""
    n = len(curves)
    direct, mirror = np.zeros((n, n)), np.zeros((n, n))
    for i in range(n):
        for j in range(i):
            direct[i, j] = direct[j, i] = _moved_share(curves[i], curves[j])
            mirror[i, j] = mirror[j, i] = _moved_share(curves[i].mirrored(), curves[j])
    better = (direct > _LEAST_DISAGREEMENT) & (mirror < _MIRROR_GAIN * direct)
    # The run most like all others, mirrored or not, stands for them.
    stands = int(np.argmin(np.minimum(direct, mirror).sum(axis=1)))
    turned = better[stands]
    return np.asarray(~turned if turned.sum() * 2 > n else turned)


def _trimmed(whole: ProfileCurve) -> tuple[ProfileCurve, float]:
    """Cut a curve at its edges; give the factor that brings its integral back to 1."""
    level = EDGE_SHARE_OF_PEAK * float(whole.density.max())
    left, right = outermost(whole.position_m, whole.density, level)
    inside = (whole.position_m > left) & (whole.position_m < right)
    x = np.concatenate(([left], whole.position_m[inside], [right]))
    cut = ProfileCurve(x, np.interp(x, whole.position_m, whole.density))
    factor = 1 / cut.total()
    return cut.scaled(factor), factor


def _note_edges(
    name: str,
    station: NDArray[np.float64],
    whole: ProfileCurve,
    curve: ProfileCurve,
    outside: int,
    notes: list[Said],
) -> None:
    edges = {
        "edge_share": EDGE_SHARE_OF_PEAK,
        "outside": outside,
        "trays": len(station),
        "spacing_m": float(np.median(np.diff(station))),
    }
    notes.append(Said("tray-edges", edges))
    sides = []
    if curve.position_m[0] <= whole.position_m[0]:
        sides.append("left")
    if curve.position_m[-1] >= whole.position_m[-1]:
        sides.append("right")
    if sides:
        notes.append(Said("tray-beyond", {"name": name, "sides": " and ".join(sides)}))


def _lean_error(
    station: NDArray[np.float64],
    width: NDArray[np.float64],
    density: NDArray[np.float64],
    lean: float,
    fits: tuple[FittedShape, ...],
) -> float:
    """Give the standard error of the centroid; NaN if neither runs nor a fit tell one."""
    filled = np.nan_to_num(density)
    weight = np.gradient(station)
    amount = filled @ weight
    runs = len(density)
    if runs > 1:
        leans = (filled * station) @ weight / amount
        between = float(leans.std(ddof=1)) / np.sqrt(runs)
        rest = (density - np.nanmean(density, axis=0)) * np.sqrt(runs / (runs - 1))
    elif fits:
        between = 0.0
        freedom = max(len(station) - 4, 1)
        shape = fits[0].density_per_m(station, float(np.median(width)) or 1e-3)
        rest = (density - shape) * np.sqrt(len(station) / freedom)
    else:
        return float("nan")
    pull = (station - lean) * weight / amount.mean()
    single = float(np.sqrt((np.nan_to_num(rest) ** 2 @ pull**2).sum())) / runs
    return max(float(between), single)


def _empty_side(curve: ProfileCurve) -> str:
    """Name the side of the machine on which nothing lies; empty if there is none."""
    left, right = float(curve.position_m[0]), float(curve.position_m[-1])
    if left < -0.1 and right > 0.1:
        return ""
    return "left" if left >= -0.1 else "right"

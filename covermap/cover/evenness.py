"""How even a spread is: CV, URDR, Christiansen's coefficient, low-quarter uniformity."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

import numpy as np
import pandas as pd

from covermap.cover.tray_readings import Readings

#: Lanes to either side of a pass that are told apart.
_LANES = 200


@dataclass(frozen=True)
class Evenness:
    """Measures of one set of readings; NaN where there are too few.

    Attributes
    ----------
    cv_pct : float
        Standard deviation (n − 1) over mean [%].
    christiansen_cu_pct : float
        100 (1 − Σ|x − mean| / (n mean)) [%].
    low_quarter_du_pct : float
        Mean of the lowest quarter over the mean [%].
    mean : float
        Mean reading.
    urdr : float
        Highest ÷ lowest mean across the pass; infinite where a lane got nothing.
    """

    cv_pct: float
    christiansen_cu_pct: float
    low_quarter_du_pct: float
    mean: float
    urdr: float = math.nan

    def as_dict(self) -> dict[str, float]:
        """Give the measures by name."""
        return asdict(self)


def cv_pct(readings: np.ndarray) -> float:
    """Give the coefficient of variation [%] with n − 1.

    n − 1 is ASABE S341's form (from memory and a secondary quotation).
    """
    x = np.asarray(readings, float)
    if len(x) < 2 or x.mean() == 0:
        return math.nan
    return float(100 * x.std(ddof=1) / x.mean())


def christiansen_cu_pct(readings: np.ndarray) -> float:
    """Give Christiansen's uniformity coefficient [%] (formula from memory)."""
    x = np.asarray(readings, float)
    if len(x) == 0 or x.mean() == 0:
        return math.nan
    return float(100 * (1 - np.abs(x - x.mean()).mean() / x.mean()))


def low_du_pct(readings: np.ndarray, part: float = 0.25) -> float:
    """Give the mean of the lowest ``part`` of readings over the mean of all [%]."""
    x = np.asarray(readings, float)
    if len(x) == 0 or x.mean() == 0:
        return math.nan
    count = max(round(len(x) * part), 1)
    return float(100 * np.partition(x, count - 1)[:count].mean() / x.mean())


def evenness(readings: np.ndarray, urdr: float = math.nan) -> Evenness:
    """Give all measures of a set of readings (trays, cells)."""
    x = np.asarray(readings, float)
    mean = float(x.mean()) if len(x) else math.nan
    return Evenness(cv_pct(x), christiansen_cu_pct(x), low_du_pct(x), mean, urdr)


def middle_urdr(urdr: np.ndarray, weight: np.ndarray) -> float:
    """Give the lowest URDR that holds for half of the weight; NaN where none is known.

    ``urdr`` is (n,) of each pass or lane, NaN where it is not known, ``weight`` its length or
    area.
    """
    known = ~np.isnan(urdr)
    if not known.any():
        return math.nan
    return float(np.quantile(urdr[known], 0.5, weights=weight[known], method="inverted_cdf"))


def evenness_of(readings: Readings) -> Evenness:
    """Give all measures of readings that may be too many to hold."""
    mean, count = readings.mean(), readings.count
    if count < 2 or mean == 0:
        return evenness(readings.part(0, count))
    squared, absolute = readings.deviations(mean)
    lowest = max(round(count * 0.25), 1)
    return Evenness(
        cv_pct=100 * math.sqrt(squared / (count - 1)) / mean,
        christiansen_cu_pct=100 * (1 - absolute / count / mean),
        low_quarter_du_pct=100 * readings.sum_of_lowest(lowest) / lowest / mean,
        mean=mean,
    )


def tray_readings(
    deposit_kg_m2: np.ndarray,
    given_kg_m2: np.ndarray,
    harvested: np.ndarray,
    cell_m: float,
    tray_m: float = 0.5,
) -> tuple[np.ndarray, float]:
    """Give the spread ratio as square trays of about ``tray_m`` would have caught it.

    Parameters
    ----------
    deposit_kg_m2, given_kg_m2, harvested : numpy.ndarray
        (rows, cols) residue landed and residue given up by the same ground [kg/m²], and which
        cells count.
    cell_m, tray_m : float
        Sides of a cell and of a tray [m].

    Returns
    -------
    numpy.ndarray
        Ratio per tray that lies wholly on harvested ground.
    float
        Side of the trays really used [m]: whole cells, at least one.
    """
    block = max(round(tray_m / cell_m), 1)
    ratio = tray_ratio(deposit_kg_m2, given_kg_m2, harvested, block)
    full = _sums(harvested.astype(np.int32), block) == block * block
    return ratio[full], block * cell_m


def tray_ratio(
    deposit_kg_m2: np.ndarray, given_kg_m2: np.ndarray, harvested: np.ndarray, block: int
) -> np.ndarray:
    """Give the spread ratio of trays of ``block`` × ``block`` cells, row by row.

    Parameters
    ----------
    deposit_kg_m2, given_kg_m2, harvested : numpy.ndarray
        As in :func:`tray_readings`.
    block : int
        Cells along a side of a tray.

    Returns
    -------
    numpy.ndarray
        (rows // block, cols // block); NaN where a tray lies not wholly on harvested ground.
    """
    full = _sums(harvested.astype(np.int32), block) == block * block
    deposit, given = _sums(deposit_kg_m2, block), _sums(given_kg_m2, block)
    ratio = np.full(full.shape, np.nan, np.result_type(deposit, given))
    np.divide(deposit, given, out=ratio, where=full)
    return ratio


def _sums(values: np.ndarray, block: int) -> np.ndarray:
    """Add up square blocks of cells; those that hang over the edge are left out."""
    if block == 1:
        return values
    rows, cols = (size // block * block for size in values.shape)
    parts = values[:rows, :cols].reshape(rows // block, block, cols // block, block)
    return np.asarray(parts.sum(axis=(1, 3)))


def evenness_by_pass(
    ratio: np.ndarray, pass_no: np.ndarray, across_m: np.ndarray, tray_m: float = 0.5
) -> pd.DataFrame:
    """Give the measures of each pass from the cells that it cut, as :meth:`PassReadings.table`.

    Cells as :meth:`PassReadings.add` takes them, all at once.
    """
    readings = PassReadings(tray_m)
    readings.add(ratio, pass_no, across_m)
    return readings.table()


class PassReadings:
    """Readings of each pass, added part by part.

    URDR, the highest over the lowest residue across the pass (Allmaras et al. 1985), is
    taken over lanes ``tray_m`` wide, each averaged along the pass; a lane counts if it has
    at least a quarter of the cells of a full one.
    """

    def __init__(self, tray_m: float = 0.5) -> None:
        self._tray_m = tray_m
        self._readings = Readings()
        self._starts: list[np.ndarray] = []
        self._lanes: dict[str, np.ndarray] = {}

    def add(self, ratio: np.ndarray, pass_no: np.ndarray, across_m: np.ndarray) -> None:
        """Add cells: (n,) spread ratio, pass number from 1, metres right of the header's middle."""
        passes = int(pass_no.max()) if len(pass_no) else 0
        small = pass_no.astype(np.uint16) if passes < 2**16 else pass_no
        first = self._readings.count
        self._readings.add(ratio[np.argsort(small, kind="stable")])  # radix sort on small integers
        counts = np.bincount(pass_no, minlength=passes + 1)[1:]
        self._starts.append(first + np.append(0, np.cumsum(counts)))
        lane = np.clip(np.floor(across_m / self._tray_m), -_LANES, _LANES - 1).astype(np.int32)
        code = (pass_no - 1) * (2 * _LANES) + lane + _LANES
        for name, weights in (("count", None), ("total", ratio)):
            new = np.bincount(code, weights, passes * 2 * _LANES).reshape(passes, 2 * _LANES)
            old = self._lanes.get(name, new[:0])
            if len(old) < len(new):
                old = np.concatenate([old, np.zeros((len(new) - len(old), 2 * _LANES))])
            old[: len(new)] += new
            self._lanes[name] = old

    def table(self) -> pd.DataFrame:
        """Give the measures of each pass, indexed by its number.

        mean_ratio, cv_pct, urdr, christiansen_cu_pct, low_quarter_du_pct.
        """
        passes = max((len(starts) - 1 for starts in self._starts), default=0)
        rows = []
        for k in range(passes):
            parts = [
                self._readings.part(int(starts[k]), int(starts[k + 1] - starts[k]))
                for starts in self._starts
                if k < len(starts) - 1
            ]
            x = np.concatenate(parts)
            if len(x) == 0:
                rows.append(Evenness(math.nan, math.nan, math.nan, math.nan))
                continue
            count, total = self._lanes["count"][k], self._lanes["total"][k]
            full = count >= 0.25 * count.max()
            mean = total[full] / count[full]
            urdr = float(mean.max() / mean.min()) if mean.min() > 0 else math.inf
            rows.append(evenness(x, urdr if full.sum() > 1 else math.nan))
        frame = pd.DataFrame(
            [r.as_dict() for r in rows],
            index=pd.RangeIndex(1, passes + 1),
            columns=list(Evenness.__dataclass_fields__),
            dtype=float,
        )
        return frame.rename(columns={"mean": "mean_ratio"})

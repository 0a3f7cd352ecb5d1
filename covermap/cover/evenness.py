"""How even a spread is: CV, URDR, Christiansen's coefficient, low-quarter uniformity."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

import numpy as np
import pandas as pd


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
    deposit_kg_m2, given_kg_m2 : numpy.ndarray
        (rows, cols) residue landed and residue given up by the same ground [kg/m²].
    harvested : numpy.ndarray
        (rows, cols) cells that count.
    cell_m : float
        Side of a cell [m].
    tray_m : float
        Side of a tray [m].

    Returns
    -------
    numpy.ndarray
        Ratio per tray that lies wholly on harvested ground.
    float
        Side of the trays really used [m]: whole cells, at least one.
    """
    block = max(round(tray_m / cell_m), 1)
    if block == 1:
        return deposit_kg_m2[harvested] / given_kg_m2[harvested], cell_m
    rows, cols = (size // block * block for size in harvested.shape)

    def blocks(values: np.ndarray) -> np.ndarray:
        cut = values[:rows, :cols]
        parts = cut.reshape(rows // block, block, cols // block, block)
        return np.asarray(parts.sum(axis=(1, 3)))

    full = blocks(harvested.astype(np.int32)) == block * block
    return blocks(deposit_kg_m2)[full] / blocks(given_kg_m2)[full], block * cell_m


def evenness_by_pass(
    ratio: np.ndarray, pass_no: np.ndarray, across_m: np.ndarray, tray_m: float = 0.5
) -> pd.DataFrame:
    """Give the measures of each pass from the cells that it cut.

    URDR, the highest over the lowest residue across the pass (Allmaras et al. 1985), is
    taken over lanes ``tray_m`` wide, each averaged along the pass; a lane counts if it has
    at least a quarter of the cells of a full one.

    Parameters
    ----------
    ratio, pass_no, across_m : numpy.ndarray
        (n,) spread ratio, pass number (from 1) and distance from the header's centre
        line [m] of each cell.
    tray_m : float
        Width of a lane [m].

    Returns
    -------
    pandas.DataFrame
        Indexed by pass number: mean_ratio, cv_pct, urdr, christiansen_cu_pct,
        low_quarter_du_pct.
    """
    passes = int(pass_no.max()) if len(pass_no) else 0
    small = pass_no.astype(np.uint16) if passes < 2**16 else pass_no
    sorted_ratio = ratio[np.argsort(small, kind="stable")]  # radix sort on small integers
    bounds = np.append(0, np.cumsum(np.bincount(pass_no, minlength=passes + 1)[1:]))
    lane = np.floor(across_m / tray_m).astype(np.int32)
    low = int(lane.min()) if len(lane) else 0
    lanes = (int(lane.max()) - low + 1) if len(lane) else 1
    code = (pass_no - 1) * lanes + lane - low
    count = np.bincount(code, minlength=passes * lanes).reshape(passes, lanes)
    total = np.bincount(code, ratio, minlength=passes * lanes).reshape(passes, lanes)
    rows = []
    for k in range(passes):
        x = sorted_ratio[bounds[k] : bounds[k + 1]]
        if len(x) == 0:
            rows.append(Evenness(math.nan, math.nan, math.nan, math.nan))
            continue
        full = count[k] >= 0.25 * count[k].max()
        mean = total[k][full] / count[k][full]
        urdr = float(mean.max() / mean.min()) if mean.min() > 0 else math.inf
        rows.append(evenness(x, urdr if full.sum() > 1 else math.nan))
    frame = pd.DataFrame([r.as_dict() for r in rows], index=pd.RangeIndex(1, passes + 1))
    return frame.rename(columns={"mean": "mean_ratio"})

"""What a map cannot do without: which value counts where there are several, else what to give."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pandas as pd

from covermap.errors import Ask, SettingsError
from covermap.settings.map_settings import CropSection
from covermap.tables.crops import Crop, find_crop


def crop_of(stated: CropSection) -> Crop:
    """Give the crop that [crop] names.

    Raises
    ------
    SettingsError
        If none is given or it is unknown.
    """
    if stated.kind is None:
        raise SettingsError("[crop] kind is missing.", "", "Give {0}.", Ask("crop.kind", "wheat"))
    return find_crop(stated.kind)


def cut_height_m(stated: CropSection, crop: Crop) -> float:
    """Give the stubble height [m]: as stated, else the crop's usual one."""
    return crop.cut_height_m if stated.cut_height_m is None else stated.cut_height_m


def cut_width_of_fixes_m(stated_m: np.ndarray, fixes: pd.DataFrame) -> np.ndarray:
    """Give the cut width at every fix [m]: as logged there, else as stated, else NaN."""
    if "header_width_m" not in fixes:
        return stated_m
    logged = fixes["header_width_m"].to_numpy(float)
    return np.where(np.isfinite(logged) & (logged > 0), logged, stated_m)


def usual_cut_width_m(
    stated_m: float | None, fixes: pd.DataFrame | None = None, measured_m: Iterable[float] = ()
) -> float | None:
    """Give one cut width for a whole field [m]; None if none is known.

    Parameters
    ----------
    stated_m : float or None
        [combine] cut_width; counts first.
    fixes : pandas.DataFrame, optional
        Fixes of the track; the middle of their header widths counts next.
    measured_m : iterable of float
        Measured on the passes, such as their spacing; the first that is known counts last.
    """
    if stated_m is not None:
        return stated_m
    if fixes is not None and "header_width_m" in fixes:
        logged = fixes["header_width_m"]
        if (logged > 0).any():
            return float(logged[logged > 0].median())
    return next((float(m) for m in measured_m if math.isfinite(m) and m > 0), None)


def no_cut_width() -> SettingsError:
    """Give the error for a cut width that nobody states, logs or measured."""
    return SettingsError(
        "[combine] cut_width is missing, and no track shows it.",
        "",
        "Give {0}.",
        Ask("combine.cut_width", "35 ft"),
    )


def no_spread_width() -> SettingsError:
    """Give the error for a spread that has no width."""
    return SettingsError(
        "[spread] width is missing.",
        "",
        "Give {0}, or {1} and {2}.",
        Ask("spread.width", "35 ft"),
        Ask("spread.reach_left"),
        Ask("spread.reach_right"),
    )

"""From grain to straw and chaff: how much residue each fix sent through the machine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from covermap.errors import Ask, SettingsError, column_ask
from covermap.tables.crops import Crop
from covermap.tables.said import Said

#: Exponent of the share of straw below a height: joins 22 % below 15 cm (Univ. of
#: Agriculture Krakow study, winter wheat) and 40 % below 36 cm (Allen 1988).
STUBBLE_EXPONENT = 0.683
_STUBBLE_REFERENCE_M = 0.15
_MOST_STUBBLE_SHARE = 0.95
#: Residue is compared with the ground's own over this much travel either side [m]; a
#: combine mixes crop over several seconds and a grain sensor sees no finer.
OWN_RESIDUE_REACH_M = 10.0


@dataclass(frozen=True)
class ResidueRatios:
    """Dry residue per dry grain and where it goes.

    Attributes
    ----------
    straw, chaff : float
        Grown per grain [kg/kg].
    stubble : float
        Straw left standing per grain [kg/kg].
    left_flat : float
        Straw above the cut that the header leaves on its own row, per grain [kg/kg].
    straw_through, chaff_through : float
        Through the machine per grain [kg/kg].
    """

    straw: float
    chaff: float
    stubble: float
    left_flat: float
    straw_through: float
    chaff_through: float

    @property
    def through(self) -> float:
        """Straw and chaff through the machine per grain [kg/kg]."""
        return self.straw_through + self.chaff_through


@dataclass(frozen=True)
class ResidueFlow:
    """Dry matter per harvested fix [kg], in the order of the header sweeps.

    Attributes
    ----------
    grain_dry_kg : numpy.ndarray
        (n,) grain.
    ratios : ResidueRatios
        What follows from it.
    basis : str
        Where the grain came from, in plain words.
    notes : tuple of Said
        What was assumed.
    """

    grain_dry_kg: np.ndarray
    ratios: ResidueRatios
    basis: str
    notes: tuple[Said, ...]

    @property
    def straw_kg(self) -> np.ndarray:
        """Straw through the machine per fix [kg]."""
        return self.grain_dry_kg * self.ratios.straw_through

    @property
    def chaff_kg(self) -> np.ndarray:
        """Chaff through the machine per fix [kg]."""
        return self.grain_dry_kg * self.ratios.chaff_through

    @property
    def through_kg(self) -> np.ndarray:
        """Straw and chaff through the machine per fix [kg]."""
        return self.grain_dry_kg * self.ratios.through


def stubble_share(crop: Crop, cut_height_m: float) -> float:
    """Give the share of the straw that stands below ``cut_height_m``.

    A power of height through the crop's share below 15 cm; see :data:`STUBBLE_EXPONENT`.
    """
    share = crop.stubble_share_at_15_cm * (cut_height_m / _STUBBLE_REFERENCE_M) ** STUBBLE_EXPONENT
    return float(min(share, _MOST_STUBBLE_SHARE))


def residue_ratios(
    crop: Crop,
    *,
    cut_height_m: float | None = None,
    straw_to_grain: float | None = None,
    chaff_to_grain: float | None = None,
    harvest_index: float | None = None,
) -> ResidueRatios:
    """Give residue per grain for a crop, or for the ratios a person gives.

    Parameters
    ----------
    crop : Crop
        Row of the crop table.
    cut_height_m : float, optional
        Stubble height [m]; the crop's usual one by default.
    straw_to_grain, chaff_to_grain : float, optional
        Dry residue per dry grain [kg/kg]; win over the table.
    harvest_index : float, optional
        Dry grain per dry plant above ground; residue is then split into straw and chaff
        as in the table.

    Raises
    ------
    SettingsError
        If both a harvest index and a ratio are given.
    """
    straw, chaff = crop.straw_to_grain, crop.chaff_to_grain
    if harvest_index is not None:
        if straw_to_grain is not None or chaff_to_grain is not None:
            raise SettingsError(
                "[crop] harvest_index and straw_to_grain or chaff_to_grain say the same thing.",
                way_out="Give one of them.",
            )
        residue = (1 - harvest_index) / harvest_index
        straw, chaff = residue * straw / (straw + chaff), residue * chaff / (straw + chaff)
    straw = straw if straw_to_grain is None else straw_to_grain
    chaff = chaff if chaff_to_grain is None else chaff_to_grain
    height = crop.cut_height_m if cut_height_m is None else cut_height_m
    stubble = straw * stubble_share(crop, height)
    left_flat = (straw - stubble) * (1 - crop.header_takes_share)
    return ResidueRatios(straw, chaff, stubble, left_flat, straw - stubble - left_flat, chaff)


def residue_flow(
    path: pd.DataFrame,
    rows: np.ndarray,
    newly_cut_m2: np.ndarray,
    crop: Crop,
    ratios: ResidueRatios,
    *,
    grain_yield_t_ha: float | None,
    grain_moisture_pct: float | None,
) -> ResidueFlow:
    """Give the grain, and with it the residue, of each harvested fix.

    Grain mass per record comes first, then grain flow, then yield per area times the area
    newly cut, then the stated yield times that area.

    Parameters
    ----------
    path, rows : pandas.DataFrame, numpy.ndarray
        Cleaned path and (n,) harvested rows of it.
    newly_cut_m2 : numpy.ndarray
        (n,) area each fix cut newly [m²].
    crop, ratios : Crop, ResidueRatios
        Row of the crop table, and what :func:`residue_ratios` gave.
    grain_yield_t_ha, grain_moisture_pct : float or None
        As stated by the person [t/ha at that moisture, % of wet mass].

    Raises
    ------
    SettingsError
        If the track carries no yield and none is stated.
    """
    notes: list[Said] = []
    fixes = path.iloc[rows]
    stated_moisture = crop.grain_moisture_pct if grain_moisture_pct is None else grain_moisture_pct
    if "moisture_pct" in fixes and fixes["moisture_pct"].between(0, 60).any():
        logged = fixes["moisture_pct"].where(fixes["moisture_pct"].between(0, 60))
        moisture = logged.fillna(logged.mean()).to_numpy(float)
    else:
        moisture = np.full(len(rows), stated_moisture)
        rule = f"residue-moisture-{'market' if grain_moisture_pct is None else 'stated'}"
        notes.append(Said(rule, {"moisture_pct": stated_moisture}))
    if "grain_mass_kg" in fixes or "grain_flow_kg_s" in fixes:
        wet = fixes["grain_kg"].to_numpy(float)
        basis = "grain mass" if "grain_mass_kg" in fixes else "grain flow"
    elif "grain_yield_t_ha" in fixes:
        per_area = fixes["grain_yield_t_ha"].fillna(0).clip(lower=0).to_numpy(float)
        wet = per_area * newly_cut_m2 / 10
        basis = "yield in the track × area newly cut"
    elif grain_yield_t_ha is not None:
        wet = grain_yield_t_ha * newly_cut_m2 / 10
        basis = "stated yield × area newly cut"
    else:
        raise SettingsError(
            "The track carries no grain flow, mass or yield that was recognised.",
            "",
            "Give the yield: {0}, or name the column with {1}.",
            Ask("crop.grain_yield", "5.4 t/ha"),
            column_ask("flow"),
        )
    if grain_yield_t_ha is not None and not basis.startswith("stated"):
        notes.append(Said("residue-yield-not-used", {"basis": basis}))
    return ResidueFlow(wet * (1 - moisture / 100), ratios, basis, tuple(notes))


def own_residue_kg_m2(
    through_kg: np.ndarray, newly_cut_m2: np.ndarray, length_m: np.ndarray, pass_no: np.ndarray
) -> np.ndarray:
    """Give (n,) the residue per area that the ground at each fix gave up [kg/m²].

    A running mean along each pass (mass over area within :data:`OWN_RESIDUE_REACH_M` either
    side), scaled so that each pass gives up exactly what went through the machine; 0 where
    nothing was newly cut within reach. All are (n,); fixes of one pass stand together.
    """
    if len(through_kg) == 0:
        return np.zeros(0)
    new_pass = np.append(True, pass_no[1:] != pass_no[:-1])
    # passes are set far apart on one line, so that one search serves all
    middle = np.cumsum(length_m) - length_m / 2 + np.cumsum(new_pass) * 4 * OWN_RESIDUE_REACH_M
    low = np.searchsorted(middle, middle - OWN_RESIDUE_REACH_M)
    high = np.searchsorted(middle, middle + OWN_RESIDUE_REACH_M, side="right")
    mass = np.append(0.0, np.cumsum(through_kg))
    area = np.append(0.0, np.cumsum(newly_cut_m2))
    near_area = area[high] - area[low]
    density = np.divide(
        mass[high] - mass[low], near_area, out=np.zeros_like(near_area), where=near_area > 1e-6
    )
    number = np.cumsum(new_pass) - 1
    wanted = np.bincount(number, through_kg)
    reached = np.bincount(number, density * newly_cut_m2)
    factor = np.divide(wanted, reached, out=np.ones_like(wanted), where=reached > 0)
    return np.asarray(density * factor[number])

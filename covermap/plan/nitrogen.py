"""How much nitrogen the residue may tie up while it rots; never how much to apply."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from covermap.errors import SettingsError
from covermap.ground.rasters import Raster
from covermap.plan.operation_table import Range, range_means
from covermap.tables import read_table
from covermap.tables.crops import find_crop
from covermap.tables.said import Said

#: What rotting residue needs of carbon to nitrogen (USDA-NRCS 2011: microbial diet).
DIET_C_N = 24.0
#: Carbon in dry residue [%] (NRCS Soil Quality Team: %N = 40 / (C:N)).
CARBON_PCT = 40.0
#: Straw left on the surface ties up less than this [kg/ha] (Cochran, Elliott & Papendick 1980).
SURFACE_MOST_KG_HA = 5.0


@dataclass(frozen=True)
class CarbonNitrogen:
    """C:N of a crop's residue: lowest, usual (None if unpublished) and highest; source."""

    low: float
    usual: float | None
    high: float
    source: str


@dataclass(frozen=True)
class TieUp:
    """Nitrogen that may be tied up.

    Attributes
    ----------
    per_ha : Range or None
        Low: straw stays on the surface, at most 5 kg/ha. Middle: worked in, usual C:N (NaN
        where none is published). High: worked in, highest C:N [kg/ha]. None where the crop
        has no published C:N.
    source : str
        Where the C:N is from.
    notes : tuple of Said
        The reason where ``per_ha`` is None.
    """

    per_ha: Range | None
    source: str
    notes: tuple[Said, ...]


def tie_up_kg_per_t(
    c_n: float, carbon_pct: float = CARBON_PCT, target_c_n: float = DIET_C_N
) -> float:
    """Give the nitrogen a tonne of residue ties up: carbon ÷ target − nitrogen it holds.

    Parameters
    ----------
    c_n : float
        C:N of the residue.
    carbon_pct : float
        Carbon in dry matter [%].
    target_c_n : float
        C:N that soil life needs.

    Returns
    -------
    float
        Nitrogen [kg/t]; negative where the residue gives nitrogen off.
    """
    for name, value in (("C:N", c_n), ("carbon", carbon_pct), ("target C:N", target_c_n)):
        if not 0 < value < math.inf:
            raise SettingsError(
                f"nitrogen: {name} of {value!r} is out of range.", "Expected above 0."
            )
    if carbon_pct > 100:
        raise SettingsError(
            f"nitrogen: carbon of {carbon_pct!r} % is out of range.", "Expected at most 100 %."
        )
    return 10 * carbon_pct * (1 / target_c_n - 1 / c_n)


def carbon_nitrogen(crop_kind: str) -> CarbonNitrogen | None:
    """Look the C:N of a crop's residue up; None where none is published."""
    kind = find_crop(crop_kind).kind
    for row in read_table("carbon_nitrogen"):
        if row["crop"] == kind:
            usual = float(row["c_n"]) if row["c_n"] else None
            return CarbonNitrogen(
                float(row["c_n_low"]), usual, float(row["c_n_high"]), row["source"]
            )
    return None


def tie_up(residue_t_ha: np.ndarray | float, crop_kind: str, target_c_n: float = DIET_C_N) -> TieUp:
    """Give the range of nitrogen that residue may tie up.

    Parameters
    ----------
    residue_t_ha : array or float
        Dry matter on the ground [t/ha].
    crop_kind : str
        The crop the residue is of.
    target_c_n : float
        C:N that soil life needs.
    """
    kind = find_crop(crop_kind).kind
    ratio = carbon_nitrogen(kind)
    advice = Said("nitrogen-adviser")
    if ratio is None:
        return TieUp(None, "", (Said("nitrogen-no-figure", {"crop": kind}), advice))
    ratios = f"{ratio.low:g}" + (f" to {ratio.high:g}" if ratio.high > ratio.low else "")
    numbers = {"crop": kind, "diet": target_c_n, "ratios": ratios}
    return TieUp(
        _held_kg_ha(np.asarray(residue_t_ha), ratio, target_c_n),
        ratio.source,
        (Said("nitrogen-tie-up", numbers), Said("nitrogen-surface"), advice),
    )


def _held_kg_ha(residue: np.ndarray, ratio: CarbonNitrogen, target_c_n: float) -> Range:
    # residue that gives nitrogen off ties none up
    most = residue * max(tie_up_kg_per_t(ratio.high, target_c_n=target_c_n), 0.0)
    if ratio.usual is None:
        middle = np.full_like(most, np.nan)
    else:
        middle = residue * max(tie_up_kg_per_t(ratio.usual, target_c_n=target_c_n), 0.0)
    least = residue * max(tie_up_kg_per_t(ratio.low, target_c_n=target_c_n), 0.0)
    return Range(np.minimum(least, SURFACE_MOST_KG_HA), middle, most)


def field_tie_up(residue_t_ha: Raster, crop_kind: str, target_c_n: float = DIET_C_N) -> TieUp:
    """Give the field's means of :func:`tie_up` over all mapped ground."""
    ratio, said = carbon_nitrogen(crop_kind), tie_up(0.0, crop_kind, target_c_n)
    if ratio is None:
        return said
    held = range_means(lambda rows: _held_kg_ha(rows, ratio, target_c_n), residue_t_ha)
    return replace(said, per_ha=held)

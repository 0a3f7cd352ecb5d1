"""How much straw may leave, and where none should.

What must stay is the larger of two needs: the residue that still gives the cover wanted
after the planned operations, worked back through them exactly, and a mass to keep for the
soil.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from covermap.errors import SettingsError
from covermap.ground.field_sums import count_of, sums_of
from covermap.ground.rasters import DerivedRaster, Raster, as_raster
from covermap.plan.operation_table import Operation
from covermap.plan.operations import Case, residue_needed_t_ha
from covermap.tables import read_table
from covermap.tables.said import Said
from covermap.units import KINDS

#: No crop leaves more; a need above it is out of reach [t/ha] (common practice, no source).
MOST_RESIDUE_T_HA = 20.0
_CASES = {"low": "low end", "mid": "middle", "high": "high end"}


@dataclass(frozen=True)
class Baling:
    """What may leave a field.

    Attributes
    ----------
    removable_t_ha : Raster
        Straw that may leave [t/ha], from 0 to the share that can be baled; NaN stays NaN.
    no_baling : Raster
        Bool: mapped ground where no more lies than must stay.
    must_stay_t_ha : float
        Residue that must lie after baling [t/ha]; infinite where the cover is out of reach.
    removable_t, balable_t, residue_t : float
        Totals of the field [t]: may leave, could be picked up, lies there.
    notes : tuple of Said
    """

    removable_t_ha: Raster
    no_baling: Raster
    must_stay_t_ha: float
    removable_t: float
    balable_t: float
    residue_t: float
    notes: tuple[Said, ...]


def straw_need_t_ha(rotation: str) -> float:
    """Look up the residue a rotation needs to keep its soil [t/ha].

    Raises
    ------
    SettingsError
        If no figure is published for the rotation; state your own then.
    """
    rows = read_table("straw_need")
    for row in rows:
        if row["rotation"] == " ".join(rotation.lower().split()):
            factor = KINDS["mass per area"].factors["short_ton/ac"]
            return float(row["need_short_ton_ac"]) * factor
    known = ", ".join(row["rotation"] for row in rows)
    raise SettingsError(
        f"straw need: no published figure for the rotation {rotation!r}.",
        f"Known: {known}.",
        "State the t/ha to keep instead.",
    )


def removable_straw(
    residue_t_ha: np.ndarray | float | Raster,
    operations: Sequence[Operation | str],
    *,
    cell_area_m2: float,
    balable_share: float,
    target_cover_pct: float,
    fragile: bool,
    cover_m2_per_kg: float,
    keep_t_ha: float = 0.0,
    keep_source: str = "stated by you",
    case: Case = "mid",
) -> Baling:
    """Give the straw that may leave: residue − what must stay, at most what can be baled.

    Parameters
    ----------
    residue_t_ha : array, float or Raster
        Flat dry matter now [t/ha].
    operations : sequence of Operation or str
        What follows before the cover is wanted, in order.
    cell_area_m2 : float
        Area of a cell [m²].
    balable_share : float
        Share of the residue that a baler can pick up, 0 to 1.
    target_cover_pct : float
        Cover wanted after the operations [%].
    fragile, cover_m2_per_kg
        As in :func:`covermap.plan.operations.sequence`.
    keep_t_ha : float
        Residue to keep for the soil, whatever the cover [t/ha].
    keep_source : str
        Where ``keep_t_ha`` is from.
    case : {"low", "mid", "high"}
        Which end of the published shares to count on; "low" is the cautious one.

    Raises
    ------
    SettingsError
        If a value is out of range or nothing is mapped.
    """
    if not 0 <= balable_share <= 1:
        raise SettingsError(
            f"balable_share: {balable_share!r} is out of range.", "Expected 0 to 1."
        )
    if not 0 <= keep_t_ha < math.inf:
        raise SettingsError(
            f"keep_t_ha: {keep_t_ha!r} is out of range.", "Expected 0 t/ha or more."
        )
    residue = as_raster(residue_t_ha)
    lying = sums_of(residue)
    if not lying.count:
        raise SettingsError("baling: no mapped ground.", "Expected cells that are not NaN.")
    for_cover = residue_needed_t_ha(
        target_cover_pct, operations, fragile=fragile, cover_m2_per_kg=cover_m2_per_kg, case=case
    )
    must_stay = max(for_cover, keep_t_ha)

    def may_leave(lies: np.ndarray) -> np.ndarray:
        lies = lies.astype(float)
        return np.where(
            np.isfinite(lies), np.clip(lies - must_stay, 0, lies * balable_share), np.nan
        )

    removable = DerivedRaster(may_leave, residue)
    no_baling = DerivedRaster(lambda lies: np.isfinite(lies) & (lies <= must_stay), residue)
    kept = count_of(no_baling)
    rule = "baling-for-cover" if for_cover <= MOST_RESIDUE_T_HA else "baling-cover-out-of-reach"
    numbers = {
        "needed_t_ha": for_cover,
        "most_t_ha": MOST_RESIDUE_T_HA,
        "target_pct": target_cover_pct,
        "case": _CASES[case],
        "keep_t_ha": keep_t_ha,
        "keep_source": keep_source,
        "share_pct": 100 * kept / lying.count,
    }
    rules = [rule, *(["baling-for-soil"] if keep_t_ha else []),
             *(["baling-none"] if kept else []),
             "baling-takes-nutrients", "baling-caution"]  # fmt: skip
    cell_ha = cell_area_m2 / 1e4
    return Baling(
        removable_t_ha=removable,
        no_baling=no_baling,
        must_stay_t_ha=must_stay,
        removable_t=sums_of(removable).total * cell_ha,
        balable_t=lying.total * balable_share * cell_ha,
        residue_t=lying.total * cell_ha,
        notes=tuple(Said(rule, numbers) for rule in rules),
    )

"""What tillage, seeding and winter leave of the residue, operation by operation.

A published figure says which share an operation keeps either of the *mass* or of the
*cover*; the two differ wherever pieces lie on each other (McCool, Stott & Laflen 1995), so
each row of ``tables/operations.csv`` says which it is and is used that way. Only flat
residue is counted; standing stubble is not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from covermap.cover.ground_cover import cover_pct
from covermap.errors import SettingsError
from covermap.ground.field_sums import count_of
from covermap.ground.rasters import DerivedRaster, Raster, as_raster
from covermap.plan.operation_table import Kept, Operation, Range, find_operation
from covermap.tables.said import Said

#: Cover after planting that makes tillage conservation tillage [%] (K-State eUpdate 426; CTIC).
CONSERVATION_COVER_PCT = 30.0

Case = Literal["low", "mid", "high"]


@dataclass(frozen=True)
class Step:
    """What lies on the ground after one operation.

    Attributes
    ----------
    label, basis, source : str
        The operation; ``mass`` or ``cover`` (empty for "now"); where its figure is from.
    residue_t_ha, cover_pct : Range
        Flat dry matter [t/ha] and ground cover [%]: low, middle, high.
    flat_equivalent : bool
        The mass is that of flat residue with the same cover, since a cover figure came in.
    notes : tuple of Said
    """

    label: str
    basis: str
    residue_t_ha: Range
    cover_pct: Range
    source: str
    flat_equivalent: bool
    notes: tuple[Said, ...] = ()


def _check_coefficient(cover_m2_per_kg: float) -> None:
    if not 0 < cover_m2_per_kg < math.inf:
        raise SettingsError(
            f"cover_m2_per_kg: {cover_m2_per_kg!r} is out of range.", "Expected above 0 m²/kg."
        )


def _residue_after(
    residue_t_ha: np.ndarray, basis: str, share: float, cover_m2_per_kg: float
) -> np.ndarray:
    """Give the (flat equivalent) residue after an operation that keeps a share [t/ha]."""
    if basis == "mass" or share == 1:
        return residue_t_ha * share
    # −ln(1 − share·C)/k with C = 1 − exp(−k M), without the loss of digits near full cover
    per_t_ha = cover_m2_per_kg / 10
    loss = share * np.expm1(-per_t_ha * residue_t_ha.astype(float))
    return np.asarray(np.log1p(loss) / -per_t_ha).astype(residue_t_ha.dtype)


def _each(values: Range, share: Kept, basis: str, k: float) -> Range:
    """Apply the three shares, once where low, middle and high are the same."""
    mid = _residue_after(np.asarray(values.mid), basis, share.mid, k)
    if values.low is values.high and share.low == share.high:
        return Range(mid, mid, mid)
    low, high = (np.asarray(values[i]) for i in (0, 2))
    return Range(
        _residue_after(low, basis, share.low, k), mid, _residue_after(high, basis, share.high, k)
    )


def _covers(residue: Range, cover_m2_per_kg: float) -> Range:
    if residue.low is residue.high:
        cover = cover_pct(np.asarray(residue.mid), cover_m2_per_kg)
        return Range(cover, cover, cover)
    return Range(*(cover_pct(np.asarray(part), cover_m2_per_kg) for part in residue))


def _notes(operation: Operation, fragile: bool) -> tuple[Said, ...]:
    kept = operation.kept(fragile)
    holds = {
        "cover-range": kept.low != kept.high,
        "cover-equivalent": operation.basis == "cover",
        "cover-basis-assumed": "basis assumed" in operation.note,
        "cover-from-memory": operation.confidence == "memory",
    }
    notes = [Said(rule) for rule, it_does in holds.items() if it_does]
    return tuple(notes if operation.decay is None else [*notes, operation.decay])


def sequence(
    residue_t_ha: np.ndarray | float,
    operations: Sequence[Operation | str],
    *,
    fragile: bool,
    cover_m2_per_kg: float,
) -> list[Step]:
    """Follow the residue through operations in order, starting with "now".

    Mass basis: M' = r M, and cover by Gregory's form, so that C' = 1 − (1 − C)^r whatever
    the coefficient. Cover basis: C' = r C, and M' = −ln(1 − C')/k, the flat equivalent.

    Parameters
    ----------
    residue_t_ha : array or float
        Flat dry matter now [t/ha]; NaN stays NaN.
    operations : sequence of Operation or str
        In the order of work; a text is looked up with :func:`find_operation`.
    fragile : bool
        Whether the residue breaks up easily (see :mod:`covermap.plan.fragility`).
    cover_m2_per_kg : float
        Coefficient of the cover curve [m²/kg].

    Returns
    -------
    list of Step
        "now" and one step per operation; arrays have the shape of ``residue_t_ha``.

    Raises
    ------
    SettingsError
        If an operation is unknown or has no figure for such residue.
    """
    _check_coefficient(cover_m2_per_kg)
    start = np.asarray(residue_t_ha)
    start = start if np.issubdtype(start.dtype, np.floating) else start.astype(float)
    residue, equivalent = Range(start, start, start), False
    steps = [Step("now", "", residue, _covers(residue, cover_m2_per_kg), "map", equivalent)]
    for named in operations:
        row = find_operation(named) if isinstance(named, str) else named
        residue = _each(residue, row.kept(fragile), row.basis, cover_m2_per_kg)
        equivalent = equivalent or row.basis == "cover"
        cover = _covers(residue, cover_m2_per_kg)
        notes = _notes(row, fragile)
        steps.append(Step(row.label, row.basis, residue, cover, row.source, equivalent, notes))
    return steps


def after_operation(
    residue_t_ha: np.ndarray | float,
    operation: Operation | str,
    *,
    fragile: bool,
    cover_m2_per_kg: float,
) -> Step:
    """Give what lies after one operation; see :func:`sequence`."""
    return sequence(residue_t_ha, [operation], fragile=fragile, cover_m2_per_kg=cover_m2_per_kg)[-1]


def residue_needed_t_ha(
    target_cover_pct: float,
    operations: Sequence[Operation | str],
    *,
    fragile: bool,
    cover_m2_per_kg: float,
    case: Case = "mid",
) -> float:
    """Give the residue that must lie now for a cover after all operations [t/ha].

    The exact inverse of :func:`sequence`, worked backwards; infinite where no amount of
    residue is enough.

    Parameters
    ----------
    target_cover_pct : float
        Cover wanted after the last operation [%], from 0 up to but not including 100.
    operations, fragile, cover_m2_per_kg
        As in :func:`sequence`.
    case : {"low", "mid", "high"}
        Which end of the published shares to count on; "low" is the cautious one.
    """
    _check_coefficient(cover_m2_per_kg)
    if not 0 <= target_cover_pct < 100:
        raise SettingsError(
            f"target cover: {target_cover_pct!r} % is out of range.", "Expected 0 to below 100 %."
        )
    per_t_ha = cover_m2_per_kg / 10
    needed = -math.log1p(-target_cover_pct / 100) / per_t_ha
    for named in reversed(operations):
        row = find_operation(named) if isinstance(named, str) else named
        share = getattr(row.kept(fragile), case)
        if needed == 0 or share == 1:
            continue
        if share == 0:
            return math.inf
        if row.basis == "mass":
            needed /= share
        else:
            cover = -math.expm1(-per_t_ha * needed) / share
            needed = -math.log1p(-cover) / per_t_ha if cover < 1 else math.inf
    return needed


@dataclass(frozen=True)
class CoverClass:
    """Where cover reaches a target, and on how much ground.

    Attributes
    ----------
    meets, below : Raster
        Bool: ground at or above, and below the target; neither where the cover is NaN.
    area_meets_m2, area_below_m2 : float
        Their areas [m²].
    note : Said
    """

    meets: Raster
    below: Raster
    area_meets_m2: float
    area_below_m2: float
    note: Said


def cover_class(
    cover_pct: np.ndarray | float | Raster,
    cell_area_m2: float,
    target_pct: float = CONSERVATION_COVER_PCT,
) -> CoverClass:
    """Part the ground at a target of cover [%]; SettingsError if nothing is mapped."""
    cover = as_raster(cover_pct)
    meets = DerivedRaster(lambda rows: rows >= target_pct, cover)
    below = DerivedRaster(lambda rows: rows < target_pct, cover)
    meeting, lacking = count_of(meets), count_of(below)
    mapped = meeting + lacking
    if not mapped:
        raise SettingsError("cover class: no mapped ground.", "Expected cells that are not NaN.")
    above_pct = 100 * meeting / mapped
    numbers = {"above_pct": above_pct, "below_pct": 100 - above_pct, "target_pct": target_pct}
    return CoverClass(
        meets,
        below,
        meeting * cell_area_m2,
        lacking * cell_area_m2,
        Said("cover-target", numbers),
    )

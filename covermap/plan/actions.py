"""What to do about each spot of the field: one of a short list of actions, cheapest first.

A row cleaner that copes goes before a pass with a harrow, a harrow before tillage; what no
pass can mend is to be looked at. Every action names the number that called for it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from covermap.cover.spread_limits import SpreadLimits
from covermap.tables.signs import words_of

#: What each action is called, by rule id; the later one wins where several are called for.
ACTIONS = words_of("action")
#: Actions that take a pass over whole implement runs.
PASSES = ("plan-harrow", "plan-till")
RULE_IDS = tuple(ACTIONS)
#: More than this many times its own residue on a short strip is a heap, not a band (a stated
#: guess, no source).
HEAP_ABOVE = 3.0
#: Harrowing helps a spot if it mends this part of what is wrong there (a stated guess).
LEAST_MENDED = 0.25


@dataclass(frozen=True)
class Limits:
    """What the next pass can live with; a load of None is not judged.

    Attributes
    ----------
    gap_below, double_above : float
        Spread ratios.
    target_cover_pct : float
        Cover wanted after the operations [%].
    opener_t_ha, cleaner_t_ha, hairpin_t_ha : float or None
        Loads that the opener, and opener with row cleaner, handle; load that hairpins [t/ha].
    cold_t_ha : float or None
        Load from which doubles keep the soil cold where the spring is cold or wet [t/ha].
    tills : bool
        Whether tillage is among the operations planned.
    """

    gap_below: float
    double_above: float
    target_cover_pct: float
    opener_t_ha: float | None
    cleaner_t_ha: float | None
    hairpin_t_ha: float | None
    cold_t_ha: float | None = None
    tills: bool = False

    @property
    def spread(self) -> SpreadLimits:
        """Spread ratios that make a gap or a double."""
        return SpreadLimits(self.gap_below, self.double_above)

    @property
    def most_t_ha(self) -> float | None:
        """Largest load that can be seeded through at all [t/ha]."""
        return self.opener_t_ha if self.cleaner_t_ha is None else self.cleaner_t_ha


@dataclass(frozen=True)
class Spot:
    """Some cells of the ground as the next pass meets it; arrays of one shape.

    Attributes
    ----------
    ratio, harrowed_ratio : numpy.ndarray
        Spread ratio now and after the best harrowing; NaN off the harvested ground.
    load_t_ha, harrowed_load_t_ha : numpy.ndarray
        Residue at seeding without and with harrowing [t/ha].
    cover_pct : numpy.ndarray
        Cover after the operations [%].
    in_row, heap : numpy.ndarray of bool
        Ground of passes whose straw still lies in windrows; short heap.
    """

    ratio: np.ndarray
    harrowed_ratio: np.ndarray
    load_t_ha: np.ndarray
    harrowed_load_t_ha: np.ndarray
    cover_pct: np.ndarray
    in_row: np.ndarray
    heap: np.ndarray


def beyond_limits(ratio: np.ndarray, load_t_ha: np.ndarray, limits: Limits) -> np.ndarray:
    """Tell where the spread is out of limits, or more lies than can be seeded through.

    Where the person said what the seeder handles, a double that it handles is no fault.
    """
    with np.errstate(invalid="ignore"):
        if limits.most_t_ha is None:
            return np.asarray(limits.spread.gap(ratio) | limits.spread.double(ratio))
        return np.asarray(limits.spread.gap(ratio) | (load_t_ha > limits.most_t_ha))


def choose_actions(
    spot: Spot, limits: Limits, *, harrow_pays: bool, with_passes: bool = True
) -> np.ndarray:
    """Give the action for every spot.

    Parameters
    ----------
    spot : Spot
    limits : Limits
    harrow_pays : bool
        Whether harrowing evens the field out worth a pass.
    with_passes : bool
        Whether a pass with harrow or tillage may be called for at all.

    Returns
    -------
    numpy.ndarray
        uint8 place in :data:`RULE_IDS`, of the shape of the arrays; 0 (leave) also where
        nothing is known.
    """
    action = np.zeros(np.shape(spot.ratio), np.uint8)

    def call_for(rule_id: str, where: np.ndarray) -> None:
        action[where] = RULE_IDS.index(rule_id)

    with np.errstate(invalid="ignore", divide="ignore"):
        known = np.isfinite(spot.ratio)
        load = spot.load_t_ha
        if limits.hairpin_t_ha is not None:
            call_for("plan-down-pressure", known & (load > limits.hairpin_t_ha))
        if limits.opener_t_ha is not None:
            call_for("plan-row-cleaner", known & (load > limits.opener_t_ha))
        if limits.cold_t_ha is not None:
            double = limits.spread.double(spot.ratio)
            call_for("plan-check-stand", known & double & (load >= limits.cold_t_ha))
        if limits.most_t_ha is not None:
            call_for("plan-check-stand", known & (load > limits.most_t_ha))
        if with_passes and harrow_pays:
            left = np.abs(spot.harrowed_ratio - 1) / np.abs(spot.ratio - 1)
            before = beyond_limits(spot.ratio, load, limits) & known
            call_for("plan-harrow", before & (left <= 1 - LEAST_MENDED))
        if with_passes and limits.tills and limits.most_t_ha is not None:
            after = spot.harrowed_load_t_ha if harrow_pays else load
            above = (load > limits.most_t_ha) & (after > limits.most_t_ha)
            call_for("plan-till", known & above)
        call_for("plan-spread-again", known & spot.heap)
        call_for("plan-bale-or-rake", known & spot.in_row)
    return action

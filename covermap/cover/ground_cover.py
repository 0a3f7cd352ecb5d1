"""How much of the ground is covered by a mass of residue."""

from __future__ import annotations

import numpy as np


def cover_pct(residue_t_ha: np.ndarray, cover_m2_per_kg: float) -> np.ndarray:
    """Give the share of ground covered by flat residue [%].

    Gregory's form, cover = 1 − exp(−k M): pieces fall at random and may lie on each other.
    Standing stubble is not counted. Residue is dry matter; k is the ground that one kilogram
    covers when nothing overlaps.

    References
    ----------
    Gregory 1982, Trans. ASAE 25:1333-1337.
    """
    exponent = np.asarray(residue_t_ha) * (-cover_m2_per_kg / 10.0)
    return np.asarray(-100.0 * np.expm1(exponent))

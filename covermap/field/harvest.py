"""What the combine did on one field, as the steps after it take it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from covermap.ground.grid import Grid
from covermap.harvest.ledger import CleanTrack
from covermap.harvest.passes import Passes
from covermap.harvest.residue import ResidueFlow
from covermap.harvest.working_width import HeaderSweeps
from covermap.spread.deposit import Bands
from covermap.tables.crops import Crop
from covermap.tables.said import Said
from covermap.wind.wind_lean import FixWind


@dataclass(frozen=True)
class Harvest:
    """What the combine did: the first half of the job."""

    clean: CleanTrack
    passes: Passes
    machine: pd.DataFrame
    sweeps: HeaderSweeps
    newly_cut_m2: np.ndarray
    flow: ResidueFlow
    bands: Bands
    baled_kg: float
    grid: Grid
    crop: Crop
    wind: FixWind | None
    notes: tuple[Said, ...]

    @property
    def pass_of_sweep(self) -> np.ndarray:
        """Pass of each sweep."""
        return np.asarray(self.passes.pass_of_fix[self.sweeps.rows])

    def without_bands(self) -> Harvest:
        """Give the same without its bands, which are laid: they take much memory."""
        few = slice(0)
        bands = replace(
            self.bands,
            corners=self.bands.corners[few].copy(),
            mass_kg=self.bands.mass_kg[few].copy(),
            profile=self.bands.profile[few].copy(),
            pass_index=self.bands.pass_index[few].copy(),
        )
        return replace(self, bands=bands)

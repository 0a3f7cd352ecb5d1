"""How sure is it: the field again and again with wind, width and yield a little off."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.stats import quantile_test
from shapely.geometry.base import BaseGeometry

from covermap.cover.what_if import Run
from covermap.field.field_result import FieldResult
from covermap.field.harvest import Harvest
from covermap.field.harvest_record import mean_speed_m_s, run_of
from covermap.field.whole_field import map_field
from covermap.ground.threads import core_count, limit_threads
from covermap.harvest.track import Track
from covermap.settings.field_settings import FieldSettings
from covermap.settings.needed import cut_height_m
from covermap.spread.deposit import Bands, deposit
from covermap.sureness.field_numbers import FieldNumbers, MappedGround, field_numbers
from covermap.sureness.perturbations import Draw, Perturbations, draws, usual_perturbations
from covermap.wind.wind import WindSeries
from covermap.wind.wind_lean import FixWind
from covermap.wind.wind_on_fixes import tables_for, thrower

#: What is reported of every repeat, in order.
NUMBERS = ("cv_pct", "mean_cover_pct", "mean_residue_t_ha", "gap_ha", "double_ha")
#: What was drawn for every repeat, in order.
DRAWN = (
    "spread_width_factor",
    "wind_speed_factor",
    "wind_turn_deg",
    "yield_factor",
    "pass_yield_factor_least",
    "pass_yield_factor_most",
)
#: The lower mark of what is reported; the upper one lies as far from the other end.
LOW_MARK = 0.05
#: How sure the stated place of a mark is (the usual level of textbooks).
_CONFIDENCE = 0.95


@dataclass(frozen=True)
class FieldRange:
    """How far a field's numbers move.

    Attributes
    ----------
    result : FieldResult
        The run as stated.
    stated : FieldNumbers
        Its numbers, worked out as those of the repeats are.
    repeats : pandas.DataFrame
        One row a repeat: repeat, :data:`DRAWN`, :data:`NUMBERS`. NaN in the columns of a
        wind that there is not.
    strips : pandas.DataFrame
        strip_id, kind, area_m2, stated_ratio, share_of_repeats, ratio_p05, ratio_p50,
        ratio_p95 of every strip of the stated run.
    perturbations : Perturbations
    seed : int
    windy : bool
        Whether a wind was stated at all.
    """

    result: FieldResult
    stated: FieldNumbers
    repeats: pd.DataFrame
    strips: pd.DataFrame
    perturbations: Perturbations
    seed: int
    windy: bool


def perturb_field(
    track: Track,
    settings: FieldSettings,
    boundary: BaseGeometry | None = None,
    progress: Callable[[str], None] | None = None,
    wind: WindSeries | None = None,
    *,
    repeats: int = 200,
    seed: int = 1,
    perturbations: Perturbations | None = None,
    threads: int | None = None,
) -> FieldRange:
    """Map a field as stated, then lay its residue anew with wind, width and yield off.

    Cleaning, passes, working width, crop and flight of the pieces stay as they are. A
    factor on the yield of a pass goes for its residue and for that of the ground it cut.

    Parameters
    ----------
    track, settings, boundary, progress, wind
        As for :func:`covermap.field.whole_field.map_field`.
    repeats : int
        How often.
    seed : int
        The same seed gives the same numbers.
    perturbations : Perturbations, optional
        :func:`usual_perturbations` if not given.
    threads : int, optional
        Repeats side by side, one a core by default; the numbers do not depend on it.

    Returns
    -------
    FieldRange

    Raises
    ------
    CovermapError
        If the track or a setting does not allow a map.
    """
    how = usual_perturbations() if perturbations is None else perturbations
    result = map_field(track, settings, boundary, progress, wind)
    if progress is not None:
        progress(f"{repeats} repeats")
    field = _Field.of(result)
    passes = len(result.passes)
    drawn = draws(how, repeats, passes, seed)
    stated = field.numbers(Draw(1.0, 1.0, 0.0, 1.0, np.ones(passes + 1)))
    workers = threads or core_count()
    # a repeat on each core is faster than every repeat on all
    with limit_threads(1), ThreadPoolExecutor(workers) as pool:
        found = list(pool.map(field.numbers, drawn))
    windy = field.run.wind is not None
    return FieldRange(
        result,
        stated,
        _repeats(drawn, found, windy=windy),
        _strips(result, stated, np.array([one.strip_ratio for one in found])),
        how,
        seed,
        windy,
    )


def marks(values: np.ndarray) -> tuple[float, float, float]:
    """Give the 5 % mark, the median and the 95 % mark of ``values``.

    Linear between order statistics (type 7 of Hyndman & Fan 1996, from memory).
    """
    low, middle, high = np.quantile(values, [LOW_MARK, 0.5, 1 - LOW_MARK])
    return float(low), float(middle), float(high)


def mark_between(values: np.ndarray, share: float) -> tuple[float, float]:
    """Give where a mark lies that endless repeats would give, 95 times in 100.

    Between two order statistics whose ranks follow from the binomial distribution, whatever
    the distribution of ``values``: Conover 1999, Practical Nonparametric Statistics, 3rd
    edition, section 3.2 (from memory).

    Parameters
    ----------
    values : numpy.ndarray
        (n,) one of each repeat.
    share : float
        Of the values below the mark, 0.05 for the 5 % mark.

    Returns
    -------
    float, float
        NaN where the repeats are too few to say.
    """
    sure = quantile_test(values, p=share).confidence_interval(_CONFIDENCE)
    return float(sure.low), float(sure.high)


@dataclass(frozen=True)
class _Field:
    """What all repeats share."""

    harvest: Harvest
    settings: FieldSettings
    run: Run
    ground: MappedGround

    @classmethod
    def of(cls, result: FieldResult) -> _Field:
        ground = MappedGround(
            result.given_kg_m2,
            result.pass_of_cell,
            result.strip_of_cell,
            len(result.strips),
            result.grid.cell_m,
            result.tray_m,
            result.left_flat_share,
            result.crop.cover_m2_per_kg,
            result.limits,
        )
        return cls(result.harvest, result.settings, run_of(result.harvest), ground)

    def numbers(self, draw: Draw) -> FieldNumbers:
        """Lay one repeat and measure it."""
        laid = deposit(self.bands(draw), self.harvest.grid, meaningful_kg_m2=np.inf)
        return field_numbers(laid.kg_m2, draw.yield_factor * draw.pass_factor, self.ground)

    def bands(self, draw: Draw) -> Bands:
        """Give the bands of one repeat."""
        run, machine = self.run, self.run.machine
        wider = np.where(run.spread, draw.width_factor, 1.0)
        run = run.with_machine(
            reach_left_m=machine["reach_left_m"] * wider,
            reach_right_m=machine["reach_right_m"] * wider,
            chaff_width_m=machine["chaff_width_m"] * draw.width_factor,
        )
        factor = draw.yield_factor * draw.pass_factor[run.pass_no]
        wind = None if run.wind is None else self._wind(run.wind, draw, run.machine)
        run = replace(
            run, straw_kg=run.straw_kg * factor, chaff_kg=run.chaff_kg * factor, wind=wind
        )
        return run.bands()

    def _wind(self, wind: FixWind, draw: Draw, machine: pd.DataFrame) -> FixWind:
        """Turn and scale the wind, with drift tables that reach as far as it and the band."""
        turn = np.radians(draw.wind_turn_deg)
        cosine, sine = draw.wind_speed_factor * np.cos(turn), draw.wind_speed_factor * np.sin(turn)
        across = wind.across_m_s * cosine + wind.along_m_s * sine
        along = wind.along_m_s * cosine - wind.across_m_s * sine
        harvest, settings = self.harvest, self.settings
        held = machine.iloc[self.run.rows]
        reaches = held[["reach_left_m", "reach_right_m"]].assign(chaff=held["chaff_width_m"] / 2)
        ratios = harvest.flow.ratios
        stubble_m = cut_height_m(settings.crop, harvest.crop)
        tables = tables_for(
            harvest.crop,
            thrower(settings, stubble_m, mean_speed_m_s(harvest.passes)),
            ratios.straw_through / ratios.through,
            float(np.nanmax(reaches.to_numpy(float))),
            float(max(np.abs(across).max(initial=0.5), np.abs(along).max(initial=0.5))),
        )
        return FixWind(
            across,
            along,
            wind.east_m_s * cosine + wind.north_m_s * sine,
            wind.north_m_s * cosine - wind.east_m_s * sine,
            *tables,
        )


def _repeats(drawn: list[Draw], found: list[FieldNumbers], *, windy: bool) -> pd.DataFrame:
    rows = [
        (
            one.width_factor,
            one.wind_speed_factor if windy else np.nan,
            one.wind_turn_deg if windy else np.nan,
            one.yield_factor,
            one.pass_factor[1:].min(),
            one.pass_factor[1:].max(),
            *(getattr(numbers, name) for name in NUMBERS),
        )
        for one, numbers in zip(drawn, found, strict=True)
    ]
    table = pd.DataFrame(rows, columns=[*DRAWN, *NUMBERS])
    table.insert(0, "repeat", np.arange(1, len(table) + 1))
    return table


def _strips(result: FieldResult, stated: FieldNumbers, ratio: np.ndarray) -> pd.DataFrame:
    """Give the table of strips from their (repeats, strips) ratios."""
    table = pd.DataFrame(result.strips[["strip_id", "kind", "area_m2"]])
    gap = (table["kind"] == "gap").to_numpy()
    still = np.where(gap, result.limits.gap(ratio), result.limits.double(ratio))
    low, middle, high = np.quantile(ratio, [LOW_MARK, 0.5, 1 - LOW_MARK], axis=0)
    return table.assign(
        stated_ratio=stated.strip_ratio,
        share_of_repeats=still.mean(axis=0),
        ratio_p05=low,
        ratio_p50=middle,
        ratio_p95=high,
    )

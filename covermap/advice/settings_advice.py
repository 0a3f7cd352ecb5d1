"""Which reach and lean would have spread evenly in a crosswind, within the machine's limits.

The band that lands in a wind is worked out as the map does it; passes are laid side by
side at the spacing, and the settings whose overlap varies least are searched. Two passes
driven in opposite directions see the wind from opposite sides, so each direction has its
own setting.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from covermap.spread.profile import profile_shares
from covermap.wind.wind_lean import DriftTables, leaned_band

#: No-till wants the highest ÷ lowest residue across the pass under this (Allmaras et al.
#: 1985, Agron. J. 77:730-734).
URDR_WANTED = 1.5
#: A change that wins less than this is not worth a stop [points of CV].
LEAST_GAIN_PCT = 1.0
#: From one wind to the next a quite different setting must win this [points of CV].
_JUMP_GAIN_PCT = 5.0
_TRAY_M = 0.5
_SAMPLE_M = 0.1


@dataclass(frozen=True)
class SpreadSetting:
    """Reach to the left and right and lean of a spread [m]."""

    reach_left_m: float
    reach_right_m: float
    lean_m: float

    def mirrored(self) -> SpreadSetting:
        """Give the setting with left and right exchanged."""
        return SpreadSetting(self.reach_right_m, self.reach_left_m, -self.lean_m)


@dataclass(frozen=True)
class MachineLimits:
    """What the machine can be set to [m]."""

    least_reach_m: float
    most_reach_m: float
    most_lean_m: float

    def allows(self, setting: SpreadSetting) -> bool:
        """Say whether a setting lies within the limits."""
        reaches = (setting.reach_left_m, setting.reach_right_m)
        return (
            min(reaches) >= self.least_reach_m - 1e-9
            and max(reaches) <= self.most_reach_m + 1e-9
            and abs(setting.lean_m) <= self.most_lean_m + 1e-9
        )


@dataclass(frozen=True)
class SpreadModel:
    """The spreader as the map models it.

    Attributes
    ----------
    shape : str
        Profile in still air.
    table : tuple of float or None
        Shares of a table profile.
    tables : DriftTables
        Drift of the pieces, reaching to ``most_reach_m`` at least.
    spacing_m : float
        Distance between neighbouring passes [m].
    """

    shape: str
    table: tuple[float, ...] | None
    tables: DriftTables
    spacing_m: float

    def lands(self, setting: SpreadSetting, crosswind_m_s: float) -> LandedBand:
        """Give the band that a setting lays in a crosswind (+ towards the right)."""
        left, right = setting.reach_left_m, setting.reach_right_m
        shares = profile_shares(self.shape, left, right, self.table)
        landed, low, high = leaned_band(self.tables, shares, -left, right, crosswind_m_s)
        return LandedBand(landed, low + setting.lean_m, high + setting.lean_m)


@dataclass(frozen=True)
class LandedBand:
    """A band on the ground: shares in equal bins between two edges [m]."""

    shares: np.ndarray
    left_m: float
    right_m: float

    def below(self, x_m: np.ndarray) -> np.ndarray:
        """Give the share left of positions [m]."""
        edges = np.linspace(self.left_m, self.right_m, len(self.shares) + 1)
        return np.asarray(np.interp(x_m, edges, np.append(0.0, np.cumsum(self.shares))))

    def mirrored(self) -> LandedBand:
        """Give the band seen from the other direction of travel."""
        return LandedBand(self.shares[::-1], -self.right_m, -self.left_m)


@dataclass(frozen=True)
class Overlap:
    """How even two passes, driven there and back, lie side by side.

    Attributes
    ----------
    cv_pct : float
        Coefficient of variation over trays of half a metre [%].
    urdr : float
        Highest ÷ lowest tray; infinite where one gets nothing.
    """

    cv_pct: float
    urdr: float


def overlap(there: LandedBand, back: LandedBand, spacing_m: float) -> Overlap:
    """Lay passes side by side, ``there`` and ``back`` in turn, and measure evenness.

    Parameters
    ----------
    there, back : LandedBand
        Each seen looking forward in its own direction.
    spacing_m : float
        Distance between neighbouring passes [m].
    """
    count = max(int(np.ceil(spacing_m / _SAMPLE_M)), 4)
    other = back.mirrored()
    pattern = _folded(there, spacing_m, count, 0) + _folded(other, spacing_m, count, count)
    # every tray is the mean of the bins under it, the pattern going round
    wide = max(round(_TRAY_M / (spacing_m / count)), 1)
    round_about = np.concatenate([pattern, pattern[: wide - 1]])
    sums = np.append(0.0, np.cumsum(round_about))
    trays = sums[wide:] - sums[:-wide]
    least = float(trays.min())
    cv = float(100 * trays.std() / trays.mean())
    top = float(trays.max())
    return Overlap(cv, top / least if least > 1e-6 * top else float("inf"))


def _folded(band: LandedBand, spacing_m: float, count: int, shift: int) -> np.ndarray:
    """Give the mass of a band in bins of a period of two spacings, ``shift`` bins on."""
    step = spacing_m / count
    first, last = math.floor(band.left_m / step), math.ceil(band.right_m / step)
    mass = np.diff(band.below(np.arange(first, last + 1) * step))
    place = (np.arange(first, last) + shift) % (2 * count)
    return np.bincount(place, mass, 2 * count)


def best_setting(
    model: SpreadModel,
    limits: MachineLimits,
    crosswind_m_s: float,
    near: SpreadSetting | None = None,
) -> SpreadSetting:
    """Search the setting that spreads most evenly in a crosswind.

    The search asks for a band that repeats evenly beside itself and beside its mirror
    image, so that it also fits the pass that comes back. Of settings as good as each other
    the one with the least lean and the most equal reaches wins.

    Parameters
    ----------
    model : SpreadModel
    limits : MachineLimits
    crosswind_m_s : float
        Air moving to the right at flight height [m/s].
    near : SpreadSetting, optional
        Where to look first, and what to stay near to if nothing is won by leaving it.
    """
    low, high, lean = limits.least_reach_m, limits.most_reach_m, limits.most_lean_m
    # the band is leaned against the wind or not at all
    lean_low = -lean if crosswind_m_s >= 0 or model.table is not None else 0.0
    lean_high = lean if crosswind_m_s <= 0 or model.table is not None else 0.0

    def clipped(values: np.ndarray) -> SpreadSetting:
        return SpreadSetting(
            float(np.clip(values[0], low, high)),
            float(np.clip(values[1], low, high)),
            float(np.clip(values[2], lean_low, lean_high)),
        )

    def cost(values: np.ndarray) -> float:
        setting = clipped(values)
        band = model.lands(setting, crosswind_m_s)
        beside_itself = overlap(band, band.mirrored(), model.spacing_m).cv_pct
        beside_mirror = overlap(band, band, model.spacing_m).cv_pct
        inside = np.array([setting.reach_left_m, setting.reach_right_m, setting.lean_m])
        apart = abs(setting.reach_left_m - setting.reach_right_m)
        moved = 0.0 if near is None else np.abs(inside - _values(near)).sum()
        return float(
            0.5 * (beside_itself + beside_mirror)
            + 0.1 * abs(setting.lean_m)
            + 0.2 * apart
            + 0.1 * moved
            + 10 * np.abs(values - inside).sum()
        )

    reaches = np.unique(np.clip(np.linspace(0.3, 1.3, 21) * model.spacing_m, low, high))
    if crosswind_m_s == 0 and model.table is None:
        # still air and a spreader with two like sides: nothing to lean against
        reach = min(reaches, key=lambda r: cost(np.array([r, r, 0.0])))
        fine = np.clip(np.linspace(reach - 0.3, reach + 0.3, 25), low, high)
        reach = min(fine, key=lambda r: cost(np.array([r, r, 0.0])))
        return SpreadSetting(float(reach), float(reach), 0.0)
    starts = []
    for left in reaches[::4]:
        for right in reaches[::4]:
            band = model.lands(SpreadSetting(left, right, 0.0), crosswind_m_s)
            centre = (band.shares * _middles(band)).sum()
            starts.append(np.array([left, right, np.clip(-centre, lean_low, lean_high)]))
    starts.sort(key=cost)
    if near is not None:
        starts.insert(0, _values(near))
    from scipy.optimize import minimize  # slow to load

    found = [
        minimize(
            cost,
            start,
            method="Nelder-Mead",
            options={"xatol": 0.02, "fatol": 0.02, "maxfev": 150},
        )
        for start in starts[:2]
    ]
    best = min(found, key=lambda f: f.fun)
    # a jump to quite another setting must win something
    if near is not None and found[0].fun < best.fun + _JUMP_GAIN_PCT:
        best = found[0]
    return clipped(best.x)


def _values(setting: SpreadSetting) -> np.ndarray:
    return np.array([setting.reach_left_m, setting.reach_right_m, setting.lean_m])


def _middles(band: LandedBand) -> np.ndarray:
    edges = np.linspace(band.left_m, band.right_m, len(band.shares) + 1)
    return np.asarray((edges[1:] + edges[:-1]) / 2)


@dataclass(frozen=True)
class PairAdvice:
    """Advice for passes driven there and back in one wind.

    Attributes
    ----------
    crosswind_m_s : float
        On the flying straw, towards the right of the way there [m/s].
    there, back : SpreadSetting
        Advised; the present ones where a change is not worth it.
    present_there, present_back : SpreadSetting
        As it was set.
    before, after : Overlap
        Evenness with the present settings and as advised.
    worth_it : bool
        Whether a change is advised.
    one_way : bool
        Driven there only, as round and round; ``back`` then means nothing.
    """

    crosswind_m_s: float
    there: SpreadSetting
    back: SpreadSetting
    present_there: SpreadSetting
    present_back: SpreadSetting
    before: Overlap
    after: Overlap
    worth_it: bool
    one_way: bool


def advise_pair(
    model: SpreadModel,
    limits: MachineLimits,
    present_there: SpreadSetting,
    present_back: SpreadSetting,
    crosswind_m_s: float,
    *,
    one_way: bool = False,
) -> PairAdvice:
    """Advise settings for two opposite directions of travel, or for one driven alone.

    Never advises a change that does not even out at least :data:`LEAST_GAIN_PCT`.
    """

    def evenness(there: SpreadSetting, back: SpreadSetting) -> Overlap:
        band = model.lands(there, crosswind_m_s)
        # one way, the neighbour is the same band over again
        other = band.mirrored() if one_way else model.lands(back, -crosswind_m_s)
        return overlap(band, other, model.spacing_m)

    before = evenness(present_there, present_back)
    there = best_setting(model, limits, crosswind_m_s)
    symmetric = model.table is None
    back = there.mirrored() if symmetric else best_setting(model, limits, -crosswind_m_s)
    after = evenness(there, back)
    worth_it = after.cv_pct <= before.cv_pct - LEAST_GAIN_PCT
    if not worth_it:
        there, back, after = present_there, present_back, before
    return PairAdvice(
        crosswind_m_s, there, back, present_there, present_back, before, after, worth_it, one_way
    )


@dataclass(frozen=True)
class CardRow:
    """One line of the card: a crosswind from the left and what to set for it.

    Attributes
    ----------
    crosswind_m_s : float
        On the flying straw [m/s]; the setting for wind from the right is the mirror image.
    setting : SpreadSetting
    after : Overlap
        Evenness with it.
    corrected : bool
        Whether highest ÷ lowest stays within :data:`URDR_WANTED`.
    """

    crosswind_m_s: float
    setting: SpreadSetting
    after: Overlap
    corrected: bool


def card_rows(
    model: SpreadModel, limits: MachineLimits, crosswinds_m_s: np.ndarray
) -> list[CardRow]:
    """Give the best setting for each crosswind from the left, calm first."""
    rows: list[CardRow] = []
    setting: SpreadSetting | None = None
    for wind in crosswinds_m_s:
        setting = best_setting(model, limits, float(wind), setting)
        band = model.lands(setting, float(wind))
        after = overlap(band, band.mirrored(), model.spacing_m)
        rows.append(CardRow(float(wind), setting, after, after.urdr <= URDR_WANTED))
    return rows


def strongest_corrected_m_s(rows: list[CardRow]) -> float | None:
    """Give the strongest crosswind up to which every wind of the rows is corrected [m/s].

    None if not even still air is: then it is the spreader, not the wind.
    """
    strongest = None
    for row in rows:
        if not row.corrected:
            break
        strongest = row.crosswind_m_s
    return strongest

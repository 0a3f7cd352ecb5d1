"""Where the load may trouble the next seeding, against what the seeder is said to handle.

What an opener or a row cleaner handles is stated by the person: no published figure was
found. Nothing is judged without one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from covermap.errors import SettingsError
from covermap.ground.rasters import DerivedRaster, Raster, as_raster
from covermap.tables import read_table
from covermap.tables.crops import find_crop
from covermap.tables.said import Said

#: Least load whose cold was measured [t/ha]; up to 6.7 it had no trend (Morris et al. 2009).
COLD_LOAD_T_HA = 3.3
#: Under this cover after seeding the ground counts as thinly covered [%] (K-State eUpdate 426).
THIN_COVER_PCT = 30.0


@dataclass(frozen=True)
class Flag:
    """One judgement, and where it holds: a raster of bool."""

    said: Said
    where: Raster


@dataclass(frozen=True)
class SeedingFlags:
    """What may trouble the seeder.

    Attributes
    ----------
    flags : tuple of Flag
        ``seeding-row-cleaner-needed`` lies within ``seeding-too-much-for-opener``.
    not_judged : tuple of Said
        What the person has to state for it.
    """

    flags: tuple[Flag, ...]
    not_judged: tuple[Said, ...]


@dataclass(frozen=True)
class Establishment:
    """Published response of a crop to residue.

    Attributes
    ----------
    change_pct : Raster or None
        Change against bare ground [%]; NaN beyond the load tried; None for crops not tried.
    beyond : Raster or None
        Bool: more residue than was tried.
    notes : tuple of Said
        The study without effect among them.
    """

    change_pct: Raster | None
    beyond: Raster | None
    notes: tuple[Said, ...]


def row_zone_share(row_zone_width_m: float, row_spacing_m: float) -> float:
    """Give the share of the ground that openers or row cleaners work.

    The load per area within the zone is the map's; this is how much ground it concerns.

    Raises
    ------
    SettingsError
        If the zone is not wider than 0 and at most as wide as the rows are apart.
    """
    if not 0 < row_zone_width_m <= row_spacing_m:
        raise SettingsError(
            f"row zone: its width ({row_zone_width_m!r} m) is out of range.",
            f"Expected above 0 and at most the row spacing ({row_spacing_m!r} m).",
        )
    return row_zone_width_m / row_spacing_m


def _check_limits(limits: dict[str, float | None]) -> None:
    for name, value in limits.items():
        if value is not None and not value >= 0:
            raise SettingsError(
                f"{name}: {value!r} t/ha is out of range.", "Expected 0 t/ha or more."
            )
    opener, cleaner = limits["opener_limit_t_ha"], limits["cleaner_limit_t_ha"]
    if opener is not None and cleaner is not None and cleaner < opener:
        raise SettingsError(
            f"cleaner_limit_t_ha ({cleaner:g}) is below opener_limit_t_ha ({opener:g}); a row "
            "cleaner is there to handle more.",
            way_out="Were the two exchanged?",
        )


def judge_seeding(
    residue_t_ha: np.ndarray | float | Raster,
    cover_pct: np.ndarray | float | Raster,
    *,
    opener: str = "disc",
    opener_limit_t_ha: float | None = None,
    cleaner_limit_t_ha: float | None = None,
    hairpin_t_ha: float | None = None,
    cold_wet_spring: bool | None = None,
    thin_cover_pct: float = THIN_COVER_PCT,
) -> SeedingFlags:
    """Mark where the load may trouble the seeder.

    Parameters
    ----------
    residue_t_ha, cover_pct : array, float or Raster
        Flat residue [t/ha] and cover [%] that the seeder meets (after operations before it).
    opener : {"disc", "hoe"}
        Only discs hairpin.
    opener_limit_t_ha, cleaner_limit_t_ha : float, optional
        What the opener alone, and with a row cleaner, is said to handle [t/ha].
    hairpin_t_ha : float, optional
        Load from which a disc hairpins [t/ha], from the person's own experience.
    cold_wet_spring : bool, optional
        Whether cold or wet soil is a worry here.
    thin_cover_pct : float
        Cover under which ground counts as thinly covered [%].

    Raises
    ------
    SettingsError
        If the opener is unknown or a limit is negative or contradicts another.
    """
    if opener not in ("disc", "hoe"):
        raise SettingsError(f"opener: {opener!r} is not known.", way_out="Write 'disc' or 'hoe'.")
    load, cover = as_raster(residue_t_ha), as_raster(cover_pct)
    limits = {
        "opener_limit_t_ha": opener_limit_t_ha,
        "cleaner_limit_t_ha": cleaner_limit_t_ha,
        "hairpin_t_ha": hairpin_t_ha,
    }
    _check_limits(limits)
    numbers = {**limits, "opener": opener, "thin_cover_pct": thin_cover_pct,
            "cold_load_t_ha": COLD_LOAD_T_HA}  # fmt: skip
    flags: list[Flag] = []
    missing: list[Said] = []

    def judge(rule: str, holds: Callable[[np.ndarray], np.ndarray], values: Raster = load) -> None:
        flags.append(Flag(Said(rule, numbers), DerivedRaster(holds, values)))

    def skip(flag: str, what: str) -> None:
        missing.append(Said("seeding-not-judged", {"flag": flag, "what": what}))

    opener_said = "what the opener is said to handle"
    if opener_limit_t_ha is None:
        skip("too much for the opener", opener_said)
    else:
        judge("seeding-too-much-for-opener", lambda lies: lies > opener_limit_t_ha)
    if opener_limit_t_ha is None or cleaner_limit_t_ha is None:
        what = opener_said if opener_limit_t_ha is None else "what a row cleaner is said to handle"
        skip("row cleaner needed", what)
    else:
        judge(
            "seeding-row-cleaner-needed",
            lambda lies: (lies > opener_limit_t_ha) & (lies <= cleaner_limit_t_ha),
        )
    if opener == "disc":
        if hairpin_t_ha is None:
            skip("hairpinning", "the load from which your discs hairpin")
        else:
            judge("seeding-hairpinning", lambda lies: lies > hairpin_t_ha)
    if cold_wet_spring is None:
        skip("cold, wet soil", "whether the spring is cold or wet")
    elif cold_wet_spring:
        judge("seeding-cold-wet", lambda lies: lies >= COLD_LOAD_T_HA)
    judge("seeding-thin-cover", lambda covered: covered < thin_cover_pct, cover)
    return SeedingFlags(tuple(flags), tuple(missing))


def _crops(row: dict[str, str]) -> dict[str, str]:
    return {name: row[name] for name in ("next_crop", "residue_crop")}


def establishment(
    residue_t_ha: np.ndarray | float | Raster,
    next_crop: str,
    residue_crop: str,
    *,
    measure: str = "establishment",
    other_crops_too: bool = False,
) -> Establishment:
    """Give the published response of the next crop to surface residue; optional, no promise.

    Parameters
    ----------
    residue_t_ha : array, float or Raster
        Residue on the surface at seeding [t/ha].
    next_crop, residue_crop : str
        The crop to be sown and the crop the residue is of.
    measure : {"establishment", "biomass", "yield"}
        What was measured.
    other_crops_too : bool
        Use the trials for other crops than they were of; a note then says so.

    Raises
    ------
    SettingsError
        If the measure was not tried or a crop is unknown.
    """
    kinds = (find_crop(next_crop).kind, find_crop(residue_crop).kind)
    rows = read_table("establishment")
    effects = [row for row in rows if row["change_pct"]]
    row = next((r for r in effects if r["measure"] == measure), None)
    if row is None:
        known = ", ".join(r["measure"] for r in effects)
        raise SettingsError(f"measure: {measure!r} was not tried.", f"Known: {known}.")
    notes = []
    other = kinds != (row["next_crop"], row["residue_crop"])
    if other:
        notes.append(Said("seeding-other-crops", _crops(row)))
    at_t_ha, change = float(row["residue_t_ha"]), float(row["change_pct"])
    numbers = {
        **_crops(row),
        "measure": measure.capitalize(),
        "change_pct": change,
        "at_t_ha": at_t_ha,
        "source": row["source"],
    }
    notes.append(Said("seeding-establishment", numbers))
    notes += [
        Said("seeding-no-effect", {"note": r["note"], "source": r["source"]})
        for r in rows
        if r["measure"] == "no effect"
    ]
    if other and not other_crops_too:
        return Establishment(None, None, tuple(notes))
    load = as_raster(residue_t_ha)

    def change_pct(lies: np.ndarray) -> np.ndarray:
        return np.where(lies > at_t_ha, np.nan, lies * (change / at_t_ha))

    return Establishment(
        DerivedRaster(change_pct, load),
        DerivedRaster(lambda lies: lies > at_t_ha, load),
        tuple(notes),
    )

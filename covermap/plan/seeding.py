"""Where the load may trouble the next seeding, against what the seeder is said to handle.

What an opener or a row cleaner handles is stated by the person: no published figure was
found. Nothing is judged without one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from covermap.errors import SettingsError
from covermap.tables import read_table
from covermap.tables.crops import find_crop

#: Least load whose cold was measured [t/ha]; up to 6.7 it had no trend (Morris et al. 2009).
COLD_LOAD_T_HA = 3.3
#: Under this cover after seeding the ground counts as thinly covered [%] (K-State eUpdate 426).
THIN_COVER_PCT = 30.0

#: What is said about seeding, by rule id.
RULES = {
    "seeding-too-much-for-opener": "More than the {opener} opener is said to handle "
    "({opener_limit_t_ha:g} t/ha, stated by you).",
    "seeding-row-cleaner-needed": "More than the opener is said to handle "
    "({opener_limit_t_ha:g} t/ha) and no more than a row cleaner is ({cleaner_limit_t_ha:g} t/ha), "
    "both stated by you.",
    "seeding-hairpinning": "Flat residue of more than {hairpin_t_ha:g} t/ha (stated by you), which "
    "a disc may press into the slot instead of cutting it (common practice, no source; no "
    "published threshold was found).",
    "seeding-cold-wet": "At least {cold_load_t_ha:g} t/ha where you call the spring cold or wet: "
    "surface straw lowered the mean day temperature of the soil by about 2.5 °C, with no "
    "consistent trend from 3.3 to 6.7 t/ha (Morris et al. 2009); to start at 3.3 is assumed.",
    "seeding-thin-cover": "Less than {thin_cover_pct:g} % cover: open to drying, crusting and soil "
    "loss (common practice, no source; 30 % is the line of conservation tillage, K-State eUpdate "
    "426).",
    "seeding-not-judged": "Not judged: {flag}, since {what} is not stated.",
    "seeding-establishment": "{measure} of {next_crop} under surface {residue_crop} residue "
    "changed by {change_pct:g} % at {at_t_ha:g} t/ha ({source}); between 0 and {at_t_ha:g} t/ha a "
    "straight line is assumed, beyond it nothing is said. Not a promise.",
    "seeding-no-effect": "Another study found no effect: {note} ({source}).",
    "seeding-other-crops": "The trials were of {next_crop} in {residue_crop} residue, not of your "
    "crops.",
    "seeding-caution": "Before anyone reaches into the seeder, its openers or row cleaners: engine "
    "off, key out, machine lowered or blocked, all moving parts stopped; operator's manual first.",
}


@dataclass(frozen=True)
class Flag:
    """One judgement: rule id, its sentence, and where it holds (bool, like the map)."""

    rule: str
    text: str
    where: np.ndarray


@dataclass(frozen=True)
class SeedingFlags:
    """What may trouble the seeder.

    Attributes
    ----------
    flags : tuple of Flag
        ``seeding-row-cleaner-needed`` lies within ``seeding-too-much-for-opener``.
    not_judged : tuple of (str, str)
        Rule id and why: what the person has to state for it.
    """

    flags: tuple[Flag, ...]
    not_judged: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Establishment:
    """Published response of a crop to residue.

    Attributes
    ----------
    change_pct : numpy.ndarray or None
        Change against bare ground [%]; NaN beyond the load tried; None for crops not tried.
    beyond : numpy.ndarray of bool or None
        More residue than was tried.
    notes : tuple of (str, str)
        Rule ids and sentences, the study without effect among them.
    """

    change_pct: np.ndarray | None
    beyond: np.ndarray | None
    notes: tuple[tuple[str, str], ...]


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
    residue_t_ha: np.ndarray | float,
    cover_pct: np.ndarray | float,
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
    residue_t_ha, cover_pct : array or float
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
    load, cover = np.asarray(residue_t_ha), np.asarray(cover_pct)
    limits = {
        "opener_limit_t_ha": opener_limit_t_ha,
        "cleaner_limit_t_ha": cleaner_limit_t_ha,
        "hairpin_t_ha": hairpin_t_ha,
    }
    _check_limits(limits)
    said = {**limits, "opener": opener, "thin_cover_pct": thin_cover_pct,
            "cold_load_t_ha": COLD_LOAD_T_HA}  # fmt: skip
    flags: list[Flag] = []
    missing: list[tuple[str, str]] = []

    def judge(rule: str, where: np.ndarray) -> None:
        flags.append(Flag(rule, RULES[rule].format(**said), np.asarray(where)))

    def skip(rule: str, flag: str, what: str) -> None:
        missing.append((rule, RULES["seeding-not-judged"].format(flag=flag, what=what)))

    opener_said = "what the opener is said to handle"
    if opener_limit_t_ha is None:
        skip("seeding-too-much-for-opener", "too much for the opener", opener_said)
    else:
        judge("seeding-too-much-for-opener", load > opener_limit_t_ha)
    if opener_limit_t_ha is None or cleaner_limit_t_ha is None:
        what = opener_said if opener_limit_t_ha is None else "what a row cleaner is said to handle"
        skip("seeding-row-cleaner-needed", "row cleaner needed", what)
    else:
        between = (load > opener_limit_t_ha) & (load <= cleaner_limit_t_ha)
        judge("seeding-row-cleaner-needed", between)
    if opener == "disc":
        if hairpin_t_ha is None:
            skip("seeding-hairpinning", "hairpinning", "the load from which your discs hairpin")
        else:
            judge("seeding-hairpinning", load > hairpin_t_ha)
    if cold_wet_spring is None:
        skip("seeding-cold-wet", "cold, wet soil", "whether the spring is cold or wet")
    elif cold_wet_spring:
        judge("seeding-cold-wet", load >= COLD_LOAD_T_HA)
    judge("seeding-thin-cover", cover < thin_cover_pct)
    return SeedingFlags(tuple(flags), tuple(missing))


def establishment(
    residue_t_ha: np.ndarray | float,
    next_crop: str,
    residue_crop: str,
    *,
    measure: str = "establishment",
    other_crops_too: bool = False,
) -> Establishment:
    """Give the published response of the next crop to surface residue; optional, no promise.

    Parameters
    ----------
    residue_t_ha : array or float
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
        notes.append(("seeding-other-crops", RULES["seeding-other-crops"].format(**row)))
    at_t_ha, change = float(row["residue_t_ha"]), float(row["change_pct"])
    text = RULES["seeding-establishment"].format(
        **{**row, "measure": measure.capitalize(), "change_pct": change, "at_t_ha": at_t_ha}
    )
    notes.append(("seeding-establishment", text))
    notes += [
        ("seeding-no-effect", RULES["seeding-no-effect"].format(**r))
        for r in rows
        if r["measure"] == "no effect"
    ]
    if other and not other_crops_too:
        return Establishment(None, None, tuple(notes))
    load = np.asarray(residue_t_ha)
    beyond = load > at_t_ha
    return Establishment(np.where(beyond, np.nan, load * (change / at_t_ha)), beyond, tuple(notes))

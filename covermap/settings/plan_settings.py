"""The settings of the plan: what comes next, with which implement, against which limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from covermap.settings.setting import choice, number, text, texts

YesOrNo = Literal["yes", "no"]
Opener = Literal["disc", "hoe"]
Response = Literal["none", "establishment", "biomass", "yield"]
YES_OR_NO: tuple[YesOrNo, ...] = ("yes", "no")
OPENERS: tuple[Opener, ...] = ("disc", "hoe")
RESPONSES: tuple[Response, ...] = ("none", "establishment", "biomass", "yield")


@dataclass(frozen=True, kw_only=True)
class PlanSection:
    """[plan]: what comes next: operations, seeding, implement, limits, prices."""

    operations: tuple[str, ...] | None = texts(
        "Winter, tillage and seeding to come, in order, by their names in the operations table."
    )
    target_cover_pct: float = number(
        "percent",
        "Ground cover to keep after these operations.",
        default=30.0,
        why="line of conservation tillage (K-State eUpdate 426; CTIC)",
        low=0.0,
        high=99.0,
    )
    fragile: YesOrNo | None = choice(
        YES_OR_NO,
        "Whether the residue breaks up easily; by the crop's row of the table if not given.",
    )
    decay_pct_per_day: float | None = number(
        "percent",
        "Residue that rots per day of rotting weather; with decay_days.",
        low=0.0,
        high=20.0,
    )
    decay_days: float | None = number(
        "number", "Days of rotting weather before the operations.", low=0.0, high=400.0
    )
    water_loss_per_pct: float = number(
        "number",
        "How strongly cover slows soil loss to water, b of exp(-b cover).",
        default=0.035,
        why="typical cropland (Renard et al. 1997; 0.025 between rills, 0.05 in rills)",
        low=0.025,
        high=0.05,
    )
    roughness_m: float = number(
        "length",
        "Random roughness of the soil surface.",
        default=0.006096,
        why="0.24 in, the roughness at which the subfactor needs no correction",
        above=0.0,
        high=0.2,
    )
    row_spacing_m: float | None = number(
        "length", "Distance between seed rows.", above=0.0, high=2.0
    )
    row_zone_width_m: float | None = number(
        "length", "Width that opener or row cleaner works.", above=0.0, high=2.0
    )
    opener: Opener = choice(
        OPENERS,
        "Kind of seed opener; only discs press straw into the slot.",
        default="disc",
        why="discs are the case that hairpins",
    )
    opener_limit_t_ha: float | None = number(
        "mass per area", "Residue the opener is said to handle.", above=0.0
    )
    cleaner_limit_t_ha: float | None = number(
        "mass per area", "Residue opener and row cleaner are said to handle.", above=0.0
    )
    hairpin_from_t_ha: float | None = number(
        "mass per area", "Residue from which your discs hairpin.", above=0.0
    )
    cold_wet_spring: YesOrNo | None = choice(
        YES_OR_NO, "Whether cold or wet soil is a worry at seeding."
    )
    response: Response = choice(
        RESPONSES,
        "Published response of the next crop to show, if its trials fit.",
        default="none",
        why="trials disagree; shown only on request",
    )
    target_c_n: float = number(
        "number",
        "C:N below which residue no longer ties up nitrogen.",
        default=24.0,
        why="diet of soil microbes (USDA-NRCS 2011)",
        above=0.0,
        high=60.0,
    )
    implement_width_m: float | None = number(
        "length",
        "Working width of harrow or tillage; zones are never narrower.",
        why="the cut width",
        above=0.0,
        high=50.0,
    )
    implement_heading_deg: float | None = number(
        "angle",
        "Heading the harrow or tillage works on; the best one found if not given.",
        low=0.0,
        high=360.0,
    )
    zone_share: float = number(
        "share",
        "A zone is worked if at least this share of its ground calls for it.",
        default=0.25,
        why="a stated guess: less is not worth a pass over the rest",
        low=0.0,
        high=1.0,
    )
    harrow_carry_m: float = number(
        "length",
        "Mean distance a harrow carries residue.",
        default=3.0,
        why="a stated guess, no published figure was found",
        low=0.0,
        high=50.0,
    )
    harrow_moved_share: float = number(
        "share",
        "Share of the residue that a harrow pass moves.",
        default=0.6,
        why="a stated guess, no published figure was found",
        low=0.0,
        high=1.0,
    )
    harrow_passes: float = number(
        "number",
        "Harrow passes over the same ground, 1 or 2.",
        default=1.0,
        why="one pass is what most plan for",
        low=1.0,
        high=2.0,
    )
    harrow_least_angle_deg: float = number(
        "angle",
        "Least angle to the combine's passes to harrow at.",
        default=0.0,
        why="along the passes",
        low=0.0,
        high=90.0,
    )
    harrow_most_angle_deg: float = number(
        "angle",
        "Largest angle to the combine's passes to harrow at.",
        default=60.0,
        why="steeper gains little and turns often",
        low=0.0,
        high=90.0,
    )
    rotation: str | None = text("Rotation whose published need of residue is kept when baling.")
    keep_residue_t_ha: float | None = number(
        "mass per area", "Residue to keep for the soil when baling.", low=0.0
    )
    balable_share: float | None = number(
        "share",
        "Share of the residue that a baler could pick up.",
        why="the straw's share of the residue",
        low=0.0,
        high=1.0,
    )
    currency: str | None = text("Name of the currency of the costs.")
    harrow_cost_per_ha: float | None = number(
        "number", "Cost of one harrow pass [per ha].", low=0.0
    )
    till_cost_per_ha: float | None = number("number", "Cost of one tillage pass [per ha].", low=0.0)
    rake_cost_per_ha: float | None = number("number", "Cost of raking or baling [per ha].", low=0.0)
    harrow_fuel_l_per_ha: float | None = number(
        "number", "Fuel of one harrow pass [l/ha].", low=0.0
    )
    till_fuel_l_per_ha: float | None = number("number", "Fuel of one tillage pass [l/ha].", low=0.0)
    rake_fuel_l_per_ha: float | None = number("number", "Fuel of raking or baling [l/ha].", low=0.0)
    fuel_price_per_l: float | None = number("number", "Price of fuel [per litre].", low=0.0)

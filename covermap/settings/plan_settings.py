"""The settings of the plan: what comes next, with which implement, against which limits."""

from __future__ import annotations

from typing import Any

from covermap.settings.setting import Setting, positive


def _plan(key: str, kind: str, meaning: str, **more: Any) -> Setting:
    return Setting("plan", key, kind, meaning, **{"low": 0.0, **more})


def _above_zero(key: str, kind: str, meaning: str, **more: Any) -> Setting:
    return positive("plan", key, kind, meaning, **more)


PLAN_SETTINGS: tuple[Setting, ...] = (
    _plan(
        "operations",
        "texts",
        "Winter, tillage and seeding to come, in order, by their names in the operations table.",
    ),
    _plan(
        "target_cover_pct",
        "percent",
        "Ground cover to keep after these operations.",
        default=30.0,
        why="line of conservation tillage (K-State eUpdate 426; CTIC)",
        high=99.0,
    ),
    Setting(
        "plan",
        "fragile",
        "choice",
        "Whether the residue breaks up easily; by the crop's row of the table if not given.",
        choices=("yes", "no"),
    ),
    _plan(
        "decay_pct_per_day",
        "percent",
        "Residue that rots per day of rotting weather; with decay_days.",
        high=20.0,
    ),
    _plan("decay_days", "number", "Days of rotting weather before the operations.", high=400.0),
    _plan(
        "water_loss_per_pct",
        "number",
        "How strongly cover slows soil loss to water, b of exp(-b cover).",
        default=0.035,
        why="typical cropland (Renard et al. 1997; 0.025 between rills, 0.05 in rills)",
        low=0.025,
        high=0.05,
    ),
    _above_zero(
        "roughness",
        "length",
        "Random roughness of the soil surface.",
        default=0.006096,
        why="0.24 in, the roughness at which the subfactor needs no correction",
        high=0.2,
    ),
    _above_zero("row_spacing", "length", "Distance between seed rows.", high=2.0),
    _above_zero("row_zone_width", "length", "Width that opener or row cleaner works.", high=2.0),
    Setting(
        "plan",
        "opener",
        "choice",
        "Kind of seed opener; only discs press straw into the slot.",
        default="disc",
        why="discs are the case that hairpins",
        choices=("disc", "hoe"),
    ),
    _above_zero("opener_limit", "mass per area", "Residue the opener is said to handle."),
    _above_zero(
        "cleaner_limit", "mass per area", "Residue opener and row cleaner are said to handle."
    ),
    _above_zero("hairpin_from", "mass per area", "Residue from which your discs hairpin."),
    Setting(
        "plan",
        "cold_wet_spring",
        "choice",
        "Whether cold or wet soil is a worry at seeding.",
        choices=("yes", "no"),
    ),
    Setting(
        "plan",
        "response",
        "choice",
        "Published response of the next crop to show, if its trials fit.",
        default="none",
        why="trials disagree; shown only on request",
        choices=("none", "establishment", "biomass", "yield"),
    ),
    _above_zero(
        "target_c_n",
        "number",
        "C:N below which residue no longer ties up nitrogen.",
        default=24.0,
        why="diet of soil microbes (USDA-NRCS 2011)",
        high=60.0,
    ),
    _above_zero(
        "implement_width",
        "length",
        "Working width of harrow or tillage; zones are never narrower.",
        why="the cut width",
        high=50.0,
    ),
    Setting(
        "plan",
        "implement_heading",
        "angle",
        "Heading the harrow or tillage works on; the best one found if not given.",
        low=0.0,
        high=360.0,
    ),
    _plan(
        "zone_share",
        "share",
        "A zone is worked if at least this share of its ground calls for it.",
        default=0.25,
        why="a stated guess: less is not worth a pass over the rest",
        high=1.0,
    ),
    _plan(
        "harrow_carry",
        "length",
        "Mean distance a harrow carries residue.",
        default=3.0,
        why="a stated guess, no published figure was found",
        high=50.0,
    ),
    _plan(
        "harrow_moved_share",
        "share",
        "Share of the residue that a harrow pass moves.",
        default=0.6,
        why="a stated guess, no published figure was found",
        high=1.0,
    ),
    _plan(
        "harrow_passes",
        "number",
        "Harrow passes over the same ground, 1 or 2.",
        default=1.0,
        why="one pass is what most plan for",
        low=1.0,
        high=2.0,
    ),
    _plan(
        "harrow_least_angle",
        "angle",
        "Least angle to the combine's passes to harrow at.",
        default=0.0,
        why="along the passes",
        high=90.0,
    ),
    _plan(
        "harrow_most_angle",
        "angle",
        "Largest angle to the combine's passes to harrow at.",
        default=60.0,
        why="steeper gains little and turns often",
        high=90.0,
    ),
    Setting(
        "plan",
        "rotation",
        "text",
        "Rotation whose published need of residue is kept when baling.",
    ),
    _plan("keep_residue", "mass per area", "Residue to keep for the soil when baling."),
    _plan(
        "balable_share",
        "share",
        "Share of the residue that a baler could pick up.",
        why="the straw's share of the residue",
        high=1.0,
    ),
    Setting("plan", "currency", "text", "Name of the currency of the costs."),
    *(
        _plan(f"{work}_cost_per_ha", "number", f"Cost of {words} [per ha].")
        for work, words in (
            ("harrow", "one harrow pass"),
            ("till", "one tillage pass"),
            ("rake", "raking or baling"),
        )
    ),
    *(
        _plan(f"{work}_fuel_l_per_ha", "number", f"Fuel of {words} [l/ha].")
        for work, words in (
            ("harrow", "one harrow pass"),
            ("till", "one tillage pass"),
            ("rake", "raking or baling"),
        )
    ),
    _plan("fuel_price_per_l", "number", "Price of fuel [per litre]."),
)

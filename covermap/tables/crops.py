"""What is known of each crop: residue per grain, moisture, bushel weight, cover per mass."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from functools import cache

from covermap.errors import SettingsError
from covermap.tables import read_table
from covermap.units import KG_PER_POUND


@dataclass(frozen=True)
class Crop:
    """One row of ``tables/crops.csv``; sources stand beside each value there.

    Attributes
    ----------
    kind : str
        Name of the crop.
    straw_to_grain, chaff_to_grain : float
        Dry straw and chaff per dry grain [kg/kg], the whole plant above ground.
    grain_moisture_pct : float
        Market moisture [% of wet mass].
    kg_per_bushel : float
        US bushel weight [kg].
    stubble_share_at_15_cm : float
        Share of the straw that stands below 15 cm.
    cut_height_m : float
        Usual cutting height [m].
    header_takes_share : float
        Share of the straw above the cut that goes through the machine.
    cover_m2_per_kg : float
        Coefficient of the cover curve [m²/kg].
    particle_group : str
        Group of ``tables/particle_classes.csv`` whose pieces stand for the crop's.
    """

    kind: str
    straw_to_grain: float
    chaff_to_grain: float
    grain_moisture_pct: float
    kg_per_bushel: float
    stubble_share_at_15_cm: float
    cut_height_m: float
    header_takes_share: float
    cover_m2_per_kg: float
    particle_group: str


@cache
def crop_table() -> dict[str, Crop]:
    """Give every crop by its name and by each of its other names."""
    crops: dict[str, Crop] = {}
    for row in read_table("crops"):
        crop = Crop(
            kind=row["crop"],
            straw_to_grain=float(row["straw_to_grain"]),
            chaff_to_grain=float(row["chaff_to_grain"]),
            grain_moisture_pct=float(row["grain_moisture_pct"]),
            kg_per_bushel=float(row["pounds_per_bushel"]) * KG_PER_POUND,
            stubble_share_at_15_cm=float(row["stubble_share_at_15_cm"]),
            cut_height_m=float(row["cut_height_m"]),
            header_takes_share=float(row["header_takes_share"]),
            cover_m2_per_kg=float(row["cover_m2_per_kg"]),
            particle_group=row["particle_group"],
        )
        for name in (row["crop"], *filter(None, row["also_called"].split(";"))):
            crops[name] = crop
    return crops


def find_crop(name: str) -> Crop:
    """Look a crop up by any of its names, case aside.

    Raises
    ------
    SettingsError
        If the crop is not in the table; the message names the nearest ones.
    """
    crops = crop_table()
    key = " ".join(name.strip().lower().replace("_", " ").split())
    if key in crops:
        return crops[key]
    near = difflib.get_close_matches(key, crops, n=3, cutoff=0.5)
    kinds = ", ".join(dict.fromkeys(crop.kind for crop in crops.values()))
    raise SettingsError(
        f"[crop] kind: {name!r} is not in the crop table.",
        (f"Did you mean {' or '.join(repr(n) for n in near)}? " if near else "")
        + f"Known crops: {kinds}.",
        "For another crop name the nearest one and give straw_to_grain or harvest_index in [crop].",
    )

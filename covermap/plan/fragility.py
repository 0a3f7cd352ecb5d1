"""Whether a crop's residue breaks up and is buried easily, and where sources differ."""

from __future__ import annotations

from dataclasses import dataclass

from covermap.errors import SettingsError
from covermap.tables import read_table
from covermap.tables.crops import find_crop
from covermap.tables.said import Said


@dataclass(frozen=True)
class Fragility:
    """Fragility of a crop's residue.

    Attributes
    ----------
    fragile : bool
        Breaks up and is buried easily.
    source, confidence : str
        Where that is from; ``read`` or ``memory``.
    conflict : Said or None
        Where another source says otherwise.
    """

    fragile: bool
    source: str
    confidence: str
    conflict: Said | None


def _view(row: dict[str, str]) -> str:
    return f"{row['class']} {row['condition']}".rstrip()


def _other_view(used: dict[str, str], other: dict[str, str]) -> str:
    if used["source_name"] == other["source_name"]:
        return f"but {_view(other)}"
    return f"{other['source_name']} calls it {_view(other)}"


def fragility_of(crop_kind: str) -> Fragility:
    """Look up whether a crop's residue is fragile; the USDA-ARS list goes before the NRCS one.

    Parameters
    ----------
    crop_kind : str
        Any name that :func:`covermap.tables.crops.find_crop` knows.

    Raises
    ------
    SettingsError
        If the crop is unknown, or no source says how fragile its residue is.
    """
    kind = find_crop(crop_kind).kind
    rows = [row for row in read_table("fragility") if row["crop"] == kind]
    used = next((row for row in rows if row["used"] == "yes"), None)
    if used is None:
        raise SettingsError(
            f"fragile: no published class for {kind} residue.",
            "",
            "State whether it is fragile (it breaks up and is buried easily) or non-fragile.",
        )
    other = next((row for row in rows if row["class"] != used["class"]), None)
    conflict = None
    if other is not None:
        conflict = Said(
            "cover-fragility-conflict",
            {
                "crop": kind,
                "used": _view(used),
                "used_source": used["source_name"][0].upper() + used["source_name"][1:],
                "other": _other_view(used, other),
            },
        )
    return Fragility(used["class"] == "fragile", used["source"], used["confidence"], conflict)


def is_fragile(crop_kind: str) -> bool:
    """Say whether a crop's residue is fragile; :func:`fragility_of` also says by whom."""
    return fragility_of(crop_kind).fragile

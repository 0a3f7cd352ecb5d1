"""Labels that stand in several outputs, each said once.

Terminal, map page, report, season book, pictures and phone file take them from here, so that
one thing has one name wherever it is read. ``tests/test_retired_labels.py`` keeps the names
they replace from coming back.
"""

from __future__ import annotations

import math

#: Head of every CV: higher is worse.
UNEVENNESS = "Unevenness (CV)"
#: What URDR is, spelt out.
HIGHEST_TO_LOWEST = "highest ÷ lowest across the pass"
#: What the spread ratio is.
RATIO_MEANING = "residue landed ÷ residue that grew on this ground and went through the machine"
LAYERS = "passes that laid residue here"
IN_GAPS, IN_DOUBLES = "in gaps", "in doubles"
COME_BACK = "strips that come back"
LEFT_OUT = "track points left out"
FLYING_STRAW = "on the flying straw"
CROSSWIND = f"crosswind {FLYING_STRAW}"
#: What a change of settings does to a wind that it can do something about.
CORRECTED = "corrected"
NOT_CORRECTED = "cannot be fully corrected"
IMPLEMENT_RUNS = "implement runs"
WINDROW = "windrow"
TASK_DATA = "task data (prescription map) after ISO 11783-10"
#: Beside Christiansen's CU and the low-quarter DU.
FROM_IRRIGATION = "measure from irrigation"


def opening(label: str) -> str:
    """Give a label as it opens a line: its first letter large."""
    return label[:1].upper() + label[1:]


def limit_key(kind: str, limit: float) -> str:
    """Give the key of a ``gap`` below, or a ``double`` above, a spread ratio."""
    if kind == "gap":
        return f"gap: below {limit:.3g} × its own residue"
    return f"double (heavy): above {limit:.3g} × its own residue"


def limit_keys(limits: tuple[float, float]) -> dict[str, str]:
    """Give the key of each kind, from gap below and double above."""
    return {kind: limit_key(kind, x) for kind, x in zip(("gap", "double"), limits, strict=True)}


def soil_loss(cause: str, share: str) -> str:
    """Give soil loss to water or wind as a share of that of bare ground."""
    return f"soil loss to {cause}: {share} of that of bare ground"


def blown_from(from_deg: float, about: str = "") -> str:
    """Say where a wind blew from, after its speed; nothing of a calm, whose direction is NaN."""
    return "" if math.isnan(from_deg) else f" from {about}{from_deg:.0f}°"

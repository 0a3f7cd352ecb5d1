"""The verdict on a field in one sentence: how even, against which limits, and what did most.

Every sentence carries its rule id; the limits, and which of them are choices, are shown
beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import geopandas as gpd

from covermap.advice.settings_advice import URDR_WANTED
from covermap.drawing.labels import HIGHEST_TO_LOWEST
from covermap.field.mapped_field import MappedField
from covermap.tables.said import Said

#: CV [%] up to which the spread counts as even. Borrowed: 15 % is acceptable for granular
#: fertiliser and yield is lost above 20 % (Teagasc, Forristal); none was found for residue.
EVEN_CV_PCT = 20.0
#: Share of the ground in gaps and doubles up to which a field is even, and from which it is
#: uneven: choices of this project, no source.
EVEN_GROUND_SHARE, UNEVEN_GROUND_SHARE = 0.05, 0.15
#: The same for the share of pass length above an URDR of 1.5 (choices, no source; 1.5 itself
#: is Allmaras et al. 1985).
EVEN_PASS_SHARE, UNEVEN_PASS_SHARE = 0.10, 0.50


#: The limits as report-verdict-limits says them.
_LIMITS = {
    "even_cv_pct": EVEN_CV_PCT,
    "even_ground": 100 * EVEN_GROUND_SHARE,
    "even_passes": 100 * EVEN_PASS_SHARE,
    "urdr_wanted": URDR_WANTED,
    "uneven_ground": 100 * UNEVEN_GROUND_SHARE,
    "uneven_passes": 100 * UNEVEN_PASS_SHARE,
}


def verdict(found: MappedField) -> list[Said]:
    """Judge how even the spread is: the verdict first, then what it was judged by.

    Parameters
    ----------
    found : MappedField

    Returns
    -------
    list of Said
    """
    harvested = float(found.summary["field"]["harvested_ha"])
    cv_pct = found.summary["evenness"].get("cv_pct")
    beyond = sum(float(found.summary[kind]["area_ha"]) for kind in ("gap", "double"))
    ground = beyond / harvested if harvested > 0 else math.nan
    above, judged, uneven = _uneven_passes(found.passes)
    rows = int((found.passes["discharge"] == "windrow").sum())
    measures = [] if cv_pct is None else [f"CV {cv_pct:.0f} %"]
    if math.isfinite(ground):
        measures.append(f"{_share(ground)} of the ground in gaps and doubles")
    if judged:
        measures.append(f"{above} of {judged} passes above {URDR_WANTED:g} in {HIGHEST_TO_LOWEST}")
    if cv_pct is None or not math.isfinite(ground):
        rule = "report-verdict-none"
    elif rows == len(found.passes):
        rule = "report-verdict-rows"
    elif ground > UNEVEN_GROUND_SHARE or uneven > UNEVEN_PASS_SHARE:
        rule = "report-verdict-uneven"
    elif cv_pct > EVEN_CV_PCT or ground > EVEN_GROUND_SHARE or uneven > EVEN_PASS_SHARE:
        rule = "report-verdict-parts"
    else:
        rule = "report-verdict-even"
    said = [Said(rule, {"measures": _list(measures)})]
    if 0 < rows < len(found.passes):
        numbers = {"rows": rows, "passes": len(found.passes)}
        said.append(Said("report-verdict-some-rows", numbers))
    return [*said, Said("report-verdict-limits", _LIMITS)]


def _uneven_passes(passes: gpd.GeoDataFrame) -> tuple[int, int, float]:
    """Give passes above the wanted URDR, passes judged, and the former's share of length."""
    known = passes[passes["urdr"].notna()]
    above = known["urdr"] > URDR_WANTED
    length = float(known["length_m"].sum())
    share = float(known.loc[above, "length_m"].sum()) / length if length > 0 else 0.0
    return int(above.sum()), len(known), share


def _share(share: float) -> str:
    """Give a share in percent, small ones with a decimal."""
    return f"{100 * share:.0f} %" if share >= 0.095 or share == 0 else f"{100 * share:.1f} %"


def _list(parts: list[str]) -> str:
    if len(parts) < 2:
        return "".join(parts) or "no number of it is known"
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def strongest_cause(causes: list[Mapping[str, Any]], us_units: bool) -> list[dict[str, str]]:
    """Say which cause put most residue wrong, with the rule of the cause itself last.

    Parameters
    ----------
    causes : list of mapping
        ``causes`` of ``summary.json``, largest first.
    us_units : bool
        Acres and short tons instead of hectares and tonnes.

    Returns
    -------
    list of dict
        ``rule`` and ``text``.
    """
    if not any(row["strips"] for row in causes):
        return [Said("report-cause-none").as_told(us_units)]
    first = causes[0]
    kind = "unexplained" if first["rule_id"] == "unexplained" else "strongest"
    numbers = {
        "cause": first["cause"],
        "missing_kg": first["missing_t"] * 1e3,
        "much_kg": first["too_much_t"] * 1e3,
        "strips": f"{first['strips']} strip{'' if first['strips'] == 1 else 's'}",
        "area_m2": first["area_ha"] * 1e4,
    }
    told = Said(f"report-cause-{kind}", numbers).as_told(us_units)
    return [told, {"rule": str(first["rule_id"]), "text": str(first["cause"])}]

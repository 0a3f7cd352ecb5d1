"""What has to be said beside the numbers of a season, each sentence with its rule."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from covermap.drawing.caution import CAUTION
from covermap.drawing.labels import UNEVENNESS
from covermap.seasons.rankings import judged, laid_in_windrows, season_evenness_pct
from covermap.seasons.season_results import FAILED, MAPPED, weighted_mean
from covermap.tables.said import Said
from covermap.units import shown

#: Fields that the top of the book names as the most uneven.
WORST_FIELDS = 3


def season_facts(fields: pd.DataFrame, us_units: bool) -> list[tuple[str, str]]:
    """Give label and value of what a person wants to see of a season first."""
    unit = shown(us_units)
    mapped, good = fields[fields["status"] == MAPPED], judged(fields)
    ground = float(good["harvested_ha"].sum())
    cover = weighted_mean(mapped["mean_cover_pct"], mapped["harvested_ha"])
    rows = [
        ("Fields", f"{len(mapped):,} mapped, {len(fields) - len(mapped):,} failed"),
        ("Harvested", unit["area"].text(float(mapped["harvested_ha"].sum()) * 1e4)),
        (f"{UNEVENNESS}, mean by ground", _percent(season_evenness_pct(fields) / 100)),
    ]
    for kind, column, word in (
        ("gap", "missing_t", "missing"),
        ("double", "too_much_t", "too much"),
    ):
        area = float(good[f"{kind}_ha"].sum())
        share = _percent(area / ground) if ground > 0 else "–"
        strips, tonnes = int(good[f"{kind}_strips"].sum()), float(good[column].sum())
        rows.append(
            (
                f"{kind.capitalize()} ground",
                f"{unit['area'].text(area * 1e4)} ({share}); {strips:,} strips, "
                f"{unit['tonnes'].text(tonnes * 1e3)} {word}",
            )
        )
    rows.append(("Ground cover, mean", _percent(cover / 100)))
    first, last = mapped["start_time"].min(), mapped["end_time"].max()
    if not pd.isna(first):
        day, until = f"{first:%Y-%m-%d}", f"{last:%Y-%m-%d}"
        rows.append(("Harvested on", day if day == until else f"{day} to {until}"))
    for label, column in (("Crops", "crop"), ("Machines", "machine")):
        names = sorted(mapped[column].dropna().unique())
        if names:
            rows.append((label, ", ".join(map(str, names))))
    return rows


def worst_fields(fields: pd.DataFrame) -> list[tuple[str, list[dict[str, str]]]]:
    """Give the ids of the most uneven fields, each with numbers, cause and whether rows count."""
    good = judged(fields)
    good = good[good["cv_pct"].notna()]
    worst = good.sort_values(["cv_pct", "field_id"], ascending=[False, True], kind="stable")
    found = []
    for row in worst.head(WORST_FIELDS).to_dict("records"):
        cause = row["main_cause"]
        numbers = {
            "cv": _percent(row["cv_pct"] / 100),
            "gap": _percent(row["gap_share"]),
            "double": _percent(row["double_share"]),
            "cause": cause or "no strip, so none",
        }
        rule = row["main_cause_rule"]
        told = [Said("season-worst", numbers).as_told(us_units=False)]
        if cause:
            told.append({"rule": rule, "text": cause})
        if row["discharge"] == "both":
            told.append(Said("season-worst-rows").as_told(us_units=False))
        found.append((str(row["field_id"]), told))
    return found


def notes_on_fields(fields: pd.DataFrame) -> list[Said]:
    """Give what has to be said beside the season's numbers and its table of fields."""
    mapped = fields[fields["status"] == MAPPED]
    failed, rows = int((fields["status"] == FAILED).sum()), int(laid_in_windrows(mapped).sum())
    part = int((mapped["discharge"] == "both").sum())
    versions = sorted(mapped["covermap"].dropna().unique())
    notes = [Said("season-evenness")]
    if failed:
        notes.append(Said("season-failed", {"failed": failed, "all": len(fields)}))
    if rows:
        notes.append(Said("season-rows", {"rows": rows}))
    if part:
        notes.append(Said("season-some-rows", {"rows": part}))
    if len(mapped[["gap_below", "double_above"]].drop_duplicates()) > 1:
        notes.append(Said("season-limits"))
    if len(versions) > 1:
        notes.append(Said("season-versions", {"versions": ", ".join(versions)}))
    return notes


def season_notes(fields: pd.DataFrame) -> dict[str, list[Said]]:
    """Give what has to be said, by the part of the page."""
    caution = {"caution": CAUTION}
    return {
        "fields": notes_on_fields(fields),
        "groups": [Said("season-no-experiment"), Said("season-groups")],
        "settings": [Said("season-settings")],
        "wind": [Said("season-wind")],
        "years": [Said("season-year-ground"), Said("season-year-crop")],
        "caution": [Said("season-caution", caution), Said("season-caution-fire")],
    }


def _percent(share: Any) -> str:
    """Give a share in percent, small ones with a decimal."""
    if share is None or not math.isfinite(share):
        return "–"
    return f"{100 * share:.0f} %" if share >= 0.095 or share == 0 else f"{100 * share:.1f} %"

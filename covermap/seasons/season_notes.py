"""What has to be said beside the numbers of a season, each sentence with its rule."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from covermap.drawing.caution import CAUTION
from covermap.drawing.labels import UNEVENNESS
from covermap.report.report_verdict import Said
from covermap.seasons.rankings import judged, laid_in_windrows, season_evenness_pct
from covermap.seasons.season_results import FAILED, MAPPED, weighted_mean
from covermap.units import shown

#: Fields that the top of the book names as the most uneven.
WORST_FIELDS = 3

#: Sentences by rule id, filled with numbers.
RULES = {
    "season-worst": "CV {cv}; {gap} of its ground in gaps, {double} in doubles. Strongest cause: "
    "{cause}.",
    "season-evenness": f"{UNEVENNESS} of the season is the mean of that of its fields, "
    "weighted by their harvested ground. It is not the CV over all ground together.",
    "season-failed": "Not mapped: {failed} of {all} fields. They are listed with their reason, "
    "and are in no mean and no total.",
    "season-rows": "Fields laid wholly in windrows on purpose: {rows}. There is no spread to "
    "judge. They are in the hectares harvested, but in no ranking, mean CV, gap or double.",
    "season-some-rows": "Fields laid in windrows in part: {rows}. Their windrows and the ground "
    "beside them count as double and gap.",
    "season-worst-rows": "Part of it was laid in windrows on purpose.",
    "season-limits": "The fields were mapped with different limits for gap and double, so their "
    "hectares of gaps and doubles are not alike.",
    "season-versions": "The fields were mapped by different versions of covermap ({versions}): a "
    "difference may be one of the model.",
    "season-no-experiment": "These rows differ in field, crop, wind, day and driver, so they say "
    "what happened, not what a setting, a wind or a machine does. To tell two of them apart, run "
    "both in alternate passes of one field on one day (common practice, no source).",
    "season-groups": "Means are weighted by the ground that the passes cut, or for machines by "
    "the ground of their fields. Few fields or hectares behind a row say little.",
    "season-settings": "Settings are those at the start of each pass; passes whose lengths agree "
    "to half a metre are one row (a choice, no source), which shows their mean.",
    "season-wind": "Wind is put in classes by Beaufort force (WMO): an open scale that forecasts "
    "use, with bounds not drawn from these fields. The mean speed on each pass is brought to the "
    "scale's 10 m by a log profile over short grass. Only passes that were spread are counted.",
    "season-year-ground": "Compared is the ground harvested in both seasons, with the limits of "
    "the season before. Fields are the same if half of the smaller one is common ground (ground), "
    "or if they alone have a name and share some ground (name).",
    "season-year-crop": "Where the crop differs, changes of cover are also those of the crop. "
    "Weather, wind and settings differ between years: a change is no proof of its cause.",
    "season-caution": CAUTION,
    "season-caution-fire": "Dry straw, chaff and dust burn: keep machines clean and an "
    "extinguisher at hand, and follow local fire codes. This book is no plan to burn, and no "
    "rate of any nutrient.",
}


def said(rule: str, **numbers: object) -> Said:
    """Give the sentence of a rule with its numbers."""
    return Said(rule, RULES[rule].format(**numbers) if numbers else RULES[rule])


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


def worst_fields(fields: pd.DataFrame) -> list[tuple[str, list[Said]]]:
    """Give the ids of the most uneven fields, each with numbers, cause and whether rows count."""
    good = judged(fields)
    good = good[good["cv_pct"].notna()]
    worst = good.sort_values(["cv_pct", "field_id"], ascending=[False, True], kind="stable")
    found = []
    for row in worst.head(WORST_FIELDS).to_dict("records"):
        cause = row["main_cause"]
        text = said(
            "season-worst",
            cv=_percent(row["cv_pct"] / 100),
            gap=_percent(row["gap_share"]),
            double=_percent(row["double_share"]),
            cause=cause or "no strip, so none",
        )
        rule = row["main_cause_rule"]
        named = [Said(rule, cause)] if cause else []
        if row["discharge"] == "both":
            named.append(said("season-worst-rows"))
        found.append((str(row["field_id"]), [text, *named]))
    return found


def notes_on_fields(fields: pd.DataFrame) -> list[Said]:
    """Give what has to be said beside the season's numbers and its table of fields."""
    mapped = fields[fields["status"] == MAPPED]
    failed, rows = int((fields["status"] == FAILED).sum()), int(laid_in_windrows(mapped).sum())
    part = int((mapped["discharge"] == "both").sum())
    versions = sorted(mapped["covermap"].dropna().unique())
    notes = [said("season-evenness")]
    if failed:
        notes.append(said("season-failed", failed=failed, all=len(fields)))
    if rows:
        notes.append(said("season-rows", rows=rows))
    if part:
        notes.append(said("season-some-rows", rows=part))
    if len(mapped[["gap_below", "double_above"]].drop_duplicates()) > 1:
        notes.append(said("season-limits"))
    if len(versions) > 1:
        notes.append(said("season-versions", versions=", ".join(versions)))
    return notes


def _percent(share: Any) -> str:
    """Give a share in percent, small ones with a decimal."""
    if share is None or not math.isfinite(share):
        return "–"
    return f"{100 * share:.0f} %" if share >= 0.095 or share == 0 else f"{100 * share:.1f} %"

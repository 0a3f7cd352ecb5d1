"""Two seasons side by side: which fields are the same ground, and what changed on it.

Fields are matched by the ground that their passes covered; what is compared is the ground
harvested in both years, by :mod:`covermap.comparison.compare_fields`.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from covermap.comparison.compare_fields import Comparison, compare_fields
from covermap.errors import OutputError, SettingsError
from covermap.files.open_result import open_result, read_layer
from covermap.harvest.outline import field_outline
from covermap.seasons.season_results import MAPPED, SeasonResults

#: Common ground, as a share of the smaller field, from which two are the same field (choice
#: of this project, no source).
SAME_FIELD_SHARE = 0.5
#: Columns of ``year_on_year.csv``.
YEAR_COLUMNS = (
    "field_id",
    "name",
    "previous_field_id",
    "previous_name",
    "matched_by",
    "overlap_share",
    "common_ha",
    "crop",
    "previous_crop",
    *(
        f"{name}{end}"
        for name in ("cv_pct", "gap_ha", "double_ha", "cover_pct")
        for end in ("", "_previous", "_change")
    ),
    "gap_below",
    "double_above",
    "covermap",
    "previous_covermap",
    "remark",
)
_BOX = ["west_deg", "south_deg", "east_deg", "north_deg"]
#: Outlines that are kept while neighbours are looked at.
_OUTLINES_KEPT = 256


@dataclass(frozen=True)
class Match:
    """One field in two seasons.

    Attributes
    ----------
    field_id, previous_field_id : str
    matched_by : str
        ``ground`` or ``name``.
    overlap_share : float
        Common ground as a share of the smaller outline.
    """

    field_id: str
    previous_field_id: str
    matched_by: str
    overlap_share: float


def year_on_year(
    season: SeasonResults,
    fields: pd.DataFrame,
    previous: SeasonResults,
    previous_fields: pd.DataFrame,
) -> pd.DataFrame:
    """Compare the fields of two seasons, by their tables of fields, on ground harvested in both.

    Returns
    -------
    pandas.DataFrame
        :data:`YEAR_COLUMNS`; ``_change`` is this season less the previous one. Matched fields
        first, then those of this season alone, then those of the previous one alone; failed
        fields are among the latter two.
    """
    now, before = (_by_id(table) for table in (fields, previous_fields))
    places = [{str(row["field_id"]): row for row in one.fields} for one in (season, previous)]
    pairs, beside = match_fields(season, fields, previous, previous_fields)
    rows, apart = [], dict(beside)
    for pair in pairs:
        row, old = now[pair.field_id], before[pair.previous_field_id]
        folders = (
            previous.folder / str(places[1][pair.previous_field_id]["folder"]),
            season.folder / str(places[0][pair.field_id]["folder"]),
        )
        try:
            found = compare_fields(*(open_result(folder) for folder in folders))
        except (SettingsError, OutputError) as error:
            apart[pair.field_id] = f"not compared with {old['name']}: {error}"
            continue
        rows.append(_compared(pair, row, old, found))
    done = {row["field_id"] for row in rows}, {row["previous_field_id"] for row in rows}
    rows += _alone(fields, done[0], "", "this season", apart)
    rows += _alone(previous_fields, done[1], "previous_", "the season before", {})
    return pd.DataFrame(rows, columns=list(YEAR_COLUMNS))


def match_fields(
    season: SeasonResults,
    fields: pd.DataFrame,
    previous: SeasonResults,
    previous_fields: pd.DataFrame,
) -> tuple[list[Match], dict[str, str]]:
    """Find the fields that are the same ground in two seasons, one to one.

    Two fields are the same if half of the smaller one is common ground (``ground``), or if
    they are the only ones of one name and share some ground (``name``). Where a field was
    parted or joined, the pair with most common ground is taken. The second thing given is,
    by ``field_id`` of fields left over, why they were not matched.
    """
    common = _common_ground(season, fields, previous, previous_fields)
    names = [_only_names(t[t["status"] == MAPPED]) for t in (fields, previous_fields)]
    called, called_now = (
        dict(zip(table["field_id"], table["name"], strict=True))
        for table in (previous_fields, fields)
    )
    taken: dict[str, Match] = {}
    used: dict[str, str] = {}
    beside: dict[str, str] = {}
    for field_id, other, _, share in sorted(common, key=lambda one: (-one[2], one[0], one[1])):
        same_name = names[0].get(field_id, "") == names[1].get(other)
        if (share < SAME_FIELD_SHARE and not same_name) or field_id in taken:
            continue
        if other in used:
            beside.setdefault(
                field_id,
                f"lies on {called[other]}, which was compared with {called_now[used[other]]}",
            )
            continue
        by = "ground" if share >= SAME_FIELD_SHARE else "name"
        taken[field_id] = Match(field_id, other, by, share)
        used[other] = field_id
    known_before = set(names[1].values())
    for field_id, name in names[0].items():
        if name in known_before:
            beside.setdefault(field_id, "a field of that name lies elsewhere")
    left = {field_id: why for field_id, why in beside.items() if field_id not in taken}
    return [taken[field_id] for field_id in sorted(taken)], left


def _common_ground(
    season: SeasonResults,
    fields: pd.DataFrame,
    previous: SeasonResults,
    previous_fields: pd.DataFrame,
) -> list[tuple[str, str, float, float]]:
    """Give field, previous field, common ground [m²] and its share of the smaller one."""
    now, before = (table[table["status"] == MAPPED] for table in (fields, previous_fields))
    if now.empty or before.empty:
        return []
    boxes, old_boxes = (shapely.box(*table[_BOX].to_numpy(float).T) for table in (now, before))
    outlines = [_outlines(one) for one in (season, previous)]
    found = []
    tree = shapely.STRtree(old_boxes)
    for number, old in sorted(tree.query(boxes, predicate="intersects").T.tolist()):
        ids = str(now["field_id"].iloc[number]), str(before["field_id"].iloc[old])
        (crs, one), (other_crs, other) = (of(name) for of, name in zip(outlines, ids, strict=True))
        if one.is_empty or other.is_empty:
            continue
        area = shapely.intersection(one, _moved(other, other_crs, crs)).area
        if area > 0:
            found.append((*ids, area, area / min(one.area, other.area)))
    return found


def _outlines(season: SeasonResults) -> Callable[[str], tuple[Any, BaseGeometry]]:
    """Give a reader of CRS and outline of a field, drawn around its passes."""
    folders = {str(row["field_id"]): row.get("folder") for row in season.fields}

    @lru_cache(maxsize=_OUTLINES_KEPT)
    def outline(field_id: str) -> tuple[Any, BaseGeometry]:
        path = season.folder / str(folders[field_id]) / "passes.gpkg"
        passes = read_layer(path, "passes")
        width = passes["working_width_m"].to_numpy(float)
        spacing = passes["spacing_m"].to_numpy(float)
        usual = np.nanmedian(width) if np.isfinite(width).any() else math.nan
        width = np.where(np.isfinite(width), width, usual)
        if passes.empty or not np.isfinite(width).all():
            return passes.crs, shapely.Polygon()
        return passes.crs, field_outline(passes.geometry.to_numpy(), spacing, width)

    return outline


def _moved(shape: BaseGeometry, from_crs: Any, to_crs: Any) -> BaseGeometry:
    from pyproj import Transformer

    if from_crs == to_crs:
        return shape
    transform = Transformer.from_crs(from_crs, to_crs, always_xy=True)
    return shapely.transform(shape, lambda xy: np.column_stack(transform.transform(*xy.T)))


def _only_names(fields: pd.DataFrame) -> dict[str, str]:
    """Give the names that one field alone has, by field; case and spaces aside."""
    plain = [" ".join(str(name).split()).casefold() for name in fields["name"]]
    times = Counter(plain)
    pairs = zip(fields["field_id"], plain, strict=True)
    return {str(field_id): name for field_id, name in pairs if times[name] == 1}


def _compared(
    pair: Match, row: Mapping[str, Any], old: Mapping[str, Any], found: Comparison
) -> dict[str, Any]:
    even, cover = found.on_common_ground, found.means["cover_pct"]
    result: dict[str, Any] = {
        "field_id": pair.field_id,
        "name": row["name"],
        "previous_field_id": pair.previous_field_id,
        "previous_name": old["name"],
        "matched_by": pair.matched_by,
        "overlap_share": pair.overlap_share,
        "common_ha": found.common_m2 / 1e4,
        "crop": row["crop"],
        "previous_crop": old["crop"],
        **found.limits._asdict(),
        "covermap": row["covermap"],
        "previous_covermap": old["covermap"],
        "remark": _remark(row, old),
    }
    pairs = {**{name: even[name] for name in ("cv_pct", "gap_ha", "double_ha")}, "cover_pct": cover}
    for name, both in pairs.items():
        result |= {name: both.b, f"{name}_previous": both.a, f"{name}_change": both.change}
    return result


def _by_id(fields: pd.DataFrame) -> dict[str, Any]:
    return {str(row["field_id"]): row for row in fields.to_dict("records")}


def _remark(row: Mapping[str, Any], old: Mapping[str, Any]) -> str:
    """Say what makes two years unlike."""
    said = []
    if row["crop"] != old["crop"]:
        said.append("other crop")
    for one, when in ((row, "this season"), (old, "the season before")):
        if one["discharge"] in ("windrow", "both"):
            said.append(f"laid in windrows {when}")
    return "; ".join(said)


def _alone(
    fields: pd.DataFrame, done: set[str], prefix: str, when: str, why: Mapping[str, str]
) -> Iterator[dict[str, Any]]:
    """Give the rows of fields that were not compared, their columns with a prefix."""
    for row in fields.to_dict("records"):
        if row["field_id"] not in done:
            remark = f"failed {when}" if row["status"] != MAPPED else f"{when} only"
            if row["field_id"] in why:
                remark = f"{remark}: {why[row['field_id']]}"
            names = ("field_id", "name", "crop", "covermap")
            yield {**{f"{prefix}{name}": row[name] for name in names}, "remark": remark}

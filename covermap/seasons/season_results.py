"""Read a finished season: its list of fields, and field by field what was found.

One field is in memory at a time; what is kept of it is one row of numbers.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from covermap.cover.spread_limits import SpreadLimits
from covermap.errors import OutputError
from covermap.field.field_passes import wind_from_deg
from covermap.files import schemas
from covermap.files.open_result import read_layer, read_summary
from covermap.tables.said import said_of

if TYPE_CHECKING:
    import geopandas as gpd

SEASON_FILE = "season.json"

MAPPED, FAILED = "mapped", "failed"

_EVENNESS = ("cv_pct", "urdr", "christiansen_cu_pct", "low_quarter_du_pct")
#: Columns of season.json that go into the table of fields as they are.
_AS_THEY_ARE = ("field_id", "name", "status", "reason", "source", "part", "machine", "seconds")


@dataclass(frozen=True)
class SeasonResults:
    """A folder that a run over many fields wrote.

    Attributes
    ----------
    folder : pathlib.Path
    name : str
        As the person calls it.
    covermap : str
        Version that mapped it.
    fields : tuple of mapping
        Rows of ``season.json`` in the order of ``field_id``.
    """

    folder: Path
    name: str
    covermap: str
    fields: tuple[Mapping[str, Any], ...]


@dataclass(frozen=True)
class FieldFound:
    """What is known of one field of a season.

    Attributes
    ----------
    record : mapping
        One row of the table of fields (docs/tables.md, fields.parquet); None where unknown.
    passes : pandas.DataFrame
        Rows of passes.gpkg without shapes; empty for a failed field.
    strips : geopandas.GeoDataFrame or None
        Rows of strips.gpkg in the CRS of the field; None for a failed field.
    """

    record: Mapping[str, Any]
    passes: pd.DataFrame
    strips: gpd.GeoDataFrame | None


def open_season(folder: Path) -> SeasonResults:
    """Read the list of fields of a season from ``season.json`` in its folder.

    Raises
    ------
    OutputError
        If there is no such list, it is damaged, or another version of covermap wrote it in a
        form that this one does not know.
    """
    path = folder / SEASON_FILE
    try:
        content = json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        raise OutputError(
            f"{folder}: no {SEASON_FILE} in it.",
            "Expected a folder that a season was mapped into.",
            "Name that folder.",
        ) from None
    except (OSError, ValueError) as error:
        raise OutputError(
            f"{path}: cannot be read: {error}.", way_out="Run the season again."
        ) from error
    schema = content.get("schema") if isinstance(content, dict) else None
    if schema != schemas.SEASON:
        raise OutputError(
            f"{path}: its schema is {schema!r}, this version reads {schemas.SEASON!r}.",
            way_out="Run the season again with this version.",
        )
    rows = content.get("fields")
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise OutputError(
            f"{path}: damaged, there is no list of fields in it.", way_out="Run it again."
        )
    seen: set[str] = set()
    for number, row in enumerate(rows, 1):
        wrong = _wrong_in(row, seen)
        if wrong:
            raise OutputError(f"{path}: field {number}: {wrong}.", way_out="Run the season again.")
    fields = tuple(sorted(rows, key=lambda row: str(row["field_id"])))
    name, version = content.get("name") or folder.name, content.get("covermap") or "unknown"
    year = content.get("year")
    # two seasons of one name are told apart by their years
    titled = name if year is None or str(year) in str(name) else f"{name} {year}"
    return SeasonResults(folder, str(titled), str(version), fields)


def _wrong_in(row: Mapping[str, Any], seen: set[str]) -> str:
    """Say what is wrong with a row of season.json; nothing if it is good."""
    field_id, folder = row.get("field_id"), row.get("folder")
    if not isinstance(field_id, str) or not field_id:
        return "there is no field_id"
    if field_id in seen:
        return f"field_id {field_id!r} stands there twice"
    seen.add(field_id)
    if row.get("status") not in (MAPPED, FAILED):
        return f"status is {row.get('status')!r}; expected {MAPPED} or {FAILED}"
    if row["status"] == MAPPED and not isinstance(folder, str):
        return "it is mapped, but no folder is named"
    # a list that was changed by hand must not lead out of the season's folder
    place = PurePosixPath(folder or "")
    if place.is_absolute() or ".." in place.parts or "\\" in str(place):
        return f"folder {folder!r} does not lie in the season's folder"
    return ""


def read_field(season: SeasonResults, row: Mapping[str, Any]) -> FieldFound:
    """Read what was found in one field, a row of ``season.fields``.

    A field whose results cannot be read counts as failed, with what is wrong as its reason.
    """
    record = {key: row.get(key) for key in _AS_THEY_ARE}
    record["name"] = str(row.get("name") or row["field_id"])
    record["warnings"] = warnings_of(row)
    if row["status"] == FAILED:
        record["reason"] = str(row.get("reason") or "no reason was given")
        return FieldFound(record, pd.DataFrame(), None)
    folder = season.folder / str(row["folder"])
    try:
        summary = read_summary(folder)
        passes = read_layer(folder / "passes.gpkg", "passes", shapes=False)
        strips = read_layer(folder / "strips.gpkg", "strips")
        return FieldFound(record | _numbers(summary, passes, folder), passes, strips)
    except OutputError as error:
        return failed(record, error)


def warnings_of(row: Mapping[str, Any], us_units: bool = False) -> str | None:
    """Give what to look at before the numbers of a field are trusted; None if nothing."""
    told = (said_of(one).sentence(us_units) for one in row.get("warnings") or ())
    return " ".join(told) or None


def failed(record: Mapping[str, Any], error: OutputError) -> FieldFound:
    """Give a field whose results cannot be read as a failed one."""
    kept = {key: record.get(key) for key in (*_AS_THEY_ARE, "warnings")}
    return FieldFound({**kept, "status": FAILED, "reason": str(error)}, pd.DataFrame(), None)


def _numbers(summary: Mapping[str, Any], passes: pd.DataFrame, folder: Path) -> dict[str, Any]:
    """Give the numbers of one mapped field."""
    try:
        field, even, limits = summary["field"], summary["evenness"], summary["settings"]["limits"]
        harvested = float(field["harvested_ha"])
        rows = passes["discharge"] == "windrow"
        return {
            "crop": summary["crop"],
            "start_time": _time(passes["start_time"].min()),
            "end_time": _time(passes["end_time"].max()),
            "harvested_ha": harvested,
            "passes": len(passes),
            "length_km": summary["passes"]["length_km"],
            "cut_width_m": summary["settings"]["combine"]["cut_width"],
            "working_width_m": summary["passes"]["working_width_m"],
            "spacing_m": summary["passes"]["spacing_median_m"],
            "mean_speed_m_s": summary["passes"]["mean_speed_m_s"],
            **{name: even[name] for name in _EVENNESS},
            "mean_ratio": even["mean"],
            **_beyond(summary, harvested),
            **SpreadLimits.of(limits)._asdict(),
            **_main_cause(summary["causes"]),
            "mean_residue_t_ha": summary["residue"]["mean_residue_t_ha"],
            "mean_cover_pct": summary["residue"]["mean_cover_pct"],
            **_settings(passes, rows),
            **_wind(summary, passes),
            **_box(field),
            "covermap": summary["covermap"],
        }
    except (KeyError, TypeError, ValueError) as error:
        raise OutputError(
            f"{folder}: summary.json or passes.gpkg is damaged or of another version ({error!r}).",
            way_out="Map the field again.",
        ) from error


def _beyond(summary: Mapping[str, Any], harvested_ha: float) -> dict[str, Any]:
    """Give gaps and doubles: ground, its share, strips, and what is missing or too much."""
    found: dict[str, Any] = {}
    for kind in ("gap", "double"):
        area = float(summary[kind]["area_ha"])
        found[f"{kind}_ha"] = area
        found[f"{kind}_share"] = area / harvested_ha if harvested_ha > 0 else None
        found[f"{kind}_strips"] = int(summary[kind]["strips"])
    found["missing_t"] = float(summary["gap"]["strip_deficit_kg"]) / 1e3
    found["too_much_t"] = float(summary["double"]["strip_excess_kg"]) / 1e3
    return found


def _main_cause(causes: list[Mapping[str, Any]]) -> dict[str, Any]:
    """Give the first-ranked cause; none where there is no strip."""
    if not any(row["strips"] for row in causes):
        return {"main_cause": None, "main_cause_rule": None}
    return {"main_cause": causes[0]["cause"], "main_cause_rule": causes[0]["rule_id"]}


def weighted_mean(values: pd.Series, weights: pd.Series) -> float:
    """Give the mean of known values by weight; NaN if none is known or has a weight."""
    value, weight = values.to_numpy(float), weights.to_numpy(float)
    known = np.isfinite(value) & (weight > 0)
    if not known.any():
        return math.nan
    return float(np.average(value[known], weights=weight[known]))


def _settings(passes: pd.DataFrame, rows: pd.Series) -> dict[str, Any]:
    """Give how the machine was set, over the ground that the passes cut."""
    cut = passes["cut_area_m2"]
    reach = {
        name: weighted_mean(passes[name], cut)
        for name in ("reach_left_m", "reach_right_m", "lean_m")
    }
    kinds = passes["discharge"].dropna().unique()
    return {
        "discharge": "both" if len(kinds) > 1 else next(iter(kinds), None),
        "windrow_share": float(cut[rows].sum() / cut.sum()) if cut.sum() > 0 else None,
        **reach,
        "spread_width_m": reach["reach_left_m"] + reach["reach_right_m"],
        "profile": ", ".join(sorted(passes["profile"].dropna().unique())),
    }


def _wind(summary: Mapping[str, Any], passes: pd.DataFrame) -> dict[str, Any]:
    wind = summary["wind"]
    return {
        "wind_speed_m_s": wind["speed_mean_m_s"],
        "wind_from_deg": wind_from_deg(passes),
        "crosswind_max_m_s": wind["crosswind_max_m_s"],
        "wind_height_m": (
            None if wind["speed_mean_m_s"] is None else float(summary["settings"]["wind"]["height"])
        ),
    }


def _box(field: Mapping[str, Any]) -> dict[str, float]:
    """Give the sides of the map in degrees (WGS 84)."""
    from pyproj import Transformer

    transform = Transformer.from_crs(field["crs"], "EPSG:4326", always_xy=True)
    names = ("west_deg", "south_deg", "east_deg", "north_deg")
    return dict(zip(names, transform.transform_bounds(*field["bounds_m"]), strict=True))


def _time(value: Any) -> pd.Timestamp | None:
    return None if pd.isna(value) else pd.Timestamp(value)

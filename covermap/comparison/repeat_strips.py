"""Strips that come back in the same place with the same kind."""

from __future__ import annotations

import math
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

#: A strip comes back if at least this part of the smaller of the two is common to both
#: (choice of this project, no source).
LEAST_OVERLAP_SHARE = 0.5
KINDS = ("gap", "double")

REPEAT_COLUMNS = (
    "repeat_id",
    "kind",
    "strip_a",
    "strip_b",
    "overlap_m2",
    "overlap_share",
    "residue_kg",
    "mean_ratio_a",
    "mean_ratio_b",
    "area_a_m2",
    "area_b_m2",
    "discharge_a",
    "discharge_b",
    "passes_a",
    "passes_b",
    "cause_a",
    "cause_b",
)
_TEXTS = {"kind", "discharge_a", "discharge_b", "passes_a", "passes_b", "cause_a", "cause_b"}
_WHOLE = {"repeat_id", "strip_a", "strip_b"}


@dataclass(frozen=True)
class Chance:
    """Ground that is strip in both maps, beside what chance alone would give.

    Attributes
    ----------
    share_a, share_b : float
        Share of the common ground that is such strip in A, in B.
    observed_share : float
        Share that is such strip in both.
    expected_share : float
        ``share_a * share_b``: what two maps without any bond would share on average.
    """

    share_a: float
    share_b: float
    observed_share: float
    expected_share: float

    @property
    def observed_to_expected(self) -> float:
        """How many times more than by chance; NaN where chance gives nothing."""
        return self.observed_share / self.expected_share if self.expected_share > 0 else math.nan


def chance_of_overlap(in_a: np.ndarray, in_b: np.ndarray, common: np.ndarray) -> Chance:
    """Compare the overlap of two sets of cells, (rows, cols) bool, with that of independent ones.

    ``common`` is the ground of both maps.
    """
    cells = int(common.sum())
    if cells == 0:
        return Chance(math.nan, math.nan, math.nan, math.nan)
    a, b = int((in_a & common).sum()), int((in_b & common).sum())
    both = int((in_a & in_b & common).sum())
    return Chance(a / cells, b / cells, both / cells, (a / cells) * (b / cells))


def repeat_strips(a: gpd.GeoDataFrame, b: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Find strips of A that come back in B.

    A pair counts if both are of one kind and their common area is at least
    :data:`LEAST_OVERLAP_SHARE` of the smaller strip.

    Parameters
    ----------
    a, b : geopandas.GeoDataFrame
        Strips (columns of :data:`covermap.cover.strips.STRIP_COLUMNS`; ``cause`` may be
        missing) in one metric CRS.

    Returns
    -------
    geopandas.GeoDataFrame
        :data:`REPEAT_COLUMNS` and the common ground of each pair. ``residue_kg`` is what
        the common ground lacked or had too much, both maps added, each strip's amount
        taken to lie evenly over it. Most residue first; pairs of windrows, which are laid
        on purpose, last.
    """
    if len(a) == 0 or len(b) == 0:
        return _empty(a)
    shapes_a, shapes_b = (shapely.make_valid(x.geometry.to_numpy()) for x in (a, b))
    one, other = shapely.STRtree(shapes_b).query(shapes_a, predicate="intersects")
    alike = a["kind"].to_numpy()[one] == b["kind"].to_numpy()[other]
    one, other = one[alike], other[alike]
    shape = np.array([_polygonal(s) for s in shapely.intersection(shapes_a[one], shapes_b[other])])
    area_a, area_b = shapely.area(shapes_a)[one], shapely.area(shapes_b)[other]
    overlap = shapely.area(shape) if len(shape) else np.empty(0)
    share = overlap / np.minimum(area_a, area_b)
    keep = share >= LEAST_OVERLAP_SHARE
    if not keep.any():
        return _empty(a)
    one, other, overlap = one[keep], other[keep], overlap[keep]
    left, right = a.iloc[one].reset_index(drop=True), b.iloc[other].reset_index(drop=True)
    table = pd.DataFrame(
        {
            "repeat_id": 0,
            "kind": left["kind"],
            "strip_a": left["strip_id"],
            "strip_b": right["strip_id"],
            "overlap_m2": overlap,
            "overlap_share": share[keep],
            "residue_kg": _amount_kg(left) * overlap / area_a[keep]
            + _amount_kg(right) * overlap / area_b[keep],
        }
    )
    for side, strips, area in (("a", left, area_a), ("b", right, area_b)):
        table[f"mean_ratio_{side}"] = strips["mean_ratio"]
        table[f"area_{side}_m2"] = area[keep]
        for column in ("discharge", "passes", "cause"):
            known = column in strips.columns
            table[f"{column}_{side}"] = strips[column].astype(object) if known else None
    on_purpose = (table["discharge_a"] == "windrow") & (table["discharge_b"] == "windrow")
    order = np.lexsort((-table["residue_kg"].to_numpy(), on_purpose.to_numpy()))
    table = table.iloc[order].reset_index(drop=True)
    table["repeat_id"] = np.arange(1, len(table) + 1)
    return gpd.GeoDataFrame(table[list(REPEAT_COLUMNS)], geometry=shape[keep][order], crs=a.crs)


def _amount_kg(strips: gpd.GeoDataFrame) -> np.ndarray:
    return np.asarray(strips[["excess_kg", "deficit_kg"]].max(axis=1).to_numpy(float))


def _polygonal(shape: shapely.Geometry) -> shapely.Geometry:
    """Drop the points and lines where two outlines only touch."""
    parts = shapely.get_parts(shape)
    areas = parts[shapely.get_dimensions(parts) == 2]
    return areas[0] if len(areas) == 1 else shapely.MultiPolygon(shapely.get_parts(areas).tolist())


def _empty(a: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    types = {
        c: "object" if c in _TEXTS else "int64" if c in _WHOLE else "float64"
        for c in REPEAT_COLUMNS
    }
    columns = {c: pd.Series(dtype=t) for c, t in types.items()}
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries([], crs=a.crs), crs=a.crs)

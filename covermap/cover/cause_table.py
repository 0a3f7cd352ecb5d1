"""Causes as a reader meets them: ranked per strip, added up for the field."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from covermap.cover.causes import CAUSES

#: Parts smaller than this are not put into words.
_LEAST_SHARE = 0.03


def _cause_shares(kg: pd.DataFrame) -> pd.DataFrame:
    """Give each cause's share of a strip's excess or deficit; a negative one eased the fault."""
    total = kg.sum(axis=1)
    return kg.div(total.where(total != 0), axis=0)


def with_causes(strips: gpd.GeoDataFrame, kg: pd.DataFrame) -> gpd.GeoDataFrame:
    """Add the causes to the strips: first-ranked in words, its share, all of them in words."""
    shares = _cause_shares(kg)
    causes = list(shares.columns)
    values = shares.fillna(0.0).to_numpy()
    order = np.argsort(-values, axis=1, kind="stable")
    first = order[:, 0] if len(values) else np.zeros(0, int)
    return strips.assign(
        cause=[CAUSES[causes[c]] for c in first],
        cause_share=values[np.arange(len(values)), first],
        causes=[_in_words(values[i], order[i], causes) for i in range(len(values))],
    )


def _in_words(shares: np.ndarray, order: np.ndarray, causes: list[str]) -> str:
    parts = [f"{CAUSES[causes[c]]} {shares[c]:.0%}" for c in order if shares[c] >= _LEAST_SHARE]
    eased = [
        f"{CAUSES[causes[c]]} {-shares[c]:.0%}" for c in order[::-1] if shares[c] <= -_LEAST_SHARE
    ]
    return "; ".join(parts) + (f"; eased by {', '.join(eased)}" if eased else "")


def field_causes(strips: gpd.GeoDataFrame, kg: pd.DataFrame) -> pd.DataFrame:
    """Add the causes up over all strips of a field, with ``kg`` in the order of ``strips``.

    Returns
    -------
    pandas.DataFrame
        rule_id, cause, strips and area_ha (where it ranks first), missing_t in gaps and
        too_much_t in doubles (its part of every strip, negative where it eased them);
        largest first, causes without any part left out.
    """
    sign = np.where(strips["kind"] == "gap", -1.0, 1.0)
    gap = sign < 0
    toward = kg.to_numpy() * sign[:, None] / 1e3
    rows = []
    for c, rule_id in enumerate(kg.columns):
        first = (strips["cause"] == CAUSES[rule_id]).to_numpy()
        rows.append(
            {
                "rule_id": rule_id,
                "cause": CAUSES[rule_id],
                "strips": int(first.sum()),
                "area_ha": float(strips.loc[first, "area_m2"].sum() / 1e4),
                "missing_t": float(toward[gap, c].sum()),
                "too_much_t": float(toward[~gap, c].sum()),
            }
        )
    table = pd.DataFrame(rows)
    weight = table["missing_t"].abs() + table["too_much_t"].abs()
    table = table[(table["strips"] > 0) | (weight > 0.5e-3)]
    return table.loc[weight[table.index].sort_values(ascending=False, kind="stable").index]

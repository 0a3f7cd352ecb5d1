"""The signs of a plan's actions on paper, and the table that names them.

Colour, hatch and letter: any one of the three is enough, so that a plan reads on a
black-and-white printer and for people who do not see some colours.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from covermap.drawing.look import INK, SOFT
from covermap.tables.signs import Sign, action_signs_of
from covermap.units import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Height of a row of the table, and where its columns of numbers end and words begin [inches].
_ROW_HIGH = 0.185
_AREA_AT, _RUNS_AT, _COST_AT, _FUEL_AT = 2.45, 2.95, 4.05, 4.5
_CODE_AT, _WORDS_AT, _RULE_AT = 0.4, 0.5, 4.58


def draw_sign(axes: Axes, x: float, y: float, sign: Sign) -> None:
    """Draw hatch, letter and words of an action, on axes in inches, from the left on."""
    from matplotlib.patches import Rectangle

    look: dict[str, Any] = {"fc": sign.colour, "ec": INK, "hatch": sign.hatch.paper or None}
    axes.add_patch(Rectangle((x, y - 0.07), 0.32, 0.14, lw=0.5, **look))
    axes.text(x + _CODE_AT, y, sign.code, ha="center", va="center", fontsize=8, fontweight="bold")
    axes.text(x + _WORDS_AT, y, sign.words, va="center", fontsize=8)


def table_height(work: pd.DataFrame) -> float:
    """Give the height of :func:`draw_table` [inches]."""
    return (1 + len(work)) * _ROW_HIGH


def draw_table(axes: Axes, work: pd.DataFrame, currency: str, *, us_units: bool = False) -> None:
    """Draw the legend of a plan: sign, words, area, implement runs, and cost and fuel where stated.

    It hangs from the upper left corner of axes in inches. ``work`` is as in
    :attr:`covermap.plan.plan_field.FieldPlan.work`; the currency is fit to be shown, or empty.
    """
    area, fuel = (shown(us_units)[kind] for kind in ("area", "fuel"))
    row_of = {str(rule_id): k for k, rule_id in enumerate(work["rule_id"])}
    columns = [
        (_AREA_AT, area.unit, [area.number(v * 1e4) for v in work["area_ha"]]),
        (_RUNS_AT, "runs", [f"{v:d}" for v in work["implement_runs"]]),
    ]
    costs = f"cost [{currency}]" if currency else "cost"
    if work["cost"].notna().any():
        columns.append((_COST_AT, costs, ["–" if v != v else f"{v:,.0f}" for v in work["cost"]]))
    if work["fuel_l"].notna().any():
        columns.append((_FUEL_AT, f"fuel [{fuel.unit}]", [fuel.number(v) for v in work["fuel_l"]]))
    top = axes.get_ylim()[1] - _ROW_HIGH / 2
    small: dict[str, Any] = {"va": "center", "fontsize": 8}
    faint: dict[str, Any] = {"va": "center", "fontsize": 6.5, "color": SOFT}
    axes.text(_WORDS_AT, top, "action", **small)
    axes.text(_RULE_AT, top, "rule", **faint)
    for at, title, _ in columns:
        axes.text(at, top, title, ha="right", **small)
    for k, sign in enumerate(action_signs_of(row_of), 1):
        y = top - k * _ROW_HIGH
        draw_sign(axes, 0.0, y, sign)
        axes.text(_RULE_AT, y, sign.rule_id, **faint)
        for at, _, cells in columns:
            axes.text(at, y, cells[row_of[sign.rule_id]], ha="right", **small)

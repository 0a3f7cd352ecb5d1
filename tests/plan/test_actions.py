"""Which action a spot calls for, and that each has its number, its benefit and its rule."""

from pathlib import Path

import numpy as np
import pytest

from covermap.plan.actions import (
    ACTIONS,
    RULE_IDS,
    Limits,
    Spot,
    beyond_limits,
    choose_actions,
)
from covermap.tables.said import names_in, template

MODEL = (Path(__file__).parents[2] / "docs" / "model.md").read_text("utf-8")
NO_LIMITS = Limits(0.5, 1.5, 30.0, None, None, None)
SEEDER = Limits(0.5, 1.5, 30.0, 4.0, 6.0, 3.0)
TILLS = Limits(0.5, 1.5, 30.0, 4.0, 6.0, 3.0, tills=True)
COLD = Limits(0.5, 1.5, 30.0, None, None, None, cold_t_ha=3.3)


def spot(ratio, load, cover=80.0, harrowed=None, harrowed_load=None, in_row=False, heap=False):
    one = np.atleast_1d(np.asarray(ratio, float))
    full = np.ones_like(one)
    return Spot(
        one,
        full * (ratio if harrowed is None else harrowed),
        full * load,
        full * (load if harrowed_load is None else harrowed_load),
        full * cover,
        full * in_row > 0,
        full * heap > 0,
    )


def action(one: Spot, limits: Limits, harrow_pays: bool = False) -> str:
    return ACTIONS[RULE_IDS[choose_actions(one, limits, harrow_pays=harrow_pays)[0]]]


@pytest.mark.parametrize(
    ("one", "limits", "pays", "expected"),
    [
        (spot(1.0, 2.5), SEEDER, True, "leave"),
        (spot(1.0, 3.5), SEEDER, True, "more down pressure"),
        (spot(1.0, 5.0), SEEDER, True, "row cleaner on"),
        # a double that the row cleaner handles is no reason for a pass
        (spot(1.8, 5.0, harrowed=1.2, harrowed_load=3.5), SEEDER, True, "row cleaner on"),
        (spot(2.2, 8.0, harrowed=1.4, harrowed_load=5.5), SEEDER, True, "heavy harrow"),
        (spot(2.2, 8.0, harrowed=1.4, harrowed_load=7.0), TILLS, True, "till"),
        (spot(2.2, 8.0), TILLS, False, "till"),
        # without tillage in the plan nothing thins it: look at the stand
        (spot(2.2, 8.0), SEEDER, False, "reseed risk, check stand"),
        (spot(2.2, 8.0, harrowed=2.0, harrowed_load=7.5), SEEDER, True, "reseed risk, check stand"),
        (spot(1.8, 3.4), COLD, False, "reseed risk, check stand"),
        (spot(1.2, 3.4), COLD, False, "leave"),
        (spot(1.8, 3.2), COLD, False, "leave"),
        # thin cover: no pass brings residue back
        (spot(0.1, 0.2, cover=5.0), SEEDER, False, "leave"),
        (spot(0.1, 0.2, cover=5.0, harrowed=0.4), SEEDER, True, "heavy harrow"),
        (spot(0.1, 0.2, cover=5.0, harrowed=0.2), SEEDER, True, "leave"),
        (spot(1.8, 5.0, harrowed=1.2), NO_LIMITS, True, "heavy harrow"),
        (spot(1.8, 5.0), NO_LIMITS, False, "leave"),
        (spot(1.0, 9.0), NO_LIMITS, True, "leave"),
        (spot(5.0, 20.0, heap=True), SEEDER, True, "spread again"),
        (spot(5.0, 20.0, in_row=True), SEEDER, True, "bale or rake"),
        (spot(np.nan, np.nan), SEEDER, True, "leave"),
    ],
)
def test_the_cheapest_action_that_copes_is_chosen(one, limits, pays, expected):
    assert action(one, limits, pays) == expected


def test_more_residue_never_calls_for_a_gentler_action():
    loads = np.linspace(0.1, 12.0, 200)
    one = spot(loads / 4, loads, cover=90.0)
    one = Spot(one.ratio, one.harrowed_ratio, loads, loads, one.cover_pct, one.in_row, one.heap)
    chosen = choose_actions(
        one, Limits(0.0, 1.5, 30.0, 4.0, 6.0, 3.0, tills=True), harrow_pays=False
    )
    order = [RULE_IDS.index(r) for r in ("plan-leave", "plan-down-pressure", "plan-row-cleaner",
                                         "plan-till")]  # fmt: skip
    places = [order.index(c) for c in chosen]
    assert places == sorted(places)
    assert set(places) == {0, 1, 2, 3}


def test_what_is_beyond_the_limits_depends_on_what_the_seeder_is_said_to_handle():
    ratio, load = np.array([0.2, 1.0, 2.0]), np.array([1.0, 7.0, 5.0])
    assert beyond_limits(ratio, load, NO_LIMITS).tolist() == [True, False, True]
    assert beyond_limits(ratio, load, SEEDER).tolist() == [True, True, False]


def test_every_action_has_number_benefit_and_a_documented_rule():
    numbers = 0
    for rule_id in ACTIONS:
        fields = names_in(rule_id)
        assert template(f"{rule_id}-brings")
        assert fields, rule_id
        numbers += len(fields)
        assert f"`{rule_id}`" in MODEL, rule_id
    assert numbers > len(ACTIONS)


def test_without_passes_nothing_is_harrowed_or_tilled():
    one = spot([0.1, 1.0, 2.2], 8.0, harrowed=1.1, harrowed_load=5.0)
    both = choose_actions(one, TILLS, harrow_pays=True)
    gentle = choose_actions(one, TILLS, harrow_pays=True, with_passes=False)
    passes = {RULE_IDS.index("plan-harrow"), RULE_IDS.index("plan-till")}
    assert set(both) & passes
    assert not set(gentle) & passes

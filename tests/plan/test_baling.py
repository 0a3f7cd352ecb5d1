"""Straw that may leave: exact against the forward run, needs against published figures."""

import numpy as np
import pytest
from builders import texts
from hypothesis import given, settings
from hypothesis import strategies as st

from covermap.errors import SettingsError
from covermap.plan.baling import removable_straw, straw_need_t_ha
from covermap.plan.operation_table import operation_table
from covermap.plan.operations import sequence
from covermap.units import read_quantity

PLAN = ["winter weathering, after autumn harvest", "no-till drill (US table, by mass)"]
ASK = {"cell_area_m2": 100.0, "balable_share": 0.8, "target_cover_pct": 60.0,
       "fragile": False, "cover_m2_per_kg": 5.4}  # fmt: skip


@settings(deadline=None)
@given(
    load=st.floats(0, 12),
    rows=st.lists(st.sampled_from(operation_table()), max_size=3),
    target=st.floats(0, 90),
    share=st.floats(0, 1),
    keep=st.floats(0, 6),
    case=st.sampled_from(["low", "mid", "high"]),
)
def test_what_is_left_gives_the_cover_and_no_straw_is_kept_in_vain(
    load, rows, target, share, keep, case
):
    ask = {**ASK, "balable_share": share, "target_cover_pct": target}
    result = removable_straw(load, rows, keep_t_ha=keep, case=case, **ask)
    taken = result.removable_t_ha.whole().item()
    assert 0 <= taken <= load * share
    left = load - taken

    def covered(residue):
        steps = sequence(residue, rows, fragile=False, cover_m2_per_kg=5.4)
        return float(getattr(steps[-1].cover_pct, case))

    if taken > 1e-6:
        assert covered(left) >= target - 1e-6
        assert left >= keep - 1e-9
        if taken < load * share - 1e-6:
            # one of the two needs is met exactly
            assert covered(left) == pytest.approx(target, abs=1e-6) or left == pytest.approx(keep)
    assert result.no_baling.whole().item() == (load <= result.must_stay_t_ha)


def test_field_totals_and_mask():
    residue = np.array([[6.0, 1.0], [np.nan, 20.0]])
    result = removable_straw(residue, [], keep_t_ha=2.0, **{**ASK, "target_cover_pct": 0.0})
    np.testing.assert_allclose(result.removable_t_ha.whole(), [[4.0, 0.0], [np.nan, 16.0]])
    np.testing.assert_array_equal(result.no_baling.whole(), [[False, True], [False, False]])
    # 100 m² cells: t/ha / 100
    assert result.removable_t == pytest.approx(0.20)
    assert result.balable_t == pytest.approx(0.8 * 0.27)
    assert result.residue_t == pytest.approx(0.27)
    notes = texts(result.notes)
    assert notes["baling-none"].startswith("On 33 % of the mapped ground")
    assert "2.00 t/ha" in notes["baling-for-soil"]
    assert {"baling-takes-nutrients", "baling-caution"} <= set(notes)


def test_the_low_end_of_the_shares_keeps_more():
    must = [
        removable_straw(8.0, PLAN, case=case, **ASK).must_stay_t_ha
        for case in ("low", "mid", "high")
    ]
    assert must[0] > must[1] > must[2] > 0


def test_cover_out_of_reach_lets_nothing_leave():
    """Sallaway et al. 1988: a disc keeps 0.35 of the cover; 60 % after it cannot be had."""
    result = removable_straw(np.array([5.0, 50.0]), ["disc, one pass"], **ASK)
    assert result.must_stay_t_ha == np.inf
    assert result.removable_t == 0
    assert result.no_baling.whole().all()
    assert result.notes[0].rule == "baling-cover-out-of-reach"


def test_published_straw_needs():
    """Karlen: 2.3 and 3.5 short ton/ac; one is 2000 lb on 43 560 ft² = 2.2417 t/ha."""
    one = 2000 * 0.45359237 / 1000 / (43560 * 0.3048**2 / 1e4)
    assert one == pytest.approx(2.2417, abs=1e-4)
    assert straw_need_t_ha("Continuous corn") == pytest.approx(2.3 * one, rel=1e-12)
    assert straw_need_t_ha("corn-soybean") == pytest.approx(3.5 * one, rel=1e-12)
    assert straw_need_t_ha("corn-soybean") == pytest.approx(
        read_quantity("3.5 short_ton/ac", "mass per area", "need")
    )
    with pytest.raises(SettingsError, match="Known: continuous corn, corn-soybean"):
        straw_need_t_ha("wheat-fallow")


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"balable_share": 1.1}, "balable_share"),
        ({"balable_share": np.nan}, "balable_share"),
        ({"keep_t_ha": -1.0}, "keep_t_ha"),
        ({"target_cover_pct": 100.0}, "target cover"),
    ],
)
def test_values_out_of_range_are_refused(values, message):
    with pytest.raises(SettingsError, match=message):
        removable_straw(4.0, PLAN, **{**ASK, **values})


def test_an_empty_map_is_refused():
    with pytest.raises(SettingsError, match="no mapped ground"):
        removable_straw(np.array([np.nan]), PLAN, **ASK)

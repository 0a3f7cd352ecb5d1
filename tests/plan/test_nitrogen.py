"""Nitrogen tie-up against published worked examples."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from covermap.errors import SettingsError
from covermap.plan.nitrogen import (
    SURFACE_MOST_KG_HA,
    carbon_nitrogen,
    tie_up,
    tie_up_kg_per_t,
)
from covermap.tables.crops import crop_table


@pytest.mark.parametrize(
    ("c_n", "carbon_pct", "target", "expected"),
    [
        # Japan Calcium Cyanamide Association: 42 % C, 0.6 % N, target 30 -> 8 kg N per tonne
        (42 / 0.6, 42.0, 30.0, 8.0),
        # derived from USDA-NRCS 2011 (24:1 diet, 40 % C): wheat 80:1, corn 57:1
        (80.0, 40.0, 24.0, 11.67),
        (57.0, 40.0, 24.0, 9.65),
    ],
)
def test_published_examples(c_n, carbon_pct, target, expected):
    assert tie_up_kg_per_t(c_n, carbon_pct, target) == pytest.approx(expected, abs=0.005)


def test_straw_worked_in_is_near_the_rule_of_thumb():
    """J. L. Henry 2003, Henry's Handbook of Soil and Water, Henry Perspectives, Saskatoon
    (citation from memory): 20 lb/ac per short ton worked in = 10 kg/t."""
    for crop in ("wheat", "oats", "corn"):
        assert 9 < float(tie_up(1.0, crop).per_ha.mid) < 12.5


def test_the_microbes_own_diet_ties_up_nothing_and_richer_gives_off():
    assert tie_up_kg_per_t(24.0) == 0
    # NRCS 2011: microbes themselves are 8:1
    assert tie_up_kg_per_t(8.0) < 0


@settings(deadline=None)
@given(load=st.floats(0, 20), crop=st.sampled_from(["wheat", "rye", "oats", "corn", "peas"]))
def test_range_runs_from_surface_to_worked_in(load, crop):
    """Cochran, Elliott & Papendick 1980: under 5 kg/ha on the surface."""
    low, mid, high = tie_up(load, crop).per_ha
    assert 0 <= low <= min(SURFACE_MOST_KG_HA, mid) <= mid <= high


def test_five_tonnes_of_wheat():
    """80:1 gives 58.3, 150:1 gives 70.0 kg/ha (400/24 − 400/150 = 14.0 kg/t)."""
    result = tie_up(np.array([5.0, np.nan, 0.0]), "winter wheat")
    np.testing.assert_allclose(result.per_ha.low, [5.0, np.nan, 0.0])
    np.testing.assert_allclose(result.per_ha.mid, [58.33, np.nan, 0.0], atol=0.01)
    np.testing.assert_allclose(result.per_ha.high, [70.0, np.nan, 0.0], atol=0.01)


def test_a_middle_nobody_published_is_left_blank():
    result = tie_up(np.array([5.0]), "barley")
    assert np.isnan(result.per_ha.mid).all()
    assert result.per_ha.high[0] == pytest.approx(70.0, abs=0.01)


def test_every_crop_has_figures_or_a_reason_and_none_has_a_rate():
    for crop in {crop.kind for crop in crop_table().values()}:
        result = tie_up(4.0, crop)
        rules = [note.rule for note in result.notes]
        assert rules[-1] == "nitrogen-adviser"
        if carbon_nitrogen(crop) is None:
            assert result.per_ha is None
            assert rules[0] == "nitrogen-no-figure"
            assert crop in result.notes[0].text()
        else:
            assert rules[:2] == ["nitrogen-tie-up", "nitrogen-surface"]
            assert result.source
        text = " ".join(note.text() for note in result.notes).lower()
        assert "licensed adviser" in text
        assert not any(word in text for word in ("apply ", "you should", "add "))
    assert carbon_nitrogen("canola") is None


def test_values_out_of_range_are_refused():
    for values in ((0.0, 40.0, 24.0), (80.0, 0.0, 24.0), (80.0, 101.0, 24.0), (80.0, 40.0, np.nan)):
        with pytest.raises(SettingsError, match="nitrogen"):
            tie_up_kg_per_t(*values)

"""Soil-loss ratios against published worked rows."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from covermap.errors import SettingsError
from covermap.plan.erosion import (
    field_mean_ratio,
    water_loss_range,
    water_loss_ratio,
    wind_loss,
)


@pytest.mark.parametrize(
    ("cover", "roughness", "expected"),
    [
        # worked rows of the crop factor (KU Leuven, from memory; after Renard et al. 1997)
        (94.99760940143084, 9.887948429795788, 0.0408145343611988),
        (96.25305929637678, 9.898625980629188, 0.0391360926002951),
    ],
)
def test_water_published_rows(cover, roughness, expected):
    assert water_loss_ratio(cover, 0.035, roughness) == pytest.approx(expected, rel=1e-12)


def test_water_at_thirty_per_cent():
    """Derived: exp(−0.035 · 30) = 0.350 on smooth ground; 0.025 to 0.05 make 0.472 to 0.223."""
    low, mid, high = water_loss_range(30.0)
    assert mid == pytest.approx(0.350, abs=1e-3)
    assert (low, high) == (pytest.approx(0.2231, abs=1e-4), pytest.approx(0.4724, abs=1e-4))
    assert water_loss_ratio(0.0) == 1


@pytest.mark.parametrize(("cover", "less_pct"), [(20, 57), (50, 95)])
def test_wind_published_reductions(cover, less_pct):
    """Fryrear 1985: 20 % cover takes 57 % off the loss, 50 % takes 95 % off."""
    loss = wind_loss(float(cover))
    assert 100 * (1 - loss.ratio.mid) == pytest.approx(less_pct, abs=0.5)
    assert not loss.outside


def test_wind_range_is_that_of_the_published_curves():
    """At 30 %: wind tunnel 0.2687, field 0.1628 (Mendez & Buschiazzo 2008), Fryrear between."""
    low, mid, high = wind_loss(30.0).ratio
    assert (low, high) == (pytest.approx(0.1628, abs=1e-4), pytest.approx(0.2687, abs=1e-4))
    assert low < mid < high


def test_wind_outside_its_validity_is_held_and_marked():
    loss = wind_loss(np.array([0.0, 5.0, 8.0, 80.0, 95.0, np.nan]))
    np.testing.assert_array_equal(loss.outside, [True, True, False, False, True, False])
    np.testing.assert_array_equal(loss.ratio.mid[:2], [1, 1])
    assert loss.ratio.mid[4] == loss.ratio.mid[3] > 0
    assert np.isnan(loss.ratio.mid[5])


@settings(deadline=None)
@given(cover=arrays(float, 20, elements=st.floats(0, 100)))
def test_ratios_are_never_above_bare_ground_and_fall_with_cover(cover):
    cover = np.sort(cover)
    for low, mid, high in (water_loss_range(cover), wind_loss(cover).ratio):
        assert np.all((low >= 0) & (low <= mid) & (mid <= high) & (high <= 1))
        for part in (low, mid, high):
            assert np.all(np.diff(part) <= 1e-15)


@settings(deadline=None)
@given(cover=arrays(float, 12, elements=st.floats(9, 80)))
def test_the_mean_of_the_ratio_is_never_below_the_ratio_of_the_mean(cover):
    """Jensen: the curves are convex there."""
    for ratio in (water_loss_ratio, lambda c: wind_loss(c).ratio.mid):
        assert field_mean_ratio(ratio(cover)) >= ratio(cover.mean()) - 1e-12


def test_strips_lose_more_than_their_mean_cover_says():
    """Half bare, half full: (1 + exp(−3.5)) / 2 = 0.515, where 50 % everywhere gives 0.174."""
    cover = np.array([[0.0, 100.0], [np.nan, np.nan]])
    assert field_mean_ratio(water_loss_ratio(cover)) == pytest.approx(0.515, abs=1e-3)
    assert water_loss_ratio(50.0) == pytest.approx(0.174, abs=1e-3)


def test_values_out_of_range_are_refused():
    for per_pct in (0.02, 0.06, np.nan):
        with pytest.raises(SettingsError, match=r"b = .*what is published"):
            water_loss_ratio(30.0, per_pct)
    for roughness in (0.0, -1.0, np.nan):
        with pytest.raises(SettingsError, match="roughness"):
            water_loss_ratio(30.0, roughness_mm=roughness)
    for cover in (-1.0, 101.0):
        with pytest.raises(SettingsError, match="Expected 0 to 100"):
            wind_loss(cover)
    with pytest.raises(SettingsError, match="no mapped ground"):
        field_mean_ratio(np.full(3, np.nan))

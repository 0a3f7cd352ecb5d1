"""Shapes of the band: shares sum to one and follow the shape."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from covermap.settings.map_settings import PROFILES
from covermap.spread.profile import profile_shares

reaches = st.floats(0.0, 12.0)


@pytest.mark.parametrize("shape", [p for p in PROFILES if p != "table"])
@given(reaches, reaches)
def test_shares_sum_to_one_and_mirror(shape, left, right):
    if left + right < 0.1:
        return
    shares = profile_shares(shape, left, right)
    assert shares.sum() == pytest.approx(1.0)
    assert shares.min() >= -1e-15
    np.testing.assert_allclose(shares[::-1], profile_shares(shape, right, left), atol=1e-12)


def test_triangle_is_a_triangle():
    shares = profile_shares("triangle", 5, 5)
    x = (np.arange(40) + 0.5) / 20 - 1
    np.testing.assert_allclose(shares * 20, 1 - np.abs(x), atol=1e-12)


def test_bell_follows_the_normal_distribution():
    """Outside route: scipy's normal distribution, cut at three standard deviations."""
    from scipy.stats import truncnorm

    edges = np.linspace(-3, 3, 41)
    expected = np.diff(truncnorm(-3, 3).cdf(edges))
    np.testing.assert_allclose(profile_shares("bell", 6, 6), expected, rtol=1e-9)


def test_peak_sits_on_the_centre_line_when_reaches_differ():
    shares = profile_shares("triangle", 2, 6)
    assert np.argmax(shares) in (9, 10)
    # twice the reach, twice the residue on that side, no step at the centre
    assert shares[:10].sum() == pytest.approx(0.25)


def test_trapezoid_is_level_in_the_middle():
    shares = profile_shares("trapezoid", 4, 4)
    np.testing.assert_allclose(shares[10:30], shares[20])
    assert shares[0] < 0.1 * shares[20]


def test_table_of_shares_is_scaled():
    np.testing.assert_allclose(profile_shares("table", 4, 4, (1, 3)), [0.25, 0.75])

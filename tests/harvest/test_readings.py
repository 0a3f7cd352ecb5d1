"""Readings in a file give what NumPy gives of the array; how they came in does not matter."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from covermap.cover import tray_readings as module
from covermap.cover.evenness import PassReadings, evenness, evenness_by_pass, evenness_of
from covermap.cover.tray_readings import Readings

numbers = st.lists(st.floats(0, 50, width=32), min_size=2, max_size=400)


def read_in(values, cuts, monkeypatch, held):
    monkeypatch.setattr(module, "MOST_HELD", held)
    readings = Readings()
    for part in np.split(values, sorted(c % (len(values) + 1) for c in cuts)):
        readings.add(part)
    return readings


@pytest.mark.parametrize("held", [0, 10**6])
@given(values=numbers, cuts=st.lists(st.integers(0, 400), max_size=4), chunk=st.integers(1, 500))
@settings(max_examples=40, deadline=None)
def test_measures_are_those_of_the_array_however_it_came(values, cuts, chunk, held):
    values = np.array(values, np.float32)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "_CHUNK", chunk)
        found = evenness_of(read_in(values, cuts, patch, held))
    expected = evenness(values)
    for name, value in expected.as_dict().items():
        assert getattr(found, name) == pytest.approx(value, rel=1e-9, abs=1e-9, nan_ok=True)


@given(numbers, st.integers(1, 400))
@settings(max_examples=60, deadline=None)
def test_lowest_readings_are_those_of_a_sort(values, number):
    values = np.array(values, np.float32)
    number = min(number, len(values))
    readings = Readings()
    readings.add(values)
    expected = np.sort(values)[:number].sum(dtype=float)
    assert readings.sum_of_lowest(number) == pytest.approx(expected, rel=1e-12, abs=1e-12)


@given(st.integers(1, 6), st.integers(2, 300), st.integers(0, 300), st.integers(0, 2**32))
@settings(max_examples=30, deadline=None)
def test_passes_read_in_parts_are_the_passes_read_at_once(passes, count, cut, seed):
    rng = np.random.default_rng(seed)
    ratio = rng.gamma(2.0, 0.5, count)
    pass_no = rng.integers(1, passes + 1, count).astype(np.int32)
    across = rng.uniform(-6, 6, count)
    parts = PassReadings()
    parts.add(ratio[:cut], pass_no[:cut], across[:cut])
    parts.add(ratio[cut:], pass_no[cut:], across[cut:])
    once = evenness_by_pass(ratio, pass_no, across)
    np.testing.assert_allclose(parts.table(), once, rtol=1e-9)

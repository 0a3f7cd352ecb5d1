"""Evenness measures against a published catch-can test and closed forms."""

import math

import numpy as np
import pandas as pd
import pytest

from covermap.cover.evenness import (
    christiansen_cu_pct,
    cv_pct,
    evenness,
    evenness_by_pass,
    low_du_pct,
    middle_urdr,
    tray_readings,
)


def test_published_catch_can_transect(open_data):
    """North Carolina extension publication, catch cans across the lane of an irrigation gun:
    Christiansen CU 87.4, low-half DU 87.5, low-quarter DU 83.1."""
    cans = pd.read_csv(open_data / "catch_can_transect.csv")
    lane = 224 * 0.3048
    edge = 150 * 0.3048
    inside = cans[cans["station_m"].abs() <= 112 * 0.3048 + 1e-6]

    def depth(station: np.ndarray) -> np.ndarray:
        value = np.interp(station, cans["station_m"], cans["depth_mm"])
        ends = np.abs(station) > cans["station_m"].abs().max()
        # linear from the last can to nothing at 150 ft
        last = np.where(station > 0, cans["depth_mm"].iloc[-1], cans["depth_mm"].iloc[0])
        reach = cans["station_m"].abs().max()
        tail = last * np.clip((edge - np.abs(station)) / max(edge - reach, 1e-9), 0, 1)
        value = np.where(ends, tail if edge > reach else 0.0, value)
        return np.where(np.abs(station) > edge, 0.0, value)

    station = inside["station_m"].to_numpy()
    total = depth(station) + depth(station - lane) + depth(station + lane)
    assert len(total) == 12
    assert christiansen_cu_pct(total) == pytest.approx(87.4, abs=0.05)
    assert low_du_pct(total, 0.5) == pytest.approx(87.5, abs=0.05)
    assert low_du_pct(total) == pytest.approx(83.1, abs=0.06)


def test_cv_uses_n_minus_one():
    """ASABE S341's form (from memory and a secondary quotation): 1, 3 → s = √2, mean 2."""
    assert cv_pct(np.array([1.0, 3.0])) == pytest.approx(100 * math.sqrt(2) / 2)


def test_nothing_to_measure_is_nan_not_zero():
    assert all(math.isnan(v) for v in evenness(np.array([])).as_dict().values())
    assert math.isnan(cv_pct(np.zeros(4)))


def test_trays_average_cells_and_need_whole_ground():
    deposit = np.array([[1.0, 3.0, 9.0], [2.0, 2.0, 9.0], [5.0, 5.0, 9.0]])
    harvested = np.ones((3, 3), bool)
    trays, side = tray_readings(deposit, np.ones((3, 3)), harvested, cell_m=0.25)
    assert side == 0.5
    np.testing.assert_allclose(trays, [2.0])
    harvested[0, 0] = False
    assert len(tray_readings(deposit, np.ones((3, 3)), harvested, cell_m=0.25)[0]) == 0
    assert tray_readings(deposit, np.ones((3, 3)), harvested, cell_m=2.0)[1] == 2.0


def test_urdr_is_highest_over_lowest_lane():
    across = np.tile(np.array([-0.75, -0.25, 0.25, 0.75]), 50)
    ratio = np.tile(np.array([0.5, 1.0, 1.5, 1.0]), 50)
    by_pass = evenness_by_pass(ratio, np.ones(200, int), across)
    assert by_pass.loc[1, "urdr"] == pytest.approx(3.0)
    assert by_pass.loc[1, "mean_ratio"] == pytest.approx(1.0)
    bare = np.where(across < -0.5, 0.0, ratio)
    assert evenness_by_pass(bare, np.ones(200, int), across).loc[1, "urdr"] == math.inf


def test_the_middle_urdr_is_that_of_half_the_length_and_leaves_out_what_is_unknown():
    urdr = np.array([3.0, np.nan, 1.5, math.inf])
    assert middle_urdr(urdr, np.array([100.0, 900.0, 101.0, 1.0])) == 1.5
    assert middle_urdr(urdr, np.array([100.0, 900.0, 99.0, 1.0])) == 3.0
    assert middle_urdr(urdr, np.array([1.0, 1.0, 1.0, 9.0])) == math.inf
    assert math.isnan(middle_urdr(urdr[1:2], np.ones(1)))

"""A harrow pass against the exponential distribution, its Fourier transform and its laws."""

import math
from dataclasses import replace

import numpy as np
import pytest
from builders import UTM
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import circmean, expon

from covermap.cover.evenness import cv_pct, evenness_by_pass, tray_readings
from covermap.errors import SettingsError
from covermap.ground.grid import Grid
from covermap.ground.rasters import as_raster
from covermap.harvest.main_heading import combine_heading_deg
from covermap.plan import harrow as one_pass
from covermap.plan.harrow import Harrow, HarrowedGround
from covermap.plan.harrow_angle import (
    LEAST_GAIN_PCT,
    HarrowField,
    UnevennessGauge,
    best_heading,
    harrow_trial,
)

PERIOD_M = 9.0


def grid_of(shape: tuple[int, int], cell_m: float = 0.5) -> Grid:
    return Grid(UTM, 500_000.0, 4_980_000.0, cell_m, *shape)


def harrowed(residue: np.ndarray, heading: float, harrow: Harrow, cell_m: float = 0.5):
    inside = np.ones(residue.shape, bool)
    return harrow_pass(residue, inside, grid_of(residue.shape, cell_m), heading, harrow)


def stripes(side_m: float, cell_m: float, swing: float = 0.4) -> np.ndarray:
    """Exact cell means of 1 + swing·cos(2πx/S), passes running north."""
    edge = np.arange(round(side_m / cell_m) + 1) * cell_m
    wave = 2 * np.pi / PERIOD_M
    row = 1 + swing * np.diff(np.sin(wave * edge)) / (wave * cell_m)
    return np.tile(row, (len(row), 1))


def amplitude_left(angle_deg: float, harrow: Harrow) -> float:
    """What Fourier's transform of the exponential distribution leaves of the stripes."""
    wave = 2 * np.pi * harrow.carry_m * math.sin(math.radians(angle_deg)) / PERIOD_M
    return abs(1 - harrow.moved_share + harrow.moved_share / (1 + 1j * wave))


def stripe_field(side_m: float = 360.0) -> HarrowField:
    residue = stripes(side_m, 0.5)
    rim = np.zeros(residue.shape)
    rim[72:-72, 72:-72] = 1.0  # what the bare starts of the swaths do is not counted
    return field_of(residue, rim, np.ones(residue.shape, bool), grid_of(residue.shape))


def field_of(residue, own, inside, grid, *lanes) -> HarrowField:
    residue, own, inside, *lanes = map(as_raster, (residue, own, inside, *lanes))
    return HarrowField(residue, own, inside, grid, *lanes)


def harrow_pass(*asked) -> HarrowedGround:
    """What lies there afterwards as one array."""
    done = one_pass.harrow_pass(*asked)
    return replace(done, residue_kg_m2=done.residue_kg_m2.whole())


@given(
    heading=st.floats(-360, 720),
    width=st.floats(1, 30),
    carry=st.floats(0, 20),
    share=st.floats(0, 1),
    seed=st.integers(0, 999),
)
@settings(max_examples=60, deadline=None)
def test_laws_hold_on_any_field(heading, width, carry, share, seed):
    rng = np.random.default_rng(seed)
    shape = tuple(rng.integers(1, 60, 2))
    one, two = rng.random((2, *shape)) * (rng.random(shape) < 0.5)
    inside = rng.random(shape) < rng.random()
    grid, harrow = grid_of(shape), Harrow(width, carry, share)

    def run(residue: np.ndarray, turned: float = heading, ground: np.ndarray = inside):
        return harrow_pass(residue, ground, grid, turned, harrow)

    done = run(one)
    area = grid.cell_area_m2
    # conserved
    assert done.residue_kg_m2.sum() * area + done.outside_kg == pytest.approx(
        one.sum() * area, rel=1e-9
    )
    # never negative; nothing happens outside
    assert done.residue_kg_m2.min() >= 0
    assert done.outside_kg >= 0
    np.testing.assert_array_equal(done.residue_kg_m2[~inside], one[~inside])
    # linear in mass
    both, other = run(3 * one + two), run(two)
    np.testing.assert_allclose(
        both.residue_kg_m2, 3 * done.residue_kg_m2 + other.residue_kg_m2, atol=1e-12
    )
    assert both.outside_kg == pytest.approx(3 * done.outside_kg + other.outside_kg, abs=1e-9)
    # a mirrored field mirrors the result
    mirror = run(one[:, ::-1], -heading, inside[:, ::-1])
    np.testing.assert_array_equal(mirror.residue_kg_m2[:, ::-1], done.residue_kg_m2)


@pytest.mark.parametrize("cell_m", [0.5, 0.25])
@pytest.mark.parametrize("angle", [0, 5, 15, 30, 45, 60, 75, 90, 135, 200])
@pytest.mark.parametrize("share", [1.0, 0.6])
def test_stripes_fade_as_the_fourier_transform_says(cell_m, angle, share):
    """1/(1 + 2πi L sin θ/S): Fourier transform of the exponential distribution (textbook).

    Either way of travel. A digital line strays by up to half a cell: 1.5 % of the
    amplitude at 0.5 m cells, less at finer ones.
    """
    harrow = Harrow(20.0, 3.0, share)
    before = stripes(180.0, cell_m)
    after = harrowed(before, angle, harrow, cell_m).residue_kg_m2
    middle = (np.arange(len(before)) + 0.5) * cell_m
    east, north = np.meshgrid(middle, 180.0 - middle)
    turn = math.radians(angle)
    off = (east - 90) * math.cos(turn) - (north - 90) * math.sin(turn)
    core = (np.abs(east - 90) < 58) & (np.abs(north - 90) < 58)
    wave = 2 * np.pi / PERIOD_M
    found = {}
    for swath, centre in (("there", 0.0), ("back", 20.0)):
        here = core & (np.abs(off - centre) < 9.0)
        x = east[here]
        columns = np.column_stack([np.ones(len(x)), np.cos(wave * x), np.sin(wave * x)])
        fit = np.linalg.lstsq(columns, after[here], rcond=None)[0]
        original = np.linalg.lstsq(columns, before[here], rcond=None)[0]
        left = complex(*fit[1:]) / complex(*original[1:])
        found[swath] = left
        assert abs(left) == pytest.approx(amplitude_left(angle, harrow), rel=0.03 * cell_m)
    # driven the other way the stripes move the other way
    assert found["there"].imag == pytest.approx(-found["back"].imag, abs=0.01)


def test_carry_is_exponential_from_cell_to_cell():
    """A lone cell of residue against scipy.stats.expon averaged over the cell."""
    residue = np.zeros((200, 31))
    residue[150, 15] = 2.0
    ground = harrowed(residue, 0.0, Harrow(10.0, 4.0, 0.7))
    done = ground.residue_kg_m2
    for ahead in (1, 2, 5, 20, 60):
        beyond = (done[: 151 - ahead, 15].sum() + ground.outside_kg / 0.25) / 2.0
        low = (ahead - 1) * 0.5
        want = quad(lambda x: expon.sf(x, scale=4.0), low, low + 0.5)[0] / 0.5
        assert beyond == pytest.approx(0.7 * want, rel=1e-9)
    assert done[151:].sum() == 0
    assert np.delete(done, 15, axis=1).sum() == 0


@given(heading=st.floats(0, 360), carry=st.floats(0.5, 5))
@settings(max_examples=30, deadline=None)
def test_residue_goes_the_mean_distance_along_the_heading(heading, carry):
    residue = np.zeros((301, 301))
    residue[149:152, 149:152] = 1.0
    done = harrowed(residue, heading, Harrow(12.0, carry, 1.0))
    mass = done.residue_kg_m2
    place = (np.arange(301) - 150) * 0.5
    east, north = (mass.sum(axis=0) @ place) / 9, (mass.sum(axis=1) @ -place) / 9
    turn = math.radians(heading)
    assert east == pytest.approx(carry * math.sin(turn), abs=0.13)
    assert north == pytest.approx(carry * math.cos(turn), abs=0.13)


def test_every_second_swath_is_driven_back():
    residue = np.zeros((101, 161))
    residue[50, 80] = residue[50, 100] = residue[50, 120] = 1.0  # 0, 10 and 20 m off
    done = harrowed(residue, 0.0, Harrow(10.0, 3.0, 1.0)).residue_kg_m2
    assert [done[:50, col].sum() > 0 for col in (80, 100, 120)] == [True, False, True]
    assert [done[51:, col].sum() > 0 for col in (80, 100, 120)] == [False, True, False]


def test_what_is_in_the_tines_at_the_edge_leaves_the_field():
    """On even ground L·(1 − exp(−D/L)) metres' worth of what moves is carried off."""
    residue = np.full((40, 20), np.nan)
    inside = np.zeros(residue.shape, bool)
    inside[10:30] = True
    residue[inside] = 0.5
    done = harrow_pass(residue, inside, grid_of(residue.shape), 0.0, Harrow(20.0, 3.0, 0.6))
    width, length = 10.0, 10.0
    off = 0.5 * 0.6 * width * 3.0 * (1 - math.exp(-length / 3.0))
    assert done.outside_kg == pytest.approx(off, rel=1e-9)
    assert np.isnan(done.residue_kg_m2[~inside]).all()


def test_along_the_passes_nothing_evens_out():
    """Common practice, no source: harrowing along the combine's passes drags stripes along
    themselves; across them it evens out."""
    before = stripes(180.0, 0.5)
    for heading in (0.0, 180.0):
        after = harrowed(before, heading, Harrow(15.0)).residue_kg_m2
        np.testing.assert_allclose(after[160:200], before[160:200], rtol=1e-9)
    angles = [0, 10, 20, 30, 45, 60, 90]
    trial = harrow_trial(stripe_field(), Harrow(15.0), 0.0, angles)
    for passes in (1, 2):
        cv = trial.loc[trial["passes"] == passes, "cv_pct"].to_numpy()
        assert cv[0] == pytest.approx(trial["cv_pct"].iloc[0], rel=1e-3)
        assert (np.diff(cv) < 0).all()
    one, two = (trial.loc[trial["passes"] == p, "cv_pct"].to_numpy()[1:] for p in (1, 2))
    assert (two < one).all()


@pytest.mark.parametrize("turn", [0.0, -60.0, 90.0])
def test_trial_gives_the_cv_of_theory(turn):
    """A sine of amplitude a has CV a/√2; each pass leaves its Fourier factor of it.

    A second pass on another heading also mixes the swaths of the first, which lie out of
    step, so it leaves somewhat less.
    """
    harrow = Harrow(18.0, 3.0, 0.6)
    trial = harrow_trial(stripe_field(), harrow, 20.0, [10, 40], second_turn_deg=turn)
    start = trial["cv_pct"].iloc[0]
    assert start == pytest.approx(40 / math.sqrt(2) * np.sinc(0.5 / PERIOD_M), rel=1e-3)
    for row in trial.iloc[1:].itertuples():
        left = amplitude_left(row.heading_deg, harrow)
        if row.passes == 2:
            left *= amplitude_left(row.heading_deg + turn, harrow)
        least = 0.9 if row.passes == 2 and turn else 0.98
        assert least * left <= row.cv_pct / start <= 1.02 * left


def test_measures_are_those_of_the_map():
    """Trays, lanes and limits agree with the evenness of single passes and plain counts."""
    rng = np.random.default_rng(5)
    shape = (80, 90)
    east = np.tile((np.arange(90) + 0.5) * 0.5, (80, 1))
    pass_no = (east // 15).astype(int) + 1
    across = east % 15 - 7.5
    given_kg = rng.uniform(0.3, 0.6, shape)
    given_kg[:3] = np.nan
    residue = rng.uniform(0.1, 0.9, shape) + 0.2 * np.cos(across / 3)
    inside = rng.random(shape) < 0.95
    field = field_of(residue, given_kg, inside, grid_of(shape), pass_no, across)
    found = UnevennessGauge(field, 0.5, 1.5).measure(as_raster(residue))
    known = inside & np.isfinite(given_kg)
    ratio = residue[known] / given_kg[known]
    by_pass = evenness_by_pass(ratio, pass_no[known], across[known])
    assert found.cv_pct == pytest.approx(cv_pct(ratio))
    assert found.urdr == pytest.approx(by_pass["urdr"].median())
    assert found.gap_ha == pytest.approx((ratio < 0.5).sum() * 0.25 / 1e4)
    assert found.double_ha == pytest.approx((ratio > 1.5).sum() * 0.25 / 1e4)
    fine = Grid(UTM, 500_000.0, 4_980_000.0, 0.25, *shape)
    trays, _ = tray_readings(residue, given_kg, known, 0.25)
    quarter = UnevennessGauge(field_of(residue, given_kg, inside, fine), 0.5, 1.5)
    assert quarter.measure(as_raster(residue)).cv_pct == pytest.approx(cv_pct(trays))
    plain = field_of(residue, given_kg, inside, grid_of(shape))
    assert math.isnan(UnevennessGauge(plain, 0.5, 1.5).measure(as_raster(residue)).urdr)


def test_best_heading_crosses_no_steeper_than_it_must():
    field = stripe_field()
    choice = best_heading(field, Harrow(15.0), 0.0, (-90, -60, -30, 0, 30, 60, 90), passes=2)
    planned = choice.trial[choice.trial["passes"] == 2].set_index("angle_deg")["cv_pct"]
    assert choice.angle_deg > 0
    assert choice.after.cv_pct == planned[choice.angle_deg]
    assert choice.after.cv_pct <= planned.min() + LEAST_GAIN_PCT
    flatter = planned[np.abs(planned.index) < choice.angle_deg]
    assert (flatter > planned.min() + LEAST_GAIN_PCT).all()
    assert choice.worth_it
    # driver's limits hold
    assert best_heading(field, Harrow(15.0), 10.0, (0, 15, 30)).heading_deg == 40


def test_an_even_field_is_left_alone():
    field = stripe_field()
    even = replace(field, residue_kg_m2=as_raster(np.ones(field.grid.shape)))
    choice = best_heading(even, Harrow(15.0), 0.0, (0, 30, 60))
    assert not choice.worth_it
    assert choice.angle_deg == 0


@given(
    rows=st.lists(
        st.tuples(st.floats(20, 60), st.booleans(), st.integers(1, 9)), min_size=1, max_size=8
    )
)
def test_main_heading_is_the_axial_mean(rows):
    """scipy.stats.circmean with a period of 180°; laps have no heading."""
    heading = np.array([h + 180 * back for h, back, _ in rows])
    times = np.array([n for *_, n in rows])
    want = circmean(np.repeat(heading, times), high=180)
    found = combine_heading_deg(np.append(heading, np.nan), np.append(times, 50.0))
    assert found == pytest.approx(want, abs=0.001)


def test_main_heading_just_west_of_north_is_north():
    assert combine_heading_deg(np.array([179.99999]), np.ones(1)) == 0


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: Harrow(0.0),
        lambda: Harrow(15.0, -1.0),
        lambda: Harrow(15.0, 3.0, 1.2),
        lambda: Harrow(float("nan")),
        lambda: harrowed(np.full((5, 5), -1.0), 0.0, Harrow(15.0)),
        lambda: harrowed(np.full((5, 5), np.nan), 0.0, Harrow(15.0)),
        lambda: harrow_pass(
            np.ones((5, 4)), np.ones((4, 5), bool), grid_of((5, 4)), 0.0, Harrow(15.0)
        ),
        lambda: harrow_trial(stripe_field(180.0), Harrow(15.0), 0.0, []),
        lambda: harrow_trial(stripe_field(180.0), Harrow(15.0), 0.0, [0], passes=[0]),
        lambda: best_heading(stripe_field(180.0), Harrow(15.0), 0.0, [0], passes=0),
    ],
)
def test_wrong_input_is_named(wrong):
    with pytest.raises(SettingsError, match="harrow"):
        wrong()


@pytest.mark.parametrize("headings", [[0.0, 90.0], [np.nan]])
def test_passes_without_a_common_direction_have_no_main_heading(headings):
    with pytest.raises(SettingsError, match="no main heading"):
        combine_heading_deg(np.array(headings), np.ones(len(headings)))

"""What repeats across the passes: closed forms, a reference library, and what must not show.

Fourier series of a pattern p (transform P, P(0) = 1) laid every S: the k-th harmonic of 1/S
holds 2 P(k/S)² of relative variance. Gaussian: 2 exp(−4 π² (σ/S)² k²), whose sums are the
table ``reference/uniformity_closed_form.csv`` of the house's shared folder, repeated here;
rectangle of width W: 2 (sin(π k W/S) / (π k W/S))². A pattern moved by a lean d and turned
round every second pass: odd m/(2S) hold 2 P(m/2S)² sin²(π m d/S), even ones
2 P(m/2S)² cos²(π m d/S) (derived). All passes alike: the move is a phase, power stays.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from builders import (
    ORIGIN,
    UTM,
    bands_of,
    grid_for,
    rectangle,
    settings_of,
    si_units_in,
    straight_passes,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import periodogram
from scipy.stats import norm

from covermap.cover.spectrum import cross_track_spectrum, spectrum_findings
from covermap.errors import SettingsError
from covermap.field.whole_field import map_field
from covermap.ground.grid import Grid
from covermap.spread.deposit import deposit

S = 9.0
PASSES = 24
INNER = (4, 20)  # passes whose ground is looked at: all their neighbours are there
GAUSS = np.diff(norm.cdf(np.linspace(-6, 6, 241)))


def sinc2(x):
    return np.sinc(x) ** 2


def laid(width_m, shares=(1.0,), *, lean_m=0.0, turned=False, heading_deg=0.0, cell_m=0.25):
    """Lay straight passes with the engine and give the ratio on the inner ground, and its grid.

    ``lean_m`` may be one per pass; ``turned`` drives every second pass the other way.
    """
    lean = np.broadcast_to(lean_m, PASSES)
    angle = np.radians(heading_deg)
    along, right = (
        np.array([np.sin(angle), np.cos(angle)]),
        np.array([np.cos(angle), -np.sin(angle)]),
    )
    corners = []
    for k in range(PASSES):
        back = turned and k % 2
        start = right * (k + 0.5) * S + (along * 120.0 if back else 0)
        start = start + right * (-lean[k] if back else lean[k])
        heading = heading_deg + (180 if back else 0)
        corners.append(rectangle(*start, width_m, 120.0, heading))
    # 1 kg per m² of each pass's own ground
    bands = bands_of(np.array(corners), np.full(PASSES, S * 120.0), shares, range(1, PASSES + 1))
    grid = grid_for(bands, cell_m)
    ratio = deposit(bands, grid, meaningful_kg_m2=0.1).kg_m2.astype(np.float32)
    x, y = centres(grid)
    across, ahead = x * right[0] + y * right[1], x * along[0] + y * along[1]
    inside = (across > INNER[0] * S) & (across < INNER[1] * S) & (ahead > 1) & (ahead < 119)
    return np.where(inside, ratio, np.nan), grid


def centres(grid):
    east = grid.west + (np.arange(grid.cols) + 0.5) * grid.cell_m - ORIGIN[0]
    north = grid.north - (np.arange(grid.rows) + 0.5) * grid.cell_m - ORIGIN[1]
    return np.meshgrid(east, north)


def spectrum_of(ratio, grid, heading_deg=0.0, ground=None, **values):
    ground = np.where(np.isfinite(ratio), 0.5, np.nan) if ground is None else ground
    return cross_track_spectrum(ratio, ground, 10 * ratio * ground, grid, heading_deg, S, **values)


def near(spectrum, per_spacing, half=0.25):
    """Relative variance of the ratio within half/S of a frequency [1/spacing]."""
    frequency = S / spectrum.middle_m
    return spectrum.ratio.relative_variance[np.abs(frequency - per_spacing) < half].sum()


def rules(spectrum):
    return [said.rule for said in spectrum_findings(spectrum)]


def flat_field(row, cell_m=0.5, rows=120):
    """Give a field that is the same all along: each row of the raster is ``row``."""
    values = np.tile(np.asarray(row, float), (rows, 1))
    return values, Grid(UTM, *ORIGIN, cell_m, rows, len(row))


@pytest.mark.parametrize("heading_deg", [0.0, 17.0, 241.3])
@pytest.mark.parametrize(
    ("sigma_over_spacing", "cv"), [(0.2, 64.4918), (0.25, 41.1963), (0.3, 23.9322), (0.4, 6.0103)]
)
def test_harmonics_of_repeated_gaussians(sigma_over_spacing, cv, heading_deg):
    ratio, grid = laid(12 * sigma_over_spacing * S, GAUSS, heading_deg=heading_deg)
    found = spectrum_of(ratio, grid, heading_deg)
    first, second = 2 * np.exp(-4 * np.pi**2 * sigma_over_spacing**2 * np.array([1, 4]))
    assert near(found, 1) == pytest.approx(first, rel=0.02)
    assert near(found, 2) == pytest.approx(second, rel=0.1, abs=3e-5)
    assert found.ratio.cv_pct == pytest.approx(cv, rel=0.01)
    assert found.ratio.one_spacing_cv_pct == pytest.approx(cv, rel=0.01)
    assert found.ratio.two_spacings_cv_pct < 0.02 * cv
    assert rules(found) == ["spectrum-one-spacing"]


@pytest.mark.parametrize(("part", "cv"), [(0.5, 100.0), (0.8, 50.0), (1.25, 34.6410)])
def test_harmonics_of_a_repeated_flat_band(part, cv):
    found = spectrum_of(*laid(part * S, heading_deg=33.0, cell_m=0.1), 33.0)
    assert found.ratio.cv_pct == pytest.approx(cv, rel=0.02)
    harmonics = 2 * sinc2(np.array([1, 2, 3]) * part)
    assert found.ratio.one_spacing_cv_pct == pytest.approx(
        100 * math.sqrt(harmonics.sum()), rel=0.015
    )
    assert near(found, 1) == pytest.approx(harmonics[0], rel=0.02)
    assert (found.ratio.one_spacing_cv_pct / found.ratio.cv_pct) ** 2 == pytest.approx(
        harmonics.sum() / (cv / 100) ** 2, abs=0.03
    )


@pytest.mark.parametrize("heading_deg", [0.0, 62.0])
@pytest.mark.parametrize("lean_m", [-0.6, 1.5])
def test_lean_back_and_forth_shows_at_two_spacings_only(lean_m, heading_deg):
    ratio, grid = laid(S, lean_m=lean_m, turned=True, heading_deg=heading_deg, cell_m=0.1)
    found = spectrum_of(ratio, grid, heading_deg)
    odd = np.array([1, 3, 5])
    power = 2 * sinc2(odd / 2) * np.sin(np.pi * odd * lean_m / S) ** 2
    assert found.ratio.two_spacings_cv_pct == pytest.approx(100 * math.sqrt(power.sum()), rel=0.02)
    assert near(found, 0.5) == pytest.approx(power[0], rel=0.02)
    # doubled on d/S of the ground and bare on as much
    assert found.ratio.cv_pct == pytest.approx(100 * math.sqrt(2 * abs(lean_m) / S), rel=0.02)
    assert found.ratio.one_spacing_cv_pct < 1
    assert rules(found) == ["spectrum-two-spacings"]


def test_too_wide_and_leaning_shows_at_both():
    found = spectrum_of(*laid(1.25 * S, lean_m=1.2, turned=True))
    odd, even = np.array([1, 3, 5]), np.array([2, 4, 6])
    two = 2 * sinc2(odd * 1.25 / 2) * np.sin(np.pi * odd * 1.2 / S) ** 2
    one = 2 * sinc2(even * 1.25 / 2) * np.cos(np.pi * even * 1.2 / S) ** 2
    assert found.ratio.two_spacings_cv_pct == pytest.approx(100 * math.sqrt(two.sum()), rel=0.02)
    assert found.ratio.one_spacing_cv_pct == pytest.approx(100 * math.sqrt(one.sum()), rel=0.02)
    assert rules(found) == ["spectrum-two-spacings", "spectrum-one-spacing"]


def test_lean_the_same_way_on_every_pass_is_no_unevenness_but_a_lopsided_band_is():
    even = spectrum_of(*laid(S, lean_m=1.5))
    assert even.ratio.cv_pct < 0.5
    assert rules(even) == ["spectrum-even"]
    ramp = np.arange(1, 101) - 0.5  # |P(k)|² of a ramp of one spacing is 1 / (π k)²
    lopsided = spectrum_of(*laid(S, ramp))
    harmonics = 2 / (np.pi * np.array([1, 2, 3])) ** 2
    assert lopsided.ratio.one_spacing_cv_pct == pytest.approx(
        100 * math.sqrt(harmonics.sum()), rel=0.02
    )
    assert lopsided.ratio.two_spacings_cv_pct < 1
    assert rules(lopsided) == ["spectrum-one-spacing"]
    # the same band there and back shows at two spacings as well
    assert "spectrum-two-spacings" in rules(spectrum_of(*laid(S, ramp, turned=True)))


@pytest.mark.parametrize("wave_m", [57.3, 80.0])
def test_ground_alone_shows_at_its_own_distance(wave_m):
    ratio, grid = laid(S, heading_deg=28.0)
    x, y = centres(grid)
    across = x * np.cos(np.radians(28.0)) - y * np.sin(np.radians(28.0))
    ground = 0.5 * (1 + 0.3 * np.sin(2 * np.pi * across / wave_m + 1))
    found = spectrum_of(ratio, grid, 28.0, np.where(np.isfinite(ratio), ground, np.nan))
    assert rules(found) == ["spectrum-even"]
    assert found.ratio.band_cv_pct.max() < 0.3
    peak = found.middle_m[np.argmax(found.given.relative_variance)]
    assert peak == pytest.approx(wave_m, rel=0.25)  # the field holds two waves or so
    assert found.given.cv_pct > 15
    # no leak of the ground into the passes' own distances
    assert found.given.one_spacing_cv_pct < 0.01 * found.given.cv_pct
    assert found.given.two_spacings_cv_pct < 0.12 * found.given.cv_pct
    np.testing.assert_allclose(found.residue.cv_pct, found.given.cv_pct, rtol=1e-3)


def test_machine_and_ground_are_told_apart_when_both_are_there():
    ratio, grid = laid(0.8 * S)
    x, _ = centres(grid)
    ground = np.where(np.isfinite(ratio), 0.5 * (1 + 0.3 * np.sin(2 * np.pi * x / 45.0)), np.nan)
    alone, both = spectrum_of(ratio, grid), spectrum_of(ratio, grid, ground=ground)
    np.testing.assert_allclose(both.ratio.relative_variance, alone.ratio.relative_variance)
    assert both.given.one_spacing_cv_pct < 0.2
    assert both.residue.cv_pct > both.ratio.cv_pct


def test_steep_trend_of_the_ground_does_not_leak():
    row = np.linspace(0.5, 1.5, 12 * 18 + 1)
    ground, grid = flat_field(row)
    found = spectrum_of(np.ones(grid.shape), grid, ground=ground)
    assert found.given.cv_pct > 15
    x = np.repeat(row, 2)
    frequency, density = periodogram(x / x.mean(), 4.0)
    for centres_at, ours in (
        ((1, 2, 3), found.given.one_spacing_cv_pct),
        ((0.5, 1.5, 2.5), found.given.two_spacings_cv_pct),
    ):
        bound = np.min([np.abs(frequency * S - k) for k in centres_at], axis=0) <= 0.2
        untapered = 100 * math.sqrt(density[bound].sum() * frequency[1])
        assert untapered > 2  # what the taper is there for
        assert ours < 0.4 * untapered


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.integers(108, 500), st.sampled_from([0.0, 90.0, 180.0]))
def test_power_adds_up_to_the_variance(seed, cols, heading_deg):
    """Parseval's theorem: the bands hold the whole tapered variance, whatever the row."""
    row = np.random.default_rng(seed).gamma(4.0, 0.25, cols)
    values, grid = flat_field(row)
    if heading_deg == 90.0:
        values = values.T
        grid = replace(grid, rows=grid.cols, cols=grid.rows)
    found = cross_track_spectrum(values, values, values, grid, heading_deg, S)
    x = np.repeat(row, 2)  # read at half a cell
    ramp = min(round(3 * S / 0.25), len(x) // 2)
    weight = np.ones(len(x))
    weight[:ramp] = (1 - np.cos(np.pi * (np.arange(ramp) + 0.5) / ramp)) / 2
    weight[-ramp:] = weight[:ramp][::-1]
    mean = np.average(x, weights=weight)
    variance = np.average((x - mean) ** 2, weights=weight**2)
    assert found.ratio.relative_variance.sum() == pytest.approx(variance / mean**2, rel=1e-9)
    assert found.ratio.cv_pct == pytest.approx(100 * math.sqrt(variance) / mean, rel=1e-9)
    assert found.longest_m == pytest.approx(cols * 0.5)
    assert (np.diff(found.edges_m) > 0).all()


def test_whole_periods_give_the_plain_cv():
    row = 1 + 0.4 * np.cos(2 * np.pi * np.arange(12 * 18) / 18)
    found = spectrum_of(*flat_field(row))
    assert found.ratio.cv_pct == pytest.approx(100 * row.std() / row.mean(), rel=1e-3)


@pytest.mark.parametrize("cols", [108, 109, 260])
def test_lines_agree_with_scipy(cols):
    """scipy.signal.periodogram with the same window, on the same samples."""
    row = np.random.default_rng(cols).gamma(4.0, 0.25, cols)
    found = spectrum_of(*flat_field(row))
    x = np.repeat(row, 2)
    ramp = min(round(3 * S / 0.25), len(x) // 2)
    window = np.ones(len(x))
    window[:ramp] = (1 - np.cos(np.pi * (np.arange(ramp) + 0.5) / ramp)) / 2
    window[-ramp:] = window[:ramp][::-1]
    relative = x / np.average(x, weights=window) - 1
    frequency, density = periodogram(relative, 4.0, window=window, detrend=False)
    power = density * frequency[1]
    for harmonics, ours in (
        ((1, 2, 3), found.ratio.one_spacing_cv_pct),
        ((0.5, 1.5, 2.5), found.ratio.two_spacings_cv_pct),
    ):
        bound = np.min([np.abs(frequency * S - k) for k in harmonics], axis=0) <= 0.2
        assert ours == pytest.approx(100 * math.sqrt(power[bound].sum()), rel=1e-9)


def test_laws():
    ratio, grid = laid(0.8 * S, lean_m=0.7, turned=True, heading_deg=17.0)
    found = spectrum_of(ratio, grid, 17.0)
    back = spectrum_of(ratio, grid, 197.0)
    np.testing.assert_allclose(
        back.ratio.relative_variance, found.ratio.relative_variance, rtol=0.02, atol=5e-4
    )
    twice = spectrum_of(2 * ratio, grid, 17.0)
    np.testing.assert_allclose(twice.ratio.relative_variance, found.ratio.relative_variance)
    # a quarter turn of the map and of the heading
    turned = replace(grid, rows=grid.cols, cols=grid.rows)
    clockwise = spectrum_of(np.rot90(ratio, -1), turned, 107.0)
    np.testing.assert_allclose(
        clockwise.ratio.relative_variance, found.ratio.relative_variance, rtol=0.02, atol=5e-4
    )


def test_bare_starts_of_passes_are_not_taken_for_a_lean():
    values, grid = flat_field(np.ones(12 * 18), rows=240)
    lane = np.arange(12 * 18) // 18
    values[:16, lane % 2 == 0] = 0.0  # eight metres, there
    values[-16:, lane % 2 == 1] = 0.0  # and back
    assert rules(spectrum_of(values, grid)) == ["spectrum-even"]
    assert "spectrum-two-spacings" in rules(spectrum_of(values, grid, pass_ends_m=0.0))


def test_lean_that_changes_at_random_is_not_called_a_repeat():
    """A gusty day: each pass has its own lean. Passes may still fall into step by chance."""
    named = []
    for seed in range(12):
        lean = np.random.default_rng(seed).normal(0, 1.0, PASSES)
        named += rules(spectrum_of(*laid(S, lean_m=lean, cell_m=0.5)))
    assert named.count("spectrum-other") >= 9
    assert "spectrum-even" not in named


def test_field_from_its_track():
    result = map_field(
        straight_passes(11, S, length_m=120.0, heading_deg=33.0),
        settings_of(spread__width=0.8 * S),
    )
    ratio = result.spread_ratio
    found = spectrum_of(ratio, result.grid, 33.0)
    assert found.ratio.cv_pct == pytest.approx(50.0, rel=0.06)  # cells of 0.5 m are no points
    assert rules(found) == ["spectrum-one-spacing"]
    said, *_ = spectrum_findings(found)
    assert "29.5 ft" in said.text(us_units=True)


@pytest.mark.parametrize(
    ("cols", "heading_deg", "spacing_m", "hole", "word"),
    [
        (216, math.nan, S, False, "main heading"),
        (216, 0.0, math.nan, False, "spacing"),
        (216, 0.0, 1.5, False, "too coarse"),
        (100, 0.0, S, False, "longest stretch"),
        (200, 0.0, S, True, "longest stretch"),
        (216, 90.0, 12.0, False, "20 m from their ends"),
    ],
)
def test_no_spectrum_says_why(cols, heading_deg, spacing_m, hole, word):
    values, grid = flat_field(np.ones(cols))
    if hole:
        values[:, 100] = np.nan
    found = cross_track_spectrum(values, values, values, grid, heading_deg, spacing_m)
    assert found.stretches == len(found.ratio.relative_variance) == 0
    (said,) = spectrum_findings(found)
    assert said == found.reason
    assert said.text().startswith("No cross-track spectrum. ")
    assert word in said.text()
    assert not si_units_in(said.text(us_units=True))


def test_rasters_of_another_shape_are_refused():
    values, grid = flat_field(np.ones(216))
    with pytest.raises(SettingsError, match="120 × 216"):
        cross_track_spectrum(values, values.T, values, grid, 0.0, S)

"""Fields whose answer is known in closed form, read off the finished raster.

Closed forms are those of a pattern repeated at spacing S (derived, e.g. uniform band
narrower than S: CV = sqrt(S/W − 1)); the table of values is
``reference/uniformity_closed_form.csv`` in the house's shared folder, repeated here.
"""

import numpy as np
import pytest
from builders import settings_of, straight_passes
from scipy.stats import norm

from covermap.cover.evenness import cv_pct
from covermap.field.whole_field import map_field

SPACING_M = 9.0
PASSES = 9


def inner_ratio(heading_deg: float = 0.0, cell: float = 0.5, **values: object) -> np.ndarray:
    """Give the spread ratio of three whole spacings in the middle of the field."""
    result = map_field(
        straight_passes(PASSES, SPACING_M, length_m=120.0, heading_deg=heading_deg),
        settings_of(grid__cell=cell, **values),
    )
    grid = result.grid
    east = grid.west + (np.arange(grid.cols) + 0.5) * grid.cell_m
    north = grid.north - (np.arange(grid.rows) + 0.5) * grid.cell_m
    x, y = np.meshgrid(east - 500_000.0, north - 4_980_000.0)
    angle = np.radians(heading_deg)
    across = x * np.cos(angle) - y * np.sin(angle)
    along = x * np.sin(angle) + y * np.cos(angle)
    middle = (PASSES - 1) / 2 * SPACING_M
    inside = (np.abs(across - middle) < 1.5 * SPACING_M - 1e-6) & (np.abs(along - 60) < 30)
    return result.spread_ratio[inside].astype(float)


@pytest.mark.parametrize("heading_deg", [0.0, 17.0, 45.0, 241.3])
def test_flat_band_as_wide_as_the_spacing_gives_back_what_grew(heading_deg):
    ratio = inner_ratio(heading_deg)
    np.testing.assert_allclose(ratio, 1.0, atol=2e-4)


@pytest.mark.parametrize(
    ("profile", "width_m", "cv"),
    [
        ("flat", 0.8 * SPACING_M, 50.0),
        ("flat", 0.9 * SPACING_M, 100 / 3),
        ("flat", 0.5 * SPACING_M, 100.0),
        ("flat", 1.1 * SPACING_M, 27.2727),
        ("flat", 1.25 * SPACING_M, 34.6410),
        ("flat", 1.5 * SPACING_M, 33.3333),
        ("triangle", 1.0 * SPACING_M, 57.7350),
        ("triangle", 1.5 * SPACING_M, 14.3444),
        ("triangle", 2.0 * SPACING_M, 0.0),
    ],
)
def test_cv_of_repeated_patterns(profile, width_m, cv):
    # 5 cm cells: the closed forms are of points, not of trays
    ratio = inner_ratio(cell=0.05, spread__profile=profile, spread__width=width_m)
    assert cv_pct(ratio) == pytest.approx(cv, abs=0.4)
    assert ratio.mean() == pytest.approx(1.0, abs=2e-3)


def test_windrow_of_thirty_feet_into_six_concentrates_five_times():
    """UNL NebGuide on combine residue distribution (1986): 30 ft cut into 6 ft gives 5 ×."""
    foot = 0.3048
    result = map_field(
        straight_passes(7, 30 * foot, length_m=100.0),
        settings_of(
            combine__cut_width=30 * foot,
            spread__discharge="windrow",
            spread__width=6 * foot,
            spread__chaff_width=6 * foot,
            grid__cell=0.1 * foot * 10 / 2,
        ),
    )
    ratio = result.spread_ratio[np.isfinite(result.spread_ratio)]
    assert np.percentile(ratio, 99) == pytest.approx(5.0, rel=0.02)


@pytest.mark.parametrize(
    ("sigma_over_spacing", "cv"), [(0.25, 41.1963), (0.3, 23.9322), (0.4, 6.0103), (0.5, 1.0171)]
)
def test_cv_of_repeated_gaussians(sigma_over_spacing, cv):
    """The shares come from scipy's normal distribution, out to six standard deviations."""
    shares = np.diff(norm.cdf(np.linspace(-6, 6, 241)))
    ratio = inner_ratio(
        cell=0.1,
        spread__profile="table",
        spread__shares=shares.tolist(),
        spread__width=12 * sigma_over_spacing * SPACING_M,
    )
    assert cv_pct(ratio) == pytest.approx(cv, abs=0.3)


def test_own_bell_comes_near_the_gaussian():
    """The bell profile is cut at three standard deviations; 0.3 σ/S still gives 23.9 %."""
    ratio = inner_ratio(cell=0.1, spread__profile="bell", spread__width=6 * 0.3 * SPACING_M)
    assert cv_pct(ratio) == pytest.approx(23.9322, abs=0.5)


def test_urdr_of_machines_as_sold_lies_in_the_published_range():
    """Allmaras et al. 1985 (Agron. J. 77:730-734): URDR 1.4 to 5.1 in 12 combines.

    Bands that thin out to the edges and reach 2 to 10 % past the header on each side, as
    such machines throw (common practice, no source), fall in that range.
    """
    seen = [
        map_field(
            straight_passes(7, SPACING_M, length_m=100.0),
            settings_of(spread__profile="trapezoid", spread__width=width * SPACING_M),
        ).evenness.urdr
        for width in (1.05, 1.1, 1.15, 1.2)
    ]
    assert max(seen) <= 5.1
    assert min(seen) >= 1.4
    assert seen == sorted(seen, reverse=True)

"""Cover from mass, against published worked rows."""

import numpy as np
import pytest

from covermap.cover.ground_cover import cover_pct


@pytest.mark.parametrize(
    ("kg_ha", "k", "expected", "tolerance"),
    [
        # worked rows of the crop factor (KU Leuven, from memory; after Renard et al. 1997)
        (3252.176186865332, 9.21, 94.99760940143084, 1e-9),
        (2139.563837999296, 15.35, 96.25305929637678, 1e-9),
        # Steiner et al. 2000, as quoted in open work on soil management: 1500 kg/ha, 93 %
        (1500.0, 17.5, 93.0, 0.3),
        # Aiken, McMaster & Nielsen 1996: 3 t/ha of flat wheat residue covers 80 %
        (3000.0, 5.4, 80.0, 0.3),
    ],
)
def test_published_rows(kg_ha, k, expected, tolerance):
    assert cover_pct(np.array([kg_ha / 1000]), k)[0] == pytest.approx(expected, abs=tolerance)


def test_two_covers_combine_like_their_masses():
    """USDA-ARS, wind erosion model: c1 + c2 (1 − c1), the same as adding k·M."""
    one, other = cover_pct(np.array([1.0]), 5.4), cover_pct(np.array([2.0]), 5.4)
    np.testing.assert_allclose(one + other * (1 - one / 100), cover_pct(np.array([3.0]), 5.4))

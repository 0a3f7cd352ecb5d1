"""From grain to residue, against handbook splits."""

import numpy as np
import pandas as pd
import pytest

from covermap.errors import SettingsError
from covermap.harvest.residue import (
    own_residue_kg_m2,
    residue_flow,
    residue_ratios,
    stubble_share,
)
from covermap.tables.crops import find_crop

WHEAT = find_crop("wheat")


def test_stubble_below_15_and_36_cm():
    """Krakow study: 22 % of winter wheat straw below 15 cm; Allen 1988: 40 % below 36 cm."""
    assert stubble_share(WHEAT, 0.15) == pytest.approx(0.22)
    assert stubble_share(WHEAT, 0.36) == pytest.approx(0.40, abs=0.005)
    assert stubble_share(WHEAT, 0.0) == 0.0
    assert stubble_share(WHEAT, 3.0) == pytest.approx(0.95)


def test_share_through_the_machine_lies_in_the_published_range():
    """Allmaras et al. 1985: 52 to 64 % of straw and chaff passes the machine; their
    combines left tall stubble, 36 cm as in Allen 1988 is taken here."""
    ratios = residue_ratios(WHEAT, cut_height_m=0.36)
    assert 0.52 <= ratios.through / (ratios.straw + ratios.chaff) <= 0.68


def test_everything_grown_is_accounted_for():
    for name in ("wheat", "corn", "canola"):
        r = residue_ratios(find_crop(name))
        assert r.stubble + r.left_flat + r.through == pytest.approx(r.straw + r.chaff)
        assert min(r.stubble, r.straw_through, r.chaff_through) > 0


def test_harvest_index_of_a_half_is_as_much_residue_as_grain():
    """Iowa State Univ. Extension, corn stover: harvest index 0.50, ratio 1.0."""
    ratios = residue_ratios(find_crop("corn"), harvest_index=0.5)
    assert ratios.straw + ratios.chaff == pytest.approx(1.0)
    with pytest.raises(SettingsError, match="Give one of them"):
        residue_ratios(WHEAT, harvest_index=0.4, straw_to_grain=1.2)


def flow_of(columns, **more):
    path = pd.DataFrame(columns)
    options = {"grain_yield_t_ha": None, "grain_moisture_pct": None} | more
    n = len(path)
    return residue_flow(
        path, np.arange(n), np.full(n, 18.0), WHEAT, residue_ratios(WHEAT), **options
    )


def test_moisture_is_taken_off_and_yield_is_used_where_there_is_no_flow():
    flow = flow_of(
        {"grain_flow_kg_s": [6.0, 6.0], "grain_kg": [6.0, 6.0], "moisture_pct": [20, 10]}
    )
    np.testing.assert_allclose(flow.grain_dry_kg, [4.8, 5.4])
    stated = flow_of({"grain_kg": [0.0]}, grain_yield_t_ha=5.0)
    # 5 t/ha on 18 m² is 9 kg, at market moisture of 13.5 %
    assert stated.grain_dry_kg[0] == pytest.approx(9 * 0.865)
    assert "13.5" in stated.notes[0].text()
    by_area = flow_of({"grain_yield_t_ha": [5.0], "grain_kg": [0.0]})
    assert by_area.grain_dry_kg[0] == pytest.approx(9 * 0.865)


def test_no_yield_at_all_is_refused():
    with pytest.raises(SettingsError, match="grain_yield="):
        flow_of({"grain_kg": [0.0]})


def test_own_residue_is_a_running_mean_that_keeps_each_pass_whole():
    rng = np.random.default_rng(0)
    mass, area = rng.uniform(1, 3, 200), rng.uniform(5, 20, 200)
    number = np.repeat([1, 2], 100)
    own = own_residue_kg_m2(mass, area, np.full(200, 2.0), number)
    for k in (1, 2):
        here = number == k
        assert (own * area)[here].sum() == pytest.approx(mass[here].sum())
    assert own.std() < 0.3 * (mass / area).std()
    same = own_residue_kg_m2(0.2 * area, area, np.full(200, 2.0), number)
    np.testing.assert_allclose(same, 0.2)

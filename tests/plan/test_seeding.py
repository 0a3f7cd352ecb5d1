"""Seeding flags against what the person states, and the published response."""

import numpy as np
import pytest
from builders import texts

from covermap.errors import SettingsError
from covermap.plan.seeding import establishment, judge_seeding, row_zone_share

LOAD = np.array([0.5, 3.3, 5.0, 7.0, np.nan])
COVER = np.array([10.0, 80.0, 92.0, 97.0, np.nan])


def test_flags_follow_the_limits():
    result = judge_seeding(
        LOAD, COVER, opener_limit_t_ha=4, cleaner_limit_t_ha=6, hairpin_t_ha=5,
        cold_wet_spring=True,
    )  # fmt: skip
    where = {flag.said.rule: flag.where.whole()[0].tolist() for flag in result.flags}
    no, yes = False, True
    assert where == {
        "seeding-too-much-for-opener": [no, no, yes, yes, no],
        "seeding-row-cleaner-needed": [no, no, yes, no, no],
        "seeding-hairpinning": [no, no, no, yes, no],
        # Morris et al. 2009: 3.3 to 6.7 t/ha, no trend
        "seeding-cold-wet": [no, yes, yes, yes, no],
        # K-State eUpdate 426: under 30 %
        "seeding-thin-cover": [yes, no, no, no, no],
    }
    assert not result.not_judged
    told = texts(flag.said for flag in result.flags)
    assert "(4 t/ha" in told["seeding-too-much-for-opener"]
    assert "Morris et al. 2009" in told["seeding-cold-wet"]
    assert "no source" in told["seeding-hairpinning"]


def test_nothing_is_judged_that_nobody_stated():
    result = judge_seeding(LOAD, COVER)
    assert [flag.said.rule for flag in result.flags] == ["seeding-thin-cover"]
    assert [said.text() for said in result.not_judged] == [
        "Not judged: too much for the opener, since what the opener is said to handle is not "
        "stated.",
        "Not judged: row cleaner needed, since what the opener is said to handle is not stated.",
        "Not judged: hairpinning, since the load from which your discs hairpin is not stated.",
        "Not judged: cold, wet soil, since whether the spring is cold or wet is not stated.",
    ]


def test_hoe_openers_do_not_hairpin_and_a_warm_spring_is_not_flagged():
    result = judge_seeding(LOAD, COVER, opener="hoe", hairpin_t_ha=1, cold_wet_spring=False)
    assert not {flag.said.rule for flag in result.flags} & {
        "seeding-hairpinning",
        "seeding-cold-wet",
    }
    flags = {said.numbers["flag"] for said in result.not_judged}
    assert not flags & {"hairpinning", "cold, wet soil"}


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"opener": "shovel"}, "opener"),
        ({"opener_limit_t_ha": -1}, "opener_limit_t_ha"),
        ({"hairpin_t_ha": np.nan}, "hairpin_t_ha"),
        ({"opener_limit_t_ha": 6, "cleaner_limit_t_ha": 4}, "exchanged"),
    ],
)
def test_contradictions_are_refused(values, message):
    with pytest.raises(SettingsError, match=message):
        judge_seeding(LOAD, COVER, **values)


def test_row_zone():
    assert row_zone_share(0.19, 0.76) == pytest.approx(0.25)
    assert row_zone_share(0.2, 0.2) == 1
    for width, spacing in ((0.0, 0.2), (0.3, 0.2), (np.nan, 0.2)):
        with pytest.raises(SettingsError, match="row zone"):
            row_zone_share(width, spacing)


@pytest.mark.parametrize(
    ("measure", "change"), [("establishment", -33), ("biomass", -56), ("yield", -23)]
)
def test_canola_under_wheat_stubble(measure, change):
    """Bruce et al. 2005: means of 5 trials at 5 t/ha; straight line between is assumed."""
    load = np.array([0.0, 2.5, 5.0, 5.01, np.nan])
    result = establishment(load, "oilseed rape", "winter wheat", measure=measure)
    np.testing.assert_allclose(
        result.change_pct.whole()[0], [0, change / 2, change, np.nan, np.nan]
    )
    np.testing.assert_array_equal(result.beyond.whole()[0], [False, False, False, True, False])


def test_the_study_without_effect_always_stands_beside_it():
    """PAMI 2018-20: no significant difference in canola emergence."""
    for insist in (False, True):
        result = establishment(3.0, "peas", "barley", other_crops_too=insist)
        rules = [note.rule for note in result.notes]
        assert rules == ["seeding-other-crops", "seeding-establishment", "seeding-no-effect"]
        assert (result.change_pct is None) is not insist
        assert "PAMI" in result.notes[-1].text()
        assert "Not a promise" in result.notes[1].text()
    with pytest.raises(SettingsError, match="not tried"):
        establishment(3.0, "canola", "wheat", measure="no effect")

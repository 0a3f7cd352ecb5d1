"""The samples' truth against what covermap names as the cause of each strip."""

import json
from functools import cache

import pytest
from make_samples import make_sample

from covermap.cover.causes import CAUSES


@cache
def truth(name: str) -> dict:
    return json.loads(json.dumps(make_sample(name).truth))


def rule_of(strips):
    by_words = {words: rule for rule, words in CAUSES.items()}
    return strips["cause"].map(by_words)


def touches(strips, low: int, high: int):
    numbers = strips["passes"].str.split(", ")
    return numbers.map(lambda names: all(low <= int(n) <= high for n in names))


def test_wheat_names_the_narrow_spell_and_the_windrow_block(mapped_sample):
    strips = mapped_sample("wheat").strips
    narrow = touches(strips, *truth("wheat")["narrow_passes"])
    low, high = truth("wheat")["windrow_passes"]
    rows = touches(strips, low - 1, high + 1)
    assert narrow.sum() > 10
    assert (rule_of(strips[narrow]) == "cause-settings").all()
    assert rows.any()
    assert (rule_of(strips[rows]) == "cause-windrow").all()
    assert (strips["cause_share"] > 0.9).mean() >= 0.95


def test_corn_names_the_overlap_and_barley_the_lean(mapped_sample):
    corn = mapped_sample("corn").strips
    assert (rule_of(corn) == "cause-wide").all()
    barley = mapped_sample("barley").strips
    assert (rule_of(barley) == "cause-lean").all()


def test_oats_name_the_wind_first(mapped_sample):
    assert mapped_sample("oats").causes["rule_id"].iloc[0] == "cause-wind"


def test_canola_names_driving_log_and_slow_residue(mapped_sample):
    strips, known = mapped_sample("canola").strips, truth("canola")
    near = touches(strips, known["near_pass"] - 1, known["near_pass"] - 1) & (
        strips["kind"] == "double"
    )
    assert near.sum() == 1
    assert (rule_of(strips[near]) == "cause-steering").all()
    # 3 m of a 9 m header ran over cut ground: 2/3 of a pass's residue on top
    assert strips.loc[near, "mean_ratio"].iloc[0] == pytest.approx(1 + 6 / 9, abs=0.02)
    assert (rule_of(strips) == "cause-holes").sum() == 1
    hole = strips[rule_of(strips) == "cause-holes"].iloc[0]
    assert hole["passes"] == str(known["hole_pass"])
    starts = strips[(strips["kind"] == "gap") & (rule_of(strips) != "cause-holes")]
    assert (rule_of(starts) == "cause-flow").all()
    assert len(starts) >= known["passes"] - 1
    # where headers enter on the oblique edge, part of the gap is the point row's
    points = mapped_sample("canola").causes.set_index("rule_id").loc["cause-turn"]
    assert points["missing_t"] > 0.05

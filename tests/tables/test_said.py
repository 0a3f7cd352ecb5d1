"""Sentences: filled in either kind of unit, US ones without a word of SI, every rule documented."""

import json
import math
import re
import string
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from builders import settings_of, si_units_in

from covermap.settings.field_settings import SETTINGS, defaults_used
from covermap.tables.said import Said, each_once, names_in, rules_of, said_of, template
from covermap.tables.said import filled as words_of
from covermap.units import shown

SENTENCES = resources.files("covermap.tables") / "sentences"
ROOMS = sorted(file.name.removesuffix(".toml") for file in SENTENCES.iterdir())
RULES = [rule for room in ROOMS for rule in rules_of(room)]
MODEL = (Path(__file__).parents[2] / "docs" / "model.md").read_text("utf-8")


def filled(rule: str) -> Said:
    """Fill a rule with numbers where its words want one, else with a text."""
    numbers: dict[str, object] = {}
    for us_units in (False, True):
        for _, name, form, _ in string.Formatter().parse(template(rule, us_units)):
            if name in names_in(rule):
                numbers[name] = 1234.5 if form not in ("", "words") else "a text of its own"
    if "kind" in names_in(rule):
        numbers["kind"] = "length g"
    return Said(rule, numbers)


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_can_be_said_in_si_and_in_us_units(rule):
    for us_units in (False, True):
        text = filled(rule).text(us_units)
        assert len(text) > 10
        assert not {"{", "}"} & set(text)


@pytest.mark.parametrize("rule", RULES)
def test_no_sentence_leaks_si_into_us_units(rule):
    assert not si_units_in(filled(rule).text(us_units=True))


def test_the_check_for_si_units_can_fail():
    for text in ("1.5 t/ha lie", "8 to 10 m of", "3 ha", "12 km/h", "2.5 °C", "tonnes of straw"):
        assert si_units_in(text), text
    for text in ("1,338 lb/ac", "26.2 ft of it", "3 ac", "a short ton", "at 3 a.m. in May"):
        assert not si_units_in(text), text


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_is_documented(rule):
    assert f"`{rule.removesuffix('-brings')}`" in MODEL


@pytest.mark.parametrize("room", ROOMS)
def test_a_file_is_named_by_the_first_word_of_its_rules(room):
    assert {rule.partition("-")[0] for rule in rules_of(room)} == {room}


@pytest.mark.parametrize("rule", ["plan-unheard-of", "nowhere-at-all"])
def test_a_rule_that_nobody_wrote_is_an_error(rule):
    with pytest.raises(KeyError, match=rule.partition("-")[0]):
        Said(rule).text()


def test_values_and_units_are_those_of_the_reader():
    """1 t/ha is 892.179 lb/ac; 1 m is 3.2808 ft; 1 K is 1.8 °F (NIST SP 811, appendix B)."""
    said = Said("plan-spread-again", {"mean_ratio": 3.5, "load_t_ha": 10.0})
    assert said.text() == "a short heap: spread ratio 3.50, 10.00 t/ha."
    assert said.text(us_units=True) == "a short heap: spread ratio 3.50, 8,922 lb/ac."
    cold = Said("seeding-cold-wet", {"cold_load_t_ha": 3.3})
    assert "At least 3.3 t/ha" in cold.text()
    assert "about 2.5 °C" in cold.text()
    us = cold.text(us_units=True)
    assert "At least 2,944 lb/ac" in us
    assert "about 4.5 °F" in us
    assert "from 2,944 to 5,978 lb/ac" in us


def test_published_nutrients_are_told_by_the_readers_ton():
    """4.5 kg per tonne is 9 lb per short ton, both being parts in a thousand."""
    assert "a tonne of wheat straw 4.5 to 6 kg N" in Said("baling-takes-nutrients").text()
    us = Said("baling-takes-nutrients").text(us_units=True)
    assert "a short ton of wheat straw 9.0 to 12.0 lb N" in us


@pytest.mark.parametrize("setting", SETTINGS, ids=lambda one: one.name)
def test_the_reason_for_a_default_is_told_in_the_readers_units(setting):
    assert not si_units_in(words_of(setting.why, us_units=True))


def test_a_published_figure_in_a_reason_is_told_in_the_readers_units():
    """16 km/h is 9.94 mph (NIST SP 811, appendix B.8)."""
    (said,) = (
        one
        for one in defaults_used(settings_of(), ["limits"])
        if one.numbers["setting"] == "[limits] most_harvest_speed"
    )
    back = said_of(json.loads(json.dumps(said.as_record())))
    assert back.text().endswith(
        "= 4.5 m/s (common practice, no source: harvest is slower than 16 km/h)."
    )
    assert back.text(us_units=True).endswith("slower than 9.9 mph).")


def test_what_is_not_known_is_a_dash():
    for nothing in (None, math.nan):
        said = Said("plan-spread-again", {"mean_ratio": nothing, "load_t_ha": nothing})
        assert said.text() == "a short heap: spread ratio –, –."


def test_records_hold_what_json_can_and_come_back_the_same():
    numbers = {"mean_ratio": np.float32(3.5), "load_t_ha": np.nan, "not_said": object()}
    record = Said("plan-spread-again", numbers).as_record()
    assert record["numbers"] == {"mean_ratio": 3.5, "load_t_ha": None}
    back = said_of(json.loads(json.dumps(record, allow_nan=False)))
    assert back.text() == record["text"]
    assert back.as_record() == record
    assert back.as_told(us_units=False) == {"rule": back.rule, "text": record["text"]}


def test_what_says_the_same_is_said_once():
    twice = [Said("plan-order"), Said("plan-check"), Said("plan-order", {"unused": 1})]
    assert [one.rule for one in each_once(twice)] == ["plan-order", "plan-check"]


def test_every_kind_has_a_unit_in_both_systems():
    assert set(shown(False)) == set(shown(True))
    for rule in RULES:
        for _, name, form, _ in string.Formatter().parse(template(rule)):
            if name and form != "words" and re.search("^[a-z]{2}", form or ""):
                assert any(form.startswith(kind) for kind in shown(False)), (rule, form)

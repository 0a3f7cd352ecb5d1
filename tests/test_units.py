"""Units: exact relations between them, and texts as people write them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from covermap.errors import SettingsError
from covermap.tables.crops import crop_table, find_crop
from covermap.units import KINDS, read_quantity, shown, unit_factor


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        ("35 ft", "length", 10.668),
        ("35'", "length", 10.668),
        ("30 in", "length", 0.762),
        ("9,5 m", "length", 9.5),
        ("12 mph", "speed", 5.36448),
        ("5 km/h", "speed", 5 / 3.6),
        ("16.54 lb/s", "mass flow", 7.5024),
        ("5400 kg/ha", "mass per area", 5.4),
        ("80 %", "share", 0.8),
        (0.8, "share", 0.8),
        ("1e1 m", "length", 10.0),
        ("4", "time", 4.0),
    ],
)
def test_texts_with_units(text, kind, expected):
    assert read_quantity(text, kind, "x") == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize(
    ("crop", "kg_per_ha"),
    [("wheat", 67.2511), ("corn", 62.7677), ("barley", 53.8009), ("oats", 35.8672)],
)
def test_bushels_per_acre(crop, kg_per_ha):
    """Bushel weights of Ohio State AGF-503-00; 1 bu/ac in kg/ha follows from exact units."""
    weight = find_crop(crop).kg_per_bushel
    value = read_quantity("1 bu/ac", "mass per area", "x", weight)
    assert 1000 * value == pytest.approx(kg_per_ha, abs=1e-4)


def test_corn_bushel_at_market_moisture_holds_47_32_pounds_dry():
    """Univ. of Illinois (Fernandez): 56 lb at 15.5 % = 47.3 lb dry; wheat 60 lb → 51.9 lb."""
    for name, dry in (("corn", 47.32), ("wheat", 51.9)):
        crop = find_crop(name)
        pounds = crop.kg_per_bushel / 0.45359237
        assert pounds * (1 - crop.grain_moisture_pct / 100) == pytest.approx(dry, abs=0.001)


def test_flow_to_yield_relation():
    """Derived in reference/yield_monitor.csv: 10 kg/s at 1.5 m/s and 9 m is 7.40741 t/ha."""
    flow = read_quantity("36 t/h", "mass flow", "x")
    assert 10 * flow / (1.5 * 9) == pytest.approx(7.40741, abs=1e-5)


@given(st.floats(0.001, 1e6))
def test_round_trips_through_us_display(value):
    for kind in ("length", "area", "speed"):
        unit = shown(True)[kind]
        name = {"ac": "ac", "ft": "ft", "mph": "mph"}[unit.unit]
        back = value * unit.per_si * (unit_factor(name, kind) or 0)
        assert back == pytest.approx(value, rel=1e-12)
    per_acre = value * shown(True)["mass per area"].per_si
    assert read_quantity(f"{per_acre!r} lb/ac", "mass per area", "x") == pytest.approx(value)


def test_a_rounded_nothing_has_no_sign():
    assert shown(False)["length"].text(-0.01) == "0.0 m"
    assert shown(False)["mass"].text(-0.2) == "0 kg"
    assert shown(False)["length"].text(float("nan")) == "–"


def test_every_unit_is_positive_and_si_is_one():
    for kind in KINDS.values():
        assert all(factor > 0 for factor in kind.factors.values())
        if kind.si_unit and kind.factors:
            assert 1.0 in kind.factors.values()


@pytest.mark.parametrize(
    ("value", "kind", "says"),
    [
        ("abc", "length", "not a number"),
        ("5 parsec", "length", "'parsec' is not one of length"),
        ("nan", "length", "not a number"),
        (float("nan"), "length", "not a finite number"),
        (True, "length", "Expected a number"),
        ("80 bu/ac", "mass per area", "Bushels need kind="),
        (None, "length", "Expected a number"),
    ],
)
def test_nonsense_is_refused_with_a_reason(value, kind, says):
    with pytest.raises(SettingsError, match="x: ") as caught:
        read_quantity(value, kind, "x")
    assert says in str(caught.value)


def test_infinite_text_is_no_number():
    with pytest.raises(SettingsError):
        read_quantity("1e999 m", "length", "x")


def test_us_fuel_and_nutrients_are_nists():
    """NIST SP 811, appendix B.8: 1 US gallon = 3.785412 l; an acre (international foot) of
    4046.8564224 m2; a pound of 0.45359237 kg."""
    us = shown(True)
    assert us["fuel"].text(3.785412 * 1234) == "1,234 gal"
    assert 1 / us["fuel"].per_si == pytest.approx(3.785412, abs=5e-7)
    assert us["nutrient"].per_si == pytest.approx(4046.8564224 / 1e4 / 0.45359237, rel=1e-12)
    assert shown(False)["fuel"].number(float("nan")) == "–"


def test_crop_table_is_complete():
    kinds = {crop.kind for crop in crop_table().values()}
    assert {
        "wheat", "barley", "oats", "rye", "triticale", "canola", "corn", "soybean", "sorghum",
        "sunflower", "peas", "lentils", "flax", "rice", "dry bean",
    } <= kinds  # fmt: skip


def test_unknown_crop_names_the_nearest():
    with pytest.raises(SettingsError, match="'wheat'"):
        find_crop("wheet")
    assert find_crop("Maize").kind == "corn"

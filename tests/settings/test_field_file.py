"""The field file: what is right is read, what is wrong is named with the way out."""

from dataclasses import replace
from typing import Literal, get_args, get_origin, get_type_hints

import pytest

from covermap.errors import SettingsError
from covermap.settings.field_file import (
    build_settings,
    read_field_file,
)
from covermap.settings.field_settings import BY_NAME, SECTIONS, SETTINGS, parse_pass_numbers
from covermap.settings.pass_table import read_pass_table
from covermap.settings.setting import UNIT_AT_END

WHEAT = {"crop": {"kind": "wheat"}}


def test_numbers_are_si_and_texts_may_have_units():
    settings = build_settings(
        {
            **WHEAT,
            "combine": {"cut_width": "35 ft", "residue_delay_s": 3},
            "spread": {"reach_left": 5, "reach_right": "6 m", "lean": "-2 ft"},
            "grid": {"cell": 0.25},
        }
    )
    assert settings.combine.cut_width_m == pytest.approx(10.668)
    assert settings.spread.lean_m == pytest.approx(-0.6096)
    assert settings.grid.cell_m == 0.25
    assert ("grid", "cell") in settings.given
    assert ("spread", "profile") not in settings.given
    assert settings.spread.profile == "flat"


def test_bushels_follow_the_crop():
    settings = build_settings({"crop": {"kind": "corn", "grain_yield": "180 bu/ac"}})
    assert settings.crop.grain_yield_t_ha == pytest.approx(180 * 0.0627677, rel=1e-5)


def test_options_win_over_the_file():
    settings = build_settings({**WHEAT, "spread": {"width": 9}}, {("spread", "width"): "8 m"})
    assert settings.spread.width_m == 8


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"sprea": {}}, "Did you mean 'spread'"),
        ({"spread": {"widht": 9}}, "Did you mean 'width'"),
        ({"spread": 9}, "must be a section"),
        ({"spread": {"width": 0}}, "more than 0"),
        ({"spread": {"width": -3}}, "more than 0"),
        ({"spread": {"width": "x"}}, "not a number"),
        ({"combine": {"cut_width": -9}}, "more than 0"),
        ({"combine": {"cut_width": 90}}, "at most 30 m"),
        ({"spread": {"profile": "round"}}, "none of flat"),
        ({"spread": {"reach_left": 3}}, "go together"),
        ({"spread": {"reach_left": 0, "reach_right": 0}}, "no width"),
        ({"spread": {"width": 9, "reach_left": 3, "reach_right": 3}}, "same thing"),
        ({"spread": {"profile": "table"}}, "needs shares"),
        ({"spread": {"shares": [1, 2]}}, 'profile = "table"'),
        ({"spread": {"profile": "table", "shares": [0, 0]}}, "not all zero"),
        ({"spread": {"profile": "table", "shares": [-1, 2]}}, "must not be negative"),
        ({"limits": {"gap_below": 2}}, "at most 1"),
        ({"crop": {"kind": "wheet"}}, "Did you mean 'wheat'"),
        ({"pass_settings": {"passes": "1"}}, "[[pass_settings]]"),
        ({"pass_settings": [{"passes": "1"}]}, "no setting follows"),
        ({"pass_settings": [{"width": 9}]}, "either passes"),
        ({"pass_settings": [{"passes": "3-1", "width": 9}]}, "backwards"),
        ({"pass_settings": [{"passes": "a", "width": 9}]}, "3-7,12"),
        ({"pass_settings": [{"from": "2026-01-01", "width": 9}]}, "both from and to"),
        ({"pass_settings": [{"passes": "1", "widht": 9}]}, "Did you mean 'width'"),
        ({"columns": 3}, 'time = "MyTime"'),
    ],
)
def test_what_is_wrong_is_named(values, says):
    with pytest.raises(SettingsError, match=r"field\.toml") as caught:
        build_settings(values, source="field.toml")
    assert says in str(caught.value)


def test_toml_faults_name_file_and_line(tmp_path):
    path = tmp_path / "f.toml"
    path.write_text("[spread]\nwidth = 35 ft\n", "utf-8")
    with pytest.raises(SettingsError, match=r"f\.toml: not valid TOML.*line 2"):
        read_field_file(path)
    with pytest.raises(SettingsError, match=r"gone\.toml: no such field file"):
        read_field_file(tmp_path / "gone.toml")
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="UTF-8"):
        read_field_file(path)


def test_pass_table(tmp_path):
    path = tmp_path / "passes.csv"
    path.write_text("passes;width;lean\n3-4,7;8 m;\n9;;1,5\n", "utf-8-sig")
    first, second = read_pass_table(path)
    assert first.values == {"width": 8.0}
    assert parse_pass_numbers(first.passes, "") == [(3, 4), (7, 7)]
    assert second.values == {"lean": 1.5}
    for text, says in (
        ("", "is empty"),
        ("passes,width\n1,2,3\n", "line 2"),
        ("passes,width\n1,-2\n", "line 2"),
        ("passes,breadth\n1,2\n", "line 1: 'breadth' is no key"),
    ):
        path.write_text(text, "utf-8")
        with pytest.raises(SettingsError, match=r"passes\.csv") as caught:
            read_pass_table(path)
        assert says in str(caught.value)
    with pytest.raises(SettingsError, match="no such pass-settings file"):
        read_pass_table(tmp_path / "gone.csv")


def test_every_default_states_its_reason_and_bounds_hold():
    for setting in BY_NAME.values():
        if setting.default is not None:
            assert setting.why, setting.name
            setting.read(setting.default, "", None)
        assert setting.meaning.endswith("."), setting.name


def test_a_what_if_changes_only_what_is_named():
    settings = build_settings(WHEAT)
    other = replace(settings, spread=replace(settings.spread, lean_m=1.0))
    assert other.spread.lean_m == 1.0
    assert settings.spread.lean_m == 0.0
    with pytest.raises(TypeError, match="tilt"):
        replace(settings.spread, tilt_m=1.0)


@pytest.mark.parametrize("setting", SETTINGS, ids=lambda setting: setting.name)
def test_a_name_carries_its_unit_and_a_type_fits_what_is_read(setting):
    """The field file's key has no unit where its name would be long; the attribute always."""
    end = {"time": "_s", "percent": "_pct", **UNIT_AT_END}.get(setting.kind, "")
    assert setting.attribute.endswith(end) or end[1:] in setting.attribute.split("_")
    assert setting.attribute.startswith(setting.key)
    hint = get_type_hints(SECTIONS[setting.section])[setting.attribute]
    example = {"text": "x", "texts": "x; y", "list": "1; 2", "choice": "".join(setting.choices[:1])}
    number = setting.high if setting.high < float("inf") else setting.low + 1
    value = setting.read(example.get(setting.kind, number), "", None)
    allowed = get_args(hint) if type(None) in get_args(hint) else (hint,)
    assert (type(None) in allowed) == (setting.default is None)
    kinds = {get_origin(kind) or kind for kind in allowed} - {type(None)}
    assert (setting.kind == "choice") == (kinds == {Literal})
    if setting.kind == "choice":
        literal = next(kind for kind in allowed if kind is not type(None))
        assert get_args(literal) == setting.choices
    else:
        assert kinds == {type(value)}

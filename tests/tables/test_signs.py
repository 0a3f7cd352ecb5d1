"""No letters, hatch or colour mean two things, on paper, on screen and in a desktop GIS."""

import os
import re
import warnings
from importlib import resources
from itertools import combinations

import pytest
from colour_measures import VISION, contrast, ok_distance

from covermap.cover.causes import CAUSES
from covermap.drawing.map_drawing import STRIP_LOOKS
from covermap.export.desktop_styles import vector_qml
from covermap.export.layer_styles import vector_sld
from covermap.plan.actions import ACTIONS
from covermap.tables import read_table
from covermap.tables.signs import action_signs, cause_signs, hatch_of

ROWS = read_table("signs")
HATCHES = read_table("hatches")
#: CSS Color 4 (W3C), section 13.2, takes 0.02 of OKLab as just noticed; four and a half times
#: that is asked of every two causes, a choice: no twelve colours of P. Tol's qualitative schemes
#: (less those of the actions) are 0.1 apart for all three sorts of eyes.
NOTICED = 0.02
APART = 4.5 * NOTICED
#: Classes of the two edges of a cause, the inner one first.
EDGES = ("zone", "cause-halo")


def given(column, rows=ROWS):
    return [row[column].lower() for row in rows if row[column]]


def test_the_table_holds_every_kind_of_strip_cause_and_action():
    named = {kind: [row["name"] for row in ROWS if row["of"] == kind] for kind in given("of")}
    assert named["strip"] == list(STRIP_LOOKS)
    assert named["cause"] == list(CAUSES)
    assert named["action"] == list(ACTIONS)


def test_no_letters_hatch_or_colour_mean_two_things():
    for column in ("name", "code", "hatch"):
        assert len(set(given(column))) == len(given(column)), column
    colours = [(row["red"], row["green"], row["blue"]) for row in ROWS if row["red"]]
    assert len(set(colours)) == len(colours)
    # N is north on every map, A and B are the two fields of a comparison
    assert "n" not in given("code")


def test_no_medium_draws_two_hatches_alike():
    assert sorted(given("hatch")) == sorted(given("hatch", HATCHES))
    for column in ("paper", "brushes", "screen"):
        assert len(set(given(column, HATCHES))) == len(given(column, HATCHES)), column
    marks = [(r["mark"], r["mark_size_px"], r["mark_filled"]) for r in HATCHES if r["mark"]]
    assert len(set(marks)) == len(marks)


def test_strips_and_actions_have_their_hatch_in_every_medium_that_draws_it():
    for name in (*STRIP_LOOKS, *ACTIONS):
        hatch = hatch_of(name)
        drawn = {bool(part) for part in (hatch.paper, hatch.brushes, hatch.screen)}
        assert drawn == {name != "plan-leave"}, name


def test_one_letter_is_an_action_and_two_are_a_cause():
    for sign in action_signs().values():
        assert re.fullmatch("[A-Z]", sign.code)
        assert sign.code in sign.words.upper()
    for sign in cause_signs().values():
        assert re.fullmatch("[A-Z][a-z]", sign.code)
        assert sign.code.lower() in sign.words.lower()


def test_letters_can_be_read_on_their_colour():
    for sign in (*action_signs().values(), *cause_signs().values()):
        assert contrast(sign.colour, sign.ink) >= 4.5  # WCAG 2.2, 1.4.3


@pytest.mark.parametrize("vision", VISION)
def test_causes_stay_apart(vision):
    for one, other in combinations(cause_signs().values(), 2):
        apart = ok_distance(one.colour, other.colour, vision)
        assert apart >= APART, f"{one.words}, {other.words}: {apart:.3f}"


def test_the_check_of_colours_can_fail():
    """Red and green of the same lightness, the textbook case."""
    assert ok_distance("#cc6677", "#999933") > APART
    assert ok_distance("#cc6677", "#999933", "deuteranopia") < APART


def test_colours_are_those_of_the_published_schemes():
    """P. Tol's own package (PyPI): the table names scheme and colour of each row."""
    try:
        with warnings.catch_warnings():
            # it makes colour maps as it is imported, in a way that is going out
            warnings.simplefilter("ignore", PendingDeprecationWarning)
            import tol_colors
    except ImportError:
        if os.environ.get("CI"):
            raise
        pytest.skip("tol-colors is not installed; it holds the published schemes")
    checked = 0
    for row in ROWS:
        if found := re.match("(.+) of the (.+) scheme by P. Tol", row["source"]):
            colour, scheme = (name.replace(" ", "_").replace("-", "_") for name in found.groups())
            wanted = getattr(getattr(tol_colors, scheme), colour)
            there = "#" + "".join(f"{int(row[part]):02X}" for part in ("red", "green", "blue"))
            assert there == wanted.upper(), row["name"]
            checked += 1
    assert checked == len(CAUSES) + len(ACTIONS) - 1  # to leave is paper


def test_desktop_styles_and_paper_have_the_hatches_of_the_table():
    assert {kind: look.hatch for kind, look in STRIP_LOOKS.items()} == {
        kind: hatch_of(kind) for kind in STRIP_LOOKS
    }
    for layer, names in (("strips", STRIP_LOOKS), ("zones", ACTIONS)):
        brushes = [brush for name in names for brush in hatch_of(name).brushes]
        qml = re.findall(r'<prop k="style" v="(\w+)"', vector_qml(layer, (0.5, 1.5)))
        assert [brush for brush in qml if brush != "solid"] == brushes
        marks = [hatch_of(name).mark for name in names if hatch_of(name).mark]
        assert re.findall(r"WellKnownName>(\w+)<", vector_sld(layer, (0.5, 1.5))) == marks


def test_a_zone_over_a_gap_does_not_look_like_a_double():
    """Zones and strips can be on together: their hatches add up, so actions slant nowhere."""
    for name in ACTIONS:
        assert not set("/\\xX") & set(hatch_of(name).paper), name
        assert not any("diagonal" in brush for brush in hatch_of(name).brushes), name
        assert "L" not in hatch_of(name).screen, name  # level and upright lines are H and V


def test_the_edge_of_a_cause_on_the_map_page_shows_on_any_colour_of_any_raster():
    """Ink within white: one of the two has 3 to 1 (WCAG 2.2, 1.4.11) on any ground."""
    css = resources.files("covermap.mapped").joinpath("assets", "map_page.css").read_text("utf-8")
    edges = [re.search(rf"\n\.{name} {{ stroke: #(\w+);", css).group(1) for name in EDGES]
    ink, white = ("#" + "".join(digit * 2 for digit in edge) for edge in edges)
    for row in read_table("colour_ramps"):
        ground = "#" + "".join(f"{int(row[part]):02x}" for part in ("red", "green", "blue"))
        assert max(contrast(ink, ground), contrast(white, ground)) >= 3, row["band"]
    assert contrast(ink, white) >= 3

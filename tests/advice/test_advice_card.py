"""The settings card and its lines: one page, whole, the right way round."""

import dataclasses
import json
import math
import re
import xml.etree.ElementTree as ET

import pytest
from builders import settings_of
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from covermap.advice.advice_card import advice_card, card_figure
from covermap.advice.advice_text import CAUTION, advice_json, advice_lines, table_rows
from covermap.advice.advise_field import advise
from covermap.advice.settings_advice import SpreadSetting
from covermap.tables.said import Said
from covermap.wind.wind import constant_wind

HOSTILE = "</text><script>alert(1)</script>\"'&\x00 $x^2$ <img src=x onerror=alert(2)> " + "W" * 300


@pytest.fixture(scope="module")
def windy():
    settings = settings_of(advice__most_reach=9.0, advice__most_lean=4.0)
    wind = constant_wind(5.0, 270.0, 10.0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            "covermap.advice.advise_field.CARD_STEP_M_S", 1.0
        )  # half the search, half the wait
        return advise(settings, wind=wind, headings_deg=(0.0, 100.0))


@pytest.fixture(scope="module")
def made(windy):
    """Give the windy case with settings and evenness that are told apart at a glance."""
    rows = tuple(
        dataclasses.replace(row, setting=SpreadSetting(5.0 + k / 10, 3.0 + k / 10, -0.1 * k))
        for k, row in enumerate(windy.card)
    )
    return dataclasses.replace(windy, card=rows, strongest_m_s=3.0)


def texts_of(svg):
    return [
        "".join(e.itertext()) for e in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")
    ]


def many(advice, count=30):
    return dataclasses.replace(advice, headings=advice.headings * (count // 2))


def test_it_is_one_upright_a4_page(windy):
    root = ET.fromstring(advice_card(windy, title="Low Meadow"))
    assert (root.get("width"), root.get("height")) == ("210mm", "297mm")  # ISO 216
    low_x, low_y, width, height = map(float, root.get("viewBox").split())
    assert (low_x, low_y) == (0, 0)
    assert height / width == pytest.approx(297 / 210, rel=1e-4)


def test_nothing_is_fetched_and_two_cards_are_alike(windy):
    svg = advice_card(windy, title="Low Meadow")
    assert svg == advice_card(windy, title="Low Meadow")
    assert not re.search(r'(?:href|src)="(?!#)', svg)
    assert not re.search(r"url\((?!#)", svg)
    assert "<image" not in svg
    assert "<script" not in svg
    assert "dc:date" not in svg


@pytest.mark.parametrize("us_units", [False, True])
def test_every_number_of_the_table_is_there_and_the_right_is_the_mirror_image(made, us_units):
    texts = texts_of(advice_card(made, title="x", us_units=us_units))
    feet = 1 / 0.3048 if us_units else 1.0  # NIST SP 811: 1 ft = 0.3048 m exactly
    rows = table_rows(made, us_units)
    # NIST SP 811: 1 mph = 0.44704 m/s exactly
    step = 2 * 0.44704 if us_units else 1.0
    assert [r.crosswind_m_s for r in rows] == pytest.approx([k * step for k in range(7)])
    at = texts.index("÷ lowest") if "÷ lowest" in texts else 0
    for k, row in enumerate(rows):
        left, right = row.setting.reach_left_m * feet, row.setting.reach_right_m * feet
        lean = abs(row.setting.lean_m) * feet
        minus, plus = (f"−{lean:.1f}", f"+{lean:.1f}") if k else ("0.0", "0.0")
        wanted = [
            f"{k * (2 if us_units else 1)}",
            *(f"{left:.1f}", f"{right:.1f}", minus),
            *(f"{right:.1f}", f"{left:.1f}", plus),
            f"{row.after.cv_pct:.0f}",
            f"{row.after.urdr:.1f}",
        ]
        found = [n for n in range(at, len(texts)) if texts[n : n + 9] == wanted]
        assert found, wanted
        at = found[0]


def test_the_sines_are_those_of_the_angles(windy):
    texts = texts_of(advice_card(windy, title="x"))
    # sines of any handbook's table, two places
    for angle, sine in (("15°", "0.26"), ("30°", "0.5"), ("45°", "0.71"), ("60°", "0.87")):
        assert texts[texts.index(angle) + 1] == sine
    assert texts[texts.index("0°") + 1] == "0"
    assert texts[texts.index("90°") + 1] == "1.0"


def test_headings_and_caution_are_told(windy):
    told = " ".join(texts_of(advice_card(windy, title="x")))
    # a wind from the west meets someone driving north from the left
    assert "heading 0° and back 180°: crosswind 3.4 m/s from the left: reach left" in told
    assert "heading 100° and back 280°: crosswind 0.6 m/s from the right" in told
    pair = windy.headings[0].pair
    assert f"CV {pair.before.cv_pct:.0f} % → {pair.after.cv_pct:.0f} %" in told
    assert CAUTION in told
    for words in ("engine off", "key out", "operator's manual", "licensed advisers", "discharge"):
        assert words in told


def test_us_units_leave_no_metres(windy):
    told = " ".join(texts_of(advice_card(windy, title="x", us_units=True)))
    assert "passes 29.5 ft apart" in told  # 9 m, NIST SP 811
    assert "11.2 mph from 270°" in told  # 5 m/s
    assert not re.search(r"\d m\b|m/s|\[m\]", told)


def test_a_hostile_title_stays_text_and_is_cut(windy):
    svg = advice_card(windy, title=HOSTILE)
    root = ET.fromstring(svg)
    assert not [e for e in root.iter() if e.tag.endswith(("script", "img"))]
    assert any("<script>alert(1)" in text for text in texts_of(svg))
    assert "W" * 100 not in svg


def cases(windy, made):
    words = "Words that explain a way out at some length, one after another. " * 3
    ways = (Said("track-as-read", {"text": words}),)
    return [
        (windy, "Low Meadow"),
        (made, HOSTILE),
        (many(windy), "Many headings"),
        (dataclasses.replace(many(windy), ways_out=ways * 5), "Many of everything"),
        (dataclasses.replace(windy, strongest_m_s=0.0, wind_speed_m_s=math.nan), ""),
    ]


@pytest.mark.parametrize("number", range(5))
@pytest.mark.parametrize("us_units", [False, True])
def test_no_text_leaves_the_page_or_lies_on_other_text(windy, made, number, us_units, monkeypatch):
    drawn, draw = [], Text.draw
    monkeypatch.setattr(Text, "draw", lambda self, to: (drawn.append(self), draw(self, to))[1])
    advice, title = cases(windy, made)[number]
    figure = card_figure(advice, title=title, us_units=us_units)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    monkeypatch.undo()
    page = figure.bbox
    boxes = [
        (text.get_text(), text.get_window_extent(canvas.get_renderer()))
        for text in drawn
        if text.get_text().strip() and text.get_visible()
    ]
    assert len(boxes) > 90
    margin = page.width * 8 / 210
    for _, box in boxes:
        assert box.x0 > margin
        assert box.x1 < page.width - margin
        assert box.y0 > margin
        assert box.y1 < page.height - margin
    for k, (one, a) in enumerate(boxes):
        for other, b in boxes[k + 1 :]:
            across = min(a.x1, b.x1) - max(a.x0, b.x0)
            along = min(a.y1, b.y1) - max(a.y0, b.y0)
            assert across < 1 or along < 2, (one, other)


def test_headings_that_do_not_fit_are_counted(windy):
    told = " ".join(texts_of(advice_card(many(windy, 60), title="x")))
    shown = told.count("° and back")
    assert f"{60 - shown} more headings" in told


def test_an_uneven_profile_has_no_mirror_image(windy):
    uneven = dataclasses.replace(
        windy, model=dataclasses.replace(windy.model, table=(0.5, 0.3, 0.2))
    )
    texts = texts_of(advice_card(uneven, title="x"))
    assert texts.count("–") >= 3 * 7
    assert "two unlike sides" in " ".join(texts)
    even = dataclasses.replace(windy, model=dataclasses.replace(windy.model, table=(0.3, 0.4, 0.3)))
    assert "two unlike sides" not in " ".join(texts_of(advice_card(even, title="x")))


def test_lines_for_the_terminal(made):
    lines = advice_lines(made, us_units=False)
    assert lines[-1] == CAUTION
    # on the flying straw ÷ factor = as measured
    measured = 3.0 / made.station_factor
    told = next(line for line in lines if "can be corrected:" in line)
    assert f"3.0 m/s on the flying straw, which is {measured:.1f} m/s measured at 10.0 m" in told
    there = next(line for line in lines if line.startswith("0°"))
    back = next(line for line in lines if line.startswith("180°"))
    assert "from the left" in there
    assert "from the right" in back
    row = next(line for line in lines if line.startswith("2 "))
    assert re.search(r"5\.2, 3\.2, −0\.2\s+3\.2, 5\.2, \+0\.2", row)
    assert any("not corrected" in line for line in lines)


def test_plain_data_round_trips_and_has_no_infinity(windy):
    first = windy.card[0]
    bare = dataclasses.replace(first, after=dataclasses.replace(first.after, urdr=math.inf))
    advice = dataclasses.replace(windy, card=(bare, *windy.card[1:]), wind_from_deg=math.nan)
    found = advice_json(advice)
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert set(found) == {
        *("wind", "headings", "card", "strongest_crosswind_m_s", "ways_out", "limits"),
        *("present", "spacing_m"),
    }
    assert found["card"][0]["after"]["urdr"] is None
    assert found["wind"]["from_deg"] is None
    assert found["spacing_m"] == 9.0
    assert found["present"] == {"reach_left_m": 4.5, "reach_right_m": 4.5, "lean_m": 0.0}
    there, back = found["headings"][0]["there"], found["headings"][0]["back"]
    assert there["reach_left_m"] == back["reach_right_m"]
    assert there["lean_m"] == -back["lean_m"]


def test_bare_ground_is_said(windy):
    first = windy.card[0]
    bare = dataclasses.replace(first, after=dataclasses.replace(first.after, urdr=math.inf))
    texts = texts_of(
        advice_card(dataclasses.replace(windy, card=(bare, *windy.card[1:])), title="x")
    )
    assert "bare" in texts
    assert "some ground gets nothing" in " ".join(texts)

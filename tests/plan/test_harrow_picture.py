"""Picture and sentences of a harrow trial: complete, escaped, the same every time."""

import base64
import io
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from builders import UTM, texts
from matplotlib.image import imread

from covermap.drawing.caution import CAUTION
from covermap.drawing.colours import colourise
from covermap.drawing.labels import HIGHEST_TO_LOWEST
from covermap.ground.grid import Grid
from covermap.ground.rasters import as_raster
from covermap.plan.harrow import Harrow
from covermap.plan.harrow_angle import HarrowField, best_heading
from covermap.plan.harrow_picture import harrow_picture, harrow_said
from covermap.settings.map_settings import LimitsSection

GRID = Grid(UTM, 500_000.0, 4_980_000.0, 0.5, 200, 160)
EAST = np.tile((np.arange(160) + 0.5) * 0.5, (200, 1))


def trial(swing=0.8, passes=1):
    residue = 1 + swing * np.cos(2 * np.pi * EAST / 8)
    ground = np.ones(GRID.shape)
    made = (residue, ground, ground > 0, (EAST // 8).astype(int) + 1, EAST % 8 - 4)
    lies, own, inside, pass_no, across = map(as_raster, made)
    field = HarrowField(lies, own, inside, GRID, pass_no, across)
    choice = best_heading(field, Harrow(12.0), 0.0, (0, 20, 40, 60), passes)
    return residue, choice


def picture(passes=1, **how):
    residue, choice = trial(passes=passes)
    return harrow_picture(residue, choice.residue_kg_m2.whole(), GRID, choice, **how)


def words(svg):
    return "\n".join(e.text or "" for e in ET.fromstring(svg).iter() if e.tag.endswith("}text"))


@pytest.mark.parametrize(
    ("us_units", "length", "area", "carry"),
    [(False, "20 m", " ha", "3.0 m"), (True, "50 ft", " ac", "9.8 ft")],
)
def test_picture_names_what_it_shows(us_units, length, area, carry):
    _, choice = trial()
    shown = words(picture(us_units=us_units))
    for expected in (
        "before",
        f"after one pass, heading {choice.heading_deg:.0f}° and back",
        f"CV {choice.before.cv_pct:.0f} %,  {HIGHEST_TO_LOWEST} {choice.before.urdr:.1f}",
        f"CV {choice.after.cv_pct:.0f} %,  {HIGHEST_TO_LOWEST} {choice.after.urdr:.1f}",
        "one pass",
        "two passes",
        "as it lies",
        "angle to the combine's main heading",
        "Unevenness (CV) [%]",
        "N",
        length,
        area,
        carry,
        "[harrow-angle]",
        "[harrow-guess]",
    ):
        assert expected in shown, expected
    assert " ".join(CAUTION.split()) in " ".join(shown.split())


def test_legend_marks_the_limits():
    """Those of the settings where none are given."""
    usual = {LimitsSection().gap_below, LimitsSection().double_above}
    assert {f"{limit:g}" for limit in usual} <= set(words(picture()).splitlines())
    shown = words(picture(limits=(0.7, 1.6))).splitlines()
    assert {"0", "0.7", "1", "1.6", "2.2+"} <= set(shown)


def test_title_is_plain_text_whatever_was_typed():
    svg = picture(title="<script>alert(1)</script> & $x$ \x00" + "y" * 200)
    assert "<script" not in svg
    first = next(line for line in words(svg).splitlines() if line.startswith("<script>"))
    assert "$x$" in first
    assert len(first) <= 90


def test_picture_needs_nothing_from_outside_and_is_repeatable():
    svg = picture()
    assert svg == picture()
    assert "dc:date" not in svg
    assert all(
        part.startswith(("#", "data:image/png;base64,")) for part in svg.split('xlink:href="')[1:]
    )


def test_maps_carry_the_colours_of_the_spread_ratio():
    """North up, one pixel per cell; the ground without a value stays clear."""
    residue, choice = trial()
    before = residue.copy()
    before[:20, :30] = np.nan
    svg = harrow_picture(before, choice.residue_kg_m2.whole(), GRID, choice)
    coded = re.findall(r'base64,\s*([^"]+)"', svg)
    pictures = [np.rint(imread(io.BytesIO(base64.b64decode(c))) * 255) for c in coded]
    maps = [p for p in pictures if p.shape[:2] == GRID.shape]
    assert len(maps) == 2
    want = colourise("spread_ratio", before, 0, 2)
    # SVG images may be stored upside down and turned by their transform
    shown = maps[0] if maps[0][0, 0, 3] == 0 else maps[0][::-1]
    np.testing.assert_array_equal(shown[..., 3], want[..., 3])
    clear = want[..., 3] > 0
    np.testing.assert_array_equal(shown[clear], want[clear])


def test_large_fields_are_averaged_to_a_bearable_picture():
    grid = Grid(UTM, 500_000.0, 4_980_000.0, 0.5, 2001, 1501)
    _, choice = trial()
    ratio = np.full(grid.shape, 1.2, np.float32)
    ratio[:300] = np.nan
    assert len(harrow_picture(ratio, ratio, grid, choice)) < 300_000


def test_sentences_carry_their_rule():
    _, choice = trial()
    lines = texts(harrow_said(choice))
    assert list(lines) == ["harrow-angle", "harrow-again", "harrow-guess"]
    assert f"Harrow at {choice.angle_deg:.0f}°" in lines["harrow-angle"]
    second = choice.trial.query(f"passes == 2 and angle_deg == {choice.angle_deg}")
    assert f"CV to {second['cv_pct'].iloc[0]:.0f} %" in lines["harrow-again"]
    assert "60 % of the residue" in lines["harrow-guess"]
    _, even = trial(swing=0.0)
    assert list(texts(harrow_said(even))) == ["harrow-leave", "harrow-guess"]
    _, twice = trial(passes=2)
    assert list(texts(harrow_said(twice))) == ["harrow-angle", "harrow-guess"]
    assert "two passes" in words(picture(passes=2))

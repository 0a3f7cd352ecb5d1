"""The colour table: what lies on it can be read, and gap, even and double stay apart.

Thresholds. Contrast: WCAG 2.2, 4.5 for text (1.4.3, AA) and 3 for graphics (1.4.11, AA), not
rounded. Distance: 2.3 in CIELAB is just noticed side by side (Mahy, Van Eycken & Oosterlinck
1994, from memory); ten times that is asked of the anchors of the legend here, a choice.
Lightness: 10 of 100 is asked of greys that must differ, a choice (about ten just noticed
steps of L*).
"""

import os

import numpy as np
import pytest
from colour_measures import VISION, contrast, distance, grey_distance, lab, oklab
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.path import Path

from covermap.drawing.colours import NO_VALUE, colour_index, colourise, is_discrete, palette
from covermap.drawing.look import INK, SOFT, blank_axes, house_look, new_figure
from covermap.drawing.map_drawing import STRIP_LOOKS, mark_strips
from covermap.drawing.map_texts import display_range
from covermap.settings.map_settings import LimitsSection

BANDS = ("residue_t_ha", "cover_pct", "spread_ratio", "layers")
RAMPS = BANDS[:3]
TEXT, GRAPHICS = 4.5, 3.0
NOTICED = 2.3
APART, GREY_APART = 10 * NOTICED, 10.0
LIMITS = (LimitsSection().gap_below, LimitsSection().double_above)
ENDS = display_range("spread_ratio", np.empty(0), LIMITS, us_units=False)


def hexes(rgba):
    return [f"#{r:02x}{g:02x}{b:02x}" for r, g, b, _ in np.asarray(rgba).reshape(-1, 4)]


def colours(band):
    return hexes(palette(band)[NO_VALUE + 1 :])


def of_ratio(*ratios):
    return hexes(colourise("spread_ratio", np.array(ratios), *ENDS))


def mixed_with(reference):
    """Give what the reference library measures, as the same measures here."""
    color = reference.Color

    def seen(colour, vision, space="lab-d65"):
        one = color(colour)
        if vision != "usual":
            one = one.filter({"deuteranopia": "deutan", "protanopia": "protan"}[vision],
                             method="machado").convert("srgb").clip()  # fmt: skip
        return np.array(one.convert(space).coords())

    def ok_seen(colour, vision):
        return seen(colour, vision, "oklab")

    return seen, ok_seen, lambda a, b: color(a).contrast(b, method="wcag21")


def test_measures_agree_with_a_reference_library():
    """ColorAide (PyPI), on every anchor of every ramp."""
    try:
        import coloraide
    except ImportError:
        if os.environ.get("CI"):
            raise
        pytest.skip("coloraide is not installed; it measures colours by another route")
    seen, ok_seen, ratio = mixed_with(coloraide)
    for band in BANDS:
        for colour in colours(band)[:: 1 if is_discrete(band) else 16]:
            assert contrast(colour, INK) == pytest.approx(ratio(colour, INK), rel=1e-3)
            for vision in VISION:
                assert lab(colour, vision) == pytest.approx(seen(colour, vision), abs=0.2), vision
                assert oklab(colour, vision) == pytest.approx(ok_seen(colour, vision), abs=0.002)


def test_measures_give_published_values():
    """Black on white is 21 to 1 (WCAG 2.2); L*a*b* of red as B. Lindbloom's tables (memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert lab("#ffffff") == pytest.approx([100, 0, 0], abs=0.01)
    assert lab("#ff0000") == pytest.approx([53.24, 80.09, 67.20], abs=0.02)
    # nobody sees colour in a grey
    assert lab("#777777", "protanopia")[1:] == pytest.approx([0, 0], abs=0.01)


def test_text_of_pictures_can_be_read():
    """Legends, marks and notes stand on white paper."""
    for colour in (INK, SOFT):
        assert contrast(colour, "#ffffff") >= TEXT


@pytest.mark.parametrize("band", BANDS)
def test_outlines_show_on_every_colour_of_every_ramp(band):
    """A line of ink on a wider one of white: one of the two stands out from any ground."""
    assert contrast(INK, "#ffffff") >= GRAPHICS
    assert min(max(contrast(INK, c), contrast("#ffffff", c)) for c in colours(band)) >= GRAPHICS


def test_hatches_stand_out_from_the_ground_they_mark():
    """From a hundredth beyond each limit on; at 1.5 itself white has 2.98 to 1."""
    grounds = {
        "gap": of_ratio(*np.linspace(ENDS[0], LIMITS[0] - 0.01, 50)),
        "double": of_ratio(*np.linspace(LIMITS[1] + 0.01, ENDS[1], 50)),
    }
    for kind, look in STRIP_LOOKS.items():
        ink = "#ffffff" if look.hatch_colour == "white" else look.hatch_colour
        assert min(contrast(ink, ground) for ground in grounds[kind]) >= GRAPHICS, kind


@pytest.mark.parametrize("vision", VISION)
def test_gap_even_and_double_stay_apart(vision):
    """At the limits and beyond, in all pairs, for people with and without all cones."""
    gaps = of_ratio(*np.linspace(ENDS[0], LIMITS[0], 20))
    doubles = of_ratio(*np.linspace(LIMITS[1], ENDS[1], 20))
    (even,) = of_ratio(1.0)
    for gap in gaps:
        assert distance(gap, even, vision) >= APART
        assert min(distance(gap, double, vision) for double in doubles) >= APART
    assert min(distance(double, even, vision) for double in doubles) >= APART


def test_gap_and_double_stand_out_from_even_in_grey():
    (even,) = of_ratio(1.0)
    for beyond in of_ratio(*np.linspace(0, LIMITS[0], 20), *np.linspace(LIMITS[1], ENDS[1], 20)):
        assert grey_distance(beyond, even) >= GREY_APART


def test_the_two_ends_of_the_ratio_differ_in_grey():
    """Bare ground and twice its own, the ends of the legend."""
    assert grey_distance(*of_ratio(*ENDS)) >= 5 * GREY_APART


def printed(kind):
    """Give where ink lies on an inch square marked as a kind of strip, 600 dots per inch."""
    with house_look():
        figure = new_figure((1.4, 1.4))
        axes = blank_axes(figure, (0, 0, 1.4, 1.4))
        square = Path([(0.2, 0.2), (1.2, 0.2), (1.2, 1.2), (0.2, 1.2), (0.2, 0.2)], closed=True)
        # heavy ones have their hatch in ink, whatever the kind
        mark_strips(axes, square, STRIP_LOOKS[kind], heavy=True)
        canvas = FigureCanvasAgg(figure)
        figure.set_dpi(600)
        canvas.draw()
        return np.asarray(canvas.buffer_rgba())[..., 1] < 128


def test_where_grey_cannot_tell_gap_from_double_hatch_and_dash_do():
    """Bare ground prints like a double at its limit, so the signs count.

    Slanted lines have one direction: gradients along and across rise together. Where lines
    cross both ways alike, that evens out.
    """
    bare, double = of_ratio(ENDS[0], LIMITS[1])
    assert grey_distance(bare, double) < NOTICED
    edge, slant = {}, {}
    for kind in STRIP_LOOKS:
        ink = printed(kind)
        low = round(0.2 * 600)
        edge[kind] = ink[-low - 8 : -low + 8, 200:640].any(axis=0).mean()
        down, right = np.gradient(ink[200:640, 200:640].astype(float))
        slant[kind] = abs(2 * (down * right).sum() / (down**2 + right**2).sum())
    assert edge["double"] == 1.0
    assert 0.5 < edge["gap"] < 0.9
    assert slant["gap"] > 0.5
    assert slant["double"] < 0.1


@pytest.mark.parametrize("band", ["residue_t_ha", "cover_pct", "layers"])
def test_sequential_ramps_print_darker_with_more(band):
    """Lightness falls all along, within the step of a byte, and far enough to read."""
    lightness = np.array([lab(colour)[0] for colour in colours(band)])
    assert np.all(np.diff(lightness) < 0.5)
    assert lightness[0] - lightness[-1] > 50


@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize("band", ["residue_t_ha", "cover_pct"])
def test_quarters_of_the_legend_stay_apart(band, vision):
    """The marks of a legend are a quarter of the ramp apart; five times what is noticed."""
    marks = [colours(band)[round(place * 254)] for place in (0, 0.25, 0.5, 0.75, 1)]
    pairs = [distance(a, b, vision) for k, a in enumerate(marks) for b in marks[:k]]
    assert min(pairs) > 5 * NOTICED


@given(st.floats(0, 1e6), st.floats(0, 1e6))
def test_more_never_looks_like_less(one, other):
    low, high = sorted((one, other))
    index = colour_index("residue_t_ha", np.array([low, high, np.nan]), 0.0, 12.0)
    assert NO_VALUE < index[0] <= index[1]
    assert index[2] == NO_VALUE


def test_ratio_of_one_is_the_middle_whatever_the_limits():
    for high in (1.2, 2.0, 7.0):
        assert colour_index("spread_ratio", np.array([1.0]), 0.0, high)[0] == 128


@pytest.mark.parametrize(("low", "high"), [(1.0, 2.0), (0.0, 1.0), (2.0, 0.0)])
def test_no_range_around_one_is_an_error(low, high):
    with pytest.raises(ValueError, match="no range"):
        colour_index("spread_ratio", np.array([1.0]), low, high)


def test_unknown_band_is_an_error_that_names_the_known():
    with pytest.raises(KeyError, match="spread_ratio"):
        palette("chaff")

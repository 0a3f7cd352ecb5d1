"""The drawing room: true to scale, true to the north, plain text, the same every time."""

import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from builders import UTM
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.patches import PathPatch
from pyproj import CRS, Proj, Transformer

from covermap.drawing.caution import CAUTION
from covermap.drawing.colours import colourise
from covermap.drawing.look import (
    INK,
    POINTS_PER_INCH,
    blank_axes,
    draw_caution,
    house_look,
    new_figure,
    plain_text,
    round_length,
    svg_of,
)
from covermap.drawing.map_drawing import (
    bounds_of,
    box_of,
    draw_raster,
    draw_strips,
    ground_shapes,
    map_axes,
    points_per_metre,
    ring_path,
)
from covermap.drawing.map_legend import draw_ramp, draw_scale_bar, north_way
from covermap.drawing.map_texts import display_range, legend_marks
from covermap.ground.grid import Grid

GRID = Grid(UTM, 500_000.0, 4_980_000.0, 0.5, 60, 40)


def texts(svg):
    return [e.text or "" for e in ET.fromstring(svg).iter() if e.tag.endswith("}text")]


@given(st.text(max_size=300), st.integers(1, 120))
def test_whatever_is_typed_fits_and_is_fit_for_xml(typed, longest):
    plain = plain_text(typed, longest)
    assert len(plain) <= longest
    root = ET.Element("t")
    root.text = plain
    assert ET.fromstring(ET.tostring(root)).text in (plain, None)


@given(st.text(max_size=20))
def test_what_is_printable_and_fits_stays(typed):
    if typed.isprintable():
        assert plain_text(typed, 20) == typed.strip()


def test_text_stays_text_and_nothing_is_mathematics():
    with house_look():
        figure = new_figure((4, 1))
        figure.text(0.1, 0.5, "<b> & $x^2$ 畑 حقل")
        svg = svg_of(figure)
    assert texts(svg) == ["<b> & $x^2$ 畑 حقل"]


def test_files_have_no_date_no_program_and_no_path():
    def one():
        with house_look():
            figure = new_figure((2, 1))
            axes = blank_axes(figure, (0, 0, 2, 1))
            axes.fill([0, 1, 1], [0, 0, 1], hatch="///", fc="none")
            return svg_of(figure)

    svg = one()
    assert svg == one()
    assert not re.search(r"matplotlib\.org|dc:date|Matplotlib v|/home|/root|/tmp", svg)


def test_the_caution_keeps_inside_the_picture():
    with house_look():
        figure = new_figure((5.0, 2.0))
        draw_caution(figure, 0.4, 1.0)
        box = figure.texts[0].get_window_extent(FigureCanvasAgg(figure).get_renderer())
    assert " ".join(CAUTION.split()) == " ".join(figure.texts[0].get_text().split())
    assert box.x0 >= 0.39 * figure.dpi
    assert box.x1 < 5.0 * figure.dpi


@given(st.floats(1e-3, 1e6))
def test_round_lengths_are_one_two_or_five_and_the_longest_such(most):
    length = round_length(most)
    assert length <= most
    assert f"{length:.0e}"[0] in "125"
    assert length == pytest.approx(float(f"{length:.0e}"))
    step = {"1": 2, "2": 2.5, "5": 2}[f"{length:.0e}"[0]]
    assert length * step > most * (1 - 1e-12)


@pytest.mark.parametrize(("us_units", "unit", "metre"), [(False, "m", 1), (True, "ft", 0.3048)])
def test_scale_bar_is_as_long_as_it_says(us_units, unit, metre):
    """A foot is 0.3048 m (international yard and pound agreement, 1959)."""
    with house_look():
        figure = new_figure((4, 4))
        axes = map_axes(figure, (0.5, 0.5, 3, 3), (0, 0, 120, 300))
        page = blank_axes(figure, (0, 0, 4, 4))
        draw_scale_bar(page, 1.0, 0.2, points_per_metre(axes), 1.1, us_units=us_units)
    (bar,) = page.lines
    inches = np.ptp(bar.get_xdata())
    number, said = page.texts[0].get_text().split()
    assert said == unit
    assert inches <= 1.1
    # 300 m are 3 inches high
    assert float(number) * metre == pytest.approx(inches * 100)


@pytest.mark.parametrize("epsg", [32633, 32733, 2193, 3035, 27700])
def test_north_is_the_meridian_of_the_place(epsg):
    """PROJ's meridian convergence says the same by its own route, north and south."""
    crs = CRS.from_epsg(epsg)
    area = crs.area_of_use
    # off the middle, where north and up differ
    lon, lat = area.east - 1.2, (area.south + area.north) / 2 + 3
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
    here = replace(GRID, crs=crs, west=x - 10, north=y + 15)
    turned = np.radians(Proj(crs).get_factors(lon, lat).meridian_convergence)
    assert abs(turned) > 1e-3
    # convergence is the bearing of grid north from true north
    np.testing.assert_allclose(north_way(here), [-np.sin(turned), np.cos(turned)], atol=1e-4)


def test_map_is_as_large_as_the_box_and_keeps_its_shape():
    figure = new_figure((8, 6))
    for bounds in ((0, 0, 100, 20), (0, 0, 20, 100), (5, 5, 6, 6)):
        axes = map_axes(figure, (1, 1, 4, 3), bounds)
        left, low, wide, high = box_of(axes)
        assert wide / high == pytest.approx((bounds[2] - bounds[0]) / (bounds[3] - bounds[1]))
        assert max(wide / 4, high / 3) == pytest.approx(1)
        assert (left, low + high) == pytest.approx((1, 4))  # the upper left corner
        assert points_per_metre(axes) == pytest.approx(
            wide * POINTS_PER_INCH / (bounds[2] - bounds[0])
        )


def test_bounds_enclose_what_has_a_value():
    values = np.full(GRID.shape, np.nan)
    assert bounds_of(values, GRID) == GRID.bounds
    values[10, 5] = values[20, 8] = 1.0
    assert bounds_of(values, GRID) == (500_002.5, 4_979_989.5, 500_004.5, 4_979_995.0)


def test_outline_of_ground_has_its_area_and_its_holes():
    values = np.ones(GRID.shape)
    values[20:30, 10:20] = np.nan
    (shape,) = ground_shapes(values, GRID)
    assert shape.area == pytest.approx((60 * 40 - 100) * 0.25)
    assert not shape.contains(shapely.Point(500_007.5, 4_979_987.5))


def test_raster_lies_where_its_cells_lie_and_is_averaged_when_large():
    values = np.zeros((61, 41), np.float32)
    values[:20] = 2.0
    grid = replace(GRID, rows=61, cols=41)
    figure = new_figure((4, 6))
    axes = map_axes(figure, (0, 0, 4, 6), grid.bounds)
    draw_raster(axes, values, grid, "spread_ratio", (0, 2))
    draw_raster(axes, values, grid, "spread_ratio", (0, 2), most_pixels=30)
    whole, small = axes.images
    west, south, east, north = grid.bounds
    assert tuple(whole.get_extent()) == (west, east, south, north)
    np.testing.assert_array_equal(
        np.asarray(whole.get_array()), colourise("spread_ratio", values, 0, 2)
    )
    rows, cols = small.get_array().shape[:2]
    assert rows * cols <= 54  # a block hangs over each far edge
    assert small.get_extent()[0] == west
    assert small.get_extent()[3] == north
    assert (small.get_extent()[1] - west) / cols == pytest.approx(10 * 0.5)
    assert (axes.get_xlim(), axes.get_ylim()) == ((west, east), (south, north))
    dark, light = colourise("spread_ratio", np.array([2.0, 0.0]), 0, 2)
    shown = np.asarray(small.get_array())
    assert (shown[0] == dark).all()
    assert (shown[3] == light).all()


def test_holes_of_a_strip_stay_open():
    with_hole = shapely.box(0, 0, 30, 30).difference(shapely.box(10, 10, 20, 20))
    path = ring_path([with_hole], 0.01)
    figure = new_figure((1, 1))
    axes = blank_axes(figure, (0, 0, 1, 1))
    axes.set(xlim=(0, 30), ylim=(0, 30))
    axes.add_patch(PathPatch(path, fc="black", lw=0))
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    grey = np.asarray(canvas.buffer_rgba())[..., 0]
    assert grey[50, 50] == 255
    assert grey[10, 10] == 0


def test_no_strips_draw_nothing_and_slits_are_left_out():
    figure = new_figure((1, 1))
    axes = map_axes(figure, (0, 0, 1, 1), (0, 0, 100, 100))
    none = gpd.GeoDataFrame({"kind": []}, geometry=[], crs=UTM)
    draw_strips(axes, none)
    assert not axes.patches
    assert ring_path([shapely.box(0, 0, 100, 0.001)], 0.4) is None
    assert ring_path([], 0.4) is None


def test_thin_strips_are_not_hidden_by_the_white_around_their_outline():
    shapes = [shapely.box(0, 0, 1, 100), shapely.box(50, 0, 70, 100)]
    strips = gpd.GeoDataFrame({"kind": ["gap", "gap"]}, geometry=shapes, crs=UTM)
    figure = new_figure((1, 1))
    axes = map_axes(figure, (0, 0, 1, 1), (0, 0, 100, 100))
    draw_strips(axes, strips)
    white = [patch for patch in axes.patches if patch.get_edgecolor()[:3] == (1, 1, 1)]
    assert len(white) == 1
    assert white[0].get_path().vertices[:, 0].min() >= 50


@pytest.mark.parametrize("layer", ["spread_ratio", "residue_t_ha", "cover_pct"])
@pytest.mark.parametrize("upright", [True, False])
def test_one_legend_the_marks_of_the_map_page_on_the_colours_of_the_map(layer, upright):
    """The colour beside each mark of the ratio is the colour of that ratio on the map."""
    limits = (0.5, 1.5)
    ends = display_range(layer, np.array([1.0, 5.0]), limits, us_units=False)
    marks = legend_marks(layer, ends, limits, us_units=False)
    figure = new_figure((2, 2))
    axes = figure.add_axes((0, 0, 1, 1))
    draw_ramp(axes, layer, marks, "x", upright=upright)
    axis = axes.yaxis if upright else axes.xaxis
    assert [t.get_text() for t in axis.get_ticklabels()] == [text for _, text in marks]
    image = np.asarray(axes.images[0].get_array())
    line = image[::-1, 0] if upright else image[0]
    for place, text in marks:
        number = text.strip("+ %").replace(",", "")
        shown = colourise(layer, np.array([float(number)]), *ends)[0]
        at = line[round(place * (len(line) - 1))]
        assert np.abs(shown.astype(int) - at).max() <= 2, (text, shown, at)


def test_imports_are_light():
    code = (
        "import sys, covermap.report.field_picture, covermap.drawing.map_legend; "
        "sys.exit('matplotlib' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_ink_is_the_ink_of_all_pictures():
    with house_look():
        figure = new_figure((2, 1))
        figure.text(0.1, 0.5, "ink")
        assert INK in svg_of(figure)

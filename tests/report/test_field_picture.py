"""The map and the profile of the report: complete, to scale, readable without colour."""

import base64
import io
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import pytest
import shapely
from builders import settings_of, straight_passes
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.image import imread

from covermap.drawing.colours import colourise
from covermap.field.whole_field import map_field
from covermap.files.open_result import open_result
from covermap.ground.rasters import HeldRaster
from covermap.mapped.write_results import write_results
from covermap.report.field_picture import _sheet, cross_section_plot, field_picture
from covermap.tables.signs import action_signs

MM = 72 / 25.4


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    """Passes that throw to one side: a gap and a double at every join."""
    folder = tmp_path_factory.mktemp("picture") / "made"
    settings = settings_of(spread__reach_left=2.5, spread__reach_right=6.5, spread__width=None)
    write_results(map_field(straight_passes(5, 9.0, length_m=60), settings), folder, {"a": "b"})
    return open_result(folder)


def texts(svg):
    return [e.text or "" for e in ET.fromstring(svg).iter() if e.tag.endswith("}text")]


def hatches(svg):
    return set(re.findall(r"fill: ?url\(#(h[0-9a-f]+)\)", svg))


def size_pt(svg):
    return [float(x) for x in ET.fromstring(svg).attrib["viewBox"].split()[2:]]


def images(svg):
    coded = re.findall(r'base64,\s*([^"]+)"', svg)
    return [np.rint(imread(io.BytesIO(base64.b64decode(code))) * 255) for code in coded]


def same(one, other):
    """Tell whether two pictures are alike where they are not clear."""
    seen = one[..., 3] > 0
    return (seen == (other[..., 3] > 0)).all() and (one[seen] == other[seen]).all()


@pytest.mark.parametrize(
    ("layer", "us_units", "title", "length"),
    [
        ("spread_ratio", False, "Spread ratio [1 = even]", "m"),
        ("spread_ratio", True, "Spread ratio [1 = even]", "ft"),
        ("residue_t_ha", False, "Residue [t/ha]", "m"),
        ("residue_t_ha", True, "Residue [lb/ac]", "ft"),
        ("cover_pct", False, "Ground cover [%]", "m"),
    ],
)
def test_map_names_what_it_shows(found, layer, us_units, title, length):
    words = texts(field_picture(found, layer, us_units=us_units))
    assert {title, "N"} <= set(words)
    key = "gap: below 0.5 × its own residue double (heavy): above 1.5 × its own residue"
    assert key in " ".join(words)
    assert sum(bool(re.fullmatch(rf"[125]0* {length}", word)) for word in words) == 1


def test_map_has_the_colours_of_the_map_page(found):
    """Every cell its own pixel; what was not harvested stays clear."""
    for layer, ends in (("spread_ratio", (0.0, 2.0)), ("cover_pct", (0.0, 100.0))):
        want = np.pad(
            colourise(layer, found.rasters[layer].whole(), *ends), ((1, 1), (1, 1), (0, 0))
        )
        image = max(images(field_picture(found, layer)), key=np.size)
        # cut off a cell beyond the ground; SVG images may be stored upside down
        parts = np.lib.stride_tricks.sliding_window_view(want, image.shape)[:, :, 0]
        seen = parts[..., 3] > 0
        whole = seen.sum(axis=(2, 3)) == (want[..., 3] > 0).sum()
        assert any(same(part, one) for part in parts[whole] for one in (image, image[::-1]))


def test_strips_can_be_left_out(found):
    with_strips, without = field_picture(found), field_picture(found, strips=False)
    assert len(hatches(with_strips)) == 2  # one for gap, one for double
    assert not hatches(without)
    assert "gap:" not in texts(without)
    none = replace(found, strips=found.strips.iloc[:0])
    assert "gap:" in texts(field_picture(none))


def test_zones_are_drawn_by_action_with_their_letters(found):
    ids = ["plan-harrow", "plan-till", "plan-leave"]
    west, south, east, north = found.grid.bounds
    edges = np.linspace(west, east, 4)
    zones = gpd.GeoDataFrame(
        {"rule_id": ids},
        geometry=[shapely.box(a, south, b, north) for a, b in pairwise(edges)],
        crs=found.grid.crs,
    )
    # a plan on the globe is laid on the map's own grid
    svg = field_picture(found, zones=zones.to_crs(4326))
    words = texts(svg)
    for rule_id in ids:
        sign = action_signs()[rule_id]
        assert words.count(sign.code) == 2  # legend and zone
        assert sign.words in words
        assert f"fill: {sign.colour}" in svg
    assert "gap:" not in words
    assert not images(svg)
    wide, high = size_pt(svg)
    assert wide <= 88.1 * MM
    assert high <= 100.1 * MM


def test_unknown_layer_is_an_error(found):
    with pytest.raises(ValueError, match=r"no layer 'chaff'.*spread_ratio"):
        field_picture(found, "chaff")


def test_empty_ground_can_be_drawn(found):
    empty = HeldRaster(np.full(found.grid.shape, np.nan, np.float32))
    nothing = dict.fromkeys(found.rasters, empty)
    assert "N" in texts(field_picture(replace(found, rasters=nothing)))


def test_pictures_are_repeatable_and_need_nothing_from_outside(found):
    x = np.arange(0.0, 60.0, 0.5)
    for one, other in (
        (field_picture(found), field_picture(found)),
        [cross_section_plot(x, 1 + np.sin(x), layer="spread_ratio") for _ in range(2)],
    ):
        assert one == other
        links = re.findall(r'href="([^"]{0,15})', one)
        assert all(link.startswith(("#", "data:image/png")) for link in links)
        assert str(found.folder) not in one


@given(
    st.floats(10, 5000), st.floats(10, 5000), st.integers(0, 8), st.booleans(),
    st.sampled_from([(178.0, 126.0), (88.0, 100.0), (120.0, 90.0)]),
)  # fmt: skip
def test_map_and_legend_lie_within_the_sheet_and_side_by_side(east_m, north_m, keys, ramp, size):
    most = np.array(size) / 25.4
    sheet = _sheet(np.array([east_m, north_m]), most, keys, ramp=ramp)
    # a legend of many keys may need more height than the map, never more width
    assert sheet.size[0] <= most[0] + 1e-9
    for left, low, wide, high in (sheet.map_box, sheet.legend_box):
        assert wide > 0
        assert high > 0
        assert left >= 0
        assert low >= 0
        assert left + wide <= sheet.size[0] + 1e-9
        assert low + high <= sheet.size[1] + 1e-9
    assert sheet.map_box[2] / sheet.map_box[3] == pytest.approx(east_m / north_m)
    if sheet.beside:
        assert sheet.legend_box[0] >= sheet.map_box[0] + sheet.map_box[2]
    else:
        assert sheet.legend_box[1] + sheet.legend_box[3] <= sheet.map_box[1] + 1e-9


def curve_of(svg):
    """Give the points of the longest line without a fill, and how many pieces it has."""
    paths = [
        e.get("d") for e in ET.fromstring(svg).iter()
        if e.tag.endswith("}path") and "fill: none" in e.get("style", "")
    ]  # fmt: skip
    longest = max(paths, key=len)
    points = np.array([[float(v) for v in p] for p in re.findall(r"([\d.-]+) ([\d.-]+)", longest)])
    return points, longest.count("M")


def test_profile_is_drawn_to_scale_with_a_break_where_nothing_lies():
    x = np.arange(0.0, 40.0, 0.5)
    values = 1 + 0.5 * np.sin(x / 3)
    points, pieces = curve_of(cross_section_plot(x, values, layer="spread_ratio"))
    assert pieces == 1
    # the highest and the lowest reading stand where they are, as parts of the height to zero
    scale = np.ptp(points[:, 1]) / np.ptp(values)
    assert np.ptp(points[:, 0]) / np.ptp(x) > 1
    for reading, place in ((values.max(), points[:, 1].min()), (values.min(), points[:, 1].max())):
        zero = place + reading * scale
        assert zero == pytest.approx(points[:, 1].max() + values.min() * scale, abs=0.01)
    middles = points[1::2][: len(x) - 1]
    assert len(np.unique(np.round(middles[:, 0], 2))) > 0.9 * len(x) / 2
    values[30:34] = np.nan
    assert curve_of(cross_section_plot(x, values, layer="spread_ratio"))[1] == 2


@pytest.mark.parametrize(
    ("us_units", "length", "spacing", "load"),
    [(False, "along the line [m]", "spacing 9.0 m", "[t/ha]"),
     (True, "along the line [ft]", "spacing 29.5 ft", "[lb/ac]")],
)  # fmt: skip
def test_profile_names_what_it_shows(us_units, length, spacing, load):
    x = np.arange(0.0, 45.0, 0.5)
    svg = cross_section_plot(
        x, 3 + np.sin(x), layer="residue_t_ha", spacing_m=9.0, us_units=us_units
    )
    shown = "\n".join(texts(svg))
    for part in (length, spacing, "Residue", load):
        assert part in shown, part


def test_limits_are_named_and_what_lies_beyond_is_hatched_in_two_ways():
    x = np.arange(0.0, 45.0, 0.5)
    how = {"layer": "spread_ratio", "limits": (0.5, 1.5)}
    svg = cross_section_plot(x, 1 + np.sin(x), **how)
    assert {"gap:", "below 0.5", "double (heavy):", "above 1.5"} <= set(texts(svg))
    assert len(hatches(svg)) == 2
    even = cross_section_plot(x, np.ones_like(x), **how)
    assert not hatches(even)
    assert {"gap:", "below 0.5", "double (heavy):", "above 1.5"} <= set(texts(even))


def test_passes_are_marked_where_they_lie_and_off_the_line_not():
    x = np.arange(0.0, 45.0, 0.5)
    svg = cross_section_plot(
        x, np.ones_like(x), layer="spread_ratio", passes_m=np.array([-3.0, 4.5, 13.5, 60.0])
    )
    assert "▾ middle of a pass" in texts(svg)
    marks = re.findall(r'<use xlink:href="#m[0-9a-f]+" x="([\d.]+)" y="([\d.]+)"', svg)
    top = min(float(y) for _, y in marks)
    at = sorted(float(x) for x, y in marks if float(y) == top)
    assert len(at) == 2
    points, _ = curve_of(svg)
    per_m = np.ptp(points[:, 0]) / np.ptp(x)
    assert (at[1] - at[0]) / per_m == pytest.approx(9.0, rel=0.01)


@pytest.mark.parametrize("values", [np.full(4, np.nan), np.ones(3)])
def test_no_profile_is_an_error(values):
    with pytest.raises(ValueError, match="no profile"):
        cross_section_plot(np.arange(4.0), values, layer="spread_ratio")


def test_a_typesetter_sets_the_words_and_shows_the_hatches(found, tmp_path):
    """Typst reads the SVG; pypdf reads the words, pdfium the picture."""
    typst = pytest.importorskip("typst", reason="typst sets the report; it is not installed")
    pypdf = pytest.importorskip("pypdf", reason="pypdf reads what was set; it is not installed")
    pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 draws pages; it is not installed")
    x = np.arange(0.0, 45.0, 0.5)
    pictures = {
        "map": field_picture(found),
        "bare": field_picture(found, strips=False),
        "across": cross_section_plot(x, 1 + np.sin(x), layer="spread_ratio", limits=(0.5, 1.5)),
    }
    for name, svg in pictures.items():
        (tmp_path / f"{name}.svg").write_text(svg, "utf-8")
    pages = "\n#pagebreak()\n".join(f'#image("{name}.svg")' for name in pictures)
    (tmp_path / "a.typ").write_text(f"#set page(width: 190mm, height: 140mm)\n{pages}", "utf-8")
    fonts = typst.Fonts(
        include_system_fonts=False,
        include_embedded_fonts=False,
        font_paths=[f"{mpl.get_data_path()}/fonts/ttf"],
    )
    pdf = typst.compile(str(tmp_path / "a.typ"), root=str(tmp_path), font_paths=fonts)
    told = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]
    for svg, page in zip(pictures.values(), told, strict=True):
        plain = "".join(page.split())
        for word in texts(svg):
            assert "".join(word.split()) in plain, word
    drawn = [
        np.asarray(page.render(scale=3).to_pil().convert("L"), float)
        for page in pdfium.PdfDocument(pdf)
    ]
    # strips put ink on the page that is not there without them
    left = np.s_[:, : drawn[0].shape[1] // 2]
    assert (np.abs(drawn[0][left] - drawn[1][left]) > 60).mean() > 0.01

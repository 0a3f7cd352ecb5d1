"""The map page: whole without a network, safe with any name, right way up."""

import base64
import dataclasses
import json
import re
from html.parser import HTMLParser

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from branca.colormap import linear
from pyproj import CRS, Transformer
from rasterio.io import MemoryFile
from shapely.geometry import LineString, box

from covermap.ground.grid import Grid
from covermap.outputs.colours import colourise, palette
from covermap.outputs.leaflet_files import leaflet_files
from covermap.outputs.map_page import MapContent, map_page
from covermap.tables import read_table

HOSTILE = "</script><script>alert(1)</script>\"'&\u2028<img src=x onerror=alert(2)>"
GRID = Grid(CRS.from_epsg(32626), 430_000.0, 5_480_000.0, 1.0, 60, 90)
BANDS = ("residue_t_ha", "cover_pct", "spread_ratio", "layers")


def made_content(grid=GRID, **changes):
    residue = np.full(grid.shape, 5.0, np.float32)
    residue[:, -5:] = np.nan
    line = LineString([(430_010, 5_479_990), (430_010, 5_479_945)])
    passes = gpd.GeoDataFrame(
        {
            "pass_id": [12],
            "label": ["12"],
            "start_time": pd.to_datetime(["2026-08-01T12:34:00Z"]),
            "mean_speed_m_s": [2.0],
            "working_width_m": [9.144],
            "spacing_m": [np.nan],
            "residue_t_ha": [4.6],
            "lean_m": [-0.4],
            "cv_pct": [31.0],
            "discharge": [HOSTILE],
        },
        geometry=[line],
        crs=grid.crs,
    )
    strips = gpd.GeoDataFrame(
        {
            "strip_id": [1, 2],
            "rank": [1, 2],
            "kind": ["gap", "double"],
            "length_m": [40.0, 30.0],
            "width_m": [3.0, 4.0],
            "area_m2": [120.0, 120.0],
            "mean_ratio": [0.31, 1.82],
            "excess_kg": [0.0, 45.0],
            "deficit_kg": [38.0, 0.0],
            "passes": ["12, 13", HOSTILE],
            "cause": ["crosswind", None],
        },
        geometry=[
            box(430_014, 5_479_950, 430_017, 5_479_990),
            box(430_030, 5_479_950, 430_034, 5_479_980),
        ],
        crs=grid.crs,
    )
    content = MapContent(
        title="Low Meadow",
        grid=grid,
        bands={
            "residue_t_ha": residue,
            "cover_pct": residue * 10,
            "spread_ratio": residue / 5,
            "layers": residue / 5,
        },
        passes=passes,
        strips=strips,
        boundary=box(430_005, 5_479_945, 430_085, 5_479_995),
        facts=[("Harvested", "0.4 ha")],
        settings_text=[("Cut width", "9.1 m")],
        date_text="2026-08-01",
        limits=(0.5, 1.5),
        us_units=False,
    )
    return dataclasses.replace(content, **changes)


class Page(HTMLParser):
    """What a html parser that is not ours sees."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.addresses, self.texts, self.inside = [], [], {}, None
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self.inside = tag
        self.addresses += [v for k, v in attrs if k in ("src", "href", "action", "data")]

    def handle_endtag(self, _):
        self.inside = None

    def handle_data(self, data):
        self.texts.setdefault(self.inside, []).append(data)

    def count(self, tag):
        return sum(name == tag for name, _ in self.tags)


@pytest.fixture(scope="module")
def html():
    return map_page(made_content())


def data_of(html):
    return json.loads(re.search(r'id="map-data">(.*?)</script>', html, re.S).group(1))


def overlays(html):
    """Give name to (PNG bytes, corners) of the image overlays."""
    found = re.findall(
        r'var image_overlay_(\w+) = L\.imageOverlay\(\s*"data:image/png;base64,([^"]+)",'
        r"\s*(\[\[.*?\]\])",
        html,
    )
    return {name: (base64.b64decode(png), json.loads(corners)) for name, png, corners in found}


def test_nothing_is_fetched_from_outside(html):
    page = Page(html)
    assert page.addresses == []  # no script, link, image or anchor with an address
    assert page.count("link") == page.count("iframe") == page.count("base") == 0
    styles = "".join(page.texts["style"])
    assert "@import" not in styles
    addresses = re.findall(r"url\(['\"]?([^)]*)", html)
    assert addresses
    assert all(a.startswith(("data:image/png;base64,", "#")) for a in addresses)
    # Leaflet names http addresses itself: its home page, SVG namespaces and bug reports.
    ours = html.replace(leaflet_files().script, "").replace(leaflet_files().style, "")
    for word in ("http:", "https:", "jquery", "bootstrap", "awesome", "sourcemappingurl"):
        assert word not in ours.lower()
    assert "sourceMappingURL" not in html


def test_leaflet_is_inside_with_its_licence(html):
    assert "Leaflet 1.9.4" in html
    assert ".leaflet-pane" in html
    assert 't.version="1.9.4"' in html
    assert html.count("Redistributions in binary form must reproduce") == 2


def test_the_page_has_language_title_and_viewport(html):
    page = Page(html)
    assert ("html", {"lang": "en"}) in page.tags
    assert "Low Meadow" in page.texts["title"][0]
    viewport = next(a["content"] for tag, a in page.tags if a.get("name") == "viewport")
    assert "user-scalable" not in viewport  # WCAG 2.2, 1.4.4: people must be able to zoom


def test_the_legend_folds_by_keyboard_and_starts_open(html):
    page = Page(html)
    legend = next(n for n, (tag, a) in enumerate(page.tags) if a.get("id") == "legend")
    assert page.tags[legend][0] == "details"
    assert "open" in page.tags[legend][1]
    # WCAG 2.2, 2.1.1: a summary takes the keyboard's focus by itself
    assert page.tags[legend + 1][0] == "summary"


def test_the_first_view_leaves_the_panels_free(html):
    script = html[html.index("function fitField") :]
    assert "paddingTopLeft: [left, top]" in script
    assert "paddingBottomRight: [right, bottom]" in script


def test_two_pages_of_one_field_are_alike(html):
    assert map_page(made_content()) == html


def test_hostile_names_stay_text(html):
    bad = map_page(
        made_content(
            title=HOSTILE,
            date_text=HOSTILE,
            facts=[(HOSTILE, HOSTILE)],
            settings_text=[(HOSTILE, HOSTILE)],
        )
    )
    page, good = Page(bad), Page(html)
    assert page.count("script") == good.count("script")
    assert page.count("img") == 0
    assert not any("onerror" in attrs for _, attrs in page.tags)
    scripts = "".join(page.texts["script"])
    assert "alert(1)</" not in scripts
    assert "\u2028" not in scripts
    assert "".join(page.texts["h1"]) == HOSTILE
    assert ["Discharge", HOSTILE] in data_of(bad)["passes"][0]["rows"]


def test_half_a_character_from_a_command_line_can_be_written():
    assert map_page(made_content(title="a\udcff")).encode("utf-8")


def test_passes_and_strips_tell_numbers_with_units(html):
    rows = dict(data_of(html)["passes"][0]["rows"])
    assert rows["Pass"] == "12"
    assert rows["Started"] == "2026-08-01 12:34 UTC"
    assert rows["Speed"] == "7.2 km/h"  # 2 m/s × 3.6
    assert rows["Working width"] == "9.1 m"
    assert rows["Residue"] == "4.60 t/ha"
    assert rows["Lean"] == "0.4 m left"
    assert rows["CV across the pass"] == "31 %"
    assert "Spacing" not in rows  # unknown, so not shown
    gap, double = (dict(strip["rows"]) for strip in data_of(html)["strips"])
    assert gap["Gap strip"] == "rank 1"
    assert gap["Too little by"] == "38 kg"
    assert "Too much by" not in gap
    assert gap["Cause"] == "crosswind"
    assert double["Too much by"] == "45 kg"
    assert "Cause" not in double


def test_us_units_show_on_lines_and_legend():
    page = map_page(made_content(us_units=True))
    rows = dict(data_of(page)["passes"][0]["rows"])
    assert rows["Working width"] == "30.0 ft"  # 9.144 m, NIST SP 811: 1 ft = 0.3048 m
    assert rows["Residue"] == "4,104 lb/ac"  # 4.6 × 892.18 lb/ac per t/ha
    assert "[lb/ac]" in page
    assert data_of(page)["us_units"] is True


@pytest.mark.parametrize("cell_m", [1.0, 40.0])
def test_overlays_lie_where_the_grid_lies(cell_m):
    # Outside route: pyproj takes the edges of the grid to degrees, point by point.
    grid = dataclasses.replace(GRID, cell_m=cell_m)
    west, south, east, north = grid.bounds
    part = np.linspace(0, 1, 101)
    x = np.r_[west + part * (east - west), west + part * (east - west), 0 * part + west]
    y = np.r_[0 * part + north, 0 * part + south, south + part * (north - south)]
    x = np.r_[x, 0 * part + east]
    y = np.r_[y, south + part * (north - south)]
    lon, lat = Transformer.from_crs(grid.crs, 4326, always_xy=True).transform(x, y)
    found = overlays(map_page(made_content(grid)))
    assert set(found) == set(BANDS)
    for _, ((low_lat, low_lon), (high_lat, high_lon)) in found.values():
        tolerance = 0.2 * cell_m / 111_000
        assert low_lat == pytest.approx(lat.min(), abs=tolerance)
        assert high_lat == pytest.approx(lat.max(), abs=tolerance)
        assert low_lon == pytest.approx(lon.min(), abs=2 * tolerance)
        assert high_lon == pytest.approx(lon.max(), abs=2 * tolerance)


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_north_west_is_top_left():
    residue = np.zeros(GRID.shape, np.float32)
    residue[:15, :20] = 9.0
    bands = made_content().bands | {"residue_t_ha": residue}
    png, _ = overlays(map_page(made_content(bands=bands)))["residue_t_ha"]
    with MemoryFile(png) as file, file.open() as image:  # GDAL as the outside PNG reader
        colours = image.colormap(1)
        index = image.read(1)
    height, width = index.shape
    light = [[sum(colours[int(v)][:3]) for v in row] for row in index]
    assert light[height // 8][width // 8] < light[height // 8][width * 7 // 8]
    assert light[height // 8][width // 8] < light[height * 7 // 8][width // 8]


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_no_value_is_transparent_in_the_image(html):
    for png, _ in overlays(html).values():
        with MemoryFile(png) as file, file.open() as image:
            colours, index = image.colormap(1), image.read(1)
        assert colours[int(index[30, -2])][3] == 0
        assert colours[int(index[30, 30])][3] == 255


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_a_field_of_100_ha_stays_small():
    grid = Grid(GRID.crs, 430_000.0, 5_480_000.0, 0.5, 2000, 2000)
    rng = np.random.default_rng(4)
    column = 1 + 0.6 * np.sin(np.arange(2000, dtype=np.float32) / 4)
    ratio = (column + 0.1 * rng.standard_normal(grid.shape, np.float32)).clip(0)
    bands = {
        "residue_t_ha": 5 * ratio,
        "cover_pct": 100 - 100 / (1 + 5 * ratio),
        "spread_ratio": ratio,
        "layers": np.rint(ratio),
    }
    page = map_page(made_content(grid, bands=bands))
    assert len(page) < 5_000_000
    with MemoryFile(overlays(page)["spread_ratio"][0]) as file, file.open() as image:
        assert max(image.shape) <= 2400
        assert image.width * image.height < 1.4e6  # at most about 1 m a pixel here


def test_lines_are_simplified_and_rounded():
    along = np.linspace(0, 50, 500)
    wiggle = LineString(np.column_stack([430_010 + 0.05 * np.sin(along), 5_479_990 - along]))
    passes = made_content().passes.set_geometry([wiggle], crs=GRID.crs)
    shape = data_of(map_page(made_content(passes=passes)))["passes"][0]["shape"]
    assert len(shape["coordinates"]) < 10
    assert all(round(v, 7) == v for point in shape["coordinates"] for v in point)


def test_a_field_without_strips_passes_or_outline_has_a_map():
    content = made_content()
    page = map_page(
        dataclasses.replace(
            content, passes=content.passes.iloc[:0], strips=content.strips.iloc[:0], boundary=None
        )
    )
    assert data_of(page)["strips"] == data_of(page)["passes"] == data_of(page)["outline"] == []


def test_a_field_without_any_value_has_a_map():
    nothing = np.full(GRID.shape, np.nan, np.float32)
    assert overlays(map_page(made_content(bands=dict.fromkeys(BANDS, nothing))))


def lightness(rgb):
    """CIE 1976 L* of sRGB (IEC 61966-2-1), 0 to 100."""
    part = np.asarray(rgb, float) / 255
    linear_part = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    y = linear_part @ [0.2126, 0.7152, 0.0722]
    return np.where(y > 0.008856, 116 * np.cbrt(y) - 16, 903.3 * y)


@pytest.mark.parametrize("name", ["residue_t_ha", "cover_pct", "layers"])
def test_more_is_darker(name):
    assert (np.diff(lightness(palette(name)[1:, :3])) <= 0.5).all()


def test_the_two_ends_of_the_ratio_stay_apart_in_grey():
    gap, even, double = lightness(
        colourise("spread_ratio", np.array([0.0, 1.0, 2.0]), 0.0, 2.0)[:, :3]
    )
    assert even > 95
    assert gap - double > 40
    assert even - gap > 25


def test_the_ratio_ramp_has_its_middle_at_1_whatever_its_ends():
    for high in (2.0, 3.0):
        assert colourise("spread_ratio", np.array([1.0]), 0.0, high)[0].tolist() == [
            247,
            247,
            247,
            255,
        ]


def test_colours_beyond_the_ends_and_without_value():
    found = colourise("cover_pct", np.array([-5.0, 0.0, 100.0, 140.0, np.nan, np.inf]), 0, 100)
    assert (found[0] == found[1]).all()
    assert (found[3] == found[2]).all()
    assert found[4].tolist() == [0, 0, 0, 0]
    with pytest.raises(KeyError, match="residue_t_ha"):
        colourise("nonsense", np.zeros(1), 0, 1)
    with pytest.raises(ValueError, match="no range"):
        colourise("cover_pct", np.zeros(1), 5, 5)


def test_anchors_are_those_of_the_published_sets():
    # branca 0.8 (PyPI) carries viridis and the ColorBrewer sets.
    published = {
        "residue_t_ha": linear.viridis.colors[::-1],
        "cover_pct": linear.GnBu_09.colors,
        "spread_ratio": linear.PuOr_11.colors[2:],
        "layers": linear.BuPu_05.colors,
    }
    for name, colours in published.items():
        rows = [row for row in read_table("colour_ramps") if row["band"] == name]
        assert all("CC0" in row["source"] or "Apache-2.0" in row["source"] for row in rows)
        ours = [[int(row[c]) for c in ("red", "green", "blue")] for row in rows]
        theirs = [[round(255 * v) for v in colour[:3]] for colour in colours]
        assert ours == theirs

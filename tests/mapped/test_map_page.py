"""The map page: whole without a network, safe with any name, right way up."""

import base64
import dataclasses
import json
import re
import zlib
from html.parser import HTMLParser

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from branca.colormap import linear
from builders import settings_of, straight_passes
from pyproj import CRS, Transformer
from shapely.geometry import LineString, box

from covermap.drawing.colours import colourise, palette
from covermap.drawing.map_drawing import STRIP_LOOKS
from covermap.drawing.map_texts import legend_marks
from covermap.drawing.map_values import display_grid, in_blocks
from covermap.field.whole_field import map_field
from covermap.ground.grid import Grid
from covermap.mapped.leaflet_files import leaflet_files
from covermap.mapped.map_overlays import bounds_lat_lon, map_place
from covermap.mapped.map_page import MapContent, map_page
from covermap.mapped.write_results import map_content
from covermap.plan.actions import ACTIONS
from covermap.plan.plan_field import plan_field
from covermap.tables import read_table
from covermap.tables.signs import action_signs, cause_signs, hatch_of

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
        facts=[["Harvested", "0.4 ha", "1.0 ac"]],
        settings_text=[["Cut width", "9.1 m", "30 ft"]],
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


def rows_of(data, thing, us=False):
    """Give label to text of one pass or strip, as the page writes them."""
    return {data["labels"][i]: (texts[-1] if us else texts[0]) for i, *texts in thing["rows"]}


def lon_lat(packed):
    """Give the positions of one line or ring: steps of a millionth of a degree, added up."""
    return np.cumsum(np.reshape(packed, (-1, 2)), axis=0) / 1e6


def rasters(html):
    """Unpack the rasters as the docstring of ``map_values.written`` says: index, values."""
    data = data_of(html)
    index, values = {}, {}
    for one in data["rasters"]:
        flat = np.frombuffer(zlib.decompress(base64.b64decode(one["data"])), np.uint8)
        found = flat.reshape(data["grid"]["rows"], data["grid"]["cols"])
        if one["less"] == "row above":
            found = np.cumsum(found, axis=0, dtype=np.uint8)
        if one["like"]:
            expected = np.frombuffer(base64.b64decode(one["expected"]), np.uint8)
            found = found + expected[index[one["like"]]]
        index[one["name"]] = found
        values[one["name"]] = np.append(np.nan, one["levels"])[found]
    return values


def errors(html, name, values):
    """Give the stated error of each value of an unpacked raster."""
    one = next(r for r in data_of(html)["rasters"] if r["name"] == name)
    return np.interp(values, one["levels"], one["errors"])


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
            facts=[[HOSTILE, HOSTILE, HOSTILE + "2"]],
            settings_text=[[HOSTILE, HOSTILE]],
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
    data = data_of(bad)
    assert rows_of(data, data["passes"][0])["Discharge"] == HOSTILE


def test_half_a_character_from_a_command_line_can_be_written():
    assert map_page(made_content(title="a\udcff")).encode("utf-8")


def test_passes_and_strips_tell_numbers_with_units(html):
    data = data_of(html)
    rows = rows_of(data, data["passes"][0])
    assert rows["Pass"] == "12"
    assert rows["Started"] == "2026-08-01 12:34 UTC"
    assert rows["Speed"] == "7.2 km/h"  # 2 m/s × 3.6
    assert rows["Working width"] == "9.1 m"
    assert rows["Residue"] == "4.60 t/ha"
    assert rows["Lean"] == "0.4 m left"
    assert rows["Unevenness (CV) across the pass"] == "31 %"
    assert "Spacing" not in rows  # unknown, so not shown
    gap, double = (rows_of(data, strip) for strip in data["strips"])
    assert gap["Gap strip"] == "rank 1"
    assert gap["Too little by"] == "38 kg"
    assert "Too much by" not in gap
    assert gap["Cause"] == "crosswind"
    assert double["Too much by"] == "45 kg"
    assert "Cause" not in double


def test_both_units_are_in_the_page_whichever_it_opens_with():
    for us in (False, True):
        page = map_page(made_content(us_units=us))
        data = data_of(page)
        rows = rows_of(data, data["passes"][0], us=True)
        assert rows["Working width"] == "30.0 ft"  # 9.144 m, NIST SP 811: 1 ft = 0.3048 m
        assert rows["Residue"] == "4,104 lb/ac"  # 4.6 × 892.18 lb/ac per t/ha
        assert rows_of(data, data["passes"][0])["Residue"] == "4.60 t/ha"
        assert '<span class="metric">t/ha</span><span class="us">lb/ac</span>' in page
        assert '<span class="metric">0.4 ha</span><span class="us">1.0 ac</span>' in page
        assert data["opens_with"] == ("us" if us else "metric")
        # NIST SP 811, Appendix B: pound 0.453 592 37 kg, acre 4046.873 m² (US survey foot)
        factor = data["units"]["us"]["mass per area"][0]
        assert factor == pytest.approx(1000 / 0.45359237 * 4046.873 / 1e4, rel=1e-5)


@pytest.mark.parametrize("us_units", [False, True])
@pytest.mark.parametrize("high", [4.0, 8.0, 7500 / 892.1791, 30.0])
def test_marks_of_the_ramp_are_round_and_stand_where_their_value_is(us_units, high):
    marks = legend_marks("residue_t_ha", (0.0, high), (0.5, 1.5), us_units)
    factor = 892.1791 if us_units else 1.0  # lb/ac per t/ha, from NIST SP 811
    for place, text in marks[:-1]:
        assert float(text.replace(",", "")) == pytest.approx(place * high * factor, rel=1e-4)
    assert marks[-1][0] == 1.0
    assert marks[-1][1].endswith("+")
    assert min(np.diff([place for place, _ in marks])) > 0.1  # no number lies on another
    assert 4 <= len(marks) <= 6


@pytest.mark.parametrize(
    ("epsg", "cell_m", "rows", "cols"),
    [(32626, 1.0, 60, 90), (32626, 40.0, 60, 90), (32626, 0.5, 3000, 4000), (2193, 1.0, 900, 500)],
)
def test_the_page_finds_cells_where_the_projection_puts_them(epsg, cell_m, rows, cols):
    """Outside route: pyproj takes random places of the grid to a Web Mercator map."""
    west, north = (430_000.0, 5_480_000.0) if epsg == 32626 else (1_570_000.0, 5_180_000.0)
    grid = Grid(CRS.from_epsg(epsg), west, north, cell_m, rows, cols)
    place = map_place(grid)
    rng = np.random.default_rng(2)
    col, row = rng.uniform(0, cols, 500), rng.uniform(0, rows, 500)
    x, y = Transformer.from_crs(grid.crs, 3857, always_xy=True).transform(
        west + col * cell_m, north - row * cell_m
    )

    def cubic(coefficients, a, b):  # the terms in the order of the page's script
        powers = [(i, total - i) for total in range(4) for i in range(total + 1)]
        return sum(c * a**i * b**j for c, (i, j) in zip(coefficients, powers, strict=True))

    a, b = (x - place.centre[0]) / place.half_map_m, (y - place.centre[1]) / place.half_map_m
    found = np.array([cubic(c, a, b) for c in place.to_grid.T])
    assert np.abs(found - [col, row]).max() * cell_m < 1e-3
    u = (col - cols / 2) * cell_m / place.half_grid_m
    v = (row - rows / 2) * cell_m / place.half_grid_m
    found = np.array([cubic(c, u, v) for c in place.to_map.T])
    assert np.abs(found - [x - place.centre[0], y - place.centre[1]]).max() < 2e-3
    # the picture has straight edges, and yet lies within a fifth of a cell or of a metre
    start, right, down = place.corners
    at = start + np.outer(col / cols, right - start) + np.outer(row / rows, down - start)
    assert np.hypot(*(at - np.column_stack([x, y])).T).max() < 0.2 * max(cell_m, 1.0) * 1.6


def test_the_view_holds_the_whole_grid():
    west, south, east, north = GRID.bounds
    x, y = np.array([west, east, west, east]), np.array([south, south, north, north])
    lon, lat = Transformer.from_crs(GRID.crs, 4326, always_xy=True).transform(x, y)
    (low_lat, low_lon), (high_lat, high_lon) = bounds_lat_lon(GRID)
    assert low_lat == pytest.approx(lat.min(), abs=2e-6)
    assert high_lat == pytest.approx(lat.max(), abs=2e-6)
    assert low_lon == pytest.approx(lon.min(), abs=4e-6)
    assert high_lon == pytest.approx(lon.max(), abs=4e-6)


def test_the_page_holds_every_value_within_the_error_it_states():
    rng = np.random.default_rng(11)
    load = rng.gamma(3.0, 2.0, GRID.shape).astype(np.float32)
    load[rng.random(GRID.shape) < 0.1] = np.nan
    bands = {
        "residue_t_ha": load,
        "cover_pct": (100 * (1 - np.exp(-0.3 * load))).astype(np.float32),
        "spread_ratio": load / 4,
        "layers": np.rint(load / 4),
        "harrowed_ratio": 0.5 + load / 8,
        "cover_after_pct": (100 * (1 - np.exp(-0.2 * load))).astype(np.float32),
    }
    page = map_page(made_content(bands=bands))
    found = rasters(page)
    assert set(found) == set(bands)
    for name, band in bands.items():
        known = np.isfinite(band)
        assert (np.isfinite(found[name]) == known).all(), name
        off = np.abs(found[name] - band)[known]
        stated = errors(page, name, found[name][known])
        assert (off <= stated * 1.01 + 1e-4).all(), name  # levels have six digits
        assert off.max() > 0 or name == "layers"
    assert errors(page, "spread_ratio", np.array([1.0]))[0] == pytest.approx(0.005)
    assert errors(page, "cover_pct", np.array([60.0]))[0] == pytest.approx(0.25)
    # a heap of 200 t/ha must not coarsen the rest
    heap = load.copy()
    heap[5, 5] = 200.0
    heaped = map_page(made_content(bands=bands | {"residue_t_ha": heap}))
    assert errors(heaped, "residue_t_ha", np.array([5.0]))[0] < 0.06
    assert rasters(heaped)["residue_t_ha"][5, 5] == pytest.approx(200, rel=1e-5)
    near = errors(page, "residue_t_ha", np.array([0.5, 5.0]))
    assert near[0] < 0.03
    assert near[1] < 0.1


def test_rows_run_from_the_north_and_columns_from_the_west():
    residue = np.zeros(GRID.shape, np.float32)
    residue[:15, :20] = 9.0
    found = rasters(map_page(made_content(bands=made_content().bands | {"residue_t_ha": residue})))
    assert (found["residue_t_ha"][:15, :20] > 8.9).all()
    assert found["residue_t_ha"].sum() == pytest.approx(15 * 20 * 9, rel=1e-3)


def test_large_fields_show_the_mean_of_blocks():
    grid = Grid(GRID.crs, 430_000.0, 5_480_000.0, 0.5, 2001, 2000)
    shown, times = display_grid(grid, 2001 * 2000)
    assert (times, shown.cell_m, shown.shape) == (2, 1.0, (1001, 1000))
    assert (shown.west, shown.north) == (grid.west, grid.north)
    values = np.arange(2001 * 2000, dtype=np.float32).reshape(grid.shape)
    values[0, 1] = np.nan
    blocks = in_blocks(values, 2, whole_numbers=False)
    assert blocks[0, 0] == pytest.approx(np.mean([values[0, 0], *values[1, :2]]))
    assert blocks[7, 9] == pytest.approx(values[14:16, 18:20].mean())
    assert blocks[1000, 0] == pytest.approx(values[2000, :2].mean())
    whole = in_blocks(np.full((4, 4), 2.0), 2, whole_numbers=True)
    assert (whole == 2).all()
    nothing = in_blocks(np.full((4, 4), np.nan), 2, whole_numbers=False)
    assert np.isnan(nothing).all()


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
        "harrowed_ratio": 0.4 + 0.6 * np.roll(ratio, 1, axis=0),
        "cover_after_pct": 100 - 100 / (1 + 4 * ratio),
    }
    page = map_page(made_content(grid, bands=bands))
    assert len(page) < 5_000_000
    assert data_of(page)["grid"]["cell_m"] == 1.0
    assert "2 × 2 cells" in page


def test_the_page_draws_the_hatches_and_colours_of_the_table_of_signs():
    words = {"area_m2": 900.0, "swaths": 2, "why": "", "why_us": ""}
    zones = gpd.GeoDataFrame(
        [
            words | {"zone_id": k, "rule_id": r, "action": a}
            for k, (r, a) in enumerate(ACTIONS.items())
        ],
        geometry=[box(430_010, 5_479_950, 430_040, 5_479_980)] * len(ACTIONS),
        crs=GRID.crs,
    )
    page = map_page(made_content(zones=zones))

    def pattern(name):
        return re.search(rf'<pattern id="{name}-hatch".*?</pattern>', page, re.DOTALL).group()

    for kind in STRIP_LOOKS:
        assert pattern(kind).count(f'd="{hatch_of(kind).screen}"') == 2  # white, and ink on it
    data = data_of(page)
    for zone, sign in zip(data["zones"], action_signs().values(), strict=True):
        assert (zone["code"], zone["sign"]) == (sign.code, sign.rule_id)
        assert f'd="{sign.hatch.screen}"' in pattern(sign.rule_id)
        assert f'fill="{sign.colour}"' in pattern(sign.rule_id)
    assert data["causes"] == {s.code: [s.colour, s.ink, s.words] for s in cause_signs().values()}


def test_strips_carry_the_letters_of_their_first_cause(html):
    gap, double = data_of(html)["strips"]
    assert (gap["cause"], double["cause"]) == ("Cr", "")
    lon, lat = lon_lat(gap["inside"]["coordinates"])[0]
    east, north = Transformer.from_crs(4326, GRID.crs, always_xy=True).transform(lon, lat)
    assert made_content().strips.geometry[0].contains(box(east, north, east + 0.1, north + 0.1))


def test_lines_are_simplified_and_rounded():
    along = np.linspace(0, 50, 500)
    wiggle = LineString(np.column_stack([430_010 + 0.05 * np.sin(along), 5_479_990 - along]))
    passes = made_content().passes.set_geometry([wiggle], crs=GRID.crs)
    shape = data_of(map_page(made_content(passes=passes)))["passes"][0]["shape"]
    found = lon_lat(shape["coordinates"])
    assert len(found) < 10
    east, north = Transformer.from_crs(4326, GRID.crs, always_xy=True).transform(*found[0])
    assert np.hypot(east - 430_010, north - 5_479_990) < 0.4  # simplified 0.3 m, written 0.1 m


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
    found = rasters(map_page(made_content(bands=dict.fromkeys(BANDS, nothing))))
    assert all(np.isnan(values).all() for values in found.values())


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


@pytest.fixture(scope="module")
def planned():
    settings = settings_of(
        spread__width=6.0, field__next_crop="canola", plan__opener_limit="6 t/ha"
    )
    result = map_field(straight_passes(4, 9.0, length_m=90.0), settings)
    return result, plan_field(result)


def test_a_real_field_and_its_plan_go_onto_the_page(planned):
    result, plan = planned
    content = map_content(result, False, plan)
    found = rasters(map_page(content))
    for name, wanted in (
        ("residue_t_ha", result.residue_t_ha),
        ("cover_pct", result.cover_pct),
        ("spread_ratio", result.spread_ratio),
        ("harrowed_ratio", plan.ground.harrowed_ratio.whole()),
        ("cover_after_pct", plan.ground.cover_pct.whole()),
    ):
        assert (np.isfinite(found[name]) == np.isfinite(wanted)).all(), name
        assert np.nanmax(np.abs(found[name] - wanted)) < 0.3, name
        known = np.isfinite(wanted)
        assert np.corrcoef(found[name][known], wanted[known])[0, 1] > 0.999
    # harrowing brings the ratio nearer to 1
    before, after = (np.nanstd(found[n]) for n in ("spread_ratio", "harrowed_ratio"))
    assert after < before
    data = data_of(map_page(content))
    zone = data["zones"][0]
    assert "t/ha" in rows_of(data, zone)["Why"]
    assert "lb/ac" in rows_of(data, zone, us=True)["Why"]
    strip = rows_of(data, data["strips"][0])
    assert re.search(r"\[plan-[a-z-]+\]$", strip["Next pass"])
    assert {strip["cause"] for strip in data["strips"]} == {"Na"}  # 6 m thrown, 9 m cut
    lying = next(line for line in content.facts if line[0] == "Lying on the ground, mean")
    assert "lb/ac" in lying[2]
    assert "harrowed_ratio" not in map_content(result, False).bands

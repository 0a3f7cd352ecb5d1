"""The map page in a real browser without a network: what a person sees, clicks and reads.

Chromium and its driver are Debian's packages ``chromium`` and ``chromium-driver``. Without
them, or without selenium, these tests are skipped; under ``CI`` that is an error.
"""

import base64
import dataclasses
import io
import json
import os
import re
import time
import unicodedata

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from deadlines import wait_until, within
from PIL import Image
from pyproj import CRS, Transformer
from shapely.geometry import LineString, Polygon, box

from covermap.cover.cross_section import cross_section
from covermap.drawing.colours import colourise
from covermap.ground.grid import Grid
from covermap.mapped.map_page import MapContent, map_page

# Near the edge of a zone the grid is turned against the map by about 2°.
GRID = Grid(CRS.from_epsg(32626), 270_000.0, 5_480_000.0, 1.0, 240, 320)
LIMITS = (0.5, 1.5)
LB_AC = 1000 / 0.45359237 * 0.40468564  # lb/ac per t/ha: NIST SP 811, Appendix B


def bands_of(grid):
    """Make a field in 12 m passes with noise, a bare corner, a gap and a double."""
    rng = np.random.default_rng(5)
    col, row = np.meshgrid(np.arange(grid.cols), np.arange(grid.rows))
    ratio = 1 + 0.4 * np.sin(2 * np.pi * col * grid.cell_m / 12)
    ratio = (ratio * rng.normal(1, 0.1, grid.shape)).clip(0).astype(np.float32)
    ratio[:, 100:104] = 0.1
    ratio[:, 160:165] = 2.6
    ratio[(row < 40) & (col < 40)] = np.nan
    return {
        "residue_t_ha": 5 * ratio,
        "cover_pct": (100 * (1 - np.exp(-0.35 * ratio * 5))).astype(np.float32),
        "spread_ratio": ratio,
        "layers": np.rint(ratio),
        "harrowed_ratio": 0.5 + ratio / 2,
        "cover_after_pct": (70 * (1 - np.exp(-0.35 * ratio * 5))).astype(np.float32),
    }


def made_content(grid=GRID):
    bands = bands_of(grid)
    west, south, east, north = grid.bounds
    xs = np.arange(west + 6, east, 12.0)
    passes = gpd.GeoDataFrame(
        {
            "pass_id": np.arange(1, len(xs) + 1),
            "start_time": pd.Timestamp("2026-08-01T12:34:00Z"),
            "spacing_m": 12.0,
            "working_width_m": 12.0,
            "residue_t_ha": 4.6,
        },
        geometry=[LineString([(x, south + 3), (x, north - 3)]) for x in xs],
        crs=grid.crs,
    )
    strips = gpd.GeoDataFrame(
        {
            "strip_id": [1, 2],
            "rank": [1, 2],
            "kind": ["double", "gap"],
            "length_m": [240.0, 240.0],
            "width_m": [5.0, 4.0],
            "area_m2": [1200.0, 960.0],
            "mean_ratio": [2.6, 0.1],
            "excess_kg": [960.0, 0.0],
            "deficit_kg": [0.0, 432.0],
            "passes": ["14", "9"],
            "cause": ["crosswind", "missing fixes in the log"],
            "action": ["heavy harrow", "reseed risk, check stand"],
            "rule_id": ["plan-harrow", "plan-check-stand"],
        },
        geometry=[
            box(west + 160, south, west + 165, north),
            box(west + 100, south, west + 104, north),
        ],
        crs=grid.crs,
    )
    zones = gpd.GeoDataFrame(
        {
            "zone_id": [1],
            "rule_id": ["plan-harrow"],
            "action": ["heavy harrow"],
            "area_m2": [2400.0],
            "implement_runs": [1],
            "why": ["13.00 t/ha lies here."],
            "why_us": ["11,598 lb/ac lies here."],
        },
        geometry=[box(west + 156, south, west + 168, north)],
        crs=grid.crs,
    )
    return MapContent(
        title="Low Meadow",
        grid=grid,
        bands=bands,
        passes=passes,
        strips=strips,
        boundary=box(*grid.bounds),
        facts=[["Harvested", "7.68 ha", "18.98 ac"], ["Caution", "Engine off, key out."]],
        settings_text=[["Cut width", "12.0 m", "39.4 ft"]],
        date_text="2026-08-01",
        limits=LIMITS,
        us_units=False,
        zones=zones,
    )


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "map.html"
    path.write_text(map_page(made_content()), "utf-8")
    return path.as_uri()


@pytest.fixture
def browser(driver, address):
    """The page, freshly opened, all rasters unpacked; no error may be on its console."""
    open_page(driver, address)
    yield driver
    assert [entry["message"] for entry in driver.get_log("browser")] == []


def open_page(driver, address, width=1280, height=800, *, mobile=False):
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": mobile},
    )
    driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": mobile})
    driver.get_log("performance")
    driver.get_log("browser")
    driver.get(address)
    driver.execute_async_script("covermap.ready.then(() => arguments[0]())")


def find(browser, selector):
    from selenium.webdriver.common.by import By

    return browser.find_element(By.CSS_SELECTOR, selector)


def press(browser, *keys):
    from selenium.webdriver.common.action_chains import ActionChains

    ActionChains(browser, duration=0).send_keys(*keys).perform()


def choose_layer(browser, title):
    """Click the title in the layer switch, as a person does."""
    from selenium.webdriver.common.by import By

    path = f"//*[contains(@class,'leaflet-control-layers')]//label[normalize-space()='{title}']"
    browser.find_element(By.XPATH, path).click()


def card_text(browser):
    """Give the text of the open card, while it still fades in too."""
    text = find(browser, ".leaflet-popup .feature-card").get_property("innerText")
    return text.replace("\t", " ")


def requests(browser):
    """Give the addresses that were asked for, of everything but this document's own data."""
    seen = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    return [
        one["params"]["request"]["url"]
        for one in seen
        if one["method"] == "Network.requestWillBeSent"
        and not one["params"]["request"]["url"].startswith("data:")
    ]


def pixel_of(browser, grid, east, north):
    """Give where a place is on the screen; pyproj says where it is on Earth."""
    lon, lat = Transformer.from_crs(grid.crs, 4326, always_xy=True).transform(east, north)
    spot = browser.execute_script(
        "const p = covermap.map.latLngToContainerPoint([arguments[0], arguments[1]]);"
        "return [p.x, p.y]",
        lat,
        lon,
    )
    return round(spot[0]), round(spot[1])


def place_of(browser, grid, x, y):
    """Give easting and northing of a pixel."""
    lat, lon = browser.execute_script(
        "const at = covermap.map.containerPointToLatLng([arguments[0], arguments[1]]);"
        "return [at.lat, at.lng]",
        x,
        y,
    )
    return Transformer.from_crs(4326, grid.crs, always_xy=True).transform(lon, lat)


def point_at(browser, x, y, *more):
    """Move the pointer to a pixel; ``more`` are "click", "pointer_down", "pointer_up" there."""
    from selenium.webdriver.common.actions.action_builder import ActionBuilder

    actions = ActionBuilder(browser, duration=0)
    actions.pointer_action.move_to_location(x, y)
    for what in more:
        getattr(actions.pointer_action, what)()
    actions.perform()


def look_closer(browser, grid, east, north, zoom=19):
    lon, lat = Transformer.from_crs(grid.crs, 4326, always_xy=True).transform(east, north)
    browser.execute_script(
        "covermap.map.setView([arguments[0], arguments[1]], arguments[2], {animate: false})",
        lat,
        lon,
        zoom,
    )


def test_the_page_opens_quickly_and_asks_nobody(driver, tmp_path):
    """100 ha at 0.5 m: pictures and numbers ready within 2 s, with no network."""
    grid = Grid(GRID.crs, 430_000.0, 5_480_000.0, 0.5, 2000, 2000)
    content = made_content(grid)
    west, south, _, north = grid.bounds
    along = np.linspace(south, north, 120)
    edge = np.sin(np.arange(120)) + 2.0
    many = [
        Polygon(np.r_[np.c_[x - edge, along], np.c_[x + edge, along][::-1]])
        for x in west + np.linspace(10, 990, 500)
    ]
    strips = pd.concat([content.strips.iloc[:1]] * len(many)).set_geometry(many, crs=grid.crs)
    page = tmp_path / "large.html"
    page.write_text(map_page(dataclasses.replace(content, strips=strips)), "utf-8")
    assert page.stat().st_size < 5_000_000
    taken = []
    for _ in range(2):  # the better of two, so that what else the machine does counts less
        start = time.perf_counter()
        open_page(driver, page.as_uri())
        taken.append(time.perf_counter() - start)
    assert min(taken) < within(2.0)
    assert requests(driver) == [page.as_uri()]
    assert driver.get_log("browser") == []
    painted = driver.execute_script(
        "const c = document.querySelector('canvas.field-image');"
        "return [c.width, c.height, [...c.getContext('2d').getImageData(500, 500, 1, 1).data]]"
    )
    assert painted[:2] == [1000, 1000]
    assert painted[2][3] == 255


def test_the_picture_lies_where_the_cells_are(browser):
    """Colours on the screen at cells picked by pyproj, against the raster's own colours."""
    choose_layer(browser, "Residue")
    for title in ("Field outline", "Passes", "Gap strips", "Double strips"):
        choose_layer(browser, title)
    residue = made_content().bands["residue_t_ha"]
    ramp = rated_colours(browser, "residue_t_ha")
    west, _, _, north = GRID.bounds
    for col, row in ((60, 60), (298, 20), (30, 200), (300, 228)):
        look_closer(browser, GRID, west + col, north - row, 21)
        screen = np.asarray(Image.open(io.BytesIO(browser.get_screenshot_as_png())).convert("RGB"))
        for dc, dr in ((0, 0), (2, 1), (-2, -1), (1, -2)):
            x, y = pixel_of(browser, GRID, west + col + dc + 0.5, north - row - dr - 0.5)
            wanted = ramp[np.abs(ramp[:, 0] - residue[row + dr, col + dc]).argmin(), 1:]
            assert np.abs(screen[y, x].astype(int) - wanted).max() <= 2, (col, row, dc, dr)


def rated_colours(browser, name):
    """Give value, red, green, blue of every level that the page holds."""
    levels, colours = browser.execute_script(
        "const r = covermap.rasters[arguments[0]]; return [r.levels, r.colours]", name
    )
    rgb = np.frombuffer(bytes.fromhex(colours), np.uint8).reshape(-1, 3)
    shown = np.column_stack([levels, rgb])
    if name == "spread_ratio":
        own = colourise(name, np.array(levels), 0.0, 2.0)[:, :3]
        assert (own == rgb).all()
    return shown


def test_layers_switch_with_their_legend_and_opacity(browser):
    from selenium.webdriver.common.keys import Keys

    rated_colours(browser, "spread_ratio")
    for title, unit in (
        ("Residue", "t/ha"),
        ("Ground cover", "%"),
        ("Passes that laid residue here", "number"),
        ("Spread ratio after harrowing", "1 = even"),
        ("Ground cover after operations", "%"),
    ):
        choose_layer(browser, title)
        heads = browser.execute_script(
            "return [...document.querySelectorAll('#legend h2')]"
            ".filter(h => h.offsetParent).map(h => h.innerText)"
        )
        assert heads == [f"{title} [{unit}]"]
        assert browser.execute_script(
            "return [...document.querySelectorAll('canvas.field-image')]"
            ".map(c => c.getAttribute('aria-label').split(':')[0])"
        ) == [title]
    find(browser, "#opacity").send_keys(*[Keys.ARROW_LEFT] * 8)
    pane = find(browser, ".leaflet-field-pane")
    assert float(pane.value_of_css_property("opacity")) == pytest.approx(0.6)
    # causes and zones come with their keys in the legend
    assert not find(browser, "[data-shape=causes]").is_displayed()
    choose_layer(browser, "Causes of strips")
    choose_layer(browser, "Plan zones")
    browser.execute_script("document.getElementById('legend').open = true")
    assert "Cr: crosswind" in find(browser, "#legend").text
    assert "H: heavy harrow" in find(browser, "#legend").text
    letters = browser.execute_script(
        "return [...document.querySelectorAll('.zone-code')].map(e => e.textContent).sort()"
    )
    assert letters == ["Cr", "H", "Mi"]


def test_a_click_on_a_strip_or_pass_opens_its_card(browser):
    west, _, _, north = GRID.bounds
    look_closer(browser, GRID, west + 162, north - 120)
    point_at(browser, *pixel_of(browser, GRID, west + 162.5, north - 118), "click")
    card = card_text(browser)
    for words in ("Double strip rank 1", "Too much by 960 kg", "Cause crosswind",
                  "Next pass heavy harrow [plan-harrow]"):  # fmt: skip
        assert words in card
    find(browser, "input[value=us]").click()
    assert "Too much by 2,116 lb" in card_text(browser)
    press(browser, "\ue00c")  # Esc
    gone = "return document.querySelector('.leaflet-popup') === null"
    wait_until(lambda: browser.execute_script(gone))  # it fades
    look_closer(browser, GRID, west + 126, north - 120)
    point_at(browser, *pixel_of(browser, GRID, west + 126, north - 130), "click")
    assert "Pass 11\n" in card_text(browser)


def test_the_readout_tells_the_raster_under_the_pointer(browser):
    bands = made_content().bands
    west, south, east, north = GRID.bounds
    rng = np.random.default_rng(8)
    look_closer(browser, GRID, (west + east) / 2, (south + north) / 2, 18)
    for x, y in zip(rng.integers(400, 900, 8), rng.integers(100, 600, 8), strict=True):
        point_at(browser, int(x), int(y))
        text = find(browser, "#readout-text").text.replace("\u00a0", " ")
        at = place_of(browser, GRID, int(x), int(y))
        col, row = int((at[0] - west) // 1), int((north - at[1]) // 1)
        if not (0 <= row < GRID.rows and 0 <= col < GRID.cols and bands["layers"][row, col] >= 0):
            assert text == "No residue mapped here."
            continue
        found = re.fullmatch(
            r"([\d.]+) t/ha ±([\d.]+) · cover ([\d.]+) % ±([\d.]+) · "
            r"spread ratio ([\d.]+) ±([\d.]+)",
            text,
        )
        assert found, text
        numbers = [float(value) for value in found.groups()]
        for k, (name, shown_to) in enumerate(
            (("residue_t_ha", 0.005), ("cover_pct", 0.5), ("spread_ratio", 0.005))
        ):
            off = abs(numbers[2 * k] - bands[name][row, col])
            # the error is written with one digit
            assert off <= 1.5 * numbers[2 * k + 1] + shown_to + 1e-6, (name, text)
    look_closer(browser, GRID, west + 20, north - 20)
    point_at(browser, *pixel_of(browser, GRID, west + 20, north - 20))
    assert find(browser, "#readout-text").text == "No residue mapped here."
    look_closer(browser, GRID, (west + east) / 2, (south + north) / 2, 18)
    # the same in US units, without moving
    point_at(browser, 700, 300)
    metric = float(find(browser, "#readout-text").text.split()[0])
    browser.execute_script("document.querySelector('input[value=us]').click()")
    us = float(find(browser, "#readout-text").text.split()[0].replace(",", ""))
    assert us == pytest.approx(metric * LB_AC, abs=0.005 * LB_AC + 1)
    wait_until(lambda: "lb/ac" in find(browser, "#spoken").get_attribute("textContent"))


def section_of(browser):
    """Give the ends as the page shows them [m] and what it reads between them."""
    ends = []
    for name in ("start", "end"):
        lat, lon = map(float, find(browser, f"#section-{name}").get_property("value").split(","))
        ends.append(Transformer.from_crs(4326, GRID.crs, always_xy=True).transform(lon, lat))
    read = browser.execute_script(
        "const end = id => L.latLng(document.getElementById(id).value.split(',').map(Number));"
        "return covermap.section(end('section-start'), end('section-end'))"
    )
    return ends, read


def assert_reads_the_raster(browser):
    bands = made_content().bands
    (start, end), read = section_of(browser)
    for name, band in bands.items():
        distance, wanted = cross_section(band, GRID, start, end)
        np.testing.assert_allclose(read["distance_m"], distance, atol=2e-3)
        found = np.array([np.nan if v is None else v for v in read["values"][name]], float)
        levels, errors = browser.execute_script(
            "const r = covermap.rasters[arguments[0]]; return [r.levels, r.errors]", name
        )
        # a reading on the edge of two cells may be that of either
        points = np.asarray(start) + np.linspace(0, 1, len(distance))[:, None] * np.subtract(
            end, start
        )
        off_edge = np.abs(points - np.rint(points)).min(axis=1) > 2e-3
        assert off_edge.sum() > 0.9 * len(distance)
        assert (np.isnan(found) == np.isnan(wanted))[off_edge].all()
        known = off_edge & np.isfinite(found)
        stated = np.interp(found[known], levels, errors)
        assert (np.abs(found - wanted)[known] <= 1.01 * stated + 1e-4).all(), name
    return read


def test_a_cross_section_by_two_clicks_reads_the_raster(browser):
    west, _, _, north = GRID.bounds
    look_closer(browser, GRID, west + 140, north - 120, 18)
    find(browser, "#section-button").click()
    assert find(browser, "#section").is_displayed()
    # a strip lies under the first click, and its card must not open
    point_at(browser, *pixel_of(browser, GRID, west + 102, north - 100), "click")
    assert browser.execute_script("return document.querySelector('.leaflet-popup')") is None
    point_at(browser, *pixel_of(browser, GRID, west + 175, north - 112), "click")
    read = assert_reads_the_raster(browser)
    (start, end), _ = section_of(browser)
    line, passes = LineString([start, end]), made_content().passes
    crossed = passes[passes.crosses(line)]
    assert len(crossed) in (6, 7)
    assert [name for _, name in read["crossings"]] == [str(n) for n in crossed["pass_id"]]
    places = [line.project(line.intersection(one)) for one in crossed.geometry]
    np.testing.assert_allclose([at for at, _ in read["crossings"]], places, atol=0.2)
    words = find(browser, "#section-words").text.replace("\u00a0", " ")
    assert re.match(r"7[34]\.\d m, [67] passes crossed; mean [\d.]+, least 0\.\d+, most", words)
    drawn = find(browser, "#section-plot svg")
    texts = browser.execute_script(
        "return [...arguments[0].querySelectorAll('text')].map(t => t.textContent)", drawn
    )
    assert {"gap 0.5", "double 1.5", "distance from start [m]", "ratio", "11"} <= set(texts)
    assert browser.execute_script("return document.querySelectorAll('.plot-double').length") >= 1
    # in US units and for another layer, without drawing again
    find(browser, "input[value=us]").click()
    choose_layer(browser, "Residue")
    assert "distance from start [ft]" in find(browser, "#section-plot").text
    assert "lb/ac" in find(browser, "#section-words").text
    assert "Residue along the line" in find(browser, "#section-table").get_attribute("textContent")


def test_a_cross_section_by_drag_and_esc(browser):
    west, _, _, north = GRID.bounds
    look_closer(browser, GRID, west + 140, north - 60, 18)
    find(browser, "#section-button").click()
    x, y = pixel_of(browser, GRID, west + 115, north - 50)
    before = browser.execute_script("return covermap.map.getCenter().lng")
    point_at(browser, x, y, "pointer_down")
    point_at(browser, x + 40, y + 20)
    point_at(browser, x + 150, y + 40, "pointer_up")
    assert_reads_the_raster(browser)
    assert browser.execute_script("return covermap.map.getCenter().lng") == before
    press(browser, "\ue00c")  # Esc
    assert not find(browser, "#section").is_displayed()
    assert browser.execute_script("return document.activeElement.id") == "section-button"
    assert browser.execute_script("return document.querySelectorAll('.section-line').length") == 0


def test_everything_works_from_the_keyboard(browser):
    """WCAG 2.2, 2.1.1 and 2.4.7: every control is reached by Tab, and shows that it is."""
    from selenium.webdriver.common.keys import Keys

    wanted = {"section-button", "opacity", "print-button", "field", "zoom", "legend", "layers"}
    reached, seen = set(), []
    browser.execute_script("document.activeElement.blur()")
    for _ in range(35):
        press(browser, Keys.TAB)
        name, outline = browser.execute_script(
            "const e = document.activeElement; const s = getComputedStyle(e);"
            "const n = e.id.startsWith('map_') ? 'field' : e.closest('.leaflet-control-zoom')"
            " ? 'zoom' : e.closest('#legend') ? 'legend' :"
            " e.closest('.leaflet-control-layers') ? 'layers' : e.id || e.name || e.tagName;"
            "return [n, s.outlineStyle + s.outlineWidth]"
        )
        seen.append((name, outline))
        reached.add(name)
    assert wanted <= reached
    assert "path" not in reached  # hundreds of strips would stand before the legend
    assert all(outline == "solid3px" for name, outline in seen if name in wanted)
    # the line across the middle pass, its numbers, and back
    find(browser, "#section-button").send_keys(Keys.ENTER)
    find(browser, "#section-middle").send_keys(Keys.ENTER)
    read = assert_reads_the_raster(browser)
    assert len(read["crossings"]) == 5
    start = find(browser, "#section-start").get_property("value")
    find(browser, "#section details summary").send_keys(Keys.ENTER)
    find(browser, "#section-end").clear()
    find(browser, "#section-end").send_keys("nowhere", Keys.ENTER)
    assert "latitude, longitude" in find(browser, "#section-words").text
    lat, lon = map(float, start.split(","))
    find(browser, "#section-end").clear()
    find(browser, "#section-end").send_keys(f"{lat + 0.0003}, {lon + 0.0004}", Keys.ENTER)
    assert_reads_the_raster(browser)
    rows = browser.execute_script(
        "return [...document.querySelectorAll('#section-table tbody tr')].map(r => r.innerText)"
    )
    assert 10 <= len(rows) <= 41
    press(browser, Keys.ESCAPE)
    assert not find(browser, "#section").is_displayed()
    # what lies at the middle of the map, with arrow keys
    browser.execute_script("document.querySelector('.folium-map').focus({focusVisible: true})")
    browser.execute_script("covermap.map.once('moveend', () => { window.moved = true; })")
    press(browser, Keys.ARROW_RIGHT)
    wait_until(lambda: browser.execute_script("return window.moved"))
    assert find(browser, ".aim").is_displayed()
    centre = browser.execute_script("return covermap.toGrid(covermap.map.getCenter())")
    residue = made_content().bands["residue_t_ha"][int(centre[1]), int(centre[0])]
    assert abs(float(find(browser, "#readout-text").text.split()[0]) - residue) < 0.2
    # strips and passes from the list
    find(browser, "#more summary").send_keys(Keys.ENTER)
    find(browser, "#look-at").send_keys("Gap")
    find(browser, "#look-button").send_keys(Keys.ENTER)
    assert "Gap strip rank 2" in card_text(browser)
    assert "missing fixes in the log" in find(browser, "#spoken").get_property("textContent")


def test_units_change_every_number(browser):
    look = ("#field-card", "#legend", ".leaflet-control-scale", "#look-at", "#readout")
    choose_layer(browser, "Residue")
    point_at(browser, 600, 400)
    browser.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")

    def shown():
        return " ".join(find(browser, part).text for part in look)

    metric = shown()
    assert re.search(r"\d (ha|m|t/ha)\b", metric)
    assert not re.search(r"\d\s(ac|ft|lb|lb/ac)\b|\[lb/ac\]", metric)
    find(browser, "input[value=us]").click()
    us = shown()
    assert not re.search(r"\d\s(ha|m|kg|t/ha)\b|\[t/ha\]", us), us
    assert "18.98 ac" in us
    assert "[lb/ac]" in us
    assert re.search(r"\d+ ft", find(browser, ".leaflet-control-scale").text)
    find(browser, "input[value=metric]").click()
    assert shown() == metric


def test_a_phone_shows_map_and_tools_within_its_screen(driver, address):
    open_page(driver, address, 390, 844, mobile=True)
    boxes = driver.execute_script(
        "return ['#field-card', '#tools', '#legend', '#north', '#readout',"
        " '.leaflet-control-layers'].map(s => {"
        " const r = document.querySelector(s).getBoundingClientRect();"
        " return [r.left, r.top, r.right, r.bottom] })"
    )
    assert all(b[0] >= 0 and b[1] >= 0 and b[2] <= 390 and b[3] <= 844 for b in boxes)
    for i, one in enumerate(boxes):  # no panel lies on another
        for other in boxes[i + 1 :]:
            apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1]
            assert apart or other[3] <= one[1], (one, other)
    assert driver.execute_script("return document.documentElement.scrollWidth") <= 390
    field = driver.execute_script(
        "const b = covermap.bounds, p = c => covermap.map.latLngToContainerPoint(c);"
        "return [p(b.getNorthWest()).x, p(b.getNorthWest()).y,"
        " p(b.getSouthEast()).x, p(b.getSouthEast()).y]"
    )
    assert field[0] >= 0
    assert field[1] >= boxes[1][3]
    assert field[2] <= 390
    assert field[3] <= 844
    assert field[2] - field[0] > 150  # the field is the largest thing to see
    assert "t/ha" not in find(driver, "#readout-text").text
    tap(driver, 195, (field[1] + field[3]) / 2)
    wait_until(lambda: "t/ha" in find(driver, "#readout-text").text)
    find(driver, "#tools > summary").click()
    find(driver, "#section-button").click()
    find(driver, "#section-middle").click()
    panel = find(driver, "#section").rect
    assert panel["x"] >= 0
    assert panel["x"] + panel["width"] <= 390
    assert find(driver, "#section-plot svg").rect["width"] <= 390
    assert_reads_the_raster(driver)
    assert driver.get_log("browser") == []


def tap(driver, x, y):
    for kind, points in (("touchStart", [{"x": x, "y": y}]), ("touchEnd", [])):
        driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})


def test_no_server_is_asked_before_a_person_wants_it(browser):
    requests(browser)
    find(browser, "#more summary").click()
    find(browser, "#background").click()
    assert "whole address" in find(browser, "#background-message").text
    assert not find(browser, "#background").is_selected()
    find(browser, "#background-address").send_keys("https://tiles.invalid/{z}/{x}/{y}.png")
    assert requests(browser) == []
    find(browser, "#background").click()
    wait_until(lambda: any("tiles.invalid" in one for one in requests(browser)))
    told = "No picture comes from that address"
    wait_until(lambda: told in find(browser, "#background-message").text)
    find(browser, "#background").click()
    assert find(browser, "#background-message").text == ""
    failed = browser.get_log("browser")  # of the tiles, and of nothing else
    assert failed
    assert all("tiles.invalid" in entry["message"] for entry in failed)


def test_print_puts_map_legend_and_facts_on_one_page(browser):
    try:
        from pypdf import PdfReader
    except ImportError:
        if os.environ.get("CI"):
            raise
        pytest.skip("pypdf reads the printed page, and is not installed")
    choose_layer(browser, "Residue")
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"printBackground": False})
    pdf = PdfReader(io.BytesIO(base64.b64decode(printed["data"])))
    assert len(pdf.pages) == 1
    words = unicodedata.normalize("NFKC", " ".join(pdf.pages[0].extract_text().split()))
    for text in (
        "Low Meadow",
        "7.68 ha",
        "Engine off, key out.",
        "gap: below 0.5",
        "Residue [t/ha]",
    ):
        assert text in words
    for text in ("Cross-section", "Opacity", "US", "18.98 ac", "Point at the map"):
        assert text not in words
    # afterwards the screen is as before
    assert find(browser, "#section-button").is_displayed()
    assert find(browser, "#legend").is_displayed()
    assert browser.execute_script("return document.body.className") == ""


def test_hostile_text_stays_text(driver, tmp_path):
    bad = "</script><script>window.hit=1</script><img src=x onerror='window.hit=1'>"
    content = made_content()
    strips = content.strips.assign(passes=bad)
    page = tmp_path / "hostile.html"
    page.write_text(
        map_page(
            dataclasses.replace(content, title=bad, strips=strips, facts=[[bad, bad, bad + "us"]])
        ),
        "utf-8",
    )
    open_page(driver, page.as_uri())
    driver.execute_script("covermap.showStrip(0)")
    assert bad in card_text(driver)
    assert find(driver, "h1").text == bad
    assert driver.execute_script("return window.hit === undefined")
    assert driver.get_log("browser") == []

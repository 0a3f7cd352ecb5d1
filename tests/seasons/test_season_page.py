"""The season book in a real browser without a network: what a person sees, sorts and finds.

Chromium and its driver are Debian's packages ``chromium`` and ``chromium-driver``. Without
them, or without selenium, these tests are skipped; under ``CI`` that is an error.
"""

import base64
import json

import pytest
from deadlines import wait_until, within

from covermap.seasons.rankings import PASS_COLUMNS, rankings
from covermap.seasons.season_notes import season_facts, season_notes, worst_fields
from covermap.seasons.season_page import SeasonContent, season_page
from covermap.seasons.season_tables import field_table
from covermap.seasons.thumbnail import _png

HOSTILE = '<img src=x onerror="document.title=1"><script>document.title = 2</script>'


def record(number, **values):
    base = {
        "field_id": f"field-{number}", "name": f"Field {number}", "status": "mapped",
        "source": f"log {number}.csv", "machine": f"combine {number % 3}", "crop": "wheat",
        "harvested_ha": 5 + number % 7, "passes": 20, "discharge": "spread", "profile": "flat",
        "spread_width_m": 9.0, "lean_m": 0.0, "cut_width_m": 9.0, "cv_pct": (number * 37) % 101,
        "urdr": 1.5, "gap_ha": 0.5, "gap_share": 0.1, "gap_strips": 3, "missing_t": 1.0,
        "double_ha": 0.25, "double_share": 0.05, "double_strips": 2, "too_much_t": 1.0,
        "gap_below": 0.5, "double_above": 1.5, "main_cause": "crosswind",
        "main_cause_rule": "cause-wind", "mean_residue_t_ha": 5.0, "mean_cover_pct": 80.0,
        "wind_speed_m_s": 4.0, "wind_from_deg": 270.0, "covermap": "0.1.0",
    }  # fmt: skip
    return base | values


def page_of(records, picture="", us_units=False):
    import pandas as pd

    fields = field_table(records)
    found = rankings(fields, pd.DataFrame(columns=[*PASS_COLUMNS, "field_id"]))
    mapped = fields.loc[fields["status"] == "mapped", "field_id"]
    return season_page(
        SeasonContent(
            name=f"Harvest {HOSTILE}",
            fields=fields,
            rankings=found,
            facts=season_facts(fields, us_units),
            worst=worst_fields(fields),
            notes={
                part: [one.as_told(us_units=False) for one in said]
                for part, said in season_notes(fields).items()
                if part in ("fields", "caution")
            },
            folders={k: f"fields/{k}" for k in mapped},
            pictures=dict.fromkeys(mapped, picture),
            years=None,
            previous="",
            files=(),
            covermap="0.1.0",
            us_units=us_units,
        )
    )


def made_picture():
    import numpy as np

    ratio = np.random.default_rng(4).normal(1, 0.4, (96, 70)).astype(np.float32)
    return _png(ratio, (0.0, 2.0))


#: In the order of the page; the third has no CV, the last one failed.
FEW = [
    record(2, name=HOSTILE, cv_pct=9.6, machine="combine 2"),
    record(10, cv_pct=110.0, machine="combine 10"),
    record(11, cv_pct=None, machine=None),
    record(12, cv_pct=25.2, machine="Combine 9"),
    {"field_id": "zz", "name": "Broken", "status": "failed", "reason": "no position in it."},
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A page of few fields, with its picture beside it."""
    folder = tmp_path_factory.mktemp("book")
    (folder / "thumbnails").mkdir()
    (folder / "thumbnails" / "one.png").write_bytes(made_picture())
    (folder / "season.html").write_text(page_of(FEW, "thumbnails/one.png"), "utf-8")
    return folder


@pytest.fixture
def browser(driver, folder):
    """The page, freshly opened; no error may be on its console."""
    show(driver, (folder / "season.html").as_uri())
    yield driver
    assert [entry["message"] for entry in driver.get_log("browser")] == []


def show(driver, address, width=1280, *, scripts=True):
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": not scripts})
    driver.get_log("performance")
    driver.get_log("browser")
    driver.get("about:blank")
    driver.get(address)


def find(browser, selector):
    from selenium.webdriver.common.by import By

    return browser.find_element(By.CSS_SELECTOR, selector)


def head(browser, title):
    from selenium.webdriver.common.by import By

    path = f"//table[@id='fields']/thead//th[normalize-space()='{title}']"
    return browser.find_element(By.XPATH, path)


def column(browser, title):
    """Give the texts of a column of the fields, rows that are shown only, top to bottom."""
    return browser.execute_script(
        "const t = document.getElementById('fields');"
        "const k = [...t.tHead.rows[0].cells].findIndex(c => c.textContent === arguments[0]);"
        "return [...t.tBodies[0].rows].filter(r => r.offsetHeight)"
        ".map(r => r.cells[k].firstChild.textContent.trim())",
        title,
    )


def test_it_asks_for_nothing_but_its_pictures(browser, folder):
    loaded = "const i = [...document.images]; return i.map(x => x.complete && x.naturalWidth)"
    wait_until(lambda: browser.execute_script(loaded) == [70] * 4)
    seen = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = {
        one["params"]["request"]["url"]
        for one in seen
        if one["method"] == "Network.requestWillBeSent"
    } - {"about:blank"}
    assert asked == {(folder / n).as_uri() for n in ("season.html", "thumbnails/one.png")}
    assert all(image.get_attribute("alt") for image in browser.find_elements("css selector", "img"))


def test_what_a_person_typed_stays_text(browser):
    assert browser.title == f"Harvest {HOSTILE} – season book"
    assert HOSTILE in find(browser, "h1").text
    assert HOSTILE in column(browser, "field")
    assert browser.execute_script("return document.scripts.length") == 1
    found = browser.find_elements("css selector", "tbody th a")
    assert all(a.get_attribute("href").startswith("file:") for a in found)


def test_numbers_sort_as_numbers_and_what_is_unknown_comes_last(browser):
    title = "Unevenness (CV) [%]"
    assert head(browser, title).get_attribute("aria-sort") is None
    head(browser, title).find_element("css selector", "button").click()
    assert column(browser, title) == ["10", "25", "110", "–", "–"]
    assert head(browser, title).get_attribute("aria-sort") == "ascending"
    head(browser, title).find_element("css selector", "button").click()
    assert column(browser, title) == ["110", "25", "10", "–", "–"]
    assert head(browser, title).get_attribute("aria-sort") == "descending"


def test_names_sort_by_their_numbers_with_the_keyboard(browser):
    from selenium.webdriver.common.keys import Keys

    head(browser, "crop").find_element("css selector", "button").click()
    button = head(browser, "machine").find_element("css selector", "button")
    button.send_keys(Keys.ENTER)
    assert column(browser, "machine") == ["combine 2", "Combine 9", "combine 10", "–", "–"]
    button.send_keys(Keys.SPACE)
    assert column(browser, "machine") == ["combine 10", "Combine 9", "combine 2", "–", "–"]
    assert head(browser, "crop").get_attribute("aria-sort") is None
    assert len(browser.find_elements("css selector", "th[aria-sort]")) == 1
    # tabbing from the box of the filter reaches the region of the table, then its first head
    find(browser, "#filter").send_keys(Keys.TAB)
    browser.switch_to.active_element.send_keys(Keys.TAB)
    assert browser.switch_to.active_element.text.startswith("field")


def test_every_column_but_the_picture_sorts(browser):
    heads = browser.find_elements("css selector", "#fields thead th")
    assert len(heads) == 18
    for one in heads[1:]:
        one.find_element("css selector", "button").click()
        assert one.get_attribute("aria-sort") == "ascending"
    assert not heads[0].find_elements("css selector", "button")


def test_the_filter_finds_words_and_says_how_many(browser):
    box = find(browser, "#filter")
    box.send_keys("WHEAT log 12")
    wait_for(browser, "1 of 5 fields shown")
    assert column(browser, "field") == ["Field 12"]
    box.clear()
    box.send_keys("failed")
    wait_for(browser, "1 of 5 fields shown", lambda: column(browser, "field") == ["Broken"])
    # a link to a hidden row brings it back
    browser.execute_script("location.hash = '#field-field-12'")
    wait_for(browser, "5 of 5 fields shown")
    assert find(browser, "#told").get_attribute("role") == "status"


def wait_for(browser, text, true=lambda: True):
    told = lambda: find(browser, "#told").text  # noqa: E731
    wait_until(lambda: told() == text and true(), found=told)


def test_without_scripts_it_is_a_plain_table(driver, folder):
    show(driver, (folder / "season.html").as_uri(), scripts=False)
    try:
        rows = driver.find_elements("css selector", "#fields tbody tr")
        assert len(rows) == 5
        assert rows[4].text.startswith("Broken")
        assert not find(driver, "#filter").is_displayed()
        assert not driver.find_elements("css selector", "thead button")
    finally:
        driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_a_narrow_screen_scrolls_the_table_not_the_page(driver, folder):
    show(driver, (folder / "season.html").as_uri(), 400)
    page, table, view = driver.execute_script(
        "const s = document.querySelector('#fields').closest('.scroll');"
        "return [document.documentElement.scrollWidth, s.scrollWidth, s.clientWidth]"
    )
    assert page <= 400
    assert table > view
    driver.execute_script("document.querySelector('#fields').closest('.scroll').scrollLeft = 500")
    left = driver.execute_script(
        "return document.querySelector('#fields tbody th').getBoundingClientRect().left"
    )
    assert 0 <= left < 40  # the name of the field stays in sight


def test_two_thousand_rows_open_and_sort_fast(driver, tmp_path):
    """A second is the most that a click may take."""
    path = tmp_path / "season.html"
    records = [record(k) for k in range(1990)] + [record(k, cv_pct=None) for k in range(1990, 2000)]
    path.write_text(page_of(records, "thumbnails/x.png"), "utf-8")
    assert path.stat().st_size < 5_000_000
    show(driver, path.as_uri())
    taken = driver.execute_script(
        "const b = [...document.querySelectorAll('#fields thead button')].slice(2, 8);"
        "return b.map(one => { const t = performance.now(); one.click();"
        " document.body.offsetHeight; return performance.now() - t; })"
    )
    assert sorted(taken)[len(taken) // 2] < within(1000)
    head(driver, "Unevenness (CV) [%]").find_element("css selector", "button").click()
    values = column(driver, "Unevenness (CV) [%]")
    assert values == sorted((f"{(k * 37) % 101}" for k in range(1990)), key=int)[:300]
    find(driver, "#filter").send_keys("log 1999.csv")
    wait_for(driver, "1 of 2000 fields shown")
    find(driver, "#filter").clear()
    find(driver, "#filter").send_keys(" ")
    wait_for(driver, "300 of 2000 fields shown")
    find(driver, "#all").click()
    wait_for(driver, "2000 of 2000 fields shown")
    values = column(driver, "Unevenness (CV) [%]")
    assert len(values) == 2000
    assert values[1990:] == ["–"] * 10
    # a ranking leads to a row that was not shown
    show(driver, path.as_uri())
    assert not find(driver, "#field-field-1999").is_displayed()
    driver.execute_script("location.hash = '#field-field-1999'")
    wait_for(driver, "2000 of 2000 fields shown")
    assert find(driver, "#field-field-1999").is_displayed()


def test_print_leaves_the_tools_out_and_repeats_the_heads(driver, folder):
    import pypdfium2

    show(driver, (folder / "season.html").as_uri())
    sheets = driver.execute_cdp_cmd(
        "Page.printToPDF", {"preferCSSPageSize": True, "printBackground": False}
    )
    document = pypdfium2.PdfDocument(base64.b64decode(sheets["data"]))
    # A4 landscape, ISO 216, in points
    assert document[0].get_size() == pytest.approx((297 / 25.4 * 72, 210 / 25.4 * 72), abs=1)
    text = "".join(page.get_textpage().get_text_range() for page in document)
    assert "Show fields with" not in text
    assert "engine off, key out" in text
    assert "strongest cause" in text
    document.close()

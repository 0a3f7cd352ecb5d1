"""Fixtures that more than one test file asks for."""

import os
import shutil
from functools import cache
from pathlib import Path

import hypothesis
import pytest
from deadlines import within

# How long an example takes says how busy the machine is, not whether the law holds.
hypothesis.settings.register_profile(
    "laws", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow]
)
hypothesis.settings.load_profile("laws")


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Folder of real tracks nobody here made; skipped when absent, but never on CI."""
    given = os.environ.get("COVERMAP_OPEN_DATA")
    folder = Path(given) if given else Path(__file__).parents[2] / "shared" / "data"
    if not (folder / "corn_clock_repaired.csv").is_file():
        missing = "open data not found; set COVERMAP_OPEN_DATA to its folder"
        if os.environ.get("CI"):
            raise FileNotFoundError(missing)
        pytest.skip(missing)
    return folder


@pytest.fixture(scope="session")
def mapped_sample(tmp_path_factory):
    """Give a function that maps a sample field as it stands, once."""
    from covermap.cli.sample_command import write_sample
    from covermap.field.open_field import open_field
    from covermap.field.whole_field import map_field

    @cache
    def of(name: str):
        opened = open_field(write_sample(tmp_path_factory.mktemp(name), name))
        return map_field(opened.track, opened.settings, opened.boundary, None, opened.wind)

    return of


@pytest.fixture(scope="module")
def driver():
    """A real browser without a network; skipped where there is none, but never on CI."""
    missing = [name for name in ("chromium", "chromedriver") if shutil.which(name) is None]
    try:
        from selenium import webdriver
        from selenium.webdriver.chrome.service import Service
    except ImportError:
        missing.append("selenium")
    if missing:
        reason = f"no browser test without {', '.join(missing)}"
        if os.environ.get("CI"):
            raise RuntimeError(reason)
        pytest.skip(reason)
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium")
    for word in (
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--hide-scrollbars",
        "--force-device-scale-factor=1",
        "--host-resolver-rules=MAP * ~NOTFOUND",
    ):
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    browser = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    browser.set_script_timeout(within(20))
    yield browser
    browser.quit()

"""Fixtures that more than one test file asks for."""

import os
from pathlib import Path

import pytest


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

"""Picture and text of a tray test: complete, escaped, the same every time, light to import."""

import subprocess
import sys
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from covermap.tray_test.tray_file import TrayTest
from covermap.tray_test.tray_plot import tray_plot
from covermap.tray_test.tray_report import tray_lines
from covermap.tray_test.trays import measure_profile

STATION = np.arange(-8.0, 8.1, 1.0)
LEANING = np.clip(0.2 - np.abs(STATION - 1) * 0.035, 0, None)


def profile(*factors):
    runs = np.array([LEANING * factor for factor in factors])
    names = tuple(f"run {k + 1}" for k in range(len(runs)))
    return measure_profile(
        TrayTest("trays <&>.csv", STATION, np.full(len(STATION), 0.5), names, runs)
    )


def texts(svg):
    return [e.text or "" for e in ET.fromstring(svg).iter() if e.tag.endswith("}text")]


@pytest.mark.parametrize(("us_units", "unit"), [(False, "m"), (True, "ft")])
def test_picture_names_what_it_shows(us_units, unit):
    words = "\n".join(texts(tray_plot(profile(1, 1.1, 0.95), us_units=us_units)))
    for expected in (
        "trays <&>.csv",
        f"position [{unit}]",
        f"share of the residue [% per {unit}]",
        f"spacing of the passes [{unit}]",
        "best shape: triangle",
        "mean ± standard error",
        "reach left",
        "reach right",
        "back and forth",
        "round and round",
        "limit 15 %",
    ):
        assert expected in words, expected


def test_title_is_plain_text_whatever_was_typed():
    title = "<script>alert(1)</script> & $\\alpha$ \x00\x1b" + "x" * 200
    svg = tray_plot(profile(1), title=title)
    assert "<script" not in svg
    shown = next(t for t in texts(svg) if t.startswith("<script>"))
    assert "$\\alpha$" in shown
    assert len(shown) <= 80


def test_picture_needs_nothing_from_outside_and_is_repeatable():
    svg = tray_plot(profile(1, 1.1))
    assert svg == tray_plot(profile(1, 1.1))
    assert "<image" not in svg
    assert all(part.startswith("#") for part in svg.split('xlink:href="')[1:])


def test_limit_that_is_never_met_is_said():
    svg = tray_plot(profile(1), cv_limit_pct=1e-6)
    assert any("never within" in text for text in texts(svg))
    assert (
        "no spacing keeps"
        in dict(tray_lines(profile(1), cv_limit_pct=1e-6))["widest spacing back and forth"]
    )


def test_lines_for_people():
    lines = dict(tray_lines(profile(1, 1.1, 0.95)))
    assert lines["lean"].endswith("m to the right")
    assert "triangle" in lines["best shape"]
    assert lines["amount across the band"].endswith("kg per m of travel")
    assert "engine off" in lines["caution"]
    assert dict(tray_lines(profile(1), us_units=True))["reach left"].endswith(" ft")


def test_import_is_light():
    code = (
        "import sys, covermap.tray_test.tray_plot; "
        "sys.exit(any(m.startswith('matplotlib') for m in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

"""The picture of the spectrum: complete, escaped, the same every time, light to import."""

import subprocess
import sys
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from builders import ORIGIN, UTM

from covermap.cover.spectrum import cross_track_spectrum, spectrum_findings
from covermap.ground.grid import Grid
from covermap.mapped.spectrum_plot import spectrum_plot

COLS = 18 * 12


def made(at_spacings=1.0, cols=COLS, depth=0.4):
    """A ratio that repeats every so many spacings of 9 m, on ground that waves at 50 m."""
    place = (np.arange(cols) + 0.5) * 0.5
    ratio = np.tile(1 + depth * np.cos(2 * np.pi * place / (9.0 * at_spacings)), (120, 1))
    ground = np.tile(0.5 + 0.1 * np.cos(2 * np.pi * place / 50.0), (120, 1))
    grid = Grid(UTM, *ORIGIN, 0.5, 120, cols)
    return cross_track_spectrum(ratio, ground, 10 * ratio * ground, grid, 0.0, 9.0)


def texts(svg):
    return [e.text or "" for e in ET.fromstring(svg).iter() if e.tag.endswith("}text")]


def words(svg):
    return " ".join(texts(svg))


@pytest.mark.parametrize(
    ("us_units", "unit", "one", "two"), [(False, "m", "9.0", "18.0"), (True, "ft", "29.5", "59.1")]
)
def test_picture_names_what_it_shows(us_units, unit, one, two):
    spectrum = made()
    shown = words(spectrum_plot(spectrum, title="wheat <&>", us_units=us_units))
    for expected in (
        "wheat <&>",
        f"distance between repeats across the passes [{unit}]",
        "CV in each band [%]",
        "spread ratio (machine): CV 28 % in all",
        "what lies there",
        f"what the ground gave: CV {spectrum.given.cv_pct:.0f} % in all",
        f"{one} {unit}",
        f"{two} {unit}",
        "CV 28 %*",
        "does not stand out",
    ):
        assert expected in shown, expected
    for said in spectrum_findings(spectrum):
        assert said.text(us_units) in shown


def test_curves_are_told_apart_without_colour():
    svg = spectrum_plot(made(), title="")
    paths = [e.get("style", "") for e in ET.fromstring(svg).iter() if e.tag.endswith("}path")]
    dashes = {part for s in paths for part in s.split(";") if "stroke-dasharray" in part}
    assert len(dashes) == 2  # the third is drawn in full
    assert {"machine", "ground"} <= set(texts(svg))


def test_two_spacings_carry_the_number_when_they_are_the_fault():
    shown = texts(spectrum_plot(made(2.0), title="x"))
    assert shown.index("two spacings") < shown.index("CV 28 %*")
    assert shown.index("one spacing") < shown.index("does not stand out")


def test_no_spectrum_says_why_and_draws_nothing():
    spectrum = made(cols=60)
    svg = spectrum_plot(spectrum, title="small")
    assert spectrum.reason.text().split(";")[0] in words(svg)
    assert "CV in each band" not in svg


def test_even_ground_without_any_unevenness_can_be_drawn():
    assert "The spread is even" in words(spectrum_plot(made(depth=0.0), title="even"))


def test_title_is_plain_text_whatever_was_typed():
    title = "<script>alert(1)</script> & $\\alpha$ \x00\x1b" + "x" * 200
    svg = spectrum_plot(made(), title=title)
    assert "<script" not in svg
    shown = next(t for t in texts(svg) if t.startswith("<script>"))
    assert "$\\alpha$" in shown
    assert len(shown) <= 80


def test_picture_needs_nothing_from_outside_and_is_repeatable():
    svg = spectrum_plot(made(), title="same")
    assert svg == spectrum_plot(made(), title="same")
    assert "<image" not in svg
    assert all(part.startswith("#") for part in svg.split('xlink:href="')[1:])


def test_import_is_light():
    code = (
        "import sys, covermap.mapped.spectrum_plot; "
        "sys.exit(any(m.startswith('matplotlib') for m in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

"""The picture of a comparison: complete, escaped, repeatable, readable without colour."""

import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from builders import settings_of, straight_passes, track_of

from covermap.comparison.compare_fields import compare_fields
from covermap.comparison.compare_picture import compare_picture
from covermap.drawing.colours import palette
from covermap.field.whole_field import map_field
from covermap.files.open_result import open_result
from covermap.mapped.write_results import write_results


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    """Two years with gaps and doubles in the same places."""
    folder = tmp_path_factory.mktemp("pictures")
    track = straight_passes(5, 9.0, length_m=60)
    later = track_of(track.fixes.assign(easting=track.fixes["easting"] + 0.5))
    for name, one in (("dry <&> year", track), ("wet", later)):
        settings = settings_of(spread__reach_left=2.5, spread__reach_right=6.5, spread__width=None)
        write_results(map_field(one, settings), folder / name, {"made.csv": name})
    return compare_fields(open_result(folder / "dry <&> year"), open_result(folder / "wet"))


def texts(svg):
    return [e.text or "" for e in ET.fromstring(svg).iter() if e.tag.endswith("}text")]


@pytest.mark.parametrize(("us_units", "length", "area"), [(False, "m", "ha"), (True, "ft", "ac")])
def test_picture_names_what_it_shows(found, us_units, length, area):
    words = texts(compare_picture(found, us_units=us_units))
    assert any(re.fullmatch(rf"[125]0* {length}", word) for word in words)  # scale bar
    assert words.count("N") == 3
    everything = "\n".join(words)
    for expected in (
        "A: dry <&> year",
        "B: wet",
        "B − A",
        "1 = even",
        "gap: below 0.5 × its own residue",
        "double (heavy): above 1.5 × its own residue",
        "strips that come back: gap",
        "strips that come back: double",
        "Harvested in both",
        f" {area};",
    ):
        assert expected in everything, expected
    assert everything.count("gap: below") == everything.count("double (heavy): above") == 2


def test_picture_is_repeatable_and_needs_nothing_from_outside(found):
    svg = compare_picture(found)
    assert svg == compare_picture(found)
    assert "<script" not in svg
    assert "<&>" not in svg
    links = re.findall(r'href="([^"]{0,12})', svg)
    assert sum(link.startswith("data:image/") for link in links) == 6  # three maps, three ramps
    assert all(link.startswith(("#", "data:image/")) for link in links)


def test_gap_and_double_differ_without_colour(found):
    """Two hatches, and the two ends of the ramp far apart in grey (Rec. 709 luma)."""
    svg = compare_picture(found)
    hatches = set(re.findall(r"fill: ?url\(#(h[0-9a-f]+)\)", svg))
    assert len(hatches) >= 2
    luma = palette("spread_ratio")[[1, -1], :3] @ [0.2126, 0.7152, 0.0722]
    assert abs(luma[0] - luma[1]) > 80


def test_repeats_are_outlined_only_where_they_are(found):
    many = compare_picture(found).count("stroke-width: 1.4")
    none = compare_picture(replace(found, repeats=found.repeats.iloc[:0])).count(
        "stroke-width: 1.4"
    )
    assert len(found.repeats) > 0
    assert many == none + 2  # one outline for each kind, beside the two of the legend


@pytest.mark.parametrize("shape", [(40, 4000), (4000, 40), (1100, 900)])
def test_long_and_large_fields_fit_on_the_sheet(found, shape):
    grid = replace(found.grid, rows=shape[0], cols=shape[1])
    bands = {"spread_ratio": np.full(shape, 1.0, np.float32)}
    large = replace(found, grid=grid, bands_a=bands, bands_b=bands, change=bands)
    svg = compare_picture(large)
    size = [float(x) for x in ET.fromstring(svg).attrib["viewBox"].split()]
    assert size[2] == 12 * 72
    assert size[3] < 12 * 72
    assert len(svg) < 2_000_000


def test_matplotlib_is_not_loaded_with_the_module():
    code = (
        "import sys, covermap.comparison.compare_picture, covermap.cli.compare_command; "
        "sys.exit('matplotlib' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_command_is_light_to_load():
    code = (
        "import sys, covermap.cli.compare_command; "
        "sys.exit(bool({'numpy', 'pandas', 'rasterio'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

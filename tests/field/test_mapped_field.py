"""A run and its folder read back are one thing to whatever tells of them."""

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from builders import settings_of, straight_passes

from covermap.comparison.compare_fields import compare_fields
from covermap.drawing.labels import HIGHEST_TO_LOWEST, opening
from covermap.drawing.settings_used import settings_used
from covermap.errors import OutputError
from covermap.field.whole_field import map_field
from covermap.files.geotiff import GeotiffBand
from covermap.files.open_result import BANDS, open_result
from covermap.mapped.summary import cause_facts, facts, top_strip_lines
from covermap.mapped.write_results import write_results
from covermap.report.field_picture import field_picture
from covermap.report.report import five_numbers, report_of
from covermap.report.report_tables import accounts, passes_table, strips_table
from covermap.report.report_verdict import verdict

INPUTS = {"track.csv": "0" * 64}


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    """Give a run and what was read back of it: narrow spread, a turning wind, a bare lane."""
    run = map_field(
        straight_passes(6, 9.0, 120.0, heading_deg=25.0),
        settings_of(spread__width=6.0, wind__speed=3.0, wind__from_deg=200.0),
    )
    run = replace(run, inputs_sha256=INPUTS)
    folder = tmp_path_factory.mktemp("mapped")
    write_results(run, folder, INPUTS)
    return run, open_result(folder)


def test_numbers_limits_and_rasters_are_the_same(pair):
    run, read = pair
    assert {"schema": read.summary["schema"], **run.summary} == read.summary
    assert (run.name, run.limits) == (read.name, read.limits)
    assert run.grid.bounds == read.grid.bounds
    for name in BANDS:
        middle = run.grid.rows // 2
        for first, count in ((0, 3), (middle, 5), (run.grid.rows - 2, 9)):
            one, other = (x.rasters[name].rows(first, count) for x in pair)
            np.testing.assert_array_equal(one, other)
        np.testing.assert_array_equal(run.rasters[name].whole(), read.rasters[name].whole())


@pytest.mark.parametrize("us_units", [False, True])
def test_facts_tables_and_pictures_take_either(pair, us_units):
    run, read = pair
    for told in (facts, cause_facts, five_numbers, passes_table, accounts, top_strip_lines):
        assert told(run, us_units) == told(read, us_units), told.__name__
    assert strips_table(run, us_units, {}) == strips_table(read, us_units, {})
    assert settings_used(run) == settings_used(read)
    assert verdict(run) == verdict(read)
    pictures = {field_picture(found, "spread_ratio", us_units=us_units) for found in pair}
    assert len(pictures) == 1


def test_the_middle_lane_without_residue_is_told_of_a_folder_too(pair):
    assert math.isinf(pair[0].evenness.urdr)
    for found in pair:
        told = dict(facts(found, False))[opening(HIGHEST_TO_LOWEST)]
        assert told.startswith("a lane without residue in the middle pass")


def test_a_run_compared_with_its_folder_has_not_changed(pair):
    found = compare_fields(*pair)
    assert found.same_harvest
    assert found.only_a_m2 == found.only_b_m2 == 0
    assert set(found.mean_absolute_change.values()) == {0.0}
    assert found.setting_changes == ()


def test_rasters_are_read_when_asked_for(pair, monkeypatch):
    _, read = pair
    asked = []
    rows = GeotiffBand.rows

    def told(band, first, count):
        asked.append(count)
        return rows(band, first, count)

    monkeypatch.setattr(GeotiffBand, "rows", told)
    again = open_result(read.folder)
    assert asked == []
    settings_used(again)
    accounts(again, False)
    assert asked == []
    report_of(again, date(2026, 1, 1))
    assert asked


def test_a_raster_gone_since_is_named(pair, tmp_path):
    _, read = pair
    band = GeotiffBand(tmp_path / "gone.tif", 1, read.grid.shape, "Map again.")
    with pytest.raises(OutputError, match=r"gone\.tif: damaged or no GeoTIFF .*Map again\."):
        band.whole()

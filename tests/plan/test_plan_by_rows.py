"""The plan reads rasters by rows: nothing in it depends on how the rows are cut."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from builders import UTM, settings_of, straight_passes
from hypothesis import given, settings
from hypothesis import strategies as st

from covermap.field.field_result import FieldResult
from covermap.field.whole_field import map_field
from covermap.files import geotiff
from covermap.ground import rasters
from covermap.ground.field_sums import sums_of
from covermap.ground.grid import Grid
from covermap.ground.rasters import DerivedRaster, FiledRaster, HeldRaster, as_raster
from covermap.plan.field_plan import FieldPlan
from covermap.plan.harrow import Harrow, harrow_pass
from covermap.plan.plan_field import plan_field
from covermap.plan.plan_text import plan_json, plan_lines
from covermap.plan.write_plan import write_plan

WINTER = "winter weathering, after spring or summer harvest (US table, by cover)"
DRILL = "drill, double-disc openers (US table, by mass)"
KINDS = {
    "spread": {"spread__width": 6.0},
    # trays of two by two cells, lines that run off in every direction
    "fine": {"spread__width": 6.0, "grid__cell": 0.25, "plan__harrow_passes": 2},
    "windrow": {"spread__discharge": "windrow", "spread__width": 2.0, "plan__zone_share": 0.1},
}
WHOLE = [
    "residue_t_ha", "cover_pct", "spread_ratio", "layers", "given_kg_m2", "strip_of_cell",
    "pass_of_cell", "across_m",
]  # fmt: skip


@pytest.fixture(scope="module", params=KINDS)
def mapped(request) -> FieldResult:
    track = straight_passes(6, 9.0, length_m=90.0, heading_deg=20.0)
    given_settings = settings_of(
        field__next_crop="canola",
        plan__operations=f"{WINTER}; {DRILL}",
        plan__opener_limit=5.0,
        plan__cleaner_limit=8.0,
        plan__implement_width=9.0,
        plan__response="establishment",
        plan__cold_wet_spring="yes",
        plan__hairpin_from=4.0,
        plan__rotation="continuous corn",
        plan__harrow_most_angle=40,
        **KINDS[request.param],
    )
    return map_field(track, given_settings)


@pytest.fixture(scope="module")
def at_once(mapped) -> FieldPlan:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rasters, "STRIPE_CELLS", 10**9)
        return plan_field(mapped)


def assert_same_plan(found: FieldPlan, wanted: FieldPlan) -> None:
    assert plan_json(found) == plan_json(wanted)
    assert plan_lines(found, us_units=True) == plan_lines(wanted, us_units=True)
    for name in ("strips", "zones"):
        one, other = getattr(found, name), getattr(wanted, name)
        assert one.geometry.equals(other.geometry)
        pd.testing.assert_frame_equal(
            pd.DataFrame(one.drop(columns="geometry")),
            pd.DataFrame(other.drop(columns="geometry")),
            check_exact=True,
        )


@pytest.mark.parametrize("files", [False, True])
@pytest.mark.parametrize("cells", [700, 4001])
def test_the_plan_is_the_same_bit_for_bit_however_the_rows_are_cut(
    mapped, at_once, cells, files, tmp_path, monkeypatch
):
    monkeypatch.setattr(geotiff, "_MOST_IN_MEMORY", 0)
    (tmp_path / "one").mkdir()
    (tmp_path / "other").mkdir()
    write_plan(tmp_path / "one", at_once)
    monkeypatch.setattr(rasters, "STRIPE_CELLS", cells)
    if files:
        monkeypatch.setattr(rasters, "HELD_CELLS", 0)
    found = plan_field(mapped)
    assert len(rasters.stripes(mapped.grid)) > 5
    assert_same_plan(found, at_once)
    write_plan(tmp_path / "other", found)
    names = [file.name for file in (tmp_path / "one").iterdir()]
    assert {"plan.json", "plan.tif", "plan.svg"} <= set(names)
    for name in set(names) - {"plan.gpkg"}:  # which holds the time it was written
        one, other = ((tmp_path / folder / name).read_bytes() for folder in ("one", "other"))
        assert one == other, name


def test_no_raster_is_read_whole(mapped, tmp_path, monkeypatch):
    def refuse(_):
        raise AssertionError("a whole raster was read")

    for kind in (HeldRaster, FiledRaster, DerivedRaster):
        monkeypatch.setattr(kind, "whole", refuse)
    for name in WHOLE:
        monkeypatch.setattr(FieldResult, name, property(refuse))
    monkeypatch.setattr(rasters, "STRIPE_CELLS", 3000)
    rows_read = []
    rows = HeldRaster.rows

    def watched(self, first, count):
        found = rows(self, first, count)
        rows_read.append(found.size)
        return found

    with pytest.raises(AssertionError, match="whole raster"):
        mapped.spread_ratio  # noqa: B018
    monkeypatch.setattr(HeldRaster, "rows", watched)
    plan = plan_field(mapped)
    plan_json(plan)
    plan_lines(plan, us_units=False)
    # trays keep two rows together
    assert 0 < max(rows_read) <= max(3000, 2 * mapped.grid.cols)
    monkeypatch.setattr(HeldRaster, "rows", rows)
    write_plan(tmp_path, plan)


@given(
    heading=st.floats(0, 360),
    seed=st.integers(0, 99),
    cells=st.integers(1, 900),
    files=st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_a_harrow_pass_leaves_no_seam(heading, seed, cells, files):
    rng = np.random.default_rng(seed)
    shape = tuple(int(side) for side in rng.integers(1, 50, 2))
    grid = Grid(UTM, 500_000.0, 4_980_000.0, 0.5, *shape)
    residue, inside = rng.random(shape), rng.random(shape) < 0.9

    def run():
        return harrow_pass(residue, inside, grid, heading, Harrow(4.0, 3.0, 0.6))

    wanted = run()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rasters, "STRIPE_CELLS", cells)
        patch.setattr(rasters, "HELD_CELLS", 0 if files else 10**9)
        found = run()
    np.testing.assert_array_equal(found.residue_kg_m2.whole(), wanted.residue_kg_m2.whole())
    assert found.outside_kg == wanted.outside_kg


def test_sums_are_those_of_numpy_at_higher_precision():
    values = np.random.default_rng(3).uniform(0, 1e6, (301, 77)).astype(np.float32)
    values[values < 2e5] = np.nan
    sums, known = sums_of(as_raster(values)), values[np.isfinite(values)].astype(np.longdouble)
    assert sums.count == known.size
    assert sums.total == pytest.approx(float(known.sum()), rel=1e-14)
    assert sums.squares == pytest.approx(float((known * known).sum()), rel=1e-14)
    assert math.isnan(sums_of(math.nan).mean)

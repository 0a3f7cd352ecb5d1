"""A field worked out in stripes, rasters in files: the same numbers as all at once."""

import json

import numpy as np
import pandas as pd
import pytest
import rasterio
from builders import settings_of, straight_passes, track_of
from hypothesis import given, settings
from hypothesis import strategies as st

from covermap.cover import tray_readings as readings
from covermap.field.whole_field import map_field
from covermap.ground import rasters
from covermap.ground.grid import grid_around
from covermap.ground.threads import in_order, limit_threads
from covermap.mapped.write_results import write_results

RASTERS = (
    "residue_t_ha",
    "cover_pct",
    "spread_ratio",
    "layers",
    "given_kg_m2",
    "strip_of_cell",
    "pass_of_cell",
    "across_m",
)


def crooked_field(heading: float, wind: float):
    """Passes too far apart for the spread, one shifted, in a crosswind: strips of many kinds."""
    made = straight_passes(7, 9.0, 70.0, 1.7, heading)
    fixes = made.fixes.copy()
    shifted = fixes.index > 6 * len(fixes) // 7
    fixes.loc[shifted, "easting"] += 3.0
    return track_of(fixes), settings_of(
        spread__width=6.5,
        spread__profile="bell",
        combine__residue_delay_s=2,
        wind__speed=wind,
        wind__from_deg=heading + 80,
        limits__strip_min_length=5,
        limits__strip_min_area=3,
    )


@pytest.fixture(scope="module", params=[0.0, 33.0])
def at_once(request):
    made = crooked_field(request.param, 4.0)
    return made, map_field(*made)


def in_stripes(made, cells: int, patch: pytest.MonkeyPatch, *, files: bool = True):
    patch.setattr(rasters, "STRIPE_CELLS", cells)
    if files:
        patch.setattr(rasters, "HELD_CELLS", 0)
        patch.setattr(readings, "MOST_HELD", 0)
    return map_field(*made)


@given(cells=st.integers(100, 30_000), files=st.booleans(), cores=st.sampled_from([1, 2, 3]))
@settings(max_examples=12, deadline=None)
def test_any_stripes_give_the_same_numbers(at_once, cells, files, cores):
    made, whole = at_once
    with pytest.MonkeyPatch.context() as patch, limit_threads(cores):
        parts = in_stripes(made, cells, patch, files=files)
    assert len(whole.strips) > 10
    for name in RASTERS:
        np.testing.assert_array_equal(getattr(parts, name), getattr(whole, name), name)
    assert parts.evenness.as_dict() == pytest.approx(whole.evenness.as_dict(), rel=1e-9)
    for name in ("passes", "strips"):
        one, other = getattr(parts, name), getattr(whole, name)
        assert one.geometry.equals(other.geometry)
        pd.testing.assert_frame_equal(
            pd.DataFrame(one.drop(columns="geometry")),
            pd.DataFrame(other.drop(columns="geometry")),
            rtol=1e-9,
            atol=1e-9,
        )
    pd.testing.assert_frame_equal(parts.causes_kg, whole.causes_kg, rtol=1e-9, atol=1e-9)
    pd.testing.assert_frame_equal(parts.causes, whole.causes, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(
        parts.spectrum.ratio.relative_variance, whole.spectrum.ratio.relative_variance, rtol=1e-9
    )
    for account, kg in vars(whole.mass).items():
        assert getattr(parts.mass, account) == pytest.approx(kg, rel=1e-9, abs=1e-9), account


def test_files_of_a_field_in_stripes_say_the_same(at_once, tmp_path, monkeypatch):
    made, whole = at_once
    write_results(whole, tmp_path / "whole", {})
    parts = in_stripes(made, 3_000, monkeypatch)
    write_results(parts, tmp_path / "parts", {})
    with (
        rasterio.open(tmp_path / "whole" / "residue.tif") as one,
        rasterio.open(tmp_path / "parts" / "residue.tif") as other,
    ):
        np.testing.assert_array_equal(one.read(), other.read())
        assert one.tags() == other.tags()
        assert [one.tags(k) for k in one.indexes] == [other.tags(k) for k in other.indexes]
        assert one.descriptions == other.descriptions
        profiles = [{k: v for k, v in f.profile.items() if k != "nodata"} for f in (one, other)]
        assert profiles[0] == profiles[1]
    for name in ("map.html", "causes.csv", "removed_fixes.csv", "spectrum.svg"):
        texts = [(tmp_path / run / name).read_text("utf-8") for run in ("whole", "parts")]
        assert texts[0] == texts[1], name
    for name, key in (("summary.json", None), ("strips.geojson", "features")):
        # to 1e-9: kilograms of causes are added up stripe by stripe
        one, other = (
            pd.json_normalize(json.loads((tmp_path / run / name).read_text("utf-8")), key)
            for run in ("whole", "parts")
        )
        pd.testing.assert_frame_equal(one, other, rtol=1e-9, atol=1e-9)


@given(st.integers(1, 400), st.integers(1, 60), st.integers(1, 9000), st.integers(1, 5))
def test_stripes_cut_a_grid_into_whole_rows(rows, cols, cells, together):
    grid = grid_around("EPSG:32626", (0, 0, cols, rows), 1.0)
    cut = rasters.stripes(grid, cells=cells, rows_together=together)
    assert [w.row for w in cut] == list(np.cumsum([0] + [w.rows for w in cut])[:-1])
    assert sum(w.rows for w in cut) == rows
    assert all(w.cols == cols and w.row % together == 0 for w in cut)


def test_windows_are_worked_on_side_by_side_and_given_in_order():
    done = []
    with limit_threads(3):
        for k in in_order(lambda k: (done.append(k), k)[1], list(range(50))):
            assert len(done) <= k + 6  # no more wait than are worked on
            assert done.count(k) == 1
    assert sorted(done) == list(range(50))


@pytest.mark.parametrize("dtype", [np.float32, np.int32])
def test_a_raster_in_a_file_gives_back_what_was_written(dtype):
    raster = rasters.FiledRaster((7, 5), dtype)
    values = np.arange(15, dtype=dtype).reshape(3, 5)
    raster.write(2, values)
    np.testing.assert_array_equal(raster.rows(2, 3), values)
    np.testing.assert_array_equal(raster.rows(4, 99)[0], values[2])
    assert raster.whole().sum() == values.sum()


def test_a_full_disk_of_temporary_files_is_said(monkeypatch):
    raster = rasters.FiledRaster((700, 500), np.float32)

    class Full:
        def seek(self, place):
            pass

        def write(self, _content):
            raise OSError(28, "No space left on device")

    raster._file = Full()
    with pytest.raises(rasters.OutputError, match=r"temporary files .* No space left .* TMPDIR"):
        raster.write(0, np.zeros((1, 500)))

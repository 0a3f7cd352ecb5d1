"""Outputs read rasters by rows: nothing in them depends on how the rows are cut."""

from __future__ import annotations

from dataclasses import astuple

import numpy as np
import pytest
import rasterio
from builders import settings_of, straight_passes
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from pyproj import CRS

from covermap.cover import spectrum
from covermap.cover.spread_limits import mean_where_known
from covermap.drawing.map_values import in_blocks
from covermap.field.whole_field import map_field
from covermap.files import geotiff
from covermap.files.geotiff import write_geotiff
from covermap.ground import rasters
from covermap.ground.grid import Grid
from covermap.ground.rasters import DerivedRaster, FiledRaster, HeldRaster
from covermap.mapped.write_results import write_results

GRID = Grid(CRS.from_epsg(32626), 500_000.0, 4_980_000.0, 0.5, 1300, 2049)


def filed(values):
    raster = FiledRaster(values.shape, values.dtype)
    raster.write(0, values)
    return raster


def made_bands(grid=GRID):
    values = np.random.default_rng(5).uniform(0, 9, grid.shape).astype(np.float32)
    values[300:900, 100:1500] = np.nan
    held = HeldRaster(values)
    return {
        "residue_t_ha": values,
        "cover_pct": DerivedRaster(lambda v: 10 * v, held),
        "spread_ratio": filed(values / 5),
        "layers": np.round(values / 3),
    }


@pytest.fixture(scope="module")
def result():
    return map_field(
        straight_passes(14, 9.0, 150.0, heading_deg=33.0), settings_of(spread__width=6.0)
    )


def everything_in(path):
    """Give pixels, overviews and all tags of a GeoTIFF as GDAL reads them."""
    with rasterio.open(path) as raster:
        factors = raster.overviews(1)
        pixels = [raster.read()]
        about = (
            factors,
            raster.profile,
            raster.descriptions,
            raster.units,
            raster.tags(),
            raster.tags(ns="IMAGE_STRUCTURE"),
            [raster.tags(band) for band in raster.indexes],
        )
    for level in range(len(factors)):
        with rasterio.open(path, overview_level=level) as smaller:
            pixels.append(smaller.read())
    return pixels, about


def test_a_raster_copied_from_a_file_is_that_copied_from_memory(tmp_path, monkeypatch):
    tags = {"field": "Löß & <hill>"}
    monkeypatch.setattr(geotiff, "_MOST_IN_MEMORY", 10**12)
    write_geotiff(tmp_path / "memory.tif", GRID, made_bands(), tags)
    monkeypatch.setattr(geotiff, "_MOST_IN_MEMORY", 0)
    monkeypatch.setattr(rasters, "STRIPE_CELLS", 1)
    write_geotiff(tmp_path / "file.tif", GRID, made_bands(), tags)
    (one, about_one), (other, about_other) = (
        everything_in(tmp_path / name) for name in ("memory.tif", "file.tif")
    )
    assert len(one) == 4
    for here, there in zip(one, other, strict=True):
        np.testing.assert_array_equal(here, there)
    assert repr(about_one) == repr(about_other)
    assert sorted(file.name for file in tmp_path.iterdir()) == ["file.tif", "memory.tif"]


def test_pixels_and_first_overview_are_those_of_gdals_own_route(tmp_path):
    """Written through rasterio's COG writer in one go: GDAL as the witness."""
    grid = Grid(GRID.crs, 0.0, 0.0, 0.5, 1300, 2048)
    bands = made_bands(grid)
    write_geotiff(tmp_path / "ours.tif", grid, bands, {})
    with rasterio.open(
        tmp_path / "direct.tif", "w", driver="COG", height=grid.rows, width=grid.cols, count=4,
        dtype="float32", crs=grid.crs.to_wkt(), transform=grid.transform, nodata=np.nan,
        **geotiff.COG_OPTIONS,
    ) as direct:  # fmt: skip
        for number, values in enumerate(bands.values(), start=1):
            direct.write(rasters.as_raster(values).whole(), number)
    (ours, about), (theirs, _) = (
        everything_in(tmp_path / name) for name in ("ours.tif", "direct.tif")
    )
    np.testing.assert_array_equal(ours[0], theirs[0])
    np.testing.assert_array_equal(ours[1], theirs[1])
    # further ones: means of means or means of all cells, which rounds differently
    for here, there in zip(ours[2:], theirs[2:], strict=True):
        clear = np.isfinite(here) & np.isfinite(there)
        assert clear.mean() > 0.5
        np.testing.assert_allclose(here.mean(where=clear), there.mean(where=clear), rtol=1e-3)
    assert float(about[-1][0]["STATISTICS_MEAN"]) == pytest.approx(
        np.nanmean(ours[0][0].astype(float)), rel=1e-9
    )


@given(
    arrays(
        np.float32,
        array_shapes(min_dims=2, max_dims=2, max_side=23),
        elements=st.floats(0, 50, width=32) | st.just(np.float32(np.nan)),
    ),
    st.integers(1, 6),
    st.integers(1, 200),
    st.booleans(),
)
def test_blocks_are_the_same_however_the_rows_are_cut(values, times, cells, whole_numbers):
    wanted = in_blocks(values, times, whole_numbers=whole_numbers)
    before = rasters.STRIPE_CELLS
    rasters.STRIPE_CELLS = cells
    try:
        found = in_blocks(filed(values), times, whole_numbers=whole_numbers)
    finally:
        rasters.STRIPE_CELLS = before
    assert found.tobytes() == wanted.tobytes()
    assert found.dtype == np.float32
    rows, cols = (-(-size // times) for size in values.shape)
    assert found.shape == (rows, cols)
    if not whole_numbers:  # each block by itself, by NumPy's own mean
        for row in range(rows):
            for col in range(cols):
                block = values[row * times : (row + 1) * times, col * times : (col + 1) * times]
                known = block[np.isfinite(block)]
                mean = known.mean(dtype=float) if known.size else np.nan
                assert found[row, col] == pytest.approx(mean, rel=1e-5, nan_ok=True)


@pytest.mark.parametrize("heading_deg", [0.0, 33.0, 90.0, 213.0, 305.0])
def test_the_spectrum_is_the_same_however_the_rows_are_cut(result, heading_deg, monkeypatch):
    names = ("spread_ratio", "given_kg_m2", "residue_t_ha")
    arrays_of = [result.rasters[name].whole() for name in names]
    wanted = spectrum.cross_track_spectrum(*arrays_of, result.grid, heading_deg, 9.0)
    monkeypatch.setattr(rasters, "STRIPE_CELLS", 3000)
    monkeypatch.setattr(spectrum, "_SAMPLES_AT_ONCE", 2000)
    found = spectrum.cross_track_spectrum(
        *(filed(values) for values in arrays_of), result.grid, heading_deg, 9.0
    )
    assert (found.stretches, found.reason) == (wanted.stretches, wanted.reason)
    if heading_deg in (33.0, 213.0):
        assert found.stretches > 5
    for name in ("ratio", "residue", "given"):
        for here, there in zip(
            astuple(getattr(found, name)), astuple(getattr(wanted, name)), strict=True
        ):
            np.testing.assert_array_equal(here, there)


def test_every_file_is_the_same_however_the_rows_are_cut(result, tmp_path, monkeypatch):
    names = write_results(result, tmp_path / "one", {})
    monkeypatch.setattr(rasters, "STRIPE_CELLS", 777)
    monkeypatch.setattr(geotiff, "_MOST_IN_MEMORY", 0)
    assert write_results(result, tmp_path / "other", {}) == names
    for name in ("residue.tif", "map.html", "spectrum.svg", "summary.json"):
        one, other = (tmp_path / folder / name for folder in ("one", "other"))
        assert one.read_bytes() == other.read_bytes(), name


def test_the_mean_is_that_of_numpy(result):
    harvested = np.isfinite(result.spread_ratio)
    for name in ("residue_t_ha", "cover_pct"):
        values = getattr(result, name)
        wanted = values[harvested].astype(np.longdouble).mean()
        mean = mean_where_known(result.rasters["spread_ratio"], result.rasters[name], result.grid)
        assert mean == pytest.approx(float(wanted), rel=1e-14)


def test_a_raster_that_fails_leaves_the_folder_as_it_was(result, tmp_path, monkeypatch):
    out = tmp_path / "out"
    write_results(result, out, {})
    before = {file.name: file.read_bytes() for file in out.iterdir()}

    def fail(*_):
        raise geotiff.OutputError("no room for the raster")

    monkeypatch.setattr("covermap.mapped.write_results.write_geotiff", fail)
    with pytest.raises(geotiff.OutputError, match="no room"):
        write_results(result, out, {})
    assert {file.name: file.read_bytes() for file in out.iterdir()} == before

"""The raster file, read back with rasterio (GDAL) as the outside witness."""

import numpy as np
import pytest
import rasterio
from pyproj import CRS

from covermap.errors import OutputError
from covermap.files.geotiff import write_geotiff
from covermap.ground.grid import Grid

GRID = Grid(CRS.from_epsg(32626), 500_000.0, 4_980_000.0, 0.5, 700, 1300)


def made_bands(grid=GRID):
    rng = np.random.default_rng(3)
    residue = rng.uniform(0, 9, grid.shape).astype(np.float32)
    residue[:80] = np.nan
    return {
        "residue_t_ha": residue,
        "cover_pct": residue * 10,
        "spread_ratio": residue / 5,
        "layers": np.round(residue / 3),
    }


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    path = tmp_path_factory.mktemp("raster") / "residue.tif"
    write_geotiff(path, GRID, made_bands(), {"field": "Löß & <hill>", "gap_below": "0.5"})
    return path


def test_values_names_units_and_place_come_back(written):
    with rasterio.open(written) as raster:
        for number, (name, values) in enumerate(made_bands().items(), start=1):
            assert raster.descriptions[number - 1] == name
            np.testing.assert_array_equal(raster.read(number), values)
        assert raster.units == ("t/ha", "%", "1", "1")
        assert raster.dtypes == ("float32",) * 4
        assert all(np.isnan(value) for value in raster.nodatavals)
        assert raster.crs.to_epsg() == 32626
        assert tuple(raster.bounds) == GRID.bounds
        # The cell in the north-west corner is row 0, column 0.
        assert raster.index(500_000.1, 4_979_999.9) == (0, 0)


def test_tags_come_back(written):
    with rasterio.open(written) as raster:
        tags = raster.tags()
    assert tags["field"] == "Löß & <hill>"
    assert tags["gap_below"] == "0.5"
    assert tags["AREA_OR_POINT"] == "Area"


def test_it_is_a_cloud_optimised_geotiff(written):
    # OGC 21-026, Cloud Optimized GeoTIFF 1.0: tiles, and overviews inside the file.
    with rasterio.open(written) as raster:
        structure = raster.tags(ns="IMAGE_STRUCTURE")
        assert structure["LAYOUT"] == "COG"
        assert raster.profile["tiled"]
        assert raster.block_shapes == [(512, 512)] * 4
        assert raster.overviews(1) == [2, 4]
        assert structure["PREDICTOR"] == "3"
    assert [file.name for file in written.parent.iterdir()] == ["residue.tif"]


def test_overviews_are_means_and_pass_over_nodata(written):
    values = made_bands()["residue_t_ha"][80:700]
    wanted = values.reshape(310, 2, 650, 2).mean(axis=(1, 3))
    with rasterio.open(written, overview_level=0) as smaller:
        assert smaller.shape == (350, 650)
        found = smaller.read(1)
    np.testing.assert_allclose(found[40:], wanted, rtol=1e-5)
    assert np.isnan(found[:40]).all()


def test_a_control_character_in_a_name_does_not_break_the_tags(tmp_path):
    grid = Grid(CRS.from_epsg(32626), 0.0, 10.0, 1.0, 10, 10)
    write_geotiff(tmp_path / "x.tif", grid, made_bands(grid), {"field": "a\x00b\nc\x1b"})
    with rasterio.open(tmp_path / "x.tif") as raster:
        assert raster.tags()["field"] == "a b c "


def test_a_band_of_another_shape_is_refused(tmp_path):
    with pytest.raises(ValueError, match="cover_pct"):
        write_geotiff(tmp_path / "x.tif", GRID, made_bands() | {"cover_pct": np.zeros((2, 2))}, {})


def test_a_folder_that_is_not_there_is_an_output_error(tmp_path):
    with pytest.raises(OutputError, match=r"x\.tif"):
        write_geotiff(tmp_path / "none" / "x.tif", GRID, made_bands(), {})

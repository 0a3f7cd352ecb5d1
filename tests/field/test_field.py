"""The whole job on small fields: laws, accounts, delays, windrows, settings per pass."""

import numpy as np
import pytest
import shapely
from builders import at, settings_of, straight_passes, track_of
from hypothesis import given, settings
from hypothesis import strategies as st

from covermap.cli.options import in_options
from covermap.errors import BoundaryError, CovermapError, SettingsError
from covermap.field.field_result import FieldResult
from covermap.field.whole_field import map_field
from covermap.settings.field_file import build_settings


def accounts_close(result: FieldResult) -> None:
    m = result.mass
    through = m.landed_on_field_kg + m.landed_outside_kg + m.baled_kg
    assert through == pytest.approx(m.through_machine_kg, rel=1e-9)
    parts = m.stubble_kg + m.left_by_header_kg + m.through_machine_kg
    assert parts == pytest.approx(m.grown_kg, rel=1e-9)
    shown = np.nansum(result.residue_t_ha, dtype=float) * result.grid.cell_area_m2 / 10
    on_ground = m.landed_on_field_kg + m.landed_outside_kg + m.left_by_header_kg
    assert shown == pytest.approx(on_ground, rel=1e-6)


@given(
    heading=st.floats(0, 360),
    width=st.floats(2, 20),
    lean=st.floats(-4, 4),
    profile=st.sampled_from(["flat", "triangle", "trapezoid", "bell"]),
    delay=st.floats(0, 8),
)
@settings(max_examples=12, deadline=None)
def test_every_kilogram_is_in_one_account(heading, width, lean, profile, delay):
    result = map_field(
        straight_passes(4, 9.0, length_m=80.0, heading_deg=heading),
        settings_of(
            spread__width=width,
            spread__lean=lean,
            spread__profile=profile,
            combine__residue_delay_s=delay,
        ),
    )
    accounts_close(result)
    # 6 t/ha at 13.5 % on the area cut once; wheat grows 1.5 kg residue per kg dry grain
    area = 4 * 9.0 * 82.0
    assert result.mass.grown_kg == pytest.approx(0.6 * 0.865 * 1.5 * area, rel=0.005)


@given(east=st.integers(-600, 600), north=st.integers(-600, 600))
@settings(max_examples=5, deadline=None)
def test_shifting_field_and_grid_leaves_the_map_alone(east, north):
    base = straight_passes(3, 9.0, length_m=60.0)
    fixes = base.fixes.assign(
        easting=base.fixes["easting"] + east / 2, northing=base.fixes["northing"] + north / 2
    )
    chosen = settings_of(spread__profile="triangle", spread__width=12.0)
    one, two = map_field(base, chosen), map_field(track_of(fixes), chosen)
    np.testing.assert_allclose(two.residue_t_ha, one.residue_t_ha, rtol=1e-5)
    np.testing.assert_allclose(two.spread_ratio, one.spread_ratio, rtol=1e-5)


@given(heading=st.floats(0, 360))
@settings(max_examples=5, deadline=None)
def test_turning_the_field_leaves_totals_alone(heading):
    chosen = settings_of(spread__profile="triangle", spread__width=12.0)
    one = map_field(straight_passes(3, 9.0, length_m=60.0), chosen)
    two = map_field(straight_passes(3, 9.0, length_m=60.0, heading_deg=heading), chosen)
    assert two.mass.through_machine_kg == pytest.approx(one.mass.through_machine_kg, rel=1e-6)
    assert two.evenness.mean == pytest.approx(one.evenness.mean, abs=0.02)


def test_passes_start_bare_and_end_on_the_headland():
    """Residue leaves later than crop is cut: 4 s at 2 m/s is 8 m."""
    result = map_field(straight_passes(1, 9.0), settings_of(combine__residue_delay_s=4))
    grid = result.grid
    column = result.residue_t_ha[:, int((500_000 - grid.west) / grid.cell_m)]
    north = grid.north - (np.arange(grid.rows) + 0.5) * grid.cell_m - 4_980_000
    lying = north[np.nan_to_num(column) > 0.1]
    assert lying.min() == pytest.approx(-2 + 8, abs=0.5)
    assert lying.max() == pytest.approx(200 + 8, abs=0.5)
    accounts_close(result)
    assert result.mass.landed_outside_kg == pytest.approx(
        result.mass.through_machine_kg * 8 / 202, rel=0.02
    )


def test_antenna_ahead_of_the_discharge_moves_the_band_back():
    result = map_field(
        straight_passes(1, 9.0),
        settings_of(combine__antenna_ahead_of_discharge=6, combine__residue_delay_s=3),
    )
    assert result.mass.landed_outside_kg == pytest.approx(0.0, abs=0.01)


def test_lean_flips_side_with_the_heading():
    """A lean to the right falls east going north and west going south."""
    for one_way, widths in ((False, 2), (True, 1)):
        result = map_field(
            straight_passes(6, 9.0, one_way=one_way),
            settings_of(spread__lean=2.0),
        )
        ratio = result.spread_ratio
        middle = ratio[ratio.shape[0] // 2]
        period = int(widths * 9.0 / result.grid.cell_m)
        start = int(np.flatnonzero(np.isfinite(middle))[0]) + period
        one, next_one = middle[start : start + period], middle[start + period : start + 2 * period]
        np.testing.assert_allclose(one, next_one, atol=1e-3)
        assert (np.nanmax(one) > 1.5) is not one_way


def test_windrow_with_chaff_spread_and_straw_baled():
    result = map_field(
        straight_passes(4, 9.0),
        settings_of(
            spread__discharge="windrow",
            spread__width=1.5,
            spread__chaff_width=9.0,
            spread__baled_share=0.9,
        ),
    )
    accounts_close(result)
    straw, chaff = 1.25 * (1 - 0.22 * (0.152 / 0.15) ** 0.683), 0.25
    assert result.mass.baled_kg == pytest.approx(
        result.mass.through_machine_kg * 0.9 * straw / (straw + chaff), rel=1e-3
    )
    away = np.nanmin(result.residue_t_ha[200])
    assert away == pytest.approx(6 * 0.865 * chaff, rel=0.02)


def test_windrows_laid_on_purpose_rank_after_faults():
    made = build_settings(
        {
            "crop": {"kind": "wheat", "grain_yield": 6.0},
            "combine": {"cut_width": 9.0, "residue_delay_s": 0},
            "spread": {"width": 9.0},
            "pass_settings": [
                {"passes": "1-3", "discharge": "windrow", "baled_share": 0.9},
                {"passes": "7", "width": 6.2},
            ],
        }
    )
    strips = map_field(straight_passes(9, 9.0), made).strips
    assert set(strips["discharge"]) >= {"windrow", "spread"}
    last_fault = strips.index[strips["discharge"] != "windrow"].max()
    assert (strips.index[strips["discharge"] == "windrow"] > last_fault).all()


def test_settings_per_pass_by_number_time_and_fix():
    track = straight_passes(6, 9.0)
    start = track.fixes["time"]
    window = {
        "from": start.iloc[303].isoformat(),
        "to": start.iloc[403].isoformat(),
        "width": 3.0,
    }
    base = {
        "crop": {"kind": "wheat", "grain_yield": 6.0},
        "combine": {"cut_width": 9.0, "residue_delay_s": 0},
        "spread": {"width": 9.0},
    }
    made = build_settings(
        {**base, "pass_settings": [{"passes": "2", "reach_left": 2, "reach_right": 5}, window]}
    )
    lean = np.where(np.arange(len(track.fixes)) >= 505, 1.5, np.nan)
    passes = map_field(track_of(track.fixes.assign(lean_m=lean)), made).passes
    assert list(passes["reach_left_m"]) == [4.5, 2.0, 4.5, 1.5, 4.5, 4.5]
    assert list(passes["reach_right_m"]) == [4.5, 5.0, 4.5, 1.5, 4.5, 4.5]
    assert list(passes["lean_m"]) == [0, 0, 0, 0, 0, 1.5]
    for rule, says in (
        ({"passes": "60", "width": 3}, "passes 1 to 6"),
        ({"from": "2020-01-01", "to": "2020-01-02", "width": 3}, "no fix lies between"),
        ({"from": "monday", "to": "2020-01-02", "width": 3}, "ISO times"),
    ):
        with pytest.raises(SettingsError, match=says):
            map_field(track, build_settings({**base, "pass_settings": [rule]}))


def test_one_wide_gap_strip_per_seam_when_the_spread_is_narrow():
    result = map_field(
        straight_passes(8, 9.0), settings_of(spread__width=6.2, combine__residue_delay_s=4)
    )
    strips = result.strips
    gaps = strips[strips["kind"] == "gap"]
    # 7 seams between 8 passes, and a half one at either side of the field
    assert len(gaps) == 9
    seams = gaps[gaps["passes"].str.contains(",")]
    assert len(seams) == 7
    np.testing.assert_allclose(seams["width_m"], 2.8, atol=0.6)
    np.testing.assert_allclose(seams["length_m"], 202, atol=6)
    assert (gaps["deficit_kg"] > 0).all()
    assert (gaps["excess_kg"] == 0).all()
    # 6.2 of 9 m get all: ratio 1.45, not above the limit
    assert not (strips["kind"] == "double").any()
    assert list(strips["rank"]) == list(range(1, len(strips) + 1))


def test_double_strips_when_the_spread_is_wide_and_the_profile_flat():
    result = map_field(straight_passes(8, 9.0), settings_of(spread__width=12.0))
    # 3 m of each seam get two passes of 0.75 = 1.5; raise the band a little
    assert result.spread_ratio[np.isfinite(result.spread_ratio)].max() == pytest.approx(1.5, 1e-3)
    wide = map_field(
        straight_passes(8, 9.0), settings_of(spread__width=12.0, limits__double_above=1.4)
    )
    doubles = wide.strips[wide.strips["kind"] == "double"]
    assert len(doubles) == 7
    np.testing.assert_allclose(doubles["width_m"], 3.0, atol=0.3)
    np.testing.assert_allclose(doubles["mean_ratio"], 1.5, atol=0.02)


def test_speckle_is_no_strip_and_the_field_edge_is_no_gap():
    even = map_field(straight_passes(6, 9.0), settings_of())
    assert len(even.strips) == 0
    bare_starts = map_field(straight_passes(6, 9.0), settings_of(combine__residue_delay_s=4))
    assert len(bare_starts.strips) == 0, "8 m of bare start is too short to act on"


def test_boundary_sets_what_is_outside():
    track = straight_passes(4, 9.0)
    corner = np.array([500_000.0, 4_980_000.0])
    half = shapely.box(*(corner - 50), corner[0] + 50, corner[1] + 100)
    result = map_field(track, settings_of(), half)
    accounts_close(result)
    assert result.mass.landed_outside_kg > 0.4 * result.mass.through_machine_kg
    far = shapely.box(*(corner + 5000), *(corner + 6000))
    with pytest.raises(BoundaryError, match="does not touch the track"):
        map_field(track, settings_of(), far)


def test_working_width_is_what_was_still_standing():
    """Passes 6 m apart under a 9 m header: after the first, each cuts 6 m anew."""
    result = map_field(straight_passes(5, 6.0), settings_of())
    width = result.passes["working_width_m"].to_numpy()
    assert width[0] == pytest.approx(9.0, abs=0.02)
    # and 2 m of full header past the end of the pass before
    np.testing.assert_allclose(width[1:], 6.0 + 3.0 * 2 / 202, atol=1e-3)
    assert result.harvested_m2 == pytest.approx((9 + 4 * 6) * 202 + 4 * 3 * 2, rel=1e-3)


def test_rich_patches_that_get_their_own_straw_back_are_even():
    track = straight_passes(6, 9.0)
    north = track.fixes["northing"].to_numpy() - 4_980_000
    flow = 9.0 * 2 * np.where(north > 100, 0.9, 0.45)
    result = map_field(track_of(track.fixes.assign(grain_flow_kg_s=flow)), settings_of())
    away = np.abs(result.grid.north - (np.arange(result.grid.rows) + 0.5) * 0.5 - 4_980_000 - 100)
    ratio = result.spread_ratio[(away > 15) & (away < 95)]
    np.testing.assert_allclose(ratio[np.isfinite(ratio)], 1.0, atol=0.02)
    residue = result.residue_t_ha[np.isfinite(result.spread_ratio)]
    assert np.percentile(residue, 95) > 1.8 * np.percentile(residue, 5)


def test_header_offset_and_width_per_fix():
    track = straight_passes(1, 9.0)
    fixes = track.fixes.assign(
        header_width_m=np.where(np.arange(101) < 50, 6.0, 9.0), header_offset_m=1.0
    )
    result = map_field(track_of(fixes), settings_of(combine__cut_width=None))
    assert result.harvested_m2 == pytest.approx(50 * 2 * 6 + 51 * 2 * 9, rel=5e-3)
    assert result.outline.centroid.x - 500_000 == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"crop__kind": None, "crop__grain_yield": None}, "--crop"),
        ({"crop__grain_yield": None}, "--grain-yield"),
        ({"combine__cut_width": None}, "--cut-width"),
        ({"spread__width": None}, "--spread-width"),
        ({"grid__cell": 0.001}, "larger cell (--cell)"),
    ],
)
def test_missing_settings_say_how_to_give_them(change, says):
    with pytest.raises(CovermapError) as caught:
        map_field(straight_passes(3, 9.0), settings_of(**change))
    assert says in caught.value.told(in_options)


def test_a_curved_field_agrees_with_polygon_areas_and_exactextract(tmp_path):
    """Outside routes: shapely's union of the sweeps, and exactextract's zonal sums of the
    written GeoTIFF."""
    import geopandas as gpd
    from exactextract import exact_extract

    from covermap.files.geotiff import write_geotiff

    a = np.arange(0, 2.2, 0.02)
    parts = []
    for k in range(4):
        radius = 100 + 9.0 * k
        points = np.column_stack([radius * np.cos(a), radius * np.sin(a)])
        parts.append(points if k % 2 == 0 else points[::-1])
    track = at(np.concatenate(parts), 1.0)
    pause = np.repeat(np.arange(4) * 60, len(a)).astype("timedelta64[s]")
    track = track_of(track.fixes.assign(time=track.fixes["time"] + pause))
    chosen = settings_of(spread__profile="triangle", spread__width=12.0)
    result = map_field(track, chosen)
    assert len(result.passes) == 4
    from covermap.field.harvest_record import read_harvest

    harvest = read_harvest(track, chosen)
    union = shapely.union_all(shapely.polygons(harvest.sweeps.corners))
    assert result.harvested_m2 == pytest.approx(union.area, rel=2e-3)
    path = tmp_path / "residue.tif"
    write_geotiff(path, result.grid, {"residue_t_ha": result.residue_t_ha}, {})
    west, south, east, north = result.grid.bounds
    zones = gpd.GeoDataFrame(
        geometry=[shapely.box(west, south, east, north), union.buffer(-6)], crs=result.grid.crs
    )
    sums = exact_extract(str(path), zones, "sum", output="pandas")["sum"].to_numpy()
    total = sums[0] * result.grid.cell_area_m2 / 10
    assert total == pytest.approx(harvest.bands.mass_kg.sum(), rel=1e-5)
    # inside, away from the edges, the band's exact overlap with the zone by polygons
    polygons = shapely.polygons(harvest.bands.corners)
    shares = harvest.bands.shares[harvest.bands.profile]
    inside = 0.0
    for polygon_corners, mass, share, polygon in zip(
        harvest.bands.corners, harvest.bands.mass_kg, shares, polygons, strict=True
    ):
        if not polygon.intersects(zones.geometry[1]):
            continue
        t = np.linspace(0, 1, len(share) + 1)[:, None]
        start = polygon_corners[0] + t * (polygon_corners[1] - polygon_corners[0])
        end = polygon_corners[3] + t * (polygon_corners[2] - polygon_corners[3])
        bins = shapely.polygons(np.stack([start[:-1], start[1:], end[1:], end[:-1]], axis=1))
        part = shapely.area(shapely.intersection(bins, zones.geometry[1])) / shapely.area(bins)
        inside += mass * float((share * part).sum())
    assert sums[1] * result.grid.cell_area_m2 / 10 == pytest.approx(inside, rel=1e-3)

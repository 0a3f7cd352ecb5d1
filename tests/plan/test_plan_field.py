"""The plan of a whole field: accounts close, every sentence has its rule, errors help."""

import json
import re
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from builders import settings_of, si_units_in, straight_passes, texts
from click.testing import CliRunner

from covermap.cli.commands import commands
from covermap.cli.sample_command import write_sample
from covermap.cover.ground_cover import cover_pct
from covermap.errors import SettingsError
from covermap.field.whole_field import map_field
from covermap.plan.actions import RULE_IDS
from covermap.plan.field_plan import FieldPlan
from covermap.plan.plan_field import plan_field, wants_plan
from covermap.plan.plan_text import plan_json, plan_lines

DOCS = Path(__file__).parents[2] / "docs"
MODEL, TABLES = ((DOCS / name).read_text("utf-8") for name in ("model.md", "tables.md"))
WINTER = "winter weathering, after spring or summer harvest (US table, by cover)"
DRILL = "drill, double-disc openers (US table, by mass)"
PLOUGH = "mouldboard plough (US single values, by mass)"


def plan_of(**values: object) -> FieldPlan:
    chosen = {"spread__width": 6.0, "field__next_crop": "canola", **values}
    track = straight_passes(12, 9.0, length_m=240.0, heading_deg=20.0)
    return plan_field(map_field(track, settings_of(**chosen)))


@pytest.fixture(scope="module")
def plan() -> FieldPlan:
    return plan_of(
        plan__operations=f"{WINTER}; {DRILL}",
        plan__opener_limit=5.0,
        plan__cleaner_limit=8.0,
        plan__implement_width=12.0,
        plan__harrow_cost_per_ha=15.0,
        plan__harrow_fuel_l_per_ha=3.0,
        plan__fuel_price_per_l=1.5,
        plan__response="establishment",
        plan__cold_wet_spring="yes",
        plan__hairpin_from=4.0,
        plan__rotation="continuous corn",
    )


def test_zones_hold_every_harvested_hectare_once(plan):
    cells = int(np.isfinite(plan.result.spread_ratio).sum())
    harvested = cells * plan.result.grid.cell_area_m2
    assert plan.zones["area_m2"].sum() == pytest.approx(harvested)
    assert plan.work["area_ha"].sum() * 1e4 == pytest.approx(harvested)
    assert (plan.zones["width_m"] == 12.0).all()
    assert plan.zones["travel_m"].sum() * 12.0 == pytest.approx(harvested)


def test_strips_and_zones_carry_an_action_with_its_numbers(plan):
    for table in (plan.strips, plan.zones):
        assert set(table["rule_id"]) <= set(RULE_IDS)
        assert table["called_share"].between(0, 1).all()
    worked = plan.strips["rule_id"] != "plan-leave"
    assert (plan.strips.loc[worked, "called_share"] > 0).all()


def test_cost_and_fuel_are_hectares_times_price(plan):
    row = plan.work.set_index("rule_id").loc["plan-harrow"]
    assert row["fuel_l"] == pytest.approx(3.0 * row["area_ha"])
    assert row["cost"] == pytest.approx((15.0 + 3.0 * 1.5) * row["area_ha"])
    others = plan.work[plan.work["rule_id"] != "plan-harrow"]
    assert others["cost"].isna().all()


def test_winter_keeps_cover_and_the_drill_keeps_mass(plan):
    """SCS/EMI 1992: 70 to 90 % of non-fragile cover over winter; USDA: double disc keeps 0.9."""
    now, winter, drilled = plan.steps
    assert winter.cover_pct.low == pytest.approx(0.7 * now.cover_pct.mid, rel=1e-4)
    assert winter.cover_pct.high == pytest.approx(0.9 * now.cover_pct.mid, rel=1e-4)
    assert drilled.residue_t_ha.mid == pytest.approx(0.9 * winter.residue_t_ha.mid, rel=1e-4)
    known = np.isfinite(plan.result.spread_ratio)
    cover_now = plan.result.cover_pct[known]
    winter_pct = cover_pct(plan.ground.load_t_ha.whole()[known], plan.result.crop.cover_m2_per_kg)
    np.testing.assert_allclose(winter_pct, 0.8 * cover_now, rtol=1e-4)
    assert plan.seeding_step == 1  # the drill meets what winter left


def test_every_sentence_has_a_rule_that_is_documented(plan):
    for us_units in (False, True):
        lines = plan_lines(plan, us_units)
        text = "\n".join(lines)
        rules = set(re.findall(r"\[([a-z]+(?:-[a-z]+)+)\]$", text, re.M))
        for rule in rules:
            assert f"`{rule}`" in MODEL, rule
        advice = {r.split("-")[0] for r in rules}
        assert advice == {
            "plan", "cover", "erosion", "nitrogen", "seeding", "harrow", "baling",
        }  # fmt: skip
        for line in lines:
            headline = line.endswith(":") or not line.startswith("  ")
            numbers_only = re.match(
                r"  (Soil loss to w|Below|Nitrogen tied|Could leave|Mean pub|now:|after )", line
            )
            assert headline or numbers_only or line.endswith("]"), line
    assert "licensed adviser" in text
    assert "operator's manual first" in text
    assert "engine off" in text


def test_every_cause_and_action_is_documented():
    from covermap.cover.causes import CAUSES

    for rule in [*CAUSES, *RULE_IDS]:
        assert f"`{rule}`" in MODEL, rule


def test_json_is_plain_and_every_key_is_documented(plan):
    content = json.loads(json.dumps(plan_json(plan), allow_nan=False))
    for key in content:
        assert f"`{key}`" in TABLES, key
    for row in content["work"] + content["zones"]:
        for key in row:
            assert f"`{key}`" in TABLES, key
    for key in (*content["harrow"], *content["baling"], *content["limits"], *content["steps"][0]):
        assert f"`{key}`" in TABLES, key


def test_the_row_zone_is_said_where_it_is_stated():
    notes = texts(plan_of(plan__row_spacing=0.25, plan__row_zone_width=0.05).notes)
    assert "20%" in notes["seeding-row-zone"]


def test_a_plan_is_made_only_if_wanted():
    assert not wants_plan(settings_of())
    assert wants_plan(settings_of(field__next_crop="canola"))
    assert wants_plan(settings_of(plan__target_cover_pct=50))


def test_an_even_field_needs_nothing():
    plan = plan_of(spread__width=9.0)
    assert plan.zones["rule_id"].tolist() == ["plan-leave"]
    assert plan.harrow is None
    assert any("Nothing calls for work" in line for line in plan_lines(plan, us_units=False))


def test_windrows_are_to_be_baled_or_raked():
    plan = plan_of(spread__discharge="windrow", spread__width=2.0, plan__implement_width=9.0,
                   plan__zone_share=0.1)  # fmt: skip
    assert (plan.strips["action"] == "bale or rake").all()
    assert set(plan.zones["action"]) == {"bale or rake"}
    assert (
        plan_of(spread__discharge="windrow", spread__width=2.0, spread__baled_share=0.95)
        .zones["action"]
        .eq("leave")
        .all()
    )


def test_a_stated_heading_is_the_one_that_is_harrowed():
    along = plan_of(plan__implement_heading=20.0)
    assert along.harrow.heading_deg % 180 == pytest.approx(20.0, abs=0.5)
    # along the passes nothing evens out (common practice, no source)
    assert not along.harrow.worth_it
    assert "plan-harrow" not in set(along.zones["rule_id"])
    across = plan_of(plan__implement_heading=75.0)
    harrowed = across.zones[across.zones["rule_id"] == "plan-harrow"]
    assert len(harrowed)
    assert (harrowed["heading_deg"] % 180 - 75.0).abs().max() < 0.5
    assert (harrowed["off_even_harrowed"] <= 0.75 * harrowed["off_even"]).all()


def test_evenness_before_harrowing_is_that_of_the_map():
    """Corn leaves stalk on its rows; both speak of what the machine laid."""
    plan = plan_of(crop__kind="corn", crop__grain_yield=9.0, spread__width=12.0,
                   limits__double_above=1.2)  # fmt: skip
    assert plan.harrow.before.cv_pct == pytest.approx(plan.result.evenness.cv_pct, rel=1e-3)


def test_a_strip_is_harrowed_only_where_its_zone_is():
    plan = plan_of(spread__width=8.0, limits__gap_below=0.9, plan__zone_share=0.9,
                   combine__residue_delay_s=12)  # fmt: skip
    zoned = set(plan.zones["rule_id"])
    assert "plan-harrow" not in zoned
    assert "plan-harrow" not in set(plan.strips["rule_id"])


def test_ploughing_straw_in_ties_up_no_less_nitrogen():
    surface, ploughed = (plan_of(plan__operations=name) for name in (DRILL, PLOUGH))
    for one, other in zip(surface.nitrogen.per_ha, ploughed.nitrogen.per_ha, strict=True):
        np.testing.assert_allclose(one, other)


def test_more_retention_asks_for_less_straw_to_stay():
    gentle, harsh = (plan_of(plan__operations=name).baling
                     for name in (DRILL, PLOUGH))  # fmt: skip
    assert gentle.must_stay_t_ha < harsh.must_stay_t_ha
    assert "baling-for-cover" in texts(gentle.notes)
    assert "baling-cover-out-of-reach" in texts(harsh.notes)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"plan__operations": "drum roller of the moon"}, "operation"),
        ({"plan__row_spacing": 0.25}, "row_zone_width and row_spacing go together"),
        ({"plan__decay_days": 30}, "decay_pct_per_day and decay_days go together"),
        ({"plan__harrow_least_angle": 70}, "harrow_least_angle"),
        ({"plan__response": "yield", "field__next_crop": None}, "next_crop"),
        ({"plan__keep_residue": 2.0, "plan__rotation": "continuous corn"}, "same thing"),
        ({"plan__opener_limit": 6.0, "plan__cleaner_limit": 3.0}, "cleaner"),
        ({"field__next_crop": "unobtainium"}, "unobtainium"),
    ],
)
def test_wrong_plan_settings_say_what_to_do(values, message):
    with pytest.raises(SettingsError, match=message):
        plan_of(**values)


def test_plan_command_writes_files_that_other_programs_read(tmp_path):
    field = write_sample(tmp_path, "corn")
    out = tmp_path / "plan"
    done = CliRunner().invoke(
        commands,
        ["plan", str(field), "--out", str(out), "--operations", DRILL, "--us-units"],
        catch_exceptions=False,
    )
    assert done.exit_code == 0
    files = {f.name for f in out.iterdir()}
    assert files == {"plan.gpkg", "plan.tif", "plan.svg", "harrow.svg", "plan.json"}
    zones = gpd.read_file(out / "plan.gpkg", layer="zones")
    assert zones.geometry.is_valid.all()
    assert zones["why"].str.len().min() > 20
    for column in zones.columns:
        assert column == "geometry" or f"`{column}`" in TABLES, column
    with rasterio.open(out / "plan.tif") as raster:
        for name in raster.descriptions:
            assert f"`{name}`" in TABLES
        cover = raster.read(raster.descriptions.index("cover_after_pct") + 1)
        below = raster.read(raster.descriptions.index("below_target") + 1)
    known = np.isfinite(cover)
    np.testing.assert_array_equal(below[known] > 0, cover[known] < 30)
    assert f"{' ac'}" in done.output


def test_map_makes_the_plan_when_the_next_crop_is_given(tmp_path):
    field = write_sample(tmp_path, "wheat")
    out = tmp_path / "out"
    done = CliRunner().invoke(
        commands,
        ["map", str(field), "--out", str(out), "--cell", "1", "--next-crop", "canola"],
        catch_exceptions=False,
    )
    assert done.exit_code == 0
    assert "What to do next" in done.output
    assert {"plan.gpkg", "causes.csv", "spectrum.svg"} <= {f.name for f in out.iterdir()}
    strips = gpd.read_file(out / "strips.gpkg")
    for column in strips.columns:
        assert column == "geometry" or f"`{column}`" in TABLES, column
    page = (out / "map.html").read_text("utf-8")
    assert "Plan zones" in page
    assert "heavy harrow" in page


def test_a_plan_in_us_units_has_no_word_of_si(plan):
    assert si_units_in("\n".join(plan_lines(plan, us_units=False)))
    assert not si_units_in("\n".join(plan_lines(plan, us_units=True)))

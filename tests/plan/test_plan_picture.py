"""The page of a plan: complete, plain text, repeatable, readable without colour."""

import base64
import io
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pandas as pd
import pytest
import shapely
from builders import settings_of, straight_passes
from colour_measures import contrast, distance, grey_distance
from matplotlib.image import imread

from covermap.drawing.caution import CAUTION
from covermap.drawing.colours import colourise
from covermap.drawing.look import INK
from covermap.field.whole_field import map_field
from covermap.ground.grid import Grid
from covermap.ground.rasters import as_raster
from covermap.plan.actions import ACTIONS
from covermap.plan.operation_table import Range, operation_table
from covermap.plan.operations import sequence
from covermap.plan.plan_field import plan_field
from covermap.plan.plan_picture import plan_picture
from covermap.tables.signs import action_signs

CHISEL = "chisel plough, sweeps (US table, by mass)"
DRILL = "drill, double-disc openers (US table, by mass)"


def plan_of(one_sided=True, **settings):
    """Seven passes; thrown to one side they leave a gap and a double at every join."""
    spread = {"spread__reach_left": 1.5, "spread__reach_right": 7.5, "spread__width": None}
    given = settings_of(plan__implement_width=6.0, **(spread if one_sided else {}), **settings)
    return plan_field(map_field(straight_passes(7, 9.0, length_m=120), given))


@pytest.fixture(scope="module")
def plan():
    return plan_of(
        plan__operations=[CHISEL, DRILL],
        plan__opener_limit=6.0,
        plan__cleaner_limit=7.0,
        plan__till_cost_per_ha=12,
        plan__currency="$x^2$ <b>",
    )


@pytest.fixture(scope="module")
def every_action(plan):
    """The same field cut into one zone per action, by hand."""
    west, south, east, north = plan.result.outline.bounds
    edges = np.linspace(south, north, len(ACTIONS) + 1)
    zones = plan.zones.iloc[[0] * len(ACTIONS)].reset_index(drop=True)
    zones["rule_id"], zones["action"] = list(ACTIONS), list(ACTIONS.values())
    zones = zones.set_geometry(
        [shapely.box(west, a, east, b) for a, b in pairwise(edges)], crs=plan.zones.crs
    )
    work = pd.DataFrame(
        {
            "rule_id": list(ACTIONS),
            "action": list(ACTIONS.values()),
            "zones": 1,
            "area_ha": np.arange(1, len(ACTIONS) + 1) * 1.25,
            "implement_runs": np.arange(11, len(ACTIONS) + 11),
            "travel_km": 1.0,
            "cost": np.nan,
            "fuel_l": np.nan,
        }
    )
    return replace(plan, zones=zones, work=work)


def texts(svg):
    return [e.text or "" for e in ET.fromstring(svg).iter() if e.tag.endswith("}text")]


def hatches(svg):
    """Give the drawings of the hatch patterns used, fill colours aside."""
    root = ET.fromstring(svg)
    ids = set(re.findall(r"fill: ?url\(#(h[0-9a-f]+)\)", svg))
    patterns = [e for e in root.iter() if e.tag.endswith("}pattern") and e.get("id") in ids]
    return {next(p.get("d") for p in one if p.tag.endswith("}path")) for one in patterns}


@pytest.mark.parametrize(
    ("us_units", "length", "area", "load", "wide"),
    [(False, "m", "ha", "6.00 t/ha", "6.0 m"), (True, "ft", "ac", "5,353 lb/ac", "19.7 ft")],
)
def test_page_names_what_it_shows(plan, us_units, length, area, load, wide):
    words = texts(plan_picture(plan, us_units=us_units))
    everything = "\n".join(words)
    assert any(re.fullmatch(rf"[125]0* {length}", word) for word in words)  # scale bar
    for word in ("N", "action", "runs", area, "cost [$x^2$ <b>]", "cover [%]"):
        assert word in words, word
    for part in (
        "harvest of wheat, 2026-08-01",
        f"opener {load}",
        f"implement {wide} wide",
        "30 % or more: ",
        "below 30 %: ",
        f" {area} (",
        "cover-target",
        "dashed: target 30 %",
        "now, as mapped",
        "chisel plough, sweeps\n(US table, by mass)",
        "drill, double-disc openers\n(US table, by mass)",
    ):
        assert part in everything, part
    assert "fuel [l]" not in words  # none stated
    assert " ".join(CAUTION.split()) in " ".join(everything.split())


def test_legend_holds_the_actions_of_the_plan_and_no_other(plan):
    words = texts(plan_picture(plan))
    there = set(plan.zones["rule_id"])
    assert 2 <= len(there) < len(ACTIONS)
    for rule_id, action in ACTIONS.items():
        assert (rule_id in words) == (action in words) == (rule_id in there)
    for _, row in plan.work.iterrows():
        assert f"{row['area_ha']:.2f}" in words
        assert f"{row['implement_runs']}" in words
    tilled = plan.work.set_index("rule_id").loc["plan-till", "area_ha"]
    assert f"{12 * tilled:,.0f}" in words


def test_every_action_has_its_own_colour_hatch_and_letter(every_action):
    svg = plan_picture(every_action)
    words = texts(svg)
    signs = action_signs()
    assert list(signs) == list(ACTIONS)
    for kind in ("code", "hatch", "colour"):
        assert len({getattr(sign, kind) for sign in signs.values()}) == len(ACTIONS)
    for rule_id, sign in signs.items():
        assert sign.code in sign.words.upper()
        assert words.count(sign.code) == 2, rule_id  # legend and zone
        assert f"fill: {sign.colour}" in svg
    # to leave has no hatch, but the ground below the target has one
    assert len(hatches(svg)) == len(ACTIONS)
    # most urgent first, as the actions overrule each other
    order = [word for word in words if word in ACTIONS]
    assert order == list(reversed(ACTIONS))


def test_letters_stand_only_where_they_fit(every_action):
    """A zone half an implement run wide has no letter, in the legend it stays."""
    zones = every_action.zones.copy()
    west, south, east, north = every_action.result.outline.bounds
    thin = shapely.box(west, south, west + 1, north)
    zones["geometry"] = [thin, *[shapely.box(west + 1, south, east, north)] * (len(zones) - 1)]
    words = texts(plan_picture(replace(every_action, zones=zones)))
    assert words.count("L") == 1
    assert words.count("T") == 2


def test_what_was_typed_stays_plain_text(plan):
    typed = "<script>alert(1)</script> & $\\frac{1}{2}$ \x00" + "y" * 200
    svg = plan_picture(replace(plan, result=replace(plan.result, name=typed)))
    assert "<script" not in svg
    title = next(word for word in texts(svg) if word.startswith("<script>"))
    assert "$\\frac{1}{2}$" in title  # not set as mathematics
    assert "\x00" not in svg
    assert len(title) <= 90


def test_page_is_repeatable_and_needs_nothing_from_outside(plan):
    svg = plan_picture(plan)
    assert svg == plan_picture(plan)
    assert "dc:date" not in svg
    links = re.findall(r'href="([^"]{0,15})', svg)
    assert all(link.startswith(("#", "data:image/png")) for link in links)
    size = re.search(r'width="([\d.]+)pt" height="([\d.]+)pt"', svg)
    wide, high = (float(part) / 72 for part in size.groups())
    # landscape, within A4 (ISO 216: 297 by 210 mm) and US letter (11 by 8.5 in)
    assert high < wide <= 11
    assert high <= 210 / 25.4


def test_dots_are_the_means_of_the_steps():
    """Cover of an even field, worked by hand from the table row; the range is in brackets."""
    spread = next(
        row for row in operation_table()
        if row.basis == "cover" and row.nonfragile and row.nonfragile[1] - row.nonfragile[0] > 0.1
    )  # fmt: skip
    plan = plan_of(one_sided=False, plan__operations=[spread.label])
    now = 100 * -np.expm1(-plan.result.crop.cover_m2_per_kg / 10 * plan.result.residue_t_ha)
    now = np.nanmean(now[np.isfinite(plan.result.spread_ratio)], dtype=float)
    low, high = (now * share for share in spread.nonfragile)
    words = texts(plan_picture(plan))
    assert f"{now:.0f}" in words
    assert f"{(low + high) / 2:.0f} ({low:.0f}–{high:.0f})" in words
    assert f"({spread.source_key})" in words


def test_ground_below_the_target_is_hatched_only_where_it_is(plan):
    """Two pixels of twelve are line, ink where the ramp is light, and the rest is the ramp."""
    # the map of the whole grid, since images are cut off where the map ends
    whole = replace(plan.result, outline=shapely.box(*plan.result.grid.bounds))
    coded = re.findall(r'base64,\s*([^"]+)"', plan_picture(replace(plan, result=whole)))
    images = [np.rint(imread(io.BytesIO(base64.b64decode(code))) * 255) for code in coded]
    image = max(images, key=np.size)
    cover, below = plan.ground.cover_pct.whole(), plan.target.below.whole()
    times = len(image) // len(cover)
    cover, below = (a.repeat(times, 0).repeat(times, 1) for a in (cover, below))
    plain = colourise("cover_pct", cover, 0, 100)
    # SVG images may be stored upside down and turned by their transform
    kept = [np.all(one == plain, axis=2) for one in (image, image[::-1])]
    same = max(kept, key=np.sum)
    image = image if same is kept[0] else image[::-1]
    assert same[~below].all()
    assert (~same[below]).mean() == pytest.approx(2 / 12, abs=0.03)
    assert np.unique(image[~same & (cover < 30)][:, :3], axis=0).tolist() == [[0x22] * 3]


def test_no_strips_no_operations_one_zone():
    plan = plan_of(one_sided=False)
    assert len(plan.result.strips) == 0
    assert len(plan.steps) == 1
    only = plan.zones.iloc[:1].assign(geometry=[plan.result.outline], rule_id="plan-leave")
    work = plan.work.iloc[:1].assign(rule_id="plan-leave")
    words = texts(plan_picture(replace(plan, zones=only, work=work)))
    assert words.count("L") == 2
    assert "leave" in words
    assert not any(word.startswith("cost") for word in words)
    assert any("no operations given" in word for word in words)
    unknown = plan.result.passes.assign(start_time=pd.NaT)
    dateless = replace(plan, result=replace(plan.result, passes=unknown))
    assert any("date of harvest unknown" in word for word in texts(plan_picture(dateless)))


def test_a_large_field_of_many_zones_and_operations_stays_small(plan):
    """100 ha at 0.5 m, noise for cover, 400 zones: under 1.5 MB."""
    grid = Grid(plan.result.grid.crs, 500_000.0, 4_981_000.0, 0.5, 2000, 2000)
    noise = np.random.default_rng(5).uniform(0, 8, grid.shape).astype(np.float32)
    step = 50
    corners = [(east, north) for east in range(0, 1000, step) for north in range(0, 1000, step)]
    boxes = [
        shapely.box(5e5 + e, 4.98e6 + n, 5e5 + e + step, 4.98e6 + n + step).segmentize(2)
        for e, n in corners
    ]
    zones = plan.zones.iloc[[0] * len(boxes)].reset_index(drop=True).set_geometry(
        boxes, crs=plan.zones.crs
    )  # fmt: skip
    rules = list(ACTIONS)
    zones["rule_id"] = [rules[(k + k // 20) % len(rules)] for k in range(len(boxes))]
    work = pd.concat([plan.work.iloc[:1]] * len(rules)).assign(rule_id=rules)
    rows = [CHISEL, "bent-leg subsoiler (US single values, by mass)"] * 6
    found = sequence(noise, rows, fragile=False, cover_m2_per_kg=0.6)
    steps = [
        replace(step, cover_pct=Range(*(float(np.mean(part)) for part in step.cover_pct)))
        for step in found
    ]
    cover = as_raster(np.asarray(found[-1].cover_pct.mid))
    large = replace(
        plan,
        result=replace(plan.result, grid=grid, outline=shapely.box(5e5, 4.98e6, 5.01e5, 4.981e6)),
        zones=zones,
        work=work,
        steps=steps,
        ground=replace(plan.ground, ratio=as_raster(noise), cover_pct=cover),
        target=replace(plan.target, below=as_raster(cover.whole() < 30)),
    )
    svg = plan_picture(large)
    assert len(svg.encode()) < 1_500_000
    assert CHISEL in texts(svg)  # one line each where rows are many
    assert any(
        re.fullmatch(r"bent-leg \w*… \(US single values, by mass\)", word) and len(word) <= 44
        for word in texts(svg)
    )  # the name is cut short, its table never


def test_letters_stand_out_from_every_colour():
    """WCAG 2.2 asks 4.5 to 1 for text (AA); here 6 and more."""
    for sign in action_signs().values():
        assert contrast(INK, sign.colour) > 6, sign.rule_id


def test_colours_stay_apart_without_green_cones_and_in_grey():
    """CIE76 distances: 20 as seen by most, 13 with deuteranopia.

    Grey cannot part all of eight light colours: row cleaner, till and bale or rake print
    alike, and so do harrow and pressure. It parts each action from the next in urgency; the
    hatches and letters do the rest.
    """
    signs = action_signs()
    colours = [sign.colour for sign in signs.values()]
    for a, b in combinations(colours, 2):
        assert distance(a, b) > 20
        assert distance(a, b, "deuteranopia") > 13
    assert min(grey_distance(a, b) for a, b in pairwise(colours)) > 6
    # the ones that lie side by side in one plan
    common = ("plan-down-pressure", "plan-row-cleaner", "plan-harrow", "plan-till")
    for a, b in pairwise(common):
        assert grey_distance(signs[a].colour, signs[b].colour) > 15

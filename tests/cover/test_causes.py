"""Why strips are there: seeded faults must be named, shares must match brute force.

The truth of every field here is what was put in (invented geometry). Shares of faults that
act together are Shapley values (Shapley 1953, "A value for n-person games") over all
subsets, worked out here from whole maps or from a cross-section in plain NumPy.
"""

from dataclasses import replace
from itertools import combinations
from math import factorial

import numpy as np
import pandas as pd
import pytest
from builders import ORIGIN, settings_of, straight_passes, track_of
from hypothesis import example, given, settings
from hypothesis import strategies as st

import covermap.field.whole_field
from covermap.cover.cause_table import cause_shares
from covermap.cover.causes import CAUSES
from covermap.field.harvest_record import read_harvest
from covermap.field.whole_field import map_field
from covermap.ground.rasters import HeldRaster
from covermap.harvest.read_track import read_track
from covermap.settings.field_settings import PassRule
from covermap.spread.deposit import deposit

WIDTH = 9.0
#: Short strips count too where the fault is a short one.
SHORT = {"limits__strip_min_length": 4, "limits__strip_min_area": 4}


def driven(lines, heading_deg=0.0, step_m=2.0, pause_s=60.0):
    """Make fixes along lines of vertices, one a second, a pause after every line."""
    parts, clocks, numbers, clock = [], [], [], 0.0
    for number, line in enumerate(lines, 1):
        line = np.asarray(line, float)
        along = np.append(0.0, np.cumsum(np.hypot(*np.diff(line, axis=0).T)))
        places = np.arange(0.0, along[-1] + 1e-9, step_m)
        parts.append(np.column_stack([np.interp(places, along, axis) for axis in line.T]))
        clocks.append(clock + np.arange(len(places)))
        numbers.append(np.full(len(places), number))
        clock += len(places) + pause_s
    angle = np.radians(heading_deg)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    xy = np.concatenate(parts) @ turn.T + ORIGIN
    time = pd.Timestamp("2026-08-01T12:00:00Z") + pd.to_timedelta(np.concatenate(clocks), unit="s")
    return pd.DataFrame(
        {"easting": xy[:, 0], "northing": xy[:, 1], "time": time, "number": np.concatenate(numbers)}
    )


def back_and_forth(places, length_m, heading_deg=0.0, pause_s=60.0):
    """Make passes at these places across the field."""
    ends = [(0.0, length_m) if k % 2 == 0 else (length_m, 0.0) for k in range(len(places))]
    lines = [[(x, y) for y in end] for x, end in zip(places, ends, strict=True)]
    return driven(lines, heading_deg, pause_s=pause_s)


def regular(passes, length_m, heading_deg=0.0):
    return back_and_forth(WIDTH * np.arange(passes), length_m, heading_deg)


def too_near(passes, moved, length_m, heading_deg=0.0):
    places = WIDTH * np.arange(passes)
    places[list(moved)] -= 3.0
    return back_and_forth(places, length_m, heading_deg)


def lands_with_a_narrow_last_pass(lands, length_m, heading_deg=0.0):
    """Make lands of four passes, the last of which meets 4 m of crop."""
    places = (31.0 * np.arange(lands)[:, None] + [0.0, 9.0, 18.0, 22.0]).ravel()
    return back_and_forth(places, length_m, heading_deg)


def point_rows(angle_deg, passes, heading_deg=0.0):
    """Make a headland pass along an edge at an angle, then passes run out on it."""
    angle = np.radians(angle_deg)
    rise, half = 1 / np.tan(angle), WIDTH / 2
    far = WIDTH * (passes - 1)
    headland_m = WIDTH / np.sin(angle)
    lines = [[(x, 150 + x * rise - headland_m / 2) for x in (-15.0, far + 15.0)]]
    for k in range(passes):
        x = k * WIDTH
        top = 150 + (x + half) * rise - headland_m + 1
        ends = (x, top - 120), (x, top)
        lines.append(ends if k % 2 == 0 else ends[::-1])
    return driven(lines, heading_deg)


def corners(passes, heading_deg=0.0, radius=2.0):
    """Make passes round a right-angled corner tighter than the header can take."""
    bend = np.linspace(0, np.pi / 2, 12)
    lines = []
    for k in range(passes):
        x, y = k * WIDTH, 200 - k * WIDTH
        arc = np.column_stack([x + radius * (1 - np.cos(bend)), y + radius * np.sin(bend)])
        lines.append([(x, 0.0), *arc, (x + radius + 250.0, y + radius)])
    return driven(lines, heading_deg)


def with_holes(fixes, every=50, lost=20):
    """Lose ``lost`` fixes out of ``every``, never at a pass's ends."""
    place = fixes.groupby("number").cumcount()
    count = fixes.groupby("number")["number"].transform("size")
    gone = (place % every >= every - lost) & (place < count - every // 2)
    return fixes[~gone]


def standing(fixes, at, seconds):
    """Let the machine stand still in the middle of every pass; the log's clock runs on."""
    place = fixes.groupby("number").cumcount()
    late = (place >= at) + (fixes["number"] - 1)
    return fixes.assign(time=fixes["time"] + pd.to_timedelta(late * seconds, unit="s"))


def made(fixes):
    return track_of(fixes.drop(columns="number", errors="ignore"))


def mapped(fixes, chosen):
    return map_field(made(fixes), chosen)


def with_rule(chosen, values, passes="", window=("", "")):
    return replace(chosen, pass_rules=(PassRule(passes, *window, values, "test "),))


def check(result, rule_id, least_ha, strips=None, share=0.10):
    """Check that the seeded cause comes first and is nearly all of it."""
    strips = result.strips if strips is None else strips
    shares = cause_shares(result.causes_kg).loc[strips["strip_id"], rule_id]
    assert strips["area_m2"].sum() / 1e4 >= least_ha
    named = (strips["cause"] == CAUSES[rule_id]).mean()
    assert named >= 0.95, strips["causes"].value_counts().head()
    assert shares.between(1 - share, 1 + share).all(), shares.describe()


MILD = {"limits__double_above": 1.25, "limits__gap_below": 0.75}
WHOLE_FIELD = {
    "60 %": ("cause-narrow", {"spread__width": 5.4}),
    "150 %": ("cause-wide", {"spread__width": 13.5, **MILD}),
    "190 %": ("cause-wide", {"spread__width": 17.0, **MILD}),
    "lean": ("cause-lean", {"spread__lean": 2.0}),
    "lean to the left": ("cause-lean", {"spread__lean": -1.5}),
    "one reach longer": (
        "cause-lean",
        {"spread__width": None, "spread__reach_left": 3.0, "spread__reach_right": 6.0},
    ),
    "lopsided profile": (
        "cause-lean",
        {"spread__profile": "table", "spread__shares": [2.6, 1.8, 1.0, 0.2]},
    ),
    "crosswind": ("cause-wind", {"wind__speed": 8.0, "wind__from_deg": 90.0}),
    "windrow": ("cause-windrow", {"spread__discharge": "windrow", "spread__width": 1.5}),
    "baled": (
        "cause-windrow",
        {
            "spread__discharge": "windrow",
            "spread__width": 1.5,
            "spread__baled_share": 0.9,
        },
    ),
    "triangle": ("cause-heaped", {"spread__profile": "triangle"}),
    "bell": ("cause-heaped", {"spread__profile": "bell"}),
}


@pytest.mark.parametrize("name", WHOLE_FIELD)
def test_a_fault_of_the_whole_field_is_named(name):
    rule_id, faults = WHOLE_FIELD[name]
    check(mapped(regular(12, 640.0), settings_of(**faults)), rule_id, 1.0)


@pytest.mark.parametrize(
    ("fixes", "least_ha"),
    [
        (too_near(26, (3, 7, 11, 15, 19, 23), 600.0), 1.0),
        (too_near(8, (4,), 300.0, heading_deg=52.0), 0.08),
        (lands_with_a_narrow_last_pass(9, 300.0), 1.0),
    ],
)
def test_steering_is_named(fixes, least_ha):
    check(mapped(fixes, settings_of()), "cause-steering", least_ha)


def test_a_swath_that_the_log_says_was_narrow_is_a_header_partly_empty():
    """Whether positions or the log's own width say so, it is the same fault."""
    fixes = regular(14, 600.0)
    narrow = fixes["number"].isin([4, 9]) & (fixes.groupby("number").cumcount() > 40)
    result = mapped(fixes.assign(header_width_m=np.where(narrow, 4.0, WIDTH)), settings_of())
    check(result, "cause-steering", 0.3)
    assert (result.strips["kind"] == "gap").any()


# the geometry gives strips of some 30 m² each
@pytest.mark.parametrize(
    ("fixes", "least_ha"),
    [
        (point_rows(15, 30), 0.2),
        (point_rows(15, 8, heading_deg=37.0), 0.04),
        (point_rows(30, 30), 0.04),
        (point_rows(45, 14, heading_deg=200.0), 0.02),
        (corners(12), 0.004),
        (corners(12, heading_deg=29.0), 0.004),
    ],
)
def test_point_rows_and_tight_turns_are_named(fixes, least_ha):
    check(mapped(fixes, settings_of(**SHORT)), "cause-turn", least_ha)


def test_late_residue_is_named_at_starts_and_stops():
    starts = mapped(regular(50, 60.0), settings_of(combine__residue_delay_s=12))
    check(starts, "cause-flow", 1.0)
    chosen = settings_of(combine__residue_delay_s=12, **SHORT)
    stops = mapped(standing(regular(26, 150.0), 40, 20.0), chosen)
    check(stops, "cause-flow", 1.0)
    assert len(stops.strips) >= 2 * 26


def test_a_change_of_settings_is_named():
    fixes = regular(14, 520.0)
    window = [
        fixes.loc[fixes["number"] == k, "time"].iloc[e].isoformat() for k, e in ((4, 0), (8, -1))
    ]
    by_pass = mapped(fixes, with_rule(settings_of(), {"width": 4.5}, passes="4-8"))
    by_time = mapped(fixes, with_rule(settings_of(), {"width": 4.5}, window=window))
    column = fixes.assign(spread_width_m=np.where(fixes["number"].between(4, 8), 4.5, 9.0))
    by_fix = mapped(column, settings_of())
    for result in (by_pass, by_time, by_fix):
        check(result, "cause-settings", 1.0)
    pd.testing.assert_frame_equal(by_pass.causes_kg, by_time.causes_kg)
    pd.testing.assert_frame_equal(by_pass.causes_kg, by_fix.causes_kg)


@pytest.mark.parametrize("lost", [10, 20, 30])
def test_missing_fixes_are_named(lost):
    """Holes of 20, 40 and 60 m; the ground behind each lies bare for 4 s of travel."""
    length = 520.0
    fixes = with_holes(regular(36, length), lost=lost)
    result = mapped(fixes, settings_of(combine__residue_delay_s=4, **SHORT))
    along = result.strips.centroid.y - ORIGIN[1]
    at_start = (along < 20) | (along > length - 20)
    check(result, "cause-holes", 1.0, result.strips[~at_start])
    assert at_start.sum() == 36
    check(result, "cause-flow", 0.2, result.strips[at_start])


@given(heading=st.floats(0, 360), fault=st.sampled_from(["narrow", "lean", "wind", "settings"]))
@settings(max_examples=10, deadline=None)
def test_faults_are_named_at_any_heading(heading, fault):
    chosen = {
        "narrow": settings_of(spread__width=5.4),
        "lean": settings_of(spread__lean=2.0),
        "wind": settings_of(wind__speed=9.0, wind__from_deg=(heading + 90) % 360),
        "settings": with_rule(settings_of(), {"width": 4.5}, passes="3-4"),
    }[fault]
    result = mapped(regular(6, 120.0, heading), chosen)
    check(result, f"cause-{fault}", 0.02)


def test_different_faults_in_different_passes_are_each_named():
    fixes = too_near(26, (21,), 300.0)
    chosen = replace(
        settings_of(),
        pass_rules=(
            PassRule("4-6", "", "", {"width": 4.5}, "test "),
            PassRule("12-14", "", "", {"discharge": "windrow"}, "test "),
        ),
    )
    strips = mapped(fixes, chosen).strips
    seen = set()
    for passes, cause in zip(strips["passes"], strips["cause"], strict=True):
        owners = {int(p) for p in passes.split(",")}
        for rule_id, seeded in (
            ("cause-settings", {4, 5, 6}),
            ("cause-windrow", {12, 13, 14}),
            ("cause-steering", {21, 22}),
        ):
            if owners <= seeded:
                assert cause == CAUSES[rule_id]
                seen.add(rule_id)
    assert len(seen) == 3
    assert strips["passes"].isin(["21", "22"]).any()


def shapley(value, players):
    """Give each player's Shapley value; ``value`` takes the set of those at work."""
    n = len(players)
    shares = {}
    for player in players:
        others = [p for p in players if p != player]
        total = 0.0
        for size in range(n):
            weight = factorial(size) * factorial(n - size - 1) / factorial(n)
            for some in combinations(others, size):
                total = total + weight * (value({*some, player}) - value({*some}))
        shares[player] = total
    return shares


@pytest.fixture
def strip_sums(monkeypatch):
    """Give the strips of every cell and their sums, as the field's own run had them."""
    seen = {}
    run = covermap.field.whole_field.strip_causes

    def watched(*given_here):
        seen["sums"] = given_here[3]
        seen["of_cell"] = given_here[3].of_cell.whole()
        return run(*given_here)

    monkeypatch.setattr(covermap.field.whole_field, "strip_causes", watched)
    return seen


@pytest.mark.parametrize(
    ("width", "lean"), [(5.4, 1.5), (6.5, 2.5), (12.0, 2.0), (4.5, -1.0), (7.0, -3.0)]
)
def test_narrow_and_lean_share_as_in_a_cross_section(width, lean, strip_sums):
    """Bands as intervals on an axis of 1 cm steps, up and down passes, by hand in NumPy."""
    result = mapped(regular(14, 120.0), settings_of(spread__width=width, spread__lean=lean, **MILD))
    x = np.arange(-20.0, 140.0, 0.01) + 0.005

    def cross_section(at_work):
        wide = width if "width" in at_work else WIDTH
        over = lean if "lean" in at_work else 0.0
        density = np.zeros(len(x))
        for k in range(14):
            middle = k * WIDTH + (over if k % 2 == 0 else -over)
            density += (np.abs(x - middle) < wide / 2) / wide * WIDTH
        return density

    of_cell, grid = strip_sums["of_cell"], result.grid
    shares = cause_shares(result.causes_kg)
    truth = shapley(cross_section, ["width", "lean"])
    number = "cause-narrow" if width < WIDTH else "cause-wide"
    compared = 0
    for strip in result.strips["strip_id"]:
        col = np.nonzero(of_cell == strip)[1]
        cells = grid.west + col * grid.cell_m - ORIGIN[0]
        at = (x[None, :] >= np.unique(cells)[:, None]) & (x < np.unique(cells)[:, None] + 0.5)
        weight = np.bincount(np.unique(cells, return_inverse=True)[1])
        off, own = ((cross_section({"width", "lean"}) - 1) * at).sum(axis=1) @ weight, {}
        for name, part in truth.items():
            own[name] = ((part * at).sum(axis=1) @ weight) / off
        assert shares.loc[strip, number] == pytest.approx(own["width"], abs=0.10)
        assert shares.loc[strip, "cause-lean"] == pytest.approx(own["lean"], abs=0.10)
        compared += 1
    assert compared >= 10


WIND = {"wind__speed": 6.0, "wind__from_deg": 90.0}
TOGETHER = {
    "lean and wind": {"cause-lean": {"spread__lean": -1.5}, "cause-wind": WIND},
    "narrow, lean, late": {
        "cause-narrow": {"spread__width": 5.4},
        "cause-lean": {"spread__lean": 1.5},
        "cause-flow": {"combine__residue_delay_s": 10},
    },
    "narrow, lean, wind": {
        "cause-narrow": {"spread__width": 6.5},
        "cause-lean": {"spread__lean": 1.0},
        "cause-wind": WIND,
    },
    "all five": {
        "cause-heaped": {"spread__profile": "triangle"},
        "cause-narrow": {"spread__width": 7.0},
        "cause-lean": {"spread__lean": 1.0},
        "cause-flow": {"combine__residue_delay_s": 10},
        "cause-wind": WIND,
    },
    "four": {
        "cause-heaped": {"spread__profile": "bell"},
        "cause-narrow": {"spread__width": 7.0},
        "cause-lean": {"spread__lean": 1.0},
        "cause-wind": WIND,
    },
    "heaped, narrow, wind": {
        "cause-heaped": {"spread__profile": "triangle"},
        "cause-narrow": {"spread__width": 7.0},
        "cause-wind": WIND,
    },
}


@pytest.mark.parametrize("name", TOGETHER)
def test_faults_that_act_together_share_as_by_brute_force(name, strip_sums):
    """Every subset of the faults is mapped from its own settings; nothing of the cause
    module is used for the truth."""
    faults = TOGETHER[name]
    fixes = regular(8, 150.0)

    def chosen(at_work):
        return settings_of(**{k: v for f in faults if f in at_work for k, v in faults[f].items()})

    result = mapped(fixes, chosen(set(faults)))
    of_cell = strip_sums["of_cell"].copy()
    known = {}

    def kg(at_work):
        key = frozenset(at_work)
        if key not in known:
            bands = read_harvest(made(fixes), chosen(at_work)).bands
            laid = deposit(bands, result.grid, meaningful_kg_m2=1.0).kg_m2
            known[key] = np.bincount(of_cell.ravel(), laid.ravel())[1:] * result.grid.cell_area_m2
        return known[key]

    truth = shapley(kg, list(faults))
    off = result.strips["excess_kg"].to_numpy() - result.strips["deficit_kg"].to_numpy()
    shares = cause_shares(result.causes_kg)
    assert len(shares) >= 8
    truth = pd.DataFrame({rule_id: part / off for rule_id, part in truth.items()})
    apart = shares[list(faults)].reset_index(drop=True) - truth
    # up to three faults the shares are the Shapley values; of more they come near
    if len(faults) <= 3:
        assert apart.abs().max(axis=None) < 0.05
    else:
        assert apart.abs().mean(axis=None) < 0.07
        assert (shares[list(faults)].idxmax(axis=1).to_numpy() == truth.idxmax(axis=1)).all()


def spiral(long_m, short_m, laps):
    """Make one line round and round to the right, inwards."""
    line = []
    for k in range(laps):
        d = (k + 0.5) * WIDTH
        line += [(d, d - (WIDTH if k else 0)), (d, short_m - d)]
        line += [(long_m - d, short_m - d), (long_m - d, d)]
    return [line]


def test_lean_is_named_round_and_round_and_back_and_forth():
    """Round and round only the outermost and innermost ground shows a lean."""
    chosen = settings_of(spread__lean=3.0)
    rounds = mapped(driven(spiral(330.0, 260.0, 9)), chosen).strips
    to_and_fro = mapped(regular(12, 300.0), chosen).strips
    for strips in (rounds, to_and_fro):
        lean = strips["cause"] == CAUSES["cause-lean"]
        assert strips["area_m2"][lean].sum() > 0.95 * strips["area_m2"].sum()
    assert len(rounds) and len(rounds) < len(to_and_fro)


def test_causes_add_up_to_what_landed_less_what_grew():
    chosen = settings_of(
        spread__width=6.5,
        spread__profile="bell",
        spread__lean=1.0,
        combine__residue_delay_s=5,
        **WIND,
    )
    result = mapped(with_holes(too_near(10, (6,), 200.0, heading_deg=33.0)), chosen)
    off = result.strips["excess_kg"] - result.strips["deficit_kg"]
    np.testing.assert_allclose(result.causes_kg.sum(axis=1), off, rtol=1e-6)
    np.testing.assert_allclose(cause_shares(result.causes_kg).sum(axis=1), 1.0)
    # a stated yield has no noise of flow that could stay unexplained
    assert result.causes_kg["unexplained"].abs().max() < 0.01 * off.abs().min()
    table = result.causes.set_index("rule_id")
    gap = (result.strips["kind"] == "gap").to_numpy()
    assert table["missing_t"].sum() == pytest.approx(-off[gap].sum() / 1e3, rel=1e-6)
    assert table["too_much_t"].sum() == pytest.approx(off[~gap].sum() / 1e3, rel=1e-6)
    assert table["strips"].sum() == len(result.strips)
    assert table["area_ha"].sum() == pytest.approx(result.strips["area_m2"].sum() / 1e4)


@pytest.mark.parametrize("heading", [0.0, 41.0])
def test_without_any_fault_there_is_no_strip_and_no_cause(heading):
    """Width as cut, no delay, no wind, no lean: all lies where it was cut."""
    result = mapped(regular(6, 120.0, heading), settings_of())
    ratio = result.spread_ratio[np.isfinite(result.spread_ratio)]
    inside = np.abs(ratio - 1) < 0.02
    assert inside.mean() > 0.97
    assert result.strips.empty and result.causes.empty and result.causes_kg.empty
    assert list(result.causes_kg.columns) == list(CAUSES)


BOTH = {"spread__width": 6.0, "spread__lean": 1.2}


@given(heading=st.floats(0, 360))
@example(heading=45.0)
@settings(max_examples=6, deadline=None)
def test_turning_the_field_leaves_the_shares_alone(heading):
    def parts(result):
        # lanes about a cell wide are strips at some headings and not at others
        wide = (result.strips["width_m"] > 2).to_numpy()
        kinds = result.strips.loc[wide, "kind"].to_numpy()
        kg = result.causes_kg[wide].groupby(kinds).sum()
        return kg.div(kg.sum(axis=1), axis=0)[["cause-narrow", "cause-lean"]].to_numpy()

    one = mapped(regular(6, 150.0), settings_of(**BOTH))
    two = mapped(regular(6, 150.0, heading), settings_of(**BOTH))
    np.testing.assert_allclose(parts(two), parts(one), atol=0.03)


def test_a_mirrored_field_has_mirrored_causes():
    fixes = regular(6, 150.0)
    mirrored = fixes.assign(easting=2 * ORIGIN[0] - fixes["easting"])
    one = mapped(fixes, settings_of(**BOTH, wind__speed=5, wind__from_deg=90))
    two = mapped(
        mirrored,
        settings_of(spread__width=6.0, spread__lean=-1.2, wind__speed=5, wind__from_deg=270),
    )
    for column in ("missing_t", "too_much_t", "area_ha"):
        np.testing.assert_allclose(
            two.causes.set_index("rule_id")[column].sort_index(),
            one.causes.set_index("rule_id")[column].sort_index(),
            rtol=1e-3,
            atol=1e-4,
        )


@pytest.mark.parametrize(("step_m", "most"), [(5.0, 1e-9), (2.0, 0.015)])
def test_strip_sums_are_those_of_the_deposit(step_m, most, strip_sums):
    """Bands of 5 m are too long to be joined; those of 2 m are joined, two to one."""
    rng = np.random.default_rng(5)
    track = straight_passes(8, WIDTH, length_m=200.0, step_m=step_m, heading_deg=20.0)
    start = track.fixes["time"].min()
    slow = start + (track.fixes["time"] - start) * step_m / 2
    track = replace(track, fixes=track.fixes.assign(time=slow))
    east = track.fixes["easting"] + rng.normal(0, 0.05, len(track.fixes))
    track = replace(track, fixes=track.fixes.assign(easting=east))
    chosen = settings_of(spread__width=7.0, spread__profile="bell", spread__lean=1.0, **WIND)
    result = map_field(track, chosen)
    bands = read_harvest(track, chosen).bands
    raster = deposit(bands, result.grid, meaningful_kg_m2=1.0).kg_m2
    sums = strip_sums["sums"]

    def of_cells(kg_m2):
        kg = np.bincount(sums.of_cell.whole().ravel(), kg_m2.ravel(), sums.count + 1)[1:]
        return kg * result.grid.cell_area_m2

    truth = of_cells(raster)
    own = (result.strips["excess_kg"] + result.strips["deficit_kg"]).to_numpy()
    laid = sums.kg_laid(bands)[:, 0]
    assert sums.count == len(result.strips) >= 10
    # strips that only the noise of positions makes are short; noise is what joining smooths
    long = (result.strips["length_m"] > 100).to_numpy()
    assert (np.abs(laid - truth) <= most * np.where(long, truth, np.inf)).all()
    assert (np.abs(laid - truth) <= 3 * most * np.maximum(truth, own)).all()
    assert laid.sum() == pytest.approx(truth.sum(), rel=most)
    assert long.sum() >= 10
    moved = HeldRaster(np.roll(sums.of_cell.whole(), 8, axis=1))
    wrong = replace(sums, of_cell=moved).kg_laid(bands)[:, 0]
    assert (np.abs(wrong - truth) > 0.05 * truth).mean() > 0.5


def test_strip_sums_are_linear_in_the_loads(strip_sums):
    fixes, chosen = regular(4, 100.0, 20.0), settings_of(spread__width=5.4)
    mapped(fixes, chosen)
    bands = read_harvest(made(fixes), chosen).bands
    sums = strip_sums["sums"]
    rng = np.random.default_rng(6)
    one, two = rng.uniform(0, 9, (2, len(bands.mass_kg)))
    kg = sums.kg_laid(bands, np.column_stack([one, two, 3 * one - 2 * two]))
    assert (kg[:, :2] > 0).any()
    np.testing.assert_allclose(kg[:, 2], 3 * kg[:, 0] - 2 * kg[:, 1], atol=1e-9)


@pytest.fixture(scope="module")
def corn(open_data):
    """A corn track of the Univ. of Minnesota (CC BY-SA 3.0)."""
    track = read_track(open_data / "corn_clock_repaired.csv")
    return replace(track, fixes=track.fixes.drop(columns="pass_id"))


CORN = {"crop__kind": "corn", "crop__grain_yield": None, "combine__cut_width": "30 ft"}


@pytest.mark.parametrize("delay_s", [0, 4])
def test_narrow_spread_on_a_real_track(corn, delay_s):
    chosen = settings_of(
        **{**CORN, "spread__width": 0.6 * 9.144, "combine__residue_delay_s": delay_s}
    )
    strips = map_field(corn, chosen).strips
    named = strips["cause"] == CAUSES["cause-narrow"]
    double = strips["kind"] == "double"
    assert strips["area_m2"][double & named].sum() > 0.95 * strips["area_m2"][double].sum()
    # at their starts passes are bare from edge to edge
    start = strips["width_m"] > 0.5 * 9.144
    gap = ~double & ~start
    assert strips["area_m2"][gap & named].sum() > 0.95 * strips["area_m2"][gap].sum()
    assert double.sum() > 100 and gap.sum() > 50


def test_crosswind_on_a_real_track(corn):
    """Passes lie within a degree of north; the wind is square to them."""
    chosen = settings_of(
        **{
            **CORN,
            "spread__width": "30 ft",
            "wind__speed": 5.0,
            "wind__from_deg": 90.0,
            "wind__height": 10.0,
        }
    )
    causes = map_field(corn, chosen).causes
    assert causes["rule_id"].iloc[0] == "cause-wind"

"""Residue and cover through operations, against published figures and the form's own laws."""

import itertools
from collections import Counter

import numpy as np
import pytest
from builders import texts
from hypothesis import example, given, settings
from hypothesis import strategies as st

from covermap.cover.ground_cover import cover_pct
from covermap.errors import SettingsError
from covermap.plan.fragility import fragility_of, is_fragile
from covermap.plan.operation_table import (
    STEINER_DECAY_PER_DAY,
    daily_decay,
    find_operation,
    operation_table,
)
from covermap.plan.operations import (
    after_operation,
    cover_class,
    residue_needed_t_ha,
    sequence,
)

K_WHEAT = 5.4
LOADS = st.floats(0, 15)
COEFFICIENTS = st.floats(1.9, 17.5)
ROWS = st.sampled_from(operation_table())
PLOUGH = find_operation("mouldboard plough, US table by cover")
DRILL = find_operation("double-disc openers drill, US table by cover")


def residue_for(cover: float, k: float) -> float:
    """Residue of a cover, by bisection of the forward curve."""
    low, high = 0.0, 200.0
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if cover_pct(np.array(middle), k) < cover else (low, middle)
    return low


@pytest.mark.parametrize(
    ("tools", "expected"),
    [
        # Sallaway, Lawson & Yule 1988: wheat leaves 90.3 % projected cover; one pass takes off
        # 65 % (disc), 19 % (blade), 12 % (chisel or scarifier)
        (["disc, one pass (Queensland, by cover)"], 90.3 * (1 - 0.65)),
        (["blade plough (Queensland, by cover)"], 90.3 * (1 - 0.19)),
        (["blade plough (Queensland, by cover)", "scarifier or chisel plough, secondary"], 64.4),
    ],
)
def test_queensland_wheat(tools, expected):
    start = residue_for(90.3, K_WHEAT)
    steps = sequence(start, tools, fragile=False, cover_m2_per_kg=K_WHEAT)
    assert steps[0].cover_pct.mid == pytest.approx(90.3)
    assert steps[-1].cover_pct.mid == pytest.approx(expected, abs=0.05)
    assert steps[-1].basis == "cover"
    assert steps[-1].flat_equivalent
    assert not steps[0].flat_equivalent


@pytest.mark.parametrize(
    ("start_pct", "retained", "after_pct"),
    # tillage_worked.csv, derived by hand from Gregory's form: 1 − (1 − C0)^r
    [(95.0, 0.5, 77.6393), (60.0, 0.5, 36.7544), (20.0, 0.9, 18.1948)],
)
@pytest.mark.parametrize("k", [1.9, 5.4, 17.5])
def test_mass_kept_is_not_cover_kept(start_pct, retained, after_pct, k):
    rows = [r for r in operation_table() if r.basis == "mass" and r.nonfragile == (retained,) * 2]
    step = after_operation(residue_for(start_pct, k), rows[0], fragile=False, cover_m2_per_kg=k)
    assert step.cover_pct.mid == pytest.approx(after_pct, abs=1e-4)


@pytest.mark.parametrize(
    ("start_pct", "fragile", "tools", "after_pct"),
    # tillage_worked.csv: DERIVED by multiplying factors of the US table by mass on the cover scale
    [
        (95, False, ["chisel plough, straight spike points", "tandem disc, finishing",
                     "planter, double-disc openers"], 29.925),
        (80, True, ["chisel plough, straight spike points", "tandem disc, finishing",
                    "planter, double-disc openers"], 9.600),
        (95, False, ["undercutter, wide sweeps or blade plough"] * 2
         + ["rodweeder, plain"] * 2 + ["drill, double-disc openers"], 56.097),
        (95, False, ["no-till drill, standing stubble, smooth coulters"], 85.5),
        (95, False, ["no-till drill, flat residue, fluted coulters"], 57.0),
        (95, False, ["mouldboard plough"] + ["field cultivator, secondary, narrow sweeps"] * 2
         + ["planter, double-disc openers"], 2.405),
    ],
)  # fmt: skip
def test_chains_keep_the_derived_share_of_mass(start_pct, fragile, tools, after_pct):
    start = residue_for(start_pct, K_WHEAT)
    rows = [f"{tool} (US table, by mass)" for tool in tools]
    steps = sequence(start, rows, fragile=fragile, cover_m2_per_kg=K_WHEAT)
    assert steps[-1].residue_t_ha.mid / start == pytest.approx(after_pct / start_pct, abs=2e-4)
    # mass factors used on the cover scale would understate cover (McCool, Stott & Laflen 1995)
    assert steps[-1].cover_pct.mid > after_pct
    assert not steps[-1].flat_equivalent


@settings(deadline=None)
@given(depth=st.floats(0, 12), row=ROWS, first_k=COEFFICIENTS, other_k=COEFFICIENTS)
@example(depth=12.0, row=PLOUGH, first_k=17.5, other_k=2.0)
@example(depth=12.0, row=DRILL, first_k=17.5, other_k=2.0)
def test_cover_after_depends_on_cover_before_only(depth, row, first_k, other_k):
    """The same cover of another crop (k) comes out as the same cover; depth is k M."""
    one, two = (
        after_operation(10 * depth / k, row, fragile=False, cover_m2_per_kg=k)
        for k in (first_k, other_k)
    )
    before = cover_pct(np.array(10 * depth), 1.0) / 100
    for end, low_mid_high in enumerate(row.kept(False)):
        assert one.cover_pct[end] == pytest.approx(float(two.cover_pct[end]), abs=1e-7)
        law = 1 - (1 - before) ** low_mid_high if row.basis == "mass" else before * low_mid_high
        assert one.cover_pct[end] == pytest.approx(float(100 * law), abs=1e-7)


@settings(deadline=None)
@given(load=LOADS, rows=st.lists(ROWS, max_size=5))
def test_nothing_grows_and_the_range_is_in_order(load, rows):
    steps = sequence(load, rows, fragile=False, cover_m2_per_kg=K_WHEAT)
    for step in steps:
        low, mid, high = step.residue_t_ha
        assert 0 <= low <= mid + 1e-12 <= high + 2e-12
        # mass and cover tell the same story
        np.testing.assert_allclose(
            step.cover_pct, [cover_pct(part, K_WHEAT) for part in (low, mid, high)]
        )
    for before, after in itertools.pairwise(steps):
        assert after.residue_t_ha.high <= before.residue_t_ha.high * (1 + 1e-9) + 1e-12


@settings(deadline=None)
@given(
    target=st.floats(0, 95),
    rows=st.lists(ROWS, max_size=4),
    k=COEFFICIENTS,
    case=st.sampled_from(["low", "mid", "high"]),
)
def test_needed_residue_gives_the_cover_when_run_forward(target, rows, k, case):
    needed = residue_needed_t_ha(target, rows, fragile=False, cover_m2_per_kg=k, case=case)
    if np.isfinite(needed) and needed < 1e3 / k:
        steps = sequence(needed, rows, fragile=False, cover_m2_per_kg=k)
        assert getattr(steps[-1].cover_pct, case) == pytest.approx(target, abs=1e-6)
    else:
        # out of reach: not even a metre of straw would do
        steps = sequence(1e3 / k, rows, fragile=False, cover_m2_per_kg=k)
        assert getattr(steps[-1].cover_pct, case) < max(target, 1e-9) + 1e-6


def test_cover_out_of_reach_says_so():
    """Sallaway et al. 1988: one disc pass keeps 0.35 of the cover, so 40 % cannot be had."""
    ask = {"fragile": False, "cover_m2_per_kg": K_WHEAT}
    assert residue_needed_t_ha(40, ["disc, one pass"], **ask) == np.inf
    assert residue_needed_t_ha(34, ["disc, one pass"], **ask) < 10


@pytest.mark.parametrize(
    ("label", "basis", "fragile", "nonfragile"),
    [
        # USDA-ARS, share of flat residue mass that an operation buries: 1 − that
        ("mouldboard plough (US table, by mass)", "mass", (0.02, 0.02), (0.05, 0.05)),
        ("tandem disc, light (US table, by mass)", "mass", (0.45, 0.45), (0.75, 0.75)),
        ("no-till drill (US table, by mass)", "mass", (0.55, 0.55), (0.65, 0.65)),
        ("spring-tooth harrow (US table, by mass)", "mass", (0.75, 0.75), (0.85, 0.85)),
        ("bent-leg subsoiler (US table, by mass)", "mass", (0.80, 0.80), (0.85, 0.85)),
        # USDA-NRCS, share of residue mass buried, one value for all residue
        ("offset disc, heavy (US single values, by mass)", "mass", (0.05, 0.05), (0.05, 0.05)),
        ("heavy harrow (US single values, by mass)", "mass", (0.65, 0.65), (0.65, 0.65)),
        # Univ. of Illinois: buries 40-70 % of soybean, 30-50 % of corn residue
        ("chisel plough, autumn (Illinois, by cover)", "cover", (0.30, 0.60), (0.50, 0.70)),
        # Sallaway, Lawson & Yule 1988: no figure for fragile residue
        ("blade plough (Queensland, by cover)", "cover", None, (0.81, 0.81)),
        # textbook table; basis not stated there
        ("rodweeder (textbook, by cover)", "cover", None, (0.90, 0.90)),
        # USDA-SCS & EMI 1992, from memory
        ("winter, after autumn harvest (US table, by cover)", "cover", (0.7, 0.8), (0.8, 0.95)),
        ("drill, double-disc openers (US table, by cover)", "cover", (0.6, 0.8), (0.8, 1.0)),
    ],
)
def test_published_figures_stand_in_the_table(label, basis, fragile, nonfragile):
    row = find_operation(label)
    assert (row.basis, row.fragile, row.nonfragile) == (basis, fragile, nonfragile)
    assert ("basis assumed" in row.note) == (row.source_key == "textbook, by cover")
    assert row.confidence == ("memory" if row.source_key == "US table, by cover" else "read")


def test_no_source_has_lost_rows():
    """Rows per source in the lists that the table was made from."""
    assert Counter(row.source_key for row in operation_table()) == {
        "US table, by mass": 85, "US single values, by mass": 19, "Illinois, by cover": 1,
        "Queensland, by cover": 3, "textbook, by cover": 13, "US table, by cover": 10,
    }  # fmt: skip


def test_rows_are_told_apart_and_every_label_finds_its_row():
    for row in operation_table():
        assert find_operation(row.label) is row
        assert row.source_key.endswith(f", by {row.basis}")
        for ends in (row.fragile, row.nonfragile):
            assert ends is None or 0 <= ends[0] <= ends[1] <= 1
        assert row.kind in {"tillage", "harrow", "seeding", "weathering", "application", "other"}


@pytest.mark.parametrize(
    "text",
    [
        "Planter, Double Disk Openers, US table by mass",
        "double-disc opener planter (US table, by mass)",
        "  US table by mass: planter — openers, double-disc ",
    ],
)
def test_names_are_found_however_they_are_written(text):
    assert find_operation(text).label == "planter, double-disc openers (US table, by mass)"
    assert find_operation("moldboard plow, uphill furrow").name.startswith("mouldboard plough")
    assert find_operation("Winter weathering after fall harvest").kind == "weathering"


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        (
            "mouldboard plough",
            r"more than one row: .*\(US table, by mass\).*\(textbook, by cover\)"
            r".*\(US table, by cover\).*\(US single values, by mass\)",
        ),
        ("chissel plough", "Nearest: .*chisel plough"),
        ("", "not in the table"),
        # the bracket of another table: the tool's own tables are named
        (
            "mouldboard plough (some program)",
            r"Nearest: mouldboard plough \(US table, by mass\); .*\(US single values, by mass\); "
            r".*\(textbook, by cover\); .*\(US table, by cover\)\.",
        ),
    ],
)
def test_unknown_and_ambiguous_names_are_refused(text, hint):
    with pytest.raises(SettingsError, match=hint):
        find_operation(text)


def test_unpublished_fragile_figures_are_never_filled_in():
    with pytest.raises(SettingsError, match="no published figure for fragile"):
        sequence(3.0, ["disc, one pass"], fragile=True, cover_m2_per_kg=5.0)


def test_steps_say_what_a_figure_is_worth():
    tools = ["winter, after autumn harvest", "lister plough", "rotary hoe, US table by mass"]
    steps = sequence(4.0, tools, fragile=False, cover_m2_per_kg=K_WHEAT)
    rules = [{note.rule for note in step.notes} for step in steps]
    assert rules == [
        set(),
        {"cover-range", "cover-equivalent", "cover-from-memory"},
        {"cover-equivalent", "cover-basis-assumed"},
        set(),
    ]
    # tonnes stay an equivalent once a cover figure came in
    assert [step.flat_equivalent for step in steps] == [False, True, True, True]
    assert steps[0].label == "now"


def test_straw_rots_by_the_day_only_where_asked():
    """Steiner et al. 1999 (0.028 a day): the half-life is 24.4 days, ln 2 / −ln(1 − 0.028)."""
    half = np.log(2) / -np.log1p(-STEINER_DECAY_PER_DAY)
    assert half == pytest.approx(24.4, abs=0.05)
    step = after_operation(
        4.0, daily_decay(STEINER_DECAY_PER_DAY, half), fragile=True, cover_m2_per_kg=5.0
    )
    assert step.residue_t_ha.mid == pytest.approx(2.0)
    assert "2.8 % of the mass" in texts(step.notes)["cover-decay"]
    for rate, days in ((1.0, 3), (-0.1, 3), (0.02, -1), (np.nan, 3), (0.02, np.inf)):
        with pytest.raises(SettingsError, match="daily decay"):
            daily_decay(rate, days)


def test_rasters_keep_their_shape_type_and_holes():
    raster = np.array([[0.0, 2.0], [np.nan, 6.0]], np.float32)
    tools = ["winter weathering, after autumn harvest", "tandem disc (US table, by mass)"]
    for step in sequence(raster, tools, fragile=False, cover_m2_per_kg=K_WHEAT):
        for part in (*step.residue_t_ha, *step.cover_pct):
            assert part.shape == raster.shape
            assert part.dtype == np.float32
            np.testing.assert_array_equal(np.isnan(part), np.isnan(raster))
            assert part[0, 0] == 0


def test_fragility_and_where_sources_differ():
    """USDA-ARS crop list (read); the NRCS list (memory) differs on sunflower and peas."""
    assert [is_fragile(kind) for kind in ("maize", "soya", "lentil", "raps", "beans")] == [
        False, True, True, True, True,
    ]  # fmt: skip
    for kind in ("sunflower", "peas"):
        found = fragility_of(kind)
        assert not found.fragile
        assert found.source.startswith("USDA-ARS")
        assert found.conflict.rule == "cover-fragility-conflict"
        sentence = found.conflict.text()
        assert "residue non-fragile, the NRCS list calls it fragile" in sentence
    assert fragility_of("canola").conflict is None
    assert "under 45 bu/ac" in fragility_of("winter wheat").conflict.text()
    assert "up, but fragile where it yielded" in fragility_of("rye").conflict.text()
    with pytest.raises(SettingsError, match="no published class for flax"):
        fragility_of("linseed")


def test_cover_class_parts_mapped_ground_at_the_target():
    """K-State eUpdate 426: 30 % after planting is conservation tillage, 30 itself included."""
    result = cover_class(np.array([30.0, 29.9, np.nan, 80.0]), cell_area_m2=4.0)
    np.testing.assert_array_equal(result.meets.whole()[0], [True, False, False, True])
    np.testing.assert_array_equal(result.below.whole()[0], [False, True, False, False])
    assert (result.area_meets_m2, result.area_below_m2) == (8.0, 4.0)
    assert result.note.rule == "cover-target"
    assert result.note.text().startswith(
        "67 % of the mapped ground keeps at least 30 % cover, 33 %"
    )
    with pytest.raises(SettingsError, match="no mapped ground"):
        cover_class(np.array([np.nan]), 1.0)


@pytest.mark.parametrize("k", [0.0, -1.0, np.nan, np.inf])
def test_a_coefficient_that_is_none_is_refused(k):
    with pytest.raises(SettingsError, match="cover_m2_per_kg"):
        sequence(1.0, [], fragile=False, cover_m2_per_kg=k)


@pytest.mark.parametrize("target", [-1.0, 100.0, np.nan])
def test_a_target_that_is_none_is_refused(target):
    with pytest.raises(SettingsError, match="target cover"):
        residue_needed_t_ha(target, [], fragile=False, cover_m2_per_kg=5.0)

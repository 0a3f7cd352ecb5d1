"""Tray tests: read, measured, overlapped; against published figures and closed forms."""

import contextlib
import csv
import math

import numpy as np
import pytest
from builders import told
from hypothesis import given, settings
from hypothesis import strategies as st

from covermap.cover.evenness import christiansen_cu_pct, low_du_pct
from covermap.errors import CovermapError, TrayError
from covermap.spread.profile import profile_shares
from covermap.spread.profile_file import read_profile_file
from covermap.tray_test.overlap import (
    MODES,
    ProfileCurve,
    cv_against_spacing,
    effective_width_half_rate,
    overlapped,
    widest_spacing,
)
from covermap.tray_test.profile_writer import profile_file_text
from covermap.tray_test.tray_file import TrayTest, read_tray_test
from covermap.tray_test.trays import measure_profile
from covermap.units import KG_PER_POUND, METRES_PER_FOOT

SPACING = 10.0


def curve(*points):
    x, d = np.array(points, float).T
    return ProfileCurve(x, d)


def flat(width):
    return curve((-width / 2, 1), (width / 2, 1))


def triangle(base):
    return curve((-base / 2, 0), (0, 1), (base / 2, 0))


def tray_test(station, *runs, width=0.5, names=None):
    amount = np.atleast_2d(np.array(runs, float))
    station = np.asarray(station, float)
    names = names or tuple(f"run {k + 1}" for k in range(len(amount)))
    return TrayTest("trays.csv", station, np.full(len(station), width), names, amount)


def write(tmp_path, text, name="trays.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_text(text, encoding)
    return path


# --- unevenness against spacing: closed forms -------------------------------------------


@pytest.mark.parametrize("mode", MODES)
class TestClosedForms:
    """Population CV of overlapped patterns; none of the formulas samples anything."""

    @pytest.mark.parametrize("ratio", [0.2, 0.25, 0.3, 0.4, 0.5])
    def test_gaussian(self, mode, ratio):
        """CV² = 2 Σ exp(−4π² (σ/S)² k²): Poisson summation of a Gaussian comb."""
        sigma = ratio * SPACING
        x = np.linspace(-6 * sigma, 6 * sigma, 4001)
        bell = ProfileCurve(x, np.exp(-((x / sigma) ** 2) / 2))
        k = np.arange(1, 20)
        expected = 100 * math.sqrt(2 * np.exp(-4 * math.pi**2 * ratio**2 * k**2).sum())
        found = cv_against_spacing(bell, SPACING, tray_m=0, mode=mode)[0]
        assert found == pytest.approx(expected, abs=2e-3)

    @pytest.mark.parametrize("ratio", [0.5, 0.8, 0.9])
    def test_flat_band_narrower_than_the_spacing(self, mode, ratio):
        """CV = √(S/W − 1)."""
        found = cv_against_spacing(flat(ratio * SPACING), SPACING, tray_m=0, mode=mode)[0]
        assert found == pytest.approx(100 * math.sqrt(1 / ratio - 1), abs=1e-6)

    @pytest.mark.parametrize("ratio", [1.0, 1.1, 1.25, 1.5])
    def test_flat_band_wider_than_the_spacing(self, mode, ratio):
        """f = W/S − 1 lies twice: CV = √(f(1 − f)) / (1 + f)."""
        f = ratio - 1
        found = cv_against_spacing(flat(ratio * SPACING), SPACING, tray_m=0, mode=mode)[0]
        assert found == pytest.approx(100 * math.sqrt(f * (1 - f)) / (1 + f), abs=0.1)

    @pytest.mark.parametrize(("ratio", "expected"), [(1.0, 57.7350), (1.5, 14.3444), (2.0, 0.0)])
    def test_triangle(self, mode, ratio, expected):
        """Piecewise integration; base S gives 1/√3, base 2S gives 0."""
        found = cv_against_spacing(triangle(ratio * SPACING), SPACING, tray_m=0, mode=mode)[0]
        assert found == pytest.approx(expected, abs=5e-3)

    def test_triangle_of_24_ft_at_12_ft_is_even(self, mode):
        """Ohio State University Extension, Bulletin 817: half-rate points ±6 ft, swath 12 ft."""
        for tray_m in (0.0, 0.5, 1.0):
            found = cv_against_spacing(
                triangle(24 * METRES_PER_FOOT), 12 * METRES_PER_FOOT, tray_m, mode
            )[0]
            assert found == pytest.approx(0, abs=1e-9)

    def test_whole_tray_as_wide_as_the_spacing_sees_no_unevenness(self, mode):
        found = cv_against_spacing(triangle(7), SPACING, tray_m=2 * SPACING, mode=mode)[0]
        assert found == pytest.approx(0, abs=1e-9)

    def test_exact_tray_means_agree_with_averaged_points(self, mode):
        shape = curve((-5, 0.2), (-2, 1.0), (1, 0.4), (4, 0))
        place = np.array([0.3, 2.0, 6.7])
        fine = (np.arange(2000) + 0.5) / 2000 - 0.5
        points = np.array([overlapped(shape, p + fine, 6.0, mode).mean() for p in place])
        np.testing.assert_allclose(overlapped(shape, place, 6.0, mode, 1.0), points, rtol=1e-3)


def test_effective_width_of_bulletin_817():
    """Ohio State University Extension, Bulletin 817: pans hold 4 in at the centre and 2 in at
    ±6 ft → effective swath 12 ft."""
    pans = curve((-6 * METRES_PER_FOOT, 2), (0, 4), (6 * METRES_PER_FOOT, 2))
    assert effective_width_half_rate(pans) / METRES_PER_FOOT == pytest.approx(12)
    wider = curve((-9, 0), (-6, 2), (0, 4), (6, 2), (9, 0))
    assert effective_width_half_rate(wider) == pytest.approx(12)


def test_modes_differ_for_a_one_sided_band_only():
    """A right triangle of base 2S laid the same way lies as evenly as a comb allows; turned
    round, heavy sides meet: the sums follow by hand."""
    wedge = curve((0, 0), (10, 1))
    same, turned = (cv_against_spacing(wedge, 10.0, 0, m)[0] for m in ("round_and_round", MODES[0]))
    # round and round: ramps 0…1 side by side, CV 1/√3; back and forth: two ramps on one
    # strip (x/S + 1 − x/S = 1), none on the next, CV 1.
    assert same == pytest.approx(100 / math.sqrt(3), abs=0.01)
    assert turned == pytest.approx(100, abs=0.01)


def test_widest_spacing_of_known_shapes():
    found = widest_spacing(flat(8), 50, tray_m=0)
    assert found.widest_m == pytest.approx(10, abs=0.06)  # √(S/W − 1) = 0.5 at S = 1.25 W
    level = widest_spacing(flat(8), 20, tray_m=0)
    assert level.widest_m == pytest.approx(8.32, abs=0.06)  # √(S/W − 1) = 0.2
    assert level.steady_m < 5, "a level band doubles up in between"
    smooth = widest_spacing(triangle(20), 15, tray_m=0)
    assert smooth.steady_m == smooth.widest_m == pytest.approx(13.2, abs=0.3)
    assert cv_against_spacing(triangle(20), smooth.widest_m, 0)[0] <= 15
    assert widest_spacing(curve((0, 0), (6, 0), (6.1, 1), (7, 0)), 1, tray_m=0) is None


@pytest.mark.parametrize(
    "call",
    [
        lambda: cv_against_spacing(flat(4), 0.0),
        lambda: cv_against_spacing(flat(4), math.nan),
        lambda: cv_against_spacing(flat(4), 5.0, -1),
        lambda: cv_against_spacing(flat(4), 5.0, 0.5, "sideways"),
        lambda: widest_spacing(flat(4), 0),
        lambda: widest_spacing(flat(4), 101),
    ],
)
def test_impossible_spacings_are_refused(call):
    with pytest.raises(TrayError):
        call()


# --- the published catch-can test --------------------------------------------------------


def test_published_catch_can_transect(open_data):
    """North Carolina extension publication, catch cans across the lane of an irrigation gun:
    12 cans within ±112 ft of lanes 224 ft apart: Christiansen CU 87.4, low-half DU 87.5,
    low-quarter DU 83.1."""
    test = read_tray_test(open_data / "catch_can_transect.csv")
    assert test.amount_unit == "mm"
    profile = measure_profile(test)
    depth = profile.curve.scaled(profile.mean_amount)
    with (open_data / "catch_can_transect.csv").open() as stream:
        rows = [(float(r["station_m"]), float(r["depth_mm"])) for r in csv.DictReader(stream)]
    np.testing.assert_allclose(depth.at([x for x, _ in rows]), [d for _, d in rows], rtol=1e-9)
    cans = np.array([x for x, _ in rows if abs(x) <= 112 * METRES_PER_FOOT + 1e-6])
    total = overlapped(depth, cans, 224 * METRES_PER_FOOT)
    assert len(total) == 12
    assert christiansen_cu_pct(total) == pytest.approx(87.4, abs=0.05)
    assert low_du_pct(total, 0.5) == pytest.approx(87.5, abs=0.05)
    assert low_du_pct(total) == pytest.approx(83.1, abs=0.06)
    assert sum("may reach further" in note for note in told(profile.notes)) == 1


# --- known profiles are found again ------------------------------------------------------


def known_trays(shape, left, right, peak, station, tray=0.5):
    """Mean share per metre over each tray, from the shape the deposit itself lays."""
    shares = profile_shares(shape, left, right)
    edges = peak + np.linspace(-left, right, len(shares) + 1)
    below = np.concatenate(([0], np.cumsum(shares)))
    upper, lower = (np.interp(station + s * tray / 2, edges, below) for s in (1, -1))
    middles = (edges[1:] + edges[:-1]) / 2
    return (upper - lower) / tray, float((shares * middles).sum())


@pytest.mark.parametrize(
    ("shape", "draws"), [("triangle", 100), ("trapezoid", 20), ("bell", 20), ("flat", 20)]
)
def test_known_profile_is_found_within_its_errors(shape, draws):
    """Pieces fall into trays at random (Poisson). Two standard errors hold 95 of 100."""
    left, right, peak = (4.6, 5.4, 0.0) if shape == "flat" else (4.2, 5.6, 0.5)
    station = np.arange(-8.0, 8.01, 0.8)
    density, lean = known_trays(shape, left, right, peak, station)
    rng = np.random.default_rng(817)
    hits = {"left": 0, "right": 0, "lean": 0, "fitted lean": 0}
    named = 0
    for _ in range(draws):
        runs = rng.poisson(density * 1500, (4, len(station)))
        profile = measure_profile(tray_test(station, *runs))
        assert profile.ledger["runs_left_out"] == 0
        hits["lean"] += abs(profile.lean_m - lean) <= 2 * profile.lean_se_m
        fit = next(f for f in (profile.fit, *profile.other_fits) if f.shape == shape)
        named += fit is profile.fit
        hits["left"] += abs(fit.reach_left_m - (left - peak)) <= 2 * fit.reach_left_se_m
        hits["right"] += abs(fit.reach_right_m - (right + peak)) <= 2 * fit.reach_right_se_m
        hits["fitted lean"] += abs(fit.lean_m - lean) <= 2 * fit.lean_se_m
        # Error bars that cover everything would pass too.
        assert max(fit.reach_left_se_m, fit.reach_right_se_m) < 0.6
        assert profile.lean_se_m < 0.25
    assert min(hits.values()) >= 0.9 * draws, hits
    assert named >= 0.8 * draws


def test_fit_speaks_the_words_of_the_field_file():
    station = np.arange(-9.0, 9.01, 0.5)
    density, _ = known_trays("triangle", 4.0, 6.0, 1.0, station)
    fit = measure_profile(tray_test(station, density)).fit
    assert fit.field_values() == {
        "profile": "triangle",
        "lean": pytest.approx(1.0, abs=0.02),
        "reach_left": pytest.approx(4.0, abs=0.02),
        "reach_right": pytest.approx(6.0, abs=0.02),
    }
    assert (fit.reach_left_m, fit.reach_right_m) == pytest.approx((3.0, 7.0), abs=0.02)
    assert fit.r_squared > 0.999


def test_measured_numbers_of_a_triangle_by_hand():
    """Base 8 m, centre 1 m: edges −3 and 5; within ±1.5 m lie 1 − (1.5² + 3.5²)/32."""
    station = np.arange(-6.0, 7.0)
    profile = measure_profile(tray_test(station, np.maximum(4 - abs(station - 1), 0), width=0.0))
    assert profile.lean_m == pytest.approx(1.0, abs=1e-3)
    assert profile.reach_left_m == pytest.approx(3 - 0.02 * 4, abs=1e-9)
    assert profile.reach_right_m == pytest.approx(5 - 0.02 * 4, abs=1e-9)
    assert profile.share_behind_machine == pytest.approx(1 - (1.5**2 + 3.5**2) / 32, abs=1e-3)
    assert profile.shares.sum() == pytest.approx(1)
    assert profile.mean_amount == pytest.approx(16)
    assert profile.ledger["trays_outside"] == 6
    assert np.isnan(profile.standard_error_per_m).all()
    assert profile.lean_se_m < 0.05


def test_standard_error_is_that_of_the_runs():
    a, b = [1.0, 2.0, 1.0], [1.0, 4.0, 1.0]
    profile = measure_profile(tray_test([-1, 0, 1], a, b, width=0.0))
    shares = np.array([a, b]) / np.array([[3.0], [5.0]])
    np.testing.assert_allclose(profile.density_per_m, shares.mean(axis=0))
    np.testing.assert_allclose(
        profile.standard_error_per_m, shares.std(axis=0, ddof=1) / math.sqrt(2)
    )
    np.testing.assert_allclose(profile.run_amount, [3, 5])
    assert profile.fit is None or math.isfinite(profile.fit.aicc)


def test_raked_sections_that_touch_conserve_what_was_raked():
    weights = np.array([1.0, 3.0, 5.0, 4.0, 2.0])
    profile = measure_profile(tray_test([-4, -2, 0, 2, 4], weights, width=2.0))
    assert profile.mean_amount == pytest.approx(weights.sum() * 2)
    assert (profile.reach_left_m, profile.reach_right_m) == (5, 5)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.integers(0, 500), min_size=5, max_size=15).filter(lambda w: sum(w[1:-1]) > 20),
    st.floats(0.3, 2.5),
    st.floats(-3, 3),
)
def test_mirrored_trays_give_mirrored_numbers(weights, step, shift):
    station = shift + step * (np.arange(len(weights)) - len(weights) / 2)
    one = measure_profile(tray_test(station, weights, width=0.3))
    other = measure_profile(tray_test(-station[::-1], weights[::-1], width=0.3))
    assert other.reach_left_m == pytest.approx(one.reach_right_m, abs=1e-9)
    assert other.reach_right_m == pytest.approx(one.reach_left_m, abs=1e-9)
    assert other.lean_m == pytest.approx(-one.lean_m, abs=1e-9)
    assert other.share_behind_machine == pytest.approx(one.share_behind_machine, abs=1e-9)
    assert other.mean_amount == pytest.approx(one.mean_amount)
    np.testing.assert_allclose(other.shares[::-1], one.shares, atol=1e-9)
    for mode in MODES:
        spacings = [4.0, 7.5]
        np.testing.assert_allclose(
            cv_against_spacing(other, spacings, 0.5, mode),
            cv_against_spacing(one, spacings, 0.5, mode),
            atol=1e-6,
        )


# --- trouble in the field ----------------------------------------------------------------

STATION = np.arange(-6.0, 6.1, 1.0)
LEANING = np.clip(5 - np.abs(STATION - 2) * np.where(STATION > 2, 1.6, 0.8), 0, None)


def test_missing_tray_is_bridged_and_counted(tmp_path):
    rows = [f"{x:g},{'' if x == -2 else 5 - abs(x)}" for x in range(-6, 7) if abs(x) <= 5]
    test = read_tray_test(write(tmp_path, "position (m),weight (g)\n" + "\n".join(rows)))
    profile = measure_profile(test)
    assert test.missing == profile.ledger["trays_missing"] == 1
    assert any("1 of 11 trays have no reading" in note for note in told(profile.notes))
    assert profile.mean_amount * 1000 == pytest.approx(25)
    assert profile.lean_m == pytest.approx(0, abs=1e-9)


def test_outlying_run_is_left_out_and_named():
    wild = np.where(STATION < -3, 5.0, 0.2)
    runs = (LEANING, LEANING * 1.02, LEANING * 0.97 + 0.02, wild)
    profile = measure_profile(tray_test(STATION, *runs))
    assert profile.run_kept == (True, True, True, False)
    assert any("run 4 disagrees" in n and "left out" in n for n in told(profile.notes))
    assert profile.lean_m == pytest.approx(measure_profile(tray_test(STATION, *runs[:3])).lean_m)
    kept = measure_profile(tray_test(STATION, *runs), keep_all_runs=True)
    assert all(kept.run_kept)
    assert any("run 4 disagrees" in n and "kept" in n for n in told(kept.notes))
    two = measure_profile(tray_test(STATION, LEANING, wild))
    assert all(two.run_kept), "two runs cannot tell which of them is wrong"


def test_scatter_alone_leaves_no_run_out():
    rng = np.random.default_rng(5)
    left_out = 0
    for _ in range(25):
        runs = LEANING * rng.uniform(0.8, 1.2, (4, len(LEANING)))
        left_out += measure_profile(tray_test(STATION, *runs)).ledger["runs_left_out"]
    assert left_out <= 2


@pytest.mark.parametrize("count", [2, 4])
def test_mirror_images_are_reported(count):
    runs = [LEANING if k % 2 == 0 else LEANING[::-1] for k in range(count)]
    profile = measure_profile(tray_test(STATION, *runs))
    assert any("mirror image of the other runs" in note for note in told(profile.notes))
    alike = measure_profile(tray_test(STATION, *[LEANING] * count))
    assert not any("mirror image of" in note for note in told(alike.notes))
    assert any("halves differ by" in note for note in told(alike.notes))
    even = measure_profile(tray_test(STATION, 7 - np.abs(STATION)))
    assert even.asymmetry_share == pytest.approx(0, abs=1e-9)


def test_run_driven_back_is_turned(tmp_path):
    out = "".join(f"{x:g},1,out,{w:g}\n" for x, w in zip(STATION, LEANING, strict=True))
    back = "".join(f"{-x:g},2,back,{w:g}\n" for x, w in zip(STATION, LEANING, strict=True))
    text = "position (m),run,direction,weight (g)\n" + out + back
    test = read_tray_test(write(tmp_path, text))
    profile = measure_profile(test)
    assert profile.ledger["runs_mirrored"] == 1
    np.testing.assert_allclose(test.amount[0], test.amount[1])
    assert profile.lean_m == pytest.approx(measure_profile(tray_test(STATION, LEANING)).lean_m)
    wide = "# direction run 2: back\nposition (m),run 1 (g),run 2 (g)\n" + "".join(
        f"{x:g},{a:g},{b:g}\n" for x, a, b in zip(STATION, LEANING, LEANING[::-1], strict=True)
    )
    np.testing.assert_allclose(read_tray_test(write(tmp_path, wide)).amount, test.amount)


# --- dialects ----------------------------------------------------------------------------


def same_trays(test):
    np.testing.assert_allclose(test.station_m, [-3.048, 0, 3.048])
    # 0.5 m × 0.5 m trays; 1 lb and 2 lb, a tenth of it water
    per_area = 0.9 * KG_PER_POUND / 0.25
    np.testing.assert_allclose(test.amount, [[per_area, 2 * per_area, per_area]], rtol=1e-9)
    np.testing.assert_allclose(test.tray_width_m, 0.5)
    assert test.amount_unit == "kg/m²"


SIZE = "# tray_width: 0.5 m\n# tray_length: 0.5 m\n# moisture: 10 %\n"


@pytest.mark.parametrize(
    "text",
    [
        SIZE + "position (ft),weight (lb)\n-10,1\n0,2\n10,1\n",
        SIZE + "Position [m];Weight [kg]\n-3,048;0,45359237\n0;0,90718474\n3,048;0,45359237\n",
        SIZE + "offset_ft\tmass_oz\n10\t16\n-10\t16\n0\t32\n",
        SIZE + "side,distance (ft),run 1 (g)\nleft,10,453.59237\n,0,907.18474\nR,10,453.59237\n",
        SIZE + '"station, m";"weight, g"\r\n-3.048;453.59237\r\n0;907.18474\r\n3.048;453.59237\r\n',
        "position (ft),weight (lb),area (m2),moisture (%)\n-10,1,.25,10\n0,2,.25,10\n10,1,.25,10\n",
        "position (ft),weight (lb),width (cm),length (cm),moisture\n"
        "-10,1,50,50,10\n0,2,50,50,10\n10,1,50,50,10\n",
    ],
    ids=["us", "decimal comma", "tabs", "sides", "quoted", "area", "size columns"],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_every_dialect_reads_the_same(tmp_path, text, encoding):
    same_trays(read_tray_test(write(tmp_path, text, encoding=encoding)))


def test_options_stand_in_for_columns(tmp_path):
    path = write(tmp_path, "position (ft),weight (lb)\n-10,1\n0,2\n10,1\n")
    same_trays(read_tray_test(path, tray_width_m=0.5, tray_length_m=0.5, moisture_pct=10))
    same_trays(read_tray_test(path, tray_area_m2=0.25, moisture_pct=10))
    bare = read_tray_test(path)
    assert bare.amount_unit == "kg per tray"
    assert any("No tray area" in note for note in told(bare.notes))
    assert any("dry matter" in note for note in told(bare.notes))


def test_wind_is_kept(tmp_path):
    text = "# wind speed: 2.5 m/s\n# wind from: 270\n# weights: dry\nposition,weight\n0,1\n1,2\n"
    test = read_tray_test(write(tmp_path, text))
    assert (test.metadata["wind_speed"], test.metadata["wind_from"]) == ("2.5 m/s", "270")
    assert [n for n in told(test.notes) if "names no unit" in n] == [
        "Column 'position' names no unit; taken as m.",
        "Column 'weight' names no unit; taken as g.",
    ]


HEADER = "position (m),weight (g)\n"
BAD = {
    "empty": ("", "is empty"),
    "blank": ("\n \n", "is empty"),
    "words": ("Dear all, the trays are in the barn.\n", "no header with positions and weights"),
    "header only": (HEADER, "no tray below it"),
    "one tray": (HEADER + "0,5\n", "1 tray position"),
    "negative": (HEADER + "0,5\n1,-3\n", "column 'weight (g)', line 3: -3 is below 0"),
    "no positions": ("weight (g),note\n5,a\n", "Expected columns such as position"),
    "blank position": (HEADER + "0,5\n,3\n", "column 'position (m)', line 3: no position"),
    "all zero": (HEADER + "0,0\n1,0\n", "no tray caught anything"),
    "all missing": (HEADER + "0,\n1,\n", "no tray caught anything"),
    "duplicate": (HEADER + "0,5\n1,4\n0,3\n", "lines 2 and 4: two trays at 0 m in run 1"),
    "word": (HEADER + "0,5\n1,many\n", "'many' is not a number"),
    "infinite": (HEADER + "0,5\n1,1e999\n", "is not a number"),
    "far": (HEADER + "0,5\n9000,1\n", "9000 m from the centre line"),
    "heavy": (HEADER + "0,5\n1,1e300\n", "more than any tray holds"),
    "unit": ("position (furlong),weight (g)\n0,5\n", "unit 'furlong'"),
    "decimal comma": (HEADER + "0,5,2\n1,4,1\n", "3 fields, but the header in line 1 has 2"),
    "twice": ("position (m),station (m),weight (g)\n0,0,5\n", "both mean position"),
    "side": ("side,position (m),weight (g)\nup,1,5\n", "expected left or right"),
    "negative side": ("side,position (m),weight (g)\nleft,-1,5\n", "expected left or right"),
    "direction": ("position (m),direction,weight (g)\n1,north,5\n", "neither out nor back"),
    "wet": ("# weights: wet\n" + HEADER + "0,5\n1,4\n", "no moisture is given"),
    "moisture": ("# moisture: 120 %\n" + HEADER + "0,5\n1,4\n", "out of range"),
    "area": ("position (m),weight (g),area (m2)\n0,5,0\n1,4,1\n", "is no tray area"),
    "comment": ("# tray_width: wide\n" + HEADER + "0,5\n1,4\n", "comment tray_width"),
    "mixed": ("position (m),weight (g),depth (mm)\n0,5,1\n", "one kind of reading"),
    "binary": ("PK\x03\x04\x00\x01", "is no text file"),
}


@pytest.mark.parametrize("what", BAD)
def test_bad_input_is_one_clear_sentence(tmp_path, what):
    text, expected = BAD[what]
    with pytest.raises(TrayError) as caught:
        read_tray_test(write(tmp_path, text))
    message = str(caught.value)
    assert expected in message
    assert message.startswith("trays.csv")
    assert message.endswith(".")
    assert "\n" not in message
    assert isinstance(caught.value, CovermapError | ValueError)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(TrayError, match="no such tray test"):
        read_tray_test(tmp_path / "gone.csv")
    with pytest.raises(TrayError, match="cannot be opened"):
        read_tray_test(tmp_path)


def test_run_without_residue_or_readings_is_named():
    with pytest.raises(TrayError, match="run 2: all trays are zero"):
        measure_profile(tray_test(STATION, LEANING, LEANING * 0))
    with pytest.raises(TrayError, match="run 2: 0 tray"):
        measure_profile(tray_test(STATION, LEANING, LEANING * np.nan))
    with pytest.raises(TrayError, match="above 0"):
        measure_profile(tray_test(STATION, LEANING), share_step_m=0)


@settings(max_examples=80, deadline=None)
@given(data=st.text(alphabet='position (m)weight,;\t|#:=\n\r"-0123.é\x00run', max_size=200))
def test_junk_never_ends_in_another_error(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("junk") / "trays.csv"
    path.write_bytes(("position,weight\n0,1\n" + data).encode())
    with contextlib.suppress(TrayError):
        measure_profile(read_tray_test(path))


# --- profile file ------------------------------------------------------------------------


def test_profile_file_round_trip(tmp_path):
    profile = measure_profile(tray_test(STATION, LEANING))
    text = profile_file_text(profile, {"crop": "wheat\n[spread]\x07"}, "covermap")
    spread, keys = read_profile_file(write(tmp_path, text, "measured.toml"))
    assert spread.profile == "table"
    assert (spread.reach_left_m, spread.reach_right_m) == pytest.approx(
        (profile.reach_left_m, profile.reach_right_m), abs=1e-3
    )
    np.testing.assert_allclose(spread.shares, profile.shares, atol=1e-6)
    assert keys >= {"profile", "shares", "reach_left", "reach_right"}


def test_band_beside_the_machine_still_fits_a_field_file(tmp_path):
    """A field file knows no negative reach: the table starts at the centre line."""
    station = np.arange(0.0, 9.0)
    profile = measure_profile(tray_test(station, np.maximum(2 - abs(station - 5), 0), width=0.0))
    assert profile.reach_left_m < -2.9
    spread, _ = read_profile_file(write(tmp_path, profile_file_text(profile), "beside.toml"))
    assert spread.reach_left_m == 0
    shares = np.array(spread.shares)
    middles = (np.arange(len(shares)) + 0.5) / len(shares) * spread.reach_right_m
    assert (shares * middles).sum() == pytest.approx(5, abs=0.01)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "is empty"),
        ("not toml", "not valid TOML"),
        ("[field]\nname = 'x'\n", "one section"),
        ("[spread]\nreach_left = 3\n", "no shares, reach_right"),
        ("[spread]\nshares=[1]\nreach_left=1\nreach_right=1\nwidth=2\n", "unknown width"),
        ("[spread]\nshares=[-1]\nreach_left=1\nreach_right=1\n", "must not be negative"),
        ("[spread]\nshares=[1]\nreach_left=0\nreach_right=0\n", "both 0"),
        ("[spread]\nprofile='bell'\nshares=[1]\nreach_left=1\nreach_right=1\n", "table"),
    ],
)
def test_bad_profile_files(tmp_path, text, expected):
    with pytest.raises(TrayError, match=expected):
        read_profile_file(write(tmp_path, text, "bad.toml"))

"""How far a field's numbers move: each repeat is the map of what was drawn for it."""

import json
import math
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from builders import at, settings_of, straight_passes
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

import covermap.field.harvest_record
import covermap.field.whole_field
import covermap.sureness.perturb_field
from covermap.advice.advise_field import advise
from covermap.cli.commands import commands
from covermap.cli.sample_command import write_sample
from covermap.field.harvest_record import read_harvest
from covermap.field.whole_field import map_field
from covermap.mapped.summary import summary
from covermap.sureness.perturb_field import DRAWN, NUMBERS, mark_between, marks, perturb_field
from covermap.sureness.perturbations import Draw, Perturbations, draws, usual_perturbations
from covermap.sureness.range_plot import range_plot
from covermap.sureness.range_text import number_labels, range_json, range_lines
from covermap.sureness.write_range import write_range
from covermap.wind.wind_on_fixes import stated_wind

NOTHING = Perturbations(0.0, 0.0, 0.0, 0.0, 0.0)
WINDY = {"wind__speed": 6.0, "wind__from_deg": 110.0}
WIDTH_M = 9.0


def field(**settings):
    """Six passes at a slant, spread a little narrow."""
    values = {"spread__width": 7.5, "spread__profile": "trapezoid", **settings}
    return straight_passes(6, WIDTH_M, 120.0, heading_deg=25.0), settings_of(**values)


def numbers_of_map(result):
    """Give the numbers of a map by the map's own summary, another route than the repeats'."""
    found = summary(result, {})
    return {
        "cv_pct": result.evenness.cv_pct,
        "mean_cover_pct": found["residue"]["mean_cover_pct"],
        "mean_residue_t_ha": found["residue"]["mean_residue_t_ha"],
        "gap_ha": found["gap"]["area_ha"],
        "double_ha": found["double"]["area_ha"],
    }


def with_draws(monkeypatch, *wanted):
    """Let the repeats be off by what is wanted."""

    def chosen(how, repeats, passes, seed):
        return [Draw(*one, np.ones(passes + 1)) for one in wanted]

    monkeypatch.setattr(covermap.sureness.perturb_field, "draws", chosen)


def test_a_tracks_harvest_is_read_once_for_map_range_and_advice(monkeypatch):
    calls = []

    def counted(*given):
        calls.append(given)
        return read_harvest(*given)

    monkeypatch.setattr(covermap.field.whole_field, "read_harvest", counted)
    monkeypatch.setattr(covermap.field.harvest_record, "read_harvest", counted)
    track, settings = field(**WINDY)
    result = perturb_field(track, settings, repeats=20).result
    told, read = (
        advise(settings, wind=stated_wind(settings), harvest=harvest)
        for harvest in (result.harvest, read_harvest(track, settings))
    )
    assert len(calls) == 1
    assert (told.wind_speed_m_s, told.wind_from_deg) == (read.wind_speed_m_s, read.wind_from_deg)
    assert told.headings == read.headings
    assert len(result.harvest.bands.mass_kg) == 0  # they take much memory, and are laid


@pytest.mark.parametrize("cell_m", [0.25, 0.5])
def test_with_nothing_off_every_repeat_is_the_stated_run(cell_m):
    track, settings = field(**WINDY, spread__lean=1.0, grid__cell=cell_m)
    found = perturb_field(track, settings, repeats=3, perturbations=NOTHING)
    for name in NUMBERS:
        assert (found.repeats[name] == getattr(found.stated, name)).all()
    assert (found.repeats[[n for n in DRAWN if n != "wind_turn_deg"]] == 1.0).all(axis=None)
    assert (found.repeats["wind_turn_deg"] == 0.0).all()
    for name, value in numbers_of_map(found.result).items():
        assert getattr(found.stated, name) == pytest.approx(value, rel=2e-6), name
    strips = found.strips
    assert len(strips) >= 5
    assert (strips["share_of_repeats"] == 1.0).all()
    for mark in ("ratio_p05", "ratio_p50", "ratio_p95"):
        assert strips[mark].to_numpy() == pytest.approx(strips["stated_ratio"], rel=1e-12)
    own = found.result.strips["mean_ratio"].to_numpy()
    assert strips["stated_ratio"].to_numpy() == pytest.approx(own, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(
    "more",
    [
        {},
        {"spread__lean": -1.5, "combine__residue_delay_s": 3},
        {"spread__width": None, "spread__reach_left": 3.0, "spread__reach_right": 5.0},
        {"spread__chaff_width": 4.0},
        {"spread__discharge": "windrow", "spread__width": 1.5, "spread__chaff_width": 4.0},
    ],
    ids=["plain", "lean and delay", "two reaches", "chaff apart", "windrow"],
)
def test_a_repeat_is_the_map_of_what_was_drawn(more):
    track, settings = field(**WINDY, **more)
    how = replace(usual_perturbations(), yield_pass=0.0)
    found = perturb_field(track, settings, repeats=3, seed=5, perturbations=how)
    in_rows = more.get("spread__discharge") == "windrow"
    for one in found.repeats.to_dict("records"):
        width = 1.0 if in_rows else one["spread_width_factor"]
        spread = {
            name: getattr(settings.spread, name) * width
            for name in ("width_m", "reach_left_m", "reach_right_m")
            if getattr(settings.spread, name) is not None
        }
        if settings.spread.chaff_width_m is not None:
            spread["chaff_width_m"] = 4.0 * one["spread_width_factor"]
        changed = replace(
            settings,
            spread=replace(settings.spread, **spread),
            wind=replace(
                settings.wind,
                speed_m_s=6.0 * one["wind_speed_factor"],
                from_deg=(110.0 + one["wind_turn_deg"]) % 360,
            ),
            crop=replace(settings.crop, grain_yield_t_ha=6.0 * one["yield_factor"]),
        )
        again = numbers_of_map(map_field(track, changed))
        for name in NUMBERS:
            assert one[name] == pytest.approx(again[name], rel=1e-5, abs=1e-4), name


def test_a_factor_on_a_pass_is_that_of_its_logged_yield():
    """A cell that two passes cut takes one factor for its own residue: a small difference."""
    track, settings = field(**WINDY, spread__width=13.0)
    pass_of_fix = np.arange(len(track.fixes)) // (len(track.fixes) // 6)
    track = replace(track, fixes=track.fixes.assign(grain_yield_t_ha=6.0))
    how = replace(NOTHING, yield_pass=0.1)
    found = perturb_field(track, settings, repeats=2, perturbations=how)
    for draw, one in zip(draws(how, 2, 6, 1), found.repeats.to_dict("records"), strict=True):
        logged = 6.0 * draw.pass_factor[1 + pass_of_fix]
        changed = replace(track, fixes=track.fixes.assign(grain_yield_t_ha=logged))
        again = numbers_of_map(map_field(changed, settings))
        assert np.ptp(draw.pass_factor[1:]) > 0.1
        assert one["cv_pct"] != pytest.approx(found.stated.cv_pct, abs=0.05)
        assert one["cv_pct"] == pytest.approx(again["cv_pct"], abs=0.05)
        for name in ("mean_cover_pct", "mean_residue_t_ha"):
            assert one[name] == pytest.approx(again[name], rel=1e-5)


def test_yield_alone_scales_residue_and_leaves_the_spread_as_it_was():
    """The engine is linear in mass; marks of a lognormal: the standard normal table's 1.645."""
    track, settings = field(**WINDY)
    how = replace(NOTHING, yield_field=0.1)
    found = perturb_field(track, settings, repeats=60, perturbations=how)
    for name in ("cv_pct", "gap_ha", "double_ha"):
        assert found.repeats[name].to_numpy() == pytest.approx(getattr(found.stated, name))
    factor = found.repeats["mean_residue_t_ha"] / found.stated.mean_residue_t_ha
    assert factor.to_numpy() == pytest.approx(found.repeats["yield_factor"].to_numpy())
    for share in (0.05, 0.95):
        low, high = mark_between(factor.to_numpy(), share)
        expected = math.exp(0.1 * norm.ppf(share))
        assert not low > expected  # NaN where 60 repeats cannot say
        assert not high < expected
    assert (found.strips["share_of_repeats"] == 1.0).all()


def test_cover_of_an_even_field_follows_the_yield_by_gregorys_curve():
    """Gregory 1982: 1 − exp(−k M); wheat 5.4 m²/kg (USDA-ARS crop list)."""
    track, settings = straight_passes(6, WIDTH_M, 120.0), settings_of()
    how = replace(NOTHING, yield_field=0.2)
    found = perturb_field(track, settings, repeats=5, perturbations=how)
    load = found.stated.mean_residue_t_ha * found.repeats["yield_factor"].to_numpy()
    cover = 100 * (1 - np.exp(-5.4 * load / 10))
    assert found.stated.cv_pct < 0.5
    assert found.repeats["mean_cover_pct"].to_numpy() == pytest.approx(cover, abs=0.01)


@pytest.mark.parametrize("tenths", [-4, -2, 2, 4])
def test_width_off_the_spacing_costs_what_overlap_theory_says(monkeypatch, tenths):
    """A flat band of (1 + a) spacings: 2 layers on b of the ground, 1 on the rest.

    Mean 1 + b, variance b (1 − b); too narrow, 0 layers on b. Worked out by hand.
    """
    passes, part = 8, tenths / 9.0
    track = straight_passes(passes, WIDTH_M, 200.0)
    settings = settings_of()
    with_draws(monkeypatch, (1 + part, 1.0, 0.0, 1.0))
    found = perturb_field(track, settings, repeats=1)
    assert found.stated.cv_pct < 0.5
    if part > 0:  # no neighbour outside the first and last pass
        twice = part * (passes - 1) / passes
        expected = math.sqrt(twice * (1 - twice)) / (1 + twice)
    else:
        expected = math.sqrt(-part / (1 + part))
    assert found.repeats["cv_pct"][0] == pytest.approx(100 * expected, rel=0.01)
    hectares = found.result.harvested_m2 / 1e4
    bare = found.repeats["gap_ha"][0] / hectares
    assert bare == pytest.approx(max(-part, 0.0), abs=0.01)


def test_a_strip_is_lost_when_the_width_makes_up_for_it(monkeypatch):
    track, settings = straight_passes(6, WIDTH_M), settings_of(spread__width=5.0)
    with_draws(monkeypatch, (1.0, 1.0, 0.0, 1.0), (1.1, 1.0, 0.0, 1.0), (1.8, 1.0, 0.0, 1.0))
    found = perturb_field(track, settings, repeats=3)
    gaps = found.strips[found.strips["kind"] == "gap"]
    assert len(gaps) >= 5
    assert gaps["share_of_repeats"].to_numpy() == pytest.approx(2 / 3)
    assert gaps["ratio_p95"].max() == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("wind", [{}, {"wind__speed": 0.0}], ids=["none stated", "calm stated"])
def test_still_air_stays_still(wind):
    track, settings = field(**wind)
    wild = replace(NOTHING, wind_speed=2.0, wind_direction_deg=90.0)
    found = perturb_field(track, settings, repeats=4, perturbations=wild)
    assert found.repeats["cv_pct"].to_numpy() == pytest.approx(found.stated.cv_pct)
    assert found.repeats["wind_speed_factor"].isna().all() == (not wind)


def test_draws_have_the_spread_of_the_table_and_nothing_in_common():
    """Sampling error of a standard deviation: σ / √(2 n), normal theory (textbook)."""
    how, n = usual_perturbations(), 4000
    drawn = draws(how, n, 2, seed=3)
    columns = {
        "spread_width": np.log([d.width_factor for d in drawn]),
        "wind_speed": np.log([d.wind_speed_factor for d in drawn]),
        "wind_direction_deg": np.array([d.wind_turn_deg for d in drawn]),
        "yield_field": np.log([d.yield_factor for d in drawn]),
        "yield_pass": np.log([d.pass_factor[2] for d in drawn]),
    }
    for name, values in columns.items():
        wanted = getattr(how, name)
        assert values.std() == pytest.approx(wanted, abs=4 * wanted / math.sqrt(2 * n)), name
        assert abs(values.mean()) < 4 * wanted / math.sqrt(n), name
    shared = np.corrcoef([*columns.values(), np.log([d.pass_factor[1] for d in drawn])])
    assert np.abs(shared - np.eye(6)).max() < 4 / math.sqrt(n)
    assert all(d.pass_factor[0] == 1.0 for d in drawn)


def test_more_repeats_leave_those_before_as_they_were():
    track, settings = field(**WINDY)
    few = perturb_field(track, settings, repeats=3, seed=9)
    more = perturb_field(track, settings, repeats=5, seed=9)
    other = perturb_field(track, settings, repeats=3, seed=10)
    pd.testing.assert_frame_equal(few.repeats, more.repeats.head(3), check_exact=True)
    assert not np.isclose(few.repeats["cv_pct"], other.repeats["cv_pct"]).any()


def test_the_same_seed_gives_the_same_files_on_any_number_of_threads(tmp_path):
    track, settings = field(**WINDY)
    for name, threads in (("one", 1), ("three", 3)):
        found = perturb_field(track, settings, repeats=7, threads=threads)
        assert write_range(found, tmp_path / name, {}) == [
            "range.csv", "range.json", "range.svg", "strips_range.csv",
        ]  # fmt: skip
    for file in (tmp_path / "one").iterdir():
        assert file.read_bytes() == (tmp_path / "three" / file.name).read_bytes()


def test_the_middle_of_ten_lies_between_the_second_and_the_ninth():
    """Sign-test table of any textbook: n 10, ranks 2 and 9, 97.9 % (from memory)."""
    assert mark_between(np.arange(1.0, 11.0), 0.5) == (2.0, 9.0)


@given(n=st.integers(20, 600), share=st.sampled_from([0.05, 0.5, 0.95]), seed=st.integers(0, 99))
def test_marks_lie_at_the_ranks_of_the_binomial_law(n, share, seed):
    """Conover 1999, section 3.2 (from memory), the law summed up here term by term."""
    values = np.random.default_rng(seed).normal(size=n)
    low, high = mark_between(values, share)
    law = [math.comb(n, k) * share**k * (1 - share) ** (n - k) for k in range(n)]
    at_most, ordered = np.cumsum(law), np.sort(values)  # P(at most k of n lie below the mark)
    below, above = np.flatnonzero(at_most <= 0.025), np.flatnonzero(at_most >= 0.975)
    assert low == pytest.approx(ordered[below[-1]] if len(below) else np.nan, nan_ok=True)
    assert high == pytest.approx(ordered[above[0]] if len(above) else np.nan, nan_ok=True)
    assert not low > np.quantile(values, share)
    assert not high < np.quantile(values, share)
    assert marks(values)[1] == pytest.approx(np.median(values))


def test_every_sentence_carries_its_rule_and_every_number_is_in_the_json():
    track, settings = field(**WINDY)
    found = perturb_field(track, settings, repeats=20)
    content = range_json(found, {"made.csv": "0"})
    rules = [note["rule"] for note in content["notes"]]
    assert rules == ["range-varied", "range-kept", "range-cells", "range-strips", "range-few"]
    lines = range_lines(found)
    assert all(any(f"[{rule}]" in line for line in lines) for rule in rules)
    assert "engine off" in lines[-1]
    for name in NUMBERS:
        one = content["numbers"][name]
        assert one["p05"] <= one["median"] <= one["p95"]
    text = "\n".join(lines)
    assert f"{content['numbers']['cv_pct']['p95']:.1f} %" in text
    still = range_json(perturb_field(*field(), repeats=20), {})
    assert "range-still" in [note["rule"] for note in still["notes"]]
    assert " ac" in "\n".join(range_lines(found, us_units=True))


@pytest.mark.parametrize("us_units", [False, True])
def test_the_picture_tells_every_number_and_what_was_varied(us_units):
    track, settings = field(**WINDY)
    named = replace(settings, field=replace(settings.field, name="<&>"))
    found = perturb_field(track, named, repeats=20)
    svg = range_plot(found, us_units=us_units)
    shown = " ".join(e.text or "" for e in ET.fromstring(svg).iter() if e.tag.endswith("}text"))
    assert "<&>" in shown
    assert "wind direction 15°" in shown
    assert range_plot(found, us_units=us_units) == svg
    for name, (label, how) in number_labels(found, us_units).items():
        low, _, high = (how.text(mark) for mark in marks(found.repeats[name].to_numpy()))
        stated = how.text(getattr(found.stated, name))
        assert f"{label}: {stated} as stated, nine of ten between {low} and {high}" in shown


def test_the_command_writes_what_it_prints(tmp_path):
    source = write_sample(tmp_path, "canola")
    words = [
        "range",
        str(source),
        "--out",
        str(tmp_path / "out"),
        "--cell",
        "2",
        "--repeats",
        "100",
    ]
    done = CliRunner().invoke(commands, [*words, "--json"], catch_exceptions=False)
    assert done.exit_code == 0
    content = json.loads(done.stdout)
    assert content == json.loads((tmp_path / "out" / "range.json").read_text("utf-8"))
    assert content["notes"][-1]["rule"] == "range-enough"
    repeats = pd.read_csv(tmp_path / "out" / "range.csv")
    assert list(repeats.columns) == ["repeat", *DRAWN, *NUMBERS]
    assert repeats["repeat"].tolist() == list(range(1, 101))
    strips = pd.read_csv(tmp_path / "out" / "strips_range.csv")
    assert content["strips"]["gap"]["strips"] == (strips["kind"] == "gap").sum()
    low, middle, high = np.quantile(repeats["cv_pct"], [0.05, 0.5, 0.95])
    told = content["numbers"]["cv_pct"]
    assert [told["p05"], told["median"], told["p95"]] == pytest.approx(
        [low, middle, high], rel=1e-6
    )


def test_too_few_repeats_are_refused():
    done = CliRunner().invoke(commands, ["range", "x.csv", "--out", "y", "--repeats", "5"])
    assert done.exit_code == 2
    assert "--repeats" in done.output


def test_a_track_without_strips_still_has_a_range():
    track = at(np.column_stack([np.zeros(60), np.arange(60) * 2.0]))
    found = perturb_field(track, settings_of(), repeats=20)
    assert len(found.strips) == 0
    assert found.repeats["cv_pct"].notna().all()
    assert range_lines(found)

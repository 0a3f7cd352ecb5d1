"""The report's content: numbers that agree with the files, sentences bound to documented rules."""

import json
import re
import shutil
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_builders import DAY, changed, made

from covermap.errors import OutputError
from covermap.files.open_result import open_result
from covermap.report import report, report_tables
from covermap.report.report import report_of
from covermap.report.report_tables import accounts
from covermap.report.report_verdict import strongest_cause, verdict
from covermap.tables.said import Said, rules_of
from covermap.units import shown

#: NIST SP 811, appendix B.8: 1 acre (US survey foot aside) and 1 pound, written out again here.
ACRES_PER_HA, POUNDS_PER_KG = 2.4710538, 2.2046226


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """Ten passes: thrown too narrow (with plan), as wide as the header, and all in windrows."""
    place = tmp_path_factory.mktemp("report")
    return {
        "narrow": made(place / "narrow", True, spread__width=5.0, field__next_crop="canola"),
        "even": made(place / "even", combine__residue_delay_s=0),
        "rows": made(place / "rows", spread__discharge="windrow", spread__width=1.5),
    }


def said_in(content) -> set[str]:
    """Give all rules that stand beside a sentence."""
    if isinstance(content, dict):
        own = {content["rule"]} if {"rule", "text"} <= set(content) else set()
        return own.union(*(said_in(value) for value in content.values()), set())
    if isinstance(content, list):
        return set().union(*(said_in(value) for value in content), set())
    return set()


def number_of(text: str) -> float:
    return float(re.search(r"-?[\d,]+(?:\.\d+)?", text)[0].replace(",", ""))


def test_the_five_numbers_are_those_of_summary_json(results):
    for folder in results.values():
        summary = json.loads((folder / "summary.json").read_text("utf-8"))
        five = [
            number_of(one["value"]) for one in report_of(open_result(folder), DAY).content["five"]
        ]
        want = [
            summary["field"]["harvested_ha"],
            summary["residue"]["mean_residue_t_ha"],
            summary["evenness"]["cv_pct"],
            summary["gap"]["area_ha"],
            summary["double"]["area_ha"],
        ]
        assert np.allclose(five, want, atol=[0.005, 0.005, 0.5, 0.005, 0.005])


def test_us_units_are_the_same_numbers_in_acres_and_pounds(results):
    found = open_result(results["narrow"])
    summary = found.summary
    content = report_of(found, DAY, us_units=True).content
    five = [number_of(one["value"]) for one in content["five"]]
    assert five[0] == pytest.approx(summary["field"]["harvested_ha"] * ACRES_PER_HA, abs=0.006)
    rate = summary["residue"]["mean_residue_t_ha"] * 1000 * POUNDS_PER_KG / ACRES_PER_HA
    assert five[1] == pytest.approx(rate, abs=0.6)
    assert five[3] == pytest.approx(summary["gap"]["area_ha"] * ACRES_PER_HA, abs=0.006)
    assert content["paper"] == "us-letter"
    grown = number_of(content["accounts"][0]["rows"][-1][1])
    assert grown == pytest.approx(summary["mass_kg"]["grown_kg"] * POUNDS_PER_KG, abs=1)


@pytest.mark.parametrize("us_units", [False, True])
def test_every_account_adds_up_as_printed(results, us_units):
    for folder in results.values():
        tables, said = accounts(open_result(folder), us_units)
        assert said["rule"] == "report-balance-closes"
        assert len(tables) == 4
        for table in tables:
            *parts, total = [number_of(row[1]) for row in table["rows"]]
            assert sum(parts) == pytest.approx(total, abs=1e-6)


def test_the_ground_account_is_the_raster_counted(results):
    found = open_result(results["narrow"])
    ratio = found.rasters["spread_ratio"].whole()
    within = np.isfinite(ratio) & (ratio >= 0.5) & (ratio <= 1.5)
    rest = accounts(found, False)[0][2]["rows"][2]
    assert rest[0].startswith("the rest")
    counted = within.sum() * found.grid.cell_area_m2 / 1e4
    # cells at the edge are counted whole, the harvested ground to the square metre
    assert number_of(rest[1]) == pytest.approx(counted, rel=0.03)


def test_an_account_that_does_not_close_is_called_out(results, tmp_path):
    def lose(summary):
        summary["mass_kg"]["landed_on_field_kg"] *= 0.99

    found = open_result(changed(results["even"], tmp_path / "lost", lose))
    said = accounts(found, False)[1]
    assert said["rule"] == "report-balance-open"
    assert "Through the machine" in said["text"]


@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=6), st.booleans())
def test_rounded_parts_add_up_and_only_the_largest_gives_way(parts, us_units):
    show = shown(us_units)["mass"]
    total = sum(parts)
    texts = report_tables._adding_up(show, total, parts)
    told = [number_of(text) for text in texts]
    assert sum(told) == round(total * show.per_si)
    largest = max(range(len(parts)), key=lambda k: parts[k])
    for k, (one, part) in enumerate(zip(told, parts, strict=True)):
        allowed = 0.5 if k != largest and one != max(told) else 0.5 * (len(parts) + 1)
        assert abs(one - part * show.per_si) <= allowed + 1e-9


def test_the_verdict_knows_even_uneven_and_rows(results):
    first = {name: verdict(open_result(folder))[0] for name, folder in results.items()}
    assert first["even"].rule == "report-verdict-even"
    assert first["narrow"].rule == "report-verdict-uneven"
    assert first["rows"].rule == "report-verdict-rows"
    # a flat band of 5 m on 9 m leaves 4 m in 9 bare and lays 9/5 = 1.8 on the rest
    assert "100 % of the ground" in first["narrow"].text()
    notes = [one["note"] for one in report.five_numbers(open_result(results["narrow"]), False)]
    assert notes[3:] == [
        "44 % of it; below 0.5 × its own residue",
        "56 % of it; above 1.5 × its own residue",
    ]
    assert "10 of 10 passes above 1.5" in first["narrow"].text()


@pytest.mark.parametrize(
    ("cv", "gap_share", "uneven", "rule"),
    [
        (20, 0.05, 1, "even"),  # at the limits is within them
        (21, 0.0, 0, "parts"),
        (10, 0.06, 0, "parts"),
        (10, 0.0, 2, "parts"),
        (10, 0.16, 0, "uneven"),
        (10, 0.0, 6, "uneven"),
        (None, 0.0, 0, "none"),
    ],
)
def test_each_limit_of_the_verdict_counts(results, tmp_path, cv, gap_share, uneven, rule):
    def set_to(summary):
        summary["evenness"]["cv_pct"] = cv
        summary["double"]["area_ha"] = 0.0
        summary["gap"]["area_ha"] = gap_share * summary["field"]["harvested_ha"]

    folder = changed(results["even"], tmp_path / "set", set_to)
    passes = gpd.read_file(folder / "passes.gpkg")
    passes["length_m"] = 100.0
    passes["urdr"] = [1.6] * uneven + [1.5] * (10 - uneven)
    (folder / "passes.gpkg").unlink()
    passes.to_file(folder / "passes.gpkg", layer="passes")
    assert verdict(open_result(folder))[0].rule == f"report-verdict-{rule}"


def test_the_strongest_cause_is_the_first_of_summary_json(results):
    causes = open_result(results["narrow"]).summary["causes"]
    said = strongest_cause(causes, False)
    assert [one["rule"] for one in said] == ["report-cause-strongest", "cause-narrow"]
    assert f"{causes[0]['missing_t']:.1f} t too little" in said[0]["text"]
    assert strongest_cause([], False)[0]["rule"] == "report-cause-none"
    odd = [{**causes[0], "rule_id": "unexplained"}]
    assert strongest_cause(odd, False)[0]["rule"] == "report-cause-unexplained"


def test_every_sentence_of_judgement_has_a_known_rule(results):
    own = rules_of("report")
    for folder in results.values():
        for rule in said_in(report_of(open_result(folder), DAY).content):
            assert rule in own or re.match(
                r"(cause|spectrum|harrow|plan|seeding|baling|cover|erosion|nitrogen)-|unexplained$",
                rule,
            ), rule


def test_strips_are_in_order_and_the_rest_is_counted(results):
    found = open_result(results["narrow"])
    table = report_of(found, DAY).content["strips"]
    assert [row[0] for row in table["rows"]] == [str(k) for k in found.strips["strip_id"][:15]]
    assert table["columns"][-1]["title"] == "action"
    left = len(found.strips) - 15
    assert (f"{left} more strips" in table["note"]) == (left > 0)
    first = found.strips.iloc[0]
    assert number_of(table["rows"][0][5]) == round(first["deficit_kg"] or first["excess_kg"])


def test_the_worst_passes_come_first(results):
    found = open_result(results["narrow"])
    table = report_of(found, DAY).content["passes"]
    at = [column["title"] for column in table["columns"]].index("Unevenness (CV) [%]")
    told = [number_of(row[at]) for row in table["rows"]]
    assert told == sorted(told, reverse=True)
    assert told[0] == round(found.passes["cv_pct"].max())


def test_the_plan_is_that_of_plan_json(results):
    content = report_of(open_result(results["narrow"]), DAY).content
    stored = json.loads((results["narrow"] / "plan.json").read_text("utf-8"))
    work = {
        row[1].split("[")[1].rstrip("]"): number_of(row[3])
        for row in content["plan"]["work"]["rows"]
    }
    assert work == {
        row["rule_id"]: pytest.approx(row["area_ha"], abs=0.005) for row in stored["work"]
    }
    assert {"plan-check", "plan-adviser"} <= said_in(content["plan"]["cautions"])
    assert report_of(open_result(results["even"]), DAY).content["plan"] is None


def test_a_plan_of_another_run_or_damaged_is_left_out_and_told(results, tmp_path):
    def other(plan):
        plan["field"] = "another field"

    folder = changed(results["narrow"], tmp_path / "other", other, "plan.json")
    told = report_of(open_result(folder), DAY)
    assert told.content["plan"] is None
    assert "not of the same run" in told.left_out[0]
    (folder / "plan.json").write_text("{", "utf-8")
    assert "damaged" in report_of(open_result(folder), DAY).left_out[0]


def test_missing_and_damaged_pictures_are_left_out(results, tmp_path):
    folder = tmp_path / "bare"
    shutil.copytree(results["narrow"], folder)
    for name in ("harrow.svg", "plan.svg", "plan.gpkg"):
        (folder / name).unlink()
    (folder / "spectrum.svg").write_text("<svg", "utf-8")
    told = report_of(open_result(folder), DAY)
    assert not {"harrow", "spectrum", "zones"} & set(told.pictures)
    assert told.left_out == ["spectrum.svg is damaged: the report is without it."]
    assert told.content["findings"]


def test_results_of_a_version_that_knew_no_causes_are_refused(results, tmp_path):
    folder = changed(results["even"], tmp_path / "old", lambda summary: summary.pop("causes"))
    with pytest.raises(OutputError, match="no causes in it"):
        report_of(open_result(folder), DAY)


def test_pictures_are_svg_and_the_line_crosses_ten_passes(results):
    pictures = report_of(open_result(results["narrow"]), DAY).pictures
    assert set(pictures) == {"map", "across", "zones", "spectrum", "harrow"}
    for svg in pictures.values():
        assert ElementTree.fromstring(svg).tag.endswith("svg")


def test_pictures_in_other_units_say_so(results):
    content = report_of(open_result(results["narrow"]), DAY, us_units=True).content
    assert content["pictures"]["spectrum"] == "Drawn with the map, in metres."
    assert content["pictures"]["map"] == ""


def test_sentences_left_out_for_want_of_room_are_counted():
    told = report._told(
        [Said("track-as-read", {"text": f"{k} " + "x" * 100}) for k in range(9)], 500, False
    )
    assert len(told["texts"]) == 4
    assert told["more"] == "5 more are in summary.json."


def test_a_blank_name_gives_way_to_that_of_the_folder(results, tmp_path):
    def blank(summary):
        summary["field"]["name"] = "  "

    found = open_result(changed(results["even"], tmp_path / "north side", blank))
    assert report_of(found, DAY).content["title"] == "Residue report: north side"


def test_no_path_of_the_computer_is_in_the_report(results):
    told = report_of(open_result(results["narrow"]), DAY)
    assert str(results["narrow"].parent) not in json.dumps(told.content) + "".join(
        told.pictures.values()
    )

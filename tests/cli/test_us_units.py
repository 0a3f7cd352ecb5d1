"""Everything that a person reads after ``--us-units``: no SI unit stands in any of it.

One small field with a plan, notes, warnings and assumptions goes through all commands.
"""

import json
import re
from html.parser import HTMLParser

import pandas as pd
import pypdf
import pytest
from builders import si_units_in
from click.testing import CliRunner
from season_builders import passes, write_track

from covermap.cli.commands import commands

FIELD = """
[field]
name = "Invented field"
track = "track.csv"
next_crop = "canola"

[crop]
kind = "wheat"

[combine]
cut_width = "13 m"

[spread]
width = "6 m"
lean = "1 m"

[wind]
speed = "4 m/s"
from_deg = 70

[plan]
operations = ["drill, double-disc openers (US table, by mass)"]
cold_wet_spring = "yes"
opener_limit = "3 t/ha"
cleaner_limit = "6 t/ha"
hairpin_from = "2 t/ha"
row_spacing = "0.25 m"
row_zone_width = "0.1 m"
keep_residue = "2 t/ha"
response = "yield"
currency = "EUR"
harrow_cost_per_ha = 20
harrow_fuel_l_per_ha = 4
fuel_price_per_l = 1.5
"""

#: What stays as it is: the track's columns with their units, for those are in the file.
OF_THE_FILE = (
    "  flow (kg/s) → grain_flow_kg_s [kg/s]",
    "  speed → speed_m_s [m/s]",
    "'speed' as m/s",
)


def run(*arguments):
    done = CliRunner().invoke(commands, [str(a) for a in arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


class Texts(HTMLParser):
    """What a page says in its US state, or in that which hides ``hides``; data apart."""

    _VOID = ("meta", "link", "br", "hr", "img", "input", "col", "wbr")

    def __init__(self, html, hides="metric"):
        super().__init__()
        self._hides = hides
        self.said, self.data, self._inside, self._hidden = [], "", "", 0
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        has = dict(attrs)
        if tag in self._VOID:
            return
        other = self._hides in (has.get("class") or "").split()
        self._hidden += bool(self._hidden or other or tag in ("script", "style"))
        self._inside = has.get("id") or ""
        self.said += [has[name] for name in ("title", "aria-label") if name in has]

    def handle_endtag(self, _):
        self._hidden -= bool(self._hidden)

    def handle_data(self, data):
        if not self._hidden:
            self.said.append(data)
        elif self._inside == "map-data":
            self.data += data


def card_texts(data, state=-1):
    """Give label and text of every row of every card in the US state, or in the metric one (0)."""
    for kind in ("passes", "strips", "zones", "wind"):
        assert data[kind], kind
        for shape in data[kind]:
            for label, *texts in shape["rows"]:
                yield f"{data['labels'][label]}: {texts[state]}"
    yield from data["meanings"].values()


def si_lines(text):
    """Give the lines that hold SI units, without what is of the file."""
    for own in OF_THE_FILE:
        text = text.replace(own, "")
    text = text.replace("\xa0", " ").replace("\u202f", " ")
    return [line for line in text.splitlines() if si_units_in(line)]


@pytest.fixture(scope="module")
def field(tmp_path_factory):
    """Write a field whose log has a hole, a jump, a drive on a road and a column without unit."""
    folder = tmp_path_factory.mktemp("us_units")
    fixes = passes(count=8, length_m=120.0)
    rows = len(fixes)
    fixes = fixes.drop(index=range(80, 90))
    fixes.loc[150, "east"] += 400.0
    write_track(folder / "track.csv", fixes)
    track = pd.read_csv(folder / "track.csv")
    track["flow (kg/s)"] = [5.0 + i % 3 for i in range(len(track))]
    track["speed"] = 2.0
    assert len(track) < rows
    track.to_csv(folder / "track.csv", index=False)
    (folder / "field.toml").write_text(FIELD, "utf-8")
    return folder / "field.toml"


@pytest.fixture(scope="module")
def said(field):
    """Give what each command says with ``--us-units``, by its name."""
    out = field.parent
    text = {}

    def keep(name, *arguments):
        text[name] = run(name, *arguments, "--us-units")

    keep("check", field)
    keep("map", field, "--out", out / "a")
    run("map", field, "--out", out / "b", "--spread-width", "9 m", "--cell", "1 m")
    keep("plan", field)
    keep("range", field, "--out", out / "range", "--repeats", 20)
    keep("advise", field)
    keep("compare", out / "a", out / "b", "--out", out / "compared")
    keep("report", out / "a", "--out", out / "report.pdf")
    season = out / "season"
    season.mkdir()
    (season / "field.toml").write_text(FIELD.replace("track.csv", "../track.csv"), "utf-8")
    keep("season", season, "--out", out / "book", "--workers", 1)
    pages = pypdf.PdfReader(out / "report.pdf").pages
    text["report.pdf"] = " ".join(re.sub(r"\s+", " ", page.extract_text()) for page in pages)
    text["report.pdf"] = re.sub(r"(?<=[.:]) ", "\n", text["report.pdf"])
    page = Texts((out / "a" / "map.html").read_text("utf-8"))
    text["map.html"] = "\n".join(page.said)
    metric = Texts((out / "a" / "map.html").read_text("utf-8"), hides="us")
    text["map.html in SI"] = "\n".join(metric.said)
    text["cards in SI"] = "\n".join(card_texts(json.loads(page.data), 0))
    text["check in SI"] = run("check", field)
    text["cards"] = "\n".join(card_texts(json.loads(page.data)))
    text["season.html"] = "\n".join(Texts((out / "book" / "season.html").read_text("utf-8")).said)
    return text


PLACES = (
    "check", "map", "plan", "range", "advise", "compare", "report", "season",
    "report.pdf", "map.html", "cards", "season.html",
)  # fmt: skip


@pytest.mark.parametrize("place", PLACES)
def test_no_si_unit_stands_in_what_a_reader_of_us_units_reads(said, place):
    assert len(said[place]) > 30
    assert not si_lines(said[place])


@pytest.mark.parametrize("place", ["check", "map.html", "cards"])
def test_the_walk_can_fail(said, place):
    assert len(si_lines(said[f"{place} in SI"])) > 3
    leaks = ("laid 4 t/ha", "at 16 km/h", "3 m apart", "0.5\xa0m trays", "2 l of fuel", "3 °C")
    assert len(si_lines("\n".join((said[place], *leaks)))) == len(leaks)


def test_the_walk_meets_a_plan_notes_warnings_and_assumptions(said):
    assert " ac" in said["map"]
    assert "Warning: " in said["map"]
    assert "Note: " in said["map"]
    assert "What to do next" in said["map"]
    assert "Assumed: " in said["plan"]
    assert "[limits] most_harvest_speed" in said["check"]
    for own in OF_THE_FILE:
        assert own in said["check"], own

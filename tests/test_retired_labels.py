"""Labels that were given up do not come back, in no output and in no document.

Every output of one sample is made as a person makes it and read as a person reads it.
"""

import html
import re
import zipfile
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

import pypdf
import pytest
from click.testing import CliRunner
from season_builders import InThisProcess

from covermap.cli.commands import commands
from covermap.cli.sample_command import write_sample
from covermap.drawing import labels
from covermap.seasons import run_season

REPO = Path(__file__).parents[1]
TEXTS = {".html", ".svg", ".json", ".geojson", ".csv", ".txt", ".xml", ".sld", ".qml"}


@dataclass(frozen=True)
class Retired:
    """A label given up: what finds it, how it once stood there, what stands there now.

    ``cased``: only so written; in small letters it is a key of a file and stays.
    """

    pattern: str
    once: str
    now: str
    cased: bool = False
    outputs_only: bool = False


RETIRED = [
    # higher is worse, so it is no evenness
    Retired(r"\bEvenness\b", "Evenness (CV, 0.5 m trays)", labels.UNEVENNESS, cased=True),
    Retired(r"worst evenness", "worst evenness", "highest unevenness"),
    Retired(r"for an evenness|the evenness", "the evenness to expect", "how even"),
    Retired(r"\bCV \[%\]", "CV [%]", f"{labels.UNEVENNESS} [%]"),
    # ground gives nothing up: part of what grew there stays as stubble
    Retired(r"(gave|gives) up", "residue this ground gave up", labels.RATIO_MEANING),
    # passes do not lie on the ground
    Retired(r"passes on the ground", "Passes on the ground", labels.LAYERS),
    Retired(r"passes on each cell", "passes on each cell", labels.LAYERS),
    # cover is percent of the ground, and not what is doubled
    Retired(r"under double cover", "Most ground under double cover", labels.IN_DOUBLES),
    # a letter word that had to be looked up, and four ways to spell it out; docs say it once
    Retired(r"\bURDR\b", "URDR", labels.HIGHEST_TO_LOWEST, cased=True, outputs_only=True),
    Retired(
        r"highest ÷ lowest(?! across the pass| mean over)",
        "Highest ÷ lowest",
        labels.HIGHEST_TO_LOWEST,
    ),
    Retired(r"max ÷ min", "max ÷ min across the pass", labels.HIGHEST_TO_LOWEST),
    # strips offend nobody
    Retired(r"repeat offender", "repeat offender: gap in both", labels.COME_BACK),
    # a position fix is a repair to most readers
    Retired(r"fix(es)? (was |were |are )?dropped", "Fixes dropped", labels.LEFT_OUT),
    Retired(r"would be dropped", "Would be dropped: 12 fixes", labels.LEFT_OUT),
    Retired(r"fixes read", "Fixes read", "track points read"),
    # pieces of what?
    Retired(r"(on|across) the pieces", "Crosswind on the pieces", labels.CROSSWIND),
    Retired(r"the pieces feel", "the pieces feel 0.54 of it", labels.FLYING_STRAW),
    # nothing is made good: a setting corrects for the wind, or cannot
    Retired(r"made good", "cannot be fully made good", labels.NOT_CORRECTED),
    # a share of what?
    Retired(r"[\d.]+ of bare ground", "0.11 of bare ground", labels.soil_loss("water", "0.11")),
    # the standard's own word, and the trade's
    Retired(r"\btask sets?\b", "ISO 11783-10 task set", labels.TASK_DATA),
    # a swath is cut by the header; the implement drives runs, and straw lies in a windrow
    Retired(r"\bswaths?\b", "4 swaths", labels.IMPLEMENT_RUNS),
    Retired(r"(laid|straw|were it) in (a row|rows)\b", "laid in rows", labels.WINDROW),
    Retired(r"spread and rows|bale row", "windrow or bale row", labels.WINDROW),
    # which of the two is the heavy one has to stand beside its sign
    Retired(
        r"double strip: above|double, ratio above|gap below, double above",
        "double strip: above 1.5",
        labels.limit_key("double", 1.5),
    ),
    # rules of advice had names without a family
    Retired(
        r'"(reach|direction|cut height|forward speed)", ?"text"|`(cut height|forward speed)`:',
        "- `cut height`: less goes through",
        "`advise-cut-height`: less",
    ),
]
#: Where each label has to stand: one word for one thing, whatever the output.
SHOWN = {
    labels.UNEVENNESS: ("said/map", "said/range", "map.html", "report.pdf", "season.html",
                        "said/advise", "said/compare", "harrow.svg"),
    labels.RATIO_MEANING: ("map.html", "report.pdf", "season.html", "field.kmz", "compare.svg"),
    labels.LAYERS: ("map.html",),
    labels.HIGHEST_TO_LOWEST: ("said/map", "said/advise", "said/compare", "map.html",
                               "report.pdf", "season.html", "harrow.svg", "card.svg"),
    labels.COME_BACK: ("said/compare", "compare.svg"),
    labels.LEFT_OUT: ("said/check", "said/map", "report.pdf"),
    labels.CROSSWIND: ("said/advise", "map.html", "report.pdf", "card.svg"),
    labels.IMPLEMENT_RUNS: ("said/plan", "map.html", "report.pdf"),
    labels.TASK_DATA: ("READ_ME_FIRST.txt",),
    labels.limit_key("gap", 0.5): ("map.html", "report.pdf", "season.html", "field.kmz",
                                   "compare.svg", "plan.svg", "field.gpkg", "strips.sld"),
    labels.limit_key("double", 1.5): ("map.html", "report.pdf", "season.html", "field.kmz",
                                      "compare.svg", "plan.svg", "field.gpkg", "strips.sld"),
    "soil loss to water:": ("said/plan",),
    "[advise-strongest]": ("said/advise", "card.svg"),
}  # fmt: skip


def plain(text: str) -> str:
    """Give what a person reads: codes of letters and breaks of lines undone, in small letters."""
    text = re.sub(r"\\u([0-9a-f]{4})", lambda code: chr(int(code[1], 16)), text)
    return re.sub(r"\s+", " ", html.unescape(text).replace("\N{NO-BREAK SPACE}", " "))


def read(path: Path) -> dict[str, str]:
    """Give the texts of a file by name: of an archive those of its files."""
    if path.suffix == ".pdf":
        pages = pypdf.PdfReader(path).pages
        return {path.name: plain(" ".join(page.extract_text() for page in pages))}
    if path.suffix in (".kmz", ".zip"):
        with zipfile.ZipFile(path) as archive:
            return {
                path.name if name.endswith(".kml") else Path(name).name: plain(
                    archive.read(name).decode("utf-8")
                )
                for name in archive.namelist()
                if Path(name).suffix in {*TEXTS, ".kml"}
            }
    if path.suffix == ".gpkg":  # style text and column meanings are stored as they are
        return {path.name: plain(path.read_bytes().decode("utf-8", "ignore"))}
    if path.suffix == ".svg":
        parts = re.findall(r"<text[^>]*>([^<]*)</text>", path.read_text("utf-8"))
        return {path.name: plain(" ".join(parts))}
    if path.suffix.lower() in TEXTS:
        return {path.name: plain(path.read_text("utf-8"))}
    return {}


def retired_in(text: str, *, outputs: bool) -> list[str]:
    """Give the retired labels of a text."""
    found = []
    for one in RETIRED:
        if one.outputs_only and not outputs:
            continue
        flags = re.NOFLAG if one.cased else re.IGNORECASE
        found += [
            text[max(match.start() - 30, 0) : match.end() + 30]
            for match in re.finditer(one.pattern, text, flags)
        ]
    return found


@pytest.fixture(scope="module")
def outputs(tmp_path_factory):
    """Texts of all outputs of one sample with wind, windrows and a plan, by name of the file."""
    place = tmp_path_factory.mktemp("labels")
    field = str(write_sample(place / "sample", "wheat"))
    wind = ["--wind-speed", "5", "--wind-from", "250", "--cell", "1"]
    plan = ["--next-crop", "canola"]
    result, other = str(place / "result"), str(place / "other")
    task = ["--task-quantity", "working_depth"]
    for rule in ("harrow", "till", "row-cleaner", "check-stand", "bale-or-rake", "spread-again"):
        task += ["--task-value", f"plan-{rule}=0.1"]
    runs = {
        "check": ["check", field],
        "map": ["map", field, *wind, *plan, "--out", result],
        "plan": ["plan", field, *wind, *plan, "--out", str(place / "plan")],
        "other": ["map", field, *wind, "--spread-width", "8 m", "--out", other],
        "compare": ["compare", result, other, "--out", str(place / "compare")],
        "range": ["range", field, *wind, "--repeats", "20", "--out", str(place / "range")],
        "advise": ["advise", field, *wind, "--out", str(place / "card")],
        "advise_json": ["advise", field, *wind, "--json"],
        "report": ["report", result, "--out", str(place / "report.pdf")],
        "export": ["export", result, "--for", "all", *task, "--out", str(place / "export")],
        "season": ["season", str(place / "sample"), *wind, "--out", str(place / "season")],
    }
    texts = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run_season, "dask_crew", lambda *_: nullcontext(InThisProcess()))
        for name, words in runs.items():
            done = CliRunner().invoke(commands, words, catch_exceptions=False)
            assert done.exit_code == 0, done.output
            texts[f"said/{name}"] = plain(done.output)
    for path in sorted(place.rglob("*")):
        if path.is_file() and "sample" not in path.relative_to(place).parts:
            for name, text in read(path).items():
                texts[name] = f"{texts.get(name, '')} {text}"
    return texts


def test_no_output_has_a_retired_label(outputs):
    found = {name: retired_in(text, outputs=True) for name, text in outputs.items()}
    assert {name: labels for name, labels in found.items() if labels} == {}


@pytest.mark.parametrize(
    "path", [REPO / "README.md", *sorted((REPO / "docs").glob("*.md"))], ids=lambda path: path.name
)
def test_no_document_has_a_retired_label(path):
    assert retired_in(plain(path.read_text("utf-8")), outputs=False) == []


@pytest.mark.parametrize("label", SHOWN)
def test_one_label_stands_in_every_output_that_has_the_thing(outputs, label):
    for name in SHOWN[label]:
        text = outputs[next(one for one in outputs if one.endswith(name))]
        assert label.lower() in text.lower(), name


@pytest.mark.parametrize("one", RETIRED, ids=lambda one: one.once)
def test_the_search_finds_what_it_is_for_and_not_what_took_its_place(one):
    assert re.search(one.pattern, one.once, re.IGNORECASE)
    assert retired_in(f"before {one.once} after", outputs=True)
    assert not retired_in(f"before {one.now} after", outputs=True)

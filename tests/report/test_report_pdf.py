"""The PDF read by other libraries: text, tags, fonts, pages, names in any script."""

import io
import json
import re
import shutil
import sys
import unicodedata
from datetime import date
from pathlib import Path

import numpy as np
import pypdf
import pypdfium2
import pytest
from click.testing import CliRunner
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen
from report_builders import DAY, changed, made

from covermap.cli.commands import commands
from covermap.cli.report_command import report_command
from covermap.errors import OutputError
from covermap.files.open_result import open_result
from covermap.report import report_pdf
from covermap.report.report import report_of
from covermap.report.report_pdf import typeset_report

#: Points: ISO 216 A4, 210 × 297 mm; ANSI/ASME Y14.1 letter, 8.5 × 11 in.
A4, LETTER = (595.28, 841.89), (612.0, 792.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("typeset") / "narrow"
    return made(place, True, spread__width=5.0, field__next_crop="canola")


@pytest.fixture(scope="module")
def pdf(folder):
    return typeset_report(report_of(open_result(folder), DAY), DAY).pdf


def named(folder: Path, to: Path, name: str) -> Path:
    """Give the same results under another name, without the plan of the old name."""

    def rename(summary):
        summary["field"]["name"] = name

    out = changed(folder, to, rename)
    (out / "plan.json").unlink()
    return out


def text_of(pdf: bytes, page: int | None = None) -> str:
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return "\n".join(p.extract_text() for p in (pages if page is None else [pages[page]]))


def flat(text: str) -> str:
    """Give text without what breaks lines, so that wrapped names compare."""
    kept = "".join(c for c in text if unicodedata.category(c) != "Cf")
    return re.sub(r"\s+", "", unicodedata.normalize("NFKC", kept))


def grey_pages(pdf: bytes) -> list[np.ndarray]:
    document = pypdfium2.PdfDocument(pdf)
    try:
        return [np.asarray(page.render(scale=1).to_pil().convert("L")) for page in document]
    finally:
        document.close()


def test_page_one_says_the_numbers_of_summary_json(folder, pdf):
    summary = json.loads((folder / "summary.json").read_text("utf-8"))
    first = re.sub(r"\s+", " ", text_of(pdf, 0))
    for text in (
        f"{summary['field']['harvested_ha']:.2f} ha",
        f"{summary['residue']['mean_residue_t_ha']:.2f} t/ha",
        f"{summary['evenness']['cv_pct']:.0f} %",
        f"{summary['gap']['area_ha']:.2f} ha",
        f"{summary['double']['area_ha']:.2f} ha",
        "[report-verdict-uneven]",
        "[report-verdict-limits]",
        "[report-cause-strongest]",
        "[cause-narrow]",
        "14 October 2026",
    ):
        assert text in first


def test_the_pages_hold_what_they_should(folder, pdf):
    text = re.sub(r"\s+", " ", text_of(pdf))
    for word in ("How even it lies across the passes", "Strips and their causes", "Plan for canola",
                 "What it rests on", "Accounts", "[report-caution]", "[plan-adviser]",
                 "engine off", "a" * 64):  # fmt: skip
        assert flat(word) in flat(text)
    assert 3 <= len(pypdf.PdfReader(io.BytesIO(pdf)).pages) <= 5


def test_title_language_bookmarks_and_tags(pdf, folder):
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    name = open_result(folder).name
    assert reader.metadata["/Title"] == f"Residue report: {name}"
    assert "/Author" not in reader.metadata
    root = reader.trailer["/Root"]
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"]
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]

    def titles(outline):
        for one in outline:
            yield from titles(one) if isinstance(one, list) else [str(one["/Title"])]

    marks = list(titles(reader.outline))
    wanted = {"How even it lies across the passes", "Strips and their causes", "What it rests on"}
    assert wanted <= set(marks)
    metadata = root["/Metadata"].get_data().decode()
    # ISO 14289-1 and ISO 19005-2, as the file itself declares them
    assert re.search(r"pdfuaid:part>\s*1<", metadata)
    assert re.search(r"pdfaid:part>\s*2<", metadata)


def tagged(reader):
    """Walk the structure tree."""
    stack = [reader.trailer["/Root"]["/StructTreeRoot"]]
    while stack:
        one = stack.pop().get_object()
        if isinstance(one, pypdf.generic.ArrayObject):
            stack.extend(one)
        elif isinstance(one, pypdf.generic.DictionaryObject):
            yield one
            if "/K" in one:
                stack.append(one["/K"])


def test_every_picture_has_words_and_every_table_a_head(pdf):
    parts = list(tagged(pypdf.PdfReader(io.BytesIO(pdf))))
    pictures = [part for part in parts if part.get("/S") == "/Figure"]
    assert len(pictures) == 5
    assert all(len(str(part["/Alt"])) > 40 for part in pictures)
    tables = [part for part in parts if part.get("/S") == "/Table"]
    heads = [part for part in parts if part.get("/S") == "/THead"]
    assert len(heads) == len(tables) > 5


def fonts_of(reader):
    """Give every font dictionary of the file."""
    for number in range(1, reader.trailer["/Size"]):
        one = reader.get_object(number)
        if isinstance(one, pypdf.generic.DictionaryObject) and one.get("/Type") == "/Font":
            yield one


def test_every_font_is_in_the_file(pdf):
    found = 0
    for font in fonts_of(pypdf.PdfReader(io.BytesIO(pdf))):
        if font["/Subtype"] in ("/Type0", "/Type3"):  # the first holds a font, the second shapes
            continue
        descriptor = font["/FontDescriptor"]
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor)
        assert "DejaVuSans" in str(font["/BaseFont"])
        found += 1
    assert found >= 2


@pytest.mark.parametrize(("us_units", "size"), [(False, A4), (True, LETTER)])
def test_paper_and_no_blank_page(folder, us_units, size):
    made_pdf = typeset_report(report_of(open_result(folder), DAY, us_units=us_units), DAY).pdf
    for page in pypdf.PdfReader(io.BytesIO(made_pdf)).pages:
        assert (page.mediabox.width, page.mediabox.height) == pytest.approx(size, abs=0.1)
    pages = grey_pages(made_pdf)
    assert 3 <= len(pages) <= 5
    for grey in pages:
        assert 0.01 < (grey < 200).mean() < 0.6
        # nothing runs off the paper: 8 mm at the sides stay white
        assert (grey[:, :20] > 240).all()
        assert (grey[:, -20:] > 240).all()


def test_the_same_bytes_for_the_same_date(folder, pdf):
    assert typeset_report(report_of(open_result(folder), DAY), DAY).pdf == pdf
    later = date(2027, 1, 1)
    assert typeset_report(report_of(open_result(folder), later), later).pdf != pdf


def test_no_path_and_no_link_out_of_the_file(folder, pdf):
    for trace in (b"/tmp", str(folder.parent).encode(), b"/URI", b"/JavaScript", b"/Launch"):
        assert trace not in pdf


@pytest.mark.parametrize(
    "name",
    [
        "#let x = 1; #panic()",
        r"back\slash $x^2$ *bold* _it_ `raw` @ref <label>",
        "<script>alert('x')</script> & \"quoted\"",
        "= Heading // comment /* open",
        "x" * 150,
        "مزرعة القمح 12",
        "שדה חיטה (מזרח)",
        "Große Wiese, Łąka, Поле, Αγρός, Ñandú",
    ],
)
def test_any_name_is_text_and_nothing_else(folder, tmp_path, name):
    out = named(folder, tmp_path / "named", name)
    made_report = typeset_report(report_of(open_result(out), DAY), DAY)
    assert made_report.not_shown == ()
    reader = pypdf.PdfReader(io.BytesIO(made_report.pdf))
    assert reader.metadata["/Title"] == f"Residue report: {name}"
    first = flat(text_of(made_report.pdf, 0))
    if unicodedata.bidirectional(name[0]) in ("R", "AL"):
        # extractors differ in the order of words; the letters are all there
        for word in re.findall(r"\w+", name):
            assert flat(word) in first or flat(word)[::-1] in first
    else:
        assert flat(name) in first


def test_a_name_from_the_right_runs_to_the_left(folder, tmp_path):
    """Unicode bidirectional algorithm (UAX 9): brackets and number follow on the left."""
    assert report_pdf._right_to_left("12 שדה")
    assert not report_pdf._right_to_left("Field שדה")
    out = named(folder, tmp_path / "rtl", "שדה (מזרח) 7")
    made_report = typeset_report(report_of(open_result(out), DAY), DAY)
    document = pypdfium2.PdfDocument(made_report.pdf)
    page = document[0].get_textpage()
    text = page.get_text_range(0, 40)
    places = {letter: page.get_charbox(text.index(letter))[0] for letter in "שהמח7"}
    document.close()
    assert places["ש"] > places["ה"] > places["מ"] > places["ח"] > places["7"]


def test_turning_signs_and_control_characters_go(folder, tmp_path):
    out = named(folder, tmp_path / "turned", "ab\u202ecd\x00\x1b\ud800 e")
    made_report = typeset_report(report_of(open_result(out), DAY), DAY)
    assert "abcd" in flat(text_of(made_report.pdf, 0))


@pytest.fixture
def no_system_fonts(monkeypatch):
    monkeypatch.setattr("matplotlib.font_manager.findSystemFonts", list)


def test_what_no_font_has_is_shown_as_its_code(folder, tmp_path, no_system_fonts):
    out = named(folder, tmp_path / "cjk", "田 field 🌾")
    made_report = typeset_report(report_of(open_result(out), DAY), DAY)
    assert made_report.not_shown == ("U+7530", "U+1F33E")
    text = flat(text_of(made_report.pdf))
    assert "[U+7530]field[U+1F33E]" in text
    assert flat("No font of this machine has these characters") in text


def one_letter_font(path: Path, **names: str) -> str:
    """Make a font with one letter that DejaVu Sans lacks."""
    pen = TTGlyphPen(None)
    pen.moveTo((100, 0))
    for point in ((100, 700), (600, 700), (600, 0)):
        pen.lineTo(point)
    pen.closePath()
    box = pen.glyph()
    builder = FontBuilder(1000, isTTF=True)
    builder.setupGlyphOrder([".notdef", "tian"])
    builder.setupCharacterMap({0x7530: "tian"})
    builder.setupGlyf({".notdef": box, "tian": box})
    builder.setupHorizontalMetrics({".notdef": (700, 100), "tian": (700, 100)})
    builder.setupHorizontalHeader(ascent=800, descent=-200)
    builder.setupNameTable(names)
    builder.setupOS2()
    builder.setupPost()
    builder.save(path)
    return str(path)


def test_a_font_of_the_system_steps_in(folder, tmp_path, monkeypatch):
    (tmp_path / "broken.ttf").write_bytes(b"no font")
    names = {"familyName": "Made Sans", "styleName": "Regular", "psName": "MadeSans-Regular"}
    fonts = [
        str(tmp_path / "broken.ttf"),
        one_letter_font(tmp_path / "blank.ttf", **{**names, "familyName": "Last Resort"}),
        one_letter_font(tmp_path / "unusable.ttf"),
        one_letter_font(tmp_path / "usable.ttf", **names),
    ]
    out = named(folder, tmp_path / "tian", "田 field")
    report = report_of(open_result(out), DAY)
    monkeypatch.setattr("matplotlib.font_manager.findSystemFonts", lambda: fonts)
    made_report = typeset_report(report, DAY)
    assert made_report.not_shown == ()
    assert "田field" in flat(text_of(made_report.pdf, 0))
    monkeypatch.setattr("matplotlib.font_manager.findSystemFonts", lambda: fonts[:3])
    assert typeset_report(report, DAY).not_shown == ("U+7530",)


def test_the_command_writes_whole_and_says_what_is_missing(folder, tmp_path, no_system_fonts):
    out = named(folder, tmp_path / "told", "田")
    done = CliRunner().invoke(report_command, [str(out)])
    assert done.exit_code == 0, done.output
    assert "U+7530" in done.output
    assert "Written to" in done.output
    assert (out / "report.pdf").read_bytes().startswith(b"%PDF-1.7")
    other = tmp_path / "new" / "for the landlord.pdf"
    done = CliRunner().invoke(report_command, [str(out), "--out", str(other), "--us-units"])
    assert done.exit_code == 0, done.output
    assert [file.name for file in other.parent.iterdir()] == [other.name]


def test_without_typst_it_says_how_to_install_it(folder, monkeypatch):
    monkeypatch.setitem(sys.modules, "typst", None)
    report = report_of(open_result(folder), DAY)
    with pytest.raises(OutputError, match=re.escape('pip install "covermap[report]"')):
        typeset_report(report, DAY)


def test_an_output_that_cannot_be_written_leaves_nothing(folder, tmp_path):
    file = tmp_path / "file"
    file.write_text("kept", "utf-8")
    done = CliRunner().invoke(report_command, [str(folder), "--out", str(file / "report.pdf")])
    assert isinstance(done.exception, OutputError)
    assert "is a file" in str(done.exception)
    place = tmp_path / "report.pdf"
    place.mkdir()
    done = CliRunner().invoke(report_command, [str(folder), "--out", str(place)])
    assert isinstance(done.exception, OutputError)
    assert file.read_text("utf-8") == "kept"
    assert sorted(one.name for one in tmp_path.iterdir()) == ["file", "report.pdf"]


def test_a_report_without_anything_optional(folder, tmp_path):
    out = tmp_path / "bare"
    shutil.copytree(folder, out)
    for name in ("spectrum.svg", "harrow.svg", "plan.svg", "plan.json", "plan.gpkg"):
        (out / name).unlink()
    made_report = typeset_report(report_of(open_result(out), DAY), DAY)
    text = text_of(made_report.pdf)
    assert "Plan for" not in text
    assert 3 <= len(pypdf.PdfReader(io.BytesIO(made_report.pdf)).pages) <= 5


@pytest.mark.slow
@pytest.mark.parametrize(
    ("sample", "options"),
    [(name, []) for name in ("wheat", "canola", "corn", "barley", "oats")]
    + [(name, ["--next-crop", "canola"]) for name in ("wheat", "corn", "oats")],
)
def test_sample_fields_take_three_to_five_pages(tmp_path, sample, options):
    source = Path(__file__).parents[2] / "sample_fields" / sample / f"{sample}.toml"
    done = CliRunner().invoke(commands, ["map", str(source), "--out", str(tmp_path), *options])
    assert done.exit_code == 0, done.output
    for us_units in (False, True):
        report = report_of(open_result(tmp_path), DAY, us_units=us_units)
        pages = pypdf.PdfReader(io.BytesIO(typeset_report(report, DAY).pdf)).pages
        assert 3 <= len(pages) <= 5

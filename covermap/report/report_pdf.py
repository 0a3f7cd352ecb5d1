"""The report typeset: a tagged PDF with its fonts inside, the same on every machine.

Text is set in DejaVu Sans, which comes with matplotlib; only what it lacks is looked for in
the fonts of the system. A character that no font has is shown as its code and reported.
"""

from __future__ import annotations

import json
import shutil
import tempfile
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from covermap.errors import OutputError
from covermap.report.report import Report

#: PDF for archives with all text as Unicode and tagged, and PDF for everyone (ISO 19005-2,
#: ISO 14289-1).
STANDARDS: tuple[Literal["a-2a"], Literal["ua-1"]] = ("a-2a", "ua-1")
_FONT_FILES = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSans-Oblique.ttf")
_FAMILY = "DejaVu Sans"
#: Fonts that hold a sign for every code, but no letters.
_NO_LETTERS = ("last resort", "lastresort", "blank", "notdef", "fallback")
_LONGEST_NAME, _LONGEST_SHORT_NAME = 160, 56
#: Words longer than this may be broken anywhere.
_LONGEST_WORD, _BREAK_EVERY = 40, 16


@dataclass(frozen=True)
class TypesetReport:
    """A report ready to be written.

    Attributes
    ----------
    pdf : bytes
    not_shown : tuple of str
        Characters that no font on this machine has, as codes such as ``U+4E2D``.
    """

    pdf: bytes
    not_shown: tuple[str, ...]


def typeset_report(report: Report, made_on: date) -> TypesetReport:
    """Typeset a report.

    Parameters
    ----------
    report : Report
    made_on : datetime.date
        Stands in the metadata; the same report and date give the same bytes.

    Returns
    -------
    TypesetReport

    Raises
    ------
    OutputError
        If the package ``typst`` is not installed, or refuses the report.
    """
    try:
        import typst
    except ImportError:
        raise OutputError(
            "A report is typeset by the package typst, which is not installed.",
            way_out='Install it: pip install "covermap[report]"',
        ) from None
    content = _each_text(report.content, _clean)
    # the title is metadata, which is not broken into lines
    content = {**_each_text(_for_page(content), _with_breaks), "title": content["title"]}
    with tempfile.TemporaryDirectory(prefix="covermap-report-") as place:
        folder = Path(place)
        fonts = folder / "fonts"
        wanted = set().union(*_texts(content), *report.pictures.values())
        families, not_shown = _gather_fonts(fonts, wanted)
        show = _shower(not_shown)
        codes = tuple(_code(c) for c in sorted(not_shown))
        content = _each_text(content, show)
        content["fonts"] = families
        content["not_shown"] = (
            f"No font of this machine has these characters, so their codes are shown: "
            f"{', '.join(codes[:20])}{' …' if len(codes) > 20 else ''}."
            if codes
            else ""
        )
        (folder / "content.json").write_text(json.dumps(content, ensure_ascii=False), "utf-8")
        for name, svg in report.pictures.items():
            (folder / f"{name}.svg").write_text(show(svg), "utf-8")
        template = files("covermap.report") / "assets" / "report.typ"
        (folder / "report.typ").write_bytes(template.read_bytes())
        try:
            pdf = typst.compile(
                str(folder / "report.typ"),
                root=str(folder),
                font_paths=typst.Fonts(
                    include_system_fonts=False,
                    include_embedded_fonts=False,
                    font_paths=[str(fonts)],
                ),
                timestamp=datetime(made_on.year, made_on.month, made_on.day, tzinfo=UTC),
                pdf_standards=list(STANDARDS),
            )
        except typst.TypstError as error:
            raise OutputError(
                f"The report could not be typeset: {error}.",
                way_out="Please report this with the folder of results.",
            ) from error
    return TypesetReport(bytes(pdf), codes)


def _for_page(content: dict[str, Any]) -> dict[str, Any]:
    """Add how the name stands on the page: cut, breakable, and which way it is written."""
    name = str(content["name"])
    return {
        **content,
        "name_shown": _cut(name, _LONGEST_NAME),
        "name_short": _cut(name, _LONGEST_SHORT_NAME),
        "name_rtl": _right_to_left(name),
    }


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else text[: longest - 1] + "…"


def _right_to_left(text: str) -> bool:
    """Tell whether the first letter is of a script written from right to left."""
    for character in text:
        way = unicodedata.bidirectional(character)
        if way in ("L", "R", "AL"):
            return way != "L"
    return False


def _each_text(value: Any, change: Callable[[str], str]) -> Any:
    """Give the same plain data with every text changed; keys stay."""
    if isinstance(value, str):
        return change(value)
    if isinstance(value, list | tuple):
        return [_each_text(one, change) for one in value]
    if isinstance(value, dict):
        return {key: _each_text(one, change) for key, one in value.items()}
    return value


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, list | tuple | dict):
        for one in value.values() if isinstance(value, dict) else value:
            yield from _texts(one)


def _clean(text: str) -> str:
    """Leave out control characters and signs that turn text round."""
    return "".join(_plain(c) for c in text)


def _with_breaks(text: str) -> str:
    """Let long words break anywhere."""
    words = text.split(" ")
    return " ".join(word if len(word) <= _LONGEST_WORD else _breakable(word) for word in words)


def _plain(character: str) -> str:
    if character == "\n":
        return character
    turning = unicodedata.bidirectional(character)
    if turning in ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"):
        return ""
    return " " if unicodedata.category(character) in ("Cc", "Cs", "Zl", "Zp") else character


def _breakable(word: str) -> str:
    # a hash is to be copied as it is, and has a column of its own
    if len(word) == 64 and all(c in "0123456789abcdef" for c in word):
        return word
    parts, rest = [], word
    while len(rest) > _BREAK_EVERY:
        at = _BREAK_EVERY
        # a mark stays with its letter
        while at < len(rest) and (unicodedata.combining(rest[at]) or _joins(rest[at - 1 : at + 1])):
            at += 1
        parts.append(rest[:at])
        rest = rest[at:]
    return "\u200b".join([*parts, rest] if rest else parts)


def _joins(pair: str) -> bool:
    return any(c in "\u200c\u200d" or 0xFE00 <= ord(c) <= 0xFE0F for c in pair)


def _gather_fonts(folder: Path, wanted: set[str]) -> tuple[list[str], set[str]]:
    """Put the fonts that are needed into a folder; give families, and what none has."""
    import matplotlib as mpl
    from matplotlib.ft2font import FT2Font

    own = Path(mpl.get_data_path()) / "fonts" / "ttf"
    folder.mkdir()
    for name in _FONT_FILES:
        shutil.copyfile(own / name, folder / name)
    covered = set(FT2Font(str(own / _FONT_FILES[0])).get_charmap())
    lacking = {c for c in wanted if ord(c) not in covered and not _invisible(c)}
    families = [_FAMILY]
    if lacking:
        families += _add_system_fonts(folder, lacking)
    return families, lacking


def _invisible(character: str) -> bool:
    """Tell what needs no shape: spaces, joiners, variation selectors."""
    return (
        unicodedata.category(character) in ("Cf", "Zs", "Cc")
        or 0xFE00 <= ord(character) <= 0xFE0F
        or 0xE0100 <= ord(character) <= 0xE01EF
    )


def _add_system_fonts(folder: Path, lacking: set[str]) -> list[str]:
    """Add fonts of the system, the one that has most first; ``lacking`` loses what they have."""
    import typst
    from matplotlib.font_manager import findSystemFonts
    from matplotlib.ft2font import FT2Font

    having: list[tuple[Path, set[str]]] = []
    for path in sorted(findSystemFonts()):
        try:
            font = FT2Font(path)
            has = {c for c in lacking if ord(c) in font.get_charmap()}
        # a font that cannot be read is no help, whatever is wrong with it
        except (RuntimeError, OSError, ValueError):
            continue
        if has and not any(word in font.family_name.lower() for word in _NO_LETTERS):
            having.append((Path(path), has))
    families: list[str] = []
    while having and lacking:
        best = max(having, key=lambda one: len(one[1] & lacking))
        having.remove(best)
        file, has = best
        if not has & lacking:
            break
        place = folder / f"system{len(having)}"
        place.mkdir()
        shutil.copyfile(file, place / file.name)
        # what the typesetter cannot use is no help either
        loaded = typst.Fonts(
            include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(place)]
        ).families()
        if loaded:
            lacking -= has
            families += loaded
    return families


def _shower(not_shown: set[str]) -> Callable[[str], str]:
    """Give a function that writes the codes of characters that cannot be shown."""
    codes = {ord(c): f"[{_code(c)}]" for c in not_shown}
    return lambda text: text.translate(codes)


def _code(character: str) -> str:
    return f"U+{ord(character):04X}"

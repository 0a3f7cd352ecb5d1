"""What one kind of table can be written like, all can: one reader, in each kind's words.

The tables are invented; each is written once in the plainest way and then in every other,
and has to say the same. Dialects are those of RFC 4180 and of spreadsheets set to other
languages (common practice, no source).
"""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from covermap.errors import CovermapError
from covermap.harvest.read_track import read_track
from covermap.settings.pass_table import read_pass_table
from covermap.tray_test.tray_file import read_tray_test
from covermap.wind.wind_file import read_wind


def track(path):
    fixes = read_track(path).fixes
    return fixes["header_width_m"].tolist(), fixes["time"].astype(str).tolist()


def wind(path):
    series = read_wind(path, height_m=10)
    return series.speed_m_s.tolist(), series.clock_utc.astype(str).tolist()


def trays(path):
    test = read_tray_test(path)
    return test.station_m.tolist(), test.amount.tolist()


def passes(path):
    return [(rule.passes, dict(rule.values)) for rule in read_pass_table(path)]


class Table(NamedTuple):
    """One table: its reader, headers with units, the same bare, units, rows of cells."""

    read: Callable[[Path], object]
    headers: list[str]
    bare: list[str]
    units: list[str]
    rows: list[list[str]]


TABLES = {
    "track": Table(
        track,
        ["time", "longitude", "latitude", "width (ft)"],
        ["time", "longitude", "latitude", "width"],
        ["", "deg", "deg", "ft"],
        [["2018-07-18T12:00:00Z", "-93.97", "43.92", "18.5"],
         ["2018-07-18T12:00:01Z", "-93.97", "43.9201", "18.5"]],
    ),
    "wind": Table(
        wind,
        ["time", "wind speed (km/h)", "wind direction (deg)"],
        ["time", "wind speed", "wind direction"],
        ["", "km/h", "deg"],
        [["2018-07-18T12:00Z", "10.8", "350.5"], ["2018-07-18T13:00Z", "7.2", "10.5"]],
    ),
    "trays": Table(
        trays,
        ["position (ft)", "run 1 (oz)", "run 2 (oz)"],
        ["position", "run 1", "run 2"],
        ["ft", "oz", "oz"],
        [["-10.5", "1.5", "1.25"], ["0.5", "2.5", ""], ["10.5", "1.5", "1.75"]],
    ),
    "passes": Table(
        passes,
        ["passes", "width (ft)", "lean (ft)"],
        ["passes", "width", "lean"],
        ["", "ft", "ft"],
        [["3-4,7", "30.5", "1.5"], ["9", "28.5", ""]],
    ),
}  # fmt: skip


def lines(rows, delimiter=",", decimal=".", quote=False):
    def cell(text):
        is_number = text.lstrip("-").replace(".", "", 1).isdigit()
        text = text.replace(".", decimal) if is_number else text
        return f'"{text}"' if quote or delimiter in text else text

    return "".join(delimiter.join(map(cell, row)) + "\n" for row in rows)


def mac(text):
    return text.replace("\n", "\r")


#: Name to how a table is written.
WRITINGS = {
    "semicolons": lambda t: lines([t.headers, *t.rows], ";"),
    "tabs": lambda t: lines([t.headers, *t.rows], "\t"),
    "bars": lambda t: lines([t.headers, *t.rows], "|"),
    "quotes": lambda t: lines([t.headers, *t.rows], quote=True),
    "decimal comma, semicolons": lambda t: lines([t.headers, *t.rows], ";", ","),
    "decimal comma, bars": lambda t: lines([t.headers, *t.rows], "|", ","),
    "decimal comma in quotes": lambda t: lines([t.headers, *t.rows], decimal=","),
    "a row of units": lambda t: lines([t.bare, t.units, *t.rows]),
    "a row of units in brackets": lambda t: lines([t.bare, [f"({x})" for x in t.units], *t.rows]),
    "lines above": lambda t: "# made up\nexport of summer\n\n" + lines([t.headers, *t.rows]),
    "comments between": lambda t: lines([t.headers, *t.rows[:1]]) + "# pause\n" + lines(t.rows[1:]),
    "blank lines": lambda t: lines([t.headers, *t.rows]).replace("\n", "\n\n"),
    "header as comment": lambda t: "#" + lines([t.headers, *t.rows]),
    "blank last cells": lambda t: lines([[*t.headers, "", ""], *([*x, "", ""] for x in t.rows)]),
    "a blank cell too many": lambda t: lines([t.headers, [*t.rows[0], ""], *t.rows[1:]]),
    "capitals": lambda t: lines([[x.upper() for x in t.headers], *t.rows]),
    "units behind an underscore": lambda t: lines(
        [[f"{x}_{y}" if y else x for x, y in zip(t.bare, t.units, strict=True)], *t.rows]
    ),
    "windows lines": lambda t: lines([t.headers, *t.rows]).replace("\n", "\r\n"),
    "old mac lines": lambda t: mac(lines([t.headers, *t.rows])),
    "no last line break": lambda t: lines([t.headers, *t.rows]).rstrip("\n"),
    "accents": lambda t: "# Ähre, é\n" + lines([t.headers, *t.rows]),
}
ENCODINGS = ["utf-8", "utf-8-sig", "utf-16", "utf-16-be", "latin-1"]


def written(folder, text, encoding="utf-8"):
    path = folder / "table.csv"
    mark = b"\xfe\xff" if encoding == "utf-16-be" else b""
    path.write_bytes(mark + text.encode(encoding))
    return path


def same(found, expected):
    if isinstance(expected, float):
        return found == expected or (np.isnan(found) and np.isnan(expected))
    if isinstance(expected, dict):
        return found.keys() == expected.keys() and all(same(found[k], expected[k]) for k in found)
    if isinstance(expected, list | tuple):
        return len(found) == len(expected) and all(map(same, found, expected))
    return bool(found == expected)


@pytest.mark.parametrize("writing", WRITINGS)
@pytest.mark.parametrize("table", TABLES)
def test_every_table_may_be_written_in_every_way(tmp_path, table, writing):
    plain = TABLES[table]
    expected = plain.read(written(tmp_path, lines([plain.headers, *plain.rows])))
    for encoding in ENCODINGS if writing in ("accents", "semicolons") else ENCODINGS[:1]:
        found = plain.read(written(tmp_path, WRITINGS[writing](plain), encoding))
        assert same(found, expected), encoding


def test_the_comparison_can_fail(tmp_path):
    for read, headers, bare, _, rows in TABLES.values():
        one = read(written(tmp_path, lines([headers, *rows])))
        assert not same(read(written(tmp_path, lines([bare, *rows]))), one)
        assert not same(read(written(tmp_path, lines([headers, *rows[:-1]]))), one)


#: Name to a file that is wrong, and what all kinds have to say of it.
FAULTS = {
    "empty": (lambda t: lines([t.headers])[:0], "is empty"),
    "binary": (lambda t: lines([t.headers]) + "\0\1", "binary data"),
    "workbook": (lambda t: "PK\x03\x04" + lines(t.rows), "a ZIP archive or spreadsheet workbook"),
    "no header": (lambda t: "dear all,the barn\n" * len(t.rows), "line 1: no header with"),
    "header only": (lambda t: lines([t.headers]), "below it"),
    "fields": (
        lambda t: lines([t.headers, *([*x, "9", "9"] for x in t.rows)]),
        "but the header in line 1",
    ),
    "foreign unit": (
        lambda t: lines([[*t.headers[:-1], f"{t.bare[-1]} (kg/ha)"], *t.rows]),
        "the unit 'kg/ha' is not one of",
    ),
}
OTHERS_WORDS = {
    "track": ("wind record", "tray", "rule"),
    "wind": ("track", "fix", "tray", "rule"),
    "trays": ("track", "fix", "wind record", "rule"),
    "passes": ("track", "fix", "wind record", "tray"),
}


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("table", TABLES)
def test_every_table_says_what_is_wrong_in_its_own_words(tmp_path, table, fault):
    make, words = FAULTS[fault]
    with pytest.raises(CovermapError) as caught:
        TABLES[table].read(written(tmp_path, make(TABLES[table])))
    message = str(caught.value)
    assert message.startswith("table.csv")
    assert words in message
    assert not [word for word in OTHERS_WORDS[table] if word in message]


@pytest.mark.parametrize("table", TABLES)
def test_a_missing_file_and_a_folder_are_told_alike(tmp_path, table):
    for path, words in ((tmp_path / "gone.csv", "was not found: no such"), (tmp_path, "a folder")):
        with pytest.raises(CovermapError, match=words):
            TABLES[table].read(path)

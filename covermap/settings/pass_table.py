"""Settings of single passes from a table, one rule a row."""

from __future__ import annotations

import difflib
import re
from pathlib import Path

from covermap.errors import SettingsError
from covermap.reading.column_values import read_texts
from covermap.reading.table_kind import Column, RawTable, RecognisedColumn, TableKind
from covermap.reading.text_table import read_text_table
from covermap.settings.field_file import pass_rule
from covermap.settings.field_settings import PER_PASS, PassRule

_WHICH = (
    Column("passes", "", "text", 'pass numbers such as "3-7,12"'),
    Column("from", "", "instant", "start of a time window"),
    Column("to", "", "instant", "end of a time window"),
)
_BARE_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")

#: Which passes or times, then any key that a pass may set for itself.
PASSES = TableKind(
    error=SettingsError,
    what="pass-settings file",
    form="CSV with one rule per line",
    table="passes",
    columns={
        **{column.name: column for column in _WHICH},
        **{key: Column(key, s.unit, s.kind, s.meaning) for key, s in PER_PASS.items()},
    },
    row="rule",
    rows="rules",
    needs=({"passes": "passes"}, {"from": "from", "to": "to"}),
    headers="passes,width,lean, or from,to,width",
    by_hand=True,
    strict_units=True,
)


def read_pass_table(path: Path) -> list[PassRule]:
    """Read pass settings from a CSV: column ``passes`` or ``from`` and ``to``, then keys.

    Raises
    ------
    SettingsError
        If the file cannot be read or a column or value is wrong.
    """
    raw = read_text_table(path, PASSES)
    known = {one.header for one in raw.recognised}
    for header in raw.headers:
        if header not in known:
            near = difflib.get_close_matches(header.lower(), list(PASSES.columns), 1, 0.5)
            raise SettingsError(
                f"{path.name}, line {raw.header_line}: {header!r} is no key for passes.",
                way_out=f"Did you mean {near[0]!r}?" if near else f"Keys: {', '.join(PER_PASS)}.",
            )
    cells = {one.column: _with_units(raw, one) for one in raw.recognised}
    return [
        pass_rule(
            {column: texts[row] for column, texts in cells.items() if texts[row]},
            f"{path.name}, line {int(line)}: ",
            None,
        )
        for row, line in enumerate(raw.source_row)
    ]


def _with_units(raw: RawTable, one: RecognisedColumn) -> list[str]:
    """Give the cells of a column; a bare number gets the unit that the header tells."""
    texts = [text or "" for text in read_texts(raw, one)]
    if not (PASSES.columns[one.column].is_number and one.unit_told):
        return texts
    return [f"{text} {one.unit}" if _BARE_NUMBER.fullmatch(text) else text for text in texts]

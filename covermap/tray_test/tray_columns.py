"""The columns that a tray test can carry."""

from __future__ import annotations

import re

from covermap.errors import TrayError
from covermap.reading.table_kind import Column, TableKind

# Units are those taken if a header names none: small trays are weighed in grams.
_DECLARED = (
    Column("position", "m", "length", "distance right of the machine's centre line"),
    Column("side", "", "word", "left or right, where distances have no sign"),
    Column("run", "", "word", "run the row belongs to"),
    Column("weight", "g", "mass", "what the tray caught"),
    Column("depth", "mm", "depth", "what the can caught"),
    Column("area", "m2", "area", "area of the tray"),
    Column("width", "m", "length", "width of the tray across the band"),
    Column("length", "m", "length", "length of the tray along the pass"),
    Column("moisture", "%", "percent", "water in what was weighed, share of its wet weight"),
    Column("direction", "", "word", "out, or back if driven the other way"),
    Column("wind_speed", "", "text", "wind while the run was driven, as written"),
    Column("wind_from", "", "text", "where it blew from, as written"),
)

#: What trays, cans or raked strips across a pass caught; ``run 1``, ``run 2`` have one each.
TRAYS = TableKind(
    error=TrayError,
    what="tray test",
    form="CSV with one tray per line",
    table="trays",
    columns={column.name: column for column in _DECLARED},
    row="tray",
    rows="trays",
    needs=(
        {"position": "positions", "weight": "weights"},
        {"position": "positions", "depth": "depths"},
    ),
    headers="position (m) and weight (g), or run 1, run 2",
    by_hand=True,
    short_rows=True,
    strict_units=True,
    number=re.compile(r"(\d+)(?!\s*[\])\d])"),
    number_as="#",
    several=("weight", "depth"),
)

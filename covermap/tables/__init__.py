"""Tables of knowledge: a source on every row, and the one way to read them."""

from __future__ import annotations

import csv
from importlib import resources


def read_table(name: str) -> list[dict[str, str]]:
    """Read ``covermap/tables/<name>.csv`` as one mapping per row."""
    text = resources.files(__name__).joinpath(f"{name}.csv").read_text("utf-8")
    return list(csv.DictReader(text.splitlines()))

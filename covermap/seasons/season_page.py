"""The book of a season as one page that opens by double click, with no network at all.

It works without scripts as plain tables; with them every column sorts and the fields filter.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources

import pandas as pd

from covermap.drawing.colours import palette
from covermap.drawing.labels import IN_DOUBLES, IN_GAPS, limit_keys
from covermap.drawing.map_texts import LAYER_MEANINGS, display_range, legend_marks
from covermap.seasons.season_page_comparisons import group_table, year_table
from covermap.seasons.season_page_tables import (
    PageTable,
    failed_table,
    field_page_table,
    ranked_table,
)

#: Rows of a ranking that the page shows; rankings.csv has them all.
RANKED_ROWS = 10
#: Groups that the page shows of each comparison.
GROUP_ROWS = 40
#: Rows of fields that are laid out at once; a button shows the rest, print has them all.
FIRST_ROWS = 300
_USUAL_LIMITS = (0.5, 1.5)


@dataclass(frozen=True)
class SeasonContent:
    """All that the book shows.

    Attributes
    ----------
    name : str
        Of the season, as the person calls it.
    fields : pandas.DataFrame
        From :func:`covermap.seasons.season_tables.field_table`.
    rankings : pandas.DataFrame
        Rows of rankings.csv.
    facts : sequence of (label, value)
    worst : sequence of (field_id, sentences)
    notes : mapping of str to sequence of {rule, text}
        Sentences by the part of the page: ``fields``, ``groups``, ``settings``, ``wind``,
        ``years``, ``caution``.
    folders : mapping of str to str
        Folder of each mapped field, relative to the page.
    pictures : mapping of str to str
        Address of the picture of each mapped field, a data URI or relative to the page.
    years : pandas.DataFrame or None
        Rows of year_on_year.csv.
    previous : str
        Name of the season before.
    files : sequence of str
        Notes on files that were not written.
    covermap : str
        Version that wrote the book.
    us_units : bool
    """

    name: str
    fields: pd.DataFrame
    rankings: pd.DataFrame
    facts: Sequence[tuple[str, str]]
    worst: Sequence[tuple[str, Sequence[Mapping[str, str]]]]
    notes: Mapping[str, Sequence[Mapping[str, str]]]
    folders: Mapping[str, str]
    pictures: Mapping[str, str]
    years: pd.DataFrame | None
    previous: str
    files: Sequence[str]
    covermap: str
    us_units: bool


def season_page(content: SeasonContent) -> str:
    """Give the season book as html text.

    Parameters
    ----------
    content : SeasonContent
        All text in it may come from anybody; it is escaped.

    Returns
    -------
    str
        A whole html document. It refers to nothing but the maps and, where they lie beside
        it, the pictures of its fields.
    """
    from jinja2 import Environment

    style, script = _asset("season.css"), _asset("season.js")
    if content.us_units:
        style = style.replace("size: A4 landscape", "size: letter landscape")
    names = dict(zip(content.fields["field_id"], content.fields["name"], strict=True))
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    html = environment.from_string(_asset("season.html")).render(
        content=content,
        style=style,
        script=script,
        first_rows=FIRST_ROWS,
        style_hash=_hash(style),
        script_hash=_hash(script),
        worst=[
            (names[field_id], f"#{_anchor(field_id)}", sentences)
            for field_id, sentences in content.worst
        ],
        table=field_page_table(
            content.fields, content.folders, content.pictures, _anchor, content.us_units
        ),
        legend=_legend(),
        ranked=_ranked(content),
        groups=_groups(content),
        failed=failed_table(content.rankings),
        years=None if content.years is None else year_table(content.years, content.us_units),
    )
    # A name from a command line may hold half a character, which no file can.
    return html.encode("utf-8", "replace").decode("utf-8")


def _ranked(content: SeasonContent) -> list[PageTable]:
    titles = (
        ("highest unevenness", "Most uneven"),
        ("most double ground", f"Most ground {IN_DOUBLES}"),
        ("most gap ground", f"Most ground {IN_GAPS}"),
    )
    return [
        ranked_table(content.rankings, kind, title, RANKED_ROWS, content.us_units)
        for kind, title in titles
    ]


def _groups(content: SeasonContent) -> list[tuple[PageTable, Sequence[Mapping[str, str]]]]:
    titles = (
        ("operator settings", "By operator settings", "settings"),
        ("wind", "By wind", "wind"),
        ("machine", "By machine", ""),
    )
    return [
        (
            group_table(content.rankings, kind, title, GROUP_ROWS, content.us_units),
            content.notes.get(notes, ()),
        )
        for kind, title, notes in titles
    ]


def _legend() -> dict[str, object]:
    """Give the colours of the pictures: fills and marks along a bar of 100 units."""
    band, ends = "spread_ratio", display_range("spread_ratio", pd.Series([1.0]).to_numpy(),
                                               _USUAL_LIMITS, False)  # fmt: skip
    colours = palette(band)[1::4, :3].tolist()
    return {
        "meaning": LAYER_MEANINGS[band],
        "limits": "; ".join(limit_keys(_USUAL_LIMITS).values()),
        "width": 100 / len(colours),
        "fills": [
            (f"{100 * k / len(colours):.3f}", f"#{r:02x}{g:02x}{b:02x}")
            for k, (r, g, b) in enumerate(colours)
        ],
        "marks": [
            (f"{100 * place:.1f}", text)
            for place, text in legend_marks(band, ends, _USUAL_LIMITS, False)
        ],
    }


def _anchor(field_id: str) -> str:
    return f"field-{field_id}"


def _hash(text: str) -> str:
    """Give what a content security policy knows an inline script or style by (CSP level 3)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode()


def _asset(name: str) -> str:
    return resources.files("covermap.seasons").joinpath("assets", name).read_text("utf-8")

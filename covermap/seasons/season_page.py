"""The book of a season as one page that opens by double click, with no network at all.

It works without scripts as plain tables; with them every column sorts and the fields filter.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any, NamedTuple

import pandas as pd

from covermap.drawing import labels
from covermap.drawing.colours import palette
from covermap.drawing.map_texts import LAYER_MEANINGS, display_range, legend_marks
from covermap.units import Shown, shown

#: Rows of a ranking that the page shows; rankings.csv has them all.
RANKED_ROWS = 10
#: Groups that the page shows of each comparison.
GROUP_ROWS = 40
#: Rows of fields that are laid out at once; a button shows the rest, print has them all.
FIRST_ROWS = 300
_USUAL_LIMITS = (0.5, 1.5)
#: A lean that would show as nothing is not named [m].
LEAST_LEAN_M = 0.05
#: Head of a narrow column: broken where words may part.
_HIGHEST_TO_LOWEST = ", ".join(
    part.replace(" ", "\N{NO-BREAK SPACE}").replace("\N{NO-BREAK SPACE}across", " across")
    for part in (labels.HIGHEST_TO_LOWEST, "middle pass")
)


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
    """Give the season book as a whole html document.

    All text in it may come from anybody; it is escaped. It refers to nothing but the maps and,
    where they lie beside it, the pictures of its fields.
    """
    from jinja2 import Environment, FunctionLoader

    style, script = _asset("season.css"), _asset("season.js")
    if content.us_units:
        style = style.replace("size: A4 landscape", "size: letter landscape")
    names = dict(zip(content.fields["field_id"], content.fields["name"], strict=True))
    years = content.years
    environment = Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, loader=FunctionLoader(_asset)
    )
    environment.tests["known"] = known
    html = environment.get_template("season.html").render(
        content=content,
        style=style,
        script=script,
        style_hash=_hash(style),
        script_hash=_hash(script),
        first_rows=FIRST_ROWS,
        ranked_rows=RANKED_ROWS,
        group_rows=GROUP_ROWS,
        worst=[
            (names[field_id], f"#field-{field_id}", sentences)
            for field_id, sentences in content.worst
        ],
        fields=content.fields.to_dict("records"),
        ranking=lambda kind: content.rankings[content.rankings["ranking"] == kind].to_dict(
            "records"
        ),
        years=None
        if years is None
        else {
            "compared": years[years["common_ha"].notna()].to_dict("records"),
            "alone": years[years["common_ha"].isna()].to_dict("records"),
        },
        legend=_legend(),
        labels=labels,
        narrow_head=_HIGHEST_TO_LOWEST,
        unit=shown(content.us_units),
        known=known,
        rounded=rounded,
        in_unit=in_unit,
        settings_text=settings_text,
        group_text=group_text,
    )
    # A name from a command line may hold half a character, which no file can.
    return html.encode("utf-8", "replace").decode("utf-8")


class Told(NamedTuple):
    """A number as the page shows it, and what its column is sorted by; empty if unknown."""

    text: str = "–"
    key: str = ""


def known(value: Any) -> bool:
    """Tell whether a value of a table is there."""
    return value is not None and not bool(pd.isna(value))


def rounded(value: Any, decimals: int = 0, factor: float = 1.0, sign: bool = False) -> Told:
    """Give a number for the page, times ``factor``."""
    if not known(value):
        return Told()
    shown = round(float(value) * factor, decimals) + 0.0  # a rounded nothing has no sign
    return Told(f"{shown:{'+' if sign and shown else ''},.{decimals}f}", f"{float(value):.9g}")


def in_unit(unit: Shown, value: Any, si: float = 1.0, sign: bool = False) -> Told:
    """Give a number in a unit that stands in the head of its column; ``si`` makes it SI."""
    return rounded(value, unit.decimals, si * unit.per_si, sign)


def settings_text(row: Mapping[str, Any], length: Shown, *, reaches: bool) -> str:
    """Put into words how a machine was set, with or without how far it reached."""
    how = {"both": f"spread and {labels.WINDROW}"}
    parts = [how.get(row["discharge"], row["discharge"] if known(row["discharge"]) else "")]
    if reaches:
        left, right = length.text(row["reach_left_m"]), length.text(row["reach_right_m"])
        parts.append(f"{left} left, {right} right")
    parts.append(row["profile"] if known(row["profile"]) else "")
    if known(row["lean_m"]) and abs(row["lean_m"]) >= LEAST_LEAN_M:
        side = "right" if row["lean_m"] > 0 else "left"
        parts.append(f"leans {length.text(abs(row['lean_m']))} {side}")
    if known(row["cut_width_m"]):
        parts.append(f"cut {length.text(row['cut_width_m'])}")
    return ", ".join(part for part in parts if part)


def group_text(row: Mapping[str, Any], unit: Mapping[str, Shown]) -> str:
    """Name a group of a ranking in the reader's units."""
    if row["ranking"] == "wind" and known(row["class_low_m_s"]):
        low, high = (unit["wind"].text(row[f"class_{end}_m_s"]) for end in ("low", "high"))
        to = f"to {high}" if known(row["class_high_m_s"]) else "and more"
        return f"{row['what']} ({low} {to})"
    if row["ranking"] != "operator settings":
        return str(row["what"])
    return settings_text(row, unit["length"], reaches=True)


def _legend() -> dict[str, object]:
    """Give the colours of the pictures: fills and marks along a bar of 100 units."""
    band, ends = "spread_ratio", display_range("spread_ratio", pd.Series([1.0]).to_numpy(),
                                               _USUAL_LIMITS, False)  # fmt: skip
    colours = palette(band)[1::4, :3].tolist()
    return {
        "meaning": LAYER_MEANINGS[band],
        "limits": "; ".join(labels.limit_keys(_USUAL_LIMITS).values()),
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


def _hash(text: str) -> str:
    """Give what a content security policy knows an inline script or style by (CSP level 3)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode()


def _asset(name: str) -> str:
    return resources.files("covermap.seasons").joinpath("assets", name).read_text("utf-8")

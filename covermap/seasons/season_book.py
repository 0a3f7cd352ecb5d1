"""The season book: what a finished season comes to, as one page and as tables."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pandas as pd

from covermap import __version__
from covermap.cover.spread_limits import SpreadLimits
from covermap.errors import OutputError
from covermap.files.vectors import write_csv
from covermap.files.write_whole import whole_files
from covermap.seasons.rankings import PASS_COLUMNS, rankings
from covermap.seasons.season_notes import season_facts, season_notes, worst_fields
from covermap.seasons.season_page import SeasonContent, season_page
from covermap.seasons.season_results import (
    MAPPED,
    FieldFound,
    SeasonResults,
    failed,
    open_season,
    read_field,
    warnings_of,
)
from covermap.seasons.season_tables import (
    NO_PARQUET,
    SeasonTables,
    can_write_parquet,
    field_table,
    write_fields,
)
from covermap.seasons.thumbnail import thumbnail_png
from covermap.seasons.year_on_year import year_on_year

#: Up to so many pictures are kept inside the page, so that it can be sent on as one file;
#: more would make it slow to open and lie beside it.
MOST_PICTURES_INSIDE = 500
PICTURE_FOLDER = "thumbnails"
#: Files that not every book has: an old one must not stand beside a new book.
_SOMETIMES = ("fields.parquet", "passes.parquet", "year_on_year.csv")


def write_season_book(
    out: Path, *, us_units: bool = False, previous: Path | None = None
) -> list[str]:
    """Write the book of a finished season and its tables into the season's folder.

    Parameters
    ----------
    out : pathlib.Path
        Folder of the season, with ``season.json`` in it.
    us_units : bool
        Feet, acres and pounds in the book; tables keep SI.
    previous : pathlib.Path, optional
        Folder of another season to compare with, field by field.

    Returns
    -------
    list of str
        Names of the files written: ``season.html``, ``strips.gpkg``, ``rankings.csv``,
        ``fields.parquet`` and ``passes.parquet`` where pyarrow is installed,
        ``year_on_year.csv`` with ``previous``, and ``thumbnails/`` in large seasons.

    Raises
    ------
    OutputError
        If a folder is no season, or the files cannot be written; the season's folder is then
        as it was.
    """
    season = open_season(out)
    before = None if previous is None else open_season(previous)
    inside = sum(row["status"] == MAPPED for row in season.fields) <= MOST_PICTURES_INSIDE
    with ExitStack() as stack:
        folder = stack.enter_context(whole_files(out))
        beside = None if inside else stack.enter_context(whole_files(out / PICTURE_FOLDER))
        fields, passes, pictures = _read(season, folder, beside)
        ranked = rankings(fields, passes)
        write_fields(folder, fields)
        write_csv(folder / "rankings.csv", ranked)
        years = None
        if before is not None:
            old = field_table(read_field(before, row).record for row in before.fields)
            years = year_on_year(season, fields, before, old)
            write_csv(folder / "year_on_year.csv", years)
        warned = {row["field_id"]: warnings_of(row, us_units) for row in season.fields}
        content = SeasonContent(
            name=season.name,
            fields=fields.assign(warnings=fields["field_id"].map(warned)),
            rankings=ranked,
            facts=season_facts(fields, us_units),
            worst=worst_fields(fields),
            notes={
                part: [one.as_told(us_units) for one in said]
                for part, said in season_notes(fields).items()
            },
            folders={
                row["field_id"]: row["folder"]
                for row in season.fields
                if row["field_id"] in pictures
            },
            pictures=pictures,
            years=years,
            previous="" if before is None else before.name,
            files=() if can_write_parquet() else (NO_PARQUET,),
            covermap=__version__,
            us_units=us_units,
        )
        (folder / "season.html").write_text(season_page(content), "utf-8")
        written = sorted(file.name for file in folder.iterdir())
    for name in set(_SOMETIMES) - set(written):
        (out / name).unlink(missing_ok=True)
    return written if inside else sorted([*written, f"{PICTURE_FOLDER}/"])


def _read(
    season: SeasonResults, folder: Path, beside: Path | None
) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, str]]:
    """Read all fields, one at a time, writing their strips and passes on the way.

    Gives the table of fields, what the rankings need of all passes, and the address of the
    picture of each field that could be read.
    """
    records: list[Mapping[str, Any]] = []
    kept: list[pd.DataFrame] = []
    pictures: dict[str, str] = {}
    with SeasonTables(folder) as tables:
        for row in season.fields:
            found, picture = _with_picture(season, row)
            records.append(found.record)
            if found.strips is None:
                continue
            field_id = str(row["field_id"])
            tables.add(field_id, str(found.record["name"]), found.passes, found.strips)
            kept.append(found.passes[list(PASS_COLUMNS)].assign(field_id=field_id))
            if beside is None:
                pictures[field_id] = "data:image/png;base64," + base64.b64encode(picture).decode(
                    "ascii"
                )
            else:
                (beside / f"{field_id}.png").write_bytes(picture)
                pictures[field_id] = f"{PICTURE_FOLDER}/{field_id}.png"
    passes = pd.concat(kept, ignore_index=True) if kept else pd.DataFrame()
    return field_table(records), passes, pictures


def _with_picture(season: SeasonResults, row: Mapping[str, Any]) -> tuple[FieldFound, bytes]:
    """Read a field and draw its picture; without one it cannot be read whole."""
    found = read_field(season, row)
    if found.strips is None:
        return found, b""
    limits = SpreadLimits.of(found.record)
    try:
        return found, thumbnail_png(season.folder / str(row["folder"]) / "residue.tif", limits)
    except OutputError as error:
        return failed(found.record, error), b""

"""Every column and band that is written has a unit, a meaning and a short name."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import rasterio
from click.testing import CliRunner

from covermap.cli.commands import commands
from covermap.cli.sample_command import write_sample
from covermap.comparison.repeat_strips import REPEAT_COLUMNS
from covermap.files.vectors import REMOVED_COLUMNS
from covermap.seasons.rankings import RANKING_COLUMNS
from covermap.seasons.season_tables import FIELD_COLUMNS
from covermap.seasons.year_on_year import YEAR_COLUMNS
from covermap.tables import read_table
from covermap.tables.column_meanings import LONGEST_SHORT_NAME, columns_of

TABLES = (Path(__file__).parents[1] / "docs" / "tables.md").read_text("utf-8")
FILES = sorted({row["file"] for row in read_table("output_columns")})


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    folder = tmp_path_factory.mktemp("columns")
    field = write_sample(folder, "canola")
    run = ["map", str(field), "--out", str(folder / "out"), "--cell", "2", "--quiet"]
    assert CliRunner().invoke(commands, run, catch_exceptions=False).exit_code == 0
    return folder / "out"


@pytest.mark.parametrize(
    ("file", "layer"),
    [("strips.gpkg", "strips"), ("passes.gpkg", "passes"), ("plan.gpkg", "zones")],
)
def test_every_column_has_a_row_and_says_so_in_the_package(result, file, layer):
    with closing(sqlite3.connect(result / file)) as package:
        written = [row[1] for row in package.execute(f"PRAGMA table_info({layer})")]
        told = dict(
            package.execute(
                "SELECT column_name, description FROM gpkg_data_columns WHERE table_name = ?",
                (layer,),
            )
        )
    columns = [name for name in written if name not in ("fid", "geom")]
    assert len(columns) >= 16
    assert set(columns) == set(columns_of(file))
    assert told == {name: columns_of(file)[name].text for name in columns}


@pytest.mark.parametrize("file", ["residue.tif", "plan.tif"])
def test_every_band_has_a_row(result, file):
    with rasterio.open(result / file) as raster:
        assert list(raster.descriptions) == list(columns_of(file))
        assert list(raster.units) == [column.unit for column in columns_of(file).values()]
        for number, column in enumerate(columns_of(file).values(), 1):
            assert raster.tags(number)["meaning"] == column.meaning


def test_tables_without_shapes_have_their_rows(result):
    header = (result / "causes.csv").read_text("utf-8").split("\n")[0]
    assert header.split(",") == list(columns_of("causes.csv"))
    header = (result / "removed_fixes.csv").read_text("utf-8").split("\n")[0]
    assert header.split(",") == list(columns_of("removed_fixes.csv"))
    assert set(REMOVED_COLUMNS) <= set(columns_of("removed_fixes.csv"))
    assert list(columns_of("repeats.gpkg")) == list(REPEAT_COLUMNS)


@pytest.mark.parametrize("file", FILES)
def test_short_names_fit_a_dbase_table(file):
    # dBASE III field names: 10 bytes, letters, digits, underscore, a letter first.
    short = [column.short_name for column in columns_of(file).values()]
    assert len({name.upper() for name in short}) == len(short)
    for name in short:
        assert name.isascii()
        assert name.isidentifier()
        assert len(name) <= LONGEST_SHORT_NAME


def test_docs_name_every_column_with_its_unit():
    for file in FILES:
        for column in columns_of(file).values():
            assert f"`{column.name}`" in TABLES, f"{file}: {column.name}"
            assert column.meaning.strip()


def test_units_are_those_that_names_end_in():
    endings = {"_m": "m", "_m2": "m²", "_kg": "kg", "_t_ha": "t/ha", "_pct": "%", "_deg": "deg",
               "_m_s": "m/s", "_ha": "ha", "_share": "share", "_t": "t", "_ratio": "1"}  # fmt: skip
    checked = 0
    for file in FILES:
        for column in columns_of(file).values():
            fits = [end for end in endings if column.name.endswith(end)]
            if fits:
                assert column.unit == endings[max(fits, key=len)], f"{file}: {column.name}"
                checked += 1
    assert checked >= 60


def test_tables_of_a_season_have_their_rows():
    assert set(FIELD_COLUMNS) == set(columns_of("fields.parquet"))
    assert set(RANKING_COLUMNS) == set(columns_of("rankings.csv"))
    assert set(YEAR_COLUMNS) == set(columns_of("year_on_year.csv"))

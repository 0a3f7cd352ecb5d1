"""Every row of every table says where it is from."""

from importlib import resources

import pytest

from covermap.tables import read_table

NAMES = sorted(
    f.name.removesuffix(".csv")
    for f in resources.files("covermap.tables").iterdir()
    if f.name.endswith(".csv")
)


@pytest.mark.parametrize("name", NAMES)
def test_every_row_has_a_source(name):
    rows = read_table(name)
    assert rows
    sources = [column for column in rows[0] if column.endswith("source")]
    assert sources, f"{name}.csv has no source column"
    for number, row in enumerate(rows, 2):
        assert None not in row, f"{name}.csv line {number}: too many cells"
        for column in sources:
            assert (row[column] or "").strip(), f"{name}.csv line {number}: no {column}"


def test_residue_ratios_lie_where_published_harvest_indices_do():
    """Harvest indices of the USDA-ARS crop list and Fan et al. 2017 lie in 0.16 to 0.56."""
    for row in read_table("crops"):
        residue = float(row["straw_to_grain"]) + float(row["chaff_to_grain"])
        assert 0.25 <= 1 / (1 + residue) <= 0.56, row["crop"]


def test_wheat_is_forty_fifty_ten():
    """Allen 1988: grain, straw, chaff are 40, 50, 10 % of dry matter."""
    wheat = next(r for r in read_table("crops") if r["crop"] == "wheat")
    assert float(wheat["straw_to_grain"]) * 40 == pytest.approx(50)
    assert float(wheat["chaff_to_grain"]) * 40 == pytest.approx(10)

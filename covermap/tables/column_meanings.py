"""What every column and band that covermap writes is called, measured in and means.

One table, ``tables/output_columns.csv``, serves every format: band units of GeoTIFF, column
descriptions of GeoPackage and GeoJSON, the ten-character names of Shapefile.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from covermap.tables import read_table

#: A dBASE field name holds no more (dBASE III table file, as every Shapefile reader expects).
LONGEST_SHORT_NAME = 10


@dataclass(frozen=True)
class OutputColumn:
    """One column of a table, or one band of a raster.

    Attributes
    ----------
    name : str
        As in the file.
    short_name : str
        At most ten ASCII characters, for Shapefile; each is used once in its file.
    unit : str
        ``1`` for a number without a unit, empty for text and running numbers.
    meaning : str
    """

    name: str
    short_name: str
    unit: str
    meaning: str

    @property
    def text(self) -> str:
        """Meaning, with the unit in brackets where there is one."""
        return f"{self.meaning} [{self.unit}]" if self.unit not in ("", "1") else self.meaning


@cache
def columns_of(file: str) -> dict[str, OutputColumn]:
    """Give the columns of a file by name, in the order of the table.

    Parameters
    ----------
    file : str
        File name, such as ``strips.gpkg``; empty if the table has no such file.

    Returns
    -------
    dict of str to OutputColumn
    """
    return {
        row["column"]: OutputColumn(row["column"], row["short_name"], row["unit"], row["meaning"])
        for row in read_table("output_columns")
        if row["file"] == file
    }


@cache
def band_column(name: str) -> OutputColumn:
    """Give the meaning of a raster band.

    Raises
    ------
    KeyError
        If no GeoTIFF of covermap has such a band.
    """
    for file in ("residue.tif", "plan.tif", "difference.tif"):
        if name in columns_of(file):
            return columns_of(file)[name]
    raise KeyError(f"no band {name!r} in tables/output_columns.csv")


def meanings_of(file: str, names: Iterable[str]) -> dict[str, OutputColumn]:
    """Give the columns of a file that ``names`` has, in its order; others are left out."""
    known = columns_of(file)
    return {name: known[name] for name in names if name in known}

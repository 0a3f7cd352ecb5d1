"""What a run and a result read back from its folder have in common."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Protocol

from covermap.cover.spread_limits import SpreadLimits
from covermap.ground.grid import Grid
from covermap.ground.rasters import Raster

if TYPE_CHECKING:
    import geopandas as gpd


class MappedField(Protocol):
    """A mapped field: :class:`FieldResult` of a run, ``MapResult`` of a folder.

    Facts, tables, pictures, comparison and export take either. Numbers come from ``summary``,
    which holds what JSON can hold: None for what could not be worked out.
    """

    @property
    def name(self) -> str:
        """As the person calls the field."""

    @property
    def place(self) -> str:
        """Where it stands, for messages: the folder, or the name of a run in memory."""

    @property
    def grid(self) -> Grid:
        """Of all rasters."""

    @property
    def rasters(self) -> Mapping[str, Raster]:
        """By name, to be read by rows; residue_t_ha, cover_pct, spread_ratio, layers at least."""

    @property
    def passes(self) -> gpd.GeoDataFrame:
        """One row a pass, in the grid's CRS."""

    @property
    def strips(self) -> gpd.GeoDataFrame:
        """One row a strip, the most important first, in the grid's CRS."""

    @property
    def limits(self) -> SpreadLimits:
        """Spread ratios that make a gap or a double."""

    @property
    def summary(self) -> Mapping[str, Any]:
        """Numbers by the keys of ``summary.json``, as docs/tables.md has them."""

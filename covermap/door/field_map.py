"""A mapped field in Python: tables, arrays, numbers, words and files of one map."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from functools import cached_property
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
from affine import Affine
from pyproj import CRS

from covermap.door.answer import Answer
from covermap.door.arguments import said_in_python, settings_of
from covermap.errors import OutputError, SettingsError
from covermap.field.field_result import FieldResult
from covermap.files.open_result import BANDS, MapResult, open_result
from covermap.plan.field_plan import FieldPlan
from covermap.settings.field_file import with_stated
from covermap.tables.column_meanings import band_column

if TYPE_CHECKING:
    import xarray


class FieldMap:
    """One map: of a run, or read back from a folder.

    Attributes
    ----------
    result : FieldResult or MapResult
        All that was found out, as covermap's own data types.
    """

    def __init__(
        self, result: FieldResult | MapResult, inputs: Mapping[str, str] | None = None
    ) -> None:
        self.result = result
        self._inputs = dict(inputs or {})

    @property
    def name(self) -> str:
        """As the person calls the field."""
        return self.result.name

    @property
    def strips(self) -> gpd.GeoDataFrame:
        """Gap and double strips, the worst first; columns as in strips.gpkg."""
        return self.result.strips

    @property
    def passes(self) -> gpd.GeoDataFrame:
        """Passes as driven; columns as in passes.gpkg."""
        return self.result.passes

    @property
    def crs(self) -> CRS:
        """Metric coordinate reference system of tables and arrays."""
        return self.result.grid.crs

    @property
    def transform(self) -> Affine:
        """From column and row of an array to easting and northing [m]."""
        grid = self.result.grid
        return Affine(grid.cell_m, 0.0, grid.west, 0.0, -grid.cell_m, grid.north)

    @cached_property
    def rasters(self) -> dict[str, np.ndarray]:
        """Arrays (rows, columns), north up, NaN where there is nothing to say, by band name."""
        return {name: self.result.rasters[name].whole() for name in BANDS}

    @property
    def summary(self) -> Mapping[str, Any]:
        """Numbers by the keys of summary.json."""
        return self.result.summary

    @property
    def verdict(self) -> str:
        """How even the spread is, in a sentence."""
        from covermap.report.report_verdict import verdict

        return verdict(self.result)[0].text()

    def xarray(self) -> xarray.Dataset:
        """Give the rasters as an xarray Dataset with easting and northing.

        Raises
        ------
        OutputError
            If xarray is not installed.
        """
        try:
            import xarray
        except ImportError as error:
            raise OutputError(
                "xarray is not installed.", way_out="Install it: pip install xarray."
            ) from error
        grid = self.result.grid
        return xarray.Dataset(
            {
                name: (
                    ("northing", "easting"),
                    values,
                    {"units": band_column(name).unit, "long_name": band_column(name).meaning},
                )
                for name, values in self.rasters.items()
            },
            {
                "easting": grid.west + grid.cell_m * (np.arange(grid.cols) + 0.5),
                "northing": grid.north - grid.cell_m * (np.arange(grid.rows) + 0.5),
            },
            {"crs": self.crs.to_wkt(), "field": self.name},
        )

    @said_in_python
    def write(
        self,
        folder: str | Path,
        *,
        plan: Answer[FieldPlan] | None = None,
        us_units: bool = False,
    ) -> list[Path]:
        """Write what ``covermap map`` writes into ``folder``, with a plan beside if given.

        Raises
        ------
        OutputError
            If the folder cannot be written, or this map was read from one.
        """
        from covermap.files.folder_lock import folder_lock
        from covermap.mapped.write_results import write_results

        run = self._run("written anew")
        folder = Path(folder)
        with folder_lock(folder):
            files = write_results(
                run,
                folder,
                self._inputs,
                us_units=us_units,
                plan=None if plan is None else plan.found,
            )
        return [folder / name for name in files]

    @said_in_python
    def plan(self, **settings: object) -> Answer[FieldPlan]:
        """Plan the next pass; ``next_crop``, ``operations`` and all of [plan] may be given.

        Raises
        ------
        OutputError
            If this map was read from a folder.
        SettingsError
            If a setting is wrong.
        """
        from covermap.files.write_whole import whole_files
        from covermap.plan.plan_field import plan_field
        from covermap.plan.plan_picture import plan_picture
        from covermap.plan.plan_text import plan_json, plan_lines
        from covermap.plan.write_plan import write_plan

        run = self._run("planned")
        stated = settings_of(settings)
        for section, key in stated:
            if section != "plan" and (section, key) != ("field", "next_crop"):
                raise SettingsError(
                    f"[{section}] {key} was settled when the field was mapped.",
                    way_out="Give it to covermap.map_field.",
                )
        run = replace(run, settings=with_stated(run.settings, stated))
        plan = plan_field(run)

        def write(folder: Path, us_units: bool) -> list[str]:
            with whole_files(folder) as open_folder:
                write_plan(open_folder, plan, us_units=us_units)
                return sorted(file.name for file in open_folder.iterdir())

        return Answer(
            plan,
            plan_json(plan),
            f"plan for {self.name!r}: {len(plan.zones)} zones",
            lambda us: plan_lines(plan, us),
            lambda us: plan_picture(plan, us_units=us),
            write,
        )

    @said_in_python
    def report(
        self, file: str | Path, *, us_units: bool = False, today: date | None = None
    ) -> Path:
        """Typeset the report of this map as a PDF.

        Parameters
        ----------
        file : str or path
        us_units : bool
            Feet, acres and pounds, on US letter paper.
        today : date, optional
            Shown as the report's date.

        Raises
        ------
        OutputError
            If the file cannot be written, or the extra covermap[report] is missing.
        """
        from covermap.files.write_whole import whole_files
        from covermap.report.report import report_of
        from covermap.report.report_pdf import typeset_report

        file, day = Path(file), today or date.today()
        with tempfile.TemporaryDirectory(prefix="covermap-") as place:
            found = self.result
            if isinstance(found, FieldResult):
                self.write(Path(place) / "map", us_units=us_units)
                found = open_result(Path(place) / "map")
            typeset = typeset_report(report_of(found, day, us_units=us_units), day)
        with whole_files(file.parent) as folder:
            (folder / file.name).write_bytes(typeset.pdf)
        return file

    def picture(self, layer: str = "spread_ratio", *, us_units: bool = False) -> str:
        """Draw one band of ``rasters`` with strips, legend, north and scale bar, as SVG.

        Raises
        ------
        SettingsError
            If there is no such band.
        """
        from covermap.report.field_picture import field_picture

        if layer not in BANDS:
            raise SettingsError(f"{layer} is no band to draw.", f"Bands are {', '.join(BANDS)}.")
        return field_picture(self.result, layer, us_units=us_units)

    def _run(self, what: str) -> FieldResult:
        if not isinstance(self.result, FieldResult):
            raise OutputError(
                f"This map was read from {self.result.folder}; it cannot be {what}.",
                way_out="Map the field with covermap.map_field.",
            )
        return self.result

    def __repr__(self) -> str:
        even, ground = self.summary["evenness"], self.summary["field"]["harvested_ha"]
        cv = "unknown" if even["cv_pct"] is None else f"{even['cv_pct']:.0f} %"
        return (
            f"<covermap: {self.name!r}, {self.summary['crop']}, {ground:.2f} ha, "
            f"{len(self.passes)} passes, unevenness (CV) {cv}, {len(self.strips)} strips>"
        )

    def _repr_html_(self) -> str:
        return f"<p><b>{escape(self.name)}</b>: {escape(self.verdict)}</p>{self.picture()}"

"""Read a tray test (what trays, cans or raked strips across a pass caught) from CSV."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from covermap.errors import SettingsError, TrayError
from covermap.reading.column_values import read_numbers, read_texts
from covermap.reading.table_kind import RawTable, RecognisedColumn
from covermap.reading.text_table import read_text_table
from covermap.tables.said import Said
from covermap.tray_test.tray_columns import TRAYS
from covermap.units import KINDS, read_quantity

_SIDES = {"left": -1.0, "l": -1.0, "right": 1.0, "r": 1.0}
_CENTRE = ("", "centre", "center", "middle", "c", "m")
_OUT = ("", "out", "there", "forward", "1")
_BACK = ("back", "return", "reverse", "-1", "2")
#: Positions closer than this are the same place [decimals of a metre].
_PLACES = 4
#: No machine throws as far as this [m], and no tray holds as much [kg/m², mm].
_FARTHEST_M = 100.0
_MOST_PER_AREA = 1e6


@dataclass(frozen=True)
class TrayTest:
    """Readings across a pass, looking forward, ready to measure.

    Attributes
    ----------
    name : str
        File name.
    station_m, tray_width_m : numpy.ndarray
        (n,) ascending middles of the trays, + right of the machine's centre line, and
        their widths across the band (0 if not known: a point) [m].
    run_names : tuple of str
        Runs in the order of the file.
    amount : numpy.ndarray
        (runs, n) amount per area in ``amount_unit``; NaN where a run has no reading.
    amount_unit, run_unit : str
        ``kg/m²``, ``mm`` or ``kg per tray``, and the same across the whole band.
    missing, mirrored : int
        Trays without a reading; runs turned round because they were driven back.
    metadata : mapping of str to str
        Comment lines ``# key: value`` at the top, such as wind_speed and wind_from.
    notes : tuple of Said
        What was assumed.
    """

    name: str
    station_m: NDArray[np.float64]
    tray_width_m: NDArray[np.float64]
    run_names: tuple[str, ...]
    amount: NDArray[np.float64]
    amount_unit: str = "kg/m²"
    run_unit: str = "kg per m of travel"
    missing: int = 0
    mirrored: int = 0
    metadata: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[Said, ...] = ()


def read_tray_test(
    path: Path,
    *,
    tray_width_m: float | None = None,
    tray_length_m: float | None = None,
    tray_area_m2: float | None = None,
    moisture_pct: float | None = None,
) -> TrayTest:
    """Read a tray test from a text table.

    Columns, with a unit in the header or SI: position (+ right, or with a column side:
    left, right), weight (or depth), or one weight column per run (``run 1``, ``run 2``);
    optional run, direction (out, back), width, length, area, moisture, wind_speed,
    wind_from. Comment lines ``# key: value`` above the header give what holds for all.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    tray_width_m, tray_length_m, tray_area_m2 : float, optional
        Size of a tray across and along the pass [m], [m²]; columns win.
    moisture_pct : float, optional
        Water in the residue as weighed, share of the wet weight [%]; a column wins.

    Returns
    -------
    TrayTest

    Raises
    ------
    TrayError
        If the file is no tray test, or holds nothing to measure.
    """
    path = Path(path)
    table = _read(path)
    given = {"width": tray_width_m, "length": tray_length_m, "area": tray_area_m2}
    sizes = {key: _setting(table, key, value) for key, value in given.items()}
    moisture = _setting(table, "moisture", moisture_pct)
    if not 0 <= (moisture or 0) < 100:
        raise TrayError(
            f"{table.name}: a moisture of {moisture:g} % is out of range.",
            "Expected 0 to below 100.",
        )
    is_depth = any(one.column == "depth" for one in table.amounts)
    readings = _readings(table, sizes, moisture, is_depth)
    _note_meaning(table, sizes, moisture, is_depth)
    has_area = is_depth or any(_has(table, sizes, key) for key in ("area", "length"))
    unit = "mm" if is_depth else "kg/m²" if has_area else "kg per tray"
    run_unit = {"mm": "mm·m", "kg/m²": "kg per m of travel"}.get(unit, "kg per tray · m")
    return _assemble(table, readings, unit, run_unit)


@dataclass(frozen=True)
class _Table:
    """A tray test with its cells read: by column and, for weights and depths, by run."""

    raw: RawTable
    numbers: Mapping[str, NDArray[np.float64]]
    words: Mapping[str, list[str]]
    amounts: Mapping[RecognisedColumn, NDArray[np.float64]]
    metadata: dict[str, str]
    notes: list[Said]

    @property
    def name(self) -> str:
        return self.raw.name

    def error(self, row: int, column: str | RecognisedColumn, wrong: str, more: str) -> TrayError:
        """Word an error about one cell."""
        one = self.raw.of(column) if isinstance(column, str) else column
        where = self.name if one is None else self.raw.where(one, row)
        return TrayError(f"{where}: {wrong}", more)


def _read(path: Path) -> _Table:
    raw = read_text_table(path, TRAYS)
    notes = list(raw.notes)
    amounts = [one for one in raw.recognised if one.column in TRAYS.several]
    bare = any(not one.number for one in amounts)
    if len(amounts) > 1 and (bare or len({one.column for one in amounts}) > 1):
        raise TrayError(
            f"{raw.name}: weights and depths, or weights with and without a run, stand side by "
            "side.",
            way_out="Keep one kind of reading.",
        )
    others = [one for one in raw.recognised if one not in amounts]
    is_number = {one: TRAYS.columns[one.column].is_number for one in others}
    return _Table(
        raw,
        {one.column: read_numbers(raw, one, notes) for one in others if is_number[one]},
        {
            one.column: [text or "" for text in read_texts(raw, one)]
            for one in others
            if not is_number[one]
        },
        {one: read_numbers(raw, one, notes) for one in amounts},
        dict(raw.metadata),
        notes,
    )


def _has(table: _Table, sizes: Mapping[str, float | None], key: str) -> bool:
    return key in table.numbers or sizes[key] is not None


_SETTING_KINDS = {
    "width": ("tray_width", "length"),
    "length": ("tray_length", "length"),
    "area": ("tray_area", "area"),
    "moisture": ("moisture", "percent"),
}


def _setting(table: _Table, key: str, given: float | None) -> float | None:
    """Give what holds for all trays: an option, else a comment line; in SI."""
    name, kind = _SETTING_KINDS[key]
    text = table.metadata.get(name, table.metadata.get(f"{name}_{KINDS[kind].si_unit}"))
    if given is None and text is not None:
        try:
            given = read_quantity(text, kind, name)
        except SettingsError:
            raise TrayError(
                f"{table.name}, comment {name}: {text[:40]!r} is no {kind}.",
                way_out=f"Write a number and a unit, such as 0.5 {KINDS[kind].si_unit}.",
            ) from None
    if given is not None and key != "moisture" and not (math.isfinite(given) and given > 0):
        raise TrayError(f"{table.name}: {name} is {given:g}.", "Expected a number above 0.")
    return given


def _note_meaning(
    table: _Table, sizes: Mapping[str, float | None], moisture: float | None, is_depth: bool
) -> None:
    for one in table.raw.recognised:
        if not one.unit_told and one.column in ("position", *TRAYS.several):
            said = {"header": one.header, "unit": one.unit}
            table.notes.append(Said("tray-unit", said))
    stated = table.metadata.get("weights", "").lower()
    if not is_depth and moisture is None and "moisture" not in table.numbers:
        if stated.startswith("wet"):
            raise TrayError(
                f"{table.name}: the weights are wet but no moisture is given.",
                way_out="Add a column moisture (%) or a line '# moisture: 12 %'.",
            )
        if not stated.startswith("dry"):
            table.notes.append(Said("tray-dry"))
    if is_depth:
        return
    if not any(_has(table, sizes, key) for key in ("area", "length")):
        rule = "tray-no-length" if _has(table, sizes, "width") else "tray-no-area"
        table.notes.append(Said(rule))
    elif _has(table, sizes, "area") and not _has(table, sizes, "width"):
        table.notes.append(Said("tray-square"))


@dataclass(frozen=True)
class _Reading:
    run: str
    line: int
    station_m: float
    width_m: float
    amount: float
    back: bool


def _readings(
    table: _Table, sizes: Mapping[str, float | None], moisture: float | None, is_depth: bool
) -> list[_Reading]:
    found = []
    for row, line in enumerate(table.raw.source_row):
        station = _station(table, row)
        size = {key: _cell_size(table, row, key, sizes[key]) for key in sizes}
        area = _area(size)
        wet = moisture or 0.0
        if "moisture" in table.numbers:
            own = float(table.numbers["moisture"][row])
            wet = wet if math.isnan(own) else own
            if not 0 <= wet < 100:
                raise table.error(
                    row,
                    "moisture",
                    f"{wet:g} % is out of range.",
                    "Expected 0 to below 100 % of the wet weight.",
                )
        for one, amounts in table.amounts.items():
            amount = float(amounts[row])
            written = str(table.raw.frame[one.header].iloc[row])
            if amount < 0:
                raise table.error(
                    row,
                    one,
                    f"{written} is below 0; a tray holds nothing or more.",
                    "Correct it or leave it blank.",
                )
            run = f"run {one.number}" if one.number else _run_name(_word(table, "run", row))
            told = _word(table, "direction", row)
            told = told or table.metadata.get("direction_" + run.replace(" ", "_"), "")
            dried = amount if is_depth else amount * (1 - wet / 100) / area
            if dried > _MOST_PER_AREA:
                raise table.error(
                    row,
                    one,
                    f"{written} on {area:g} m2 is more than any tray holds.",
                    "Check the unit and the tray size.",
                )
            back = _is_back(table.name, int(line), told)
            found.append(_Reading(run, int(line), station, size["width"] or 0.0, dried, back))
    return found


def _word(table: _Table, column: str, row: int) -> str:
    return table.words[column][row] if column in table.words else ""


def _station(table: _Table, row: int) -> float:
    station = float(table.numbers["position"][row])
    if math.isnan(station):
        raise table.error(
            row, "position", "no position.", "Expected the distance from the machine's centre line."
        )
    if abs(station) > _FARTHEST_M:
        raise table.error(
            row,
            "position",
            f"{station:g} m from the centre line is out of range.",
            f"Expected at most {_FARTHEST_M:g} m, so check the unit.",
        )
    if "side" not in table.words:
        return station
    side = _word(table, "side", row)
    if side in _CENTRE and (station == 0 or side == ""):
        return station
    if side not in _SIDES or station < 0:
        raise table.error(
            row,
            "side",
            f"side {side[:20]!r} with position {station:g} m; expected left or right with a "
            "distance of 0 or more.",
            "",
        )
    return station * _SIDES[side]


def _run_name(cell: str) -> str:
    text = cell.lower().removeprefix("run").strip() or "1"
    return f"run {text[:30]}"


def _cell_size(table: _Table, row: int, key: str, given: float | None) -> float | None:
    value = float(table.numbers[key][row]) if key in table.numbers else math.nan
    if value <= 0:
        raise table.error(row, key, f"{value:g} is no tray {key}.", "Expected a number above 0.")
    return given if math.isnan(value) else value


def _area(size: dict[str, float | None]) -> float:
    """Give the area of a tray and fill in its width; without a length it counts as 1 m."""
    width, length, area = size["width"], size["length"], size["area"]
    if area is not None:
        size["width"] = width or (area / length if length else math.sqrt(area))
        return area
    return (width or 1.0) * (length or 1.0)


def _is_back(name: str, line: int, told: str) -> bool:
    text = told.strip().lower()
    if text not in _OUT + _BACK:
        raise TrayError(
            f"{name}, line {line}: direction {told[:20]!r} is neither out nor back.",
            way_out="Write one of them.",
        )
    return text in _BACK


def _assemble(table: _Table, readings: list[_Reading], unit: str, run_unit: str) -> TrayTest:
    names = tuple(dict.fromkeys(r.run for r in readings))
    turned = tuple(n for n in names if any(r.back for r in readings if r.run == n))
    by_place: dict[tuple[str, float], _Reading] = {}
    for one in readings:
        # + 0.0 turns a mirrored -0.0 to 0.0.
        place = round(-one.station_m if one.run in turned else one.station_m, _PLACES) + 0.0
        other = by_place.setdefault((one.run, place), one)
        if other is not one:
            raise TrayError(
                f"{table.name}, lines {other.line} and {one.line}: two trays at "
                f"{one.station_m:g} m in {one.run}.",
                way_out="Correct the position or number the runs.",
            )
    stations = sorted({place for _, place in by_place})
    if len(stations) < 2:
        raise TrayError(
            f"{table.name}: {len(stations)} tray position found.",
            "Expected at least two across the band.",
        )
    amount = np.full((len(names), len(stations)), np.nan)
    width = np.zeros(len(stations))
    for (run, place), one in by_place.items():
        column = stations.index(place)
        amount[names.index(run), column] = one.amount
        width[column] = max(width[column], one.width_m)
    missing = sum(math.isnan(r.amount) for r in readings)
    if not np.nansum(amount) > 0:
        raise TrayError(
            f"{table.name}: no tray caught anything.", "Expected weights above 0 under the band."
        )
    notes = table.notes
    if missing:
        notes.append(Said("tray-no-reading", {"missing": missing, "trays": len(readings)}))
    if turned:
        notes.append(Said("tray-driven-back", {"runs": ", ".join(turned)}))
    for key in ("wind_speed", "wind_from"):
        if key in table.words and key not in table.metadata:
            table.metadata[key] = _word(table, key, 0)
    return TrayTest(
        name=table.name,
        station_m=np.array(stations),
        tray_width_m=width,
        run_names=names,
        amount=amount,
        amount_unit=unit,
        run_unit=run_unit,
        missing=missing,
        mirrored=len(turned),
        metadata=table.metadata,
        notes=tuple(notes),
    )

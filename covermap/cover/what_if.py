"""The harvest once more with one fault taken away: the bands that would have been laid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from covermap.ground.travel import Travel
from covermap.spread.bands import band_places, distinct_rows, laden
from covermap.spread.deposit import Bands
from covermap.wind.wind_lean import FixWind

#: Widths this much apart, as a part of the cut width, are the same width.
SAME_WIDTH = 0.03
#: Leans and reaches this much apart are the same setting [m].
_SAME_M = 0.05
#: Shares of a profile this much apart, as a part of the largest, are the same.
_SAME_SHARE = 0.01
#: A swath narrower than this part of the usual one leaves part of the header empty.
_PART_OF_HEADER = 0.8
#: Settings that make the spread of a pass what it is.
_SPREAD = (
    "reach_left_m",
    "reach_right_m",
    "profile",
    "lean_m",
    "chaff_width_m",
    "shares",
    "residue_delay_s",
    "antenna_ahead_of_discharge_m",
)


Settings = Mapping[str, Any]


@dataclass(frozen=True)
class Run:
    """All that the bands of one harvest are made of; one fix per harvested row.

    Attributes
    ----------
    path, machine : pandas.DataFrame
        Cleaned path, and settings per row of it.
    rows, pass_no : numpy.ndarray
        (n,) harvested rows of it and their pass numbers.
    straw_kg, chaff_kg : numpy.ndarray
        (n,) residue through the machine [kg].
    wind : FixWind or None
        Wind on the pieces.
    spread : numpy.ndarray
        (len(path),) True where straw was spread, not laid in a row.
    added : numpy.ndarray
        (n,) True for fixes that the log does not hold.
    travel : Travel
        Of the path.
    """

    path: pd.DataFrame
    rows: np.ndarray
    pass_no: np.ndarray
    machine: pd.DataFrame
    straw_kg: np.ndarray
    chaff_kg: np.ndarray
    wind: FixWind | None
    spread: np.ndarray
    added: np.ndarray
    travel: Travel

    def bands(self) -> Bands:
        """Give the bands that this run lays."""
        where = (self.path, self.rows, self.pass_no, self.machine)
        places = band_places(*where, self.wind, self.travel)
        return laden(places, *where[1:], self.straw_kg, self.chaff_kg)[0]

    def with_machine(self, **columns: Any) -> Run:
        """Give the same run with other settings per row of the path."""
        machine = self.machine.assign(**columns)
        machine.attrs["shares"] = list(self.machine.attrs["shares"])
        return replace(self, machine=machine)

    def with_machine_where(
        self, where: np.ndarray, measured: list[tuple[float, ...]] | None = None, **columns: Any
    ) -> Run:
        """Give the same run with other settings where ``where`` marks rows of the path.

        ``measured`` are profiles that take the place of the measured ones it had.
        """
        held = self.machine
        changed = self.with_machine(
            **{name: held[name].mask(where, new).infer_objects() for name, new in columns.items()}
        )
        if measured is not None:
            changed.machine.attrs["shares"] = measured
        return changed


def header_offset_m(run: Run) -> np.ndarray:
    """Give how far right of the track the middle of what cuts runs, per row of the path [m]."""
    if "header_offset_m" in run.path:
        return np.asarray(run.path["header_offset_m"].fillna(0.0).to_numpy(float))
    return np.zeros(len(run.path))


def full_header(run: Run) -> tuple[np.ndarray, np.ndarray]:
    """Give width [m] of the header and how far right of the track its middle runs [m].

    Per row of the path, as it is when all of the header cuts: where the log's swath is much
    narrower than the field's usual one, part of it is empty; the machine spreads as ever.
    """
    width = run.machine["cut_width_m"].to_numpy(float)
    offset = header_offset_m(run)
    usual = np.median(width[run.rows])
    partly = width < _PART_OF_HEADER * usual
    full = run.rows[~partly[run.rows]]
    return np.where(partly, usual, width), np.where(partly, np.median(offset[full]), offset)


def usual_settings(run: Run, area_m2: np.ndarray) -> Settings | None:
    """Give the spread settings that most of the spread ground was covered with, by column.

    ``area_m2`` is (n,) the ground that each fix cut; None if nothing was spread.
    """
    spread = run.spread[run.rows]
    if not spread.any():
        return None
    held = run.machine.iloc[run.rows[spread]]
    kind, first = distinct_rows(_rounded(held))
    most = int(np.bincount(kind, area_m2[spread]).argmax())
    return {column: held[column].iloc[first[most]] for column in _SPREAD}


def _rounded(held: pd.DataFrame) -> list[np.ndarray]:
    """Give the spread settings so that what is nearly the same is the same."""
    columns = []
    for name in _SPREAD:
        values = held[name].to_numpy()
        if name != "profile":
            # NaN (chaff goes with the straw) must equal itself
            values = np.nan_to_num(np.rint(values.astype(float) / _SAME_M), nan=-1e6)
        columns.append(values)
    return columns


def differs(run: Run, usual: Settings) -> np.ndarray:
    """Tell which rows of the path are spread with other settings than the usual ones."""
    own = _rounded(pd.DataFrame({name: [usual[name]] for name in _SPREAD}))
    other = [held != one for held, one in zip(_rounded(run.machine), own, strict=True)]
    return np.asarray(run.spread & np.logical_or.reduce(other))


def with_usual_settings(run: Run, usual: Settings) -> Run:
    """Give the run with every spread pass on the usual settings."""
    return run.with_machine_where(differs(run, usual), **usual)


def spread_not_windrowed(run: Run, usual: Settings | None) -> Run:
    """Give the run with nothing laid in a row and nothing baled.

    Those passes take the usual spread settings, or an even band as wide as the cut where
    the whole field was laid in rows.
    """
    if usual is None:
        width, centre = full_header(run)
        values: dict[str, Any] = {
            "reach_left_m": width / 2,
            "reach_right_m": width / 2,
            "profile": "flat",
            "lean_m": centre,
            "chaff_width_m": np.nan,
        }
    else:
        values = {name: usual[name] for name in _SPREAD[:6]}
    changed = run.with_machine_where(~run.spread, **values)
    changed = changed.with_machine(discharge="spread", baled_share=0.0)
    return replace(changed, spread=np.ones_like(run.spread))


def in_still_air(run: Run) -> Run:
    """Give the run without wind."""
    return replace(run, wind=None)


def leaning(run: Run) -> np.ndarray:
    """Tell which rows of the path have a spread that is not the same to both sides."""
    machine = run.machine
    centre = machine["lean_m"] + (machine["reach_right_m"] - machine["reach_left_m"]) / 2
    off = (centre - full_header(run)[1]).abs().to_numpy() > _SAME_M / 2
    lopsided = _rows_of(run, [_is_lopsided(s) for s in machine.attrs["shares"]])
    return np.asarray(run.spread & (off | lopsided))


def _is_lopsided(shares: tuple[float, ...]) -> bool:
    own = np.asarray(shares, float)
    return bool(np.abs(own - own[::-1]).max() > _SAME_SHARE * own.max())


def _is_even(shares: tuple[float, ...]) -> bool:
    own = np.asarray(shares, float)
    return bool(np.ptp(own) <= _SAME_SHARE * np.abs(own).max())


def _alike_on_both_sides(shares: tuple[float, ...]) -> tuple[float, ...]:
    own = np.asarray(shares, float)
    return tuple((own + own[::-1]) / 2)


def _rows_of(run: Run, of_shares: list[bool]) -> np.ndarray:
    """Tell which rows of the path follow a measured profile that ``of_shares`` marks."""
    marked = np.array([*of_shares, False])[run.machine["shares"].to_numpy()]
    return np.asarray(marked & (run.machine["profile"] == "table").to_numpy())


def centred(run: Run) -> Run:
    """Give the run with every spread band centred behind the header and alike on both sides."""
    half = (run.machine["reach_left_m"] + run.machine["reach_right_m"]) / 2
    alike = [_alike_on_both_sides(s) for s in run.machine.attrs["shares"]]
    flat = run.spread & _rows_of(run, [_is_even(s) for s in alike])
    changed = run.with_machine_where(
        run.spread, alike, reach_left_m=half, reach_right_m=half, lean_m=full_header(run)[1]
    )
    return changed.with_machine_where(flat, profile="flat")


def heaped(run: Run) -> np.ndarray:
    """Tell which rows of the path are spread with a band that is not even across.

    Of a measured profile only what both sides have in common counts; that one side has
    more than the other is its lean.
    """
    apart = run.machine["chaff_width_m"].notna().to_numpy()
    even = [_is_even(_alike_on_both_sides(s)) for s in run.machine.attrs["shares"]]
    uneven = (run.machine["profile"] != "flat").to_numpy() & ~_rows_of(run, even)
    return np.asarray(run.spread & (uneven | apart))


def even_across(run: Run) -> Run:
    """Give the run with every spread band even across but for its lean, chaff with the straw.

    A lopsided profile keeps what one side has more than the other; shares may so fall
    below 0, which the engine, being linear in mass, takes.
    """
    held = run.machine.attrs["shares"]
    keeps = _rows_of(run, [_is_lopsided(s) for s in held])
    lopsided = [tuple(np.mean(s) + np.asarray(s, float) - _alike_on_both_sides(s)) for s in held]
    changed = run.with_machine_where(run.spread & ~keeps, profile="flat")
    return changed.with_machine_where(run.spread, lopsided, chaff_width_m=np.nan)


def width_to_cut(run: Run) -> np.ndarray:
    """Give the width of the band over that of the header, per row of the path."""
    total = run.machine["reach_left_m"] + run.machine["reach_right_m"]
    return np.asarray(total.to_numpy(float) / full_header(run)[0])


def as_wide_as_cut(run: Run) -> Run:
    """Give the run with every spread band as wide as the header is, its middle kept."""
    machine = run.machine
    half = full_header(run)[0] / 2
    middle = machine["lean_m"] + (machine["reach_right_m"] - machine["reach_left_m"]) / 2
    return run.with_machine_where(run.spread, reach_left_m=half, reach_right_m=half, lean_m=middle)


def late(run: Run) -> np.ndarray:
    """Tell which rows of the path drop their residue elsewhere than where it was cut."""
    behind = run.machine["antenna_behind_header_m"] + run.machine["antenna_ahead_of_discharge_m"]
    return np.asarray(((run.machine["residue_delay_s"] > 0) | (behind.abs() > _SAME_M)).to_numpy())


def without_delay(run: Run) -> Run:
    """Give the run with residue leaving at the header the moment it is cut."""
    return run.with_machine(
        residue_delay_s=0.0,
        antenna_ahead_of_discharge_m=-run.machine["antenna_behind_header_m"],
    )

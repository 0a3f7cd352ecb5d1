"""Columns that cannot mean what their header says: mended, warned of or refused.

The limits are those of the trade at large: no header is wider than some 18 m (60 ft), no
grain crop yields 30 t/ha (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from covermap.errors import Ask, TrackError, column_ask, in_field_file, unit_ask
from covermap.tables.said import Said
from covermap.units import KG_PER_POUND, unit_factor

_WIDEST_HEADER_M = 20.0
_HIGHEST_YIELD_T_HA = 30.0
#: Where a unit is guessed, it must bring the middle value into these bounds.
_LIKELY_WIDTH_M, _LIKELY_YIELD_T_HA = (2.0, 18.5), (0.5, 20.0)
#: A total may start anew this often, as a share of the records, and stay a total.
_MOST_RESETS = 0.005
_LEAST_RECORDS = 20


def mend_columns(
    fixes: pd.DataFrame, headers: Mapping[str, str], name: str, notes: list[Said]
) -> pd.DataFrame:
    """Check header width, yield, moisture and grain mass of a track as read.

    Fractions are turned into percent and a running total into mass per record; ``notes`` grows
    by what was mended or is doubtful.

    Parameters
    ----------
    fixes : pandas.DataFrame
        Canonical columns in SI units, file order, rows without a position included.
    headers : mapping of str to str
        Canonical name to the header in the file.

    Raises
    ------
    TrackError
        If the header width cannot be in metres.
    """
    width = _middle(fixes, "header_width_m")
    if width > _WIDEST_HEADER_M:
        likely = _likely(width, ("ft", "in", "cm", "mm"), "length", _LIKELY_WIDTH_M)
        raise TrackError(
            f"{name}, column {headers.get('header_width_m', 'width')!r}: a header "
            f"{width:,.4g} m wide in the middle; none is wider than {_WIDEST_HEADER_M:g} m.",
            "",
            _say(likely, ["{}"] * len(likely)) or "Name the right column with {0}.",
            *(_unit_asks(likely, "width") or [column_ask("width")]),
        )
    logged = _middle(fixes, "grain_yield_t_ha")
    if logged > _HIGHEST_YIELD_T_HA:
        # 60 lb, the weight of a bushel of wheat, serves for the guess
        likely = _likely(
            logged, ("bu/ac", "kg/ha"), "mass per area", _LIKELY_YIELD_T_HA, 60 * KG_PER_POUND
        )
        numbers = {
            "header": headers.get("grain_yield_t_ha", "yield"),
            "yield_t_ha": logged,
            "most_t_ha": _HIGHEST_YIELD_T_HA,
            "hint": _note(likely, "yield") or "Check its unit.",
        }
        notes.append(Said("track-yield-unlikely", numbers))
    moisture = _middle(fixes, "moisture_pct")
    if 0 < moisture < 1:
        fixes = fixes.assign(moisture_pct=fixes["moisture_pct"] * 100)
        header = headers.get("moisture_pct", "moisture")
        notes.append(Said("track-moisture-fractions", {"header": header, "middle": moisture}))
    if "grain_mass_kg" in fixes:
        fixes = _running_total_differenced(fixes, headers, notes)
    return fixes


def warning_of_yield(
    grain_kg: np.ndarray,
    area_m2: np.ndarray,
    reading: str | None,
    headers: Mapping[str, str],
    cut_width_m: float,
) -> Said | None:
    """Warn if grain over area swept is more than any crop yields.

    Parameters
    ----------
    grain_kg, area_m2 : numpy.ndarray
        (n,) wet grain [kg] and area swept [m²] of each harvested fix.
    reading, headers : str or None, mapping of str to str
        Canonical column the grain came from; canonical names to the headers in the file.
    cut_width_m : float
        Header width [m], for the message.
    """
    good = (grain_kg > 0) & (area_m2 > 0)
    if not good.any() or reading not in ("grain_flow_kg_s", "grain_mass_kg"):
        return None
    implied = 10 * float(np.median(grain_kg[good] / area_m2[good]))
    if implied <= _HIGHEST_YIELD_T_HA:
        return None
    short, kind, units = (
        ("flow", "mass flow", ("lb/s", "t/h", "lb/min", "g/s"))
        if reading == "grain_flow_kg_s"
        else ("mass", "mass", ("lb", "g"))
    )
    likely = _likely(implied, units, kind, _LIKELY_YIELD_T_HA)
    numbers = {
        "header": headers.get(reading, short),
        "yield_t_ha": implied,
        "cut_width_m": cut_width_m,
        "most_t_ha": _HIGHEST_YIELD_T_HA,
        "hint": _note(likely, short) or "Check its unit and the cut width.",
    }
    return Said("passes-yield-unlikely", numbers)


def _middle(fixes: pd.DataFrame, column: str) -> float:
    if column not in fixes:
        return 0.0
    values = fixes[column].to_numpy(float)
    values = values[np.isfinite(values) & (values > 0)]
    return float(np.median(values)) if len(values) else 0.0


def _likely(
    middle: float,
    units: Iterable[str],
    kind: str,
    bounds: tuple[float, float],
    kg_per_bushel: float | None = None,
) -> list[str]:
    """Give the units that would make the middle value an ordinary one."""
    factors = [(unit, unit_factor(unit, kind, kg_per_bushel)) for unit in units]
    return [
        unit
        for unit, factor in factors
        if factor is not None and bounds[0] <= middle * factor <= bounds[1]
    ]


def _unit_asks(units: list[str], short: str) -> list[Ask]:
    return [unit_ask(short, unit) for unit in units]


def _note(units: list[str], short: str) -> str:
    return _say(units, map(in_field_file, _unit_asks(units, short)))


def _say(units: list[str], asks: Iterable[str]) -> str:
    return f"It is probably in {' or '.join(units)}: give {' or '.join(asks)}." if units else ""


def _running_total_differenced(
    fixes: pd.DataFrame, headers: Mapping[str, str], notes: list[Said]
) -> pd.DataFrame:
    keys = [key for key in ("machine_id", "section") if key in fixes]
    parts = (
        [np.asarray(rows) for rows in fixes.groupby(keys, dropna=False).indices.values()]
        if keys
        else [np.arange(len(fixes))]
    )
    mass = fixes["grain_mass_kg"].to_numpy(float).copy()
    found = False
    for rows in parts:
        if "time" in fixes:
            rows = rows[np.argsort(fixes["time"].to_numpy("datetime64[ns]")[rows], kind="stable")]
        since_last = _difference_of_total(mass[rows])
        if since_last is not None:
            mass[rows] = since_last
            found = True
    if not found:
        return fixes
    header = headers.get("grain_mass_kg", "grain mass")
    notes.append(Said("track-running-total", {"header": header}))
    return fixes.assign(grain_mass_kg=mass)


def _difference_of_total(total: np.ndarray) -> np.ndarray | None:
    """Give the rise since the record before, NaN where unknown; None if it is no total."""
    known = np.flatnonzero(np.isfinite(total))
    if len(known) < _LEAST_RECORDS:
        return None
    rise = np.diff(total[known])
    falls = rise < 0
    if falls.sum() > _MOST_RESETS * len(rise) or (rise > 0).mean() < 0.5:
        return None
    usual = float(np.median(rise[rise > 0]))
    if total[known].max() < _LEAST_RECORDS / 2 * usual:
        return None
    # blanks share what the total rose by across them
    whole = np.interp(np.arange(len(total)), known, total[known])
    since = np.diff(whole, prepend=np.nan)
    for start in (0, *(known[1:][falls])):
        # a total that starts from nothing is the first record's own grain
        since[start] = whole[start] if 0 <= whole[start] <= 5 * usual else np.nan
    return np.asarray(since)

"""The columns of a wind record, and how people's own headers map to them.

``Wind speed at 10 m (km/h)`` is taken apart into a name, looked up in
``tables/wind_synonyms.csv``, a height and a unit, looked up in :mod:`covermap.units`.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from covermap.errors import SettingsError, WindError
from covermap.reading.columns import plain_name
from covermap.tables import read_table
from covermap.units import KINDS, unit_factor

#: Kind of each column, a key of :data:`covermap.units.KINDS`; "" for parts of a time.
WIND_COLUMNS: dict[str, str] = {
    "time": "",
    "date": "",
    "year": "",
    "month": "",
    "day": "",
    "hour": "",
    "minute": "",
    "wind_speed_m_s": "speed",
    "wind_from_deg": "angle",
    "wind_gust_m_s": "speed",
}
# Besides the units that covermap.units knows; separators and "per" are already gone.
_OTHER_WRITINGS = {
    "speed": {
        "fps": "ft/s",
        "kmph": "km/h",
        "kts": "kn",
        "knot": "kn",
        "mileshour": "mph",
        "kilometreshour": "km/h",
        "kilometershour": "km/h",
        "metressecond": "m/s",
        "meterssecond": "m/s",
        "mssec": "m/s",
        "msec": "m/s",
    },
    "angle": dict.fromkeys(("degree", "degtrue", "degreestrue", "degt", "°true"), "deg"),
}
_BRACKET = re.compile(r"[(\[{]([^)\]}]*)[)\]}]\s*$")
_HEIGHT = re.compile(r"[\s_@,]*(?:\bat\b)?[\s_]*(\d+(?:[.,]\d+)?)\s*m(?=$|[\s_(\[{,])")


@dataclass(frozen=True)
class WindColumn:
    """One header of the file, the column it stands for, its unit and factor to SI."""

    header: str
    place: int
    column: str
    unit: str
    factor: float
    unit_told: bool
    height_m: float | None


@dataclass(frozen=True)
class _Match:
    column: str
    unit: str | None
    rank: int
    height_m: float | None


@cache
def _synonyms() -> dict[str, tuple[str, int]]:
    rows = read_table("wind_synonyms")
    return {plain_name(row["synonym"]): (row["canonical"], i) for i, row in enumerate(rows)}


@cache
def _units(kind: str) -> dict[str, str]:
    if not kind:
        return {}
    units: dict[str, str] = {}
    for unit in KINDS[kind].factors:
        units.setdefault(plain_name(unit), unit)
    return units | _OTHER_WRITINGS[kind]


def known_unit(text: str, column: str) -> str | None:
    """Give the unit that a text writes for a column, or None if it is none."""
    return _units(WIND_COLUMNS[column]).get(plain_name(text))


def _match(header: str) -> _Match | None:
    height = _HEIGHT.search(header)
    height_m = float(height.group(1).replace(",", ".")) if height else None
    text = header if height is None else header[: height.start()] + " " + header[height.end() :]
    name, known = plain_name(text), _synonyms()
    for end in range(len(name), 0, -1):
        found = known.get(name[:end])
        if found is None:
            continue
        unit = _units(WIND_COLUMNS[found[0]]).get(name[end:])
        if unit is not None or end == len(name):
            return _Match(found[0], unit, found[1], height_m)
    bracket = _BRACKET.search(text)
    found = known.get(plain_name(text[: bracket.start()])) if bracket else None
    if bracket is None or found is None:
        return None
    if WIND_COLUMNS[found[0]] == "speed":
        # A word in brackets that is no unit we know may be one that we do not.
        return _Match(found[0], bracket.group(1).strip(), found[1], height_m)
    return _Match(found[0], None, found[1], height_m)


def recognise_wind(
    headers: Sequence[str],
    height_m: float,
    columns: Mapping[str, str],
    units: Mapping[str, str],
    where: str,
) -> dict[str, WindColumn]:
    """Find out which headers of a file are which wind columns, and in which unit.

    Parameters
    ----------
    headers : sequence of str
        As written in the file.
    height_m : float
        Measuring height [m]; settles which of several heights in the headers is meant.
    columns, units : mapping of str to str
        What the person said: a name such as ``speed`` to the header, or to the unit.
    where : str
        File and line, for messages.

    Returns
    -------
    dict
        By canonical name, see :data:`WIND_COLUMNS`.

    Raises
    ------
    SettingsError
        If ``columns`` or ``units`` name something unknown.
    WindError
        If the unit in a header of speed is none that is known.
    """
    chosen = {_column_for(key): _place_of(key, text, headers) for key, text in columns.items()}
    said = {_column_for(key): unit for key, unit in units.items()}
    best: dict[str, tuple[bool, int, int]] = {}
    matches = [_match(header) for header in headers]
    for place, match in enumerate(matches):
        if match is None or place in chosen.values() or match.column in chosen:
            continue
        elsewhere = match.height_m is not None and match.height_m != height_m
        key = (elsewhere, match.rank, place)
        if match.column not in best or key < best[match.column]:
            best[match.column] = key
    places = {column: key[2] for column, key in best.items()} | chosen
    if missing := [column for column in said if column not in places]:
        raise SettingsError(
            f"{where}: a unit was given for {missing[0]}, but no header stands for it. "
            f"Name its header as well; headers: {', '.join(headers)}."
        )
    return {
        column: _with_unit(headers[place], place, column, matches[place], said, where)
        for column, place in places.items()
    }


def _with_unit(
    header: str,
    place: int,
    column: str,
    match: _Match | None,
    said: Mapping[str, str],
    where: str,
) -> WindColumn:
    kind = WIND_COLUMNS[column]
    height_m = match.height_m if match else None
    if not kind:
        if column in said:
            raise SettingsError(f"{where}: {column} has no unit; leave it out.")
        return WindColumn(header, place, column, "", 1.0, True, height_m)
    bracket = _BRACKET.search(header)
    told = said.get(column) or (match.unit if match else None)
    if told is None and bracket is not None:
        told = known_unit(bracket.group(1), column)
    unit = told or KINDS[kind].si_unit
    unit = known_unit(unit, column) or unit
    factor = unit_factor(unit, kind)
    if factor is None:
        error: type[SettingsError | WindError] = SettingsError if column in said else WindError
        raise error(
            f"{where}, column {header!r}: {unit!r} is no unit of {kind} known here. Expected one "
            f"of {', '.join(KINDS[kind].factors)}; convert the column or correct its header."
        )
    return WindColumn(header, place, column, unit, factor, told is not None, height_m)


def _column_for(key: str) -> str:
    found = _synonyms().get(plain_name(key))
    if found is None:
        names = [*WIND_COLUMNS, "speed", "direction", "gust"]
        near = difflib.get_close_matches(key.lower(), names, 3, 0.5) or names
        raise SettingsError(f"{key!r} is no wind column. Nearest: {', '.join(near)}.")
    return found[0]


def _place_of(key: str, text: str, headers: Sequence[str]) -> int:
    for same in (str, plain_name):
        for place, header in enumerate(headers):
            if same(header) == same(text):
                return place
    near = difflib.get_close_matches(text, headers, 3, 0.4) or headers
    raise SettingsError(
        f"Wind column {key}: the file has no header {text!r}. Nearest: {', '.join(near)}."
    )

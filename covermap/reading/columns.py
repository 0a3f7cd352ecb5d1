"""The columns a harvest track can carry, and how people's own headers map to them.

A header such as ``Speed (mph)`` or ``grain_flow_kgps`` is taken apart into a name, looked
up in ``tables/column_synonyms.csv``, and a unit, looked up in :mod:`covermap.units`.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from covermap.errors import SettingsError
from covermap.tables import read_table
from covermap.units import KINDS, unit_factor


@dataclass(frozen=True)
class Column:
    """One column of a harvest track: its name, unit, kind and meaning.

    ``kind`` is a key of :data:`covermap.units.KINDS`, or ``instant`` (a date or clock
    time), ``flag`` (yes or no) or ``text``.
    """

    name: str
    unit: str
    kind: str
    meaning: str


@dataclass(frozen=True)
class RecognisedColumn:
    """One header of the file, the column it stands for, its unit and factor to SI."""

    header: str
    column: str
    unit: str
    factor: float


_DECLARED = (
    Column("time", "UTC", "instant", "when the fix was recorded"),
    Column("date", "UTC", "instant", "calendar day, where the file keeps it apart from the time"),
    Column("longitude", "deg", "angle", "degrees east"),
    Column("latitude", "deg", "angle", "degrees north"),
    Column("easting", "m", "length", "distance east in the coordinate reference system"),
    Column("northing", "m", "length", "distance north in the coordinate reference system"),
    Column("elevation_m", "m", "length", "height of the ground or antenna"),
    Column("speed_m_s", "m/s", "speed", "speed over ground"),
    Column("heading_deg", "deg", "angle", "direction of travel, clockwise from true north"),
    Column("header_width_m", "m", "length", "width of crop the header takes"),
    Column("header_offset_m", "m", "length", "header centre right of the machine's centre line"),
    Column("header_down", "", "flag", "header lowered and cutting"),
    Column("grain_flow_kg_s", "kg/s", "mass flow", "wet grain per second"),
    Column("grain_mass_kg", "kg", "mass", "wet grain since the last record"),
    Column("grain_yield_t_ha", "t/ha", "mass per area", "wet grain per area"),
    Column("moisture_pct", "%", "percent", "grain moisture, wet basis"),
    Column("distance_m", "m", "length", "distance travelled since the last record"),
    Column("interval_s", "s", "time", "time since the last record"),
    Column("section", "", "text", "header section, where each has a row of its own"),
    Column("machine_id", "", "text", "machine that logged the fix, where there is more than one"),
    Column("pass_id", "", "text", "pass the fix belongs to"),
    Column("discharge", "", "text", "spread or windrow"),
    Column("spread_width_m", "m", "length", "edge-to-edge width of the thrown band"),
    Column("reach_left_m", "m", "length", "centre line to the left edge of the band"),
    Column("reach_right_m", "m", "length", "centre line to the right edge of the band"),
    Column("profile", "", "text", "spread profile by name"),
    Column("lean_m", "m", "length", "sideways shift of the band's centre, + to the right"),
    Column("chaff_width_m", "m", "length", "edge-to-edge width of the chaff band"),
    Column("baled_share", "share", "share", "share of the windrow that is baled off"),
    Column("cut_height_m", "m", "length", "height of the cut above ground"),
)

TRACK_COLUMNS: dict[str, Column] = {column.name: column for column in _DECLARED}

# How people shorten units where a slash does not fit; "per" and separators are already gone.
_OTHER_WRITINGS = {
    "speed": {"fps": "ft/s", "kmph": "km/h", "kts": "kn", "knot": "kn"},
    "mass flow": {"lbps": "lb/s", "lbsps": "lb/s", "tph": "t/h", "busec": "bu/s"},
    "mass per area": {
        **dict.fromkeys(("tonac", "tonsac", "tonacre", "tonsacre"), "short_ton/ac"),
        **dict.fromkeys(("bushelac", "bushelsac", "bushelacre", "bushelsacre"), "bu/ac"),
        "tonnesha": "t/ha",
    },
    "angle": {"degree": "deg"},
}
_BUSHELS = {
    "mass per area": ("bu/ac", "bu/ha"),
    "mass flow": ("bu/s", "bu/h"),
    "mass": ("bu",),
}
_OBVIOUS_UNIT = ("angle", "percent", "share", "number")
_BRACKET = re.compile(r"[(\[{]([^)\]}]*)[)\]}]\s*$")


def plain_name(text: str) -> str:
    """Strip a header or unit to what it is matched by: no case, accents or separators.

    Parameters
    ----------
    text : str
        For instance ``"Ground_Speed [m s-1]"``.

    Returns
    -------
    str
        For instance ``"groundspeedms"``.
    """
    decomposed = unicodedata.normalize("NFKD", text.replace("ß", "ss")).lower()
    letters = "".join(c for c in decomposed if not unicodedata.combining(c))
    letters = re.sub(r"(?<=[a-z])\s*\^?-1(?![0-9])", "", letters)
    letters = re.sub(r"(?<![a-z])per(?![a-z])", "", letters)
    return re.sub(r"[\s_.:,\-()\[\]{}/^]", "", letters)


@cache
def synonyms() -> dict[str, tuple[str, int]]:
    """Give, by plain name, the column a synonym stands for and its rank in the table."""
    rows = read_table("column_synonyms")
    return {plain_name(row["synonym"]): (row["canonical"], i) for i, row in enumerate(rows)}


@cache
def _units_by_plain_name(kind: str) -> dict[str, str]:
    if kind not in KINDS:
        # A clock column may say "s" or "ms"; its size tells the unit better than its header.
        return {"s": "s", "ms": "ms"} if kind == "instant" else {}
    written = (*KINDS[kind].factors, *_BUSHELS.get(kind, ()))
    units: dict[str, str] = {}
    for unit in written:
        units.setdefault(plain_name(unit), unit)
        units.setdefault(plain_name(unit.replace("/ac", "/acre")), unit)
    units.update(_OTHER_WRITINGS.get(kind, {}))
    units.pop("", None)
    return units


def column_named(key: str) -> str | None:
    """Give the canonical column that a name or short alias stands for, or None."""
    found = synonyms().get(plain_name(key))
    return found[0] if found else None


def _match(header: str) -> tuple[str, str | None, int] | None:
    """Give column, unit (None if the header does not tell) and rank of a header."""
    name = plain_name(header)
    known = synonyms()
    exact = known.get(name)
    for end in range(len(name) - 1, 0, -1):
        found = known.get(name[:end])
        if found is None or (exact is not None and found[0] != exact[0]):
            continue
        unit = _units_by_plain_name(TRACK_COLUMNS[found[0]].kind).get(name[end:])
        if unit is not None:
            return found[0], unit, (exact or found)[1]
    if exact is not None:
        column = exact[0]
        return column, _unit_in_last_words(header, column), exact[1]
    bracket = _BRACKET.search(header)
    if bracket is None:
        return None
    found = known.get(plain_name(header[: bracket.start()]))
    if found is None:
        return None
    column, rank = found
    kind = TRACK_COLUMNS[column].kind
    written = plain_name(bracket.group(1))
    elsewhere = any(written in _units_by_plain_name(other) for other in KINDS)
    if kind in KINDS and (elsewhere or "/" in bracket.group(1)):
        raise SettingsError(
            f"Column {header!r}: the unit {bracket.group(1)!r} is not one of {kind}. "
            f"Say which it is with --unit {column}=…; known: {_known_units(kind)}."
        )
    return column, None, rank


def unit_in_header(header: str) -> str | None:
    """Give the unit a header tells, or None if it tells none.

    Parameters
    ----------
    header : str
        As written in the file.

    Returns
    -------
    str or None
        A unit that :func:`covermap.units.unit_factor` knows.
    """
    found = _match(header)
    return found[1] if found else None


def needs_unit(column: str) -> bool:
    """Tell whether a column's numbers may well come in more than one unit."""
    kind = TRACK_COLUMNS[column].kind
    return kind in KINDS and kind not in _OBVIOUS_UNIT and column not in ("easting", "northing")


def recognise(
    headers: Sequence[str],
    columns: Mapping[str, str],
    units: Mapping[str, str],
    kg_per_bushel: float | None,
) -> list[RecognisedColumn]:
    """Find out which headers of a file are which track columns, and in which unit.

    Parameters
    ----------
    headers : sequence of str
        Headers as written in the file.
    columns : mapping of str to str
        What the person said: canonical name or short alias to header.
    units : mapping of str to str
        What the person said: canonical name or short alias to unit.
    kg_per_bushel : float or None
        Bushel weight of the crop [kg]; needed when a unit is in bushels.

    Returns
    -------
    list of RecognisedColumn
        In file order, each canonical column at most once.

    Raises
    ------
    SettingsError
        If a name, header or unit the person gave is unknown, or bushels lack a weight.
    """
    chosen = {_column_for(key): _header_for(key, text, headers) for key, text in columns.items()}
    said_units = {_column_for(key): (key, unit) for key, unit in units.items()}
    taken = set(chosen.values())
    best: dict[str, tuple[int, int]] = {}
    for place, header in enumerate(headers):
        # A unit the person gives settles what the header writes, right or wrong.
        found = None if header in taken else _match_with(header, said_units)
        if found is None or found[0] in chosen:
            continue
        column, _, rank = found
        if column not in best or rank < best[column][0]:
            best[column] = (rank, place)
    picked = {column: headers[place] for column, (_, place) in best.items()} | chosen
    for column, (key, _) in said_units.items():
        if column not in picked:
            raise SettingsError(
                f"--unit {key}: the track has no column for {column}. "
                f"Name it with --column {key}=…; headers: {', '.join(headers)}."
            )
    return sorted(
        (_with_unit(h, c, said_units.get(c), kg_per_bushel) for c, h in picked.items()),
        key=lambda one: headers.index(one.header),
    )


def _match_with(
    header: str, said_units: Mapping[str, tuple[str, str]]
) -> tuple[str, str | None, int] | None:
    try:
        return _match(header)
    except SettingsError:
        found = synonyms().get(plain_name(_BRACKET.sub("", header)))
        if found is None or found[0] not in said_units:
            raise
        return found[0], None, found[1]


def _column_for(key: str) -> str:
    column = column_named(key)
    if column is None:
        names = [*TRACK_COLUMNS, "flow", "width", "mass", "yield", "speed", "pass", "lon", "lat"]
        near = difflib.get_close_matches(key.lower(), names, 3, 0.5) or list(TRACK_COLUMNS)
        raise SettingsError(f"{key!r} is not a track column. Nearest: {', '.join(near)}.")
    return column


def _header_for(key: str, text: str, headers: Sequence[str]) -> str:
    if text in headers:
        return text
    for header in headers:
        if plain_name(header) == plain_name(text):
            return header
    by_lower = {header.lower(): header for header in headers}
    near = difflib.get_close_matches(text.lower(), list(by_lower), 3, 0.4)
    shown = ", ".join(by_lower[name] for name in near) if near else ", ".join(headers)
    raise SettingsError(
        f"--column {key}={text}: the track has no column {text!r}. "
        f"{'Nearest' if near else 'It has'}: {shown}."
    )


def _with_unit(
    header: str, column: str, said: tuple[str, str] | None, kg_per_bushel: float | None
) -> RecognisedColumn:
    declared = TRACK_COLUMNS[column]
    if declared.kind not in KINDS:
        if said is not None:
            raise SettingsError(f"--unit {said[0]}: {column} has no unit; leave it out.")
        return RecognisedColumn(header, column, declared.unit, 1.0)
    if said is not None:
        unit = _units_by_plain_name(declared.kind).get(plain_name(said[1]), said[1])
    else:
        unit = _told_unit(header, column) or declared.unit
    factor = unit_factor(unit, declared.kind, kg_per_bushel)
    if factor is None and plain_name(unit).startswith("bu"):
        raise SettingsError(
            f"Column {header!r} is in bushels ({unit}), and a bushel weighs what the crop says. "
            f"Name the crop with --crop, or give another unit with --unit {column}=…."
        )
    if factor is None:
        raise SettingsError(
            f"--unit {said[0] if said else column}={unit}: not a unit of {declared.kind}. "
            f"Known: {_known_units(declared.kind)}."
        )
    return RecognisedColumn(header, column, unit, factor)


def _told_unit(header: str, column: str) -> str | None:
    """Give the unit of a header, also where its name is known only from the person."""
    found = _match(header)
    if found is not None and found[0] == column:
        return found[1]
    return _unit_in_last_words(header, column)


def _unit_in_last_words(header: str, column: str) -> str | None:
    units = _units_by_plain_name(TRACK_COLUMNS[column].kind)
    bracket = _BRACKET.search(header)
    if bracket is not None:
        return units.get(plain_name(bracket.group(1)))
    words = [word for word in re.split(r"[\s_]+", header) if word]
    for count in (2, 1):
        unit = units.get(plain_name("".join(words[-count:]))) if len(words) > count else None
        if unit is not None:
            return unit
    return None


def _known_units(kind: str) -> str:
    return ", ".join((*KINDS[kind].factors, *_BUSHELS.get(kind, ())))

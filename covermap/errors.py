"""What covermap says when something is wrong: one family, with the parts kept apart.

Every error says what was wrong (which file, line, column or setting), what was expected and
the way out. Where the way out is something to give (a setting, the header or unit of a
column), it is kept as an :class:`Ask`, so that each door names it as people there write it:
the command line ``--crs EPSG:32615``, Python ``crs="EPSG:32615"``, a field file
``[field] crs = "EPSG:32615"``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Self


@dataclass(frozen=True)
class Ask:
    """Something a person can give.

    Attributes
    ----------
    name : str
        ``section.key`` of a setting (``field.crs``), or an argument (``out``, ``workers``).
    example : str
        What to write, such as ``EPSG:32615``; ``…`` where the person knows.
    of : str
        ``column`` or ``unit`` if it is the header or unit of a track column called ``name``;
        empty for settings and arguments.
    """

    name: str
    example: str = ""
    of: str = ""


def column_ask(name: str, header: str = "…") -> Ask:
    """Ask for the header of the column that holds ``name``."""
    return Ask(name, header, "column")


def unit_ask(name: str, unit: str = "…") -> Ask:
    """Ask for the unit of the column that holds ``name``."""
    return Ask(name, unit, "unit")


def in_python(ask: Ask) -> str:
    """Name what is asked for as a Python caller writes it."""
    if ask.of:
        return f'{ask.of}s={{"{ask.name}": "{ask.example}"}}'
    key = ask.name.rpartition(".")[2]
    return f'{key}="{ask.example}"' if ask.example else key


def in_field_file(ask: Ask) -> str:
    """Name what is asked for as a field file states it; what none states, by its name."""
    section, _, key = ask.name.rpartition(".")
    if ask.of:
        section, key = f"{ask.of}s", ask.name
    named = f"[{section}] {key}" if section else key
    return f'{named} = "{ask.example}"' if ask.example else named


class CovermapError(Exception):
    """Root of all errors that covermap raises on purpose.

    Parameters
    ----------
    wrong : str
        What is wrong and where; a sentence, or the whole message.
    expected : str
        What was expected instead, as a sentence.
    way_out : str
        What to do, as a sentence; ``{0}``, ``{1}`` … stand for ``asks``.
    asks : Ask
        What the person can give to mend it.
    """

    def __init__(self, wrong: str, expected: str = "", way_out: str = "", *asks: Ask) -> None:
        super().__init__(wrong)
        self.wrong, self.expected, self.way_out, self.asks = wrong, expected, way_out, asks
        #: How the door that lets the error out names what is asked for.
        self.name_of: Callable[[Ask], str] = in_python

    def told(self, name_of: Callable[[Ask], str]) -> str:
        """Give the whole message, with what is asked for named by ``name_of``."""
        way_out = self.way_out
        if self.asks:
            way_out = way_out.format(*(name_of(ask) for ask in self.asks))
        return " ".join(part for part in (self.wrong, self.expected, way_out) if part)

    def at(self, place: str) -> Self:
        """Give the same error with ``place``, such as a file's name, before what is wrong."""
        return type(self)(place + self.wrong, self.expected, self.way_out, *self.asks)

    def __str__(self) -> str:
        return self.told(self.name_of)

    def __reduce__(self) -> tuple[Any, ...]:
        # errors come back from worker processes
        return type(self), (self.wrong, self.expected, self.way_out, *self.asks)


class TrackError(CovermapError, ValueError):
    """The harvest track cannot be read or holds nothing to map."""


class SettingsError(CovermapError, ValueError):
    """A setting, field file or command-line option is missing, unknown or out of range."""


class BoundaryError(CovermapError, ValueError):
    """The field boundary cannot be read or does not fit the track."""


class WindError(CovermapError, ValueError):
    """The wind record cannot be read, or cannot serve this track."""


class OutputError(CovermapError, OSError):
    """The results cannot be written where they were asked for."""


class TrayError(CovermapError, ValueError):
    """A tray test or profile file cannot be read or does not describe a spread."""

"""What a question to covermap gives back: the numbers found, the words, picture and files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any, Generic, TypeVar

T = TypeVar("T")


@dataclass(frozen=True)
class Answer(Generic[T]):
    """An answer: ``print`` shows it in words, a notebook with its picture.

    Attributes
    ----------
    found : object
        All that was found out, as plain data types of covermap.
    summary : dict
        The same as the JSON file has it.
    headline : str
        One line.
    """

    found: T
    summary: dict[str, Any]
    headline: str
    _lines: Callable[[bool], Sequence[str]]
    _picture: Callable[[bool], str] | None
    _write: Callable[[Path, bool], list[str]]

    def text(self, us_units: bool = False) -> str:
        """Give the answer in words, as the command line says it."""
        return "\n".join(self._lines(us_units))

    def picture(self, us_units: bool = False) -> str:
        """Give the picture as SVG; empty if the answer has none."""
        return "" if self._picture is None else self._picture(us_units)

    def write(self, folder: str | Path, *, us_units: bool = False) -> list[Path]:
        """Write the files of the command into ``folder``, whole or not at all.

        Raises
        ------
        OutputError
            If the folder cannot be written.
        """
        return [Path(folder) / name for name in self._write(Path(folder), us_units)]

    def __repr__(self) -> str:
        return f"<covermap: {self.headline}>"

    def __str__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        return f"{self.picture()}<pre>{escape(self.text())}</pre>"

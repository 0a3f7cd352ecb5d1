"""A printed page in millimetres: text that wraps, lists, frames.

Widths are measured with the font the page is set in, so that nothing runs over an edge.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

from covermap.units import MM_PER_INCH

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: A4 upright [mm] (ISO 216).
PAGE_MM = (210.0, 297.0)
MARGIN_MM = 12.0
MM_PER_POINT = MM_PER_INCH / 72
#: A viewer without the font may set text wider; lines are broken this much early.
WIDTH_USED = 0.95


class Page:
    """A page in millimetres from its top left corner, and a place to write on next."""

    def __init__(self, figure: Figure) -> None:
        self.figure = figure
        self.axes = figure.add_axes((0, 0, 1, 1))
        self.axes.set(xlim=(0, PAGE_MM[0]), ylim=(PAGE_MM[1], 0))
        self.axes.set(xticks=[], yticks=[])
        self.axes.set_axis_off()
        self.y = MARGIN_MM
        self.left, self.right = MARGIN_MM, PAGE_MM[0] - MARGIN_MM

    @property
    def width(self) -> float:
        """Width between the margins [mm]."""
        return self.right - self.left

    def write(self, x: float, y: float, text: str, size: float = 8.5, **how: Any) -> None:
        """Write one piece of text at a place [mm] in a size [points]."""
        self.axes.text(x, y, text, fontsize=size, va=how.pop("va", "top"), **how)

    def paragraph(self, text: str, x: float, width: float, size: float, **how: Any) -> None:
        """Write lines no wider than ``width`` [mm] from the next free place on."""
        for line in wrapped(text, width, size, how.get("weight", "normal")):
            self.write(x, self.y, line, size, **how)
            self.y += line_mm(size)

    def box(self, x: float, y: float, width: float, height: float, **how: Any) -> None:
        """Draw a rectangle [mm]."""
        from matplotlib.patches import Rectangle

        self.axes.add_patch(Rectangle((x, y), width, height, **how))

    def list_height(self, *lists: list[str]) -> float:
        """Give the height that lists take in :meth:`bullets` [mm]; empty ones take none."""
        width = self.width - 4
        return sum(
            line_mm(9.5) + 2 + sum(len(wrapped(t, width, 8)) * line_mm(8) + 0.6 for t in texts)
            for texts in lists
            if texts
        )

    def bullets(self, heading: str, texts: list[str]) -> None:
        """Write a heading and a list."""
        self.paragraph(heading, self.left, self.width, 9.5, weight="bold")
        self.y += 0.6
        for text in texts:
            self.write(self.left, self.y, "–", 8)
            self.paragraph(text, self.left + 4, self.width - 4, 8)
            self.y += 0.6
        self.y += 1.4


def line_mm(size: float) -> float:
    """Give the distance of lines of text of a size in points [mm]."""
    return size * 1.3 * MM_PER_POINT


@lru_cache(maxsize=4096)
def width_mm(text: str, size: float, weight: str = "normal") -> float:
    """Give how wide a text of a size in points is set [mm]."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family="DejaVu Sans", size=size, weight=weight)
    points = text_to_path.get_text_width_height_descent(text, font, ismath=False)[0]
    return float(points) * MM_PER_POINT


def wrapped(text: str, width: float, size: float, weight: str = "normal") -> list[str]:
    """Break a text into lines no wider than ``width`` [mm]; long words are cut."""
    most = width * WIDTH_USED
    space = width_mm(" ", size, weight)
    lines: list[str] = []
    used = most
    for word in text.split():
        wide = width_mm(word, size, weight)
        if lines and used + space + wide <= most:
            lines[-1] += f" {word}"
            used += space + wide
            continue
        while wide > most:
            fits = max(1, int(len(word) * most / wide) - 1)
            while fits > 1 and width_mm(word[:fits], size, weight) > most:
                fits -= 1
            lines.append(word[:fits])
            word = word[fits:]
            wide = width_mm(word, size, weight)
        lines.append(word)
        used = wide
    return lines or [""]

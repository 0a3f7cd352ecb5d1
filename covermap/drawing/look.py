"""The drawing room: look, text and file of every printed picture.

All pictures are matplotlib figures saved as SVG: dark ink, few lines, text that stays text,
colours from the one colour table, the same bytes every time. What maps need besides stands
in :mod:`covermap.drawing.map_drawing`.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np

from covermap.drawing.card_page import wrapped
from covermap.drawing.caution import CAUTION
from covermap.drawing.colours import palette
from covermap.units import MM_PER_INCH

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Letters and lines; lines that matter less; grounds behind something.
INK, SOFT, PALE = "#222222", "#767676", "#e9ecef"
POINTS_PER_INCH = 72.0
_CAUTION_PT, _RIGHT_MARGIN = 7.5, 0.1
_FONTS = ["DejaVu Sans", "sans-serif"]
_NO_METADATA = dict.fromkeys(("Creator", "Date", "Format", "Type"))
#: Places of two colours on the residue ramp that are far apart in grey as well.
_DARK, _MIDDLE = 0.88, 0.45

Box = tuple[float, float, float, float]


@contextmanager
def house_look(font_size: float = 9.0, *, open_frame: bool = False) -> Iterator[None]:
    """Draw and save in the look of the house while this lasts, plain text in a size [pt].

    With an open frame, plots have no line at the top and right.
    """
    import matplotlib as mpl

    style: dict[Any, Any] = {
        "svg.hashsalt": "covermap",
        "svg.fonttype": "none",
        "font.family": _FONTS,
        "font.size": font_size,
        "text.color": INK,
        "axes.edgecolor": SOFT,
        "axes.labelcolor": INK,
        "axes.spines.top": not open_frame,
        "axes.spines.right": not open_frame,
        "xtick.color": INK,
        "ytick.color": INK,
        "hatch.linewidth": 0.5,
        "legend.frameon": False,
        "text.parse_math": False,
    }
    with mpl.rc_context(style), warnings.catch_warnings():
        # text stays text: whoever opens the file has the font for the name of his field
        warnings.filterwarnings("ignore", r"Glyph \d+ .*missing from font", UserWarning)
        yield


def new_figure(size_inches: tuple[float, float], **how: Any) -> Figure:
    """Give an empty figure, width by height, that only SVG is made of."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure as NewFigure

    figure = NewFigure(figsize=size_inches, **how)
    FigureCanvasSVG(figure)
    return figure


def svg_of(figure: Figure) -> str:
    """Give a figure as SVG, without a date or the name of a program in it."""
    stream = io.StringIO()
    figure.savefig(stream, format="svg", metadata=_NO_METADATA)
    return stream.getvalue()


def axes_at(figure: Figure, box: Box) -> Axes:
    """Give axes at left, bottom, width, height in inches."""
    wide, high = figure.get_size_inches()
    return figure.add_axes((box[0] / wide, box[1] / high, box[2] / wide, box[3] / high))


def blank_axes(figure: Figure, box: Box) -> Axes:
    """Give axes without a frame, whose data are inches from their lower left corner."""
    axes = axes_at(figure, box)
    axes.set(xlim=(0, box[2]), ylim=(0, box[3]))
    axes.axis("off")
    return axes


def plain_text(text: str, longest: int) -> str:
    """Leave out what XML forbids (control characters) and cut what is longer, with an ellipsis."""
    text = "".join(c if c.isprintable() else " " for c in text).strip()
    return text if len(text) <= longest else text[: longest - 1] + "…"


def wrapped_text(text: str, width_inches: float, size: float) -> str:
    """Break a text into lines that are no wider, as measured in the font of the house [pt]."""
    return "\n".join(wrapped(text, width_inches * MM_PER_INCH, size))


def draw_caution(figure: Figure, left: float, top: float) -> None:
    """Write the caution under a picture, from a place in inches to the right and down."""
    wide, high = figure.get_size_inches()
    text = wrapped_text(CAUTION, wide - left - _RIGHT_MARGIN, _CAUTION_PT)
    figure.text(left / wide, top / high, text, fontsize=_CAUTION_PT, va="top")


def two_colours() -> tuple[str, str]:
    """Give a dark and a middle colour of the residue ramp as ``#rrggbb``."""
    return ramp_colour("residue_t_ha", _DARK), ramp_colour("residue_t_ha", _MIDDLE)


def ramp_colour(band: str, place: float) -> str:
    """Give the colour at a place, 0 to 1, of the ramp of a band as ``#rrggbb``."""
    ramp = palette(band)
    red, green, blue = ramp[1 + round(place * (len(ramp) - 2))][:3]
    return f"#{red:02x}{green:02x}{blue:02x}"


def round_length(most: float) -> float:
    """Give the longest length of 1, 2 or 5 times a power of ten that is not above ``most``."""
    ten = 10.0 ** np.floor(np.log10(most))
    # just below a power of ten, the logarithm may be rounded up to it
    return float(max(step * ten for step in (0.5, 1, 2, 5) if step * ten <= most))

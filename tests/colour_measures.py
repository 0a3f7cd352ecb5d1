"""Measures of colour by published formulas, for tests of what can be told apart.

Relative luminance and contrast: WCAG 2.2 (W3C Recommendation, 2023), definitions "relative
luminance" and "contrast ratio". CIELAB and its distance: CIE 1976, white D65. OKLab:
B. Ottosson (2020), as in CSS Color 4 (W3C), section 10.3. What people
without one sort of cone see: Machado, Oliveira & Fernandes (2009), IEEE TVCG 15(6), severity
1.0, on linear sRGB. ``test_colours.py`` checks all of them against a reference library.
"""

import numpy as np

TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750],
     [0.0193339, 0.1191920, 0.9503041]]
)  # fmt: skip
TO_CONES = np.array(
    [[0.4122214708, 0.5363325363, 0.0514459929], [0.2119034982, 0.6806995451, 0.1073969566],
     [0.0883024619, 0.2817188376, 0.6299787005]]
)  # fmt: skip
TO_OKLAB = np.array(
    [[0.2104542553, 0.7936177850, -0.0040720468], [1.9779984951, -2.4285922050, 0.4505937099],
     [0.0259040371, 0.7827717662, -0.8086757660]]
)  # fmt: skip
VISION = {
    "usual": np.eye(3),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
         [-0.011820, 0.042940, 0.968881]]
    ),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
         [-0.003882, -0.048116, 1.051998]]
    ),
}  # fmt: skip


def linear(colour):
    """Give linear RGB, 0 to 1, of ``#rrggbb``."""
    parts = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def contrast(one, other):
    """Give the contrast ratio of two colours, 1 to 21."""
    low, high = sorted(float(TO_XYZ[1] @ linear(colour)) for colour in (one, other))
    return (high + 0.05) / (low + 0.05)


def lab(colour, vision="usual"):
    """Give L*, a*, b* of a colour as someone sees it."""
    seen = np.clip(VISION[vision] @ linear(colour), 0, 1)
    ratio = TO_XYZ @ seen / [0.95047, 1.0, 1.08883]
    root = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    x, y, z = root
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def distance(one, other, vision="usual"):
    """Give the distance of two colours, 2.3 of which are just noticed (Mahy et al. 1994)."""
    return float(np.linalg.norm(lab(one, vision) - lab(other, vision)))


def oklab(colour, vision="usual"):
    """Give L, a, b of OKLab of a colour as someone sees it."""
    return TO_OKLAB @ np.cbrt(TO_CONES @ np.clip(VISION[vision] @ linear(colour), 0, 1))


def ok_distance(one, other, vision="usual"):
    """Give the distance in OKLab; CSS Color 4 (W3C), section 13.2, takes 0.02 as just noticed."""
    return float(np.linalg.norm(oklab(one, vision) - oklab(other, vision)))


def grey_distance(one, other):
    """Give the difference in lightness, all that a black-and-white print keeps."""
    return float(abs(lab(one)[0] - lab(other)[0]))

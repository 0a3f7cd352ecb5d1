"""At which distances across the passes unevenness repeats: the machine's or the ground's.

A spread that is too narrow, too wide or heaped repeats with every pass. One that leans
repeats with every second pass in back-and-forth work. The ground's own differences in yield
have distances of their own.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from covermap.errors import SettingsError
from covermap.ground.grid import Grid
from covermap.ground.rasters import Raster, as_raster, stripes
from covermap.tables.said import Said

#: Distance between transects along the passes [m].
TRANSECT_EVERY_M = 5.0
#: Ground this near to where a pass begins or ends is left out [m]: the machine fills and
#: empties there, which in back-and-forth work repeats with every second pass but is no lean.
#: Residue delays of some seconds at harvest speed; a choice of this project (no source).
PASS_ENDS_M = 20.0
#: A shorter stretch cannot tell one spacing from two: a line of a tapered stretch of length L
#: is 2/L wide to either side, and the two lie 1/2 of a spacing's frequency apart.
LEAST_SPACINGS = 6.0
#: Cosine taper at either end of a stretch [spacings]; the shortest gets a whole Hann window.
TAPER_SPACINGS = 3.0
#: Harmonics added up: 1, 1/2, 1/3 of one spacing; 1, 1/3, 1/5 of two.
HARMONICS = 3
#: Half width of the band round each harmonic [1/spacing].
BAND_HALF_WIDTH = 0.2
#: Less unevenness is not named [% CV]. A choice of this project (no source).
LEAST_CV_PCT = 5.0
#: A line stands out if its core is this many times as dense as its flanks. A choice of this
#: project (no source): a pure line in the shortest stretch gives 4, chance gives about 1.
LEAST_CONTRAST = 3.0
#: Bands of the curves per doubling of the distance; one is centred on one spacing.
BANDS_PER_OCTAVE = 6
_CORE_HALF_WIDTH = 0.1
_FLANK_END = 0.25
_LEAST_CELLS_PER_SPACING = 4.0
#: Samples of transects held at once, so that memory does not grow with the field.
_SAMPLES_AT_ONCE = 8_000_000


@dataclass(frozen=True)
class SpectrumCurve:
    """How one raster varies across the passes.

    Attributes
    ----------
    relative_variance : numpy.ndarray
        (bands,) variance ÷ mean² in each band of :attr:`Spectrum.edges_m`; their sum is the
        square of the whole coefficient of variation.
    cv_pct : float
        Coefficient of variation over all distances [%].
    one_spacing_cv_pct, two_spacings_cv_pct : float
        Part of it bound to one spacing and its harmonics, and to two spacings and its odd
        harmonics [%]; parts add up by their squares.
    one_spacing_contrast, two_spacings_contrast : float
        How dense those lines are against their flanks; about 1 where nothing repeats.
    """

    relative_variance: np.ndarray
    cv_pct: float
    one_spacing_cv_pct: float
    two_spacings_cv_pct: float
    one_spacing_contrast: float
    two_spacings_contrast: float

    @property
    def band_cv_pct(self) -> np.ndarray:
        """Coefficient of variation in each band [%]."""
        return np.asarray(100 * np.sqrt(self.relative_variance))


@dataclass(frozen=True)
class Spectrum:
    """Unevenness across the passes by the distance at which it repeats.

    Attributes
    ----------
    spacing_m, heading_deg : float
        Of the passes: between them [m], and their main heading, clockwise from north.
    edges_m : numpy.ndarray
        (bands + 1,) edges of the distance bands, rising [m].
    ratio, residue, given : SpectrumCurve
        Spread ratio (the machine: the ground is divided out), what lies there, and what the
        ground gave up.
    stretches, length_m, longest_m : int, float, float
        Transects, or parts of them, that were used; length of all and of the longest [m].
    reason : Said or None
        Why there is no spectrum; None if there is one.
    """

    spacing_m: float
    heading_deg: float
    edges_m: np.ndarray
    ratio: SpectrumCurve
    residue: SpectrumCurve
    given: SpectrumCurve
    stretches: int
    length_m: float
    longest_m: float
    reason: Said | None

    @property
    def middle_m(self) -> np.ndarray:
        """Middle of each distance band [m]."""
        return np.asarray(np.sqrt(self.edges_m[1:] * self.edges_m[:-1]))


def cross_track_spectrum(
    ratio: np.ndarray | Raster,
    given_kg_m2: np.ndarray | Raster,
    residue_t_ha: np.ndarray | Raster,
    grid: Grid,
    heading_deg: float,
    spacing_m: float,
    *,
    pass_ends_m: float = PASS_ENDS_M,
) -> Spectrum:
    """Find at which distances across the passes the spread is uneven.

    Straight transects square to the heading are read every :data:`TRANSECT_EVERY_M` by nearest
    cell at half a cell, so that each cell counts by the length that the transect has in it.
    Only ground counts that is harvested for ``pass_ends_m`` ahead and behind along the passes.
    Stretches of it without a hole and at least :data:`LEAST_SPACINGS` long are freed of their mean,
    tapered with a cosine over :data:`TAPER_SPACINGS` at either end and Fourier transformed.
    Power is scaled to variance ÷ mean² (Parseval's theorem), tapered ends counting less, and
    averaged over stretches by their length.

    Parameters
    ----------
    ratio, given_kg_m2, residue_t_ha : numpy.ndarray or Raster
        (rows, cols) deposit ÷ what the same ground gave up, NaN where not harvested; what it
        gave up [kg/m²], 0 or NaN where not harvested; what lies there [t/ha].
    heading_deg, spacing_m : float
        Of the passes: main heading, either way [deg clockwise from north], and distance [m];
        NaN where there is none.
    pass_ends_m : float
        Left out where passes begin and end [m].

    Returns
    -------
    Spectrum
        With a ``reason`` and no bands where the field does not allow one.

    Raises
    ------
    SettingsError
        If a raster is not of the grid's shape.
    """
    rasters = tuple(as_raster(values) for values in (ratio, residue_t_ha, given_kg_m2))
    if any(raster.shape != grid.shape for raster in rasters):
        raise SettingsError(
            "cross-track spectrum: a raster is not of the grid's shape.",
            f"Expected {grid.rows} × {grid.cols} cells.",
        )
    reason = _reason_against(grid, heading_deg, spacing_m)
    if reason is not None:
        return _without_bands(heading_deg, spacing_m, reason)
    step_m = grid.cell_m / 2
    longest_m = math.hypot(grid.rows, grid.cols) * grid.cell_m
    sums = _Sums(spacing_m, step_m, longest_m)
    longest_seen_m = 0.0
    transects = _Transects(rasters, grid, heading_deg, step_m)
    for samples in transects.stretches(pass_ends_m):
        length_m = samples.shape[1] * step_m
        longest_seen_m = max(longest_seen_m, length_m)
        # half a sample of grace, or a field six passes wide would fail by rounding
        if length_m >= LEAST_SPACINGS * spacing_m - 2 * step_m and (samples.mean(axis=1) > 0).all():
            sums.add(samples)
    if sums.stretches == 0:
        numbers = {
            "pass_ends_m": pass_ends_m,
            "longest_m": longest_seen_m,
            "spacings": LEAST_SPACINGS,
            "spacing_m": spacing_m,
        }
        return _without_bands(heading_deg, spacing_m, Said("spectrum-none-short", numbers))
    return sums.spectrum(heading_deg)


def _reason_against(grid: Grid, heading_deg: float, spacing_m: float) -> Said | None:
    """Say why there can be no spectrum, if so."""
    if not math.isfinite(heading_deg):
        return Said("spectrum-none-heading")
    if not (math.isfinite(spacing_m) and spacing_m > 0):
        return Said("spectrum-none-spacing")
    most_m = spacing_m / _LEAST_CELLS_PER_SPACING
    if most_m < grid.cell_m:
        numbers = {"cell_m": grid.cell_m, "spacing_m": spacing_m, "most_m": most_m}
        return Said("spectrum-none-coarse", numbers)
    return None


def _without_bands(heading_deg: float, spacing_m: float, reason: Said) -> Spectrum:
    """Give a spectrum that only says why there is none."""
    nothing = SpectrumCurve(np.zeros(0), *(math.nan,) * 5)
    return Spectrum(
        spacing_m, heading_deg, np.zeros(0), nothing, nothing, nothing, 0, 0.0, 0.0, reason
    )


class _Transects:
    """Straight lines square to the passes, read off rasters by nearest cell."""

    def __init__(
        self, rasters: tuple[Raster, ...], grid: Grid, heading_deg: float, step_m: float
    ) -> None:
        self._rasters, self._grid = rasters, grid
        angle = math.radians(heading_deg)
        # cells per metre of travel and per metre to the right, rows running south
        # rounded, so that a line along the rows does not stray over the edge of one
        east, north = round(math.sin(angle), 12), round(math.cos(angle), 12)
        self._along = -north / grid.cell_m, east / grid.cell_m
        self._right = east / grid.cell_m, north / grid.cell_m
        half_m = math.hypot(grid.rows, grid.cols) * grid.cell_m / 2
        self._right_m = np.arange(-half_m, half_m, step_m) + step_m / 2
        lines = math.floor(half_m / TRANSECT_EVERY_M)
        self._along_m = np.arange(-lines, lines + 1) * TRANSECT_EVERY_M

    def _line(self, along_m: float) -> _Line:
        """Give which part of a line lies on the grid, and its cells there."""
        (row, rows), (col, cols) = (
            (
                np.floor(size / 2 + along * along_m + right * self._right_m).astype(np.int32),
                size,
            )
            for size, along, right in zip(self._grid.shape, self._along, self._right, strict=True)
        )
        inside = np.flatnonzero((row >= 0) & (row < rows) & (col >= 0) & (col < cols))
        if len(inside) == 0:
            return _Line(slice(0, 0), row[:0], col[:0])
        part = slice(int(inside[0]), int(inside[-1]) + 1)
        # copies, or the whole line would stay in memory
        return _Line(part, row[part].copy(), col[part].copy())

    def stretches(self, pass_ends_m: float) -> Iterator[np.ndarray]:
        """Give (rasters, samples) of each stretch without a hole."""
        away = math.ceil(pass_ends_m / TRANSECT_EVERY_M)
        # the lines that say whether the middle one lies far enough from the ends of passes
        near: deque[tuple[slice, np.ndarray, np.ndarray]] = deque(maxlen=2 * away + 1)
        for part, read in self._readings():
            usable = np.zeros(len(self._right_m), bool)
            usable[part] = np.isfinite(read).all(axis=0) & (read[-1] > 0)
            near.append((part, read, usable))
            if len(near) < 2 * away + 1:
                continue
            part, read, _ = near[away]
            kept = np.logical_and.reduce([usable[part] for *_, usable in near])
            edges = np.flatnonzero(np.diff(np.concatenate(([False], kept, [False]))))
            for start, end in zip(edges[::2], edges[1::2], strict=True):
                yield read[:, start:end].astype(float)

    def _readings(self) -> Iterator[tuple[slice, np.ndarray]]:
        """Give each line in turn: its part on the grid and (rasters, samples) there."""
        group: list[_Line] = []
        for along_m in self._along_m:
            group.append(self._line(float(along_m)))
            if sum(len(line.row) for line in group) >= _SAMPLES_AT_ONCE:
                yield from self._read(group)
                group = []
        yield from self._read(group)

    def _read(self, group: list[_Line]) -> Iterator[tuple[slice, np.ndarray]]:
        """Read the lines of a group side by side, one stripe of the rasters at a time."""
        dtype = np.result_type(*(raster.rows(0, 1).dtype for raster in self._rasters))
        readings = [np.empty((len(self._rasters), len(line.row)), dtype) for line in group]
        for stripe in stripes(self._grid):
            end = stripe.row + stripe.rows
            crossed = [(line.between(stripe.row, end), line) for line in group]
            if all(part.start == part.stop for part, _ in crossed):
                continue
            for which, raster in enumerate(self._rasters):
                values = raster.rows(stripe.row, stripe.rows).ravel()
                for read, (part, line) in zip(readings, crossed, strict=True):
                    cell = (line.row[part] - stripe.row).astype(np.intp) * stripe.cols
                    read[which, part] = values[cell + line.col[part]]
        for line, read in zip(group, readings, strict=True):
            yield line.part, read


@dataclass(frozen=True)
class _Line:
    """The part of a transect on the grid, and the row and column of each sample there."""

    part: slice
    row: np.ndarray
    col: np.ndarray

    def between(self, first: int, end: int) -> slice:
        """Give the samples in the rows from ``first`` to before ``end``."""
        # a straight line crosses the rows in one direction
        if len(self.row) and self.row[0] > self.row[-1]:
            back = len(self.row) - np.searchsorted(self.row[::-1], (first, end))
            return slice(int(back[1]), int(back[0]))
        start, stop = np.searchsorted(self.row, (first, end))
        return slice(int(start), int(stop))


class _Sums:
    """Adds up the power of stretches, weighted by their length."""

    def __init__(self, spacing_m: float, step_m: float, longest_m: float) -> None:
        self._spacing_m, self._step_m = spacing_m, step_m
        octaves = math.log2(spacing_m / (2 * longest_m)), math.log2(spacing_m / step_m)
        first, last = (round(BANDS_PER_OCTAVE * octave) for octave in octaves)
        steps = np.arange(first - 2, last + 2) - 0.5
        self._edges_per_m = 2 ** (steps / BANDS_PER_OCTAVE) / spacing_m
        self._power = np.zeros((3, len(steps) - 1))
        # [one spacing, two spacings] × rasters
        self._bound, self._core, self._flank = np.zeros((3, 2, 3))
        self._core_width, self._flank_width = np.zeros((2, 2, 1))
        self._length_m, self._longest_m = 0.0, 0.0
        self.stretches = 0

    def add(self, samples: np.ndarray) -> None:
        """Add one stretch, (rasters, samples)."""
        count = samples.shape[1]
        length_m = count * self._step_m
        ramp = min(round(TAPER_SPACINGS * self._spacing_m / self._step_m), count // 2)
        taper = np.ones(count)
        taper[:ramp] = np.sin(np.pi * (np.arange(ramp) + 0.5) / (2 * ramp)) ** 2
        taper[count - ramp :] = taper[:ramp][::-1]
        mean = samples @ taper / taper.sum()
        line = np.fft.rfft((samples / mean[:, None] - 1) * taper)
        power = 2 * np.abs(line) ** 2 / (count * (taper @ taper))
        if count % 2 == 0:
            power[:, -1] /= 2
        power[:, 0] = 0  # nothing but rounding: the tapered mean is taken off
        # each line speaks for the frequencies half way to its neighbours
        ends = (np.arange(power.shape[1]) + 0.5) / length_m
        total = np.cumsum(power, axis=1)
        self._power += length_m * np.array(
            [np.diff(np.interp(self._edges_per_m, ends, row, left=0.0)) for row in total]
        )
        self._add_lines(power, length_m)
        self._length_m += length_m
        self._longest_m = max(self._longest_m, length_m)
        self.stretches += 1

    def _add_lines(self, power: np.ndarray, length_m: float) -> None:
        half_spacings = 2 * self._spacing_m / length_m * np.arange(power.shape[1])
        half_spacings = half_spacings[half_spacings < 2 * HARMONICS + 0.5]
        power = power[:, : len(half_spacings)]
        nearest = np.rint(half_spacings).astype(int)
        off = np.abs(half_spacings - nearest) / 2
        for which, family in enumerate(((nearest % 2 == 0) & (nearest > 0), nearest % 2 == 1)):
            core = family & (off <= _CORE_HALF_WIDTH)
            flank = family & (off > _CORE_HALF_WIDTH) & (off <= _FLANK_END)
            bound = family & (off <= BAND_HALF_WIDTH)
            self._bound[which] += length_m * power[:, bound].sum(axis=1)
            self._core[which] += length_m * power[:, core].sum(axis=1)
            self._flank[which] += length_m * power[:, flank].sum(axis=1)
            # count × 1 / length, weighted by length
            self._core_width[which] += core.sum()
            self._flank_width[which] += flank.sum()

    def spectrum(self, heading_deg: float) -> Spectrum:
        """Give the averages."""
        # a stretch of length L says nothing about distances beyond 2 L
        used = self._edges_per_m[1:] > 0.5 / self._longest_m
        edges_m = 1 / self._edges_per_m[np.flatnonzero(used)[0] :][::-1]
        power = (self._power[:, used] / self._length_m)[:, ::-1]
        bound = 100 * np.sqrt(self._bound / self._length_m)
        with np.errstate(divide="ignore", invalid="ignore"):
            contrast = (self._core / self._core_width) / (self._flank / self._flank_width)
        ratio, residue, given = (
            SpectrumCurve(
                power[k],
                float(100 * np.sqrt(power[k].sum())),
                float(bound[0, k]),
                float(bound[1, k]),
                float(contrast[0, k]),
                float(contrast[1, k]),
            )
            for k in range(3)
        )
        return Spectrum(
            self._spacing_m,
            heading_deg,
            edges_m,
            ratio,
            residue,
            given,
            self.stretches,
            self._length_m,
            self._longest_m,
            None,
        )


def spectrum_findings(spectrum: Spectrum) -> list[Said]:
    """Say what repeats with the passes.

    Named is what holds at least :data:`LEAST_CV_PCT` and stands out by
    :data:`LEAST_CONTRAST`; the stronger comes first.
    """
    if spectrum.reason is not None:
        return [spectrum.reason]
    ratio, given = spectrum.ratio, spectrum.given
    lines = (
        (
            ratio.one_spacing_cv_pct,
            ratio.one_spacing_contrast,
            "spectrum-one-spacing",
            {"distance_m": spectrum.spacing_m, "ground_cv_pct": given.one_spacing_cv_pct},
        ),
        (
            ratio.two_spacings_cv_pct,
            ratio.two_spacings_contrast,
            "spectrum-two-spacings",
            {"distance_m": 2 * spectrum.spacing_m, "ground_cv_pct": given.two_spacings_cv_pct},
        ),
    )
    named = [line for line in lines if line[0] >= LEAST_CV_PCT and not line[1] < LEAST_CONTRAST]
    if named:
        named.sort(key=lambda line: line[:3], reverse=True)
        return [Said(rule, {**numbers, "cv_pct": cv_pct}) for cv_pct, _, rule, numbers in named]
    rule = "spectrum-other" if ratio.cv_pct >= LEAST_CV_PCT else "spectrum-even"
    return [Said(rule, {"cv_pct": ratio.cv_pct})]

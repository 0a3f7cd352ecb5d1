"""Lay whole passes of residue bands on the grid, exactly: the inner loops of the deposit.

The same areas as :mod:`covermap.ground.rasterise`, found for a run of bands at once. Where
one band ends the next begins, so the line between them is walked once, with the difference
of the two densities; running sums along the rows are taken once for the whole run. Edges
are worked side by side in *lanes*, which the compiler turns into vector instructions.

A run is worked out on rows of its own, each as long as the run needs there. What a run puts
on a cell does not depend on the window that is asked for.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from covermap.ground.compiled import compiled_fast

#: Edges worked side by side.
LANES = 64
#: Covered mass below this part of a band's mass is rounding noise of the running sum.
NOISE = 1e-13
#: A run grows no larger than this [cells].
MOST_CELLS = 1 << 20

# where each number of the lanes lies in the scratch
_XA, _YA, _XB, _YB, _WEIGHT = 0, LANES, 2 * LANES, 3 * LANES, 4 * LANES
_SLOPE, _PER_X, _ROW = 5 * LANES, 6 * LANES, 7 * LANES
_HEIGHT, _HERE, _BEYOND = 8 * LANES, 9 * LANES, 10 * LANES
LANE_NUMBERS = 11 * LANES
_AT, LANE_PLACES = LANES, 2 * LANES
_ONE, _TWO = np.uint64(1), np.uint64(2)
_FAR = 1 << 60
#: A bin of less area is a point [cells].
_NO_AREA = 1e-12
#: Rounding may put a point this far out of its box [cells].
_SLACK = 1e-9


class Load(NamedTuple):
    """Bands, and which of them count: those not skipped, of chunks that are near.

    ``near`` marks the chunks of ``chunk`` bands that may touch the window's rows, as
    :func:`covermap.ground.near_rows.near_window` tells.
    """

    corners: np.ndarray
    mass: np.ndarray
    profile: np.ndarray
    shares: np.ndarray
    bins: np.ndarray
    near: np.ndarray
    chunk: int
    skipped: np.ndarray  # scratch; (0,) where none is


class Sheet(NamedTuple):
    """Row sums of a run with the lanes that fill them.

    Row ``r`` of the window begins in the sums at ``row_at[r] + low[r]`` and holds the columns
    from ``low[r]`` to before ``high[r]``, counted from ``place[3]``.
    """

    lanes: np.ndarray
    places: np.ndarray
    low: np.ndarray
    high: np.ndarray
    row_at: np.ndarray
    place: np.ndarray  # west, north [m], cells per metre, first column, first row
    numbers: np.ndarray  # (3, most bins + 1)
    sums: np.ndarray  # zeros before a run, and left so by whoever reads them


@compiled_fast
def _add_lanes(
    count: int,
    lanes: np.ndarray,
    places: np.ndarray,
    sums: np.ndarray,
    row_at: np.ndarray,
    row0: int,
    rows: int,
) -> None:
    """Add ``count`` edges to the row sums: ``weight`` per unit of area to the right of each.

    No edge may run over more than one column within one row.
    """
    steps = 0
    for k in range(count):
        # read first, choose then: a read that hangs on a choice cannot be made side by side
        x0, y0, x1, y1 = lanes[_XA + k], lanes[_YA + k], lanes[_XB + k], lanes[_YB + k]
        steeper = lanes[_WEIGHT + k]
        upward = y0 > y1
        xa, ya = x1 if upward else x0, y1 if upward else y0
        xb, yb = x0 if upward else x1, y0 if upward else y1
        weight = -steeper if upward else steeper
        dx, dy = xb - xa, yb - ya
        lanes[_SLOPE + k] = dx / dy if dy > 0.0 else 0.0
        lanes[_PER_X + k] = 0.5 * weight * dy / abs(dx) if dx != 0.0 else 0.0
        row = np.floor(ya)
        lanes[_ROW + k] = row
        places[k] = int(row) - row0
        steps = max(steps, int(np.ceil(yb) - row))
        lanes[_XA + k] = xa
        lanes[_YA + k] = ya
        lanes[_YB + k] = yb
        lanes[_WEIGHT + k] = weight
    for step in range(steps):
        down = float(step)
        for k in range(count):
            top = lanes[_ROW + k] + down
            ya, yb = lanes[_YA + k], lanes[_YB + k]
            y = ya if ya > top else top
            y_next = yb if yb < top + 1.0 else top + 1.0
            per_x = lanes[_PER_X + k]
            per_x = per_x if y_next > y else 0.0
            height = (y_next - y if y_next > y else 0.0) * lanes[_WEIGHT + k]
            x = lanes[_XA + k] + lanes[_SLOPE + k] * (y - ya)
            x_next = lanes[_XA + k] + lanes[_SLOPE + k] * (y_next - ya)
            x_low = x if x < x_next else x_next
            x_high = x_next if x < x_next else x
            col = np.floor(x_low)
            to_low, to_high = col + 1.0 - x_low, col + 1.0 - x_high
            inside = to_high >= 0.0
            lanes[_HEIGHT + k] = height
            lanes[_HERE + k] = (
                0.5 * height * (to_low + to_high) if inside else to_low * to_low * per_x
            )
            lanes[_BEYOND + k] = 0.0 if inside else to_high * to_high * per_x
            places[_AT + k] = int(col)
        for k in range(count):
            height = lanes[_HEIGHT + k]
            row = places[k] + step
            if height == 0.0 or row < 0 or row >= rows:
                continue
            # unsigned, or every look-up would first ask whether it counts from the end
            at = np.uint64(row_at[np.uint64(row)] + places[_AT + k])
            here, beyond = lanes[_HERE + k], lanes[_BEYOND + k]
            sums[at] += here
            sums[at + _ONE] += height - beyond - here
            sums[at + _TWO] += beyond


@compiled_fast
def _add_line(
    x: float,
    y: float,
    dx: float,
    dy: float,
    bins: int,
    weight: np.ndarray,
    lanes: np.ndarray,
    places: np.ndarray,
    sums: np.ndarray,
    row_at: np.ndarray,
    row0: int,
    rows: int,
) -> None:
    """Add a straight line across a band, one weight a bin."""
    if dy == 0.0:
        return
    pieces = 1
    if abs(dx) > bins and abs(dx) > abs(dy):
        pieces = math.ceil(abs(dx) / bins)
    total = bins * pieces
    part = 1.0 / total
    for first in range(0, total, LANES):
        count = min(LANES, total - first)
        for k in range(count):
            near, far = (first + k) * part, (first + k + 1) * part
            lanes[_XA + k] = x + near * dx
            lanes[_YA + k] = y + near * dy
            lanes[_XB + k] = x + far * dx
            lanes[_YB + k] = y + far * dy
        if pieces == 1:
            for k in range(count):
                lanes[_WEIGHT + k] = weight[first + k]
        else:
            for k in range(count):
                lanes[_WEIGHT + k] = weight[(first + k) // pieces]
        _add_lanes(count, lanes, places, sums, row_at, row0, rows)


@compiled_fast
def _add_sides(
    start: np.ndarray,
    end: np.ndarray,
    bins: int,
    step: np.ndarray,
    lanes: np.ndarray,
    places: np.ndarray,
    sums: np.ndarray,
    row_at: np.ndarray,
    row0: int,
    rows: int,
) -> None:
    """Add the edges along the travel: left of the first bin, between bins, right of the last.

    ``start`` and ``end`` are x, y, dx, dy of the lines across the band; ``step`` is how much
    denser it is to the right of each edge than to its left.
    """
    dx0, dy0 = end[0] - start[0], end[1] - start[1]
    dx1, dy1 = dx0 + end[2] - start[2], dy0 + end[3] - start[3]
    widest, flattest = max(abs(dx0), abs(dx1)), min(abs(dy0), abs(dy1))
    pieces = 1
    if widest > 1.0 and not (dy0 * dy1 > 0.0 and widest <= flattest):
        pieces = math.ceil(widest)
    edges = max(LANES // pieces, 1)
    sx, sy, sdx, sdy = start[0], start[1], start[2], start[3]
    ex, ey, edx, edy = end[0], end[1], end[2], end[3]
    part = 1.0 / bins
    for first in range(0, bins + 1, edges):
        count = min(edges, bins + 1 - first)
        for piece_first in range(0, pieces, LANES):
            piece_count = min(LANES, pieces - piece_first)
            if pieces == 1:
                for k in range(count):
                    across = (first + k) * part
                    lanes[_XA + k] = sx + across * sdx
                    lanes[_YA + k] = sy + across * sdy
                    lanes[_XB + k] = ex + across * edx
                    lanes[_YB + k] = ey + across * edy
                for k in range(count):
                    lanes[_WEIGHT + k] = step[first + k]
            else:
                for k in range(count):
                    across = (first + k) * part
                    xa, ya = start[0] + across * start[2], start[1] + across * start[3]
                    xb, yb = end[0] + across * end[2], end[1] + across * end[3]
                    for j in range(piece_count):
                        lane = k * piece_count + j
                        near = (piece_first + j) / pieces
                        far = (piece_first + j + 1) / pieces
                        lanes[_XA + lane] = xa + near * (xb - xa)
                        lanes[_YA + lane] = ya + near * (yb - ya)
                        lanes[_XB + lane] = xa + far * (xb - xa) if far < 1.0 else xb
                        lanes[_YB + lane] = ya + far * (yb - ya) if far < 1.0 else yb
                        lanes[_WEIGHT + lane] = step[first + k]
            _add_lanes(count * piece_count, lanes, places, sums, row_at, row0, rows)


@compiled_fast
def _set_line(
    line: np.ndarray, corners: np.ndarray, i: int, left: int, right: int, place: np.ndarray
) -> None:
    """Write x, y, dx, dy of the line from one corner to another [cells from the run's own]."""
    west, north, per_m, ox, oy = place
    line[0] = (corners[i, left, 0] - west) * per_m - ox
    line[1] = (north - corners[i, left, 1]) * per_m - oy
    line[2] = (corners[i, right, 0] - west) * per_m - ox - line[0]
    line[3] = (north - corners[i, right, 1]) * per_m - oy - line[1]


@compiled_fast
def _set_density(
    start: np.ndarray,
    end: np.ndarray,
    shares: np.ndarray,
    profile: int,
    bins: int,
    mass: float,
    density: np.ndarray,
    sums: np.ndarray,
    row_at: np.ndarray,
    row0: int,
    rows: int,
) -> None:
    """Write mass per cell area of each bin; a bin with no area goes on one cell at once."""
    part = 1.0 / bins
    sx, sy, sdx, sdy = start[0], start[1], start[2], start[3]
    ex, ey, edx, edy = end[0], end[1], end[2], end[3]
    points = 0
    for k in range(bins):
        near, far = k * part, (k + 1) * part
        ax, ay = sx + near * sdx, sy + near * sdy
        bx, by = ex + near * edx, ey + near * edy
        cx, cy = sx + far * sdx, sy + far * sdy
        dx, dy = ex + far * edx, ey + far * edy
        area = 0.5 * ((cx - bx) * (dy - ay) - (dx - ax) * (cy - by))
        even = mass * shares[profile, k] / area
        density[k] = even if abs(area) > _NO_AREA else 0.0
        points += 1 if abs(area) <= _NO_AREA else 0
    if points == 0:
        return
    for k in range(bins):  # a machine turning on the spot
        if density[k] != 0.0 or shares[profile, k] == 0.0:
            continue
        middle = (k + 0.5) / bins
        x = 0.5 * (start[0] + end[0] + middle * (start[2] + end[2]))
        row = math.floor(0.5 * (start[1] + end[1] + middle * (start[3] + end[3]))) - row0
        if 0 <= row < rows:
            at = row_at[row] + math.floor(x)
            sums[at] += mass * shares[profile, k]
            sums[at + 1] -= mass * shares[profile, k]


@compiled_fast
def _box(corners: np.ndarray, i: int, place: np.ndarray, box: np.ndarray) -> None:
    """Write first row, row after the last, first column, column after the last of a band."""
    west, north, per_m, ox, oy = place
    x_low = min(min(corners[i, 0, 0], corners[i, 1, 0]), min(corners[i, 2, 0], corners[i, 3, 0]))
    x_high = max(max(corners[i, 0, 0], corners[i, 1, 0]), max(corners[i, 2, 0], corners[i, 3, 0]))
    y_low = min(min(corners[i, 0, 1], corners[i, 1, 1]), min(corners[i, 2, 1], corners[i, 3, 1]))
    y_high = max(max(corners[i, 0, 1], corners[i, 1, 1]), max(corners[i, 2, 1], corners[i, 3, 1]))
    box[0] = math.floor((north - y_high) * per_m - oy - _SLACK)
    box[1] = math.floor((north - y_low) * per_m - oy + _SLACK) + 1
    box[2] = math.floor((x_low - west) * per_m - ox - _SLACK)
    # an edge reaches two cells beyond its own
    box[3] = math.floor((x_high - west) * per_m - ox + _SLACK) + 3


@compiled_fast
def find_runs(
    corners: np.ndarray,
    mass: np.ndarray,
    pass_index: np.ndarray,
    grid: np.ndarray,
    first_row: int,
    rows: int,
    runs: np.ndarray,
    heaviest: np.ndarray,
) -> int:
    """Part the bands into runs: of one pass, and compact enough to be worked out together.

    Parameters
    ----------
    corners, mass, pass_index : numpy.ndarray
        (n, 4, 2) easting, northing [m]; (n,) [kg]; (n,) bands of one pass stand together.
    grid : numpy.ndarray
        west, north [m], cells per metre, 0, 0.
    first_row, rows : int
        That hold all bands.
    runs : numpy.ndarray
        (n, 4) to be filled: first band, band after the last, first row, row after the last.
    heaviest : numpy.ndarray
        (n,) to be filled: largest mass of a band of the run [kg].

    Returns
    -------
    int
        Number of runs.
    """
    box = np.zeros(4, np.int64)
    low, high = np.full(rows, _FAR, np.int64), np.full(rows, -_FAR, np.int64)
    count = 0
    cells = 0
    alone = 0
    for i in range(len(mass)):
        _box(corners, i, grid, box)
        own = (box[1] - box[0]) * (box[3] - box[2])
        alone += own
        follows = count > 0 and pass_index[i] == pass_index[i - 1]
        if follows:
            for row in range(box[0] - first_row, box[1] - first_row):
                left, right = min(low[row], box[2]), max(high[row], box[3])
                cells += right - left - max(high[row] - low[row], 0)
                low[row], high[row] = left, right
        if not follows or cells > alone or cells > MOST_CELLS:
            if count:
                first = min(runs[count - 1, 2], box[0]) - first_row
                last = max(runs[count - 1, 3], box[1]) - first_row
                low[first:last] = _FAR
                high[first:last] = -_FAR
            low[box[0] - first_row : box[1] - first_row] = box[2]
            high[box[0] - first_row : box[1] - first_row] = box[3]
            runs[count] = (i, i, box[0], box[1])
            heaviest[count] = 0.0
            count += 1
            cells = own
            alone = own
        runs[count - 1, 1] = i + 1
        runs[count - 1, 2] = min(runs[count - 1, 2], box[0])
        runs[count - 1, 3] = max(runs[count - 1, 3], box[1])
        heaviest[count - 1] = max(heaviest[count - 1], abs(mass[i]))
    return count


@compiled_fast
def _lay_out_rows(
    load: Load, first: int, last: int, sheet: Sheet, row0: int, top: int, bottom: int
) -> int:
    """Write first column, column after the last and place of each row of a run; give its size."""
    low, high, row_at = sheet.low, sheet.high, sheet.row_at
    box = np.zeros(4, np.int64)
    for r in range(top, bottom):
        low[r], high[r] = _FAR, -_FAR
    for part in range(first // load.chunk, (last - 1) // load.chunk + 1):
        if not load.near[part]:
            continue
        for i in range(max(first, part * load.chunk), min(last, (part + 1) * load.chunk)):
            if len(load.skipped) and load.skipped[i]:
                continue
            _box(load.corners, i, sheet.place, box)
            for r in range(max(box[0] - row0, top), min(box[1] - row0, bottom)):
                low[r] = min(low[r], box[2])
                high[r] = max(high[r], box[3])
    size = 0
    for r in range(top, bottom):
        row_at[r] = size - low[r] if low[r] < high[r] else 0
        size += max(high[r] - low[r], 0)
    return size


@compiled_fast
def _add_run(load: Load, first: int, last: int, sheet: Sheet, row0: int) -> None:
    """Add the edges of all bands of a run to its row sums."""
    corners, mass, profile, shares, bins, near, chunk, skipped = load
    lanes, places, sums, row_at, place = (
        sheet.lanes, sheet.places, sheet.sums, sheet.row_at, sheet.place
    )  # fmt: skip
    rows = len(row_at)
    density, before, step = sheet.numbers[0], sheet.numbers[1], sheet.numbers[2]
    start, end, previous = np.zeros(4), np.zeros(4), np.zeros(4)
    box = np.zeros(4, np.int64)
    held = 0
    i = first - 1
    while i < last:
        i += 1
        if held == 0 and i < last and not near[i // chunk]:
            i = min((i // chunk + 1) * chunk, last) - 1
            continue
        here = 0
        # only bands that had a part in laying out the rows, or the sums would be overrun
        wanted = i < last and near[i // chunk] and not (len(skipped) and skipped[i])
        if wanted and mass[i] != 0.0:
            _box(corners, i, place, box)
            if box[1] > row0 and box[0] < row0 + rows:
                here = bins[profile[i]]
        if here:
            _set_line(start, corners, i, 0, 1, place)
            _set_line(end, corners, i, 3, 2, place)
            _set_density(
                start, end, shares, profile[i], here, mass[i], density,
                sums, row_at, row0, rows,
            )  # fmt: skip
        shared = (
            held == here
            and previous[0] == start[0]
            and previous[1] == start[1]
            and previous[2] == start[2]
            and previous[3] == start[3]
        )
        if held:
            for k in range(held):
                step[k] = before[k] - density[k] if shared else before[k]
            _add_line(
                previous[0], previous[1], previous[2], previous[3], held, step,
                lanes, places, sums, row_at, row0, rows,
            )  # fmt: skip
        if here and not shared:
            for k in range(here):
                step[k] = -density[k]
            _add_line(
                start[0], start[1], start[2], start[3], here, step,
                lanes, places, sums, row_at, row0, rows,
            )  # fmt: skip
        if here:
            step[0] = density[0]
            for k in range(1, here):
                step[k] = density[k] - density[k - 1]
            step[here] = -density[here - 1]
            _add_sides(start, end, here, step, lanes, places, sums, row_at, row0, rows)
            before, density = density, before
            previous, end = end, previous
        held = here


@compiled_fast
def _new_sheet(rows: int, most_bins: int) -> Sheet:
    """Make the sheet that runs are worked out on, one after the other."""
    return Sheet(
        np.zeros(LANE_NUMBERS),
        np.zeros(LANE_PLACES, np.int64),
        np.zeros(rows, np.int64),
        np.zeros(rows, np.int64),
        np.zeros(rows, np.int64),
        np.zeros(5),
        np.zeros((3, most_bins + 1)),
        np.zeros(1),
    )


@compiled_fast
def _sum_run(
    load: Load, run: np.ndarray, grid: np.ndarray, window_row: int, sheet: Sheet
) -> tuple[int, int, Sheet]:
    """Work out one run: its first row and row after the last in the window, and its sheet."""
    first, last = run[0], run[1]
    top, bottom = max(run[2] - window_row, 0), min(run[3] - window_row, len(sheet.row_at))
    if top >= bottom:
        return 0, 0, sheet
    # cells are counted from a corner of the run's own, whatever the window
    place = sheet.place
    place[:3] = grid[:3]
    place[3] = math.floor((load.corners[first, 0, 0] - grid[0]) * grid[2])
    place[4] = math.floor((grid[1] - load.corners[first, 0, 1]) * grid[2])
    row0 = window_row - int(place[4])
    size = _lay_out_rows(load, first, last, sheet, row0, top, bottom)
    if size > len(sheet.sums):
        sheet = Sheet(
            sheet.lanes, sheet.places, sheet.low, sheet.high, sheet.row_at, place,
            sheet.numbers, np.zeros(size),
        )  # fmt: skip
    _add_run(load, first, last, sheet, row0)
    return top, bottom, sheet


@compiled_fast
def lay_runs(
    load: Load,
    pass_index: np.ndarray,
    runs: np.ndarray,
    heaviest: np.ndarray,
    grid: np.ndarray,
    window_row: int,
    window_col: int,
    meaningful: float,
    total: np.ndarray,
    layers: np.ndarray,
    landed: np.ndarray,
    cut_pass: np.ndarray,
    on_standing: np.ndarray,
    of_pass: np.ndarray,
    latest_pass: np.ndarray,
) -> None:
    """Add runs to ``total`` [of the unit of the load's mass] and count layers.

    ``cut_pass`` may be (0, 0) where on_standing is not asked for; ``of_pass`` (float32) and
    ``latest_pass`` (int32, -1) may be (0, 0) where no pass has several runs.
    """
    rows, cols = total.shape
    sheet = _new_sheet(rows, load.shares.shape[1])
    low, high, row_at = sheet.low, sheet.high, sheet.row_at
    for number in range(len(runs)):
        top, bottom, sheet = _sum_run(load, runs[number], grid, window_row, sheet)
        sums = sheet.sums
        noise = heaviest[number] * NOISE
        own = pass_index[runs[number, 0]]
        whole = len(of_pass) == 0
        asked = len(cut_pass) > 0
        shift = int(sheet.place[3]) - window_col
        fallen = 0.0
        uncut = 0.0
        for r in range(top, bottom):
            running = 0.0
            begin = row_at[r] + low[r]
            for k in range(max(high[r] - low[r], 0)):
                at = np.uint64(begin + k)
                running += sums[at]
                sums[at] = 0.0
                col = low[r] + k + shift
                if abs(running) <= noise or col < 0 or col >= cols:
                    continue
                total[r, col] += running
                fallen += running
                if asked and cut_pass[r, col] > own:
                    uncut += running
                if whole:
                    if running >= meaningful:
                        layers[r, col] += 1
                    continue
                if latest_pass[r, col] != own:
                    latest_pass[r, col] = own
                    of_pass[r, col] = 0.0
                had = of_pass[r, col]
                of_pass[r, col] = had + running
                if had < meaningful <= of_pass[r, col]:
                    layers[r, col] += 1
        landed[own] += fallen
        on_standing[own] += uncut


@compiled_fast
def _on_busy(
    corners: np.ndarray,
    i: int,
    grid: np.ndarray,
    window_row: int,
    rows: int,
    cols: int,
    busy: np.ndarray,
    block: int,
    box: np.ndarray,
) -> bool:
    """Tell whether a band may touch a block that holds a strip."""
    _box(corners, i, grid, box)
    for r in range(
        max(box[0] - window_row, 0) // block,
        (min(box[1] - window_row, rows) + block - 1) // block,
    ):
        for c in range(max(box[2], 0) // block, (min(box[3], cols) + block - 1) // block):
            if busy[r, c]:
                return True
    return False


@compiled_fast
def sum_runs_on_strips(
    load: Load,
    runs: np.ndarray,
    heaviest: np.ndarray,
    grid: np.ndarray,
    window_row: int,
    strip_of_cell: np.ndarray,
    busy: np.ndarray,
    block: int,
    found: np.ndarray,
) -> None:
    """Add what runs put on each strip to ``found`` (strips + 1,) [of the unit of the load's mass].

    ``strip_of_cell`` holds whole rows from ``window_row``; ``busy`` marks its blocks of
    ``block`` × ``block`` cells that hold any strip, so that other bands cost nothing.
    """
    rows, cols = strip_of_cell.shape
    sheet = _new_sheet(rows, load.shares.shape[1])
    low, high, row_at = sheet.low, sheet.high, sheet.row_at
    box = np.zeros(4, np.int64)
    for number in range(len(runs)):
        first, last = runs[number, 0], runs[number, 1]
        for part in range(first // load.chunk, (last - 1) // load.chunk + 1):
            if not load.near[part]:
                continue
            for i in range(max(first, part * load.chunk), min(last, (part + 1) * load.chunk)):
                load.skipped[i] = not _on_busy(
                    load.corners, i, grid, window_row, rows, cols, busy, block, box
                )
        top, bottom, sheet = _sum_run(load, runs[number], grid, window_row, sheet)
        sums = sheet.sums
        noise = heaviest[number] * NOISE
        shift = int(sheet.place[3])
        for r in range(top, bottom):
            running = 0.0
            # cells side by side are mostly of one strip: added up here, written once
            strip = 0
            together = 0.0
            begin = row_at[r] + low[r]
            for k in range(max(high[r] - low[r], 0)):
                at = np.uint64(begin + k)
                running += sums[at]
                sums[at] = 0.0
                col = low[r] + k + shift
                if abs(running) <= noise or col < 0 or col >= cols:
                    continue
                here = strip_of_cell[r, col]
                if here != strip:
                    if strip > 0:
                        found[strip] += together
                    strip = here
                    together = 0.0
                together += running
            if strip > 0:
                found[strip] += together

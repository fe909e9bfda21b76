"""Bayer mosaics to linear RGB, strip by strip, along the direction in which colour changes least.

Green follows Pekkucuksen and Altunbasak, "Gradient based threshold free color filter array
interpolation" (ICIP 2010), with the measured ratio of the colours' contrasts in place of the
assumption that they change alike. Red and blue are local linear functions of green, in the spirit
of Kiku, Monno, Tanaka and Okutomi, "Residual interpolation for color image demosaicking" (ICIP
2013). Everything runs on square roots of linear light. Knows nothing of files, cameras or threads.

A row at a time streams through a pipeline of short loops, in column tiles that keep all of it in
the second-level cache. Each loop has one or two outputs and few inputs, because the compiler only
vectorises what it can check for overlap; ``j`` is the left end of a loop's window.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.elementary import f32, inlined, kernel
from pipeline.kernels.highlights import (
    BLOCK,
    FULL,
    ONSET,
    WHITENING,
    colour_around,
    restored,
    surrounding_colours,
)

Float32 = NDArray[np.float32]

MARGIN = 12
"""How many rows and columns around it a pixel depends on; even, to keep the mosaic's phase."""
OFFSET = f32(0.005)
"""Added before the square root: it tames the slope of the root around black. Chosen, like the
constants below, on images that the benchmark does not judge by."""
FLAT = f32(1e-3)
"""A contrast, in roots, under which there is no direction to tell."""
SLACK = f32(0.5)
"""How far green may leave the range of its four neighbours, as a share of that range."""
FLAT_VARIANCE = f32(0.01)
"""Sums of squared steps, in roots, under which colours are taken to change alike."""
STEEPEST = f32(1.5)
"""The largest change of red or blue with green that is believed."""

_TILE = 2048
_RING = 16  # rows kept of each stage, more than any stage looks back
_LAST = _RING - 1  # index & _LAST is index modulo _RING


class Mosaic(NamedTuple):
    """A Bayer mosaic and what its samples mean.

    ``samples`` is (height, width), both at least 4. ``black`` and ``scale``, (2, 2), give
    ``(sample - black) * scale`` by parity of row and column: linear RGB, as-shot balanced, about 0
    to 1. ``red_row`` and ``red_column`` are the parities where red lies. ``clip``, (3,), is where
    each colour clips, and ``colours`` what ``surrounding_colours`` found, with no rows where
    nothing is clipped.
    """

    samples: NDArray[np.uint16]
    black: Float32
    scale: Float32
    red_row: int
    red_column: int
    clip: Float32
    colours: Float32


@kernel
def _mirrored(index, length):
    """An index inside a line, mirrored at both ends as often as needed, so that parity is kept."""
    if 0 <= index < length:
        return index
    period = 2 * (length - 1)
    index = abs(index) % period
    return index if index < length else period - index


@inlined
def _root(linear):
    """Signed, so that noise under black stays what it is."""
    t = linear + OFFSET
    return np.copysign(np.sqrt(abs(t)), t)


@inlined
def _linear(root):
    return root * abs(root) - OFFSET


@kernel
def _load(samples, black, scale, left, x):
    """Roots of one row of samples; ``x[0]`` belongs to column ``left``, which may lie outside."""
    width = samples.shape[0]
    begin = max(-left, 0)
    end = min(width - left, x.shape[0])
    inside = samples[left + begin : left + end]
    target, blacks, scales = x[begin:end], black[begin:end], scale[begin:end]
    for j in range(inside.shape[0]):
        target[j] = _root((f32(inside[j]) - blacks[j]) * scales[j])
    for j in range(begin):
        x[j] = _root((f32(samples[_mirrored(left + j, width)]) - black[j]) * scale[j])
    for j in range(end, x.shape[0]):
        x[j] = _root((f32(samples[_mirrored(left + j, width)]) - black[j]) * scale[j])


@inlined
def _value(samples, black, scale, row, column):
    level = f32(samples[row, column]) - black[row & 1, column & 1]
    return level * scale[row & 1, column & 1]


@kernel
def _restored_sample(samples, black, scale, red_row, red_column, clip, colours, row, column):
    """A sample's linear value, restored where it is clipped, from its neighbours' other colours.

    An open one follows its clipped neighbours where they turn white, or their colour would tip.
    """
    height, width = samples.shape
    plane = ((row + red_row) & 1) + ((column + red_column) & 1)
    own = _value(samples, black, scale, row, column)
    if own < WHITENING * clip[plane]:
        return own
    above, below = _mirrored(row - 1, height), _mirrored(row + 1, height)
    before, after = _mirrored(column - 1, width), _mirrored(column + 1, width)
    beside = _value(samples, black, scale, row, before) + _value(samples, black, scale, row, after)
    upright = _value(samples, black, scale, above, column) + _value(
        samples, black, scale, below, column
    )
    r = g = b = f32(0)
    if plane == 1:
        on_red_row = (row & 1) == red_row
        g = own
        r = f32(0.5) * (beside if on_red_row else upright)
        b = f32(0.5) * (upright if on_red_row else beside)
    else:
        g = f32(0.25) * (beside + upright)
        diagonal = f32(0.25) * (
            _value(samples, black, scale, above, before)
            + _value(samples, black, scale, above, after)
            + _value(samples, black, scale, below, before)
            + _value(samples, black, scale, below, after)
        )
        r = own if plane == 0 else diagonal
        b = diagonal if plane == 0 else own
    if r >= FULL * clip[0] and g >= FULL * clip[1] and b >= FULL * clip[2]:
        return max(own, clip[0], clip[1], clip[2])  # what follows, in the most frequent case
    if own < ONSET * clip[plane]:
        open_r, open_g, open_b = r < ONSET * clip[0], g < ONSET * clip[1], b < ONSET * clip[2]
        if open_r and open_g and open_b:
            return own
    around = colour_around(colours, row, column)
    return restored(r, g, b, around, clip)[plane]


@kernel
def _wholly_clipped(above, row, below, full_here, full_beside):
    """Whether all samples of three short pieces of rows have reached their clipping levels."""
    least = f32(0)
    for j in range(row.shape[0]):
        outer = min(f32(above[j]), f32(below[j])) - full_beside[j]
        least = min(least, f32(row[j]) - full_here[j], outer)
    return least >= f32(0)


@kernel
def _partly_clipped(above, row, below, doubted_here, doubted_beside):
    """Whether any sample of three short pieces of rows may have reached its clipping level."""
    most = f32(-1)
    for j in range(row.shape[0]):
        outer = max(f32(above[j]), f32(below[j])) - doubted_beside[j]
        most = max(most, f32(row[j]) - doubted_here[j], outer)
    return most >= f32(0)


@kernel
def _restore_row(mosaic, row, left, parity, limit, doubted, full, x):
    """Restore what is clipped in a loaded row.

    ``limit`` holds the roots from which on samples may be changed, ``doubted`` and ``full`` the raw
    levels at which they may be clipped and are for certain, all by parity of the row and by column.
    """
    samples, black, scale, red_row, red_column, clip, colours = mosaic
    height, width = samples.shape
    limits, white = limit[parity], _root(max(clip[0], clip[1], clip[2]))
    for start in range(0, x.shape[0], 16):
        piece = x[start : start + 16]
        excess = f32(-1)
        for j in range(piece.shape[0]):
            excess = max(excess, piece[j] - limits[start + j])
        if excess < f32(0):
            continue
        # blown areas are large and all alike: what follows would give the same, at a high price
        begin, end = left + start - 1, left + start + 17
        if begin >= 0 and end <= width and 0 < row < height - 1 and start > 0:
            above, middle, below = (
                samples[row - 1, begin:end],
                samples[row, begin:end],
                samples[row + 1, begin:end],
            )
            here, beside = doubted[parity, start - 1 :], doubted[1 - parity, start - 1 :]
            if not _partly_clipped(above, middle, below, here, beside):
                continue
            here, beside = full[parity, start - 1 :], full[1 - parity, start - 1 :]
            if _wholly_clipped(above, middle, below, here, beside):
                piece[:] = white
                continue
        for j in range(piece.shape[0]):
            if piece[j] >= limits[start + j]:
                column = _mirrored(left + start + j, width)
                linear = _restored_sample(
                    samples, black, scale, red_row, red_column, clip, colours, row, column
                )
                piece[j] = _root(linear)


@kernel
def _steps(before, after, out):
    for j in range(out.shape[0]):
        out[j] = abs(after[j] - before[j])


@kernel
def _sum2(a, b, out):
    for j in range(out.shape[0]):
        out[j] = a[j] + b[j]


@kernel
def _sum3(a, b, c, out):
    for j in range(out.shape[0]):
        out[j] = a[j] + b[j] + c[j]


@kernel
def _sum4(a, b, c, d, out):
    for j in range(out.shape[0]):
        out[j] = a[j] + b[j] + c[j] + d[j]


@kernel
def _contrast_ratio(a, b, c, d, e, f, g, out):
    """The other colour's contrast by the own, at most 1, from sums of steps up to three away."""
    for j in range(out.shape[0]):
        other = a[j] + g[j] + f32(2) * (c[j] + e[j])
        own = f32(2) * (b[j] + d[j] + f[j])
        out[j] = min((other + FLAT) / (own + FLAT), f32(1))


@kernel
def _difference(x, before2, before, after, after2, ratio, sign, out):
    """Green less the other colour, from neighbours along one direction."""
    for j in range(out.shape[0]):
        mean = f32(0.5) * (before[j] + after[j])
        bend = f32(0.5) * x[j] - f32(0.25) * (before2[j] + after2[j])
        out[j] = sign[j] * (x[j] - mean - ratio[j] * bend)


@kernel
def _blend(north, south, sums, h, v_north, v, v_south, out):
    """Colour differences of the four directions, weighted by how little they change on that side.

    ``sums`` holds the changes of four columns from its index on, so east begins at ``j + 3``.
    """
    for j in range(out.shape[0] - 4):
        n, s = north[j + 3] + FLAT, south[j + 3] + FLAT
        w, e = sums[j] + FLAT, sums[j + 3] + FLAT
        n, s, w, e = f32(1) / (n * n), f32(1) / (s * s), f32(1) / (w * w), f32(1) / (e * e)
        here = (n + s) * v[j + 3] + (w + e) * h[j + 3]
        there = n * v_north[j + 3] + s * v_south[j + 3] + w * h[j + 2] + e * h[j + 4]
        out[j + 3] = f32(0.5) * (here + there) / (n + s + w + e)


@kernel
def _green(x, above, below, difference, is_green, out):
    for j in range(out.shape[0] - 2):
        low = min(above[j + 1], below[j + 1], x[j], x[j + 2])
        high = max(above[j + 1], below[j + 1], x[j], x[j + 2])
        slack = SLACK * (high - low)
        green = min(max(x[j + 1] + difference[j + 1], low - slack), high + slack)
        out[j + 1] = x[j + 1] if is_green[j + 1] > f32(0) else green


@kernel
def _halve(row, first, out):
    for k in range(out.shape[0]):
        out[k] = row[2 * k + first]


@kernel
def _products(q, y, covariance, variance):
    """Products of steps to the left and right neighbour: colour by green, green by green."""
    for k in range(covariance.shape[0] - 2):
        left, right = y[k + 1] - y[k], y[k + 2] - y[k + 1]
        covariance[k + 1] = (q[k + 1] - q[k]) * left + (q[k + 2] - q[k + 1]) * right
        variance[k + 1] = left * left + right * right


@kernel
def _vertical_products(q, q_above, y, y_above, out):
    for k in range(out.shape[0]):
        out[k] = (q[k] - q_above[k]) * (y[k] - y_above[k])


@kernel
def _add_three_wide(across, products, out):
    for k in range(out.shape[0] - 2):
        out[k + 1] = across[k + 1] + products[k] + products[k + 1] + products[k + 2]


@kernel
def _slope(covariance, v0, v1, v2, out):
    for k in range(out.shape[0]):
        slope = (covariance[k] + FLAT_VARIANCE) / (v0[k] + v1[k] + v2[k] + FLAT_VARIANCE)
        out[k] = min(max(slope, f32(0)), STEEPEST)


@kernel
def _intercept(q, y, slope, out):
    for k in range(out.shape[0]):
        out[k] = q[k] - slope[k] * y[k]


@kernel
def _green_out(green, out):
    for j in range(out.shape[0]):
        out[j] = _linear(green[j])


@kernel
def _colour_out(slope, intercept, green, first, out):
    """A colour of a whole row from what is known at every second column, ``first`` and on."""
    y, target = green[first:], out[first:]
    for k in range(slope.shape[0] - 1):
        target[2 * k] = _linear(slope[k] * y[2 * k] + intercept[k])
        s = f32(0.5) * (slope[k] + slope[k + 1])
        i = f32(0.5) * (intercept[k] + intercept[k + 1])
        target[2 * k + 1] = _linear(s * y[2 * k + 1] + i)


@kernel
def _mean(a, b, out):
    for k in range(out.shape[0]):
        out[k] = f32(0.5) * (a[k] + b[k])


@kernel
def _along(r, x, signs, h, h_change, a, b, c):
    """Colour differences along row ``r``, which has just come in, and how fast they change."""
    n = x.shape[1]
    row = x[r & _LAST]
    _steps(row[: n - 2], row[2:], a[1 : n - 1])
    _sum2(a[: n - 2], a[2:], b[1 : n - 1])
    _contrast_ratio(
        b[: n - 6], b[1 : n - 5], b[2 : n - 4], b[3 : n - 3], b[4 : n - 2], b[5 : n - 1], b[6:],
        c[3 : n - 3],
    )  # fmt: skip
    _difference(
        row[2 : n - 2], row[: n - 4], row[1 : n - 3], row[3 : n - 1], row[4:],
        c[2 : n - 2], signs[r & 1, 2 : n - 2], h[r & _LAST, 2 : n - 2],
    )  # fmt: skip
    _steps(h[r & _LAST, : n - 2], h[r & _LAST, 2:], h_change[r & _LAST, 1 : n - 1])


@kernel
def _down(r, x, signs, v_step, v_sums, v, v_change, a, c):
    """The same down the columns, for row ``r - 5``: the last whose neighbours are all there."""
    n = x.shape[1]
    _steps(x[(r - 2) & _LAST], x[r & _LAST], v_step[(r - 1) & _LAST])
    _sum2(v_step[(r - 3) & _LAST], v_step[(r - 1) & _LAST], v_sums[(r - 2) & _LAST])
    i = r - 5
    _contrast_ratio(
        v_sums[(i - 3) & _LAST], v_sums[(i - 2) & _LAST], v_sums[(i - 1) & _LAST],
        v_sums[i & _LAST], v_sums[(i + 1) & _LAST], v_sums[(i + 2) & _LAST],
        v_sums[(i + 3) & _LAST], c,
    )  # fmt: skip
    _difference(
        x[i & _LAST], x[(i - 2) & _LAST], x[(i - 1) & _LAST], x[(i + 1) & _LAST],
        x[(i + 2) & _LAST], c, signs[i & 1], v[i & _LAST],
    )  # fmt: skip
    _steps(v[(i - 2) & _LAST], v[i & _LAST], a)
    _sum3(a[: n - 2], a[1 : n - 1], a[2:], v_change[(i - 1) & _LAST, 1 : n - 1])


@kernel
def _green_row(i, x, signs, h, h_change, v, v_change, v_four, green, a, b, c):
    """Green of row ``i``, for which columns must have come down to ``i + 3``."""
    n = x.shape[1]
    _sum4(
        v_change[i & _LAST], v_change[(i + 1) & _LAST], v_change[(i + 2) & _LAST],
        v_change[(i + 3) & _LAST], v_four[i & _LAST],
    )  # fmt: skip
    _sum3(h_change[(i - 1) & _LAST], h_change[i & _LAST], h_change[(i + 1) & _LAST], a)
    _sum4(a[: n - 3], a[1 : n - 2], a[2 : n - 1], a[3:], b[: n - 3])
    _blend(
        v_four[(i - 3) & _LAST], v_four[i & _LAST], b, h[i & _LAST],
        v[(i - 1) & _LAST], v[i & _LAST], v[(i + 1) & _LAST], c,
    )  # fmt: skip
    _green(x[i & _LAST], x[(i - 1) & _LAST], x[(i + 1) & _LAST], c, signs[i & 1], green[i & _LAST])


@kernel
def _own_colour(i, x, green, first, q, y, covariance, variance, covariance3, variance3, a, b):
    """How the row's colour, red or blue, at columns ``first`` and on, changes with green."""
    _halve(x[i & _LAST], first, q[i & _LAST])
    _halve(green[i & _LAST], first, y[i & _LAST])
    _products(q[i & _LAST], y[i & _LAST], covariance[i & _LAST], variance[i & _LAST])
    _vertical_products(q[i & _LAST], q[(i - 2) & _LAST], y[i & _LAST], y[(i - 2) & _LAST], a)
    _add_three_wide(covariance[i & _LAST], a, covariance3[i & _LAST])
    _vertical_products(y[i & _LAST], y[(i - 2) & _LAST], y[i & _LAST], y[(i - 2) & _LAST], b)
    _add_three_wide(variance[i & _LAST], b, variance3[i & _LAST])


@kernel
def _own_line(i, q, y, covariance, variance, covariance3, variance3, slope, intercept, a):
    """Row ``i``'s colour as a linear function of green, once row ``i + 2`` is known."""
    _sum3(covariance[(i - 2) & _LAST], covariance3[i & _LAST], covariance3[(i + 2) & _LAST], a)
    _slope(
        a, variance[(i - 2) & _LAST], variance3[i & _LAST], variance3[(i + 2) & _LAST],
        slope[i & _LAST],
    )  # fmt: skip
    _intercept(q[i & _LAST], y[i & _LAST], slope[i & _LAST], intercept[i & _LAST])


@kernel
def _tile(mosaic, top, left, wide, narrow, out):
    """One tile of columns, ``left`` and on; ``out`` is (3, rows, columns of the tile).

    ``wide`` and ``narrow`` are room to work in: rings of rows, and of rows of every second column.
    """
    height = mosaic.samples.shape[0]
    _, rows, columns = out.shape
    n = wide.shape[2]
    first_row, first_column = top - MARGIN, left - MARGIN
    red_phase = (mosaic.red_row + first_row) & 1  # of the rows that hold red, counted as below
    red_first = (mosaic.red_column + first_column) & 1
    any_clipped = mosaic.colours.shape[0] > 0

    # by parity of the row: levels, and the sign of a colour difference, positive where green lies
    blacks, scales = np.empty((2, n), np.float32), np.empty((2, n), np.float32)
    levels = np.empty((4, 2, n), np.float32)
    signs, limit = levels[0], levels[1]  # unpacking would lose contiguity
    doubted, full = levels[2], levels[3]
    for i in range(2):
        for j in range(n):
            blacks[i, j] = mosaic.black[(first_row + i) & 1, (first_column + j) & 1]
            scales[i, j] = mosaic.scale[(first_row + i) & 1, (first_column + j) & 1]
            plane = ((i + red_phase) & 1) + ((j + red_first) & 1)
            signs[i, j] = f32(1) if plane == 1 else f32(-1)
            limit[i, j] = _root(WHITENING * mosaic.clip[plane])
            doubted[i, j] = ONSET * mosaic.clip[plane] / scales[i, j] + blacks[i, j]
            full[i, j] = FULL * mosaic.clip[plane] / scales[i, j] + blacks[i, j]

    x, h, h_change, green = wide[0], wide[1], wide[2], wide[3]
    v_step, v_sums, v, v_change, v_four = wide[4], wide[5], wide[6], wide[7], wide[8]
    a, b, c = wide[9, 0], wide[9, 1], wide[9, 2]
    q, y, covariance, variance = narrow[0], narrow[1], narrow[2], narrow[3]
    covariance3, variance3, slope, intercept = narrow[4], narrow[5], narrow[6], narrow[7]
    ha, hb = narrow[8, 0], narrow[8, 1]

    for r in range(rows + 2 * MARGIN):
        row = _mirrored(first_row + r, height)
        _load(mosaic.samples[row], blacks[r & 1], scales[r & 1], first_column, x[r & _LAST])
        if any_clipped:
            _restore_row(mosaic, row, first_column, r & 1, limit, doubted, full, x[r & _LAST])
        _along(r, x, signs, h, h_change, a, b, c)
        _down(r, x, signs, v_step, v_sums, v, v_change, a, c)
        i = r - 9
        _green_row(i, x, signs, h, h_change, v, v_change, v_four, green, a, b, c)
        first = red_first if (i & 1) == red_phase else 1 - red_first
        _own_colour(i, x, green, first, q, y, covariance, variance, covariance3, variance3, ha, hb)
        i = r - 11
        _own_line(i, q, y, covariance, variance, covariance3, variance3, slope, intercept, ha)
        i = r - MARGIN
        if i < MARGIN:
            continue
        _green_out(green[i & _LAST, MARGIN : MARGIN + columns], out[1, i - MARGIN])
        for plane in (0, 2):
            # the colour that a row lacks comes from the rows above and below
            own = ((i & 1) == red_phase) == (plane == 0)
            first = red_first if plane == 0 else 1 - red_first
            above, below = (i, i) if own else (i - 1, i + 1)
            _mean(slope[above & _LAST], slope[below & _LAST], ha)
            _mean(intercept[above & _LAST], intercept[below & _LAST], hb)
            _colour_out(ha, hb, green[i & _LAST], first, a)
            out[plane, i - MARGIN] = a[MARGIN : MARGIN + columns]


@kernel
def _strip(mosaic, top, first, last, out):
    """Columns ``first`` up to ``last``, always in the tiles into which the whole width falls."""
    width = mosaic.samples.shape[1]
    tiles = (width + _TILE - 1) // _TILE
    columns = ((width + tiles - 1) // tiles + 15) // 16 * 16
    n = columns + 2 * MARGIN + 8
    wide = np.zeros((10, _RING, n), np.float32)
    narrow = np.zeros((9, _RING, n // 2), np.float32)
    whole = first == 0 and last == width
    room = np.empty((3, out.shape[1], 0 if whole else columns), np.float32)
    for left in range(0, width, columns):
        right = min(left + columns, width)
        if whole:
            _tile(mosaic, top, left, wide, narrow, out[:, :, left:right])
        elif left < last and right > first:
            _tile(mosaic, top, left, wide, narrow, room[:, :, : right - left])
            start, stop = max(left, first), min(right, last)
            out[:, :, start - first : stop - first] = room[:, :, start - left : stop - left]


def demosaic_strip(mosaic: Mosaic, top: int, out: Float32) -> None:
    """Interpolate rows ``top`` and on of a Bayer mosaic into ``out``, (3, rows, width or wider).

    Linear RGB, clipped samples restored; what lies right of the width is left alone. Every value
    is the same whatever strips the rows are asked in. A strip costs 24 rows more than it has.
    """
    width = mosaic.samples.shape[1]
    _strip(mosaic, top, 0, width, out[:, :, :width])


def demosaic_window(mosaic: Mosaic, top: int, left: int, out: Float32) -> None:
    """Fill ``out``, (3, rows, columns), from ``top`` and ``left`` on: the values of the strips."""
    _strip(mosaic, top, left, left + out.shape[2], out[:, :, :])


@kernel
def _add_rows(first, second, black, scale, share, total, peak):
    """Sum and peak of two rows of one parity, sample by sample; levels by parity of the column."""
    for x in range(total.shape[0] // 2):
        a, b = f32(first[2 * x]) - black[0], f32(second[2 * x]) - black[0]
        total[2 * x] = (a + b) * scale[0]
        peak[2 * x] = max(peak[2 * x], max(a, b) * share[0])
        a, b = f32(first[2 * x + 1]) - black[1], f32(second[2 * x + 1]) - black[1]
        total[2 * x + 1] = (a + b) * scale[1]
        peak[2 * x + 1] = max(peak[2 * x + 1], max(a, b) * share[1])


@kernel
def _bin(mosaic, small, peak):
    columns = peak.shape[1] * BLOCK
    totals = np.zeros((2, columns), np.float32)
    peaks = np.zeros(columns, np.float32)
    share = np.empty((2, 2), np.float32)
    for i in range(2):
        for j in range(2):
            plane = ((i + mosaic.red_row) & 1) + ((j + mosaic.red_column) & 1)
            share[i, j] = mosaic.scale[i, j] / mosaic.clip[plane]
    red_line, blue_line = totals[mosaic.red_row], totals[1 - mosaic.red_row]
    r0, b0 = mosaic.red_column, 1 - mosaic.red_column
    for y in range(peak.shape[0]):
        peaks[:] = f32(0)
        for i in range(2):
            first = mosaic.samples[BLOCK * y + i, :columns]
            second = mosaic.samples[BLOCK * y + i + 2, :columns]
            _add_rows(first, second, mosaic.black[i], mosaic.scale[i], share[i], totals[i], peaks)
        for x in range(peak.shape[1]):
            j = BLOCK * x
            small[y, x, 0] = f32(0.25) * (red_line[j + r0] + red_line[j + r0 + 2])
            small[y, x, 1] = f32(0.125) * (
                red_line[j + b0] + red_line[j + b0 + 2] + blue_line[j + r0] + blue_line[j + r0 + 2]
            )
            small[y, x, 2] = f32(0.25) * (blue_line[j + b0] + blue_line[j + b0 + 2])
            peak[y, x] = max(peaks[j], peaks[j + 1], peaks[j + 2], peaks[j + 3])


@kernel
def _bin_restored(mosaic, peak, small):
    """Once more the blocks with clipped samples, restored."""
    samples, black, scale, red_row, red_column, clip, colours = mosaic
    for y in range(peak.shape[0]):
        for x in range(peak.shape[1]):
            if peak[y, x] < ONSET:
                continue
            r, g, b = small[y, x, 0], small[y, x, 1], small[y, x, 2]
            if r >= FULL * clip[0] and g >= FULL * clip[1] and b >= FULL * clip[2]:
                small[y, x] = max(clip[0], clip[1], clip[2])
                continue
            r = g = b = f32(0)
            for row in range(BLOCK * y, BLOCK * (y + 1)):
                for column in range(BLOCK * x, BLOCK * (x + 1)):
                    plane = ((row + red_row) & 1) + ((column + red_column) & 1)
                    value = _restored_sample(
                        samples, black, scale, red_row, red_column, clip, colours, row, column
                    )
                    if plane == 0:
                        r += value
                    elif plane == 1:
                        g += value
                    else:
                        b += value
            small[y, x, 0] = r * f32(0.25)
            small[y, x, 1] = g * f32(0.125)
            small[y, x, 2] = b * f32(0.25)


def with_surroundings(mosaic: Mosaic) -> tuple[Mosaic, Float32]:
    """The mosaic with its ``colours`` found, and the picture at a quarter scale, (h, w, 3).

    The small picture is the mean of each colour's restored samples in blocks of 4 × 4; rows and
    columns beyond a whole block are left out.
    """
    height, width = mosaic.samples.shape
    shape = (height // BLOCK, width // BLOCK)
    small, peak = np.empty((*shape, 3), np.float32), np.empty(shape, np.float32)
    _bin(mosaic, small, peak)
    colours = surrounding_colours(small, peak, mosaic.clip)
    if colours is not None:
        mosaic = mosaic._replace(colours=colours)
        _bin_restored(mosaic, peak, small)
    return mosaic, small

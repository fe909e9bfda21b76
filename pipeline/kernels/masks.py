"""Masks: how strongly an edit counts at each pixel, as density from 0 to 1.

A density is built once for a grid of samples and then asked for window after window; any window
gives the same bits. Nothing is evaluated beyond the box outside of which a density is zero. Places
are shares of the upright frame's width and height, so that a mask survives another size. Fades
follow ``6 t⁵ - 15 t⁴ + 10 t³``, which starts and ends without a kink that would show as a band
(Perlin, "Improving noise", 2002), and the line that was drawn is where the density is one half.

Knows arrays only: neither files, nor what a person writes, nor what an edit does.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.frame import Float32
from pipeline.kernels.difference import delta_e_2000
from pipeline.kernels.elementary import cbrt, exact, f32, inlined, log2
from pipeline.kernels.oklab import to_oklab
from pipeline.kernels.spaces import luminance_weights, working_to_pcs_matrix

Place = tuple[float, float]
"""Across and down, as shares of the frame's width and height."""
Float64 = NDArray[np.float64]

SOFTEST_PX = 1.5
"""Samples that the hardest edge takes from nothing to full, so that none is jagged."""
PIVOT_GREY = 0.18
COARSE_RADIUS = 6.0
"""Of growing and shrinking, in samples, that a coarser grid still shows."""
SNAP_EPSILON = 1e-4
"""Variance of the guide, OKLab, from which an edge is followed: a hundredth of the step from black
to white. Ours, no source."""
SNAP_ROUNDS = 4
LATTICE = 49
"""Corners of cells along each side of a table of colour differences."""
NONE, BETWEEN, FULL = 0, 1, 2
COARSE_SIGMA = 2.0
"""Standard deviation of a blur, in samples, that a coarser grid still holds."""
FLATNESS = 2e-5
"""How far a flattened curve may lie from the true one, as a share of the frame's long side."""


class Box(NamedTuple):
    """Samples from ``top`` up to ``bottom`` and from ``left`` up to ``right``."""

    top: int
    bottom: int
    left: int
    right: int

    @property
    def empty(self) -> bool:
        """Whether no sample lies inside."""
        return self.top >= self.bottom or self.left >= self.right

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return max(self.bottom - self.top, 0), max(self.right - self.left, 0)

    def meet(self, other: Box) -> Box:
        """What lies in both."""
        return Box(
            max(self.top, other.top),
            min(self.bottom, other.bottom),
            max(self.left, other.left),
            min(self.right, other.right),
        )

    def join(self, other: Box) -> Box:
        """The smallest box around both."""
        if self.empty or other.empty:
            return other if self.empty else self
        return Box(
            min(self.top, other.top),
            max(self.bottom, other.bottom),
            min(self.left, other.left),
            max(self.right, other.right),
        )

    def grown(self, samples: int) -> Box:
        """A box that reaches further on every side; an empty one stays empty."""
        if self.empty:
            return self
        return Box(
            self.top - samples, self.bottom + samples, self.left - samples, self.right + samples
        )

    def within(self, window: Box) -> tuple[slice, slice]:
        """Where this box lies in the array of a window that holds it."""
        return (
            slice(self.top - window.top, self.bottom - window.top),
            slice(self.left - window.left, self.right - window.left),
        )


NOWHERE = Box(0, 0, 0, 0)


class Grid(NamedTuple):
    """Samples over an upright frame of ``height`` × ``width`` pixels.

    ``rows`` × ``columns`` samples, each ``down`` × ``across`` pixels large; the last ones may reach
    beyond the frame.
    """

    rows: int
    columns: int
    height: int
    width: int
    down: float = 1.0
    across: float = 1.0

    @classmethod
    def over(cls, height: int, width: int, shape: tuple[int, int] | None = None) -> Grid:
        """One sample a pixel, or an array of another ``shape`` laid over the whole frame."""
        if shape is None:
            return cls(height, width, height, width)
        return cls(*shape, height, width, height / shape[0], width / shape[1])

    def reduced(self, by: int) -> Grid:
        """The grid of samples ``by`` times as large."""
        return self._replace(
            rows=-(-self.rows // by),
            columns=-(-self.columns // by),
            down=self.down * by,
            across=self.across * by,
        )

    @property
    def box(self) -> Box:
        """All samples."""
        return Box(0, self.rows, 0, self.columns)

    @property
    def long_side(self) -> int:
        """In pixels of the frame."""
        return max(self.height, self.width)

    def around(self, top: float, bottom: float, left: float, right: float) -> Box:
        """The samples that a part of the frame touches, given in pixels."""
        return Box(
            math.floor(top / self.down),
            math.ceil(bottom / self.down),
            math.floor(left / self.across),
            math.ceil(right / self.across),
        ).meet(self.box)

    def pixels(self, place: Place) -> tuple[float, float]:
        """Across and down in pixels."""
        return place[0] * self.width, place[1] * self.height

    def distances(self, window: Box, x: float, y: float) -> tuple[Float32, Float32]:
        """How far each column of a window lies to the right of ``x`` and each row below ``y``."""
        columns = (np.arange(window.left, window.right) + 0.5) * self.across - x
        rows = (np.arange(window.top, window.bottom) + 0.5) * self.down - y
        return columns.astype(np.float32), rows.astype(np.float32)


Scene = Callable[[Box], Float32]
"""Gives the working RGB of a window, (3, rows, columns) float32: the picture as balanced and
exposed, before any curve."""


Builder = Callable[[Grid], "Density"]
"""Makes the same density on any grid of its frame."""


@dataclass(frozen=True, slots=True, eq=False)
class Density:
    """A mask on a grid. It is zero outside ``box``.

    ``inside(window, scene)`` gives the values, float32 (rows, columns), of a window that is not
    empty and lies in ``box``; only a density that ``reads_scene`` needs the scene, and it may ask
    for ``halo`` samples beyond the window, as far as the grid goes.
    """

    grid: Grid
    box: Box
    inside: Callable[[Box, Scene | None], Float32]
    reads_scene: bool = False
    halo: int = 0

    def at(self, window: Box, scene: Scene | None = None) -> Float32:
        """The density of any window of the grid, float32 (rows, columns), from 0 to 1."""
        part = window.meet(self.box)
        if part == window and not part.empty:
            return self.inside(part, scene)
        out: Float32 = np.zeros(window.shape, np.float32)
        if not part.empty:
            out[part.within(window)] = self.inside(part, scene)
        return out


# --- shapes ---------------------------------------------------------------------------------------


def near(flags: NDArray[np.bool_], reach_px: int) -> NDArray[np.bool_]:
    """Which pixels (h, w) lie within ``reach_px`` of a flagged one, across and down."""
    import cv2

    side = 2 * reach_px + 1
    return np.asarray(cv2.blur(flags.astype(np.float32), (side, side)) > 0.5 / side**2, np.bool_)


def whole(grid: Grid) -> Density:
    """1 everywhere."""
    return Density(grid, grid.box, lambda window, _scene: np.ones(window.shape, np.float32))


def ellipse(
    grid: Grid, centre: Place, radii: Place, angle_deg: float = 0.0, feather: float = 0.0
) -> Density:
    """An ellipse; ``radii`` are shares of the width and of the height, both above 0.

    It is turned clockwise by ``angle_deg`` in the picture, where a pixel is square. With ρ the
    distance from the centre in radii, the density falls from 1 to 0 while ρ goes from
    ``1 - feather / 2`` to ``1 + feather / 2``; ``feather`` 0 to 2. No edge is harder than
    ``SOFTEST_PX`` samples.
    """
    x, y = grid.pixels(centre)
    radius_x, radius_y = grid.pixels(radii)
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    # the inverse turn, then each axis in radii
    into = np.array(
        [[cosine / radius_x, sine / radius_x], [-sine / radius_y, cosine / radius_y]], np.float64
    )
    half = feather / 2
    softest = SOFTEST_PX / 2 * max(grid.down, grid.across)
    reach_x = math.hypot(radius_x * cosine, radius_y * sine) * (1 + half) + 2 * softest
    reach_y = math.hypot(radius_x * sine, radius_y * cosine) * (1 + half) + 2 * softest
    box = grid.around(y - reach_y, y + reach_y, x - reach_x, x + reach_x)
    numbers = (into.astype(np.float32), f32(half), f32(softest))

    def inside(window: Box, _scene: Scene | None) -> Float32:
        out: Float32 = np.empty(window.shape, np.float32)
        _ellipse(*grid.distances(window, x, y), *numbers, out)
        return out

    return Density(grid, box, inside)


def gradient(grid: Grid, start: Place, end: Place) -> Density:
    """0 up to the line through ``start``, 1 from the line through ``end`` on, a fade between.

    Both lines stand at right angles, in the picture, on the one from ``start`` to ``end``, which
    must be two places.
    """
    x, y = grid.pixels(start)
    to_x, to_y = grid.pixels(end)
    length2 = (to_x - x) ** 2 + (to_y - y) ** 2
    across, down = (to_x - x) / length2, (to_y - y) / length2
    corners = [(0.0, 0.0), (grid.width, 0.0), (grid.width, grid.height), (0.0, grid.height)]
    lit = _half_plane(corners, lambda at: (at[0] - x) * across + (at[1] - y) * down)
    box = NOWHERE
    if lit:
        margin = max(grid.down, grid.across)
        left, right = min(at[0] for at in lit), max(at[0] for at in lit)
        top, bottom = min(at[1] for at in lit), max(at[1] for at in lit)
        box = grid.around(top - margin, bottom + margin, left - margin, right + margin)

    def inside(window: Box, _scene: Scene | None) -> Float32:
        out: Float32 = np.empty(window.shape, np.float32)
        _gradient(*grid.distances(window, x, y), f32(across), f32(down), out)
        return out

    return Density(grid, box, inside)


def _half_plane(
    corners: Sequence[Place], height_at: Callable[[Place], float]
) -> list[tuple[float, float]]:
    """The part of a convex polygon where a linear function is above 0 (Sutherland, Hodgman)."""
    kept: list[tuple[float, float]] = []
    for one, other in zip(corners, (*corners[1:], corners[0]), strict=True):
        h, k = height_at(one), height_at(other)
        if h > 0:
            kept.append(one)
        if (h > 0) != (k > 0):
            share = h / (h - k)
            kept.append(
                (one[0] + share * (other[0] - one[0]), one[1] + share * (other[1] - one[1]))
            )
    return kept


def polygon(grid: Grid, points: ArrayLike) -> Density:
    """The inside of a polygon, (n, 2) shares; each sample's density is the area that is covered.

    Exact by summing the areas to the right of every edge; it must not cross itself.
    """
    corners = np.asarray(points, np.float64) * [grid.width, grid.height]
    corners = corners / [grid.across, grid.down]
    (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)
    box = Box(math.floor(top), math.ceil(bottom), math.floor(left), math.ceil(right))
    box = box.meet(grid.box)

    def inside(window: Box, _scene: Scene | None) -> Float32:
        out: Float32 = np.empty(window.shape, np.float32)
        # always from the box's left side on, so that sums run over the same numbers
        _cover(out, window.top, window.left - box.left, box.left, box.right - box.left, corners)
        return out

    return Density(grid, NOWHERE if box.empty else box, inside)


def flattened(start: Place, curves: ArrayLike) -> Float64:
    """A closed path of cubic curves as a polygon, (n, 2), in the same coordinates.

    ``curves`` is (n, 3, 2): two handles and an end for each, the first from ``start``. A cubic cut
    into n even steps lies within ``√3/36 · 6 · |d| / n²`` of them, with d the largest second
    difference of its points (Wang, 1984), here at most ``FLATNESS``.
    """
    parts = [np.asarray([start], np.float64)]
    begin = np.asarray(start, np.float64)
    for curve in np.asarray(curves, np.float64):
        points = np.vstack([begin, curve])
        bend = np.abs(np.diff(points, 2, axis=0)).max()
        steps = max(1, math.ceil(math.sqrt(math.sqrt(3) / 6 * bend / FLATNESS)))
        t = np.linspace(0, 1, steps + 1)[1:, None]
        bernstein = np.hstack([(1 - t) ** 3, 3 * (1 - t) ** 2 * t, 3 * (1 - t) * t**2, t**3])
        parts.append(bernstein @ points)
        begin = points[3]
    return np.vstack(parts)


def painted(grid: Grid, codes: NDArray[Any]) -> Density:
    """A painted mask laid over the whole frame: codes / their type's largest value, or floats.

    ``codes`` is (h, w), uint8, uint16 or float32. Of the grid's own size it is taken sample by
    sample; else between its samples by the cubic B-spline, which never overshoots, after means of
    whole blocks where the grid is coarser.
    """
    scale = f32(1) if codes.dtype == np.float32 else f32(1 / np.iinfo(codes.dtype).max)
    rows, columns = codes.shape
    beyond = max(grid.rows * grid.down - grid.height, grid.columns * grid.across - grid.width)
    if (rows, columns) == (grid.rows, grid.columns) and abs(beyond) < 1e-6:
        found = _covered(codes)

        def copied(window: Box, _scene: Scene | None) -> Float32:
            part = codes[window.top : window.bottom, window.left : window.right]
            return np.asarray(part, np.float32) * scale

        return Density(grid, found, copied)
    down = max(1, math.floor(grid.down * rows / grid.height))
    across = max(1, math.floor(grid.across * columns / grid.width))
    values = np.multiply(codes, scale, dtype=np.float32)
    if down * across > 1:
        values = _means(values, down, across)
    # samples of the mask for each sample of the grid
    return _interpolated(
        grid,
        values,
        grid.down * rows / grid.height / down,
        grid.across * columns / grid.width / across,
    )


def laid_over(grid: Grid, values: Float32) -> Density:
    """Values of any sign, (h, w) over the whole frame, between their samples: no mask, a field."""
    rows, columns = values.shape
    by = grid.down * rows / grid.height, grid.across * columns / grid.width
    return Density(grid, grid.box, lambda window, _scene: spline_window(values, window, *by))


def _covered(values: NDArray[Any]) -> Box:
    """The box around what is not zero."""
    down, across = (np.flatnonzero(values.any(axis=axis)) for axis in (1, 0))
    if not down.size:
        return NOWHERE
    return Box(int(down[0]), int(down[-1]) + 1, int(across[0]), int(across[-1]) + 1)


def _means(values: Float32, down: int, across: int) -> Float32:
    """The mean of each block; blocks that reach beyond the edge repeat it."""
    edged = np.pad(values, ((0, -values.shape[0] % down), (0, -values.shape[1] % across)), "edge")
    blocks = edged.reshape(edged.shape[0] // down, down, edged.shape[1] // across, across)
    return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float64), np.float32)


def _interpolated(
    grid: Grid, values: Float32, by_row: float, by_column: float, corner: tuple[int, int] = (0, 0)
) -> Density:
    """A coarser array between its samples, by the cubic B-spline.

    A sample of the grid is ``by_row`` × ``by_column`` of the array's. ``corner`` is the place of
    the array's first sample on its own grid; beyond its edges it stays what it is there.
    """
    reached = _covered(values)
    if reached.empty:
        return Density(grid, NOWHERE, lambda window, _scene: np.zeros(window.shape, np.float32))
    top, left = corner

    def grid_box(edge: Box) -> Box:
        # an edge value goes on beyond the array
        beyond = 1 << 30
        return Box(
            math.floor((edge.top + top - 2.5) / by_row) if edge.top else -beyond,
            math.ceil((edge.bottom + top + 2.5) / by_row)
            if edge.bottom < values.shape[0]
            else beyond,
            math.floor((edge.left + left - 2.5) / by_column) if edge.left else -beyond,
            math.ceil((edge.right + left + 2.5) / by_column)
            if edge.right < values.shape[1]
            else beyond,
        ).meet(grid.box)

    def inside(window: Box, _scene: Scene | None) -> Float32:
        out = spline_window(values, window, by_row, by_column, corner)
        _settle(out)
        return out

    return Density(grid, grid_box(reached), inside)


def spline_window(
    values: Float32,
    window: Box,
    by_row: float,
    by_column: float,
    corner: tuple[int, int] = (0, 0),
) -> Float32:
    """A window between the samples of an array; see ``_interpolated``. Not held to 0 and 1."""
    top, left = corner
    rows, row_weights = _spline_taps(window.top, window.bottom, by_row, top, values.shape[0])
    columns, weights = _spline_taps(window.left, window.right, by_column, left, values.shape[1])
    out: Float32 = np.empty(window.shape, np.float32)
    _spline(values, rows, row_weights, columns, weights, out)
    return out


def _spline_taps(
    first: int, last: int, by: float, start: int, count: int
) -> tuple[NDArray[np.int32], Float32]:
    """The four source samples of each target from ``first`` up to ``last``, and their weights.

    Both of shape (4, targets).
    """
    at = (np.arange(first, last, dtype=np.float64) + 0.5) * by - 0.5 - start
    base = np.floor(at)
    t = at - base
    weights = np.stack(
        [(1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3]
    )
    taps = base.astype(np.int64) + np.arange(-1, 3)[:, None]
    return np.clip(taps, 0, count - 1).astype(np.int32), (weights / 6).astype(np.float32)


# --- by the picture's own pixels ------------------------------------------------------------------


def tones(grid: Grid, low: float | None, high: float | None, soft: float) -> Density:
    """A band of scene luminance, in stops above the pivot grey (18 %).

    From ``low`` to ``high``, either of which may be None for no end. Each shoulder is ``soft``
    stops wide, above 0, with its middle at the band's end.
    """
    weights = luminance_weights("working") / PIVOT_GREY
    numbers = tuple(f32(v) for v in weights)
    ends = (
        f32(-1e30 if low is None else low),
        f32(1e30 if high is None else high),
        f32(1 / max(soft, 1e-3)),
    )

    def inside(window: Box, scene: Scene | None) -> Float32:
        assert scene is not None
        r, g, b = scene(window)
        out: Float32 = np.empty(window.shape, np.float32)
        _tones(r, g, b, *numbers, *ends, out)
        return out

    return Density(grid, grid.box, inside, reads_scene=True)


def colour(grid: Grid, lab: tuple[float, float, float], within: float, soft: float) -> Density:
    """Scene colours within ΔE00 ``within`` of a Lab value (D50, a perfect diffuser is white).

    The density goes from 1 to 0 over ``soft`` units of ΔE00 about ``within``; both above 0.
    """
    half = max(soft, 1e-3) / 2
    reach = within + half
    into = working_to_pcs_matrix().astype(np.float32)
    target = np.asarray(lab, np.float64)
    low, steps, cells = _cells(lab, reach - 2 * half, reach)
    numbers = (low, steps, cells, target, reach, 1 / (2 * half))

    def inside(window: Box, scene: Scene | None) -> Float32:
        assert scene is not None
        r, g, b = scene(window)
        out: Float32 = np.empty(window.shape, np.float32)
        _colour(r, g, b, into, *numbers, out)
        return out

    return Density(grid, grid.box, inside, reads_scene=True)


@lru_cache(maxsize=16)
def _cells(
    lab: tuple[float, float, float], full: float, reach: float
) -> tuple[Float32, Float32, NDArray[np.uint8]]:
    """Lab around a colour in cells, so that most pixels need no ΔE00 of their own.

    The lowest corner, cells a unit, and for each cell ``FULL`` where ΔE00 stays below ``full``,
    ``NONE`` where it stays above ``reach``, else ``BETWEEN``: judged by the cell's corners, with as
    much room as they differ.
    """
    target = np.asarray(lab, np.float64)
    bounds = _bounds(target, reach)
    axes = [np.linspace(float(low), float(high), LATTICE) for low, high in bounds]
    corners: Float32 = np.empty((LATTICE, LATTICE, LATTICE), np.float32)
    _differences(target, *axes, corners)
    least, most = corners, corners
    for axis in range(3):
        low, high = (np.moveaxis(least, axis, 0)[part] for part in (slice(-1), slice(1, None)))
        least = np.moveaxis(np.minimum(low, high), 0, axis)
        low, high = (np.moveaxis(most, axis, 0)[part] for part in (slice(-1), slice(1, None)))
        most = np.moveaxis(np.maximum(low, high), 0, axis)
    room = most - least
    cells = np.full(least.shape, BETWEEN, np.uint8)
    cells[most + room < full] = FULL
    cells[least - room > reach] = NONE
    steps = (LATTICE - 1) / np.ptp(bounds, axis=1)
    return bounds[:, 0].astype(np.float32), steps.astype(np.float32), cells


def _bounds(target: Float64, reach: float) -> Float64:
    """Lab limits, (3, 2), of what lies within a ΔE00 of a colour, with room to spare.

    Found along rays in all directions; the region has no closed form.
    """
    k = np.arange(400) + 0.5
    azimuth, height = np.pi * (1 + 5**0.5) * k, 1 - 2 * k / k.size
    ring = np.sqrt(1 - height**2)
    rays = np.stack([height, ring * np.cos(azimuth), ring * np.sin(azimuth)], axis=1)
    near, far = np.zeros(k.size), np.full(k.size, 400.0)
    for _ in range(16):
        middle = (near + far) / 2
        within = delta_e_2000(target, target + rays * middle[:, None]) <= reach
        near, far = np.where(within, middle, near), np.where(within, far, middle)
    points = rays * far[:, None]
    room = 1.0 + 0.2 * np.ptp(points, axis=0) / 2
    return np.stack([target + points.min(0) - room, target + points.max(0) + room], axis=1)


def faded(t: Float32) -> Float32:
    """The fade of arrays: 0 at -1/2, one half at 0, 1 at 1/2."""
    out: Float32 = np.empty(t.shape, np.float32)
    _faded(np.nan_to_num(t, neginf=-1e9).astype(np.float32).ravel(), out.reshape(-1))
    return out


# --- combined -------------------------------------------------------------------------------------


def all_of(parts: Sequence[Density]) -> Density:
    """The least of several densities, so that ``all`` of a mask and itself is that mask."""
    return _folded(parts, lambda a, b: np.minimum(a, b, out=a))


def product(parts: Sequence[Density]) -> Density:
    """Several densities multiplied: where two fades cross, one smooth fade without a crease."""
    return _folded(parts, lambda a, b: np.multiply(a, b, out=a))


def _folded(parts: Sequence[Density], fold: Callable[[Float32, Float32], Float32]) -> Density:
    """What is zero wherever one of its parts is."""
    # those that cost least first: beyond them nothing has to be looked at
    parts = sorted(parts, key=lambda part: part.reads_scene)
    box = parts[0].box
    for part in parts[1:]:
        box = box.meet(part.box)

    def inside(window: Box, scene: Scene | None) -> Float32:
        values = parts[0].at(window, scene)
        for part in parts[1:]:
            if not values.any():
                break
            values = fold(values, part.at(window, scene))
        return values

    reads = any(part.reads_scene for part in parts)
    halo = max(part.halo for part in parts)
    return Density(parts[0].grid, NOWHERE if box.empty else box, inside, reads, halo)


def any_of(parts: Sequence[Density]) -> Density:
    """The greatest of several densities."""
    box = parts[0].box
    for part in parts[1:]:
        box = box.join(part.box)

    def inside(window: Box, scene: Scene | None) -> Float32:
        values = parts[0].at(window, scene)
        for part in parts[1:]:
            overlap = window.meet(part.box)
            if not overlap.empty:
                view = values[overlap.within(window)]
                np.maximum(view, part.at(overlap, scene), out=view)
        return values

    return Density(parts[0].grid, box, inside, any(part.reads_scene for part in parts))


def inverse(part: Density) -> Density:
    """1 minus a density."""

    def inside(window: Box, scene: Scene | None) -> Float32:
        values = part.at(window, scene)
        return np.subtract(f32(1), values, out=values)

    return Density(part.grid, part.grid.box, inside, part.reads_scene)


def minus(part: Density, cut: Density) -> Density:
    """A density without another: the lesser of the one and 1 minus the other."""
    return all_of([part, inverse(cut)])


def spans(values: Float32) -> NDArray[np.int64]:
    """For each row of a density, from which column on and up to which it is above 0, (rows, 2)."""
    found = np.empty((values.shape[0], 2), np.int64)
    _spans(values, found)
    return found


# --- edges ----------------------------------------------------------------------------------------


def feathered(
    build: Builder, grid: Grid, width_px: float, picture: Float32 | None = None
) -> Density:
    """A density blurred so that its hard edges fade over ``width_px`` pixels of the frame.

    By a Gaussian with a standard deviation of a sixth of that, cut off at its width. Wide ones are
    computed on a coarser grid, for which ``build`` makes the density, and interpolated from there
    by the cubic B-spline. The blur of the spline (variance 1/3) and of a sample's own area (1/12)
    is taken off. What reads the scene is computed on ``picture``, the scene at reduced scale, (3,
    h, w). What lies beyond the frame counts as what stands at its edge, so that a mask does not
    fade towards the frame's own border.
    """
    sigma = width_px / 6 / max(grid.down, grid.across)
    part = build(grid)
    if sigma < 0.2 or part.box.empty:  # narrower than a sample: nothing would be seen
        return part
    by = 1 << max(0, math.floor(math.log2(sigma / COARSE_SIGMA)))
    if by == 1 and not part.reads_scene:
        weights = _gaussian(math.sqrt(max(sigma**2 - 1 / 12, 0.01)), math.ceil(3 * sigma))
        return _filtered(part, len(weights) // 2, lambda around: _blurred(around, weights))
    coarse, scene = _coarser(part, by, picture)
    sigma *= max(grid.down / coarse.down, grid.across / coarse.across)
    spread = math.sqrt(max(sigma**2 - 1 / 12 - 1 / 3, 0.01))
    weights = _gaussian(spread, max(1, math.floor(3 * sigma) - 2))
    part = _filtered(build(coarse), len(weights) // 2, lambda around: _blurred(around, weights))
    return _refined(part, grid, scene)


def grown(build: Builder, grid: Grid, radius_px: float, picture: Float32 | None = None) -> Density:
    """A density spread by a disc of so many pixels of the frame, or drawn back where negative.

    With f the density and d a distance, ``max(f + min(radius - d, 0))`` over all samples around,
    which takes a straight edge with its softness and sets it down exactly a radius further. Large
    radii are worked on a coarser grid, and such an edge is softened by about a tenth of the radius.
    Grids, ``build`` and ``picture`` as in ``feathered``; it neither grows from beyond the frame nor
    shrinks from there.
    """
    radius = abs(radius_px) / max(grid.down, grid.across)
    part = build(grid)
    if radius < 0.05 or part.box.empty:
        return part
    shrink = radius_px < 0
    by = 1 << max(0, math.floor(math.log2(radius / COARSE_RADIUS)))
    coarse, scene = (grid, None)
    if by > 1 or part.reads_scene:
        coarse, scene = _coarser(part, by, picture)
        radius *= max(grid.down / coarse.down, grid.across / coarse.across)
        part = build(coarse)
    part = _filtered(part, math.ceil(radius) + 1, lambda around: _spread(around, radius, shrink))
    return part if coarse is grid else _refined(part, grid, scene)


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A density as ``slope · I + offset`` of a guide I, on the grid of a reduced picture.

    ``slope`` is (3, rows, columns) and ``offset`` (rows, columns), from ``top`` and ``left`` on;
    there is nothing beyond.
    """

    grid: Grid
    slope: Float32
    offset: Float32
    top: int
    left: int


def snapped_fit(build: Builder, grid: Grid, radius_px: float, picture: Float32) -> Fit:
    """A density whose edges follow those of the picture within ``radius_px`` pixels of the frame.

    The guided filter with a guide of three channels (He, Sun and Tang, "Guided Image Filtering",
    ECCV 2010; TPAMI 35(6), 2013): near each place the density is fitted as ``a · I + b`` of the
    guide I by ridge regression over a box, and the fits that meet there are averaged. I is the
    scene in OKLab, so that an edge between two colours of one lightness counts too. On plain ground
    a fit knows no better than the share of it that was inside the outline; so what comes out is
    drawn towards 0 and 1 (its middle half becomes the whole fade), and all is done ``SNAP_ROUNDS``
    times, each of which brings an edge that was drawn beside a real one half the way to it. As in
    their fast form (2015) a and b are found on ``picture``, the scene at reduced scale, (3, h, w).
    """
    small = Grid.over(grid.height, grid.width, (picture.shape[1], picture.shape[2]))
    scene = scene_of(picture)
    radius = max(1, round(radius_px / max(small.down, small.across)))
    part = build(small)
    reached = part.box.grown(2 * radius * SNAP_ROUNDS + 2).meet(small.box)
    found = part.at(reached, scene)
    slope: Float32 = np.zeros((3, *found.shape), np.float32)
    offset: Float32 = np.zeros(found.shape, np.float32)
    if found.any():
        guide = oklab_planes(scene(reached))
        filtered = Guided(guide, radius, SNAP_EPSILON)
        for _ in range(SNAP_ROUNDS):
            slope, offset = filtered.fit(found)
            found = (slope * guide).sum(axis=0) + offset
            _decide(found)
    return Fit(small, slope, offset, reached.top, reached.left)


def snapped(fit: Fit, grid: Grid) -> Density:
    """A fitted density on any grid: with the guide in full, ``slope`` and ``offset`` interpolated.

    By the cubic B-spline between the samples of the reduced picture.
    """
    small = fit.grid
    by = grid.down / small.down, grid.across / small.across
    corner = fit.top, fit.left
    rows, columns = fit.offset.shape
    if not fit.slope.any() and not fit.offset.any():
        return Density(grid, NOWHERE, lambda window, _scene: np.zeros(window.shape, np.float32))
    box = grid.around(
        fit.top * small.down,
        (fit.top + rows) * small.down,
        fit.left * small.across,
        (fit.left + columns) * small.across,
    )

    def inside(window: Box, scene: Scene | None) -> Float32:
        assert scene is not None
        out = spline_window(fit.offset, window, *by, corner)
        for channel, slope in zip(oklab_planes(scene(window)), fit.slope, strict=True):
            out += channel * spline_window(slope, window, *by, corner)
        _decide(out)
        return out

    return Density(grid, box, inside, reads_scene=True)


class Guided:
    """The guided filter for one guide, (3, h, w), with boxes of ``2 radius + 1`` samples a side."""

    def __init__(self, guide: Float32, radius: int, epsilon: float) -> None:
        self._guide, self._radius = guide.astype(np.float64), radius
        self._mean = self._means(self._guide)
        pairs = [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)]
        squares = np.stack([self._guide[i] * self._guide[j] for i, j in pairs])
        products = np.stack([self._mean[i] * self._mean[j] for i, j in pairs])
        self._covariance = self._means(squares) - products
        self._covariance[[0, 3, 5]] += epsilon

    def fit(self, target: Float32) -> tuple[Float32, Float32]:
        """The averaged a (3, h, w) and b (h, w): ``(a guide).sum(0) + b`` is what comes out."""
        p = target.astype(np.float64)
        (mean,) = self._means(p[None])
        cross = self._means(self._guide * p) - self._mean * mean
        a = np.empty_like(cross)
        _ridge(self._covariance, cross, a)
        b = mean - (a * self._mean).sum(axis=0)
        (offset,) = self._means(b[None])
        return self._means(a).astype(np.float32), offset.astype(np.float32)

    def _means(self, channels: Float64) -> Float64:
        return np.stack([box_mean(channel, self._radius) for channel in channels])


def box_mean(values: Float64, radius: int) -> Float64:
    """The mean over ``2 radius + 1`` samples a side around each, of those that there are."""
    out = np.empty_like(values)
    _box(np.ascontiguousarray(values), radius, out)
    return out


def oklab_planes(planes: Float32) -> Float32:
    """OKLab of working planes, (3, rows, columns); what is no number, or no light, is black."""
    out: Float32 = np.empty(planes.shape, np.float32)
    _oklab(*planes, *out)
    return out


def scene_of(picture: Float32) -> Scene:
    """The scene on the grid of a reduced picture."""

    def scene(window: Box) -> Float32:
        part = picture[:, window.top : window.bottom, window.left : window.right]
        return np.ascontiguousarray(part)

    return scene


def _coarser(part: Density, by: int, picture: Float32 | None) -> tuple[Grid, Scene | None]:
    """The grid to work on: ``by`` times coarser, or the reduced picture's where that is read."""
    grid = part.grid
    if not part.reads_scene:
        return grid.reduced(by), None
    assert picture is not None
    small = Grid.over(grid.height, grid.width, (picture.shape[1], picture.shape[2]))
    return small, scene_of(picture)


def _refined(part: Density, grid: Grid, scene: Scene | None) -> Density:
    """A density of a coarser grid, computed once and taken between its samples."""
    reached = part.box.grown(3).meet(part.grid.box)
    if reached.empty:
        return Density(grid, NOWHERE, part.inside)
    by_row, by_column = grid.down / part.grid.down, grid.across / part.grid.across
    values = part.at(reached, scene)
    return _interpolated(grid, values, by_row, by_column, (reached.top, reached.left))


def _filtered(part: Density, halo: int, apply: Callable[[Float32], Float32]) -> Density:
    """A density after a filter that looks ``halo`` samples around; the frame's edge goes on."""

    def inside(window: Box, scene: Scene | None) -> Float32:
        wanted = window.grown(halo)
        known = wanted.meet(part.grid.box)
        around = part.at(known, scene)
        if known != wanted:
            rows = known.top - wanted.top, wanted.bottom - known.bottom
            columns = known.left - wanted.left, wanted.right - known.right
            around = np.pad(around, (rows, columns), mode="edge")
        return apply(around)

    return Density(part.grid, part.box.grown(halo).meet(part.grid.box), inside, part.reads_scene)


def _gaussian(sigma: float, radius: int) -> Float32:
    distance = np.arange(-radius, radius + 1)
    weights = np.exp(-0.5 * (distance / sigma) ** 2)
    return np.asarray(weights / weights.sum(), np.float32)


def _blurred(around: Float32, weights: Float32) -> Float32:
    """A separable blur; what comes out is smaller by half of the weights on every side."""
    lost = len(weights) - 1
    out: Float32 = np.empty((around.shape[0] - lost, around.shape[1] - lost), np.float32)
    _blur(around, weights, out)
    return out


def _spread(around: Float32, radius: float, shrink: bool) -> Float32:
    """The greatest ``f + min(radius - d, 0)`` around each sample, or the same of what is not."""
    halo = math.ceil(radius) + 1
    y, x = np.mgrid[-halo : halo + 1, -halo : halo + 1]
    short = np.minimum(radius - np.hypot(x, y), 0)
    kept = short > -1
    rows, columns = (y[kept] + halo).astype(np.int64), (x[kept] + halo).astype(np.int64)
    out: Float32 = np.empty((around.shape[0] - 2 * halo, around.shape[1] - 2 * halo), np.float32)
    _widen(f32(1) - around if shrink else around, halo, rows, columns,
           short[kept].astype(np.float32), out)  # fmt: skip
    return f32(1) - out if shrink else out


COS6, SIN6 = math.cos(math.radians(6)), math.sin(math.radians(6))
COS30, SIN30 = math.cos(math.radians(30)), math.sin(math.radians(30))
COS63, SIN63 = math.cos(math.radians(63)), math.sin(math.radians(63))
COS275, SIN275 = math.cos(math.radians(275)), math.sin(math.radians(275))


# --- the loops ------------------------------------------------------------------------------------


@inlined
def _fade(t):
    t = min(max(t, f32(0)), f32(1))
    # each half from its own end, so that it never overshoots and both ends are exact
    s = min(t, f32(1) - t)
    rise = s * s * s * (s * (s * f32(6) - f32(15)) + f32(10))
    return rise if t < f32(0.5) else f32(1) - rise


@inlined
def _settled(value):
    """Held to 0 and 1; what weights that sum to nearly 1 leave short of full is full."""
    return f32(1) if value > f32(1 - 1e-6) else max(value, f32(0))


@exact
def _ellipse(x, y, into, half, softest, out):
    a, b, c, d = into[0, 0], into[0, 1], into[1, 0], into[1, 1]
    for i in range(y.size):
        v = y[i]
        for j in range(x.size):
            u = x[j]
            p, q = a * u + b * v, c * u + d * v
            distance = np.sqrt(p * p + q * q) + f32(1e-12)
            slope_x, slope_y = a * p + c * q, b * p + d * q
            slope = np.sqrt(slope_x * slope_x + slope_y * slope_y) / distance
            reach = max(half, slope * softest)
            out[i, j] = _fade((f32(1) + reach - distance) / (reach + reach))


@exact
def _gradient(x, y, across, down, out):
    for i in range(y.size):
        from_rows = y[i] * down
        for j in range(x.size):
            out[i, j] = _fade(x[j] * across + from_rows)


@exact
def _cover(out, top, skip, left, columns, corners):
    """The share of each sample that a polygon covers; ``skip`` columns from ``left`` are not asked.

    An edge that crosses a row adds its height, with its sign, to all samples to its right, and to
    the sample that it passes through by the area to its right there.
    """
    count = corners.shape[0]
    steps = np.empty(columns + 1, np.float64)
    for i in range(out.shape[0]):
        steps[:] = 0.0
        row = float(top + i)
        for e in range(count):
            x0, y0 = corners[e, 0], corners[e, 1]
            following = e + 1 if e + 1 < count else 0
            x1, y1 = corners[following, 0], corners[following, 1]
            upper, lower = max(min(y0, y1), row), min(max(y0, y1), row + 1)
            if lower <= upper:
                continue
            slope = (x1 - x0) / (y1 - y0)
            height = lower - upper if y1 > y0 else upper - lower
            one, other = x0 + (upper - y0) * slope - left, x0 + (lower - y0) * slope - left
            low, high = min(one, other), max(one, other)
            if low >= columns:
                continue
            if high <= 0:
                steps[0] += height
                continue
            if high - low < 1e-9:
                cell = min(int(low), columns - 1)
                into = low - cell
                steps[cell] += height * (1 - into)
                steps[cell + 1] += height * into
                continue
            density = height / (high - low)
            if low < 0:
                steps[0] -= density * low
                low = 0.0
            high = min(high, float(columns))
            cell = int(low)
            while low < high:
                end = min(high, float(cell + 1))
                part = density * (end - low)
                into = (low + end) / 2 - cell
                steps[cell] += part * (1 - into)
                steps[cell + 1] += part * into
                low = end
                cell += 1
        total = 0.0
        for j in range(skip):
            total += steps[j]
        for j in range(out.shape[1]):
            total += steps[skip + j]
            covered = abs(total)
            # sums of areas leave some 1e-16 where they should leave nothing
            out[i, j] = 0.0 if covered < 1e-9 else min(covered, 1.0)


@exact
def _tones(r, g, b, red, green, blue, low, high, sharpness, out):
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            y = red * r[i, j] + green * g[i, j] + blue * b[i, j]
            stops = log2(min(max(y, f32(1e-30)), f32(1e30)))
            rise = _fade((stops - low) * sharpness + f32(0.5))
            fall = _fade((high - stops) * sharpness + f32(0.5))
            out[i, j] = rise * fall


@inlined
def _lab_root(t):
    return cbrt(t) if t > f32((6 / 29) ** 3) else t * f32((29 / 6) ** 2 / 3) + f32(4 / 29)


@exact
def _colour(r, g, b, into, low, steps, cells, target, reach, sharpness, out):
    columns = out.shape[1]
    count = cells.shape[0]
    lightness = np.empty(columns, np.float32)
    a_axis = np.empty(columns, np.float32)
    b_axis = np.empty(columns, np.float32)
    for i in range(out.shape[0]):
        for j in range(columns):
            red, green, blue = r[i, j], g[i, j], b[i, j]
            x = _lab_root(into[0, 0] * red + into[0, 1] * green + into[0, 2] * blue)
            y = _lab_root(into[1, 0] * red + into[1, 1] * green + into[1, 2] * blue)
            z = _lab_root(into[2, 0] * red + into[2, 1] * green + into[2, 2] * blue)
            lightness[j] = f32(116) * y - f32(16)
            a_axis[j] = f32(500) * (x - y)
            b_axis[j] = f32(200) * (y - z)
        for j in range(columns):
            p = (lightness[j] - low[0]) * steps[0]
            q = (a_axis[j] - low[1]) * steps[1]
            s = (b_axis[j] - low[2]) * steps[2]
            density = f32(0)
            if (p > 0) & (p < count) & (q > 0) & (q < count) & (s > 0) & (s < count):
                cell = cells[np.uint32(p), np.uint32(q), np.uint32(s)]
                if cell == BETWEEN:
                    away = _delta_e_2000(
                        target[0], target[1], target[2], lightness[j], a_axis[j], b_axis[j]
                    )
                    density = _fade(f32((reach - away) * sharpness))
                elif cell == FULL:
                    density = f32(1)
            out[i, j] = density


@exact
def _differences(target, lightness, a_axis, b_axis, table):
    for i in range(lightness.size):
        for j in range(a_axis.size):
            for k in range(b_axis.size):
                table[i, j, k] = _delta_e_2000(
                    target[0], target[1], target[2], lightness[i], a_axis[j], b_axis[k]
                )


@exact
def _delta_e_2000(l1, a1, b1, l2, a2, b2):
    """ΔE00 of one pair, as ``kernels.difference`` has it for arrays, nearly without angles.

    The mean hue is the direction between the two hues' unit vectors; cosines of its multiples
    follow from its own. Only the rotation term, near 275°, needs the angle itself.
    """
    c7 = ((math.sqrt(a1 * a1 + b1 * b1) + math.sqrt(a2 * a2 + b2 * b2)) / 2) ** 7
    stretch = 1.5 - 0.5 * math.sqrt(c7 / (c7 + 25.0**7))
    a1, a2 = a1 * stretch, a2 * stretch
    c1, c2 = math.sqrt(a1 * a1 + b1 * b1), math.sqrt(a2 * a2 + b2 * b2)
    inverse1 = 1 / c1 if c1 > 0 else 0.0
    inverse2 = 1 / c2 if c2 > 0 else 0.0
    x, y = a1 * inverse1 + a2 * inverse2, b1 * inverse1 + b2 * inverse2
    length = math.sqrt(x * x + y * y)
    if length < 1e-9:  # opposite hues, or two greys
        x, y, length = -b1 * inverse1, a1 * inverse1, 1.0
    x, y = x / length, y / length
    cos2, sin2 = 2 * x * x - 1, 2 * x * y
    cos3, sin3 = 4 * x * x * x - 3 * x, 3 * y - 4 * y * y * y
    cos4, sin4 = 2 * cos2 * cos2 - 1, 2 * sin2 * cos2
    t = (
        1
        - 0.17 * (COS30 * x + SIN30 * y)
        + 0.24 * cos2
        + 0.32 * (COS6 * cos3 - SIN6 * sin3)
        - 0.20 * (COS63 * cos4 + SIN63 * sin4)
    )
    chroma = (c1 + c2) / 2
    off = ((l1 + l2) / 2 - 50) ** 2
    by_lightness = (l2 - l1) / (1 + 0.015 * off / math.sqrt(20 + off))
    by_chroma = (c2 - c1) / (1 + 0.045 * chroma)
    apart = math.sqrt(max(2 * (c1 * c2 - a1 * a2 - b1 * b2), 0.0))
    by_hue = math.copysign(apart, a1 * b2 - b1 * a2) / (1 + 0.015 * chroma * t)
    turned = 0.0
    if x * COS275 + y * SIN275 > -0.3:  # beyond, it is less than 1e-8
        h = math.degrees(math.atan2(y, x)) % 360
        c7 = chroma**7
        turned = -math.sin(math.radians(60 * math.exp(-(((h - 275) / 25) ** 2))))
        turned *= 2 * math.sqrt(c7 / (c7 + 25.0**7))
    return math.sqrt(
        max(by_lightness**2 + by_chroma**2 + by_hue**2 + turned * by_chroma * by_hue, 0.0)
    )


@exact
def _spline(values, rows, row_weights, columns, column_weights, out):
    line = np.empty(values.shape[1], np.float32)
    low, high = columns.min(), columns.max() + 1
    at0, at1, at2, at3 = columns[0], columns[1], columns[2], columns[3]
    v0, v1, v2, v3 = column_weights[0], column_weights[1], column_weights[2], column_weights[3]
    for i in range(out.shape[0]):
        w0, w1, w2, w3 = (
            row_weights[0, i],
            row_weights[1, i],
            row_weights[2, i],
            row_weights[3, i],
        )
        first, second = values[rows[0, i]], values[rows[1, i]]
        third, fourth = values[rows[2, i]], values[rows[3, i]]
        for k in range(low, high):
            line[k] = w0 * first[k] + w1 * second[k] + w2 * third[k] + w3 * fourth[k]
        for j in range(out.shape[1]):
            value = v0[j] * line[at0[j]] + v1[j] * line[at1[j]]
            out[i, j] = value + (v2[j] * line[at2[j]] + v3[j] * line[at3[j]])


@exact
def _settle(out):
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            out[i, j] = _settled(out[i, j])


@exact
def _blur(around, weights, out):
    taps = weights.size
    line = np.empty(around.shape[1], np.float32)
    for i in range(out.shape[0]):
        line[:] = f32(0)
        for k in range(taps):
            weight, row = weights[k], around[i + k]
            for j in range(line.size):
                line[j] += weight * row[j]
        target = out[i]
        target[:] = f32(0)
        for k in range(taps):
            weight = weights[k]
            for j in range(target.size):
                target[j] += weight * line[j + k]
        for j in range(target.size):
            target[j] = _settled(target[j])


@exact
def _spans(values, found):
    columns = values.shape[1]
    for i in range(values.shape[0]):
        first = 0
        while first < columns and values[i, first] == 0:
            first += 1
        last = columns
        while last > first and values[i, last - 1] == 0:
            last -= 1
        found[i, 0], found[i, 1] = first, last


@exact
def _faded(t, out):
    for i in range(t.size):
        out[i] = _fade(t[i] + f32(0.5))


@exact
def _decide(out):
    """Take what is below a quarter for nothing, what is above three for full."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            out[i, j] = _fade(f32(2) * out[i, j] - f32(0.5))


@exact
def _oklab(r, g, b, lightness, a_axis, b_axis):
    for i in range(r.shape[0]):
        for j in range(r.shape[1]):
            x, y, z = to_oklab(r[i, j], g[i, j], b[i, j])
            # NaN and infinities fail this
            sound = (x > f32(0)) & (x < f32(100))
            lightness[i, j] = x if sound else f32(0)
            a_axis[i, j] = y if sound else f32(0)
            b_axis[i, j] = z if sound else f32(0)


@exact
def _ridge(covariance, cross, out):
    """The solution of the symmetric 3 × 3 system at each place, by its adjugate."""
    for i in range(cross.shape[1]):
        for j in range(cross.shape[2]):
            p, q, r = covariance[0, i, j], covariance[1, i, j], covariance[2, i, j]
            s, t, u = covariance[3, i, j], covariance[4, i, j], covariance[5, i, j]
            a, b, c = s * u - t * t, r * t - q * u, q * t - r * s
            d, e, f = p * u - r * r, q * r - p * t, p * s - q * q
            inverse = 1 / (p * a + q * b + r * c)
            x, y, z = cross[0, i, j], cross[1, i, j], cross[2, i, j]
            out[0, i, j] = (a * x + b * y + c * z) * inverse
            out[1, i, j] = (b * x + d * y + e * z) * inverse
            out[2, i, j] = (c * x + e * y + f * z) * inverse


@exact
def _widen(around, halo, rows, columns, short, out):
    """Where all around a sample is alike it stays; else each place of the disc is looked at."""
    width = around.shape[1]
    span = 2 * halo + 1
    least, most = np.empty(width, np.float32), np.empty(width, np.float32)
    for i in range(out.shape[0]):
        least[:] = f32(2)
        most[:] = f32(-1)
        for k in range(span):
            row = around[i + k]
            for j in range(width):
                least[j] = min(least[j], row[j])
                most[j] = max(most[j], row[j])
        for j in range(out.shape[1]):
            low, high = least[j], most[j]
            for k in range(1, span):
                low, high = min(low, least[j + k]), max(high, most[j + k])
            value = high
            if low != high:
                value = f32(0)
                for k in range(rows.size):
                    value = max(value, around[i + rows[k], j + columns[k]] + short[k])
            out[i, j] = value


@exact
def _box(values, radius, out):
    height, width = values.shape
    column = np.zeros(width, np.float64)
    first, last = 0, 0
    for i in range(height):
        while last < min(i + radius + 1, height):
            row = values[last]
            for j in range(width):
                column[j] += row[j]
            last += 1
        while first < i - radius:
            row = values[first]
            for j in range(width):
                column[j] -= row[j]
            first += 1
        total, left, right = 0.0, 0, 0
        for j in range(width):
            while right < min(j + radius + 1, width):
                total += column[right]
                right += 1
            while left < j - radius:
                total -= column[left]
                left += 1
            out[i, j] = total / ((last - first) * (right - left))

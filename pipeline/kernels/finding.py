"""Finding a 24-patch chart in a picture, and which way round it is.

Squares are found as flat regions at several scales; those that lie on a common lattice are joined
by a homography; every window of four by six cells of it, in every rotation, is then compared with
the chart's colours, allowing any linear camera and any smooth shading. Geometry only proposes:
a chart is believed when its colours fit, and fit far better than when it is read turned or
mirrored. Knows neither files nor what is done with the chart.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.chart import COLUMNS, PATCH_SHARE, ROWS, Corners
from pipeline.kernels.recognition import CLEARANCE, has_chart_colours, misfits

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Cell = tuple[int, int]

LONG_SIDE_PX = 1760
"""Where the search works: the quarter scale of a frame of 33 MP. Larger pictures are reduced."""
LEVELS = (1.0, 0.5, 0.25)
LEAST_PX = 32
"""A shorter side than this holds no chart."""
SMALL_PX = 1400
"""A shorter long side than this is searched at twice its size as well."""
EDGES = (6, 12, 24)
"""Steps, of 255 in the fourth root of light, above which a neighbourhood is an edge."""
SQUARE_PX = (5, 110)
"""Sides of the flat middles of squares that are looked for at each level."""
LEAST_SQUARES = 7
"""How many squares make a lattice worth looking at."""
SETTLED_SQUARES = 16
"""A lattice of so many squares need not be grown again from each of them."""
SURE_SQUARES = 12
"""How many of the 24 patches must be seen as squares in the end; colours vouch for the others."""
SAMPLES_PER_CELL = 15
"""How finely a cell is sampled; of these the middle 7 by 7."""
LATTICES = 8
LATTICE_TRIES = 40
"""How many lattices, large ones and small ones, are compared with the chart's colours, and how
many starts are made for them."""
GROWN_CELLS = 2
"""How far a lattice grows from where it starts before it is fitted and stretched."""
REACH_CELLS = COLUMNS - 1
"""How far from where it starts a chart can reach."""
AROUND = np.stack(np.meshgrid(*[np.arange(-REACH_CELLS, REACH_CELLS + 1.0)] * 2), axis=-1).reshape(
    -1, 2
)
"""The cells that a lattice may have, its start at (0, 0)."""


@dataclass(frozen=True, slots=True)
class Found:
    """A chart. ``error`` is the mean ΔE00 of its patches after the best 3 × 3 matrix, lightness
    apart; ``next_error`` the same for the best other reading of the same place (turned or
    mirrored): how sure it is that it was read the right way round."""

    corners: Corners
    error: float
    next_error: float


@dataclass(frozen=True, slots=True)
class NotFound:
    """No chart; ``reason`` is a clause such as "no grid of four by six patches was found"."""

    reason: str


@dataclass(frozen=True, slots=True)
class _Squares:
    """Flat squares: centres (n, 2) and sides (n,) in pixels of the working picture, and hues
    (n, 3): the picture's 8-bit values in their middle without their mean."""

    centres: Float64
    sides: Float64
    hues: Float64


@dataclass(frozen=True, slots=True)
class _Lattice:
    """A homography from cells (column, row) to pixels, and the cells where a square was seen."""

    homography: Float64
    cells: NDArray[np.int64]


def find_chart(picture: Float32, reference: Float64) -> Found | NotFound:
    """Find a chart in ``picture``, (h, w, 3), linear RGB that is balanced at least roughly.

    ``reference`` (24, 3) is XYZ of the patches under D50. The picture is not changed. A quarter
    scale is enough; values may be of any scale, negative or not finite here and there.
    """
    if min(picture.shape[:2]) < LEAST_PX:
        return NotFound("the picture is too small")
    linear = _reduced(picture)
    squares = _squares_of(_shown(linear))
    worse: list[tuple[float, NotFound]] = []
    for lattice in _lattices(squares):
        judged = _judged(linear, squares, lattice, reference)
        if judged is None:
            continue
        error, verdict = judged
        if isinstance(verdict, Found):
            return verdict
        worse.append((error, verdict))
    if not worse:
        return NotFound("no grid of four by six patches was found")
    return min(worse, key=lambda judged: judged[0])[1]


def _reduced(picture: Float32) -> Float32:
    """The picture at most ``LONG_SIDE_PX`` long, finite, at least 0."""
    height, width = picture.shape[:2]
    scale = LONG_SIDE_PX / max(height, width)
    if scale < 1:
        size = (max(round(width * scale), 1), max(round(height * scale), 1))
        picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)
    finite = np.nan_to_num(picture, nan=0.0, posinf=0.0, neginf=0.0)
    return np.maximum(finite, 0, dtype=np.float32)


def _shown(linear: Float32) -> NDArray[np.uint8]:
    """The picture as 8 bits, (h, w, 3): the fourth root of light, each channel to its own white.

    A step of the root is a ratio of light: a chart in shade keeps its contrast.
    """
    white = np.percentile(linear[::4, ::4].reshape(-1, 3), 99.5, axis=0).astype(np.float32)
    root = np.sqrt(np.sqrt(linear * (1 / np.maximum(white, 1e-9))))
    return np.minimum(root * np.float32(235), 255).astype(np.uint8)


def _squares_of(shown: NDArray[np.uint8]) -> _Squares:
    """Every flat region that could be a patch."""
    found: list[tuple[float, float, float]] = []
    grain = np.ones((3, 3), np.uint8)
    levels = LEVELS if max(shown.shape) >= SMALL_PX else (2.0, *LEVELS)
    for level in levels:
        # enlarging is linear, reducing averages
        small = cv2.resize(shown, None, fx=level, fy=level, interpolation=cv2.INTER_AREA)
        smooth = cv2.GaussianBlur(small, (0, 0), 0.8)
        red, green, blue = cv2.split(cv2.morphologyEx(smooth, cv2.MORPH_GRADIENT, grain))
        edges = cv2.max(cv2.max(red, green), blue)
        for threshold in EDGES:
            flat = cv2.threshold(edges, threshold, 1, cv2.THRESH_BINARY_INV)[1]
            flat = cv2.morphologyEx(flat, cv2.MORPH_OPEN, grain)
            contours, _tree = cv2.findContours(flat, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
            for contour in contours:
                square = _square(contour)
                if square is not None:
                    x, y, side = square
                    found.append(((x + 0.5) / level, (y + 0.5) / level, side / level))
    return _distinct(np.array(found).reshape(-1, 3), shown)


def _square(contour: Any) -> tuple[float, float, float] | None:
    """Centre and side of a contour that is about square, in perspective; else None."""
    if len(contour) < 4:
        return None
    area = cv2.contourArea(contour)
    if not SQUARE_PX[0] ** 2 <= area <= SQUARE_PX[1] ** 2:
        return None
    (_x, _y), (first, second), _angle = cv2.minAreaRect(contour)
    short, long = sorted((first, second))
    if long > 1.7 * short or area < 0.72 * short * long:
        return None
    moments = cv2.moments(contour)
    # flat regions end about two pixels before the patch does
    side = float(np.sqrt(area)) + 3.0
    return moments["m10"] / moments["m00"], moments["m01"] / moments["m00"], side


def _distinct(found: Float64, shown: NDArray[np.uint8]) -> _Squares:
    """Squares seen at several levels count once: the largest of those about one centre."""
    found = found[np.argsort(-found[:, 2], kind="stable")]
    kept = np.empty_like(found)
    count = 0
    for square in found:
        off = np.abs(kept[:count] - square)
        near = (off[:, 0] < 0.3 * square[2]) & (off[:, 1] < 0.3 * square[2])
        if not (near & (off[:, 2] < 0.5 * square[2])).any():
            kept[count] = square
            count += 1
    centres, sides = kept[:count, :2], kept[:count, 2]
    height, width = shown.shape[:2]
    x, y = np.clip(centres, 0, [width - 1, height - 1]).astype(int).T
    middles = cv2.blur(shown, (5, 5))[y, x].astype(np.float64)
    return _Squares(centres, sides, middles - middles.mean(axis=1, keepdims=True))


def _lattices(squares: _Squares) -> Iterator[_Lattice]:
    """Lattices of at least ``LEAST_SQUARES`` squares, those of many squares first."""
    near = _neighbours(squares)
    promise = _promise(squares, near)
    settled = np.zeros(len(squares.sides), np.bool_)
    small: list[_Lattice] = []
    tries = large = 0
    for seed in sorted(range(len(near)), key=lambda index: -promise[index]):
        if settled[seed]:
            continue
        if tries >= LATTICE_TRIES or large >= LATTICES:
            break
        for u, v in _bases(squares, near[seed], seed):
            tries += 1
            fitted = _fitted(squares, _grown(squares, near, seed, u, v))
            if fitted is None or seed not in fitted[1]:
                continue
            lattice, members = fitted
            if len(members) >= SETTLED_SQUARES:
                yield lattice
                large += 1
                settled[members] = True
                break
            small.append(lattice)
    yield from sorted(small, key=lambda lattice: -len(lattice.cells))[:LATTICES]


def _neighbours(squares: _Squares) -> list[NDArray[np.intp]]:
    """For each square, those of about its size that could be next to it on a lattice."""
    distance = np.hypot(*(squares.centres[:, None] - squares.centres[None]).transpose(2, 0, 1))
    first, second = squares.sides[:, None], squares.sides[None]
    mean = (first + second) / 2
    alike = (first < 1.6 * second) & (second < 1.6 * first)
    near = alike & (distance > 0.7 * mean) & (distance < 1.9 * mean)
    return [np.flatnonzero(row) for row in near]


def _promise(squares: _Squares, near: list[NDArray[np.intp]]) -> list[float]:
    """How well each square would do as a start: neighbours of its size and of other hues.

    So a chart comes before the tiles that it lies on.
    """
    result = []
    for index, around in enumerate(near):
        alike = np.abs(np.log(squares.sides[around] / squares.sides[index])) < 0.15
        hues = squares.hues[around[alike]] - squares.hues[index]
        result.append(float(np.minimum(np.abs(hues).max(axis=1, initial=0), 30).sum()))
    return result


def _bases(
    squares: _Squares, near: NDArray[np.intp], seed: int
) -> Iterator[tuple[Float64, Float64]]:
    """Pairs of steps to a square's neighbours that could be the lattice's, nearest first."""
    steps = squares.centres[near] - squares.centres[seed]
    lengths = np.hypot(*steps.T)
    order = np.argsort(lengths, kind="stable")[:6]
    for first in order[:3]:
        for second in order:
            u, v = steps[first], steps[second]
            cross = abs(u[0] * v[1] - u[1] * v[0]) / (lengths[first] * lengths[second])
            if cross > 0.75 and lengths[second] < 1.6 * lengths[first]:
                yield u, v
                break


def _grown(
    squares: _Squares, near: list[NDArray[np.intp]], seed: int, u: Float64, v: Float64
) -> dict[Cell, int]:
    """Squares by lattice cell, from neighbour to neighbour: steps adapt to the perspective."""
    cells: dict[Cell, int] = {(0, 0): seed}
    frames = {(0, 0): (u, v)}
    queue: list[Cell] = [(0, 0)]
    while queue:
        cell = queue.pop(0)
        here = squares.centres[cells[cell]]
        around = near[cells[cell]]
        for axis, sign in ((0, 1), (0, -1), (1, 1), (1, -1)):
            target = (cell[0] + sign * (axis == 0), cell[1] + sign * (axis == 1))
            if target in cells or max(abs(target[0]), abs(target[1])) > GROWN_CELLS:
                continue
            step = frames[cell][axis] * sign
            off = np.hypot(*(squares.centres[around] - here - step).T)
            if not len(off) or off.min() > 0.3 * np.hypot(*step):
                continue
            square = int(around[off.argmin()])
            if square in cells.values():
                continue
            actual = (squares.centres[square] - here) * sign
            frame = list(frames[cell])
            frame[axis] = (frame[axis] + actual) / 2
            cells[target] = square
            frames[target] = (frame[0], frame[1])
            queue.append(target)
    return cells


def _fitted(squares: _Squares, grown: dict[Cell, int]) -> tuple[_Lattice, NDArray[np.intp]] | None:
    """The lattice through grown cells and which squares it holds, those beyond a gap as well.

    It is stretched ring by ring, so that what lies around a chart cannot outvote it.
    """
    cells = np.array(list(grown), np.float64).reshape(-1, 2)
    members = np.array(list(grown.values()), np.intp)
    side = float(np.median(squares.sides[members]))
    pool = np.flatnonzero((squares.sides > 0.4 * side) & (squares.sides < 2.5 * side))
    for reach in (GROWN_CELLS, GROWN_CELLS + 1, REACH_CELLS, REACH_CELLS):
        if len(cells) < 6 or min(len(np.unique(cells[:, axis])) for axis in (0, 1)) < 2:
            return None
        homography = _homography(cells, squares.centres[members], 0.15 * side)
        if homography is None:
            return None
        places, pitches = _project(homography, AROUND)
        off = np.hypot(*(squares.centres[pool][None] - places[:, None]).transpose(2, 0, 1))
        nearest = off.argmin(axis=1)
        sides = squares.sides[pool[nearest]]
        hit = off[np.arange(len(AROUND)), nearest] < 0.2 * pitches
        hit &= np.abs(AROUND).max(axis=1) <= reach
        hit &= (sides > 0.45 * pitches) & (sides < 1.3 * pitches)
        cells, members = AROUND[hit], pool[nearest[hit]]
    if len(cells) < LEAST_SQUARES:
        return None
    homography = _homography(cells, squares.centres[members], 0.15 * side)
    if homography is None:
        return None
    slopes = _project(homography, cells.mean(axis=0)[None] + [[0, 0], [1, 0], [0, 1]])[0]
    (ax, ay), (bx, by) = slopes[1] - slopes[0], slopes[2] - slopes[0]
    if ax * by - ay * bx < 0:  # counted as the picture is: x to the right, y down
        flip = np.array([[1.0, 0, 0], [0, -1.0, 0], [0, 0, 1.0]])
        homography, cells = homography @ flip, cells * [1, -1]
    return _Lattice(homography, cells.astype(np.int64)), members


def _homography(cells: Float64, places: Float64, tolerance_px: float) -> Float64 | None:
    """The homography from cells to pixels that most agree on; None where there is none."""
    found = cv2.findHomography(cells, places, cv2.RANSAC, tolerance_px)[0]
    return None if found is None or found.size != 9 else np.asarray(found, np.float64)


def _project(homography: Float64, cells: Float64) -> tuple[Float64, Float64]:
    """Pixels (n, 2) of cells, and the distance of lattice points there; far away where behind."""
    x = np.column_stack([cells, np.ones(len(cells))]) @ homography.T
    w = np.where(x[:, 2] > 1e-6, x[:, 2], np.nan)
    places = x[:, :2] / w[:, None]
    # the square root of the homography's area factor
    pitches = np.sqrt(np.abs(np.linalg.det(homography)) / np.abs(w) ** 3)
    return np.nan_to_num(places, nan=-1e9), np.nan_to_num(pitches, nan=0.0)


@dataclass(frozen=True, slots=True)
class _Reading:
    """One way to read a chart off a lattice: the cells of its patches, (24, 2), in chart order."""

    cells: NDArray[np.int64]
    mirrored: bool


def _readings(lattice: _Lattice) -> list[_Reading]:
    """Every window of the lattice that holds enough squares, in every rotation and mirrored."""
    low, high = lattice.cells.min(axis=0), lattice.cells.max(axis=0)
    enough = max(LEAST_SQUARES, 0.6 * min(len(lattice.cells), ROWS * COLUMNS))
    row, column = np.divmod(np.arange(ROWS * COLUMNS), COLUMNS)
    found: list[_Reading] = []
    for size, turns in (((COLUMNS, ROWS), (0, 2)), ((ROWS, COLUMNS), (1, 3))):
        for left in range(low[0] - size[0] + 1, high[0] + 1):
            for top in range(low[1] - size[1] + 1, high[1] + 1):
                inside = lattice.cells - [left, top]
                held = ((inside >= 0) & (inside < size)).all(axis=1).sum()
                if held < enough:
                    continue
                for turn in turns:
                    for mirrored in (False, True):
                        along = COLUMNS - 1 - column if mirrored else column
                        x, y = {
                            0: (along, row),
                            1: (ROWS - 1 - row, along),
                            2: (COLUMNS - 1 - along, ROWS - 1 - row),
                            3: (row, COLUMNS - 1 - along),
                        }[turn]
                        found.append(_Reading(np.stack([left + x, top + y], axis=1), mirrored))
    return found


def _judged(
    linear: Float32, squares: _Squares, lattice: _Lattice, reference: Float64
) -> tuple[float, Found | NotFound] | None:
    """The best reading of a lattice and its error; None where no window is inside the picture."""
    readings = _readings(lattice)
    fits = _compared(linear, lattice.homography, readings, reference)
    best = min(range(len(fits)), key=lambda index: fits[index][0], default=None)
    if best is None or not np.isfinite(fits[best][0]):
        return None
    reading = readings[best]
    homography = _settled(squares, lattice.homography, reading)
    if homography is None:
        return None
    (error, shading), *others = _compared(
        linear, homography, [reading, *_turned(reading)], reference
    )
    following = min(other for other, _shading in others)
    if not has_chart_colours(error, shading):
        return error, NotFound("the squares that were found do not have the chart's colours")
    if following < CLEARANCE * error:
        return error, NotFound("which way round the chart is read cannot be told by its colours")
    if reading.mirrored:
        return error, NotFound("the chart is mirrored: the picture is flipped")
    height, width = linear.shape[:2]
    last = ROWS * COLUMNS - 1
    corners = reading.cells[[0, COLUMNS - 1, last, last - COLUMNS + 1]]
    outwards = np.sign(corners - reading.cells.mean(axis=0))
    pixels, _ = _project(homography, corners + PATCH_SHARE / 2 * outwards)
    first, second, third, fourth = ((float(x) / width, float(y) / height) for x, y in pixels)
    return error, Found((first, second, third, fourth), error, following)


def _settled(squares: _Squares, homography: Float64, reading: _Reading) -> Float64 | None:
    """The homography through the squares of a chart alone; None where they are too few.

    What lay beside the chart (tiles, a bookshelf) may have bent the lattice.
    """
    cells = reading.cells.astype(np.float64)
    for tolerance in (0.45, 0.3, 0.2):
        places, pitches = _project(homography, cells)
        off = np.hypot(*(squares.centres[None] - places[:, None]).transpose(2, 0, 1))
        sides = squares.sides[None] / np.maximum(pitches[:, None], 1e-9)
        off[(sides < 0.5) | (sides > 1.3)] = np.inf
        nearest = off.argmin(axis=1)
        hit = off[np.arange(len(cells)), nearest] < tolerance * pitches
        if hit.sum() < SURE_SQUARES:
            return None
        pitch = float(np.median(pitches))
        found = _homography(cells[hit], squares.centres[nearest[hit]], 0.1 * pitch)
        if found is None:
            return None
        homography = found
    return homography


def _turned(reading: _Reading) -> list[_Reading]:
    """The other ways to read the same cells: turned by half, and both mirrored."""
    cells = reading.cells.reshape(ROWS, COLUMNS, 2)
    half, across, down = cells[::-1, ::-1], cells[:, ::-1], cells[::-1]
    return [
        _Reading(half.reshape(-1, 2), reading.mirrored),
        _Reading(across.reshape(-1, 2), not reading.mirrored),
        _Reading(down.reshape(-1, 2), not reading.mirrored),
    ]


def _compared(
    linear: Float32, homography: Float64, readings: list[_Reading], reference: Float64
) -> list[tuple[float, float]]:
    """For each reading, as ``misfits`` gives them; infinite where it leaves the picture."""
    if not readings:
        return []
    cells = np.array([reading.cells for reading in readings])
    low = cells.min(axis=(0, 1))
    width, height = cells.max(axis=(0, 1)) - low + 1
    grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1).reshape(-1, 2) + low
    colours = _sampled(linear, homography, grid)
    samples = colours[(cells[..., 1] - low[1]) * width + cells[..., 0] - low[0]]
    inside = np.isfinite(samples).all(axis=(1, 2)) & (samples.sum(axis=2) > 0).all(axis=1)
    result = np.full((len(readings), 2), np.inf)
    if inside.any():
        result[inside] = np.column_stack(misfits(samples[inside], reference))
    return [(float(error), float(shading)) for error, shading in np.nan_to_num(result, nan=np.inf)]


def _sampled(linear: Float32, homography: Float64, cells: NDArray[np.int64]) -> Float64:
    """The mean colour of the middle of each cell, (n, 3); NaN outside the picture."""
    _places, pitches = _project(homography, cells.astype(np.float64))
    # reduced until the samples of a cell lie a pixel apart, so that every pixel counts
    times = max(int(np.median(pitches) / SAMPLES_PER_CELL), 1)
    height, width = linear.shape[0] // times, linear.shape[1] // times
    whole = linear[: height * times, : width * times]
    small = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    middle = (np.arange(7) - 3) / SAMPLES_PER_CELL
    grid = np.stack(np.meshgrid(middle, middle), axis=-1).reshape(-1, 2)
    places, pitches = _project(homography, (cells[:, None] + grid).reshape(-1, 2))
    x, y = np.floor(places / times).T
    outside = (x < 0) | (y < 0) | (x >= width) | (y >= height) | (pitches < 1)
    x, y = np.where(outside, 0, x).astype(np.intp), np.where(outside, 0, y).astype(np.intp)
    values = small[y, x].astype(np.float64)
    values[outside] = np.nan
    return np.asarray(values.reshape(len(cells), len(grid), 3).mean(axis=1), np.float64)

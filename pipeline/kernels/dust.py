"""Finds dust on a sensor: soft dark spots at one place of it, whatever the pictures show.

Dust on a sensor's cover glass takes the same share of light whatever is behind it, so in stops its
spot is equally deep everywhere. One picture cannot tell it from a speck in the scene; several
of different things can. Places are in the sensor's own orientation: x of its width, y of its
height. Knows arrays only.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from pipeline.frame import Float32

WORK_PX = 1400
"""Long side of the pictures that are searched, at most."""
RADII = (0.0022, 0.0034, 0.0052)
"""Of spots that are looked for, as shares of the long side."""
DARKEST = 2.0**-9
"""Linear level below which noise makes spots of its own."""
NOISE_PX = 700
"""Of how many pixels along the long side a spot's surroundings are judged: more tell no more."""
CELLS = 32
"""Of the grid, along the long side, on which it is noted how busy a picture is."""
LEAST_Z = 5.0
"""Depth of a spot in standard deviations of what is around it."""
FAINT_Z = 1.5
"""The same where dust is known to be: in a busy place it is no proof, but what agrees is it."""
AGREES = 0.6, 1.7
"""How deep a faint spot may be, as shares of what the same dust takes elsewhere."""
LEAST_STOPS = 0.03
MOST_DIPS, MOST_FAINT = 400, 3000
SHOWS_Z = 8.0
"""A spot of this many deviations would have been seen where it was not."""
APART = 0.0035
"""How far the same spot may lie from itself in two pictures, as a share of the long side."""
LOOK = 60, 40
SAME_SCENE = 0.22
"""Correlation of the detail of two pictures from which they count as one: what stands still in
both proves nothing."""
LEAST_SCENES = 3
LEAST_CONFIDENCE = 0.75


class Dip(NamedTuple):
    """A dark spot in one picture: where, how large (a share of the long side), how deep in stops,
    and how many standard deviations of its surroundings that is."""

    x: float
    y: float
    radius: float
    stops: float
    z: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one picture says: ``dips``, the deepest first, and ``faint``, (n, 4), the x, y, stops
    and z of all that are too faint to prove anything. ``noise`` are deviations in stops on a grid
    over it, one for each of ``RADII``; ``look`` is the picture itself, very small, for telling
    scenes apart."""

    dips: tuple[Dip, ...]
    faint: Float32
    noise: tuple[tuple[tuple[float, ...], ...], ...]
    look: tuple[float, ...]
    aspect: float


class Speck(NamedTuple):
    """Dust: its place and size, how deep, in how many scenes it was seen, how sure it is: the share
    of scenes in which it could be seen that show it, with one against it added."""

    x: float
    y: float
    radius: float
    stops: float
    scenes: int
    confidence: float


def evidence(picture: Float32) -> Evidence:
    """Dark spots of a reduced picture, (h, w, 3) linear, in the sensor's orientation."""
    height, width = picture.shape[:2]
    by = min(1.0, WORK_PX / max(height, width))
    size = max(8, round(width * by)), max(8, round(height * by))
    light = np.log2(np.maximum(picture.mean(axis=2, dtype=np.float32), np.float32(DARKEST)))
    light = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    long_side = max(size)
    grid = max(2, round(CELLS * size[0] / long_side)), max(2, round(CELLS * size[1] / long_side))
    depths, scores, noises = [], [], []
    for radius in RADII:
        sigma = max(radius * long_side / 1.6, 0.7)
        depth = cv2.GaussianBlur(light, (0, 0), 2.2 * sigma) - cv2.GaussianBlur(
            light, (0, 0), 0.6 * sigma
        )
        noise = _noise(depth, grid)
        noises.append(tuple(tuple(float(v) for v in row) for row in noise))
        depths.append(depth)
        scores.append(depth / cv2.resize(noise, size, interpolation=cv2.INTER_LINEAR))
    score, depth = np.stack(scores), np.stack(depths)
    best = depth.argmax(axis=0)  # where the blur fits a spot, it is deepest
    top = score.max(axis=0)
    reach = 2 * max(2, round(RADII[-1] * long_side)) + 1
    peak = top >= cv2.dilate(top, np.ones((reach, reach), np.uint8))
    edge = max(2, reach // 2)
    peak[:edge], peak[-edge:], peak[:, :edge], peak[:, -edge:] = False, False, False, False
    deep = np.take_along_axis(depth, best[None], axis=0)[0]
    rows, columns = np.nonzero(peak & (top > FAINT_Z) & (deep > LEAST_STOPS))
    found = sorted(
        (Dip((c + 0.5) / size[0], (r + 0.5) / size[1], RADII[best[r, c]], float(deep[r, c]),
             float(top[r, c]))
         for r, c in zip(rows.tolist(), columns.tolist(), strict=True)),
        key=lambda dip: -dip.z,
    )  # fmt: skip
    small = cv2.resize(light, LOOK, interpolation=cv2.INTER_AREA)
    look = (small - cv2.GaussianBlur(small, (0, 0), 3)).ravel()  # what is where, not how bright
    strong = [dip for dip in found if dip.z > LEAST_Z][:MOST_DIPS]
    faint = [(dip.x, dip.y, dip.stops, dip.z) for dip in found[len(strong) : MOST_FAINT]]
    return Evidence(
        tuple(strong),
        np.array(faint, np.float32).reshape(-1, 4),
        tuple(noises),
        tuple(float(v) for v in look),
        width / height,
    )


def _noise(depth: Float32, grid: tuple[int, int]) -> Float32:
    """The deviation of a picture of depths in three by three cells of a grid, robustly."""
    columns, rows = grid
    step = max(1, round(max(depth.shape) / NOISE_PX))
    depth = depth[::step, ::step]
    height, width = depth.shape
    around = min(3 * height // rows, height), min(3 * width // columns, width)
    tops = np.clip((np.arange(rows) - 1) * height // rows, 0, height - around[0])
    lefts = np.clip((np.arange(columns) - 1) * width // columns, 0, width - around[1])
    parts = sliding_window_view(depth, around)[tops[:, None], lefts].reshape(rows, columns, -1)
    # not the standard deviation: the spots themselves must not hide themselves
    away = np.abs(parts - np.median(parts, axis=2, keepdims=True))
    deviation: Float32 = np.float32(1.4826) * np.median(away, axis=2)
    return np.maximum(deviation, np.float32(1e-3), out=deviation)


def find(pictures: Mapping[str, Evidence], apertures: Mapping[str, float | None]) -> list[Speck]:
    """The dust of one sensor from what its pictures say, by their names; surest first.

    ``apertures`` are f-numbers: dust fades as a lens is opened, so that a picture taken at a much
    wider aperture than those that show a speck does not speak against it.
    """
    scenes = _scenes(pictures)
    dips = [(name, dip) for name, found in pictures.items() for dip in found.dips]
    dips.sort(key=lambda pair: -pair[1].z)
    near = _Near(pictures, dips)
    taken: set[int] = set()
    specks = []
    for index in range(len(dips)):
        if index in taken:
            continue
        members = [m for m in near.around(index) if m not in taken]
        taken.update(members)
        if len({scenes[dips[m][0]] for m in members}) >= LEAST_SCENES:
            speck = _judged([dips[m] for m in members], pictures, scenes, apertures)
            if speck.confidence >= LEAST_CONFIDENCE:
                specks.append(speck)
    return sorted(specks, key=lambda speck: -speck.confidence)


def spots_in(specks: Sequence[Speck], found: Evidence) -> list[tuple[Speck, float]]:
    """The specks that one picture shows, and how sure it is that this is one.

    Where a speck is known to be, a spot counts that would prove nothing by itself, if it is as deep
    as the speck is in other pictures.
    """
    x, y, stops, faint_z = found.faint.T
    across, down = _scale(found)
    shown = []
    for speck in specks:
        least, most = (share * speck.stops for share in AGREES)
        away = np.hypot((x - speck.x) * across, (y - speck.y) * down)
        agree = faint_z[(away < APART) & (stops > least) & (stops < most)]
        proof = [dip.z for dip in found.dips if _distance(dip, speck, found) < APART]
        z = max(*proof, float(agree.max(initial=0)), 0.0)
        if z:
            shown.append((speck, speck.confidence * min(1.0, z / SHOWS_Z)))
    return shown


def _scale(found: Evidence) -> tuple[float, float]:
    """How long the picture's width and height are, in shares of the long side."""
    return (1.0, 1 / found.aspect) if found.aspect >= 1 else (found.aspect, 1.0)


def _distance(one: Dip | Speck, other: Dip | Speck, found: Evidence) -> float:
    """In shares of the long side."""
    across, down = _scale(found)
    return math.hypot((one.x - other.x) * across, (one.y - other.y) * down)


class _Near:
    """Looks up dips by place, in cells as large as a spot may wander."""

    def __init__(self, pictures: Mapping[str, Evidence], dips: Sequence[tuple[str, Dip]]) -> None:
        self._pictures, self._dips = pictures, dips
        self._cells: dict[tuple[int, int], list[int]] = defaultdict(list)
        for index, (_, dip) in enumerate(dips):
            self._cells[self._cell(dip)].append(index)

    def _cell(self, dip: Dip) -> tuple[int, int]:
        return int(dip.x / (2 * APART)), int(dip.y / (2 * APART))

    def around(self, index: int) -> Iterator[int]:
        """The dips at the place of one, itself among them."""
        name, dip = self._dips[index]
        column, row = self._cell(dip)
        for i in range(column - 1, column + 2):
            for j in range(row - 1, row + 2):
                for other in self._cells.get((i, j), ()):
                    if _distance(self._dips[other][1], dip, self._pictures[name]) < APART:
                        yield other


def _scenes(pictures: Mapping[str, Evidence]) -> dict[str, int]:
    """A number for each picture's scene: those that look alike have one."""
    names = list(pictures)
    looks = np.array([pictures[name].look for name in names], np.float64)
    looks -= looks.mean(axis=1, keepdims=True)
    looks /= np.maximum(np.linalg.norm(looks, axis=1, keepdims=True), 1e-9)
    alike = looks @ looks.T > SAME_SCENE
    scene = list(range(len(names)))
    for i in range(len(names)):
        for j in range(i):
            if alike[i, j] and scene[i] != scene[j]:
                old, new = max(scene[i], scene[j]), min(scene[i], scene[j])
                scene = [new if number == old else number for number in scene]
    return dict(zip(names, scene, strict=True))


def _judged(
    members: Sequence[tuple[str, Dip]],
    pictures: Mapping[str, Evidence],
    scenes: Mapping[str, int],
    apertures: Mapping[str, float | None],
) -> Speck:
    x, y, radius, stops = (
        float(np.median([getattr(dip, key) for _, dip in members]))
        for key in ("x", "y", "radius", "stops")
    )
    seen = {scenes[name] for name, _ in members}
    known = [value for name, _ in members if (value := apertures.get(name))]
    widest = min(known, default=0.0)
    against = set()
    for name, found in pictures.items():
        aperture = apertures.get(name) or 99.0
        expected = stops / _noise_at(found, x, y, radius)
        if scenes[name] not in seen and expected > SHOWS_Z and aperture >= widest:
            against.add(scenes[name])
    confidence = len(seen) / (len(seen) + len(against) + 1)
    return Speck(x, y, radius, stops, len(seen), confidence)


def _noise_at(found: Evidence, x: float, y: float, radius: float) -> float:
    index = int(np.argmin([abs(radius - known) for known in RADII]))
    noise: NDArray[np.float64] = np.asarray(found.noise[index])
    rows, columns = noise.shape
    return float(noise[min(int(y * rows), rows - 1), min(int(x * columns), columns - 1)])

"""Light summed up once for each arrangement, on every surface, for all the views of it.

Lays points over things and hands them to ``light``; knows no camera and no colour.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .light import blockers, illuminate
from .scene import MOODS, Mood
from .shapes import Box, Lathe, Layout

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Area = tuple[float, float, float]
"""Where a square begins, across and along, and its side, in metres."""

AZIMUTHS = 40
FACE_TEXELS = 28
FLOOR_TEXELS = 150
WALL_TEXELS = 90
SAMPLES = 24
WALL_AREA: Area = (-3.2, 0.0, 6.4)

Gather = Callable[[Float64, Float64, float], Float32]
"""Points, normals (..., 3) and how far off the surface to start -> direct and around (..., 2)."""


@dataclass(frozen=True, slots=True)
class Lit:
    """A layout with its light baked: per lathe, per box, and on floor and wall."""

    lathes: tuple[Float32, ...]
    """(segments, ends, azimuths, direct and around)"""
    boxes: tuple[Float32, ...]
    """(faces, rows, columns, direct and around)"""
    floor: Float32
    """Illumination of the floor as a ratio to what it would be with nothing on it."""
    floor_area: Area
    wall: Float32
    wall_area: Area


def light_rows(layout: Layout) -> Float64:
    """The lights as the kernels take them: position, radius, intensity."""
    return np.array([[*light.origin, light.radius_m, light.intensity] for light in layout.lights])


def bake(layout: Layout) -> Lit:
    """Sum up the light on every surface of a layout."""
    mood = MOODS[layout.setup]
    casters = blockers(layout).arguments()
    lights = light_rows(layout)
    sky = np.array(mood.sky)
    wall = np.array([layout.wall_z, 0.30 * (mood.key_strength + mood.sky[1])])

    def gather(points: Float64, normals: Float64, offset: float) -> Float32:
        p = np.ascontiguousarray(points.reshape(-1, 3))
        n = np.ascontiguousarray(normals.reshape(-1, 3))
        result = illuminate(p, n, lights, sky, mood.floor, wall, SAMPLES, offset, *casters)
        return np.asarray(result.reshape(*points.shape[:-1], 2), np.float32)

    area = _floor_area(layout)
    return Lit(
        tuple(_on_lathe(lathe, gather) for lathe in layout.lathes),
        tuple(_on_box(box, gather) for box in layout.boxes),
        _on_floor(layout, area, gather),
        area,
        _on_wall(layout.wall_z, gather),
        WALL_AREA,
    )


def _smoothed(values: Float32, *axes: int, wrap: bool = False) -> Float32:
    """A short binomial filter along axes, to calm the sampling."""
    for axis in axes:
        pad = [(0, 0)] * values.ndim
        pad[axis] = (1, 1)
        padded = np.pad(values, pad, mode="wrap" if wrap else "edge")
        n = values.shape[axis]
        before, at, after = (np.take(padded, np.arange(s, s + n), axis=axis) for s in (0, 1, 2))
        values = np.asarray((before + 2 * at + after) / 4, np.float32)
    return values


def _on_lathe(lathe: Lathe, gather: Gather) -> Float32:
    azimuth = np.arange(AZIMUTHS) / AZIMUTHS * 2 * np.pi
    s = lathe.segments
    ends = np.vstack([s[:, [0, 1, 4, 5]], s[:, [2, 3, 6, 7]]])
    rings, back = np.unique(ends.round(7), axis=0, return_inverse=True)
    r, y, nr, nh = (rings[:, k, None] for k in range(4))
    level = np.ones_like(azimuth)[None]
    points = np.stack([r * np.cos(azimuth), y * level, r * np.sin(azimuth)], axis=-1)
    normals = np.stack([nr * np.cos(azimuth), nh * level, nr * np.sin(azimuth)], axis=-1)
    turn = lathe.pose.matrix().T
    values = gather(points @ turn + np.array(lathe.pose.origin), normals @ turn, 0.006)
    values = _smoothed(values, 1, wrap=True)
    spread = values[back.reshape(-1)].reshape(2, len(s), AZIMUTHS, 2)
    return np.ascontiguousarray(spread.transpose(1, 0, 2, 3))


def _on_box(box: Box, gather: Gather) -> Float32:
    grid = (np.arange(FACE_TEXELS) + 0.5) / FACE_TEXELS * 2 - 1
    a, b = np.meshgrid(grid, grid)
    points = np.zeros((6, FACE_TEXELS, FACE_TEXELS, 3))
    normals = np.zeros_like(points)
    for axis, (first, second) in enumerate(((2, 1), (0, 2), (0, 1))):
        for face, side in ((2 * axis, -1.0), (2 * axis + 1, 1.0)):
            points[face, ..., first] = a * box.half[first]
            points[face, ..., second] = b * box.half[second]
            points[face, ..., axis] = side * box.half[axis]
            normals[face, ..., axis] = side
    points[..., 1] += box.half[1]
    turn = box.pose.matrix().T
    values = gather(points @ turn + np.array(box.pose.origin), normals @ turn, 0.003)
    return _smoothed(values, 1, 2)


def face_level(baked: Float32, face: int, u: float, v: float) -> float:
    """Illumination at a place on a box's face, u and v from 0 to 1."""
    n = baked.shape[1]
    x, y = (float(np.clip(place * n - 0.5, 0, n - 1.001)) for place in (u, v))
    j, i = int(x), int(y)
    corners = baked[face, i : i + 2, j : j + 2].sum(axis=-1)
    return float(np.array([1 - y + i, y - i]) @ corners @ np.array([1 - x + j, x - j]))


def _floor_area(layout: Layout) -> Area:
    """The part of the floor that things can darken."""
    poses = [*(o.pose for o in layout.lathes), *(o.pose for o in layout.boxes)]
    spots = [(pose.origin[0], pose.origin[2]) for pose in poses]
    if layout.figure is not None:
        spots += [(x, z) for x, _, z in layout.figure.limbs[:, 0:3]]
    low, high = np.min(spots, axis=0) - 0.9, np.max(spots, axis=0) + 0.9
    size = float(max(high - low))
    x0, z0 = (low + high) / 2 - size / 2
    return float(x0), float(z0), size


def _on_floor(layout: Layout, area: Area, gather: Gather) -> Float32:
    x0, z0, size = area
    spot = (np.arange(FLOOR_TEXELS) + 0.5) / FLOOR_TEXELS * size
    x, z = np.meshgrid(spot, spot)
    points = np.stack([x + x0, np.zeros_like(x), z + z0], axis=-1)
    normals = np.array(np.broadcast_to([0.0, 1.0, 0.0], points.shape))
    level = gather(points, normals, 0.002).sum(axis=-1)
    ratio = level / _bare(points, light_rows(layout)[0], overhead(MOODS[layout.setup], layout))
    border = np.minimum(np.minimum(x, z), np.minimum(size - x, size - z))
    fade = np.clip(border / (0.15 * size), 0, 1)
    return _smoothed((1 + (ratio - 1) * fade).astype(np.float32), 0, 1)


def _on_wall(wall_z: float, gather: Gather) -> Float32:
    if wall_z <= 0:
        return np.ones((2, 2), np.float32)
    x0, y0, size = WALL_AREA
    spot = (np.arange(WALL_TEXELS) + 0.5) / WALL_TEXELS * size
    x, y = np.meshgrid(x0 + spot, y0 + spot)
    points = np.stack([x, y, np.full_like(x, wall_z)], axis=-1)
    normals = np.array(np.broadcast_to([0.0, 0.0, -1.0], points.shape))
    return _smoothed(gather(points, normals, 0.002).sum(axis=-1), 0, 1)


def overhead(mood: Mood, layout: Layout) -> float:
    """Skylight on bare ground: the cosine-weighted mean of the gradient ``illuminate`` uses.

    The mean of the square root of the elevation's sine under the cosine is 4/5.
    """
    zenith, horizon = mood.sky
    mean = horizon + (zenith - horizon) * 0.8
    return mean * 0.95 if layout.wall_z > 0 else mean


def _bare(points: Float64, key: Float64, skylight: float) -> Float64:
    """Illumination of level ground with nothing on it, by the main light and the sky."""
    away = key[0:3] - points
    square = (away**2).sum(axis=-1)
    facing = np.maximum(away[..., 1], 0) / np.sqrt(square)
    return np.asarray(skylight + key[4] / square * facing)

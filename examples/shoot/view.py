"""One exposure as the lens throws it: layers drawn, focused and moved.

Joins scene, baked light and drawing kernels. Gives camera RGB and a mask of parts; knows no sensor.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import render
from .baking import Lit, light_rows, overhead
from .light import grouped
from .scene import MOODS, Mood, Shot
from .shapes import PART_ID, PARTS, Box, Capsules, Lathe, Layout, Strand
from .spectra import SKY_PARTS, Palette

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

SENSOR_MM = 36.0
TEXTURE_SIZE = 1024
TIERS = ((4, 4.0, 1e9, 2e9), (2, 1.7, 4.0, 5.5), (1, -1.0, 1.7, 2.5))
"""How finely scenery is drawn, by its blur (sigma, pixels): pixels a step; the blur below which a
finer tier does it all; between which blurs the tier fades into the coarser one under it."""


@cache
def texture() -> tuple[Float32, NDArray[np.int64]]:
    """A tiling two-channel noise with its pyramid: blotches, and their slope as seen from the side.

    Channel 0 is about ±1, channel 1 its relief, both Gaussian-like with mean 0.
    """
    n = TEXTURE_SIZE
    generator = np.random.default_rng(1912)
    frequency = np.hypot(np.fft.fftfreq(n)[:, None] * n, np.fft.rfftfreq(n)[None, :] * n)
    spectrum = np.fft.rfft2(generator.standard_normal((n, n)))
    blotches = np.fft.irfft2(spectrum / np.maximum(frequency, 2.0) ** 1.25, (n, n))
    blotches /= blotches.std()
    height = np.fft.irfft2(spectrum / np.maximum(frequency, 12.0) ** 0.75, (n, n))
    relief = np.roll(height, 1, 1) - height + 0.5 * (np.roll(height, 1, 0) - height)
    relief /= relief.std()
    level = np.stack([np.clip(blotches / 2.2, -1, 1), np.clip(relief / 2.5, -1, 1)], axis=2)
    levels = [level]
    while level.shape[0] > 1:
        half = level.shape[0] // 2
        level = level.reshape(half, 2, half, 2, 2).mean(axis=(1, 3))
        levels.append(level)
    offsets = np.cumsum([0, *(one.shape[0] ** 2 for one in levels[:-1])])
    flat = np.vstack([one.reshape(-1, 2) for one in levels])
    return flat.astype(np.float32), offsets.astype(np.int64)


@dataclass(frozen=True, slots=True)
class Lens:
    """Where the camera is and how sharp each distance comes out."""

    camera: Float64
    focus_m: float
    aperture_mm: float
    focal_mm: float
    pixels_per_mm: float

    def depth(self, point: Any) -> float:
        """Distance along the axis."""
        return float((np.asarray(point) - self.camera[0:3]) @ self.camera[9:12])

    def sigma_px(self, depth: Any) -> Float64:
        """Standard deviation of the blur circle at a distance along the axis."""
        d = np.maximum(np.asarray(depth, np.float64) * 1000, 50.0)
        focus = self.focus_m * 1000
        circle = (
            self.aperture_mm * self.focal_mm * np.abs(d - focus) / (d * (focus - self.focal_mm))
        )
        return np.asarray(circle * self.pixels_per_mm / 4)

    def project(self, points: Any) -> Float64:
        """Picture (x, y) and depth of points (n, 3)."""
        v = np.asarray(points, np.float64) - self.camera[0:3]
        x, y, z = v @ self.camera[3:6], v @ self.camera[6:9], v @ self.camera[9:12]
        z = np.maximum(z, 0.02)
        return np.stack(
            [
                self.camera[13] + self.camera[12] * x / z,
                self.camera[14] - self.camera[12] * y / z,
                z,
            ],
            axis=-1,
        )


def lens(shot: Shot, height: int, width: int) -> Lens:
    """The camera of a shot for an upright picture of that size."""
    eye = np.array(shot.eye)
    forward = np.array(shot.target) - eye
    forward /= np.linalg.norm(forward)
    right = np.cross([0.0, 1.0, 0.0], forward)
    right /= np.linalg.norm(right)
    up = np.cross(forward, right)
    per_mm = max(height, width) / SENSOR_MM
    camera = np.array(
        [*eye, *right, *up, *forward, shot.focal_mm * per_mm, width / 2, height / 2], np.float64
    )
    focus = float((np.array(shot.focus) - eye) @ forward) + shot.focus_error_m
    return Lens(camera, focus, shot.focal_mm / shot.f_number, shot.focal_mm, per_mm)


@dataclass(frozen=True, slots=True)
class View:
    """What fell on the sensor plane: camera RGB (h, w, 3; 1 is a perfect diffuser) and parts."""

    picture: Float32
    parts: NDArray[np.uint8]
    lens: Lens


def materials(palette: Palette, lit: bool) -> Float64:
    """Rows of camera RGB, gloss and glow for every part."""
    rows = np.array([[*palette.surface[p.surface], p.gloss, 0.0] for p in PARTS])
    if lit:
        for i, part in enumerate(PARTS):
            if part.part == "bulb":
                rows[i, 4] = 2.6
    return rows


def surroundings(mood: Mood, palette: Palette, wall_z: float) -> Float64:
    """What gloss mirrors."""
    floor = 0.65 * palette.surface["light stone"] + 0.35 * palette.surface["dark stone"]
    power = 0.75 * mood.key_strength + mood.sky[0]
    return np.array(
        [*mood.key, mood.key_radius_m, mood.key_radiance, mood.sky_gain, 0.75, float(mood.square),
         *palette.light, *palette.sky["zenith"], *palette.sky["haze"], *floor, power, wall_z]
    )  # fmt: skip


def _step(sigma: float) -> int:
    """How coarsely something may be drawn that will be blurred so much."""
    return 1 if sigma < 3 else 2 if sigma < 6 else 4


class _Canvas:
    """The picture under way: layers are drawn, blurred and laid over it."""

    def __init__(self, height: int, width: int, view: Lens) -> None:
        self.picture = np.zeros((height, width, 3), np.float32)
        self.parts = np.zeros((height, width), np.uint8)
        self.lens = view

    def layer(
        self, outline: Float64, sigma: float, draw: Any, motion: tuple[float, float] = (0.0, 0.0)
    ) -> None:
        """Draw one thing where its ``outline`` (n, 2 or more) and its blur reach."""
        height, width = self.parts.shape
        step = _step(sigma)
        margin = 3 * sigma + 4 + max(abs(motion[0]), abs(motion[1]))
        x0 = int(max(np.floor(outline[:, 0].min() - margin), -margin)) // step * step
        y0 = int(max(np.floor(outline[:, 1].min() - margin), -margin)) // step * step
        x1 = int(min(np.ceil(outline[:, 0].max() + margin), width + margin))
        y1 = int(min(np.ceil(outline[:, 1].max() + margin), height + margin))
        columns, rows = -(-(x1 - x0) // step), -(-(y1 - y0) // step)
        if columns <= 0 or rows <= 0:
            return
        pixels = np.zeros((rows, columns, 4), np.float32)
        parts = np.zeros((rows, columns), np.uint8)
        draw(pixels, parts, x0, y0, step)
        if max(abs(motion[0]), abs(motion[1])) > 0.7 * step:
            moved = np.empty_like(pixels)
            render.smear(pixels, moved, motion[0] / step, motion[1] / step)
            pixels = moved
        pixels = blurred(pixels, np.full(rows, sigma / step))
        render.lay_over(self.picture, self.parts, pixels, parts, x0, y0, step)


def gaussian_taps(sigmas: Float64) -> tuple[Float32, NDArray[np.int64]]:
    """Taps of a Gaussian for each row, and how far they reach to each side."""
    reaches = np.where(sigmas < 0.25, 0, np.ceil(2.8 * sigmas)).astype(np.int64)
    place = np.arange(2 * reaches.max() + 1)[None] - reaches[:, None]
    taps = np.exp(-0.5 * (place / np.maximum(sigmas, 0.05)[:, None]) ** 2)
    taps *= place <= reaches[:, None]
    return (taps / taps.sum(axis=1, keepdims=True)).astype(np.float32), reaches


def blurred(pixels: Float32, sigmas: Float64) -> Float32:
    """Gaussian blur with a width for each row."""
    taps, reaches = gaussian_taps(sigmas)
    if reaches.max() == 0:
        return pixels
    height, width, channels = pixels.shape
    flat = np.ascontiguousarray(pixels).reshape(height, width * channels)
    across = np.empty_like(flat)
    render.blur_rows(flat, across, channels, taps, reaches)
    down = np.empty_like(flat)
    render.blur_columns(across, down, taps, reaches)
    return down.reshape(height, width, channels)


def draw(shot: Shot, layout: Layout, lit: Lit, palette: Palette, size: tuple[int, int]) -> View:
    """Draw a shot, upright, ``size`` is (height, width)."""
    height, width = size
    mood = MOODS[layout.setup]
    view = lens(shot, height, width)
    canvas = _Canvas(height, width, view)
    table = materials(palette, any(lathe.lit > 0 for lathe in layout.lathes))
    env = surroundings(mood, palette, layout.wall_z)
    pyramid, offsets = texture()
    surface = palette.surface
    scenery(canvas, layout, lit, palette, mood)

    things: list[tuple[float, Any, Any]] = []
    for lathe, baked in zip(layout.lathes, lit.lathes, strict=True):
        things.append((view.depth(lathe.pose.origin), lathe, baked))
    for box, baked in zip(layout.boxes, lit.boxes, strict=True):
        things.append((view.depth(box.pose.origin) + 0.25, box, baked))
    for strand in layout.strands:
        things.append((view.depth(strand.points.mean(axis=0)), strand, None))
    if layout.figure is not None:
        middle = layout.figure.limbs[:, 0:3].mean(axis=0)
        things.append((view.depth(middle) + 0.05, layout.figure, None))
    for _, thing, baked in sorted(things, key=lambda entry: -entry[0]):
        if isinstance(thing, Lathe):
            _lathe(canvas, thing, baked, table, env, shot, layout)
        elif isinstance(thing, Box):
            _box(canvas, thing, baked, table, surface["dark plank"], pyramid, offsets)
        elif isinstance(thing, Strand):
            _strand(canvas, thing, surface["cable"], mood)
        else:
            _figure(canvas, thing, table, shot, layout, mood)
    return View(canvas.picture, canvas.parts, view)


def softness(view: Lens, centre: Any, extent: float) -> float:
    """Blur of a thing: sharp where the focus lies within its own depth."""
    depth = view.depth(centre)
    return float(view.sigma_px(np.clip(view.focus_m, depth - extent, depth + extent)))


def _corners(low: Any, high: Any, matrix: Float64, origin: Any) -> Float64:
    choice = np.array(np.meshgrid(*([0, 1],) * 3)).reshape(3, -1).T
    local = np.where(choice == 0, low, high)
    return np.asarray(local @ matrix.T + np.array(origin))


def _outline(view: Lens, points: Float64) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of points on the picture, a pixel added."""
    x, y, _ = view.project(points).T
    return float(x.min()) - 1, float(y.min()) - 1, float(x.max()) + 1, float(y.max()) + 1


def _lathe(canvas: _Canvas, lathe: Lathe, baked: Float32, table: Float64, env: Float64,
           shot: Shot, layout: Layout) -> None:  # fmt: skip
    radius, low, high = lathe.bounds()
    matrix = lathe.pose.matrix()
    frame = np.column_stack([matrix, lathe.pose.origin])
    corners = _corners([-radius, low, -radius], [radius, high, radius], matrix, lathe.pose.origin)
    view = canvas.lens
    sigma = softness(view, corners.mean(axis=0), 0.8 * radius)
    decal = np.array(lathe.decal, np.float64)
    hulls = []
    for hull in grouped(lathe.segments):
        wide, bottom, top = hull[2:]
        seen = _corners([-wide, bottom, -wide], [wide, top, wide], matrix, lathe.pose.origin)
        hulls.append([*hull, *_outline(view, seen)])
    rows = np.array(hulls)
    moving = layout.figure is not None and lathe.name == "red-lamp"
    shift = motion(layout.figure, view, shot) if moving and layout.figure else (0.0, 0.0)

    def paint(pixels: Float32, parts: Any, x0: int, y0: int, step: int) -> None:
        render.draw_lathe(pixels, parts, x0, y0, step, view.camera, frame, lathe.segments, rows,
                          baked, decal, lathe.twist, table, env)  # fmt: skip

    canvas.layer(view.project(corners), sigma, paint, shift)


def _box(canvas: _Canvas, box: Box, baked: Float32, table: Float64, other: Float64,
         pyramid: Float32, offsets: Any) -> None:  # fmt: skip
    hx, hy, hz = box.half
    matrix = box.pose.matrix()
    centre = matrix @ [0, hy, 0] + np.array(box.pose.origin)
    frame = np.column_stack([matrix, centre])
    corners = _corners([-hx, -hy, -hz], [hx, hy, hz], matrix, centre)
    view = canvas.lens

    def paint(pixels: Float32, parts: Any, x0: int, y0: int, step: int) -> None:
        render.draw_box(pixels, parts, x0, y0, step, view.camera, frame, np.array(box.half),
                        baked, box.part, box.planks, table, other, pyramid, offsets,
                        TEXTURE_SIZE)  # fmt: skip

    canvas.layer(view.project(corners), softness(view, centre, hz), paint)


def _strand(canvas: _Canvas, strand: Strand, colour: Float64, mood: Mood) -> None:
    view = canvas.lens
    placed = view.project(strand.points)
    line = placed.copy()
    line[:, 2] = view.camera[12] * strand.radius_m / placed[:, 2]
    level = 0.6 * mood.key_strength + mood.sky[1]

    def paint(pixels: Float32, parts: Any, x0: int, y0: int, step: int) -> None:
        render.draw_strand(pixels, parts, x0, y0, step, line, colour, PART_ID["cable", "cable"],
                           level)  # fmt: skip

    centre = strand.points.mean(axis=0)
    canvas.layer(placed, softness(view, centre, 0.02), paint)


def motion(figure: Capsules, view: Lens, shot: Shot) -> tuple[float, float]:
    """Movement on the picture, in pixels, while the shutter was open."""
    middle = figure.limbs[:, 0:3].mean(axis=0)
    before, after = view.project(
        [middle, middle + np.array(figure.velocity) * float(shot.exposure_s)]
    )
    return float(after[0] - before[0]), float(after[1] - before[1])


def _figure(canvas: _Canvas, figure: Capsules, table: Float64, shot: Shot,
            layout: Layout, mood: Mood) -> None:  # fmt: skip
    ends = np.vstack([figure.limbs[:, 0:3], figure.limbs[:, 3:6]])
    low, high = ends.min(axis=0) - 0.17, ends.max(axis=0) + 0.17
    corners = _corners(low, high, np.eye(3), (0, 0, 0))
    middle = (low + high) / 2
    view = canvas.lens
    sky = np.array([mood.sky[0] * 0.6 + mood.sky[1] * 0.4, mood.sky[1], mood.floor * 1.6])
    light = light_rows(layout)[0]

    def paint(pixels: Float32, parts: Any, x0: int, y0: int, step: int) -> None:
        render.draw_figure(pixels, parts, x0, y0, step, view.camera, figure.limbs, table, light,
                           sky)  # fmt: skip

    canvas.layer(view.project(corners), softness(view, middle, 0.06), paint,
                 motion(figure, view, shot))  # fmt: skip


def scenery(canvas: _Canvas, layout: Layout, lit: Lit, palette: Palette, mood: Mood) -> None:
    """Everything behind the things: drawn fine where it is in focus, coarse where it is not."""
    height, width = canvas.parts.shape
    view = canvas.lens
    camera = view.camera
    sigma = view.sigma_px(_row_depths(camera, layout, height))
    pyramid, offsets = texture()
    surface = palette.surface
    others = np.array(
        [surface[name] for name in ("light stone", "dark stone", "pale plank", "dark plank",
                                    "lime wash", "worn lime wash")]
    )  # fmt: skip
    sky_rgb = np.array([palette.sky[part] for part in SKY_PARTS])
    lamps = _shore_lights(view, palette, layout)
    lights = light_rows(layout)

    def paint(picture: Float32, parts: Any, top: int, step: int) -> None:
        render.draw_scenery(
            picture, parts, top, step, camera, layout.wall_z, layout.edge_z,
            0 if layout.floor == "stone" else 1, lit.floor, np.array(lit.floor_area), lit.wall,
            np.array(lit.wall_area), lights[0], overhead(mood, layout), others, sky_rgb,
            mood.sky_gain, mood.clouds, 0.37 + 0.11 * len(layout.name), pyramid, offsets,
            TEXTURE_SIZE, lamps,
        )  # fmt: skip

    blur = sigma
    for step, least, low, high in TIERS:
        weight = np.clip((high - blur) / (high - low), 0, 1) * (blur > least)
        rows = np.flatnonzero(weight)
        if not len(rows):
            continue
        margin = 12 * step
        top = max(rows[0] - margin, 0) // step * step
        bottom = min(rows[-1] + 1 + margin, height)
        count = -(-(bottom - top) // step)
        strip = np.zeros((count, -(-width // step), 3), np.float32)
        parts = np.zeros(strip.shape[:2], np.uint8)
        paint(strip, parts, top, step)
        middle = np.minimum(top + np.arange(count) * step + step // 2, height - 1)
        strip = blurred(strip, np.minimum(blur[middle], 2 * high) / step)
        render.enlarge_rows(canvas.picture, canvas.parts, strip, parts, top, step, weight)


def _row_depths(camera: Float64, layout: Layout, height: int) -> Float64:
    """Depth of the scenery in the middle of each row of the picture."""
    b = (camera[14] - (np.arange(height) + 0.5)) / camera[12]
    dy = camera[10] + b * camera[7]
    dz = camera[11] + b * camera[8]
    depth = np.full(height, 1e5)
    down = dy < -1e-6
    ground = np.where(down, -camera[1] / np.where(down, dy, -1.0), 1e5)
    if layout.wall_z > 0:
        depth = np.minimum(ground, (layout.wall_z - camera[2]) / np.maximum(dz, 1e-6))
        return np.asarray(depth, np.float64)
    on_quay = down & (camera[2] + ground * dz < layout.edge_z)
    depth[on_quay] = ground[on_quay]
    return depth


def _shore_lights(view: Lens, palette: Palette, layout: Layout) -> Float64:
    """Lamps on the far shore at dusk, as discs of the lens's blur circle."""
    if layout.setup != "dusk" or layout.wall_z > 0:
        return np.zeros((0, 7))
    generator = np.random.default_rng(77)
    count = 26
    radius = max(2.0 * float(view.sigma_px(1e5)), 1.5) / view.camera[12]
    bearing = np.sort(generator.uniform(-0.75, 0.75, count))
    height = generator.uniform(0.000, 0.016, count)
    power = generator.uniform(0.15, 1.0, count) ** 2 * 0.9
    colour = palette.light[None] * generator.uniform(0.7, 1.1, (count, 1))
    return np.column_stack([bearing, height, np.full(count, radius), power, colour])

"""Pictures with a chart in them, and pictures without: generated, with the truth.

A chart is drawn from measured reflectances under a CIE illuminant as one of two measured cameras
records it, posed in perspective on a background with other square things, then shaded, vignetted,
blurred and made noisy. Nothing here knows how charts are found.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

from tests.spectral import CAMERAS, camera_rgb, chart_reflectances

LIGHTS = ("D55", "D65", "A", "LED-B1", "LED-B3", "FL2")
BACKGROUNDS = ("plain", "cloud", "planks", "tiles", "grain")


@dataclass(frozen=True)
class Pose:
    """Where the chart's patches truly are: centres (24, 2) in pixels, and a patch's side there."""

    centres: np.ndarray
    patch_px: float


@dataclass(frozen=True)
class Scene:
    """What to draw; None is left to chance.

    ``share`` is the chart's width of the frame's, ``colours`` changes the patches (24, 3).
    """

    seed: int
    long_side: int = 1760
    chart: bool = True
    share: float | None = None
    background: str | None = None
    mirrored: bool = False
    colours: Callable[[np.random.Generator, np.ndarray], np.ndarray] | None = None


@cache
def patch_colours(camera: str, light: str) -> np.ndarray:
    """What a camera sees of the patches, (24, 3), balanced to the light."""
    return camera_rgb(chart_reflectances(), camera, light)


def draw(scene: Scene) -> tuple[np.ndarray, Pose | None]:
    """The picture, (h, w, 3) float32 linear RGB, and where the chart is."""
    rng = np.random.default_rng(scene.seed)
    long, short = scene.long_side, scene.long_side * 2 // 3
    width, height = (long, short) if rng.random() < 0.75 else (short, long)
    # the camera's reading of the light may be far off
    balance = np.where(rng.random() < 0.4, 1.0, rng.uniform(0.55, 1.8, 3))
    balance[1] = 1.0
    patches = patch_colours(rng.choice(CAMERAS), rng.choice(LIGHTS)) * balance
    if scene.colours is not None:
        patches = scene.colours(rng, patches)
    background = scene.background or rng.choice(BACKGROUNDS)
    paint = rng.uniform(0.05, 0.8, 3) * rng.uniform(0.3, 1) * balance
    texture = _texture(rng, height, width, background).astype(np.float32)
    picture = texture[..., None] * paint.astype(np.float32)
    _scatter(rng, picture, balance)
    pose = _place(rng, picture, patches, balance, scene) if scene.chart else None
    if pose is not None and rng.random() < 0.6:
        _shade(rng, picture, pose)
    y, x = np.ogrid[:height, :width]
    corner = ((x / width - 0.5) ** 2 + (y / height - 0.5) ** 2) * 2
    picture *= (1 - rng.uniform(0, 0.5) * corner)[..., None].astype(np.float32)
    picture *= np.float32(rng.uniform(0.25, 1.1))
    picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.3, 1.2))
    variance = np.maximum(picture, 0) * rng.uniform(1e-6, 1e-4) + 1e-7
    noise = rng.standard_normal(picture.shape, np.float32)
    return picture + noise * np.sqrt(variance), pose


def _texture(rng: np.random.Generator, height: int, width: int, kind: str) -> np.ndarray:
    if kind == "cloud":
        octaves = [
            cv2.resize(
                rng.uniform(0, 1, (2 + 2**k, 3 + 2**k)),
                (width, height),
                interpolation=cv2.INTER_CUBIC,
            )
            / 2 ** (0.7 * k)
            for k in range(1, 8)
        ]
        total = np.sum(octaves, axis=0)
        return np.clip((total - total.min()) / np.ptp(total), 0.02, 1)
    if kind == "planks":
        count = rng.integers(4, 12)
        plank = np.arange(height) * count // height
        gap = np.abs(np.sin(np.arange(height) * count * np.pi / height)) < 0.05
        fibre = cv2.resize(rng.uniform(-1, 1, (height // 2, 6)), (width, height))
        level = 0.5 + 0.1 * rng.uniform(-1, 1, count)[plank] - 0.35 * gap
        return np.clip(level[:, None] + 0.15 * fibre, 0.02, 1)
    if kind == "tiles":
        pitch = int(rng.integers(int(width * 0.02), int(width * 0.12)))
        y, x = np.mgrid[:height, :width]
        joint = (y % pitch < pitch * 0.08) | (x % pitch < pitch * 0.08)
        level = rng.uniform(0.35, 0.6, (height // pitch + 1, width // pitch + 1))
        return np.where(joint, 0.15, level[y // pitch, x // pitch])
    if kind == "grain":
        grain = cv2.GaussianBlur(rng.normal(0, 0.12, (height, width)), (0, 0), 0.8)
        return np.clip(0.5 + grain, 0.02, 1)
    return np.full((height, width), 0.5)


def _scatter(rng: np.random.Generator, picture: np.ndarray, balance: np.ndarray) -> None:
    """Lay other rectangles about."""
    height, width = picture.shape[:2]
    for _ in range(rng.integers(0, 14)):
        side = rng.uniform(0.01, 0.15) * width
        centre = rng.uniform(0, 1, 2) * (width, height)
        box = cv2.boxPoints((centre, (side, side * rng.uniform(0.5, 2)), rng.uniform(0, 180)))
        colour = (rng.uniform(0.03, 0.9, 3) * balance).tolist()
        cv2.fillConvexPoly(picture, np.round(box).astype(np.int32), colour)


def _place(
    rng: np.random.Generator,
    picture: np.ndarray,
    patches: np.ndarray,
    balance: np.ndarray,
    scene: Scene,
) -> Pose:
    """Draw the chart in perspective: tilted up to 30 degrees, and turned any way."""
    height, width = picture.shape[:2]
    side, gap, border = 40, rng.uniform(0.08, 0.3), rng.uniform(0.1, 0.6)
    wide, high = (int(side * (n + (n - 1) * gap + 2 * border)) for n in (6, 4))
    face = np.empty((high, wide, 3), np.float32)
    face[:] = rng.choice([0.02, 0.03, 0.045]) * balance
    corners = [(border + k % 6 * (1 + gap), border + k // 6 * (1 + gap)) for k in range(24)]
    for (x, y), colour in zip(np.array(corners) * side, patches, strict=True):
        face[round(y) : round(y + side), round(x) : round(x + side)] = colour
    centres = np.array(corners) * side + side / 2
    if scene.mirrored:
        face, centres = face[:, ::-1].copy(), np.array([wide, 0]) + centres * [-1, 1]
    face *= rng.normal(1, 0.01, (high, wide, 1)).astype(np.float32)

    share = scene.share or float(np.exp(rng.uniform(np.log(0.08), np.log(0.9))))
    towards = rng.uniform(0, 2 * np.pi)
    tilt = np.radians(rng.uniform(0, 30)) * np.array([np.cos(towards), np.sin(towards), 0])
    roll = np.array([0, 0, np.radians(90 * rng.integers(4) + rng.uniform(-25, 25))])
    distance = rng.uniform(2.2, 6)
    flat = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [0.5, 0.5 * high / wide]
    solid = (
        np.column_stack([flat, np.zeros(4)]) @ (cv2.Rodrigues(tilt)[0] @ cv2.Rodrigues(roll)[0]).T
    )
    quad = solid[:, :2] / (solid[:, 2:] + distance) * distance * share * width
    fits = min(1, *(0.97 * np.array([width, height]) / np.ptp(quad, axis=0)))
    quad *= fits
    room = np.array([width, height]) - np.ptp(quad, axis=0)
    quad += rng.uniform(0, 1, 2) * room - quad.min(axis=0)

    source = np.array([[0, 0], [wide, 0], [wide, high], [0, high]], np.float32)
    pose = cv2.getPerspectiveTransform(source, quad.astype(np.float32))
    left, top = np.maximum(np.floor(quad.min(axis=0)).astype(int) - 4, 0)
    right, bottom = np.minimum(np.ceil(quad.max(axis=0)).astype(int) + 4, [width, height])
    finer = 4 if share < 0.3 else 2
    into = np.array([[finer, 0, -left * finer], [0, finer, -top * finer], [0, 0, 1]]) @ pose
    size = (int(right - left), int(bottom - top))
    fine_size = (size[0] * finer, size[1] * finer)
    drawn = cv2.resize(
        cv2.warpPerspective(face, into, fine_size), size, interpolation=cv2.INTER_AREA
    )
    solid_part = cv2.warpPerspective(np.ones((high, wide), np.float32), into, fine_size)
    cover = cv2.resize(solid_part, size, interpolation=cv2.INTER_AREA)[..., None]
    picture[top:bottom, left:right] *= 1 - cover
    picture[top:bottom, left:right] += drawn
    places = cv2.perspectiveTransform(centres[None].astype(np.float64), pose)[0]
    return Pose(places, fits * share * width / wide * side)


def _shade(rng: np.random.Generator, picture: np.ndarray, pose: Pose) -> None:
    """Let a soft shadow, up to two stops deep, fall over half of the chart."""
    height, width = picture.shape[:2]
    towards = rng.uniform(0, 2 * np.pi)
    x0, y0 = pose.centres.mean(axis=0)
    y, x = np.ogrid[:height, :width]
    across = ((x - x0) * np.cos(towards) + (y - y0) * np.sin(towards)).astype(np.float32)
    softness = rng.uniform(0.15, 1) * np.ptp(pose.centres, axis=0).max()
    depth = rng.uniform(0.2, 2.0) / (1 + np.exp(-4 * across / softness))
    picture *= np.exp2(-depth)[..., None]

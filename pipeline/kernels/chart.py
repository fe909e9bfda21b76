"""A 24-patch chart whose place in a picture is known: where its patches are, and what they read.

The chart has four rows of six patches: dark skin is the first, the neutral ramp the last row.
Places are shares of the picture's width and height (x to the right, y down), pixels are linear RGB.
Knows neither files nor what the readings are for; ``finding`` finds the place.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.kernels.references import PATCHES

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Point = tuple[float, float]
Corners = tuple[Point, Point, Point, Point]
"""The outer corners of the patches (not of the frame that holds them): of the first patch (dark
skin), of the last in the first row (bluish green), of the last (black), of the first in the last
row (white). In shares of width and height; the chart may stand upside down or on its side."""

ROWS, COLUMNS = 4, 6
PATCH_SHARE = 1 / 1.15
"""A patch's side as a share of the distance between patches; from memory, and charts differ, which
is why only the middle of a patch is read."""
READ_SHARE = 0.5
"""The share of a patch's side that is read."""
LEAST_PIXELS = 9
"""Fewer pixels of a patch are not a reading."""
MOST_PIXELS = 20_000
"""More say nothing new: larger patches are read in every second, third, ... row and column."""
TRIMMED = 0.1
"""The share of a patch's pixels that is left out at either end: dust, scratches, hot pixels."""
CLIPPED_SHARE = 0.02
"""More clipped pixels than this make a patch unusable."""
NEAR_CLIP = 0.99
"""What counts as clipped, as a share of the clipping level: demosaicing rounds corners off."""
UNEVEN = 0.06
"""How far a twenty-fifth of a patch may depart from a smooth slope, as a share of the patch."""
STEEP = 0.3
"""How much a patch may change from one side of its middle to the other."""


@dataclass(frozen=True, slots=True)
class Readings:
    """What the 24 patches read, in chart order.

    ``rgb`` (24, 3) is the trimmed mean of each patch's middle in the picture's own linear RGB,
    ``noise`` (24, 3) the standard deviation of one pixel, ``pixels`` (24,) how many were read,
    ``clipped`` (24,) the share of them at or over the clipping level, ``usable`` (24,) False for
    patches that should not be fitted. ``warnings`` are sentences for a person, a patch each.
    """

    rgb: Float64
    noise: Float64
    pixels: NDArray[np.int64]
    clipped: Float64
    usable: NDArray[np.bool_]
    warnings: tuple[str, ...]

    @property
    def error(self) -> Float64:
        """The standard error of ``rgb``, (24, 3)."""
        return np.asarray(self.noise / np.sqrt(np.maximum(self.pixels, 1))[:, None], np.float64)


def patch_quads(corners: Corners, share: float = PATCH_SHARE) -> Float64:
    """The four corners of each patch, (24, 4, 2), in shares of width and height, chart order.

    ``share`` is the side of what is outlined, in distances between patches: by default the patch.
    """
    out = PATCH_SHARE / 2
    right, bottom = COLUMNS - 1 + out, ROWS - 1 + out
    lattice = np.array([[-out, -out], [right, -out], [right, bottom], [-out, bottom]], np.float32)
    homography = cv2.getPerspectiveTransform(lattice, np.array(corners, np.float32))
    x, y = np.meshgrid(np.arange(COLUMNS), np.arange(ROWS))
    centres = np.stack([x, y], axis=-1).reshape(-1, 1, 2)
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * share / 2
    points = (centres + square).reshape(1, -1, 2)
    return np.asarray(cv2.perspectiveTransform(points, homography)[0].reshape(-1, 4, 2), np.float64)


def measure(picture: Float32, corners: Corners, clip: ArrayLike = 1.0) -> Readings:
    """Read the middle of each patch of a chart whose corners are known, found or placed by hand.

    ``picture`` is (h, w, 3), any size: only a box around each patch is read. ``clip`` is the level,
    for all or each of the channels, at which the sensor clips. Raises ``ValueError`` with a
    sentence where the corners cannot be those of a chart, or are too close together to read.
    """
    height, width = picture.shape[:2]
    size = np.array([width, height], np.float64)
    _check(corners, size)
    quads = patch_quads(corners, PATCH_SHARE * READ_SHARE) * size
    level = np.broadcast_to(np.asarray(clip, np.float64), (3,)) * NEAR_CLIP
    rgb, noise = np.zeros((24, 3)), np.zeros((24, 3))
    pixels, clipped = np.zeros(24, np.int64), np.zeros(24)
    usable = np.ones(24, np.bool_)
    warnings: list[str] = []
    for patch, quad in enumerate(quads):
        values, places = _inside(picture, quad)
        if len(values) < LEAST_PIXELS:
            raise ValueError(
                "the chart is too small in the picture: its patches have too few pixels"
            )
        whole = np.asarray(np.isfinite(values).all(axis=1), np.bool_)
        values, places = values[whole], places[whole]
        pixels[patch] = len(values)
        if len(values) < LEAST_PIXELS:
            usable[patch] = False
            warnings.append(f"The patch {PATCHES[patch]} cannot be read: its pixels are damaged.")
            continue
        rgb[patch], noise[patch] = _trimmed(values)
        clipped[patch] = (values >= level).any(axis=1).mean()
        if clipped[patch] > CLIPPED_SHARE:
            usable[patch] = False
            warnings.append(
                f"The patch {PATCHES[patch]} is clipped in {clipped[patch]:.0%} of its area and "
                "left out; expose the chart less."
            )
        elif rgb[patch].sum() <= 0:
            usable[patch] = False
            warnings.append(f"The patch {PATCHES[patch]} is black and left out.")
        elif (fault := _fault(values, places, rgb[patch], noise[patch])) is not None:
            warnings.append(f"The patch {PATCHES[patch]} {fault}.")
    return Readings(rgb, noise, pixels, clipped, usable, tuple(warnings))


def _check(corners: Corners, size: Float64) -> None:
    """Raise ``ValueError`` where four corners cannot be those of a chart in the picture."""
    points = np.array(corners, np.float64)
    if points.shape != (4, 2) or not np.isfinite(points).all():
        raise ValueError("a chart needs four corners, each of two numbers")
    if points.min() < 0 or points.max() > 1:
        raise ValueError(
            "a corner of the chart lies outside the picture; corners are shares of width and "
            "height, from 0 to 1"
        )
    pixels = points * size
    sides = np.roll(pixels, -1, axis=0) - pixels
    following = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * following[:, 1] - sides[:, 1] * following[:, 0]
    if (turns < 0).all():
        raise ValueError(
            "the chart's corners run the wrong way round: give those of dark skin, bluish green, "
            "black, white"
        )
    if not (turns > 0).all():
        raise ValueError("the chart's corners cross or lie on a line")


def _inside(picture: Float32, quad: Float64) -> tuple[Float64, Float64]:
    """The pixels (n, 3) whose centres a quadrangle holds, and their places (n, 2) from -1 to 1.

    Only the box around the quadrangle is read, or a lattice in it where it is large. Places are
    along its first side and its last.
    """
    height, width = picture.shape[:2]
    left, top = np.maximum(np.floor(quad.min(axis=0)), 0).astype(int)
    right, bottom = np.minimum(np.ceil(quad.max(axis=0)), [width, height]).astype(int)
    step = int(np.sqrt((right - left) * (bottom - top) / MOST_PIXELS)) + 1
    box = np.asarray(picture[top:bottom:step, left:right:step], np.float64)
    x, y = np.meshgrid(np.arange(left, right, step) + 0.5, np.arange(top, bottom, step) + 0.5)
    unit = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float32)
    inwards = cv2.getPerspectiveTransform(quad.astype(np.float32), unit)
    points = np.stack([x, y], axis=-1).reshape(1, -1, 2)
    if points.size == 0:
        return np.empty((0, 3)), np.empty((0, 2))
    places = cv2.perspectiveTransform(points, inwards)[0]
    held = (np.abs(places) <= 1).all(axis=1)
    return box.reshape(-1, 3)[held], np.asarray(places[held], np.float64)


def _trimmed(values: Float64) -> tuple[Float64, Float64]:
    """The trimmed mean of pixels (n, 3), and a robust standard deviation of one pixel."""
    ordered = np.sort(values, axis=0)
    cut = int(len(ordered) * TRIMMED)
    middle = ordered[cut : len(ordered) - cut]
    # for a normal distribution, from the quartiles
    spread = (np.percentile(ordered, 75, axis=0) - np.percentile(ordered, 25, axis=0)) / 1.349
    return middle.mean(axis=0), np.asarray(spread, np.float64)


def _fault(values: Float64, places: Float64, mean: Float64, noise: Float64) -> str | None:
    """What is wrong with a patch's surface, as the rest of a sentence; None where it is even."""
    grey, level = values.mean(axis=1), float(mean.mean())
    slopes = np.column_stack([np.ones(len(places)), places])
    plane = np.linalg.lstsq(slopes, grey, rcond=None)[0]
    if 2 * np.abs(plane[1:]).max() > STEEP * level:
        return "changes strongly from side to side: a reflection, or the edge of a shadow"
    column, row = np.minimum((places.T + 1) * 2.5, 4).astype(int)
    cell = 5 * row + column
    count = np.bincount(cell, minlength=25)
    filled = count >= LEAST_PIXELS
    off = np.bincount(cell, grey - slopes @ plane, minlength=25)[filled] / count[filled]
    # five standard errors: noise alone does this once in a million patches
    allowed = UNEVEN * level + 5 * float(noise.mean()) / np.sqrt(count[filled])
    return "is uneven: a reflection, a scratch or dirt" if (np.abs(off) > allowed).any() else None

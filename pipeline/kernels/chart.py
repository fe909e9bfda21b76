"""A 24-patch chart in a picture: where it is, and what its patches read.

The chart has four rows of six patches: dark skin is the first, the neutral ramp the last row.
Places are shares of the picture's width and height (x to the right, y down), pixels are linear RGB.
This module knows neither files nor what the readings are for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Point = tuple[float, float]
Corners = tuple[Point, Point, Point, Point]
"""The outer corners of the patches (not of the frame that holds them): of the first patch (dark
skin), of the last in the first row (bluish green), of the last (black), of the first in the last
row (white). In shares of width and height; the chart may stand upside down or on its side."""

ROWS, COLUMNS = 4, 6


@dataclass(frozen=True, slots=True)
class Found:
    """A chart. ``error`` is the mean ΔE00 of its patches after the best 3 × 3 matrix and smooth
    shading, ``next_error`` the same for the best other reading of the same place (turned or
    mirrored): how sure it is that it was read the right way round."""

    corners: Corners
    error: float
    next_error: float


@dataclass(frozen=True, slots=True)
class NotFound:
    """No chart; ``reason`` is a clause such as "no grid of four by six patches was found"."""

    reason: str


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


def find_chart(picture: Float32, reference: Float64) -> Found | NotFound:
    """Find a chart in ``picture``, (h, w, 3), linear RGB that is balanced at least roughly.

    ``reference`` (24, 3) is XYZ of the patches under D50. The picture is not changed. A quarter
    scale is enough; values may be of any scale, negative or not finite here and there.
    """
    raise NotImplementedError


def patch_quads(corners: Corners) -> Float64:
    """The four corners of each patch, (24, 4, 2), in shares of width and height, chart order."""
    raise NotImplementedError


def measure(picture: Float32, corners: Corners, clip: float | Float64 = 1.0) -> Readings:
    """Read the middle of each patch of a chart whose corners are known, found or placed by hand.

    ``picture`` is (h, w, 3), any size: only a box around each patch is read. ``clip`` is the level,
    for all or each of the channels, at which the sensor clips. Raises ``ValueError`` with a
    sentence where the corners cannot be those of a chart, or are too close together to read.
    """
    raise NotImplementedError

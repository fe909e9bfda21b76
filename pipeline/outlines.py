"""Numbered outlines of regions over a picture: what a retoucher is asked for, and where.

Lines run around a region and never over it, and its number stands beside it, as far as there is
room. Knows nothing of requests or files.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32
from pipeline.kernels.overlay import DARK, LIGHT, drawn

GAP = 0.0035
"""From a region to the middle of its line; this and what follows as shares of the long side."""
HALF_WIDTH = 0.0014
DISC = 0.0145
"""Radius of the disc that a number stands in."""
LEADER = 0.006
"""Distance from a disc to its line above which the two are joined."""
HALF = 0.5
COARSE = 4
"""Pixels between the places that are tried for a disc."""

Float64 = NDArray[np.float64]


class _Sizes(NamedTuple):
    """In pixels of the picture."""

    gap: float
    half_width: float
    disc: float
    leader: float


def numbered(picture: NDArray[np.uint8], regions: Mapping[int, Float32]) -> NDArray[np.uint8]:
    """The picture, (h, w, 3) uint8, with an outline around every region and its number beside it.

    ``regions`` are densities (h, w), 0 to 1, by number; the outline is that of half of what they
    reach. One that is 0 everywhere is left out. A line that would lie outside the picture is drawn
    just inside its edge.
    """
    long_side = max(picture.shape[:2])
    sizes = _Sizes(*(share * long_side for share in (GAP, HALF_WIDTH, DISC, LEADER)))
    off = {number: _outside(density, sizes) for number, density in regions.items() if density.any()}
    if not off:
        return picture.copy()
    line = np.full(picture.shape[:2], np.inf)
    for each in off.values():
        np.minimum(line, np.abs(each - sizes.gap), out=line)
    places: dict[int, tuple[float, float]] = {}
    # the smallest first: they have the least choice of what is close to them
    for number in sorted(off, key=lambda number: (np.count_nonzero(off[number] == 0), number)):
        places[number] = _place(number, off, list(places.values()), sizes)
        _join(line, places[number], off[number], sizes)
    out = drawn(picture, line, sizes.half_width)
    for place in places.values():
        _draw_disc(out, place, sizes.disc)
    return _lettered(out, places, sizes.disc)


def _outside(density: Float32, sizes: _Sizes) -> Float64:
    """How far each pixel is from a region; 0 inside."""
    import cv2

    region = density >= HALF * density.max()
    edge = int(np.ceil(sizes.gap + 2 * sizes.half_width))
    inner = np.zeros_like(region)
    inner[edge:-edge, edge:-edge] = region[edge:-edge, edge:-edge]
    # a region that lies wholly along the edge keeps what it has
    region = inner if inner.any() else region
    outside = np.where(region, np.uint8(0), np.uint8(1))
    far = cv2.distanceTransform(outside, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return np.asarray(far, np.float64)


def _place(
    number: int,
    off: Mapping[int, Float64],
    taken: list[tuple[float, float]],
    sizes: _Sizes,
) -> tuple[float, float]:
    """Where a disc covers neither its region nor other discs nor, if possible, other regions."""
    own = off[number]
    height, width = own.shape
    margin = int(sizes.disc + 3 * sizes.half_width)
    rows = np.arange(min(margin, height // 2), max(height - margin, height // 2 + 1), COARSE)
    columns = np.arange(min(margin, width // 2), max(width - margin, width // 2 + 1), COARSE)
    at = np.ix_(rows, columns)
    clear = sizes.gap + 3 * sizes.half_width + sizes.disc
    far = 10.0 * max(height, width)
    # to cover what must not be covered costs more than any way; the upper left corner wins ties
    cost = np.where(own[at] < clear, 4 * far, own[at])
    for other, each in off.items():
        if other != number:
            cost += np.where(each[at] < clear, 0.1 * far * (1 - each[at] / clear), 0)
    for y, x in taken:
        distance = np.hypot(rows[:, None] - y, columns[None, :] - x)
        cost += np.where(distance < 2.3 * sizes.disc, 2 * far, 0)
    row, column = np.unravel_index(np.argmin(cost), cost.shape)
    return float(rows[row]), float(columns[column])


def _join(line: Float64, place: tuple[float, float], own: Float64, sizes: _Sizes) -> None:
    """Lead a line from a disc to the outline that it belongs to, where they lie apart."""
    y, x = place
    away = own[int(y), int(x)] - sizes.gap - sizes.disc
    if away < sizes.leader:
        return
    inside = np.argwhere(own == 0)
    towards = inside[np.argmin(np.hypot(inside[:, 0] - y, inside[:, 1] - x))] - place
    length = float(np.hypot(*towards))
    down, right = towards / length
    rows, columns = np.ogrid[0 : own.shape[0], 0 : own.shape[1]]
    along = (rows - y) * down + (columns - x) * right
    beside = np.abs((rows - y) * right - (columns - x) * down)
    beyond = np.maximum(np.maximum(-along, along - (length - sizes.gap)), 0)
    np.minimum(line, np.hypot(beside, beyond), out=line)


def _draw_disc(picture: NDArray[np.uint8], place: tuple[float, float], radius: float) -> None:
    """A dark disc with a light ring and a dark rim, drawn into the picture."""
    first, left = (max(int(middle - radius - 1), 0) for middle in place)
    window = picture[first : int(place[0] + radius + 3), left : int(place[1] + radius + 3)]
    rows, columns = np.ogrid[0 : window.shape[0], 0 : window.shape[1]]
    away = np.hypot(rows + first - place[0], columns + left - place[1])
    ring = max(radius * 0.09, 1.0)
    out = window.astype(np.float64)
    for shade, reach in ((DARK, radius), (LIGHT, radius - ring), (DARK, radius - 2 * ring)):
        covered = np.clip(reach - away + 0.5, 0, 1)[..., None]
        out += covered * (shade - out)
    window[:] = np.rint(out)


def _lettered(
    picture: NDArray[np.uint8], places: Mapping[int, tuple[float, float]], radius: float
) -> NDArray[np.uint8]:
    from PIL import Image, ImageDraw, ImageFont

    page = Image.fromarray(picture)
    draw = ImageDraw.Draw(page)
    for number, (y, x) in sorted(places.items()):
        font = ImageFont.load_default(radius * (1.25 if number < 10 else 1.05))
        draw.text((x + 0.5, y + 0.5), str(number), (int(LIGHT),) * 3, font, anchor="mm")
    return np.asarray(page)

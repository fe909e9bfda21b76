"""Whether a picture could show a chart: flat squares of one size side by side. Knows arrays only.

A quick look at brightness alone, so that ``finding``, which decides by colours, need not search
every picture of a shoot. Constants are ours, by generated charts (``tests/chart_pictures.py``) and
by photographs that scikit-image carries: charts whose patches are 8 pixels wide or more have 9
squares and more in a row or block, nearly all photographs 7 at most.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32

EDGE = 10
"""Steps, of 255 in the fourth root of light, above which a neighbourhood is an edge."""
SIDE_PX = (5, 110)
"""Of the flat middles of squares."""
RIM_PX = 3.0
"""By which a patch is wider than its flat middle."""
MOST_OBLONG = 1.8
"""Of the box around a square, in perspective."""
LEAST_FILLED = 0.45
"""Of that box: a square turned by 45 degrees fills half."""
ALIKE = 1.35
"""How many times as wide a neighbour may be."""
APART = (0.75, 1.7)
"""Of neighbours' centres, in their widths."""
NEIGHBOURS = 2
LEAST_SQUARES = 9
MOST_SQUARES = 600
"""Of more than these, which is texture, only the largest are looked at."""


def could_be_chart(grey: Float32) -> bool:
    """Of a picture (h, w), 0 to 1, about the square root of light, 800 to 1800 pixels long."""
    squares = _squares(np.minimum(np.sqrt(np.maximum(grey, 0)) * 255, 255).astype(np.uint8))
    if len(squares) < LEAST_SQUARES:
        return False
    linked = _linked(squares)
    for _ in range(NEIGHBOURS):  # those at the end of a row go, and those that hung on them
        inside = np.count_nonzero(linked, axis=1) >= NEIGHBOURS
        linked &= inside[:, None] & inside
    return _largest_group(linked) >= LEAST_SQUARES


def _squares(shown: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Centre and width, (n, 3), of flat regions that are about square."""
    grain = np.ones((3, 3), np.uint8)
    smooth = cv2.GaussianBlur(shown, (0, 0), 0.8)
    edges = cv2.morphologyEx(smooth, cv2.MORPH_GRADIENT, grain)
    flat = cv2.threshold(edges, EDGE, 1, cv2.THRESH_BINARY_INV)[1]
    flat = cv2.morphologyEx(flat, cv2.MORPH_OPEN, grain)
    _count, _labels, boxes, centres = cv2.connectedComponentsWithStats(flat, connectivity=4)
    wide, high, area = (boxes[1:, column] for column in (2, 3, 4))
    square = (area >= SIDE_PX[0] ** 2) & (area <= SIDE_PX[1] ** 2)
    square &= np.maximum(wide, high) <= MOST_OBLONG * np.minimum(wide, high)
    square &= area >= LEAST_FILLED * wide * high
    found = np.column_stack([centres[1:], np.sqrt(area) + RIM_PX])[square]
    return np.asarray(found[np.argsort(-found[:, 2], kind="stable")][:MOST_SQUARES], np.float64)


def _linked(squares: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which are neighbours of a size, (n, n)."""
    x, y, side = squares.T
    apart = np.hypot(x[:, None] - x, y[:, None] - y)
    mean, ratio = (side[:, None] + side) / 2, side[:, None] / side
    alike = (ratio < ALIKE) & (ratio > 1 / ALIKE)
    return np.asarray(alike & (apart > APART[0] * mean) & (apart < APART[1] * mean), np.bool_)


def _largest_group(linked: NDArray[np.bool_]) -> int:
    """How many hang together, of those that have neighbours."""
    linked = linked[linked.any(axis=1)][:, linked.any(axis=0)]
    numbers = np.arange(1, len(linked) + 1)
    while (higher := np.maximum(numbers, (linked * numbers).max(axis=1, initial=0))).any():
        if (higher == numbers).all():
            break
        numbers = higher
    return int(np.bincount(numbers).max(initial=0))

"""Whether a picture is level, by the long straight lines in it. Knows arrays only."""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.frame import Float32

SIDE_PX = 560
"""Long side of the picture in which lines are sought: angles of drawn horizons are known to a
fiftieth of a degree there as at 800 pixels, in a third of the time."""
MOST_DEG = 15.0
"""From level, of lines that may be meant to be."""
# what follows is ours, no source
SHORTEST = 0.08
"""Of a line, in widths."""
WITHIN_DEG = 0.6
"""How closely lines must agree."""
LEAST_SUM = 0.5
"""Of the lines that agree, in widths."""
LEAST_SHARE = 0.6
"""Of all such lines' length, that must agree."""


def tilt(grey: Float32) -> float | None:
    """By how many degrees the horizon of an upright picture (h, w) falls to the right.

    Lines come from the line segment detector of Grompone von Gioi, Jakubowicz, Morel and Randall
    ("LSD: a line segment detector", Image Processing On Line 2, 2012), as OpenCV has it. None
    unless long ones close to level agree: a single edge in perspective says nothing.
    """
    by = min(1.0, SIDE_PX / max(grey.shape))
    size = max(1, round(grey.shape[1] * by)), max(1, round(grey.shape[0] * by))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    codes = np.clip(255 * small + 0.5, 0, 255).astype(np.uint8)
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE).detect(codes)[0]
    if found is None:
        return None
    x0, y0, x1, y1 = found.reshape(-1, 4).T.astype(np.float64)
    across, down = x1 - x0, y1 - y0
    lengths = np.hypot(across, down) / size[0]
    angles = (np.degrees(np.arctan2(down, across)) + 90) % 180 - 90
    kept = (lengths >= SHORTEST) & (np.abs(angles) <= MOST_DEG)
    lengths, angles = lengths[kept], angles[kept]
    if not lengths.size:
        return None
    agree = np.abs(angles[:, None] - angles) <= WITHIN_DEG
    sums = agree @ lengths
    best = agree[int(np.argmax(sums))]
    total = float(lengths[best].sum())
    if total < LEAST_SUM or total < LEAST_SHARE * float(lengths.sum()):
        return None
    # a line's direction is known the better the longer it is, with its third power
    return float(np.average(angles[best], weights=lengths[best] ** 3))

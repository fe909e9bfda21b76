"""Fingerprints of pictures: alike for alike pictures, whatever their size, format or look.

A perceptual hash over the lowest frequencies of a cosine transform (Zauner, "Implementation and
benchmarking of perceptual image hash functions", 2010, 3.2.1). Knows arrays only.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SIDE = 32
KEPT = 8


def fingerprint(grey: NDArray[np.float32]) -> NDArray[np.bool_]:
    """64 signs of a picture (h, w): which of its lowest frequencies are above their median."""
    import cv2

    small = cv2.resize(grey, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    lowest = cv2.dct(small)[:KEPT, :KEPT].ravel()
    return np.asarray(lowest > np.median(lowest[1:]), np.bool_)


def unlikeness(first: NDArray[np.bool_], second: NDArray[np.bool_]) -> int:
    """In how many of their 64 signs two pictures differ; about 32 for pictures at random."""
    return int(np.count_nonzero(first != second))

"""Chromatic adaptation between two whites."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

BRADFORD = np.array(
    [
        [0.8951, 0.2664, -0.1614],
        [-0.7502, 1.7135, 0.0367],
        [0.0389, -0.0685, 1.0296],
    ]
)
"""Linear Bradford transform, ICC.1:2022 annex E."""


def adaptation_matrix(source_white: ArrayLike, target_white: ArrayLike) -> NDArray[np.float64]:
    """The 3 × 3 matrix that takes XYZ seen under one white to XYZ under another (linear Bradford).

    Both whites are XYZ of shape (3,); ICC.1:2022 annex E. Exactly the identity for equal whites.
    Raises ``ValueError`` for a white so far out that one of its responses is not positive.
    """
    source = np.asarray(source_white, np.float64)
    target = np.asarray(target_white, np.float64)
    if np.array_equal(source, target):
        return np.eye(3)
    for white in (source, target):
        if not (BRADFORD @ white).min() > 0:
            x, y = (white[:2] / white.sum()).tolist()
            raise ValueError(
                f"a white of x {x:.3f}, y {y:.3f} is too far from any that the eye adapts to; "
                "choose a cooler one, or one nearer to the Planckian locus"
            )
    gain = (BRADFORD @ target) / (BRADFORD @ source)
    return np.linalg.solve(BRADFORD, gain[:, None] * BRADFORD)

"""How alike two pictures look: structural similarity. Knows arrays only."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Grey = NDArray[np.float32]

SIGMA_PX = 1.5
REACH_PX = 5
RANGE = 255.0
K1, K2 = 0.01, 0.03


def similarity(first: Grey, second: Grey) -> float:
    """The mean structural similarity of two pictures (h, w) in codes of 0 to 255; 1 for equal ones.

    Wang, Bovik, Sheikh and Simoncelli, "Image quality assessment: from error visibility to
    structural similarity", IEEE Trans. Image Processing 13(4), 2004: Gaussian windows of 11 × 11
    that lie inside the picture, where it is large enough.
    """
    import cv2

    side = 2 * REACH_PX + 1

    def local(values: Grey) -> Grey:
        mean = cv2.GaussianBlur(values, (side, side), SIGMA_PX, borderType=cv2.BORDER_REFLECT)
        return np.asarray(mean, np.float32)

    mean_1, mean_2 = local(first), local(second)
    both = mean_1 * mean_2
    squares = mean_1**2 + mean_2**2
    variances = local(first**2) + local(second**2) - squares
    covariance = local(first * second) - both
    c1, c2 = (K1 * RANGE) ** 2, (K2 * RANGE) ** 2
    like = (2 * both + c1) * (2 * covariance + c2) / ((squares + c1) * (variances + c2))
    inner = slice(REACH_PX, -REACH_PX)
    return float(like[inner, inner].mean() if min(like.shape) > 2 * REACH_PX else like.mean())

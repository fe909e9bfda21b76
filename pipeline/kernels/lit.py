"""Which part of a product is lit: where its surface shows its own colour.

A product in the picture has a side in shade, whose colour is the shade's too, and highlights, whose
colour is the lamp's. A target measured on the product speaks of neither.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Float64 = NDArray[np.float64]

DARKEST, BRIGHTEST = 0.8, 1.2
"""Shares of the lit level between which luminance counts as lit: a quarter of a stop on either
side, which keeps all of an evenly lit, noisy surface. Ours, no source."""
LIT_LEVEL = 0.9
"""The quantile of luminance over the product that is its lit level. Ours, no source."""


def lit_weights(luminance: NDArray[np.floating], density: NDArray[np.floating]) -> Float64:
    """How much each pixel counts in the mean colour of the lit part, float64 of the same shape.

    ``luminance`` is linear, of any scale; ``density`` is the product's mask, 0 to 1. The weight is
    the density where luminance is within ``DARKEST`` and ``BRIGHTEST`` of the lit level, else 0.
    Pixels that are not finite weigh nothing. All weights are 0 where the mask covers nothing.
    """
    y = np.asarray(luminance, np.float64)
    weight = np.where(np.isfinite(y), np.nan_to_num(np.asarray(density, np.float64)), 0.0)
    (level,) = weighted_quantiles(y, weight, (LIT_LEVEL,))
    lit = (y >= DARKEST * level) & (y <= BRIGHTEST * level)
    return np.asarray(np.where(lit, weight, 0.0), np.float64)


def weighted_quantiles(
    values: NDArray[np.floating], weights: NDArray[np.floating], shares: tuple[float, ...]
) -> tuple[float, ...]:
    """The values below which given shares of the weight lie; NaN where there is no weight.

    Linear between the middles of the values' weights, which for equal weights is Hazen's rule.
    """
    counted = np.ravel(weights > 0)
    v = np.ravel(values)[counted].astype(np.float64)
    w = np.ravel(weights)[counted].astype(np.float64)
    if not v.size:
        return tuple(float("nan") for _ in shares)
    order = np.argsort(v, kind="stable")
    v, w = v[order], w[order]
    middles = (np.cumsum(w) - w / 2) / w.sum()
    return tuple(float(found) for found in np.interp(shares, middles, v))

"""How much a picture is sharpened for what it is seen on: a model of medium, resizing and eye.

A medium shows less modulation than its file holds, and resizing passes less than the master held.
What the eye would miss of it is given back beforehand. Knows frequencies, not pixels. Frequencies
are in cycles a pixel of the delivered file, along a row or a column.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.kernels.resize import lanczos_transfer
from pipeline.kernels.sharpen import gaussian
from pipeline.viewing import MILLIMETRES_AN_INCH, Medium, Viewing

Float64 = NDArray[np.float64]

SPREAD_MM: Mapping[Medium, float] = {"screen": 0.0, "matte": 0.05, "gloss": 0.03}
"""Standard deviation of the line spread of ink on paper and of light in it, taken as Gaussian.

Half the modulation is left at 3.7 lines a millimetre on matte paper, at 6.2 on gloss. Common
practice, no source."""

MOST_GAIN = 2.0
"""The largest gain at any frequency, and so of noise, within a thousandth. Common practice, no
source."""

PEAK = 0.981
"""The largest contrast sensitivity, at 7.9 cycles a degree."""

FREQUENCIES = np.arange(1, 65) / 128
SIGMAS_PX = np.arange(10, 61) / 20


class Sharpening(NamedTuple):
    """What ``kernels.sharpen.unsharp_rows`` is to do: ``sigma_px`` 0.5 to 3, ``amount`` from 0."""

    sigma_px: float
    amount: float


def contrast_sensitivity(cycles_a_degree: ArrayLike) -> Float64:
    """The eye's, relative to about 1: ``2.6 (0.0192 + 0.114 f) exp(-(0.114 f)^1.1)``.

    Mannos and Sakrison, IEEE Trans. Information Theory 20 (1974) 525.
    """
    scaled = 0.114 * np.asarray(cycles_a_degree, np.float64)
    sensitivity: Float64 = 2.6 * (0.0192 + scaled) * np.exp(-(scaled**1.1))
    return sensitivity


def medium_transfer(frequency: ArrayLike, viewing: Viewing) -> Float64:
    """The modulation that a medium shows of 1 in the file.

    A pixel is an evenly lit square, ``sin(π f) / π f``; on paper it spreads by a Gaussian of
    ``SPREAD_MM``, ``exp(-2 π² s² f²)``.
    """
    frequency = np.asarray(frequency, np.float64)
    spread_px = SPREAD_MM[viewing.medium] * viewing.ppi / MILLIMETRES_AN_INCH
    shown: Float64 = np.sinc(frequency) * np.exp(-2 * (np.pi * spread_px * frequency) ** 2)
    return shown


def wanted_gain(frequency: ArrayLike, viewing: Viewing, ratio: float) -> Float64:
    """What detail of a resized picture is to be multiplied by before it goes on the medium.

    What medium and resizing keep, K, is made good by 1 / K, at most ``MOST_GAIN``, where the eye is
    most sensitive; elsewhere by as much less as the eye is less sensitive, A: ``1 + A / PEAK
    (min(1 / K, MOST_GAIN) - 1)``. ``ratio`` is the master's size over the file's.
    """
    kept = lanczos_transfer(frequency, ratio) * medium_transfer(frequency, viewing)
    missing = np.minimum(1 / np.maximum(kept, 1e-6), MOST_GAIN) - 1
    gain: Float64 = 1 + _sensitivity(frequency, viewing) * missing
    return gain


@lru_cache(maxsize=64)
def sharpening_for(viewing: Viewing | None, ratio: float) -> Sharpening:
    """The unsharp mask whose gain is nearest to the wanted one, as seen; without viewing, none.

    Least squares of the difference, each frequency weighted by what of it reaches the eye: what
    resizing and medium keep times the contrast sensitivity. For each sigma the amount is closed
    form; the best sigma is taken. Rounded, so that the last bits of a sum cannot matter.
    """
    if viewing is None:
        return Sharpening(1.0, 0.0)
    weight = _sensitivity(FREQUENCIES, viewing) * medium_transfer(FREQUENCIES, viewing)
    weight = (weight * lanczos_transfer(FREQUENCIES, ratio)) ** 2
    missing = wanted_gain(FREQUENCIES, viewing, ratio) - 1
    fits = []
    for sigma_px in SIGMAS_PX:
        shape = detail_share(FREQUENCIES, sigma_px)
        best = np.sum(weight * shape * missing) / np.sum(weight * shape**2)
        amount = round(float(np.clip(best, 0, MOST_GAIN - 1)), 3)
        error = float(np.sum(weight * (amount * shape - missing) ** 2))
        fits.append((error, Sharpening(float(sigma_px), amount)))
    return min(fits)[1]


def detail_share(frequency: ArrayLike, sigma_px: float) -> Float64:
    """The share of detail that an unsharp mask takes for such: 1 less its Gaussian's transfer."""
    weights = gaussian(sigma_px).astype(np.float64)
    offsets = np.arange(weights.size) - weights.size // 2
    phases = 2 * np.pi * np.multiply.outer(np.asarray(frequency, np.float64), offsets)
    share: Float64 = 1 - np.cos(phases) @ weights
    return share


def _sensitivity(frequency: ArrayLike, viewing: Viewing) -> Float64:
    """Relative to its peak."""
    seen = np.asarray(frequency, np.float64) * viewing.pixels_a_degree
    return contrast_sensitivity(seen) / PEAK

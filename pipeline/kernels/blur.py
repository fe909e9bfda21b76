"""How sharp a picture is beside others of the same thing, and whether it moved while it was taken.

Knows arrays only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32

NOISE_PX = 0.7
"""Standard deviation of the Gaussian that weakens noise before derivatives are taken."""
RIM = 4
"""Pixels at the picture's edge that are left out."""
_SECOND: Float32 = np.array([[-1, 2, -1]], np.float32)
_SOBEL: Float32 = np.array([[-1, 0, 1], [-2, 0, 2], [-1, 0, 1]], np.float32) / np.float32(8)
_IMMERKAER: Float32 = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32) / np.float32(6)

BLOCKS_PX = (256, 128)
"""Sides of the blocks whose spectra are averaged, the larger where the picture holds it."""
SHORTEST_PX, LONGEST_SHARE = 5.0, 0.4
"""Of motion: shorter is told from no other blur; longer, in sides of a block, does not fit in."""
RING_STEP_PX, TURN_STEP_DEG = 0.5, 1.0
LEAST_DEPTH = 12.0
"""How many times deeper than a ring scatters the mark of a motion must be. Ours, by photographs
that scikit-image carries: 9 at most without motion, and 15 or more with 8 to 50 pixels of it, but
for a brick wall."""

MOST_DETAIL = 3.3
"""Over the square root of a motion's length, the most detail that it leaves along its way. Ours:
0.92 of that across at 8 pixels, at most 0.25 at 50, in the photographs above."""


class Motion(NamedTuple):
    """Length in pixels and direction in degrees, 0 to 180, counterclockwise from level.

    ``depth`` is how far its mark stands out of what is around it, in standard deviations.
    """

    length_px: float
    angle_deg: float
    depth: float


class Focus(NamedTuple):
    """Mean energies of a picture: of its second and its first derivatives, and what noise has of
    both. How sharp pictures are beside each other, ``sharpness`` says."""

    second: float
    first: float
    noise_second: float
    noise_first: float


def focus(grey: Float32) -> Focus:
    """What tells the focus of a picture (h, w); all 0 where it is too small.

    ``second`` is the modified Laplacian, ``(2 f(x, y) - f(x - 1, y) - f(x + 1, y))²`` and the same
    down the columns (Nayar and Nakajima, "Shape from focus", IEEE TPAMI 16(8), 1994, squared here
    so that noise only adds to it), ``first`` the Tenengrad, Sobel's gradient squared; both are
    among those that Pertuz, Puig and Garcia compare ("Analysis of focus measure operators for
    shape-from-focus", Pattern Recognition 46(5), 2013). Noise is estimated from the mask of
    Immerkær ("Fast noise variance estimation", Computer Vision and Image Understanding 64(2),
    1996), by its median, which edges move little.
    """
    if min(grey.shape) < 2 * RIM + 1:
        return Focus(0.0, 0.0, 0.0, 0.0)
    mask = cv2.filter2D(grey, cv2.CV_32F, _IMMERKAER)[RIM:-RIM:5, RIM:-RIM:5]
    variance = float(1.4826 * np.median(np.abs(mask))) ** 2
    impulse: Float32 = np.zeros((4 * RIM + 1, 4 * RIM + 1), np.float32)
    impulse[2 * RIM, 2 * RIM] = 1
    pixels = (grey.shape[0] - 2 * RIM) * (grey.shape[1] - 2 * RIM)
    second, first = _energies(grey)
    # white noise passes with the sum of a filter's squares
    of_second, of_first = _energies(impulse)
    return Focus(second / pixels, first / pixels, variance * of_second, variance * of_first)


def _energies(grey: Float32) -> tuple[float, float]:
    soft = cv2.GaussianBlur(grey, (0, 0), NOISE_PX)

    def energy(one: Float32) -> float:
        passed = cv2.filter2D(soft, cv2.CV_32F, one)[RIM:-RIM, RIM:-RIM]
        return float(cv2.norm(passed, cv2.NORM_L2SQR))

    return energy(_SECOND) + energy(_SECOND.T), energy(_SOBEL) + energy(_SOBEL.T)


def sharpness(pictures: Sequence[Focus]) -> list[float]:
    """How sharp pictures of one thing are, beside each other.

    The second derivatives over the first: an edge blurred by σ has ``1 / (2 σ²)`` there, whatever
    its height and however many there are, so that a subject that moves can be compared. They share
    one noise, which is the least that any of them shows.
    """
    noise_second = min(picture.noise_second for picture in pictures)
    noise_first = min(picture.noise_first for picture in pictures)
    return [
        max(picture.second - noise_second, 0.0) / max(picture.first + noise_first, 1e-12)
        for picture in pictures
    ]


def motion(grey: Float32) -> Motion | None:
    """How far and which way a picture (h, w) moved while it was taken; None where nothing tells.

    Uniform motion multiplies the spectrum by a sinc. Its zeros come at equal distances, so the
    cepstrum (the transform of the spectrum's logarithm) dips at the motion's own length and
    direction (Rom, "On the cepstrum of two-dimensional functions", IEEE Transactions on Information
    Theory 21(2), 1975; Cannon, "Blind deconvolution of spatially invariant image blurs with
    phase", IEEE TASSP 24(1), 1976, for the mean over blocks). What a defocus does is alike in all
    directions, and is taken off with the median of each ring.
    """
    side = next((side for side in BLOCKS_PX if min(grey.shape) >= side), None)
    if side is None:
        return None
    cepstrum = _cepstrum(grey, side)
    if cepstrum is None:
        return None
    radii = np.arange(SHORTEST_PX, LONGEST_SHARE * side, RING_STEP_PX)
    turns = np.radians(np.arange(0, 180, TURN_STEP_DEG))
    x = (side // 2 + radii[:, None] * np.cos(turns)).astype(np.float32)
    y = (side // 2 - radii[:, None] * np.sin(turns)).astype(np.float32)
    rings = cv2.remap(cepstrum, x, y, cv2.INTER_CUBIC)
    rings = rings - np.median(rings, axis=1, keepdims=True)
    scatter = 1.4826 * np.median(np.abs(rings), axis=1)
    # rings far out have little in them: what all of them scatter by is the least
    scatter = np.maximum(scatter, np.median(scatter))
    depths = -rings / np.maximum(scatter[:, None], 1e-12)
    row, column = np.unravel_index(int(np.argmax(depths)), depths.shape)
    depth = float(depths[row, column])
    length, angle = float(radii[row]), float(turns[column])
    if depth < LEAST_DEPTH or _detail_along(grey, angle) > MOST_DETAIL / np.sqrt(length):
        return None
    return Motion(length, float(np.degrees(angle)), depth)


def _detail_along(grey: Float32, angle: float) -> float:
    """How much fine detail is left along a direction, as a share of that across it.

    Things of one width, such as a chart's patches, dip in the cepstrum too; but nothing took their
    edges.
    """
    soft = cv2.GaussianBlur(grey, (0, 0), 2 * NOISE_PX)
    right, down = (
        cv2.filter2D(soft, cv2.CV_32F, one)[RIM:-RIM, RIM:-RIM] for one in (_SOBEL, _SOBEL.T)
    )
    cosine, sine = float(np.cos(angle)), float(np.sin(angle))
    level, upright = (cv2.norm(one, cv2.NORM_L2SQR) for one in (right, down))
    both = 2 * cosine * sine * float(cv2.multiply(right, down).sum(dtype=np.float64))
    along = cosine**2 * level + sine**2 * upright - both
    across = sine**2 * level + cosine**2 * upright + both
    return max(along, 0.0) / max(across, 1e-12 * right.size)


def _cepstrum(grey: Float32, side: int) -> Float32 | None:
    """Of the mean log spectrum over blocks, a quarter overlapping, its origin in the middle."""
    window = np.hanning(side + 1)[:side].astype(np.float32)
    both = window[:, None] * window
    total: NDArray[np.float64] = np.zeros((side, side // 2 + 1))
    waves: Float32 = np.empty((side, side, 2), np.float32)
    count = 0
    step = side * 3 // 4
    for top in range(0, grey.shape[0] - side + 1, step):
        for left in range(0, grey.shape[1] - side + 1, step):
            block = grey[top : top + side, left : left + side]
            block = block - block.mean()
            energy = cv2.norm(block, cv2.NORM_L2SQR) / block.size
            if energy < 1e-7:  # plain: an eighth of an 8-bit step
                continue
            cv2.dft(both * block, waves, cv2.DFT_COMPLEX_OUTPUT)
            real, imaginary = waves[:, : side // 2 + 1].transpose(2, 0, 1)
            total += np.log((real**2 + imaginary**2) / np.float32(energy) + np.float32(1e-9))
            count += 1
    if not count:
        return None
    cepstrum = np.fft.irfft2(total / count, s=(side, side))
    return np.asarray(np.fft.fftshift(cepstrum), np.float32)

"""Moves what was painted on a picture onto another rendering of it.

Where a retouch left the picture much as it was, the two renderings tell what lies between them: by
how much each channel of the light is multiplied. That is continued into what was painted over, by
a membrane (Laplace's equation: Pérez, Gangnet and Blake, "Poisson image editing", 2003), from
coarse to fine (Bornemann and Deuflhard, "The cascadic multigrid method", 1996), and what was
painted is multiplied by it. So it meets what is around it without a seam, and keeps its own detail.
Knows linear arrays only.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32

Flags = NDArray[np.bool_]

BLACK = 1 / 2048
"""Linear level that is added to all light, so that the darkest codes make no large ratios."""
GENTLE = 0.35
"""Natural logarithm of the most that a place may be lightened or darkened (half a stop) and still
tell what the new rendering does there. Ours."""
SWEEPS = 12
"""Of relaxation at every level."""
SMALLEST_PX = 3


class Grafted(NamedTuple):
    """Linear light (3, h, w), and the seam (h, w): by how much more the picture steps from what was
    painted to what is around it than it should, about in L*; 0 away from the rim."""

    picture: Float32
    seam: Float32


def grafted(new: Float32, before: Float32, after: Float32, changed: Flags) -> Grafted:
    """``new`` with what turned ``before`` into ``after`` where ``changed`` (h, w) says so.

    All three are (3, h, w) linear light. Elsewhere ``new`` stays as it is.
    """
    light = [_logarithm(part) for part in (new, before, after)]
    factor: Float32 = np.asarray(light[0] - light[1], np.float32)
    gentle = np.abs(light[2] - light[1]).max(axis=0) < GENTLE
    known = ~changed | gentle
    spread = np.stack([membrane(np.asarray(each, np.float32), known) for each in factor])
    carried = np.exp(light[2] + spread)
    picture = np.where(changed, np.maximum(carried - np.float32(BLACK), 0), new)
    picture = np.asarray(picture, np.float32)
    # across the rim, the picture as painted and as rendered anew must step alike
    applied = np.where(changed, _logarithm(picture) - light[2], factor)
    beyond = np.maximum(_jump(applied, changed) - _usual(factor, changed), 0)
    # L* = 116 cbrt(Y) - 16, so that a factor shows the less, the darker it is
    return Grafted(picture, np.asarray(116 / 3 * np.cbrt(picture.max(axis=0)) * beyond))


def _logarithm(linear: Float32) -> Float32:
    return np.asarray(np.log(np.maximum(linear, 0) + np.float32(BLACK)), np.float32)


def membrane(values: Float32, known: Flags) -> Float32:
    """``values`` (h, w) where they are ``known``; elsewhere what Laplace's equation makes of them.

    The picture's edge pulls nowhere. Where nothing is known, 0.
    """
    if known.all():
        return values
    if not known.any():
        return np.zeros_like(values)
    height, width = values.shape
    if min(height, width) > SMALLEST_PX:
        weight = _halved(known.astype(np.float32))
        held = weight > 0
        total = _halved(np.where(known, values, np.float32(0)))
        mean = total / np.where(held, weight, np.float32(1))
        coarse = membrane(np.asarray(mean, np.float32), held)
        filled = _doubled(coarse, (height, width))
    else:
        filled = np.full_like(values, values[known].mean())
    sheet = np.where(known, values, filled)
    for _ in range(SWEEPS):
        edged = np.pad(sheet, 1, "edge")
        around = (edged[:-2, 1:-1] + edged[2:, 1:-1] + edged[1:-1, :-2] + edged[1:-1, 2:]) / 4
        sheet = np.where(known, values, around)
    return np.asarray(sheet, np.float32)


def _halved(values: Float32) -> Float32:
    """Means of 2 × 2; an odd last row or column counts twice."""
    height, width = values.shape
    even = np.pad(values, ((0, height % 2), (0, width % 2)), "edge")
    return np.asarray((even[::2, ::2] + even[1::2, ::2] + even[::2, 1::2] + even[1::2, 1::2]) / 4)


def _doubled(values: Float32, shape: tuple[int, int]) -> Float32:
    import cv2

    height, width = (2 * length for length in values.shape)
    doubled = cv2.resize(values, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(doubled[: shape[0], : shape[1]], np.float32)


def _jump(factor: Float32, changed: Flags) -> Float32:
    """The largest step from a changed pixel to an unchanged neighbour, on either of the two."""
    out = np.zeros(changed.shape, np.float32)
    for axis in (0, 1):
        near, far = (slice(None, -1), slice(1, None))
        one = (near, slice(None)) if axis == 0 else (slice(None), near)
        other = (far, slice(None)) if axis == 0 else (slice(None), far)
        step = np.abs(factor[:, *one] - factor[:, *other]).max(axis=0)
        step = np.where(changed[one] != changed[other], step, np.float32(0))
        np.maximum(out[one], step, out=out[one])
        np.maximum(out[other], step, out=out[other])
    return out


def _usual(factor: Float32, changed: Flags) -> Float32:
    """How much the factor steps from pixel to pixel where nothing was painted, at most nearby."""
    import cv2

    steps = np.zeros(changed.shape, np.float32)
    both = np.abs(np.diff(factor, axis=1)).max(axis=0)
    kept = ~(changed[:-1] | changed[1:])
    steps[:-1] = np.where(kept, both, 0)
    both = np.abs(np.diff(factor, axis=2)).max(axis=0)
    kept = ~(changed[:, :-1] | changed[:, 1:])
    steps[:, :-1] = np.maximum(steps[:, :-1], np.where(kept, both, 0))
    return np.asarray(cv2.dilate(steps, np.ones((9, 9), np.uint8)), np.float32)

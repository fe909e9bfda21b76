"""Follows a mask from one picture into another of the same thing, and says how sure it is.

A motion is guessed from features (SIFT, Lowe 2004) inside the mask and around it, by RANSAC
(Fischler and Bolles 1981); each guess is refined by the enhanced correlation coefficient
(Evangelidis and Psarakis 2008), and the one under which the two pictures agree best is bent by
dense optical flow (dense inverse search: Kroeger, Timofte, Dai and Van Gool 2016). Whether it is
believed is told by what none of this looked for: whether the flow back leads to where it came from,
and whether the pictures agree along the mask's edge. Knows arrays only.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32
from pipeline.kernels.masks import oklab_planes

Matrix = NDArray[np.float64]
Codes = NDArray[np.uint8]

WORK_PX = 880
"""Long side of the pictures that are compared."""
AROUND = 0.35
"""Of the mask's size, that is looked at around it."""
LEAST_SCALE, MOST_SCALE = 0.6, 1.7
"""Of a mask that is followed; beyond, it is another picture. Ours, no source."""
BACK_PX = 1.5
"""By how much the way there and back may miss its start."""
CAREFUL = 2
"""OpenCV's slowest and best of three ways to go about its dense flow."""
UNLIKE = 0.14
"""Share of the picture's range by which lightness or colour must differ to be another thing's."""


class Followed(NamedTuple):
    """The mask in the other picture, (h, w), 0 to 1, and how sure it is, 0 to 1."""

    density: Float32
    confidence: float


def follow(origin: Float32, target: Float32, density: Float32) -> Followed:
    """``density`` (h, w) of one picture in another; both (3, h, w) linear working RGB, of one size.

    The confidence is the least of: the share of the mask that flows there and back to itself; the
    correlation of the two pictures inside it and along its edge; the share of what was found that
    looks as it did; and how well its area is kept. It is 0 where no motion is found, or where a
    fifth of the mask would leave the frame.
    """
    height, width = density.shape
    by = min(1.0, WORK_PX / max(height, width))
    size = round(width * by), round(height * by)
    colours = [_seen(picture, size) for picture in (origin, target)]
    one, other = (np.ascontiguousarray(seen[..., 0]) for seen in colours)
    mask = np.asarray(cv2.resize(density, size, interpolation=cv2.INTER_AREA), np.float32)
    inside = mask > 0.5
    nothing = Followed(np.zeros(density.shape, np.float32), 0.0)
    if not inside.any():
        return nothing
    near = _grown(mask)
    tried = [
        (_agreement(one, other, motion, near), motion)
        for guess in _motions(one, other, mask, near)
        for motion in (guess, _refined(one, other, guess, near))
        if _plausible(motion)
    ]
    if not tried:
        return nothing
    _, motion = max(tried, key=lambda each: each[0])
    # the other picture as the first one sees it: what is left between them is small
    moved = _fetched(other, motion)
    there, back = (_flow(a, b) for a, b in ((one, moved), (moved, one)))
    believed = _believed(there, back)
    bent = _smoothed(there, believed, near)
    at_x, at_y = _origins(motion, bent)
    # what does not look as it did is not it, such as the ground that a thing has left
    found = cv2.remap(mask, at_x, at_y, cv2.INTER_LINEAR)
    apart = cv2.absdiff(cv2.remap(colours[0], at_x, at_y, cv2.INTER_LINEAR), colours[1]).max(axis=2)
    alike = (cv2.medianBlur(apart, 5) < 255 * UNLIKE).astype(np.float32)
    counted = found > 0.5
    kept = float((found * alike).sum() / (mask.sum() * np.linalg.det(motion[:, :2])))
    confidence = min(
        float(believed[inside].mean()),
        *_likeness(one, _bent(moved, bent), mask),
        _in_frame(mask, motion, size),
        float(alike[counted].mean()) if counted.any() else 0.0,
        kept,
        1 / max(kept, 1e-3),
    )
    full_x = cv2.resize((at_x + 0.5) * (width / size[0]) - 0.5, (width, height))
    full_y = cv2.resize((at_y + 0.5) * (height / size[1]) - 0.5, (width, height))
    carried = cv2.remap(density, full_x, full_y, cv2.INTER_LINEAR, borderValue=0)
    carried *= cv2.resize(cv2.GaussianBlur(alike, (0, 0), 1), (width, height))
    return Followed(np.asarray(carried, np.float32), max(0.0, min(confidence, 1.0)))


def _origins(motion: Matrix, bent: Float32) -> tuple[Float32, Float32]:
    """Where each place of the target was in the first picture, across and down."""
    y, x = np.indices(bent.shape[:2], np.float32)
    (a, b, c), (d, e, f) = cv2.invertAffineTransform(motion)
    at_x, at_y = (a * x + b * y + c).astype(np.float32), (d * x + e * y + f).astype(np.float32)
    back = _inverse(bent)
    moved = [cv2.remap(back[..., axis], at_x, at_y, cv2.INTER_LINEAR) for axis in (0, 1)]
    return np.asarray(at_x + moved[0], np.float32), np.asarray(at_y + moved[1], np.float32)


def _seen(picture: Float32, size: tuple[int, int]) -> Codes:
    """OKLab in 8 bits, (h, w, 3), as bright as the picture is, colours stretched."""
    planes = oklab_planes(np.ascontiguousarray(picture))
    small = np.stack([cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in planes], axis=-1)
    small /= max(float(np.quantile(small[..., 0], 0.98)), 1e-3)
    scaled = small * (235, 500, 500) + (0, 128, 128)
    return np.clip(scaled, 0, 255).astype(np.uint8)


def _grown(mask: Float32) -> Float32:
    """The mask and what is around it, 1 or 0."""
    rows, columns = np.nonzero(mask > 0.5)
    reach = max(8, round(AROUND * max(np.ptp(rows), np.ptp(columns))))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return np.asarray(cv2.dilate((mask > 0.05).astype(np.uint8), disc), np.float32)


def _motions(one: Codes, other: Codes, mask: Float32, near: Float32) -> Iterator[Matrix]:
    """Guesses of where things moved: by what is in the mask, by what is around it, not at all."""
    yield np.eye(2, 3)
    sift = cv2.SIFT.create(nfeatures=4000, contrastThreshold=0.01)
    points, features = sift.detectAndCompute(other, None)
    cross = np.ones((5, 5), np.uint8)
    for where in (cv2.dilate((mask > 0.3).astype(np.uint8), cross), near.astype(np.uint8), None):
        own, described = sift.detectAndCompute(one, where)
        if described is None or features is None or len(own) < 4 or len(points) < 4:
            continue
        pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(described, features, k=2)
        good = [m for m, *rest in pairs if rest and m.distance < 0.8 * rest[0].distance]
        if len(good) < 4:
            continue
        start = np.array([own[m.queryIdx].pt for m in good], np.float32)
        end = np.array([points[m.trainIdx].pt for m in good], np.float32)
        found, _ = cv2.estimateAffinePartial2D(
            start, end, method=cv2.RANSAC, ransacReprojThreshold=2.5, maxIters=4000
        )
        if found is not None:
            yield np.asarray(found, np.float64)


def _refined(one: Codes, other: Codes, motion: Matrix, near: Float32) -> Matrix:
    """A motion made better by correlation, with shear where that helps."""
    rows, columns = np.nonzero(near)
    top, left = rows.min(), columns.min()
    part = one[top : rows.max() + 1, left : columns.max() + 1]
    weight = (near[top : rows.max() + 1, left : columns.max() + 1] * 255).astype(np.uint8)
    shift = np.array([[1.0, 0, left], [0, 1, top]])
    start = _chained(motion, shift).astype(np.float32)
    ends = cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-4
    try:
        _, found = cv2.findTransformECC(part, other, start, cv2.MOTION_AFFINE, ends, weight, 5)
    except cv2.error:  # it did not converge
        return motion
    unshift = np.array([[1.0, 0, -left], [0, 1, -top]])
    return _chained(np.asarray(found, np.float64), unshift)


def _chained(second: Matrix, first: Matrix) -> Matrix:
    whole = [np.vstack([part, [0, 0, 1]]) for part in (second, first)]
    return np.asarray((whole[0] @ whole[1])[:2], np.float64)


def _plausible(motion: Matrix) -> bool:
    scales = np.linalg.svd(motion[:, :2], compute_uv=False)
    upright = np.linalg.det(motion[:, :2]) > 0
    return bool(upright and scales.min() > LEAST_SCALE and scales.max() < MOST_SCALE)


def _fetched(other: Codes, motion: Matrix) -> Codes:
    """The other picture where the first one sees its content."""
    size = other.shape[1], other.shape[0]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpAffine(other, motion, size, flags=flags, borderMode=cv2.BORDER_REPLICATE), np.uint8
    )


def _agreement(one: Codes, other: Codes, motion: Matrix, near: Float32) -> float:
    """The correlation of two pictures near the mask under a motion, -1 to 1."""
    return _correlation(one, _fetched(other, motion), near > 0)


def _correlation(one: Codes, other: Codes, where: NDArray[np.bool_]) -> float:
    a, b = one[where].astype(np.float64), other[where].astype(np.float64)
    if a.size < 20:
        return 0.0
    a, b = a - a.mean(), b - b.mean()
    # what both pictures show evenly tells nothing: noise must not decide
    floor = 4.0 * a.size
    return float((a @ b + floor) / (np.sqrt((a @ a) * (b @ b)) + floor))


def _flow(one: Codes, other: Codes) -> Float32:
    flow = cv2.DISOpticalFlow.create(CAREFUL)
    still = np.zeros((*one.shape, 2), np.float32)
    return np.asarray(flow.calc(one, other, still), np.float32)


def _believed(there: Float32, back: Float32) -> NDArray[np.bool_]:
    """Where the way there and back ends at its start."""
    y, x = np.indices(there.shape[:2], np.float32)
    returned = cv2.remap(back, x + there[..., 0], y + there[..., 1], cv2.INTER_LINEAR)
    return np.asarray(np.hypot(*np.moveaxis(there + returned, -1, 0)) < BACK_PX, np.bool_)


def _smoothed(there: Float32, believed: NDArray[np.bool_], near: Float32) -> Float32:
    """The flow, where it is believed, evened out; none far from the mask."""
    weight = (believed & (near > 0)).astype(np.float32)
    sigma = 3.0
    total = cv2.GaussianBlur(weight, (0, 0), sigma)
    smooth = cv2.GaussianBlur(there * weight[..., None], (0, 0), sigma)
    return np.asarray(smooth / np.maximum(total, 1e-3)[..., None], np.float32)


def _bent(picture: Codes, flow: Float32) -> Codes:
    y, x = np.indices(picture.shape, np.float32)
    fetched = cv2.remap(picture, x + flow[..., 0], y + flow[..., 1], cv2.INTER_LINEAR)
    return np.asarray(fetched, np.uint8)


def _inverse(flow: Float32) -> Float32:
    """The way back of a smooth flow, by fixed-point iteration."""
    y, x = np.indices(flow.shape[:2], np.float32)
    back = -flow
    for _ in range(6):
        there = cv2.remap(flow, x + back[..., 0], y + back[..., 1], cv2.INTER_LINEAR)
        back = -np.asarray(there, np.float32)
    return back


def _likeness(one: Codes, moved: Codes, mask: Float32) -> tuple[float, float]:
    """How far the pictures agree inside the mask and along its edge, as correlations."""
    inside = (mask > 0.5).astype(np.uint8)
    rim = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9))
    edge = cv2.dilate(inside, rim) != cv2.erode(inside, rim)
    wide = cv2.dilate(inside, rim) > 0
    return _correlation(one, moved, wide), _correlation(one, moved, edge)


def _in_frame(mask: Float32, motion: Matrix, size: tuple[int, int]) -> float:
    """1 while less than a fifth of the mask leaves the frame, else 0."""
    y, x = np.nonzero(mask > 0.5)
    moved = motion @ np.stack([x, y, np.ones(len(x))])
    inside = (moved >= 0).all(axis=0) & (moved[0] < size[0]) & (moved[1] < size[1])
    return float(inside.mean() > 0.8)

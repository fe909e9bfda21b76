"""Cuts a subject out of a picture, from a box around it or strokes on it.

GrabCut (Rother, Kolmogorov and Blake, "GrabCut", 2004; as OpenCV has it) learns colours inside and
outside and cuts where they part. What it finds depends on what it starts from; so it starts from
several guesses, on a small picture, and the cut is kept that fills the box (a box is drawn tightly:
Lempitsky, Kohli, Rother and Sharp, 2009) and runs along edges of the picture. That one is cut again
at a larger scale. Knows arrays only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32
from pipeline.kernels.masks import Place, oklab_planes

Labels = NDArray[np.uint8]
"""OpenCV's: 0 surely background, 1 surely subject, 2 and 3 perhaps so."""
Codes = NDArray[np.uint8]

GUESS_PX, CUT_PX = 200, 420
"""Long side of the pictures on which is guessed and cut."""
AROUND = 0.25
"""Of the box, that is looked at outside of it on every side, to learn the background."""
GUESSES = (1.0, 0.8, 0.55)
"""Sizes of the ellipse, in those of the box, that is taken for the subject at first; 1: the box."""
ROUNDS, LAST_ROUNDS = 5, 2
LOOSE = 0.15
"""Of the box, by which the subject may miss a side of it without being doubted."""
NOWHERE = (0, 0, 0, 0)
"""OpenCV's rectangle where labels say what is known."""
SMALLEST = 0.1
"""Of the largest piece, that another must have not to be dropped."""


class Strokes(NamedTuple):
    """Lines drawn on the subject and beside it, each through (n, 2) places, ``width`` in shares of
    the long side."""

    inside: Sequence[Sequence[Place]] = ()
    outside: Sequence[Sequence[Place]] = ()
    width: float = 0.005


class Cut(NamedTuple):
    """1 on the subject, 0 beside it, over the whole picture, and how many of the picture's samples
    one of the cut's is."""

    values: Float32
    coarseness: float


def cut_out(picture: Float32, box: tuple[Place, Place], strokes: Strokes) -> Cut:
    """The subject in ``box``, its upper left and lower right corners in shares, of a scene.

    ``picture`` is the scene at reduced scale, (3, h, w) linear working RGB. All zero where nothing
    parts the inside from the outside.
    """
    height, width = picture.shape[1:]
    (x0, y0), (x1, y1) = box
    margin_x, margin_y = AROUND * (x1 - x0) + 8 / width, AROUND * (y1 - y0) + 8 / height
    left, top = max(int((x0 - margin_x) * width), 0), max(int((y0 - margin_y) * height), 0)
    right = min(int((x1 + margin_x) * width) + 1, width)
    bottom = min(int((y1 + margin_y) * height) + 1, height)
    part = np.ascontiguousarray(picture[:, top:bottom, left:right])

    def place(at: Place) -> Place:
        across, down = (at[0] * width - left) / (right - left), (at[1] * height - top)
        return across, down / (bottom - top)

    inner = (place(box[0]), place(box[1]))
    drawn = Strokes(
        [[place(at) for at in line] for line in strokes.inside],
        [[place(at) for at in line] for line in strokes.outside],
        strokes.width * max(height, width) / max(bottom - top, right - left),
    )
    small = _View(part, GUESS_PX, inner, drawn)
    best, how = max(
        ((small.cut(colours, small.guess(size), ROUNDS), colours)
         for colours in (_lightness_and_colour, _colour_alone) for size in GUESSES),
        key=lambda found: small.likeness(found[0]),
    )  # fmt: skip
    whole: Float32 = np.zeros((height, width), np.float32)
    if small.likeness(best) <= 0:
        return Cut(whole, 1.0)
    view = _View(part, CUT_PX, inner, drawn)
    found = view.cut(how, view.near(best), LAST_ROUNDS)
    size = right - left, bottom - top
    whole[top:bottom, left:right] = cv2.resize(found.astype(np.float32), size)
    return Cut(whole, max(size) / max(found.shape))


class _View:
    """A part of the picture at one scale, with the box and the strokes on it."""

    def __init__(
        self, part: Float32, long_side: int, box: tuple[Place, Place], strokes: Strokes
    ) -> None:
        by = min(1.0, long_side / max(part.shape[1:]))
        height, width = (max(8, round(side * by)) for side in part.shape[1:])
        planes = [
            cv2.resize(plane, (width, height), interpolation=cv2.INTER_AREA) for plane in part
        ]
        self._oklab = oklab_planes(np.ascontiguousarray(np.stack(planes), np.float32))
        (x0, y0), (x1, y1) = box
        self._rows = slice(round(y0 * height), max(round(y1 * height), round(y0 * height) + 2))
        self._columns = slice(round(x0 * width), max(round(x1 * width), round(x0 * width) + 2))
        self._drawn: Labels = np.full((height, width), 255, np.uint8)
        for lines, label in ((strokes.outside, cv2.GC_BGD), (strokes.inside, cv2.GC_FGD)):
            for line in lines:
                points = np.round(np.asarray(line) * (width, height)).astype(np.int32)
                thick = max(1, round(strokes.width * max(height, width)))
                cv2.polylines(self._drawn, [points.reshape(-1, 1, 2)], False, int(label), thick)

    def guess(self, size: float) -> Labels:
        """Perhaps the subject inside of an ellipse in the box, surely not outside of the box."""
        labels = np.full(self._drawn.shape, cv2.GC_BGD, np.uint8)
        labels[self._rows, self._columns] = cv2.GC_PR_BGD if size < 1 else cv2.GC_PR_FGD
        if size < 1:
            y, x = np.indices(labels.shape)
            rows, columns = self._rows, self._columns
            down = (2 * y - rows.start - rows.stop) / (rows.stop - rows.start)
            across = (2 * x - columns.start - columns.stop) / (columns.stop - columns.start)
            labels[np.hypot(down, across) < size] = cv2.GC_PR_FGD
        return self._with_strokes(labels)

    def near(self, cut: Labels) -> Labels:
        """Free to be cut anew only near an earlier cut's edge."""
        height, width = self._drawn.shape
        found = (cv2.resize(cut.astype(np.float32), (width, height)) > 0.5).astype(np.uint8)
        reach = 2 * -(-max(height, width) // max(cut.shape)) + 1
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
        labels = np.full(found.shape, cv2.GC_BGD, np.uint8)
        box = self._rows, self._columns
        labels[box] = np.where(found, cv2.GC_PR_FGD, cv2.GC_PR_BGD)[box]
        labels[cv2.dilate(found, disc) == 0] = cv2.GC_BGD
        labels[cv2.erode(found, disc) == 1] = cv2.GC_FGD
        return self._with_strokes(labels)

    def _with_strokes(self, labels: Labels) -> Labels:
        return np.where(self._drawn == 255, labels, self._drawn).astype(np.uint8)

    def cut(self, colours: Callable[[Float32], Codes], labels: Labels, rounds: int) -> Labels:
        """1 on the subject, 0 elsewhere."""
        labels = labels.copy()
        inside = (labels & 1).astype(bool)
        if inside.sum() < 10 or (~inside).sum() < 10:  # too few to learn a colour from
            return np.zeros_like(labels)
        cv2.setRNGSeed(1)
        models = np.zeros((1, 65)), np.zeros((1, 65))
        cv2.grabCut(colours(self._oklab), labels, NOWHERE, *models, rounds, cv2.GC_INIT_WITH_MASK)
        found = labels & 1
        count, pieces, sizes, _ = cv2.connectedComponentsWithStats(found, connectivity=4)
        if count > 1:
            areas = sizes[1:, cv2.CC_STAT_AREA]
            large = 1 + np.flatnonzero(areas >= SMALLEST * areas.max())
            kept = np.isin(pieces, large) | (self._drawn == cv2.GC_FGD)
            found = (found & kept).astype(np.uint8)
        return np.asarray(found, np.uint8)

    def likeness(self, cut: Labels) -> float:
        """How much a cut looks like a subject that fills the box; 0 where it is empty."""
        rows, columns = np.nonzero(cut)
        if rows.size < 20:
            return 0.0
        likely = 1.0
        for at, side in ((rows, self._rows), (columns, self._columns)):
            for gap in (at.min() - side.start, side.stop - 1 - at.max()):
                beyond = max(gap / (side.stop - side.start) - LOOSE, 0.0)
                likely *= float(np.exp(-beyond / 0.1))
        soft = cv2.GaussianBlur(self._oklab.transpose(1, 2, 0), (0, 0), 1)
        steps = [cv2.Sobel(soft, cv2.CV_32F, *axis) for axis in ((1, 0), (0, 1))]
        slope = np.sqrt(sum((step**2).sum(axis=2) for step in steps))
        usual = float(np.quantile(slope[self._rows, self._columns], 0.9))
        cross = np.ones((3, 3), np.uint8)
        edge = cv2.dilate(cut, cross) != cv2.erode(cut, cross)
        return likely * float(np.minimum(slope[edge] / max(usual, 1e-6), 2).mean())


def _lightness_and_colour(oklab: Float32) -> Codes:
    light = oklab[0] / max(float(np.quantile(oklab[0], 0.98)), 1e-6)
    return _codes(230 * light, 400 * oklab[1], 400 * oklab[2])


def _colour_alone(oklab: Float32) -> Codes:
    """Mostly hue and saturation, which shading leaves alone."""
    light = oklab[0] / max(float(np.quantile(oklab[0], 0.98)), 1e-6)
    own = np.maximum(oklab[0], 0.05)
    return _codes(100 * light, 500 * oklab[1] / own, 500 * oklab[2] / own)


def _codes(light: Float32, a: Float32, b: Float32) -> Codes:
    return np.clip(np.stack([light, 128 + a, 128 + b], axis=-1), 0, 255).astype(np.uint8)

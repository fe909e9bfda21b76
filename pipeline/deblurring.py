"""The blur of lens, filter and pixel, taken back in a frame's own pixels once its holes are filled.

So masks, local edits and whatever follows see the deblurred picture. The reduced picture stays as
it is: its samples are means of many pixels, which such a blur hardly moves. Opens no file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.frame import Float32, Light, Source
from pipeline.kernels.deblur import deblur, halo_px, luminance, noise_of
from pipeline.kernels.masks import Box
from pipeline.kernels.spaces import luminance_weights
from pipeline.records import ResolvedStep
from pipeline.step import Blur
from pipeline.steps import STEPS

SAMPLES, SAMPLE_PX = 5, 96
"""Windows each way in which noise is measured, and their size."""


def deblurred(source: Source, steps: Sequence[ResolvedStep]) -> Source:
    """A source without the blur that its steps take back; itself where none does."""
    for step in steps:
        kind = STEPS.get(step.step) if step.stage not in ("local", "hold") else None
        if kind is not None and kind.blur is not None:
            blur = kind.blur(kind.parameters.model_validate(step.parameters))
            if blur.strength > 0:
                source = _Deblurred(source, blur)
    return source


@dataclass(slots=True)
class _Deblurred:
    """A source and the blur to take back; a ``Source`` itself."""

    source: Source
    blur: Blur
    width: int = field(init=False)
    height: int = field(init=False)
    orientation: int = field(init=False)
    light: Light = field(init=False)
    _weights: Float32 = field(init=False)
    _noise: Float32 = field(init=False)

    def __post_init__(self) -> None:
        self.width, self.height = self.source.width, self.source.height
        self.orientation, self.light = self.source.orientation, self.source.light
        to_working = self.light.to_working(self.light.as_shot)
        self._weights = np.asarray(luminance_weights("working") @ to_working, np.float32)
        self._noise = noise_of([self._around(box)[1] for box in self._samples()], self._sigma)

    def strip(self, top: int, bottom: int, out: Float32) -> None:
        halo = halo_px(self._sigma)
        first, last = max(top - halo, 0), min(bottom + halo, self.height)
        planes = np.empty((3, last - first, self.width), np.float32)
        self.source.strip(first, last, planes)
        box = Box(top, bottom, 0, self.width)
        light = self._light(planes, Box(first, last, 0, self.width), box)
        own = planes[:, top - first : bottom - first]
        self._deblur(own, light, out[:, : bottom - top, : self.width])

    def window(self, top: int, bottom: int, left: int, right: int) -> Float32:
        planes, light = self._around(Box(top, bottom, left, right))
        out = np.empty_like(planes)
        self._deblur(planes, light, out)
        return out

    def preview(self) -> Float32:
        return self.source.preview()

    @property
    def _sigma(self) -> float:
        return self.blur.sigma_px

    def _deblur(self, planes: Float32, light: Float32, out: Float32) -> None:
        blur = self.blur
        settings = {"sigma_px": blur.sigma_px, "strength": blur.strength}
        deblur(planes, light, out, **settings, noise=self._noise)

    def _around(self, box: Box) -> tuple[Float32, Float32]:
        """The planes in a window of the stored picture, and their light with its halo."""
        known = box.grown(halo_px(self._sigma)).meet(Box(0, self.height, 0, self.width))
        planes = self.source.window(*known)
        rows, columns = box.within(known)
        return np.ascontiguousarray(planes[:, rows, columns]), self._light(planes, known, box)

    def _light(self, planes: Float32, known: Box, box: Box) -> Float32:
        wanted = box.grown(halo_px(self._sigma))
        margins = (
            known.top - wanted.top,
            wanted.bottom - known.bottom,
            known.left - wanted.left,
            wanted.right - known.right,
        )
        return luminance(planes, self._weights, margins)

    def _samples(self) -> list[Box]:
        """Windows spread evenly over the stored picture."""
        rows, columns = min(SAMPLE_PX, self.height), min(SAMPLE_PX, self.width)
        return [
            Box(top, top + rows, left, left + columns)
            for top in np.linspace(0, self.height - rows, SAMPLES, dtype=int).tolist()
            for left in np.linspace(0, self.width - columns, SAMPLES, dtype=int).tolist()
        ]

"""Pixels in memory, tagged with the space that they are in.

The fused pass never holds a whole frame as float; this record is what readers, the low-resolution
pass and tests exchange.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

Space = Literal["camera", "working", "srgb", "display-p3", "adobe-rgb", "romm-rgb"]
"""``camera``: linear sensor RGB, as-shot balanced, white level 1. ``working``: linear ITU-R BT.2020
with a D65 white, scene or display referred. The others are encoded (non-linear) output spaces."""

Float32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Pixels:
    """float32 pixels of shape (height, width, 3), unclipped, upright (orientation applied)."""

    data: Float32
    space: Space

    def __post_init__(self) -> None:
        if self.data.ndim != 3 or self.data.shape[2] != 3 or self.data.dtype != np.float32:
            raise TypeError(
                f"pixels are float32 (height, width, 3), not {self.data.dtype} {self.data.shape}"
            )


@dataclass(frozen=True, slots=True)
class Light:
    """What a frame's pixels mean before any step.

    ``to_working(xy)`` gives the 3 × 3 matrix (float64) from as-shot balanced linear RGB to the
    working space for a scene white ``xy`` (CIE 1931 2 degree): scene white comes out as working white.
    ``as_shot`` is the scene white that the camera recorded, or D65 for a picture that is already
    in an output space. ``white_of(rgb)`` gives the xy of a neutral surface that has the as-shot
    balanced linear value ``rgb``.
    """

    as_shot: tuple[float, float]
    to_working: Callable[[tuple[float, float]], NDArray[np.float64]]
    white_of: Callable[[tuple[float, float, float]], tuple[float, float]]


class Source(Protocol):
    """An opened original that gives its pixels strip by strip, in sensor orientation.

    ``width`` and ``height`` are those of the stored picture; ``orientation`` is the Exif value
    (1 to 8) that makes it upright.
    """

    width: int
    height: int
    orientation: int
    light: Light

    def strip(self, top: int, bottom: int, out: Float32) -> None:
        """Write rows ``top`` to ``bottom`` as linear as-shot balanced RGB.

        ``out`` has shape (3, bottom - top, width or wider); what lies right of ``width`` is left
        alone. Every value is the same whatever strips the rows are asked in, and several threads
        may ask at once.
        """

    def preview(self) -> Float32:
        """The whole picture at a quarter scale or less, (h, w, 3), upright, valued like strips."""

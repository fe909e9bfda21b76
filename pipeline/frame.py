"""A frame's pixels as the rest of the pipeline sees them: strips of linear light, and its white.

No whole frame is ever held as float. This module knows neither files nor steps, and it imports no
array library, since the command line reads it at start.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, TypeAlias, runtime_checkable

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Float32: TypeAlias = "NDArray[np.float32]"
Matrix: TypeAlias = "NDArray[np.float64]"
XY: TypeAlias = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Light:
    """What a frame's pixels mean before any step.

    ``to_working(xy)`` gives the 3 × 3 matrix (float64) from as-shot balanced linear RGB to the
    working space for a scene white ``xy`` (CIE 1931 2 degree): scene white comes out as working
    white. ``as_shot`` is the scene white that the camera recorded, or D65 for a picture that is
    already in an output space. ``white_of(rgb)`` gives the xy of a neutral surface that has the
    as-shot balanced linear value ``rgb``.
    """

    as_shot: XY
    to_working: Callable[[XY], Matrix]
    white_of: Callable[[tuple[float, float, float]], XY]


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
        """Write rows ``top`` to ``bottom`` as linear as-shot balanced RGB, 1 at the white level.

        ``out`` is float32 of shape (3, bottom - top, width or wider); what lies right of ``width``
        is left alone. Every value is the same whatever strips the rows are asked in, and several
        threads may ask at once.
        """

    def window(self, top: int, bottom: int, left: int, right: int) -> Float32:
        """A part of the stored picture, (3, rows, columns), valued like strips, a new array."""

    def preview(self) -> Float32:
        """The whole picture at a quarter scale or less, (h, w, 3), upright, valued like strips."""


@runtime_checkable
class Restoring(Source, Protocol):
    """A source that fills in what its sensor could not record."""

    def under(self, neutral: tuple[float, float, float]) -> Source:
        """The same picture, valued alike, with what is blown turned to another white.

        ``neutral`` is a neutral surface's as-shot balanced value, green 1: what the camera took for
        white need not be what is balanced for.
        """

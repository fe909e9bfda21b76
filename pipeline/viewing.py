"""How a delivered picture is seen: on what, how fine its pixels are, from how far.

Plain values, for files that people write and for the model in ``kernels.medium``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import pi
from typing import Literal

Medium = Literal["screen", "matte", "gloss"]

MILLIMETRES_AN_INCH = 25.4


@dataclass(frozen=True, slots=True)
class Viewing:
    """``ppi`` is pixels an inch of the medium, ``distance_mm`` from the eye to it."""

    medium: Medium
    ppi: int
    distance_mm: float

    @property
    def pixels_a_degree(self) -> float:
        """How many pixels the eye sees within a degree, straight in front of it."""
        return self.ppi * self.distance_mm / MILLIMETRES_AN_INCH * pi / 180


USUAL: Mapping[Medium, Viewing] = {
    # the reference pixel of W3C CSS Values and Units, Level 3: 96 an inch at 28 inches
    "screen": Viewing("screen", 96, 711.0),
    # common practice, no source: a print in the hands
    "matte": Viewing("matte", 300, 400.0),
    "gloss": Viewing("gloss", 300, 400.0),
}
"""How each medium is seen where nothing else is said."""

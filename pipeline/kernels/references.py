"""Published colours of the 24-patch chart, and the colour of a measured reflectance.

All under CIE D50 and the 2 degree observer. The numbers are colour-science's data sets.
"""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float64 = NDArray[np.float64]
Edition = Literal["before-2014", "after-2014", "average"]
"""Charts made before or after November 2014, by the maker's Lab values; or the average of 30
charts that were measured spectrally."""
EDITIONS: tuple[Edition, ...] = get_args(Edition)
DEFAULT_EDITION: Edition = "after-2014"

PATCHES: tuple[str, ...] = (
    *("dark skin", "light skin", "blue sky", "foliage", "blue flower", "bluish green"),
    *("orange", "purplish blue", "moderate red", "purple", "yellow green", "orange yellow"),
    *("blue", "green", "red", "yellow", "magenta", "cyan"),
    *("white", "neutral 8", "neutral 6.5", "neutral 5", "neutral 3.5", "black"),
)
"""The patches' names in chart order: four rows of six."""


def reference_xyz(edition: Edition) -> Float64:
    """XYZ of the 24 patches, (24, 3), under D50, Y = 1 for a perfect diffuser, chart order."""
    raise NotImplementedError


def lab_of_reflectance(wavelengths_nm: ArrayLike, reflectance: ArrayLike) -> Float64:
    """CIE Lab (D50, 2 degree), (..., 3), of reflectances (..., n) at evenly spaced wavelengths.

    By ASTM E308. Raises ``ValueError`` where the wavelengths do not cover 400 to 700 nm or are
    neither 5, 10 nor 20 nm apart.
    """
    raise NotImplementedError

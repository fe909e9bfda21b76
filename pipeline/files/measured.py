"""A photographer's own measured colours: CGATS (ISO 28178) and CSV files.

Lab, XYZ or reflectance spectra, under D50 and the 2 degree observer.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Float64 = NDArray[np.float64]


def read_chart(path: Path) -> Float64:
    """XYZ of 24 patches, (24, 3), under D50 (Y = 1 for a perfect diffuser), in chart order.

    Rows are named A1 to D6 (row letter, column), 1 to 24, or by the patches' names; without names
    they are in chart order. Raises ``ValueError`` with a sentence that has the line.
    """
    raise NotImplementedError


def read_colour(path: Path, name: str | None = None) -> Float64:
    """Lab (D50, 2 degree) of one measured colour, (3,): the row called ``name``, or the only one.

    Raises ``ValueError`` with a sentence that has the line.
    """
    raise NotImplementedError

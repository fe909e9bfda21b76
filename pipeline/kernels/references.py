"""Published colours of the 24-patch chart, and the colour of a measured reflectance.

All under CIE D50 and the 2 degree observer. The numbers are colour-science's data sets.
"""

from __future__ import annotations

import warnings
from functools import cache
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.kernels.difference import lab_of, xyz_of
from pipeline.kernels.spaces import D50, xy_to_xyz

Float64 = NDArray[np.float64]
Edition = Literal["before-2014", "after-2014", "average"]
"""Charts made before or after November 2014, by the maker's Lab values; or the average of 30
charts that were measured spectrally."""
EDITIONS: tuple[Edition, ...] = get_args(Edition)
DEFAULT_EDITION: Edition = "after-2014"

WHITE: Float64 = xy_to_xyz(D50)
"""XYZ of a perfect diffuser."""

PATCHES: tuple[str, ...] = (
    *("dark skin", "light skin", "blue sky", "foliage", "blue flower", "bluish green"),
    *("orange", "purplish blue", "moderate red", "purple", "yellow green", "orange yellow"),
    *("blue", "green", "red", "yellow", "magenta", "cyan"),
    *("white", "neutral 8", "neutral 6.5", "neutral 5", "neutral 3.5", "black"),
)
"""The patches' names in chart order: four rows of six."""

_DATA_SETS: dict[str, str] = {
    "before-2014": "ColorChecker24 - Before November 2014",
    "after-2014": "ColorChecker24 - After November 2014",
}
_SPECTRA = "BabelColor Average"

SPACINGS_NM = (5, 10, 20)
"""For which ASTM E308 has tables of weights (with 1 nm, which nobody measures at)."""
NEEDED_NM = (400.0, 700.0)
"""What the spectrum must cover: pocket instruments measure no further. Beyond it the ends are held
on, as ASTM E308-15, 7.3.2.2 says."""


@cache
def _colour() -> Any:
    """The library, without its remarks on optional parts that are not wanted here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def reference_xyz(edition: Edition) -> Float64:
    """XYZ of the 24 patches, (24, 3), under D50, Y = 1 for a perfect diffuser, chart order."""
    return _reference_xyz(edition).copy()


@cache
def _reference_xyz(edition: Edition) -> Float64:
    colour = _colour()
    if edition == "average":
        spectra = list(colour.SDS_COLOURCHECKERS[_SPECTRA].values())
        values = np.array([spectrum.values for spectrum in spectra])
        return xyz_of(lab_of_reflectance(spectra[0].wavelengths, values), WHITE)
    chart = colour.CCS_COLOURCHECKERS[_DATA_SETS[edition]]
    xyz = colour.xyY_to_XYZ(np.array(list(chart.data.values())))
    # the same Lab under this package's D50, which has a decimal less than theirs
    return xyz_of(lab_of(xyz, xy_to_xyz(tuple(chart.illuminant))), WHITE)


def lab_of_reflectance(wavelengths_nm: ArrayLike, reflectance: ArrayLike) -> Float64:
    """CIE Lab (D50, 2 degree), (..., 3), of reflectances (..., n) at evenly spaced wavelengths.

    By ASTM E308, with the weights that fit the spacing. Reflectance is 1 for a perfect diffuser.
    Raises ``ValueError`` where the wavelengths do not cover 400 to 700 nm or are not 5, 10 or 20 nm
    apart.
    """
    colour = _colour()
    nm = np.asarray(wavelengths_nm, np.float64)
    values = np.asarray(reflectance, np.float64)
    if nm.ndim != 1 or values.shape[-1:] != nm.shape or nm.size < 2:
        raise ValueError("a spectrum needs a reflectance for each of its wavelengths")
    if not (np.isfinite(nm).all() and np.isfinite(values).all()):
        raise ValueError("a spectrum's wavelengths and reflectances must be numbers")
    step = nm[1] - nm[0]
    if step not in SPACINGS_NM or not np.array_equal(np.diff(nm), np.full(nm.size - 1, step)):
        raise ValueError("wavelengths must rise evenly, 5, 10 or 20 nm apart")
    if nm[0] > NEEDED_NM[0] or nm[-1] < NEEDED_NM[1]:
        raise ValueError(
            f"the wavelengths go from {nm[0]:g} to {nm[-1]:g} nm; they must cover 400 to 700 nm"
        )
    if (step == 5 and (nm[0] % 5 or nm[-1] % 5)) or (step > 5 and nm[0] % 10):
        raise ValueError("wavelengths must be multiples of their spacing")
    light = colour.SDS_ILLUMINANTS["D50"]

    def xyz(row: Float64) -> Float64:
        spectrum = colour.SpectralDistribution(row, nm)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # that the ends are held on
            found = colour.sd_to_XYZ(spectrum, illuminant=light, method="ASTM E308")
        return np.asarray(found, np.float64)

    rows = values.reshape(-1, nm.size)
    ratio = np.array([xyz(row) for row in rows]).reshape(-1, 3) / xyz(np.ones(nm.size))
    return lab_of(ratio * WHITE, WHITE).reshape((*values.shape[:-1], 3))

"""Measured reflectances, cameras and lights, all carried by colour-science: spectra to numbers.

Shares no code with the pipeline: sums over 380 to 780 nm, every 5 nm, and the formulas of CIE 15.
"""

from __future__ import annotations

import warnings
from functools import cache

import colour
import numpy as np
from colour.quality.cfi2017 import load_TCS_CIE2017
from colour.quality.datasets import SDS_VS

SHAPE = colour.SpectralShape(380, 780, 5)
CAMERAS = ("Nikon 5100 (NPL)", "Sigma SDMerill (NPL)")
D50_XYZ = np.array([0.3457 / 0.3585, 1.0, (1 - 0.3457 - 0.3585) / 0.3585])
"""CIE D50 by its chromaticity, as ISO 22028-2 rounds it."""


def _values(spectrum: colour.SpectralDistribution, outside: str = "held") -> np.ndarray:
    ends = {"method": "Constant", "left": 0, "right": 0} if outside == "zero" else None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return spectrum.copy().align(SHAPE, extrapolator_kwargs=ends).values


@cache
def observer() -> np.ndarray:
    """CIE 1931 2 degree colour matching functions, (81, 3)."""
    return _values(colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])


@cache
def sensitivities(camera: str) -> np.ndarray:
    """A camera's spectral sensitivities, (81, 3)."""
    return np.maximum(_values(colour.MSDS_CAMERA_SENSITIVITIES[camera], "zero"), 0)


@cache
def light(name: str) -> np.ndarray:
    """Power of a CIE illuminant, (81,)."""
    return _values(colour.SDS_ILLUMINANTS[name])


@cache
def chart_reflectances(data_set: str = "BabelColor Average") -> np.ndarray:
    """Reflectances of a chart that colour-science carries, (n, 81)."""
    spectra = colour.SDS_COLOURCHECKERS[data_set].values()
    return np.clip([_values(spectrum) for spectrum in spectra], 0, 1)


@cache
def other_reflectances(data_set: str) -> np.ndarray:
    """Reflectances that are on no chart: "CIE 224:2017" (99) or "NIST CQS 9.0" (15), (n, 81)."""
    if data_set == "CIE 224:2017":
        return np.clip(load_TCS_CIE2017(SHAPE).values.T, 0, 1)
    return np.clip([_values(spectrum) for spectrum in SDS_VS[data_set].values()], 0, 1)


def camera_rgb(reflectances: np.ndarray, camera: str, light_name: str) -> np.ndarray:
    """What a camera records of reflectances (n, 81); a perfect diffuser gives (1, 1, 1)."""
    weights = light(light_name)[:, None] * sensitivities(camera)
    return reflectances @ weights / weights.sum(axis=0)


def xyz_d50(reflectances: np.ndarray) -> np.ndarray:
    """XYZ of reflectances (n, 81) under D50, relative to its rounded white."""
    weights = light("D50")[:, None] * observer()
    return reflectances @ weights / weights.sum(axis=0) * D50_XYZ

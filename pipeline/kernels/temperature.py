"""Correlated colour temperature (CCT, kelvin) and distance from the Planckian locus (Duv).

CIE 15:2018: CCT is where a chromaticity projects onto the Planckian locus in the CIE 1960 (u, v)
plane; Duv is the distance there, positive above the locus (towards green).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.kernels.adaptation import BRADFORD
from pipeline.kernels.spaces import D65, SPACES, rgb_to_xyz_matrix, xy_to_xyz

XY = tuple[float, float]

KELVIN_RANGE = (1667.0, 25000.0)
"""Where this module answers; light outside is not a photographer's white."""

DENSEST = 1 / 64
"""Six stops, of one response alone. Ours."""

SECOND_RADIATION_CONSTANT = 1.438776877e-2
"""m K, CODATA 2018 (exact in the 2019 SI)."""

# CIE 1931 2 degree observer by multi-lobe Gaussian fits would cost 20 K at 3000 K, so the table
# itself is used, every 5 nm from 380 to 780 nm: CIE 15, table T.4.
_OBSERVER = np.array(
    [
        [0.001368, 3.9e-05, 0.00645],
        [0.002236, 6.4e-05, 0.01055],
        [0.004243, 0.00012, 0.02005],
        [0.00765, 0.000217, 0.03621],
        [0.01431, 0.000396, 0.06785],
        [0.02319, 0.00064, 0.1102],
        [0.04351, 0.00121, 0.2074],
        [0.07763, 0.00218, 0.3713],
        [0.13438, 0.004, 0.6456],
        [0.21477, 0.0073, 1.0390501],
        [0.2839, 0.0116, 1.3856],
        [0.3285, 0.01684, 1.62296],
        [0.34828, 0.023, 1.74706],
        [0.34806, 0.0298, 1.7826],
        [0.3362, 0.038, 1.77211],
        [0.3187, 0.048, 1.7441],
        [0.2908, 0.06, 1.6692],
        [0.2511, 0.0739, 1.5281],
        [0.19536, 0.09098, 1.28764],
        [0.1421, 0.1126, 1.0419],
        [0.09564, 0.13902, 0.8129501],
        [0.05795, 0.1693, 0.6162],
        [0.03201, 0.20802, 0.46518],
        [0.0147, 0.2586, 0.3533],
        [0.0049, 0.323, 0.272],
        [0.0024, 0.4073, 0.2123],
        [0.0093, 0.503, 0.1582],
        [0.0291, 0.6082, 0.1117],
        [0.06327, 0.71, 0.07825],
        [0.1096, 0.7932, 0.05725],
        [0.1655, 0.862, 0.04216],
        [0.2257499, 0.9148501, 0.02984],
        [0.2904, 0.954, 0.0203],
        [0.3597, 0.9803, 0.0134],
        [0.4334499, 0.9949501, 0.00875],
        [0.5120501, 1.0, 0.00575],
        [0.5945, 0.995, 0.0039],
        [0.6784, 0.9786, 0.00275],
        [0.7621, 0.952, 0.0021],
        [0.8425, 0.9154, 0.0018],
        [0.9163, 0.87, 0.00165],
        [0.9786, 0.8163, 0.0014],
        [1.0263, 0.757, 0.0011],
        [1.0567, 0.6949, 0.001],
        [1.0622, 0.631, 0.0008],
        [1.0456, 0.5668, 0.0006],
        [1.0026, 0.503, 0.00034],
        [0.9384, 0.4412, 0.00024],
        [0.8544499, 0.381, 0.00019],
        [0.7514, 0.321, 0.0001],
        [0.6424, 0.265, 5e-05],
        [0.5419, 0.217, 3e-05],
        [0.4479, 0.175, 2e-05],
        [0.3608, 0.1382, 1e-05],
        [0.2835, 0.107, 0.0],
        [0.2187, 0.0816, 0.0],
        [0.1649, 0.061, 0.0],
        [0.1212, 0.04458, 0.0],
        [0.0874, 0.032, 0.0],
        [0.0636, 0.0232, 0.0],
        [0.04677, 0.017, 0.0],
        [0.0329, 0.01192, 0.0],
        [0.0227, 0.00821, 0.0],
        [0.01584, 0.005723, 0.0],
        [0.0113592, 0.004102, 0.0],
        [0.0081109, 0.002929, 0.0],
        [0.0057903, 0.002091, 0.0],
        [0.0041095, 0.001484, 0.0],
        [0.0028993, 0.001047, 0.0],
        [0.0020492, 0.00074, 0.0],
        [0.00144, 0.00052, 0.0],
        [0.0009999, 0.0003611, 0.0],
        [0.0006901, 0.0002492, 0.0],
        [0.000476, 0.0001719, 0.0],
        [0.0003323, 0.00012, 0.0],
        [0.0002348, 8.48e-05, 0.0],
        [0.0001662, 6e-05, 0.0],
        [0.0001174, 4.24e-05, 0.0],
        [8.31e-05, 3e-05, 0.0],
        [5.87e-05, 2.12e-05, 0.0],
        [4.15e-05, 1.5e-05, 0.0],
    ]
)
_WAVELENGTHS_M = np.arange(380, 781, 5) * 1e-9


def planckian_uv(kelvin: ArrayLike) -> NDArray[np.float64]:
    """CIE 1960 (u, v) of black bodies, shape (..., 2): Planck's law summed over the observer."""
    t = np.asarray(kelvin, np.float64)[..., None]
    power = _WAVELENGTHS_M**-5 / np.expm1(SECOND_RADIATION_CONSTANT / (_WAVELENGTHS_M * t))
    xyz = power @ _OBSERVER
    return _xyz_to_uv(xyz)


def _xyz_to_uv(xyz: NDArray[np.float64]) -> NDArray[np.float64]:
    x, y, z = xyz[..., 0], xyz[..., 1], xyz[..., 2]
    scale = x + 15 * y + 3 * z
    return np.stack([4 * x / scale, 6 * y / scale], axis=-1)


def xy_to_uv(xy: XY) -> tuple[float, float]:
    """CIE 1960 (u, v) of a chromaticity (x, y)."""
    x, y = xy
    scale = -2 * x + 12 * y + 3
    return 4 * x / scale, 6 * y / scale


def uv_to_xy(uv: tuple[float, float]) -> XY:
    """Chromaticity (x, y) of a CIE 1960 (u, v)."""
    u, v = uv
    scale = 2 * u - 8 * v + 4
    return 3 * u / scale, 2 * v / scale


def _normal(kelvin: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A point of the locus and its unit normal on the green side."""
    step = kelvin * 1e-4
    before, at, after = planckian_uv(np.array([kelvin - step, kelvin, kelvin + step]))
    tangent = (after - before) / np.linalg.norm(after - before)
    # u falls towards higher temperature: the normal with a positive v is the green side
    normal = np.array([tangent[1], -tangent[0]])
    return at, normal if normal[1] > 0 else -normal


def xy_from_cct(kelvin: float, duv: float = 0.0) -> XY:
    """The chromaticity of a CCT and a Duv.

    Raises ``ValueError`` outside ``KELVIN_RANGE``.
    """
    if not KELVIN_RANGE[0] <= kelvin <= KELVIN_RANGE[1]:
        raise ValueError(f"{kelvin} K is not between {KELVIN_RANGE[0]:g} and {KELVIN_RANGE[1]:g} K")
    at, normal = _normal(kelvin)
    u, v = at + duv * normal
    return uv_to_xy((float(u), float(v)))


def cct_of_xy(xy: XY) -> tuple[float, float]:
    """CCT in kelvin and Duv of a chromaticity, clamped to ``KELVIN_RANGE``.

    A search over the locus in reciprocal temperature, refined until the foot of the perpendicular
    is found to 1e-6 K. Summing at 5 nm puts it within 2 K of the CIE's 1 nm definition.
    """
    target = np.array(xy_to_uv(xy))
    low, high = 1 / KELVIN_RANGE[1], 1 / KELVIN_RANGE[0]
    for _ in range(8):
        mired = np.linspace(low, high, 41)
        distance = np.hypot(*(planckian_uv(1 / mired) - target).T)
        best = int(np.argmin(distance))
        low, high = mired[max(best - 1, 0)], mired[min(best + 1, 40)]
    kelvin = float(2 / (low + high))
    at, normal = _normal(kelvin)
    return kelvin, float((target - at) @ normal)


def filter_matrix(mired: float, duv: float) -> NDArray[np.float64]:
    """What a filter does to working RGB, 3 × 3: working white takes on the colour that it gives.

    ``mired`` (10⁶ / kelvin) shifts working white along the Planckian locus, above 0 to the warm
    side, as filters are rated; ``duv`` across it, above 0 to the green side. Bradford responses are
    scaled; all such matrices commute, and a grey keeps its luminance. ``DENSEST`` of each response
    is left at least: beyond, a strong warm and green filter would have to turn blue negative.
    """
    kelvin, from_locus = cct_of_xy(D65)
    shifted = np.clip(1e6 / (1e6 / kelvin + mired), *KELVIN_RANGE)
    light = xy_from_cct(float(shifted), from_locus + duv)
    to_xyz = rgb_to_xyz_matrix(SPACES["working"])
    gain = np.maximum((BRADFORD @ xy_to_xyz(light)) / (BRADFORD @ xy_to_xyz(D65)), DENSEST)
    filtered = np.linalg.solve(BRADFORD, gain[:, None] * BRADFORD) @ to_xyz
    return np.asarray(np.linalg.solve(to_xyz, filtered), np.float64)

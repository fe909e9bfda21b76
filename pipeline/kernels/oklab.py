"""OKLab, from and to the working space.

Ottosson, "A perceptual color space for image processing" (2020): cube root of cone-like responses.
Scaling linear RGB by k scales all three coordinates by the cube root of k, so hue never moves.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.kernels.elementary import cbrt, f32, inlined
from pipeline.kernels.spaces import SPACES, rgb_to_xyz_matrix

XYZ_TO_LMS = np.array(
    [
        [0.8189330101, 0.3618667424, -0.1288597137],
        [0.0329845436, 0.9293118715, 0.0361456387],
        [0.0482003018, 0.2643662691, 0.6338517070],
    ]
)
LMS_TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)


def _working_to_lms() -> NDArray[np.float64]:
    matrix = XYZ_TO_LMS @ rgb_to_xyz_matrix(SPACES["working"])
    # The published matrix maps D65 to LMS within 1e-4 of (1, 1, 1); scaling each row makes working
    # greys exactly neutral, which matters more here than the fourth decimal of a saturated colour.
    return np.asarray(matrix / matrix.sum(axis=1, keepdims=True), np.float64)


def _lms_to_lab() -> NDArray[np.float64]:
    matrix = LMS_TO_LAB.copy()
    # The published rows sum to 1, 0, 0 within 1e-9; make it exact, for the same reason.
    matrix[0] /= matrix[0].sum()
    matrix[1:] -= matrix[1:].sum(axis=1, keepdims=True) / 3
    return matrix


WORKING_TO_LMS = _working_to_lms()
LMS_TO_OKLAB = _lms_to_lab()
LMS_TO_WORKING = np.linalg.inv(WORKING_TO_LMS)
OKLAB_TO_LMS = np.linalg.inv(LMS_TO_OKLAB)


def oklab_of(working: ArrayLike) -> NDArray[np.float64]:
    """OKLab (L, a, b), shape (..., 3), of linear working RGB, in float64."""
    lms = np.cbrt(np.asarray(working, np.float64) @ WORKING_TO_LMS.T)
    return np.asarray(lms @ LMS_TO_OKLAB.T, np.float64)


def working_of(oklab: ArrayLike) -> NDArray[np.float64]:
    """Linear working RGB, shape (..., 3), of OKLab, in float64."""
    lms = (np.asarray(oklab, np.float64) @ OKLAB_TO_LMS.T) ** 3
    return np.asarray(lms @ LMS_TO_WORKING.T, np.float64)


# Constants for kernels: numba freezes them into the code.
_M = tuple(tuple(f32(v) for v in row) for row in WORKING_TO_LMS)
_A = tuple(tuple(f32(v) for v in row) for row in LMS_TO_OKLAB)
_AI = tuple(tuple(f32(v) for v in row) for row in OKLAB_TO_LMS)
_MI = tuple(tuple(f32(v) for v in row) for row in LMS_TO_WORKING)


@inlined
def to_oklab(r, g, b):
    """OKLab of one working pixel, float32, inside a kernel."""
    x = cbrt(_M[0][0] * r + _M[0][1] * g + _M[0][2] * b)
    y = cbrt(_M[1][0] * r + _M[1][1] * g + _M[1][2] * b)
    z = cbrt(_M[2][0] * r + _M[2][1] * g + _M[2][2] * b)
    return (
        _A[0][0] * x + _A[0][1] * y + _A[0][2] * z,
        _A[1][0] * x + _A[1][1] * y + _A[1][2] * z,
        _A[2][0] * x + _A[2][1] * y + _A[2][2] * z,
    )


@inlined
def from_oklab(lightness, a, b):
    """One working pixel of OKLab, float32, inside a kernel."""
    x = _AI[0][0] * lightness + _AI[0][1] * a + _AI[0][2] * b
    y = _AI[1][0] * lightness + _AI[1][1] * a + _AI[1][2] * b
    z = _AI[2][0] * lightness + _AI[2][1] * a + _AI[2][2] * b
    x, y, z = x * x * x, y * y * y, z * z * z
    return (
        _MI[0][0] * x + _MI[0][1] * y + _MI[0][2] * z,
        _MI[1][0] * x + _MI[1][1] * y + _MI[1][2] * z,
        _MI[2][0] * x + _MI[2][1] * y + _MI[2][2] * z,
    )

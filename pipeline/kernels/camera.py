"""From a camera's own RGB to the working space, by the matrices that came with the file.

DNG Specification 1.7.1.0, chapter "Mapping Camera Color Space to CIE XYZ Space". Plain float64;
knows neither files nor tags.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.kernels.adaptation import adaptation_matrix
from pipeline.kernels.spaces import (
    D50,
    D65,
    PCS_WHITE,
    SPACES,
    XY,
    rgb_to_xyz_matrix,
    xy_to_xyz,
    xyz_to_xy,
)
from pipeline.kernels.temperature import KELVIN_RANGE, cct_of_xy

Float64 = NDArray[np.float64]

LIGHT_SOURCE_KELVIN = {
    1: 5500.0,  # daylight
    2: 4200.0,  # fluorescent, not told which
    3: 2856.0,  # tungsten
    4: 5500.0,  # flash
    9: 5500.0,  # fine weather
    10: 6500.0,  # cloudy
    11: 7500.0,  # shade
    12: 6400.0,  # daylight fluorescent, 5700 to 7100
    13: 5050.0,  # day white fluorescent, 4600 to 5500
    14: 4150.0,  # cool white fluorescent, 3800 to 4500
    15: 3525.0,  # white fluorescent, 3250 to 3800
    16: 2925.0,  # warm white fluorescent, 2600 to 3250
    17: 2856.0,  # CIE standard illuminant A
    18: 4874.0,  # CIE illuminant B
    19: 6774.0,  # CIE illuminant C
    20: 5503.0,  # D55
    21: 6504.0,  # D65
    22: 7504.0,  # D75
    23: 5003.0,  # D50
    24: 3200.0,  # ISO studio tungsten
}
"""CCT of Exif's LightSource codes: CIE 15 for the illuminants, the middle of Exif 2.32's range for
fluorescent lamps; daylight, flash, weather and tungsten are common practice, no source."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """A camera's matrices for one calibration light.

    ``color`` takes XYZ to camera RGB, ``forward`` balanced camera RGB to XYZ under D50 (None where
    the file has none), ``individual`` the reference camera to this one; all 3 × 3.
    """

    kelvin: float
    color: Float64
    forward: Float64 | None
    individual: Float64


@dataclass(frozen=True, slots=True)
class Camera:
    """One or two calibrations in ascending order of ``kelvin``, and the analogue gains (3,)."""

    calibrations: tuple[Calibration, ...]
    analog_balance: Float64


def single_matrix_camera(xyz_to_camera: ArrayLike) -> Camera:
    """A camera known by one matrix from XYZ under D65 to its RGB, such as LibRaw keeps."""
    matrix = np.asarray(xyz_to_camera, np.float64)
    return Camera((Calibration(LIGHT_SOURCE_KELVIN[21], matrix, None, np.eye(3)),), np.ones(3))


def cool_weight(kelvin: float, warm: float, cool: float) -> float:
    """The share of the cooler light's matrix at a CCT: linear in 1/CCT, 0 to 1 between the two."""
    if kelvin <= warm:
        return 0.0
    if kelvin >= cool:
        return 1.0
    return (1 / warm - 1 / kelvin) / (1 / warm - 1 / cool)


def calibration_at(camera: Camera, kelvin: float) -> Calibration:
    """The calibration interpolated for a scene white of this CCT."""
    if len(camera.calibrations) == 1:
        return camera.calibrations[0]
    warm, cool = camera.calibrations
    weight = cool_weight(kelvin, warm.kelvin, cool.kelvin)

    def mix(first: Float64, second: Float64) -> Float64:
        return (1 - weight) * first + weight * second

    forward = None
    if warm.forward is not None and cool.forward is not None:
        forward = mix(warm.forward, cool.forward)
    return Calibration(
        kelvin, mix(warm.color, cool.color), forward, mix(warm.individual, cool.individual)
    )


def xyz_to_camera_matrix(camera: Camera, kelvin: float) -> Float64:
    """The 3 × 3 matrix from XYZ to camera RGB at a CCT: AB × CC × CM in the specification."""
    at = calibration_at(camera, kelvin)
    matrix: Float64 = camera.analog_balance[:, None] * (at.individual @ at.color)
    return matrix


def neutral_of(camera: Camera, white: XY) -> Float64:
    """What the camera records of a neutral surface under ``white``, (3,), green scaled to 1.

    Raises ``ValueError`` where the matrices give a response that is not positive.
    """
    response = xyz_to_camera_matrix(camera, cct_of_xy(white)[0]) @ xy_to_xyz(white)
    if not (np.isfinite(response).all() and response.min() > 0):
        raise ValueError(f"the camera's matrices give no positive neutral for white {white}")
    neutral: Float64 = response / response[1]
    return neutral


def white_of_neutral(camera: Camera, neutral: ArrayLike, steps: int = 30) -> XY:
    """The scene white (xy) under which a neutral surface is recorded as ``neutral``, shape (3,).

    The matrix depends on the white that is sought, so the specification iterates from D50. Only
    the white's CCT enters the matrix: this solves for that one number, in mireds, by the secant
    method. Raises ``ValueError`` where no chromaticity results.
    """
    recorded = np.asarray(neutral, np.float64)
    white = D50
    mired = 1e6 / cct_of_xy(white)[0]
    before: tuple[float, float] | None = None
    for _ in range(steps):
        xyz = np.linalg.solve(xyz_to_camera_matrix(camera, 1e6 / mired), recorded)
        white = xyz_to_xy(xyz)
        if not (np.isfinite(white).all() and min(white) > 0 and sum(white) < 1 and xyz[1] > 0):
            raise ValueError(f"the camera's matrices give no white for neutral {recorded.tolist()}")
        change = 1e6 / cct_of_xy(white)[0] - mired
        if abs(change) < 1e-7:
            break
        move = change
        if before is not None:
            slope = (change - before[1]) / (mired - before[0])
            if slope < 0:
                move = -change / slope
        before = (mired, change)
        mired = min(max(mired + move, 1e6 / KELVIN_RANGE[1]), 1e6 / KELVIN_RANGE[0])
        if mired == before[0]:
            break
    return white


def camera_to_working_matrix(camera: Camera, white: XY) -> Float64:
    """The 3 × 3 matrix from camera RGB to linear BT.2020 (D65) for a scene white.

    The neutral of that white, with green 1, comes out as (1, 1, 1): by the forward matrix where
    there is one, else by the inverse colour matrix and Bradford adaptation.
    """
    kelvin, _duv = cct_of_xy(white)
    at = calibration_at(camera, kelvin)
    neutral = neutral_of(camera, white)
    to_xyz: Float64
    if at.forward is not None:
        to_reference = np.linalg.inv(camera.analog_balance[:, None] * at.individual)
        to_xyz = at.forward @ (to_reference / (to_reference @ neutral)[:, None])
        from_white = adaptation_matrix(PCS_WHITE, xy_to_xyz(D65))
    else:
        to_xyz = np.asarray(np.linalg.inv(xyz_to_camera_matrix(camera, kelvin)), np.float64)
        from_white = adaptation_matrix(xy_to_xyz(white), xy_to_xyz(D65))
    matrix = np.linalg.solve(rgb_to_xyz_matrix(SPACES["working"]), from_white @ to_xyz)
    # Forward matrices are stored with four decimals, so their white is off by as much; a row each
    # makes neutral exact, which the eye would notice before it notices anything else.
    result: Float64 = matrix / (matrix @ neutral)[:, None]
    return result

"""Camera matrices: DNG Specification 1.7.1.0, "Mapping Camera Color Space to CIE XYZ Space"."""

from __future__ import annotations

import colour
import numpy as np
import pytest

from pipeline.kernels.adaptation import adaptation_matrix
from pipeline.kernels.camera import (
    Calibration,
    Camera,
    calibration_at,
    camera_to_working_matrix,
    cool_weight,
    neutral_of,
    single_matrix_camera,
    white_of_neutral,
    xyz_to_camera_matrix,
)
from pipeline.kernels.spaces import D50, D65, PCS_WHITE, xy_to_xyz, xyz_to_xy
from pipeline.kernels.temperature import cct_of_xy, xy_from_cct

COOL = np.array([[0.8198, -0.2239, -0.0724], [-0.4871, 1.2389, 0.2798], [-0.1043, 0.2050, 0.7181]])
WARM = np.array([[0.9198, -0.3239, -0.0124], [-0.4371, 1.2389, 0.2298], [-0.0643, 0.1850, 0.5681]])
ONES = np.ones(3)


def two_lights(forward: bool = False) -> Camera:
    calibrations = []
    for kelvin, color in ((2856.0, WARM), (6504.0, COOL)):
        # the forward matrix that agrees with the colour matrix under D50
        matched = np.linalg.inv(color) * (color @ PCS_WHITE) if forward else None
        calibrations.append(Calibration(kelvin, color, matched, np.eye(3)))
    return Camera(tuple(calibrations), ONES)


@pytest.mark.parametrize(
    ("kelvin", "weight"),
    [
        (2000.0, 0.0),
        (2856.0, 0.0),
        (2e6 / (1e6 / 2856 + 1e6 / 6504), 0.5),
        (6504.0, 1.0),
        (9000.0, 1.0),
    ],
)
def test_matrices_mix_linearly_in_reciprocal_temperature(kelvin: float, weight: float) -> None:
    # DNG 1.7.1.0: linear in 1/CCT, the nearest light's matrix outside the two
    assert cool_weight(kelvin, 2856.0, 6504.0) == pytest.approx(weight, abs=1e-12)
    mixed = calibration_at(two_lights(), kelvin).color
    assert np.allclose(mixed, (1 - weight) * WARM + weight * COOL, atol=1e-12)


@pytest.mark.parametrize("kelvin", [2856, 3200, 4000, 5000, 5500, 6000, 6504, 7500])
def test_white_is_found_again_from_its_neutral_within_eight_steps(kelvin: float) -> None:
    camera = two_lights()
    white = xy_from_cct(kelvin, 0.003)
    found = white_of_neutral(camera, neutral_of(camera, white), steps=8)
    assert np.abs(np.subtract(found, white)).max() <= 1e-8


def test_neutral_may_have_any_brightness() -> None:
    camera = two_lights()
    neutral = neutral_of(camera, (0.38, 0.37))
    assert white_of_neutral(camera, 7.5 * neutral) == pytest.approx((0.38, 0.37), abs=1e-8)


@pytest.mark.parametrize("camera", [two_lights(), two_lights(True), single_matrix_camera(COOL)])
@pytest.mark.parametrize("kelvin", [2300, 3000, 4700, 6504, 11000])
def test_scene_white_becomes_working_white(camera: Camera, kelvin: float) -> None:
    white = xy_from_cct(kelvin, -0.004)
    result = camera_to_working_matrix(camera, white) @ neutral_of(camera, white)
    assert np.abs(result - 1).max() < 1e-13


def test_colours_come_out_as_bradford_adaptation_says() -> None:
    # oracle: colour-science, XYZ under the scene white to BT.2020 with Bradford adaptation
    camera, white = two_lights(), xy_from_cct(3900)
    xyz = np.random.default_rng(3).uniform(0.05, 0.9, (20, 3))
    response = xyz @ xyz_to_camera_matrix(camera, cct_of_xy(white)[0]).T
    scale = (xyz_to_camera_matrix(camera, cct_of_xy(white)[0]) @ xy_to_xyz(white))[1]
    got = response / scale @ camera_to_working_matrix(camera, white).T
    space = colour.RGB_COLOURSPACES["ITU-R BT.2020"].copy()
    space.use_derived_transformation_matrices(True)
    wanted = colour.XYZ_to_RGB(xyz, space, white, "Bradford", apply_cctf_encoding=False)
    assert np.abs(got - wanted).max() < 1e-6


def test_forward_and_colour_matrices_that_agree_give_one_picture() -> None:
    # under D50 the forward matrix needs no adaptation, so both roads must meet there
    white = xyz_to_xy(PCS_WHITE)
    with_forward = Camera(two_lights(forward=True).calibrations[1:], ONES)
    by_color = camera_to_working_matrix(single_matrix_camera(COOL), white)
    by_forward = camera_to_working_matrix(with_forward, white)
    assert np.abs(by_color - by_forward).max() < 1e-12


def test_balance_and_calibration_of_the_unit_are_taken_out_again() -> None:
    # AB and CC change what the camera records and nothing of what the scene was
    balance = np.array([1.7, 1.0, 1.3])
    unit = np.array([[1.02, 0.01, 0.0], [0.0, 0.97, 0.02], [0.01, 0.0, 1.05]])
    for forward in (False, True):
        plain = two_lights(forward)
        own = Camera(
            tuple(Calibration(c.kelvin, c.color, c.forward, unit) for c in plain.calibrations),
            balance,
        )
        scene = np.array([0.3, 0.25, 0.1])
        kelvin, _ = cct_of_xy(D50)
        results = []
        for camera in (plain, own):
            matrix = xyz_to_camera_matrix(camera, kelvin)
            recorded = matrix @ scene / (matrix @ xy_to_xyz(D50))[1]
            results.append(camera_to_working_matrix(camera, D50) @ recorded)
        assert np.abs(results[0] - results[1]).max() < 1e-3 * results[0].max()


def test_adaptation_in_the_forward_road_is_d50_to_d65() -> None:
    # forward matrix times (1, 1, 1) is the connection space's white (DNG 1.7.1.0)
    camera = two_lights(forward=True)
    forward = camera.calibrations[1].forward
    assert forward is not None
    assert np.allclose(forward @ ONES, PCS_WHITE, atol=1e-12)
    assert np.allclose(adaptation_matrix(PCS_WHITE, xy_to_xyz(D65)) @ PCS_WHITE, xy_to_xyz(D65))


def test_whites_without_a_blue_response_are_refused() -> None:
    """Bradford's third response is 0.0389 X - 0.0685 Y + 1.0296 Z (ICC.1:2022 annex E): at 2500 K
    and a Duv of 0.02 below 0, so that adapting would turn blue upside down."""
    with pytest.raises(ValueError, match="too far from any that the eye adapts to"):
        camera_to_working_matrix(single_matrix_camera(COOL), xy_from_cct(2500, 0.02))


def test_matrices_without_a_neutral_are_refused() -> None:
    upside_down = single_matrix_camera(-COOL)
    with pytest.raises(ValueError, match="no positive neutral"):
        neutral_of(upside_down, D65)
    with pytest.raises(ValueError, match="no white"):
        white_of_neutral(single_matrix_camera(COOL), [1.0, -3.0, 1.0])

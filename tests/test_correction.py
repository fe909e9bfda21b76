"""Chart corrections: spectral simulation with measured cameras, lights and reflectances.

Everything is fitted on the BabelColor average of 30 charts and judged on reflectances that the fit
never saw; all data are measured, and carried by colour-science.
"""

from __future__ import annotations

import json

import colour
import numpy as np
import PyOpenColorIO as ocio  # noqa: N813
import pytest

from pipeline.kernels.chart import PATCH_SHARE, measure
from pipeline.kernels.correction import (
    XYZ_TO_WORKING,
    Correction,
    corrected,
    shading_shapes,
    squeezed,
    terms,
)
from pipeline.kernels.difference import delta_e_2000, lab_of
from pipeline.kernels.exchange import clf_text, cube_of, cube_text
from pipeline.kernels.fitting import fit_correction
from pipeline.kernels.linear import matrix
from pipeline.kernels.references import EDITIONS, lab_of_reflectance, reference_xyz
from tests.spectral import (
    CAMERAS,
    D50_XYZ,
    camera_rgb,
    chart_reflectances,
    other_reflectances,
    xyz_d50,
)

LIGHTS = ("D50", "D65", "A", "LED-B1", "LED-B3", "FL2")
CASES = [(camera, light) for camera in CAMERAS for light in LIGHTS]
AS_SHOT = np.array([1.15, 0.5, 0.42])
"""An exposure of half and a balance that is off: what the correction has to put right."""


def chart_rgb(camera: str, light: str) -> np.ndarray:
    return camera_rgb(chart_reflectances(), camera, light) * AS_SHOT


def chart_xyz() -> np.ndarray:
    return xyz_d50(chart_reflectances())


_FITS: dict[tuple[str, str], Correction] = {}


def fitted(camera: str, light: str) -> Correction:
    if (camera, light) not in _FITS:
        _FITS[camera, light] = fit_correction(chart_rgb(camera, light), chart_xyz())
    return _FITS[camera, light]


def to_lab(working) -> np.ndarray:
    """Lab under D50 of working RGB, by colour-science's formulas and adaptation."""
    space = colour.RGB_COLOURSPACES["ITU-R BT.2020"].copy()
    space.use_derived_transformation_matrices(True)
    white = space.whitepoint
    d50 = np.array([0.3457, 0.3585])
    adaptation = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(white), colour.xy_to_XYZ(d50), transform="Bradford"
    )
    return colour.XYZ_to_Lab(working @ space.matrix_RGB_to_XYZ.T @ adaptation.T, d50)


def distances(correction: Correction, reflectances, camera: str, light: str) -> np.ndarray:
    """ΔE00 of corrected reflectances from their true colour, both by colour-science."""
    rgb = camera_rgb(reflectances, camera, light) * AS_SHOT
    truth = colour.XYZ_to_Lab(xyz_d50(reflectances), np.array([0.3457, 0.3585]))
    return colour.delta_E(to_lab(corrected(rgb, correction)), truth, method="CIE 2000")


def plain_matrix_distances(reflectances, camera: str, light: str) -> np.ndarray:
    """The same for the usual remedy: least squares in XYZ from balanced RGB, 3 × 3."""
    train = camera_rgb(chart_reflectances(), camera, light)
    by_rows = np.linalg.lstsq(train, chart_xyz(), rcond=None)[0]
    white = np.array([0.3457, 0.3585])
    found = colour.XYZ_to_Lab(camera_rgb(reflectances, camera, light) @ by_rows, white)
    return colour.delta_E(found, colour.XYZ_to_Lab(xyz_d50(reflectances), white), method="CIE 2000")


def unseen_in_gamut() -> np.ndarray:
    """Two charts that were not fitted, 54 patches, without those that sRGB cannot show."""
    reflectances = np.vstack([chart_reflectances("ISO 17321-1"), chart_reflectances("PMC")])
    srgb = colour.RGB_COLOURSPACES["sRGB"]
    rgb = colour.XYZ_to_RGB(xyz_d50(reflectances), srgb, illuminant=np.array([0.3457, 0.3585]))
    return reflectances[((rgb >= 0) & (rgb <= 1)).all(axis=1)]


# accuracy


@pytest.mark.parametrize(
    ("camera", "light", "bound"),
    [
        (CAMERAS[0], "D50", 0.8),
        (CAMERAS[0], "D65", 0.8),
        (CAMERAS[0], "A", 1.5),
        (CAMERAS[1], "D50", 1.4),
        (CAMERAS[1], "D65", 1.4),
        (CAMERAS[1], "A", 2.2),
    ],
)
def test_unseen_patches_are_within_the_targets(camera, light, bound):
    unseen = unseen_in_gamut()
    assert len(unseen) > 45
    assert distances(fitted(camera, light), unseen, camera, light).mean() < bound


@pytest.mark.parametrize(("camera", "light"), CASES)
def test_the_correction_beats_a_plain_matrix_on_whatever_it_never_saw(camera, light):
    for reflectances in (
        unseen_in_gamut(),
        other_reflectances("CIE 224:2017"),
        other_reflectances("NIST CQS 9.0"),
    ):
        ours = distances(fitted(camera, light), reflectances, camera, light)
        theirs = plain_matrix_distances(reflectances, camera, light)
        assert ours.mean() < theirs.mean()


def test_a_camera_that_sees_as_the_eye_does_is_corrected_by_a_matrix():
    """Luther's condition: with colour matching functions for sensitivities nothing is left over."""
    primaries = np.array([[0.7, 0.2, 0.1], [0.25, 0.65, 0.1], [0.05, 0.15, 0.8]])
    rgb = chart_xyz() / D50_XYZ @ primaries.T * AS_SHOT
    correction = fit_correction(rgb, chart_xyz())
    assert correction.degree == 1
    assert correction.max < 0.01
    np.testing.assert_allclose(correction.neutral, AS_SHOT / AS_SHOT[1], rtol=1e-5)
    assert correction.exposure_stops == pytest.approx(1, abs=1e-4)


# what must hold of every correction


@pytest.mark.parametrize(("camera", "light"), CASES)
def test_exposure_never_changes_chromaticity(camera, light, rng):
    correction = fitted(camera, light)
    rgb = rng.uniform(-0.1, 2, (1000, 3))
    once = corrected(rgb, correction)
    for factor in (0.5, 2.0, 1 / 3):
        np.testing.assert_allclose(corrected(rgb * factor, correction), once * factor, atol=1e-10)


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_half_and_double_exposure_of_the_chart_give_the_same_correction(factor, rng):
    camera, light = CAMERAS[0], "A"
    other = fit_correction(chart_rgb(camera, light) * factor, chart_xyz())
    rgb = rng.uniform(0, 1, (1000, 3))
    np.testing.assert_allclose(
        corrected(rgb * factor, other), corrected(rgb, fitted(camera, light)), rtol=1e-9, atol=1e-9
    )


@pytest.mark.parametrize(("camera", "light"), CASES)
def test_neutral_stays_neutral_at_every_level_and_the_ramp_has_its_luminance(camera, light):
    correction = fitted(camera, light)
    levels = np.exp2(np.linspace(-12, 4, 30))[:, None]
    grey = corrected(correction.neutral * levels, correction)
    np.testing.assert_allclose(grey, grey[:, 1:2] * np.ones(3), rtol=1e-12)
    flat = corrected(AS_SHOT, correction)  # a perfect diffuser
    np.testing.assert_allclose(flat, 1, atol=0.015)  # the ramp's paints are not quite flat
    ramp = corrected(chart_rgb(camera, light)[18:], correction)
    luminance = np.linalg.solve(XYZ_TO_WORKING, ramp.T)[1]
    np.testing.assert_allclose(luminance, chart_xyz()[18:, 1], rtol=0.02)


def gamut_of_the_camera(camera: str, light: str, steps: int) -> np.ndarray:
    """As-shot camera RGB that a plain matrix takes to a lattice over the whole working gamut."""
    train = camera_rgb(chart_reflectances(), camera, light)
    by_rows = np.linalg.lstsq(train, chart_xyz() @ XYZ_TO_WORKING.T, rcond=None)[0]
    axis = np.linspace(0, 1, steps)
    working = np.stack(np.meshgrid(axis, axis, axis), axis=-1).reshape(-1, 3)
    return working[working.max(axis=1) > 0] @ np.linalg.inv(by_rows) * AS_SHOT


@pytest.mark.parametrize(("camera", "light"), CASES)
def test_nothing_folds_or_changes_sign_over_the_working_gamut(camera, light):
    """The Jacobian's determinant is positive on a dense sample, by differences of the result."""
    correction = fitted(camera, light)
    rgb = gamut_of_the_camera(camera, light, 25)
    level = np.abs(rgb).sum(axis=1, keepdims=True)
    slopes = [
        corrected(rgb + 1e-5 * level * axis, correction)
        - corrected(rgb - 1e-5 * level * axis, correction)
        for axis in np.eye(3)
    ]
    determinant = np.linalg.det(np.stack(slopes, axis=-1) / (2e-5 * level[:, :, None]))
    assert determinant.min() > 0.05 * np.median(determinant)
    assert determinant.max() < 20 * np.median(determinant)


@pytest.mark.parametrize(("camera", "light"), CASES)
def test_hues_keep_their_order_along_the_gamuts_rim(camera, light):
    """Homogeneous of degree 1, it maps chromaticities to chromaticities: the rim must not loop."""
    correction = fitted(camera, light)
    rgb = gamut_of_the_camera(camera, light, 2)  # the cube's corners
    order = [(1, 0, 0), (1, 1, 0), (0, 1, 0), (0, 1, 1), (0, 0, 1), (1, 0, 1)]
    corners = {
        tuple(np.round(corner, 6)): value
        for corner, value in zip(
            np.stack(np.meshgrid([0, 1], [0, 1], [0, 1]), axis=-1).reshape(-1, 3)[1:],
            rgb,
            strict=True,
        )
    }
    rim = np.concatenate(
        [
            np.linspace(corners[a], corners[b], 60, endpoint=False)
            for a, b in zip(order, [*order[1:], order[0]], strict=True)
        ]
    )
    xyz = np.linalg.solve(XYZ_TO_WORKING, corrected(rim, correction).T).T
    xy = xyz[:, :2] / xyz.sum(axis=1, keepdims=True) - [0.3457, 0.3585]
    turns = np.diff(np.unwrap(np.arctan2(xy[:, 1], xy[:, 0])))
    assert (turns > 0).all() or (turns < 0).all()
    assert abs(turns.sum()) == pytest.approx(2 * np.pi, abs=0.2)


# terms and kernels


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_unsqueezed_terms_are_those_of_the_paper(degree, rng):
    """Finlayson, Mackiewicz and Hurlbert (2015), as colour-science expands them."""
    rgb = rng.uniform(0, 1, (200, 3))
    published = colour.characterisation.polynomial_expansion_Finlayson2015(rgb, degree, True)
    ours = terms(rgb, degree, (0, 0, 0))
    assert ours.shape == (200, {1: 3, 2: 6, 3: 13}[degree])
    np.testing.assert_allclose(ours, published, rtol=1e-12)


def test_squeezing_leaves_grey_and_stays_inside_its_ellipse(rng):
    form = np.array([3.0, 1.0, 2.0])
    rgb = rng.uniform(-0.5, 2, (5000, 3))
    rgb = rgb[rgb.sum(axis=1) > 0.01]
    out = squeezed(rgb, form)
    mean = rgb.mean(axis=1)
    np.testing.assert_allclose(out.mean(axis=1), mean, rtol=1e-9)
    d = (out - mean[:, None]) / mean[:, None]
    assert (3 * d[:, 0] ** 2 + 2 * d[:, 0] * d[:, 2] + 2 * d[:, 2] ** 2).max() <= 1 + 1e-9
    np.testing.assert_array_equal(squeezed(np.full((1, 3), 0.3), form), np.full((1, 3), 0.3))
    np.testing.assert_array_equal(squeezed(np.array([[-1.0, 0.2, 0.3]]), form), np.zeros((1, 3)))


def run(correction: Correction, rgb: np.ndarray) -> np.ndarray:
    kernel, arguments = correction.operation()
    planes = np.ascontiguousarray(rgb.T, np.float32)
    with np.errstate(all="ignore"):
        kernel(*planes, *arguments)
    return planes.T


def of_degree(degree: int) -> Correction:
    camera, light = CAMERAS[1], "A"
    return fit_correction(chart_rgb(camera, light), chart_xyz(), degrees=(degree,))


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_the_kernel_is_the_formula(degree, rng):
    correction = of_degree(degree)
    assert correction.degree == degree
    level = np.exp2(rng.uniform(-14, 5, (20_000, 1)))
    rgb = (level * rng.uniform(-0.1, 1.2, (20_000, 3))).astype(np.float32)
    before = rgb.copy()
    expected = corrected(rgb, correction)
    np.testing.assert_array_equal(rgb, before)
    level = np.abs(expected).max(axis=1, keepdims=True)
    assert (np.abs(run(correction, rgb) - expected) / level).max() < 1e-4


@pytest.mark.parametrize("degree", [2, 3])
def test_hostile_pixels_stay_where_they_are(degree):
    correction = of_degree(degree)
    rgb = np.array(
        [
            [0, 0, 0],
            [-0.2, -0.1, -0.3],
            [1e-30, 1e-30, 1e-30],
            [1, 0, 0],
            [0, -0.5, 0.4],
            [1e4, 3e4, 2e4],
            [np.nan, 0.5, 0.5],
            [0.5, 0.5, 0.5],
        ],
        np.float32,
    )
    out = run(correction, rgb)
    np.testing.assert_allclose(out[0], 0, atol=1e-20)
    assert np.isfinite(out[[1, 2, 3, 4, 5, 7]]).all()
    assert np.isnan(out[6]).all()
    # black and below go through the linear terms alone
    linear = rgb[1] * correction.gains * correction.exposure @ correction.coefficients[:, :3].T
    np.testing.assert_allclose(out[1], linear, rtol=1e-5)
    assert run(correction, np.empty((0, 3), np.float32)).shape == (0, 3)
    assert corrected(np.empty((0, 3)), correction).shape == (0, 3)


@pytest.mark.parametrize("degree", [2, 3])
def test_there_is_no_step_where_the_roots_end(degree):
    """As the sum of the channels falls through 0 the root terms vanish, not stop."""
    correction = of_degree(degree)
    path = np.linspace(-0.02, 0.02, 4001)[:, None] + np.array([0.3, -0.2, -0.1]) / correction.gains
    steps = np.abs(np.diff(corrected(path, correction), axis=0)).max(axis=1)
    assert steps.max() < 4 * np.median(steps)


def test_degree_one_is_the_matrix_kernel():
    kernel, _arguments = of_degree(1).operation()
    assert kernel is matrix


# choosing


def test_what_is_left_out_is_judged_as_if_it_had_never_been_fitted():
    """Leave-one-out again, slowly: fits without a patch, under the light of the whole chart."""
    camera, light = CAMERAS[0], "D65"
    rgb, xyz = chart_rgb(camera, light), chart_xyz()
    whole = fit_correction(rgb, xyz, degrees=(2,))
    balanced = rgb * whole.gains * whole.exposure
    costs = []
    for patch in range(18):  # without the ramp, so that the light stays what it was
        usable = np.arange(24) != patch
        other = fit_correction(balanced, xyz, usable=usable, degrees=(2,))
        costs.append(delta_e_2000(to_lab(corrected(balanced[patch], other)), whole.target[patch]))
    assert np.mean(costs) == pytest.approx(whole.loo_mean[2] * 24 / 18, rel=0.3)
    assert whole.mean < whole.loo_mean[2]


def test_noise_is_not_mistaken_for_colour(rng):
    """With readings that are 6 % wrong a high degree must not win by following the errors."""
    camera, light = CAMERAS[0], "D50"
    unseen = unseen_in_gamut()
    costs: dict[str, list[float]] = {"chosen": [], "second": [], "first": []}
    for _ in range(6):
        rgb = chart_rgb(camera, light) * rng.normal(1, 0.06, (24, 3))
        for which, degrees in (("chosen", (1, 2, 3)), ("second", (2,)), ("first", (1,))):
            correction = fit_correction(rgb, chart_xyz(), degrees=degrees)
            costs[which].append(distances(correction, unseen, camera, light).mean())
    mean = {which: np.mean(values) for which, values in costs.items()}
    assert mean["chosen"] < 1.05 * min(mean["first"], mean["second"])


def test_a_noisy_reading_counts_less():
    camera, light = CAMERAS[0], "D50"
    rgb = chart_rgb(camera, light)
    rgb[14] *= [1.5, 0.8, 1]  # red is read quite wrong, and is known to be noisy
    error = np.zeros((24, 3))
    error[14] = 0.4 * rgb[14]
    unseen = unseen_in_gamut()
    known = fit_correction(rgb, chart_xyz(), noise=error)
    unknown = fit_correction(rgb, chart_xyz())
    assert (
        distances(known, unseen, camera, light).mean()
        < 0.8 * distances(unknown, unseen, camera, light).mean()
    )


def test_the_wrong_edition_costs_what_the_editions_differ_by():
    """Mean ΔE00 between the editions before and after November 2014 is 0.85 (colour-science)."""
    camera, light = CAMERAS[0], "D65"
    white = np.array([0.3457, 0.3585])
    editions = {edition: reference_xyz(edition) for edition in EDITIONS}
    labs = {edition: colour.XYZ_to_Lab(xyz, white) for edition, xyz in editions.items()}
    apart = colour.delta_E(labs["before-2014"], labs["after-2014"], method="CIE 2000")
    assert apart.mean() == pytest.approx(0.848, abs=0.002)
    assert apart.max() == pytest.approx(1.951, abs=0.002)
    unseen = unseen_in_gamut()
    cost = {
        edition: distances(
            fit_correction(chart_rgb(camera, light), xyz), unseen, camera, light
        ).mean()
        for edition, xyz in editions.items()
    }
    # the simulated chart is the average
    assert cost["average"] < 0.5
    assert cost["average"] < cost["before-2014"] < cost["after-2014"] < 1.2


# light


SHADINGS = {
    "plane": np.array([0.35, -0.2]),
    "quadratic": np.array([0.2, 0.1, -0.3, 0.1, -0.2]),
}


@pytest.mark.parametrize("camera", CAMERAS)
@pytest.mark.parametrize("shape", SHADINGS)
def test_falloff_of_light_is_found_and_taken_out(camera, shape):
    factors = SHADINGS[shape]
    falloff = shading_shapes(len(factors)) @ factors
    assert np.ptp(falloff) > 0.4
    rgb = chart_rgb(camera, "D65") * np.exp2(falloff)[:, None]
    correction = fit_correction(rgb, chart_xyz())
    assert len(correction.shading) >= len(factors)
    found = shading_shapes(len(correction.shading)) @ correction.shading
    assert np.abs(found - falloff).max() < 0.07  # 5 % of light
    unseen = unseen_in_gamut()
    even = distances(fitted(camera, "D65"), unseen, camera, "D65").mean()
    assert distances(correction, unseen, camera, "D65").mean() < even + 0.35


@pytest.mark.parametrize(("camera", "light"), CASES)
def test_no_falloff_is_invented(camera, light):
    assert fitted(camera, light).shading_range_stops < 0.05


# bounds and records


def test_clipped_patches_can_be_left_out():
    camera, light = CAMERAS[0], "D50"
    rgb = chart_rgb(camera, light)
    rgb[18] = rgb[18].min()  # white is clipped
    usable = np.arange(24) != 18
    correction = fit_correction(rgb, chart_xyz(), usable=usable)
    np.testing.assert_array_equal(correction.used, usable)
    assert distances(correction, unseen_in_gamut(), camera, light).mean() < 0.8


def test_what_cannot_be_fitted_is_refused_in_a_sentence():
    rgb, xyz = chart_rgb(CAMERAS[0], "D50"), chart_xyz()
    with pytest.raises(ValueError, match="24 patches of three"):
        fit_correction(rgb[:23], xyz)
    with pytest.raises(ValueError, match="only 11 of the 24 patches"):
        fit_correction(rgb, xyz, usable=np.arange(24) > 12)
    with pytest.raises(ValueError, match="too few neutral patches"):
        fit_correction(rgb, xyz, usable=np.arange(24) < 19)
    with pytest.raises(ValueError, match="finite and positive"):
        fit_correction(rgb, np.full((24, 3), np.nan))
    with pytest.raises(ValueError, match="no colours to tell apart"):
        fit_correction(np.repeat(xyz[:, 1:2], 3, axis=1), xyz)
    few = fit_correction(rgb, xyz, usable=np.isin(np.arange(24), [0, 3, 9, 15, 23], invert=True))
    assert few.refused == {3: "only 19 patches can be used"}
    spoilt = rgb.copy()
    spoilt[2] = np.nan
    assert not fit_correction(spoilt, xyz).used[2]


def test_the_report_is_what_was_fitted():
    correction = fitted(CAMERAS[0], "A")
    after = to_lab(corrected(chart_rgb(CAMERAS[0], "A"), correction))
    np.testing.assert_allclose(correction.after, after, atol=1e-6)
    np.testing.assert_allclose(correction.target, lab_of(chart_xyz(), D50_XYZ), atol=1e-9)
    apart = delta_e_2000(correction.after, correction.target)
    assert correction.mean == pytest.approx(apart.mean())
    assert correction.max == pytest.approx(apart.max())
    before = delta_e_2000(correction.before, correction.target)
    assert before.mean() > correction.mean
    own = fit_correction(
        chart_rgb(CAMERAS[0], "A"), chart_xyz(), camera_matrix=XYZ_TO_WORKING / AS_SHOT
    )
    assert delta_e_2000(own.before, own.target).mean() > before.mean() + 3


def test_a_correction_survives_json_bit_for_bit():
    correction = fitted(CAMERAS[1], "A")
    back = Correction.from_json(json.loads(json.dumps(correction.to_json())))
    assert back.to_json() == correction.to_json()
    rgb = chart_rgb(CAMERAS[1], "A")
    np.testing.assert_array_equal(corrected(rgb, back), corrected(rgb, correction))
    assert json.dumps(correction.to_json()).count("NaN") == 0


@pytest.mark.parametrize(
    "change",
    [
        {"degree": 4},
        {"coefficients": [[1, 0, 0]]},
        {"gains": [1, 2]},
        {"squeeze": "round"},
        {"loo_mean": [1]},
        {"unknown": 1},
        {"gains": [1, float("nan"), 1]},
        {"exposure": "bright"},
        {"shading": [1.0]},
    ],
    ids=str,
)
def test_other_json_is_no_correction(change):
    stored = fitted(CAMERAS[0], "D50").to_json() | change
    with pytest.raises(ValueError, match="this is no stored correction"):
        Correction.from_json(stored)


# files for other programs


def through_ocio(path, rgb: np.ndarray) -> np.ndarray:
    ocio.ClearAllCaches()
    file = ocio.FileTransform(str(path), interpolation=ocio.INTERP_TETRAHEDRAL)
    pixels = np.ascontiguousarray(rgb, np.float32)
    ocio.Config.CreateRaw().getProcessor(file).getDefaultCPUProcessor().applyRGB(pixels)
    return pixels.astype(np.float64)


@pytest.mark.parametrize("camera", CAMERAS)
def test_clf_read_by_opencolorio_is_the_correction(camera, tmp_path):
    correction = fitted(camera, "A")
    path = tmp_path / "chart.clf"
    path.write_text(clf_text(correction), encoding="utf-8")
    rgb = camera_rgb(unseen_in_gamut(), camera, "A") * AS_SHOT
    apart = delta_e_2000(to_lab(through_ocio(path, rgb)), to_lab(corrected(rgb, correction)))
    assert apart.mean() < 0.15
    assert apart.max() < 0.6
    grey = through_ocio(path, correction.neutral * np.array([[0.01], [0.2], [1.5]]))
    np.testing.assert_allclose(grey, grey[:, 1:2] * np.ones(3), rtol=2e-4)


def test_a_matrix_is_exact_in_clf(tmp_path):
    correction = of_degree(1)
    path = tmp_path / "chart.clf"
    path.write_text(clf_text(correction), encoding="utf-8")
    rgb = chart_rgb(CAMERAS[1], "A")
    np.testing.assert_allclose(through_ocio(path, rgb), corrected(rgb, correction), rtol=1e-4)


def test_cube_read_by_opencolorio_with_what_its_comments_say(tmp_path):
    camera = CAMERAS[0]
    correction = fitted(camera, "A")
    path = tmp_path / "chart.cube"
    path.write_text(cube_text(correction), encoding="ascii")
    said = [
        [float(word) for word in line[1:].split()]
        for line in path.read_text().splitlines()
        if line.startswith("#   ")
    ]
    before, after = np.array(said[:3]), np.array(said[3:])
    rgb = camera_rgb(unseen_in_gamut(), camera, "A") * AS_SHOT
    out = through_ocio(path, np.cbrt(rgb @ before.T)) ** 3 @ after.T
    apart = delta_e_2000(to_lab(out), to_lab(corrected(rgb, correction)))
    assert apart.mean() < 0.2
    assert apart.max() < 0.8


def test_the_error_that_is_written_shrinks_with_the_cube():
    correction = fitted(CAMERAS[0], "D65")
    coarse, fine = cube_of(correction, 17), cube_of(correction, 49)
    assert fine.error[0] < 0.3 * coarse.error[0]
    assert f"mean {coarse.error[0]:.2f}, 99 % under {coarse.error[1]:.2f}" in cube_text(
        correction, 17
    )


# references


def test_published_lab_values():
    """The maker's values for charts after November 2014, D50."""
    white = np.array([0.3457, 0.3585])
    lab = colour.XYZ_to_Lab(reference_xyz("after-2014"), white)
    for patch, published in (
        (18, (95.19, -1.03, 2.93)),
        (21, (50.76, -0.13, 0.14)),
        (14, (42.43, 51.05, 28.62)),
        (17, (49.57, -29.71, -28.32)),
        (12, (28.37, 15.42, -49.80)),
    ):
        np.testing.assert_allclose(lab[patch], published, atol=0.006)


def test_the_average_edition_is_close_to_its_published_colours():
    """colour-science carries both the average's spectra and xyY that its authors gave for them."""
    chart = colour.CCS_COLOURCHECKERS["BabelColor Average"]
    published = colour.XYZ_to_Lab(colour.xyY_to_XYZ(list(chart.data.values())), chart.illuminant)
    ours = colour.XYZ_to_Lab(reference_xyz("average"), np.array([0.3457, 0.3585]))
    assert colour.delta_E(ours, published, method="CIE 2000").max() < 0.2


def test_references_cannot_be_changed_by_accident():
    reference_xyz("average")[:] = 0
    assert reference_xyz("average").min() > 0


@pytest.mark.parametrize("step", [5, 10, 20])
def test_a_perfect_diffuser_is_white_and_a_half_grey_is_grey(step):
    nm = np.arange(380, 731 if step < 20 else 721, step)
    lab = lab_of_reflectance(nm, [np.ones(len(nm)), np.full(len(nm), 0.18418651851244416)])
    np.testing.assert_allclose(lab, [[100, 0, 0], [50, 0, 0]], atol=1e-6)


def test_reflectances_agree_with_a_plain_sum_over_the_spectrum():
    reflectances = chart_reflectances("PMC")
    lab = lab_of_reflectance(np.arange(380, 781, 5), reflectances)
    truth = colour.XYZ_to_Lab(xyz_d50(reflectances), np.array([0.3457, 0.3585]))
    assert colour.delta_E(lab, truth, method="CIE 2000").max() < 0.1


@pytest.mark.parametrize(
    ("nm", "sentence"),
    [
        (np.arange(420, 701, 10), "must cover 400 to 700 nm"),
        (np.arange(380, 731, 7), "5, 10 or 20 nm apart"),
        (np.arange(385, 736, 10), "multiples of their spacing"),
        (np.array([380.0]), "a reflectance for each"),
    ],
)
def test_spectra_that_cannot_be_integrated_are_refused(nm, sentence):
    with pytest.raises(ValueError, match=sentence):
        lab_of_reflectance(nm, np.ones(len(nm)))
    with pytest.raises(ValueError, match="a reflectance for each"):
        lab_of_reflectance(np.arange(380, 731, 10), np.ones(3))


def test_from_pixels_to_correction(rng):
    """A shaded, noisy chart in a picture: measured, fitted, and right on what it never saw."""
    camera, light = CAMERAS[0], "D65"
    half = PATCH_SHARE / 2
    x, y = np.meshgrid(np.linspace(-half, 5 + half, 1000), np.linspace(-half, 3 + half, 600))
    patch = 6 * np.round(y).astype(int) + np.round(x).astype(int)
    picture = chart_rgb(camera, light)[patch] * np.exp2(-0.12 * (x - 2.5))[..., None]
    picture += rng.normal(size=picture.shape) * np.sqrt(1e-4 * picture)
    readings = measure(picture.astype(np.float32), ((0, 0), (1, 0), (1, 1), (0, 1)))
    correction = fit_correction(
        readings.rgb, chart_xyz(), usable=readings.usable, noise=readings.error
    )
    assert correction.shading_range_stops == pytest.approx(0.6, abs=0.08)
    assert distances(correction, unseen_in_gamut(), camera, light).mean() < 1

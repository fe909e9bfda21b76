"""The colour core against published tables, colour-science and the standards' own numbers."""

from __future__ import annotations

import inspect
import re

import colour
import numpy as np
import pytest
from colour.difference.tests import test_delta_e

from pipeline.kernels import difference, oklab, spaces, temperature
from pipeline.kernels.adaptation import adaptation_matrix

TITLES = {
    "srgb": "sRGB",
    "display-p3": "Display P3",
    "adobe-rgb": "Adobe RGB (1998)",
    "romm-rgb": "ROMM RGB",
    "working": "ITU-R BT.2020",
}


def sharma_pairs():
    """Sharma, Wu and Dalal, Color Res. Appl. 30(1) (2005), table 1; colour-science carries it."""
    source = inspect.getsource(test_delta_e.TestDelta_E_CIE2000.test_delta_E_CIE2000_Sharma2004)
    arrays = re.findall(r"(Lab_1|Lab_2|d_E) = (np\.array\(.*?\n\s*\])", source, re.DOTALL)
    found = {name: eval(text + ")", {"np": np}) for name, text in arrays}
    return found["Lab_1"], found["Lab_2"], found["d_E"]


def test_ciede2000_equals_the_published_pairs():
    first, second, expected = sharma_pairs()
    assert len(expected) == 33
    np.testing.assert_allclose(difference.delta_e_2000(first, second), expected, atol=5.1e-5)
    np.testing.assert_allclose(difference.delta_e_2000(second, first), expected, atol=5.1e-5)


def test_lab_goes_there_and_back(rng):
    white = spaces.xy_to_xyz(spaces.D50)
    xyz = rng.uniform(0, 1, (1000, 3))
    lab = difference.lab_of(xyz, white)
    np.testing.assert_allclose(lab, colour.XYZ_to_Lab(xyz, spaces.D50), atol=1e-9)
    np.testing.assert_allclose(difference.xyz_of(lab, white), xyz, atol=1e-12)


# enc(0.18) and dec(0.5) as colour-science 0.4.7 computes them from the standards
TRANSFERS = {
    "srgb": (0.461356, 0.214041),
    "display-p3": (0.461356, 0.214041),
    "adobe-rgb": (0.458529, 0.217756),
    "romm-rgb": (0.385711, 0.287175),
}


@pytest.mark.parametrize("name", TRANSFERS)
def test_transfer_functions(name, rng):
    transfer = spaces.SPACES[name].transfer
    encoded, decoded = TRANSFERS[name]
    assert float(transfer.encode(0.18)) == pytest.approx(encoded, abs=1e-6)
    assert float(transfer.decode(0.5)) == pytest.approx(decoded, abs=1e-6)
    values = np.concatenate([[0, 1], rng.uniform(-0.5, 2, 1000), rng.uniform(0, 0.01, 1000)])
    np.testing.assert_allclose(transfer.decode(transfer.encode(values)), values, atol=3e-7)
    inside = values[(values >= 0) & (values <= 1)]
    published = colour.RGB_COLOURSPACES[TITLES[name]].cctf_encoding(inside)
    np.testing.assert_allclose(transfer.encode(inside), published, atol=1e-6)


def test_srgb_oracle():
    """IEC 61966-2-1: the knee, and code 128."""
    transfer = spaces.SPACES["srgb"].transfer
    assert float(transfer.encode(0.0031308)) == pytest.approx(0.04045, abs=1e-6)
    assert float(transfer.decode(128 / 255)) == pytest.approx(0.215861, abs=1e-6)


@pytest.mark.parametrize("name", TITLES)
def test_matrices_follow_from_the_published_chromaticities(name):
    theirs = colour.RGB_COLOURSPACES[TITLES[name]].copy()
    theirs.use_derived_transformation_matrices(True)
    ours = spaces.rgb_to_xyz_matrix(spaces.SPACES[name])
    np.testing.assert_allclose(ours, theirs.matrix_RGB_to_XYZ, atol=1e-12)


@pytest.mark.parametrize("source", TITLES)
@pytest.mark.parametrize("target", TITLES)
def test_between_spaces_like_colour_science(source, target, rng):
    a, b = (colour.RGB_COLOURSPACES[TITLES[n]].copy() for n in (source, target))
    a.use_derived_transformation_matrices(True)
    b.use_derived_transformation_matrices(True)
    rgb = rng.uniform(0, 1, (100, 3))
    expected = colour.RGB_to_RGB(rgb, a, b, "Bradford")
    np.testing.assert_allclose(rgb @ spaces.between_matrix(source, target).T, expected, atol=1e-9)


def test_bradford_from_d65_to_d50():
    """Bradford D65 to D50 of the rounded chromaticities, as published calculations give it."""
    matrix = adaptation_matrix(spaces.xy_to_xyz(spaces.D65), spaces.xy_to_xyz(spaces.D50))
    expected = [
        [1.0479298, 0.0229469, -0.0501923],
        [0.0296278, 0.9904344, -0.0170738],
        [-0.009243, 0.0150552, 0.7518743],
    ]
    np.testing.assert_allclose(matrix, expected, atol=1e-6)
    white = spaces.xy_to_xyz(spaces.D50)
    np.testing.assert_array_equal(adaptation_matrix(white, white), np.eye(3))


def test_oklab_equals_its_published_table():
    """Ottosson (2020), table of XYZ and OKLab, three decimals."""
    xyz = np.array([[0.950, 1.0, 1.089], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
    expected = [[1, 0, 0], [0.450, 1.236, -0.019], [0.922, -0.671, 0.263], [0.153, -1.415, -0.449]]
    working = xyz @ np.linalg.inv(spaces.rgb_to_xyz_matrix(spaces.SPACES["working"])).T
    np.testing.assert_allclose(oklab.oklab_of(working), expected, atol=1.1e-3)
    np.testing.assert_allclose(oklab.working_of(oklab.oklab_of(working)), working, atol=1e-9)


def test_oklab_makes_working_greys_exactly_neutral():
    lab = oklab.oklab_of(np.full((1, 3), 0.18))
    assert np.abs(lab[0, 1:]).max() < 1e-12
    assert lab[0, 0] == pytest.approx(0.18 ** (1 / 3), abs=1e-12)


@pytest.mark.parametrize(
    ("xy", "kelvin", "duv"),
    [
        # Ohno (2014) and Robertson (1968) as colour-science computes them, both quoted in
        # brackets: D65 (6504.31, 6503.71), D50 (5000.7), A (2855.5)
        ((0.31270, 0.32900), 6504.0, 0.0032),
        ((0.34570, 0.35850), 5000.7, 0.0032),
        ((0.44758, 0.40745), 2855.5, 0.0),
    ],
)
def test_cct_and_duv(xy, kelvin, duv):
    found, distance = temperature.cct_of_xy(xy)
    assert found == pytest.approx(kelvin, abs=2)
    assert distance == pytest.approx(duv, abs=1e-4)


def test_cct_and_chromaticity_invert_each_other(rng):
    for kelvin, duv in zip(rng.uniform(1900, 12000, 30), rng.uniform(-0.02, 0.02, 30), strict=True):
        found = temperature.cct_of_xy(temperature.xy_from_cct(kelvin, duv))
        assert found == pytest.approx((kelvin, duv), rel=1e-3, abs=1e-5)
        uv = colour.temperature.CCT_to_uv_Ohno2013([kelvin, duv])
        assert temperature.xy_to_uv(temperature.xy_from_cct(kelvin, duv)) == pytest.approx(
            tuple(uv), abs=6e-5
        )


def test_cct_beyond_the_range_is_refused():
    with pytest.raises(ValueError, match="between 1667 and 25000 K"):
        temperature.xy_from_cct(500)

"""What the colour report computes with: ΔE00 in parts, gamuts, the lit part, shifts of light."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from scipy.optimize import brentq
from skimage.color import deltaE_ciede2000

from pipeline.kernels import gamut
from pipeline.kernels.adaptation import adaptation_matrix
from pipeline.kernels.difference import delta_e_2000, delta_e_2000_parts, lab_of, xyz_of
from pipeline.kernels.even import light_shift
from pipeline.kernels.gamut import WHITE
from pipeline.kernels.lit import lit_weights, weighted_quantiles
from pipeline.kernels.spaces import D65, xy_to_xyz
from pipeline.kernels.temperature import cct_of_xy, xy_from_cct
from tests.proof_for_tests import LAMP, TITLES, chart_targets, codes_of, space_of
from tests.test_colour import sharma_pairs

CHART = np.array([target.lab for target in chart_targets()])


# --- ΔE00 in parts ------------------------------------------------------------------------------


def test_parts_add_up_to_the_published_differences():
    """Sharma, Wu and Dalal, Color Res. Appl. 30(1) (2005), table 1."""
    first, second, expected = sharma_pairs()
    parts = delta_e_2000_parts(first, second)
    squares = parts.lightness**2 + parts.chroma**2 + parts.hue**2 + parts.rotation
    np.testing.assert_allclose(np.sqrt(squares), expected, atol=5.1e-5)
    np.testing.assert_array_equal(parts.total, delta_e_2000(first, second))


def test_parts_say_the_direction():
    """Second minus first: lighter, more chromatic, hue from red (a*) towards yellow (b*)."""
    red = np.array([50.0, 40.0, 0.0])
    lighter, richer, yellower = [52.0, 40, 0], [50.0, 43, 0], [50.0, 40, 3]
    assert delta_e_2000_parts(red, lighter).lightness > 0
    assert delta_e_2000_parts(red, richer).chroma > 0
    assert delta_e_2000_parts(red, yellower).hue > 0
    assert delta_e_2000_parts(yellower, red).hue < 0
    assert delta_e_2000_parts(red, richer).lightness == 0
    assert abs(float(delta_e_2000_parts(red, richer).hue)) < 1e-12


def test_without_lightness_weight_like_another_implementation():
    """scikit-image divides ΔL' by k_L S_L; k_L = 1 / S_L (the paper's equation for S_L) undoes it.
    ISO 19264-1 asks for S_L = 1 (read in a secondary source)."""
    first, second, _ = sharma_pairs()
    middle = (first[:, 0] + second[:, 0]) / 2
    s_l = 1 + 0.015 * (middle - 50) ** 2 / np.sqrt(20 + (middle - 50) ** 2)
    assert s_l.max() > 1.5
    expected = deltaE_ciede2000(first, second, kL=1 / s_l)
    found = delta_e_2000(first, second, lightness_weight=False)
    np.testing.assert_allclose(found, expected, atol=1e-10)
    assert np.abs(found - delta_e_2000(first, second)).max() > 0.5


def test_without_lightness_weight_lightness_counts_in_full():
    """S_L at L* 91 is 1 + 0.015 · 41² / √(20 + 41²) = 1.6114 (Sharma et al. 2005)."""
    assert delta_e_2000([90, 0, 0], [92, 0, 0], lightness_weight=False) == pytest.approx(2)
    assert delta_e_2000([90, 0, 0], [92, 0, 0]) == pytest.approx(2 / 1.6114, abs=1e-4)


def test_differences_of_what_is_no_colour():
    for bad in (np.nan, np.inf, -np.inf):
        assert np.isnan(delta_e_2000([50, bad, 0], [50, 0, 0]))
    assert delta_e_2000(np.empty((0, 3)), np.empty((0, 3))).shape == (0,)
    lab = CHART.copy()
    delta_e_2000_parts(lab, lab + 1)
    np.testing.assert_array_equal(lab, CHART)
    np.testing.assert_array_equal(delta_e_2000(lab, lab), 0)


# --- gamuts -------------------------------------------------------------------------------------


@pytest.mark.parametrize("space", TITLES)
def test_lab_of_a_space_like_colour_science(space, rng):
    """Bradford to the connection space's white, exact matrices; the white there is rounded to
    1/65536, which moves a* and b* by up to 0.003."""
    linear = rng.uniform(0, 1, (500, 3))
    theirs = space_of(space)
    white = np.array([0.9642, 1, 0.8249])
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(theirs.whitepoint), white, "Bradford"
    )
    expected = colour.XYZ_to_Lab(
        linear @ theirs.matrix_RGB_to_XYZ.T @ adapt.T, colour.XYZ_to_xy(white)
    )
    np.testing.assert_allclose(gamut.lab_of_linear(linear, space), expected, atol=5e-3)
    back = gamut.linear_of_lab(gamut.lab_of_linear(linear, space), space)
    np.testing.assert_allclose(back, linear, atol=1e-12)


def test_cyan_alone_lies_outside_srgb():
    """Of the 24 patches after November 2014, by colour-science: linear R of cyan is -0.043."""
    inside = gamut.in_gamut(CHART, "srgb")
    outside = [
        target.name for target, fits in zip(chart_targets(), inside, strict=True) if not fits
    ]
    assert outside == ["cyan"]
    assert gamut.linear_of_lab(CHART[~inside], "srgb")[0, 0] == pytest.approx(-0.043, abs=1e-3)
    for wider in ("display-p3", "adobe-rgb", "romm-rgb"):
        assert gamut.in_gamut(CHART, wider).all()


@pytest.mark.parametrize("space", TITLES)
def test_every_code_of_a_space_is_inside_it(space, rng):
    codes = np.concatenate([rng.integers(0, 2, (50, 3)) * 255, rng.integers(0, 256, (500, 3))])
    theirs = space_of(space)
    linear = theirs.cctf_decoding(codes / 255)
    lab = gamut.lab_of_linear(linear, space)
    assert gamut.in_gamut(lab, space).all()
    np.testing.assert_array_equal(gamut.gamut_de00(lab, space), 0)


def test_what_bringing_cyan_in_costs():
    """By colour-science's Oklab and a root finder of scipy's: sRGB's red is 0 where cyan fits."""
    cyan = CHART[17]
    white = colour.XYZ_to_xy(np.array([0.9642, 1, 0.8249]))
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        [0.9642, 1, 0.8249], colour.xy_to_XYZ(space_of("srgb").whitepoint), "Bradford"
    )
    L, a, b = colour.XYZ_to_Oklab(adapt @ colour.Lab_to_XYZ(cyan, white))

    def xyz(kept):
        return colour.Oklab_to_XYZ([L, kept * a, kept * b])

    to_rgb = np.linalg.inv(space_of("srgb").matrix_RGB_to_XYZ)
    kept = brentq(lambda share: (to_rgb @ xyz(share)).min(), 0.5, 1)
    fitted = colour.XYZ_to_Lab(np.linalg.solve(adapt, xyz(kept)), white)
    expected = colour.delta_E(cyan, fitted, method="CIE 2000")
    assert gamut.gamut_de00(CHART, "srgb")[17] == pytest.approx(expected, abs=0.02)
    assert np.count_nonzero(gamut.gamut_de00(CHART, "srgb")) == 1


def test_gamuts_of_what_is_no_colour():
    assert not gamut.in_gamut([np.nan, 0, 0], "srgb")
    assert np.isnan(gamut.gamut_de00([np.nan, 0, 0], "srgb"))
    assert not gamut.in_gamut([101, 0, 0], "srgb")
    assert gamut.in_gamut(np.empty((0, 3)), "srgb").shape == (0,)
    assert gamut.gamut_de00(np.empty((0, 3)), "srgb").shape == (0,)


def test_codes_for_the_page_like_colour_science():
    theirs = codes_of(CHART, "srgb", 8).astype(int)
    ours = gamut.srgb_codes(xyz_of(CHART, WHITE)).astype(int)
    assert np.abs(ours - theirs).max() <= 1
    assert gamut.srgb_codes(WHITE).tolist() == [255, 255, 255]
    assert gamut.srgb_codes([np.nan, 0, 0]).tolist() == [0, 0, 0]


# --- the lit part -------------------------------------------------------------------------------


def test_all_of_an_evenly_lit_noisy_surface_counts(rng):
    """The mean is not moved by choosing: 4 % noise, which is a lot in a delivered file."""
    luminance = 0.2 * (1 + rng.normal(0, 0.04, (200, 200)))
    weights = lit_weights(luminance, np.ones((200, 200)))
    assert (weights > 0).mean() > 0.99
    assert (weights * luminance).sum() / weights.sum() == pytest.approx(luminance.mean(), rel=2e-3)


def test_shade_and_highlights_do_not_count():
    luminance = np.full((10, 10), 0.2)
    luminance[:, :3] = 0.05
    luminance[0, 9] = 0.9
    weights = lit_weights(luminance, np.ones((10, 10)))
    assert weights[:, :3].max() == 0
    assert weights[0, 9] == 0
    assert (weights[1:, 3:] == 1).all()


def test_the_mask_decides_where_to_look():
    luminance = np.full((10, 10), 0.2)
    luminance[:5] = 0.8
    density = np.zeros((10, 10), np.float32)
    density[5:] = 0.5
    weights = lit_weights(luminance, density)
    assert weights[:5].max() == 0
    assert (weights[5:] == 0.5).all()


def test_lit_part_of_what_is_not_there():
    assert lit_weights(np.empty((0, 4)), np.empty((0, 4))).shape == (0, 4)
    assert lit_weights(np.ones((3, 3)), np.zeros((3, 3))).max() == 0
    luminance = np.array([[np.nan, np.inf, 0.2, 0.2]])
    kept = luminance.copy()
    weights = lit_weights(luminance, np.ones((1, 4)))
    assert weights.tolist() == [[0, 0, 1, 1]]
    np.testing.assert_array_equal(luminance, kept)


def test_weighted_quantiles_of_equal_weights(rng):
    """With equal weights they are Hazen's (1914), which numpy offers."""
    values = rng.uniform(0, 1, 501)
    found = weighted_quantiles(values, np.full(501, 0.7), (0.05, 0.5, 0.95))
    np.testing.assert_allclose(found, np.quantile(values, (0.05, 0.5, 0.95), method="hazen"))
    doubled = weighted_quantiles(np.array([1.0, 2.0, 3.0]), np.array([1.0, 2.0, 0.0]), (0.5,))
    repeated = np.quantile([1.0, 2.0, 2.0], 0.5, method="hazen")
    assert 1 < doubled[0] <= repeated


# --- shifts of light ----------------------------------------------------------------------------


@pytest.mark.parametrize("stops", [-0.7, -0.1, 0.05, 0.4])
def test_an_exposure_is_found_again(stops):
    """Light times k is what exposure does; nothing else may be suggested."""
    for lab in ([50.0, 0, 0], LAMP, [28.37, 15.42, -49.80]):
        darker = lab_of(xyz_of(lab, WHITE) * 2**-stops, WHITE)
        found = light_shift(darker, lab)
        assert found.stops == pytest.approx(stops, abs=0.02)
        assert abs(found.mired) < 1.5
        assert abs(found.duv) < 5e-4
        np.testing.assert_allclose(found.lab, lab, atol=0.15)


@pytest.mark.parametrize(("mired", "duv"), [(-30.0, 0.0), (12.0, 0.003), (60.0, -0.004)])
@pytest.mark.parametrize("kelvin", [3200.0, 5200.0])
def test_a_balance_is_found_again(mired, duv, kelvin):
    """A grey seen through a balance that assumes another white, by Bradford of ICC.1:2022, E."""
    white = xy_from_cct(kelvin, 0.001)
    right = xy_from_cct(1e6 / (1e6 / kelvin + mired), 0.001 + duv)
    scene = 0.4 * xy_to_xyz(right)
    wrong = lab_of(adaptation_matrix(xy_to_xyz(white), WHITE) @ scene, WHITE)
    good = lab_of(adaptation_matrix(xy_to_xyz(right), WHITE) @ scene, WHITE)
    found = light_shift(wrong, good, white)
    assert found.mired == pytest.approx(mired, abs=0.3)
    assert found.duv == pytest.approx(duv, abs=1e-4)
    assert found.stops == pytest.approx(0, abs=0.01)


def daylight_lab(kelvin, assumed=None):
    """The 24 patches of ISO 17321-1 under CIE daylight, by colour-science's spectra, seen by the
    standard observer and balanced for ``assumed``; and the daylight's own chromaticity."""
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    observer = observer.copy().align(colour.SpectralShape(380, 780, 5))
    light = colour.sd_CIE_illuminant_D_series(
        colour.CCT_to_xy(kelvin, "CIE Illuminant D Series")
    ).align(observer.shape)

    def xyz(surface):
        return colour.sd_to_XYZ(surface, observer, light, method="Integration") / 100

    own = tuple(float(v) for v in colour.XYZ_to_xy(xyz(colour.sd_ones(observer.shape))))
    to_pcs = adaptation_matrix(xy_to_xyz(assumed or own), WHITE)
    surfaces = colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()
    labs = [lab_of(to_pcs @ xyz(s.copy().align(observer.shape)), WHITE) for s in surfaces]
    return np.array(labs), own


@pytest.mark.parametrize("kelvin", [4500, 5500, 6500])
def test_a_change_of_daylight_is_found_from_real_surfaces(kelvin):
    """Spectra, not the model itself: greys tell the change within half a mired, colours within 45 %
    of it (a saturated red sees little of the blue that changes), skin within 15 %."""
    wanted, assumed = daylight_lab(5000)
    seen, own = daylight_lab(kelvin, assumed)
    true = 1e6 / cct_of_xy(own)[0] - 1e6 / cct_of_xy(assumed)[0]
    found = np.array([light_shift(a, b, assumed).mired for a, b in zip(seen, wanted, strict=True)])
    assert np.sign(found).tolist() == [np.sign(true)] * 24
    np.testing.assert_allclose(found[18:], true, atol=0.5)
    np.testing.assert_allclose(found[:2], true, rtol=0.15)
    np.testing.assert_allclose(found, true, rtol=0.45)


def test_nothing_to_change_is_nothing():
    for lab in CHART:
        found = light_shift(lab, lab)
        np.testing.assert_allclose([found.stops, found.mired, found.duv], 0, atol=1e-5)


def test_only_what_may_change_does():
    seen = (46.4, 51.0, 23.6)
    exposure = light_shift(seen, LAMP, balance=False)
    balance = light_shift(seen, LAMP, exposure=False)
    assert exposure.stops < 0
    assert exposure.mired == exposure.duv == 0
    assert balance.stops == 0
    assert balance.mired != 0
    both = light_shift(seen, LAMP)
    left = [float(delta_e_2000(LAMP, shift.lab)) for shift in (exposure, balance, both)]
    assert left[2] < min(left[:2])


def test_a_shift_stays_where_light_is_defined():
    """A lamp that turned blue-green: whatever is suggested, its kelvin must exist."""
    found = light_shift((60.0, -80, -60), (60.0, 60, 90), xy_from_cct(2000.0))
    assert np.isfinite([found.stops, found.mired, found.duv]).all()
    assert 1667 - 1 <= 1e6 / (1e6 / 2000.0 + found.mired) <= 25000 + 1


def test_no_colour_no_shift():
    for bad in ([0, 0, 0], [np.nan, 0, 0], [50, np.inf, 0]):
        with pytest.raises(ValueError, match="says nothing about the light"):
            light_shift(bad, LAMP)
        with pytest.raises(ValueError, match="says nothing about the light"):
            light_shift(LAMP, bad, D65)

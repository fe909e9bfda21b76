"""Unsharp masking against its modulation transfer function, and its limits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pipeline.kernels.sharpen import DARKER, LIGHTER, halo_px, unsharp_rows
from pipeline.kernels.spaces import luminance_weights

RANDOM = np.random.default_rng(22)


def sharpened(picture, **settings):
    """A whole (3, rows, columns) picture."""
    return unsharp_rows(picture.astype(np.float32), 0, picture.shape[1], **settings)


def grey(light):
    """Working RGB whose luminance is ``light``."""
    return np.repeat(np.asarray(light)[None], 3, 0)


def amplitude(values, frequency):
    phase = 2 * np.pi * frequency * np.arange(len(values))
    return 2 * abs(np.mean((values - values.mean()) * np.exp(1j * phase)))


@pytest.mark.parametrize("sigma_px", [0.8, 1.0, 1.5, 2.0])
@pytest.mark.parametrize("amount", [0.5, 1.0])
def test_detail_gains_what_the_formula_says(sigma_px, amount):
    # 1 + a (1 - exp(-2 pi^2 s^2 f^2)): the transform of a Gaussian; fine contrast, so no limit acts
    width = 800
    for frequency in (0.02, 0.05, 0.1, 0.2, 0.25, 0.4):
        wave = 0.6 + 0.01 * np.cos(2 * np.pi * frequency * np.arange(width))
        result = sharpened(grey(wave[None].repeat(9, 0)), sigma_px=sigma_px, amount=amount)
        middle = slice(100, 700)
        gained = amplitude(result[1, 4][middle], frequency) / amplitude(wave[middle], frequency)
        expected = 1 + amount * (1 - np.exp(-2 * (np.pi * sigma_px * frequency) ** 2))
        assert abs(gained / expected - 1) < 0.01


def test_rows_and_columns_are_treated_alike():
    light = 0.5 + 0.05 * RANDOM.random((60, 60))
    once = sharpened(grey(light), sigma_px=1.2, amount=0.8)
    turned = sharpened(grey(light.T), sigma_px=1.2, amount=0.8)
    assert np.abs(once - turned.transpose(0, 2, 1)).max() < 1e-6


def test_a_hard_edge_overshoots_by_its_bounds_and_no_more():
    light = np.full((20, 40), 0.2)
    light[:, 20:] = 0.8
    held = sharpened(grey(light), sigma_px=1.0, amount=1.0)[0]
    # a Gaussian takes 0.31 of the step from the pixel beside it: 0.2 - 0.18, 0.8 + 0.18 without
    assert abs(held.max() - 0.8 * (1 + LIGHTER)) < 1e-5
    assert abs(held.min() - 0.2 * (1 - DARKER)) < 1e-5
    assert LIGHTER < DARKER < 0.25


@pytest.mark.parametrize("stops", [-6, -1, 3])
def test_less_light_is_sharpened_alike(stops):
    picture = RANDOM.random((3, 30, 30)).astype(np.float32) + 0.01
    result = sharpened(picture, sigma_px=1.0, amount=1.0)
    darker = sharpened(picture * np.float32(2.0**stops), sigma_px=1.0, amount=1.0)
    assert np.array_equal(darker, result * np.float32(2.0**stops))


@pytest.mark.parametrize("sigma_px", [0.5, 1.0, 3.0])
def test_noise_on_flat_areas_grows_by_no_more_than_the_gain(sigma_px):
    picture = grey(0.3 + RANDOM.normal(0, 0.005, (300, 300)))
    result = sharpened(picture, sigma_px=sigma_px, amount=1.0)
    grown = result[1, 10:-10, 10:-10].std() / picture[1, 10:-10, 10:-10].std()
    # white noise grows by the root of the summed squares of the filter, here scipy's
    point = np.zeros((31, 31))
    point[15, 15] = 1
    response = 2 * point - gaussian_filter(point, sigma_px, truncate=3)
    assert grown == pytest.approx(np.linalg.norm(response), rel=0.02)
    assert grown < 2.0


def test_amount_zero_changes_no_bit():
    picture = RANDOM.normal(0.2, 1, (3, 20, 30)).astype(np.float32)
    assert np.array_equal(sharpened(picture, sigma_px=1.0, amount=0.0), picture)


def test_flat_areas_stay_flat_and_input_is_left_alone():
    picture = np.full((3, 20, 30), 0.25, np.float32)
    before = picture.copy()
    result = sharpened(picture, sigma_px=1.0, amount=2.0)
    assert np.abs(result - 0.25).max() < 1e-6
    assert np.array_equal(picture, before)


def test_colour_stays():
    picture = RANDOM.random((3, 40, 40)) * 0.8 + 0.1
    result = sharpened(picture, sigma_px=1.0, amount=1.0).astype(float)
    ratio = result / picture
    assert np.abs(ratio - ratio[:1]).max() < 1e-5
    assert np.std(ratio) > 0.05


def test_any_rows_asked_for_are_the_rows_of_the_whole():
    picture = RANDOM.random((3, 90, 50)).astype(np.float32)
    settings = {"sigma_px": 1.3, "amount": 0.9}
    whole = sharpened(picture, **settings)
    halo = halo_px(1.3)
    for first, last in ((0, 10), (10, 60), (60, 90)):
        top, bottom = max(first - halo, 0), min(last + halo, 90)
        part = unsharp_rows(picture[:, top:bottom], first - top, last - top, **settings)
        assert np.array_equal(part, whole[:, first:last])


def test_black_and_colours_out_of_gamut_stay_finite():
    picture = np.zeros((3, 12, 12))
    picture[:, 4:8, 4:8] = np.array([1.5, -0.4, -0.2])[:, None, None]
    result = sharpened(picture, sigma_px=0.6, amount=1.0)
    assert np.isfinite(result).all()
    # a pixel with no light has none to multiply
    assert (luminance_weights("working") @ result.reshape(3, -1)).min() > -1e-6
    assert sharpened(np.empty((3, 0, 5)), sigma_px=1.0, amount=1.0).shape == (3, 0, 5)

"""Unsharp masking against its modulation transfer function, and its limits."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.kernels.sharpen import halo_px, unsharp_rows
from pipeline.kernels.spaces import luminance_weights

RANDOM = np.random.default_rng(22)


def sharpened(picture, **settings):
    """A whole (3, rows, columns) picture."""
    return unsharp_rows(picture.astype(np.float32), 0, picture.shape[1], **settings)


def grey(light):
    """Working RGB whose square root of luminance is ``light``."""
    return np.repeat((np.asarray(light) ** 2)[None], 3, 0)


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
        result = sharpened(
            grey(wave[None].repeat(9, 0)), sigma_px=sigma_px, amount=amount, limit=0.05
        )
        middle = slice(100, 700)
        gained = amplitude(np.sqrt(result[1, 4])[middle], frequency) / amplitude(
            wave[middle], frequency
        )
        expected = 1 + amount * (1 - np.exp(-2 * (np.pi * sigma_px * frequency) ** 2))
        assert abs(gained / expected - 1) < 0.01


def test_rows_and_columns_are_treated_alike():
    light = 0.5 + 0.05 * RANDOM.random((60, 60))
    once = sharpened(grey(light), sigma_px=1.2, amount=0.8, limit=0.03)
    turned = sharpened(grey(light.T), sigma_px=1.2, amount=0.8, limit=0.03)
    assert np.abs(once - turned.transpose(0, 2, 1)).max() < 1e-6


def test_a_hard_edge_overshoots_by_the_limit_and_no_more():
    light = np.full((20, 40), 0.3)
    light[:, 20:] = 0.7
    free = np.sqrt(sharpened(grey(light), sigma_px=1.0, amount=1.0, limit=9.0)[0])
    held = np.sqrt(sharpened(grey(light), sigma_px=1.0, amount=1.0, limit=0.03)[0])
    assert free.max() > 0.77  # it would have
    assert abs(held.max() - 0.73) < 1e-5
    assert abs(held.min() - 0.27) < 1e-5


def test_amount_zero_changes_no_bit():
    picture = RANDOM.normal(0.2, 1, (3, 20, 30)).astype(np.float32)
    assert np.array_equal(sharpened(picture, sigma_px=1.0, amount=0.0, limit=0.0), picture)


def test_flat_areas_stay_flat_and_input_is_left_alone():
    picture = np.full((3, 20, 30), 0.25, np.float32)
    before = picture.copy()
    result = sharpened(picture, sigma_px=1.0, amount=2.0, limit=0.1)
    assert np.abs(result - 0.25).max() < 1e-6
    assert np.array_equal(picture, before)


def test_colour_stays():
    picture = RANDOM.random((3, 40, 40)) * 0.8 + 0.1
    result = sharpened(picture, sigma_px=1.0, amount=1.0, limit=0.05).astype(float)
    ratio = result / picture
    assert np.abs(ratio - ratio[:1]).max() < 1e-5
    assert np.std(ratio) > 0.05


def test_any_rows_asked_for_are_the_rows_of_the_whole():
    picture = RANDOM.random((3, 90, 50)).astype(np.float32)
    settings = {"sigma_px": 1.3, "amount": 0.9, "limit": 0.02}
    whole = sharpened(picture, **settings)
    halo = halo_px(1.3)
    for first, last in ((0, 10), (10, 60), (60, 90)):
        top, bottom = max(first - halo, 0), min(last + halo, 90)
        part = unsharp_rows(picture[:, top:bottom], first - top, last - top, **settings)
        assert np.array_equal(part, whole[:, first:last])


def test_black_and_colours_out_of_gamut_stay_finite():
    picture = np.zeros((3, 12, 12))
    picture[:, 4:8, 4:8] = np.array([1.5, -0.4, -0.2])[:, None, None]
    result = sharpened(picture, sigma_px=0.6, amount=1.0, limit=0.1)
    assert np.isfinite(result).all()
    # a pixel with no light has none to multiply
    assert (luminance_weights("working") @ result.reshape(3, -1)).min() > -1e-6
    assert sharpened(np.empty((3, 0, 5)), sigma_px=1.0, amount=1.0, limit=0.1).shape == (3, 0, 5)

"""The model behind sharpening: the eye, the media, and that what it asks for is sensible."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.kernels.medium import (
    FREQUENCIES,
    PEAK,
    contrast_sensitivity,
    detail_share,
    medium_transfer,
    sharpening_for,
    wanted_gain,
)
from pipeline.viewing import USUAL, Viewing

MOST = 2.0


def gain_of(viewing, ratio=1.0, at=FREQUENCIES):
    sharpening = sharpening_for(viewing, ratio)
    return 1 + sharpening.amount * detail_share(at, sharpening.sigma_px)


def test_the_eye_sees_best_at_eight_cycles_a_degree():
    # Mannos and Sakrison, IEEE Trans. Inf. Theory 20 (1974): peak near 8; value worked out by hand
    at = np.linspace(0.01, 60, 600_000)
    sensitivity = contrast_sensitivity(at)
    assert abs(at[sensitivity.argmax()] - 7.89) < 0.01
    assert abs(sensitivity.max() - 0.981) < 0.0005
    assert sensitivity.max() / PEAK == pytest.approx(1, abs=1e-3)
    # 2.6 * 0.0192; and at 60 cycles a degree, the finest that anyone resolves, next to nothing
    assert contrast_sensitivity(0) == pytest.approx(0.04992, abs=1e-6)
    assert contrast_sensitivity(60) < 0.006


def test_a_screen_is_seen_as_its_standard_says():
    # W3C CSS Values and Units: a reference pixel is "about 0.0213 degrees"
    assert 1 / USUAL["screen"].pixels_a_degree == pytest.approx(0.0213, abs=5e-5)
    # the trade's rule: 3438 / distance in inches is a pixel a minute of arc; 6 inches, 573 ppi
    assert Viewing("gloss", 573, 152.4).pixels_a_degree == pytest.approx(60, rel=1e-3)


def test_a_pixel_shows_two_parts_in_pi_of_the_finest_detail():
    assert medium_transfer(0.5, USUAL["screen"]) == pytest.approx(2 / np.pi)
    assert medium_transfer(0, USUAL["matte"]) == 1


@pytest.mark.parametrize(("medium", "lines_a_mm"), [("matte", 3.75), ("gloss", 6.25)])
def test_paper_holds_half_at_so_many_lines(medium, lines_a_mm):
    # a Gaussian's modulation is half at 0.18739 / s; so many pixels that theirs do not count
    viewing = Viewing(medium, 25_400, 400.0)
    assert medium_transfer(lines_a_mm / 1000, viewing) == pytest.approx(0.5, abs=0.005)


def test_what_is_lost_is_made_good_where_the_eye_sees_it():
    matte = Viewing("matte", 200, 400.0)
    seen_best = 7.89 / matte.pixels_a_degree
    both = wanted_gain(seen_best, matte, 1.0) * medium_transfer(seen_best, matte)
    assert both == pytest.approx(1, abs=1e-3)
    # from so far away that its finest detail is beyond what anyone resolves, it is let go
    far = Viewing("matte", 200, 2000.0)
    assert wanted_gain(0.5, far, 1.0) < 1.001
    assert wanted_gain(0.5, matte, 1.0) > 1.2


def test_more_is_given_back_where_more_is_lost():
    gains = {medium: gain_of(viewing, at=0.2) for medium, viewing in USUAL.items()}
    assert 1.04 < gains["screen"] < gains["gloss"] < gains["matte"] < 1.4
    # a resized picture has lost more than one of the same size
    assert gain_of(USUAL["screen"], 2.5, 0.4) > gain_of(USUAL["screen"], 1.0, 0.4) + 0.03


EVERY = [
    Viewing(medium, ppi, distance_mm)
    for medium in USUAL
    for ppi in (20, 96, 300, 2400)
    for distance_mm in (100.0, 3000.0, 100_000.0)
]


@pytest.mark.parametrize("ratio", [0.25, 1.0, 3.3])
def test_nothing_is_amplified_beyond_the_cap_however_it_is_seen(ratio):
    for viewing in EVERY:
        wanted, given = wanted_gain(FREQUENCIES, viewing, ratio), gain_of(viewing, ratio)
        assert np.isfinite(given).all()
        assert given.min() >= 1
        assert given.max() <= MOST + 0.001  # the Gaussian is cut off at three sigma
        assert wanted.min() > 0.97
        assert wanted.max() <= MOST + 0.001


def test_it_is_the_best_that_an_unsharp_mask_can():
    """Against a search over a fine grid of both numbers, for the error as it is seen."""
    for viewing in USUAL.values():
        seen = contrast_sensitivity(FREQUENCIES * viewing.pixels_a_degree)
        seen *= medium_transfer(FREQUENCIES, viewing)
        wanted = wanted_gain(FREQUENCIES, viewing, 1.0)
        amounts = np.arange(0, 1.001, 0.005)[:, None]
        errors = [
            np.sum((seen * (1 + amounts * detail_share(FREQUENCIES, sigma_px) - wanted)) ** 2, 1)
            for sigma_px in np.arange(0.5, 3, 0.05)
        ]
        ours = np.sum((seen * (gain_of(viewing) - wanted)) ** 2)
        assert ours <= np.min(errors) * 1.001 + 1e-9


def test_without_a_medium_nothing_is_sharpened():
    assert sharpening_for(None, 2.0).amount == 0

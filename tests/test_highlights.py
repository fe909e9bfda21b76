"""Clipped highlights: scenes whose truth is known, recorded by a sensor that clips.

The limits are our own; no standard grades highlight reconstruction.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.kernels.demosaic import Mosaic, demosaic_strip, with_surroundings
from pipeline.kernels.highlights import ONSET, restore_highlights, surrounding_colours
from tests.dng import mosaic_of

DAYLIGHT = np.array([0.5, 1.0, 0.6])  # what the camera records of neutral
NOTHING = np.empty((0, 0, 3), np.float32)


def sphere(colour, exposure: float, side: int = 160) -> np.ndarray:
    """A shaded sphere with a broad reflection of the light, on grey; linear balanced RGB."""
    i, j = np.mgrid[:side, :side] / side - 0.5
    height = np.sqrt(np.maximum(0.16 - i**2 - j**2, 0)) / 0.4
    facing = np.clip((-0.4 * j / 0.4 - 0.5 * i / 0.4 + 0.75 * height), 0, None)
    inside = (i**2 + j**2 < 0.16)[..., None]
    body = (0.1 + 1.2 * facing[..., None]) * np.array(colour) + facing[..., None] ** 40
    return exposure * np.where(inside, body, 0.15)


def recorded(scene: np.ndarray, neutral: np.ndarray = DAYLIGHT) -> Mosaic:
    camera = np.clip(scene * neutral, 0, 1)
    gains = 1 / neutral
    letters = np.array([[0, 1], [1, 2]])
    return Mosaic(
        np.round(mosaic_of(camera) * 15000 + 500).astype(np.uint16),
        np.full((2, 2), 500, np.float32),
        (gains[letters] / 15000).astype(np.float32),
        0,
        0,
        gains.astype(np.float32),
        NOTHING,
    )


def developed(mosaic: Mosaic) -> np.ndarray:
    out = np.empty((3, *mosaic.samples.shape), np.float32)
    demosaic_strip(mosaic, 0, out)
    return out.transpose(1, 2, 0)


def test_white_objects_stay_neutral_where_green_clips_first() -> None:
    scene = sphere((0.8, 0.8, 0.8), 1.6)
    mosaic = recorded(scene)
    restored, _ = with_surroundings(mosaic)
    partly = (scene[..., 1] > 1.05) & (scene[..., 1] < 1.5)  # red and blue still record
    i, j = np.mgrid[:160, :160] / 160 - 0.5
    partly &= i**2 + j**2 < 0.14  # the rim is one sharp sample wide and mixes with the background
    assert partly.sum() > 500
    got, left_alone = developed(restored)[partly], developed(mosaic)[partly]
    assert np.median(np.abs(got - scene[partly]) / scene[partly]) < 0.02
    assert (got[:, 1] / got[:, [0, 2]].mean(axis=1)).min() > 0.95
    # and the same check sees the magenta of a picture that is left alone
    assert (left_alone[:, 1] / left_alone[:, [0, 2]].mean(axis=1)).min() < 0.75


def test_white_stays_neutral_all_the_way_to_where_the_last_channel_clips() -> None:
    """A grey wedge in even light has one colour, whichever of its channels still record."""
    levels = np.exp2(np.linspace(-1, 2, 512))  # green clips at 1, blue at 1.67, red at 2
    scene = np.broadcast_to(levels[None, :, None], (48, 512, 3))
    got = developed(with_surroundings(recorded(scene))[0])[24]
    assert (np.abs(got / got.mean(axis=1, keepdims=True) - 1)).max() < 0.015
    assert np.diff(got[:, 1]).min() > -0.005


def test_a_blown_white_takes_no_colour_from_what_lies_behind_it() -> None:
    """A white sheet, brighter to the right, before a bright blue: where only one channel records,
    the sheet's own colour next to it tells more than the backdrop's."""
    scene = np.broadcast_to(np.array([0.25, 0.45, 0.85]), (160, 240, 3)).copy()
    scene[40:120, 30:210] = np.exp2(np.linspace(-1, 1.2, 180))[None, :, None]
    got = developed(with_surroundings(recorded(scene))[0])
    inner = np.zeros((160, 240), bool)
    inner[44:116, 34:206] = True
    shares = got / got.sum(axis=2, keepdims=True)
    away = np.abs(shares - 1 / 3).sum(axis=2)
    clipped = (scene * DAYLIGHT >= 1).sum(axis=2)
    assert away[inner & (clipped == 2)].mean() < 0.02
    assert away[inner & (clipped == 1)].mean() < 0.02


def test_wholly_clipped_places_are_neutral_and_no_darker_than_recorded() -> None:
    scene = sphere((0.9, 0.5, 0.3), 6.0)
    restored, small = with_surroundings(recorded(scene))
    blown = (scene * DAYLIGHT > 1.3).all(axis=2)
    inner = np.zeros_like(blown)
    inner[14:-14, 14:-14] = True
    for y, x in ((-14, 0), (14, 0), (0, -14), (0, 14)):
        inner &= np.roll(blown, (y, x), (0, 1))
    assert inner.sum() > 50
    assert np.abs(developed(restored)[inner] - 2.0).max() < 1e-5  # the highest clip is 1 / 0.5
    assert small.max() == pytest.approx(2.0, abs=0.7)


@pytest.mark.parametrize(
    "colour", [(0.8, 0.1, 0.05), (0.1, 0.2, 0.8), (0.1, 0.6, 0.2), (0.8, 0.5, 0.1)]
)
@pytest.mark.parametrize("neutral", [DAYLIGHT, np.array([0.9, 1.0, 0.35])])
def test_no_recorded_sample_gets_darker(colour, neutral) -> None:
    mosaic = recorded(sphere(colour, 3.0), neutral)
    restored, _ = with_surroundings(mosaic)
    assert restored.colours.size > 0
    # a sample's own colour leaves the demosaic as it went in
    before, after = mosaic_of(developed(mosaic)), mosaic_of(developed(restored))
    assert (after - before).min() > -1e-5


@pytest.mark.parametrize(
    "colour", [(0.8, 0.1, 0.05), (0.1, 0.2, 0.8), (0.8, 0.5, 0.1), (0.8, 0.8, 0.8)]
)
def test_highlights_have_no_hard_edge(colour) -> None:
    # a gradient from half exposure to six times what clips: the restored picture may be steeper
    # than the scene by a factor, but never jump
    ramp = np.linspace(0.3, 5, 1200)[None, :, None] * np.array(colour) + np.zeros((48, 1, 1))
    restored, _ = with_surroundings(recorded(ramp))
    line = developed(restored)[24]
    steps = np.abs(np.diff(line[15:-15], axis=0))
    assert steps.max() < 0.06  # the scene's own step is 0.003; clipping to magenta and back, 1.0
    luminance = line @ np.array([0.2627, 0.6780, 0.0593])
    assert np.diff(luminance[15:-15]).min() > -0.02


def test_what_does_not_clip_keeps_its_bits() -> None:
    scene = sphere((0.5, 0.4, 0.3), 0.5, side=200)
    scene[150:170, 150:170] = 9.0
    mosaic = recorded(scene)
    restored, _ = with_surroundings(mosaic)
    plain, result = developed(mosaic), developed(restored)
    assert np.array_equal(plain[:136], result[:136])
    assert np.array_equal(plain[:, :136], result[:, :136])
    assert not np.array_equal(plain, result)


def test_picture_in_planes_keeps_its_bits_below_the_onset() -> None:
    rng = np.random.default_rng(1)
    picture = rng.uniform(0, 0.93, (3, 16, 16)).astype(np.float32)
    clip = np.ones(3, np.float32)
    small = np.full((4, 4, 3), 0.7, np.float32)
    colours = surrounding_colours(small, np.full((4, 4), 1, np.float32), clip)
    assert colours is not None
    before = picture.copy()
    restore_highlights(picture, 0, colours, clip)
    assert np.array_equal(picture, before)
    picture[:, 5, 5] = (0.98, 0.5, 0.4)
    restore_highlights(picture, 0, colours, clip)
    assert np.array_equal(picture[1:, 5, 5], before[1:, 5, 5] * 0 + np.float32([0.5, 0.4]))
    assert picture[0, 5, 5] >= np.float32(0.98)


def test_nothing_clipped_needs_nothing() -> None:
    small = np.full((6, 5, 3), 0.5, np.float32)
    clip = np.ones(3, np.float32)
    assert surrounding_colours(small, np.full((6, 5), ONSET - np.float32(0.01)), clip) is None
    empty = np.empty((0, 0, 3), np.float32), np.empty((0, 0), np.float32)
    assert surrounding_colours(*empty, clip) is None


def test_holes_take_the_colour_around_them() -> None:
    small = np.empty((32, 32, 3), np.float32)
    small[:] = (0.6, 0.3, 0.1)
    peak = np.full((32, 32), 0.8, np.float32)
    small[10:20, 12:22] = (2, 1, 1.7)
    peak[10:20, 12:22] = 1
    colours = surrounding_colours(small, peak, np.array([2, 1, 1.7], np.float32))
    assert colours is not None
    assert np.abs(colours - np.array([0.6, 0.3, 0.1])).max() < 0.01
    assert np.abs(colours.sum(axis=2) - 1).max() < 1e-5

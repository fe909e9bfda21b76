"""Lanczos' kernel against a direct float64 sum, and what the eye would object to.

The kernel itself: Duchon, J. Appl. Meteor. 18 (1979) 1016: sinc(x) sinc(x / 3) for |x| < 3.
"""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from pipeline.kernels.resize import lanczos_taps, lanczos_transfer, resize_rows

RANDOM = np.random.default_rng(21)


def resized(picture, height, width):
    """A whole (rows, columns) picture in float32."""
    rows = lanczos_taps(picture.shape[0], picture.shape[0], height)
    columns = lanczos_taps(picture.shape[1], picture.shape[1], width)
    window = np.ascontiguousarray(picture, np.float32)[None]
    return resize_rows(window, 0, rows, columns, 0, height)[0]


def by_pillow(picture, height, width, kernel):
    """The same by Pillow, on floating-point values."""
    image = Image.fromarray(np.asarray(picture, np.float32))
    return np.asarray(image.resize((width, height), Image.Resampling[kernel]))


def direct(values, target):
    """One axis (the first) by the definition, sample by sample, in float64."""
    count = len(values)
    ratio = count / target
    stretch = max(ratio, 1)
    out = np.empty((target, *values.shape[1:]))
    for x in range(target):
        distance = (np.arange(count) + 0.5 - (x + 0.5) * ratio) / stretch
        weights = np.sinc(distance) * np.sinc(distance / 3) * (np.abs(distance) < 3)
        out[x] = np.tensordot(weights / weights.sum(), values, 1)
    return out


@pytest.mark.parametrize(
    ("source", "target"),
    [
        ((97, 131), (41, 57)),
        ((200, 64), (31, 64)),
        ((33, 300), (1, 7)),
        ((20, 30), (50, 75)),
        ((1, 5), (1, 2)),
    ],
)
def test_equals_the_definition(source, target):
    picture = RANDOM.random(source)
    exact = direct(direct(picture, target[0]).T, target[1]).T
    assert np.abs(resized(picture, *target) - exact).max() < 2e-6
    assert np.abs(resized(picture, *target) - by_pillow(picture, *target, "LANCZOS")).max() < 2e-6


def test_same_size_changes_nothing():
    picture = RANDOM.normal(0.3, 1, (50, 70)).astype(np.float32)
    assert np.array_equal(resized(picture, 50, 70), picture)


def test_any_rows_asked_for_are_the_rows_of_the_whole():
    picture = RANDOM.random((3, 400, 211)).astype(np.float32)
    rows, columns = lanczos_taps(400, 400, 117), lanczos_taps(211, 211, 63)
    whole = resize_rows(picture, 0, rows, columns, 0, 117)
    for first, last in ((0, 1), (3, 50), (50, 117), (116, 117)):
        top, bottom = rows.reach(first, last)
        part = resize_rows(picture[:, top:bottom], top, rows, columns, first, last)
        assert np.array_equal(part, whole[:, first:last])


@pytest.mark.parametrize("target", [10, 63, 64, 100, 333])
def test_flat_areas_and_the_mean_stay(target):
    assert np.abs(resized(np.full((200, 200), 0.7), target, target) - 0.7).max() < 1e-6
    picture = RANDOM.random((200, 200))
    # weights at the edges are scaled to sum 1, so the mean of the whole moves a little with them
    assert abs(resized(picture, target, target).mean() - picture.mean()) < 0.01


@pytest.mark.parametrize("target", [97, 128, 255, 256, 400])
def test_a_checkerboard_of_single_pixels_keeps_its_light(target):
    board = np.indices((512, 512)).sum(axis=0) % 2
    small = resized(board, target, target)
    inner = small[4:-4, 4:-4]
    assert abs(inner.mean() - 0.5) < 0.0025  # half a per cent of 0.5
    if target <= 256:
        assert np.abs(inner - 0.5).max() < 0.05  # and it is grey, not a moiré


def zone_plate(size):
    """Rings: along each axis the frequency grows from 0 in the middle to 0.5 cycles a pixel."""
    axis = np.arange(size) - (size - 1) / 2
    return 0.5 + 0.5 * np.cos(np.pi * (axis[:, None] ** 2 + axis**2) / size)


def test_a_zone_plate_shows_no_rings_that_are_not_there():
    size, target = 1024, 300
    small = resized(zone_plate(size), target, target)
    axis = (np.arange(target) - (target - 1) / 2) * size / target
    # cycles a source pixel along the axis that has more: what the target can hold is a square
    frequency = np.maximum(np.abs(axis[:, None]), np.abs(axis)) / size
    limit = 0.5 * target / size
    beyond = small[(frequency > 1.35 * limit) & (frequency < 0.48)]
    assert np.abs(beyond - 0.5).max() < 0.035
    # nothing but every third pixel taken, as a measure of what is avoided
    picked = zone_plate(size)[np.ix_(*[np.linspace(1, size - 2, target).astype(int)] * 2)]
    assert np.abs(picked[(frequency > 1.35 * limit) & (frequency < 0.5)] - 0.5).max() > 0.45
    # and what the target can hold is still there
    held = small[(frequency > 0.3 * limit) & (frequency < 0.6 * limit)]
    assert held.max() - held.min() > 0.9


def test_an_edge_rings_as_little_as_three_lobes_can():
    edge = np.zeros((8, 600))
    edge[:, 301:] = 1
    small = resized(edge, 2, 150)[1]
    # the step response of Lanczos' kernel with three lobes overshoots by 6.5 % at most (integrated
    # numerically here); its second swing is well under 3 %
    x = np.linspace(-3, 3, 60001)
    step = np.cumsum(np.sinc(x) * np.sinc(x / 3)) / np.sum(np.sinc(x) * np.sinc(x / 3))
    assert small.max() - 1 <= step.max() - 1 + 0.01
    assert -small.min() <= step.max() - 1 + 0.01
    assert np.abs(small[:70]).max() < 0.03
    assert np.abs(small[80:] - 1).max() < 0.03


def kept_by(resize):
    """What a way of resizing does to a zone plate and to an edge.

    The largest and the root mean square aliasing, the contrast left of rings at three quarters of
    what the target can hold, the largest overshoot.
    """
    size, target = 1024, 300
    rings = resize(zone_plate(size), target, target) - 0.5
    axis = np.abs(np.arange(target) - (target - 1) / 2) / target
    frequency = np.maximum(axis[:, None], axis) * size / target
    beyond = rings[(frequency > 1.35 * 0.5) & (frequency < 0.48 * size / target)]
    held = rings[(frequency > 0.35) & (frequency < 0.4)]
    edge = np.zeros((8, 600))
    edge[:, 301:] = 1
    steps = [resize(np.roll(edge, shift, 1), 2, 150)[1, 20:130] for shift in range(4)]
    return np.abs(beyond).max(), beyond.std(), held.std() / np.sqrt(1 / 8), np.max(steps) - 1


def test_it_aliases_less_and_keeps_more_than_a_box_and_a_cubic():
    """Both by Pillow, in linear light; measured here, no published figures."""
    ours, rms, held, overshoot = kept_by(resized)
    box = kept_by(lambda *of: by_pillow(*of, "BOX"))
    cubic = kept_by(lambda *of: by_pillow(*of, "BICUBIC"))
    assert ours < 0.025
    assert cubic[0] > 0.06
    assert box[0] > 0.25
    assert 4 * rms < cubic[1] < box[1]
    assert held > 0.85
    assert max(box[2], cubic[2]) < 0.8
    # what it costs: the cubic rings by 4 %, the box not at all
    assert box[3] < 1e-6
    assert 0.03 < cubic[3] < overshoot < 0.08


@pytest.mark.parametrize("ratio", [2.5, 1.6, 0.5])
def test_waves_keep_what_the_transfer_says(ratio):
    x = np.arange(2000) + 0.5
    target = round(2000 / ratio)
    for frequency in (0.05, 0.15, 0.2, 0.23, 0.35, 0.42):
        # both phases, so that it is the mean over where the wave lies; below the source's limit
        if frequency / ratio >= 0.5:
            continue
        small = [
            resized(np.cos(2 * np.pi * frequency / ratio * x + phase)[None], 1, target)[0]
            for phase in (0, np.pi / 2)
        ]
        turning = np.exp(2j * np.pi * frequency * (np.arange(target) + 0.5))
        kept = np.abs(np.mean(((small[0] + 1j * small[1]) * turning)[40:-40]))
        assert abs(kept - lanczos_transfer(frequency, ratio)) < 0.01
    assert np.array_equal(lanczos_transfer([0.1, 0.5], 1.0), [1, 1])


def test_a_half_whose_last_sample_reaches_beyond_the_edge_stays_in_place():
    # 101 samples halve to 51, of which the picture covers 50.5: a ramp must not shift
    ramp = np.arange(101.0)[None].repeat(101, 0)
    half_rows, half = lanczos_taps(101, 102, 51), lanczos_taps(101, 102, 51)
    level = resize_rows(ramp[None].astype(np.float32), 0, half_rows, half, 0, 51)
    columns = lanczos_taps(51, 50.5, 20)
    rows = lanczos_taps(51, 50.5, 20)
    small = resize_rows(level, 0, rows, columns, 0, 20)[0, 10]
    expected = (np.arange(20) + 0.5) * 101 / 20 - 0.5
    assert np.abs(small - expected)[3:-3].max() < 0.1
    assert np.abs(small - expected).max() < 1.5

"""Healing against OpenCV on natural pictures, its grain, and spots through the whole pass."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data
from skimage.metrics import structural_similarity

from pipeline.develop import master_pixels
from pipeline.edits import EDITS
from pipeline.healing import healed
from pipeline.kernels.heal import heal, reach_px
from pipeline.kernels.orient import sensor_view, upright
from pipeline.records import ResolvedStep
from tests.test_develop import LOOK, PictureInMemory, steps_of

NATURAL = ("astronaut", "chelsea", "coffee", "rocket")
"""Photographs that scikit-image carries."""


def linear(codes):
    """IEC 61966-2-1, the curve of sRGB."""
    v = codes / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def codes(light):
    v = np.clip(light, 0, 1)
    return np.round(255 * np.where(v <= 0.0031308, v * 12.92, 1.055 * v ** (1 / 2.4) - 0.055))


def disc(shape, x, y, radius):
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    return np.hypot(rows - y, columns - x) <= radius


def scattered(rng, shape, radii, count):
    """Discs that do not come near each other or the edge."""
    spots = []
    while len(spots) < count:
        radius = rng.uniform(*radii)
        y, x = (rng.uniform(radius + 12, side - radius - 12) for side in shape)
        if all(np.hypot(y - b, x - a) > radius + c + 14 for a, b, c in spots):
            spots.append((x, y, radius))
    return spots


def mended(picture, spots):
    """Each spot of an 8-bit sRGB picture healed alone, the others out of bounds."""
    discs = [disc(picture.shape, *spot) for spot in spots]
    every = np.any(discs, axis=0)
    light = linear(picture).astype(np.float32).transpose(2, 0, 1)
    light[:, every] = 0  # nothing of what was there may help
    out = picture.astype(float)
    for (x, y, radius), own in zip(spots, discs, strict=True):
        reach = reach_px(radius)
        rows = slice(max(int(y) - reach, 0), int(y) + reach)
        columns = slice(max(int(x) - reach, 0), int(x) + reach)
        hole = own[rows, columns]
        filled = heal(light[:, rows, columns], hole, every[rows, columns] & ~hole)
        out[rows, columns][hole] = codes(filled.transpose(1, 2, 0))[hole]
    return out, discs


def scores(truth, found, discs):
    """PSNR in dB and SSIM (Wang and others, 2004, as scikit-image has it) inside each disc."""
    _, alike = structural_similarity(
        truth, found, channel_axis=-1, data_range=255, gaussian_weights=True, sigma=1.5,
        use_sample_covariance=False, full=True,
    )  # fmt: skip
    psnr = [10 * np.log10(255**2 / max(np.mean((found - truth)[d] ** 2), 1e-3)) for d in discs]
    return psnr, [alike[d].mean() for d in discs]


@pytest.mark.slow
@pytest.mark.parametrize(("radii", "seed"), [((3, 16), 5), ((10, 25), 9)])
def test_fills_natural_pictures_better_than_both_inpaintings_of_opencv(radii, seed):
    rng = np.random.default_rng(seed)
    found = {"ours": ([], []), "telea": ([], []), "navier-stokes": ([], [])}
    for name in NATURAL:
        picture = getattr(skimage.data, name)()[..., :3]
        spots = scattered(rng, picture.shape[:2], radii, 12)
        ours, discs = mended(picture, spots)
        hole = np.any(discs, axis=0).astype(np.uint8)
        filled = {
            "ours": ours,
            "telea": cv2.inpaint(picture, hole, 3, cv2.INPAINT_TELEA).astype(float),
            "navier-stokes": cv2.inpaint(picture, hole, 3, cv2.INPAINT_NS).astype(float),
        }
        for method, result in filled.items():
            psnr, ssim = scores(picture.astype(float), result, discs)
            found[method][0].extend(psnr)
            found[method][1].extend(ssim)
    means = {method: np.mean(values, axis=1) for method, values in found.items()}
    print({method: values.round(3).tolist() for method, values in means.items()})
    for method in ("telea", "navier-stokes"):
        assert means["ours"][0] > means[method][0] + 0.5
        assert means["ours"][1] > means[method][1]


def test_grain_in_the_hole_is_that_around_it(rng):
    light = (0.18 + 0.01 * rng.standard_normal((3, 260, 260))).astype(np.float32)
    hole = disc((260, 260), 130, 130, 14)
    filled = heal(light, hole, np.zeros_like(hole))
    for plane in filled:
        assert 0.85 < plane[hole].std() / 0.01 < 1.15
    smooth = cv2.inpaint(
        (light[0] * 1000).astype(np.uint8), hole.astype(np.uint8), 3, cv2.INPAINT_TELEA
    )
    assert smooth[hole].std() / 10 < 0.6  # what the check would catch


def test_an_edge_through_the_hole_takes_no_grain_away(rng):
    """Noise of photons: variance in proportion to light, as strong on both sides of the edge once
    the root is taken (Anscombe, Biometrika 35, 1948)."""
    i, j = np.mgrid[:260, :260]
    bright = i > 0.5 * j + 71
    truth = np.where(bright, 0.5, 0.15)
    noise = np.sqrt(truth) * 0.02
    light = (truth + noise * rng.standard_normal((3, 260, 260))).astype(np.float32)
    hole = disc((260, 260), 130, 130, 16)
    error = (heal(light, hole, np.zeros_like(hole)) - truth) / noise
    for side in (hole & bright, hole & ~bright):
        assert 0.75 < error[:, side].std() < 1.15


def test_a_ramp_is_continued_to_the_last_thousandth():
    """Laplace's equation continues a linear function exactly; here on square roots of light."""
    rows, columns = np.mgrid[:120, :140]
    root = 0.2 + 0.002 * rows + 0.001 * columns
    light = np.stack([(root * gain) ** 2 for gain in (1, 0.8, 0.6)]).astype(np.float32)
    hole = disc((120, 140), 70, 60, 9)
    spoilt = light.copy()
    spoilt[:, hole] = 0
    filled = heal(spoilt, hole, np.zeros_like(hole))
    assert np.abs(np.sqrt(filled[:, hole]) / np.sqrt(light[:, hole]) - 1).max() < 2e-3
    np.testing.assert_array_equal(filled[:, ~hole], light[:, ~hole])


def test_only_what_is_free_is_used(rng):
    """A picture that is NaN in other holes: none of it comes into the filling."""
    light = rng.uniform(0.1, 0.3, (3, 150, 150)).astype(np.float32)
    hole = disc((150, 150), 75, 75, 8)
    other = disc((150, 150), 95, 75, 9) | disc((150, 150), 75, 40, 12)
    poisoned = light.copy()
    poisoned[:, other] = 1e6
    filled = heal(poisoned, hole, other)
    assert 0.05 < filled[:, hole].min() < filled[:, hole].max() < 0.4


@pytest.mark.parametrize("corner", [(0, 0), (0, 99), (99, 0), (99, 99), (50, 0), (99, 50)])
def test_holes_at_the_edge_of_a_frame_are_filled(rng, corner):
    light = rng.uniform(0.15, 0.25, (3, 100, 100)).astype(np.float32)
    hole = disc((100, 100), corner[1], corner[0], 6)
    light[:, hole] = 5
    filled = heal(light, hole, np.zeros_like(hole))
    assert 0.1 < filled[:, hole].min() < filled[:, hole].max() < 0.3


def test_a_chosen_source_is_what_is_taken(rng):
    """Its detail, that is: on even ground the membrane only moves the level."""
    light = np.full((3, 80, 120), 0.2, np.float32)
    light[:, 38:43, 88:93] = 0.3
    hole = disc((80, 120), 40, 40, 8)
    filled = heal(light, hole, np.zeros_like(hole), source=(0, 50))
    np.testing.assert_allclose(filled[:, 38:43, 38:43], 0.3, atol=2e-4)
    with pytest.raises(ValueError, match="lies on a spot"):
        heal(light, hole, np.zeros_like(hole), source=(0, 10))
    with pytest.raises(ValueError, match="too far away"):
        heal(light, hole, np.zeros_like(hole), source=(0, -45))


# --- in the pass ----------------------------------------------------------------------------------


class Held(PictureInMemory):
    def window(self, top, bottom, left, right):
        part = self.pixels[top:bottom, left:right].transpose(2, 0, 1)
        return np.ascontiguousarray(part, np.float32)


def spotting(*spots, **more):
    return ResolvedStep("finish", "spotting", "spotting", 1, {"spots": list(spots), **more})


@pytest.fixture
def dusty(rng):
    """A sky with grain, 240 × 320, with a dark spot at (0.25, 0.5)."""
    sky = np.linspace(0.3, 0.5, 240)[:, None, None] * np.ones((1, 320, 3)) * [0.8, 0.9, 1.0]
    clean = (sky * (1 + 0.01 * rng.standard_normal((240, 320, 3)))).astype(np.float32)
    dark = clean.copy()
    dark[disc((240, 320), 79.5, 119.5, 6)] *= 0.6
    return clean, dark


SPOT = {"at": [0.25, 0.5], "radius": 2.5}


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_spot_is_gone_whatever_the_orientation_strips_and_threads(dusty, orientation):
    clean, dark = dusty
    source = Held(np.ascontiguousarray(sensor_view(dark, orientation)), orientation)
    steps = [*steps_of(LOOK), spotting(SPOT)]
    whole = master_pixels(source, steps, strip_rows=400)
    for strip_rows, threads in ((7, 1), (64, 2)):
        again = master_pixels(source, steps, threads=threads, strip_rows=strip_rows)
        np.testing.assert_array_equal(again, whole)
    before = master_pixels(source, steps_of(LOOK))
    wanted = master_pixels(
        Held(np.ascontiguousarray(sensor_view(clean, orientation)), orientation), steps_of(LOOK)
    )
    around = disc((240, 320), 79.5, 119.5, 12)
    inside = disc((240, 320), 79.5, 119.5, 5)
    np.testing.assert_array_equal(whole[~around], before[~around])
    mean = whole[inside].mean(axis=0) / wanted[inside].mean(axis=0)
    assert np.abs(mean - 1).max() < 0.005
    assert np.abs(before[inside].mean(axis=0) / wanted[inside].mean(axis=0) - 1).min() > 0.1


def test_the_reduced_picture_is_healed_alike(dusty):
    _, dark = dusty

    class Means(Held):
        def preview(self):
            blocks = self.pixels.reshape(60, 4, 80, 4, 3).mean(axis=(1, 3))
            return upright(blocks.astype(np.float32), self.orientation)

    source = healed(Means(dark), [spotting(SPOT)], {})
    expected = source.window(0, 240, 0, 320).transpose(1, 2, 0)
    expected = expected.reshape(60, 4, 80, 4, 3).mean(axis=(1, 3))
    np.testing.assert_allclose(source.preview(), expected, atol=1e-6)


def test_spots_that_touch_are_one_hole(dusty):
    _, dark = dusty
    dark = dark.copy()
    dark[disc((240, 320), 92, 119.5, 6)] *= 0.6
    near = {"at": [92.5 / 320, 0.5], "radius": 2.5}
    out = healed(Held(dark), [spotting(SPOT, near)], {}).window(0, 240, 0, 320)
    inside = disc((240, 320), 79.5, 119.5, 7) | disc((240, 320), 92, 119.5, 7)
    ring = disc((240, 320), 86, 119.5, 30) & ~disc((240, 320), 86, 119.5, 20)
    assert abs(out[1][inside].mean() / out[1][ring].mean() - 1) < 0.01


def test_without_spots_the_source_is_what_it_was(dusty):
    _, dark = dusty
    source = Held(dark)
    assert healed(source, [*steps_of(LOOK), spotting()], {}) is source


def healing(mask, value=True):
    parameters = {"name": "cable", "mask": mask, "heal": value}
    return ResolvedStep("local", "cable", "heal", EDITS["heal"].version, parameters)


def test_a_mask_is_healed_by_its_density(dusty):
    clean, dark = dusty
    soft = {"ellipse": {"centre": [0.25, 0.5], "radii": [0.03, 0.04], "feather": 0.4}}
    out = healed(Held(dark), [healing(soft)], {}).window(0, 240, 0, 320).transpose(1, 2, 0)
    inside = disc((240, 320), 79.5, 119.5, 6)
    assert np.abs(out[inside].mean(axis=0) / clean[inside].mean(axis=0) - 1).max() < 0.01
    far = {"all": [soft], "feather": 0}
    taken = healed(Held(dark), [healing(far, {"source": [0.2, 0]})], {}).window(0, 240, 0, 320)
    grain = taken[1] - np.roll(dark[..., 1], -64, axis=1)
    assert grain[inside].std() < 0.2 * dark[..., 1][inside].std() + 2e-3


def test_what_is_no_spot_is_refused_by_name(dusty):
    _, dark = dusty
    wide = {"ellipse": {"centre": [0.5, 0.5], "radii": [0.2, 0.2]}}
    with pytest.raises(ValueError, match=r"cable: a hole of 41 % of the long side; at most 12 %"):
        healed(Held(dark), [healing(wide)], {})

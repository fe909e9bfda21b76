"""Sharpening, softening, local contrast, focus: against plain float64, and on pictures known."""

from __future__ import annotations

import numpy as np
import pytest
import skimage.data
from scipy import ndimage

from pipeline.develop import master_pixels
from pipeline.kernels import texture
from pipeline.kernels.encode import decode_romm16
from pipeline.kernels.focus import HALO, Focus, blur_of
from pipeline.kernels.masks import Box, Grid
from pipeline.kernels.orient import sensor_view
from tests.test_develop import LOOK, steps_of
from tests.test_heal import Held
from tests.test_local_edits import local

DISC = {"ellipse": {"centre": [0.45, 0.5], "radii": [0.3, 0.35], "feather": 0.4}}
TEXTURES = {
    "sharpen": {"amount": 1.0, "radius_px": 1.0},
    "soften": {"amount": 0.8, "radius": 2.0},
    "local_contrast": {"amount": 0.6, "radius": 4.0},
}


def photograph(name="chelsea"):
    """A photograph that scikit-image carries, as linear light, (h, w, 3)."""
    codes = getattr(skimage.data, name)()[..., :3] / 255
    return np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4).astype("f4")


def scene_of(planes):
    return lambda box: np.ascontiguousarray(planes[:, box.top : box.bottom, box.left : box.right])


class Reduced(Held):
    """As a raw: the reduced picture holds means of 4 × 4 pixels."""

    def preview(self):
        height, width = (side // 4 for side in self.pixels.shape[:2])
        whole = self.pixels[: 4 * height, : 4 * width]
        blocks = whole.reshape(height, 4, width, 4, 3).mean(axis=(1, 3), dtype=np.float64)
        return np.ascontiguousarray(sensor_turned(blocks.astype(np.float32), self.orientation))


def sensor_turned(picture, orientation):
    from pipeline.kernels.orient import upright

    return upright(picture, orientation)


# --- in the pass ----------------------------------------------------------------------------------


@pytest.mark.parametrize("edit", TEXTURES)
@pytest.mark.parametrize("orientation", [1, 3, 6, 7])
def test_strips_threads_and_orientation_change_no_bit(edit, orientation):
    picture = photograph()[:152, :204]
    steps = [*steps_of(LOOK), local(edit, DISC, TEXTURES[edit])]
    source = Reduced(np.ascontiguousarray(sensor_view(picture, orientation)), orientation)
    whole = master_pixels(source, steps, strip_rows=600)
    for rows, threads in ((5, 1), (32, 2), (96, 1)):
        np.testing.assert_array_equal(
            master_pixels(source, steps, threads=threads, strip_rows=rows), whole
        )
    plain = master_pixels(source, steps_of(LOOK))
    rows, columns = np.mgrid[:152, :204]
    far = np.hypot((columns / 204 - 0.45) / 0.3, (rows / 152 - 0.5) / 0.35) > 1.3
    np.testing.assert_array_equal(whole[far], plain[far])
    assert (whole != plain).any(axis=2)[~far].mean() > 0.3
    if orientation != 1:
        upright_one = master_pixels(Reduced(picture), steps)
        away = np.abs(whole.astype(float) - upright_one)
        assert np.quantile(away, 0.99) < 400  # the reduced picture's blocks may begin elsewhere


@pytest.mark.parametrize("edit", TEXTURES)
def test_nothing_asked_is_nothing_done(edit):
    picture = Reduced(photograph()[:80, :120])
    plain = master_pixels(picture, steps_of(LOOK))
    for value in (0, 1e-9):
        more = local(edit, DISC, {**TEXTURES[edit], "amount": value})
        away = master_pixels(picture, [*steps_of(LOOK), more]).astype(int) - plain
        assert np.abs(away).max() <= (0 if value == 0 else 1)


def test_gains_of_light_commute():
    picture = Reduced(photograph()[:120, :160])
    edits = [
        local("sharpen", DISC, TEXTURES["sharpen"], "a"),
        local("soften", {"whole": True}, TEXTURES["soften"], "b"),
        local("dodge", DISC, 0.7, "c"),
        local("local_contrast", DISC, TEXTURES["local_contrast"], "d"),
    ]
    one = master_pixels(picture, edits).astype(int)
    other = master_pixels(picture, edits[::-1]).astype(int)
    assert np.abs(one - other).max() <= 1


def test_colour_stays():
    """Only light changes: the ratios of working RGB are those of before."""
    picture = Reduced(photograph()[:120, :160])
    more = [local(edit, {"whole": True}, value, edit) for edit, value in TEXTURES.items()]
    before, after = (np.empty((3, 120 * 160), np.float32) for _ in range(2))
    decode_romm16(master_pixels(picture, []).reshape(-1, 3), *before)
    decode_romm16(master_pixels(picture, more).reshape(-1, 3), *after)
    seen = (before.min(axis=0) > 0.02) & (after.max(axis=0) < 0.95)
    ratio = after[:, seen] / before[:, seen]
    assert np.abs(ratio / ratio.mean(axis=0) - 1).max() < 0.01


# --- each ----------------------------------------------------------------------------------------


def test_the_base_is_the_guided_filter_by_its_definition(rng):
    """He, Sun and Tang 2013, equations 5, 6 and 8, pixel by pixel in float64."""
    picture = np.exp2(rng.uniform(-6, 1, (3, 14, 17))).astype(np.float32)
    base = texture.base_of(picture, 2)
    y = np.tensordot([0.2627, 0.6780, 0.0593], picture.astype(float), 1)
    light = np.log2(np.hypot(y, 2.0**-10))
    np.testing.assert_allclose(base.lightness, light, atol=2e-4)

    def window(i, j):
        return slice(max(i - 2, 0), i + 3), slice(max(j - 2, 0), j + 3)

    slope, offset = np.empty(light.shape), np.empty(light.shape)
    for i, j in np.ndindex(light.shape):
        inside = light[window(i, j)]
        slope[i, j] = inside.var() / (inside.var() + 0.2**2)
        offset[i, j] = (1 - slope[i, j]) * inside.mean()
    for i, j in np.ndindex(light.shape):
        assert base.slope[i, j] == pytest.approx(slope[window(i, j)].mean(), abs=1e-4)
        assert base.offset[i, j] == pytest.approx(offset[window(i, j)].mean(), abs=2e-3)


def step_edge(contrast_stops, sigma, noise=0.0, rng=None):
    """A slanted edge, as ISO 12233 has it (5 degrees), of so many stops, blurred; (3, 96, 160)."""
    rows, columns = np.mgrid[:96, :160]
    across = (columns - 80) * np.cos(np.radians(5)) + (rows - 48) * np.sin(np.radians(5))
    share = ndimage.gaussian_filter1d((np.arange(-400, 400) > 0).astype(float), sigma * 4)
    edge = np.interp(across, np.arange(-400, 400) / 4, share)
    light = 0.1 * (1 + (2.0**contrast_stops - 1) * edge)
    if noise:
        light = light * (1 + noise * rng.standard_normal(light.shape))
    return np.stack([light] * 3).astype(np.float32)


def test_sharpening_is_steep_bounded_and_leaves_noise(rng):
    grid, box = Grid.over(96, 160), Box(0, 96, 0, 160)
    edge = step_edge(2.0, 1.2, 0.02, rng)
    noise = texture.noise_of([edge[:, :, :64], edge[:, :, 96:]], 1.0)
    field = texture.sharpening(grid, 1.0, 1.5, noise).at(box, scene_of(edge))
    light = texture.lightness(edge)
    after = light + field
    flat = np.s_[10:-10, 10:50]
    assert after[flat].std() < 1.2 * light[flat].std()
    plain = texture.sharpening(grid, 1.0, 1.5, np.zeros(texture.BINS, np.float32))
    assert (light + plain.at(box, scene_of(edge)))[flat].std() > 1.8 * light[flat].std()
    # the overshoot, on a clean edge
    edge = step_edge(2.0, 1.2)
    clean = texture.lightness(edge)
    field = texture.sharpening(grid, 1.0, 1.5, np.zeros(texture.BINS, np.float32))
    after = clean + field.at(box, scene_of(edge))
    assert clean.min() - 0.081 <= after.min() <= clean.min()
    assert clean.max() <= after.max() <= clean.max() + 0.081
    steepness = [np.abs(np.diff(rows, axis=1)).max(axis=1).mean() for rows in (clean, after)]
    assert steepness[1] > 1.25 * steepness[0]


def test_softening_takes_texture_and_leaves_edges(rng):
    grid, box = Grid.over(96, 160), Box(0, 96, 0, 160)
    edge = step_edge(2.0, 0.6) * np.exp2(0.1 * rng.standard_normal((96, 160))).astype(np.float32)
    base = texture.base_of(edge, 6)
    light = texture.lightness(edge)
    after = light + texture.softening(grid, base, 1.0).at(box, scene_of(edge))
    flat = np.s_[10:-10, 10:60]
    assert after[flat].std() < 0.35 * light[flat].std()
    height = after[:, 100:150].mean() - after[:, 10:60].mean()
    assert height == pytest.approx(2.0, abs=0.03)
    profile = ndimage.shift(after.mean(axis=0), 0)
    assert np.abs(np.diff(profile)).max() > 0.15  # 5 degrees over 96 rows spread it over 8 columns


def test_local_contrast_raises_what_has_its_size_and_makes_no_halo():
    grid, box = Grid.over(128, 512), Box(0, 128, 0, 512)
    columns = np.arange(512)
    ripple = 0.2 * np.sin(2 * np.pi * columns / 40)
    light = np.tile(np.exp2(-3 + ripple), (3, 128, 1)).astype(np.float32)
    small = light.reshape(3, 32, 4, 128, 4).mean(axis=(2, 4))
    base = texture.base_of(small, 10)
    field = texture.local_contrast(grid, base, 1.0).at(box)[64, 60:-60]
    gain = field @ ripple[60:-60] / (ripple[60:-60] @ ripple[60:-60])
    assert 0.5 < gain < 1.0
    # beside an edge of three stops, at most a twelfth of it
    step = np.tile(np.where(columns < 256, 0.05, 0.4), (3, 128, 1)).astype(np.float32)
    small = step.reshape(3, 32, 4, 128, 4).mean(axis=(2, 4))
    base = texture.base_of(small, 10)
    assert np.abs(texture.local_contrast(grid, base, 1.0).at(box)).max() < 0.25


# --- focus ----------------------------------------------------------------------------------------


def blur_in(planes, radius=3):
    height, width = planes.shape[1:]
    focus = Focus(height, width)
    for top in range(0, height, 96):
        first, last = max(top - HALO, 0), min(top + 96 + HALO, height)
        focus.add(planes[:, first:last], top, top - first, min(top + 96, height) - first)
    return blur_of(focus.energies, radius)


@pytest.mark.parametrize("sigma", [1.0, 2.0, 4.0])
def test_the_blur_of_an_edge_is_measured(sigma):
    """Zhuo and Sim 2011: for a step edge the ratio gives the blur itself."""
    found = blur_in(step_edge(1.0, sigma))
    assert np.median(found[2:-2, 9:11]) == pytest.approx(sigma, rel=0.15)


@pytest.mark.parametrize("noise", [0.0, 0.01])
def test_what_is_in_focus_is_told_from_what_is_not(rng, noise):
    picture = photograph("astronaut").transpose(2, 0, 1)
    soft = ndimage.gaussian_filter(picture, (0, 3, 3))
    half = picture.shape[2] // 2
    mixed = np.concatenate([picture[:, :, :half], soft[:, :, half:]], axis=2)
    mixed = mixed * (1 + noise * rng.standard_normal(mixed.shape))
    blur = blur_in(mixed.astype(np.float32), radius=4)
    left, right = blur[4:-4, 4:26], blur[4:-4, 38:-4]
    assert np.mean(left < 1.8) > 0.85
    assert np.mean(right > 1.8) > 0.85


def test_a_mask_by_focus_in_the_pass():
    picture = photograph("astronaut")
    picture[:, 256:] = ndimage.gaussian_filter(picture, (3, 3, 0))[:, 256:]
    source = Reduced(picture)
    light = np.empty((2, 3, picture[..., 0].size), np.float32)
    dodge = local("dodge", {"sharp": {"blur_px": 1.5, "soft": 0.6}}, 1.0)
    decode_romm16(master_pixels(source, []).reshape(-1, 3), *light[0])
    decode_romm16(master_pixels(source, [dodge]).reshape(-1, 3), *light[1])
    luminance = np.tensordot([0.2627, 0.6780, 0.0593], light, (0, 1))
    seen = ((luminance[0] > 0.01) & (luminance[1] < 0.6)).reshape(512, 512)
    stops = np.log2(np.maximum(luminance[1], 1e-6) / np.maximum(luminance[0], 1e-6))
    stops = stops.reshape(512, 512)
    assert stops[:, :220][seen[:, :220]].mean() > 0.75
    assert stops[:, 300:][seen[:, 300:]].mean() < 0.25

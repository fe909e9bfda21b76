"""From the working space to codes: against float64 and float64 references, and at the edges.

Published values: dec/enc rows of IEC 61966-2-1, ISO 22028-2 and the 1998 colour image encoding,
as colour-science 0.4.7 gives them.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.kernels.encode import decode_romm16, encoding_of, to_8_bits
from pipeline.kernels.oklab import oklab_of, working_of
from pipeline.kernels.spaces import SPACES, between_matrix

OUTPUT_SPACES = ("srgb", "display-p3", "adobe-rgb", "romm-rgb")
RANDOM = np.random.default_rng(20)


def planes(working):
    return [np.ascontiguousarray(working[..., i].ravel(), np.float32) for i in range(3)]


def encoded(working, space, bits, first_pixel=0):
    out = np.empty((working.size // 3, 3), np.uint8 if bits == 8 else np.uint16)
    encoding_of(space, bits).write(*planes(working), out, first_pixel=first_pixel)
    return out


def exact_codes(working, space, bits):
    """Unrounded codes in float64, of the float32 values that the kernel is given."""
    linear = working.astype(np.float32).astype(np.float64) @ between_matrix("working", space).T
    return SPACES[space].transfer.encode(linear) * (2**bits - 1)


def inside(space, count=200_000):
    """Working values of colours spread over the whole gamut of a space, dark ones included."""
    linear = RANDOM.random((count, 3)) ** 3 * 0.9998 + 1e-4
    return linear @ between_matrix(space, "working").T


@pytest.mark.parametrize("space", OUTPUT_SPACES)
def test_colours_in_gamut_are_converted_exactly(space):
    working = inside(space)
    error = np.abs(encoded(working, space, 16) - exact_codes(working, space, 16))
    # 0.5 is rounding; the rest is float32, which matters most on the steep straight part near black
    assert error.max() < 0.56
    assert np.quantile(error, 0.999) < 0.505


@pytest.mark.parametrize("space", OUTPUT_SPACES)
def test_the_curve_alone_is_within_half_a_code(space):
    # greys pass the matrix untouched, so this is the transfer function and nothing else
    grey = np.concatenate([np.linspace(0, 1, 500_001), np.geomspace(1e-9, 1, 500_001)])
    grey = grey.astype(np.float32)
    codes = encoded(np.repeat(grey[:, None], 3, 1), space, 16)
    exact = SPACES[space].transfer.encode(grey.astype(np.float64)) * 65535
    assert np.abs(codes[:, 0] - exact).max() < 0.51
    assert (codes == codes[:, :1]).all()


@pytest.mark.parametrize(
    ("space", "code"),
    [("srgb", 0.461356), ("display-p3", 0.461356), ("adobe-rgb", 0.458529), ("romm-rgb", 0.385711)],
)
def test_published_code_of_a_grey_card(space, code):
    # 18 % grey; colour-science 0.4.7, RGB_COLOURSPACES[...].cctf_encoding(0.18)
    assert np.abs(encoded(np.full((1, 3), 0.18), space, 16) / 65535 - code).max() < 1.1e-5


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("space", OUTPUT_SPACES)
def test_black_and_white_are_exact(space, bits):
    codes = encoded(np.repeat([[0.0], [1.0]], 5000, 0) * np.ones(3), space, bits)
    assert (codes[:5000] == 0).all()
    assert (codes[5000:] == 2**bits - 1).all()


def oklch(lightness, chroma, hue):
    return np.stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], -1)


def shown(codes, space):
    """OKLab of what a file's 16-bit codes show."""
    linear = SPACES[space].transfer.decode(codes / 65535)
    return oklab_of(linear @ between_matrix(space, "working").T)


def most_chroma(lightness, hue, space):
    """The largest chroma up to 0.6 that fits a space: bisection in float64."""
    low, high = np.zeros_like(lightness), np.full_like(lightness, 0.6)
    for _ in range(50):
        middle = (low + high) / 2
        linear = working_of(oklch(lightness, middle, hue)) @ between_matrix("working", space).T
        fits = ((linear >= 0) & (linear <= 1)).all(axis=-1)
        low, high = np.where(fits, middle, low), np.where(fits, high, middle)
    return low


# The line of constant hue and lightness meets the surface of these gamuts once. ROMM RGB, with
# its imaginary primaries, is left and entered again by some dark imaginary blues: see below.
@pytest.mark.parametrize("space", ["srgb", "display-p3", "adobe-rgb"])
def test_colours_out_of_gamut_lose_just_enough_chroma(space):
    lightness, hue = RANDOM.uniform(0.2, 0.95, 4000), RANDOM.uniform(0, 2 * np.pi, 4000)
    result = shown(encoded(working_of(oklch(lightness, 0.6, hue)), space, 16), space)
    best = oklch(lightness, most_chroma(lightness, hue, space), hue)
    distance = np.linalg.norm(result - best, axis=1)
    # 0.02 is about the smallest difference seen (OKLab's unit is a hundred of CIELAB's)
    assert distance.max() < 2e-3
    assert np.quantile(distance, 0.99) < 2e-4


@pytest.mark.parametrize("space", OUTPUT_SPACES)
def test_colours_out_of_gamut_keep_hue_and_lightness(space):
    lightness, hue = RANDOM.uniform(0.2, 0.95, 4000), RANDOM.uniform(0, 2 * np.pi, 4000)
    result = shown(encoded(working_of(oklch(lightness, 0.6, hue)), space, 16), space)
    across = result[:, 1] * -np.sin(hue) + result[:, 2] * np.cos(hue)
    # rounding to 16 bits alone moves the darkest imaginary blues of ROMM RGB by 0.019
    assert np.quantile(np.abs(result[:, 0] - lightness), 0.99) < 1e-4
    assert np.quantile(np.abs(across), 0.99) < 2e-4
    assert np.abs(result[:, 0] - lightness).max() < 0.01
    assert np.abs(across).max() < 0.025


@pytest.mark.parametrize("space", ["srgb", "display-p3", "adobe-rgb"])
def test_the_gamut_boundary_is_crossed_without_a_step(space):
    chroma = np.linspace(0.05, 0.5, 20_001)
    result = shown(
        encoded(working_of(oklch(np.full_like(chroma, 0.6), chroma, 0.5)), space, 16), space
    )
    steps = np.linalg.norm(np.diff(result, axis=0), axis=1)
    assert steps.max() < 3 * (chroma[1] - chroma[0])
    assert np.hypot(*result[-1, 1:]) > 0.15  # and it was crossed


@pytest.mark.parametrize("bits", [8, 16])
def test_what_is_no_colour_is_defined(bits):
    nan, inf, top = np.nan, np.inf, 2**bits - 1
    working = np.array(
        [
            [nan, 0.5, 0.5],
            [nan, nan, nan],
            [inf, inf, inf],
            [inf, 0, 0],
            [-inf, -inf, -inf],
            [4.0, 3.0, 5.0],
            [3e38, 3e38, 3e38],
            [-0.2, -0.1, -0.3],
            [-1e-9, -1e-9, -1e-9],
        ]
    )
    codes = encoded(working, "srgb", bits)
    white = np.array([False, False, True, True, False, True, True, False, False])
    assert (codes[white] == top).all()
    assert (codes[~white] == 0).all()


@pytest.mark.parametrize("bits", [8, 16])
def test_any_cut_into_runs_gives_the_same_codes(bits):
    working = np.concatenate([inside("srgb", 5000), RANDOM.normal(0.4, 0.5, (5000, 3))])
    RANDOM.shuffle(working)
    whole = encoded(working, "srgb", bits, first_pixel=7)
    for size in (1, 63, 64, 1000, 1024, 4097):
        parts = [
            encoded(working[i : i + size], "srgb", bits, first_pixel=7 + i)
            for i in range(0, len(working), size)
        ]
        assert np.array_equal(np.concatenate(parts), whole)


def test_input_is_left_alone_and_empty_is_fine():
    r, g, b = planes(RANDOM.normal(0.5, 1, (3000, 3)))
    before = [plane.copy() for plane in (r, g, b)]
    encoding_of("srgb", 8).write(r, g, b, np.empty((3000, 3), np.uint8))
    assert all(np.array_equal(a, b) for a, b in zip(before, (r, g, b), strict=True))
    assert encoded(np.empty((0, 3)), "srgb", 8).shape == (0, 3)


def test_dither_keeps_the_mean_of_flat_areas():
    for code in (0.0, 0.2, 0.5, 1.3, 100.25, 100.5, 128.9, 253.6, 254.5, 254.9, 255.0):
        linear = SPACES["srgb"].transfer.decode(code / 255)
        flat = encoded(np.full((1 << 18, 3), linear), "srgb", 8).astype(float)
        assert abs(flat.mean() - code) < 0.006
        assert np.abs(flat - code).max() <= 1.5


def test_dither_leaves_no_band_in_a_slow_ramp():
    # two codes over 4000 columns: without dither a staircase, with it a straight line in the mean
    ramp = SPACES["srgb"].transfer.decode(np.linspace(60, 62, 4000) / 255)
    picture = np.repeat(ramp[None, :, None], 400, 0) * np.ones(3)
    codes = encoded(picture, "srgb", 8).reshape(400, 4000, 3)[..., 1].astype(float)
    columns = codes.mean(axis=0).reshape(40, 100).mean(axis=1)
    line = np.linspace(60, 62, 4000).reshape(40, 100).mean(axis=1)
    assert np.abs(columns - line).max() < 0.02
    plain = np.round(np.linspace(60, 62, 4000)).reshape(40, 100).mean(axis=1)
    assert np.abs(plain - line).max() > 0.4  # the fault that this looks for would be seen


def test_dither_is_grainless_noise():
    flat = SPACES["srgb"].transfer.decode(np.full((512 * 512, 3), 127.5) / 255)
    noise = encoded(flat, "srgb", 8).astype(float).reshape(512, 512, 3)
    assert (noise == noise[..., :1]).all()  # greys stay grey
    plane = noise[..., 0] - noise[..., 0].mean()
    spectrum = np.abs(np.fft.fft2(plane)) ** 2 / plane.size
    along = np.abs(np.fft.fftfreq(512))
    low, high = spectrum[:, along < 0.1].mean(), spectrum[:, along > 0.4].mean()
    # quantising adds white noise of 1/4 here; the dither itself is weak where the eye is keen
    assert low < 0.6 * high
    assert spectrum.max() < 40 * spectrum.mean()  # no line: nothing repeats


def test_master_codes_survive_decoding_and_encoding():
    codes = RANDOM.integers(0, 65536, (300_000, 3)).astype(np.uint16)
    codes[:65536] = np.arange(65536)[:, None]
    working = np.empty((3, len(codes)), np.float32)
    decode_romm16(codes, *working)
    again = np.empty_like(codes)
    encoding_of("romm-rgb", 16).write(*working, again)
    assert np.array_equal(again, codes)


def test_master_codes_mean_what_the_standard_says():
    codes = RANDOM.integers(0, 65536, (100_000, 3)).astype(np.uint16)
    working = np.empty((3, len(codes)), np.float32)
    decode_romm16(codes, *working)
    linear = SPACES["romm-rgb"].transfer.decode(codes / 65535)
    exact = linear @ between_matrix("romm-rgb", "working").T
    assert np.abs(working.T - exact).max() < 5e-7
    grey = np.array([[32768] * 3, [0] * 3, [65535] * 3], np.uint16)
    working = np.empty((3, 3), np.float32)
    decode_romm16(grey, *working)
    # colour-science 0.4.7: ROMM RGB decodes 0.5 to 0.287175
    assert abs(working[0, 0] - 0.287175) < 2e-5
    assert np.array_equal(working[:, 1:], [[0, 1]] * 3)
    assert (working == working[:1]).all()


# -- 16 bits to 8 ---------------------------------------------------------------------------------


def reduced(codes, first_pixel=0):
    out = np.empty(codes.shape, np.uint8)
    to_8_bits(codes, out, first_pixel=first_pixel)
    return out


@pytest.mark.parametrize("channels", [3, 4])
def test_codes_between_two_are_kept_in_the_mean(channels):
    for code in (130, 257 * 20 + 60, 32_000, 65_535 - 130):
        out = reduced(np.full((60_000, channels), code, np.uint16))
        assert np.abs(out.mean(axis=0) - code / 257).max() < 0.01
        assert np.abs(out - code / 257).max() < 1.5


@pytest.mark.parametrize("channels", [3, 4])
def test_the_ends_stay_themselves(channels):
    for code, expected in ((0, 0), (65_535, 255)):
        assert (reduced(np.full((5_000, channels), code, np.uint16)) == expected).all()


@pytest.mark.parametrize("channels", [3, 4])
def test_a_slow_ramp_has_no_bands(channels):
    # three codes over 4000 columns, 64 rows: steps of 16 bits, a line in the mean
    ramp = np.linspace(100 * 257, 103 * 257, 4_000).round().astype(np.uint16)
    codes = np.broadcast_to(ramp[None, :, None], (64, 4_000, channels)).reshape(-1, channels)
    out = reduced(np.ascontiguousarray(codes)).reshape(64, 4_000, channels).astype(float)
    local = out.mean(axis=0).reshape(100, 40, channels).mean(axis=1)
    expected = (ramp / 257).reshape(100, 40).mean(axis=1)
    # 2560 samples whose deviation is half a code: five times the error of their mean
    assert np.abs(local - expected[:, None]).max() < 5 * 0.5 / np.sqrt(64 * 40)


def test_greys_stay_grey_and_inks_stray_apart():
    rgb = reduced(np.full((20_000, 3), 20_000, np.uint16))
    assert (rgb == rgb[:, :1]).all()
    inks = reduced(np.full((20_000, 4), 20_000, np.uint16))
    correlation = np.corrcoef(inks.T) - np.eye(4)
    # five deviations of chance
    assert np.abs(correlation).max() < 5 / np.sqrt(20_000)


def test_no_ink_falls_on_white_paper():
    codes = np.full((5_000, 4), 128, np.uint16)
    assert (reduced(codes) == 0).all()
    assert (reduced(np.full((5_000, 3), 128, np.uint16)) > 0).any()


def test_however_codes_are_cut_into_runs():
    codes = np.random.default_rng(3).integers(0, 65536, (5_000, 4)).astype(np.uint16)
    before, whole = codes.copy(), reduced(codes, 11)
    cut = [reduced(codes[a:b], 11 + a) for a, b in ((0, 1), (1, 1_400), (1_400, 5_000))]
    assert (np.concatenate(cut) == whole).all()
    assert (codes == before).all()
    assert reduced(codes[:0]).shape == (0, 4)

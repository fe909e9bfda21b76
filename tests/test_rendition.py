"""Renditions of a master: sizes, sameness, and that light and colour arrive."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.framing import Border, Box, Size
from pipeline.kernels.encode import encoding_of
from pipeline.kernels.spaces import SPACES, between_matrix
from pipeline.rendition import RenditionSpec, render
from pipeline.viewing import USUAL, Viewing

RANDOM = np.random.default_rng(23)


@pytest.fixture(scope="module")
def master():
    """Smooth shapes with fine texture, odd sizes, all within sRGB."""
    y, x = np.mgrid[:1201, :803] / 100
    waves = np.stack([np.sin(x + y), np.cos(x * 2 - y), np.sin(3 * y)]) * 0.2 + 0.4
    waves += RANDOM.normal(0, 0.02, waves.shape)
    linear = np.moveaxis(waves.clip(0.05, 0.9), 0, -1) @ between_matrix("srgb", "romm-rgb").T
    return np.round(SPACES["romm-rgb"].transfer.encode(linear) * 65535).astype(np.uint16)


@pytest.mark.parametrize(
    ("spec", "size"),
    [
        ({"long_edge": 600}, (401, 600)),
        ({"short_edge": 600}, (600, 897)),
        ({"scale": 0.5}, (402, 600)),
        ({"long_edge": 5000}, (803, 1201)),
        ({"long_edge": 2402, "enlarge": True}, (1606, 2402)),
        ({"scale": 3.0}, (803, 1201)),
        ({}, (803, 1201)),
        ({"long_edge": 1}, (1, 1)),
    ],
)
def test_sizes(spec, size):
    assert RenditionSpec(size=Size(**spec)).inner_size(803, 1201) == (*size, 0)


def test_a_delivery_s_settings_make_a_specification():
    seen = {"medium": "matte", "ppi": 240, "distance_mm": 600.0}
    settings = {
        "format": "jpeg",
        "space": "srgb",
        "bits": 8,
        "long_edge": 2048,
        "sharpen_for": seen,
    }
    expected = RenditionSpec(size=Size(long_edge=2048), sharpen_for=Viewing("matte", 240, 600.0))
    assert RenditionSpec.of(settings) == expected
    part = Box(0, 1, 20, 31)
    plain = {"space": "srgb", "bits": 16, "scale": 0.5, "sharpen_for": "none"}
    expected = RenditionSpec(bits=16, size=Size(scale=0.5), part=part)
    assert RenditionSpec.of(plain, part) == expected


def test_a_part_is_what_the_part_alone_would_be(master):
    part = Box(101, 57, 640, 1003)
    spec = RenditionSpec("srgb", 8, Size(long_edge=300), sharpen_for=USUAL["screen"])
    cut = np.ascontiguousarray(master[part.top : part.bottom, part.left : part.right])
    (alone,) = render(cut, [spec])
    whole, shown = render(master, [spec, replace(spec, part=part)])
    assert (shown == alone).all()
    assert (whole == render(master, [spec])[0]).all()


def test_a_border_lies_around_the_picture_and_inside_the_size(master):
    for bits, colour, code in ((8, "white", 255), (16, "black", 0)):
        spec = RenditionSpec("srgb", bits, Size(long_edge=400), border=Border(0.1, colour))
        (picture,) = render(master, [spec])
        assert picture.shape[0] == 400
        assert (picture[:40] == code).all()
        assert (picture[:, :40] == code).all()
        assert (picture[-40:] == code).all()
        assert (picture[:, -40:] == code).all()
        (inner,) = render(master, [RenditionSpec("srgb", bits, Size(long_edge=320))])
        if bits == 16:  # no dither
            assert (picture[40:-40, 40:-40] == inner).all()


def test_nothing_asked_gives_the_master_itself(master):
    (same,) = render(master, [RenditionSpec("romm-rgb", 16)])
    assert same is master
    assert render(master, []) == []


def test_full_size_in_another_space_is_exact(master):
    (codes,) = render(master, [RenditionSpec("srgb", 16)])
    linear = (
        SPACES["romm-rgb"].transfer.decode(master / 65535) @ between_matrix("romm-rgb", "srgb").T
    )
    exact = SPACES["srgb"].transfer.encode(linear) * 65535
    assert np.abs(codes - exact).max() < 0.6


SPECS = [
    RenditionSpec(size=Size(long_edge=900), sharpen_for=USUAL["screen"]),
    RenditionSpec(size=Size(long_edge=590)),
    RenditionSpec("display-p3", size=Size(long_edge=200), sharpen_for=USUAL["matte"]),
    RenditionSpec("adobe-rgb", 16, size=Size(long_edge=77)),
    RenditionSpec("adobe-rgb", 16),
    RenditionSpec(size=Size(long_edge=1500, enlarge=True)),
]


@pytest.fixture(scope="module")
def together(master):
    return render(master, SPECS)


@pytest.mark.parametrize("index", range(len(SPECS)))
def test_a_size_does_not_depend_on_the_others_nor_on_threads(master, together, index):
    assert np.array_equal(render(master, [SPECS[index]], threads=3)[0], together[index])


def test_bands_leave_no_seam(master, together, monkeypatch):
    monkeypatch.setattr("pipeline.rendition.BAND_ROWS", 50)
    for one, other in zip(render(master, SPECS), together, strict=True):
        assert np.array_equal(one, other)


def test_light_is_kept_at_every_size(master):
    working = SPACES["romm-rgb"].transfer.decode(master / 65535).reshape(-1, 3).mean(axis=0)
    expected = working @ between_matrix("romm-rgb", "srgb").T
    specs = [RenditionSpec("srgb", 16, size=Size(long_edge=edge)) for edge in (900, 400, 150, 40)]
    for codes in render(master, specs):
        linear = SPACES["srgb"].transfer.decode(codes / 65535).reshape(-1, 3).mean(axis=0)
        assert np.abs(linear / expected - 1).max() < 0.01


def test_the_pyramid_costs_nothing_that_is_seen(master):
    # 1201 -> 150 goes through two halvings; a box mean of 8 by 8 is what it must not stray from
    (small,) = render(master[:1200, :800], [RenditionSpec("srgb", 16, size=Size(long_edge=150))])
    linear = SPACES["romm-rgb"].transfer.decode(master[:1200, :800] / 65535)
    linear = linear @ between_matrix("romm-rgb", "srgb").T
    box = linear.reshape(150, 8, 100, 8, 3).mean(axis=(1, 3))
    difference = SPACES["srgb"].transfer.decode(small / 65535) - box
    assert np.abs(difference[2:-2, 2:-2]).max() < 0.02
    assert abs(difference.mean()) < 2e-4


@pytest.mark.parametrize("space", ["srgb", "adobe-rgb"])
def test_white_has_no_specks_at_any_size(space):
    """Weights that sum to 1 leave a plain field as it is, in exact arithmetic: a cut-out's white is
    255 to the last pixel."""
    master = np.full((1003, 1501, 3), 65535, np.uint16)
    sizes = [Size(long_edge=edge, enlarge=True) for edge in (1501, 1500, 1024, 640, 100, 2222)]
    for bits, most in ((8, 255), (16, 65535)):
        specs = [RenditionSpec(space, bits, size, sharpen_for=USUAL["matte"]) for size in sizes]
        for picture in render(master, specs):
            assert picture.min() == most
            assert picture.max() == most
    black = render(np.zeros_like(master), [RenditionSpec(space, 8, size) for size in sizes])
    assert max(picture.max() for picture in black) == 0


def test_a_grey_master_gives_a_grey_picture():
    grey = RANDOM.integers(0, 65536, (300, 200, 1)).astype(np.uint16).repeat(3, 2)
    for codes in render(
        grey, [RenditionSpec(), RenditionSpec(size=Size(long_edge=90), sharpen_for=USUAL["screen"])]
    ):
        assert (codes == codes[..., :1]).all()


@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (300, 2), (3, 5000)])
def test_odd_shapes(shape):
    master = np.full((*shape, 3), 30000, np.uint16)
    specs = [RenditionSpec(), RenditionSpec(size=Size(long_edge=3), sharpen_for=USUAL["matte"])]
    full, small = render(master, specs, threads=2)
    assert full.shape == (*shape, 3)
    assert max(small.shape[:2]) <= 3
    linear = SPACES["romm-rgb"].transfer.decode(30000 / 65535)
    expected = SPACES["srgb"].transfer.encode(linear) * 255
    assert np.abs(small.astype(float) - expected).max() < 2


def test_eight_bits_are_dithered_from_the_place_in_the_picture(master):
    (codes,) = render(master, [RenditionSpec("srgb", 8)])
    planes = np.empty((3, master.shape[0] * master.shape[1]), np.float32)
    from pipeline.kernels.encode import decode_romm16

    decode_romm16(master.reshape(-1, 3), *planes)
    whole = np.empty((planes.shape[1], 3), np.uint8)
    encoding_of("srgb", 8).write(*planes, whole)
    assert np.array_equal(codes.reshape(-1, 3), whole)

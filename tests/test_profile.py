"""Our ICC profiles: against littlecms, published colorants, and the format's own rules."""

from __future__ import annotations

import hashlib
import io
import struct

import numpy as np
import pytest
from PIL import Image, ImageCms

from pipeline.files.profile import colorants, profile_of
from pipeline.kernels.spaces import PCS_WHITE, SPACES

OUTPUT_SPACES = ("srgb", "display-p3", "adobe-rgb", "romm-rgb")
RANDOM = np.random.default_rng(24)


def tags(profile):
    (count,) = struct.unpack_from(">I", profile, 128)
    table = (struct.unpack_from(">4sII", profile, 132 + 12 * i) for i in range(count))
    return {name: profile[start : start + size] for name, start, size in table}


def xyz(tag):
    return np.frombuffer(tag[8:], ">i4") / 65536


def lab_of(space, codes):
    """Lab in the connection space by the definition: curve, colorants, CIE 15 with its white."""
    xyz_values = SPACES[space].transfer.decode(codes / 255) @ colorants(SPACES[space])
    t = xyz_values / PCS_WHITE
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack(
        [116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1
    )


@pytest.mark.parametrize("space", OUTPUT_SPACES)
def test_littlecms_sees_the_colours_that_the_space_defines(space):
    # 8-bit codes in, 8-bit Lab out: half a step of L is 0.2, of a and b 0.5
    codes = RANDOM.integers(0, 256, (4096, 3)).astype(np.uint8)
    codes[:3] = [[0, 0, 0], [255, 255, 255], [118, 118, 118]]
    lab = lab_of(space, codes)
    held = np.abs(lab[:, 1:]).max(axis=1) < 127  # the rest does not fit 8-bit Lab
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(profile_of(space))),
        ImageCms.createProfile("LAB"),
        "RGB",
        "LAB",
        ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )
    seen = ImageCms.applyTransform(Image.fromarray(codes[None]), transform)
    seen = np.asarray(seen).reshape(-1, 3)
    lightness = seen[:, 0].astype(float) * 100 / 255
    axes = seen[:, 1:].astype(np.int8)
    assert held.sum() > 2000
    assert np.abs(lightness - lab[:, 0])[held].max() < 0.4
    # its 8-bit path holds linear values in 15 bits, which is coarse for dark saturated colours
    error = np.abs(axes - lab[:, 1:])[held]
    assert np.quantile(error, 0.98) < 0.55
    assert error.max() < 2


@pytest.mark.parametrize("space", ["srgb", "display-p3", "adobe-rgb"])
def test_littlecms_converts_between_ours_as_our_matrices_do(space):
    from pipeline.kernels.spaces import between_matrix

    codes = RANDOM.integers(40, 216, (4096, 3)).astype(np.uint8)
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(profile_of(space))),
        ImageCms.ImageCmsProfile(io.BytesIO(profile_of("romm-rgb"))),
        "RGB",
        "RGB",
        ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )
    seen = ImageCms.applyTransform(Image.fromarray(codes[None]), transform)
    linear = SPACES[space].transfer.decode(codes / 255) @ between_matrix(space, "romm-rgb").T
    expected = SPACES["romm-rgb"].transfer.encode(linear) * 255
    assert np.abs(np.asarray(seen).reshape(-1, 3) - expected).max() < 1.05


def test_srgb_agrees_with_littlecms_own_profile():
    # PIL.ImageCms.createProfile("sRGB"), littlecms 2.19; equal but for green, which takes our
    # rounding, and for descriptive tags
    own, theirs = (
        tags(profile_of("srgb")),
        tags(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()),
    )
    for name in (b"rXYZ", b"gXYZ", b"bXYZ", b"wtpt"):
        assert np.abs(xyz(own[name]) - xyz(theirs[name])).max() < 2.5 / 65536
    assert np.abs(xyz(own[b"chad"]) - xyz(theirs[b"chad"])).max() < 2.5 / 65536
    assert own[b"rTRC"] == theirs[b"rTRC"]


@pytest.mark.parametrize(
    ("space", "published"),
    [
        # sRGB: littlecms' profile; the 1998 space: D50 colorants calculated with Bradford
        (
            "srgb",
            [[0.43604, 0.22249, 0.01392], [0.38512, 0.71690, 0.09706], [0.14305, 0.06061, 0.71391]],
        ),
        (
            "adobe-rgb",
            [[0.60974, 0.31111, 0.01947], [0.20527, 0.62568, 0.06087], [0.14919, 0.06321, 0.74456]],
        ),
        # ISO 22028-2:2013, the matrix from linear ROMM RGB to XYZ (D50), from memory
        ("romm-rgb", [[0.7977, 0.2880, 0.0], [0.1352, 0.7119, 0.0], [0.0313, 0.0001, 0.8249]]),
    ],
)
def test_published_colorants(space, published):
    tolerance = 1.1e-4 if space == "romm-rgb" else 2.5e-5
    assert np.abs(colorants(SPACES[space]) - published).max() < tolerance


@pytest.mark.parametrize("space", OUTPUT_SPACES)
def test_the_format_s_own_rules(space):
    # ICC.1:2022, 7.2 (header), 7.3 (tag table), 9.2 (colorants add up to the white)
    profile = profile_of(space)
    assert struct.unpack_from(">I", profile)[0] == len(profile) == len(profile) // 4 * 4
    assert profile[12:24] == b"mntrRGB XYZ "
    assert profile[36:40] == b"acsp"
    assert struct.unpack_from(">3I", profile, 68) == (63190, 65536, 54061)
    zeroed = bytearray(profile)
    for start, end in ((44, 48), (64, 68), (84, 100)):
        zeroed[start:end] = bytes(end - start)
    assert profile[84:100] == hashlib.md5(zeroed).digest()
    found = tags(profile)
    assert {b"desc", b"cprt", b"wtpt", b"chad", b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC"} <= set(found)
    white = sum(xyz(found[name]) for name in (b"rXYZ", b"gXYZ", b"bXYZ"))
    assert np.array_equal(white, xyz(found[b"wtpt"]))
    assert found[b"desc"][28:].decode("utf-16-be") == SPACES[space].title


def test_profiles_are_the_same_everywhere():
    # digests of the bytes: a profile that changes changes every file that carries it
    assert {
        space: hashlib.sha256(profile_of(space)).hexdigest()[:16] for space in OUTPUT_SPACES
    } == DIGESTS


DIGESTS = {
    "srgb": "676f6cd33a4be655",
    "display-p3": "d2c62dcf0ede3583",
    "adobe-rgb": "4068006eb6fdef0a",
    "romm-rgb": "bc605a2d4d9f0e72",
}

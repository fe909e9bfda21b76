"""Reading delivered files back: against littlecms itself, colour-science, and Pillow as another
reader of the same files."""

from __future__ import annotations

import io
import struct

import colour
import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from pipeline.files import proofread
from pipeline.files.profile import profile_of
from pipeline.files.proofread import CannotMeasure, read_back
from pipeline.hashing import digest_file
from pipeline.kernels.difference import lab_of
from pipeline.kernels.gamut import WHITE
from tests.proof_for_tests import PCS, TITLES, space_of, write_picture

CORNERS = np.array(
    [[r, g, b] for r in (0, 255) for g in (0, 255) for b in (0, 255)], np.uint16
).reshape(1, 8, 3)


def codes(rng, bits, shape=(40, 61)):
    """Random codes with the corners of the cube among them."""
    top = 2**bits - 1
    found = rng.integers(0, top + 1, (*shape, 3)).astype(f"uint{bits}")
    found[:1, :8] = CORNERS // 255 * top
    return found


def tiff_of(path, pixels, space):
    write_picture(path, pixels, "tiff", space)
    return path


def by_littlecms(pixels, profile):
    """Lab of an independent call: no table, no averaging, littlecms' own Lab."""
    return imagecodecs.cms_transform(
        pixels,
        profile,
        imagecodecs.cms_profile("lab4"),
        colorspace="rgb",
        outcolorspace="lab",
        outdtype="float64",
        intent=1,
    )


def by_colour_science(pixels, space):
    """Lab (D50) of what the space's standard says of the codes, exact matrices, Bradford."""
    theirs = space_of(space)
    linear = theirs.cctf_decoding(pixels / np.iinfo(pixels.dtype).max)
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(theirs.whitepoint), PCS, "Bradford"
    )
    return colour.XYZ_to_Lab(linear @ theirs.matrix_RGB_to_XYZ.T @ adapt.T, colour.XYZ_to_xy(PCS))


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("space", TITLES)
def test_lab_is_littlecms_own(space, bits, tmp_path, rng):
    """Within 1e-3: littlecms takes its white as 0.9642 where profiles hold 63190/65536, which is
    5e-4 in a*."""
    pixels = codes(rng, bits)
    proof = read_back(tiff_of(tmp_path / "a.tif", pixels, space))
    np.testing.assert_allclose(proof.lab(), by_littlecms(pixels, profile_of(space)), atol=1e-3)
    np.testing.assert_allclose(proof.lab()[0, 7], [100, 0, 0], atol=2e-5)
    np.testing.assert_allclose(proof.lab()[0, 0], [0, 0, 0], atol=2e-5)


# What numbers in steps of 1/65536 can say of a space: the largest difference of an L*, a* or b*
# anywhere in the cube, and of ΔE00 (measured here: 0.006 and 0.0034, 0.0072 and 0.0027, 0.0062 and
# 0.0021, 0.016 and 0.007)
ROUNDING = {
    "srgb": (0.007, 0.004),
    "display-p3": (0.008, 0.003),
    "adobe-rgb": (0.007, 0.003),
    "romm-rgb": (0.018, 0.008),
}


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("space", TITLES)
def test_lab_is_what_the_standard_says(space, bits, tmp_path, rng):
    pixels = codes(rng, bits)
    proof = read_back(tiff_of(tmp_path / "a.tif", pixels, space))
    expected = by_colour_science(pixels, space)
    lab_limit, de00_limit = ROUNDING[space]
    np.testing.assert_allclose(proof.lab(), expected, atol=lab_limit)
    de00 = colour.delta_E(proof.lab(), expected, method="CIE 2000")
    assert np.nanmax(de00) < de00_limit


def test_a_jpeg_is_read_like_pillow_reads_it(tmp_path, rng):
    """Pillow decodes the same file with the profile in it; its Lab has 8 bits, so that half a step
    is 0.2 in L* and 0.5 in a* and b*, and it interpolates between colours."""
    smooth = np.linspace(20, 235, 64)[None, :, None] + rng.normal(0, 1, (48, 1, 3))
    pixels = np.clip(smooth, 0, 255).astype(np.uint8)
    path = tmp_path / "a.jpg"
    write_picture(path, pixels, "jpeg", "adobe-rgb", 95)
    with Image.open(path) as picture:
        embedded = ImageCms.ImageCmsProfile(io.BytesIO(picture.info["icc_profile"]))
        transform = ImageCms.buildTransform(
            embedded, ImageCms.createProfile("LAB"), "RGB", "LAB", renderingIntent=1
        )
        theirs = np.array(ImageCms.applyTransform(picture, transform)).astype(float)
    theirs[..., 0] *= 100 / 255
    theirs[..., 1:] = (theirs[..., 1:] + 128) % 256 - 128
    proof = read_back(path)
    assert (proof.width, proof.height, proof.profile_name) == (64, 48, "Adobe RGB (1998)")
    np.testing.assert_allclose(proof.lab(), theirs, atol=0.8)


def test_a_file_that_another_program_wrote(tmp_path, rng):
    """Pillow's JPEG and TIFF with littlecms' own sRGB profile inside."""
    pixels = np.repeat(np.repeat(codes(rng, 8, (6, 8)), 8, axis=0), 8, axis=1)
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    picture = Image.fromarray(pixels)
    picture.save(tmp_path / "a.tif", icc_profile=profile, compression="tiff_lzw")
    picture.save(tmp_path / "a.jpg", icc_profile=profile, quality=95, subsampling=0)
    expected = by_colour_science(pixels, "srgb")
    found = read_back(tmp_path / "a.tif")
    assert found.profile_name == "sRGB built-in"
    np.testing.assert_allclose(found.lab(), expected, atol=0.01)
    middles = slice(3, None, 8)
    coarse = read_back(tmp_path / "a.jpg").lab(middles, middles)
    de00 = colour.delta_E(coarse, expected[middles, middles], method="CIE 2000")
    assert de00.mean() < 1


TIFFS = [(kind, bits) for kind in ("ours", "tiles", "big-endian", "planar") for bits in (8, 16)]


@pytest.mark.parametrize(("kind", "bits"), [*TIFFS, ("jpeg", 8)])
def test_a_window_is_the_same_as_the_whole(kind, bits, tmp_path, rng):
    pixels = codes(rng, bits, (45, 67))
    path = tmp_path / "a.tif"
    profile = profile_of("srgb")
    if kind == "ours":
        tiff_of(path, pixels, "srgb")
    elif kind == "jpeg":
        path = tmp_path / "a.jpg"
        write_picture(path, pixels, "jpeg", "srgb", 90)
        pixels = imagecodecs.jpeg8_decode(path.read_bytes())
    else:
        how = {
            "tiles": {"tile": (16, 16), "compression": "zlib", "predictor": True},
            "big-endian": {"byteorder": ">"},
            "planar": {"planarconfig": "separate"},
        }[kind]
        data = pixels.transpose(2, 0, 1) if kind == "planar" else pixels
        tifffile.imwrite(path, data, photometric="rgb", iccprofile=profile, **how)
    proof = read_back(path)
    whole = by_littlecms(pixels, profile)
    for rows, columns in (
        (slice(None), slice(None)),
        (slice(3, 31), slice(7, 60)),
        (slice(2, 45, 7), slice(0, 67, 5)),
        (slice(44, 45), slice(66, 67)),
        (slice(5, 5), slice(0, 3)),
    ):
        found = proof.lab(rows, columns)
        assert found.shape == whole[rows, columns].shape
        np.testing.assert_allclose(found, whole[rows, columns], atol=1e-3)


def test_only_what_is_asked_for_is_read(tmp_path, monkeypatch):
    """Of an uncompressed TIFF, and not a byte of its pixels when it is opened."""
    path = tiff_of(tmp_path / "a.tif", np.zeros((400, 300, 3), np.uint16), "srgb")
    read = []
    from_file = np.fromfile
    monkeypatch.setattr(np, "fromfile", lambda f, t, n: read.append(n) or from_file(f, t, n))
    proof = read_back(path)
    assert not read
    proof.xyz(slice(10, 14), slice(5, 9))
    assert sum(read) == 4 * 300 * 3


def test_reading_changes_no_file(tmp_path, rng):
    path = tiff_of(tmp_path / "a.tif", codes(rng, 16), "srgb")
    before = (digest_file(path), path.stat().st_mtime_ns)
    read_back(path).thumbnail(20)
    assert (digest_file(path), path.stat().st_mtime_ns) == before


def test_grey_files(tmp_path):
    """A one-channel file with a grey profile of littlecms', gamma 2.2 and a D50 white: L* of a
    power law, by CIE 15."""
    profile = imagecodecs.cms_profile("gray", whitepoint=(0.3457, 0.3585, 1.0), gamma=2.2)
    ramp = np.arange(256, dtype=np.uint8)[None].repeat(3, axis=0)
    tifffile.imwrite(tmp_path / "a.tif", ramp, photometric="minisblack", iccprofile=profile)
    proof = read_back(tmp_path / "a.tif")
    y = (np.arange(256) / 255) ** 2.2
    expected = np.where(y > (6 / 29) ** 3, 116 * np.cbrt(y) - 16, y * (29 / 3) ** 3)
    np.testing.assert_allclose(proof.lab()[1, :, 0], expected, atol=0.01)
    assert np.abs(proof.lab()[..., 1:]).max() < 0.01
    assert proof.primaries() is None
    assert Image.open(io.BytesIO(proof.thumbnail(64))).size == (64, 1)


def table_profile():
    """A profile that is a table and no curves and matrix: every full channel is as light as white,
    so that channels do not add up. lut8Type, ICC.1:2022, 10.10; PCS Lab of version 2."""
    corners = np.zeros((2, 2, 2, 3), np.uint8)
    for r in (0, 1):
        for g in (0, 1):
            for b in (0, 1):
                corners[r, g, b] = (255 * max(r, g, b), 128 + 60 * (r - g), 128 + 60 * (r - b))
    straight = bytes(range(256)) * 3
    identity = struct.pack(">9i", 65536, 0, 0, 0, 65536, 0, 0, 0, 65536)
    table = (
        b"mft1\0\0\0\0" + bytes([3, 3, 2, 0]) + identity + straight + corners.tobytes() + straight
    )
    white = b"XYZ \0\0\0\0" + struct.pack(">3i", 63190, 65536, 54061)
    name = b"desc\0\0\0\0" + struct.pack(">I", 6) + b"table\0" + bytes(78)
    tags = {b"desc": name, b"cprt": b"text\0\0\0\0none\0", b"wtpt": white, b"A2B0": table}
    start = 128 + 4 + 12 * len(tags)
    listed, data = struct.pack(">I", len(tags)), b""
    for tag, content in tags.items():
        listed += struct.pack(">4sII", tag, start + len(data), len(content))
        data += content + bytes(-len(content) % 4)
    header = struct.pack(
        ">I4xI4s4s4s12x4s28x12s48x",
        start + len(data),
        0x02400000,
        b"mntr",
        b"RGB ",
        b"Lab ",
        b"acsp",
        struct.pack(">3i", 63190, 65536, 54061),
    )
    return header + listed + data


def test_a_profile_that_is_a_table(tmp_path, rng):
    """Nothing is assumed of how a profile works: where its channels do not add up, littlecms is
    asked for every pixel."""
    pixels = codes(rng, 8)
    tifffile.imwrite(tmp_path / "a.tif", pixels, photometric="rgb", iccprofile=table_profile())
    proof = read_back(tmp_path / "a.tif")
    assert proof.profile_name == "table"
    expected = by_littlecms(pixels, table_profile())
    np.testing.assert_allclose(proof.lab(), expected, atol=2e-3)
    red, green, yellow = proof.lab()[0, [4, 2, 6]]
    assert red[0] == green[0] == pytest.approx(yellow[0], abs=0.01)


# --- thumbnails ---------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [(1, 1), (3, 500), (500, 3), (120, 80), (41, 1203)])
@pytest.mark.parametrize("suffix", ["jpg", "tif"])
def test_thumbnails(suffix, size, tmp_path):
    """Any shape; long edge as asked or less; the colour is the picture's, by Pillow."""
    width, height = size
    pixels = np.full((height, width, 3), (180, 90, 40), np.uint8)
    path = tmp_path / f"a.{suffix}"
    kind = {"jpg": "jpeg", "tif": "tiff"}[suffix]
    write_picture(path, pixels, kind, "srgb", 95)
    with Image.open(io.BytesIO(read_back(path).thumbnail(40))) as small:
        assert max(small.size) <= 40
        assert min(small.size) >= 1
        if max(size) >= 40:
            assert max(small.size) > 25
        colours = np.array(small).reshape(-1, 3)
    assert np.abs(colours.astype(int) - (180, 90, 40)).max() <= 6


def test_a_thumbnail_shows_the_picture_the_right_way(tmp_path):
    pixels = np.zeros((300, 400, 3), np.uint8)
    pixels[:150, :200] = (220, 30, 30)
    path = tiff_of(tmp_path / "a.tif", pixels, "display-p3")
    small = np.array(Image.open(io.BytesIO(read_back(path).thumbnail(40))))
    height, width = small.shape[:2]
    assert width / height == pytest.approx(4 / 3, abs=0.05)
    assert small[height // 5, width // 5, 0] > 200
    assert small[-height // 5, -width // 5].max() < 20
    part = np.array(
        Image.open(io.BytesIO(read_back(path).thumbnail(40, slice(0, 100), slice(0, 100))))
    )
    assert part[..., 0].min() > 200


# --- what cannot be measured --------------------------------------------------------------------


def write_jpeg(path, pixels=None, profile=None, exif=None):
    picture = Image.fromarray(np.full((8, 8, 3), 90, np.uint8) if pixels is None else pixels)
    more = {} if exif is None else {"exif": exif}
    picture.save(path, "JPEG", icc_profile=profile, **more)
    return path


def refused(path):
    with pytest.raises(CannotMeasure) as caught:
        read_back(path)
    return str(caught.value)


def test_without_a_profile_nothing_is_certain(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((4, 4, 3), np.uint8), photometric="rgb")
    sentence = "it holds no ICC profile, so that nothing says what its codes mean"
    assert refused(write_jpeg(tmp_path / "a.jpg")) == sentence
    assert refused(tmp_path / "a.tif") == sentence
    assert CannotMeasure.exit_code == 1


def test_files_that_are_none(tmp_path):
    assert refused(tmp_path / "gone.jpg") == "it cannot be read (No such file or directory)"
    assert refused(tmp_path) == "it cannot be read (Is a directory)"
    for name, content in (("a.tif", b""), ("b.jpg", b"\xff\xd8"), ("c.tif", b"II*\0" + bytes(40))):
        (tmp_path / name).write_bytes(content)
        assert "it is" in refused(tmp_path / name)


@pytest.mark.parametrize("share", [0.3, 0.6, 0.95])
def test_files_that_are_cut_short(share, tmp_path, rng):
    pixels = codes(rng, 8)
    for kind, suffix in (("jpeg", "jpg"), ("tiff", "tif")):
        path = tmp_path / f"a.{suffix}"
        write_picture(path, pixels, kind, "srgb", 90)
        data = path.read_bytes()
        path.write_bytes(data[: int(share * len(data))])
        assert "cut short" in refused(path)


def test_a_turned_file_is_none_of_ours(tmp_path):
    exif = Image.Exif()
    exif[274] = 6
    path = write_jpeg(tmp_path / "a.jpg", profile=profile_of("srgb"), exif=exif)
    assert refused(path) == ("its Exif orientation is 6: a delivered file stands upright, with 1")
    exif[274] = 1
    read_back(write_jpeg(tmp_path / "b.jpg", profile=profile_of("srgb"), exif=exif))
    tifffile.imwrite(
        tmp_path / "c.tif",
        np.zeros((4, 4, 3), np.uint8),
        photometric="rgb",
        iccprofile=profile_of("srgb"),
        extratags=[(274, 3, 1, 3, True)],
    )
    assert "its Exif orientation is 3" in refused(tmp_path / "c.tif")


def test_pixels_and_profiles_that_do_not_fit(tmp_path):
    grey = imagecodecs.cms_profile("gray", whitepoint=(0.3457, 0.3585, 1.0), gamma=2.2)
    path = write_jpeg(tmp_path / "a.jpg", profile=grey)
    assert refused(path) == "its ICC profile is for GRAY, its pixels are not"
    Image.new("CMYK", (8, 8)).save(tmp_path / "b.jpg", icc_profile=profile_of("srgb"))
    assert refused(tmp_path / "b.jpg") == "its ICC profile is for RGB, its pixels are not"
    tifffile.imwrite(
        tmp_path / "c.tif",
        np.zeros((4, 4, 3), np.float32),
        photometric="rgb",
        iccprofile=profile_of("srgb"),
    )
    assert refused(tmp_path / "c.tif") == (
        "its pixels are float32; 8 and 16 bits a channel are measured"
    )


@pytest.mark.parametrize("damage", ["short", "tags", "nothing"])
def test_broken_profiles(damage, tmp_path):
    good = profile_of("srgb")
    broken = {
        "short": good[:140],
        "tags": good[:128] + b"\xff" * (len(good) - 128),
        "nothing": good[:20],
    }[damage]
    sentence = refused(write_jpeg(tmp_path / "a.jpg", profile=broken))
    assert "ICC profile" in sentence


def test_a_file_that_shrinks_while_it_is_read(tmp_path):
    path = tiff_of(tmp_path / "a.tif", np.zeros((50, 50, 3), np.uint16), "srgb")
    proof = read_back(path)
    with path.open("r+b") as file:
        file.truncate(2000)
    with pytest.raises((CannotMeasure, ValueError)):
        proof.xyz()


def test_names_of_profiles():
    assert proofread.profile_name(profile_of("romm-rgb")) == "ROMM RGB"
    assert proofread.profile_name(imagecodecs.cms_profile("adobergb")) != "unnamed"
    assert proofread.profile_name(bytes(140)) == "unnamed"


def test_the_tables_are_kept_for_the_next_file(tmp_path, rng, monkeypatch):
    """A job's files share a few profiles; littlecms is asked once for each."""
    asked = []
    engine = proofread._by_engine
    monkeypatch.setattr(
        proofread, "_by_engine", lambda p, c, s: asked.append(c.size) or engine(p, c, s)
    )
    proofread._reading.cache_clear()
    pixels = codes(rng, 16)
    first = read_back(tiff_of(tmp_path / "a.tif", pixels, "srgb"))
    first.lab()
    count = len(asked)
    second = read_back(tiff_of(tmp_path / "b.tif", pixels, "srgb"))
    np.testing.assert_array_equal(second.xyz(), first.xyz())
    assert len(asked) == count == 4
    np.testing.assert_array_equal(lab_of(second.xyz(), WHITE), second.lab())

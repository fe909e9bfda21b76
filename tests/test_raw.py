"""Opening originals: what a DNG, a JPEG or a TIFF says is what comes out, and nothing breaks it."""

from __future__ import annotations

import struct
import subprocess
import time
from pathlib import Path

import colour
import imagecodecs
import numpy as np
import pytest
import rawpy
import tifffile

from pipeline.errors import NotAsRecorded, SafelightError, UnreadableOriginal
from pipeline.files.dng import MOST_PIXELS
from pipeline.files.raw import open_original
from pipeline.frame import Source
from pipeline.hashing import digest_bytes
from pipeline.kernels.spaces import D65
from tests.dng import COLOR_MATRIX, LETTER_CODE, mosaic_of, write_dng

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
XTRANS = "GBGGRG" + "RGRBGB" + "GBGGRG" + "GRGGBG" + "BGBRGR" + "GRGGBG"
NEUTRAL = np.array([0.5, 1.0, 0.6])
COLOUR = np.array([0.2, 0.3, 0.1])  # linear camera RGB, not balanced


def levels(camera_rgb: np.ndarray, pattern: str, black: np.ndarray, white: int = 15000):
    """A mosaic whose samples lie on per-place black levels."""
    height, width = camera_rgb.shape[:2]
    floor = np.tile(black, (height // 2 + 1, width // 2 + 1))[:height, :width]
    return np.round(mosaic_of(camera_rgb, pattern) * (white - np.max(black)) + floor)


def flat(height: int = 24, width: int = 30) -> np.ndarray:
    return np.broadcast_to(COLOUR, (height, width, 3))


def pixels(source: Source) -> np.ndarray:
    out = np.full((3, source.height, source.width), np.nan, np.float32)
    source.strip(0, source.height, out)
    return out.transpose(1, 2, 0)


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("byteorder", ["<", ">"])
def test_samples_become_balanced_linear_rgb(tmp_path: Path, pattern: str, byteorder: str) -> None:
    black = np.array([[500, 508], [516, 524]])
    path = write_dng(
        tmp_path / "a.dng",
        levels(flat(25, 31), pattern, black),
        pattern,
        black=tuple(black.flat),
        white=15000,
        as_shot_neutral=NEUTRAL,
        byteorder=byteorder,
    )
    source = open_original(path)
    assert (source.width, source.height, source.orientation) == (31, 25, 1)
    assert np.abs(pixels(source) - COLOUR / NEUTRAL).max() < 1e-4  # half a code is 7e-5
    assert np.abs(source.preview() - COLOUR / NEUTRAL).max() < 1e-4


@pytest.mark.parametrize("area", [(0, 0, 40, 50), (1, 3, 37, 48), (2, 1, 39, 50), (3, 2, 40, 49)])
def test_active_area_begins_the_pattern_and_the_black_levels(tmp_path: Path, area) -> None:
    # DNG 1.7.1.0: CFAPattern and BlackLevel count from the top left of the active area
    top, left, bottom, right = area
    black = np.array([[500, 700], [900, 1100]])
    samples = np.full((40, 50), 77)
    samples[top:bottom, left:right] = levels(flat(bottom - top, right - left), "GBRG", black)
    path = write_dng(
        tmp_path / "a.dng", samples, "GBRG", black=tuple(black.flat), white=15000,
        as_shot_neutral=NEUTRAL, active_area=area,
    )  # fmt: skip
    source = open_original(path)
    assert (source.width, source.height) == (right - left, bottom - top)
    assert np.abs(pixels(source) - COLOUR / NEUTRAL).max() < 1e-4


@pytest.mark.parametrize("area", [None, (1, 3, 47, 60)])
def test_every_way_of_storing_samples_gives_the_same_bits(tmp_path: Path, area) -> None:
    samples = np.random.default_rng(1).integers(0, 16000, (50, 70))
    samples[5, 5] = 0  # the lossless coder's largest difference
    options = {
        "white": 16383,
        "black": (100, 110, 120, 130),
        "active_area": area,
        "pattern": "GRBG",
    }
    plain = pixels(open_original(write_dng(tmp_path / "a.dng", samples, **options)))
    packed = write_dng(tmp_path / "b.dng", samples, compression="ljpeg", tile=(32, 48), **options)
    for threads in (1, 3):
        assert np.array_equal(plain, pixels(open_original(packed, threads=threads)))
    # an identity LinearizationTable sends the file through LibRaw
    table = (50712, 3, 16384, tuple(range(16384)), True)
    by_libraw = write_dng(tmp_path / "c.dng", samples, extra_tags=(table,), **options)
    assert np.array_equal(plain, pixels(open_original(by_libraw)))


def test_lossless_tiles_are_what_libraw_reads(tmp_path: Path) -> None:
    samples = np.random.default_rng(2).integers(0, 65536, (50, 70))
    path = write_dng(tmp_path / "a.dng", samples, compression="ljpeg", tile=(32, 48))
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image, samples)


def test_linearization_table_is_applied(tmp_path: Path) -> None:
    # DNG 1.7.1.0: the table comes before the black level
    table = (50712, 3, 256, tuple(np.arange(256) ** 2 // 5), True)
    samples = np.full((32, 32), 200)
    path = write_dng(
        tmp_path / "a.dng",
        samples,
        black=1000,
        white=13000,
        as_shot_neutral=(1, 1, 1),
        extra_tags=(table,),
    )
    assert np.abs(pixels(open_original(path)) - (8000 - 1000) / 12000).max() < 1e-4


@pytest.mark.parametrize("orientation", range(1, 9))
def test_preview_is_upright_and_strips_are_as_stored(tmp_path: Path, orientation: int) -> None:
    scene = np.full((40, 64, 3), 0.1)
    scene[:12, :16] = 0.6  # a bright corner, top left as stored
    path = write_dng(
        tmp_path / "a.dng", mosaic_of(scene) * 10000, white=10000, orientation=orientation,
        as_shot_neutral=(1, 1, 1),
    )  # fmt: skip
    source = open_original(path)
    assert source.orientation == orientation
    assert (source.width, source.height) == (64, 40)
    preview = source.preview()
    assert preview.shape == ((10, 16, 3) if orientation < 5 else (16, 10, 3))
    # Exif 2.32: where row 0 and column 0 of the stored picture belong
    corner = {
        1: (0, 0),
        2: (0, -1),
        3: (-1, -1),
        4: (-1, 0),
        5: (0, 0),
        6: (0, -1),
        7: (-1, -1),
        8: (-1, 0),
    }
    bright = [c for c in ((0, 0), (0, -1), (-1, 0), (-1, -1)) if preview[c].min() > 0.5]
    assert bright == [corner[orientation]]


def test_light_of_a_camera(tmp_path: Path) -> None:
    samples = np.full((32, 32), 3000)
    source = open_original(write_dng(tmp_path / "a.dng", samples, as_shot_neutral=NEUTRAL))
    light = source.light
    # one matrix: the white is what it makes of the neutral
    xyz = np.linalg.solve(COLOR_MATRIX, NEUTRAL)
    assert light.as_shot == pytest.approx((xyz / xyz.sum())[:2], abs=1e-6)
    assert np.abs(light.to_working(light.as_shot) @ np.ones(3) - 1).max() < 1e-12
    # what is neutral under another white is white there, and found there
    balanced = (COLOR_MATRIX @ np.array([1.0985, 1.0, 0.3558])) / NEUTRAL  # illuminant A
    white = light.white_of(tuple(balanced))
    assert white == pytest.approx((0.4476, 0.4074), abs=2e-4)
    result = light.to_working(white) @ balanced
    assert np.abs(result / result[0] - 1).max() < 1e-9


def test_white_given_as_chromaticity(tmp_path: Path) -> None:
    path = write_dng(
        tmp_path / "a.dng",
        np.full((32, 32), 3000),
        as_shot_neutral=None,
        as_shot_white_xy=(0.36, 0.37),
    )
    assert open_original(path).light.as_shot == pytest.approx((0.36, 0.37), abs=1e-5)


def test_unit_calibration_counts_only_with_its_profile(tmp_path: Path) -> None:
    # DNG 1.7.1.0: CameraCalibration is the identity unless the two signatures match
    unit = np.diag([1.1, 1.0, 0.9])
    whites = []
    for name, signatures in (("a", ("one", "two")), ("b", ("one", "one"))):
        path = write_dng(
            tmp_path / f"{name}.dng", np.full((32, 32), 3000), camera_calibration1=unit,
            calibration_signatures=signatures, as_shot_neutral=NEUTRAL,
        )  # fmt: skip
        whites.append(open_original(path).light.as_shot)
    plain = open_original(
        write_dng(tmp_path / "c.dng", np.full((32, 32), 3000), as_shot_neutral=NEUTRAL)
    )
    assert whites[0] == plain.light.as_shot
    xyz = np.linalg.solve(unit @ COLOR_MATRIX, NEUTRAL)
    assert whites[1] == pytest.approx((xyz / xyz.sum())[:2], abs=1e-6)


def test_xtrans_and_linear_raw_come_through_libraw(tmp_path: Path) -> None:
    table = np.array([LETTER_CODE[c] for c in XTRANS]).reshape(6, 6)
    samples = np.tile(COLOUR[table] * 14500 + 500, (90, 90))
    options = {"black": 500, "white": 15000, "as_shot_neutral": NEUTRAL}
    xtrans = open_original(write_dng(tmp_path / "x.dng", samples, XTRANS, **options))
    linear = open_original(write_dng(tmp_path / "l.dng", flat(60, 50) * 14500 + 500, **options))
    for source in (xtrans, linear):
        got = pixels(source)
        assert np.abs(got[20:-20, 20:-20] - COLOUR / NEUTRAL).max() < 2e-3
        assert np.abs(source.preview()[4:-4, 4:-4] - COLOUR / NEUTRAL).max() < 2e-3
        part = np.empty((3, 7, source.width), np.float32)
        source.strip(11, 18, part)
        assert np.array_equal(part.transpose(1, 2, 0), got[11:18])


def test_exposure_does_not_depend_on_content_in_libraw_either(tmp_path: Path) -> None:
    dark = flat(60, 50) * 0.1
    options = {"black": 0, "white": 15000, "as_shot_neutral": NEUTRAL}
    source = open_original(write_dng(tmp_path / "l.dng", dark * 15000, **options))
    assert np.abs(pixels(source) - 0.1 * COLOUR / NEUTRAL).max() < 2e-4


def test_digest_is_that_of_the_bytes_that_are_developed(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "a.dng", np.full((32, 32), 3000))
    digest = digest_bytes(path.read_bytes())
    assert open_original(path, digest).width == 32
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(data)
    with pytest.raises(NotAsRecorded, match=r"a\.dng"):
        open_original(path, digest)


def sentence(path: Path, error: type[SafelightError] = UnreadableOriginal) -> str:
    """What the user reads; quickly, and on one line."""
    start = time.monotonic()
    with pytest.raises(error) as caught:
        open_original(path)
    assert time.monotonic() - start < 5
    text = str(caught.value)
    assert text and "\n" not in text and len(text) < 200
    return text


def damaged(kind: str, path: Path) -> None:
    write_dng(path, np.random.default_rng(1).integers(500, 9000, (64, 64)))
    data = path.read_bytes()
    path.write_bytes(
        {
            "empty": b"",
            "zeros": bytes(len(data)),
            "text": b"not a picture at all\n" * 50,
            "head only": data[:300],
            "nine bytes": data[:9],
            "cut": data[: len(data) // 2],
            "cut by one": data[:-1],
            "noise": np.random.default_rng(2).bytes(5000),
            "tiff magic and noise": b"II*\0" + np.random.default_rng(3).bytes(5000),
        }[kind]
    )


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("empty", "empty"),
        ("zeros", "not a raw"),
        ("text", "not a raw"),
        ("head only", "header"),
        ("nine bytes", ""),
        ("cut", "cut short"),
        ("cut by one", "cut short"),
        ("noise", "not a raw"),
        ("tiff magic and noise", ""),
    ],
)
def test_damaged_files_are_one_sentence(tmp_path: Path, kind: str, says: str) -> None:
    damaged(kind, tmp_path / "a.dng")
    assert says in sentence(tmp_path / "a.dng")


def test_missing_file_and_folder_are_one_sentence(tmp_path: Path) -> None:
    assert sentence(tmp_path / "none.dng", SafelightError)
    assert sentence(tmp_path, SafelightError)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"color_matrix1": None}, "colour matrix"),
        ({"color_matrix1": np.zeros((3, 3))}, "inverted"),
        ({"color_matrix1": -COLOR_MATRIX}, "no sense"),
        ({"black": 70000}, "black level"),
        ({"as_shot_neutral": (0.0, 1.0, 0.5)}, "neutral"),
        ({"active_area": (0, 0, 999, 999)}, "active area"),
    ],
)
def test_headers_that_make_no_sense_are_one_sentence(tmp_path: Path, options, says: str) -> None:
    path = write_dng(tmp_path / "a.dng", np.full((32, 32), 3000), **options)
    assert says in sentence(path)


def test_picture_of_nothing_is_one_sentence(tmp_path: Path) -> None:
    assert "zero" in sentence(write_dng(tmp_path / "a.dng", np.zeros((32, 32))))
    assert "1 × 1" in sentence(write_dng(tmp_path / "b.dng", np.full((1, 1), 3000)))


def with_tag(data: bytes, code: int, value: int) -> bytes:
    """A little-endian TIFF with a one-value tag of its first directory overwritten."""
    at = struct.unpack_from("<I", data, 4)[0]
    for entry in range(struct.unpack_from("<H", data, at)[0]):
        place = at + 2 + 12 * entry
        if struct.unpack_from("<H", data, place)[0] == code:
            fields = struct.pack("<HHII", code, 4, 1, value)
            return data[:place] + fields + data[place + 12 :]
    raise AssertionError(f"no tag {code}")


def test_absurd_dimensions_are_refused_before_anything_is_unpacked(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "a.dng", np.full((32, 32), 3000))
    data = path.read_bytes()
    side = int(MOST_PIXELS**0.5) + 1000
    path.write_bytes(with_tag(with_tag(data, 256, side), 257, side))
    assert "at most 400 million" in sentence(path)
    tiff = tmp_path / "a.tif"
    tifffile.imwrite(tiff, np.zeros((32, 32, 3), np.uint8), photometric="rgb", metadata=None)
    tiff.write_bytes(with_tag(with_tag(tiff.read_bytes(), 256, side), 257, side))
    assert "at most 400 million" in sentence(tiff)


def test_absurd_tiles_are_refused_before_they_are_decoded(tmp_path: Path) -> None:
    path = write_dng(
        tmp_path / "a.dng", np.full((32, 32), 3000), compression="ljpeg", tile=(32, 32)
    )
    data = bytearray(path.read_bytes())
    frame = data.find(b"\xff\xd8\xff\xc3") + 2
    data[frame + 5 : frame + 9] = b"\xff\xff\xff\xff"
    path.write_bytes(data)
    assert "tiles" in sentence(path)


def test_flipped_header_bytes_end_in_a_picture_or_a_sentence(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "a.dng", np.random.default_rng(1).integers(500, 9000, (40, 40)))
    data = path.read_bytes()
    rng = np.random.default_rng(7)
    refused = 0
    for _ in range(150):
        broken = bytearray(data)
        for place in rng.integers(0, len(data) - 40 * 40 * 2, 3):
            broken[place] = rng.integers(256)
        path.write_bytes(broken)
        try:
            pixels(open_original(path))
        except UnreadableOriginal as error:
            refused += 1
            assert "\n" not in str(error)
    assert 10 < refused < 150


# pictures


def picture(dtype=np.uint8) -> np.ndarray:
    codes = np.random.default_rng(5).integers(0, 256, (21, 30, 3))
    codes[:4, :4] = 255
    return (codes * (np.iinfo(dtype).max // 255)).astype(dtype)


def working_of(codes: np.ndarray, space_name: str) -> np.ndarray:
    """Oracle: colour-science, Bradford, relative colorimetric."""
    space = colour.RGB_COLOURSPACES[space_name].copy()
    target = colour.RGB_COLOURSPACES["ITU-R BT.2020"].copy()
    for each in (space, target):
        each.use_derived_transformation_matrices(True)
    return colour.RGB_to_RGB(
        codes, space, target, "Bradford", apply_cctf_decoding=True, apply_cctf_encoding=False
    )


def test_picture_without_a_profile_is_srgb(tmp_path: Path) -> None:
    for dtype in (np.uint8, np.uint16):
        path = tmp_path / "a.tif"
        tifffile.imwrite(path, picture(dtype), photometric="rgb", compression="zlib")
        source = open_original(path)
        wanted = working_of(picture(dtype) / np.iinfo(dtype).max, "sRGB")
        assert np.abs(pixels(source) - wanted).max() < 1e-4
        assert source.light.as_shot == D65
        assert np.allclose(source.light.to_working(D65), np.eye(3), atol=1e-12)


def test_profile_is_honoured(tmp_path: Path) -> None:
    # the 1998 space by its published primaries and gamma 563/256
    profile = imagecodecs.cms_profile(
        "rgb",
        whitepoint=(*D65, 1),
        primaries=(0.64, 0.33, 1, 0.21, 0.71, 1, 0.15, 0.06, 1),
        gamma=563 / 256,
    )
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, picture(np.uint16), photometric="rgb", iccprofile=profile)
    wanted = working_of(picture(np.uint16) / 65535, "Adobe RGB (1998)")
    source = open_original(path)
    assert np.abs(pixels(source) - wanted).max() < 2e-4
    part = np.full((3, 5, 40), np.nan, np.float32)
    source.strip(9, 14, part)
    assert np.array_equal(part[:, :, :30].transpose(1, 2, 0), pixels(source)[9:14])
    assert np.isnan(part[:, :, 30:]).all()


@pytest.mark.parametrize("index", ["R98", "R03"])
def test_a_cameras_jpeg_is_in_the_space_that_it_is_marked_with(tmp_path: Path, index: str) -> None:
    """DCF 2.0 (JEITA CP-3461B): interoperability index R98 is sRGB, R03 the optional colour space,
    Adobe RGB (1998). Marked by exiftool, as a camera does it: without a profile."""
    path = tmp_path / "a.jpg"
    path.write_bytes(imagecodecs.jpeg8_encode(np.full((16, 24, 3), (200, 90, 40), np.uint8), 98))
    marks = [f"-InteropIndex={index}", "-ColorSpace=Uncalibrated", "-Orientation#=6"]
    subprocess.run(["exiftool", "-q", "-overwrite_original", *marks, path], check=True)
    source = open_original(path)
    space = {"R98": "sRGB", "R03": "Adobe RGB (1998)"}[index]
    assert np.abs(pixels(source) - working_of(np.array([200, 90, 40]) / 255, space)).max() < 0.01
    assert source.orientation == 6


def test_no_float_is_so_bright_that_it_turns_black(tmp_path: Path) -> None:
    # IEEE 754: what is no number is neither; an infinity is brighter than all others
    floats = np.full((16, 16, 3), 0.5, np.float32)
    floats[4, :4] = np.array([np.nan, np.inf, -np.inf, 3e38])[:, None]
    tifffile.imwrite(tmp_path / "a.tif", floats, photometric="rgb")
    got = pixels(open_original(tmp_path / "a.tif"))
    assert np.isfinite(got).all()
    assert got[4, [1, 3]].min() > 1
    assert got[4, [0, 2]].max() < 1e-6
    assert np.abs(got[6] - working_of(np.array([0.5, 0.5, 0.5]), "sRGB")).max() < 1e-4


def test_jpeg_with_profile_and_exif_orientation(tmp_path: Path) -> None:
    smooth = np.full((16, 24, 3), (200, 90, 40), np.uint8)
    jpeg = imagecodecs.jpeg8_encode(smooth, level=98)
    exif = b"Exif\0\0II*\0\x08\0\0\0" + struct.pack("<HHHIHH", 1, 274, 3, 1, 6, 0) + bytes(4)
    profile = imagecodecs.cms_profile("srgb")
    icc = b"ICC_PROFILE\0\x01\x01" + profile
    segments = b"".join(
        marker + struct.pack(">H", len(body) + 2) + body
        for marker, body in ((b"\xff\xe1", exif), (b"\xff\xe2", icc))
    )
    path = tmp_path / "looks-raw.dng"  # content decides, not the name
    path.write_bytes(jpeg[:2] + segments + jpeg[2:])
    source = open_original(path)
    assert (source.width, source.height, source.orientation) == (24, 16, 6)
    wanted = working_of(np.array([200, 90, 40]) / 255, "sRGB")
    assert np.abs(pixels(source) - wanted).max() < 0.01  # JPEG's own loss
    assert source.preview().shape == (6, 4, 3)
    path.write_bytes(path.read_bytes()[:-60])
    assert "cut short" in sentence(path)


def test_grey_and_planar_pictures(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, picture()[..., 0], photometric="minisblack")
    grey = pixels(open_original(path))
    assert np.abs(grey - grey[..., :1]).max() < 1e-4
    tifffile.imwrite(path, picture(), photometric="rgb")
    together = pixels(open_original(path))
    planar = np.ascontiguousarray(picture().transpose(2, 0, 1))
    tifffile.imwrite(path, planar, photometric="rgb", planarconfig="separate")
    assert np.array_equal(pixels(open_original(path)), together)


def test_curves_and_matrix_agree_with_the_colour_engine(tmp_path: Path) -> None:
    # float pictures take the engine's road, whole numbers the curves that were read off it
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, picture(np.uint16), photometric="rgb")
    by_curves = pixels(open_original(path))
    tifffile.imwrite(path, (picture(np.uint16) / 65535).astype(np.float32), photometric="rgb")
    by_engine = pixels(open_original(path))
    assert np.abs(by_curves - by_engine).max() < 1e-4


def test_pictures_that_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    cmyk = np.zeros((8, 8, 4), np.uint8)
    tifffile.imwrite(path, cmyk, photometric="separated")
    assert "RGB or grey" in sentence(path)
    path.write_bytes(imagecodecs.jpeg8_encode(cmyk, colorspace="cmyk", outcolorspace="cmyk"))
    assert "CMYK" in sentence(path)
    tifffile.imwrite(path, picture(), photometric="rgb", iccprofile=b"rubbish" * 40)
    assert "profile" in sentence(path)
    tifffile.imwrite(path, picture(), photometric="rgb")
    path.write_bytes(path.read_bytes()[:-10])
    assert "cut short" in sentence(path)


def test_white_of_a_picture_turns_around_d65(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, picture(), photometric="rgb")
    light = open_original(path).light
    assert light.white_of((1.0, 1.0, 1.0)) == pytest.approx(D65, abs=1e-12)
    cast = (1.1, 1.0, 0.8)
    result = light.to_working(light.white_of(cast)) @ np.array(cast)
    assert np.abs(result / result[1] - 1).max() < 1e-12


def test_baseline_exposure_brightens_the_working_picture_and_no_sample(tmp_path):
    """DNG 1.7.1.0: BaselineExposure moves the zero point of exposure, in stops."""
    samples = np.full((32, 32), 1200, np.uint16)
    plain, bright = tmp_path / "plain.dng", tmp_path / "bright.dng"
    write_dng(plain, samples)
    write_dng(bright, samples, extra_tags=[(50730, 10, 1, (3, 2), True)])
    first, second = (open_original(path) for path in (plain, bright))
    np.testing.assert_allclose(
        second.light.to_working(D65), first.light.to_working(D65) * 2**1.5, rtol=1e-12
    )
    np.testing.assert_array_equal(first.preview(), second.preview())
    assert second.light.as_shot == pytest.approx(first.light.as_shot, abs=1e-12)


def test_a_profiles_exposure_adds_to_the_baseline(tmp_path):
    """DNG 1.7.1.0, BaselineExposureOffset: a baseline of +0.3 and an offset of -0.7 give -0.4."""
    tags = [(50730, 10, 1, (3, 10), True), (51109, 10, 1, (-7, 10), True)]
    plain = open_original(write_dng(tmp_path / "a.dng", np.full((32, 32), 1200)))
    moved = open_original(write_dng(tmp_path / "b.dng", np.full((32, 32), 1200), extra_tags=tags))
    np.testing.assert_allclose(
        moved.light.to_working(D65), plain.light.to_working(D65) * 2**-0.4, rtol=1e-12
    )


def sixteenths(code: int, values: np.ndarray) -> tuple:
    parts = np.stack([np.round(values * 16), np.full(values.size, 16)], axis=1).astype(int)
    return (code, 10, values.size, tuple(parts.ravel().tolist()), True)


@pytest.mark.parametrize("area", [None, (3, 2, 43, 60)])
@pytest.mark.parametrize("by_libraw", [False, True])
def test_black_may_differ_by_row_and_column(tmp_path, area, by_libraw):
    """DNG 1.7.1.0, BlackLevelDeltaH and V: columns and rows of the active area, in raw codes; the
    highest black of all and the white level are 0 and 1 of what is linear."""
    top, left, bottom, right = area or (0, 0, 48, 64)
    down = np.linspace(-40, 60, bottom - top)
    across = np.linspace(30, -30, right - left)
    highest = 512 + down.max() + across.max()
    camera = mosaic_of(flat(bottom - top, right - left)) * (15000 - highest)
    samples = np.full((48, 64), 77)
    samples[top:bottom, left:right] = np.round(camera + 512 + down[:, None] + across)
    tags = [sixteenths(50715, across), sixteenths(50716, down)]
    if by_libraw:  # an identity LinearizationTable sends the file there
        tags.append((50712, 3, 16384, tuple(range(16384)), True))
    options = {"black": 512, "white": 15000, "as_shot_neutral": NEUTRAL, "active_area": area}
    source = open_original(write_dng(tmp_path / "a.dng", samples, extra_tags=tags, **options))
    # a sample and the tag are rounded to whole codes each: 7e-5 of the scale, over a neutral of 0.5
    assert np.abs(pixels(source) - COLOUR / NEUTRAL).max() < 3e-4


@pytest.mark.parametrize("shape", [(1, 2), (2, 1), (3, 3), (4, 4), (2, 8)])
@pytest.mark.parametrize("by_libraw", [False, True])
def test_black_may_repeat_in_a_pattern_of_any_size(tmp_path, shape, by_libraw):
    """DNG 1.7.1.0, BlackLevelRepeatDim: rows and columns, from the active area's corner on."""
    black = 500 + 16 * np.arange(shape[0] * shape[1]).reshape(shape)
    floor = np.tile(black, (48, 64))[:40, :60]
    samples = np.full((48, 64), 77)
    camera = mosaic_of(flat(40, 60)) * (15000 - black.max())
    samples[3:43, 2:62] = np.round(camera + floor)
    tags = [(50712, 3, 16384, tuple(range(16384)), True)] if by_libraw else []
    options = {"black": black, "white": 15000, "as_shot_neutral": NEUTRAL}
    options |= {"active_area": (3, 2, 43, 62), "extra_tags": tags}
    source = open_original(write_dng(tmp_path / "a.dng", samples, **options))
    assert np.abs(pixels(source) - COLOUR / NEUTRAL).max() < 3e-4


def test_black_of_rows_that_are_not_there_is_refused(tmp_path):
    path = tmp_path / "a.dng"
    write_dng(path, np.full((32, 40), 900), extra_tags=[sixteenths(50715, np.ones(7))])
    with pytest.raises(
        UnreadableOriginal, match="black levels for 7 columns; its active area has 40"
    ):
        open_original(path)


@pytest.mark.parametrize("by_libraw", [False, True])
def test_blown_white_is_the_white_that_is_balanced_for(tmp_path, by_libraw):
    """A grey wedge in daylight, shot with the camera set to lamplight, balanced for daylight: the
    picture of the same wedge whose camera was set right."""
    from pipeline.develop import master_pixels
    from pipeline.kernels.camera import neutral_of, single_matrix_camera
    from pipeline.kernels.temperature import xy_from_cct
    from pipeline.records import ResolvedStep

    camera = single_matrix_camera(COLOR_MATRIX)
    day, lamp = (neutral_of(camera, xy_from_cct(kelvin)) for kelvin in (5500, 2900))
    wedge = np.exp2(np.linspace(-3, 2.5, 192))[None, :, None] * np.ones((48, 1, 1)) * day
    recorded = np.round(np.clip(wedge, 0, 1) * 65535)
    samples = recorded if by_libraw else mosaic_of(recorded)
    steps = [
        ResolvedStep("look", name, name, 1, written)
        for name, written in (
            ("balance", {"kelvin": 5500}),
            ("expose", {"stops": -1}),
            ("tone", {"contrast": 1.12, "shoulder": 0.35}),
        )
    ]
    masters = []
    for name, neutral in (("right", day), ("wrong", lamp)):
        path = write_dng(tmp_path / f"{name}.dng", samples, as_shot_neutral=neutral)
        masters.append(master_pixels(open_original(path), steps).astype(float))
    right, wrong = masters
    assert right[24, -20:].min() > 0.9 * 65535  # blown
    assert np.abs(right - right.mean(axis=2, keepdims=True))[24].max() < 0.01 * 65535
    assert np.abs(right - wrong).max() < 0.002 * 65535


def test_an_absurd_baseline_exposure_is_refused(tmp_path):
    path = tmp_path / "a.dng"
    write_dng(path, np.full((32, 32), 1200, np.uint16), extra_tags=[(50730, 10, 1, (90, 1), True)])
    with pytest.raises(UnreadableOriginal, match="baseline exposure of 90 stops makes no sense"):
        open_original(path)

"""JPEG and TIFF files as other programs read them, and masters read back.

Readers that are not ours: Pillow, tifffile, imagecodecs, pyvips, OpenCV and exiftool.
"""

from __future__ import annotations

import io
import shutil
import struct
import subprocess

import cv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline.errors import CannotWrite, NotAsRecorded
from pipeline.files.encode import jpeg, read_master, tiff, write_master
from pipeline.files.landing import land
from pipeline.files.metadata import Blocks
from pipeline.files.profile import profile_of
from pipeline.hashing import digest_bytes

RANDOM = np.random.default_rng(25)


@pytest.fixture(scope="module")
def picture():
    """A smooth picture with a little noise, 16 bits."""
    y, x = np.mgrid[:301, :407] / 100
    waves = np.stack([np.sin(x + y), np.cos(x - 2 * y), np.sin(2 * x)], -1) * 0.3 + 0.5
    return np.round((waves + RANDOM.normal(0, 0.003, waves.shape)).clip(0, 1) * 65535).astype("u2")


def bytes_of(write):
    stream = io.BytesIO()
    write(stream)
    return stream.getvalue()


@pytest.mark.parametrize("bits", [8, 16])
def test_every_reader_sees_the_same_tiff(picture, tmp_path, bits):
    pixels = picture if bits == 16 else (picture >> 8).astype(np.uint8)
    path = tmp_path / "a.tif"
    land(path, tiff(pixels, "adobe-rgb"), tmp_path)
    assert np.array_equal(tifffile.imread(path), pixels)
    assert np.array_equal(cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1], pixels)
    pyvips = pytest.importorskip("pyvips")
    assert np.array_equal(pyvips.Image.new_from_file(str(path)).numpy(), pixels)
    if bits == 8:
        assert np.array_equal(np.asarray(Image.open(path)), pixels)


def test_tags_of_a_tiff(picture, tmp_path):
    land(tmp_path / "a.tif", tiff(picture, "romm-rgb", ppi=240), tmp_path)
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        assert len(file.pages) == 1
        page = file.pages[0]
        tags = {tag.code: tag.value for tag in page.tags}
    # TIFF 6.0, section 6 (baseline RGB); 34675 is the ICC profile (ICC.1:2022, B.5)
    assert tags[262] == 2
    assert tags[258] == (16, 16, 16)
    assert tags[259] == 1
    assert tags[282] == tags[283] == (240, 1)
    assert tags[296] == 2
    assert tags[274] == 1
    assert tags[34675] == profile_of("romm-rgb")


def test_a_tiff_is_its_arguments_and_nothing_else(picture):
    write = tiff(picture, "srgb")
    assert bytes_of(write) == bytes_of(write) == bytes_of(tiff(picture.copy(), "srgb"))


def test_strips_of_every_shape():
    for shape in ((1, 1), (1, 200_000), (5000, 1), (700, 301)):
        pixels = RANDOM.integers(0, 65536, (*shape, 3)).astype(np.uint16)
        for codes in (pixels, (pixels >> 8).astype(np.uint8)):
            data = bytes_of(tiff(codes, "srgb"))
            assert np.array_equal(tifffile.imread(io.BytesIO(data)), codes)


def test_a_strided_view_is_written_as_it_looks(picture):
    turned = picture.transpose(1, 0, 2)[::-1]
    assert np.array_equal(tifffile.imread(io.BytesIO(bytes_of(tiff(turned, "srgb")))), turned)


def test_a_master_comes_back_bit_for_bit(picture, tmp_path):
    artifact = write_master(tmp_path / "masters" / "QL0001_v1.tif", picture, tmp_path)
    again = read_master(tmp_path / artifact.path, artifact.digest)
    assert again.dtype == np.uint16
    assert np.array_equal(again, picture)


def test_a_master_that_is_not_what_was_recorded(picture, tmp_path):
    artifact = write_master(tmp_path / "a.tif", picture, tmp_path)
    path = tmp_path / "a.tif"
    whole = path.read_bytes()
    for damaged in (whole[:-1], whole[:5000], b"", whole[:9000] + b"\0" + whole[9001:]):
        path.write_bytes(damaged)
        with pytest.raises(NotAsRecorded, match="not what was recorded"):
            read_master(path, artifact.digest)
    path.unlink()
    with pytest.raises(NotAsRecorded, match="cannot be read"):
        read_master(path, artifact.digest)


def entry(data: bytes, tag: int) -> int:
    """Where the directory's entry for a tag starts."""
    (count,) = struct.unpack_from("<H", data, 8)
    starts = range(10, 10 + 12 * count, 12)
    return next(start for start in starts if struct.unpack_from("<H", data, start)[0] == tag)


@pytest.mark.parametrize(
    ("tag", "place", "value", "problem"),
    [
        (259, 8, 8, "not uncompressed"),  # compression
        (262, 8, 1, "not uncompressed"),  # photometric
        (256, 8, 0xFFFFFFFF, "do not add up"),  # width
        (257, 8, 0, "do not add up"),  # height
        (279, 8, 0xFFFFFFF0, "damaged"),  # where the byte counts lie
        (279, 2, 0x00C80004, "do not add up"),  # many more of them
        (273, 4, 1, "do not add up"),  # fewer offsets than counts
        (700, 8, 0, ""),  # no such tag: the file as it is
    ],
)
def test_a_file_that_carries_the_right_digest_but_is_no_master(
    tmp_path, tag, place, value, problem
):
    # a strip of no bytes, or a lie about the shape, must never come out as black pixels
    pixels = RANDOM.integers(0, 65536, (700, 400, 3)).astype(np.uint16)
    data = bytearray(bytes_of(tiff(pixels, "romm-rgb")))
    if problem:
        struct.pack_into("<I", data, entry(data, tag) + place, value)
    path = tmp_path / "a.tif"
    path.write_bytes(data)
    if not problem:
        assert np.array_equal(read_master(path, digest_bytes(bytes(data))), pixels)
        return
    with pytest.raises(NotAsRecorded, match=problem):
        read_master(path, digest_bytes(bytes(data)))


def test_a_strip_of_no_bytes_is_found(tmp_path):
    pixels = RANDOM.integers(0, 65536, (700, 400, 3)).astype(np.uint16)
    data = bytearray(bytes_of(tiff(pixels, "romm-rgb")))
    (counts,) = struct.unpack_from("<I", data, entry(data, 279) + 8)
    struct.pack_into("<I", data, counts, 0)
    (tmp_path / "a.tif").write_bytes(data)
    with pytest.raises(NotAsRecorded, match="do not add up"):
        read_master(tmp_path / "a.tif", digest_bytes(bytes(data)))


def test_other_programs_tiffs_are_not_taken_for_masters(picture, tmp_path):
    for settings in ({"byteorder": ">"}, {"compression": "zlib"}, {"bigtiff": True}):
        tifffile.imwrite(tmp_path / "a.tif", picture, photometric="rgb", **settings)
        data = (tmp_path / "a.tif").read_bytes()
        with pytest.raises(NotAsRecorded, match="not a master"):
            read_master(tmp_path / "a.tif", digest_bytes(data))
    for junk in (
        b"II*\0",
        b"II*\0\xff\xff\xff\xff",
        b"II*\0\x08\0\0\0\xff\xff" + bytes(40),
        b"\xff",
    ):
        (tmp_path / "a.tif").write_bytes(junk)
        with pytest.raises(NotAsRecorded, match="not a master"):
            read_master(tmp_path / "a.tif", digest_bytes(junk))


def test_a_jpeg_as_others_read_it(picture):
    pixels = (picture >> 8).astype(np.uint8)
    data = jpeg(pixels, "display-p3", quality=92, ppi=300)
    image = Image.open(io.BytesIO(data))
    assert image.info["icc_profile"] == profile_of("display-p3")
    assert image.info["dpi"] == (300, 300)
    assert image.layer[1][1:3] == (1, 1)  # 4:4:4: colour as fine as light
    assert image.getexif()[0x0112] == 1
    error = np.asarray(image).astype(float) - pixels
    assert np.sqrt(np.mean(error**2)) < 3
    assert np.array_equal(imagecodecs.jpeg8_decode(data), np.asarray(image))


def test_quality_is_what_decides_the_loss(picture):
    pixels = (picture >> 8).astype(np.uint8)
    sizes = [len(jpeg(pixels, "srgb", quality=quality, ppi=72)) for quality in (60, 90, 98)]
    assert sizes == sorted(sizes)
    assert sizes[2] > 1.5 * sizes[0]
    assert jpeg(pixels, "srgb", quality=90, ppi=72) == jpeg(pixels, "srgb", quality=90, ppi=72)


def test_only_srgb_calls_itself_srgb(picture):
    # Exif 2.32, ColorSpace: 1 is sRGB, 65535 uncalibrated
    pixels = (picture[:20, :20] >> 8).astype(np.uint8)
    for space, code in (("srgb", 1), ("display-p3", 65535), ("adobe-rgb", 65535)):
        exif = Image.open(io.BytesIO(jpeg(pixels, space, quality=90, ppi=300))).getexif()
        assert exif.get_ifd(0x8769)[0xA001] == code


def test_what_a_jpeg_cannot_hold():
    with pytest.raises(CannotWrite, match="do not fit a JPEG"):
        jpeg(np.zeros((1, 70_000, 3), np.uint8), "srgb", quality=90, ppi=72)
    with pytest.raises(CannotWrite, match="XMP packet is 70029 bytes long; a JPEG holds at most"):
        jpeg(
            np.zeros((8, 8, 3), np.uint8),
            "srgb",
            quality=90,
            ppi=72,
            blocks=Blocks(xmp=b"x" * 70_000),
        )


def test_what_a_tiff_cannot_hold():
    huge = np.broadcast_to(np.zeros(3, np.uint16), (30_000, 30_000, 3))
    with pytest.raises(CannotWrite, match="more than a TIFF's 4 GiB"):
        tiff(huge, "srgb")


@pytest.mark.skipif(shutil.which("exiftool") is None, reason="exiftool is not installed")
def test_files_without_metadata_are_clean_too(picture, tmp_path):
    pixels = (picture >> 8).astype(np.uint8)
    land(tmp_path / "a.jpg", jpeg(pixels, "srgb", quality=90, ppi=300), tmp_path)
    land(tmp_path / "b.tif", tiff(picture, "adobe-rgb"), tmp_path)
    write_master(tmp_path / "c.tif", picture, tmp_path)
    for name in ("a.jpg", "b.tif", "c.tif"):
        said = subprocess.run(
            ["exiftool", "-validate", "-warning", "-a", tmp_path / name],
            capture_output=True,
            text=True,
            check=True,
        )
        assert said.stdout.split() == ["Validate", ":", "OK"]

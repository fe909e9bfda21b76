"""Files of every format, opened by decoders that had no part in writing them.

Pillow, OpenCV, libvips and imagecodecs for pixels, exiftool for what is said in them.
"""

from __future__ import annotations

import io
import json
import subprocess
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from PIL import Image, ImageCms

from pipeline.errors import CannotWrite
from pipeline.files.formats import LEAST_QUALITY, MOST_QUALITY, SHOWS, has_fine_colour, written
from pipeline.files.landing import land
from pipeline.files.metadata import MetadataWriter
from pipeline.files.profile import profile_of
from pipeline.files.proofread import CannotMeasure, profile_name, read_back
from pipeline.kernels.similarity import similarity
from pipeline.records import Capture

cv2 = pytest.importorskip("cv2")
pyvips = pytest.importorskip("pyvips")
skimage = pytest.importorskip("skimage")
pytest.importorskip("pillow_jxl")

LOSSY = ("jpeg", "webp", "avif", "jxl")
FORMATS = (*LOSSY, "png", "tiff")
TEXTS = {"creator": "Ines Tolland", "description": "Лампа на причале, 灯", "headline": "A lamp"}


@pytest.fixture(scope="module")
def photograph() -> np.ndarray:
    return skimage.data.astronaut()[:300, :420]


@pytest.fixture(scope="module")
def blocks():
    with MetadataWriter() as writer:
        return writer.compose(TEXTS, Capture()).blocks


def saved(path: Path, pixels, space="srgb", blocks=None, **settings) -> Path:
    settings = {"format": path.suffix[1:], "quality": 92} | settings
    options = {} if blocks is None else {"blocks": blocks}
    land(path, written(pixels, space, settings, ppi=240, **options).content, path.parent)
    return path


@pytest.mark.parametrize("kind", FORMATS)
def test_every_format_carries_profile_resolution_and_texts(
    kind: str, photograph, blocks, tmp_path: Path
) -> None:
    space = "srgb" if kind == "jxl" else "display-p3"
    path = saved(tmp_path / f"a.{kind}", photograph, space, blocks)
    with Image.open(path) as image:
        assert image.size == (420, 300)
        if kind == "jxl":  # which says the space in a word of its own
            assert profile_name(image.info["icc_profile"]) == "sRGB"
        else:
            assert image.info["icc_profile"] == profile_of(space)
    found = subprocess.run(
        ["exiftool", "-json", "-n", "-a", "-G0", str(path)],
        capture_output=True, check=True, text=True,
    )  # fmt: skip
    (row,) = json.loads(found.stdout)
    assert row["XMP:Creator"] == "Ines Tolland"
    assert row["XMP:Description"] == TEXTS["description"]
    assert row["EXIF:Artist"] == "Ines Tolland"
    assert row["EXIF:XResolution"] == 240
    assert "Warning" not in "".join(row), row


@pytest.mark.parametrize("kind", FORMATS)
def test_other_decoders_see_the_same_picture(kind: str, photograph, tmp_path: Path) -> None:
    path = saved(tmp_path / f"a.{kind}", photograph)
    seen = {}
    seen["pillow"] = np.asarray(Image.open(path))
    if kind != "jxl":
        seen["vips"] = np.asarray(pyvips.Image.new_from_file(str(path)))[..., :3]
        seen["opencv"] = cv2.imread(str(path))[..., ::-1]
    decode = {"avif": "avif", "jxl": "jpegxl", "webp": "webp", "png": "png", "tiff": "tiff"}
    decode = getattr(imagecodecs, f"{decode.get(kind, 'jpeg8')}_decode")
    seen["imagecodecs"] = decode(path.read_bytes())[..., :3]
    for who, pixels in seen.items():
        assert pixels.shape == photograph.shape, who
        off = np.abs(pixels.astype(int) - photograph)
        assert off.mean() < (3.0 if kind in LOSSY else 1e-9), who


@pytest.mark.parametrize("kind", FORMATS)
def test_what_was_delivered_can_be_measured_again(kind: str, photograph, tmp_path: Path) -> None:
    codes = photograph.astype(np.uint16) * 257 if kind in ("png", "tiff") else photograph
    space = "srgb" if kind == "jxl" else "display-p3"
    path = saved(tmp_path / f"a.{kind}", codes, space, quality=97)
    proof = read_back(path)
    assert (proof.width, proof.height) == (420, 300)
    # littlecms by way of Pillow, 8 bits
    to_lab = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(profile_of(space))),
        ImageCms.createProfile("LAB"), "RGB", "LAB",
    )  # fmt: skip
    expected = np.asarray(ImageCms.applyTransform(Image.fromarray(photograph), to_lab))
    means = proof.lab().reshape(-1, 3).mean(axis=0)
    truth = np.dstack(
        [expected[..., 0] / 2.55, *(expected[..., k].view(np.int8).astype(float) for k in (1, 2))]
    )
    assert means == pytest.approx(truth.reshape(-1, 3).mean(axis=0), abs=0.6)
    with pytest.raises(CannotMeasure, match=r"cut short|damaged"):
        data = path.read_bytes()
        path.write_bytes(data[: len(data) // 3])
        read_back(path).lab()


def test_png_keeps_sixteen_bits(tmp_path: Path) -> None:
    codes = np.random.default_rng(1).integers(0, 65536, (40, 50, 3)).astype(np.uint16)
    path = saved(tmp_path / "a.png", codes, "romm-rgb")
    assert (cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1] == codes).all()
    assert (np.asarray(pyvips.Image.new_from_file(str(path))) == codes).all()
    # libpng's own check of chunks, their order and their sums
    verified = Image.open(path)
    verified.verify()


def test_a_progressive_jpeg_has_many_scans_and_the_same_pixels(photograph, tmp_path: Path) -> None:
    plain = saved(tmp_path / "a.jpeg", photograph).read_bytes()
    many = saved(tmp_path / "b.jpeg", photograph, progressive=True).read_bytes()
    # ITU-T T.81, table B.1: SOF0 is baseline, SOF2 progressive; each scan starts with SOS
    assert b"\xff\xc0\x00\x11" in plain
    assert b"\xff\xc2\x00\x11" in many
    assert many.count(b"\xff\xda\x00") > 3
    assert (imagecodecs.jpeg8_decode(plain) == imagecodecs.jpeg8_decode(many)).all()


@pytest.mark.parametrize("kind", LOSSY)
def test_the_best_quality_under_a_cap(kind: str, photograph, blocks, tmp_path: Path) -> None:
    cap = 30_000
    done = written(photograph, "srgb", {"format": kind, "max_bytes": cap}, ppi=72, blocks=blocks)
    assert len(done.content) <= cap
    # one step better does not fit; with colour this fine, its planes are whole either way
    assert has_fine_colour(photograph)
    better = {"format": kind, "quality": done.quality + 1}
    assert len(written(photograph, "srgb", better, ppi=72, blocks=blocks).content) > cap
    assert not done.notes or "visible" in done.notes[0]


def test_the_best_quality_is_the_one_that_trying_all_of_them_finds(photograph) -> None:
    part = np.ascontiguousarray(photograph[::3, ::3])  # colour as fine as can be
    assert has_fine_colour(part)
    sizes = {
        quality: len(written(part, "srgb", {"format": "jpeg", "quality": quality}, ppi=72).content)
        for quality in range(LEAST_QUALITY, MOST_QUALITY + 1)
    }
    for cap in (*sizes.values(), 10 * max(sizes.values())):
        done = written(part, "srgb", {"format": "jpeg", "max_bytes": cap}, ppi=72)
        best = max(quality for quality, size in sizes.items() if size <= cap)
        assert (done.quality, len(done.content)) == (best, sizes[best])


def test_a_cap_that_shows_is_told_and_one_that_cannot_be_kept_is_refused(photograph) -> None:
    loose = written(photograph, "srgb", {"format": "jpeg", "max_bytes": 200_000}, ppi=72)
    assert loose.notes == ()
    tight = written(photograph, "srgb", {"format": "jpeg", "max_bytes": 7_000}, ppi=72)
    assert "costs visible quality: jpeg at quality" in tight.notes[0]
    decoded = imagecodecs.jpeg8_decode(tight.content)
    alike = skimage.metrics.structural_similarity(
        skimage.color.rgb2gray(decoded), skimage.color.rgb2gray(photograph), data_range=1
    )
    assert alike < SHOWS
    with pytest.raises(CannotWrite, match=r"bytes at the least; max_bytes allows 900"):
        written(photograph, "srgb", {"format": "jpeg", "max_bytes": 900}, ppi=72)


def test_colour_planes_are_halved_only_where_colour_is_coarse(photograph) -> None:
    fine = np.zeros((64, 64, 3), np.uint8)
    fine[:, ::2] = (200, 30, 30)
    fine[:, 1::2] = (30, 30, 200)
    assert has_fine_colour(fine)
    y, x = np.mgrid[:64, :64]
    assert not has_fine_colour(np.dstack([2 * x, 3 * y, x + y]).astype(np.uint8))


def test_structural_similarity_is_that_of_the_reference() -> None:
    # scikit-image's is checked against the authors' own code
    grey = skimage.data.camera().astype(np.float32)
    rng = np.random.default_rng(2)
    for other in (grey, grey + rng.normal(0, 12, grey.shape), grey * 0.8, np.roll(grey, 2, 1)):
        expected = skimage.metrics.structural_similarity(
            grey.astype(float), other.astype(float), data_range=255,
            gaussian_weights=True, sigma=1.5, use_sample_covariance=False,
        )  # fmt: skip
        assert similarity(grey, other.astype(np.float32)) == pytest.approx(expected, abs=1e-4)


def test_a_picture_in_inks(photograph, tmp_path: Path) -> None:
    inks = np.random.default_rng(3).integers(0, 256, (40, 60, 4)).astype(np.uint8)
    profile = b"\0" * 128 + b"a profile of inks, in two parts" * 4000
    for kind, limit in (("jpeg", 12), ("tiff", 0)):
        content = written(
            inks, "inks", {"format": kind, "quality": 100}, ppi=300, profile=profile
        ).content
        path = tmp_path / f"a.{kind}"
        land(path, content, tmp_path)
        with Image.open(path) as image:
            assert image.mode == "CMYK"
            assert image.info["icc_profile"] == profile
            assert np.abs(np.asarray(image).astype(int) - inks).mean() <= limit


def test_a_webp_that_would_be_too_large_is_refused() -> None:
    with pytest.raises(CannotWrite, match=r"do not fit a WebP: at most 16383 a side"):
        written(
            np.zeros((1, 17_000, 3), np.uint8), "srgb", {"format": "webp", "quality": 90}, ppi=72
        )


def test_files_do_not_depend_on_when_they_are_made(photograph, blocks) -> None:
    for kind in FORMATS:
        settings = {"format": kind, "quality": 90}
        one, other = (written(photograph, "srgb", settings, ppi=72, blocks=blocks) for _ in "ab")
        contents = []
        for each in (one, other):
            stream = io.BytesIO()
            each.content(stream) if callable(each.content) else stream.write(each.content)
            contents.append(stream.getvalue())
        assert contents[0] == contents[1], kind

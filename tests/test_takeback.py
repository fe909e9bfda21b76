"""What came back is saved by other programs, each with its habits, and is taken whole or refused.

Pillow, OpenCV, libvips, ImageMagick and tifffile write the files; scikit-image brings the picture.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import threading
import time
from collections.abc import Callable
from copy import copy
from dataclasses import replace
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image
from scipy.ndimage import affine_transform, fourier_shift, rotate, zoom

from pipeline.cli.rounds import figures as in_words
from pipeline.files.encode import jpeg, png, tiff
from pipeline.files.identity import xmp_of
from pipeline.files.metadata import Blocks
from pipeline.files.profile import converted, profile_of
from pipeline.files.returned import read_returned
from pipeline.framing import Size
from pipeline.hashing import digest_bytes
from pipeline.records import Artifact, Handoff, Request
from pipeline.rendition import RenditionSpec, render
from pipeline.rounds import Candidate, Examination, ExamineWork, Identity
from pipeline.takeback import examine

cv2 = pytest.importorskip("cv2")
pyvips = pytest.importorskip("pyvips")
skimage = pytest.importorskip("skimage")

CONVERT = next((p for p in ("/usr/bin/convert", "/usr/bin/magick") if Path(p).exists()), None)
HEIGHT, WIDTH = 400, 512
ROMM = profile_of("romm-rgb")
GREY = imagecodecs.cms_profile("gray")
INSIDE = np.s_[120:160, 200:260]
"""In the first request's region, which reaches from (100, 180) to (180, 280)."""
FAR = np.s_[300:330, 20:60]


def picture(of: str = "astronaut") -> np.ndarray:
    """A photograph in 16-bit ROMM RGB, with grain so that no two neighbours are alike."""
    codes = np.float64(getattr(skimage.data, of)()[:HEIGHT, :WIDTH])
    grain = np.random.default_rng(7).normal(0, 1.5, codes.shape)
    wide = ((codes + grain) / 255).clip(0.02, 0.98) * 65535
    return converted(wide.astype(np.uint16), profile_of("srgb"), ROMM)


class Sent:
    """A frame as it was sent, in a folder that stands for the job."""

    def __init__(self, job: Path, frame: str = "F0001", of: str = "astronaut") -> None:
        self.job, self.pixels = job, picture(of)
        out = job / "retouch/round-01/out"
        out.mkdir(parents=True, exist_ok=True)
        self.path = out / f"{frame}_r01.tif"
        ids = (f"xmp.did:{frame}", f"xmp.iid:{frame}-1", "xmp.iid:0")
        self.xmp = xmp_of(Identity("small", frame, 1, 1, "key", *ids))
        content = tiff(self.pixels, "romm-rgb", blocks=Blocks(xmp=self.xmp), deflated=True)
        with self.path.open("wb") as stream:
            content(stream)
        mask = np.zeros((HEIGHT, WIDTH), np.uint8)
        mask[100:180, 180:280] = 255
        [shown] = render(self.pixels, [RenditionSpec(size=Size(long_edge=300))])
        masks = {1: self._file(f"{frame}_mask-1.png", png(mask))}
        reference = self._file(f"{frame}_reference.jpg", jpeg(shown, "srgb", quality=90, ppi=300))
        self.handoff = Handoff(
            1, frame, 1, "key", {}, "Ines", "2026-01-01T00:00:00Z", None,
            (Request(1, "take out the cable", {}, must=True),),
            self._artifact(self.path), masks, (reference,),
            WIDTH, HEIGHT, "romm-rgb", *ids[:2],
        )  # fmt: skip

    def _file(self, name: str, content: bytes | Callable) -> Artifact:
        path = self.path.with_name(name)
        with path.open("wb") as stream:
            content(stream) if callable(content) else stream.write(content)
        return self._artifact(path)

    def _artifact(self, path: Path) -> Artifact:
        data = path.read_bytes()
        return Artifact(path.relative_to(self.job).as_posix(), digest_bytes(data), len(data))

    def edited(self) -> np.ndarray:
        """As a retoucher would: what was asked, and nothing else."""
        pixels = self.pixels.copy()
        pixels[INSIDE] = pixels[INSIDE][:, ::-1] // 2
        return pixels

    def examined(self, path: Path, *others: Sent, **options: object) -> Examination:
        candidates = tuple(Candidate(each.handoff, "out") for each in (self, *others))
        return examine(
            ExamineWork(
                path, self.job, self.job / "part", candidates, **{"settle_s": 0.0, **options}
            )  # type: ignore[arg-type]
        )


@pytest.fixture(scope="module")
def sent(tmp_path_factory) -> Sent:
    return Sent(tmp_path_factory.mktemp("job"))


def plain(path: Path, pixels: np.ndarray, **options: object) -> Path:
    """Saved by tifffile, without a word of XMP."""
    settings = {"photometric": "rgb", "metadata": None, "iccprofile": ROMM} | options
    tifffile.imwrite(path, pixels, **settings)
    return path


def said(examined: Examination) -> dict[str, str]:
    return {finding.what: finding.severity for finding in examined.findings}


def words(examined: Examination) -> str:
    return "; ".join(finding.sentence for finding in examined.findings)


# --- the habits of other programs ---


def _by_tifffile(**options: object) -> Callable[[Path, np.ndarray, bytes], None]:
    def save(path: Path, pixels: np.ndarray, _xmp: bytes) -> None:
        plain(path, pixels, **options)

    return save


def _planar(path: Path, pixels: np.ndarray, xmp: bytes) -> None:
    tags = [(700, 1, len(xmp), xmp, True)]
    planes = np.ascontiguousarray(pixels.transpose(2, 0, 1))
    plain(path, planes, planarconfig="separate", extratags=tags)


def _with_small_copies(path: Path, pixels: np.ndarray, _xmp: bytes) -> None:
    with tifffile.TiffWriter(path) as file:
        plain_options = {"photometric": "rgb", "metadata": None}
        file.write(pixels, iccprofile=ROMM, **plain_options)
        file.write(pixels[::4, ::4], subfiletype=1, **plain_options)


def _by_vips(**options: object) -> Callable[[Path, np.ndarray, bytes], None]:
    def save(path: Path, pixels: np.ndarray, xmp: bytes) -> None:
        image = pyvips.Image.new_from_array(pixels, interpretation="rgb16").copy()
        image.set_type(pyvips.GValue.blob_type, "icc-profile-data", ROMM)
        image.set_type(pyvips.GValue.blob_type, "xmp-data", xmp)
        image.tiffsave(str(path), **options)

    return save


def _by_imagemagick(*options: str) -> Callable[[Path, np.ndarray, bytes], None]:
    def save(path: Path, pixels: np.ndarray, xmp: bytes) -> None:
        if CONVERT is None:
            pytest.skip("ImageMagick is not here")
        source = path.with_name("source.tif")
        plain(source, pixels, extratags=[(700, 1, len(xmp), xmp, True)])
        subprocess.run([CONVERT, str(source), *options, str(path)], check=True)
        source.unlink()

    return save


def _by_opencv(path: Path, pixels: np.ndarray, _xmp: bytes) -> None:
    assert cv2.imwrite(str(path), pixels[..., ::-1])


@pytest.mark.parametrize(
    ("save", "how"),
    [
        (_by_tifffile(compression="lzw", predictor=True), "name"),
        (_by_tifffile(byteorder=">"), "name"),
        (_by_tifffile(bigtiff=True, tile=(64, 64)), "name"),
        (_by_tifffile(compression="zstd", rowsperstrip=7), "name"),
        (_planar, "identity"),
        (_with_small_copies, "name"),
        (_by_vips(compression="lzw", predictor="horizontal"), "identity"),
        (_by_vips(bigtiff=True, tile=True, compression="deflate"), "identity"),
        (_by_vips(tile=True, pyramid=True), "identity"),
        (_by_imagemagick("-endian", "MSB", "-compress", "LZW"), "identity"),
        (_by_imagemagick("-interlace", "plane", "-compress", "Zip"), "identity"),
        (_by_opencv, "name"),
    ],
)
def test_what_another_program_saved_is_taken_to_the_last_bit(
    sent: Sent, tmp_path: Path, save, how: str
) -> None:
    path = tmp_path / sent.path.name
    save(path, sent.edited(), sent.xmp)
    options = {"assume": "romm-rgb"} if save is _by_opencv else {}
    found = sent.examined(path, **options)
    assert set(said(found).values()) <= {"note"}, words(found)
    assert (found.frame, found.round, found.how) == ("F0001", 1, how)
    assert found.pixels is None, "nothing had to be done to it"
    assert (read_returned(path, found.digest) == sent.edited()).all()
    touched = (sent.edited() != sent.pixels).any(axis=2)
    assert found.figures["changed"] == touched.mean()
    assert found.figures["outside"] == 0
    assert found.figures["requests"] == {"1": touched[100:180, 180:280].mean()}


@pytest.mark.parametrize(
    ("spoil", "what", "sentence"),
    [
        (
            lambda path, px: Image.fromarray((px >> 8).astype(np.uint8)).save(path),
            "depth",
            "it has 8 bits a channel, 16 were sent",
        ),
        (lambda path, px: cv2.imwrite(str(path), px[..., ::-1]), "profile", "--assume romm-rgb"),
        (
            lambda path, px: plain(path, np.stack([px[:40]] * 300)),
            "pages",
            "it has 300 pages; --flatten",
        ),
        (
            lambda path, px: plain(path, np.dstack([px, px[..., 0]]), extrasamples=["unassalpha"]),
            "channels",
            "4 channels, with transparency; --flatten",
        ),
        (
            lambda path, px: plain(
                path, np.dstack([px, px[..., :2]]), extrasamples=["unspecified"] * 2
            ),
            "channels",
            "5 channels, with more than the three colours",
        ),
        (
            lambda path, px: plain(path, px[..., 1], photometric="minisblack", iccprofile=GREY),
            "channels",
            "it is grey",
        ),
        (lambda path, px: plain(path, px.astype(np.float32)), "depth", "32 bits a channel"),
        (lambda path, px: plain(path, px, iccprofile=b"x" * 99), "profile", "not for RGB"),
        (lambda path, px: plain(path, px[:, :-3]), "size", "it has 509 × 400 pixels"),
        (
            lambda path, px: plain(path, px).write_bytes(path.read_bytes()[:-1000]),
            "unreadable",
            "cut short",
        ),
        (lambda path, px: path.write_bytes(b"II*\0" + bytes(40)), "unreadable", "cannot be read"),
        (
            lambda path, px: plain(path, np.dstack([px, px[..., 0]]), photometric="separated"),
            "unreadable",
            "not a TIFF in RGB or grey",
        ),
        (
            lambda path, px: Image.fromarray((px >> 8).astype(np.uint8)).save(path, "jpeg"),
            "format",
            "it is a JPEG; a TIFF of 16 bits was sent",
        ),
        (lambda path, px: plain(path, np.roll(px, 3, axis=1)), "moved", "+3 pixels to the right"),
        (
            lambda path, px: plain(path, px[::-1, ::-1]),
            "picture",
            "it shows something else than what was sent",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_refused_with_the_reason(
    sent: Sent, tmp_path: Path, spoil, what: str, sentence: str
) -> None:
    path = tmp_path / sent.path.name
    spoil(path, sent.edited())
    found = sent.examined(path)
    assert said(found).get(what) == "refuse", words(found)
    assert sentence in words(found)
    assert found.pixels is None


# --- flattening, profiles ---


def test_transparency_is_laid_on_white_only_when_told(sent: Sent, tmp_path: Path) -> None:
    edited = sent.edited()
    alpha = np.full((HEIGHT, WIDTH), 65535, np.uint16)
    alpha[INSIDE] = 32768
    path = plain(tmp_path / sent.path.name, np.dstack([edited, alpha]), extrasamples=["unassalpha"])
    found = sent.examined(path, flatten=True)
    assert said(found) == {"flattened": "note"}, words(found)
    made = tifffile.imread(sent.job / found.pixels.path).astype(int)
    assert (made[alpha == 65535] == edited[alpha == 65535]).all()
    half = (edited[INSIDE].astype(int) + 65535) / 2
    assert np.abs(made[INSIDE] - half).max() <= 2
    # Pillow lays a picture on white alike, at eight bits
    seen = Image.fromarray((np.dstack([edited, alpha]) >> 8).astype(np.uint8), "RGBA")
    white = Image.new("RGBA", seen.size, "white")
    white.alpha_composite(seen)
    assert np.abs(np.asarray(white)[..., :3] - made / 257).max() < 1.6


def test_of_many_pages_the_first_is_taken_when_told(sent: Sent, tmp_path: Path) -> None:
    pages = np.stack([sent.edited(), sent.pixels, sent.pixels])
    found = sent.examined(plain(tmp_path / sent.path.name, pages), flatten=True)
    assert "2 pages were left out" in words(found)
    assert (tifffile.imread(sent.job / found.pixels.path) == sent.edited()).all()


@pytest.mark.parametrize("space", ["adobe-rgb", "srgb"])
def test_another_profile_is_converted_and_what_nobody_touched_stays(
    sent: Sent, tmp_path: Path, space: str
) -> None:
    theirs = profile_of(space)
    codes = converted(sent.edited(), ROMM, theirs)
    path = plain(tmp_path / sent.path.name, codes, iccprofile=theirs)
    found = sent.examined(path)
    assert said(found) == {"profile": "note"}, words(found)
    assert "was converted to romm-rgb" in words(found)
    made = tifffile.imread(sent.job / found.pixels.path)
    untouched = (sent.edited() == sent.pixels).all(axis=2)
    assert (made[untouched] == sent.pixels[untouched]).all(), "to the last bit"
    there_and_back = converted(codes, theirs, ROMM)
    assert np.abs(made[INSIDE].astype(int) - there_and_back[INSIDE].astype(int)).max() <= 48
    assert found.figures["changed"] == pytest.approx((~untouched).mean(), rel=0.02)
    assert (
        sent.examined(
            plain(tmp_path / sent.path.name, codes, iccprofile=None), assume=space
        ).figures
        == found.figures
    ), "the same where a person says so"


def test_the_same_space_written_by_another_engine_is_the_same(sent: Sent, tmp_path: Path) -> None:
    space = imagecodecs.cms_profile(
        "rgb",
        whitepoint=(0.3457, 0.3585, 1.0),
        primaries=(0.7347, 0.2653, 1, 0.1596, 0.8404, 1, 0.0366, 0.0001, 1),
        gamma=1.8,
    )
    assert space != ROMM
    found = sent.examined(plain(tmp_path / sent.path.name, sent.edited(), iccprofile=space))
    assert found.figures["de00"] < 0.2
    assert set(said(found).values()) <= {"note"}, words(found)


def test_another_profile_put_on_the_same_numbers_is_seen_as_another_colour(
    sent: Sent, tmp_path: Path
) -> None:
    path = plain(tmp_path / sent.path.name, sent.edited(), iccprofile=profile_of("srgb"))
    assert said(sent.examined(path)) == {"profile": "note", "colour": "ask"}


# --- whose it is ---


def test_a_file_without_a_name_is_known_by_what_it_shows(tmp_path: Path) -> None:
    sent = Sent(tmp_path / "job")
    other = Sent(tmp_path / "job", "F0002", "coffee")
    path = plain(tmp_path / "final version 3.tif", sent.edited())
    found = other.examined(path, sent)
    assert (found.frame, found.how) == ("F0001", "picture")
    brighter = (sent.edited() * 0.9).astype(np.uint16)
    found = other.examined(plain(path, brighter), sent)
    assert (found.frame, said(found)) == ("F0001", {"colour": "ask"})
    found = other.examined(plain(path, picture("chelsea")[:HEIGHT, :WIDTH]), sent)
    assert said(found) == {"unknown": "refuse"}


def test_a_file_that_may_be_of_two_frames_is_of_neither(tmp_path: Path) -> None:
    sent, twin = Sent(tmp_path / "job"), Sent(tmp_path / "job", "F0002")
    found = sent.examined(plain(tmp_path / "a.tif", sent.edited()), twin)
    assert found.frame is None
    assert "F0001 and F0002; name it as it was sent" in words(found)


def test_what_a_file_says_of_itself_comes_before_its_name(tmp_path: Path) -> None:
    sent, other = Sent(tmp_path / "job"), Sent(tmp_path / "job", "F0002", "coffee")
    path = tmp_path / other.path.name
    _by_vips()(path, sent.edited(), sent.xmp)
    found = sent.examined(path, other)
    assert (found.frame, found.how) == ("F0001", "identity")


# --- what was done ---


@pytest.mark.parametrize(("down", "right"), [(0.0, 0.5), (-0.25, 0.0), (0.0, 20.0), (1.0, -2.5)])
def test_a_shift_is_found_in_parts_of_a_pixel(
    sent: Sent, tmp_path: Path, down: float, right: float
) -> None:
    planes = [
        np.fft.ifft2(fourier_shift(np.fft.fft2(sent.edited()[..., k]), (down, right))).real
        for k in range(3)
    ]
    moved = np.dstack(planes).clip(0, 65535).astype(np.uint16)
    found = sent.examined(plain(tmp_path / sent.path.name, moved))
    assert said(found)["moved"] == "refuse"
    assert found.figures["shift"] == pytest.approx([right, down], abs=0.03)


def _larger(codes: np.ndarray) -> np.ndarray:
    large = zoom(codes, (1.01, 1.01, 1), order=1)
    return large[2 : 2 + HEIGHT, 2 : 2 + WIDTH]


def _turned(codes: np.ndarray) -> np.ndarray:
    return rotate(codes, 0.4, reshape=False, order=1, mode="nearest")


@pytest.mark.parametrize(
    ("change", "word"), [(_larger, "scaled or cropped"), (_turned, "it was turned")]
)
def test_what_was_scaled_or_turned_is_refused(sent: Sent, tmp_path: Path, change, word) -> None:
    found = sent.examined(plain(tmp_path / sent.path.name, change(sent.edited())))
    assert said(found)["moved"] == "refuse"
    assert word in words(found)


def _about_the_middle(codes: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """What a linear map of places, down and across, makes of a picture; by scipy."""
    middle = (np.array(codes.shape[:2]) - 1) / 2
    back = np.linalg.inv(matrix)
    planes = [
        affine_transform(np.float64(codes[..., k]), back, middle - back @ middle, mode="nearest")
        for k in range(3)
    ]
    return np.dstack(planes).clip(0, 65535).astype(np.uint16)


@pytest.mark.parametrize("off_px", [0.2, 0.7, -1.2])
@pytest.mark.parametrize("turn", [True, False])
def test_less_than_half_a_pixel_at_the_edge_is_taken_and_more_is_refused_with_its_measure(
    sent: Sent, tmp_path: Path, turn: bool, off_px: float
) -> None:
    """So far the middle of the short edges moves: by a small turn or a small change of scale."""
    share = off_px / (WIDTH / 2)
    matrix = np.array([[1, share], [-share, 1]]) if turn else np.eye(2) * (1 + share)
    moved = _about_the_middle(sent.edited(), matrix)
    found = sent.examined(plain(tmp_path / sent.path.name, moved))
    assert (said(found).get("moved") == "refuse") == (abs(off_px) > 0.5), words(found)
    if abs(off_px) > 0.5:
        pattern = r"edges lie ([\d.]+) pixels" if turn else r"(?:larger|smaller) by ([\d.]+)%"
        measured = float(re.search(pattern, words(found))[1])
        measured_px = measured if turn else measured / 100 * WIDTH / 2
        assert measured_px == pytest.approx(abs(off_px), abs=0.12)
        assert turn or ("larger" in words(found)) == (off_px > 0)


def test_a_local_pull_is_no_shift(sent: Sent, tmp_path: Path) -> None:
    pixels = sent.edited()
    pixels[100:180, 180:280] = np.roll(pixels[100:180, 180:280], 4, axis=1)
    assert said(sent.examined(plain(tmp_path / sent.path.name, pixels))) == {}


@pytest.mark.parametrize("factor", [0.96, 0.985, 0.995])
def test_a_change_of_the_whole_must_be_accepted(sent: Sent, tmp_path: Path, factor: float) -> None:
    """From a difference of 1 on, which is about the least that is seen (common practice)."""
    darker = (sent.edited() * factor).astype(np.uint16)
    found = sent.examined(plain(tmp_path / sent.path.name, darker))
    assert found.figures["changed"] == pytest.approx(1, abs=1e-3)
    # ROMM RGB: light goes with the power 1.8; ΔE00 of that by the reference implementation
    grey = np.outer([0.5, 0.5 * factor], np.ones(3)) ** 1.8
    lab = skimage.color.xyz2lab(grey * skimage.color.colorconv.xyz_tristimulus_values(
        illuminant="D50", observer="2"), "D50", "2")  # fmt: skip
    middle = skimage.color.deltaE_ciede2000(*lab)
    assert found.figures["de00"] == pytest.approx(middle, rel=0.25)
    assert abs(middle - 1) > 0.25, "the reference leaves no doubt on which side it lies"
    assert said(found) == ({"colour": "ask"} if middle > 1 else {})
    assert found.figures["requests"]["1"] < 0.5, "only what stands out of it was retouched"
    told = in_words(found.figures)
    assert told.startswith("100.00% of the pixels changed, ")
    assert f"{found.figures['most']:.2%} clearly more than the rest, " in told
    assert found.figures["most"] < 0.1


def test_a_must_that_was_not_done_is_named(sent: Sent, tmp_path: Path) -> None:
    pixels = sent.pixels.copy()
    pixels[FAR] = 9000
    found = sent.examined(plain(tmp_path / sent.path.name, pixels))
    assert said(found) == {"undone": "ask"}
    assert "request 1 (take out the cable) must be done" in words(found)
    assert found.figures["outside"] == 1
    wish = copy(sent)
    requests = tuple(replace(request, must=False) for request in sent.handoff.requests)
    wish.handoff = replace(sent.handoff, requests=requests)
    assert said(wish.examined(plain(tmp_path / sent.path.name, pixels))) == {}, "only wished for"


def test_the_map_is_hatched_where_something_changed(sent: Sent, tmp_path: Path) -> None:
    pixels = sent.edited()
    pixels[FAR] = pixels[FAR] // 2
    found = sent.examined(plain(tmp_path / sent.path.name, pixels))
    drawn = np.asarray(Image.open(sent.job / found.picture.path)).astype(int)
    [shown] = render(pixels, [RenditionSpec()])
    there = np.abs(drawn - shown).max(axis=2) > 12
    assert there[FAR].mean() > 0.3
    rest = there.copy()
    rest[290:340, 10:70] = False
    rest[60:220, 140:320] = False  # the request, its outline and number
    assert rest.mean() < 0.002


# --- still being written ---


def test_a_file_that_is_still_written_is_refused(sent: Sent, tmp_path: Path) -> None:
    path = plain(tmp_path / sent.path.name, sent.edited())
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])

    def go_on() -> None:
        time.sleep(0.15)
        with path.open("ab") as stream:
            stream.write(whole[len(whole) // 2 :])

    writer = threading.Thread(target=go_on)
    writer.start()
    found = sent.examined(path, settle_s=0.5)
    writer.join()
    assert said(found) == {"changing": "refuse"}
    assert set(said(sent.examined(path, settle_s=0.2)).values()) <= {"note"}


def test_a_file_that_stood_still_is_read_at_once(sent: Sent, tmp_path: Path, monkeypatch) -> None:
    path = plain(tmp_path / sent.path.name, sent.edited())
    os.utime(path, (0, time.time() - 30))
    monkeypatch.setattr("pipeline.takeback.time.sleep", lambda _: pytest.fail("it waits"))
    assert said(sent.examined(path, settle_s=10)) == {}
    shutil.rmtree(sent.job / "part", ignore_errors=True)

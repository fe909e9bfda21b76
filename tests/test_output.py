"""Pictures in the codes of ICC profiles, against littlecms asked through Pillow, which had no part
in making them, and against an ink model that can be asked without a profile.

The profile is one of ours (``ink_profile``); where the machine has a real one, that is tried too.
"""

from __future__ import annotations

import io
import itertools
from pathlib import Path

import cv2
import numpy as np
import pytest
import pyvips
from PIL import Image, ImageCms

from pipeline.errors import FrameFailed
from pipeline.files import output
from pipeline.files.formats import written
from pipeline.files.landing import land
from pipeline.files.output import Output, open_output
from pipeline.files.profile import profile_of
from pipeline.files.proofread import read_back
from pipeline.hashing import digest_bytes
from pipeline.kernels.difference import delta_e_2000
from tests.ink_profile import ink_profile, lab_of_inks

INKS = ink_profile()
INTENTS = {
    "perceptual": ImageCms.Intent.PERCEPTUAL,
    "relative-colorimetric": ImageCms.Intent.RELATIVE_COLORIMETRIC,
    "saturation": ImageCms.Intent.SATURATION,
    "absolute-colorimetric": ImageCms.Intent.ABSOLUTE_COLORIMETRIC,
}
REAL = [
    path
    for path in sorted(Path("/usr/share/color/icc").rglob("*.icc"))
    if path.read_bytes()[12:20] == b"prtrCMYK"
]


def to_inks(**others) -> Output:
    settings = {"intent": "relative-colorimetric", "black_point_compensation": True} | others
    return Output("paper.icc", INKS, **settings)


def opened(profile: bytes) -> ImageCms.ImageCmsProfile:
    return ImageCms.ImageCmsProfile(io.BytesIO(profile))


def by_pillow(codes, source: bytes, target: bytes, modes: str, intent, bpc: bool, mode="RGB"):
    """8-bit codes under another profile, littlecms without short cuts."""
    flags = ImageCms.Flags.NOOPTIMIZE
    if bpc:
        flags |= ImageCms.Flags.BLACKPOINTCOMPENSATION
    transform = ImageCms.buildTransform(
        opened(source), opened(target), mode, modes, INTENTS[intent], flags
    )
    return np.asarray(ImageCms.applyTransform(Image.fromarray(codes, mode), transform))


@pytest.fixture(scope="module")
def picture8() -> np.ndarray:
    """ROMM RGB with every hue, light and dark, in codes of 8 bits."""
    small = np.random.default_rng(5).integers(0, 256, (12, 16, 3)).astype(np.uint8)
    return cv2.resize(small, (240, 180), interpolation=cv2.INTER_CUBIC)


@pytest.fixture(scope="module")
def picture(picture8) -> np.ndarray:
    return picture8.astype(np.uint16) * 257


# -- colours ------------------------------------------------------------------------------------


def test_our_profile_is_what_its_model_says() -> None:
    inks = np.array(list(itertools.product((0, 255), repeat=4)), np.uint8)[None]
    lab = by_pillow(inks, INKS, _lab_profile(), "LAB", "relative-colorimetric", False, "CMYK")
    found = np.stack([lab[..., 0] / 2.55, *(lab[..., i].astype(np.int8) for i in (1, 2))], -1)
    # 8 bits of L*a*b* are steps of 0.4 and 1
    assert np.abs(found - lab_of_inks(inks / 255)).max() < 1.01


@pytest.mark.parametrize("intent", INTENTS)
@pytest.mark.parametrize("bpc", [True, False])
def test_codes_are_those_of_littlecms(intent: str, bpc: bool, picture, picture8) -> None:
    asked = to_inks(intent=intent, black_point_compensation=bpc)
    expected = by_pillow(picture8, profile_of("romm-rgb"), INKS, "CMYK", intent, bpc).astype(float)
    fine = asked.codes(picture, 16) / 257
    # half a code is the rounding of the reference
    assert np.abs(fine - expected).max() < 0.52
    coarse = asked.codes(picture, 8).astype(float)
    # the dither is within a code, rounding half a code more
    assert np.abs(coarse - fine).max() < 1.5
    assert np.abs((coarse - fine).mean(axis=(0, 1))).max() < 0.01
    assert coarse.shape == (180, 240, 4)


def test_intents_and_black_point_make_a_difference(picture) -> None:
    plain = to_inks().codes(picture, 16).astype(int)
    for other in (
        {"intent": "perceptual"},
        {"intent": "absolute-colorimetric", "black_point_compensation": False},
        {"black_point_compensation": False},
    ):
        assert np.abs(to_inks(**other).codes(picture, 16) - plain).max() > 257 * 5
    # without tables for saturation the perceptual ones are taken
    saturated = to_inks(intent="saturation").codes(picture, 16)
    assert (saturated == to_inks(intent="perceptual").codes(picture, 16)).all()


def test_white_is_the_paper_and_black_its_darkest() -> None:
    greys = np.zeros((40, 60, 3), np.uint16)
    greys[:, 30:] = 65535
    for bits in (8, 16):
        inks = to_inks().codes(greys, bits)
        # at 16 bits what the engine rounds; at 8 no dot at all
        assert inks[:, 30:].max() <= (30 if bits == 16 else 0)
        lab = lab_of_inks(inks[:, :30] / np.iinfo(inks.dtype).max)
        assert lab[..., 0].max() < 6  # 4.7 is the darkest of the model


def test_rgb_profiles_have_three_channels(picture, picture8) -> None:
    target = profile_of("display-p3")
    asked = Output("screen.icc", target, "relative-colorimetric", True)
    romm = profile_of("romm-rgb")
    expected = by_pillow(picture8, romm, target, "RGB", "relative-colorimetric", True)
    codes = asked.codes(picture, 8)
    assert codes.shape == picture.shape
    assert np.abs(codes.astype(int) - expected).max() <= 1
    greys = np.repeat(np.linspace(0, 65535, 240).astype(np.uint16)[None, :, None], 3, axis=2)
    spread = np.ptp(asked.codes(np.repeat(greys, 50, axis=0), 8).astype(int), axis=2)
    # one noise for all channels; the engine's own rounding may part them where it falls just so
    assert (spread > 0).mean() < 0.01


@pytest.mark.parametrize("bits", [8, 16])
def test_neither_threads_nor_bands_change_a_pixel(bits, picture, monkeypatch) -> None:
    before = picture.copy()
    whole = to_inks().codes(picture, bits, threads=1)
    monkeypatch.setattr(output, "BAND_PIXELS", 240 * 7)
    assert (to_inks().codes(picture, bits, threads=3) == whole).all()
    assert (picture == before).all()


def test_tables_of_version_4_for_perception_are_always_compensated(picture) -> None:
    # they are made for a reference medium with a black of its own (ICC.1:2022; from memory)
    plain, fitted = (
        to_inks(intent="perceptual", black_point_compensation=flag).codes(picture, 16)
        for flag in (False, True)
    )
    assert (plain == fitted).all()


@pytest.mark.parametrize("path", REAL or [pytest.param(None, marks=pytest.mark.skip("none here"))])
def test_a_real_profile_of_inks(path: Path, picture, picture8) -> None:
    profile = path.read_bytes()
    asked = Output(path.name, profile, "relative-colorimetric", True)
    romm = profile_of("romm-rgb")
    try:
        expected = by_pillow(picture8, romm, profile, "CMYK", "relative-colorimetric", True)
    except OSError as error:  # it wants to pack the profile up again
        pytest.skip(f"Pillow: {error}")
    assert np.abs(asked.codes(picture, 16) / 257 - expected).max() < 0.52


# -- what cannot be held ------------------------------------------------------------------------


def test_the_share_outside_is_counted() -> None:
    romm = np.full((100, 200, 3), 30_000, np.uint16)
    assert to_inks().note(romm) is None
    romm[:, :5] = (0, 65535, 0)  # a green that no ink has
    outside = to_inks().outside(romm)
    assert outside.share == pytest.approx(0.025)
    # the model's nearest: what its full cyan and yellow leave, or something better
    green = np.array([96.2, -195.5, 163.4])  # L*a*b* of the space's green, by ISO 22028-2
    assert outside.most_de00 <= delta_e_2000(green, lab_of_inks(np.array([1.0, 0, 1, 0]))) + 5
    assert outside.most_de00 > 10
    note = to_inks().note(romm)
    assert note is not None
    assert note.startswith("2.5 % of the pixels lie outside of paper.icc: their colours move by ")
    romm[:, :5] = 30_000
    romm[0, :15] = (0, 65535, 0)  # 0.075 % are not worth a word
    assert to_inks().note(romm) is None


def test_darks_that_are_fitted_to_the_paper_are_not_lost() -> None:
    darks = np.zeros((50, 50, 3), np.uint16)
    assert to_inks().outside(darks).share == 0
    # our inks go down to L* 4.7; a press's is 10 to 20, and then this is a matter of every picture
    grey_press = Output("paper.icc", _weak_black(), "relative-colorimetric", True)
    assert grey_press.outside(darks).share == 0
    uncompensated = Output("paper.icc", _weak_black(), "relative-colorimetric", False)
    assert uncompensated.outside(darks).share == 1


def test_large_pictures_are_counted_on_a_grid(monkeypatch) -> None:
    romm = np.full((300, 400, 3), 30_000, np.uint16)
    romm[:60] = (0, 65535, 0)
    monkeypatch.setattr(output, "MOST_SAMPLES", 2_000)
    assert to_inks().outside(romm).share == pytest.approx(0.2, abs=0.02)


# -- the file of the profile --------------------------------------------------------------------


def test_another_file_than_the_job_was_read_with_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "paper.icc"
    path.write_bytes(INKS)
    space = {
        "profile": "profiles/paper.icc",
        "intent": "perceptual",
        "black_point_compensation": False,
        "digest": digest_bytes(INKS),
    }
    assert open_output(path, space) == Output("paper.icc", INKS, "perceptual", False)
    path.write_bytes(ink_profile("Another title"))
    with pytest.raises(FrameFailed, match=r"profiles/paper\.icc was changed meanwhile"):
        open_output(path, space)
    path.unlink()
    with pytest.raises(FrameFailed, match=r"profiles/paper\.icc cannot be read \(No such file"):
        open_output(path, space)


def test_tables_that_the_engine_cannot_read_are_named(picture) -> None:
    broken = INKS.replace(b"mft2", b"mftX")
    with pytest.raises(FrameFailed, match=r"paper\.icc cannot be used as a profile"):
        Output("paper.icc", broken, "perceptual", True).codes(picture, 8)


# -- files --------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["jpeg", "tiff"])
def test_readers_see_the_picture_in_a_file_of_inks(kind: str, tmp_path: Path) -> None:
    """Through the profile inside: Pillow with littlecms, libvips with it, and our own reader."""
    romm = cv2.resize(
        np.random.default_rng(9).integers(6_000, 50_000, (4, 6, 3)).astype(np.uint16), (240, 160)
    )
    codes = to_inks().codes(romm, 8)
    settings = {"format": kind, "quality": 97}
    path = tmp_path / f"a.{kind}"
    content = written(codes, "romm-rgb", settings, ppi=300, profile=INKS).content
    land(path, content, tmp_path)
    expected = lab_of_inks(codes / 255.0).reshape(-1, 3)

    with Image.open(path) as image:
        assert (image.mode, image.info["icc_profile"]) == ("CMYK", INKS)
        assert image.info["dpi"] == pytest.approx((300, 300))
        pixels = np.asarray(image)
    assert np.abs(pixels.astype(int) - codes).mean() < (1.5 if kind == "jpeg" else 1e-9)

    vips = pyvips.Image.new_from_file(str(path)).icc_import(embedded=True, pcs="lab")
    seen = {"libvips": np.asarray(vips)}
    seen["proof"] = read_back(path).lab()
    for who, lab in seen.items():
        off = delta_e_2000(np.asarray(lab, np.float64).reshape(-1, 3), expected)
        # the model against 9 nodes an ink between which the profile is straight, and the coder
        assert off.mean() < 1.0, who
        assert np.quantile(off, 0.99) < 3.5, who


def test_inks_under_a_size_keep_every_plane_whole(tmp_path: Path) -> None:
    coarse = np.zeros((200, 300, 4), np.uint8)
    coarse[..., :3] = np.linspace(0, 120, 300).astype(np.uint8)[None, :, None]
    coarse[::2, :, 3] = 200  # fine detail in black alone
    settings = {"format": "jpeg", "max_bytes": len(INKS) + 60_000, "progressive": True}
    done = written(coarse, "romm-rgb", settings, ppi=300, profile=INKS)
    assert len(done.content) <= settings["max_bytes"]
    with Image.open(io.BytesIO(done.content)) as image:
        assert {(h, v) for _, h, v, _ in image.layer} == {(1, 1)}
        assert np.abs(np.asarray(image)[..., 3].astype(int) - coarse[..., 3]).mean() < 4


def test_a_part_of_a_tiff_of_inks_is_read_alone(tmp_path: Path) -> None:
    codes = np.random.default_rng(4).integers(0, 65536, (30, 40, 4)).astype(np.uint16)
    path = tmp_path / "a.tif"
    settings = {"format": "tiff"}
    land(path, written(codes, "romm-rgb", settings, ppi=300, profile=INKS).content, tmp_path)
    proof = read_back(path)
    assert (proof.width, proof.height, proof.profile_name) == (40, 30, "Four inks of ours")
    assert proof.primaries() is None
    window = slice(3, 27, 4), slice(2, 31, 3)
    assert (proof.codes(*window) == codes[window]).all()
    assert (proof.codes(slice(5, 9), slice(1, 8)) == codes[5:9, 1:8]).all()
    assert len(proof.thumbnail(20)) > 100


def test_opencv_which_knows_no_profiles_sees_ink_as_dark(tmp_path: Path) -> None:
    codes = np.zeros((40, 80, 4), np.uint8)
    codes[:, 40:] = (0, 0, 0, 255)
    settings = {"format": "jpeg", "quality": 95}
    path = tmp_path / "a.jpg"
    land(path, written(codes, "romm-rgb", settings, ppi=300, profile=INKS).content, tmp_path)
    seen = cv2.imread(str(path))
    assert seen[:, :30].min() > 250
    assert seen[:, 50:].max() < 5


def _lab_profile() -> bytes:
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()


def _weak_black() -> bytes:
    return ink_profile(paper_share=0.02)

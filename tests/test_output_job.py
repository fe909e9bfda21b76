"""Deliveries in the space of an ICC profile, as a user meets them: what is refused, what is made
again, what the files say of themselves, and that what reads them back can.

The profile is one of ours (``ink_profile``).
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from pipeline.bagging import bag_delivery
from pipeline.colour import colour_report
from pipeline.errors import InvalidInput
from pipeline.files.proofread import read_back
from pipeline.job import load_job
from pipeline.kernels.difference import delta_e_2000
from pipeline.manifest import Manifest
from pipeline.proof.page import page
from pipeline.run import makes_something, run
from pipeline.survey import survey
from pipeline.verify import verify
from tests.ink_profile import assembled, ink_profile
from tests.job_for_tests import InProcess, edit, make_job, write_job

DELIVERIES = """\
  paper:
    {format: jpeg, scale: 1, quality: 95, space: {profile: profiles/paper.icc}}
  press:
    {format: tiff, bits: 8, scale: 1,
     space: {profile: profiles/paper.icc, intent: saturation, black_point_compensation: false}}
  screen:
    {format: jpeg, scale: 1, quality: 95}
"""
INKS = ink_profile()
MATRIX = dict.fromkeys((b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC"), b"XYZ \0\0\0\0")
TABLES = dict.fromkeys((b"A2B0", b"B2A0"), b"mft2\0\0\0\0")


def with_profile(job: Path, content: bytes | None = INKS) -> Path:
    """The files of a job, with deliveries for a profile in it."""
    edit(job / "job.yaml", "deliveries:\n", f"deliveries:\n{DELIVERIES}")
    (job / "profiles").mkdir()
    if content is not None:
        (job / "profiles/paper.icc").write_bytes(content)
    return job


def refused(job: Path) -> list[str]:
    with pytest.raises(InvalidInput) as raised:
        load_job(job)
    return [str(problem) for problem in raised.value.problems]


@pytest.fixture
def written_job(tmp_path: Path) -> Callable[[bytes | None], Path]:
    def write(content: bytes | None) -> Path:
        write_job(tmp_path)
        return with_profile(tmp_path, content)

    return write


# -- what is said in job.yaml -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, '"profiles/paper.icc" cannot be read: no such file or directory'),
        (b"no profile", '"profiles/paper.icc": it is not an ICC profile; allowed: an ICC profile'),
        (b"x" * 5000, '"profiles/paper.icc": it is not an ICC profile'),
        (INKS[:9000], f"it is cut short: 9000 of {len(INKS)} bytes are there"),
        (assembled(TABLES, kind=b"scnr"), "it is of the class scnr, which is not for output"),
        (assembled(TABLES, kind=b"link"), "it is of the class link, which is not for output"),
        (assembled(TABLES, codes=b"GRAY"), "it is for GRAY, not for RGB or CMYK"),
        (assembled(TABLES, codes=b"6CLR"), "it is for 6CLR, not for RGB or CMYK"),
        (assembled({b"A2B0": b"mft2\0\0\0\0"}), "it has no tables in both directions"),
        (assembled(MATRIX, codes=b"CMYK"), "it has no tables in both directions"),
        (assembled({}), "its table claims 0 tags"),
    ],
)
def test_files_that_are_no_output_profiles(written_job, content, said: str) -> None:
    first, second = refused(written_job(content))
    assert first.startswith("job.yaml:9: deliveries.paper.space.profile: "), first
    assert said in first
    assert second.startswith("job.yaml:12: deliveries.press.space.profile: ")


@pytest.mark.parametrize(
    "content",
    [INKS, assembled(TABLES, kind=b"mntr", codes=b"RGB "), assembled(MATRIX, b"mntr", b"RGB ")],
)
def test_output_and_display_profiles_of_rgb_and_cmyk(written_job, content: bytes) -> None:
    order = load_job(written_job(content)).deliveries["paper"]
    assert order.profile is not None
    assert order.settings["space"] == {
        "profile": "profiles/paper.icc",
        "intent": "relative-colorimetric",
        "black_point_compensation": True,
        "digest": order.profile.digest,
    }


@pytest.mark.parametrize("kind", ["png", "webp", "avif"])
def test_formats_that_hold_no_inks_are_refused(written_job, kind: str) -> None:
    job = written_job(INKS)
    edit(
        job / "job.yaml", "{format: jpeg, scale: 1, quality: 95, space", f"{{format: {kind}, space"
    )
    assert refused(job) == [
        f"job.yaml:9: deliveries.paper.format: {kind} cannot hold CMYK, which profiles/paper.icc "
        "is for; allowed: jpeg, tiff"
    ]
    (job / "profiles/paper.icc").write_bytes(assembled(MATRIX, b"mntr", b"RGB "))
    assert load_job(job).deliveries["paper"].profile is not None


def test_a_tag_table_that_lies_is_found(written_job, tmp_path: Path) -> None:
    at = 132 + 4  # the offset of the first tag
    lying = INKS[:at] + b"\xff\xff\xff\x00" + INKS[at + 4 :]
    assert "its tag desc ends behind the file" in refused(written_job(lying))[0]
    for length in (0, 1, 36, 40, 127, 128, 131, 132, 140, 143):
        (tmp_path / "profiles/paper.icc").write_bytes(INKS[:length])
        assert refused(tmp_path)


def test_a_profile_outside_the_job_is_refused(written_job) -> None:
    job = written_job(INKS)
    (job.parent / "elsewhere.icc").write_bytes(INKS)
    text = (job / "job.yaml").read_text().replace("profiles/paper.icc", "../elsewhere.icc")
    (job / "job.yaml").write_text(text)
    assert "allowed: a file below the job's folder" in refused(job)[0]


def test_an_intent_without_a_table_is_a_note(written_job) -> None:
    job = load_job(written_job(INKS))
    notes = [note for note in job.reminders([]) if "table" in note]
    assert notes == [
        "profiles/paper.icc has no table for the intent saturation: its perceptual one is used"
    ]
    assert job.reminders([], ["paper", "screen"]) == []


# -- what is made -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory):
    job = with_profile(make_job(tmp_path_factory.mktemp("made") / "job", frames=2, selects=2), INKS)
    report = run(job, deliveries=["paper", "press", "screen"], engine=InProcess())
    assert report.exit_code == 0, report
    return job, report


def test_files_say_what_their_codes_are(made) -> None:
    job, _ = made
    for delivery, ending in (("paper", "jpg"), ("press", "tif")):
        path = job / f"deliveries/{delivery}/F0001.{ending}"
        with Image.open(path) as image:
            assert (image.mode, image.size) == ("CMYK", (200, 140))
            assert image.info["icc_profile"] == INKS
        asked = ["exiftool", "-json", "-n", "-G1", "-a", str(path)]
        (said,) = json.loads(subprocess.run(asked, capture_output=True, check=True).stdout)
        assert said["ICC-header:ColorSpaceData"] == "CMYK"
        assert said["ICC_Profile:ProfileDescription"] == "Four inks of ours"
        if delivery == "paper":
            assert said["ExifIFD:ColorSpace"] == 0xFFFF
            assert said["File:ColorComponents"] == 4
        assert "Warning" not in "".join(said), said
        # exiftool takes the profile out again, whole
        out = subprocess.run(
            ["exiftool", "-b", "-icc_profile", str(path)], capture_output=True, check=True
        )
        assert out.stdout == INKS
    assert len(INKS) > 65_536


def test_the_same_picture_is_seen_through_the_profile(made) -> None:
    job, _ = made
    transform = ImageCms.buildTransform(
        str(job / "profiles/paper.icc"),
        ImageCms.createProfile("sRGB"),
        "CMYK",
        "RGB",
        ImageCms.Intent.RELATIVE_COLORIMETRIC,
        ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )
    with (
        Image.open(job / "deliveries/paper/F0001.jpg") as inks,
        Image.open(job / "deliveries/screen/F0001.jpg") as screen,
    ):
        seen = np.asarray(ImageCms.applyTransform(inks, transform)).astype(int)
        off = np.abs(seen - np.asarray(screen))
    # the frame's noise is coded twice, and a ninth of it is out of reach of the inks
    assert np.median(off) < 4
    assert off.mean() < 8


def test_colours_that_the_paper_cannot_hold_are_told(made) -> None:
    _, report = made
    notes = [note for note in report.notes if "outside of" in note]
    assert {note[:5] for note in notes} == {"F0002"}
    for note in notes:
        assert re.fullmatch(
            r"F000[12]: (paper|press): \d+\.\d % of the pixels lie outside of paper\.icc: their "
            r"colours move by ΔE00 \d+\.\d on average and at most \d+\.\d, relative colorimetric",
            note,
        ), note
    assert any("no table for the intent saturation" in line for line in report.reminders)


def test_what_reads_delivered_files_back_can_read_these(made) -> None:
    job, _ = made
    assert verify(job, decode=True)[1] == []
    found = colour_report(job)
    assert [measured.problems for measured in found.files] == [()] * 6
    assert {measured.profile for measured in found.files} > {"Four inks of ours"}
    assert "profiles/paper.icc" in page(found)
    screen = read_back(job / "deliveries/screen/F0001.jpg").lab()
    paper = read_back(job / "deliveries/paper/F0001.jpg").lab()
    assert np.median(delta_e_2000(screen, paper)) < 3
    bag_delivery(job, "paper")
    assert verify(job)[1] == []


def test_another_file_under_the_name_is_another_delivery(made, tmp_path: Path) -> None:
    job = shutil.copytree(made[0], tmp_path / "job")

    def planned() -> dict[tuple[str, str | None], str]:
        with Manifest.open(job) as manifest:
            actions = survey(job, manifest, (), ("paper", "press", "screen")).actions
        return {(a.frame, a.delivery): a.reason for a in actions if makes_something(a)}

    assert planned() == {}
    other = ink_profile("Other paper")
    (job / "profiles/paper.icc").write_bytes(other)
    frames = ("F0001", "F0002")
    said = "profiles/paper.icc has other content"
    both = {(frame, name): said for frame in frames for name in ("paper", "press")}
    assert planned() == both
    run(job, deliveries=["paper"], engine=InProcess())
    with Image.open(job / "deliveries/paper/F0001.jpg") as image:
        assert image.info["icc_profile"] == other
    assert planned() == {(frame, "press"): said for frame in frames}

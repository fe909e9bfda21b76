"""Painted masks: read as they are, refused before anything runs, and in a whole job."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline.errors import InvalidInput
from pipeline.files.encode import read_master
from pipeline.files.painted import painted_size, read_painted
from pipeline.hashing import digest_file
from pipeline.manifest import Manifest
from pipeline.masking import fits
from pipeline.run import run
from pipeline.survey import survey
from tests.job_for_tests import InProcess, edit, make_job, states


def ramp(kind, height=28, width=40):
    top = np.iinfo(kind).max
    return (np.linspace(0, top, width)[None] * np.ones((height, 1))).astype(kind)


WRITERS = {
    "png": lambda path, codes: path.write_bytes(imagecodecs.png_encode(codes)),
    "pillow png": lambda path, codes: Image.fromarray(codes).save(path, "PNG"),
    "tiff": lambda path, codes: tifffile.imwrite(path, codes, photometric="minisblack"),
    "tiff, deflate": lambda path, codes: tifffile.imwrite(
        path, codes, photometric="minisblack", compression="zlib", predictor=True
    ),
    "big endian tiff": lambda path, codes: tifffile.imwrite(
        path, codes, photometric="minisblack", byteorder=">"
    ),
}


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize("writer", WRITERS)
def test_a_mask_is_read_code_by_code(tmp_path, kind, writer):
    path, codes = tmp_path / "mask", ramp(kind)
    WRITERS[writer](path, codes)
    assert painted_size(path) == (28, 40)
    read = read_painted(path, digest_file(path))
    assert read.dtype.itemsize == np.dtype(kind).itemsize
    np.testing.assert_array_equal(read, codes)


def unusable(folder: Path) -> dict[str, Path]:
    """Files that are no masks, by what is wrong with them."""
    made = {}
    for name, save in {
        "colour png": lambda p: Image.fromarray(np.zeros((8, 9, 3), np.uint8)).save(p, "PNG"),
        "grey and alpha": lambda p: Image.fromarray(np.zeros((8, 9, 2), np.uint8)).save(p, "PNG"),
        "palette": lambda p: (
            Image.fromarray(np.zeros((8, 9), np.uint8)).convert("P").save(p, "PNG")
        ),
        "one bit": lambda p: Image.fromarray(np.zeros((8, 9), bool)).save(p, "PNG"),
        "jpeg": lambda p: Image.fromarray(np.zeros((8, 9), np.uint8)).save(p, "JPEG"),
        "colour tiff": lambda p: tifffile.imwrite(p, np.zeros((8, 9, 3), np.uint8)),
        "float tiff": lambda p: tifffile.imwrite(p, np.zeros((8, 9), np.float32)),
        "white is zero": lambda p: tifffile.imwrite(
            p, np.zeros((8, 9), np.uint8), photometric="miniswhite"
        ),
        "empty": lambda p: p.write_bytes(b""),
        "text": lambda p: p.write_text("a mask"),
        "header only": lambda p: p.write_bytes(b"\x89PNG\r\n\x1a\n"),
    }.items():
        made[name] = folder / name
        save(made[name])
    return made


def test_what_is_no_mask_is_refused_from_its_header(tmp_path):
    for name, path in unusable(tmp_path).items():
        with pytest.raises(ValueError, match=r"a PNG or TIFF of one channel|damaged or cut short"):
            print(name, painted_size(path))


def test_a_claim_of_more_pixels_than_any_mask_is_refused(tmp_path):
    head = bytearray(imagecodecs.png_encode(ramp(np.uint8)))
    head[16:24] = (100_000).to_bytes(4, "big") * 2
    path = tmp_path / "bomb.png"
    path.write_bytes(head)
    with pytest.raises(ValueError, match="claims 100000 × 100000 pixels; at most 400 million"):
        painted_size(path)


@pytest.mark.parametrize("writer", WRITERS)
def test_a_damaged_mask_is_said_and_never_taken_for_black(tmp_path, writer):
    path = tmp_path / "mask"
    WRITERS[writer](path, np.random.default_rng(1).integers(0, 256, (64, 64)).astype(np.uint8))
    data = path.read_bytes()
    for length in (len(data) // 3, len(data) * 2 // 3):
        path.write_bytes(data[:length])
        with pytest.raises(ValueError):
            read_painted(path, digest_file(path))


def test_a_mask_that_changed_since_the_plan_is_refused(tmp_path):
    path = tmp_path / "mask.png"
    path.write_bytes(imagecodecs.png_encode(ramp(np.uint8)))
    digest = digest_file(path)
    path.write_bytes(imagecodecs.png_encode(ramp(np.uint8)[::-1].copy() // 2))
    with pytest.raises(ValueError, match="was changed after this run began"):
        read_painted(path, digest)


def test_a_ratio_is_compared_within_what_whole_pixels_leave():
    assert fits((1000, 1500), (4672, 7008))
    assert fits((667, 1000), (4672, 7008))
    assert fits((100, 150), (4672, 7008))
    assert not fits((1500, 1000), (4672, 7008))
    assert not fits((1000, 1333), (4672, 7008))


# --- in a job -------------------------------------------------------------------------------------

LOCAL = """\
frame: F0001
local:
  - {name: left, mask: {painted: masks/left.png}, dodge: 1.0}
  - {name: night, mask: {tones: {from: 12}}, burn: 1.0}
"""


@pytest.fixture
def job(tmp_path):
    """Frames of 200 × 140 pixels, one of them with a painted mask of a quarter of that size."""
    job = make_job(tmp_path / "job", frames=2, selects=2)
    (job / "masks").mkdir()
    (job / "frames").mkdir(exist_ok=True)
    codes = np.zeros((35, 50), np.uint8)
    codes[:, :20] = 255
    (job / "masks" / "left.png").write_bytes(imagecodecs.png_encode(codes))
    return job


def master(job, frame):
    version = states(job)[frame].latest
    return read_master(job / version.master.path, version.master.digest)


def test_local_edits_reach_the_master_and_notes_the_report(job):
    engine = InProcess()
    run(job, engine=engine)
    plain = master(job, "F0001").astype(int)
    (job / "frames" / "F0001.yaml").write_text(LOCAL)
    engine = InProcess()
    report = run(job, engine=engine)
    assert engine.worked_on == ["F0001"]
    assert report.failed == {}
    assert report.notes == ["F0001: night: its mask selects nothing in this frame"]
    (version,) = report.developed
    assert version.reason == (
        "left.dodge added in frames/F0001.yaml; night.burn added in frames/F0001.yaml"
    )
    edited = master(job, "F0001").astype(int)
    # the mask's edge lies at 80 of 200 pixels, softened over some of its own
    np.testing.assert_array_equal(edited[:, 100:], plain[:, 100:])
    assert (edited[:, :60] > plain[:, :60]).mean() > 0.98
    assert InProcess().worked_on == [] and run(job, engine=InProcess()).developed == []


def test_a_changed_mask_makes_only_its_frame_again(job):
    (job / "frames" / "F0001.yaml").write_text(LOCAL)
    run(job, engine=InProcess())
    codes = np.full((35, 50), 9, np.uint8)
    (job / "masks" / "left.png").write_bytes(imagecodecs.png_encode(codes))
    engine = InProcess()
    report = run(job, engine=engine)
    assert engine.worked_on == ["F0001"]
    assert report.developed[0].reason == "left: masks/left.png has other content"


def test_a_mask_that_does_not_fit_is_said_before_anything_runs(job):
    (job / "frames" / "F0001.yaml").write_text(LOCAL)
    (job / "masks" / "left.png").write_bytes(imagecodecs.png_encode(ramp(np.uint8, 50, 50)))
    with Manifest.open(job) as manifest, pytest.raises(InvalidInput) as raised:
        survey(job, manifest)
    (problem,) = raised.value.problems
    assert str(problem) == (
        "frames/F0001.yaml:3: left.mask.painted: masks/left.png has 50 × 50 pixels, F0001 has "
        "200 × 140; allowed: a mask of the frame's aspect ratio"
    )
    (job / "masks" / "left.png").write_text("no picture")
    with Manifest.open(job) as manifest, pytest.raises(InvalidInput) as raised:
        survey(job, manifest)
    assert "masks/left.png: it is not a PNG or TIFF of one channel" in str(raised.value)


def test_products_with_painted_places_are_checked_too(job):
    edit(job / "job.yaml", "selects:", "products: {jug: {lab: [50, 0, 0]}}\nselects:")
    (job / "frames" / "F0002.yaml").write_text(
        "frame: F0002\nproducts: {jug: {where: {painted: masks/left.png}}}\n"
    )
    (job / "masks" / "left.png").write_bytes(imagecodecs.png_encode(ramp(np.uint8, 50, 50)))
    with Manifest.open(job) as manifest, pytest.raises(InvalidInput) as raised:
        survey(job, manifest)
    assert str(raised.value).startswith("frames/F0002.yaml:2: jug.mask.painted: masks/left.png has")


def test_a_plan_without_masks_loads_no_decoder():
    code = "import pipeline.run, pipeline.painted, sys; print('tifffile' in sys.modules)"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "False"

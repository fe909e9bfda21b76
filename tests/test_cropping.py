"""Crops on a real job: around what the frame's file says, its subject, its products, its middle."""

from __future__ import annotations

import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline.cropping import Cropping
from pipeline.errors import InvalidInput
from pipeline.framing import Box
from pipeline.manifest import Manifest
from pipeline.proof.measure import measure_file
from pipeline.records import Shown
from pipeline.rounds import Development
from pipeline.run import run
from pipeline.survey import survey
from tests.job_for_tests import HEIGHT, WIDTH, InProcess, edit, make_job, states
from tests.proof_for_tests import chart_file, lamp_density, lamp_file, write_picture

SQUARE = {"crop": "1:1"}
LAMP = {"polygon": [[0.6, 0.1], [0.95, 0.1], [0.95, 0.6], [0.6, 0.6]]}
POT = {"ellipse": {"centre": [0.15, 0.7], "radii": [0.1, 0.1]}}


def cropping() -> Cropping:
    """Of a frame of 3000 × 2000 pixels, of which only places are asked."""
    return Cropping(Development(Path("none"), "", (), {}), 3000, 2000)


def keeping(**masks: dict) -> dict:
    return {"keep": [{"name": name, "where": where, "files": {}} for name, where in masks.items()]}


def test_a_crop_is_laid_around_what_is_known() -> None:
    assert cropping().part({}, {}) is None
    assert cropping().part(SQUARE, {}) == Box(500, 0, 2500, 2000)
    assert cropping().part(SQUARE, {"focal": (0.1, 0.5)}) == Box(0, 0, 2000, 2000)
    crop = cropping()
    assert crop.part(SQUARE, keeping(lamp=LAMP)) == Box(1000, 0, 3000, 2000)
    assert crop.notes == []
    # moved from the focal point by no more than the product needs
    held = cropping().part(SQUARE, {"focal": (0.1, 0.5), **keeping(lamp=LAMP)})
    assert held.right == pytest.approx(0.95 * 3000, abs=8)
    free = {"crop": (0.1, 0.2, 0.5, 0.9)}
    assert cropping().part({}, free) == Box(300, 400, 1500, 1800)
    assert cropping().part(SQUARE, free) == Box(300, 500, 1500, 1700)
    paper = {"print": {"width_mm": 100, "height_mm": 150, "ppi": 100}}
    assert cropping().part(paper, {}) is None, "it is of that shape"


def test_a_product_that_cannot_be_kept_whole_is_named() -> None:
    crop = cropping()
    both = crop.part(SQUARE, keeping(lamp=LAMP, pot=POT))
    assert both.right == pytest.approx(0.95 * 3000, abs=8), "the first is kept"
    assert crop.notes == ["the crop to 2000 × 2000 pixels cuts pot"]
    assert cropping().part(SQUARE, keeping(none={"polygon": [[0, 0], [0, 0.001], [0.001, 0]]}))


FRAME = """\
frame: F0001
focal: [0.1, 0.5]
crop: {left: 0.1}
"""
DELIVERIES = """\
  square:
    {format: png, bits: 16, crop: "1:1", name: "{frame}_{crop}"}
  paper:
    {format: jpeg, print: {width_mm: 30, height_mm: 20, ppi: 127},
     border: {share: 0.1}, name: "{frame}_{date:%Y}"}
  small:
    {format: webp, width: 60, max_bytes: 4200, name: "{frame}_{width}"}
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    job = make_job(tmp_path_factory.mktemp("made") / "job", frames=2, selects=2)
    edit(job / "job.yaml", "deliveries:\n", "deliveries:\n" + DELIVERIES)
    (job / "frames").mkdir()
    (job / "frames/F0001.yaml").write_text(FRAME)
    report = run(job, deliveries=["square", "paper", "small"], engine=InProcess())
    assert report.exit_code == 0, report.failed
    assert not [note for note in report.notes if "cuts" in note]
    return job


@pytest.fixture
def job(made, tmp_path) -> Path:
    return shutil.copytree(made, tmp_path / "job")


def test_what_is_delivered_is_that_part_of_the_master(job: Path) -> None:
    import cv2

    from pipeline.rendition import RenditionSpec, render

    master = tifffile.imread(job / "masters/F0001_v1.tif")
    part = master[:, 20:160]  # a square of the height, as far left as the frame's crop lets it be
    assert part.shape == (HEIGHT, 140, 3)
    (expected,) = render(np.ascontiguousarray(part), [RenditionSpec("srgb", 16)])
    seen = cv2.imread(str(job / "deliveries/square/F0001_1x1.png"), cv2.IMREAD_UNCHANGED)
    assert (seen[..., ::-1] == expected).all()
    middle = tifffile.imread(job / "masters/F0002_v1.tif")[:, 30:170]
    (expected,) = render(np.ascontiguousarray(middle), [RenditionSpec("srgb", 16)])
    seen = cv2.imread(str(job / "deliveries/square/F0002_1x1.png"), cv2.IMREAD_UNCHANGED)
    assert (seen[..., ::-1] == expected).all()


def test_a_print_says_how_large_it_is(job: Path) -> None:
    (path,) = (job / "deliveries/paper").glob("F0002_*.jpg")
    with Image.open(path) as picture:
        assert picture.size == (150, 100), "30 × 20 mm at 127 ppi"
        assert picture.info["dpi"] == (127, 127)
        codes = np.asarray(picture)
    assert (codes[:8] > 250).all()
    assert (codes[20:-20, 20:-20] < 250).any()
    found = subprocess.run(
        ["exiftool", "-json", "-n", "-XResolution", str(path)],
        capture_output=True, check=True, text=True,
    )  # fmt: skip
    assert {row["XResolution"] for row in json.loads(found.stdout)} == {127}


def test_a_file_under_a_size_is_under_it(job: Path) -> None:
    files = sorted((job / "deliveries/small").iterdir())
    assert [file.name for file in files] == ["F0001_60.webp", "F0002_60.webp"]
    assert all(0 < file.stat().st_size <= 4200 for file in files)


def test_a_print_larger_than_the_frame_says_what_it_prints_at(job: Path) -> None:
    edit(job / "job.yaml", "width_mm: 30, height_mm: 20, ppi: 127", "width_mm: 400, ppi: 300")
    report = run(job, deliveries=["paper"], engine=InProcess())
    assert f"F0002: paper: it prints at {round(WIDTH / 0.8 / (400 / 25.4))}" in " ".join(
        report.notes
    )


def test_a_changed_focal_point_delivers_again_and_says_why(job: Path) -> None:
    edit(job / "frames/F0001.yaml", "focal: [0.1, 0.5]", "focal: [0.9, 0.5]")
    with Manifest.open(job) as manifest:
        actions = survey(job, manifest, deliveries=["square", "small"]).actions
    todo = {(a.frame, a.delivery): a.reason for a in actions if a.action == "deliver"}
    assert list(todo) == [("F0001", "square")]
    assert todo["F0001", "square"] == "its focal point changed"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("focal: [0.1]", "focal[1]: missing; allowed: a number from 0 to 1"),
        ("focal: [0.1, 3]", "focal[1]: 3; allowed: "),
        ("crop: {left: 0.6, right: 0.5}", "crop: right is to the right of left"),
        ("crop: {west: 0.6}", "crop.west: unknown key; allowed: left, top, right, bottom"),
    ],
)
def test_what_cannot_be_cropped_is_refused(job: Path, line: str, words: str) -> None:
    (job / "frames/F0001.yaml").write_text(f"frame: F0001\n{line}\n")
    with Manifest.open(job) as manifest, pytest.raises(InvalidInput) as refused:
        survey(job, manifest)
    assert f"frames/F0001.yaml:2: {words}" in str(refused.value.problems[0])


def test_colours_are_found_again_in_a_file_that_shows_a_part(tmp_path: Path) -> None:
    whole = chart_file(tmp_path / "chart.tif", bits=16)
    lamp = lamp_file(tmp_path / "lamp.tif", bits=16)
    for file in (whole, lamp):
        codes = tifffile.imread(file.path)
        height, width = codes.shape[:2]
        part = codes[height // 10 : -height // 20, width // 8 : -width // 10]
        framed = np.pad(part, ((9, 9), (9, 9), (0, 0)), constant_values=65535)
        write_picture(tmp_path / "part.tif", framed, "tiff", "srgb")
        top, bottom = height // 10 / height, 1 + (-height // 20) / height
        left, right = width // 8 / width, 1 + (-width // 10) / width
        shown = Shown(left, top, right, bottom, 9)
        found = [
            measure_file(each)
            for each in (file, replace(file, path=tmp_path / "part.tif", shown=shown))
        ]
        assert [each.problems for each in found] == [(), ()]
        for of_whole, of_part in zip(found[0].products, found[1].products, strict=True):
            assert of_part.difference.de00 == pytest.approx(of_whole.difference.de00, abs=0.02)
        if found[0].chart:
            assert found[1].chart.mean == pytest.approx(found[0].chart.mean, abs=0.02)
    (product,) = lamp.products

    def density(rows: slice, columns: slice, height: int, width: int) -> np.ndarray:
        return lamp_density(width, height)[rows, columns]

    for box, words in (
        (product.box, "covers nothing in this file"),
        ((0.3, 0.3, 0.7, 0.7), "is not in what this file shows"),
    ):
        elsewhere = replace(product, density=density, box=box)
        outside = replace(
            lamp,
            path=tmp_path / "part.tif",
            products=(elsewhere,),
            shown=Shown(0.75, 0.0, 1.0, 1.0),
        )
        assert words in measure_file(outside).problems[0]
    chart = replace(whole, path=tmp_path / "part.tif", shown=Shown(0.5, 0.0, 1.0, 1.0))
    assert "a corner of the chart lies outside" in measure_file(chart).problems[0]


def test_what_a_file_shows_is_recorded(job: Path) -> None:
    delivered = states(job)["F0001"].delivered
    assert delivered["square"].shown == Shown(0.1, 0.0, 0.8, 1.0)
    assert delivered["paper"].shown.border_px == 15
    assert states(job)["F0002"].delivered["small"].shown is None

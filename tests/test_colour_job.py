"""A job's charts and its colour report, as a user meets them: runs, exit codes, the page."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from pipeline.ingest import ingest
from pipeline.kernels.adaptation import adaptation_matrix
from pipeline.kernels.references import reference_xyz
from pipeline.kernels.spaces import PCS_WHITE, xy_to_xyz
from pipeline.manifest import Manifest
from pipeline.rating import rate
from pipeline.run import run
from tests.dng import COLOR_MATRIX, mosaic_of, write_dng
from tests.job_for_tests import InProcess, edit

NEUTRAL = np.array([0.5, 1.0, 0.6])

JOB = """\
job: proof
client: Ferrow Enamelware
recipe: recipes/look.yaml
selects: rating >= 3
deliveries:
  web: {format: jpeg, scale: 1, quality: 95}
"""
LOOK = "recipe: look\nlook:\n  - balance: {from: as-shot}\n"
SETUPS = {
    "day": "setup: day\nframes: [A1, A2]\nchart: {frame: A1}\nadjust: [balance: {from: chart}]\n",
    "dusk": "setup: dusk\nframes: [B1, B2]\nchart: {frame: B1}\nadjust: [balance: {from: chart}]\n",
}


def chart_pixels(light: np.ndarray) -> np.ndarray:
    """A chart on a dark board, a little turned, as camera RGB of a camera with a known matrix."""
    to_camera = COLOR_MATRIX @ adaptation_matrix(PCS_WHITE, xy_to_xyz((0.3127, 0.3290)))
    patches = reference_xyz("after-2014") @ to_camera.T
    flat = np.full((420, 620, 3), 0.04)
    for index, patch in enumerate(patches):
        top, left = 20 + 100 * (index // 6), 20 + 100 * (index % 6)
        flat[top : top + 82, left : left + 82] = patch
    corners = np.array([[150, 90], [640, 120], [620, 460], [140, 420]], np.float32)
    source = np.array([[0, 0], [620, 0], [620, 420], [0, 420]], np.float32)
    warp = cv2.getPerspectiveTransform(source, corners)
    wall = np.full((560, 800, 3), 0.3) @ np.diag(to_camera.sum(axis=1))
    mask = cv2.warpPerspective(np.ones(flat.shape[:2]), warp, (800, 560))[..., None]
    return (wall * (1 - mask) + cv2.warpPerspective(flat, warp, (800, 560)) * mask) * light


def expose(path: Path, rgb: np.ndarray) -> None:
    draw = np.random.default_rng(5)
    levels = 256 + np.clip(rgb * 0.6, 0, 1) * 15000 + draw.normal(0, 5, rgb.shape)
    write_dng(
        path,
        mosaic_of(levels.clip(0, 16000).round().astype(np.uint16)),
        black=256,
        white=15256,
        as_shot_neutral=NEUTRAL,
    )


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Two setups; the chart of the second cannot be seen."""
    folder = tmp_path_factory.mktemp("colour")
    card = folder / "card"
    card.mkdir()
    pixels = chart_pixels(np.ones(3))
    expose(card / "A1.dng", pixels)
    expose(card / "A2.dng", pixels * 0.9)
    expose(card / "B1.dng", np.full((560, 800, 3), 0.2) * NEUTRAL)
    expose(card / "B2.dng", pixels * 0.8)
    job = folder / "job"
    texts = {"job.yaml": JOB, "recipes/look.yaml": LOOK}
    texts |= {f"setups/{name}.yaml": text for name, text in SETUPS.items()}
    for name, text in texts.items():
        (job / name).parent.mkdir(parents=True, exist_ok=True)
        (job / name).write_text(text)
    assert ingest(job, [card]).failed == {}
    rate(job, 4, ["A1", "A2", "B2"])
    return job


@pytest.fixture
def job(made: Path, tmp_path: Path) -> Path:
    return shutil.copytree(made, tmp_path / "job")


@pytest.fixture(scope="module")
def delivered(made: Path, tmp_path_factory) -> Path:
    job = shutil.copytree(made, tmp_path_factory.mktemp("delivered") / "job")
    run(job, deliveries=["web"], engine=InProcess())
    return job


def command(*arguments: str):
    from pipeline.cli.commands import app

    result = CliRunner().invoke(app, arguments)
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result


def test_a_chart_that_is_not_found_stops_its_own_setup_alone(job: Path) -> None:
    report = run(job, engine=InProcess())
    assert [version.frame for version in report.developed] == ["A1", "A2"]
    assert report.exit_code == 1
    sentence = report.failed["B2"].sentence
    assert sentence.startswith("the chart of dusk in B1: ")
    assert "corners" in sentence
    assert [(chart.setup, chart.frame) for chart in report.charts] == [("day", "A1")]


def test_a_chart_is_read_once(job: Path) -> None:
    first, second = InProcess(), InProcess()
    run(job, named=["A1", "A2"], engine=first)
    assert first.worked_on == ["the chart of day", "A1", "A2"]
    run(job, named=["A1", "A2"], engine=second)
    assert second.worked_on == []
    edit(job / "setups/day.yaml", "frame: A1}", "frame: A1, edition: average}")
    third = InProcess()
    report = run(job, named=["A1", "A2"], engine=third)
    assert third.worked_on == ["the chart of day", "A1", "A2"]
    assert report.developed[0].reason == "chart.edition after-2014 -> average in setups/day.yaml"


def test_a_chart_placed_by_hand_reads_like_one_that_was_found(job: Path) -> None:
    found = run(job, named=["A2"], engine=InProcess()).charts[0]
    corners = [[round(x, 3), round(y, 3)] for x, y in found.reading["corners"]]
    edit(job / "setups/day.yaml", "frame: A1}", f"frame: A1, corners: {corners}}}")
    placed = run(job, named=["A2"], engine=InProcess()).charts[0]
    assert (found.reading["placed"], placed.reading["placed"]) == ("found", "by hand")
    read = np.array(placed.reading["rgb"]) / np.array(found.reading["rgb"])
    assert np.abs(read - 1).max() < 0.01


@pytest.mark.parametrize("order", [(2, 3, 0, 1), (1, 0, 3, 2), (3, 2, 1, 0)])
def test_corners_in_another_order_are_refused_in_words(job: Path, order: tuple[int, ...]) -> None:
    found = run(job, named=["A2"], engine=InProcess()).charts[0].reading["corners"]
    corners = [[round(v, 3) for v in found[index]] for index in order]
    edit(job / "setups/day.yaml", "frame: A1}", f"frame: A1, corners: {corners}}}")
    report = run(job, named=["A2"], engine=InProcess())
    assert report.developed == []
    assert report.exit_code == 1
    assert report.failed["A2"].sentence.startswith("the chart of day in A1: ")


def test_the_report_is_the_contract_and_the_page_is_there(delivered: Path) -> None:
    said = command("colour", "--job", str(delivered), "--json")
    found = json.loads(said.stdout)
    assert set(found) >= {"frames", "tolerance", "passed"}
    assert (said.exit_code, found["passed"]) == (0, True)
    charts = [frame for frame in found["frames"] if frame["patches"]]
    assert {frame["frame"] for frame in charts} == {"A1"}
    for frame in charts:
        assert set(frame) >= {"frame", "setup", "patches", "mean", "p90", "max"}
        assert len(frame["patches"]) == 24
        assert set(frame["patches"][0]) >= {"name", "lab", "target", "de00"}
    page = (delivered / "reports/colour.html").read_text(encoding="utf-8")
    assert "A1" in page and "<script" not in page and "://" not in page


def test_a_file_is_judged_as_it_lies_on_disk(delivered: Path, tmp_path: Path) -> None:
    job = shutil.copytree(delivered, tmp_path / "job")
    path = job / "deliveries/web/A1.jpg"
    picture = cv2.imread(str(path))
    # red and blue exchanged, the profile kept: nothing that was intended knows of it
    from pipeline.files.encode import jpeg

    content = jpeg(np.ascontiguousarray(picture), "srgb", quality=95, ppi=300)
    path.write_bytes(content)
    said = command("colour", "--job", str(job), "--json")
    assert said.exit_code == 1
    assert json.loads(said.stdout)["passed"] is False


def test_over_the_tolerance_is_exit_code_1(delivered: Path, tmp_path: Path) -> None:
    job = shutil.copytree(delivered, tmp_path / "job")
    edit(job / "job.yaml", "deliveries:", "tolerance: {max: 0.01}\ndeliveries:")
    said = command("colour", "--job", str(job))
    assert said.exit_code == 1
    assert "A1" in said.stderr


def test_the_manifest_keeps_the_correction(delivered: Path) -> None:
    with Manifest.open(delivered) as manifest:
        (chart,) = manifest.charts().values()
        events = [event.what for event in manifest.events("A1")]
    assert "chart read" in events
    assert chart.correction["mean"] < 0.5  # the camera is one that a matrix describes


@pytest.mark.parametrize("where", ["painted: masks/spot.png", "ellipse: {at}, grow: 4"])
def test_a_product_is_measured_through_any_mask(
    delivered: Path, tmp_path: Path, where: str
) -> None:
    job = shutil.copytree(delivered, tmp_path / "job")
    (job / "masks").mkdir()
    spot = np.zeros((560, 800), np.uint8)
    spot[20:60, 40:120] = 255  # the wall
    assert cv2.imwrite(str(job / "masks/spot.png"), spot)
    place = where.replace("{at}", "{centre: [0.1, 0.0714], radii: [0.05, 0.04]}")
    edit(job / "job.yaml", "deliveries:", "products: {wall: {lab: [60, 0, 0]}}\ndeliveries:")
    edit(job / "setups/day.yaml", "adjust:", f"products: {{wall: {{where: {{{place}}}}}}}\nadjust:")
    found = json.loads(command("colour", "--job", str(job), "--json").stdout)
    walls = [frame for frame in found["frames"] if "wall" in json.dumps(frame)]
    assert {frame["frame"] for frame in walls} == {"A1", "A2"}

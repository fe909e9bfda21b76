"""One product, one colour: frames of a setup that stand out are moved to the rest."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.evening import evenings, groups
from pipeline.ingest import ingest
from pipeline.kernels.difference import delta_e_2000, lab_of, xyz_of
from pipeline.kernels.spaces import PCS_WHITE
from pipeline.plan import Demand, plan
from pipeline.rating import rate
from pipeline.records import FrameState, Original, ResolvedFrame, ResolvedProduct
from pipeline.run import run
from tests.dng import mosaic_of, write_dng
from tests.job_for_tests import InProcess, edit

RED = np.array([42.3, 54.1, 28.8])
NEUTRAL = np.array([0.5, 1.0, 0.6])
WHERE = {"ellipse": {"centre": [0.5, 0.5], "radii": [0.2, 0.2]}}


def darker(lab: np.ndarray, stops: float) -> list[float]:
    return lab_of(xyz_of(lab, PCS_WHITE) * 2.0**-stops, PCS_WHITE).tolist()


def test_a_frame_that_is_half_a_stop_under_is_moved_by_half_a_stop() -> None:
    read = {f"Q{n}": {"lamp": darker(RED, 0.01 * n)} for n in range(4)}
    read["Q9"] = {"lamp": darker(RED, 0.515)}
    moved = evenings(read, {"lamp": 1.0})
    assert set(moved) == {"Q9"}
    assert moved["Q9"].stops == pytest.approx(0.5, abs=0.01)
    assert moved["Q9"].mired == 0


def test_frames_within_the_tolerance_stay() -> None:
    read = {f"Q{n}": {"lamp": darker(RED, 0.05 * n)} for n in range(5)}
    assert evenings(read, {"lamp": 3.0}) == {}


def test_of_two_that_differ_neither_is_the_odd_one() -> None:
    read = {"Q1": {"lamp": RED.tolist()}, "Q2": {"lamp": darker(RED, 1)}}
    assert evenings(read, {"lamp": 1.0}) == {}


def state(name: str) -> FrameState:
    return FrameState(name, Original(f"originals/{name}.dng", f"blake3:{name}", 1), 4)


def resolved(name: str, setup: str | None = "day", product: str = "lamp") -> ResolvedFrame:
    place = ResolvedProduct(product, (42.3, 54.1, 28.8), 2.0, None, WHERE)
    return ResolvedFrame(name, "look", setup, (), None, (place,))


def test_frames_belong_together_by_setup_and_product() -> None:
    frames = [
        *(resolved(f"A{n}") for n in range(3)),
        *(resolved(f"B{n}", "dusk") for n in range(2)),
        resolved("C0", None),
        resolved("D0", product="vase"),
    ]
    found = groups(frames, {frame.frame: state(frame.frame) for frame in frames}, {})
    assert set(found) == {"A0", "A1", "A2"}
    assert set(found["A0"].group) == {"A0", "A1", "A2"}
    assert found["A0"].own == found["A1"].group["A0"]


def test_the_plan_reads_the_whole_group_for_one_frame_of_it() -> None:
    frames = [resolved(f"A{n}") for n in range(3)]
    states = {frame.frame: state(frame.frame) for frame in frames}
    found = groups(frames, states, {})
    one = replace(frames[0], even=found["A0"])
    actions = plan([one], states, Demand(selects={"A0"}, libraries={}))
    assert [(action.frame, action.action) for action in actions] == [
        ("A0", "measure"),
        ("A1", "measure"),
        ("A2", "measure"),
        ("A0", "develop"),
    ]
    measured = {action.key for action in actions[:3]}
    (alone,) = plan([one], states, Demand(selects={"A0"}, libraries={}, measured=measured))
    assert alone == actions[3]
    # whom it is evened with decides its pixels
    two = replace(found["A0"], group={"A0": found["A0"].own})
    other = plan([replace(one, even=two)], states, Demand(selects={"A0"}, libraries={}))
    assert other[-1].key != actions[3].key


JOB = """\
job: even
client: Ferrow Enamelware
recipe: recipes/look.yaml
products:
  lamp: {lab: [42.3, 54.1, 28.8], tolerance: 1.0}
"""
LOOK = "recipe: look\neven: true\nlook:\n  - balance: {from: as-shot}\n"
SETUP = """\
setup: day
frames: ["A*"]
products:
  lamp: {where: {ellipse: {centre: [0.5, 0.5], radii: [0.2, 0.2]}}}
"""


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """Four frames of one disc, the third 0.7 stops under."""
    card = tmp_path / "card"
    card.mkdir()
    rows, columns = np.mgrid[0:280, 0:400]
    disc = ((columns / 400 - 0.5) / 0.25) ** 2 + ((rows / 280 - 0.5) / 0.25) ** 2 < 1
    scene = np.where(disc[..., None], [0.30, 0.12, 0.08], 0.2) * NEUTRAL
    draw = np.random.default_rng(3)
    for number, stops in enumerate((0.0, 0.02, 0.7, -0.02), 1):
        levels = 256 + scene * 2.0**-stops * 15000 + draw.normal(0, 4, scene.shape)
        mosaic = mosaic_of(levels.round().astype(np.uint16))
        path = card / f"A{number}.dng"
        write_dng(path, mosaic, black=256, white=15256, as_shot_neutral=NEUTRAL)
    job = tmp_path / "job"
    texts = {"job.yaml": JOB, "recipes/look.yaml": LOOK, "setups/day.yaml": SETUP}
    for name, text in texts.items():
        (job / name).parent.mkdir(parents=True, exist_ok=True)
        (job / name).write_text(text)
    assert ingest(job, [card]).failed == {}
    rate(job, 4, ["A*"])
    return job


def disc_lab(job: Path, frame: str, version: int = 1) -> np.ndarray:
    """The disc's colour in a master, by colour-science."""
    import colour

    codes = tifffile.imread(job / f"masters/{frame}_v{version}.tif")[120:160, 170:230] / 65535
    romm = colour.RGB_COLOURSPACES["ROMM RGB"]
    mean = romm.cctf_decoding(codes).reshape(-1, 3).mean(0)
    xyz = colour.RGB_to_XYZ(mean, romm, apply_cctf_decoding=False)
    return colour.XYZ_to_Lab(xyz, romm.whitepoint)


def test_a_run_evens_the_frame_that_stands_out(job: Path) -> None:
    engine = InProcess()
    report = run(job, engine=engine)
    assert report.exit_code == 0, report.failed
    labs = [disc_lab(job, f"A{number}") for number in range(1, 5)]
    assert max(delta_e_2000(lab, labs[0]) for lab in labs) < 0.5
    (note,) = [note for note in report.notes if note.startswith("A3")]
    assert note.startswith("A3: evened with day: ")
    assert float(note.split(" ")[4]) == pytest.approx(0.7, abs=0.03)
    again = InProcess()
    run(job, engine=again)
    assert again.worked_on == []


def test_without_even_the_frame_stays_as_it_was_shot(job: Path) -> None:
    edit(job / "recipes/look.yaml", "even: true\n", "")
    run(job, engine=InProcess())
    assert delta_e_2000(disc_lab(job, "A3"), disc_lab(job, "A1")) > 4

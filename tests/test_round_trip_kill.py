"""Killed while a round is packed or taken back: nothing half, nothing lost; the next ends it."""

from __future__ import annotations

import os
import random
import shutil
import time
from pathlib import Path

import pytest
import tifffile

from pipeline.handoff import hand_off
from pipeline.manifest import Manifest
from pipeline.records import Returned
from pipeline.retouch import take_back
from pipeline.rounds import retouch_of
from pipeline.run import run
from pipeline.verify import verify
from tests.job_for_tests import InProcess, kill, make_job, retouched, start, states, wait_until
from tests.test_round_trip import CABLE, SHADE

TESTS = Path(__file__).parent
SLOW_DISK = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join((str(TESTS / "slow_disk"), str(TESTS.parent))),
}
SEEDS = [0, 1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(2, 5))]
FRAMES = ("F0001", "F0002")


@pytest.fixture(scope="module")
def developed(tmp_path_factory) -> Path:
    """Two selects that ask for something, developed."""
    job = make_job(tmp_path_factory.mktemp("made") / "job", frames=2, selects=2)
    (job / "frames").mkdir()
    (job / "frames/F0001.yaml").write_text(CABLE)
    (job / "frames/F0002.yaml").write_text(SHADE)
    assert run(job, engine=InProcess()).exit_code == 0
    return job


@pytest.fixture(scope="module")
def out(developed, tmp_path_factory) -> Path:
    """The same, both handed off, and beside the job what came back of them."""
    job = shutil.copytree(developed, tmp_path_factory.mktemp("out") / "job")
    for sent in hand_off(job, [], "Ines", engine=InProcess()).sent:
        retouched(job / sent.sent.path, job.parent / "back")
    return job


def killed_while(job: Path, seed: int, *command: str) -> None:
    """Start a command on a slow disk and kill it while it writes, or at any instant."""
    draw = random.Random(seed)
    process = start(*command, cwd=job, env=SLOW_DISK)
    before = set(job.rglob("*"))
    wait_until(lambda: set(job.rglob(".safelight-*.part")) - before or process.poll() is not None)
    time.sleep(draw.uniform(0.0, 0.6))
    kill(process)


@pytest.mark.parametrize("seed", SEEDS)
def test_killed_while_handing_off(developed: Path, tmp_path: Path, seed: int) -> None:
    job = shutil.copytree(developed, tmp_path / "job")
    killed_while(job, seed, "handoff", "--to", "Ines")
    assert verify(job)[1] == []
    with Manifest.open(job) as manifest:
        whole = [each.number for each in manifest.rounds()]
    if not whole:
        assert all(retouch_of(state.trips).out is None for state in states(job).values())
    hand_off(job, [], "Ines", engine=InProcess())
    assert [retouch_of(state.trips).out.handoff.round for state in states(job).values()] == [1, 1]
    assert len(list((job / "retouch").glob("round-*"))) == 1
    assert not list(job.rglob(".safelight-*.part"))
    assert verify(job)[1] == []


@pytest.mark.parametrize("seed", SEEDS)
def test_killed_while_taking_back(out: Path, tmp_path: Path, seed: int) -> None:
    job = shutil.copytree(out, tmp_path / "job")
    back = shutil.copytree(out.parent / "back", tmp_path / "back")
    came = {path.name: path.read_bytes() for path in back.iterdir()}
    killed_while(job, seed, "takeback", str(back))
    assert verify(job)[1] == []
    assert {path.name: path.read_bytes() for path in back.iterdir()} == came
    assert take_back(job, [back], settle_s=0, engine=InProcess()).exit_code == 0
    assert run(job, engine=InProcess()).exit_code == 0
    for state in states(job).values():
        (returned,) = (trip for trip in state.trips if isinstance(trip, Returned))
        assert (job / returned.file.path).read_bytes() in came.values()
        master = tifffile.imread(job / state.latest.master.path)
        assert (master == tifffile.imread(job / returned.used.path)).all()
        assert state.latest.reason == "retouched by Ines, round 1"
    assert not list(job.rglob(".safelight-*.part"))
    assert verify(job)[1] == []

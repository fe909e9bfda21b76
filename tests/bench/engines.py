"""Times a whole run on each engine: processes here, a flow on Prefect, the same on Dask.

`python tests/bench/engines.py [--small 500] [--large 60] [--megapixels 33] [--rounds 2]
[--raws DIR]`

Every round runs `safelight run` on one job, on each engine, each time another first: here, with a
Prefect server that runs already, and with a Dask scheduler and two workers of one thread that run
already, all on this machine; and here with one process more than there are cores, which fills every
moment in which a core waits: the most that decoding a frame ahead could gain. Small frames are 200
× 140 pixels, so that what an engine adds shows; large ones are the demo's. Medians and bests of
wall time after a run on each to warm up; what it adds a frame; and a run with nothing to do. Before
all that, what importing the engines takes.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from installed import keep_bytecode
from raws import ROOT, make_raws

sys.path.insert(0, str(ROOT))

from tests.job_for_tests import make_job, write_job
from tests.loopback import dask_cluster, prefect_server

FRAME = "QL0004"
SAFELIGHT = "from pipeline.cli import main; main()"
ONE_MORE = """
import pipeline.workplace as place
lanes = place.lanes
place.lanes = lambda pixels: lanes(pixels) + 1
"""


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--small", type=int, default=500)
    parser.add_argument("--large", type=int, default=60)
    parser.add_argument("--megapixels", type=float, default=33)
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--raws", type=Path, help="keep the raw here for another time")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        (folder / "cluster").mkdir()
        keep_bytecode(folder / "bytecode")
        time_imports()
        with prefect_server(folder), dask_cluster(folder / "cluster") as cluster:
            if given.small:
                job = make_job(folder / "small" / "job", given.small, given.small)
                compare(job, cluster.address, given.rounds, f"{given.small} frames of 0.03 MP")
            if given.large:
                (raw,) = make_raws(given.raws or folder, given.megapixels, [FRAME])
                job = large_job(folder / "large" / "job", raw, given.large)
                said = f"{given.large} frames of {given.megapixels:g} MP"
                compare(job, cluster.address, given.rounds, said)


def time_imports() -> None:
    """Fresh processes that import an engine and what it needs, and nothing else."""
    for module in ("here", "flow", "dask"):
        command = [sys.executable, "-c", f"import pipeline.engines.{module}"]
        taken = []
        for _ in range(6):
            start = time.perf_counter()
            subprocess.run(command, cwd=ROOT, check=True)
            taken.append(time.perf_counter() - start)
        print(f"import pipeline.engines.{module:5} {statistics.median(taken[1:]):.2f} s")


def large_job(job: Path, raw: Path, frames: int) -> Path:
    """A job of the same raw again and again, each with a byte of its own at its end."""
    from pipeline.ingest import ingest
    from pipeline.rating import rate

    card = job.parent / "card"
    card.mkdir(parents=True)
    names = [f"L{number:04}" for number in range(frames)]
    for number, name in enumerate(names):
        shutil.copy(raw, card / f"{name}.dng")
        with (card / f"{name}.dng").open("ab") as stream:
            stream.write(number.to_bytes(2, "big"))
    write_job(job)
    (job / "setups/daylight.yaml").unlink()
    assert ingest(job, [card], link=True).failed == {}
    rate(job, 4, names)
    return job


def compare(job: Path, scheduler: str, rounds: int, said: str) -> None:
    engines = {
        "here": ["--engine", "here"],
        "one more": ["--engine", "here"],
        "prefect": ["--engine", "prefect"],
        "dask": ["--engine", "dask", "--scheduler", scheduler],
    }
    before = (job / "manifest.sqlite").read_bytes()
    for arguments in engines.values():  # kernels, files and workers are warm then
        run(job, [*arguments, "?000?"])
        reset(job, before)
    frames = 0
    times: dict[str, list[float]] = {name: [] for name in engines}
    idle = []
    for first in range(rounds):
        for number in range(len(engines)):  # in turns: the machine gets slower and faster
            name, arguments = list(engines.items())[(first + number) % len(engines)]
            times[name].append(run(job, arguments, ONE_MORE * (name == "one more")))
            frames = len(list((job / "masters").glob("*.tif")))
            idle.append(run(job, arguments))
            reset(job, before)
    print(f"{said}:")
    for what, of in (("median", statistics.median), ("best", min)):
        base = of(times["here"])
        for name, taken in times.items():
            took = of(taken)
            added = 1000 * (took - base) / frames
            said = f"{took:7.1f} s  ratio {took / base:5.3f}  {added:+7.1f} ms a frame"
            print(f"  {what:8} {name:8} {said}")
    print(f"  nothing to do: {statistics.median(idle):.2f} s, with any engine")


def run(job: Path, arguments: list[str], first: str = "") -> float:
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, "-c", first + SAFELIGHT, "run", *arguments],
        cwd=job, check=True, stdout=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    return time.perf_counter() - start


def reset(job: Path, before: bytes) -> None:
    """As before the first run."""
    shutil.rmtree(job / "masters")
    (job / "manifest.sqlite").write_bytes(before)


if __name__ == "__main__":
    main()

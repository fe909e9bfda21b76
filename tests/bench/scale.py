"""Simulates runs that no machine here can do: many frames on many workers with one shared disk.

`python tests/bench/scale.py [--frames 100000] [--frame-s 1.9] [--raw-mb 66] [--master-mb 198]`

Measures here what the process that holds the plan spends on a frame (drawing its task, composing
its metadata, laying it out, recording it), and how long surveying and planning take a frame. The
rest is given: seconds of work a frame (tests/bench/develop.py), what a chunk costs at the Prefect
server and the Dask scheduler (tests/bench/engines.py), megabytes in and out. Then it plays a run:
workers that read from one disk, work, write to it, and wait their turn for the one coordinator.
Shown are hours, how busy each part is, and with it what binds.
"""

from __future__ import annotations

import argparse
import heapq
import random
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.job_for_tests import InProcess, make_job

CHUNK_S = 10.0


@dataclass
class Line:
    """Something that serves one after the other: when it is free again, how long it was busy."""

    free_at: float = 0.0
    busy: float = 0.0

    def serve(self, now: float, seconds: float) -> float:
        """When somebody who comes now is done."""
        self.free_at = max(now, self.free_at) + seconds
        self.busy += seconds
        return self.free_at


@dataclass
class Costs:
    """Seconds: of the coordinator a frame, of the scheduler a chunk; bytes a second of the disk."""

    coordinator: float
    chunk: float
    frame: float
    moved_bytes: float
    disk: float


def play(frames: int, workers: int, costs: Costs) -> tuple[float, dict[str, float]]:
    """Hours that a run takes, and how busy each part was."""
    draw = random.Random(1)
    coordinator, scheduler, disk = Line(), Line(), Line()
    per_chunk = max(1, round(CHUNK_S / costs.frame))
    left, worked = frames, 0.0
    ready = [(0.0, number, 0) for number in range(workers)]  # when, who, frames left of its chunk
    heapq.heapify(ready)
    end = 0.0
    while ready:
        now, worker, chunk = heapq.heappop(ready)
        if chunk == 0:
            if left == 0:
                continue
            chunk = min(per_chunk, left)
            left -= chunk
            now = scheduler.serve(now, costs.chunk)
        now = disk.serve(now, costs.moved_bytes / costs.disk)
        work = draw.lognormvariate(0, 0.2) * costs.frame
        worked += work
        end = max(end, coordinator.serve(now + work, costs.coordinator))
        heapq.heappush(ready, (now + work, worker, chunk - 1))
    busy = {
        "workers": worked / workers / end,
        "disk": disk.busy / end,
        "coordinator": coordinator.busy / end,
        "scheduler": scheduler.busy / end,
    }
    return end / 3600, busy


class Replay:
    """An engine that gives outcomes which are known already."""

    def __init__(self, known: dict[str, object]) -> None:
        self.known = known

    def __call__(self, _pixels: int) -> Replay:
        return self

    def run(self, tasks: Iterable) -> Iterator:
        from pipeline.engines import Outcome
        from pipeline.engines.spool import Header, Spool

        with tempfile.TemporaryDirectory() as folder:
            spool = Spool.made(Path(folder), Header("a:b", 1.0, {}, "a:c"))
            for task in tasks:
                spool.put(task)
                spool.answer(Outcome(task, self.known[task.name]))
                yield spool.outcome(task)
                spool.clear(task.name)


class Keep(InProcess):
    """An engine that keeps its outcomes."""

    known: dict[str, object] = {}  # noqa: RUF012 - of the one run

    def run(self, tasks: Iterable) -> Iterator:
        for outcome in super().run(tasks):
            self.known[outcome.task.name] = outcome.record
            yield outcome


def measured(frames: int) -> tuple[float, float]:
    """Seconds a frame: of the coordinator in a run, and of a survey with its plan."""
    from pipeline.manifest import Manifest
    from pipeline.run import run
    from pipeline.survey import survey

    with tempfile.TemporaryDirectory() as scratch:
        job = make_job(Path(scratch) / "job", frames, frames)
        before = (job / "manifest.sqlite").read_bytes()
        keep = Keep()
        assert run(job, deliveries=["web"], engine=keep).exit_code == 0
        (job / "manifest.sqlite").write_bytes(before)
        start = time.perf_counter()
        assert run(job, deliveries=["web"], engine=Replay(keep.known)).exit_code == 0
        whole = time.perf_counter() - start
        start = time.perf_counter()
        with Manifest.open(job) as manifest:
            assert survey(job, manifest, deliveries=["web"]).actions
        planning = time.perf_counter() - start
    return (whole - 3 * planning) / frames, planning / frames


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--frames", type=int, default=100_000)
    parser.add_argument("--frame-s", type=float, default=1.9)
    parser.add_argument("--chunk-s", type=float, default=0.12)
    parser.add_argument("--raw-mb", type=float, default=66)
    parser.add_argument("--master-mb", type=float, default=198)
    parser.add_argument("--measure", type=int, default=400, help="frames to measure here")
    given = parser.parse_args()
    coordinator, planning = measured(given.measure)
    print(
        f"measured: the coordinator spends {1000 * coordinator:.1f} ms a frame, surveying and "
        f"planning {1000 * planning:.2f} ms a frame ({planning * given.frames:.0f} s before the "
        f"first of {given.frames})"
    )
    moved = 1e6 * (given.raw_mb + given.master_mb)
    print(f"{'workers':>7} {'disk':>9} {'hours':>7}  busy")
    for gigabits in (1, 10, 40):
        for workers in (2, 10, 50, 200):
            costs = Costs(coordinator, given.chunk_s, given.frame_s, moved, gigabits * 1e9 / 8)
            hours, busy = play(given.frames, workers, costs)
            parts = ", ".join(f"{name} {share:.0%}" for name, share in busy.items())
            print(f"{workers:7} {gigabits:2} Gbit/s {hours:7.1f}  {parts}")


if __name__ == "__main__":
    main()

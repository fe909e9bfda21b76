"""Times the whole job at 33 MP beside the peers in `peers.py`: medians and ratios of one run.

`python tests/bench/develop.py [--rounds 3] [--frames 6] [--megapixels 33] [--raws DIR]`

Each round runs Safelight and the peers in turn, every one as a whole command with its start-up, on
the same raws. Safelight does more: it verifies originals, applies the look, gamut-maps, dithers,
writes metadata, flushes to disk and records digests. The peers do none of that; A0 has no look.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import psutil
from peers import BANDS, EDGES, LOOK, warm_cube
from raws import ROOT, make_raws

SAFELIGHT = [sys.executable, "-c", "from pipeline.cli import main; main()"]
FRAMES = ("QL0002", "QL0004", "QL0006", "QL0013", "QL0030", "QL0036", "QL0038", "QL0040")


def make_job(folder: Path, raws: list[Path]) -> None:
    """The benchmark's look: CDL, four hue bands, curve, 33³ table; one frame adjusted."""
    for name in ("recipes", "frames"):
        (folder / name).mkdir(parents=True)
    rows = warm_cube().transpose(2, 1, 0, 3).reshape(-1, 3)
    cube = "\n".join(" ".join(f"{v:.6f}" for v in row) for row in rows)
    (folder / "warm.cube").write_text(f"LUT_3D_SIZE 33\n{cube}\n")
    bands = [{"at": at, "width": width, "turn": turn, "chroma": chroma}
             for at, width, turn, chroma in BANDS]  # fmt: skip
    primaries = {key: LOOK[key] for key in ("slope", "offset", "power", "saturation")}
    recipe = {
        "recipe": "bench",
        "look": [
            {"balance": {"from": "as-shot"}},
            {"expose": {"stops": 0.1}},
            {"tone": {"contrast": LOOK["contrast"], "toe": 0.2, "shoulder": 0.35}},
            {"primaries": primaries},
            {"hue": bands},
            {"table": {"file": "warm.cube"}},
        ],
    }
    (folder / "recipes" / "bench.yaml").write_text(json.dumps(recipe))
    job = {
        "job": "bench", "client": "nobody", "recipe": "recipes/bench.yaml",
        "selects": "rating >= 0",
        "credit": {"creator": "Ines Tolland", "copyright": "© 2026 Ines Tolland"},
        "description": "Lamps on a quay.", "keywords": ["lamp", "quay"],
        "deliveries": {
            f"e{edge}": {"format": "jpeg", "long_edge": edge, "quality": 90,
                         "sharpen_for": "screen"}
            for edge in EDGES
        },
    }  # fmt: skip
    (folder / "job.yaml").write_text(json.dumps(job))
    adjust = {"frame": raws[0].stem, "adjust": [{"expose": {"stops": 0.4}}]}
    (folder / "frames" / f"{raws[0].stem}.yaml").write_text(json.dumps(adjust))
    subprocess.run([*SAFELIGHT, "ingest", "--job", str(folder), *map(str, raws)], check=True)


class Peak:
    """The largest resident size of any one process below this one, sampled."""

    def __enter__(self) -> Peak:
        self.bytes = 0
        self._on = True
        self._thread = threading.Thread(target=self._watch)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._on = False
        self._thread.join()

    def _watch(self) -> None:
        me = psutil.Process()
        while self._on:
            for child in me.children(recursive=True):
                with contextlib.suppress(psutil.Error):
                    self.bytes = max(self.bytes, child.memory_info().rss)
            time.sleep(0.02)


def timed(command: list[str], frames: int) -> dict[str, float]:
    """Wall and CPU seconds a frame, and the peak memory of one process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    started = time.perf_counter()
    with Peak() as peak:
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=ROOT / "tests" / "bench")
    wall = time.perf_counter() - started
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return {"wall": wall / frames, "cpu": cpu / frames, "peak": peak.bytes / 1e9}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--frames", type=int, default=6)
    parser.add_argument("--megapixels", type=float, default=33)
    parser.add_argument("--raws", type=Path, help="keep the raws here for another time")
    parser.add_argument("--peers", default="A0,A2,B")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        raws = make_raws(given.raws or folder / "shoot", given.megapixels, FRAMES[: given.frames])
        job = folder / "job"
        make_job(job, raws)
        deliveries = [f"e{edge}" for edge in EDGES]
        runs: dict[str, list[dict[str, float]]] = {}
        details: list[dict[str, float]] = []
        peers = [name for name in given.peers.split(",") if name]
        for number in range(given.rounds + 1):
            fresh = folder / f"job-{number}"
            shutil.copytree(job, fresh)
            ours = timed([*SAFELIGHT, "deliver", *deliveries, "--job", str(fresh)], len(raws))
            if number:  # the first one fills the kernel cache and the page cache
                runs.setdefault("Safelight", []).append(ours)
                details.append(ours)
            shutil.rmtree(fresh)
            for name in peers:
                if name == "B" and number != 1:
                    continue  # a minute a frame: once, one frame
                paths, workers = (raws[:1], 1) if name == "B" else (raws, os.cpu_count() or 1)
                out = folder / name
                command = [sys.executable, "peers.py", name, str(out), str(workers),
                           *map(str, paths)]  # fmt: skip
                result = timed(command, len(paths))
                if number:
                    runs.setdefault(name, []).append(result)
                shutil.rmtree(out)
        report(runs, given)
        where_time_goes(job, folder, deliveries, len(raws))


def report(runs: dict[str, list[dict[str, float]]], given: argparse.Namespace) -> None:
    print(f"\n{given.frames} frames of {given.megapixels:g} MP, {given.rounds} rounds, "
          f"{os.cpu_count()} cores; medians a frame, whole commands\n")  # fmt: skip
    print(f"{'':10} {'wall s':>8} {'cpu s':>8} {'peak GB':>8}   Safelight / it: wall, cpu")
    middle = {
        name: {key: statistics.median(run[key] for run in results) for key in results[0]}
        for name, results in runs.items()
    }
    ours = middle["Safelight"]
    for name, figures in middle.items():
        ratios = f"{ours['wall'] / figures['wall']:.2f}, {ours['cpu'] / figures['cpu']:.3f}"
        print(f"{name:10} {figures['wall']:8.2f} {figures['cpu']:8.2f} {figures['peak']:8.2f}"
              f"   {ratios if name != 'Safelight' else ''}")  # fmt: skip


def where_time_goes(job: Path, folder: Path, deliveries: list[str], frames: int) -> None:
    """The workers' own clock, a frame, beside the floor: one read and write of float RGB."""
    fresh = folder / "job-parts"
    shutil.copytree(job, fresh)
    out = subprocess.run(
        [*SAFELIGHT, "deliver", *deliveries, "--json", "--job", str(fresh)],
        check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    print("\nin a worker, seconds a frame:")
    for part, seconds in json.loads(out)["seconds"].items():
        print(f"  {part:14} {seconds / frames:.3f}")
    pixels = np.zeros((3, 33_000_000), np.float32)
    started = time.perf_counter()
    pixels += 1.0
    print(f"  floor: one read and write of 33 MP float RGB, one thread: "
          f"{time.perf_counter() - started:.3f}")  # fmt: skip


if __name__ == "__main__":
    main()

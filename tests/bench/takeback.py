"""Times the examination of returned files at 33 MP: some retouched, some to be refused.

`python tests/bench/takeback.py [--megapixels 33] [--rounds 3]`

Each kind is examined in a process of its own, as by a worker that takes one after the other: the
first time, with all that has to be loaded, is left out; then medians of wall time and of processor
time, and the most memory that the process held at any time.
"""

from __future__ import annotations

import argparse
import json
import pickle
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.rounds import Candidate, ExamineWork

FRAME = "F0001"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megapixels", type=float, default=33)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--examine", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.examine:
        print(json.dumps(examined(given.examine, given.rounds)))
        return
    print(f"{'':34}{'wall s':>8}{'cpu s':>8}{'MiB':>8}  what was found")
    with tempfile.TemporaryDirectory() as folder:
        for kind, work in returned(Path(folder), given.megapixels):
            kept = Path(folder, "work")
            kept.write_bytes(pickle.dumps(work))
            command = [sys.executable, __file__, "--examine", kept, "--rounds", str(given.rounds)]
            said = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
            figures = f"{said['wall']:8.2f}{said['cpu']:8.2f}{said['mib']:8.0f}"
            print(f"{kind:34}{figures}  {said['found']}", flush=True)


def returned(folder: Path, megapixels: float) -> Iterator[tuple[str, ExamineWork]]:
    """Files that may come back for one that was sent, each with what kind it is."""
    import cv2
    import numpy as np
    import skimage.data
    import tifffile

    from pipeline.files.encode import png, tiff
    from pipeline.files.identity import xmp_of
    from pipeline.files.metadata import Blocks
    from pipeline.files.profile import profile_of
    from pipeline.hashing import digest_file
    from pipeline.records import Artifact, Handoff, Request
    from pipeline.rounds import Identity

    height = 2 * round((megapixels * 1e6 / 1.5) ** 0.5 / 2)
    width = height * 3 // 2
    codes = np.float32(cv2.resize(skimage.data.astronaut()[:340], (width, height)))
    codes += np.random.default_rng(7).normal(0, 1.5, codes.shape).astype(np.float32)
    sent = np.clip(codes * 257, 1000, 64000).astype(np.uint16)
    out = folder / "retouch" / "round-01" / "out"
    out.mkdir(parents=True)
    ids = (f"xmp.did:{FRAME}", f"xmp.iid:{FRAME}-1", "xmp.iid:0")
    xmp = xmp_of(Identity("bench", FRAME, 1, 1, "key", *ids))

    def file(name: str, content: object) -> Artifact:
        path = out / name
        with path.open("wb") as stream:
            content(stream) if callable(content) else stream.write(content)
        return Artifact(path.relative_to(folder).as_posix(), digest_file(path), path.stat().st_size)

    place = np.s_[height // 3 : height // 2, width // 3 : width // 2]
    mask = np.zeros((height, width), np.uint8)
    mask[place] = 255
    handoff = Handoff(
        1, FRAME, 1, "key", {}, "Ines", "2026-01-01T00:00:00Z", None,
        (Request(1, "take out the cable", {}, must=True),),
        file(f"{FRAME}_r01.tif", tiff(sent, "romm-rgb", blocks=Blocks(xmp=xmp), deflated=True)),
        {1: file(f"{FRAME}_mask-1.png", png(mask))}, (), width, height, "romm-rgb", *ids[:2],
    )  # fmt: skip
    edited = sent.copy()
    edited[place] = edited[place][:, ::-1] // 2
    saved = {
        "retouched, not compressed": (edited, {}),
        "retouched, LZW": (edited, {"compression": "lzw", "predictor": True}),
        "refused: moved by three pixels": (np.roll(edited, 3, axis=1), {}),
        "refused: of half the size": (edited[::2, ::2], {}),
        "refused: 8 bits": ((edited >> 8).astype(np.uint8), {}),
    }
    for kind, (pixels, how) in saved.items():
        path = folder / f"{FRAME}_r01.tif"
        tifffile.imwrite(
            path, pixels, photometric="rgb", metadata=None, iccprofile=profile_of("romm-rgb"), **how
        )
        candidates = (Candidate(handoff, "out"),)
        yield kind, ExamineWork(path, folder, folder / "part", candidates, settle_s=0.0)


def examined(kept: Path, rounds: int) -> dict[str, object]:
    """Medians of a process, and the most memory that it held."""
    from pipeline.takeback import examine

    work = pickle.loads(kept.read_bytes())
    walls, busy = [], []
    for _ in range(rounds + 1):
        started, used = time.perf_counter(), time.process_time()
        found = examine(work)
        walls.append(time.perf_counter() - started)
        busy.append(time.process_time() - used)
    # what a process was started from counts in its rusage, and not here (proc(5))
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return {
        "wall": statistics.median(walls[1:]),
        "cpu": statistics.median(busy[1:]),
        "mib": int(status["VmHWM"].split()[0]) / 1024,
        "found": "; ".join(finding.sentence for finding in found.findings)
        or f"{found.figures['changed']:.1%} changed",
    }


if __name__ == "__main__":
    main()

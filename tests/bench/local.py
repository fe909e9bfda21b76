"""Times local edits at 33 MP: what four masks add to one frame of the demo shoot, on all cores.

`python tests/bench/local.py [--rounds 9] [--megapixels 33] [--raws DIR]`

Each round develops the frame without and with the edits in turn, in one process, and the medians of
the differences are shown: wall time, and processor time over the number of cores, which other work
on the machine disturbs less.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

from raws import ROOT, make_raws

sys.path.insert(0, str(ROOT))

FRAME = "QL0006"
EDGES = {"not": {"ellipse": {"centre": [0.5, 0.5], "radii": [0.6, 0.6], "feather": 0.4}}}
SKY = {"gradient": {"from": [0.5, 0.45], "to": [0.5, 0.0]}}
LAMP = {"polygon": [[0.35, 0.3], [0.6, 0.25], [0.7, 0.6], [0.5, 0.75], [0.3, 0.6]], "feather": 2.0}
FACE = {"ellipse": {"centre": [0.52, 0.41], "radii": [0.2, 0.12], "feather": 0.15}}
SHADE = {"tones": {"to": -3.0, "soft": 1.0}}
RED = {"all": [LAMP, {"colour": {"lab": [42.4, 51.0, 28.6], "within": 15.0, "soft": 8.0}}]}
PRODUCT = {"name": "red", "lab": [42.4, 51.0, 28.6], "tolerance": 2.0, "where": LAMP}
SETS = {
    "four as in a day's work": [
        ("burn", EDGES, 0.2), ("balance", SKY, {"mired": -12.0}), ("dodge", FACE, 0.35),
        ("saturation", LAMP, 1.1),
    ],
    "four that look at tones and colours": [
        ("burn", EDGES, 0.2), ("dodge", SHADE, 0.4), ("hue", RED, 4.0), ("contrast", LAMP, 1.1),
    ],
    "four over the whole frame": [
        ("burn", EDGES, 0.2), ("dodge", SHADE, 0.4), ("tint", {"whole": True},
        {"hue": 70.0, "chroma": 0.01}), ("saturation", {"not": FACE}, 0.95),
    ],
    "sharpen a lamp": [("sharpen", LAMP, {"amount": 0.8})],
    "soften a face": [("soften", FACE, {"amount": 0.6})],
    "local contrast, whole frame": [("local_contrast", {"whole": True}, {"amount": 0.3})],
    "dodge what is in focus": [("dodge", {"sharp": {}}, 0.2)],
    "one match": [("match", LAMP, {"product": "red", "up_to": 6.0})],
}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--megapixels", type=float, default=33)
    parser.add_argument("--raws", type=Path, help="keep the raw here for another time")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.raws or Path(scratch)
        (path,) = make_raws(folder, given.megapixels, [FRAME])
        measure(path, given.rounds)


def measure(path: Path, rounds: int) -> None:
    from pipeline.develop import master_pixels
    from pipeline.edits import EDITS
    from pipeline.files.raw import open_original
    from pipeline.job import load_job
    from pipeline.records import ResolvedStep

    source = open_original(path)
    # the look alone, as for a frame of no setup: no chart has been read here
    look = load_job(ROOT / "examples" / "quay-lamps").resolve("no setup").steps
    cores = os.cpu_count() or 1

    def edits(written) -> list[ResolvedStep]:
        return [
            ResolvedStep("local", f"e{number}", kind, EDITS[kind].version,
                         {"name": f"e{number}", "mask": mask, kind: value,
                          **({"product": PRODUCT} if kind == "match" else {})})
            for number, (kind, mask, value) in enumerate(written)
        ]  # fmt: skip

    def timed(steps) -> tuple[float, float]:
        wall, processor = time.perf_counter(), time.process_time()
        master_pixels(source, steps, threads=cores)
        return time.perf_counter() - wall, (time.process_time() - processor) / cores

    print(f"{source.width * source.height / 1e6:.0f} MP, {cores} cores, {rounds} rounds; seconds")
    print(f"{'':38} {'without':>8} {'added':>8} {'added, processor time / cores':>30}")
    for name, written in SETS.items():
        steps = [*look, *edits(written)]
        timed(steps)
        pairs = [(timed(look), timed(steps)) for _ in range(rounds)]
        without = statistics.median(plain[0] for plain, _ in pairs)
        added = [statistics.median(more[i] - plain[i] for plain, more in pairs) for i in (0, 1)]
        print(f"{name:38} {without:8.2f} {added[0]:8.2f} {added[1]:30.2f}")


if __name__ == "__main__":
    main()

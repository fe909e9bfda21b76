"""Times the assessment of 500 frames of 33 MP with previews inside, through the engine.

`python tests/bench/assess.py [--frames 500] [--files 8] [--preview 7008]`; the frames are drawn in
turn from a few raw files, which are in the page cache then: a disk's own time comes on top.
`--preview 0` leaves previews out. Where others use the machine too, the processor's own time
counts: two cores see 500 frames in a minute if a frame takes 240 ms of it at most. Side by side in
one run it was 319 to 327 ms before charts were looked for, and 222 to 229 ms since, the start of
the workers within; of that the JPEG takes about 87, the digest 25 and the lines 16.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import cv2
import numpy as np
import skimage.data

from pipeline.engines import Task
from pipeline.figures import AssessWork
from pipeline.hashing import digest_file
from pipeline.workplace import here
from tests.dng import mosaic_of, write_dng
from tests.previews import with_preview

SIZE = 7008, 4672
PICTURES = ("astronaut", "coffee", "chelsea", "rocket")


def write_raw(path: Path, number: int, preview_px: int) -> Path:
    """A photograph blown up to 33 megapixels, with noise, and its preview."""
    picture = getattr(skimage.data, PICTURES[number % len(PICTURES)])()
    noise = np.random.default_rng(number).normal(0, 60, SIZE[::-1])
    mosaic = mosaic_of(256 + 14.0 * cv2.resize(picture, SIZE, interpolation=cv2.INTER_CUBIC))
    mosaic = np.clip(mosaic + noise, 0, 4095).astype(np.uint16)
    if not preview_px:
        return write_dng(path, mosaic, black=256, white=4095)
    small = cv2.resize(picture, (preview_px, preview_px * SIZE[1] // SIZE[0]))
    grain = np.random.default_rng(number).normal(0, 4, small.shape)
    return with_preview(path, np.clip(small + grain, 0, 255).astype(np.uint8), mosaic)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=500)
    parser.add_argument("--files", type=int, default=8)
    parser.add_argument("--preview", type=int, default=SIZE[0])
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        raws = [
            write_raw(Path(folder, f"{number}.dng"), number, options.preview)
            for number in range(options.files)
        ]
        works = [AssessWork(raw, digest_file(raw)) for raw in raws]
        tasks = [Task(f"F{n:04}", works[n % len(works)]) for n in range(options.frames)]
        started = time.perf_counter()
        outcomes = list(here(SIZE[0] * SIZE[1]).run(tasks))
        seconds = time.perf_counter() - started
    failed = [outcome.failure.sentence for outcome in outcomes if outcome.failure]
    if failed:
        sys.exit(failed[0])
    seen = {outcome.record["of"] for outcome in outcomes}
    print(f"{len(outcomes)} frames, by their {' and '.join(sorted(seen))}: {seconds:.1f} s")
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = (used.ru_utime + used.ru_stime) / len(outcomes)
    print(f"{1000 * seconds / len(outcomes):.0f} ms a frame, {1000 * cpu:.0f} ms of a processor")


if __name__ == "__main__":
    main()

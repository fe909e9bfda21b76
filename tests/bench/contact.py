"""Times the contact pages of 500 frames, with their PDF and their PNG files.

`python tests/bench/contact.py [--frames 500] [--preview 7008]`; the raws have one JPEG inside, of
that length. They are a few files with other last bytes, read from the page cache.
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

from pipeline.contact import contact
from pipeline.ingest import ingest
from tests.previews import with_preview

PICTURES = ("astronaut", "coffee", "chelsea", "rocket")
JOB = "job: bench\nclient: nobody\nrecipe: lantern\n"


def write_card(card: Path, frames: int, preview_px: int) -> None:
    """Raws of a small sensor with large previews: of the rest nothing is read."""
    card.mkdir()
    mosaic = np.random.default_rng(1).integers(256, 4095, (400, 600)).astype(np.uint16)
    wholes = []
    for number, name in enumerate(PICTURES):
        size = preview_px, preview_px * 2 // 3
        picture = cv2.resize(getattr(skimage.data, name)(), size)
        grain = np.random.default_rng(number).normal(0, 4, picture.shape)
        shown = np.clip(picture + grain, 0, 255).astype(np.uint8)
        wholes.append(with_preview(card / "first.dng", shown, mosaic).read_bytes())
    (card / "first.dng").unlink()
    for number in range(frames):
        last = number.to_bytes(8, "little")
        (card / f"F{number:04}.dng").write_bytes(wholes[number % len(wholes)] + last)


def processor_s() -> float:
    """Of this process and of all that it started and that have ended."""
    uses = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(use.ru_utime + use.ru_stime for use in uses)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=500)
    parser.add_argument("--preview", type=int, default=7008)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        card, job = Path(folder, "card"), Path(folder, "job")
        write_card(card, options.frames, options.preview)
        job.mkdir()
        (job / "job.yaml").write_text(JOB)
        ingest(job, [card], link=True)
        for kind in ("PDF", "PDF and PNG"):
            started, used = time.perf_counter(), processor_s()
            made = contact(job, png=kind != "PDF")
            wall, busy = time.perf_counter() - started, processor_s() - used
            print(f"{made.frames} frames on {made.pages} pages, {kind}: ", end="")
            print(f"{wall:.1f} s, {busy:.1f} s of a processor", flush=True)


if __name__ == "__main__":
    main()

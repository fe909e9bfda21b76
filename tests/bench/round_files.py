"""Times what a hand-off writes at 33 MP: the TIFF, beside other libraries' of the same pixels.

`python tests/bench/round_files.py [--rounds 5] [--megapixels 33] [--raws DIR]`

Each round writes the file in every way in turn, to memory, in one process; medians of wall time and
of processor time are shown, with the size and what reading it back takes. All but the first are
deflated with horizontal differences.
"""

from __future__ import annotations

import argparse
import io
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from raws import ROOT, make_raws

sys.path.insert(0, str(ROOT))

FRAME = "QL0004"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--megapixels", type=float, default=33)
    parser.add_argument("--raws", type=Path, help="keep the raw here for another time")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.raws or Path(scratch)
        (path,) = make_raws(folder, given.megapixels, [FRAME])
        measure(path, given.rounds)


def measure(path: Path, rounds: int) -> None:
    import cv2
    import pyvips
    import tifffile

    from pipeline.develop import master_pixels
    from pipeline.files.encode import tiff
    from pipeline.files.raw import open_original
    from pipeline.hashing import digest_file
    from pipeline.job import load_job

    # the look alone, as for a frame of no setup: no chart has been read here
    look = load_job(ROOT / "examples" / "quay-lamps").resolve("no setup").steps
    cores = os.cpu_count() or 1
    pixels = master_pixels(open_original(path, digest_file(path)), look, threads=cores)

    def ours(threads: int, *, deflated: bool) -> bytes:
        stream = io.BytesIO()
        tiff(pixels, "romm-rgb", deflated=deflated, threads=threads)(stream)
        return stream.getvalue()

    def by_tifffile() -> bytes:
        stream = io.BytesIO()
        tifffile.imwrite(
            stream, pixels, photometric="rgb", compression="deflate", predictor=True,
            rowsperstrip=24, maxworkers=cores,
        )  # fmt: skip
        return stream.getvalue()

    def by_vips() -> bytes:
        picture = pyvips.Image.new_from_array(pixels, interpretation="rgb16")
        return picture.tiffsave_buffer(compression="deflate", predictor="horizontal")

    def by_opencv() -> bytes:
        settings = [cv2.IMWRITE_TIFF_COMPRESSION, 8, cv2.IMWRITE_TIFF_PREDICTOR, 2]
        return cv2.imencode(".tif", pixels[..., ::-1], settings)[1].tobytes()

    ways: dict[str, Callable[[], bytes]] = {
        "ours, not compressed": lambda: ours(cores, deflated=False),
        "ours, one thread": lambda: ours(1, deflated=True),
        f"ours, {cores} threads": lambda: ours(cores, deflated=True),
        "tifffile": by_tifffile,
        "libvips": by_vips,
        "OpenCV": by_opencv,
    }
    wall: dict[str, list[float]] = {name: [] for name in ways}
    busy: dict[str, list[float]] = {name: [] for name in ways}
    read: dict[str, list[float]] = {name: [] for name in ways}
    sizes = {}
    for _ in range(rounds):
        for name, write in ways.items():
            started, used = time.perf_counter(), time.process_time()
            content = write()
            wall[name].append(time.perf_counter() - started)
            busy[name].append(time.process_time() - used)
            sizes[name] = len(content)
            started = time.perf_counter()
            again = tifffile.imread(io.BytesIO(content), maxworkers=cores)
            read[name].append(time.perf_counter() - started)
            assert (again == pixels).all(), name
    print(f"{pixels.shape[1]} × {pixels.shape[0]} pixels, {cores} cores, {rounds} rounds")
    print(f"{'':22}{'wall s':>8}{'cpu s':>8}{'MB':>8}{'of plain':>10}{'read s':>8}")
    for name in ways:
        w, b, r = (statistics.median(each[name]) for each in (wall, busy, read))
        share = sizes[name] / pixels.nbytes
        print(f"{name:22}{w:8.2f}{b:8.2f}{sizes[name] / 1e6:8.1f}{share:10.2f}{r:8.2f}")


if __name__ == "__main__":
    main()

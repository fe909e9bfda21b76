"""Times deliveries from a master of 33 MP: each size and format beside libvips' chain, then many.

`python tests/bench/delivery.py [--rounds 3] [--megapixels 33] [--frames 60] [--raws DIR]`

The chain of libvips reads the same TIFF, reduces it in linear light to sRGB, sharpens and saves.
Each round does every way in turn; the best of the rounds counts. Quality is the PSNR, in linear
light, of what was reduced without sharpening against exact means over the areas of the pixels. At
the end a delivery of four sizes is made of many frames by all workers of this machine.
"""

from __future__ import annotations

import argparse
import io
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from raws import ROOT, make_raws

sys.path.insert(0, str(ROOT))

FRAME = "QL0004"
SIZES = (None, 2048, 1080)
FORMATS = {"jpeg": "jpg", "png": "png", "webp": "webp", "avif": None, "jxl": None}
FOUR = (
    {"format": "jpeg", "long_edge": 4096, "quality": 90},
    {"format": "jpeg", "long_edge": 2048, "quality": 90},
    {"format": "webp", "long_edge": 1080, "quality": 90, "crop": "4:5"},
    {"format": "jpeg", "long_edge": 1600, "max_bytes": 500_000},
)
PLAIN = {"bits": 8, "space": "srgb", "enlarge": False}
SCREEN = {"sharpen_for": {"medium": "screen", "ppi": 96, "distance_mm": 711.0}}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--megapixels", type=float, default=33)
    parser.add_argument("--frames", type=int, default=60)
    parser.add_argument("--raws", type=Path, help="keep the raw here for another time")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        (raw,) = make_raws(given.raws or folder, given.megapixels, [FRAME])
        master = mastered(raw, folder)
        beside(folder, master, given.rounds)
        many(folder, master, given.frames)


def mastered(raw: Path, folder: Path):
    from pipeline.develop import master_pixels
    from pipeline.files.encode import write_master
    from pipeline.files.raw import open_original
    from pipeline.hashing import digest_file
    from pipeline.job import load_job

    look = load_job(ROOT / "examples" / "quay-lamps").resolve("no setup").steps
    pixels = master_pixels(open_original(raw, digest_file(raw)), look, threads=2)
    return write_master(folder / "master.tif", pixels, folder)


def beside(folder: Path, master, rounds: int) -> None:
    from pipeline.files.encode import read_master
    from pipeline.files.formats import written
    from pipeline.rendition import RenditionSpec, render

    path = folder / master.path
    whole = read_master(path, master.digest)
    longest = max(whole.shape[:2])

    def ours(edge: int, kind: str) -> None:
        settings = {**PLAIN, **SCREEN, "format": kind, "long_edge": edge, "quality": 90}
        [picture] = render(read_master(path, master.digest), [RenditionSpec.of(settings)], 2)
        written(picture, "srgb", settings, ppi=96)

    def theirs(edge: int, ending: str) -> None:
        image = reduced_by_vips(path, edge).sharpen(sigma=0.5)
        image.write_to_buffer(f".{ending}", **({} if ending == "png" else {"Q": 90}))

    print(f"{'size':>6} {'format':6} {'s':>7} {'libvips':>8} {'ratio':>6}")
    for size in SIZES:
        for kind, ending in FORMATS.items():
            if size is None and kind in ("webp", "avif", "jxl"):
                continue
            edge = size or longest
            mine = best(lambda e=edge, k=kind: ours(e, k), rounds)
            other = best(lambda e=edge, k=ending: theirs(e, k), rounds) if ending else None
            beside_it = f"{other:8.2f} {mine / other:6.2f}" if other else ""
            print(f"{edge:6} {kind:6} {mine:7.2f} {beside_it}")
    for edge in SIZES[1:]:
        plain = {**PLAIN, "sharpen_for": "none", "long_edge": edge, "bits": 16}
        [mine] = render(whole, [RenditionSpec.of(plain)], 2)
        other = np.asarray(reduced_by_vips(path, edge, 16))
        print(f"{edge}: PSNR {psnr(whole, mine):.1f} dB, libvips {psnr(whole, other):.1f} dB")


def reduced_by_vips(path: Path, edge: int, bits: int = 8):
    import pyvips

    return pyvips.Image.thumbnail(
        str(path), edge, height=edge, linear=True, output_profile="srgb", intent="relative"
    ) if bits == 8 else pyvips.Image.thumbnail(
        str(path), edge, height=edge, linear=True
    ).icc_transform("srgb", intent="relative", depth=16)  # fmt: skip


def psnr(master: np.ndarray, small: np.ndarray) -> float:
    """Of luma in linear light, against the mean over each pixel's area; edges left out."""
    import cv2

    from pipeline.files.profile import converted, profile_of
    from pipeline.kernels.spaces import SRGB_TRANSFER

    srgb = converted(master, profile_of("romm-rgb"), profile_of("srgb"))
    curve = SRGB_TRANSFER.decode(np.arange(65536) / 65535).astype(np.float32)
    height, width = small.shape[:2]
    exact = cv2.resize(curve[srgb], (width, height), interpolation=cv2.INTER_AREA)
    off = (exact - curve[small[..., :3]])[8:-8, 8:-8]
    return float(-10 * np.log10(np.mean(off**2)))


def best(call: Callable[[], None], rounds: int) -> float:
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return min(times)


def many(folder: Path, master, frames: int) -> None:
    from pipeline.engines import Task
    from pipeline.files.metadata import Blocks
    from pipeline.rounds import Development
    from pipeline.work import DeliveredFile, FrameWork
    from pipeline.workplace import here

    def work(number: int) -> FrameWork:
        files = tuple(
            DeliveredFile(
                f"size{place}",
                f"deliveries/{place}/{number:03}",
                {**PLAIN, **SCREEN, **settings},
                Blocks(),
            )
            for place, settings in enumerate(FOUR)
        )
        development = Development(folder / "none", "", (), {})
        return FrameWork(f"F{number:04}", folder, development, master.path, master, None, files)

    start = time.perf_counter()
    pixels = 33_000_000
    with io.StringIO() as failures:
        for outcome in here(pixels).run(Task(f"F{n:04}", work(n)) for n in range(frames)):
            if outcome.failure:
                failures.write(f"{outcome.failure.sentence}\n")
        print(failures.getvalue(), end="")
    seconds = time.perf_counter() - start
    most = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 2**20
    print(
        f"{frames} frames in 4 sizes: {60 * frames / seconds:.0f} frames a minute, "
        f"at most {most:.2f} GiB a worker"
    )


if __name__ == "__main__":
    main()

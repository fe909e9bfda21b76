"""Times the colour report on delivered files: measuring them as they lie on disk, and the page.

`python tests/bench/report.py [--files 60] [--megapixels 20] [--product 0.1]`

Files are JPEGs of quality 90 in sRGB, or 16-bit TIFFs in Adobe RGB, with the grain and detail of a
photograph, a product in each (an ellipse, ``--product`` of the frame's area) and the chart in every
twentieth. A few different ones are written and measured again and again, so that nothing waits for
the disk. Wall time, and processor time, which a busy machine does not stretch; of the latter,
what decoding alone takes.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

sys.path.insert(0, str(Path(__file__).parents[2]))

import imagecodecs
import numpy as np

from pipeline.files.formats import written
from pipeline.files.landing import land
from pipeline.proof.measure import measure
from pipeline.proof.page import page
from pipeline.proof.records import Chart, Correction, Product, Tolerance, ToMeasure
from pipeline.proof.report import report, to_json
from tests.proof_for_tests import LAMP, chart_quads, chart_targets, codes_of, outer_corners

DIFFERENT = 3
CHART_EVERY = 20
Result = TypeVar("Result")


def codes(width: int, height: int, space: str, bits: int, seed: int) -> np.ndarray:
    """A picture: soft shapes, fine detail, grain, the product's ellipse, the chart."""
    rng = np.random.default_rng(seed)
    top = 2**bits - 1
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    shade = 0.45 + 0.2 * np.sin(x / 310 + seed) + 0.1 * np.sin(y / 97) * np.sin(x / 23)
    picture = np.repeat((shade * top)[..., None], 3, axis=2)
    for quad, target in zip(chart_quads(), chart_targets(), strict=True):
        (x1, y1), (x2, y2) = quad.min(axis=0), quad.max(axis=0)
        rows = slice(round(y1 * height), round(y2 * height))
        picture[rows, round(x1 * width) : round(x2 * width)] = codes_of(target.lab, space, bits)
    picture += rng.normal(0, 0.012 * top, picture.shape).astype(np.float32)
    return np.clip(picture, 0, top).astype(f"uint{bits}")


def lamp(share: float) -> Callable[[slice, slice, int, int], np.ndarray]:
    """The density of an ellipse of ``share`` of the frame's area, for a window."""
    square = share / np.pi

    def density(rows: slice, columns: slice, height: int, width: int) -> np.ndarray:
        y = ((np.arange(rows.start, rows.stop) + 0.5) / height - 0.5) ** 2
        x = ((np.arange(columns.start, columns.stop) + 0.5) / width - 0.5) ** 2
        return np.clip((square - y[:, None] - x) * 1e3, 0, 1).astype(np.float32)

    return density


def files(folder: Path, kind: str, count: int, megapixels: float, share: float) -> list[ToMeasure]:
    width = round((megapixels * 1e6 * 1.5) ** 0.5)
    height = round(width / 1.5)
    space, bits = ("srgb", 8) if kind == "jpeg" else ("adobe-rgb", 16)
    paths = []
    for number in range(DIFFERENT):
        path = folder / f"{number}.{'jpg' if kind == 'jpeg' else 'tif'}"
        pixels = codes(width, height, space, bits, number)
        settings = {"format": kind, "quality": 90}
        land(path, written(pixels, space, settings, ppi=300).content, folder)
        paths.append(path)
    radius = (share / np.pi) ** 0.5 * 1.05
    box = (0.5 - radius, 0.5 - radius, 0.5 + radius, 0.5 + radius)
    product = Product("red-lamp", LAMP, 2.0, lamp(share), box)
    chart = Chart(outer_corners(chart_quads()), chart_targets())
    return [
        ToMeasure(
            paths[number % DIFFERENT],
            f"QL{number:04}",
            kind,
            1,
            space,
            setup=f"setup {number % 3}",
            chart=chart if number % CHART_EVERY == 0 else None,
            products=(product,),
        )
        for number in range(count)
    ]


def timed(work: Callable[[], Result]) -> tuple[float, Result]:
    started = time.perf_counter()
    result = work()
    return time.perf_counter() - started, result


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--files", type=int, default=60)
    parser.add_argument("--megapixels", type=float, default=20.0)
    parser.add_argument("--product", type=float, default=0.1, help="share of the frame's area")
    given = parser.parse_args()
    threads = os.cpu_count() or 1
    print(f"{given.files} files of {given.megapixels:g} MP, {threads} threads")
    for kind in ("jpeg", "tiff"):
        with tempfile.TemporaryDirectory() as scratch:
            asked = files(Path(scratch), kind, given.files, given.megapixels, given.product)
            bench(kind, asked, threads)


def bench(kind: str, asked: Sequence[ToMeasure], threads: int) -> None:
    measure(asked[:DIFFERENT], threads=threads)
    busy = time.process_time()
    whole, found = timed(lambda: measure(asked, threads=threads))
    busy = time.process_time() - busy
    problems = {problem for measured in found for problem in measured.problems}
    assert not problems, problems
    print(
        f"{kind}: {whole:6.2f} s; {busy:.2f} s of processor, "
        f"{busy / len(asked) * 1e3:.0f} ms a file"
    )
    if kind == "jpeg":
        data = [file.path.read_bytes() for file in asked[:DIFFERENT]]
        busy = time.process_time()
        for one in data:
            imagecodecs.jpeg8_decode(one)
        alone = (time.process_time() - busy) / DIFFERENT
        print(f"      of which decoding {alone * 1e3:.0f} ms a file")
    targets = chart_targets()
    labs = tuple(target.lab for target in targets)
    made = Correction("QL0000", "setup 0", "after-2014", targets, labs, labs)
    judging, judged = timed(lambda: report("bench", "now", [made], found, Tolerance()))
    drawing, drawn = timed(lambda: page(judged))
    telling, _ = timed(lambda: to_json(judged))
    print(
        f"      judging {judging:.2f} s, page {drawing:.2f} s ({len(drawn) / 1e6:.1f} MB), "
        f"JSON {telling:.2f} s"
    )


if __name__ == "__main__":
    main()

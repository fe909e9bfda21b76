"""Demosaic quality and time, side by side in one run: ours, LibRaw's and colour-demosaicing's.

    python tests/bench/demosaic.py [--megapixels 6] [--rounds 3]

Quality is CPSNR (squared error pooled over channels, 10 px cropped) on pictures of scikit-image.
Its chelsea, rocket and ihc chose our constants; those named in the table did not. "linear" is
mosaicked in linear light and scored in sRGB, "noisy" the same with photon and read noise, "sRGB"
takes sRGB values as the mosaic, as the literature does. Times are medians of processor seconds of
all threads, and of the wall, in turns; only their ratios mean something elsewhere. LibRaw's hold
its scaling and output too, ours the black level, balance and conversion to float.
"""

from __future__ import annotations

import argparse
import io
import statistics
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import rawpy
import skimage.data
import skimage.io

sys.path.insert(0, str(Path(__file__).parents[1]))
from dng import mosaic_of, write_dng

from pipeline.kernels.demosaic import Mosaic, demosaic_strip
from pipeline.kernels.spaces import SRGB_TRANSFER

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour_demosaicing

JUDGES = ("astronaut.png", "coffee.png", "motorcycle_left.png")
BLACK, WHITE = 2000, 62000
STRIP_ROWS = 96

Method = Callable[[np.ndarray], np.ndarray]


def picture(name: str) -> np.ndarray:
    """sRGB values 0 to 1 of a picture that lies inside the installed package."""
    return skimage.io.imread(Path(skimage.data.__file__).parent / name)[..., :3] / 255.0


def codes(values: np.ndarray) -> np.ndarray:
    return np.round(np.clip(values, -0.03, 1.05) * (WHITE - BLACK) + BLACK).astype(np.uint16)


def ours(samples: np.ndarray) -> np.ndarray:
    mosaic = Mosaic(
        samples,
        np.full((2, 2), BLACK, np.float32),
        np.full((2, 2), 1 / (WHITE - BLACK), np.float32),
        0,
        0,
        np.ones(3, np.float32),
        np.empty((0, 0, 3), np.float32),
    )
    height, width = samples.shape
    out = np.empty((3, height, width), np.float32)
    for top in range(0, height, STRIP_ROWS):
        demosaic_strip(mosaic, top, out[:, top : top + STRIP_ROWS])
    return out.transpose(1, 2, 0)


def libraw(algorithm: rawpy.DemosaicAlgorithm) -> Method:
    def run(samples: np.ndarray) -> np.ndarray:
        with tempfile.TemporaryDirectory() as folder:
            path = write_dng(
                Path(folder) / "a.dng", samples, black=BLACK, white=WHITE, as_shot_neutral=(1, 1, 1)
            )
            data = io.BytesIO(path.read_bytes())
        with rawpy.imread(data) as raw:
            start = clock()
            result = raw.postprocess(
                demosaic_algorithm=algorithm,
                output_color=rawpy.ColorSpace.raw,
                output_bps=16,
                gamma=(1, 1),
                user_wb=[1, 1, 1, 1],
                no_auto_bright=True,
                adjust_maximum_thr=0.0,
            )
            run.seconds = elapsed(start)  # without writing and reading the file
        return result / 65535.0

    return run


def plain(function: Method) -> Method:
    """A method of colour-demosaicing, which takes floats from 0 to 1."""

    def run(samples: np.ndarray) -> np.ndarray:
        return function((samples - float(BLACK)) / (WHITE - BLACK))

    return run


def on_roots(function: Method) -> Method:
    """The same on square roots of light, so that the domain is not what makes the difference."""

    def run(samples: np.ndarray) -> np.ndarray:
        roots = function(np.sqrt(np.maximum((samples - float(BLACK)) / (WHITE - BLACK) + 0.005, 0)))
        return np.maximum(roots, 0) ** 2 - 0.005

    return run


MENON = colour_demosaicing.demosaicing_CFA_Bayer_Menon2007
METHODS: dict[str, Method] = {
    "ours": ours,
    "LibRaw AHD": libraw(rawpy.DemosaicAlgorithm.AHD),
    "LibRaw DHT": libraw(rawpy.DemosaicAlgorithm.DHT),
    "LibRaw AAHD": libraw(rawpy.DemosaicAlgorithm.AAHD),
    "Malvar 2004": plain(colour_demosaicing.demosaicing_CFA_Bayer_Malvar2004),
    "Menon 2007": plain(MENON),
    "Menon 2007 on roots": on_roots(MENON),
}


def clock() -> tuple[float, float]:
    return time.process_time(), time.perf_counter()


def elapsed(start: tuple[float, float]) -> tuple[float, float]:
    return time.process_time() - start[0], time.perf_counter() - start[1]


def cpsnr(result: np.ndarray, truth: np.ndarray) -> float:
    difference = (np.clip(result, 0, 1) - truth)[10:-10, 10:-10]
    return float(-10 * np.log10(np.mean(difference**2)))


def quality() -> None:
    print(f"CPSNR in dB on {', '.join(name.split('.')[0] for name in JUDGES)}: each, then the mean")
    print(f"{'':20}{'linear':>28}{'noisy':>28}{'sRGB':>28}")
    for label, method in METHODS.items():
        cells = []
        for domain in ("linear", "noisy", "sRGB"):
            scores = []
            for name in JUDGES:
                truth = picture(name)
                values = mosaic_of(truth if domain == "sRGB" else SRGB_TRANSFER.decode(truth))
                if domain == "noisy":
                    noise = np.random.default_rng(1).normal(size=values.shape)
                    values = values + noise * np.sqrt(2e-4 * values + 2e-6)
                result = method(codes(values))
                if domain != "sRGB":
                    result = SRGB_TRANSFER.encode(np.clip(result, 0, 1))
                scores.append(cpsnr(result, truth))
            cells.append("".join(f"{s:7.2f}" for s in [*scores, statistics.mean(scores)]))
        print(f"{label:20}{''.join(cells)}", flush=True)


def speed(megapixels: float, rounds: int) -> None:
    truth = SRGB_TRANSFER.decode(picture(JUDGES[0]))
    side = int((megapixels * 1e6 / 1.5) ** 0.5) // 2 * 2
    repeats = (side // 512 + 1, side * 3 // 2 // 512 + 1, 1)
    samples = codes(mosaic_of(np.tile(truth, repeats)[:side, : side * 3 // 2]))
    taken: dict[str, list[tuple[float, float]]] = {label: [] for label in METHODS}
    ours(samples[:64])  # compiled, and in the cache
    for _ in range(rounds):
        for label, method in METHODS.items():
            if label.endswith("roots"):
                continue
            start = clock()
            method(samples)
            taken[label].append(getattr(method, "seconds", None) or elapsed(start))
    print(f"\nTime at {samples.size / 1e6:.1f} MP, strips of {STRIP_ROWS} rows, median of {rounds}")
    print(f"{'':20}{'CPU s':>9}{'ratio':>9}{'wall s':>9}{'ratio':>9}")
    medians = {
        label: tuple(statistics.median(column) for column in zip(*runs, strict=True))
        for label, runs in taken.items()
        if runs
    }
    for label, (cpu, wall) in medians.items():
        print(
            f"{label:20}{cpu:9.3f}{cpu / medians['ours'][0]:9.1f}"
            f"{wall:9.3f}{wall / medians['ours'][1]:9.1f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, default=6)
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    quality()
    speed(options.megapixels, options.rounds)


if __name__ == "__main__":
    main()

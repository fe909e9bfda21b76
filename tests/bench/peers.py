"""The same job done with other libraries, for `develop.py` in this folder to compare with.

Each peer takes raws to three JPEGs (4096, 2048 and 1024 on the long edge, sharpened, sRGB, quality
90) and a 16-bit TIFF:

* A0  LibRaw's AHD demosaic with its own colour, pyvips for sizes and JPEG, tifffile; no look at all
* A2  A0 with a careful look: OpenColorIO for CDL, curve and 33³ table, OpenCV for the hue bands
* B   plain numpy and scikit-image, one process, as one would first write it

`python tests/bench/peers.py A0|A2|B OUT WORKERS RAW...` does it and prints nothing.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np

EDGES = (4096, 2048, 1024)
LOOK = {
    "slope": [1.02, 1.0, 0.97],
    "offset": [0.002, 0.0, -0.002],
    "power": [1.0, 0.98, 1.03],
    "saturation": 1.04,
    "contrast": 1.12,
}
BANDS = ((40, 25, 2, 1.05), (110, 30, -3, 0.95), (200, 30, 0, 1.1), (260, 25, 4, 0.9))


# Ottosson, "A perceptual color space for image processing" (2020): linear sRGB to LMS, LMS to OKLab
SRGB_TO_LMS = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
LMS_TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)


def warm_cube() -> np.ndarray:
    """A gentle 33³ table, float32 (33, 33, 33, 3), indexed [red, green, blue]."""
    axis = np.linspace(0, 1, 33, dtype=np.float32)
    red, green, blue = np.meshgrid(axis, axis, axis, indexing="ij")
    return np.stack([red**0.98, 0.98 * green + 0.02 * red, blue**1.03], -1).astype(np.float32)


def decoded(path: Path) -> np.ndarray:
    """LibRaw's whole pipeline: AHD, camera balance, sRGB primaries, linear, 16 bits."""
    import rawpy

    with rawpy.imread(str(path)) as raw:
        return raw.postprocess(
            demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD,
            use_camera_wb=True,
            no_auto_bright=True,
            output_bps=16,
            gamma=(1, 1),
        )


def srgb_coded(linear: np.ndarray) -> np.ndarray:
    """The sRGB transfer function by a table of 65,536 entries."""
    x = np.arange(65536) / 65535
    curve = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    return (curve * 65535 + 0.5).astype(np.uint16)[linear]


def saved(linear: np.ndarray, stem: Path) -> None:
    """A TIFF and three JPEGs through pyvips, reduced in linear light."""
    import pyvips
    import tifffile

    tifffile.imwrite(stem.with_suffix(".tif"), srgb_coded(linear), photometric="rgb")
    height, width = linear.shape[:2]
    picture = pyvips.Image.new_from_memory(linear.data, width, height, 3, "ushort")
    picture = picture.copy(interpretation="rgb16")
    for edge in EDGES:
        small = picture.resize(edge / max(width, height), kernel="lanczos3")
        small = small.cast("ushort").numpy()
        coded = pyvips.Image.new_from_memory(
            np.ascontiguousarray(srgb_coded(small)).data,
            small.shape[1],
            small.shape[0],
            3,
            "ushort",
        ).copy(interpretation="rgb16")
        sharp = coded.sharpen(sigma=0.6, x1=1, m2=2)
        sharp.cast("ushort").colourspace("srgb").jpegsave(
            f"{stem}_{edge}.jpg", Q=90, subsample_mode="off"
        )


def a0(out: Path, path: Path) -> None:
    saved(decoded(path), out / path.stem)


def a2(out: Path, path: Path) -> None:
    """A0's frame through OpenColorIO and OpenCV in float32."""
    import cv2
    import PyOpenColorIO as ocio  # noqa: N813

    cv2.setNumThreads(1)
    rgb = decoded(path).astype(np.float32) / 65535
    group = ocio.GroupTransform()
    cdl = ocio.CDLTransform()
    cdl.setSlope(LOOK["slope"])
    cdl.setOffset(LOOK["offset"])
    cdl.setPower(LOOK["power"])
    cdl.setSat(LOOK["saturation"])
    group.appendTransform(cdl)
    grading = ocio.GradingPrimary(ocio.GRADING_LIN)
    grading.contrast = ocio.GradingRGBM(LOOK["contrast"], LOOK["contrast"], LOOK["contrast"], 1)
    grading.pivot = 0.18
    curve = ocio.GradingPrimaryTransform(ocio.GRADING_LIN)
    curve.setValue(grading)
    group.appendTransform(curve)
    cube = ocio.Lut3DTransform(33)
    cube.setData(warm_cube().ravel())
    cube.setInterpolation(ocio.INTERP_TETRAHEDRAL)
    group.appendTransform(cube)
    processor = ocio.Config.CreateRaw().getProcessor(group)
    processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS).applyRGB(rgb)
    lab = cv2.cvtColor(np.clip(rgb, 0, 1), cv2.COLOR_RGB2Lab)
    lightness, a, b = cv2.split(lab)
    chroma, angle = cv2.cartToPolar(a, b, angleInDegrees=True)
    turn, factor = np.zeros_like(angle), np.ones_like(angle)
    for at, width, degrees, more in BANDS:
        away = np.abs((angle - at + 180) % 360 - 180)
        weight = np.clip(1 - away / width, 0, 1)
        turn += weight * degrees
        factor += weight * (more - 1)
    a, b = cv2.polarToCart(chroma * factor, angle + turn, angleInDegrees=True)
    rgb = cv2.cvtColor(cv2.merge([lightness, a, b]), cv2.COLOR_Lab2RGB)
    saved((np.clip(rgb, 0, 1) * 65535 + 0.5).astype(np.uint16), out / path.stem)


def b(out: Path, path: Path) -> None:
    """The naive way: whole float64 pictures, one array operation after the other."""
    import tifffile
    from scipy.ndimage import map_coordinates
    from skimage import filters, io, transform

    rgb = decoded(path) / 65535.0
    rgb = np.maximum(rgb * LOOK["slope"] + LOOK["offset"], 0) ** LOOK["power"]
    luma = rgb @ [0.2126, 0.7152, 0.0722]
    rgb = luma[..., None] + LOOK["saturation"] * (rgb - luma[..., None])
    level = np.maximum((rgb**3).sum(-1) / np.maximum((rgb**2).sum(-1), 1e-12), 1e-6)
    rgb = rgb * ((level / 0.18) ** (LOOK["contrast"] - 1))[..., None]
    lab = np.cbrt(rgb @ SRGB_TO_LMS.T) @ LMS_TO_LAB.T
    chroma, angle = np.hypot(lab[..., 1], lab[..., 2]), np.arctan2(lab[..., 2], lab[..., 1])
    turn, factor = np.zeros_like(angle), np.ones_like(angle)
    for at, width, degrees, more in BANDS:
        edge = np.cos(np.radians(width))
        weight = np.clip((np.cos(angle - np.radians(at)) - edge) / (1 - edge), 0, 1)
        weight = weight**2 * (3 - 2 * weight)
        turn += weight * np.radians(degrees)
        factor += weight * (more - 1)
    lab[..., 1] = chroma * factor * np.cos(angle + turn)
    lab[..., 2] = chroma * factor * np.sin(angle + turn)
    rgb = (lab @ np.linalg.inv(LMS_TO_LAB).T) ** 3 @ np.linalg.inv(SRGB_TO_LMS).T
    rgb = np.clip(rgb, 0, 1)
    rgb = np.where(rgb <= 0.0031308, 12.92 * rgb, 1.055 * rgb ** (1 / 2.4) - 0.055)
    cube = warm_cube()
    rgb = np.stack([map_coordinates(cube[..., c], (rgb * 32).transpose(2, 0, 1), order=1)
                    for c in range(3)], -1)  # fmt: skip
    tifffile.imwrite(out / f"{path.stem}.tif", (rgb * 65535 + 0.5).astype(np.uint16))
    for edge in EDGES:
        scale = edge / max(rgb.shape[:2])
        size = (round(rgb.shape[0] * scale), round(rgb.shape[1] * scale))
        small = transform.resize(rgb, size, anti_aliasing=True)
        sharp = filters.unsharp_mask(small, radius=0.8, amount=0.6, channel_axis=-1)
        io.imsave(
            out / f"{path.stem}_{edge}.jpg", (np.clip(sharp, 0, 1) * 255 + 0.5).astype(np.uint8),
            quality=90, check_contrast=False,
        )  # fmt: skip


PEERS = {"A0": a0, "A2": a2, "B": b}


def main() -> None:
    name, out, workers, *paths = sys.argv[1:]
    work = partial(PEERS[name], Path(out))
    Path(out).mkdir(parents=True, exist_ok=True)
    if int(workers) == 1:
        for path in paths:
            work(Path(path))
        return
    with ProcessPoolExecutor(int(workers), mp_context=get_context("spawn")) as pool:
        list(pool.map(work, map(Path, paths)))


if __name__ == "__main__":
    main()

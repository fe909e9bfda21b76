"""Delivered files with known colours in them, coded by colour-science and not by Safelight."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import colour
import numpy as np

from pipeline.files.formats import written
from pipeline.files.landing import land
from pipeline.proof.records import Chart, Product, Target, ToMeasure

TITLES = {
    "srgb": "sRGB",
    "display-p3": "Display P3",
    "adobe-rgb": "Adobe RGB (1998)",
    "romm-rgb": "ROMM RGB",
}
AFTER_2014 = "ColorChecker24 - After November 2014"
PCS = np.array([0.9642, 1.0, 0.8249])
"""ICC.1:2022, 7.2.16."""
LAMP = (42.4, 51.0, 28.6)


@cache
def space_of(name: str) -> colour.RGB_Colourspace:
    """A space of colour-science with exact matrices."""
    space = colour.RGB_COLOURSPACES[TITLES[name]].copy()
    space.use_derived_transformation_matrices(True)
    return space


def codes_of(lab, space: str, bits: int, dither: np.random.Generator | None = None) -> np.ndarray:
    """Codes of L*a*b* (D50), clipped; 8 bits may be dithered."""
    rgb_space = space_of(space)
    xyz = colour.Lab_to_XYZ(lab, colour.XYZ_to_xy(PCS))
    adapted = (
        xyz
        @ colour.adaptation.matrix_chromatic_adaptation_VonKries(
            PCS, colour.xy_to_XYZ(rgb_space.whitepoint), "Bradford"
        ).T
    )
    linear = np.clip(adapted @ np.linalg.inv(rgb_space.matrix_RGB_to_XYZ).T, 0, 1)
    codes = rgb_space.cctf_encoding(linear) * (2**bits - 1)
    if dither is not None:
        codes = codes + dither.uniform(-0.5, 0.5, codes.shape)
    return np.clip(np.round(codes), 0, 2**bits - 1).astype(f"uint{bits}")


@cache
def chart_targets() -> tuple[Target, ...]:
    """The 24 patches, edition after November 2014, as colour-science publishes them (D50)."""
    published = colour.CCS_COLOURCHECKERS[AFTER_2014]
    lab = colour.XYZ_to_Lab(colour.xyY_to_XYZ(list(published.data.values())), published.illuminant)
    return tuple(
        Target(name, (float(L), float(a), float(b)))
        for name, (L, a, b) in zip(published.data, lab, strict=True)
    )


def chart_quads(box=(0.2, 0.2, 0.8, 0.7), gap=0.15 / 1.15) -> np.ndarray:
    """The corners of 24 upright patches in a box of shares, (24, 4, 2): gaps are 6 mm between
    patches of 40 mm, as on the usual chart (from memory)."""
    left, top, right, bottom = box
    wide, tall = (right - left) / 6, (bottom - top) / 4
    quads = []
    for row in range(4):
        for column in range(6):
            x1, y1 = left + (column + gap / 2) * wide, top + (row + gap / 2) * tall
            x2, y2 = x1 + (1 - gap) * wide, y1 + (1 - gap) * tall
            quads.append([(x1, y1), (x2, y1), (x2, y2), (x1, y2)])
    return np.array(quads)


def outer_corners(quads) -> tuple:
    """Those of the first patch, the last of the first row, the last, the first of the last row."""
    return tuple(
        tuple(float(v) for v in quads[patch][corner]) for corner, patch in enumerate((0, 5, 23, 18))
    )


def chart_lab(labs, width: int, height: int, quads=None) -> np.ndarray:
    """A picture in L*a*b*: upright patches of the given colours on dark grey."""
    picture = np.full((height, width, 3), (30.0, 0.0, 0.0))
    for lab, quad in zip(labs, chart_quads() if quads is None else quads, strict=True):
        (x1, y1), (x2, y2) = quad.min(axis=0), quad.max(axis=0)
        rows = slice(round(y1 * height), round(y2 * height))
        picture[rows, round(x1 * width) : round(x2 * width)] = lab
    return picture


def write(path: Path, lab_picture, space: str = "srgb", bits: int = 8, quality: int = 95) -> Path:
    """A JPEG or TIFF, by the path's suffix, with Safelight's profile of the space in it.

    8 bits are dithered, so that an area's mean is not rounded to a code.
    """
    dither = np.random.default_rng(7) if bits == 8 else None
    codes = codes_of(lab_picture, space, bits, dither)
    kind = "tiff" if path.suffix == ".tif" else "jpeg"
    path.parent.mkdir(parents=True, exist_ok=True)
    write_picture(path, codes, kind, space, quality)
    return path


def write_picture(path: Path, codes, kind: str, space: str, quality: int = 90) -> None:
    settings = {"format": kind, "quality": quality}
    land(path, written(codes, space, settings, ppi=300).content, path.parent)


def chart_file(path: Path, labs=None, size=(600, 400), **changed) -> ToMeasure:
    """A delivered file that shows the chart, and what is known of it."""
    targets = chart_targets()
    measured = [target.lab for target in targets] if labs is None else labs
    space, bits = changed.pop("space", "srgb"), changed.pop("bits", 8)
    write(path, chart_lab(measured, *size), space, bits)
    known = {"frame": "QL0001", "delivery": "web", "version": 1, "setup": "daylight"}
    return ToMeasure(
        path=path,
        space=space,
        chart=Chart(outer_corners(chart_quads()), targets, "after-2014"),
        **(known | changed),
    )


def lamp_density(width: int, height: int) -> np.ndarray:
    """A mask: the ellipse in which ``lamp_file`` paints its lamp."""
    y, x = np.mgrid[0:height, 0:width]
    inside = ((x + 0.5) / width - 0.5) ** 2 / 0.04 + ((y + 0.5) / height - 0.5) ** 2 / 0.04 < 1
    return inside.astype(np.float32)


def lamp_file(path: Path, lab=LAMP, size=(300, 200), **changed) -> ToMeasure:
    """A delivered file with an evenly lit lamp of a colour on grey, and what is known of it."""
    space, bits = changed.pop("space", "srgb"), changed.pop("bits", 8)
    target, tolerance = changed.pop("target", LAMP), changed.pop("tolerance", 2.0)
    density = lamp_density(*size)
    picture = np.where(density[..., None] > 0, np.array(lab), (60.0, 0.0, 0.0))
    write(path, picture, space, bits)
    known = {"frame": path.stem, "delivery": "web", "version": 1, "setup": "daylight"}
    return ToMeasure(
        path=path,
        space=space,
        products=(Product("red-lamp", target, tolerance, density),),
        **(known | changed),
    )

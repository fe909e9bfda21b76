"""Measures delivered files, read back from disk: chart patches and product colours.

A colour is the mean of light over its region, seen through the file's own profile. One file that
cannot be measured never stops the others.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.files.proofread import CannotMeasure, Proof, read_back
from pipeline.kernels.chart import PATCH_SHARE, patch_quads
from pipeline.kernels.difference import delta_e_2000, lab_of
from pipeline.kernels.gamut import WHITE, lab_of_linear
from pipeline.kernels.lit import lit_weights, weighted_quantiles
from pipeline.kernels.spaces import SPACES, Float64
from pipeline.proof.compare import chart_result, differences
from pipeline.proof.records import (
    Chart,
    ChartResult,
    Correction,
    CorrectionResult,
    Measured,
    Product,
    ProductResult,
    Target,
    ToMeasure,
)
from pipeline.records import Shown

MIDDLE = 0.5
"""The share of a patch's width and height that is measured: its edges hold sharpening and blur."""
FEWEST_PIXELS = 9
"""In a patch's middle or a product's lit part; three by three, below which noise is measured."""
PROFILE_DE00 = 0.5
"""How far a profile's primaries may lie from its space's; profiles of one space differ by less."""
CHART_PX, FRAME_PX = 480, 160
"""The long edge of a thumbnail that shows a chart, and of any other."""
SHADING = (0.05, 0.95)
"""The quantiles of lightness over a product between which its shading is said to range."""
SAMPLES = 60_000
"""Pixels of a product's box that are read at most; a larger one is read on a coarser grid. With a
noise of 5 % the mean of the lit half is then still good to 0.03 %, or 0.01 in L*."""


def measure(
    files: Sequence[ToMeasure],
    *,
    threads: int = 2,
    progress: Callable[[int, int], None] = lambda _done, _of: None,
) -> tuple[Measured, ...]:
    """Measure every file, in the order given; ``progress`` hears how many of how many are done.

    The first file of each frame gets a thumbnail.
    """
    frames: set[str] = set()
    first = []
    for file in files:
        first.append(file.frame not in frames)
        frames.add(file.frame)
    found = []
    with ThreadPoolExecutor(max(1, threads)) as pool:
        for result in pool.map(measure_file, files, first):
            found.append(result)
            progress(len(found), len(files))
    return tuple(found)


def measure_file(file: ToMeasure, thumbnail: bool = True) -> Measured:
    """Measure one file; what goes wrong is worded in the result."""
    try:
        proof = read_back(file.path)
    except CannotMeasure as error:
        return Measured(file, problems=(str(error),))
    placed = _Placed.of(proof, file.shown)
    problems = []
    chart = None
    products = []
    picture = b""
    try:
        problems += _other_space(proof, file.space)
        if file.chart is not None:
            try:
                chart = _chart(placed, file.chart, file.space)
            except CannotMeasure as error:
                problems.append(str(error))
        for product in file.products:
            try:
                products.append(_product(placed, product, file.space))
            except CannotMeasure as error:
                problems.append(str(error))
        if thumbnail:
            picture = proof.thumbnail(CHART_PX if chart is not None else FRAME_PX)
    except (OSError, ValueError) as error:  # the file changed or vanished under our hands
        problems.append(f"it cannot be read to its end ({error})")
    return Measured(
        file=file,
        profile=proof.profile_name,
        width=proof.width,
        height=proof.height,
        chart=chart,
        products=tuple(products),
        thumbnail=picture,
        problems=tuple(problems),
    )


def judge_correction(correction: Correction) -> CorrectionResult:
    """A setup's chart before and after its correction, both against its targets."""
    return CorrectionResult(
        correction,
        before=chart_result(correction.targets, correction.before),
        after=chart_result(correction.targets, correction.after),
    )


def _other_space(proof: Proof, space: str) -> list[str]:
    """Words where the embedded profile is not that of the space that the delivery asks for."""
    primaries = proof.primaries()
    if primaries is None or space not in SPACES:
        return []
    if delta_e_2000(primaries, lab_of_linear(np.eye(3), space)).max() <= PROFILE_DE00:
        return []
    return [
        f"its embedded profile is {proof.profile_name}, but the delivery asks for "
        f"{SPACES[space].title}"
    ]


class _Placed(NamedTuple):
    """A file as a window of its frame, all in the file's pixels.

    ``left`` and ``top`` are where the frame begins in the file, ``inside`` is what it shows of it.
    """

    proof: Proof
    left: int
    top: int
    width: int
    height: int
    inside: tuple[slice, slice]

    @classmethod
    def of(cls, proof: Proof, shown: Shown | None) -> _Placed:
        part = shown or Shown(0.0, 0.0, 1.0, 1.0)
        across, down = (size - 2 * part.border_px for size in (proof.width, proof.height))
        width = round(across / (part.right - part.left))
        height = round(down / (part.bottom - part.top))
        left, top = round(part.left * width), round(part.top * height)
        inside = slice(top, top + down), slice(left, left + across)
        return cls(proof, part.border_px - left, part.border_px - top, width, height, inside)

    def xyz(self, rows: slice, columns: slice) -> Float64:
        """As of ``Proof``; the window is the frame's."""
        return self.proof.xyz(_moved(rows, self.top), _moved(columns, self.left))


def _moved(window: slice, by: int) -> slice:
    return slice(window.start + by, window.stop + by, window.step)


def _chart(placed: _Placed, chart: Chart, space: str) -> ChartResult:
    proof = placed.proof
    frame = np.array(chart.corners, np.float64)
    size = np.array((proof.width, proof.height))
    corners = (frame * (placed.width, placed.height) + (placed.left, placed.top)) / size
    if corners.shape != (4, 2) or not ((corners >= 0) & (corners <= 1)).all():
        raise CannotMeasure("a corner of the chart lies outside the picture")
    first, second, third, fourth = ((float(x), float(y)) for x, y in corners)
    quads = patch_quads((first, second, third, fourth), PATCH_SHARE * MIDDLE)
    labs = [
        lab_of(_patch(proof, quad, target.name), WHITE)
        for quad, target in zip(quads, chart.targets, strict=True)
    ]
    return chart_result(chart.targets, labs, space)


def _patch(proof: Proof, quad: Float64, name: str) -> Float64:
    """The mean XYZ of what a quadrangle of shares holds."""
    corners = quad * (proof.width, proof.height)
    left, top = np.floor(corners.min(axis=0)).astype(int)
    right, bottom = np.ceil(corners.max(axis=0)).astype(int)
    inside = _inside(corners - (left, top), bottom - top, right - left)
    if inside.sum() < FEWEST_PIXELS:
        raise CannotMeasure(
            f"the chart is too small here: the middle of the patch {name} is "
            f"{int(inside.sum())} pixels; {FEWEST_PIXELS} or more can be measured"
        )
    return _mean(proof.xyz(slice(top, bottom), slice(left, right)), inside)


def _inside(corners: Float64, height: int, width: int) -> NDArray[np.bool_]:
    """The pixels (height, width) whose middles lie inside a convex quadrilateral, in pixels."""
    x, y = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
    sides = []
    for (x1, y1), (x2, y2) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        sides.append((x2 - x1) * (y - y1) - (y2 - y1) * (x - x1))
    stacked = np.stack(sides)
    return np.asarray((stacked >= 0).all(axis=0) | (stacked <= 0).all(axis=0))


def _mean(xyz: Float64, weights: ArrayLike) -> Float64:
    weight = np.asarray(weights, np.float64)
    total: Float64 = np.tensordot(weight, xyz, axes=2) / weight.sum()
    return total


def _product(placed: _Placed, product: Product, space: str) -> ProductResult:
    """A product's mean over its lit part, weighted with its mask."""
    left, right = _span(product.box[0], product.box[2], placed.width, placed.inside[1])
    top, bottom = _span(product.box[1], product.box[3], placed.height, placed.inside[0])
    if top >= bottom or left >= right:
        raise CannotMeasure(f"{product.name} is not in what this file shows")
    rows, columns = slice(top, bottom), slice(left, right)
    if callable(product.density):
        density = product.density(rows, columns, placed.height, placed.width)
    else:
        whole = np.asarray(product.density)
        if whole.shape != (placed.height, placed.width):
            raise CannotMeasure(
                f"the mask of {product.name} is for {whole.shape[1]} × {whole.shape[0]} pixels, "
                f"the file has {placed.width} × {placed.height}"
            )
        density = whole[rows, columns]
    rows, columns, density = _covered(top, left, np.asarray(density))
    if density.size == 0:
        raise CannotMeasure(f"the mask of {product.name} covers nothing in this file")
    xyz = placed.xyz(rows, columns)
    weights = lit_weights(xyz[..., 1], density)
    if np.count_nonzero(weights) < FEWEST_PIXELS:
        raise CannotMeasure(
            f"{product.name} is too small here: {np.count_nonzero(weights)} pixels of it are lit; "
            f"{FEWEST_PIXELS} or more can be measured"
        )
    lab = lab_of(_mean(xyz, weights), WHITE)
    ends = weighted_quantiles(xyz[..., 1], density, SHADING)
    low, high = (float(lab_of(luminance * WHITE, WHITE)[0]) for luminance in ends)
    (difference,) = differences([Target(product.name, product.lab)], lab, space)
    return ProductResult(
        difference=difference,
        tolerance=product.tolerance,
        shading=(low, high),
        lit_share=float(weights.sum() / density.sum()),
    )


def _span(first: float, last: float, size: int, inside: slice) -> tuple[int, int]:
    """The pixels ``inside`` that a part of a side touches, from a share of it to another."""
    low, high = sorted((first, last))
    return (
        int(np.clip(np.floor(low * size), inside.start, inside.stop)),
        int(np.clip(np.ceil(high * size), inside.start, inside.stop)),
    )


def _covered(
    top: int, left: int, density: NDArray[np.floating]
) -> tuple[slice, slice, NDArray[np.floating]]:
    """The window that a mask does not leave empty, on a coarser grid where it is large."""
    down, across = (np.flatnonzero((density > 0).any(axis=axis)) for axis in (1, 0))
    if not down.size:
        return slice(0, 0), slice(0, 0), density[:0, :0]
    height, width = int(down[-1] - down[0]) + 1, int(across[-1] - across[0]) + 1
    step = max(1, int(np.ceil(np.sqrt(height * width / SAMPLES))))
    rows = slice(int(down[0]), int(down[-1]) + 1, step)
    columns = slice(int(across[0]), int(across[-1]) + 1, step)
    return (
        slice(top + rows.start, top + rows.stop, step),
        slice(left + columns.start, left + columns.stop, step),
        density[rows, columns],
    )

"""The one pass: an opened original and its steps in, the pixels of a 16-bit master out.

Strips of rows are read, taken through the operations in chunks that stay in the processor's cache,
encoded and laid down upright. Nothing here opens a file or knows what a job is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.chain import (
    LANE_PIXELS,
    Masked,
    Others,
    Painted,
    Say,
    compiled,
    densities_of,
    restored,
)
from pipeline.deblurring import deblurred
from pipeline.frame import Float32, Source
from pipeline.healing import healed
from pipeline.kernels.correction import Correction
from pipeline.kernels.encode import Encoding, encoding_of
from pipeline.kernels.masks import Box, Density, spans
from pipeline.kernels.orient import (
    lay_upright,
    sensor_view,
    sensor_window,
    upright,
    upright_shape,
    upright_window,
)
from pipeline.records import Evening, ResolvedStep
from pipeline.step import Operation

MASTER_SPACE = "romm-rgb"
STRIP_ROWS = 96
CHUNK_PIXELS = 1 << 14
"""Three float32 planes of a chunk take 192 KiB: the second-level cache of any current processor."""


def master_pixels(
    source: Source,
    steps: Sequence[ResolvedStep],
    files: Mapping[str, Path] | None = None,
    correction: Correction | None = None,
    threads: int = 1,
    strip_rows: int = STRIP_ROWS,
    painted: Painted | None = None,
    say: Say = lambda _sentence: None,
    even: Evening | None = None,
    finish: bool = True,
    space: str = MASTER_SPACE,
    others: Others | None = None,
) -> NDArray[np.uint16]:
    """Develop an opened original: uint16 (height, width, 3), codes of ``space``, upright.

    ``files`` maps each file that a step names to where it lies, ``painted`` each file that a mask
    names to its codes; ``correction`` is that of the setup's chart, where a step asks for it.
    ``others`` opens the frames that masks follow. ``say`` is told, in sentences, what a person
    should know of this frame; ``even`` moves its light. Without ``finish`` the last stage is left
    out. The result is the same to the last bit for any ``threads`` and ``strip_rows``.
    """
    source = restored(source, steps, files, correction)
    source = deblurred(healed(source, steps, painted or {}, others), steps)
    chain = compiled(steps, source, files, correction, painted, say, even, others)
    rest = chain.rest if finish else chain.unfinished
    densities = densities_of(rest)
    halo = max((density.halo for density in densities), default=0)
    encoding = encoding_of(space, 16)
    width, height = source.width, source.height
    padded = -(-width // LANE_PIXELS) * LANE_PIXELS
    master: NDArray[np.uint16] = np.empty(
        (*upright_shape(height, width, source.orientation), 3), np.uint16
    )

    def develop(tops: Iterator[int]) -> None:
        planes = np.zeros((3, strip_rows + 2 * halo, padded), np.float32)
        codes = np.empty((strip_rows, padded, 3), np.uint16)
        for top in tops:
            rows = min(strip_rows, height - top)
            first, last = top, top + rows
            if any(_reach(each, top, rows, source) for each in densities if each.halo):
                first, last = max(top - halo, 0), min(last + halo, height)
            around = planes[:, : last - first]
            source.strip(first, last, around)
            strip = around[:, top - first : top - first + rows]
            if densities:
                _apply(chain.scene, around)
                masks = {
                    id(each): _in_strip(each, around, first, top, rows, source)
                    for each in densities
                }
                _apply(rest, strip, masks, encoding, codes[:rows])
            else:
                _apply((*chain.scene, *rest), strip, {}, encoding, codes[:rows])
            lay_upright(codes[:rows, :width], top, source.orientation, master)

    # one iterator that all threads draw from: whoever is free takes the next strip
    tops = iter(range(0, height, strip_rows))
    if threads == 1:
        develop(tops)
    else:
        with ThreadPoolExecutor(threads) as pool:
            for done in [pool.submit(develop, tops) for _ in range(threads)]:
                done.result()
    return master


class _InStrip(NamedTuple):
    """A mask's density over whole lanes of the strip: (rows, columns) from ``top`` and ``left``.

    ``reach`` (rows, 2) are, in whole lanes too, the columns between which a row is above 0.
    """

    values: Float32
    reach: NDArray[np.int64]
    top: int
    left: int


def _reach(density: Density, top: int, rows: int, source: Source) -> Box | None:
    """The part of some rows, as an upright window, in which a mask is; None where it is nowhere."""
    size = source.height, source.width
    window = Box(*upright_window((top, top + rows, 0, source.width), *size, source.orientation))
    window = window.meet(density.box)
    return None if window.empty else window


def _in_strip(
    density: Density, around: Float32, start: int, top: int, rows: int, source: Source
) -> _InStrip | None:
    """A mask where it is not zero, in the strip's own rows and columns; None where it is nowhere.

    The strip is ``rows`` from ``top`` on; ``around`` holds the scene from row ``start`` on. Asks
    for no more of the density than lies in the strip and inside its box.
    """
    size = source.height, source.width
    window = _reach(density, top, rows, source)
    if window is None:
        return None

    def scene(part: Box) -> Float32:
        first, last, left, right = sensor_window(part, *size, source.orientation)
        planes = around[:, first - start : last - start, left:right].transpose(1, 2, 0)
        return np.ascontiguousarray(upright(planes, source.orientation).transpose(2, 0, 1))

    values = sensor_view(density.at(window, scene), source.orientation)
    if not values.any():
        return None
    first, last, left, right = sensor_window(window, *size, source.orientation)
    begin = left // LANE_PIXELS * LANE_PIXELS
    stop = -(-right // LANE_PIXELS) * LANE_PIXELS
    lanes: Float32 = np.zeros((last - first, stop - begin), np.float32)
    lanes[:, left - begin : right - begin] = values
    reach = spans(lanes)
    reach[:, 0] = reach[:, 0] // LANE_PIXELS * LANE_PIXELS
    reach[:, 1] = -(-reach[:, 1] // LANE_PIXELS) * LANE_PIXELS
    return _InStrip(lanes, reach, first - top, begin)


def _apply(
    operations: Sequence[Operation | Masked],
    strip: Float32,
    masks: Mapping[int, _InStrip | None] = MappingProxyType({}),
    encoding: Encoding | None = None,
    codes: NDArray[np.uint16] | None = None,
) -> None:
    """Take a strip through operations, and into codes where wanted, a few whole rows at a time."""
    rows, columns = strip.shape[1:]
    step = max(1, CHUNK_PIXELS // columns)
    for first in range(0, rows, step):
        last = min(first + step, rows)
        r, g, b = (plane[first:last].reshape(-1) for plane in strip)
        for item in operations:
            if isinstance(item, Masked):
                if mask := masks[id(item.density)]:
                    _through(item.operation, mask, strip, first, last)
            else:
                kernel, arguments = item
                kernel(r, g, b, *arguments)
        if encoding is not None and codes is not None:
            encoding.write(r, g, b, codes[first:last].reshape(-1, 3))


def _through(operation: Operation, mask: _InStrip, strip: Float32, first: int, last: int) -> None:
    """An operation on the part of some rows that a mask covers."""
    kernel, arguments = operation
    upper, lower = max(first, mask.top), min(last, mask.top + len(mask.values))
    if upper >= lower:
        return
    reach = mask.reach[upper - mask.top : lower - mask.top]
    if mask.values.shape[1] == strip.shape[2] and (reach == (0, strip.shape[2])).all():
        r, g, b = (plane[upper:lower].reshape(-1) for plane in strip)
        density = mask.values[upper - mask.top : lower - mask.top].reshape(-1)
        kernel(r, g, b, density, *arguments)
        return
    for row, (left, right) in enumerate(reach.tolist(), upper):
        if left < right:
            density = mask.values[row - mask.top, left:right]
            r, g, b = strip[:, row, mask.left + left : mask.left + right]
            kernel(r, g, b, density, *arguments)

"""The one pass: an opened original and its steps in, the pixels of a 16-bit master out.

Strips of rows are read, taken through the operations in chunks that stay in the processor's cache,
encoded and laid down upright. Nothing here opens a file or knows what a job is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32, Source
from pipeline.kernels.correction import Correction
from pipeline.kernels.encode import encoding_of
from pipeline.kernels.orient import lay_upright, upright_shape
from pipeline.records import ResolvedStep
from pipeline.step import Context, Operation
from pipeline.steps import STEPS

MASTER_SPACE = "romm-rgb"
STRIP_ROWS = 96
CHUNK_PIXELS = 1 << 14
"""Three float32 planes of a chunk take 192 KiB: the second-level cache of any current processor."""
LANE_PIXELS = 64
"""Rows are padded to this, so that only the vectorised body of a kernel's loop ever runs and a
pixel's value cannot depend on where a strip or a chunk happens to begin."""


def compiled(
    steps: Sequence[ResolvedStep],
    source: Source,
    files: Mapping[str, Path],
    correction: Correction | None = None,
) -> list[Operation]:
    """The operations of a frame's steps, scene steps first.

    A frame without ``balance`` gets the camera's own. Raises ``ValueError`` with a sentence where a
    step cannot be done on this frame.
    """
    context = Context(source.light, cache(source.preview), files, correction)
    chain = [(STEPS[step.step], _validated(step)) for step in steps]
    if not any(step.name == "balance" for step, _ in chain):
        chain.insert(0, (STEPS["balance"], STEPS["balance"].neutral))
    # balance yields the working space; a gain before or after it is the same
    order = {"scene": 0, "working": 1}
    chain.sort(key=lambda pair: (order[pair[0].space], pair[0].name != "balance"))
    return [op for step, parameters in chain for op in step.operations(parameters, context)]


def _validated(step: ResolvedStep) -> Any:
    return STEPS[step.step].parameters.model_validate(step.parameters)


def master_pixels(
    source: Source,
    steps: Sequence[ResolvedStep],
    files: Mapping[str, Path] | None = None,
    correction: Correction | None = None,
    threads: int = 1,
    strip_rows: int = STRIP_ROWS,
) -> NDArray[np.uint16]:
    """Develop an opened original: uint16 (height, width, 3), ROMM RGB codes, upright.

    ``files`` maps each file that a step names to where it lies; ``correction`` is that of the
    setup's chart, where a step asks for it. The result is the same to the last
    bit for any ``threads`` and ``strip_rows``.
    """
    operations = compiled(steps, source, files or {}, correction)
    encoding = encoding_of(MASTER_SPACE, 16)
    width, height = source.width, source.height
    padded = -(-width // LANE_PIXELS) * LANE_PIXELS
    master: NDArray[np.uint16] = np.empty(
        (*upright_shape(height, width, source.orientation), 3), np.uint16
    )

    def develop(tops: Iterator[int]) -> None:
        planes = np.zeros((3, strip_rows, padded), np.float32)
        codes = np.empty((strip_rows, padded, 3), np.uint16)
        for top in tops:
            rows = min(strip_rows, height - top)
            source.strip(top, top + rows, planes[:, :rows])
            for r, g, b, out in _chunks(planes[:, :rows], codes[:rows]):
                for kernel, arguments in operations:
                    kernel(r, g, b, *arguments)
                encoding.write(r, g, b, out)
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


def _chunks(
    planes: Float32, codes: NDArray[np.uint16]
) -> Iterator[tuple[Float32, Float32, Float32, NDArray[np.uint16]]]:
    """Cut a strip into flat chunks of whole lanes, as views."""
    r, g, b = (plane.reshape(-1) for plane in planes)
    flat = codes.reshape(-1, 3)
    for start in range(0, r.size, CHUNK_PIXELS):
        part = slice(start, start + CHUNK_PIXELS)
        yield r[part], g[part], b[part], flat[part]

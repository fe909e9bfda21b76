"""From a master's codes to the pixels of deliveries: resized, sharpened, encoded, in bands of rows.

All sizes share one pyramid of exact halvings, so that a size never depends on which others are made
with it. Knows arrays only; reading masters and writing files is for others.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32
from pipeline.kernels.encode import Bits, Codes, decode_romm16, encoding_of
from pipeline.kernels.medium import sharpening_for
from pipeline.kernels.resize import Taps, lanczos_taps, resize_rows
from pipeline.kernels.sharpen import halo_px, unsharp_rows
from pipeline.viewing import Viewing

BAND_ROWS = 128
"""Rows of a pyramid level that are worked on at once, by one thread."""


@dataclass(frozen=True, slots=True)
class RenditionSpec:
    """What a delivery asks of a picture. At most one of the three sizes; none means full size.

    ``long_edge`` and ``short_edge`` in pixels, ``scale`` as a factor. A picture is never made
    larger than its master unless ``enlarge`` is set. ``sharpen_for`` is how it will be seen; None
    sharpens nothing.
    """

    space: str = "srgb"
    bits: Bits = 8
    long_edge: int | None = None
    short_edge: int | None = None
    scale: float | None = None
    enlarge: bool = False
    sharpen_for: Viewing | None = None

    @classmethod
    def of(cls, settings: Mapping[str, Any]) -> RenditionSpec:
        """The specification in a delivery's settings, which say more than a rendition needs."""
        known = {item.name for item in fields(cls)}
        asked = {key: value for key, value in settings.items() if key in known}
        seen = asked.pop("sharpen_for")
        return cls(**asked, sharpen_for=None if seen == "none" else Viewing(**seen))

    def size_of(self, width: int, height: int) -> tuple[int, int]:
        """Width and height in pixels of the rendition of a master; at least 1, edges rounded."""
        factor = 1.0
        if self.long_edge is not None:
            factor = self.long_edge / max(width, height)
        elif self.short_edge is not None:
            factor = self.short_edge / min(width, height)
        elif self.scale is not None:
            factor = self.scale
        if not self.enlarge:
            factor = min(factor, 1.0)
        return max(1, round(width * factor)), max(1, round(height * factor))


def render(
    master: NDArray[np.uint16], specs: Sequence[RenditionSpec], threads: int = 1
) -> list[NDArray[Any]]:
    """Every rendition of a master, in the order of ``specs``: (height, width, 3), 8 or 16 bits.

    ``master`` is (height, width, 3) 16-bit ROMM RGB. From the smallest level of the pyramid that is
    still twice the size (or the master itself) to the size by Lanczos' kernel, in linear light;
    then sharpened for its medium, then encoded. The same pixels for any ``threads`` and whatever
    else is rendered. A rendition that asks for nothing is ``master`` itself, not a copy.
    """
    height, width = master.shape[:2]
    results: list[NDArray[Any]] = []
    waiting: dict[int, list[int]] = {}
    for index, spec in enumerate(specs):
        size = spec.size_of(width, height)
        if size == (width, height) and _is_master(spec):
            results.append(master)
            continue
        dtype = np.uint8 if spec.bits == 8 else np.uint16
        results.append(np.empty((size[1], size[0], 3), dtype))
        # a level keeps what it holds at half its size and coarser unharmed by its own filtering
        halvings = int(np.log2(max(min(width / size[0], height / size[1]) / 2, 1.0)))
        waiting.setdefault(halvings, []).append(index)
    level = _Level(partial(_decoded, master), (height, width), (height, width))
    with ThreadPoolExecutor(threads) as pool:
        for halvings in range(max(waiting, default=-1) + 1):
            tasks = [
                _rendering(level, specs[i], width, results[i]) for i in waiting.get(halvings, ())
            ]
            half = _half_of(level)
            if halvings < max(waiting):
                tasks.append(half.task)
            bands = range(0, level.samples[0], BAND_ROWS)
            list(pool.map(partial(_make_band, level, tasks), bands))
            level = half.level
    return results


def _is_master(spec: RenditionSpec) -> bool:
    return (spec.space, spec.bits, spec.sharpen_for) == ("romm-rgb", 16, None)


class _Level(NamedTuple):
    """A level of the pyramid. ``samples`` and ``extent`` are (vertical, horizontal).

    ``rows(top, bottom)`` gives linear working rows, (3, rows, columns). ``extent`` is how many of
    the samples the picture covers: an odd number halves to one whose last sample reaches beyond
    the edge.
    """

    rows: Callable[[int, int], Float32]
    samples: tuple[int, int]
    extent: tuple[float, float]


class _Task(NamedTuple):
    """Something that is made of a level.

    To make its rows ``first`` up to ``last``, those and ``halo`` more around them are resized, into
    ``room(top, bottom)`` or a new array, and given to ``finish(resized, top, first, last)``.
    """

    rows: Taps
    columns: Taps
    halo: int
    room: Callable[[int, int], Float32 | None]
    finish: Callable[[Float32, int, int, int], None]


def _make_band(level: _Level, tasks: Sequence[_Task], top: int) -> None:
    """The rows of every task that lie in one band of a level, from one reading of it."""
    height = level.samples[0]
    bottom = min(top + BAND_ROWS, height)
    shares, start, stop = [], height, 0
    for task in tasks:
        rows = len(task.rows.starts)
        first, last = -(-top * rows // height), -(-bottom * rows // height)
        if first < last:
            around = max(first - task.halo, 0), min(last + task.halo, rows)
            low, high = task.rows.reach(*around)
            start, stop = min(start, low), max(stop, high)
            shares.append((task, first, last, *around))
    if not shares:
        return
    window = level.rows(start, stop)
    for task, first, last, upper, lower in shares:
        out = task.room(upper, lower)
        resized = resize_rows(window, start, task.rows, task.columns, upper, lower, out)
        task.finish(resized, upper, first, last)


def _rendering(level: _Level, spec: RenditionSpec, master_width: int, out: Codes) -> _Task:
    height, width = out.shape[:2]
    encoding = encoding_of(spec.space, spec.bits)
    sharpening = sharpening_for(spec.sharpen_for, master_width / width)

    def finish(resized: Float32, top: int, first: int, last: int) -> None:
        rows = unsharp_rows(resized, first - top, last - top, **sharpening._asdict())
        r, g, b = rows.reshape(3, -1)
        encoding.write(r, g, b, out[first:last].reshape(-1, 3), first_pixel=first * width)

    return _Task(
        lanczos_taps(level.samples[0], level.extent[0], height),
        lanczos_taps(level.samples[1], level.extent[1], width),
        halo_px(sharpening.sigma_px) if sharpening.amount else 0,
        lambda _top, _bottom: None,
        finish,
    )


class _Half(NamedTuple):
    level: _Level
    task: _Task


def _half_of(level: _Level) -> _Half:
    """The next level of the pyramid, and the task that fills it."""
    height, width = (-(-samples // 2) for samples in level.samples)
    half = np.empty((3, height, width), np.float32)

    def rows(top: int, bottom: int) -> Float32:
        return half[:, top:bottom]

    return _Half(
        _Level(rows, (height, width), (level.extent[0] / 2, level.extent[1] / 2)),
        _Task(
            lanczos_taps(level.samples[0], 2 * height, height),
            lanczos_taps(level.samples[1], 2 * width, width),
            0,
            rows,
            lambda *_done: None,
        ),
    )


def _decoded(master: NDArray[np.uint16], top: int, bottom: int) -> Float32:
    planes = np.empty((3, bottom - top, master.shape[1]), np.float32)
    r, g, b = planes.reshape(3, -1)
    decode_romm16(master[top:bottom].reshape(-1, 3), r, g, b)
    return planes

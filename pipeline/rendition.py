"""From a master's codes to the pixels of deliveries: resized, sharpened, encoded, in bands of rows.

All sizes share one pyramid of exact halvings, so that a size never depends on which others are made
with it. Knows arrays only; reading masters and writing files is for others.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32
from pipeline.framing import Border, Box, Size, inner_size
from pipeline.kernels.encode import Bits, Codes, decode_romm16, encoding_of
from pipeline.kernels.medium import sharpening_for
from pipeline.kernels.resize import Taps, lanczos_taps, resize_rows
from pipeline.kernels.sharpen import halo_px, unsharp_rows
from pipeline.records import Shown
from pipeline.viewing import Viewing

WHOLE = Size()
BAND_ROWS = 128
"""Rows of a pyramid level that are worked on at once, by one thread."""


@dataclass(frozen=True, slots=True)
class RenditionSpec:
    """What a delivery asks of a picture.

    ``part`` is what of the master it shows, None for all. ``sharpen_for`` is how it will be seen;
    None sharpens nothing.
    """

    space: str = "srgb"
    bits: Bits = 8
    size: Size = WHOLE
    part: Box | None = None
    border: Border | None = None
    sharpen_for: Viewing | None = None

    @classmethod
    def of(cls, settings: Mapping[str, Any], part: Box | None = None) -> RenditionSpec:
        """The specification in a delivery's settings, which say more than a rendition needs."""
        seen, border = settings["sharpen_for"], settings.get("border")
        return cls(
            space=settings["space"],
            bits=settings["bits"],
            size=Size.of(settings),
            part=part,
            border=None if border is None else Border(**border),
            sharpen_for=None if seen == "none" else Viewing(**seen),
        )

    def inner_size(self, width: int, height: int) -> tuple[int, int, int]:
        """Pixels across and down for the picture of a master, and of the border on each side."""
        part = self.part or Box(0, 0, width, height)
        return inner_size(part.width, part.height, self.size, self.border)

    def shown(self, width: int, height: int) -> Shown | None:
        """What a file shows of a master; None for all of it and nothing around."""
        *_, border_px = self.inner_size(width, height)
        if self.part is None and border_px == 0:
            return None
        part = self.part or Box(0, 0, width, height)
        return Shown(
            part.left / width,
            part.top / height,
            part.right / width,
            part.bottom / height,
            border_px,
        )


def render(
    master: NDArray[np.uint16], specs: Sequence[RenditionSpec], threads: int = 1
) -> list[NDArray[Any]]:
    """Every rendition of a master, in the order of ``specs``: (height, width, 3), 8 or 16 bits.

    ``master`` is (height, width, 3) 16-bit ROMM RGB. From the smallest level of the pyramid that is
    still twice the size (or the master itself) to the size by Lanczos' kernel, in linear light;
    then sharpened for its medium, then encoded. The same pixels for any ``threads`` and whatever
    else is rendered. A rendition that asks for nothing is ``master`` itself, not a copy.
    """
    results: list[NDArray[Any] | None] = [None] * len(specs)
    parts: dict[Box, list[int]] = {}
    whole = Box(0, 0, master.shape[1], master.shape[0])
    for index, spec in enumerate(specs):
        parts.setdefault(spec.part or whole, []).append(index)
    with ThreadPoolExecutor(threads) as pool:
        for part, wanted in parts.items():
            rows, columns = slice(part.top, part.bottom), slice(part.left, part.right)
            shown = master if part == whole else master[rows, columns]
            pictures = _rendered(shown, [specs[index] for index in wanted], pool)
            for index, picture in zip(wanted, pictures, strict=True):
                results[index] = _bordered(picture, specs[index], part)
    return [picture for picture in results if picture is not None]


def _rendered(
    shown: NDArray[np.uint16], specs: Sequence[RenditionSpec], pool: ThreadPoolExecutor
) -> list[NDArray[Any]]:
    """Renditions of one part of a master, without their borders."""
    height, width = shown.shape[:2]
    results: list[NDArray[Any]] = []
    waiting: dict[int, list[int]] = {}
    for index, spec in enumerate(specs):
        across, down, _ = inner_size(width, height, spec.size, spec.border)
        if (across, down) == (width, height) and _is_master(spec):
            results.append(shown)
            continue
        dtype = np.uint8 if spec.bits == 8 else np.uint16
        results.append(np.empty((down, across, 3), dtype))
        # a level keeps what it holds at half its size and coarser unharmed by its own filtering
        halvings = int(np.log2(max(min(width / across, height / down) / 2, 1.0)))
        waiting.setdefault(halvings, []).append(index)
    level = _Level(partial(_decoded, shown), (height, width), (height, width))
    for halvings in range(max(waiting, default=-1) + 1):
        tasks = [_rendering(level, specs[i], width, results[i]) for i in waiting.get(halvings, ())]
        half = _half_of(level)
        if halvings < max(waiting):
            tasks.append(half.task)
        bands = range(0, level.samples[0], BAND_ROWS)
        list(pool.map(partial(_make_band, level, tasks), bands))
        level = half.level
    return results


def _bordered(picture: NDArray[Any], spec: RenditionSpec, part: Box) -> NDArray[Any]:
    *_, around = inner_size(part.width, part.height, spec.size, spec.border)
    if spec.border is None or around == 0:
        return picture
    code = np.iinfo(picture.dtype).max if spec.border.colour == "white" else 0
    return np.pad(picture, ((around, around), (around, around), (0, 0)), constant_values=code)


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

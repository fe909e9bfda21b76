"""What a worker does with one frame: open, develop, land the master, render and land deliveries.

Runs in a process of its own. It gets a plain record and returns one; it knows neither the manifest
nor the plan, and everything it writes goes through ``files.landing``.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import SafelightError
from pipeline.records import Artifact, Blocks, ResolvedStep

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from pipeline.rendition import RenditionSpec


@dataclass(frozen=True, slots=True)
class DeliveredFile:
    """One file to make for a delivery: how to render it, where it goes, what it says of itself."""

    delivery: str
    path: str
    format: str
    quality: int
    spec: RenditionSpec
    blocks: Blocks


@dataclass(frozen=True, slots=True)
class FrameWork:
    """All that a worker needs to know about one frame. Paths of files made are relative to ``job``.

    ``recorded`` is the master to start from where it is current; else the original is developed
    into ``master``. ``files`` maps each file that a step names to where it lies.
    """

    frame: str
    job: Path
    original: Path
    original_digest: str
    master: str
    steps: tuple[ResolvedStep, ...]
    files: Mapping[str, Path]
    recorded: Artifact | None = None
    deliveries: tuple[DeliveredFile, ...] = ()
    threads: int = 1


@dataclass(frozen=True, slots=True)
class FrameDone:
    """What came of it. ``master`` is None where the recorded one was current."""

    frame: str
    master: Artifact | None
    delivered: Mapping[str, Artifact]
    seconds: Mapping[str, float] = field(default_factory=dict)


def do(work: FrameWork) -> FrameDone:
    """Make what is missing of a frame. Raises ``SafelightError`` with a sentence."""
    from pipeline.files.encode import read_master, write_master

    clock = _Clock()
    landed = None
    if work.recorded is not None:
        pixels = read_master(work.job / work.recorded.path, work.recorded.digest)
        clock.lap("read master")
    else:
        pixels = _developed(work)
        clock.lap("develop")
        landed = write_master(work.job / work.master, pixels, work.job)
        clock.lap("write master")
    delivered = _deliver(work, pixels)
    clock.lap("deliver")
    return FrameDone(work.frame, landed, delivered, clock.laps)


def _developed(work: FrameWork) -> NDArray[np.uint16]:
    from pipeline.develop import master_pixels
    from pipeline.files.raw import open_original

    source = open_original(work.original, work.original_digest)
    try:
        return master_pixels(source, work.steps, work.files, work.threads)
    except ValueError as error:
        raise SafelightError(str(error)) from error


def _deliver(work: FrameWork, pixels: NDArray[np.uint16]) -> dict[str, Artifact]:
    from pipeline.files.encode import write_rendition
    from pipeline.rendition import render

    files = work.deliveries
    rendered = render(pixels, [file.spec for file in files], work.threads) if files else []
    return {
        file.delivery: write_rendition(
            work.job / file.path,
            picture,
            work.job,
            format=file.format,
            space=file.spec.space,
            quality=file.quality,
            blocks=file.blocks,
        )
        for file, picture in zip(files, rendered, strict=True)
    }


class _Clock:
    """Wall time by part, for the benchmark and for the curious."""

    def __init__(self) -> None:
        self.laps: dict[str, float] = {}
        self._last = time.perf_counter()

    def lap(self, name: str) -> None:
        now = time.perf_counter()
        self.laps[name] = now - self._last
        self._last = now

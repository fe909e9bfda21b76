"""Finds bursts: frames of one continuous release, by what the cameras noted.

A pure function on capture data; it opens nothing and looks at no pixels.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from itertools import pairwise

from pipeline.records import Capture

MOST_GAP_S = 0.5
FEWEST_FRAMES = 3
"""Common practice, no source: the slowest continuous release makes about two frames a second, and
two frames in quick succession may well be two presses."""


def bursts_of(captures: Sequence[tuple[str, Capture]]) -> dict[str, str]:
    """The burst of each frame that belongs to one: ``burst-001``, ... in the order of time.

    Frames of one body belong together while no gap between their capture times is longer than
    half a second. A frame takes part only if its camera is known and its time has a fraction:
    whole seconds say nothing of gaps that short.
    """
    shots: dict[tuple[object, ...], list[tuple[datetime, str]]] = defaultdict(list)
    for name, capture in captures:
        taken_at = _moment(capture.taken_at)
        if taken_at and (capture.camera or capture.serial):
            # With and without an offset from UTC, times of one body cannot be compared.
            body = (capture.camera, capture.serial, taken_at.tzinfo is None)
            shots[body].append((taken_at.replace(tzinfo=taken_at.tzinfo or UTC), name))
    bursts = sorted(run for body in shots.values() for run in _runs(sorted(body)))
    return {
        name: f"burst-{number:03}" for number, run in enumerate(bursts, start=1) for _, name in run
    }


def _runs(shots: Sequence[tuple[datetime, str]]) -> Iterator[list[tuple[datetime, str]]]:
    run = [shots[0]]
    for before, shot in pairwise(shots):
        if (shot[0] - before[0]).total_seconds() > MOST_GAP_S:
            if len(run) >= FEWEST_FRAMES:
                yield run
            run = []
        run.append(shot)
    if len(run) >= FEWEST_FRAMES:
        yield run


def _moment(taken_at: str | None) -> datetime | None:
    if not taken_at or "." not in taken_at:
        return None
    try:
        return datetime.fromisoformat(taken_at)
    except ValueError:
        return None

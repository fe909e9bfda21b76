"""The shot list: what the client asked for, and how far selects are there for it.

Which frames serve a shot stands in the frames' own files, as all that a person decides of a frame's
content does: it can be read beside the list in job.yaml, and a shot that is renamed there is named
with file and line wherever it is still called by its old name.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pipeline.job import Job
from pipeline.records import FrameState
from pipeline.written import Shot


def standings(job: Job, states: Mapping[str, FrameState]) -> list[dict[str, Any]]:
    """A row for each shot, in the order of job.yaml.

    ``selects`` are the selects that serve it, ``others`` frames that do and are none; ``missing``
    is how many selects are still owed, ``warnings`` are sentences.
    """
    serving: dict[str, list[FrameState]] = {name: [] for name in job.file.shots}
    for name, state in states.items():
        for shot in shots_of(job, name):
            serving[shot].append(state)
    return [_standing(job, name, shot, serving[name]) for name, shot in job.file.shots.items()]


def shots_of(job: Job, frame: str) -> tuple[str, ...]:
    """The shots that a frame serves."""
    own = job.frames.get(frame)
    return tuple(dict.fromkeys(own.file.shots)) if own else ()


def turned_otherwise(job: Job, name: str, state: FrameState) -> str | None:
    """A sentence where a frame is turned another way than a shot was asked for."""
    asked, found = job.file.shots[name].orientation, _orientation(job, state)
    if asked == "any" or found in (asked, None):
        return None
    return f"{state.name} is {found}, {asked} was asked for"


def _standing(job: Job, name: str, shot: Shot, serving: Sequence[FrameState]) -> dict[str, Any]:
    selects = [state.name for state in serving if job.is_select(state)]
    return {
        "shot": name,
        "product": shot.product,
        "use": shot.use,
        "orientation": shot.orientation,
        "count": shot.count,
        "selects": selects,
        "others": [state.name for state in serving if state.name not in selects],
        "missing": max(0, shot.count - len(selects)),
        "warnings": list(_warnings(job, name, serving)),
    }


def _warnings(job: Job, name: str, serving: Sequence[FrameState]) -> Iterator[str]:
    for state in serving:
        if sentence := turned_otherwise(job, name, state):
            yield sentence


def _orientation(job: Job, state: FrameState) -> str | None:
    """How the upright picture lies, with the crop of the frame's file; None if nobody noted it."""
    capture, own = state.original.capture, job.frames.get(state.name)
    if not (capture.width and capture.height):
        return None
    width, height = float(capture.width), float(capture.height)
    if capture.orientation >= 5:  # Exif 2.32, 4.6.4: rows and columns change places
        width, height = height, width
    if own and own.file.crop:
        crop = own.file.crop
        width, height = width * (crop.right - crop.left), height * (crop.bottom - crop.top)
    if round(width) == round(height):
        return "square"
    return "landscape" if width > height else "portrait"

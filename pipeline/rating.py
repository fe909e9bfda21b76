"""What a person says of frames: ratings, and that a version is final."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import InvalidInput, Problem
from pipeline.manifest import Manifest
from pipeline.survey import chosen_frames, survey

RATINGS = range(-1, 6)
"""xmp:Rating, ISO 16684-1: -1 rejected, 0 unrated, 1 to 5."""


def rate(folder: Path, rating: int, named: Sequence[str]) -> list[str]:
    """Rate frames in the manifest, and in the XMP beside the copies of originals in the job.

    The manifest counts; the XMP is for other programs to read. Returns the frames' names.
    """
    from pipeline.files.metadata import MetadataWriter

    if rating not in RATINGS:
        found = f"no rating {rating}"
        raise InvalidInput([Problem("rate", 0, "", found, "-1 (rejected), or 0 to 5")])
    with Manifest.open(folder, write=True) as manifest:
        states = manifest.frames()
        meant = chosen_frames(named, states)
        chosen = [name for name in states if name in meant]
        with MetadataWriter() as exiftool:
            with manifest.transaction():
                for name in chosen:
                    manifest.rate(name, rating)
            for name in chosen:
                original = Path(states[name].original.path)
                if not original.is_absolute():
                    exiftool.write_rating(folder / original.with_suffix(".xmp"), rating, folder)
    return chosen


def approve(folder: Path, named: Sequence[str]) -> dict[str, int]:
    """Record that each frame's current version is final; frame to version.

    Raises ``InvalidInput`` where a frame has no version of what its recipe asks for now.
    """
    with Manifest.open(folder, write=True) as manifest:
        found = survey(folder, manifest, named)
        current = {
            action.frame: action.version
            for action in found.actions
            if action.action in ("nothing", "wait") and action.version is not None
        }
        problems = [
            Problem(name, 0, "", "it has no version of what is asked for now; run it first", "")
            for name in sorted(found.demand.named)
            if name not in current
        ]
        if problems:
            raise InvalidInput(problems)
        with manifest.transaction():
            for name, number in current.items():
                manifest.approve(name, number)
    return current

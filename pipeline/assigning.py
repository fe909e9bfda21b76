"""Writes into frames' files which shots of the shot list they serve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ruamel.yaml.comments import CommentedSeq

from pipeline import wording
from pipeline.errors import InvalidInput
from pipeline.framefile import Content, changed, filled, frame_path
from pipeline.manifest import Manifest
from pipeline.shots import shots_of, turned_otherwise
from pipeline.survey import chosen_frames, read_job


@dataclass(frozen=True, slots=True)
class Assigned:
    """The frames that now serve a shot, or no longer do, and what is odd about it."""

    frames: tuple[str, ...]
    warnings: tuple[str, ...] = ()


def assign(folder: Path, shot: str, named: Sequence[str], *, remove: bool = False) -> Assigned:
    """Let frames serve a shot too, or with ``remove`` no longer.

    All files are checked before the first is written. Raises ``InvalidInput``, ``CannotWrite``.
    """
    from pipeline.files.landing import land

    def change(content: Content) -> None:
        written = filled(content, "shots", _one_line())
        if not remove:
            written.append(shot)
        while remove and shot in written:
            written.remove(shot)

    with Manifest.open(folder, write=True) as manifest:
        job = read_job(folder)
        if shot not in job.file.shots:
            found = f"no shot called {wording.shown(shot)}"
            found += wording.or_did_you_mean(shot, job.file.shots)
            allowed = wording.listed(job.file.shots) or "shots that are listed there"
            raise InvalidInput([job.document.problem(("shots",), found, allowed)])
        states = manifest.frames()
        frames = sorted(chosen_frames(named, states))
        to_change = [name for name in frames if (shot in shots_of(job, name)) == remove]
        texts = {}
        for name in to_change:
            texts[name], job = changed(folder, job, name, change)
        for name, text in texts.items():
            land(frame_path(folder, name), text.encode(), folder)
    turned = () if remove else (turned_otherwise(job, shot, states[name]) for name in frames)
    return Assigned(tuple(frames), tuple(filter(None, turned)))


def _one_line() -> CommentedSeq:
    """An empty list that is written as ``[a, b]``."""
    names = CommentedSeq()
    names.fa.set_flow_style()
    return names

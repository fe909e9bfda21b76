"""What a person says of frames: ratings, and that a version is final."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import wording
from pipeline.errors import CannotWrite, InvalidInput, Problem, SafelightError
from pipeline.manifest import Manifest
from pipeline.moments import day_of
from pipeline.records import REJECTED, Approval, Event, FrameState, Request
from pipeline.rounds import open_requests, retouch_of
from pipeline.sorting import frames_meant
from pipeline.survey import chosen_frames, survey

if TYPE_CHECKING:
    from pipeline.files.metadata import MetadataWriter

RATINGS = range(-1, 6)
"""xmp:Rating, ISO 16684-1: -1 rejected, 0 unrated, 1 to 5."""


@dataclass(frozen=True, slots=True)
class Rated:
    """The frames that were rated, and a sentence for each whose XMP said something else before."""

    frames: tuple[str, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Approved:
    """What was approved: each frame's version, and the requests that it goes without.

    ``already`` has the versions of the frames for which the same had been said before.
    """

    frames: Mapping[str, tuple[int, tuple[Request, ...]]]
    already: Mapping[str, int]


def rate(
    folder: Path,
    rating: int,
    named: Sequence[str] = (),
    *,
    where: str | None = None,
    suggested: bool = False,
) -> Rated:
    """Rate frames in the manifest, and in the XMP beside the copies of originals in the job.

    Those that are named, that ``where`` holds for, and with ``suggested`` that an assessment would
    keep and nobody rated: at least one of the three has to be said, and all that are have to be
    true. The manifest counts; the XMP is for other programs to read. Where one says what neither
    the manifest nor the new rating does, the history keeps that. Raises ``CannotWrite``, when all
    are rated, with every XMP that could not be written.
    """
    from pipeline.files.metadata import MetadataWriter

    if rating not in RATINGS:
        found = f"no rating {rating}"
        raise InvalidInput([Problem("rate", 0, "", found, "-1 (rejected), or 0 to 5")])
    if not named and where is None and not suggested:
        allowed = "frames, --where or --suggested"
        raise InvalidInput([Problem("rate", 0, "", "no frames are named", allowed)])
    with Manifest.open(folder, write=True) as manifest:
        states = manifest.frames()
        if where is None and not suggested:
            meant = chosen_frames(named, states)
        else:
            rows = frames_meant(folder, manifest, named, where)
            if suggested:
                rows = _to_keep(rows, manifest)
            meant = frozenset(row["frame"] for row in rows)
        chosen = [name for name in states if name in meant]
        sidecars = {
            name: original.with_suffix(".xmp")
            for name in chosen
            if not (original := Path(states[name].original.path)).is_absolute()
        }
        notes, failed = [], []
        with MetadataWriter() as exiftool:
            said = _said_elsewhere(exiftool, folder, sidecars, states)
            with manifest.transaction():
                for name in chosen:
                    if said.get(name, rating) != rating:
                        manifest.note_sidecar(name, sidecars[name].as_posix(), said[name])
                    manifest.rate(name, rating)
            for name, path in sidecars.items():
                try:
                    exiftool.write_rating(folder / path, rating, folder)
                except SafelightError as error:
                    failed.append(str(error))
                    continue
                if said.get(name, rating) != rating:
                    before = f"said {said[name]}, where the job had {states[name].rating}"
                    notes.append(f"{name}: {path.as_posix()} {before}; it says {rating} now.")
    if failed:
        counts = f"{len(chosen)} rated {rating} all the same: the job's own ratings count"
        raise CannotWrite("\n".join([*notes, *failed, counts + "."]))
    return Rated(tuple(chosen), tuple(notes))


def _said_elsewhere(
    exiftool: MetadataWriter,
    folder: Path,
    sidecars: Mapping[str, Path],
    states: Mapping[str, FrameState],
) -> dict[str, int]:
    """The rating in each frame's XMP that is not the job's: somebody gave it with other means."""
    there = [name for name, path in sidecars.items() if (folder / path).is_file()]
    read = exiftool.read_capture([folder / sidecars[name] for name in there])
    return {
        name: noted.rating
        for name, noted in zip(there, read, strict=True)
        if noted.rating is not None and noted.rating != states[name].rating
    }


def _to_keep(rows: Sequence[dict[str, Any]], manifest: Manifest) -> list[dict[str, Any]]:
    """Those that the assessment would keep and that nobody gave a rating."""
    if not manifest.assessed():
        found = "nothing was assessed yet"
        raise InvalidInput([Problem("--suggested", 0, "", found, "after safelight assess")])
    return [row for row in rows if row["suggested"] and row["rating"] == 0]


def approve(
    folder: Path, named: Sequence[str], by: str | None = None, note: str | None = None
) -> Approved:
    """Record that each frame's current version is final, whose word that is, and what they said.

    Requests that no round has carried are waived by this. What says nothing new is not recorded
    again. Raises ``InvalidInput`` where a frame is out, or has no version of what is asked for now.
    """
    by = by and wording.said("--by", by)
    note = note and wording.said("--note", note)
    with Manifest.open(folder, write=True) as manifest:
        found = survey(folder, manifest, named)
        resolved = {frame.frame: frame for frame in found.frames}
        master = {action.frame: action for action in reversed(found.actions)}
        problems = []
        approved, already = {}, {}
        for name in sorted(found.demand.named):
            state, action = found.states[name], master[name]
            retouch = retouch_of(state.trips)
            if state.rating == REJECTED:
                problems.append(Problem(name, 0, "", "it is rejected", "another rating first"))
            elif retouch.out:
                sent = retouch.out.handoff
                out = f"it is with {sent.to} since {day_of(sent.at)} (round {sent.round})"
                problems.append(Problem(name, 0, "", out, "take it back or withdraw it first"))
            elif retouch.back and action.action == "stale":
                problems.append(Problem(name, 0, "", action.reason, f"safelight settle {name}"))
            elif action.action not in ("nothing", "wait") or action.version is None:
                none = "it has no version of what is asked for now; run it first"
                problems.append(Problem(name, 0, "", none, ""))
            else:
                handled = retouch.back.handled if retouch.back else ()
                waived = open_requests(resolved[name].retouch.requests, handled)
                word = Approval("", by, note, waived)
                if _is_said(word, action.version, state, manifest.events(name)):
                    already[name] = action.version
                else:
                    approved[name] = (action.version, waived)
        if problems:
            raise InvalidInput(problems)
        with manifest.transaction():
            for name, (number, waived) in approved.items():
                manifest.approve(name, number, by, note, waived)
    return Approved(approved, already)


def _is_said(word: Approval, version: int, state: FrameState, events: Sequence[Event]) -> bool:
    """Whether all of a word was the last that was said of a frame, and nothing reopened it since.

    One without a name or a note adds nothing to one that has them.
    """
    last = state.approval
    decided = [event.what for event in events if event.what in ("approved", "reopened")]
    if last is None or state.approved_version != version or decided[-1:] != ["approved"]:
        return False
    same = word.by in (None, last.by) and word.note in (None, last.note)
    return same and not open_requests(word.waived, last.waived)

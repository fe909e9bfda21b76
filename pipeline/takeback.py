"""Examines one returned file, in a worker, and carries a retouch onto a later look."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import SafelightError, UnreadableOriginal
from pipeline.rounds import (
    Candidate,
    Carried,
    CarryWork,
    Examination,
    ExamineWork,
    Finding,
    HowMatched,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def examine(work: ExamineWork) -> Examination:
    """What a returned file is, and what is to be said of it. Its path is only read."""
    from pipeline.hashing import digest_bytes

    path = work.path
    try:
        data = path.read_bytes()
    except OSError as error:
        refusal = Finding("refuse", "unreadable", f"it cannot be read: {error.strerror}")
        return Examination(path, None, None, None, None, None, findings=(refusal,))
    digest = digest_bytes(data)
    try:
        picture = _opened(data)
    except UnreadableOriginal as error:
        refusal = Finding("refuse", "unreadable", f"it cannot be read: {error}")
        return Examination(path, None, None, None, digest, len(data), findings=(refusal,))
    how, found = _matched(path, picture.xmp, work.candidates)
    if found is None:
        refusal = Finding("refuse", "unknown", "it belongs to no frame that was handed off")
        return Examination(path, None, None, None, digest, len(data), findings=(refusal,))
    findings = list(_findings(found, picture, work))
    figures: dict[str, float] = {}
    if not findings:
        figures = {"changed": _changed(work, found, picture.pixels)}
        if not figures["changed"]:
            findings.append(Finding("ask", "unchanged", "nothing was done to it"))
    findings += _doubts(found)
    return Examination(
        path,
        found.handoff.frame,
        found.handoff.round,
        how,
        digest,
        len(data),
        space=found.handoff.space,
        figures=figures,
        findings=tuple(findings),
    )


@dataclass(frozen=True, slots=True)
class _Opened:
    """A TIFF that can be read to its last strip: its first page, and what it says of itself."""

    pixels: NDArray[Any]
    profile: bytes | None
    xmp: bytes | None
    pages: int
    channels: int


def _opened(data: bytes) -> _Opened:
    """Raises ``UnreadableOriginal``."""
    from pipeline.files.picture import read_tiff
    from pipeline.files.returned import said_in
    from pipeline.kernels.orient import upright

    pixels, profile, orientation = read_tiff(data)
    xmp, pages, channels = said_in(data)
    return _Opened(upright(pixels, orientation), profile, xmp, pages, channels)


def _matched(
    path: Path, xmp: bytes | None, candidates: Sequence[Candidate]
) -> tuple[HowMatched | None, Candidate | None]:
    """The hand-off that a file answers: by what it says of itself, else by its name."""
    from pipeline.files.identity import identity_of

    said = identity_of(xmp) if xmp else None
    for candidate in candidates:
        if said and said.instance_id == candidate.handoff.instance_id:
            return "identity", candidate
    for candidate in candidates:
        if path.stem == Path(candidate.handoff.sent.path).stem:
            return "name", candidate
    return None, None


def _findings(candidate: Candidate, picture: _Opened, work: ExamineWork) -> Iterator[Finding]:
    """Why a file cannot be taken."""
    from pipeline.files.profile import profile_of

    sent, shape = candidate.handoff, picture.pixels.shape
    if shape[:2] != (sent.height, sent.width):
        found = f"it has {shape[1]} × {shape[0]} pixels, {sent.width} × {sent.height} were sent"
        yield Finding("refuse", "size", found)
    if picture.pixels.dtype.str[1:] != "u2":
        bits = 8 * picture.pixels.dtype.itemsize
        yield Finding("refuse", "depth", f"it has {bits} bits a channel, 16 were sent")
    if picture.channels != 3:
        found = f"it has {picture.channels} channels; three are taken, without transparency"
        yield Finding("refuse", "channels", found)
    if picture.pages > 1:
        yield Finding("refuse", "pages", f"it has {picture.pages} pages; flatten it to one")
    if picture.profile is None and work.assume != sent.space:
        found = f"it has no colour profile; --assume {sent.space} takes it as what was sent"
        yield Finding("refuse", "profile", found)
    if picture.profile is not None and picture.profile != profile_of(sent.space):
        found = f"its colour profile is another than that of {sent.space}, which was sent"
        yield Finding("refuse", "profile", found)


def _doubts(candidate: Candidate) -> Iterator[Finding]:
    """What a person must accept before a file counts."""
    number = candidate.handoff.round
    if candidate.stale:
        yield Finding("ask", "stale", f"{candidate.stale}, since it was sent")
    if candidate.status != "out":
        was = {
            "back": "came back already",
            "superseded": "was superseded",
            "withdrawn": "was withdrawn",
        }[candidate.status]
        yield Finding("ask", "round", f"nothing is waited for: round {number} {was}")


def _changed(work: ExamineWork, candidate: Candidate, pixels: NDArray[Any]) -> float:
    """The share of the pixels that are not what was sent."""
    from pipeline.files.returned import read_returned

    sent = candidate.handoff.sent
    before = read_returned(work.job / sent.path, sent.digest)
    return float((before != pixels).any(axis=2).mean())


def carry(work: CarryWork) -> Carried:
    """Transfer a retouch onto the frame as it would be sent now."""
    import numpy as np

    from pipeline.files.encode import png, tiff
    from pipeline.files.landing import land
    from pipeline.files.returned import read_returned
    from pipeline.work import developed

    pixels: NDArray[np.uint16] = developed(work.development, finish=False, space=work.space)
    for sent, returned in work.pairs:
        if sent.space != work.space or returned.space != work.space:
            raise SafelightError("what came back is in another colour space than what is sent now")
        before = read_returned(sent.path, sent.digest)
        after = read_returned(returned.path, returned.digest)
        changed = (before != after).any(axis=2)
        pixels[changed] = after[changed]
    file = land(work.folder / "carried.tif", tiff(pixels, work.space), work.job)
    small = pixels[:: max(1, pixels.shape[0] // 800), :: max(1, pixels.shape[1] // 800)] >> 8
    picture = land(work.folder / "carried.png", png(small.astype(np.uint8)), work.job)
    return Carried(work.frame, file, picture)

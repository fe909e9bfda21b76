"""Examines one returned file, in a worker, and carries a retouch onto a later look."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.errors import SafelightError, UnreadableOriginal
from pipeline.rounds import Candidate, Carried, CarryWork, Examination, ExamineWork, Finding

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def examine(work: ExamineWork) -> Examination:
    """What a returned file is, and what is to be said of it. Its path is only read."""
    from pipeline.files.picture import read_tiff
    from pipeline.hashing import digest_bytes

    path = work.path
    found = next((c for c in work.candidates if _stem(c) == path.stem), None)
    try:
        data = path.read_bytes()
        pixels, _, _ = read_tiff(data)
    except (OSError, UnreadableOriginal) as error:
        refusal = Finding("refuse", "unreadable", f"it cannot be read: {error}")
        return Examination(path, None, None, None, None, None, findings=(refusal,))
    digest = digest_bytes(data)
    if found is None:
        refusal = Finding("refuse", "unknown", "it belongs to no frame that was handed off")
        return Examination(path, None, None, None, digest, len(data), findings=(refusal,))
    sent = found.handoff
    return Examination(
        path,
        sent.frame,
        sent.round,
        "name",
        digest,
        len(data),
        space=sent.space,
        figures={"changed": 0.0},
        findings=tuple(_findings(found, pixels, digest)),
    )


def _stem(candidate: Candidate) -> str:
    return candidate.handoff.sent.path.rsplit("/", 1)[-1].removesuffix(".tif")


def _findings(candidate: Candidate, pixels: NDArray[Any], digest: str) -> list[Finding]:
    sent, status = candidate.handoff, candidate.status
    found = []
    if pixels.shape != (sent.height, sent.width, 3) or pixels.dtype.itemsize != 2:
        found.append(Finding("refuse", "size", "its size or depth is not what was sent"))
    if digest == sent.sent.digest:
        found.append(Finding("ask", "unchanged", "nothing was done to it"))
    if candidate.stale:
        found.append(Finding("ask", "stale", f"{candidate.stale}, since it was sent"))
    if status != "out":
        found.append(Finding("ask", "round", f"round {sent.round} is not waited for: {status}"))
    return found


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

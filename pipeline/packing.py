"""Packs one frame for a round, in a worker, and the round's request sheet."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from pipeline.records import Artifact
from pipeline.rounds import Packed, PackWork, SheetWork

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

PPI = 300
PACK_VERSION = 1
"""Of all that decides the bytes of what is sent and is no step."""


def pack(work: PackWork) -> Packed:
    """Make a frame's files. Raises ``SafelightError``."""
    from pipeline.files.encode import tiff
    from pipeline.files.landing import land

    pixels = _pixels(work)
    path = work.folder / f"{work.stem}.tif"
    sent = land(path, tiff(pixels, work.space, ppi=PPI), work.job)
    sums = {path.name: hashlib.sha256(path.read_bytes()).hexdigest()}
    return Packed(work.frame, sent, {}, (), sums, pixels.shape[1], pixels.shape[0])


def _pixels(work: PackWork) -> NDArray[np.uint16]:
    """What is sent: (height, width, 3) codes of the work's space."""
    from pipeline.files.encode import read_master
    from pipeline.files.returned import read_returned
    from pipeline.work import developed

    if work.base is not None and work.base.space == work.space:
        return read_returned(work.base.path, work.base.digest)
    if work.base is None and not work.finish and work.space == "romm-rgb":
        return read_master(work.job / work.master.path, work.master.digest)
    return developed(work.development, finish=False, space=work.space)


def write_sheets(work: SheetWork) -> tuple[Artifact, ...]:
    """Write the request sheet and the checksums."""
    from pipeline.files.landing import land

    sums = {name: sha for frame in work.frames for name, sha in frame.packed.sha256.items()}
    lines = [f"{work.job_name}, round {work.round.number}, for {work.round.to}"]
    for frame in work.frames:
        lines += ["", f"{frame.packed.frame} v{frame.version}"]
        lines += [
            f"{request.number}. {request.what}{' (must)' if request.must else ''}"
            for request in frame.requests
        ]
    text = "\n".join(lines) + "\n"
    sums["requests.txt"] = hashlib.sha256(text.encode()).hexdigest()
    listed = "".join(f"{sha}  {name}\n" for name, sha in sorted(sums.items()))
    return (
        land(work.folder / "requests.txt", text.encode(), work.job),
        land(work.folder / "SHA256SUMS", listed.encode(), work.job),
    )

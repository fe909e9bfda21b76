"""Reads every file again that the manifest knows by a digest; says what is not as recorded."""

from __future__ import annotations

import stat
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline.hashing import digest_file
from pipeline.manifest import Manifest
from pipeline.records import Artifact, FrameState, Handoff, Returned, Settled, Trip


@dataclass(frozen=True, slots=True)
class Finding:
    """One file that is not as recorded."""

    kind: str
    frame: str
    path: str
    what: str


def verify(
    folder: Path, progress: Callable[[int, int], None] = lambda _done, _of: None
) -> tuple[int, list[Finding]]:
    """Re-read and re-hash originals, masters, delivered files and all of the retouch rounds; how
    many, and what is wrong."""
    with Manifest.open(folder) as manifest:
        files = list(_recorded(manifest.frames()))
        files += [
            ("sheet", f"round {sent.number}", file.path, file.digest)
            for sent in manifest.rounds()
            for file in sent.files
        ]
    findings = []
    for count, (kind, frame, path, digest) in enumerate(files, 1):
        what = _wrong(folder / path, digest)
        if what:
            findings.append(Finding(kind, frame, path, what))
        progress(count, len(files))
    return len(files), findings


def _recorded(states: Mapping[str, FrameState]) -> Iterator[tuple[str, str, str, str]]:
    for state in states.values():
        yield "original", state.name, state.original.path, state.original.digest
        for version in state.versions:
            yield (
                f"master v{version.number}",
                state.name,
                version.master.path,
                version.master.digest,
            )
        for name, delivered in state.delivered.items():
            artifact = delivered.artifact
            yield f"delivery {name}", state.name, artifact.path, artifact.digest
        # a file may count twice: taken back once more, or carried onto one look twice
        kept = {(kind, file) for trip in state.trips for kind, file in _kept(trip)}
        for kind, file in sorted(kept, key=lambda each: (each[1].path, each[0])):
            yield kind, state.name, file.path, file.digest


def _kept(trip: Trip) -> Iterator[tuple[str, Artifact]]:
    """Every file that one trip to the retoucher left in the job, and what it is."""
    match trip:
        case Handoff():
            for file in (trip.sent, *trip.masks.values(), *trip.files):
                yield f"handed off in round {trip.round}", file
        case Returned():
            for each in (trip.file, trip.pixels, trip.picture):
                if each is not None:
                    yield f"taken back in round {trip.round}", each
        case Settled():
            for each in (trip.carried, trip.picture):
                if each is not None:
                    yield f"carried from round {trip.round}", each


def _wrong(path: Path, digest: str) -> str:
    try:
        if not stat.S_ISREG(path.lstat().st_mode):
            return "replaced by something that is no file of its own"
        found = digest_file(path)
    except FileNotFoundError:
        return "missing"
    except OSError as error:
        return f"cannot be read: {error.strerror}"
    return "" if found == digest else "its content is not what was recorded"

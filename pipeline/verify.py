"""Reads every file again that the manifest knows by a digest; says what is not as recorded."""

from __future__ import annotations

import stat
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline.files.bag import PAYLOAD, TAG_SUMS, examine, examine_zip, summed
from pipeline.hashing import digest_file
from pipeline.manifest import Manifest
from pipeline.parcel import FOLDER as PACKED
from pipeline.records import (
    Artifact,
    FrameState,
    Handoff,
    PackedBag,
    Returned,
    Settled,
    Trip,
)

PICTURES = (".tif", ".jpg", ".webp", ".avif", ".jxl")
"""Files that have a profile; PNGs of a round are masks and pictures to look at."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One file that is not as recorded."""

    kind: str
    frame: str
    path: str
    what: str


def verify(
    folder: Path,
    progress: Callable[[int, int], None] = lambda _done, _of: None,
    *,
    decode: bool = False,
) -> tuple[int, list[Finding]]:
    """Re-read and re-hash originals, what came along, masters, delivered files, all of the retouch
    rounds and all that was packed; how many files, and what is wrong.

    With ``decode``, every pixel of originals, masters, retouches and delivered files is decoded as
    well: that a file is as it was recorded does not say that a reader can open it.
    """
    with Manifest.open(folder) as manifest:
        files = list(_recorded(manifest.frames()))
        files += [
            (each.kind, each.frame or "", each.path, each.digest)
            for each in manifest.companions()
            if each.kind != "sidecar"  # it is written to when its frame is rated
        ]
        files += [
            ("sheet", f"round {sent.number}", file.path, file.digest)
            for sent in manifest.rounds()
            for file in sent.files
        ]
        bags = {bag.name: bag for bag in manifest.bags()}
    places = _packed(folder, bags)
    total = len(files) + sum(map(len, places.values()))
    findings = []
    for count, (kind, frame, path, digest) in enumerate(files, 1):
        what = _wrong(folder / path, digest)
        if decode and not what:
            what = _undecoded(folder / path, digest, kind)
        if what:
            findings.append(Finding(kind, frame, path, what))
        progress(count, total)
    read = len(files)
    for name, there in places.items():
        findings += _bag_findings(folder / PACKED, name, bags.get(name))
        read += len(there)
        if there:
            progress(read, total)
    return total, findings


def _packed(folder: Path, bags: Mapping[str, PackedBag]) -> dict[str, list[Path]]:
    """The files of every bag under ``packed/``, its ZIP among them, and of every recorded one."""
    names = set(bags)
    packed = folder / PACKED
    if packed.is_dir():
        names |= {path.name for path in packed.iterdir() if path.is_dir() and path.name[0] != "."}
    return {
        name: [
            path
            for path in (*(packed / name).rglob("*"), packed / f"{name}.zip")
            if path.is_file() and not path.is_symlink()
        ]
        for name in sorted(names)
    }


def _bag_findings(packed: Path, name: str, recorded: PackedBag | None) -> Iterator[Finding]:
    """What is wrong with a bag in itself, with what was recorded of it, and with its ZIP."""
    bag, archive = packed / name, packed / f"{name}.zip"
    frames = {f"{PAYLOAD}/{file.file}": file.frame for file in recorded.files} if recorded else {}
    whose = recorded.delivery if recorded else name
    if not bag.is_dir() or bag.is_symlink():
        yield Finding("bag", whose, f"{PACKED}/{name}", "missing")
        return
    if recorded is None:
        yield Finding("bag", whose, f"{PACKED}/{name}", "no packing of this job made it")
    flaws = examine(bag).flaws
    for flaw in flaws:
        frame = frames.get(flaw.path, whose)
        yield Finding("bag", frame, f"{PACKED}/{name}/{flaw.path}", flaw.what)
    if recorded and not flaws:
        with (bag / TAG_SUMS).open("rb") as stream:
            if summed(stream, {"sha256"})["sha256"] != recorded.sha256:
                what = "it agrees with itself, and is not the bag that was packed"
                yield Finding("bag", whose, f"{PACKED}/{name}", what)
    if archive.exists():
        for flaw in examine_zip(archive, bag):
            yield Finding("bag", whose, f"{PACKED}/{archive.name}", str(flaw))


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


def _undecoded(path: Path, digest: str, kind: str) -> str:
    """Why a picture cannot be decoded to its last pixel, or has no profile; empty where it can."""
    from pipeline.errors import UnreadableOriginal
    from pipeline.files.proofread import CannotMeasure, read_back
    from pipeline.files.raw import open_original

    try:
        if kind in ("original", "jpeg"):  # from a camera, without a profile
            source = open_original(path, digest)
            source.window(0, source.height, 0, source.width)
        elif path.suffix in PICTURES and "_mask-" not in path.name:
            read_back(path).codes(slice(None), slice(None))
    except (CannotMeasure, UnreadableOriginal) as error:
        return f"it cannot be decoded: {error}"
    return ""


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

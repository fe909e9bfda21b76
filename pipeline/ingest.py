"""Takes originals into a job and into its manifest, with what the camera noted of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.bursts import bursts_of
from pipeline.errors import CannotWrite, InvalidInput, Problem, SafelightError
from pipeline.manifest import Manifest, NoManifest
from pipeline.records import FrameState, Original
from pipeline.survey import read_job

if TYPE_CHECKING:
    from pipeline.files.metadata import MetadataWriter

ORIGINALS = "originals"
NOT_A_SOURCE = ("masters", "deliveries", "reports", "retouch", "masks")
"""What a job keeps pictures in that are no originals."""


@dataclass(slots=True)
class Ingested:
    """What came in: frames that are new, frames that the job had, and what failed and why."""

    new: list[FrameState] = field(default_factory=list)
    known: list[str] = field(default_factory=list)
    failed: dict[str, str] = field(default_factory=dict)

    @property
    def exit_code(self) -> int:
        """1 where something did not come in."""
        return 1 if self.failed else 0


def ingest(
    folder: Path,
    sources: Sequence[Path],
    progress: Callable[[int, int], None] = lambda _done, _of: None,
) -> Ingested:
    """Copy originals into the job, each copy proven, and note them with their capture data.

    Without ``sources`` the folder that ``originals:`` in job.yaml names is taken note of in place.
    What fails is named and the rest goes on; every frame is in the manifest as soon as its copy is
    proven. Raises ``InvalidInput`` for a source that is not there, ``JobBusy``, ``ToolMissing``.
    """
    from pipeline.files.landing import sweep
    from pipeline.files.metadata import MetadataWriter
    from pipeline.files.originals import Intake, find_originals, shown

    job = read_job(folder)
    in_place = not sources
    if in_place:
        if job.file.originals is None:
            found = "no source to ingest, and job.yaml names no originals"
            raise InvalidInput([Problem("ingest", 0, "", found, "a card, a folder, or files")])
        sources = [folder / Path(job.file.originals).expanduser()]
    ours = NOT_A_SOURCE if in_place else (*NOT_A_SOURCE, ORIGINALS)
    own = [(folder / name).resolve() for name in ours]
    paths = [
        path
        for path in find_originals(sources)
        if not any(path.resolve().is_relative_to(kept) for kept in own)
    ]
    if not paths:
        where = ", ".join(shown(source) for source in sources)
        raise InvalidInput([Problem(where, 0, "", "no raw, JPEG or TIFF files to take in", "")])
    done = Ingested()
    with _writing(folder) as manifest, MetadataWriter() as exiftool:
        sweep(folder / ORIGINALS, folder)
        states = manifest.frames()
        intake = Intake(folder, {name: state.original for name, state in states.items()})
        fresh: list[tuple[str, Original]] = []
        try:
            for count, path in enumerate(paths, 1):
                try:
                    taken = intake.register(path) if in_place else intake.copy(path, ORIGINALS)
                except CannotWrite:
                    raise  # a disk that refuses one copy refuses the next
                except SafelightError as error:
                    done.failed[shown(path)] = str(error)
                else:
                    if taken.new:
                        fresh.append((taken.frame, taken.original))
                    else:
                        done.known.append(taken.frame)
                progress(count, len(paths))
                if len(fresh) == BATCH:
                    _note(folder, manifest, exiftool, fresh, done)
                    fresh = []
        finally:  # a full disk and Ctrl-C too: what is in, stays in
            _note(folder, manifest, exiftool, fresh, done)
        _group_bursts(manifest)
    return done


BATCH = 32
"""Frames whose capture data is read in one call, and recorded in one transaction."""


def _writing(folder: Path) -> Manifest:
    try:
        return Manifest.open(folder, write=True)
    except NoManifest:
        return Manifest.create(folder)


def _note(
    folder: Path,
    manifest: Manifest,
    exiftool: MetadataWriter,
    fresh: list[tuple[str, Original]],
    done: Ingested,
) -> None:
    if not fresh:
        return
    captures = exiftool.read_capture([folder / original.path for _, original in fresh])
    frames = [
        FrameState(name, replace(original, capture=capture))
        for (name, original), capture in zip(fresh, captures, strict=True)
    ]
    manifest.add_frames(frames)
    done.new += frames


def _group_bursts(manifest: Manifest) -> None:
    """Bursts over the whole job: a card that comes in later may belong to one."""
    states = manifest.frames()
    bursts = bursts_of([(name, state.original.capture) for name, state in states.items()])
    with manifest.transaction():
        for name, state in states.items():
            if bursts.get(name) != state.burst:
                manifest.set_burst(name, bursts.get(name))

"""Takes originals into a job and into its manifest, with what the camera noted of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from pipeline import __version__, clocks
from pipeline.bursts import bursts_of
from pipeline.custody import LOG, MAY_CHANGE, add_to_log, list_hashes
from pipeline.errors import (
    CannotWrite,
    InvalidInput,
    NotAsRecorded,
    Problem,
    SafelightError,
    printable,
)
from pipeline.job import Job
from pipeline.manifest import Manifest, NoManifest
from pipeline.records import Companion, CompanionKind, FrameState, Original
from pipeline.survey import read_job

if TYPE_CHECKING:
    from pipeline.files.card import Found, Shot
    from pipeline.files.copying import ReadBack, Sums
    from pipeline.files.metadata import MetadataWriter
    from pipeline.files.originals import Intake
    from pipeline.files.second_copy import SecondCopy

T = TypeVar("T")

ORIGINALS = "originals"
NOT_A_SOURCE = ("masters", "deliveries", "reports", "retouch", "masks", "packed", "set-aside")
"""What a job keeps pictures in that are no originals."""

READ_BACK: dict[ReadBack, str] = {
    "direct": "read back past the system's page cache (O_DIRECT)",
    "dropped": "read back after the system was told to drop them from its page cache",
    "cached": "read back; this system cannot be told to pass over its page cache",
}


@dataclass(slots=True)
class Ingested:
    """What came in: frames that are new, frames that the job had, and what failed and why.

    ``renamed`` are new frames that could not have their files' names, by those; ``moved`` are
    frames that were noted elsewhere, where they are no more, and ``again`` had lost their copies.
    ``along`` are JPEGs, sidecars and movies that are new, ``left`` what stayed where it was and
    why, ``notes`` sentences for a person, ``proof`` how copies were read back. ``not_twice`` is
    what the second copy lacks, and ``refusal`` why.
    """

    new: list[FrameState] = field(default_factory=list)
    known: list[str] = field(default_factory=list)
    renamed: dict[str, str] = field(default_factory=dict)
    moved: list[str] = field(default_factory=list)
    again: list[str] = field(default_factory=list)
    failed: dict[str, str] = field(default_factory=dict)
    along: list[Companion] = field(default_factory=list)
    left: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    proof: list[str] = field(default_factory=list)
    copied_twice: int = 0
    not_twice: list[str] = field(default_factory=list)
    refusal: str | None = None

    @property
    def exit_code(self) -> int:
        """1 where something did not come in, or not twice where that was asked for."""
        return 1 if self.failed or self.refusal or self.not_twice else 0


def ingest(
    folder: Path,
    sources: Sequence[Path],
    progress: Callable[[int, int], None] = lambda _done, _of: None,
    *,
    second_copy: Path | None = None,
    link: bool = False,
) -> Ingested:
    """Copy originals into the job, each copy proven, and note them with their capture data.

    With ``link`` they stay where they are and are taken note of, and so is, without ``sources``,
    the folder that ``originals:`` in job.yaml names. ``second_copy`` is a folder that gets every
    file too. What fails is named and the rest goes on; every frame is in the manifest as soon as
    its copy is proven. Raises ``InvalidInput`` for a source that is not there, ``JobBusy``,
    ``ToolMissing``, and ``CannotWrite`` where the job's disk refuses a copy.
    """
    from pipeline.files.card import look_through
    from pipeline.files.copying import shown
    from pipeline.files.landing import sweep
    from pipeline.files.metadata import MetadataWriter
    from pipeline.files.originals import Intake

    job = read_job(folder)
    in_place = link or not sources
    if not sources:
        if job.file.originals is None or link:
            found = "no source to ingest" if link else NO_SOURCE
            raise InvalidInput([Problem("ingest", 0, "", found, "a card, a folder, or files")])
        sources = [folder / Path(job.file.originals).expanduser()]
    ours = NOT_A_SOURCE if in_place else (*NOT_A_SOURCE, ORIGINALS)
    card = look_through(sources, [(folder / name).resolve() for name in ours])
    if not card.files and not card.failed:
        where = ", ".join(shown(source) for source in sources)
        nothing = "no raw, JPEG or TIFF files to take in"
        raise InvalidInput([Problem(where, 0, "", nothing, "")])
    done = Ingested(
        failed={shown(path): reason for path, reason in card.failed.items()},
        left={shown(path): reason for path, reason in card.left.items()},
    )
    second = _second(folder, sources, second_copy, in_place, done)
    with _writing(folder) as manifest, MetadataWriter() as exiftool, second as twice:
        sweep(folder / ORIGINALS, folder)
        states = manifest.frames()
        originals = {name: state.original for name, state in states.items()}
        intake = Intake(folder, originals, manifest.companions(), twice)
        taking = _Taking(job, manifest, exiftool, intake, done, in_place, progress, card.files)
        taking.ratings = {name: state.rating for name, state in states.items()}
        try:
            taking.take_all(card)
        except BaseException as error:  # a full disk and Ctrl-C too: what is in, stays in
            taking.note()
            safe = taking.count - (len(done.failed) - len(card.failed))
            with suppress(SafelightError):
                taking.close(sources, twice, in_haste=True)
            if isinstance(error, CannotWrite):
                of = f"{safe} of {taking.total} files are in the job"
                raise CannotWrite(f"{error}; {of}, the others are only where they were") from error
            raise
        taking.note()
        done.notes += _uncorrected(done)
        _group_bursts(job, manifest, done)
        taking.close(sources, twice)
    return done


def _uncorrected(done: Ingested) -> list[str]:
    """A note on frames that ask for corrections that nobody does here."""
    frames = [frame.name for frame in done.new if frame.original.capture.opcodes]
    if not frames:
        return []
    more = f" and {len(frames) - 1} more" if len(frames) > 1 else ""
    return [
        f"{frames[0]}{more}: what the camera noted to correct its lens or sensor by (opcodes of a "
        "DNG) is not applied; distortion and falling light stay as they are."
    ]


NO_SOURCE = "no source to ingest, and job.yaml names no originals"
BATCH = 32
"""Frames whose capture data is read in one call, and recorded in one transaction."""


def _second(
    folder: Path, sources: Sequence[Path], second: Path | None, in_place: bool, done: Ingested
) -> AbstractContextManager[SecondCopy | None]:
    from pipeline.files.copying import shown
    from pipeline.files.second_copy import SecondCopy

    if second is None:
        return nullcontext()
    real, found = second.resolve(), ""
    if in_place:
        found = "a second copy, and no first one: the originals stay where they are"
    elif real.is_relative_to(folder.resolve()) or folder.resolve().is_relative_to(real):
        found = f"{shown(second)}, which is the job's own folder, in it, or around it"
    elif any(real.is_relative_to(source.resolve()) for source in sources):
        found = f"{shown(second)}, which is in a source"
    if found:
        allowed = "a folder on another disk"
        raise InvalidInput([Problem("ingest", 0, "--second-copy", found, allowed)])
    with suppress(OSError):
        if second.stat().st_dev == folder.stat().st_dev:
            done.notes.append(f"{shown(second)} is on the same disk as the job.")
    return SecondCopy(second)


def _writing(folder: Path) -> Manifest:
    try:
        return Manifest.open(folder, write=True)
    except NoManifest:
        return Manifest.create(folder)


@dataclass(slots=True)
class _Fresh:
    """What is proven and not recorded yet: a frame that is new, or what came along with one."""

    frame: str | None
    original: Original | None = None
    along: list[Companion] = field(default_factory=list)


@dataclass(slots=True)
class _Taking:
    """One ingest on its way; ``ratings`` are those of the job's frames, ``log`` its lines."""

    job: Job
    manifest: Manifest
    exiftool: MetadataWriter
    intake: Intake
    done: Ingested
    in_place: bool
    progress: Callable[[int, int], None]
    total: int
    ratings: dict[str, int] = field(default_factory=dict)
    log: list[str] = field(default_factory=list)
    fresh: list[_Fresh] = field(default_factory=list)
    away: list[str] = field(default_factory=list)
    count: int = 0

    def take_all(self, card: Found) -> None:
        """Every shot and movie, recorded in batches."""
        for shot in card.shots:
            self._take(shot)
            if sum(1 + len(each.along) for each in self.fresh) >= BATCH:
                self.note()
        for movie in card.movies:
            self._movie(movie)
            if len(self.fresh) >= BATCH:
                self.note()
        if self.away:
            more = f" and {len(self.away) - 1} more" if len(self.away) > 1 else ""
            self.done.notes.append(
                f"{self.away[0]}{more}: noted where it lay, which is gone; ingest --link notes"
                " where it is now."
            )

    def _take(self, shot: Shot) -> None:
        """A picture and what belongs to it; where the raw fails, its JPEG becomes the frame."""
        rest = list(shot.companions)
        for picture in (shot.picture, *(path for path, kind in shot.companions if kind == "jpeg")):
            rest = [each for each in rest if each[0] != picture]
            fresh = self._attempt(picture, self._picture)
            if fresh is not None:
                if picture != shot.picture:
                    raw = printable(shot.picture.name)
                    self.done.notes.append(
                        f"{fresh.frame}: its JPEG is the frame, for {raw} failed."
                    )
                for path, kind in rest:
                    self._take_along(path, kind, fresh)
                if fresh.original or fresh.along:
                    self.fresh.append(fresh)
                return
        for path, _ in rest:
            self._fail(path, "its picture could not be taken in")
            self._counted()

    def _picture(self, path: Path) -> _Fresh:
        from pipeline.files.copying import shown

        taken = self.intake.register(path) if self.in_place else self.intake.copy(path, ORIGINALS)
        self._say(path, taken.original, taken.new)
        if not taken.new:
            self.done.known.append(taken.frame)
        elif taken.frame != path.stem:
            self.done.renamed[shown(path)] = taken.frame
        if taken.moved:
            self.manifest.move_original(taken.frame, taken.original.path)
            self.done.moved.append(taken.frame)
        if taken.again:
            self.done.again.append(taken.frame)
        if taken.away:
            self.away.append(taken.frame)
        return _Fresh(taken.frame, taken.original if taken.new else None)

    def _take_along(self, path: Path, kind: CompanionKind, fresh: _Fresh) -> None:
        take = self.intake.register_along if self.in_place else self.intake.copy_along
        came = self._attempt(path, lambda source: take(source, kind, fresh.frame))
        if came is not None:
            self._say(path, came.companion, came.new)
            if came.before is not None:
                self.manifest.move_companion(came.before, came.companion.path)
            if came.new:
                fresh.along.append(came.companion)

    def _movie(self, path: Path) -> None:
        fresh = _Fresh(None)
        self._take_along(path, "movie", fresh)
        if fresh.along:
            self.fresh.append(fresh)

    def _attempt(self, path: Path, take: Callable[[Path], T]) -> T | None:
        taken = None
        try:
            taken = take(path)
        except CannotWrite:
            raise  # a disk that refuses one copy refuses the next
        except SafelightError as error:
            self._fail(path, str(error))
        self._counted()
        return taken

    def _counted(self) -> None:
        self.count += 1
        self.progress(self.count, self.total)

    def _fail(self, path: Path, reason: str) -> None:
        from pipeline.files.copying import shown

        self.done.failed[shown(path)] = reason

    def _say(self, source: Path, file: Original | Companion, new: bool) -> None:
        from pipeline.files.copying import shown

        sums = self.intake.sums.get(file.path)
        hashes = f"  xxh128:{sums.xxh128}" if sums else ""
        what = "taken in" if new else "known   "
        size = f"{file.size_bytes} bytes"
        self.log.append(f"  {what}  {file.path}  {size}  {file.digest}{hashes}  {shown(source)}")

    def note(self) -> None:
        """Record what is proven, with what the camera noted and the ratings that came with it."""
        fresh, self.fresh = self.fresh, []
        if not fresh:
            return
        files = [
            file
            for each in fresh
            for file in ((each.original,) if each.original else ()) + tuple(each.along)
            if not (isinstance(file, Companion) and file.kind == "movie")
        ]
        paths = [self.job.folder / file.path for file in files]
        read = dict(zip((f.path for f in files), self.exiftool.read_capture(paths), strict=True))
        frames = [
            FrameState(each.frame, replace(each.original, capture=read[each.original.path]))
            for each in fresh
            if each.frame is not None and each.original
        ]
        along = [companion for each in fresh for companion in each.along]
        self._look_whether_whole(files)
        with self.manifest.transaction():
            self.manifest.add_frames(frames)
            self.manifest.add_companions(along)
            for each in fresh:
                if each.frame is not None:
                    said = [
                        _Said(self._time(file.path), file, read[file.path].rating)
                        for file in (*((each.original,) if each.original else ()), *each.along)
                    ]
                    self._rate(each.frame, said, new=each.original is not None)
        self.done.new += [replace(each, rating=self.ratings[each.name]) for each in frames]
        self.done.along += along

    def _look_whether_whole(self, files: Iterable[Original | Companion]) -> None:
        from pipeline.files.wholeness import is_cut_short

        for file in files:
            with suppress(OSError):  # a link whose card was pulled meanwhile
                if is_cut_short(self.job.folder / file.path):
                    said = "it is cut short, and was taken in as it is; look at the card again"
                    self.done.notes.append(f"{Path(file.path).name}: {said}.")

    def _time(self, path: str) -> int:
        try:
            return (self.job.folder / path).stat().st_mtime_ns
        except OSError:
            return 0

    def _rate(self, frame: str, all_said: Sequence[_Said], *, new: bool) -> None:
        """Take in what the files of a frame say of its rating; of several, the latest file's."""
        before = self.ratings.setdefault(frame, 0)
        said = sorted((each for each in all_said if each.counts), key=_Said.order)
        if not said:
            return
        latest = said[-1]
        assert latest.rating is not None
        if len({each.rating for each in said}) > 1:
            words = ", ".join(f"{each.rating} in {each.where}" for each in said)
            counts = f"the later, {latest.rating}, counts"
            self.done.notes.append(f"{frame}: rated {words}; {counts}.")
        if not new and before and before != latest.rating:
            late = f"{latest.where} says {latest.rating}"
            self.done.notes.append(f"{frame}: {late}; the job's own rating, {before}, stays.")
        elif before != latest.rating:
            self.manifest.rate(frame, latest.rating, source=latest.where)
            self.ratings[frame] = latest.rating

    def close(
        self, sources: Sequence[Path], twice: SecondCopy | None, *, in_haste: bool = False
    ) -> None:
        """Write hash lists and logs, and note in the manifest how things were copied.

        ``in_haste``, because something broke: what would have to be read again is left to the next
        run. What cannot be written is named among what failed.
        """
        from pipeline.files.copying import shown

        if self.in_place:
            return
        done, intake = self.done, self.intake
        done.proof = [READ_BACK[how] for how in sorted(intake.read_back)]
        if twice is not None:
            done.copied_twice = len(twice.names)
            done.not_twice = [shown(path) for path in twice.missing]
            done.refusal = twice.refusal
        copied = {Path(path).name: sums for path, sums in intake.sums.items()}
        recorded = self._copies()
        if in_haste:
            recorded = {name: digest for name, digest in recorded.items() if name in copied}
        self._attest(self.job.folder / ORIGINALS, recorded, copied, MAY_CHANGE, sources)
        if twice is not None:
            names = {name: sums.digest for name, sums in twice.names.items()}
            self._attest(twice.folder, names, twice.names, (LOG,), sources)
        if copied or (twice and twice.names):
            self.manifest.note_copies(
                {
                    "sources": [shown(source) for source in sources],
                    "read_back": sorted(intake.read_back),
                    "second_copy": shown(twice.folder.resolve()) if twice else None,
                    "refusal": done.refusal,
                }
            )

    def _copies(self) -> dict[str, str]:
        """The digests of all copies that nobody writes to, by their names among the originals."""
        files = {
            state.original.path: state.original.digest for state in self.manifest.frames().values()
        }
        files |= {
            each.path: each.digest for each in self.manifest.companions() if each.kind != "sidecar"
        }
        copies = {Path(path): digest for path, digest in files.items()}
        return {p.name: digest for p, digest in copies.items() if p.parent == Path(ORIGINALS)}

    def _attest(
        self,
        folder: Path,
        recorded: dict[str, str],
        copied: dict[str, Sums],
        may_change: Sequence[str],
        sources: Sequence[Path],
    ) -> None:
        from pipeline.files.copying import shown

        if not folder.is_dir():
            return
        done = self.done
        try:
            wrong = list_hashes(folder, recorded, copied, may_change)
            done.failed |= {shown(folder / name): reason for name, reason in wrong.items()}
            add_to_log(folder, self._log_lines(sources))
        except (CannotWrite, NotAsRecorded) as error:
            done.failed[shown(folder)] = str(error)

    def _log_lines(self, sources: Sequence[Path]) -> Iterable[str]:
        from pipeline.files.copying import shown

        done = self.done
        at = datetime.now(UTC).isoformat(timespec="seconds")
        yield f"{at}  Safelight {__version__}, from {', '.join(map(shown, sources))}"
        yield from self.log
        yield from (f"  failed    {name}: {reason}" for name, reason in done.failed.items())
        yield from (f"  left      {name}: {reason}" for name, reason in done.left.items())
        yield from (f"  note      {note}" for note in done.notes)
        yield from (f"  copies    {proof}" for proof in done.proof)
        if done.refusal:
            yield f"  failed    {done.refusal}"
        yield from (f"  not in the second copy  {name}" for name in done.not_twice)


@dataclass(frozen=True, slots=True)
class _Said:
    """A rating in a file that came in at a time (ns); None where it says nothing."""

    modified_ns: int
    file: Original | Companion
    rating: int | None

    @property
    def counts(self) -> bool:
        """Cameras write 0 into every picture; in a sidecar, it is a person's word."""
        return self.rating is not None and (bool(self.rating) or self._rank == 2)

    @property
    def where(self) -> str:
        """The file's name."""
        return Path(self.file.path).name

    @property
    def _rank(self) -> int:
        if isinstance(self.file, Original):
            return 0
        return 2 if self.file.kind == "sidecar" else 1

    def order(self) -> tuple[int, int, str]:
        """By time; of one time, a sidecar after the pictures."""
        return self.modified_ns, self._rank, self.file.path


def _group_bursts(job: Job, manifest: Manifest, done: Ingested) -> None:
    """Bursts over the whole job: a card that comes in later may belong to one."""
    states = manifest.frames()
    captures = [state.original.capture for state in states.values()]
    for name, bodies in clocks.unknown(job.file.clocks, captures).items():
        done.notes.append(f"clocks in job.yaml: no frame is by {name}; there are {bodies}.")
    on_time = clocks.on_time(states, job.file.clocks)
    bursts = bursts_of([(name, state.original.capture) for name, state in on_time.items()])
    with manifest.transaction():
        for name, state in states.items():
            if bursts.get(name) != state.burst:
                manifest.set_burst(name, bursts.get(name))

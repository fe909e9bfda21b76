"""Takes originals into a job: the verified copy, or a digest of what stays where it is.

A source is only ever opened for reading. Knows nothing of cards, of the manifest, or of what the
pictures show; whoever calls it records what it returns.
"""

from __future__ import annotations

import errno
import os
import re
import stat
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.errors import CannotWrite, NotAsRecorded, UnreadableOriginal
from pipeline.files.copying import (
    READ_ONLY,
    ReadBack,
    Sums,
    assert_holds,
    assert_unchanged,
    digest_of,
    move_without_clobbering,
    new_part,
    open_source,
    opened,
    read_back,
    shown,
    unreadable,
    write_copy,
    writing,
)
from pipeline.files.landing import REASONS, flush_folder
from pipeline.files.second_copy import SecondCopy
from pipeline.hashing import digest_bytes
from pipeline.records import Companion, CompanionKind, Original

# fmt: off
RAW_SUFFIXES = frozenset((
    ".dng", ".3fr", ".arw", ".cr2", ".cr3", ".crw", ".dcr", ".erf", ".fff", ".iiq", ".kdc", ".mef",
    ".mos", ".mrw", ".nef", ".nrw", ".orf", ".pef", ".raf", ".raw", ".rw2", ".rwl", ".sr2", ".srf",
    ".srw", ".x3f",
))
# fmt: on
"""Common practice, no source: the file name suffixes under which cameras write raw files."""

PICTURE_SUFFIXES = frozenset({".jpg", ".jpeg", ".tif", ".tiff"})

RESTORE = "safelight ingest a good copy, from the card or the second copy"

MOST_BYTES = 4 << 30
"""Of an original that is developed: it is held in memory."""

MOST_NAME_BYTES = 180
"""Of a frame's name in UTF-8. File systems allow 255 for what is later made of it."""

RESERVED = frozenset(
    ["con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))]
)
"""Names that Windows keeps for devices, with any suffix (Microsoft, "Naming Files, Paths, and
Namespaces"; from memory). A delivery made here may be unpacked there."""

PLAIN_MARKS = frozenset(" -_.+()@=")
"""The ASCII marks that mean nothing to a shell, a glob, a template or a file system."""


@dataclass(frozen=True, slots=True)
class TakenIn:
    """An original and the frame that it is. ``new`` is False where the job had its content.

    ``moved`` says that it lies elsewhere than where it was noted, and ``away`` that it was noted
    where it is no more, and is not noted anew; ``again`` that its copy was gone and is made again.
    """

    frame: str
    original: Original
    new: bool
    moved: bool = False
    away: bool = False
    again: bool = False


@dataclass(frozen=True, slots=True)
class CameAlong:
    """A file that becomes no frame. ``new`` is False where the job had it with its frame.

    ``before`` is the path under which it was noted, where that is another.
    """

    companion: Companion
    new: bool
    before: str | None = None


@dataclass(frozen=True, slots=True)
class _Brought:
    path: Path
    digest: str
    size_bytes: int
    new: bool
    again: bool = False


class Intake:
    """Takes files into one job, one after the other, and never the same content twice.

    ``frames`` is what the job already has, by frame name, and ``companions`` what came along. A
    copy that is gone is made again from a source with its content, under its old name. What is
    copied goes to ``second`` too. ``sums`` are of the copies made, by their paths in the job, and
    ``read_back`` is how they were proven. The caller holds the job's lock.
    """

    def __init__(
        self,
        job: Path,
        frames: Mapping[str, Original],
        companions: Iterable[Companion] = (),
        second: SecondCopy | None = None,
    ) -> None:
        self._job = job.resolve()
        self._by_digest = {original.digest: name for name, original in frames.items()}
        self._originals = dict(frames)
        self._names = {twin(name) for name in frames}
        self._hints = {_hint(name, original.size_bytes) for name, original in frames.items()}
        self._companions = {_identity(each): each for each in companions}
        self._paths = {original.path for original in frames.values()}
        self._paths |= {companion.path for companion in self._companions.values()}
        self._second = second
        self.sums: dict[str, Sums] = {}
        self.read_back: set[ReadBack] = set()

    def copy(self, source: Path, folder: str = "originals") -> TakenIn:
        """Copy a file into the job's folder and prove the copy against what was read.

        The copy is written under a temporary name while the source is read, flushed, read back from
        the disk where the system allows to bypass its cache, compared, made read-only, and only
        then given its name; it never replaces a file. Raises ``UnreadableOriginal`` where the
        source is no picture by its name, cannot be read, is empty or changes meanwhile, and
        ``CannotWrite`` where the copy cannot be made or does not hold what was read; nothing is
        left behind then.
        """
        _assert_original(source)
        into = self._folder(folder)

        def likely(size_bytes: int) -> bool:
            return _hint(frame_name(source.stem), size_bytes) in self._hints

        names = (into / (frame + source.suffix) for frame in self._free_names(source))
        brought = self._bring(source, into, names, self._path_of, likely)
        if not brought.new:
            known = self._known(brought.digest)
            away = self._is_away(known.original.path)
            return replace(known, away=away, again=brought.again)
        frame = brought.path.name.removesuffix(source.suffix)
        path = brought.path.relative_to(self._job).as_posix()
        return self._take(frame, Original(path, brought.digest, brought.size_bytes))

    def copy_along(
        self,
        source: Path,
        kind: CompanionKind,
        frame: str | None = None,
        folder: str = "originals",
    ) -> CameAlong:
        """Copy, as ``copy`` does, what becomes no frame: a movie, or what belongs to ``frame``."""
        into = self._folder(folder)
        stem = frame_name(source.stem) if frame is None else frame

        def likely(size_bytes: int) -> bool:
            sizes = {each.size_bytes for each in self._companions.values() if each.frame == frame}
            return size_bytes in sizes

        def known(digest: str) -> str | None:
            companion = self._companions.get((kind, frame, digest))
            return companion.path if companion else None

        # a rating is written to the sidecar that ends in .xmp
        suffix = source.suffix.lower() if kind == "sidecar" else source.suffix
        names = (into / (name + suffix) for name in _numbered(stem))
        brought = self._bring(source, into, names, known, likely)
        if not brought.new:
            return CameAlong(self._companions[kind, frame, brought.digest], new=False)
        path = brought.path.relative_to(self._job).as_posix()
        return self._noted(Companion(path, brought.digest, brought.size_bytes, kind, frame))

    def register(self, source: Path) -> TakenIn:
        """Take note of a file that stays where it is; raises ``UnreadableOriginal`` as ``copy``.

        What was noted elsewhere, where it is no more, is noted anew: its disk may have come back
        under another name.
        """
        _assert_original(source)
        path, digest, size_bytes = self._where_it_is(source)
        if digest in self._by_digest:
            known = self._known(digest)
            if not self._is_away(known.original.path) or path in self._paths:
                return known
            self._paths.add(path)
            self._originals[known.frame] = moved = replace(known.original, path=path)
            return TakenIn(known.frame, moved, new=False, moved=True)
        frame = next(self._free_names(source))
        return self._take(frame, Original(path, digest, size_bytes))

    def register_along(
        self, source: Path, kind: CompanionKind, frame: str | None = None
    ) -> CameAlong:
        """Take note, as ``register`` does, of what becomes no frame."""
        path, digest, size_bytes = self._where_it_is(source)
        if known := self._companions.get((kind, frame, digest)):
            if not self._is_away(known.path) or path in self._paths:
                return CameAlong(known, new=False)
            self._paths.add(path)
            moved = self._noted(replace(known, path=path))
            return replace(moved, new=False, before=known.path)
        return self._noted(Companion(path, digest, size_bytes, kind, frame))

    def _bring(
        self,
        source: Path,
        into: Path,
        names: Iterator[Path],
        known: Callable[[str], str | None],
        likely: Callable[[int], bool],
    ) -> _Brought:
        """Copy unless the job has it: ``known`` gives the path that content has in the job.

        ``likely`` only saves the writing of what is probably there, by its size; content decides.
        """
        with open_source(source) as (stream, before):
            if likely(before.st_size):
                digest = digest_of(stream, source)
                path = known(digest)
                if path is not None and not self._is_lost(path):
                    assert_unchanged(source, stream, before)
                    if self._second:
                        self._second.ensure(source, stream, Path(path).name, digest)
                    return _Brought(self._job / path, digest, before.st_size, new=False)
                stream.seek(0)
            part = new_part(into)
            also = self._second.begin(source) if self._second else None
            try:
                sums = write_copy(source, stream, part, before, also)
                assert_unchanged(source, stream, before)
                path = known(sums.digest)
                lost = path is not None and self._is_lost(path)
                if path is None or lost:
                    self.read_back.add(assert_holds(part, sums.digest, source))
                if path is None:
                    final = self._publish(part, names, sums.digest)
                else:
                    final = self._job / path
                    if lost:
                        self._publish(part, iter([final]), sums.digest)
                if self._second:
                    self._second.place(also, final.name, sums)
            finally:
                with suppress(OSError):  # gone, or on a disk that just became read-only
                    part.unlink()
                if also:
                    also.discard()
        if final.is_relative_to(self._job):
            self.sums[final.relative_to(self._job).as_posix()] = sums
        return _Brought(final, sums.digest, sums.size_bytes, new=path is None, again=lost)

    def _where_it_is(self, source: Path) -> tuple[str, str, int]:
        """The path to note, the digest and the size of a file that stays where it is."""
        real = source.resolve()
        try:
            str(real).encode()
        except UnicodeEncodeError:
            raise UnreadableOriginal(
                f"{shown(source)}: its path is not UTF-8 text, so it cannot be noted; copy it in"
            ) from None
        with open_source(real) as (stream, before):
            digest = digest_of(stream, source)
            assert_unchanged(real, stream, before)
        path = real.relative_to(self._job) if real.is_relative_to(self._job) else real
        return path.as_posix(), digest, before.st_size

    def _known(self, digest: str) -> TakenIn:
        name = self._by_digest[digest]
        return TakenIn(name, self._originals[name], new=False)

    def _path_of(self, digest: str) -> str | None:
        frame = self._by_digest.get(digest)
        return None if frame is None else self._originals[frame].path

    def _is_lost(self, path: str) -> bool:
        """Whether a copy of the job's own is gone."""
        return not Path(path).is_absolute() and not os.path.lexists(self._job / path)

    def _is_away(self, path: str) -> bool:
        """Whether what was noted where it lay is there no more."""
        return Path(path).is_absolute() and not os.path.lexists(path)

    def _take(self, frame: str, original: Original) -> TakenIn:
        self._by_digest[original.digest] = frame
        self._originals[frame] = original
        self._names.add(twin(frame))
        self._hints.add(_hint(frame, original.size_bytes))
        return TakenIn(frame, original, new=True)

    def _noted(self, companion: Companion) -> CameAlong:
        self._companions[_identity(companion)] = companion
        return CameAlong(companion, new=True)

    def _folder(self, folder: str) -> Path:
        into = (self._job / folder).resolve()
        if not into.is_relative_to(self._job):
            raise CannotWrite(f"{folder}: refused, because it leads to {into}, outside the job")
        with writing(into):
            into.mkdir(exist_ok=True)  # a job that went away is not made again
        return into

    def _free_names(self, source: Path) -> Iterator[str]:
        """Names for the frame, best first, none of which the job has, in any case or encoding."""
        stem = frame_name(source.stem)
        number = 1
        while True:
            name = stem if number == 1 else f"{_cut(stem, MOST_NAME_BYTES - 8)}-{number}"
            if twin(name) not in self._names:
                yield name
            number += 1

    def _publish(self, part: Path, names: Iterator[Path], digest: str) -> Path:
        """Give the copy its final name, the first that no other file has."""
        for final in names:
            with writing(final):
                try:
                    move_without_clobbering(part, final)
                except FileExistsError:
                    # An earlier run may have been killed between the name and the record.
                    if not (stat.S_ISREG(final.lstat().st_mode) and read_back(final)[0] == digest):
                        continue
                    final.chmod(READ_ONLY)
                flush_folder(final.parent)
                return final
        raise CannotWrite(f"{shown(part.parent)}: it cannot be written, because a name is taken")


def read_original(path: Path, digest: str | None = None) -> bytes:
    """All of an original, after proof that it is a file of its own and has the recorded digest.

    Raises ``NotAsRecorded`` where it is gone, a link, or holds something else, and
    ``UnreadableOriginal`` where it is there and cannot be read.
    """
    try:
        if not stat.S_ISREG(path.lstat().st_mode):
            raise NotAsRecorded(f"{shown(path)}: the original was replaced by something else")
        with opened(path, os.O_NOFOLLOW) as stream:
            size = os.fstat(stream.fileno()).st_size
            if size > MOST_BYTES:
                raise UnreadableOriginal(
                    f"{shown(path)}: it is {size >> 30} GB large; at most 4 GB are read"
                )
            data = stream.read()
    except FileNotFoundError:
        if not path.parent.is_dir():  # a disk that went away says nothing about what is on it
            raise UnreadableOriginal(
                f"{shown(path)}: it cannot be read, because {REASONS[errno.ENOENT]}; connect its"
                " disk, or safelight ingest it from where it is now"
            ) from None
        raise NotAsRecorded(f"{shown(path)}: the original is missing; {RESTORE}") from None
    except OSError as error:
        raise unreadable(path, error) from error
    if digest is not None and digest_bytes(data) != digest:
        changed = "the original's content is not what was recorded; move it away, and"
        raise NotAsRecorded(f"{shown(path)}: {changed} {RESTORE}")
    return data


def frame_name(stem: str) -> str:
    """A frame's name from its file's stem: safe as a file name on any system and in a command.

    Unicode is brought to NFC. Control and layout characters, marks that a shell, a glob or a
    template would read, and a leading dash or dot become ``_``; device names get one in front.
    """
    composed = unicodedata.normalize("NFC", stem)
    name = "".join(char if _is_plain(char) else "_" for char in composed)
    if name[:1] in ("-", ".", " "):
        name = "_" + name[1:]
    name = _cut(name, MOST_NAME_BYTES) or "_"
    return f"_{name}" if name.partition(".")[0].rstrip().casefold() in RESERVED else name


def _is_plain(char: str) -> bool:
    if char.isascii():
        return char.isalnum() or char in PLAIN_MARKS
    return unicodedata.category(char)[0] not in "CZ"


def _cut(name: str, most_bytes: int) -> str:
    """At most so many bytes of UTF-8, whole characters, no dot or space at the end."""
    return name.encode()[:most_bytes].decode(errors="ignore").rstrip(". ")


def twin(name: str) -> str:
    """Equal for names that some file system holds to be the same: case and composition."""
    return unicodedata.normalize("NFC", name.casefold())


def _is_original(path: Path) -> bool:
    suffix = path.suffix
    return suffix.isascii() and suffix.lower() in RAW_SUFFIXES | PICTURE_SUFFIXES


def _hint(name: str, size_bytes: int) -> tuple[str, int]:
    """Equal, as a rule, for a source and what it became, which may have got a number."""
    return (twin(re.sub(r"-\d+$", "", name)), size_bytes)


def _assert_original(source: Path) -> None:
    if not _is_original(source):
        raise UnreadableOriginal(f"{shown(source)}: it is not a picture by its name")


def _identity(companion: Companion) -> tuple[CompanionKind, str | None, str]:
    return companion.kind, companion.frame, companion.digest


def _numbered(stem: str) -> Iterator[str]:
    """Names for what belongs to a frame: no frame's own name looks like this."""
    yield stem
    number = 2
    while True:
        yield f"{_cut(stem, MOST_NAME_BYTES - 8)}.{number}"
        number += 1

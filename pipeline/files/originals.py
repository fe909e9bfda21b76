"""Takes originals into a job: the verified copy, or a digest of what stays where it is.

A source is only ever opened for reading. Knows nothing of cards, of the manifest, or of what the
pictures show; whoever calls it records what it returns.
"""

from __future__ import annotations

import errno
import fcntl
import io
import os
import re
import secrets
import stat
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from blake3 import blake3

from pipeline.errors import (
    CannotWrite,
    InvalidInput,
    NotAsRecorded,
    Problem,
    UnreadableOriginal,
)
from pipeline.files.landing import MARK, REASONS, SUFFIX, flush_folder
from pipeline.hashing import CHUNK_BYTES, PREFIX, digest_bytes, digest_stream
from pipeline.records import Original

# fmt: off
RAW_SUFFIXES = frozenset((
    ".dng", ".3fr", ".arw", ".cr2", ".cr3", ".crw", ".dcr", ".erf", ".fff", ".iiq", ".kdc", ".mef",
    ".mos", ".mrw", ".nef", ".nrw", ".orf", ".pef", ".raf", ".raw", ".rw2", ".rwl", ".sr2", ".srf",
    ".srw", ".x3f",
))
# fmt: on
"""Common practice, no source: the file name suffixes under which cameras write raw files."""

PICTURE_SUFFIXES = frozenset({".jpg", ".jpeg", ".tif", ".tiff"})

READ_ONLY = 0o444

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
    """An original and the frame that it is. ``new`` is False where the job had its content."""

    frame: str
    original: Original
    new: bool


def find_originals(sources: Sequence[Path]) -> list[Path]:
    """The raw files, JPEGs and TIFFs that the sources are or hold, at any depth, sorted, each once.

    Inside a folder what is hidden is left out, and so is every symbolic link: what it points at is
    either found anyway or does not belong to the source. Raises ``InvalidInput`` with every source
    or folder that cannot be read, because a part of a shoot passed over in silence may be lost.
    """
    found: dict[Path, Path] = {}
    problems: list[Problem] = []

    def refuse(path: Path, reason: str, allowed: str = "") -> None:
        problems.append(Problem(shown(path), 0, "", reason, allowed))

    def cannot_list(error: OSError) -> None:
        refuse(Path(error.filename), f"it cannot be read: {_reason(error)}")

    def walk(top: Path) -> Iterator[Path]:
        for folder, below, names in os.walk(top, onerror=cannot_list):
            below[:] = [name for name in below if not name.startswith(".")]
            for path in (Path(folder, name) for name in names if not name.startswith(".")):
                if _is_original(path) and stat.S_ISREG(path.lstat().st_mode):
                    yield path

    for source in sources:
        try:
            mode = source.stat().st_mode
            if stat.S_ISREG(mode) and _is_original(source):
                found.setdefault(source.resolve(), source)
            elif stat.S_ISDIR(mode):
                for path in walk(source):
                    found.setdefault(path.resolve(), path)
            else:
                suffixes = " ".join(sorted(RAW_SUFFIXES | PICTURE_SUFFIXES))
                refuse(source, "not a picture by its name", f"a folder, or a file with {suffixes}")
        except OSError as error:
            cannot_list(error)
    if problems:
        raise InvalidInput(problems)
    return sorted(found.values())


class Intake:
    """Takes originals into one job, one after the other, and never the same content twice.

    ``frames`` is what the job already has, by frame name. A copy that is gone is made again from a
    source with its content, under its old name. The caller holds the job's lock.
    """

    def __init__(self, job: Path, frames: Mapping[str, Original]) -> None:
        self._job = job.resolve()
        self._by_digest = {original.digest: name for name, original in frames.items()}
        self._originals = dict(frames)
        self._names = {_twin(name) for name in frames}
        self._hints = {_hint(name, original.size_bytes) for name, original in frames.items()}

    def copy(self, source: Path, folder: str = "originals") -> TakenIn:
        """Copy a file into the job's folder and prove the copy against what was read.

        The copy is written under a temporary name while the source is read, flushed, read back from
        the disk where the system allows to bypass its cache, compared, made read-only, and only
        then given its name; it never replaces a file. Raises ``UnreadableOriginal`` where the
        source is no picture by its name, cannot be read, is empty or changes meanwhile, and
        ``CannotWrite`` where the copy cannot be made or does not hold what was read; nothing is
        left behind then.
        """
        into = self._folder(folder)
        with _open_source(source) as (stream, before):
            # Name and size only save the writing of what is likely here; the content decides.
            if _hint(frame_name(source.stem), before.st_size) in self._hints:
                digest = _digest(stream, source)
                if digest in self._by_digest and not self._is_lost(digest):
                    _assert_unchanged(source, stream, before)
                    return self._known(digest)
                stream.seek(0)
            part = into / f"{MARK}{secrets.token_hex(8)}{SUFFIX}"
            try:
                digest = _write_copy(source, stream, part, before)
                _assert_unchanged(source, stream, before)
                lost = self._is_lost(digest)
                if digest in self._by_digest and not lost:
                    return self._known(digest)
                _assert_holds(part, digest, source)
                if lost:
                    return self._restored(part, digest)
                frame, final = self._publish(part, source, digest)
            finally:
                with suppress(OSError):  # gone, or on a disk that just became read-only
                    part.unlink()
        path = final.relative_to(self._job).as_posix()
        return self._take(frame, Original(path, digest, before.st_size))

    def register(self, source: Path) -> TakenIn:
        """Take note of a file that stays where it is; raises ``UnreadableOriginal`` as ``copy``."""
        real = source.resolve()
        try:
            str(real).encode()
        except UnicodeEncodeError:
            raise UnreadableOriginal(
                f"{shown(source)}: its path is not UTF-8 text, so it cannot be noted; copy it in"
            ) from None
        with _open_source(real) as (stream, before):
            digest = _digest(stream, source)
            _assert_unchanged(real, stream, before)
        if digest in self._by_digest:
            return self._known(digest)
        path = real.relative_to(self._job) if real.is_relative_to(self._job) else real
        frame = next(self._free_names(source))
        return self._take(frame, Original(path.as_posix(), digest, before.st_size))

    def _known(self, digest: str) -> TakenIn:
        name = self._by_digest[digest]
        return TakenIn(name, self._originals[name], new=False)

    def _is_lost(self, digest: str) -> bool:
        """Whether the job knows this content and its own copy of it is gone."""
        if digest not in self._by_digest:
            return False
        path = Path(self._originals[self._by_digest[digest]].path)
        return not path.is_absolute() and not os.path.lexists(self._job / path)

    def _restored(self, part: Path, digest: str) -> TakenIn:
        known = self._known(digest)
        final = self._job / known.original.path
        with _writing(final):
            _move_without_clobbering(part, final)
            flush_folder(final.parent)
        return known

    def _take(self, frame: str, original: Original) -> TakenIn:
        self._by_digest[original.digest] = frame
        self._originals[frame] = original
        self._names.add(_twin(frame))
        self._hints.add(_hint(frame, original.size_bytes))
        return TakenIn(frame, original, new=True)

    def _folder(self, folder: str) -> Path:
        into = (self._job / folder).resolve()
        if not into.is_relative_to(self._job):
            raise CannotWrite(f"{folder}: refused, because it leads to {into}, outside the job")
        with _writing(into):
            into.mkdir(exist_ok=True)  # a job that went away is not made again
        return into

    def _free_names(self, source: Path) -> Iterator[str]:
        """Names for the frame, best first, none of which the job has, in any case or encoding."""
        stem = frame_name(source.stem)
        number = 1
        while True:
            name = stem if number == 1 else f"{_cut(stem, MOST_NAME_BYTES - 8)}-{number}"
            if _twin(name) not in self._names:
                yield name
            number += 1

    def _publish(self, part: Path, source: Path, digest: str) -> tuple[str, Path]:
        """Give the copy its final name, the first that no other file has."""
        for frame in self._free_names(source):
            final = part.with_name(frame + source.suffix)
            with _writing(final):
                try:
                    _move_without_clobbering(part, final)
                except FileExistsError:
                    # An earlier run may have been killed between the name and the record.
                    if not (stat.S_ISREG(final.lstat().st_mode) and _holds(final, digest)):
                        continue
                    final.chmod(READ_ONLY)
                flush_folder(final.parent)
                return frame, final
        raise AssertionError("names never run out")


def read_original(path: Path, digest: str | None = None) -> bytes:
    """All of an original, after proof that it is a file of its own and has the recorded digest.

    Raises ``NotAsRecorded`` where it is gone, a link, or holds something else, and
    ``UnreadableOriginal`` where it is there and cannot be read.
    """
    try:
        if not stat.S_ISREG(path.lstat().st_mode):
            raise NotAsRecorded(f"{shown(path)}: the original was replaced by something else")
        with _open(path, os.O_NOFOLLOW) as stream:
            size = os.fstat(stream.fileno()).st_size
            if size > MOST_BYTES:
                raise UnreadableOriginal(
                    f"{shown(path)}: it is {size >> 30} GB large; at most 4 GB are read"
                )
            data = stream.read()
    except FileNotFoundError:
        if not path.parent.is_dir():  # a disk that went away says nothing about what is on it
            raise UnreadableOriginal(
                f"{shown(path)}: it cannot be read, because {REASONS[errno.ENOENT]}"
            ) from None
        raise NotAsRecorded(f"{shown(path)}: the original is missing") from None
    except OSError as error:
        raise _unreadable(path, error) from error
    if digest is not None and digest_bytes(data) != digest:
        raise NotAsRecorded(f"{shown(path)}: the original's content is not what was recorded")
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


def shown(path: Path) -> str:
    """A path as it can be printed: what is not printable text is escaped."""
    return "".join(
        char if char.isprintable() else char.encode("unicode_escape", "surrogatepass").decode()
        for char in str(path)
    )


def _is_plain(char: str) -> bool:
    if char.isascii():
        return char.isalnum() or char in PLAIN_MARKS
    return unicodedata.category(char)[0] not in "CZ"


def _cut(name: str, most_bytes: int) -> str:
    """At most so many bytes of UTF-8, whole characters, no dot or space at the end."""
    return name.encode()[:most_bytes].decode(errors="ignore").rstrip(". ")


def _twin(name: str) -> str:
    """Equal for names that some file system holds to be the same: case and composition."""
    return unicodedata.normalize("NFC", name.casefold())


def _is_original(path: Path) -> bool:
    suffix = path.suffix
    return suffix.isascii() and suffix.lower() in RAW_SUFFIXES | PICTURE_SUFFIXES


def _hint(name: str, size_bytes: int) -> tuple[str, int]:
    """Equal, as a rule, for a source and what it became, which may have got a number."""
    return (_twin(re.sub(r"-\d+$", "", name)), size_bytes)


def _open(path: Path, flags: int = 0) -> io.FileIO:
    # Without O_NONBLOCK, a pipe under a picture's name would hold us for ever.
    flags |= os.O_RDONLY | os.O_NONBLOCK
    return open(path, "rb", buffering=0, opener=lambda name, _: os.open(name, flags))


@contextmanager
def _open_source(source: Path) -> Iterator[tuple[io.FileIO, os.stat_result]]:
    """The open file and how it was before it was read."""
    if not _is_original(source):
        raise UnreadableOriginal(f"{shown(source)}: it is not a picture by its name")
    try:
        stream = _open(source)
    except OSError as error:
        raise _unreadable(source, error) from error
    with stream:
        before = os.fstat(stream.fileno())
        if not stat.S_ISREG(before.st_mode):
            raise UnreadableOriginal(f"{shown(source)}: it is not a file")
        if before.st_size == 0:
            raise UnreadableOriginal(f"{shown(source)}: the file is empty")
        yield stream, before


def _digest(stream: io.FileIO, source: Path) -> str:
    try:
        return digest_stream(stream)[0]
    except OSError as error:
        raise _unreadable(source, error) from error


def _write_copy(source: Path, stream: io.FileIO, part: Path, before: os.stat_result) -> str:
    """Copy to a new file, flushed to the disk, with the source's times; the digest of the bytes."""
    hasher = blake3()
    buffer = bytearray(CHUNK_BYTES)
    view = memoryview(buffer)
    with _writing(part, source), part.open("xb", buffering=0) as copy:
        while True:
            try:
                count = stream.readinto(buffer)
            except OSError as error:
                raise _unreadable(source, error) from error
            if not count:
                break
            hasher.update(view[:count])
            written = 0
            while written < count:
                written += copy.write(view[written:count])
        os.utime(copy.fileno(), ns=(before.st_atime_ns, before.st_mtime_ns))
        with suppress(PermissionError):  # some camera cards' file systems know no such bits
            os.fchmod(copy.fileno(), READ_ONLY)
        os.fsync(copy.fileno())
    return PREFIX + hasher.hexdigest()


def _assert_unchanged(source: Path, stream: io.FileIO, before: os.stat_result) -> None:
    """Look again, at the open file and at the name; a write in between shows in one of them."""
    try:
        looks = (os.fstat(stream.fileno()), source.stat())
    except OSError as error:
        raise _unreadable(source, error) from error
    if any(_identity(look) != _identity(before) for look in looks):
        raise UnreadableOriginal(
            f"{shown(source)}: it changed while it was read; take it in when it is finished"
        )


def _identity(look: os.stat_result) -> tuple[int, ...]:
    return (look.st_dev, look.st_ino, look.st_size, look.st_mtime_ns, look.st_ctime_ns)


def _assert_holds(part: Path, digest: str, source: Path) -> None:
    with _writing(part, source):
        if not _holds(part, digest):
            raise CannotWrite(
                f"{shown(source)}: its copy does not hold what was read; "
                f"the disk of {shown(part.parent)} or its connection is faulty"
            )


def _holds(path: Path, digest: str) -> bool:
    """Whether the file, read from the disk and not from memory where the system allows, fits."""
    with _open(path, os.O_NOFOLLOW) as stream:
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        elif hasattr(fcntl, "F_NOCACHE"):
            fcntl.fcntl(stream.fileno(), fcntl.F_NOCACHE, 1)
        return digest_stream(stream)[0] == digest


def _move_without_clobbering(part: Path, final: Path) -> None:
    """Raise ``FileExistsError`` where the name is taken, be it by a link that leads nowhere."""
    try:
        os.link(part, final)
    except OSError as error:
        if error.errno not in (errno.EPERM, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK):
            raise
        # A file system without hard links. Only the job's lock stands between look and rename.
        if os.path.lexists(final):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(final)) from error
        part.rename(final)


@contextmanager
def _writing(path: Path, source: Path | None = None) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        what = f"{shown(source)}: its copy" if source else f"{shown(path)}: it"
        reason = REASONS.get(error.errno or 0, _reason(error))
        raise CannotWrite(f"{what} cannot be written, because {reason}") from error


def _unreadable(path: Path, error: OSError) -> UnreadableOriginal:
    return UnreadableOriginal(f"{shown(path)}: it cannot be read, because {_reason(error)}")


def _reason(error: OSError) -> str:
    return error.strerror or str(error)

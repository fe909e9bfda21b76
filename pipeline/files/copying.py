"""Copies one file and proves it: read once, hashed and written meanwhile, read back, compared.

Knows nothing of jobs, frames or cards. A source is only ever opened for reading.
"""

from __future__ import annotations

import errno
import fcntl
import io
import mmap
import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

from blake3 import blake3
from xxhash import xxh3_128

from pipeline.errors import CannotWrite, UnreadableOriginal
from pipeline.files.landing import MARK, REASONS, SUFFIX
from pipeline.hashing import CHUNK_BYTES, PREFIX, digest_stream

READ_ONLY = 0o444
ReadBack = Literal["direct", "dropped", "cached"]


@dataclass(frozen=True, slots=True)
class Sums:
    """What was copied: its digest, XXH128 (32 hex digits), bytes and time in nanoseconds."""

    digest: str
    xxh128: str
    size_bytes: int
    modified_ns: int


class AlsoWritten(Protocol):
    """A further file that gets the same bytes; it keeps its own troubles to itself."""

    def write(self, piece: memoryview) -> None:
        """Begin to write a piece, once the one before is written."""

    def wait(self) -> None:
        """Return when the piece is written, so that its memory is free again."""

    def finish(self, before: os.stat_result) -> None:
        """Begin to give it times and rights and to flush it."""


def new_part(folder: Path) -> Path:
    """A temporary name in the folder that the copy goes to."""
    return folder / f"{MARK}{secrets.token_hex(8)}{SUFFIX}"


def opened(path: Path, flags: int = 0) -> io.FileIO:
    """A file for reading without a buffer; raises ``OSError``."""
    # Without O_NONBLOCK, a pipe under a picture's name would hold us for ever.
    flags |= os.O_RDONLY | os.O_NONBLOCK
    return open(path, "rb", buffering=0, opener=lambda name, _: os.open(name, flags))


@contextmanager
def open_source(source: Path) -> Iterator[tuple[io.FileIO, os.stat_result]]:
    """The open file and how it was before it was read; raises ``UnreadableOriginal``."""
    try:
        stream = opened(source)
    except OSError as error:
        raise unreadable(source, error) from error
    with stream:
        before = os.fstat(stream.fileno())
        if not stat.S_ISREG(before.st_mode):
            raise UnreadableOriginal(f"{shown(source)}: it is not a file")
        if before.st_size == 0:
            raise UnreadableOriginal(f"{shown(source)}: the file is empty")
        yield stream, before


def digest_of(stream: io.FileIO, source: Path) -> str:
    """The digest of an open source; raises ``UnreadableOriginal``."""
    try:
        return digest_stream(stream)[0]
    except OSError as error:
        raise unreadable(source, error) from error


def write_copy(
    source: Path,
    stream: io.FileIO,
    part: Path,
    before: os.stat_result,
    also: AlsoWritten | None = None,
) -> Sums:
    """Copy to a new file, flushed to the disk, read-only, with the source's times.

    Every byte of the source is read once, and hashed while it is written. Raises
    ``UnreadableOriginal`` and ``CannotWrite``.
    """
    hashers = blake3(), xxh3_128()
    buffer = bytearray(CHUNK_BYTES)
    view = memoryview(buffer)
    size = 0
    with writing(part, source), part.open("xb", buffering=0) as copy:
        while True:
            try:
                count = stream.readinto(buffer)
            except OSError as error:
                raise unreadable(source, error) from error
            if not count:
                break
            try:
                if also:
                    also.write(view[:count])
                for hasher in hashers:
                    hasher.update(view[:count])
                write_all(copy, view[:count])
            finally:
                if also:
                    also.wait()
            size += count
        if also:
            also.finish(before)
        finish(copy, before)
        if also:
            also.wait()
    return Sums(PREFIX + hashers[0].hexdigest(), hashers[1].hexdigest(), size, before.st_mtime_ns)


def write_all(copy: io.FileIO, piece: memoryview) -> None:
    """Write every byte; a disk may take less than it is given."""
    written = 0
    while written < len(piece):
        written += copy.write(piece[written:])


def finish(copy: io.FileIO, before: os.stat_result) -> None:
    """Give a copy the source's times, take its write bits off, flush it to the disk."""
    os.utime(copy.fileno(), ns=(before.st_atime_ns, before.st_mtime_ns))
    with suppress(PermissionError):  # some camera cards' file systems know no such bits
        os.fchmod(copy.fileno(), READ_ONLY)
    os.fsync(copy.fileno())


def assert_unchanged(source: Path, stream: io.FileIO, before: os.stat_result) -> None:
    """Look again, at the open file and at the name; a write in between shows in one of them."""
    try:
        looks = (os.fstat(stream.fileno()), source.stat())
    except OSError as error:
        raise unreadable(source, error) from error
    if any(_identity(look) != _identity(before) for look in looks):
        raise UnreadableOriginal(
            f"{shown(source)}: it changed while it was read; take it in when it is finished"
        )


def _identity(look: os.stat_result) -> tuple[int, ...]:
    return (look.st_dev, look.st_ino, look.st_size, look.st_mtime_ns, look.st_ctime_ns)


def assert_holds(part: Path, digest: str, source: Path) -> ReadBack:
    """Raise ``CannotWrite`` unless a copy, read back, is what was read; how it was read back."""
    with writing(part, source):
        found, how = read_back(part)
    if found != digest:
        raise CannotWrite(
            f"{shown(source)}: its copy does not hold what was read; "
            f"the disk of {shown(part.parent)} or its connection is faulty"
        )
    return how


def read_back(path: Path) -> tuple[str, ReadBack]:
    """The digest of a file as the disk gives it, not the memory, and how that was achieved.

    Past the page cache (O_DIRECT) where the file system can; else after the system was told to
    drop what it holds of the file (posix_fadvise), or to keep nothing of it (F_NOCACHE). Neither
    reaches the memory inside the disk itself. Raises ``OSError``.
    """
    if hasattr(os, "O_DIRECT"):
        try:
            return _read_directly(path), "direct"
        except OSError as error:
            if error.errno != errno.EINVAL:  # a file system without it, such as one in memory
                raise
    with opened(path, os.O_NOFOLLOW) as stream:
        how: ReadBack = "cached"
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
            how = "dropped"
        elif hasattr(fcntl, "F_NOCACHE"):
            fcntl.fcntl(stream.fileno(), fcntl.F_NOCACHE, 1)
            how = "dropped"
        return digest_stream(stream)[0], how


def _read_directly(path: Path) -> str:
    hasher = blake3()
    with opened(path, os.O_NOFOLLOW | os.O_DIRECT) as stream, mmap.mmap(-1, CHUNK_BYTES) as pages:
        # the disk writes into whole pages: anonymous memory begins at one
        while count := os.readv(stream.fileno(), [pages]):
            with memoryview(pages) as view:
                hasher.update(view[:count])
    return PREFIX + hasher.hexdigest()


def move_without_clobbering(part: Path, final: Path) -> None:
    """Raise ``FileExistsError`` where the name is taken, be it by a link that leads nowhere."""
    try:
        os.link(part, final)
    except OSError as error:
        if error.errno not in (errno.EPERM, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK):
            raise
        # A file system without hard links. Only the lock stands between look and rename.
        if os.path.lexists(final):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(final)) from error
        part.rename(final)


def shown(path: Path) -> str:
    """A path as it can be printed: what is not printable text is escaped."""
    return "".join(
        char if char.isprintable() else char.encode("unicode_escape", "surrogatepass").decode()
        for char in str(path)
    )


@contextmanager
def writing(path: Path, source: Path | None = None) -> Iterator[None]:
    """Put what the disk refuses into words; raises ``CannotWrite``."""
    try:
        yield
    except OSError as error:
        what = f"{shown(source)}: its copy" if source else f"{shown(path)}: it"
        reason = REASONS.get(error.errno or 0, reason_of(error))
        raise CannotWrite(f"{what} cannot be written, because {reason}") from error


def unreadable(path: Path, error: OSError) -> UnreadableOriginal:
    """What to raise where a source cannot be read."""
    return UnreadableOriginal(f"{shown(path)}: it cannot be read, because {reason_of(error)}")


def reason_of(error: OSError) -> str:
    """The system's own words."""
    return error.strerror or str(error)

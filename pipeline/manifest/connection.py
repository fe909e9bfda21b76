"""Opens the manifest's file for the one writer or a reader, and puts into words what goes wrong.

Nothing here knows what the rows mean.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import quote

from pipeline.errors import (
    CannotWrite,
    JobBusy,
    NewerManifest,
    NotAsRecorded,
    OlderManifest,
    SafelightError,
)
from pipeline.manifest.lock import shared_lock
from pipeline.manifest.place import network_filesystem
from pipeline.manifest.schema import (
    APPLICATION_ID,
    MANIFEST_NAME,
    MIGRATIONS,
    migrate,
    schema_version,
)

BUSY_S = 2.0  # how long a program that is not Safelight may hold the file before we say so
FULL_BYTES = 1 << 16  # twice what the shared memory grows by (SQLite's WAL format, from memory)
REFUSED = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM)


class NoManifest(SafelightError):
    """The job has no manifest yet."""


def check_place(folder: Path) -> None:
    """Raise ``SafelightError`` where a manifest must not be: no folder, or a network drive."""
    if not folder.is_dir():
        raise SafelightError(f"{folder} is not a folder.")
    if kind := network_filesystem(folder):
        raise SafelightError(
            f"{folder} is on a network drive ({kind}), where two machines could damage the manifest"
            " without noticing. Keep the job on a local disk; its originals may stay on the drive."
        )


def existing(folder: Path) -> Path:
    """The manifest in ``folder``; raises ``NoManifest``, or ``SafelightError`` for a link."""
    path = folder / MANIFEST_NAME
    if path.is_symlink():
        raise SafelightError(f"{path} is a link; the manifest must lie in the job's own folder.")
    if not path.is_file():
        raise NoManifest(f"{folder} has no {MANIFEST_NAME}: nothing was ingested here yet.")
    return path


def make_empty(path: Path, at: str) -> None:
    """Make a manifest without frames: under its name it is whole, or not there.

    The caller holds the writer's lock. ``at`` is the time to record, ISO 8601.
    """
    temporary = path.with_name(f".{path.name}.new")
    with in_words(path):
        try:
            for suffix in ("", "-wal", "-shm", "-journal"):  # of an attempt that was killed
                temporary.with_name(temporary.name + suffix).unlink(missing_ok=True)
            connection = _connect(temporary, "mode=rwc", BUSY_S)
            try:
                _make_durable(connection, path.parent)
                migrate(connection, at)
            finally:
                connection.close()  # the last one out moves the log into the file and flushes it
            temporary.replace(path)
            folder = os.open(path.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        except OSError as error:
            raise CannotWrite(f"{path} cannot be made: {error.strerror}.") from error


def connect_writer(path: Path, wait_s: float, at: str) -> sqlite3.Connection:
    """A connection that may write, its tables up to date; the caller holds the writer's lock."""
    with in_words(path):
        connection = _connect(path, "mode=rw", max(wait_s, BUSY_S))
        try:
            _check_identity(connection, path)
            _make_durable(connection, path.parent)
            connection.execute("PRAGMA foreign_keys = ON")
            migrate(connection, at)
        except BaseException:
            connection.close()
            raise
        return connection


def connect_reader(path: Path) -> tuple[sqlite3.Connection, Callable[[], None]]:
    """A connection that cannot write, and what to call once it is closed."""
    with in_words(path):
        connection = _connect(path, "mode=ro", BUSY_S)
        try:
            _check_readable(connection, path)
        except sqlite3.OperationalError as error:
            connection.close()
            if error.sqlite_errorcode & 0xFF not in (*REFUSED, sqlite3.SQLITE_IOERR):
                raise
            return _connect_immutable(path)
        except BaseException:
            connection.close()
            raise
        return connection, lambda: None


def _connect_immutable(path: Path) -> tuple[sqlite3.Connection, Callable[[], None]]:
    """A reader for where SQLite cannot put its shared memory: a read-only disk, or a full one.

    SQLite has to be told that the file cannot change. That is true while we keep writers out, and
    shows everything while no change waits in the log.
    """
    log = path.with_name(f"{path.name}-wal")
    if log.exists() and log.stat().st_size:
        raise CannotWrite(
            f"The last changes of {path} still wait in {log.name}, which cannot be read where"
            " nothing may be written. Make the folder writable, or copy the job to a disk that is."
        )
    release = shared_lock(path.parent)
    connection = _connect(path, "immutable=1", BUSY_S)
    try:
        _check_readable(connection, path)
    except BaseException:
        connection.close()
        release()
        raise
    return connection, release


def _connect(path: Path, mode: str, wait_s: float) -> sqlite3.Connection:
    return sqlite3.connect(
        f"file:{quote(os.fsencode(path.absolute()))}?{mode}",
        uri=True,
        timeout=wait_s,
        isolation_level=None,
    )


def _check_readable(connection: sqlite3.Connection, path: Path) -> None:
    if _check_identity(connection, path) < len(MIGRATIONS):
        raise OlderManifest(
            f"{path} was written by an older Safelight and has to be brought up to date"
        )


def _check_identity(connection: sqlite3.Connection, path: Path) -> int:
    """The version of the manifest's tables; raises where the file is not ours or too new."""
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    version = schema_version(connection)
    if application != APPLICATION_ID:
        raise NotAsRecorded(_damaged(path, "it is not a manifest of Safelight"))
    if version > len(MIGRATIONS):
        raise NewerManifest(
            f"{path} was written by a newer Safelight (its tables are at version {version}, this"
            f" one knows {len(MIGRATIONS)}). Nothing was read or changed: use the newer Safelight."
        )
    return version


def _make_durable(connection: sqlite3.Connection, folder: Path) -> None:
    """Make every commit reach the disk before it returns, without keeping readers waiting."""
    connection.execute("PRAGMA synchronous = FULL")
    (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        raise SafelightError(
            f"The disk of {folder} does not allow the write-ahead log that keeps the manifest whole"
            f" (SQLite fell back to {mode!r}). Keep the job on an ordinary local disk."
        )


@contextmanager
def in_words(path: Path) -> Iterator[None]:
    """Turn what SQLite says into sentences; callers never see ``sqlite3.Error``."""
    try:
        yield
    except sqlite3.ProgrammingError:
        raise  # a bug of ours, such as use from another thread
    except sqlite3.IntegrityError as error:
        raise ValueError(f"{path} cannot hold that: {error}") from error
    except sqlite3.Error as error:
        raise _sentence_for(error, path) from error


def rolled_back(connection: sqlite3.Connection) -> None:
    """Undo the open transaction; SQLite has done so itself where the disk was full."""
    with suppress(sqlite3.OperationalError):
        connection.execute("ROLLBACK")


def _sentence_for(error: sqlite3.Error, path: Path) -> SafelightError:
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return JobBusy(
            f"Another program holds {path} locked. Close it, such as a database viewer or a backup,"
            " and try again."
        )
    if code == sqlite3.SQLITE_FULL or (code == sqlite3.SQLITE_IOERR and _is_full(path.parent)):
        return CannotWrite(f"The disk is full: {path} could not take the change.")
    if code in REFUSED:
        return CannotWrite(
            f"{path} cannot be opened as needed ({error}). The file and its folder must be writable"
            " for this."
        )
    if code == sqlite3.SQLITE_IOERR:
        return CannotWrite(f"The disk of {path} failed ({error}). What was recorded before stands.")
    return NotAsRecorded(_damaged(path, str(error)))


def _is_full(folder: Path) -> bool:
    """SQLite calls it an I/O error when there is no room for its shared memory."""
    disk = os.statvfs(folder)
    return disk.f_bavail * disk.f_frsize < FULL_BYTES


def _damaged(path: Path, how: str) -> str:
    return (
        f"{path} is damaged: {how}. Put a good copy back in its place (and remove"
        f" {path.name}-wal and {path.name}-shm beside it), or move it away and ingest the originals"
        " again; ratings and approvals are only in the manifest."
    )

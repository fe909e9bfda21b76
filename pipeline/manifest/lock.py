"""One writer a job: an exclusive lock on a file beside the manifest.

The system drops the lock with the process that holds it, killed or not, so that a stale one cannot
exist; the file itself stays, because removing it would let two processes lock two files. Nothing
here knows SQLite.
"""

from __future__ import annotations

import fcntl
import json
import os
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from pipeline.errors import CannotWrite, JobBusy

LOCK_NAME = "manifest.lock"
POLL_S = 0.05


class WriterLock:
    """The right to write to a job, held until ``release`` or the end of the process."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    @classmethod
    def acquire(cls, folder: Path, wait_s: float = 0.0) -> WriterLock:
        """Lock the job in ``folder``, waiting up to ``wait_s`` seconds for another writer to end.

        Raises ``JobBusy`` with who holds it and since when, ``CannotWrite`` where the folder
        does not let the lock's file be made.
        """
        path = folder / LOCK_NAME
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o644)
        except OSError as error:
            raise CannotWrite(
                f"{path} cannot be written ({error.strerror}); to change this job, its folder must"
                " be writable."
            ) from error
        try:
            if not _locked(descriptor, fcntl.LOCK_EX, wait_s):
                raise JobBusy(_who_holds(descriptor, folder))
            note = {"pid": os.getpid(), "since": datetime.now().astimezone().isoformat()}
            with suppress(OSError):  # a full disk: the lock holds all the same, only unsigned
                os.ftruncate(descriptor, 0)
                os.pwrite(descriptor, json.dumps(note).encode(), 0)
        except BaseException:
            os.close(descriptor)
            raise
        return cls(descriptor)

    def release(self) -> None:
        """Let the next writer in."""
        with suppress(OSError):
            os.ftruncate(self._descriptor, 0)
        os.close(self._descriptor)


def shared_lock(folder: Path) -> Callable[[], None]:
    """Keep writers out until the function that is returned is called.

    Raises ``JobBusy`` while a writer is at work. Where there is no lock's file, no writer ever was
    and none can start, the folder being read-only.
    """
    try:
        descriptor = os.open(folder / LOCK_NAME, os.O_RDONLY | os.O_NOFOLLOW)
    except OSError:
        return lambda: None
    if not _locked(descriptor, fcntl.LOCK_SH, wait_s=0.0):
        sentence = _who_holds(descriptor, folder)
        os.close(descriptor)
        raise JobBusy(sentence)
    return lambda: os.close(descriptor)


def _locked(descriptor: int, kind: int, wait_s: float) -> bool:
    deadline = time.monotonic() + wait_s
    while True:
        try:
            fcntl.flock(descriptor, kind | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() >= deadline:
                return False
            time.sleep(POLL_S)
        else:
            return True


def _who_holds(descriptor: int, folder: Path) -> str:
    """The sentence for a job that is locked.

    The holder may not have signed yet, and what is there may be of one that was killed before.
    """
    try:
        note = json.loads(os.pread(descriptor, 4096, 0))
        since = datetime.fromisoformat(note["since"]).strftime("%Y-%m-%d %H:%M:%S")
        holder = f"process {int(note['pid'])}, since {since}"
        with suppress(PermissionError):  # it lives, and is another user's
            os.kill(note["pid"], 0)
    except Exception:  # anything may stand in a file of this name
        holder = "a process that has just started"
    return (
        f"Another Safelight is working on the job in {folder} ({holder}). Wait until it is done,"
        " or stop it first."
    )

"""The second copy of a shoot, on another disk: written in the same pass, proven by itself.

What goes wrong here never stops the first copy. After the first refusal nothing more is tried, for
a disk that refuses one copy refuses the next.
"""

from __future__ import annotations

import fcntl
import io
import os
import re
import stat
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Self

from pipeline.errors import CannotWrite, InvalidInput, JobBusy, Problem
from pipeline.files.copying import (
    ReadBack,
    Sums,
    assert_holds,
    finish,
    move_without_clobbering,
    new_part,
    read_back,
    shown,
    write_all,
    write_copy,
    writing,
)
from pipeline.files.landing import MARK, SUFFIX, flush_folder


class SecondCopy:
    """A folder that gets every file once more; use it as a context, with one writer at a time.

    ``refusal`` is why it ended early, ``missing`` which sources are not in it, ``names`` what is in
    it of this run's, by its name there, and ``read_back`` how the copies were proven.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.refusal: str | None = None
        self.missing: list[Path] = []
        self.names: dict[str, Sums] = {}
        self.read_back: set[ReadBack] = set()
        self._pool = ThreadPoolExecutor(1)
        self._lock = -1

    def __enter__(self) -> Self:
        """Raises ``InvalidInput`` where the folder is not there, ``JobBusy`` where it is in use."""
        if not self.folder.is_dir():
            # made here, it would lie on the wrong disk when the right one is not connected
            found, allowed = "no folder for the second copy", "a folder that is there"
            raise InvalidInput([Problem(shown(self.folder), 0, "", found, allowed)])
        self._lock = os.open(self.folder, os.O_RDONLY)
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(self._lock)
            self._pool.shutdown()
            raise JobBusy(f"{shown(self.folder)}: another run is copying there") from None
        except OSError:
            pass  # a disk that knows no locks
        for part in self.folder.glob(f"{MARK}*{SUFFIX}"):
            if re.fullmatch(rf"{re.escape(MARK)}[0-9a-f]{{16}}{re.escape(SUFFIX)}", part.name):
                with suppress(OSError):
                    part.unlink()
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown()
        os.close(self._lock)

    def begin(self, source: Path) -> CopyInFlight | None:
        """A file to write along with the first copy; None where nothing more is tried."""
        if self.refusal is not None:
            self.missing.append(source)
            return None
        try:
            with writing(self.folder, source):
                return CopyInFlight(source, new_part(self.folder), self._pool)
        except CannotWrite as error:
            self._refused(source, error)
            return None

    def place(self, flight: CopyInFlight | None, name: str, sums: Sums) -> None:
        """Prove what was written, and give it the first copy's name or, if taken, a further one."""
        if flight is not None:
            with self._trying(flight.source):
                flight.raise_trouble()
                self._publish(flight.source, flight.part, name, sums)

    def ensure(self, source: Path, stream: io.FileIO, name: str, digest: str) -> None:
        """Have what the job knows already here too: read again if it is, written if it is not.

        Raises ``UnreadableOriginal``.
        """
        if self.refusal is not None:
            self.missing.append(source)
            return
        with self._trying(source):
            before = os.fstat(stream.fileno())
            known = Sums(digest, "", before.st_size, before.st_mtime_ns)
            for final in self._finals(name):
                if not os.path.lexists(final):
                    break
                if _holds(final, known):
                    self.names.setdefault(final.name, known)
                    return
            part = new_part(self.folder)
            stream.seek(0)
            try:
                self._publish(source, part, name, write_copy(source, stream, part, before))
            finally:
                with suppress(OSError):
                    part.unlink()

    def _publish(self, source: Path, part: Path, name: str, sums: Sums) -> None:
        self.read_back.add(assert_holds(part, sums.digest, source))
        for final in self._finals(name):
            try:
                move_without_clobbering(part, final)
            except FileExistsError:
                if not _holds(final, sums):
                    continue
            flush_folder(self.folder)
            self.names[final.name] = sums
            return

    def _finals(self, name: str) -> Iterator[Path]:
        yield self.folder / name
        stem, suffix = Path(name).stem, Path(name).suffix
        number = 2
        while True:
            yield self.folder / f"{stem}.{number}{suffix}"
            number += 1

    @contextmanager
    def _trying(self, source: Path) -> Iterator[None]:
        try:
            with writing(self.folder, source):
                yield
        except CannotWrite as error:
            self._refused(source, error)

    def _refused(self, source: Path, error: CannotWrite) -> None:
        self.refusal = f"second copy in {shown(self.folder)}: {error}"
        self.missing.append(source)


class CopyInFlight:
    """A file that is written by another thread while the first copy is; troubles wait in it."""

    def __init__(self, source: Path, part: Path, pool: ThreadPoolExecutor) -> None:
        self.source = source
        self.part = part
        self._pool = pool
        self._copy = part.open("xb", buffering=0)
        self._pending: Future[None] | None = None
        self._trouble: OSError | None = None

    def write(self, piece: memoryview) -> None:
        """Begin to write a piece."""
        self._begin(write_all, self._copy, piece)

    def finish(self, before: os.stat_result) -> None:
        """Begin to give it times and rights and to flush it."""
        self._begin(finish, self._copy, before)

    def wait(self) -> None:
        """Return when what was begun is done."""
        pending, self._pending = self._pending, None
        if pending is not None:
            try:
                pending.result()
            except OSError as error:
                self._trouble = error

    def raise_trouble(self) -> None:
        """Raise the ``OSError`` that there was, if any."""
        if self._trouble is not None:
            raise self._trouble

    def discard(self) -> None:
        """Close it, and remove what was not placed."""
        self.wait()
        with suppress(OSError):
            self._copy.close()
        with suppress(OSError):
            self.part.unlink()

    def _begin(self, do: Callable[..., None], *arguments: Any) -> None:
        if self._trouble is None:
            self._pending = self._pool.submit(do, *arguments)


def _holds(path: Path, sums: Sums) -> bool:
    look = path.lstat()
    return (
        stat.S_ISREG(look.st_mode)
        and look.st_size == sums.size_bytes
        and read_back(path)[0] == sums.digest
    )

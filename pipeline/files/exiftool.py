"""One exiftool that keeps running, spoken to under a deadline.

It knows the protocol and the process, not what is asked. Arguments are lines, so that nothing a
person or a camera wrote may ever be one: values travel in JSON files, names behind safe links.
"""

from __future__ import annotations

import contextlib
import itertools
import threading
import time
from pathlib import Path
from queue import Empty, SimpleQueue
from subprocess import SubprocessError
from typing import IO, Any

import exiftool
import psutil
from exiftool.exceptions import ExifToolException

from pipeline.errors import SafelightError, ToolMissing

OLDEST = (12, 15)
START_SECONDS = 30.0
CONFIG = Path(__file__).with_name("exiftool.config")
"""Tags that older versions lack. With it nobody's own configuration is read."""
INSTALL = "install exiftool 12.15 or newer with the system's packages"


class Unanswered(SafelightError):
    """exiftool died or was late; what it was given may be what it cannot bear."""

    exit_code = 1


class _Lost(Exception):
    """This process is gone or stuck."""


class _Process(exiftool.ExifTool):  # type: ignore[misc]  # the library carries no types
    """The library's process, but with reading that ends.

    Its own ``execute`` waits for ever on a process that hangs, spins for ever on one that died, and
    blocks where a call has more to say on its error output than a pipe holds.
    """

    seconds = START_SECONDS

    def __init__(self) -> None:
        self._spoken: SimpleQueue[tuple[int, bytes]] = SimpleQueue()
        self._listening: object = None
        self._numbers = itertools.count(1)
        super().__init__(common_args=None, config_file=str(CONFIG))

    def execute(self, *params: str, raw_bytes: bool = False) -> str:
        """Run one command; what it printed. ``last_stderr`` is what it had to say about it.

        Raises ``_Lost`` where it does not answer within ``seconds``.
        """
        if any("\n" in param or "\r" in param for param in params):
            raise ValueError("an argument of exiftool must be one line")
        process, number = self._process, next(self._numbers)
        if self._listening is not process:
            self._listening = process
            for source, pipe in enumerate((process.stdout, process.stderr)):
                listen = threading.Thread(target=self._listen, args=(source, pipe), daemon=True)
                listen.start()
        lines = [*params, "-echo4", f"{{done{number}}}", f"-execute{number}", ""]
        try:
            process.stdin.write("\n".join(lines).encode())
            process.stdin.flush()
        except OSError as error:
            raise _Lost from error
        said, told = self._answer(f"{{ready{number}}}".encode(), f"{{done{number}}}".encode())
        self._last_stderr = told
        return said

    def _listen(self, source: int, pipe: IO[bytes]) -> None:
        with contextlib.suppress(OSError), pipe:
            while chunk := pipe.read1():  # type: ignore[attr-defined]  # a BufferedReader
                self._spoken.put((source, chunk))
        self._spoken.put((source, b""))

    def _answer(self, *ends: bytes) -> tuple[str, str]:
        heard, deadline = [b"", b""], time.monotonic() + self.seconds
        while not all(text.rstrip().endswith(end) for text, end in zip(heard, ends, strict=True)):
            try:
                source, chunk = self._spoken.get(timeout=max(deadline - time.monotonic(), 0))
            except Empty as error:
                raise _Lost from error
            if not chunk:
                raise _Lost
            heard[source] += chunk
        said, told = (
            text.rstrip()[: -len(end)].decode(errors="replace")
            for text, end in zip(heard, ends, strict=True)
        )
        return said, told

    def kill(self) -> None:
        """End the process, whatever it is doing, and those that it started.

        Its output is closed by the threads that listen: one that somebody still holds would keep
        whoever closes it waiting for the reader, and the reader for ever.
        """
        if self._process is not None:
            started = []
            with contextlib.suppress(psutil.Error):
                started = psutil.Process(self._process.pid).children(recursive=True)
            self._process.kill()
            self._process.wait()
            for process in started:
                with contextlib.suppress(psutil.Error):
                    process.kill()
            with contextlib.suppress(OSError):
                self._process.stdin.close()
        self._flag_running_false()


class ExifTool:
    """The running exiftool; started by ``start`` or the first call, one call at a time."""

    def __init__(self) -> None:
        self._process: Any = None
        self._lock = threading.Lock()

    def start(self) -> None:
        """Start it if it does not run. Raises ``ToolMissing`` where it is missing or too old."""
        with self._lock:
            self._running()

    def call(self, *arguments: str, seconds: float) -> tuple[str, str]:
        """What a command printed, and what it warned of.

        Raises ``Unanswered`` where the process dies or is late; the next call gets a new one.
        Raises ``ToolMissing`` where none can be started.
        """
        with self._lock:
            process = self._running()
            process.seconds = seconds
            try:
                return process.execute(*arguments), process.last_stderr
            except _Lost as error:
                self._drop()
                raise Unanswered(f"exiftool gave no answer within {seconds:g} seconds") from error

    def close(self) -> None:
        """End it; the next call would start it again."""
        with self._lock:
            if self._process is not None:
                with contextlib.suppress(OSError, SubprocessError):
                    self._process._process.stdin.write(b"-stay_open\nFalse\n")
                    self._process._process.stdin.flush()
                    self._process._process.wait(timeout=2)
                self._drop()

    def _drop(self) -> None:
        self._process.kill()
        self._process = None

    def _running(self) -> Any:
        if self._process is not None:
            return self._process
        try:
            self._process = _Process()
            self._process.run()
        except FileNotFoundError as error:
            self._process = None
            raise ToolMissing(f"exiftool is not there: {INSTALL}") from error
        except (_Lost, OSError, RuntimeError, ExifToolException) as error:
            self._drop()
            raise ToolMissing(f"exiftool does not start: {INSTALL}") from error
        version = str(self._process.version)
        if _numbers(version) < OLDEST:
            self._drop()
            raise ToolMissing(f"exiftool {version.strip()[:20]!r} is too old: {INSTALL}")
        return self._process


def _numbers(version: str) -> tuple[int, ...]:
    parts = version.strip().split(".")
    return tuple(map(int, parts)) if all(part.isdecimal() for part in parts) else ()

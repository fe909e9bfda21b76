"""A disk that takes its time, for processes that are started to be killed: on their PYTHONPATH.

A write reaches the file in two halves with a pause between them, and a flush takes as long again:
what lasts microseconds here, and may last seconds on a card or a busy disk, can then be hit.
"""

import io
import os
import time
from typing import Any

PAUSE_S = 0.02
_open, _fsync = io.open, os.fsync


class _SlowFile(io.FileIO):
    def write(self, data: Any) -> int:
        view = memoryview(data).cast("B")
        half = len(view) // 2
        written = super().write(view[:half]) if half else 0
        time.sleep(PAUSE_S)
        return written + super().write(view[half:])


def _slow_open(file: Any, mode: str = "r", *arguments: Any, **options: Any) -> Any:
    if mode in ("xb", "wb"):
        return io.BufferedWriter(_SlowFile(file, mode))
    return _open(file, mode, *arguments, **options)


def _slow_fsync(descriptor: int) -> None:
    time.sleep(PAUSE_S)
    _fsync(descriptor)


io.open, os.fsync = _slow_open, _slow_fsync

"""What the workers of tests/test_here.py do. Kept apart, so that they start without pytest."""

from __future__ import annotations

import ctypes
import os
import resource
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

from pipeline.errors import FrameFailed, UnreadableOriginal

prepared_by: list[int] = []


def prepare() -> None:
    prepared_by.append(os.getpid())


def who_is_prepared(_: object) -> tuple[int, list[int]]:
    return os.getpid(), prepared_by


def double(number: int) -> int:
    return 2 * number


def nap(work: tuple[float, int]) -> int:
    seconds, number = work
    time.sleep(seconds)
    return number


def note_and_nap(work: tuple[str, float]) -> int:
    """Leave a file named after this process, then sleep."""
    folder, seconds = work
    (Path(folder) / f"{os.getpid()}.pid").touch()
    time.sleep(seconds)
    return os.getpid()


def note_with_child(folder: str) -> None:
    """The same, with a child process of its own that would outlive it."""
    child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(120)"])
    (Path(folder) / f"{child.pid}.pid").touch()
    (Path(folder) / f"{os.getpid()}.pid").touch()
    time.sleep(120)


def kill_self_if(work: tuple[bool, int]) -> int:
    poisoned, number = work
    if poisoned:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def kill_self_the_first_time(marker: str) -> str:
    if not Path(marker).exists():
        Path(marker).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "second time"


def kill_self_then_nap(folder: str) -> None:
    if not list(Path(folder).iterdir()):
        (Path(folder) / f"{os.getpid()}.pid").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    (Path(folder) / f"{os.getpid()}.pid").touch()
    time.sleep(100)


def overlap(work: tuple[str, bool]) -> int:
    """How many tasks run now, counted by marker files; dies when told to."""
    folder, poisoned = work
    mine = Path(folder) / f"{os.getpid()}-{time.monotonic_ns()}"
    mine.touch()
    time.sleep(0.05)
    beside = len(list(Path(folder).iterdir()))
    if poisoned and beside > 1:
        mine.unlink()
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.05)
    mine.unlink()
    return beside


def segfault(_: Any) -> None:
    ctypes.string_at(0)


def raise_refusal(frame: str) -> None:
    if frame == "with-frame":
        raise FrameFailed("the mask is missing")
    raise UnreadableOriginal("the file is empty")


def raise_key_error(key: str) -> None:
    raise KeyError(key)


def claim_memory(bytes_: int) -> int:
    return len(bytearray(bytes_))


def claim_under_own_limit(work: tuple[int, int]) -> int:
    limit, bytes_ = work
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    return len(bytearray(bytes_))


def return_a_lock(_: Any) -> Any:
    return threading.Lock()


class Unloadable:
    """Pickles, and fails on the way back."""

    def __reduce__(self) -> Any:
        return (int, ("not a number",))


def return_unloadable(_: Any) -> Any:
    return Unloadable()


def chatter(_: Any) -> str:
    print("this must not reach a report")
    print("nor this a progress bar", file=sys.stderr, flush=True)
    return os.environ["NUMBA_NUM_THREADS"]


def exit_politely(_: Any) -> None:
    sys.exit(3)


def versions() -> dict[str, str]:
    """What decides what comes out here; a test may start a worker that says otherwise, or dies."""
    mark = os.environ.get("DIES_ONCE")
    if mark and not Path(mark).exists():
        Path(mark).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return {"tasks": os.environ.get("TASKS_VERSION", "1")}


def where(path: Path) -> str:
    """The path as this process was told it; whether anything is there."""
    return f"{path} {path.is_dir()}"


def fail_so_often(work: tuple[str, int, int]) -> int:
    """Fail with an error number of the system until so many marks are made; how many there are."""
    folder, number, times = work
    made = len(list(Path(folder).iterdir()))
    if made < times:
        (Path(folder) / str(made)).touch()
        raise UnreadableOriginal("the disk is away") from OSError(number, os.strerror(number))
    return made


def mark(folder: str) -> str:
    """Leave a file of one's own; its name."""
    path = Path(folder) / f"{time.monotonic_ns()}"
    path.touch(exist_ok=False)
    return path.name


def end(how: str) -> tuple[bool, str]:
    """End like that, as the work of a schedule may."""
    if how == "CANCELLED":
        raise KeyboardInterrupt
    if how == "refused":
        raise FrameFailed("the mask is missing")
    return how == "COMPLETED", "it is over"

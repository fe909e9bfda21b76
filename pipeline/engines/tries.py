"""When a task that failed is tried again, and the wish to stop. The same rules for every engine.

A task whose process gave no answer may have been the last straw, so it is tried once more with
nothing beside it. What another moment may mend is tried again after a while. Everything else
would only fail again.
"""

from __future__ import annotations

import errno
import os
import signal
import threading
import time
from collections.abc import Generator, Iterable, Iterator
from dataclasses import replace
from multiprocessing.connection import wait
from types import FrameType
from typing import Any, Protocol

from pipeline.engines import Outcome, Task

PATIENCE_S = (1.0, 5.0, 20.0)
"""How long to wait before each further try of what may pass. Ours, no source."""

MAY_PASS = {
    errno.ECONNABORTED,
    errno.ECONNREFUSED,
    errno.ECONNRESET,
    errno.EHOSTDOWN,
    errno.EHOSTUNREACH,
    errno.ENETDOWN,
    errno.ENETRESET,
    errno.ENETUNREACH,
    errno.ENOTCONN,
    errno.ESTALE,
    errno.ETIMEDOUT,
}
"""What the system says of a disk across the network that is away (errno(3)). EIO is not among
them: on a disk that fails every further read does harm."""


def may_pass(error: BaseException | None) -> bool:
    """Whether an error, or what caused it, is one that another moment may see gone."""
    while error is not None:
        if isinstance(error, OSError) and error.errno in MAY_PASS:
            return True
        error = error.__cause__
    return False


class WorkOff(Protocol):
    """One pass over tasks: an outcome each, in the order in which they end.

    ``alone`` asks for one task at a time. After an interruption no task begins, and one that is
    lost has no outcome: it was not its own fault, and it stays to be done.
    """

    def __call__(
        self, tasks: Iterable[Task], interruption: Interruption, *, alone: bool
    ) -> Iterator[Outcome]: ...


def tried(work_off: WorkOff, tasks: Iterable[Task]) -> Generator[Outcome]:
    """All outcomes of ``tasks``: of the last try, where there were several.

    Raises ``KeyboardInterrupt`` when what was in flight is done, if somebody asked to stop.
    """
    lost: list[Task] = []
    away: list[Outcome] = []

    def ended(outcomes: Iterable[Outcome]) -> Iterator[Outcome]:
        for outcome in outcomes:
            if outcome.failure and outcome.failure.lost:
                lost.append(outcome.task)
            elif outcome.failure and outcome.failure.may_pass:
                away.append(outcome)
            else:
                yield outcome

    with Interruption() as interruption:
        yield from ended(work_off(tasks, interruption, alone=False))
        for patience_s in PATIENCE_S:
            if not away or interruption.comes_within(patience_s):
                break
            again = [outcome.task for outcome in away]
            away.clear()
            yield from ended(work_off(again, interruption, alone=False))
        if interruption.asked_at is not None:
            raise KeyboardInterrupt  # what is not done stays to be done
        yield from away
        yield from map(_twice, work_off(lost, interruption, alone=True))
        if interruption.asked_at is not None:
            raise KeyboardInterrupt


def _twice(outcome: Outcome) -> Outcome:
    """The outcome of a second try, which says that it was one."""
    failure = outcome.failure
    if failure is None or not failure.lost:
        return outcome
    sentence = f"{failure.sentence}; so it did when tried again with nothing beside it"
    return replace(outcome, failure=replace(failure, sentence=sentence))


class Interruption:
    """Ctrl-C and SIGTERM, noted instead of thrown into whatever the caller is writing.

    The first wakes whoever waits for it; the next raises ``KeyboardInterrupt`` on the spot.
    Outside the main thread signals cannot be had, and only ``ask`` counts.
    """

    def __init__(self) -> None:
        self.asked_at: float | None = None
        self._previous: dict[signal.Signals, Any] = {}

    def __enter__(self) -> Interruption:
        self._reader, self._writer = os.pipe()
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                previous = signal.getsignal(number)
                # A shell that starts a command in the background may have it ignore Ctrl-C.
                if previous is not signal.SIG_IGN:
                    self._previous[number] = previous or signal.SIG_DFL
                    signal.signal(number, self._note)
        return self

    def __exit__(self, *_: object) -> None:
        for number, previous in self._previous.items():
            signal.signal(number, previous)
        os.close(self._reader)
        os.close(self._writer)

    def fileno(self) -> int:
        """What ``wait`` watches: readable once somebody asked to stop."""
        return self._reader

    def comes_within(self, seconds: float) -> bool:
        """Wait so long, unless somebody asks to stop; whether somebody did."""
        if self.asked_at is None:
            wait([self.fileno()], seconds)
        return self.asked_at is not None

    def ask(self) -> None:
        """Ask to stop, as Ctrl-C does."""
        if self.asked_at is None:
            self.asked_at = time.monotonic()
            os.write(self._writer, b"!")

    def _note(self, number: int, frame: FrameType | None) -> None:
        if self.asked_at is not None:
            raise KeyboardInterrupt
        self.ask()

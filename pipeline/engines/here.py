"""The engine "here": a supervised pool of processes on this machine, no server, starts at once.

A process that dies costs its own task one lone retry and nothing else; the standard library's
pool would break for good. Knows nothing of pixels, files or the manifest.
"""

from __future__ import annotations

import math
import os
import pickle
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from contextlib import suppress
from functools import partial
from multiprocessing.connection import Connection, wait
from typing import Any, TypedDict, Unpack

from pipeline.engines import Failure, Outcome, Task
from pipeline.engines.tries import Interruption, tried
from pipeline.engines.worker import GO_HOME, bug

TIMEOUT_S = 900.0
GRACE_S = 60.0

HOME_S = 5.0
"""How long a worker that was told to go home may take before it is killed."""

ONE_THREAD = {
    "NUMBA_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
}
"""The environment of a worker: the parallelism is in the processes."""
KEEPS_MEMORY = {"MALLOC_MMAP_THRESHOLD_": str(1 << 28), "MALLOC_TRIM_THRESHOLD_": str(1 << 30)}
"""And for the GNU C library (mallopt(3)), in bytes: what one frame was read into is there for the
next, which saves a sixth of an assessment. Other libraries know neither name."""

START = (
    "import sys; descriptor, limit, function, *sys.path[:] = sys.argv[1:]; "
    "from pipeline.engines.worker import serve; serve(int(descriptor), int(limit), function)"
)
"""What a worker runs. It never imports the caller's ``__main__``, guarded or not, and it looks for
modules where the caller does: never in the working folder, which may be a stranger's."""


class Limits(TypedDict, total=False):
    """``timeout_s`` bounds one task and, the first time, the start of its process; ``grace_s``
    bounds what is in flight when the user asks to stop. ``memory_limit_bytes`` bounds a worker's
    private memory, where the system can (Linux); 0 means no bound.
    """

    timeout_s: float
    grace_s: float
    memory_limit_bytes: int


class Here:
    """Works off tasks in up to ``workers`` processes, each started when it is first needed.

    ``function`` is ``"module:callable"``: the workers import it, the caller never does. It takes
    a task's ``work`` and returns a picklable record or raises.
    """

    def __init__(
        self,
        function: str,
        workers: int,
        **limits: Unpack[Limits],
    ) -> None:
        self.workers = max(1, workers)
        self._crew = partial(Crew, function, **limits)

    def run(self, tasks: Iterable[Task]) -> Generator[Outcome]:
        """Work off the tasks: see ``Engine.run``."""
        yield from tried(self._work_off, tasks)

    def _work_off(
        self, tasks: Iterable[Task], interruption: Interruption, *, alone: bool
    ) -> Iterator[Outcome]:
        # of lone tries each has processes of its own: the last one's may have been the fault
        passes = ([task] for task in tasks) if alone else [tasks]
        for tasks_of_pass in passes:
            with self._crew(1 if alone else self.workers) as crew:
                yield from crew.work_off(tasks_of_pass, interruption)


class Crew:
    """Processes that work off tasks, at most so many at once, kept from pass to pass.

    The arguments are those of ``Here``. Leaving it ends them all, in good order if it can be.
    """

    def __init__(
        self,
        function: str,
        workers: int,
        *,
        timeout_s: float = TIMEOUT_S,
        grace_s: float = GRACE_S,
        memory_limit_bytes: int = 0,
    ) -> None:
        self._function = function
        self._workers = workers
        self._timeout_s = timeout_s
        self._grace_s = grace_s
        self._memory_limit_bytes = memory_limit_bytes
        self._busy: list[_Worker] = []
        self._idle: list[_Worker] = []

    def __enter__(self) -> Crew:
        return self

    def __exit__(self, error: type[BaseException] | None, *_: object) -> None:
        if error is None:
            for worker in self._idle:
                worker.send_home()
            for worker in self._idle:
                worker.see_off()
        self.kill()

    def kill(self) -> None:
        """End every process, whatever it does; from any thread."""
        for worker in (*self._busy, *self._idle):
            worker.kill()

    def prepare(self) -> None:
        """Start the processes now, instead of with their first tasks."""
        with suppress(OSError):  # is said when there is a task
            while len(self._busy) + len(self._idle) < self._workers:
                self._idle.append(self._new())

    def work_off(self, tasks: Iterable[Task], interruption: Interruption) -> Iterator[Outcome]:
        """One outcome a task, in the order in which they end: see ``tries.WorkOff``."""
        waiting = iter(tasks)
        ready: deque[Outcome] = deque()
        while True:
            while len(self._busy) < self._workers and interruption.asked_at is None:
                task = next(waiting, None)
                if task is None:
                    break
                ready.extend(self._begin(task))
            # Refill before every yield: the caller may take its time to record an outcome.
            if ready:
                yield ready.popleft()
            elif self._busy:
                ended = self._ended(interruption)
                if interruption.asked_at is not None:
                    ended = [end for end in ended if not (end.failure and end.failure.lost)]
                ready.extend(ended)
            else:
                return

    def _begin(self, task: Task) -> Iterator[Outcome]:
        """Hand the task to a worker; where that cannot be done, its outcome says so."""
        try:
            message = pickle.dumps(task.work)
        except Exception as error:
            yield Outcome(task, failure=bug(error))
            return
        try:
            worker = self._idle.pop() if self._idle else self._new()
        except OSError as error:
            sentence = f"no process could be started for it ({error.strerror})"
            yield Outcome(task, failure=Failure(sentence, lost=True))
            return
        self._busy.append(worker)
        worker.begin(task, message, time.monotonic() + self._timeout_s)

    def _new(self) -> _Worker:
        return _Worker(self._function, self._memory_limit_bytes)

    def _ended(self, interruption: Interruption) -> list[Outcome]:
        """Wait for an answer, a death, a deadline or an interruption; what ended by it."""
        watched: list[Any] = [worker.connection for worker in self._busy]
        last = math.inf
        if interruption.asked_at is None:
            watched.append(interruption)
        else:
            last = interruption.asked_at + self._grace_s
        soonest = min(last, *(worker.deadline for worker in self._busy))
        heard = wait(watched, max(0.0, soonest - time.monotonic()))
        now = time.monotonic()
        outcomes = []
        for worker in tuple(self._busy):
            if worker.connection in heard:
                outcome = worker.outcome()
            elif now >= min(worker.deadline, last):
                outcome = worker.lost("it took too long")
            else:
                continue
            self._busy.remove(worker)
            if outcome.failure and outcome.failure.lost:
                worker.kill()
            else:
                self._idle.append(worker)
            outcomes.append(outcome)
        return outcomes


class _Worker:
    """One process and the socket to it. At most one task is in its hands."""

    task: Task
    deadline: float

    def __init__(self, function: str, memory_limit_bytes: int) -> None:
        # What libraries print must reach neither a report on stdout nor the progress bar, but it
        # is the only witness of a crash.
        self._said = tempfile.TemporaryFile()  # noqa: SIM115 - closed by kill()
        ours, theirs = socket.socketpair()
        with ours, theirs:
            descriptor = theirs.fileno()
            python = (sys.executable, "-c", START)
            self._process = subprocess.Popen(
                [*python, str(descriptor), str(memory_limit_bytes), function, *sys.path],
                pass_fds=[descriptor],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=self._said,
                env={**os.environ, **ONE_THREAD, **KEEPS_MEMORY},
                process_group=0,  # Ctrl-C in the terminal is for the parent to deal with
            )
            self.connection = Connection(ours.detach())

    def begin(self, task: Task, message: bytes, deadline: float) -> None:
        self.task = task
        self.deadline = deadline
        with suppress(OSError):  # a dead worker shows when its answer is read
            self.connection.send_bytes(message)

    def outcome(self) -> Outcome:
        """Read the answer, which is there; a worker that died in between has lost its task."""
        try:
            answer = self.connection.recv_bytes()
        except (EOFError, OSError):
            return self.lost(f"the process that worked on it {self._end()}")
        try:
            record, failure = pickle.loads(answer)
        except Exception as error:
            return Outcome(self.task, failure=bug(error))
        return Outcome(self.task, record, failure)

    def lost(self, sentence: str) -> Outcome:
        tail = 1 << 14
        said = self._said.fileno()
        details = os.pread(said, tail, max(0, os.fstat(said).st_size - tail))
        failure = Failure(sentence, details=details.decode(errors="replace"), lost=True)
        return Outcome(self.task, failure=failure)

    def _end(self) -> str:
        try:
            code = self._process.wait(HOME_S)
        except subprocess.TimeoutExpired:
            return "stopped answering"
        if code >= 0:
            return f"ended by itself with exit code {code}"
        if code == -signal.SIGKILL:
            return "was killed, as the system does when memory runs out"
        return f"died ({signal.strsignal(-code) or f'signal {-code}'})"

    def send_home(self) -> None:
        with suppress(OSError):
            self.connection.send_bytes(GO_HOME)

    def see_off(self) -> None:
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(HOME_S)

    def kill(self) -> None:
        """End the process and all that it started, and give back what it held."""
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(self._process.pid, signal.SIGKILL)
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(HOME_S)
        self.connection.close()
        self._said.close()

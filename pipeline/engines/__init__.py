"""Engines: where the tasks of a run are worked on.

``here`` is a pool of processes on this machine; ``prefect`` shows the same work on a Prefect
server's page, and takes it to a Dask cluster.

An engine takes tasks and gives outcomes. It knows nothing of pixels, files or the manifest: only
the process that holds the plan records what came out.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol


@dataclass(frozen=True, slots=True)
class Task:
    """One piece of work: the name under which the user knows it, and a picklable argument."""

    name: str
    work: Any


@dataclass(frozen=True, slots=True)
class Failure:
    """Why a task gave no record.

    ``sentence`` is for the user. ``exit_code`` is that of the ``SafelightError`` that was raised,
    1 for everything else. ``details`` is a traceback or what a dying process said, and is for
    ``--debug`` only. ``lost`` says that the process gave no answer, twice: it died, ran out of
    memory or out of time. ``may_pass`` says that another moment may see it done: a disk across the
    network that did not answer.
    """

    sentence: str
    exit_code: int = 1
    details: str = ""
    lost: bool = False
    may_pass: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a task ended: with what its function returned, or with a failure."""

    task: Task
    record: Any = None
    failure: Failure | None = None


@dataclass(frozen=True, slots=True)
class Counted:
    """Tasks whose number is known before they are drawn: an engine may ask with ``length_hint``."""

    tasks: Iterable[Task]
    count: int

    def __iter__(self) -> Iterator[Task]:
        return iter(self.tasks)

    def __length_hint__(self) -> int:
        return self.count


class Engine(Protocol):
    """Whatever works off tasks."""

    def run(self, tasks: Iterable[Task]) -> Generator[Outcome]:
        """Work off the tasks, in any order; each that was begun ends in exactly one outcome.

        Tasks are drawn only as they can be begun. One that is lost is tried once more, one whose
        failure may pass three times, after all the others (``tries``). Ctrl-C and SIGTERM let the
        tasks in flight finish, deliver their outcomes and then raise ``KeyboardInterrupt``; a
        second one raises it at once.
        """


MakeEngine = Callable[[int], Engine]
"""Makes an engine for pictures of at most so many pixels."""

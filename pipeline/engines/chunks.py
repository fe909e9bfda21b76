"""The other side of a spool: some of its tasks, worked off under the supervision of ``here``.

Runs in a thread of any process that sees the spool: the one that made it, or a worker of a cluster
on another machine. Each thread has a supervised process of its own, kept from chunk to chunk.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pipeline.engines import Failure, Task
from pipeline.engines.here import Crew
from pipeline.engines.spool import Spool, SpoolGone
from pipeline.engines.tries import Interruption
from pipeline.engines.worker import function_of
from pipeline.errors import SafelightError

Answer = tuple[str, Any, Failure | None]
"""A task's name, its record and its failure, as in ``Outcome``."""

PATHS_SAY = "job.yaml's engine says with paths where workers find it"


class OtherVersions(SafelightError):
    """This process would make other files than those that the keys promise."""


def work_off(folder: str, names: Sequence[str]) -> list[Answer]:
    """Work off those of the named tasks that have no outcome yet; the outcomes of all that ended.

    Each is laid into the spool as it ends. Begins nothing once the spool says stop. Raises
    ``SpoolGone`` where the folder is not seen from here, or no longer, and ``OtherVersions``.
    """
    desk = _desk(Path(folder))
    spool = desk.spool

    def missing() -> Iterator[Task]:
        for name in names:
            if spool.stopped:
                return
            if spool.is_open(name):
                yield spool.task(name)

    try:
        with desk.crew() as crew, Interruption() as nobodys:
            for outcome in crew.work_off(missing(), nobodys):
                if not (spool.stopped and outcome.failure and outcome.failure.lost):
                    spool.answer(outcome)
        outcomes = [spool.outcome(Task(name, None)) for name in names if spool.has_answer(name)]
    except OSError as error:
        raise SpoolGone(f"{folder} is no longer there ({error.strerror})") from error
    return [(outcome.task.name, outcome.record, outcome.failure) for outcome in outcomes]


def hindrance(folder: str, mark: str) -> str | None:
    """Why the spool with that mark cannot be served from this process; None where it can."""
    job = Path(folder).parents[1]
    try:
        found = _desk(Path(folder)).spool.header.mark
    except SpoolGone as error:
        if isinstance(error.__cause__, PermissionError):
            return f"it may not read in {job}: workers have to be the same user's"
        return f"it does not see the job's folder as {job}; {PATHS_SAY}"
    except SafelightError as error:
        return str(error)
    return None if found == mark else f"{job} is another folder there; {PATHS_SAY}"


def prepare(folder: str, processes: int) -> None:
    """Start so many processes for a spool, which are ready sooner than its first tasks then.

    Raises as ``work_off``.
    """
    _desk(Path(folder)).prepare(processes)


def close() -> None:
    """End every process that chunks of any spool started here."""
    with _lock:
        for desk in _desks.values():
            desk.close()
        _desks.clear()


class _Desk:
    """A spool as this process serves it."""

    def __init__(self, spool: Spool) -> None:
        self.spool = spool
        self._idle: list[Crew] = []
        self._all: list[Crew] = []

    @contextmanager
    def crew(self) -> Iterator[Crew]:
        """One process under supervision, for one thread at a time."""
        try:
            crew = self._idle.pop()
        except IndexError:
            crew = self._made()
        try:
            yield crew
        except BaseException:
            crew.kill()
            raise
        self._idle.append(crew)

    def prepare(self, processes: int) -> None:
        """Have so many processes started, and no task given to them yet."""
        for _ in range(processes):
            crew = self._made()
            crew.prepare()
            self._idle.append(crew)

    def close(self) -> None:
        for crew in self._all:
            crew.kill()

    def _made(self) -> Crew:
        header = self.spool.header
        crew = Crew(header.function, 1, timeout_s=header.timeout_s)
        self._all.append(crew)
        return crew


_desks: dict[Path, _Desk] = {}
_lock = threading.Lock()


def _desk(folder: Path) -> _Desk:
    """The desk for a spool. Those of earlier runs are closed: their runs are over, or killed."""
    with _lock:
        if folder not in _desks:
            spool = Spool.opened(folder)
            here = function_of(spool.header.versions_from)()
            if others := _differences(spool.header.libraries, here):
                raise OtherVersions(f"{others}: it would make other files than the plan promises")
            for desk in _desks.values():
                desk.close()
            _desks.clear()
            _desks[folder] = _Desk(spool)
        return _desks[folder]


def _differences(wanted: Mapping[str, str], found: Mapping[str, str]) -> str:
    names = sorted(wanted.keys() | found.keys())
    return ", ".join(
        f"{name} {found.get(name, 'missing')} for {wanted.get(name, 'none')}"
        for name in names
        if wanted.get(name) != found.get(name)
    )

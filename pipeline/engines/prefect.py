"""The engine that shows its work on a Prefect server's page, and takes it to a Dask cluster.

A run is one flow, and each chunk of its tasks one of Prefect's. What runs inside them is supervised
as it is ``here``: a dead process, a task that takes too long, a wish to stop are ours to deal with.
What came out is told by the spool, and counts once the caller has recorded it. Prefect itself is
imported while the processes that will do the work start.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import chain
from operator import length_hint
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from pipeline.engines import Counted, Engine, Failure, Outcome, Task, chunks
from pipeline.engines.chunks import OtherVersions
from pipeline.engines.here import GRACE_S
from pipeline.engines.spool import Header, Spool
from pipeline.engines.tries import Interruption, may_pass, tried
from pipeline.engines.worker import bug
from pipeline.errors import SafelightError

if TYPE_CHECKING:
    from prefect.futures import PrefectFuture
    from prefect.task_runners import TaskRunner

    from pipeline.engines.flow import Flow

CHUNK_S = 10.0
"""How much work a chunk holds, as far as is known: what a task of Prefect's costs is lost in it."""

COST_SHARE = 0.1
"""How much of a chunk's time its cost may be towards the end, where chunks get smaller. A lane that
waits for another's last chunk loses more."""

LOOK_S = 0.05
"""How often the spool is looked into."""

LANES_S = 60.0
"""How long a cluster may be without a worker."""


class Site(Protocol):
    """Where chunks are worked on: threads of this process, or the workers of a cluster.

    ``task_cost_s`` is what a chunk costs beside its tasks; ``ahead`` is how many chunks should lie
    ready there, beyond those that are worked on.
    """

    task_cost_s: float
    ahead: int

    def prepare(self, spool: Spool, pixels: int, tasks: int) -> None:
        """See that the spool can be served from there, and start processes for so many tasks.

        Raises ``SafelightError`` where it cannot.
        """

    def lanes(self, pixels: int) -> int:
        """How many tasks on pictures of so many pixels can be worked on there now; 0 for none."""

    def runner(self) -> TaskRunner[Any]:
        """What takes chunks there; asked for once, by the flow."""

    def failure(self, error: BaseException) -> Failure:
        """Why a chunk ended without an answer for each of its tasks."""

    def clear(self) -> None:
        """End the processes that do the spool's tasks."""

    def close(self) -> None:
        """Leave it, after the flow's end."""


class Threads:
    """This process; each of its threads with one supervised process."""

    task_cost_s = 0.006
    ahead = 0

    def __init__(self, lanes: Callable[[int], int]) -> None:
        self.lanes = lanes

    def prepare(self, spool: Spool, pixels: int, tasks: int) -> None:
        chunks.prepare(spool.there, min(self.lanes(pixels), tasks))

    def runner(self) -> TaskRunner[Any]:
        from prefect.task_runners import ThreadPoolTaskRunner

        from pipeline.engines.capacity import cores

        return ThreadPoolTaskRunner(max_workers=cores())

    def failure(self, error: BaseException) -> Failure:
        return failure_of(error)

    def clear(self) -> None:
        chunks.close()

    def close(self) -> None:
        pass


def failure_of(error: BaseException) -> Failure:
    """A chunk's error is none of its tasks', so another moment may see them done."""
    if isinstance(error, OtherVersions):
        return Failure(str(error), error.exit_code)
    if isinstance(error, SafelightError):
        return Failure(str(error), error.exit_code, may_pass=True)
    return Failure(f"{type(error).__name__}: {error}".partition("\n")[0][:300], may_pass=True)


class OnPrefect:
    """While it is entered, makes engines whose work is one flow on a Prefect server.

    The flow begins with the first task: where there is none, the server hears of nothing. ``name``
    and ``labels`` are what a person finds it by. ``header`` says what is in a spool, and ``beside``
    is the folder on the job's disk where spools go. ``stage_of`` names what a task is part of.
    """

    def __init__(
        self,
        beside: Path,
        header: Callable[[], Header],
        site: Site,
        stage_of: Callable[[Task], str],
        *,
        name: str,
        labels: Sequence[str],
    ) -> None:
        self.beside, self.header, self.site, self.stage_of = beside, header, site, stage_of
        self._name, self._labels = name, labels
        self.flow: Flow | None = None

    def __enter__(self) -> OnPrefect:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.site.clear()
        if self.flow is not None:
            self.flow.end(kind)
        self.site.close()

    def __call__(self, pixels: int) -> Engine:
        return _Engine(self, pixels)

    def begun(self) -> Flow:
        """The flow, which begins now if it has not yet."""
        if self.flow is None:
            from pipeline.engines.quiet import import_prefect

            import_prefect()
            from pipeline.engines.flow import Flow

            flow = Flow(self._name, self._labels, self.site.runner)
            flow.do(lambda: None)  # where it cannot be opened, that is no frame's fault
            self.flow = flow
        return self.flow


class NobodyThere(SafelightError):
    """A cluster has no worker."""

    exit_code = 1


@dataclass(slots=True)
class _Chunk:
    """Tasks on their way: those that have not ended, and when something was last heard of them."""

    names: Sequence[str]
    left: dict[str, Task]
    future: PrefectFuture[Any]
    heard_at: float


class _Engine:
    """Works off tasks in chunks, each one of Prefect's tasks."""

    def __init__(self, parent: OnPrefect, pixels: int) -> None:
        self._parent, self._pixels = parent, pixels
        self._site = parent.site
        self._task_s = 0.0

    def run(self, tasks: Iterable[Task]) -> Generator[Outcome]:
        """Work off the tasks: see ``Engine.run``."""
        waiting = iter(tasks)
        first = next(waiting, None)
        if first is None:
            return
        again = Counted(chain([first], waiting), length_hint(tasks, 1))
        spool = Spool.made(self._parent.beside, self._parent.header())
        try:
            self._site.prepare(spool, self._pixels, again.count)
            self._flow = self._parent.begun()
            yield from tried(partial(self._work_off, spool), again)
        finally:
            spool.stop()
            self._site.clear()
            spool.remove()

    def _work_off(
        self, spool: Spool, tasks: Iterable[Task], interruption: Interruption, *, alone: bool
    ) -> Iterator[Outcome]:
        """One outcome a task: see ``tries.WorkOff``."""
        left = length_hint(tasks)
        waiting = _Stages(tasks, self._parent.stage_of)
        going: list[_Chunk] = []
        while True:
            lanes = min(1, self._lanes(interruption)) if alone else self._lanes(interruption)
            # towards the end none lies ready: it would wait behind a long one while others idle
            ahead = 0 if alone or left <= 2 * lanes else self._site.ahead
            most = lanes + ahead
            while len(going) < most and interruption.asked_at is None:
                stage, batch = waiting.draw(1 if alone else self._size(left, lanes))
                if not batch:
                    break
                left -= len(batch)
                yield from self._begin(spool, stage, batch, going)
            if not going:
                return
            heard = False
            for this in tuple(going):
                for outcome in self._ended(spool, this, interruption):
                    heard = True
                    yield outcome
                if not this.left:
                    going.remove(this)
                    for name in this.names:
                        spool.clear(name)
            if interruption.asked_at is not None:
                spool.stop()
                if time.monotonic() > interruption.asked_at + GRACE_S:
                    return
            elif self._flow.cancelled():
                interruption.ask()
            if not heard:
                time.sleep(LOOK_S)

    def _lanes(self, interruption: Interruption) -> int:
        """How many lanes there are, once there are any; none after an interruption."""
        until = time.monotonic() + LANES_S
        while not (lanes := self._site.lanes(self._pixels)):
            if interruption.comes_within(1.0):
                return 0
            if time.monotonic() > until:
                raise NobodyThere(
                    f"no worker is there to go on with; {LANES_S:.0f} s were waited. What was "
                    "finished is recorded"
                )
        return lanes

    def _size(self, left: int, lanes: int) -> int:
        """How many tasks make a chunk: so many as ``CHUNK_S`` holds, fewer towards the end.

        A chunk is at most half of a lane's even share of what is left, so that all lanes end at
        about one time, unless it would cost more than its share.
        """
        if not self._task_s:
            return 1
        whole = CHUNK_S / self._task_s
        share = left / max(1, lanes)
        least = min(self._site.task_cost_s / COST_SHARE / self._task_s, share)
        return max(1, round(min(whole, max(least, share / 2))))

    def _begin(
        self, spool: Spool, stage: str, batch: Sequence[Task], going: list[_Chunk]
    ) -> Iterator[Outcome]:
        """Send a chunk on its way; an outcome for each task that could not be sent."""
        laid: dict[str, Task] = {}
        for each in batch:
            try:
                spool.clear(each.name)
                spool.put(each)
                laid[each.name] = each
            except OSError as error:
                sentence = f"its task could not be laid out ({error.strerror})"
                yield Outcome(each, failure=Failure(sentence, may_pass=may_pass(error)))
            except Exception as error:
                yield Outcome(each, failure=bug(error))
        names = tuple(laid)
        if not names:
            return
        try:
            future = self._flow.send(stage, _few(names), spool.there, names)
        except Exception as error:
            for each in laid.values():
                yield Outcome(each, failure=failure_of(error))
            return
        going.append(_Chunk(names, laid, future, time.monotonic()))

    def _ended(self, spool: Spool, this: _Chunk, interruption: Interruption) -> Iterator[Outcome]:
        """What came of a chunk since it was looked at last."""
        # before the spool is looked into, not after
        over = this.future.wrapped_future.done()  # type: ignore[attr-defined]
        now = time.monotonic()
        for name in spool.answers(tuple(this.left)):
            self._took(now - this.heard_at)
            this.heard_at = now
            yield from _unless_stopped(spool.outcome(this.left.pop(name)), interruption)
        late = now > this.heard_at + spool.header.timeout_s + GRACE_S
        if not this.left or not (over or late):
            return
        failure = Failure("nothing was heard of it for too long", lost=True)
        if over:
            try:
                for name, record, failed in this.future.result():
                    if name in this.left:
                        outcome = Outcome(this.left.pop(name), record, failed)
                        yield from _unless_stopped(outcome, interruption)
                failure = Failure("it was not begun", may_pass=True)
            except BaseException as error:
                failure = self._site.failure(error)
        for name in tuple(this.left):
            outcome = Outcome(this.left.pop(name), failure=failure)
            if interruption.asked_at is None:
                yield outcome

    def _took(self, seconds: float) -> None:
        """Learn how long tasks take."""
        self._task_s = 0.7 * self._task_s + 0.3 * seconds if self._task_s else seconds


def _unless_stopped(outcome: Outcome, interruption: Interruption) -> Iterator[Outcome]:
    """After an interruption what was lost, or may pass, is nobody's fault and stays to be done."""
    failure = outcome.failure
    if interruption.asked_at is None or not (failure and (failure.lost or failure.may_pass)):
        yield outcome


def _few(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]} ({len(names)})"


class _Stages:
    """Tasks, drawn in batches of one stage each."""

    def __init__(self, tasks: Iterable[Task], stage_of: Callable[[Task], str]) -> None:
        self._tasks = iter(tasks)
        self._stage_of = stage_of
        self._next: Task | None = None

    def draw(self, count: int) -> tuple[str, list[Task]]:
        """At most so many; none when there are no more."""
        stage, batch = "", list[Task]()
        while len(batch) < count:
            task = self._next or next(self._tasks, None)
            self._next = None
            if task is None:
                break
            if batch and self._stage_of(task) != stage:
                self._next = task
                break
            stage = self._stage_of(task)
            batch.append(task)
        return stage, batch

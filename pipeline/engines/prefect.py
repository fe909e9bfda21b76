"""The engine that shows its work on a Prefect server's page, and takes it to a Dask cluster.

A run is one flow, and each chunk of its tasks one of Prefect's. What runs inside them is supervised
as it is ``here``: a dead process, a task that takes too long, a wish to stop are ours to deal with.
Prefect's record is a view. What came out is told by the spool, and counts once the caller has
recorded it, so a server that loses half of what it was told costs nothing but that.
"""

from __future__ import annotations

import contextvars
import os
import threading
import time
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from itertools import chain
from operator import length_hint
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Protocol, TypeVar
from uuid import UUID

# Read when Prefect is imported. Nobody is told that it is used, and what it has to say to a
# terminal is said by whoever runs the flow.
os.environ.setdefault("DO_NOT_TRACK", "1")
os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
os.environ.setdefault("PREFECT_SERVER_EPHEMERAL_ENABLED", "false")
os.environ.setdefault("PREFECT_LOGGING_LEVEL", "CRITICAL")
os.environ.setdefault("PREFECT_INTERNAL_LOGGING_LEVEL", "CRITICAL")
os.environ.setdefault("PREFECT_LOGGING_TO_API_ENABLED", "false")

from prefect import flow, task
from prefect.artifacts import (
    create_markdown_artifact,
    create_progress_artifact,
    create_table_artifact,
    update_progress_artifact,
)
from prefect.cache_policies import NO_CACHE
from prefect.client.orchestration import get_client
from prefect.client.schemas.filters import (
    FlowRunFilter,
    FlowRunFilterId,
    FlowRunFilterState,
    FlowRunFilterStateType,
    FlowRunFilterTags,
    TaskRunFilter,
    TaskRunFilterState,
    TaskRunFilterStateType,
)
from prefect.client.schemas.objects import State, StateType
from prefect.context import FlowRunContext
from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings
from prefect.states import Cancelled, Completed, Crashed, Failed
from prefect.task_runners import ThreadPoolTaskRunner

from pipeline.engines import Counted, Engine, Failure, Outcome, Task, chunks
from pipeline.engines.chunks import Answer, OtherVersions
from pipeline.engines.here import GRACE_S
from pipeline.engines.server import API, state_of_run, unwell
from pipeline.engines.spool import Header, Spool
from pipeline.engines.tries import Interruption, may_pass, tried
from pipeline.engines.worker import bug
from pipeline.errors import SafelightError

if TYPE_CHECKING:
    from prefect.futures import PrefectFuture
    from prefect.task_runners import TaskRunner

T = TypeVar("T")

CHUNK_S = 10.0
"""How much work a chunk holds, as far as is known: what a task of Prefect's costs is lost in it."""

COST_SHARE = 0.1
"""How much of a chunk's time its cost may be towards the end, where chunks get smaller. A lane that
waits for another's last chunk loses more."""

END_S = 10.0
"""How long the server may take to note that a run has ended."""

AWAY_S = 1.0
"""The same where it does not answer any more."""

LOOK_S = 0.05
"""How often the spool is looked into."""

ASK_S = 2.0
"""How often the server is asked whether somebody cancelled the run on its page."""

SILENCE_S = 60.0
"""How long it is not asked again when it did not say."""

LANES_S = 60.0
"""How long a cluster may be without a worker."""


def work_on(stage: str, spool: str, names: Sequence[str]) -> State[list[Answer]]:
    """Work off some of the tasks of a stage. The arguments are names only."""
    answers = chunks.work_off(spool, names)
    failed = [name for name, _, failure in answers if failure]
    said = f"{stage}: {len(answers) - len(failed)} of {len(names)} done"
    if failed:
        said += f"; failed: {', '.join(failed)}"
    return Completed(message=said, data=answers)


# beside its function, not around it: what goes to a cluster is looked up there by its name
chunk = task(name="chunk", cache_policy=NO_CACHE, persist_result=False, retries=0)(work_on)


class Site(Protocol):
    """Where chunks are worked on: threads of this process, or the workers of a cluster.

    ``task_cost_s`` is what a chunk costs beside its tasks; ``ahead`` is how many chunks should lie
    ready there, beyond those that are worked on.
    """

    task_cost_s: float
    ahead: int

    def runner(self) -> TaskRunner[Any]:
        """What takes chunks there; asked for once, by the flow."""

    def lanes(self, pixels: int) -> int:
        """How many tasks on pictures of so many pixels can be worked on there now; 0 for none."""

    def check(self, spool: Spool) -> None:
        """Raises ``SafelightError`` where the spool cannot be served from there."""

    def failure(self, error: BaseException) -> Failure:
        """Why a chunk ended without an answer for each of its tasks."""

    def close(self) -> None:
        """End what chunks started there."""


class Threads:
    """This process; each of its threads with one supervised process."""

    task_cost_s = 0.006
    ahead = 0

    def __init__(self, lanes: Callable[[int], int]) -> None:
        self.lanes = lanes

    def runner(self) -> TaskRunner[Any]:
        from pipeline.engines.capacity import cores

        return ThreadPoolTaskRunner(max_workers=cores())

    def check(self, spool: Spool) -> None:
        pass

    def failure(self, error: BaseException) -> Failure:
        return failure_of(error)

    def close(self) -> None:
        chunks.close()


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
        self.flow = Flow(name, labels, site.runner)

    def __enter__(self) -> OnPrefect:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.site.close()
        self.flow.end(kind)

    def __call__(self, pixels: int) -> Engine:
        return _Engine(self, pixels)


class Flow:
    """A flow that is open while the program goes on: a thread that does what it is asked within it.

    Signals stay the main thread's, where they are noted instead of thrown.
    """

    def __init__(
        self, name: str, labels: Sequence[str], runner: Callable[[], TaskRunner[Any]]
    ) -> None:
        self.ending = ""
        self.failed = False
        self._name, self._labels, self._runner = name, labels, runner
        self._inbox: SimpleQueue[tuple[Callable[[], Any], Future[Any]] | State[None]] = (
            SimpleQueue()
        )
        self._thread: threading.Thread | None = None
        self.run_id: UUID | None = None
        self._bar: UUID | None = None
        self._ended: State[None] | None = None
        self._asked_at = 0.0

    def do(self, call: Callable[[], T]) -> T:
        """What ``call`` returns or raises, within the flow, which begins with the first."""
        if self._thread is None:
            inside = contextvars.copy_context()  # of a flow that this one is part of
            self._thread = threading.Thread(target=inside.run, args=(self._open,), daemon=True)
            self._thread.start()
        done: Future[T] = Future()
        self._inbox.put((call, done))
        return done.result()

    def end(self, kind: type[BaseException] | None) -> None:
        """Close it, with the state that its page shows from then on: ``ending`` says more."""
        if self._thread is None:
            return
        if kind is None:
            state = Failed if self.failed else Completed
            ended: State[None] = state(message=self.ending)
        elif issubclass(kind, KeyboardInterrupt):
            ended = Cancelled(message="Stopped. What was finished is recorded.")
        else:
            ended = Failed(message=self.ending or "It ended early; what was finished is recorded.")
        self._inbox.put(ended)
        if unwell(os.environ[API]):
            self._thread.join(AWAY_S)
            _forget_events()
        else:
            self._thread.join(END_S)

    def show_progress(self, key: str, share: float, said: str) -> None:
        """A bar on the page, 0 to 1; within the flow. Keys are small letters, digits, dashes."""
        if self._bar is None:
            made = create_progress_artifact(100.0 * share, key=key, description=said)
            self._bar = made  # type: ignore[assignment]  # not awaited outside of a loop
        else:
            update_progress_artifact(self._bar, progress=100.0 * share, description=said)

    def show_table(self, key: str, rows: list[dict[str, Any]], said: str) -> None:
        """A table on the page; within the flow."""
        create_table_artifact(rows, key=key, description=said)

    def show_text(self, key: str, markdown: str, said: str) -> None:
        """A text on the page; within the flow."""
        create_markdown_artifact(markdown, key=key, description=said)

    def cancelled(self) -> bool:
        """Whether somebody cancelled it on the server's page; asks the server now and then."""
        now = time.monotonic()
        if self.run_id is None or now - self._asked_at < ASK_S:
            return False
        self._asked_at = now
        state = state_of_run(os.environ[API], self.run_id)
        if state is None:
            self._asked_at = now + SILENCE_S
        return state in (StateType.CANCELLING, StateType.CANCELLED)

    def _open(self) -> None:
        whole = flow(
            name="safelight",
            flow_run_name=literal(self._name),
            task_runner=self._runner(),
            persist_result=False,
        )(_until_the_end)
        _opened.set(self)
        try:
            # a join of the heartbeat's thread would hold up the end of every flow for a second
            with temporary_settings({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}):
                whole(return_state=True)
        except BaseException as error:
            self._serve(refusal=away(error))

    def begin(self, run_id: UUID) -> State[None]:
        """Within the flow: do what is asked until its end."""
        self.run_id = run_id
        with suppress(Exception), get_client(sync_client=True) as client:
            # not of the tasks too: each would ask the server for leave to begin, tag by tag
            client.update_flow_run(run_id, tags=self._labels)
        close_abandoned(self._labels, run_id)
        return self._serve()

    def _serve(self, refusal: SafelightError | None = None) -> State[None]:
        while self._ended is None:
            asked = self._inbox.get()
            if isinstance(asked, State):
                self._ended = asked
                break
            call, done = asked
            try:
                if refusal:
                    raise refusal
                done.set_result(call())
            except BaseException as error:
                done.set_exception(error)
        return self._ended


_opened: contextvars.ContextVar[Flow] = contextvars.ContextVar("_opened")


def _until_the_end() -> State[None]:
    """The flow: what is open in this thread. Its context travels to clusters, and no lock can."""
    context = FlowRunContext.get()
    assert context is not None and context.flow_run is not None
    return _opened.get().begin(context.flow_run.id)


def _forget_events() -> None:
    """Drop what Prefect has still to tell a server that is away: each would be tried for seconds,
    before the program could end. There is no public way."""
    from prefect.events.worker import EventsWorker

    for worker in tuple(getattr(EventsWorker, "_instances", {}).values()):
        with suppress(Empty, AttributeError):
            while True:
                worker._queue.get_nowait()


def literal(name: str) -> str:
    """A name as Prefect takes names: it fills in what stands in braces."""
    return name.replace("{", "{{").replace("}", "}}")


def away(error: BaseException) -> SafelightError:
    """What is said where the server does not do what it should."""
    return ServerAway(
        f"the Prefect server does not answer as it should ({type(error).__name__}: "
        f"{str(error).partition(chr(10))[0][:200]})"
    )


class ServerAway(SafelightError):
    """The Prefect server has gone."""

    exit_code = 1


class NobodyThere(SafelightError):
    """A cluster has no worker."""

    exit_code = 1


def close_abandoned(labels: Sequence[str], own: UUID) -> None:
    """Runs with these labels that are said to go on are of killed processes: say so."""
    going_on = [StateType.PENDING, StateType.RUNNING, StateType.CANCELLING]
    wanted = FlowRunFilter(
        tags=FlowRunFilterTags(all_=list(labels)),
        state=FlowRunFilterState(type=FlowRunFilterStateType(any_=going_on)),
    )
    with suppress(Exception), get_client(sync_client=True) as client:
        for found in client.read_flow_runs(flow_run_filter=wanted):
            if found.id == own:
                continue
            unfinished = client.read_task_runs(
                flow_run_filter=FlowRunFilter(id=FlowRunFilterId(any_=[found.id])),
                task_run_filter=TaskRunFilter(
                    state=TaskRunFilterState(type=TaskRunFilterStateType(any_=going_on))
                ),
            )
            gone: State[None] = Crashed(message="Its process was ended from outside.")
            for part in unfinished:
                client.set_task_run_state(part.id, gone, force=True)
            client.set_flow_run_state(found.id, gone, force=True)


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
        self._site, self._flow = parent.site, parent.flow
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
            self._flow.do(lambda: self._site.check(spool))
            yield from tried(partial(self._work_off, spool), again)
        finally:
            spool.stop()
            self._site.close()
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
            ahead = 0 if alone or left <= 4 * lanes else self._site.ahead
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
        run = chunk.with_options(task_run_name=literal(f"{stage}: {_few(names)}"))
        try:
            future = self._flow.do(lambda: run.submit(stage, spool.there, names))
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

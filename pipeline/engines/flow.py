"""A flow that is open while the program goes on. Only here is Prefect spoken to while a run lasts.

Prefect's record is a view. A server that loses half of what it was told costs nothing but that.
"""

from __future__ import annotations

import contextvars
import os
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, TypeVar
from uuid import UUID

import pipeline.engines.quiet  # noqa: F401 - before Prefect

# isort: split
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
from prefect.context import FlowRunContext, SettingsContext, get_settings_context
from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY
from prefect.states import Cancelled, Completed, Crashed, Failed

from pipeline.engines import chunks
from pipeline.engines.chunks import Answer
from pipeline.engines.server import API, state_of_run, unwell
from pipeline.errors import SafelightError

if TYPE_CHECKING:
    from prefect.futures import PrefectFuture
    from prefect.task_runners import TaskRunner

T = TypeVar("T")

END_S = 10.0
"""How long the server may take to note that a run has ended."""

AWAY_S = 1.0
"""The same where it does not answer any more."""

ASK_S = 2.0
"""How often the server is asked whether somebody cancelled the run on its page."""

SILENCE_S = 60.0
"""How long it is not asked again when it did not say."""


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


class _Settings(SettingsContext):
    """Prefect's settings, which go to other processes as they are: written out and read in again,
    value by value, they would cost each task 0.15 s."""

    def serialize(self, include_secrets: bool = True) -> dict[str, Any]:
        return {"profile": self.profile, "settings": self.settings}


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

    def send(self, stage: str, said: str, spool: str, names: Sequence[str]) -> PrefectFuture[Any]:
        """Send a chunk on its way; the page calls it by the stage and what is ``said``."""
        run = chunk.with_options(task_run_name=literal(f"{stage}: {said}"))
        return self.do(lambda: run.submit(stage, spool, names))

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
        _opened.set(self)
        try:
            usual = get_settings_context()
            # a join of the heartbeat's thread would hold up the end of every flow for a second
            settings = usual.settings.copy_with_update({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None})
            whole = flow(
                name="safelight",
                flow_run_name=literal(self._name),
                task_runner=self._runner(),
                persist_result=False,
            )(_until_the_end)
            with _Settings(profile=usual.profile, settings=settings):
                whole(return_state=True)
        except BaseException as error:  # whoever asks is answered, and does not wait
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

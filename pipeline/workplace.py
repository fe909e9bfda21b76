"""Where a run's work is done: by processes here, or as a flow on Prefect, on Dask if asked.

The flow is what a person looks at from afar: how far it is, where each frame stands, what still has
to go to the retoucher, where the proofs lie. It decides nothing, and nothing is read back from it.
"""

from __future__ import annotations

import math
import os
import re
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Protocol

from pipeline import wording
from pipeline.engines import Engine, Failure, MakeEngine, Task
from pipeline.engines.server import check_scheduler, unwell
from pipeline.errors import InvalidInput, Problem, ToolMissing, printable
from pipeline.status import by_urgency
from pipeline.survey import read_job
from pipeline.wording import counted

if TYPE_CHECKING:
    from pipeline.engines.flow import Flow
    from pipeline.engines.prefect import OnPrefect, Site
    from pipeline.engines.server import Server

BYTES_A_PIXEL = 20
BYTES_A_WORKER = 300 << 20
"""Memory of a worker: the raw, the 16-bit master and the reduced pictures by pixel, and what the
libraries take; measured with headroom by tests/bench/develop.py."""

DO = "pipeline.work:do"
VERSIONS = "pipeline.survey:what_decides"

TELL_S = 5.0
"""How often the page is told how far the run is."""

SILENCE_S = 60.0
"""How long the page is told nothing when its server did not answer: nothing waits for a page."""

ROWS = 1000
"""How many frames the page's table shows, the most pressing first."""

STAGES = {"ChartWork": "charts", "ProductsWork": "products"}
"""What tasks are called on the page, by the kind of their work; all others are frames'."""


ENGINES = ("here", "prefect", "dask")


@dataclass(frozen=True, slots=True)
class Wish:
    """Where somebody wants a run to be done: as in job.yaml's ``engine:``, or on the command line.

    ``serve`` asks for a Prefect server on this machine.
    """

    name: Literal["here", "prefect", "dask"] = "here"
    scheduler: str | None = None
    paths: Mapping[str, str] = field(default_factory=dict)
    serve: bool = False


def wish_for(folder: Path, engine: str | None, scheduler: str | None, *, serve: bool) -> Wish:
    """What was asked for on the command line, on top of what job.yaml says.

    A scheduler asks for dask, a server for prefect. Raises ``InvalidInput``.
    """
    name = engine or ("dask" if scheduler is not None else None)
    written = None if name in ("here", "prefect") else read_job(folder).file.engine
    if name is None and written is not None:
        name = "prefect" if serve and written.name == "here" else written.name
    faults = []
    if name not in ENGINES:
        faults.append(Problem("--engine", 0, "", wording.shown(str(name)), ", ".join(ENGINES)))
    elif scheduler is not None and name != "dask":
        faults.append(Problem("--scheduler", 0, "", f"with --engine {name}", "--engine dask"))
    elif serve and name == "here":
        faults.append(Problem("--serve", 0, "", "with --engine here", "--engine prefect or dask"))
    if faults:
        raise InvalidInput(faults)
    if name != "dask" or written is None:
        return Wish(name, serve=serve)  # type: ignore[arg-type]  # one of ENGINES
    return Wish("dask", written.scheduler if scheduler is None else scheduler, written.paths, serve)


class Listener(Protocol):
    """Whoever wants to know how a run is getting on."""

    def planned(self, frames: int) -> None:
        """So many frames will be worked on."""

    def ended(self, frame: str, failure: Failure | None) -> None:
        """A frame is done, or has failed."""


class Told(Protocol):
    """What came of a run; ``notes`` are sentences for whoever started it."""

    notes: list[str]

    @property
    def said(self) -> str: ...

    @property
    def exit_code(self) -> int: ...


class Workplace:
    """Where the work is done, and who is told. ``near`` says that it is done on this machine."""

    page: str | None = None

    def __init__(
        self, make: MakeEngine, listener: Listener | None = None, *, near: bool = True
    ) -> None:
        self.make, self.listener, self.near = make, listener, near

    def over(self, status: Callable[[], Mapping[str, Any]], outcome: Told) -> None:
        """The run's work is done, and this is what came of it."""


@contextmanager
def workplace(folder: Path, job: str, wish: Wish, listener: Listener | None) -> Iterator[Workplace]:
    """The place for a run of the job in ``folder``, whose writer's lock the caller holds.

    Raises ``ToolMissing`` where there is no server, no scheduler, no worker, or one that would make
    other files.
    """
    if wish.name == "here":
        yield Workplace(here, listener)
        return
    if wish.scheduler is not None:
        check_scheduler(wish.scheduler)
    server = prefect_server(wish.name, serve=wish.serve)
    from pipeline.engines.prefect import OnPrefect
    from pipeline.engines.spool import Header

    def header() -> Header:
        from pipeline.engines.here import TIMEOUT_S
        from pipeline.survey import what_decides

        return Header(DO, TIMEOUT_S, what_decides(), VERSIONS, wish.paths)

    named = f"{job}, {time.strftime('%Y-%m-%d %H:%M')}"
    labels = ["safelight", f"job: {job}", f"folder: {printable(str(folder))}"]
    with OnPrefect(folder, header, _site(wish), stage_of, name=named, labels=labels) as make:
        near = wish.scheduler is None
        yield OnPage(make, server, folder, job, listener, near=near)


def here(pixels: int) -> Engine:
    """The engine of this machine: as many processes as its cores and its memory carry."""
    from pipeline.engines.here import Here

    return Here(DO, lanes(pixels))


def threads(pixels: int, frames: int) -> int:
    """Threads for each picture, where so many of so many pixels are worked on here.

    More than one where their number or the memory leaves cores without a process.
    """
    from pipeline.engines.capacity import cores

    return math.ceil(cores() / max(1, min(lanes(pixels), frames)))


def lanes(pixels: int) -> int:
    """How many pictures of so many pixels this machine can work on at once."""
    from pipeline.engines.capacity import workers_for

    return workers_for(BYTES_A_WORKER + BYTES_A_PIXEL * pixels)


def mark_of(folder: Path) -> str:
    """What tells jobs of one name apart."""
    return sha256(os.fsencode(folder)).hexdigest()[:6]


def stage_of(task: Task) -> str:
    """What a task is part of, as the page calls it."""
    return STAGES.get(type(task.work).__name__, "frames")


def prefect_server(engine: str, *, serve: bool) -> Server:
    """The server that a run shows itself on, in the environment too. Prefect is not imported yet.

    Raises ``ToolMissing`` where there is none, or where what ``engine`` needs is not installed.
    """
    from importlib.util import find_spec

    from pipeline.engines import server

    for package in ("prefect", "prefect_dask") if engine == "dask" else ("prefect",):
        if find_spec(package) is None:
            raise ToolMissing(
                f"this needs the package {package}, which is not installed: "
                f'pip install "safelight[{engine}]"'
            )
    found = server.served() if serve else server.found()
    os.environ[server.API] = found.api
    return found


def _site(wish: Wish) -> Site:
    if wish.name == "dask":
        from pipeline.engines.dask import Cluster

        return Cluster(wish.scheduler, lanes)
    from pipeline.engines.prefect import Threads

    return Threads(lanes)


class OnPage(Workplace):
    """A flow, and what its page shows."""

    make: OnPrefect

    def __init__(
        self,
        make: OnPrefect,
        server: Server,
        folder: Path,
        job: str,
        listener: Listener | None,
        *,
        near: bool,
    ) -> None:
        super().__init__(make, self, near=near)
        self._server, self._folder, self._job, self._told = server, folder, job, listener
        self._count = self._done = 0
        self._next = 0.0

    def planned(self, frames: int) -> None:
        if self._told:
            self._told.planned(frames)
        self._count = frames

    def ended(self, frame: str, failure: Failure | None) -> None:
        if self._told:
            self._told.ended(frame, failure)
        self._done += 1
        now = time.monotonic()
        if now >= self._next or self._done == self._count:
            self._next = now + TELL_S
            share = self._done / max(1, self._count)
            said = f"{self._done} of {counted(self._count, 'frame')}"
            self._tell(lambda flow: flow.show_progress(self._key("progress"), share, said))

    def over(self, status: Callable[[], Mapping[str, Any]], outcome: Told) -> None:
        if (flow := self.make.flow) is None:
            return
        flow.failed, flow.ending = outcome.exit_code > 0, outcome.said
        if not flow.run_id:
            return
        if fault := unwell(self._server.api):
            outcome.notes.append(
                f"the Prefect server at {self._server.api} has gone ({fault}): its page does not "
                "show all of this run"
            )
            return
        self.page = f"{self._server.page}/runs/flow-run/{flow.run_id}"
        rows = by_urgency(status()["frames"])
        more = f", the {ROWS} most pressing" if len(rows) > ROWS else ""
        said = f"{self._job}: {counted(len(rows), 'frame')}{more}"
        owed = f"{self._job}: what retouching is owed"
        folder, shown = self._folder, printable(str(self._folder))
        self._tell(lambda flow: flow.show_table(self._key("frames"), _table(rows), said))
        self._tell(lambda flow: flow.show_text(self._key("retouch"), _owed(rows), owed))
        self._tell(lambda flow: flow.show_text(self._key("proofs"), _reports(folder), shown))

    def _tell(self, call: Callable[[Flow], None]) -> None:
        """What the page is not told, because its server is away, is told by ``status``."""
        if (flow := self.make.flow) is None:
            return
        if unwell(self._server.api):
            self._next = time.monotonic() + SILENCE_S
            return
        with suppress(Exception):
            flow.do(lambda: call(flow))

    def _key(self, what: str) -> str:
        """Prefect's keys: small letters, digits and dashes, one for all runs of a job."""
        name = re.sub("[^a-z0-9]+", "-", self._job.lower()).strip("-") or "job"
        return f"{name}-{mark_of(self._folder)}-{what}"


def _table(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    columns = ("frame", "state", "version", "rating", "stale", "next", "problem")
    return [{name: row[name] for name in columns} for row in rows[:ROWS]]


def _owed(rows: Sequence[Mapping[str, Any]]) -> str:
    """What retouching is owed, as Markdown."""
    lines = []
    for row in rows:
        if row["step"] in ("hand off", "wait", "overdue", "settle"):
            lines.append(f"- **{_plain(row['frame'])}**: {_plain(row['next'])}")
            asked = (row["retouch"] or {}).get("requests", ())
            lines += [f"  - {_plain(request['what'])} ({request['stands']})" for request in asked]
    return "\n".join(lines) or "Nothing waits for retouching."


def _reports(folder: Path) -> str:
    """Links to what lies in a job's reports, as Markdown."""
    made = sorted(path for path in (folder / "reports").glob("*") if path.is_file())
    lines = [f"- [{_plain(path.name)}]({path.as_uri()})" for path in made]
    return "\n".join(lines) or "No reports yet."


def _plain(text: str) -> str:
    """Text in which Markdown finds nothing to obey."""
    return re.sub(r"([\\`*_{}\[\]()<>#+!|-])", r"\\\1", text)

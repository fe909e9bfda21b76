"""From a job's folder to finished files: survey, plan, hand out the work, record what comes back.

The process that runs this holds the plan and is the manifest's only writer. Pixels are made in
workers (``work``), by whichever engine is given.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Generator, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, closing, nullcontext, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from importlib.metadata import version as installed
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from pipeline import evening
from pipeline.engines import Engine, Failure, Outcome, Task
from pipeline.errors import InvalidInput, Problem, SafelightError
from pipeline.hashing import digest_file, key_of
from pipeline.job import DEFAULT_EDITION, Job, load_job
from pipeline.manifest import Manifest
from pipeline.painted import check_painted
from pipeline.plan import Demand, delivery_inputs, inputs_of, plan, status
from pipeline.records import (
    Action,
    Artifact,
    Delivered,
    Evening,
    FrameState,
    MeasuredChart,
    ReadProducts,
    ResolvedChart,
    ResolvedFrame,
    Version,
)
from pipeline.selection import FramePattern
from pipeline.step import CHART_VERSION, PASS_VERSION, RENDITION_VERSION

if TYPE_CHECKING:
    from pipeline.files.metadata import MetadataWriter
    from pipeline.work import (
        ChartRead,
        ChartWork,
        DeliveredFile,
        FrameDone,
        FrameWork,
        ProductsWork,
    )

DEVELOPERS = ("numba", "numpy", "rawpy", "opencolorio")
"""Distributions whose code decides a master's pixels: their versions are part of every key."""
CHART_READERS = ("colour-science", "numpy", "opencv-python-headless", "rawpy", "scipy")
"""What decides how a chart is read."""
ENCODERS = ("imagecodecs", "numba", "numpy")
"""What decides a delivered file's pixels besides its master."""

BYTES_A_PIXEL = 20
BYTES_A_WORKER = 300 << 20
"""Memory of a worker: the raw, the 16-bit master and the reduced pictures by pixel, and what the
libraries take; measured with headroom by tests/bench/develop.py."""


@dataclass(frozen=True, slots=True)
class Survey:
    """What is asked for and what is known, as of one moment: all that the plan needs."""

    job: Job
    states: Mapping[str, FrameState]
    frames: tuple[ResolvedFrame, ...]
    demand: Demand
    charts: Mapping[str, MeasuredChart]
    products_read: Mapping[str, ReadProducts]

    @property
    def chart_keys(self) -> dict[str, str]:
        """The key of every setup's chart, by setup, as its file names it now."""
        return {
            name: key_of(_identified(chart, self.states).inputs)
            for name, chart in self.job.charts.items()
        }

    @property
    def actions(self) -> list[Action]:
        """The plan."""
        return plan(self.frames, self.states, self.demand)

    @property
    def status(self) -> dict[str, Any]:
        """Every frame's state, and counts."""
        return {"job": self.job.file.job, **status(self.frames, self.states, self.demand)}


def survey(
    folder: Path,
    manifest: Manifest,
    named: Sequence[str] = (),
    deliveries: Sequence[str] = (),
) -> Survey:
    """Read a job's files and its manifest.

    ``named`` are frames or patterns that a person named: the survey is then about those alone, and
    they count as selects unless deliveries are asked for. Raises ``InvalidInput`` with every
    problem.
    """
    job = load_job(folder, read_colour=_read_colour)
    states = manifest.frames()
    problems = job.check_frames(states)
    if problems:
        raise InvalidInput(problems)
    chosen = chosen_frames(named, states)
    frames = tuple(
        _with_chart(job.resolve(name, state.setup), states)
        for name, state in states.items()
        if not named or name in chosen
    )
    selects = {name for name, state in states.items() if job.selection.matches(state.rating)}
    problems = job.check_charts({name: states[name].setup for name in selects | chosen})
    wanted = [frame for frame in frames if frame.frame in selects | chosen]
    problems += check_painted(wanted, states, job.files)
    if problems:
        raise InvalidInput(problems)
    charts, read = manifest.charts(), manifest.products_read()
    libraries = {"pass": str(PASS_VERSION), **_versions(DEVELOPERS)}
    if job.recipe.file.even:
        among = [_with_chart(job.resolve(name, states[name].setup), states) for name in selects]
        even = evening.groups(among, states, libraries)
        frames = tuple(replace(frame, even=even.get(frame.frame)) for frame in frames)
    demand = Demand(
        # what is delivered of a frame is for the delivery to say
        selects=selects if deliveries else selects | chosen,
        libraries=libraries,
        encoders={"rendition": str(RENDITION_VERSION), **_versions(ENCODERS)},
        missing=_missing(folder, states.values(), manifest.artifacts_in_doubt()),
        named=chosen,
        measured=charts.keys() | read.keys(),
    )
    if deliveries:
        carried = {
            action.frame: states[action.frame].approved_version or action.version
            for action in plan(frames, states, demand)
            if action.version is not None
        }
        resolved = [
            job.resolve_delivery(name, list(states.values()), carried) for name in deliveries
        ]
        demand = replace(demand, deliveries=resolved)
    return Survey(job, states, frames, demand, charts, read)


def _read_colour(path: Path, name: str) -> tuple[float, float, float]:
    from pipeline.files.measured import read_colour

    lightness, a, b = (float(value) for value in read_colour(path, name))
    return lightness, a, b


def _with_chart(resolved: ResolvedFrame, states: Mapping[str, FrameState]) -> ResolvedFrame:
    """The frame with all that decides what is read from its chart."""
    if resolved.chart is None:
        return resolved
    return replace(resolved, chart=_identified(resolved.chart, states))


def _identified(chart: ResolvedChart, states: Mapping[str, FrameState]) -> ResolvedChart:
    inputs = {
        **chart.inputs,
        "original": states[chart.frame].original.digest,
        "libraries": {"reading": str(CHART_VERSION), **_versions(CHART_READERS)},
    }
    return replace(chart, inputs=inputs)


def chosen_frames(named: Sequence[str], states: Mapping[str, FrameState]) -> frozenset[str]:
    """The frames that names, ranges and globs on the command line mean; each must mean one."""
    chosen: set[str] = set()
    problems = []
    for text in named:
        try:
            found = set(filter(FramePattern.parse(text).matches, states))
        except ValueError as error:
            problems.append(Problem(text, 0, "", str(error), 'a frame, or "QL00[02-19]", or QL*'))
            continue
        if not found:
            problems.append(Problem(text, 0, "", "no such frame in this job", _some(states)))
        chosen |= found
    if problems:
        raise InvalidInput(problems)
    return frozenset(chosen)


def _some(states: Mapping[str, FrameState]) -> str:
    names = list(states)
    if not names:
        return "frames that were ingested; there are none yet"
    return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]} ({len(names)} frames)"


def _versions(distributions: Iterable[str]) -> dict[str, str]:
    return {name: installed(name) for name in distributions}


def _missing(
    folder: Path, states: Iterable[FrameState], in_doubt: Iterable[Artifact]
) -> frozenset[str]:
    """Masters and delivered files that are gone or whose size is not the recorded one.

    Their bytes are compared when they are used, by ``verify``, and here where a killed run may have
    put others in their place.
    """
    recorded = [
        artifact
        for state in states
        for artifact in (
            *(version.master for version in state.versions),
            *(file.artifact for file in state.delivered.values()),
        )
    ]

    def there(path: str, size_bytes: int) -> bool:
        try:
            return (folder / path).stat().st_size == size_bytes
        except OSError:
            return False

    gone = frozenset(a.path for a in recorded if not there(a.path, a.size_bytes))
    return gone.union(a.path for a in in_doubt if not _as_recorded(folder, a))


def _as_recorded(folder: Path, artifact: Artifact) -> bool:
    with suppress(OSError):
        return digest_file(folder / artifact.path) == artifact.digest
    return False


class Listener(Protocol):
    """Whoever wants to know how a run is getting on."""

    def planned(self, frames: int) -> None:
        """So many frames will be worked on."""

    def ended(self, frame: str, failure: Failure | None) -> None:
        """A frame is done, or has failed."""


@dataclass(slots=True)
class Report:
    """What a run did, and what it left: ``untouched`` are the plan's actions that make nothing.

    ``notes`` are sentences about frames that were done, such as a text that a field cuts short.
    ``seconds`` sums the workers' time by part.
    """

    charts: list[MeasuredChart] = field(default_factory=list)
    developed: list[Version] = field(default_factory=list)
    delivered: list[Delivered] = field(default_factory=list)
    failed: dict[str, Failure] = field(default_factory=dict)
    untouched: list[Action] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    seconds: Counter[str] = field(default_factory=Counter)

    @property
    def exit_code(self) -> int:
        """0, or the gravest that a frame's failure owes."""
        return max((failure.exit_code for failure in self.failed.values()), default=0)


def run(
    folder: Path,
    named: Sequence[str] = (),
    deliveries: Sequence[str] = (),
    *,
    engine: Callable[[int], Engine] | None = None,
    listener: Listener | None = None,
    wait_s: float = 0.0,
) -> Report:
    """Do what ``plan`` prints for the same arguments, and record each frame as it ends.

    ``engine`` makes an engine for frames of at most so many pixels; by default processes on this
    machine. Raises ``JobBusy`` where another Safelight works on the job, ``InvalidInput`` where a
    file is wrong, and ``KeyboardInterrupt`` after Ctrl-C, when what was in flight is recorded.
    """
    with Manifest.open(folder) as manifest:
        actions = survey(folder, manifest, named, deliveries).actions
        unused = manifest.unused_artifacts()
    if not unused and not any(makes_something(action) for action in actions):
        # decided without the writer's lock: a run with nothing to do disturbs nobody
        return Report(untouched=actions)
    with Manifest.open(folder, write=True, wait_s=wait_s) as manifest:
        _sweep(folder)
        this = _Run(folder, manifest, survey(folder, manifest, named, deliveries))
        try:
            this.go(engine or here, listener)
        finally:
            _sweep(folder)  # of workers that died or were stopped
            with suppress(SafelightError):  # what stays in doubt is compared by the next run
                this.settle()
        _remove_unused(folder, manifest)
        return this.report


def makes_something(action: Action) -> bool:
    """Whether an action is work, and not a word to a person."""
    return action.action in ("measure", "develop", "deliver")


def here(pixels: int) -> Engine:
    """The engine of this machine: as many processes as its cores and its memory carry."""
    from pipeline.engines.capacity import workers_for
    from pipeline.engines.here import Here

    need = BYTES_A_WORKER + BYTES_A_PIXEL * pixels
    return Here("pipeline.work:do", workers_for(need))


class _Run:
    """One run under the writer's lock: tasks out, outcomes in."""

    def __init__(self, folder: Path, manifest: Manifest, survey: Survey) -> None:
        self.folder = folder
        self.manifest = manifest
        self.survey = survey
        self.report = Report()
        self.resolved = {frame.frame: frame for frame in survey.frames}
        self.deliveries = {order.name: order for order in survey.demand.deliveries}
        self.unhanded: list[tuple[str, Failure]] = []
        self.charts = dict(survey.charts)
        self.products_read = dict(survey.products_read)
        self.unread: dict[str, Failure] = {}
        self.measure: list[Action] = []
        self.todo: dict[str, list[Action]] = {}
        for action in survey.actions:
            if action.action == "measure":
                self.measure.append(action)
            elif makes_something(action):
                self.todo.setdefault(action.frame, []).append(action)
            else:
                self.report.untouched.append(action)

    def go(self, engine: Callable[[int], Engine], listener: Listener | None) -> None:
        from pipeline.engines.capacity import cores

        if not self.todo:
            return
        if listener:
            listener.planned(len(self.todo))
        self._read_charts(engine)
        self._read_products(engine)
        self.manifest.doubt(self._replaced())
        threads = cores() if len(self.todo) == 1 else 1
        with (
            self._metadata() as metadata,
            closing(self._tasks(metadata, threads)) as tasks,
            closing(_one_ahead(tasks)) as coming,
            closing(engine(self._most_pixels(self.todo)).run(coming)) as outcomes,
        ):
            for outcome in outcomes:
                self._record(outcome)
                if listener:
                    name = outcome.task.name
                    listener.ended(name, self.report.failed.get(name))
        for frame, failure in self.unhanded:
            self._fail(frame, failure)
            if listener:
                listener.ended(frame, failure)

    def _read_charts(self, engine: Callable[[int], Engine]) -> None:
        """Before any frame, for all frames of a setup wait for its chart."""
        by_key = {key_of(f.chart.inputs): f.chart for f in self.resolved.values() if f.chart}
        charts = {a.frame: by_key[a.key] for a in self.measure if a.key in by_key}
        if not charts:
            return
        tasks = [Task(name, self._chart_work(chart)) for name, chart in charts.items()]
        with closing(engine(self._most_pixels(charts)).run(tasks)) as outcomes:
            for outcome in outcomes:
                chart = charts[outcome.task.name]
                key = key_of(chart.inputs)
                if outcome.failure is not None:
                    sentence = (
                        f"the chart of {chart.setup} in {chart.frame}: {outcome.failure.sentence}"
                    )
                    self.unread[key] = replace(outcome.failure, sentence=sentence)
                    continue
                read: ChartRead = outcome.record
                measured = MeasuredChart(
                    setup=chart.setup,
                    frame=chart.frame,
                    key=key,
                    inputs=chart.inputs,
                    correction=read.correction,
                    reading=read.reading,
                    warnings=read.warnings,
                    made_at=_now(),
                )
                self.manifest.record_chart(measured)
                self.charts[key] = measured
                self.report.charts.append(measured)
                self.report.notes += [
                    f"the chart of {chart.setup} in {chart.frame}: {warning}"
                    for warning in read.warnings
                ]

    def _read_products(self, engine: Callable[[int], Engine]) -> None:
        """Then what frames are evened by: the products of all that belong together."""
        even = [frame.even for frame in self.resolved.values() if frame.even]
        wanted = {key: name for group in even for name, key in group.group.items()}
        keys = {wanted[a.key]: a.key for a in self.measure if a.key in wanted}
        tasks = []
        for name, key in keys.items():
            frame = _with_chart(
                self.survey.job.resolve(name, self.survey.states[name].setup), self.survey.states
            )
            if frame.chart and (failure := self.unread.get(key_of(frame.chart.inputs))):
                self.unread[key] = failure
            else:
                tasks.append(Task(name, self._products_work(frame)))
        if not tasks:
            return
        with closing(engine(self._most_pixels(keys)).run(tasks)) as outcomes:
            for outcome in outcomes:
                name, key = outcome.task.name, keys[outcome.task.name]
                if outcome.failure is not None:
                    sentence = f"the products of {name}, for even: true: {outcome.failure.sentence}"
                    self.unread[key] = replace(outcome.failure, sentence=sentence)
                    continue
                read = ReadProducts(name, key, outcome.record, _now())
                self.manifest.record_products(read)
                self.products_read[key] = read

    def _products_work(self, frame: ResolvedFrame) -> ProductsWork:
        from pipeline.work import ProductsWork

        original = self.survey.states[frame.frame].original
        return ProductsWork(
            original=self.folder / original.path,
            original_digest=original.digest,
            steps=evening.scene_steps(frame),
            products=frame.products,
            files=self.survey.job.files,
            correction=self._correction(frame),
        )

    def _correction(self, frame: ResolvedFrame) -> Mapping[str, Any] | None:
        return self.charts[key_of(frame.chart.inputs)].correction if frame.chart else None

    def _evening(self, frame: ResolvedFrame) -> Evening | None:
        """How the frame's light is moved, and a note of it."""
        if frame.even is None:
            return None
        read = {name: self.products_read[key].labs for name, key in frame.even.group.items()}
        tolerances = {product.name: product.tolerance for product in frame.products}
        own = {
            name: {k: v for k, v in labs.items() if k in tolerances} for name, labs in read.items()
        }
        moved = evening.evenings(own, tolerances).get(frame.frame)
        if moved is not None:
            self.report.notes.append(f"{frame.frame}: {evening.in_words(moved, frame.setup)}")
        return moved

    def _chart_work(self, chart: ResolvedChart) -> ChartWork:
        from pipeline.work import ChartWork

        original = self.survey.states[chart.frame].original
        return ChartWork(
            original=self.folder / original.path,
            original_digest=original.digest,
            edition=chart.inputs.get("edition", DEFAULT_EDITION),
            values=self.survey.job.files[chart.values] if chart.values else None,
            corners=chart.inputs.get("corners"),
        )

    def settle(self) -> None:
        """Files that were to be replaced and stayed what they were are in doubt no more."""
        stayed = [a for a in self.manifest.artifacts_in_doubt() if _as_recorded(self.folder, a)]
        if stayed:
            self.manifest.doubt((artifact.path for artifact in stayed), doubtful=False)

    def _replaced(self) -> Iterable[str]:
        """Where this run puts files: another content may lie there and have its row."""
        for frame, actions in self.todo.items():
            for action in actions:
                if action.delivery is None:
                    yield _master_path(frame, action.version)
                else:
                    yield self.deliveries[action.delivery].files[frame]["path"]

    def _metadata(self) -> AbstractContextManager[MetadataWriter | None]:
        """The one running exiftool, where a delivery needs it."""
        if not self.deliveries:
            return nullcontext()
        from pipeline.files.metadata import MetadataWriter

        return MetadataWriter()

    def _most_pixels(self, frames: Iterable[str]) -> int:
        captures = [self.survey.states[name].original.capture for name in frames]
        return max((c.width or 0) * (c.height or 0) for c in captures)

    def _tasks(self, metadata: MetadataWriter | None, threads: int) -> Generator[Task]:
        """What to hand out. Drawn in a thread of its own, so it keeps off the manifest."""
        for frame, actions in self.todo.items():
            if failure := self._hindrance(frame, actions):
                self.unhanded.append((frame, failure))
                continue
            try:
                yield Task(frame, self._work(frame, actions, metadata, threads))
            except SafelightError as error:
                self.unhanded.append((frame, Failure(str(error), error.exit_code)))

    def _hindrance(self, frame: str, actions: Sequence[Action]) -> Failure | None:
        """What was not read and keeps a frame from being developed."""
        if not any(action.action == "develop" for action in actions):
            return None
        resolved = self.resolved[frame]
        keys = [key_of(resolved.chart.inputs)] if resolved.chart else []
        keys += resolved.even.group.values() if resolved.even else ()
        return next((self.unread[key] for key in keys if key in self.unread), None)

    def _work(
        self, frame: str, actions: list[Action], metadata: MetadataWriter | None, threads: int
    ) -> FrameWork:
        from pipeline.work import FrameWork

        state = self.survey.states[frame]
        number = actions[0].version
        resolved = self.resolved[frame]
        develops = any(action.action == "develop" for action in actions)
        recorded = next((v.master for v in state.versions if v.number == number), None)
        return FrameWork(
            frame=frame,
            job=self.folder,
            original=self.folder / state.original.path,
            original_digest=state.original.digest,
            master=_master_path(frame, number),
            steps=resolved.steps,
            files=self.survey.job.files,
            correction=self._correction(resolved) if develops else None,
            even=self._evening(resolved) if develops else None,
            recorded=None if develops else recorded,
            deliveries=tuple(
                self._file(action, metadata)
                for action in actions
                if action.delivery is not None and metadata is not None
            ),
            threads=threads,
        )

    def _file(self, action: Action, metadata: MetadataWriter) -> DeliveredFile:
        from pipeline.work import DeliveredFile

        order = self.deliveries[action.delivery or ""]
        own = {key: value for key, value in order.files[action.frame].items() if key != "path"}
        capture = self.survey.states[action.frame].original.capture
        composed = metadata.compose({**order.metadata, **own}, capture)
        self.report.notes += [f"{action.frame}: {note}" for note in composed.notes]
        return DeliveredFile(
            delivery=order.name,
            path=order.files[action.frame]["path"],
            settings=order.settings,
            blocks=composed.blocks,
        )

    def _record(self, outcome: Outcome) -> None:
        """A frame's files are under their final names: now, and only now, their rows."""
        frame = outcome.task.name
        if outcome.failure is not None:
            self._fail(frame, outcome.failure)
            return
        done: FrameDone = outcome.record
        self.report.seconds.update(done.seconds)
        self.report.notes += [f"{frame}: {note}" for note in done.notes]
        now = _now()
        with self.manifest.transaction():
            for action in self.todo[frame]:
                if action.action == "develop":
                    self._record_version(action, done, now)
                elif action.delivery in done.delivered:
                    self._record_delivered(action, done, now)
            if done.unfinished is not None:
                self._fail(frame, done.unfinished)

    def _record_version(self, action: Action, done: FrameDone, now: str) -> None:
        state = self.survey.states[action.frame]
        assert done.master is not None and action.version is not None
        if any(version.number == action.version for version in state.versions):
            self.manifest.record_master(action.frame, action.version, done.master)
            return
        version = Version(
            frame=action.frame,
            number=action.version,
            key=action.key,
            reason=action.reason,
            inputs=inputs_of(
                self.resolved[action.frame], state.original.digest, self.survey.demand.libraries
            ),
            master=done.master,
            made_at=now,
        )
        self.manifest.record_version(version)
        self.report.developed.append(version)

    def _record_delivered(self, action: Action, done: FrameDone, now: str) -> None:
        order = self.deliveries[action.delivery or ""]
        assert action.version is not None
        delivered = Delivered(
            delivery=order.name,
            frame=action.frame,
            version=action.version,
            key=action.key,
            inputs=delivery_inputs(
                order, action.frame, self._key_of_version(action), self.survey.demand.encoders
            ),
            artifact=done.delivered[order.name],
            made_at=now,
        )
        self.manifest.record_delivered(delivered)
        self.report.delivered.append(delivered)

    def _key_of_version(self, action: Action) -> str:
        """The key of the version that a delivered file carries: just made, or known."""
        made = (
            other.key
            for other in self.todo[action.frame]
            if other.action == "develop" and other.version == action.version
        )
        known = (
            version.key
            for version in self.survey.states[action.frame].versions
            if version.number == action.version
        )
        return next(made, None) or next(known)

    def _fail(self, frame: str, failure: Failure) -> None:
        self.manifest.set_problem(frame, failure.sentence)
        self.report.failed[frame] = failure


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def _master_path(frame: str, version: int | None) -> str:
    return f"masters/{frame}_v{version}.tif"


def _one_ahead(tasks: Generator[Task]) -> Generator[Task]:
    """The same tasks, the next one being made while the last is handed out and worked on."""
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, tasks, None)
        while (task := coming.result()) is not None:
            coming = pool.submit(next, tasks, None)
            yield task


def _sweep(folder: Path) -> None:
    """Remove what a killed run left under temporary names."""
    from pipeline.files.landing import sweep

    for made in ("masters", "deliveries", "reports"):
        sweep(folder / made, folder)


def _remove_unused(folder: Path, manifest: Manifest) -> None:
    """Delivered files that were delivered again under another name: the file, then its row.

    A file that is not what was recorded is somebody's work by now, and stays.
    """
    for artifact in manifest.unused_artifacts():
        path = folder / artifact.path
        with suppress(OSError):
            if _as_recorded(folder, artifact):
                path.unlink()
        manifest.forget_artifact(artifact.path)

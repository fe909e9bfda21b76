"""From a job's folder to finished files: survey, plan, hand out the work, record what comes back.

The process that runs this holds the plan and is the manifest's only writer. Pixels are made in
workers (``work``), by whichever engine is given.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Generator, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, closing, nullcontext, suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.engines import Counted, Failure, MakeEngine, Outcome, Task
from pipeline.errors import SafelightError
from pipeline.manifest import Manifest
from pipeline.manifest.store import utc_now
from pipeline.measuring import Measurements
from pipeline.plan import delivery_inputs, inputs_of
from pipeline.records import (
    Action,
    Artifact,
    Capture,
    Delivered,
    MeasuredChart,
    ResolvedFrame,
    Version,
)
from pipeline.rounds import (
    Back,
    Development,
    Retouched,
    document_of,
    instance_of,
    retouch_of,
    sent_before,
)
from pipeline.survey import Survey, as_recorded, survey, wants_dust
from pipeline.wording import counted
from pipeline.workplace import Listener, Wish, Workplace, workplace
from pipeline.workplace import threads as threads_for

if TYPE_CHECKING:
    from pipeline.files.metadata import MetadataWriter, Provenance
    from pipeline.work import (
        DeliveredFile,
        FrameDone,
        FrameWork,
    )


@dataclass(slots=True)
class Report:
    """What a run did, and what it left: ``untouched`` are the plan's actions that make nothing.

    ``remade`` are the paths of masters that were lost. ``notes`` are sentences about frames that
    were done, such as a text that a field cuts short; ``reminders`` about what the delivered files
    should still say. ``seconds`` sums the workers' time by part. ``page`` is where a server shows
    the run.
    """

    charts: list[MeasuredChart] = field(default_factory=list)
    developed: list[Version] = field(default_factory=list)
    delivered: list[Delivered] = field(default_factory=list)
    remade: list[str] = field(default_factory=list)
    failed: dict[str, Failure] = field(default_factory=dict)
    untouched: list[Action] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    reminders: list[str] = field(default_factory=list)
    seconds: Counter[str] = field(default_factory=Counter)
    page: str | None = None

    @property
    def made(self) -> list[str]:
        """What it made, in words."""
        parts = [f"{counted(len(self.developed), 'frame')} developed"] if self.developed else []
        if self.remade:
            parts.append(f"{counted(len(self.remade), 'lost master')} made again")
        deliveries = Counter(file.delivery for file in self.delivered)
        return parts + [f"{name}: {counted(count, 'file')}" for name, count in deliveries.items()]

    @property
    def said(self) -> str:
        """What came of it, in words."""
        failed = [f"{len(self.failed)} failed"] if self.failed else []
        return "; ".join([*self.made, *failed])

    @property
    def exit_code(self) -> int:
        """0, or the gravest that a frame's failure owes."""
        return max((failure.exit_code for failure in self.failed.values()), default=0)


class Stopped(KeyboardInterrupt):
    """Ctrl-C in the middle of a run; ``report`` is of what it did until then."""

    def __init__(self, report: Report) -> None:
        super().__init__()
        self.report = report


def run(
    folder: Path,
    named: Sequence[str] = (),
    deliveries: Sequence[str] = (),
    *,
    engine: MakeEngine | Wish | None = None,
    listener: Listener | None = None,
    wait_s: float = 0.0,
    recalled: Sequence[str] = (),
) -> Report:
    """Do what ``plan`` prints for the same arguments, and record each frame as it ends.

    ``engine`` makes an engine for frames of at most so many pixels, or says where the work should
    be done; by default where job.yaml says. ``recalled`` is as in ``Demand``. Raises ``JobBusy``
    where another Safelight works on the job, ``InvalidInput`` where a file is wrong,
    ``ToolMissing`` where the place that was asked for is not to be had, and ``Stopped`` after
    Ctrl-C, when what was in flight is recorded.
    """
    with Manifest.open(folder, wait_s=wait_s) as manifest:
        found = survey(folder, manifest, named, deliveries, recalled)
        actions, reminders = found.actions, found.reminders(deliveries)
        unused = manifest.unused_artifacts()
    idle = not any(makes_something(action) for action in actions)
    if not unused and idle and not _taken_out(found):
        # decided without the writer's lock: a run with nothing to do disturbs nobody
        return Report(untouched=actions, reminders=reminders, notes=found.named_and_rejected)
    with Manifest.open(folder, write=True, wait_s=wait_s) as manifest:
        _sweep(folder)
        this = _Run(folder, manifest, survey(folder, manifest, named, deliveries, recalled))
        this.take_out()
        try:
            with _place(engine, this, listener) as place:
                this.go(place)
                place.over(lambda: survey(folder, manifest, delivered=True).status, this.report)
                this.report.page = place.page
        except KeyboardInterrupt as stop:
            raise Stopped(this.report) from stop
        finally:
            _sweep(folder)  # of workers that died or were stopped
            with suppress(SafelightError):  # what stays in doubt is compared by the next run
                this.settle()
        this.reopen()
        _remove_unused(folder, manifest)
        this.report.reminders = reminders
        return this.report


def _place(
    engine: MakeEngine | Wish | None, this: _Run, listener: Listener | None
) -> AbstractContextManager[Workplace]:
    """Where the work is done: by the engine that was given, or where it was wished to be."""
    if callable(engine):
        return nullcontext(Workplace(engine, listener))
    job = this.survey.job.file
    choice = job.engine
    wish = engine or Wish(choice.name, choice.scheduler, choice.paths)
    return workplace(this.folder, job.job, wish, listener)


def makes_something(action: Action) -> bool:
    """Whether an action is work, and not a word to a person."""
    return action.action in ("measure", "develop", "deliver")


class _Run:
    """One run under the writer's lock: tasks out, outcomes in."""

    def __init__(self, folder: Path, manifest: Manifest, survey: Survey) -> None:
        self.folder = folder
        self.manifest = manifest
        self.survey = survey
        self.report = Report(notes=survey.named_and_rejected)
        self.resolved = {frame.frame: frame for frame in survey.frames}
        self.deliveries = {order.name: order for order in survey.demand.deliveries}
        self.unhanded: list[tuple[str, Failure]] = []
        self.measurements = Measurements(folder, manifest, survey)
        self.measures: list[Action] = []
        self.todo: dict[str, list[Action]] = {}
        for action in survey.actions:
            if action.action == "measure":
                self.measures.append(action)
            elif makes_something(action):
                self.todo.setdefault(action.frame, []).append(action)
            else:
                self.report.untouched.append(action)

    def go(self, place: Workplace) -> None:
        if not self.todo:
            return
        engine, listener = place.make, place.listener
        if listener:
            listener.planned(len(self.todo))
        self.measurements.measure(self.measures, self.survey.frames, engine)
        self._set_aside()
        self.manifest.doubt(self._replaced())
        pixels = self.survey.most_pixels(self.todo)
        threads = threads_for(pixels, len(self.todo)) if place.near else 1
        with (
            self._metadata() as metadata,
            closing(self._tasks(metadata, threads, foresee=place.near)) as tasks,
            closing(_one_ahead(tasks)) as coming,
            closing(engine(pixels).run(Counted(coming, len(self.todo)))) as outcomes,
        ):
            for outcome in outcomes:
                self._record(outcome)
                if listener:
                    name = outcome.task.name
                    listener.ended(name, self.report.failed.get(name))
        self.report.charts = self.measurements.read
        self.report.notes += self.measurements.notes
        self.report.notes += self._unassessed()
        for frame, failure in self.unhanded:
            self._fail(frame, failure)
            if listener:
                listener.ended(frame, failure)

    def _unassessed(self) -> list[str]:
        """A note where spots of dust are asked for in frames in which none were looked for."""
        frames = [
            name
            for name in self.todo
            if wants_dust(self.resolved[name]) and name not in self.survey.assessed
        ]
        if not frames:
            return []
        more = f" and {len(frames) - 1} more" if len(frames) > 1 else ""
        return [
            f"spotting: nobody looked for dust in {frames[0]}{more}; safelight assess --dust does"
        ]

    def settle(self) -> None:
        """Files that were to be replaced and stayed what they were are in doubt no more."""
        stayed = [a for a in self.manifest.artifacts_in_doubt() if as_recorded(self.folder, a)]
        if stayed:
            self.manifest.doubt((artifact.path for artifact in stayed), doubtful=False)

    def reopen(self) -> None:
        """Note what changed of frames that a person had approved."""
        for action in self.report.untouched:
            state = self.survey.states[action.frame]
            if action.action == "stale" and not action.delivery and state.approval:
                self.manifest.reopen(action.frame, action.reason)

    def _set_aside(self) -> None:
        """Write over nobody's work: a file that is not as we made it was changed elsewhere.

        One in doubt is what a killed run put there.
        """
        from pipeline.files.landing import set_aside

        in_doubt = {artifact.path for artifact in self.manifest.artifacts_in_doubt()}
        made = self._made()
        for name in sorted(set(self._replaced()).intersection(made) - in_doubt):
            path = self.folder / name
            if path.is_symlink() or not path.is_file():
                continue
            artifact, at = made[name]
            resized = name in self.survey.demand.missing
            if resized or (_written_since(path, at) and not as_recorded(self.folder, artifact)):
                kept = set_aside(path, self.folder).relative_to(self.folder).as_posix()
                self.report.notes.append(f"{name} was changed elsewhere; it is kept as {kept}")

    def _made(self) -> dict[str, tuple[Artifact, str]]:
        """Every file of ours, and when it was recorded, by its path."""
        made: dict[str, tuple[Artifact, str]] = {}
        for state in self.survey.states.values():
            made |= {each.master.path: (each.master, each.made_at) for each in state.versions}
            made |= {d.artifact.path: (d.artifact, d.made_at) for d in state.delivered.values()}
        return made

    def take_out(self) -> None:
        """Forget files that are in no delivery any more and that a person deleted."""
        for action in _taken_out(self.survey):
            assert action.delivery is not None
            self.manifest.take_out(action.frame, action.delivery)
            self.report.untouched.remove(action)

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

    def _tasks(
        self, metadata: MetadataWriter | None, threads: int, *, foresee: bool
    ) -> Generator[Task]:
        """What to hand out. Drawn in a thread of its own, so it keeps off the manifest.

        ``foresee`` has the system read what the next task will read, while others are worked on.
        """
        for frame, actions in self.todo.items():
            develops = any(action.action == "develop" for action in actions)
            from_original = develops and retouch_of(self.survey.states[frame].trips).back is None
            if from_original and (failure := self.measurements.hindrance(self.resolved[frame])):
                self.unhanded.append((frame, failure))
                continue
            try:
                work = self._work(frame, actions, metadata, threads)
                if foresee:
                    _foresee(work)
                yield Task(frame, work)
            except SafelightError as error:
                self.unhanded.append((frame, Failure(str(error), error.exit_code)))

    def _work(
        self, frame: str, actions: list[Action], metadata: MetadataWriter | None, threads: int
    ) -> FrameWork:
        from pipeline.work import FrameWork

        state = self.survey.states[frame]
        number = actions[0].version
        resolved = self.resolved[frame]
        develops = any(action.action == "develop" for action in actions)
        recorded = next((v.master for v in state.versions if v.number == number), None)
        back = retouch_of(state.trips).back
        # a crop may look for its subject in the original, as it is developed
        measured = (develops and not back) or self.measurements.covers(resolved)
        return FrameWork(
            frame=frame,
            job=self.folder,
            development=development_of(
                self.survey, resolved, self.measurements if measured else None, threads
            ),
            master=_master_path(frame, number),
            recorded=None if develops else recorded,
            retouched=as_retouched(self.folder, back) if back else None,
            deliveries=tuple(
                self._file(action, metadata)
                for action in actions
                if action.delivery is not None and metadata is not None
            ),
        )

    def _file(self, action: Action, metadata: MetadataWriter) -> DeliveredFile:
        from pipeline.work import DeliveredFile

        order = self.deliveries[action.delivery or ""]
        own = dict(order.files[action.frame])
        path, framing = own.pop("path"), own.pop("framing", {})
        said = {**order.metadata, **own}
        capture, provenance = Capture(), None
        if "metadata" not in order.settings:  # it is as full as can be
            capture = self.survey.states[action.frame].original.capture
            provenance = self._provenance(action)
            source = "humanEdits" if provenance.handed_off else "digitalCapture"
            said = {"source_type": source, **said}
        composed = metadata.compose(
            said, capture, provenance, serial=order.settings.get("privacy") == "serial-numbers"
        )
        self.report.notes += [f"{action.frame}: {note}" for note in composed.notes]
        return DeliveredFile(
            delivery=order.name,
            path=path,
            settings=order.settings,
            blocks=composed.blocks,
            framing=framing,
            profile=self._profile(order.settings["space"]),
        )

    def _profile(self, space: str | Mapping[str, Any]) -> Path | None:
        return None if isinstance(space, str) else self.survey.job.files[space["profile"]]

    def _provenance(self, action: Action) -> Provenance:
        from pipeline.files.metadata import Provenance

        state = self.survey.states[action.frame]
        assert action.version is not None
        document = document_of(self.survey.job.file.job, state)
        known = [v.inputs for v in state.versions if v.number == action.version]
        back = retouch_of(state.trips).back
        if known:
            digest = known[0].get("retouched", {}).get("digest")
        else:
            digest = back.file.digest if back else None
        sent = sent_before(state.trips, digest) if digest else None
        return Provenance(
            document_id=document,
            instance_id=instance_of(document, action.key),
            original_id=instance_of(document, "original"),
            handed_off=sent.instance_id if sent else None,
            recipe=self._key_of_version(action),
            number=action.version,
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
        now = utc_now()
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
            self.report.remade.append(done.master.path)
            return
        version = Version(
            frame=action.frame,
            number=action.version,
            key=action.key,
            reason=action.reason,
            inputs=inputs_of(
                self.resolved[action.frame],
                state.original.digest,
                self.survey.demand.libraries,
                retouch_of(state.trips).back,
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
            shown=done.shown.get(order.name),
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


def development_of(
    survey: Survey, resolved: ResolvedFrame, measured: Measurements | None, threads: int
) -> Development:
    """What a worker needs to develop a frame; ``measured`` where something may have been read."""
    state = survey.states[resolved.frame]
    return Development(
        original=survey.job.folder / state.original.path,
        original_digest=state.original.digest,
        steps=resolved.steps,
        files=survey.job.files,
        correction=measured.correction(resolved) if measured else None,
        even=measured.evening(resolved) if measured else None,
        others=others_of(survey, resolved),
        threads=threads,
    )


def others_of(survey: Survey, resolved: ResolvedFrame) -> dict[str, tuple[Path, str]]:
    """Where the originals lie of the frames that a frame's masks follow, and their digests."""
    originals = {name: survey.states[name].original for name in resolved.follows}
    return {
        name: (survey.job.folder / original.path, original.digest)
        for name, original in originals.items()
    }


def as_retouched(folder: Path, back: Back) -> Retouched:
    """What the finish stage builds on, for a worker."""
    return Retouched(folder / back.file.path, back.file.digest, back.space)


def _master_path(frame: str, version: int | None) -> str:
    return f"masters/{frame}_v{version}.tif"


def _foresee(work: FrameWork) -> None:
    """Ask the system to read a file before it is needed: a disk that is slow then costs no time
    in which nothing is worked on."""
    if work.recorded is not None:
        path = work.job / work.recorded.path
    else:
        path = work.retouched.path if work.retouched else work.development.original
    with suppress(OSError, AttributeError):  # what cannot be read is said by whoever needs it
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)  # it may have become a pipe
        try:
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_WILLNEED)
        finally:
            os.close(descriptor)


def _one_ahead(tasks: Generator[Task]) -> Generator[Task]:
    """The same tasks, the next one being made while the last is handed out and worked on."""
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, tasks, None)
        while (task := coming.result()) is not None:
            coming = pool.submit(next, tasks, None)
            yield task


def _written_since(path: Path, at: str) -> bool:
    """Whether a file was written to after a moment: what was not need not be read to be known."""
    return path.stat().st_mtime > datetime.fromisoformat(at).timestamp()


def _taken_out(found: Survey) -> list[Action]:
    """What is said of files that left their delivery and are deleted."""
    return [
        action
        for action in found.actions
        if action.action == "stale"
        and action.delivery
        and found.states[action.frame].delivered[action.delivery].artifact.path
        in found.demand.missing
    ]


def _sweep(folder: Path) -> None:
    """Remove what a killed run left under temporary names."""
    from pipeline.engines.spool import sweep as sweep_spools
    from pipeline.files.landing import sweep, sweep_folders

    for made in ("masters", "deliveries", "reports"):
        sweep(folder / made, folder)
    sweep_folders(folder / "retouch", folder)
    sweep_spools(folder)


def _remove_unused(folder: Path, manifest: Manifest) -> None:
    """Delivered files that were delivered again under another name: the file, then its row.

    A file that is not what was recorded is somebody's work by now, and stays.
    """
    for artifact in manifest.unused_artifacts():
        path = folder / artifact.path
        with suppress(OSError):
            if as_recorded(folder, artifact):
                path.unlink()
        manifest.forget_artifact(artifact.path)

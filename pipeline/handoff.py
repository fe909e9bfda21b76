"""Hands frames off to a retoucher: develops what is not, packs the round, records it whole.

A round's folder is made under a temporary name and renamed when all of it is there; then, and only
then, it gets its rows. What a killed run leaves is removed by the next one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import naming, wording, workplace
from pipeline import run as runs
from pipeline.engines import Failure, MakeEngine, Task
from pipeline.errors import CannotWrite, InvalidInput, Problem
from pipeline.hashing import key_of
from pipeline.manifest import Manifest
from pipeline.manifest.store import utc_now
from pipeline.measuring import Measurements
from pipeline.moments import day_of
from pipeline.plan import (
    Keys,
    changed_since,
    finish_of,
    sent_inputs,
    to_hand_off,
    with_key,
)
from pipeline.records import (
    REJECTED,
    Artifact,
    FrameState,
    Handoff,
    Request,
    ResolvedFrame,
    Round,
    Version,
    Withdrawn,
)
from pipeline.rounds import (
    Development,
    Identity,
    Packed,
    PackWork,
    SheetFrame,
    SheetWork,
    document_of,
    instance_of,
    retouch_of,
)
from pipeline.run import as_retouched, development_of
from pipeline.survey import Survey, survey
from pipeline.workplace import Listener
from pipeline.workplace import threads as threads_for

if TYPE_CHECKING:
    from collections.abc import Iterator

FOLDER = "retouch"


@dataclass(slots=True)
class HandedOff:
    """What a hand-off did: the round, None where there was nothing to send; who failed and why."""

    round: Round | None = None
    folder: str | None = None
    sent: list[Handoff] = field(default_factory=list)
    failed: dict[str, Failure] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """0, or the gravest that a frame's failure owes."""
        return max((failure.exit_code for failure in self.failed.values()), default=0)


def hand_off(
    folder: Path,
    named: Sequence[str],
    to: str,
    due: str | None = None,
    *,
    supersede: bool = False,
    engine: MakeEngine | None = None,
    listener: Listener | None = None,
    wait_s: float = 0.0,
) -> HandedOff:
    """Send frames to a retoucher; without any named, the selects that still have to go out.

    Raises ``InvalidInput`` with every frame that cannot go and why; nothing is done then.
    """
    to, due = wording.said("--to", to), _day(due) if due else None
    with Manifest.open(folder, wait_s=wait_s) as manifest:
        found = survey(folder, manifest, named)
    chosen = _chosen(found, named, supersede=supersede)
    if not chosen:
        return HandedOff()
    out = [name for name in chosen if retouch_of(found.states[name].trips).out]
    failed = runs.run(
        folder, chosen, engine=engine, listener=listener, wait_s=wait_s, recalled=out
    ).failed
    with Manifest.open(folder, write=True, wait_s=wait_s) as manifest:
        _clear(folder, manifest)
        found = survey(folder, manifest, chosen)
        # a frame that failed just now is named with its reason, and the others go
        able = [name for name in chosen if name not in failed]
        _refuse(found, able, supersede=supersede)
        done = HandedOff(failed=dict(failed))
        if due and due < found.demand.today:
            done.notes.append(f"due {due}, which is past: meant is perhaps another day")
        if able:
            sending = _Sending(folder, manifest, found, to, due, done)
            sending.send(able, engine or workplace.here, listener)
        return done


def withdraw(folder: Path, named: Sequence[str], note: str | None = None) -> list[Withdrawn]:
    """Call back hand-offs that are out. Raises ``InvalidInput`` for a frame that is not."""
    note = note and wording.said("--note", note)
    with Manifest.open(folder, write=True) as manifest:
        found = survey(folder, manifest, named)
        outs = {f.frame: retouch_of(found.states[f.frame].trips).out for f in found.frames}
        problems = [
            Problem(name, 0, "", "it is not with a retoucher", "a frame that is out")
            for name, out in outs.items()
            if out is None
        ]
        if problems:
            raise InvalidInput(problems)
        now = utc_now()
        done = [Withdrawn(out.handoff.round, name, now, note) for name, out in outs.items() if out]
        with manifest.transaction():
            for withdrawn in done:
                manifest.record_withdrawn(withdrawn)
        return done


def _day(due: str) -> str:
    try:
        return date.fromisoformat(due).isoformat()
    except ValueError:
        found = f"no day {wording.shown(due)}"
        raise InvalidInput([Problem("--due", 0, "", found, "a day such as 2026-05-20")]) from None


def _chosen(found: Survey, named: Sequence[str], *, supersede: bool) -> list[str]:
    """The frames to send, in the order of their names."""
    if named:
        names = [frame.frame for frame in found.frames]
        _refuse(found, names, supersede=supersede)
        return names
    return [
        resolved.frame
        for resolved in found.frames
        if resolved.frame in found.demand.selects
        and to_hand_off(resolved, found.states[resolved.frame]) is not None
        and _hindrance(resolved, found.states[resolved.frame], supersede=False) is None
    ]


def _refuse(found: Survey, names: Iterable[str], *, supersede: bool) -> None:
    """Raise with every frame that cannot be handed off."""
    resolved = {frame.frame: frame for frame in found.frames}
    problems = []
    for name in names:
        hindrance = _hindrance(resolved[name], found.states[name], supersede=supersede)
        if hindrance is not None:
            problems.append(Problem(name, 0, "", *hindrance))
    if problems:
        raise InvalidInput(problems)


def _hindrance(
    resolved: ResolvedFrame, state: FrameState, *, supersede: bool
) -> tuple[str, str] | None:
    """Why a frame cannot be handed off, and what is allowed; None where it can."""
    retouch = retouch_of(state.trips)
    if state.rating == REJECTED:
        return "it is rejected", "a frame that is not"
    if state.problem:
        return f"its last attempt failed: {state.problem}", "a frame without a problem"
    if retouch.out and not supersede:
        sent = retouch.out.handoff
        found = f"it is out already, with {sent.to} since {day_of(sent.at)} (round {sent.round})"
        return found, "--supersede, or withdraw it first"
    if changed := changed_since(resolved, state, retouch.back):
        return f"its retouch is stale: {changed}", f"safelight settle {state.name} first"
    if not resolved.retouch.requests and not resolved.retouch.always:
        allowed = f'safelight ask {state.name} "..." first'
        return "nothing is asked of the retoucher", allowed
    return None


def _clear(folder: Path, manifest: Manifest) -> None:
    """Remove what killed runs left of rounds that never came to be."""
    from pipeline.files.landing import remove_folder, sweep_folders

    sweep_folders(folder / FOLDER, folder)
    for number in manifest.unsent_rounds():
        remove_folder(folder / round_folder(number), folder)


def round_folder(number: int) -> str:
    """Where a round lies in the job."""
    return f"{FOLDER}/round-{number:02}"


@dataclass(slots=True)
class _Sending:
    """One round under the writer's lock."""

    folder: Path
    manifest: Manifest
    found: Survey
    to: str
    due: str | None
    done: HandedOff

    def send(self, names: Sequence[str], engine: MakeEngine, listener: Listener | None) -> None:
        """Pack, put in place, record."""
        from pipeline.files.landing import land_folder, part_folder, remove_folder

        # once a round is begun, what lies in its folder is taken for ours
        home = self.folder / round_folder(self.manifest.next_round())
        if (home / "out").exists():
            raise CannotWrite(
                f"{home / 'out'}: no hand-off of this job made it, and it will not be touched; "
                "move it away"
            )
        number = self.manifest.begin_round(self.to, self.due)
        part = part_folder(home, self.folder)
        try:
            works = dict(self._works(names, number, part))
            if not works:
                return
            packed = self._packed(works, engine, listener)
            if not packed:
                return
            sheets = self._sheets(number, part, packed, engine)
            if sheets is None:
                return
            land_folder(part, home / "out")
            self._record(number, works, packed, sheets)
        finally:
            remove_folder(part, self.folder)
            with suppress(OSError):  # of a round that came to nothing
                home.rmdir()

    def _works(
        self, names: Sequence[str], number: int, part: Path
    ) -> Iterator[tuple[str, PackWork]]:
        resolved = {frame.frame: frame for frame in self.found.frames}
        versions = {}
        for name in names:
            version = self._current(resolved[name])
            if version is None:
                sentence = "it has no version of what is asked for now; run it first"
                self.done.failed[name] = Failure(sentence)
            else:
                versions[name] = version
        if not versions:
            return
        threads = threads_for(self.found.most_pixels(versions), len(versions))
        rows = [{"frame": name, "version": v.number} for name, v in versions.items()]
        stems = naming.file_names(f"{{frame}}_round-{number:02}_v{{version}}", rows)
        for stem, (name, version) in zip(stems, versions.items(), strict=True):
            yield name, self._work(resolved[name], version, number, part, stem, threads)

    def _current(self, resolved: ResolvedFrame) -> Version | None:
        """The version of what is asked for now, its master being in place."""
        state, demand = self.found.states[resolved.frame], self.found.demand
        back = retouch_of(state.trips).back
        key = Keys(demand).version(resolved, state.original.digest, back)
        version = with_key(state, key)
        return None if version is None or version.master.path in demand.missing else version

    def _work(
        self,
        resolved: ResolvedFrame,
        version: Version,
        number: int,
        part: Path,
        stem: str,
        threads: int,
    ) -> PackWork:
        state = self.found.states[resolved.frame]
        back = retouch_of(state.trips).back
        document = document_of(self.found.job.file.job, state)
        key = key_of(sent_inputs(resolved, state.original.digest))
        origin = back.of.instance_id if back else instance_of(document, "original")
        return PackWork(
            frame=state.name,
            job=self.folder,
            folder=part,
            stem=stem,
            development=self._development(resolved, threads, retouched=back is not None),
            finish=bool(finish_of(resolved)),
            master=version.master,
            base=as_retouched(self.folder, back) if back else None,
            requests=self._requests(resolved, state),
            space=resolved.retouch.space,
            identity=Identity(
                job=self.found.job.file.job,
                frame=state.name,
                round=number,
                version=version.number,
                key=key,
                document_id=document,
                instance_id=instance_of(document, f"round {number} {key}"),
                derived_from=origin,
            ),
        )

    def _development(
        self, resolved: ResolvedFrame, threads: int, *, retouched: bool
    ) -> Development:
        measured = Measurements(self.folder, self.manifest, self.found)
        try:
            return development_of(self.found, resolved, measured, threads)
        except KeyError:
            # nobody reads a chart again for what a retoucher sent back
            if not retouched:
                raise
            return development_of(self.found, resolved, None, threads)

    def _requests(self, resolved: ResolvedFrame, state: FrameState) -> tuple[Request, ...]:
        """Those that no round has carried; all of them where it is sent once more."""
        return to_hand_off(resolved, state) or resolved.retouch.requests

    def _packed(
        self, works: Mapping[str, PackWork], engine: MakeEngine, listener: Listener | None
    ) -> dict[str, Packed]:
        packed: dict[str, Packed] = {}
        if listener:
            listener.planned(len(works))
        tasks = [Task(name, work) for name, work in works.items()]
        with closing(engine(self.found.most_pixels(works)).run(tasks)) as outcomes:
            for outcome in outcomes:
                name = outcome.task.name
                if outcome.failure:
                    self.done.failed[name] = outcome.failure
                else:
                    packed[name] = outcome.record
                    self.done.notes += [f"{name}: {note}" for note in outcome.record.notes]
                if listener:
                    listener.ended(name, outcome.failure)
        return {name: packed[name] for name in works if name in packed}

    def _sheets(
        self, number: int, part: Path, packed: Mapping[str, Packed], engine: MakeEngine
    ) -> tuple[Artifact, ...] | None:
        resolved = {frame.frame: frame for frame in self.found.frames}
        frames = tuple(
            SheetFrame(
                each,
                version.number,
                self._due(resolved[name]),
                self._requests(resolved[name], self.found.states[name]),
            )
            for name, each in packed.items()
            if (version := self._current(resolved[name]))
        )
        job = self.found.job.file
        sheet = Round(number, self.to, utc_now(), self.due)
        space = self.found.job.recipe.file.retouch.space
        sender = job.credit.creator
        work = SheetWork(self.folder, part, job.job, job.client, sheet, space, frames, sender)
        with closing(engine(1).run([Task("the request sheet", work)])) as outcomes:
            for outcome in outcomes:
                if outcome.failure:
                    self.done.failed["the request sheet"] = outcome.failure
                    return None
                files: tuple[Artifact, ...] = outcome.record
                return files
        return None

    def _due(self, resolved: ResolvedFrame) -> str | None:
        """What the command said counts for the whole round; else what the frame's file says."""
        return self.due or resolved.retouch.due

    def _record(
        self,
        number: int,
        works: Mapping[str, PackWork],
        packed: Mapping[str, Packed],
        sheets: Sequence[Artifact],
    ) -> None:
        resolved = {frame.frame: frame for frame in self.found.frames}
        home = f"{round_folder(number)}/out"

        def placed(file: Artifact) -> Artifact:
            return Artifact(f"{home}/{Path(file.path).name}", file.digest, file.size_bytes)

        now = utc_now()
        self.done.round = Round(number, self.to, now, self.due, tuple(map(placed, sheets)))
        self.done.folder = home
        for name, each in packed.items():
            work, state = works[name], self.found.states[name]
            retouch = retouch_of(state.trips)
            self.done.sent.append(
                Handoff(
                    round=number,
                    frame=name,
                    version=work.identity.version,
                    key=work.identity.key,
                    inputs=sent_inputs(resolved[name], state.original.digest),
                    to=self.to,
                    at=now,
                    due=self._due(resolved[name]),
                    requests=work.requests,
                    sent=placed(each.sent),
                    masks={n: placed(mask) for n, mask in each.masks.items()},
                    files=tuple(map(placed, each.files)),
                    width=each.width,
                    height=each.height,
                    space=work.space,
                    document_id=work.identity.document_id,
                    instance_id=work.identity.instance_id,
                    base=retouch.back.of.round if retouch.back else None,
                    supersedes=retouch.out.handoff.round if retouch.out else None,
                )
            )
        self.manifest.record_round(self.done.round, self.done.sent)

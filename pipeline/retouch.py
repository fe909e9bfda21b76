"""Takes retouched files back, and records what a person decides about them.

Nothing that came back is moved, changed or lost: what is accepted is copied under its round by its
content, read-only, and a file there is never written again. What is refused stays where it is.
"""

from __future__ import annotations

import os
import stat
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from pipeline import run as runs
from pipeline import wording, workplace
from pipeline.engines import Failure, MakeEngine, Task
from pipeline.errors import CannotWrite, InvalidInput, Problem
from pipeline.handoff import FOLDER, round_folder
from pipeline.hashing import CHUNK_BYTES, key_of
from pipeline.manifest import Manifest
from pipeline.manifest.store import utc_now
from pipeline.measuring import Measurements
from pipeline.plan import changed_since, measures, sent_inputs
from pipeline.records import (
    Artifact,
    FrameState,
    Handoff,
    HowSettled,
    ResolvedFrame,
    Returned,
    Settled,
    Withdrawn,
)
from pipeline.rounds import (
    Back,
    Candidate,
    Carried,
    CarryWork,
    Examination,
    ExamineWork,
    Finding,
    Retouched,
    retouch_of,
)
from pipeline.run import Report, development_of
from pipeline.survey import Survey, survey
from pipeline.workplace import Listener
from pipeline.workplace import threads as threads_for
from pipeline.written import SPACE_NAMES

if TYPE_CHECKING:
    from typing import Literal

ENDINGS = (".tif", ".tiff")
MOST_FILES = 2000
TWICE = "twice"
BECAME = {
    "accepted": "taken back",
    "known": "there already",
    "asked": "for you to accept",
    "refused": "refused",
}


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of one returned file.

    ``accepted``: it counts now; ``known``: it counted already; ``asked``: a person has to accept
    it; ``refused``: it cannot be taken. ``returned`` is its record where it was accepted.
    """

    examination: Examination
    outcome: Literal["accepted", "known", "asked", "refused"]
    findings: tuple[Finding, ...]
    returned: Returned | None = None


@dataclass(slots=True)
class TakenBack:
    """What a take-back did, file by file, and the run that developed the next versions."""

    verdicts: list[Verdict] = field(default_factory=list)
    ignored: list[str] = field(default_factory=list)
    developed: Report = field(default_factory=Report)

    @property
    def said(self) -> str:
        """What became of the files, in words."""
        outcomes = Counter[str](verdict.outcome for verdict in self.verdicts)
        counts = [f"{outcomes[key]} {text}" for key, text in BECAME.items() if outcomes[key]]
        return "; ".join(counts) or "nothing came back"

    @property
    def exit_code(self) -> int:
        """1 where a file was not taken, else what the development owes."""
        left = any(verdict.outcome in ("asked", "refused") for verdict in self.verdicts)
        return max(int(left), self.developed.exit_code)


def take_back(
    folder: Path,
    paths: Sequence[Path],
    *,
    accept: bool = False,
    note: str | None = None,
    assume: str | None = None,
    flatten: bool = False,
    settle_s: float = 1.0,
    engine: MakeEngine | None = None,
    listener: Listener | None = None,
    wait_s: float = 0.0,
) -> TakenBack:
    """Examine returned files, keep those that can be taken, and develop their frames' versions.

    ``accept`` is a person's word for all that is only asked. ``assume`` and ``flatten`` are as in
    ``ExamineWork``. Raises ``InvalidInput`` where a path leads nowhere or a space is unknown;
    nothing is done then.
    """
    note = note and wording.said("--note", note)
    if assume is not None and assume not in SPACE_NAMES:
        found = f"no colour space called {wording.shown(assume)}"
        raise InvalidInput([Problem("--assume", 0, "", found, wording.listed(SPACE_NAMES))])
    files, ignored = _files(paths)
    done = TakenBack(ignored=ignored)
    if not files:
        return done
    with Manifest.open(folder, write=True, wait_s=wait_s) as manifest:
        taking = _Taking(folder, manifest, survey(folder, manifest), accept, note)
        options = {"assume": assume, "flatten": flatten, "settle_s": settle_s}
        done.verdicts = taking.take(files, options, engine or workplace.here, listener)
    accepted = [v.returned.frame for v in done.verdicts if v.returned]
    if accepted:
        done.developed = runs.run(folder, accepted, engine=engine, listener=listener, wait_s=wait_s)
    return done


def _files(paths: Sequence[Path]) -> tuple[list[Path], list[str]]:
    """The TIFFs that paths mean, and what else lies in the folders among them."""
    files: list[Path] = []
    ignored: list[str] = []
    problems = []
    for path in paths:
        try:
            inside = _inside(path) if path.is_dir() else [path]
            path.lstat()
        except (OSError, ValueError) as error:
            reason = "it is not there" if isinstance(error, FileNotFoundError) else str(error)
            allowed = "a file or a folder that came back"
            problems.append(Problem(wording.shown(str(path)), 0, "", reason, allowed))
            continue
        tiffs = [p for p in inside if _is_tiff(p)] if path.is_dir() else inside
        ignored += [str(each) for each in inside if each not in tiffs]
        if not tiffs:
            only = f", only {wording.shown(inside[0].name)}" if inside else ""
            more = f" and {len(inside) - 1} more" if len(inside) > 1 else ""
            found = f"no TIFF in this folder{only}{more}"
            allowed = "retouched files, as TIFF of 16 bits"
            problems.append(Problem(str(path), 0, "", found, allowed))
        files += tiffs
    if len(files) > MOST_FILES:
        found = f"{len(files)} files"
        problems.append(Problem("takeback", 0, "", found, f"at most {MOST_FILES} at once"))
    if problems:
        raise InvalidInput(problems)
    return list(dict.fromkeys(files)), ignored


def _inside(folder: Path) -> list[Path]:
    """All that lies in a folder and below; raises ``ValueError`` for a folder that is no hand-off.

    Links are not followed.
    """
    found: list[Path] = []
    for where, _, names in os.walk(folder):
        found += [Path(where, name) for name in names]
        if len(found) > MOST_FILES:
            raise ValueError(f"more than {MOST_FILES} files")
    return sorted(found)


def _is_tiff(path: Path) -> bool:
    return path.suffix.lower() in ENDINGS and not path.name.startswith(".")


@dataclass(slots=True)
class _Taking:
    """One take-back under the writer's lock."""

    folder: Path
    manifest: Manifest
    found: Survey
    accept: bool
    note: str | None

    def take(
        self,
        files: Sequence[Path],
        options: Mapping[str, object],
        engine: MakeEngine,
        listener: Listener | None,
    ) -> list[Verdict]:
        """Examine every file, then judge them together, then keep those that can be taken."""
        from pipeline.files.landing import part_folder, remove_folder, sweep_folders

        sweep_folders(self.folder / FOLDER, self.folder)
        part = part_folder(self.folder / FOLDER, self.folder)
        try:
            examined = self._examined(files, part, options, engine, listener)
            together = _together(examined)
            return [self._judged(each, together.get(each.path), part) for each in examined]
        finally:
            remove_folder(part, self.folder)

    def _examined(
        self,
        files: Sequence[Path],
        part: Path,
        options: Mapping[str, object],
        engine: MakeEngine,
        listener: Listener | None,
    ) -> list[Examination]:
        candidates = self._candidates()
        if listener:
            listener.planned(len(files))
        examined: dict[str, Examination] = {}
        tasks = []
        pixels = max((c.handoff.width * c.handoff.height for c in candidates), default=1)
        threads = threads_for(pixels, len(files))
        for number, path in enumerate(files):
            if not _is_plain(path):
                sentence = "it is a link or no file; only files of their own are taken"
                examined[str(path)] = _refused(path, Finding("refuse", "file", sentence))
                continue
            work = ExamineWork(
                path=path,
                job=self.folder,
                folder=part / f"{number:04}",
                candidates=candidates,
                threads=threads,
                **options,  # type: ignore[arg-type]
            )
            tasks.append(Task(str(path), work))
        with closing(engine(pixels).run(tasks)) as outcomes:
            for outcome in outcomes:
                name, failure = outcome.task.name, outcome.failure
                examined[name] = outcome.record
                if failure:
                    finding = Finding("refuse", "unreadable", failure.sentence)
                    examined[name] = _refused(outcome.task.work.path, finding)
                if listener:
                    listener.ended(name, failure)
        return [examined[str(path)] for path in files]

    def _candidates(self) -> tuple[Candidate, ...]:
        resolved = {frame.frame: frame for frame in self.found.frames}
        found = [
            candidate
            for name, state in self.found.states.items()
            for candidate in candidates_of(resolved[name], state)
        ]
        return tuple(sorted(found, key=lambda candidate: -candidate.handoff.round))

    def _judged(self, examined: Examination, more: Finding | None, part: Path) -> Verdict:
        findings = (*examined.findings, *((more,) if more else ()))
        if more is not None and more.what == TWICE:
            return Verdict(examined, "known", findings)
        severities = {finding.severity for finding in findings}
        if examined.frame is None or examined.round is None or "refuse" in severities:
            return Verdict(examined, "refused", findings)
        state = self.found.states[examined.frame]
        if self._counts_already(examined, state):
            return Verdict(examined, "known", findings)
        if "ask" in severities and not self.accept:
            return Verdict(examined, "asked", findings)
        try:
            return self._kept(examined, findings, part)
        except CannotWrite as error:
            refusal = Finding("refuse", "disk", str(error))
            return Verdict(examined, "refused", (*findings, refusal))

    def _counts_already(self, examined: Examination, state: FrameState) -> bool:
        """Whether this very file is what the frame is made from, or waits behind a later round."""
        back = retouch_of(state.trips).back
        latest = next((t for t in reversed(state.trips) if isinstance(t, Returned)), None)
        return (
            back is not None
            and latest is not None
            and (latest.file.digest, latest.round) == (examined.digest, examined.round)
            and back.of.round == latest.round
            and back.file == latest.used
        )

    def _kept(self, examined: Examination, findings: tuple[Finding, ...], part: Path) -> Verdict:
        from pipeline.files.landing import land, land_beside

        assert examined.frame is not None and examined.round is not None
        assert examined.space is not None
        state = self.found.states[examined.frame]
        handoff = next(
            trip
            for trip in state.trips
            if isinstance(trip, Handoff) and trip.round == examined.round
        )
        stem = Path(handoff.sent.path).stem
        home = self.folder / round_folder(examined.round) / "back"
        copied = land(part / "copy.part", _copying(examined.path), self.folder)
        if copied.digest != examined.digest:
            sentence = "it changed while it was read; is it still being written?"
            refusal = Finding("refuse", "changing", sentence)
            return Verdict(examined, "refused", (*findings, refusal))

        def kept(artifact: Artifact, name: str) -> Artifact:
            path = self.folder / artifact.path
            ending = ".tif" if artifact is copied else path.suffix
            return land_beside(path, home, name, ending, self.folder)

        picture = examined.picture and kept(examined.picture, f"{stem}_changes")
        pixels = examined.pixels and kept(examined.pixels, f"{stem}_converted")
        returned = Returned(
            round=examined.round,
            frame=examined.frame,
            file=kept(copied, stem),
            pixels=pixels,
            space=examined.space,
            examined={
                "how": examined.how,
                "name": examined.path.name,
                "figures": dict(examined.figures),
                "findings": [asdict(finding) for finding in findings],
            },
            picture=picture,
            at=utc_now(),
            note=self.note,
        )
        self.manifest.record_returned(returned)
        return Verdict(examined, "accepted", findings, returned)


def candidates_of(resolved: ResolvedFrame, state: FrameState) -> list[Candidate]:
    """Every hand-off of a frame, and what became of it."""
    retouch = retouch_of(state.trips)
    handoffs = [trip for trip in state.trips if isinstance(trip, Handoff)]
    withdrawn = {trip.round for trip in state.trips if isinstance(trip, Withdrawn)}
    returned = [trip for trip in state.trips if isinstance(trip, Returned)]
    found = []
    for handoff in handoffs:
        came = tuple(trip.file.digest for trip in returned if trip.round == handoff.round)
        out = retouch.out is not None and retouch.out.handoff.round == handoff.round
        status: Literal["out", "back", "superseded", "withdrawn"] = "superseded"
        if out:
            status = "out"
        elif came:
            status = "back"
        elif handoff.round in withdrawn:
            status = "withdrawn"
        stale = changed_since(resolved, state, retouch.out) if out else None
        found.append(Candidate(handoff, status, stale, came))
    return found


def _is_plain(path: Path) -> bool:
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False


def _refused(path: Path, finding: Finding) -> Examination:
    return Examination(path, None, None, None, None, None, findings=(finding,))


def _together(examined: Sequence[Examination]) -> dict[Path, Finding]:
    """What is only seen when all files of a take-back lie side by side."""
    found: dict[Path, Finding] = {}
    first: dict[str, Examination] = {}
    of_frame: dict[str, list[Examination]] = {}
    for each in examined:
        if each.frame is None or each.digest is None:
            continue
        if earlier := first.get(each.digest):
            sentence = f"it is the same file as {earlier.path}, which is examined already"
            found[each.path] = Finding("note", TWICE, sentence)
            continue
        first[each.digest] = each
        of_frame.setdefault(each.frame, []).append(each)
    for frame, several in of_frame.items():
        for each in several if len(several) > 1 else ():
            others = ", ".join(str(other.path) for other in several if other is not each)
            sentence = f"there is another file for {frame}: {others}; give the one that counts"
            found[each.path] = Finding("refuse", "several", sentence)
    return found


def _copying(path: Path) -> Callable[[BinaryIO], None]:
    """A function that writes the bytes of a file."""

    def write(stream: BinaryIO) -> None:
        with path.open("rb") as source:
            while chunk := source.read(CHUNK_BYTES):
                stream.write(chunk)

    return write


# --- what a person decides ------------------------------------------------------------------------


@dataclass(slots=True)
class Decided:
    """What was decided about each frame, and the run that followed.

    ``shown`` are pictures that a person should look at before they decide with ``--accept``.
    ``nothing`` are frames about which there was nothing to decide.
    """

    settled: list[Settled] = field(default_factory=list)
    shown: dict[str, str] = field(default_factory=dict)
    findings: dict[str, tuple[Finding, ...]] = field(default_factory=dict)
    failed: dict[str, Failure] = field(default_factory=dict)
    nothing: list[str] = field(default_factory=list)
    developed: Report = field(default_factory=Report)

    @property
    def exit_code(self) -> int:
        """0, or the gravest that a frame's failure owes."""
        codes = [failure.exit_code for failure in self.failed.values()]
        return max((*codes, self.developed.exit_code))


def settle(
    folder: Path,
    named: Sequence[str],
    how: HowSettled,
    *,
    round_number: int | None = None,
    accept: bool = False,
    note: str | None = None,
    engine: MakeEngine | None = None,
    wait_s: float = 0.0,
) -> Decided:
    """Record what a person decides about retouched frames; see ``Settled``.

    A carry is only shown, in ``reports/``, until ``accept`` says that it counts. Raises
    ``InvalidInput`` with every frame that this cannot be decided about.
    """
    note = note and wording.said("--note", note)
    with Manifest.open(folder, write=True, wait_s=wait_s) as manifest:
        settling = _Settling(folder, manifest, survey(folder, manifest, named), note)
        decided = settling.settle(how, round_number, accept, engine or workplace.here)
    builds_anew = [settled.frame for settled in decided.settled if how in ("carry", "round")]
    if builds_anew:
        decided.developed = runs.run(folder, builds_anew, engine=engine, wait_s=wait_s)
    return decided


@dataclass(slots=True)
class _Settling:
    """One decision under the writer's lock."""

    folder: Path
    manifest: Manifest
    found: Survey
    note: str | None

    def settle(
        self, how: HowSettled, number: int | None, accept: bool, engine: MakeEngine
    ) -> Decided:
        """Decide for every frame, or for none where one cannot be decided about."""
        frames = self.found.frames
        problems = [
            Problem(resolved.frame, 0, "", *hindrance)
            for resolved in frames
            if (hindrance := self._hindrance(resolved, how, number))
        ]
        if problems:
            raise InvalidInput(problems)
        decided = Decided()
        decided.nothing = [f.frame for f in frames if self._is_so(f, how, number)]
        able = [frame for frame in frames if frame.frame not in decided.nothing]
        if how == "carry":
            self._carry(able, accept, engine, decided)
        else:
            decided.settled = [self._settled(resolved, how, number) for resolved in able]
        with self.manifest.transaction():
            for settled in decided.settled:
                self.manifest.record_settled(settled)
        return decided

    def _hindrance(
        self, resolved: ResolvedFrame, how: HowSettled, number: int | None
    ) -> tuple[str, str] | None:
        state = self.found.states[resolved.frame]
        retouch = retouch_of(state.trips)
        came = sorted({trip.round for trip in state.trips if isinstance(trip, Returned)})
        found: tuple[str, str] | None = None
        if how == "round":
            rounds = ", ".join(map(str, came)) or "none came back"
            if number not in came:
                found = f"nothing came back in round {number}", f"a round of this frame: {rounds}"
            elif retouch.out:
                to = retouch.out.handoff.to
                found = f"it is with {to}", "a frame that is not out; withdraw it first"
        elif retouch.out is None and retouch.back is None:
            found = "it is not at retouch, nor retouched", "a frame that was handed off"
        elif how == "carry":
            if retouch.out is not None or retouch.back is None:
                found = "it is not back", "a frame that came back"
            elif self._stale(resolved) is None:
                found = "nothing changed since it was retouched", "a retouched frame that is stale"
        return found

    def _is_so(self, resolved: ResolvedFrame, how: HowSettled, number: int | None) -> bool:
        """Whether what is decided is the case already."""
        back = retouch_of(self.found.states[resolved.frame].trips).back
        if how == "round":
            return back is not None and back.of.round == number and not back.carried
        return how == "keep" and self._stale(resolved) is None

    def _stale(self, resolved: ResolvedFrame) -> str | None:
        state = self.found.states[resolved.frame]
        retouch = retouch_of(state.trips)
        return changed_since(resolved, state, retouch.out or retouch.back)

    def _settled(self, resolved: ResolvedFrame, how: HowSettled, number: int | None) -> Settled:
        state = self.found.states[resolved.frame]
        retouch = retouch_of(state.trips)
        inputs = sent_inputs(resolved, state.original.digest)
        about = key_of(inputs)
        if how == "round":
            # going back decides nothing about what changed since that round
            assert number is not None
            sent = next(t for t in state.trips if isinstance(t, Handoff) and t.round == number)
            about, inputs = sent.key, dict(sent.inputs)
        else:
            current = retouch.out.handoff if retouch.out else None
            current = current or (retouch.back.of if retouch.back else None)
            assert current is not None
            number = current.round
        return Settled(number, state.name, how, about, inputs, utc_now(), note=self.note)

    def _carry(
        self,
        frames: Sequence[ResolvedFrame],
        accept: bool,
        engine: MakeEngine,
        decided: Decided,
    ) -> None:
        from pipeline.files.landing import part_folder, remove_folder, sweep_folders

        measured = Measurements(self.folder, self.manifest, self.found)
        measured.measure(measures(frames, self.found.demand), frames, engine)
        sweep_folders(self.folder / FOLDER, self.folder)
        part = part_folder(self.folder / FOLDER, self.folder)
        resolved = {frame.frame: frame for frame in frames}
        try:
            tasks = list(self._carry_tasks(frames, measured, part, decided))
            with closing(engine(self.found.most_pixels(resolved)).run(tasks)) as outcomes:
                for outcome in outcomes:
                    name = outcome.task.name
                    if outcome.failure:
                        decided.failed[name] = outcome.failure
                    else:
                        self._carried(resolved[name], outcome.record, accept, decided)
        finally:
            remove_folder(part, self.folder)

    def _carry_tasks(
        self,
        frames: Sequence[ResolvedFrame],
        measured: Measurements,
        part: Path,
        decided: Decided,
    ) -> Iterable[Task]:
        names = [frame.frame for frame in frames]
        threads = threads_for(self.found.most_pixels(names), len(names))
        for number, resolved in enumerate(frames):
            if failure := measured.hindrance(resolved):
                decided.failed[resolved.frame] = failure
                continue
            back = retouch_of(self.found.states[resolved.frame].trips).back
            assert back is not None
            work = CarryWork(
                frame=resolved.frame,
                job=self.folder,
                folder=part / f"{number:04}",
                pairs=self._pairs(resolved.frame, back),
                development=development_of(self.found, resolved, measured, threads),
                space=resolved.retouch.space,
                requests=back.handled,
            )
            yield Task(resolved.frame, work)

    def _pairs(self, frame: str, back: Back) -> tuple[tuple[Retouched, Retouched], ...]:
        """What was sent and what came back in each round behind a frame, oldest first."""
        trips = self.found.states[frame].trips
        sent = {trip.round: trip for trip in trips if isinstance(trip, Handoff)}
        came = {trip.round: trip for trip in trips if isinstance(trip, Returned)}
        pairs: list[tuple[Retouched, Retouched]] = []
        at: int | None = back.of.round
        while at is not None:
            before, after = sent[at], came[at]
            pairs.insert(
                0,
                (
                    Retouched(self.folder / before.sent.path, before.sent.digest, before.space),
                    Retouched(self.folder / after.used.path, after.used.digest, after.space),
                ),
            )
            at = before.base
        return tuple(pairs)

    def _carried(
        self, resolved: ResolvedFrame, carried: Carried, accept: bool, decided: Decided
    ) -> None:
        from pipeline.files.landing import land, land_beside

        name = resolved.frame
        decided.findings[name] = carried.findings
        refused = [f.sentence for f in carried.findings if f.severity == "refuse"]
        if refused:
            decided.failed[name] = Failure("; ".join(refused))
            return
        state = self.found.states[name]
        back = retouch_of(state.trips).back
        assert back is not None and carried.file is not None and carried.picture is not None
        stem = Path(back.of.sent.path).stem
        picture = self.folder / carried.picture.path
        shown = self.folder / "reports" / f"{stem}_carried{picture.suffix}"
        decided.shown[name] = land(shown, _copying(picture), self.folder).path
        if not accept:
            return
        home = self.folder / round_folder(back.of.round) / "back"
        inputs = sent_inputs(resolved, state.original.digest)
        file = self.folder / carried.file.path
        decided.settled.append(
            Settled(
                round=back.of.round,
                frame=name,
                how="carry",
                key=key_of(inputs),
                inputs=inputs,
                at=utc_now(),
                carried=land_beside(file, home, f"{stem}_carried", ".tif", self.folder),
                picture=land_beside(picture, home, f"{stem}_carried", picture.suffix, self.folder),
                space=resolved.retouch.space,
                note=self.note,
            )
        )

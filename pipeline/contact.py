"""Makes the contact sheet of a shoot, in ``reports/``: what is set is decided here, not how.

Each frame's picture is read in a worker; nothing is recorded, so that a sheet can be made at any
time, beside a run too.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.contact_sheet import Contact, Group, Print, as_pdf
from pipeline.engines import Failure, MakeEngine, Task
from pipeline.errors import InvalidInput, Problem, SafelightError
from pipeline.manifest import Manifest
from pipeline.manifest.store import utc_now
from pipeline.plan import is_selected
from pipeline.records import REJECTED, Artifact, Assessed, FrameState
from pipeline.sorting import frames_meant
from pipeline.survey import Survey, survey
from pipeline.wording import shown

PDF = "reports/contact.pdf"
PICTURE_PX = 400
"""Of the long edge: 246 ppi on the sheet."""

Count = Callable[[int, int], None]


@dataclass(slots=True)
class Contacted:
    """What was made: the sheet, its pages as pictures where they were asked for, and how many
    pages and frames it has. ``failed`` are the frames without a picture."""

    pdf: Path
    pages: int
    frames: int
    png: list[Path] = field(default_factory=list)
    failed: dict[str, Failure] = field(default_factory=dict)

    @property
    def exit_code(self) -> int:
        """0, or 1 where a frame has no picture."""
        return 1 if self.failed else 0


def contact(
    folder: Path,
    named: Sequence[str] = (),
    *,
    where: str | None = None,
    to: Path | None = None,
    png: bool = False,
    engine: MakeEngine | None = None,
    count: Count = lambda _done, _of: None,
) -> Contacted:
    """Set all frames of a job, or those named, as PDF: ``to``, or else ``reports/contact.pdf``.

    ``where`` is a condition that they have to meet, as in ``sorting.frames_meant``.
    ``png`` also draws the pages into a folder beside it, of its name. ``count`` is told how many
    pictures were read, of how many. Raises ``SafelightError``.
    """
    path = folder / PDF if to is None else to.absolute()
    _check(path, to)
    with Manifest.open(folder) as manifest:
        found = survey(folder, manifest)
        assessed = manifest.assessed()
        wanted = {row["frame"] for row in frames_meant(folder, manifest, named, where)}
    if not found.states:
        raise SafelightError("there are no frames yet; safelight ingest takes them in")
    if not wanted:
        raise InvalidInput([Problem("--where", 0, "", "it is true of none of these frames", "")])
    current = _current_masters(found)
    states = {name: state for name, state in found.states.items() if name in wanted}
    pictures, failed = _pictures(folder, found, states, current, engine, count)
    sheet = _contact(found, states, assessed, current)
    reasons = {name: failure.sentence for name, failure in failed.items()}
    return _written(as_pdf(sheet, pictures, reasons), path, folder, failed, len(states), png=png)


def _check(path: Path, to: Path | None) -> None:
    """A sheet replaces an earlier one and nothing else."""
    if path.suffix.lower() != ".pdf" or (path.exists() and not path.is_file()):
        found = f"the name {shown(str(to or path))}"
        raise InvalidInput([Problem("--to", 0, "", found, "a file that ends in .pdf")])


def _current_masters(found: Survey) -> dict[str, tuple[int, Artifact]]:
    """The number and the master of each select's version that is what the recipe asks for now."""
    masters = {}
    for action in found.actions:
        state = found.states[action.frame]
        if action.action not in ("nothing", "wait") or not is_selected(state, found.demand):
            continue
        for version in state.versions:
            if version.number == action.version and version.master.path not in found.demand.missing:
                masters[state.name] = version.number, version.master
    return masters


def _pictures(
    folder: Path,
    found: Survey,
    states: Mapping[str, FrameState],
    current: Mapping[str, tuple[int, Artifact]],
    engine: MakeEngine | None,
    count: Count,
) -> tuple[dict[str, bytes], dict[str, Failure]]:
    """A small picture of each frame, and why others have none."""
    from pipeline.work import SmallWork
    from pipeline.workplace import here

    def work(name: str) -> SmallWork:
        if name in current:
            return SmallWork(folder / current[name][1].path, PICTURE_PX, is_master=True)
        return SmallWork(folder / states[name].original.path, PICTURE_PX)

    pictures: dict[str, bytes] = {}
    failed: dict[str, Failure] = {}
    tasks = [Task(name, work(name)) for name in states]
    with closing((engine or here)(found.most_pixels(states)).run(tasks)) as outcomes:
        for number, outcome in enumerate(outcomes, 1):
            if outcome.failure:
                failed[outcome.task.name] = outcome.failure
            else:
                pictures[outcome.task.name] = outcome.record
            count(number, len(tasks))
    return pictures, {name: failed[name] for name in states if name in failed}


# --- what is set --------------------------------------------------------------------------------


def _contact(
    found: Survey,
    states: Mapping[str, FrameState],
    assessed: Mapping[str, Assessed],
    current: Mapping[str, tuple[int, Artifact]],
) -> Contact:
    """Frames by setup, in order of capture, those of a burst together."""
    job = found.job
    groups: dict[str | None, list[FrameState]] = defaultdict(list)
    for state in in_order(states.values()):
        groups[job.setup_of(state.name, state.setup)].append(state)
    places = _places_in_bursts(found.states)

    def prints(members: Sequence[FrameState]) -> Iterator[Print]:
        several_days = len(_dates(members)) > 1
        for state in members:
            name = state.name
            version = current[name][0] if name in current else None
            facts = _facts(state, places.get(name, ""), version, several_days=several_days)
            yield Print(name, tuple(facts), _remark(assessed.get(name)), state.burst)

    unnamed = "Without a setup" if len(groups) > 1 else "All frames"
    return Contact(
        job=job.file.job,
        client=job.file.client,
        sender=job.file.credit.creator or "",
        days=_days(states.values()),
        at=utc_now(),
        groups=tuple(
            Group(setup or unnamed, _group_facts(members), tuple(prints(members)))
            for setup, members in groups.items()
        ),
    )


def in_order(states: Iterable[FrameState]) -> list[FrameState]:
    """Frames by capture time, unknown ones last; a burst stands where its first frame does."""

    def moment(state: FrameState) -> tuple[bool, str, str]:
        taken_at = state.original.capture.taken_at
        return taken_at is None, taken_at or "", state.name

    one_by_one = sorted(states, key=moment)
    begins: dict[str, tuple[bool, str, str]] = {}
    for state in one_by_one:
        if state.burst:
            begins.setdefault(state.burst, moment(state))
    return sorted(one_by_one, key=lambda state: begins.get(state.burst or "", moment(state)))


def _places_in_bursts(states: Mapping[str, FrameState]) -> dict[str, str]:
    """``burst 1: 3 of 12``, of the whole burst, whichever of its frames are shown."""
    bursts: dict[str, list[str]] = defaultdict(list)
    for state in in_order(states.values()):
        if state.burst:
            bursts[state.burst].append(state.name)
    said = {}
    for burst, names in bursts.items():
        kind, _, number = burst.rpartition("-")
        title = f"{kind} {int(number)}" if kind and number.isdigit() else burst
        for place, name in enumerate(names, 1):
            said[name] = f"{title}: {place} of {len(names)}"
    return said


def _facts(
    state: FrameState, place: str, version: int | None, *, several_days: bool
) -> Iterator[str]:
    """What is known of a frame, in lines; what is not known is left out."""
    capture = state.original.capture
    ratings = {REJECTED: "rejected", 0: "unrated"}
    time = "no time noted"
    if capture.taken_at:
        # within a burst, seconds tell nothing apart
        time = capture.taken_at[11:19] + (_hundredths(capture.taken_at) if state.burst else "")
        time = f"{capture.taken_at[:10]} {time}" if several_days else time
    yield f"{ratings.get(state.rating, f'rated {state.rating}')}, {time}"
    if more := ", ".join(part for part in (place, f"v{version}" if version else "") if part):
        yield more
    yield capture.exposure or "no exposure noted"


def _hundredths(taken_at: str) -> str:
    fraction = taken_at[19:22]
    return fraction if fraction[:1] == "." and fraction[1:].isdigit() else ""


def _remark(assessed: Assessed | None) -> str:
    """What an assessment suggests, and why."""
    if assessed is None:
        return ""
    reasons = "; ".join(assessed.reasons)
    if not assessed.suggested:
        return reasons
    return f"suggested: {reasons}" if reasons else "suggested"


def _group_facts(members: Sequence[FrameState]) -> str:
    count = f"{len(members)} frame" + ("" if len(members) == 1 else "s")
    times = sorted(t[11:16] for m in members if (t := m.original.capture.taken_at))
    parts = [count, _days(members)]
    if len(_dates(members)) == 1:
        parts.append(times[0] if times[0] == times[-1] else f"{times[0]} to {times[-1]}")
    return ", ".join(part for part in parts if part)


def _dates(states: Iterable[FrameState]) -> list[str]:
    taken = (state.original.capture.taken_at for state in states)
    return sorted({at[:10] for at in taken if at})


def _days(states: Iterable[FrameState]) -> str:
    dates = _dates(states)
    if not dates:
        return ""
    return dates[0] if len(dates) == 1 else f"{dates[0]} to {dates[-1]}"


# --- what is written ----------------------------------------------------------------------------


def _written(
    content: bytes,
    path: Path,
    folder: Path,
    failed: dict[str, Failure],
    frames: int,
    *,
    png: bool,
) -> Contacted:
    """Land the sheet, and its pages; pages of a longer sheet before it are removed."""
    from pipeline.files.landing import land
    from pipeline.files.pages import count_pages, png_pages

    inside = path.resolve().is_relative_to(folder.resolve())
    root = folder if inside else path.parent
    land(path, content, root)
    done = Contacted(path, count_pages(content), frames, failed=failed)
    if png:
        home = path.with_suffix("")
        for number, page in enumerate(png_pages(content), 1):
            done.png.append(home / f"page-{number:03}.png")
            land(done.png[-1], page, root)
        for left in home.glob("page-[0-9][0-9][0-9].png"):
            if left not in done.png:
                left.unlink()
    return done

"""Measures what was shot and suggests; finds dust on the sensors, and proposes spots for it.

Each frame is read in a worker; the process that holds the manifest puts together what they say.
What was measured of a frame stands until its file, the subject's place or an operator changes. An
assessment of dust replaces the last one as a whole.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.engines import Failure, MakeEngine, Task
from pipeline.figures import ASSESS_VERSION, AssessWork, Box
from pipeline.hashing import key_of
from pipeline.manifest import Manifest
from pipeline.records import REJECTED, Assessed, DustSpot, FrameState, ResolvedFrame
from pipeline.suggest import Measured, suggest
from pipeline.survey import Survey, chosen_frames, survey

if TYPE_CHECKING:
    from pipeline.kernels.dust import Speck
    from pipeline.work import DustRead

COVER = 1.7
"""Radius of what is filled, in those of the spot that was found: its soft rim goes too. Ours."""


@dataclass(slots=True)
class AssessReport:
    """What is known of the frames that were asked about, and of how many it was measured now."""

    frames: Mapping[str, Assessed] = field(default_factory=dict)
    measured: int = 0
    failed: dict[str, Failure] = field(default_factory=dict)

    @property
    def exit_code(self) -> int:
        """0, or that of the worst failure."""
        return max((failure.exit_code for failure in self.failed.values()), default=0)


def assess(
    folder: Path,
    named: Sequence[str] = (),
    *,
    engine: MakeEngine | None = None,
    count: Callable[[int, int], None] = lambda _done, _all: None,
) -> AssessReport:
    """Measure all frames of a job that are not rejected, or those named, and record what it says.

    Frames are compared with all that were ever measured. ``count`` is told how many frames were
    measured, of how many. Raises ``SafelightError``.
    """
    from pipeline.workplace import here

    with Manifest.open(folder, write=True) as manifest:
        found = survey(folder, manifest)
        unrejected = {name for name, s in found.states.items() if s.rating != REJECTED}
        wanted = chosen_frames(named, found.states) or unrejected
        works = {frame.frame: _work(folder, found, frame) for frame in found.frames}
        keys = {name: _key(work) for name, work in works.items()}
        known = manifest.assessed()
        figures = {n: one.figures for n, one in known.items() if one.key == keys[n]}
        tasks = [Task(name, works[name]) for name in works if name in wanted - figures.keys()]
        report = AssessReport(measured=len(tasks))
        try:
            if tasks:
                pixels = found.most_pixels(task.name for task in tasks)
                with closing((engine or here)(pixels).run(tasks)) as outcomes:
                    for number, outcome in enumerate(outcomes, 1):
                        name = outcome.task.name
                        if outcome.failure:
                            report.failed[name] = outcome.failure
                        else:
                            figures[name] = outcome.record
                        count(number, len(tasks))
        finally:  # what was measured before somebody stopped it counts
            assessed = _compared(found, figures, keys)
            changed = [one for name, one in assessed.items() if known.get(name) != one]
            if changed:
                manifest.record_assessed(changed)
        report.measured -= len(report.failed)
        report.frames = {name: one for name, one in assessed.items() if name in wanted}
    return report


def _work(folder: Path, found: Survey, frame: ResolvedFrame) -> AssessWork:
    original = found.states[frame.frame].original
    return AssessWork(folder / original.path, original.digest, subject_of(frame))


def _key(work: AssessWork) -> str:
    inputs = {"original": work.original_digest, "subject": work.subject, "version": ASSESS_VERSION}
    return key_of(inputs)


def _compared(
    found: Survey, figures: Mapping[str, Mapping[str, Any]], keys: Mapping[str, str]
) -> dict[str, Assessed]:
    measured = [
        Measured(
            frame.frame,
            figures[frame.frame],
            frame.setup or state.setup,
            state.burst,
            state.original.capture.taken_at or "",
            state.rating == REJECTED,
        )
        for frame in found.frames
        if frame.frame in figures
        for state in [found.states[frame.frame]]
    ]
    return {
        name: Assessed(
            name,
            keys[name],
            ASSESS_VERSION,
            {**figures[name], "beside": said.beside},
            said.reasons,
            said.suggested,
        )
        for name, said in suggest(measured).items()
    }


def subject_of(frame: ResolvedFrame) -> Box | None:
    """A box around the products of a frame, else around what its local edits cut out as a subject.

    None where no place is known by its outline.
    """
    products = [product.where for product in frame.products]
    edits = [step.parameters["mask"] for step in frame.steps if step.stage == "local"]
    boxes = [*filter(None, map(_box, products))]
    boxes = boxes or [*filter(None, (_box(mask) for mask in edits if mask.get("subject")))]
    if not boxes:
        return None
    left, top, right, bottom = zip(*boxes, strict=True)
    return min(left), min(top), max(right), max(bottom)


def _box(where: Mapping[str, Any]) -> Box | None:
    """Around an outline that is an ellipse, a polygon, or a thing in a box."""
    from pipeline.masking import Mask

    mask = Mask.model_validate(where)
    if mask.ellipse is not None:
        (x, y), (wide, high) = mask.ellipse.centre, mask.ellipse.radii
        reach = max(wide, high) if mask.ellipse.angle_deg else None
        wide, high = reach or wide, reach or high
        return x - wide, y - high, x + wide, y + high
    if mask.polygon is not None:
        across, down = zip(*mask.polygon, strict=True)
        return min(across), min(down), max(across), max(down)
    if mask.subject is not None:
        (left, top), (right, bottom) = mask.subject.around
        return left, top, right, bottom
    return None


@dataclass(slots=True)
class DustReport:
    """What an assessment found. ``specks`` are those of each body, ``spots`` of each frame."""

    specks: Mapping[str, Sequence[Speck]] = field(default_factory=dict)
    frames: Mapping[str, Sequence[str]] = field(default_factory=dict)
    spots: Mapping[str, Sequence[DustSpot]] = field(default_factory=dict)
    failed: dict[str, Failure] = field(default_factory=dict)

    @property
    def exit_code(self) -> int:
        """0, or that of the worst failure."""
        return max((failure.exit_code for failure in self.failed.values()), default=0)


def assess_dust(
    folder: Path,
    named: Sequence[str] = (),
    *,
    engine: MakeEngine | None = None,
    count: Callable[[int, int], None] = lambda _done, _all: None,
) -> DustReport:
    """Look for dust in all frames of a job, or those named, and record the spots of each.

    ``count`` is told how many frames were read, of how many. Raises ``SafelightError``.
    """
    from pipeline.work import DustWork
    from pipeline.workplace import here

    with Manifest.open(folder, write=True) as manifest:
        found = survey(folder, manifest)
        wanted = chosen_frames(named, found.states) or found.states.keys()
        states = {name: state for name, state in found.states.items() if name in wanted}
        tasks = [
            Task(name, DustWork(folder / state.original.path, state.original.digest))
            for name, state in states.items()
        ]
        report = DustReport()
        read: dict[str, DustRead] = {}
        if tasks:
            pixels = found.most_pixels(states)
            with closing((engine or here)(pixels).run(tasks)) as outcomes:
                for number, outcome in enumerate(outcomes, 1):
                    if outcome.failure:
                        report.failed[outcome.task.name] = outcome.failure
                    else:
                        read[outcome.task.name] = outcome.record
                    count(number, len(tasks))
        _put_together(report, states, read)
        manifest.record_dust(report.spots)
    return report


def _put_together(
    report: DustReport, states: Mapping[str, FrameState], read: Mapping[str, DustRead]
) -> None:
    """Judge each body by its own frames."""
    from pipeline.kernels.dust import find, spots_in

    bodies: dict[str, list[str]] = defaultdict(list)
    for name in read:
        bodies[body_of(states[name])].append(name)
    specks, spots = {}, {}
    for body, names in bodies.items():
        apertures = {name: states[name].original.capture.aperture for name in names}
        specks[body] = find({name: read[name].evidence for name in names}, apertures)
        for name in names:
            spots[name] = tuple(
                DustSpot(
                    upright_place(speck.x, speck.y, read[name].orientation),
                    round(100 * COVER * speck.radius, 3),
                    round(confidence, 3),
                )
                for speck, confidence in spots_in(specks[body], read[name].evidence)
            )
    report.specks, report.frames, report.spots = specks, bodies, spots


def body_of(state: FrameState) -> str:
    """What tells one camera from another: model and serial, as far as they are known."""
    capture = state.original.capture
    return " ".join(part for part in (capture.camera, capture.serial) if part) or "unknown body"


def upright_place(x: float, y: float, orientation: int) -> tuple[float, float]:
    """Shares of the stored picture as shares of the upright one; see ``kernels.orient``."""
    if orientation >= 5:
        x, y = y, x
    if orientation in (2, 3, 6, 7):
        x = 1 - x
    if orientation in (3, 4, 7, 8):
        y = 1 - y
    return round(x, 5), round(y, 5)

"""Finds dust on the sensors that a job was shot with, and proposes spots for every frame.

Each frame is read in a worker; the process that holds the manifest puts together what they say. A
new assessment replaces the last one as a whole.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.engines import Failure, MakeEngine, Task
from pipeline.manifest import Manifest
from pipeline.records import FoundSpot, FrameState
from pipeline.survey import chosen_frames, survey

if TYPE_CHECKING:
    from pipeline.kernels.dust import Speck
    from pipeline.work import DustRead

COVER = 1.7
"""Radius of what is filled, in those of the spot that was found: its soft rim goes too. Ours."""


@dataclass(slots=True)
class DustReport:
    """What an assessment found. ``specks`` are those of each body, ``spots`` of each frame."""

    specks: Mapping[str, Sequence[Speck]] = field(default_factory=dict)
    frames: Mapping[str, Sequence[str]] = field(default_factory=dict)
    spots: Mapping[str, Sequence[FoundSpot]] = field(default_factory=dict)
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
    from pipeline.run import here
    from pipeline.work import DustWork

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
                FoundSpot(
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

"""What is asked of a job and what is known of it, as of one moment: all that the plan needs.

Reads the job's files and the manifest; makes and records nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from hashlib import sha256
from importlib.metadata import version as installed
from pathlib import Path
from typing import Any

from pipeline import clocks, evening, wording
from pipeline.errors import InvalidInput, Problem
from pipeline.hashing import digest_file, key_of
from pipeline.job import Job, load_job
from pipeline.manifest import Manifest
from pipeline.painted import check_painted
from pipeline.plan import Demand, plan
from pipeline.records import (
    REJECTED,
    Action,
    Artifact,
    DustSpot,
    FrameState,
    MeasuredChart,
    ReadProducts,
    ResolvedChart,
    ResolvedFrame,
)
from pipeline.selection import FramePattern
from pipeline.shots import standings
from pipeline.status import status
from pipeline.step import (
    CHART_VERSION,
    FOLLOW_VERSION,
    METADATA_VERSION,
    PASS_VERSION,
    RENDITION_VERSION,
)

DEVELOPERS = ("numba", "numpy", "opencolorio", "opencv-python-headless", "rawpy")
"""Distributions whose code decides a master's pixels: their versions are part of every key."""
CHART_READERS = ("colour-science", "numpy", "opencv-python-headless", "rawpy", "scipy")
"""What decides how a chart is read."""
FOLLOWERS = ("opencv-python-headless",)
"""What decides how a mask is carried from one frame to another."""
ENCODERS = ("imagecodecs", "numba", "numpy")
"""What decides a delivered file's pixels besides its master."""


@dataclass(frozen=True, slots=True)
class Survey:
    """What is asked for and what is known, as of one moment: all that the plan needs.

    ``hindered`` says why deliveries that hold files cannot be asked for as they are written now.
    """

    job: Job
    states: Mapping[str, FrameState]
    frames: tuple[ResolvedFrame, ...]
    demand: Demand
    charts: Mapping[str, MeasuredChart]
    products_read: Mapping[str, ReadProducts]
    assessed: Collection[str] = frozenset()
    hindered: Sequence[str] = ()

    @property
    def chart_keys(self) -> dict[str, str]:
        """The key of every setup's chart, by setup, as its file names it now."""
        return {
            name: key_of(_identified(chart, self.states).inputs)
            for name, chart in self.job.charts.items()
        }

    def most_pixels(self, frames: Iterable[str]) -> int:
        """The pixels of the largest of some frames, as far as the camera noted them."""
        captures = [self.states[name].original.capture for name in frames]
        return max((c.width or 0) * (c.height or 0) for c in captures)

    @property
    def actions(self) -> list[Action]:
        """The plan."""
        return plan(self.frames, self.states, self.demand)

    @property
    def status(self) -> dict[str, Any]:
        """Every frame's state, counts, the shot list, and what files should still say.

        What is delivered is held against what is asked for now where the survey is about it.
        """
        return {
            "job": self.job.file.job,
            **status(self.frames, self.states, self.demand),
            "shots": standings(self.job, self.states),
            "reminders": self.reminders(),
            "hindered": list(self.hindered),
        }

    @property
    def named_and_rejected(self) -> list[str]:
        """Of frames that a delivery names one by one, those that are rejected all the same."""
        return [
            f"{name}: rejected, and left out of {order.name}, which names it"
            for order in self.demand.deliveries
            for name in self.job.deliveries[order.name].delivery.frames
            if name in self.states and self.states[name].rating == REJECTED
        ]

    def reminders(self, deliveries: Sequence[str] | None = None) -> list[str]:
        """``Job.reminders`` of the frames that this is about."""
        states = [self.states[frame.frame] for frame in self.frames]
        return self.job.reminders(states, deliveries)


def survey(
    folder: Path,
    manifest: Manifest,
    named: Sequence[str] = (),
    deliveries: Sequence[str] = (),
    recalled: Sequence[str] = (),
    *,
    delivered: bool = False,
) -> Survey:
    """Read a job's files and its manifest.

    ``named`` are frames or patterns that a person named: the survey is then about those alone, and
    they count as selects unless deliveries are asked for. ``recalled`` is as in ``Demand``.
    ``delivered`` asks for every delivery of the job that holds files. Raises ``InvalidInput`` with
    every problem.
    """
    job = read_job(folder)
    states = clocks.on_time(manifest.frames(), job.file.clocks)
    if delivered:
        deliveries = [
            name
            for name in job.deliveries
            if any(name in state.delivered for state in states.values())
        ]
    problems = job.check_frames(states)
    if problems:
        raise InvalidInput(problems)
    chosen = chosen_frames(named, states)
    dust = manifest.dust()
    frames = tuple(
        with_dust(with_follows(with_chart(job.resolve(name, state.setup), states), states), dust)
        for name, state in states.items()
        if not named or name in chosen
    )
    selects = {name for name, state in states.items() if job.is_select(state)}
    problems = job.check_charts({name: states[name].setup for name in selects | chosen})
    wanted = [frame for frame in frames if frame.frame in selects | chosen]
    problems += check_painted(wanted, states, job.files)
    if problems:
        raise InvalidInput(problems)
    charts, read = manifest.charts(), manifest.products_read()
    libraries = {"pass": str(PASS_VERSION), **_versions(DEVELOPERS)}
    if job.recipe.file.even:
        among = [with_chart(job.resolve(name, states[name].setup), states) for name in selects]
        even = evening.groups(among, states, libraries)
        frames = tuple(replace(frame, even=even.get(frame.frame)) for frame in frames)
    demand = Demand(
        # what is delivered of a frame is for the delivery to say
        selects=selects if deliveries else selects | chosen,
        libraries=libraries,
        encoders={
            "metadata": str(METADATA_VERSION),
            "rendition": str(RENDITION_VERSION),
            **_versions(ENCODERS),
        },
        missing=_missing(folder, states.values(), manifest.artifacts_in_doubt()),
        named=chosen,
        measured=charts.keys() | read.keys(),
        today=date.today().isoformat(),
        recalled=frozenset(recalled),
    )
    if deliveries:
        carried = {
            action.frame: states[action.frame].approved_version or action.version
            for action in plan(frames, states, demand)
            if action.version is not None
        }
        resolved = []
        for name in deliveries:
            try:
                resolved.append(job.resolve_delivery(name, list(states.values()), carried))
            except InvalidInput as error:
                if not delivered:
                    raise
                problems += error.problems
        demand = replace(demand, deliveries=resolved)
    hindered = tuple(str(problem) for problem in problems)
    return Survey(job, states, frames, demand, charts, read, dust.keys(), hindered)


def read_job(folder: Path) -> Job:
    """The job's files, checked, with the colours that its products were measured as."""
    return load_job(folder, read_colour=_read_colour)


def _read_colour(path: Path, name: str) -> tuple[float, float, float]:
    from pipeline.files.measured import read_colour

    lightness, a, b = (float(value) for value in read_colour(path, name))
    return lightness, a, b


def wants_dust(resolved: ResolvedFrame) -> bool:
    """Whether spots of dust are to be filled in a frame."""
    return any(step.step == "spotting" and step.parameters["dust"] for step in resolved.steps)


def with_dust(resolved: ResolvedFrame, dust: Mapping[str, Sequence[DustSpot]]) -> ResolvedFrame:
    """The frame with the spots that an assessment found, where its spotting asks for them."""
    if not wants_dust(resolved):
        return resolved
    found = [
        {"at": list(spot.at), "radius": spot.radius, "confidence": spot.confidence}
        for spot in dust.get(resolved.frame, ())
    ]
    steps = tuple(
        replace(step, parameters={**step.parameters, "found": found})
        if step.step == "spotting" and step.parameters["dust"]
        else step
        for step in resolved.steps
    )
    return replace(resolved, steps=steps)


def with_follows(resolved: ResolvedFrame, states: Mapping[str, FrameState]) -> ResolvedFrame:
    """The frame with all that decides what its masks come to that follow others."""
    if not resolved.follows:
        return resolved
    version = {"version": FOLLOW_VERSION, **_versions(FOLLOWERS)}
    inputs = {
        name: {"original": states[name].original.digest, **version} for name in resolved.follows
    }
    return replace(resolved, follows=inputs)


def with_chart(resolved: ResolvedFrame, states: Mapping[str, FrameState]) -> ResolvedFrame:
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
            meant = {name.casefold(): name for name in states}
            close = wording.closest(text.casefold(), meant)
            said = f", did you mean {meant[close]}?" if close else ""
            problems.append(Problem(text, 0, "", f"no such frame in this job{said}", _some(states)))
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
    return {name: _installed(name) for name in distributions}


_installed = cache(installed)


def what_decides() -> dict[str, str]:
    """Versions of all that decides what a worker makes, Safelight's own code among them.

    Asked in another process, on another machine, it tells whether the keys would hold there.
    """
    code = sha256()
    package = Path(__file__).parent
    for path in sorted(package.rglob("*.py")):
        code.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes())
    names = sorted({*DEVELOPERS, *CHART_READERS, *FOLLOWERS, *ENCODERS})
    return {"safelight": code.hexdigest()[:12], **{name: installed(name) for name in names}}


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
    return gone.union(a.path for a in in_doubt if not as_recorded(folder, a))


def as_recorded(folder: Path, artifact: Artifact) -> bool:
    """Whether a file that Safelight made is there with the content that was recorded."""
    with suppress(OSError):
        return digest_file(folder / artifact.path) == artifact.digest
    return False

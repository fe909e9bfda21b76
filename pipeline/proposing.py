"""Proposes setups for frames that are in none, and writes files that a person goes on with."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from pipeline import clocks, yamlfile
from pipeline.errors import InvalidInput, printable
from pipeline.figures import ASSESS_VERSION
from pipeline.job import Job
from pipeline.manifest import Manifest
from pipeline.recipe import Layers
from pipeline.records import REJECTED, FrameState
from pipeline.selection import as_patterns
from pipeline.setups import Group, groups_of
from pipeline.survey import read_job
from pipeline.written import SetupFile

SETUP = """\
# Proposed by `safelight setups`: {about}.
# Why it begins there: {why}.
# All of this is yours to change. Name it for its light: the file's name and `setup:` are the same.

setup: {name}
frames: [{frames}]

{chart}
# adjust:
#   - balance: {{from: chart}}
"""
CHART = """\
# {shows} a 24-patch chart. What can be taken from it:
chart: {{frame: {frame}}}"""
NO_CHART = """\
# The frame that shows a 24-patch chart, and what is taken from it:
# chart: {{frame: {frame}}}"""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A setup that could be: its ``patterns`` mean just ``group.frames``, whatever else comes in.

    ``beside`` are setups whose files list frames of the same light. ``charts`` are the frames that
    were seen to show a chart, the first of which is proposed. ``written`` is its file.
    """

    name: str
    group: Group
    patterns: tuple[str, ...]
    beside: tuple[str, ...] = ()
    charts: tuple[str, ...] = ()
    written: str | None = None

    @property
    def light(self) -> str:
        """What is known of it, in words."""
        words = []
        if self.group.exposure_value is not None:
            words.append(f"EV {self.group.exposure_value:.1f}")
        if self.group.balance_stops is not None:
            words.append(f"red against blue {self.group.balance_stops:+.1f} stops")
        return ", ".join(words)

    @property
    def why(self) -> str:
        """Why it begins where it does, and what else was shot in that light."""
        beside = "; beside frames of " + ", ".join(self.beside) if self.beside else ""
        return self.group.why + beside


@dataclass(frozen=True, slots=True)
class Proposed:
    """Setups that could be, and frames that are in none of them, each with its reason.

    ``charts`` are frames that show a chart, by setups whose files name none; ``unknown`` is in how
    many frames of the setups that could be nobody has looked for one.
    """

    setups: tuple[Proposal, ...]
    left_out: dict[str, str] = field(default_factory=dict)
    charts: dict[str, tuple[str, ...]] = field(default_factory=dict)
    unknown: int = 0


def propose(folder: Path, *, write: bool = False) -> Proposed:
    """Group the frames that are in no setup; with ``write``, make a file of each group.

    No file is ever written over, and a frame that is in a setup stays there. Raises
    ``InvalidInput``, ``CannotWrite``.
    """
    with Manifest.open(folder, write=write) as manifest:
        states = manifest.frames()
        job = read_job(folder)
        problems = job.check_frames(states)
        if problems:
            raise InvalidInput(problems)
        on_time = clocks.on_time(states, job.file.clocks)
        within = {name: job.setup_of(name, state.setup) for name, state in states.items()}
        captures = {name: state.original.capture for name, state in on_time.items()}
        groups, without_time = groups_of(captures)
        free = {name for name, setup in within.items() if setup is None}
        left_out = {name: "its time is not known" for name in without_time if name in free}
        names = _free_names(job, within.values())
        shows = _shows_chart(manifest, states)
        proposals = []
        for group in groups:
            frames = [name for name in group.frames if name in free]
            patterns, unlistable = as_patterns(frames)
            left_out |= dict.fromkeys(unlistable, "its name cannot be told from a pattern")
            listed = tuple(name for name in frames if name not in unlistable)
            if not listed:
                continue
            beside = {setup for name in group.frames if (setup := within[name]) is not None}
            ours = replace(group, frames=listed)
            charts = tuple(name for name in listed if shows.get(name))
            proposals.append(Proposal(next(names), ours, patterns, tuple(sorted(beside)), charts))
        if write:
            proposals = [_written(folder, job, proposal) for proposal in proposals]
    unknown = sum(
        name not in shows and states[name].rating != REJECTED
        for proposal in proposals
        for name in proposal.group.frames
    )
    return Proposed(tuple(proposals), left_out, _unnamed(job, within, shows), unknown)


def _shows_chart(manifest: Manifest, states: Mapping[str, FrameState]) -> dict[str, bool]:
    """Whether each frame that was assessed shows a chart, as far as its colours could be read."""
    return {
        name: bool(one.figures["chart"])
        for name, one in manifest.assessed().items()
        if name in states and one.version == ASSESS_VERSION
    }


def _unnamed(
    job: Job, within: Mapping[str, str | None], shows: Mapping[str, bool]
) -> dict[str, tuple[str, ...]]:
    """Frames that show a chart, by their setups, where the setup's file names none."""
    found: dict[str, tuple[str, ...]] = {}
    for name, setup in within.items():
        if shows.get(name) and setup is not None and setup not in job.charts:
            found[setup] = (*found.get(setup, ()), name)
    return found


def _free_names(job: Job, setups: Iterable[str | None]) -> Iterator[str]:
    """``setup-01``, ``setup-02``, ... that no setup and no file has."""
    folder = job.folder / "setups"
    files = {path.stem for path in folder.iterdir()} if folder.is_dir() else set()
    taken: Collection[str] = {str(name).casefold() for name in (*job.setups, *files, *setups)}
    numbers = range(1, len(taken) + 100_000)
    return (name for number in numbers if (name := f"setup-{number:02}") not in taken)


def _chart(proposal: Proposal) -> str:
    """What a setup's file says of its chart."""
    frame = json.dumps((proposal.charts or proposal.group.frames)[0], ensure_ascii=False)
    if not proposal.charts:
        return NO_CHART.format(frame=frame)
    more = printable(", ".join(proposal.charts[1:]))
    shows = f"This frame shows, as do {more}," if more else "This frame shows"
    return CHART.format(shows=shows, frame=frame)


def _written(folder: Path, job: Job, proposal: Proposal) -> Proposal:
    from pipeline.files.landing import land

    group, shown = proposal.group, f"setups/{proposal.name}.yaml"
    count = "1 frame" if len(group.frames) == 1 else f"{len(group.frames)} frames"
    span = f"{group.first_at[:16]} to {group.last_at[:16]}".replace("T", " ")
    text = SETUP.format(
        about=", ".join(filter(None, (count, span, proposal.light))),
        why=printable(proposal.why),
        name=proposal.name,
        frames=", ".join(json.dumps(pattern, ensure_ascii=False) for pattern in proposal.patterns),
        chart=_chart(proposal),
    )
    layers = Layers(job.steps)
    if layers.checked(yamlfile.parse(text, shown, folder), SetupFile) is None:
        raise InvalidInput(layers.problems)
    land(folder / shown, text.encode(), folder)
    return replace(proposal, written=shown)

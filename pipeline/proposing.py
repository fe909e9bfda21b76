"""Proposes setups for frames that are in none, and writes files that a person goes on with."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from pipeline import clocks, yamlfile
from pipeline.errors import InvalidInput, printable
from pipeline.job import Job
from pipeline.manifest import Manifest
from pipeline.recipe import Layers
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

# The frame that shows a 24-patch chart, and what is taken from it:
# chart: {{frame: {first}}}
# adjust:
#   - balance: {{from: chart}}
"""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A setup that could be: its ``patterns`` mean just ``group.frames``.

    ``beside`` are setups whose files list frames of the same light. ``written`` is its file.
    """

    name: str
    group: Group
    patterns: tuple[str, ...]
    beside: tuple[str, ...] = ()
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
    """Setups that could be, and frames that are in none of them, each with its reason."""

    setups: tuple[Proposal, ...]
    left_out: dict[str, str] = field(default_factory=dict)


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
        proposals = []
        for group in groups:
            frames = [name for name in group.frames if name in free]
            patterns, unlistable = as_patterns(frames, states.keys())
            left_out |= dict.fromkeys(unlistable, "its name cannot be told from a pattern")
            listed = tuple(name for name in frames if name not in unlistable)
            if not listed:
                continue
            beside = {setup for name in group.frames if (setup := within[name]) is not None}
            ours = replace(group, frames=listed)
            proposals.append(Proposal(next(names), ours, patterns, tuple(sorted(beside))))
        if write:
            proposals = [_written(folder, job, proposal) for proposal in proposals]
    return Proposed(tuple(proposals), left_out)


def _free_names(job: Job, setups: Iterable[str | None]) -> Iterator[str]:
    """``setup-01``, ``setup-02``, ... that no setup and no file has."""
    folder = job.folder / "setups"
    files = {path.stem for path in folder.iterdir()} if folder.is_dir() else set()
    taken: Collection[str] = {str(name).casefold() for name in (*job.setups, *files, *setups)}
    numbers = range(1, len(taken) + 100_000)
    return (name for number in numbers if (name := f"setup-{number:02}") not in taken)


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
        first=json.dumps(group.frames[0], ensure_ascii=False),
    )
    layers = Layers(job.steps)
    if layers.checked(yamlfile.parse(text, shown, folder), SetupFile) is None:
        raise InvalidInput(layers.problems)
    land(folder / shown, text.encode(), folder)
    return replace(proposal, written=shown)

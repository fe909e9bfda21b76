"""What can go wrong, in sentences that a photographer can act on.

Each error knows the exit code that the command line owes for it. Nothing here knows files, pixels
or the manifest.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


def printable(text: str) -> str:
    """The text with whatever a terminal would obey, or not show, written out: ``\\x1b``."""
    return "".join(letter if letter.isprintable() else ascii(letter)[1:-1] for letter in text)


class SafelightError(Exception):
    """Any refusal that Safelight words itself; everything else is a bug.

    The message is one sentence or a few: what, where, what is allowed.
    """

    exit_code = 2


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in one file that a person wrote.

    ``path`` is the place inside the document, such as ``look[2].tone.contrast``; ``line`` counts
    from 1, and 0 means the file as a whole.
    """

    file: str
    line: int
    path: str
    found: str
    allowed: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        where = f" {self.path}:" if self.path else ""
        allowed = f"; allowed: {self.allowed}" if self.allowed else ""
        return printable(f"{place}:{where} {self.found}{allowed}")


class InvalidInput(SafelightError):
    """Files or arguments are wrong; nothing was done. Carries every problem of every file."""

    exit_code = 2

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class FrameFailed(SafelightError):
    """One frame could not be done; the others go on."""

    exit_code = 1


class UnreadableOriginal(SafelightError):
    """An original cannot be decoded; the sentence says why, the caller knows which frame it is."""

    exit_code = 1


class ChartUnread(SafelightError):
    """A chart was not found, or what was read is no chart; the frames that need it wait."""

    exit_code = 1


class CannotWrite(SafelightError):
    """The disk refused: full, read-only, or gone."""

    exit_code = 1


class ToolMissing(SafelightError):
    """A program or an optional package that this command needs is not there, or is too old."""

    exit_code = 2


class JobBusy(SafelightError):
    """Another Safelight is working on this job."""

    exit_code = 2


class OlderManifest(SafelightError):
    """The manifest has to be brought up to date first, which cannot be done here."""


class NewerManifest(SafelightError):
    """The manifest was written by a newer Safelight; reading it here could lose what it says."""

    exit_code = 2


class NotAsRecorded(SafelightError):
    """Something on disk is not what the manifest recorded."""

    exit_code = 3

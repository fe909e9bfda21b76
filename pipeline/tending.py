"""A job that looks after itself: what came in is taken in, and what the plan says is done.

Nothing is decided that a person decides: what is only asked about is left, and named.
"""

from __future__ import annotations

import fcntl
import os
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from pipeline import wording
from pipeline.engines.server import state_folder
from pipeline.errors import InvalidInput, Problem, SafelightError, printable
from pipeline.survey import read_job
from pipeline.wording import counted
from pipeline.workplace import mark_of, prefect_server

WAIT_S = 600.0
"""How long to wait for another run on the job."""

Seen = frozenset[tuple[str, int, int]]
"""Files as they lie in folders: path, size, time of the last change."""


@dataclass
class Watch:
    """Looks at folders for what is new and stands still."""

    folders: Sequence[Path]
    _before: Seen = frozenset()
    _told: Seen = field(default_factory=frozenset)

    def news(self) -> bool:
        """Whether something has come or changed since this last said so, and stands still since the
        last look."""
        now = frozenset(_files(self.folders))
        still, self._before = now == self._before, now
        if not still or not now - self._told:
            return False
        self._told = now
        return True


class AlreadyWatched(SafelightError):
    """Somebody looks after the job already; nothing was done."""


def look_after(
    folder: Path,
    cards: Sequence[Path],
    returns: Sequence[Path],
    every_s: float,
    *,
    serve: bool,
    say: Callable[[str], None],
) -> None:
    """Serve a deployment that tends the job, until Ctrl-C; a run begins when something is new.

    ``say`` is told where the deployment is shown. Raises ``InvalidInput`` where no folder is given
    or one lies in the job's own, ``AlreadyWatched``, and ``ToolMissing`` where there is no server.
    """
    name = read_job(folder).file.job
    given = [*(("--cards", path) for path in cards), *(("--returns", path) for path in returns)]
    faults = [
        Problem(option, 0, "", f"{wording.shown(str(path))} {fault}", "a folder outside the job's")
        for option, path in given
        if (fault := _unfit(folder, path))
    ]
    if not given:
        faults = [Problem("schedule", 0, "", "nothing to watch", "--cards DIR, --returns DIR")]
    if faults:
        raise InvalidInput(faults)
    with _alone(folder):
        _serve(folder, name, cards, returns, every_s, serve=serve, say=say)


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """While this is the only one that watches for a job: each card would be taken in twice, and
    of two that watch other folders the first would do what the second was told."""
    states = state_folder()
    states.mkdir(mode=0o700, parents=True, exist_ok=True)
    with (states / f"schedule-{mark_of(folder)}.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise AlreadyWatched(
                f"another schedule watches for the job in {folder} already; end that one first, or "
                "give all folders to one"
            ) from error
        yield


def _serve(
    folder: Path,
    name: str,
    cards: Sequence[Path],
    returns: Sequence[Path],
    every_s: float,
    *,
    serve: bool,
    say: Callable[[str], None],
) -> None:
    server = prefect_server("prefect", serve=serve)
    from pipeline.engines.quiet import import_prefect

    import_prefect()
    from pipeline.engines.deployment import serve as serve_deployment

    say(f"{server.page}/deployments")
    watched = [path.resolve() for path in (*cards, *returns)]
    serve_deployment(
        # it is a part of a path at the server's, and two jobs may have one name
        f"{re.sub('[/%&<>]+', '-', name)} {mark_of(folder)}",
        name,
        "pipeline.tending:tend",
        {
            "job": str(folder),
            "cards": [str(path.resolve()) for path in cards],
            "returns": [str(path.resolve()) for path in returns],
        },
        Watch(watched).news,
        every_s,
        about=printable(
            f"Takes in what appears in {', '.join(map(str, watched))}, and does what is planned "
            f"for the job in {folder}."
        ),
    )


def _unfit(folder: Path, path: Path) -> str:
    """Why a folder cannot be watched. One that is not there may come, as a card does."""
    if path.exists() and not path.is_dir():
        return "is no folder"
    return "lies in the job's folder" if path.resolve().is_relative_to(folder.resolve()) else ""


def tend(job: str, cards: Sequence[str], returns: Sequence[str]) -> tuple[bool, str]:
    """Take in what lies on cards and what came back from retouching, then do what the plan says.

    Folders that are not there, such as a card that is not in, are passed over. Returns whether
    all went well, and what happened in words.
    """
    folder = Path(job)
    parts = (
        (_not_empty(cards), _take_in),
        (_not_empty(returns), _take_back),
        ([folder], _carry_out),
    )
    said: list[str] = []
    well = True
    for there, part in parts:
        if there:
            try:
                so, words = part(folder, there)
            except SafelightError as error:  # the other parts do not wait for this one
                so, words = False, [str(error)]
            well = well and so
            said += words
    return well, "; ".join(said)


def _take_in(job: Path, cards: Sequence[Path]) -> tuple[bool, list[str]]:
    from pipeline.ingest import ingest

    taken = ingest(job, cards)
    failed = [f"{name}: {why}" for name, why in taken.failed.items()]
    renamed = [f"{Path(path).name} is {frame}" for path, frame in taken.renamed.items()]
    words = [counted(len(taken.new), "new frame"), *failed, *renamed, *taken.notes]
    return taken.exit_code == 0, words


def _take_back(job: Path, returns: Sequence[Path]) -> tuple[bool, list[str]]:
    from pipeline.retouch import take_back

    back = take_back(job, returns, wait_s=WAIT_S)
    left = [
        f"{verdict.examination.path.name}: {finding.sentence}"
        for verdict in back.verdicts
        if verdict.outcome in ("asked", "refused")
        for finding in verdict.findings
    ]
    return back.exit_code == 0, [back.said, *left]


def _carry_out(job: Path, _: Sequence[Path]) -> tuple[bool, list[str]]:
    from pipeline.run import run

    done = run(job, wait_s=WAIT_S)
    failed = [f"{frame}: {failure.sentence}" for frame, failure in done.failed.items()]
    left = [
        f"{action.frame}: {action.action}: {action.reason}"
        for action in done.untouched
        if action.action in ("stale", "wait")  # a person decides
    ]
    return done.exit_code == 0, [done.said or "nothing to develop", *failed, *left, *done.notes]


def _not_empty(folders: Sequence[str]) -> list[Path]:
    return [Path(folder) for folder in folders if any(_files([Path(folder)]))]


def _files(folders: Sequence[Path]) -> Iterator[tuple[str, int, int]]:
    """What lies in folders and below; links are not followed, what cannot be read is not there."""
    for folder in folders:
        for where, _, names in os.walk(folder):
            for name in names:
                try:
                    found = os.lstat(os.path.join(where, name))  # noqa: PTH118 - of any bytes
                except OSError:
                    continue
                yield os.path.join(where, name), found.st_size, found.st_mtime_ns  # noqa: PTH118

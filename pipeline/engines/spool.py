"""A folder on the job's disk through which tasks go to other processes, and outcomes come back.

What is sent through other channels is then names only. An outcome lies here as soon as its task has
ended, so that whoever begins the same tasks again, after whatever death, does only what is missing.

The other side may see the same disk under another path: every ``Path`` in a task is rewritten on
the way. Tasks and outcomes are pickles, made and read by the same user's processes: whoever can
write into the job's folder decides what those processes do.
"""

from __future__ import annotations

import io
import json
import pickle
import secrets
import shutil
from collections.abc import Collection, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from hashlib import sha256
from pathlib import Path, PurePath
from typing import Any

from pipeline.engines import Outcome, Task
from pipeline.errors import SafelightError

FOLDER = ".safelight-spool"
HEADER = "header.json"
STOP = "stop"


class SpoolGone(SafelightError):
    """The folder is not there, or is not the one that was meant: nothing can be done from here."""


@dataclass(frozen=True, slots=True)
class Header:
    """What the other side needs to know of a whole run.

    ``function`` does the tasks; ``timeout_s`` bounds one. ``libraries`` are the versions of all
    that decides what comes out; ``versions_from`` is the function that tells them on the other
    side. ``paths`` says under which path there what lies under a path here. ``mark`` is a random
    word, by which the other side proves that it sees this folder and no other.
    """

    function: str
    timeout_s: float
    libraries: Mapping[str, str]
    versions_from: str
    paths: Mapping[str, str] = field(default_factory=dict)
    mark: str = field(default_factory=lambda: secrets.token_hex(16))


class Spool:
    """One such folder, from either side."""

    def __init__(self, folder: Path, header: Header) -> None:
        self.folder = folder
        self.header = header
        self._seen: set[str] = set()

    @classmethod
    def made(cls, beside: Path, header: Header) -> Spool:
        """A new one in a job's folder."""
        folder = beside / FOLDER / secrets.token_hex(4)
        folder.mkdir(mode=0o700, parents=True)
        (folder / HEADER).write_text(json.dumps(asdict(header)))
        return cls(folder, header)

    @classmethod
    def opened(cls, folder: Path) -> Spool:
        """The one that another process made. Raises ``SpoolGone``."""
        try:
            return cls(folder, Header(**json.loads((folder / HEADER).read_text())))
        except (OSError, ValueError, TypeError) as error:
            raise SpoolGone(f"{folder} is not there as it was made") from error

    @property
    def there(self) -> str:
        """This folder's path as the other side sees it."""
        return moved(self.folder, self.header.paths).as_posix()

    def put(self, task: Task) -> None:
        """Lay a task out for the other side."""
        self._write(task.name, "task", task.work)

    def task(self, name: str) -> Task:
        """A task that was laid out."""
        return Task(name, self._read(name, "task", self.header.paths))

    def answer(self, outcome: Outcome) -> None:
        """Lay an outcome out for this side."""
        name = outcome.task.name
        self._write(name, "outcome", (outcome.record, outcome.failure))

    def has_answer(self, name: str) -> bool:
        """Whether a task has ended, and its outcome still lies here."""
        return (self.folder / _file(name, "outcome")).exists()

    def is_open(self, name: str) -> bool:
        """Whether a task was laid out, and has not ended."""
        return not self.has_answer(name) and (self.folder / _file(name, "task")).exists()

    def answers(self, names: Collection[str]) -> Iterator[str]:
        """Those of the names of which an outcome has come since this was asked last."""
        listed = {entry.name for entry in self.folder.iterdir()} - self._seen
        for name in names:
            file = _file(name, "outcome")
            if file in listed:
                self._seen.add(file)
                yield name

    def outcome(self, task: Task) -> Outcome:
        """How a task ended that has an answer."""
        back = {there: here for here, there in self.header.paths.items()}
        record, failure = self._read(task.name, "outcome", back)
        return Outcome(task, record, failure)

    def clear(self, name: str) -> None:
        """Take a task and its outcome away: whoever begins it again finds nothing to do, and the
        folder, which is looked through all the time, stays small."""
        for kind in ("task", "outcome"):  # in this order: never open again
            file = _file(name, kind)
            self._seen.discard(file)
            (self.folder / file).unlink(missing_ok=True)

    def stop(self) -> None:
        """Ask the other side to begin no further task."""
        with suppress(OSError):
            (self.folder / STOP).touch()

    @property
    def stopped(self) -> bool:
        """Whether no further task should begin: it was said, or the folder is gone."""
        return (self.folder / STOP).exists() or not (self.folder / HEADER).exists()

    def remove(self) -> None:
        """The folder, and the one around it where nothing else is in it."""
        shutil.rmtree(self.folder, ignore_errors=True)
        with suppress(OSError):
            self.folder.parent.rmdir()

    def _write(self, name: str, kind: str, value: object) -> None:
        packed = io.BytesIO()
        _Pickler(packed, pickle.HIGHEST_PROTOCOL).dump(value)
        part = self.folder / f"{_file(name, kind)}-{secrets.token_hex(4)}"
        part.write_bytes(packed.getvalue())
        part.replace(self.folder / _file(name, kind))

    def _read(self, name: str, kind: str, paths: Mapping[str, str]) -> Any:
        packed = (self.folder / _file(name, kind)).read_bytes()
        return _Unpickler(io.BytesIO(packed), paths).load()


def sweep(job: Path) -> None:
    """Remove what killed runs left in a job's folder."""
    shutil.rmtree(job / FOLDER, ignore_errors=True)


def moved(path: PurePath, paths: Mapping[str, str]) -> Path:
    """A path as the other side of a map sees it: by the longest prefix that holds, or the same."""
    fitting = [prefix for prefix in paths if path.is_relative_to(prefix)]
    if not fitting:
        return Path(path)
    prefix = max(fitting, key=len)
    return Path(paths[prefix]) / path.relative_to(prefix)


def _file(name: str, kind: str) -> str:
    """Names are the user's, of any length and letters."""
    return f"{sha256(name.encode('utf-8', 'surrogatepass')).hexdigest()[:32]}.{kind}"


class _Pickler(pickle.Pickler):
    def persistent_id(self, obj: Any) -> str | None:
        return str(obj) if isinstance(obj, PurePath) else None


class _Unpickler(pickle.Unpickler):
    def __init__(self, packed: io.BytesIO, paths: Mapping[str, str]) -> None:
        super().__init__(packed)
        self._paths = paths

    def persistent_load(self, pid: str) -> Path:
        return moved(PurePath(pid), self._paths)

"""Progress on long work: a bar on a terminal, nothing into a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Self

from pipeline.kernels.compiled import compiled_kernels_folder

if TYPE_CHECKING:
    from rich.progress import Progress

    from pipeline.engines import Failure


def _bar(*columns: str) -> Progress:
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    return Progress(
        TextColumn("{task.description}"),
        BarColumn(bar_width=30),
        MofNCompleteColumn(),
        *(TextColumn(column) for column in columns),
        TimeRemainingColumn(compact=True),
        console=Console(stderr=True),
        transient=True,
    )


@contextmanager
def counting(what: str) -> Iterator[Callable[[int, int], None]]:
    """A bar that is told how many of how many are done."""
    if not sys.stderr.isatty():
        yield lambda _done, _of: None
        return
    with _bar() as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, of: bar.update(task, completed=done, total=of)


class FrameProgress:
    """A ``run.Listener``: frames done and failed, frames a second, time left."""

    def __init__(self, what: str = "developing") -> None:
        self._what = what
        self._bar = (
            _bar("{task.fields[failed]} failed", "{task.fields[rate]} frames/s")
            if sys.stderr.isatty()
            else None
        )
        self._failed = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()

    def planned(self, frames: int) -> None:
        """Show the bar, and say so where kernels have to be compiled first."""
        if not compiled_kernels_folder().is_dir():
            print("Compiling kernels: some twenty seconds, once.", file=sys.stderr)
        if self._bar is not None:
            self._task = self._bar.add_task(self._what, total=frames, failed=0, rate="-")
            self._bar.start()

    def ended(self, frame: str, failure: Failure | None) -> None:
        """One frame further; a failed one is named at once."""
        self._failed += failure is not None
        if self._bar is None:
            return
        if failure is not None:
            self._bar.console.print(f"{frame}: {failure.sentence}", markup=False, highlight=False)
        elapsed = self._bar.tasks[self._task].elapsed or 1.0
        rate = (self._bar.tasks[self._task].completed + 1) / elapsed
        self._bar.update(self._task, advance=1, failed=self._failed, rate=f"{rate:.1f}")

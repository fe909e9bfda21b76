"""Times taking a card in beside `cp` and `sha256sum`, as MB/s of the card.

`python tests/bench/ingest.py [--rounds 3] [--files 40] [--megabytes 25] [--disk DIR]`

Each round does all of it in turn, the card's files dropped from the system's cache before each. The
system's tools copy, flush, and sum the card and the copy, from the cache or not as it comes.
Safelight reads the card once, flushes every file, reads the copy past the cache, notes it in a
manifest, and writes hash list and log. ``--disk`` is a folder for the second copy: another disk, if
there is one.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
from pipeline.ingest import ingest


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--files", type=int, default=40)
    parser.add_argument("--megabytes", type=int, default=25)
    parser.add_argument("--disk", type=Path, help="where the second copy goes")
    given = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as scratch,
        tempfile.TemporaryDirectory(dir=given.disk) as disk,
    ):
        root, second = Path(scratch), Path(disk)
        card = root / "card"
        card.mkdir()
        for number in range(given.files):
            (card / f"QL{number:04}.DNG").write_bytes(os.urandom(given.megabytes * 1_000_000))
        os.sync()
        ways: dict[str, Callable[[], object]] = {
            "cp": lambda: copy(card, [root / "copy"]),
            "cp, sync, sha256sum of both": lambda: copy(card, [root / "copy"], summed=True),
            "Safelight": lambda: take(card, root / "job", None),
            "cp twice, sync, sha256sum of all": lambda: copy(
                card, [root / "copy", second / "copy"], summed=True
            ),
            "Safelight with a second copy": lambda: take(card, root / "job", second / "copy"),
        }
        seconds: dict[str, list[float]] = {name: [] for name in ways}
        for _ in range(given.rounds):
            for name, way in ways.items():
                for folder in (root / "copy", root / "job", second / "copy"):
                    shutil.rmtree(folder, ignore_errors=True)
                os.sync()
                drop(card)
                started = time.perf_counter()
                way()
                seconds[name].append(time.perf_counter() - started)
        size = given.files * given.megabytes
        for name, took in seconds.items():
            print(f"{name:36} {size / statistics.median(took):8.0f} MB/s")
        for ours, theirs in (
            ("Safelight", "cp, sync, sha256sum of both"),
            ("Safelight with a second copy", "cp twice, sync, sha256sum of all"),
        ):
            ratio = statistics.median(seconds[theirs]) / statistics.median(seconds[ours])
            print(f"{ours}: {ratio:.2f} times as fast as {theirs}")


def copy(card: Path, copies: list[Path], *, summed: bool = False) -> None:
    for made in copies:
        made.mkdir()
        subprocess.run(["cp", "-p", "-r", f"{card}/.", str(made)], check=True)
    if summed:
        subprocess.run(["sync"], check=True)
        files = [str(path) for folder in (card, *copies) for path in sorted(folder.iterdir())]
        subprocess.run(["sha256sum", *files], check=True, stdout=subprocess.DEVNULL)


def take(card: Path, job: Path, second: Path | None) -> None:
    job.mkdir()
    (job / "job.yaml").write_text("job: bench\nclient: bench\nrecipe: plain\n")
    if second:
        second.mkdir()
    assert ingest(job, [card], second_copy=second).exit_code == 0


def drop(folder: Path) -> None:
    for path in folder.iterdir():
        with path.open("rb") as stream:
            os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


if __name__ == "__main__":
    main()

"""Makes small jobs to run: a card of raws of 200 × 140 pixels, files that a person would write, and
what tests look at afterwards. The processes that tests start import it too.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import tifffile

from pipeline.engines import Outcome, Task
from pipeline.engines.worker import bug
from pipeline.errors import SafelightError
from pipeline.handoff import HandedOff
from pipeline.hashing import digest_file
from pipeline.ingest import ingest
from pipeline.manifest import Manifest
from pipeline.rating import rate
from pipeline.verify import verify
from tests.dng import ASCII, mosaic_of, write_dng

WIDTH, HEIGHT = 200, 140
ICC_PROFILE, XMP = 34675, 700

JOB = """\
job: small
client: Ferrow Enamelware
recipe: recipes/look.yaml
selects: rating >= 4
credit: {creator: Ines Tolland, copyright: © 2024 Ines Tolland}
description: A lamp on the quay.
deliveries:
  web:
    {format: jpeg, long_edge: 100, quality: 90, sharpen_for: screen,
     name: "{job}_{seq:03}_{frame}"}
  print:
    {format: tiff, bits: 16, scale: 1, space: adobe-rgb, name: "{job}_{frame}"}
caption: {alt_text: A lamp.}
"""

LOOK = """\
recipe: look
look:
  - balance: {from: as-shot}
  - expose: {stops: 0.1}
  - tone: {contrast: 1.1, toe: 0.2, shoulder: 0.4}
"""

DAYLIGHT = """\
setup: daylight
frames: ["F00[01-03]"]
adjust:
  - primaries: {saturation: 1.05}
"""


def write_card(card: Path, names: Sequence[str]) -> list[Path]:
    """A raw for each name, no two alike, a minute between them."""
    card.mkdir(parents=True, exist_ok=True)
    draw = np.random.default_rng(7)
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH] / np.array([[[HEIGHT]], [[WIDTH]]])
    paths = []
    for number, name in enumerate(names):
        tint = draw.uniform(0.2, 1.0, 3)
        disc = (rows - draw.uniform(0.2, 0.8)) ** 2 + (columns - draw.uniform(0.2, 0.8)) ** 2 < 0.05
        scene = (0.1 + 0.5 * columns + 0.3 * disc)[..., None] * tint
        signal_levels = scene * 3000 + draw.normal(0, 8, scene.shape) + 256
        taken = f"2024:10:03 09:{number:02}:00"
        paths.append(
            write_dng(
                card / f"{name}.dng",
                mosaic_of(signal_levels.clip(0, 4095).astype(np.uint16)),
                black=256,
                white=4095,
                extra_tags=((36867, ASCII, len(taken) + 1, taken, True),),  # DateTimeOriginal
            )
        )
    return paths


def write_job(job: Path) -> None:
    """The files that a person writes."""
    for path, text in {
        "job.yaml": JOB,
        "recipes/look.yaml": LOOK,
        "setups/daylight.yaml": DAYLIGHT,
    }.items():
        (job / path).parent.mkdir(parents=True, exist_ok=True)
        (job / path).write_text(text, encoding="utf-8")


def make_job(job: Path, frames: int = 6, selects: int = 4) -> Path:
    """A job of ``frames`` frames F0001, F0002, ..., the first ``selects`` of them rated 4."""
    names = [f"F{number:04}" for number in range(1, frames + 1)]
    write_card(job.parent / "card", names)
    write_job(job)
    assert ingest(job, [job.parent / "card"]).failed == {}
    rate(job, 4, names[:selects])
    return job


@dataclass
class InProcess:
    """An engine without processes, which counts what it works on."""

    worked_on: list[str] = field(default_factory=list)

    def __call__(self, _pixels: int) -> InProcess:
        return self

    def run(self, tasks: Iterable[Task]):
        """Every task at once, where it stands."""
        from pipeline.work import do

        for task in tasks:
            self.worked_on.append(task.name)
            try:
                yield Outcome(task, do(task.work))
            except SafelightError as error:
                from pipeline.engines import Failure

                yield Outcome(task, failure=Failure(str(error), error.exit_code))
            except Exception as error:
                yield Outcome(task, failure=bug(error))


def edit(path: Path, before: str, after: str) -> None:
    """Change a file as a person would in an editor."""
    text = path.read_text(encoding="utf-8")
    assert text.count(before) == 1, f"{before!r} is not once in {path}"
    path.write_text(text.replace(before, after), encoding="utf-8")


def digests(job: Path, *folders: str) -> dict[str, str]:
    """The digest of every file in folders of a job, temporaries included."""
    return {
        path.relative_to(job).as_posix(): digest_file(path)
        for folder in folders or ("originals", "masters", "deliveries")
        for path in sorted((job / folder).rglob("*"))
        if path.is_file()
    }


def assert_in_order(job: Path) -> None:
    """The manifest opens, all that it knows is on disk as it was recorded, and nothing else is.

    But for what says of the originals by itself: ratings, hash lists, the log of the ingest.
    """
    read, findings = verify(job)
    assert findings == []
    beside = ("originals/ascmhl/", "originals/ingest.log")
    on_disk = [p for p in digests(job) if not p.endswith(".xmp") and not p.startswith(beside)]
    assert len(on_disk) == read, f"{read} files recorded, on disk: {on_disk}"


def assert_nothing_torn(job: Path) -> None:
    """After a fault: what the manifest knows is there and whole; no final name shows a part."""
    assert verify(job)[1] == []


def states(job: Path) -> dict:
    """What the manifest knows of every frame."""
    with Manifest.open(job) as manifest:
        return manifest.frames()


def safelight(*arguments: str, cwd: Path, **options) -> subprocess.CompletedProcess[str]:
    """The command as a user starts it."""
    return subprocess.run(
        command(*arguments),
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        **options,
    )


def command(*arguments: str) -> list[str]:
    """What to start for ``safelight`` with these arguments, as a terminal would start it.

    Tests that run in the background inherit that Ctrl-C is ignored, and would pass it on.
    """
    heed = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
    return [sys.executable, "-c", f"{heed}; from pipeline.cli import main; main()", *arguments]


def start(*arguments: str, cwd: Path, **options) -> subprocess.Popen[str]:
    """The command in a process group of its own, its output piped."""
    return subprocess.Popen(
        command(*arguments),
        cwd=cwd,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        process_group=0,
        **options,
    )


def kill(process: subprocess.Popen[str]) -> None:
    """SIGKILL for the whole process group, and everything read from it."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.communicate()


def wait_until(happened, seconds: float = 30.0) -> None:
    """Poll until ``happened()`` is true; an assertion error after ``seconds``."""
    deadline = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < deadline, "it did not happen"
        time.sleep(0.01)


def sent_file(done: HandedOff, job: Path, frame: str = "F0001") -> Path:
    (path,) = (job / each.sent.path for each in done.sent if each.frame == frame)
    return path


def retouched(sent: Path, folder: Path, paint: int = 0) -> Path:
    """The file as another program would save it: other pixels in the middle, all else the same."""
    with tifffile.TiffFile(sent) as file:
        pixels, profile = file.asarray(), file.pages[0].tags[ICC_PROFILE].value
        xmp = file.pages[0].tags[XMP].value
    height, width = pixels.shape[:2]
    pixels[height // 2 - 8 : height // 2 + 8, width // 2 - 8 : width // 2 + 8] //= 2
    pixels[height // 2, width // 2] = paint
    folder.mkdir(exist_ok=True)
    tags = [(XMP, 1, len(xmp), xmp, True)]
    path = folder / sent.name
    tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=profile, extratags=tags)
    return path

"""Records to put into a manifest, and a writer that works until it is killed.

Imported by tests and by the processes that they start, so it loads quickly.
"""

from __future__ import annotations

import random
import time
from pathlib import Path
from typing import Any

from pipeline.hashing import digest_bytes
from pipeline.manifest import Manifest
from pipeline.records import Artifact, Capture, Delivered, FrameState, Original, Version

CAPTURE = Capture("2026-05-20T18:31:02.120+02:00", "QX", "0042", "35/2", 400.0, 0.008, 2.8, 35.0)


def frame(name: str, **known: Any) -> FrameState:
    """A frame that was ingested, and what else is known of it."""
    original = Original(f"originals/{name}.dng", f"blake3:{name}", 12_000_000, CAPTURE)
    return FrameState(name, original, **known)


def version(name: str, number: int, master: Artifact | None = None) -> Version:
    """A version of a frame."""
    return Version(
        name,
        number,
        f"key-{number}",
        "first version",
        {"original": f"blake3:{name}", "steps": [{"step": "tone", "parameters": {"toe": 0.2}}]},
        master or Artifact(f"masters/{name}_v{number}.tif", f"blake3:m{number}", 48_000_000),
        "2026-05-20T19:00:00+00:00",
    )


def web(name: str, number: int, file_name: str) -> Delivered:
    """A file of the delivery ``web``."""
    file = Artifact(f"deliveries/web/{file_name}", f"blake3:{file_name}", 400_000)
    return Delivered("web", name, number, f"web-{number}", {"version": "k"}, file, "2026-05-21")


def put(job: Path, path: str, data: bytes) -> Artifact:
    """Write a file under a temporary name and rename it: what every writer of files does."""
    target = job / path
    target.parent.mkdir(exist_ok=True)
    temporary = target.with_name(f".{target.name}.new")
    temporary.write_bytes(data)
    temporary.replace(target)
    return Artifact(path, digest_bytes(data), len(data))


def work_until_killed(job: Path, seed: int, *, row_before_file: bool = False) -> None:
    """Develop, rate and approve at random; print each version once it is recorded.

    ``row_before_file`` is the mistake that the tests must be able to notice.
    """
    draw = random.Random(seed)
    with Manifest.open(job, write=True, wait_s=10.0) as manifest:
        names = list(manifest.frames())
        while True:
            name = draw.choice(names)
            number = len(manifest.frames()[name].versions) + 1
            path, data = f"masters/{name}_v{number}.tif", draw.randbytes(2000)
            if row_before_file:
                planned = Artifact(path, digest_bytes(data), len(data))
                manifest.record_version(version(name, number, planned))
                time.sleep(0.002)
                put(job, path, data)
            else:
                manifest.record_version(version(name, number, put(job, path, data)))
            print(name, number, flush=True)
            with manifest.transaction():
                manifest.rate(name, draw.randint(1, 5))
                manifest.approve(name, number)

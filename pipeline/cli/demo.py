"""The demo: a shoot whose every colour is known, taken through the whole job."""

from __future__ import annotations

import shutil
import sys
import time
from pathlib import Path

from pipeline.cli import progress, report
from pipeline.errors import InvalidInput, Problem
from pipeline.recipe import shipped

RATINGS = {
    5: ["QL0004", "QL0006", "QL0020", "QL0030", "QL0036"],
    4: ["QL0002", "QL0008", "QL0011", "QL0013", "QL0026", "QL0032", "QL0038", "QL0040"],
    2: ["QL00[14-19]", "QL00[21-25]"],
    -1: ["QL0003"],
}
"""What the photographer of the demo thinks of the frames."""


def demonstrate(folder: Path, megapixels: float) -> int:
    """Make the shoot, then do what a photographer would type, showing each command."""
    from pipeline.ingest import ingest
    from pipeline.rating import rate

    if folder.exists() and any(folder.iterdir()):
        found = "the folder is there already and is not empty"
        raise InvalidInput([Problem(str(folder), 0, "", found, "a new folder")])
    started = time.monotonic()
    job = folder / "quay-lamps"
    print(f"Rendering forty raws of {megapixels:g} megapixels from measured spectra ...")
    _make_shoot(folder, megapixels)
    shutil.copytree(shipped("examples") / "quay-lamps", job)

    _say(f"safelight ingest {folder / 'card'}")
    with progress.counting("copying") as count:
        taken = ingest(job, [folder / "card"], count)
    report.ingested(taken)

    for rating, frames in RATINGS.items():
        _say(f"safelight rate {rating} {' '.join(frames)}")
        rate(job, rating, frames)

    _say("safelight assess --dust")
    _dust(job)
    _say("safelight plan")
    _plan(job)
    _say("safelight deliver web print")
    code = _deliver(job, ["web", "print"])
    _say("safelight colour")
    _colour(job)
    _say("safelight status")
    _status(job)
    _say("safelight run")
    _deliver(job, [])
    _say("safelight pack web")
    _pack(job, "web")
    print(
        f"\nThe whole job took {time.monotonic() - started:.0f} s. It lies in {job}; its finished "
        f"files in {job / 'deliveries'}, packed for the client in {job / 'packed'}.\nTry it: "
        f"cd {job}; change a number in setups/dusk.yaml; safelight plan; safelight run."
    )
    return code


def _say(command: str) -> None:
    print(f"\n$ {command}")


def _make_shoot(folder: Path, megapixels: float) -> None:
    # by one name everywhere: its compiled kernels are kept under the name that they were made by
    sys.path.insert(0, str(shipped("examples").parent))
    try:
        from examples.shoot import make_shoot
    finally:
        sys.path.pop(0)
    with progress.counting("rendering") as count:
        make_shoot(folder, megapixels, count)


def _dust(job: Path) -> None:
    from pipeline.assess import assess_dust

    with progress.counting("looking for dust") as count:
        found = assess_dust(job, [], count=count)
    report.dust(found)


def _plan(job: Path) -> None:
    from pipeline.manifest import Manifest
    from pipeline.survey import survey

    with Manifest.open(job) as manifest:
        report.plan(survey(job, manifest).actions)


def _deliver(job: Path, deliveries: list[str]) -> int:
    from pipeline.run import run

    with progress.FrameProgress() as listener:
        done = run(job, deliveries=deliveries, listener=listener)
    report.done(done, show_details=False)
    return done.exit_code


def _pack(job: Path, delivery: str) -> None:
    from pipeline.bagging import bag_delivery

    with progress.counting("copying") as count:
        done = bag_delivery(job, delivery, count=count)
    report.packed(done)


def _colour(job: Path) -> None:
    from pipeline.colour import colour_report, write_page

    with progress.counting("measuring") as count:
        found = colour_report(job, count)
    report.colour(found, write_page(job, found).path, [])


def _status(job: Path) -> None:
    from pipeline.manifest import Manifest
    from pipeline.survey import survey

    with Manifest.open(job) as manifest:
        report.status(survey(job, manifest, delivered=True).status)

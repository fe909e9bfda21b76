"""Bodies whose clocks disagree: one offset in job.yaml puts all that follows from time right."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from PIL import Image

from pipeline.clocks import corrected, on_time, seconds_of
from pipeline.errors import InvalidInput
from pipeline.ingest import ingest
from pipeline.job import load_job
from pipeline.manifest import Manifest
from pipeline.records import Capture
from pipeline.survey import survey

JOB = """job: quay
client: Ferrow Enamelware
recipe: plain
selects: rating >= 0
deliveries:
  web: {format: jpeg, long_edge: 2048, space: srgb, name: "{seq:03}_{date}_{frame}"}
  bare: {format: jpeg, long_edge: 2048, space: srgb, name: "{frame}", metadata: rights-only}
"""


@pytest.mark.parametrize(
    ("offset", "seconds"),
    [("+00:03:12", 192), ("-01:00:00", -3600), ("+00:00:00", 0), ("+8760:00:01", 31_536_001)],
)
def test_offsets_are_a_sign_hours_minutes_seconds(offset: str, seconds: int) -> None:
    assert seconds_of(offset) == seconds


@pytest.mark.parametrize("offset", ["00:03:12", "+3:12", "+00:60:00", "192", "", "+00:03:12.5"])
def test_other_offsets_are_refused(offset: str) -> None:
    with pytest.raises(ValueError, match="such as"):
        seconds_of(offset)


@pytest.mark.parametrize(
    ("taken_at", "offset", "right"),
    [
        ("2031-12-31T23:58:00.250+02:00", "+00:03:12", "2032-01-01T00:01:12.250+02:00"),
        ("2032-03-01T00:00:00", "-00:00:01", "2032-02-29T23:59:59"),  # a leap year
        ("0001-01-01T00:00:00", "-00:00:01", "0001-01-01T00:00:00"),  # before the calendar
        (None, "+00:00:01", None),
    ],
)
def test_only_date_and_time_move(taken_at, offset, right) -> None:
    capture = Capture(taken_at, camera="Ferrow Q5", serial="0042", iso=400)
    moved = corrected(capture, {"0042": offset, "Ferrow Q5": "+09:00:00"})
    assert moved == Capture(right, camera="Ferrow Q5", serial="0042", iso=400)
    other = Capture(taken_at, camera="ferrow q5", serial="0043")
    assert corrected(other, {"0042": "+01:00:00"}) == other
    assert corrected(other, {"Ferrow Q5": offset}).taken_at == right


def take(folder: Path, name: str, serial: str, at: str) -> None:
    """A JPEG of a body with a serial number; the first digit of the name makes it unlike others."""
    path = folder / f"{name}.JPG"
    Image.new("RGB", (8, 8), (len(name), int(name[-1]), 9)).save(path)
    time, fraction = at.split(".")
    command = [
        "exiftool", "-q", "-overwrite_original", "-Make=Ferrow", "-Model=Q5",
        f"-SerialNumber={serial}", f"-DateTimeOriginal=2031:05:04 {time}",
        f"-SubSecTimeOriginal={fraction}", str(path),
    ]  # fmt: skip
    subprocess.run(command, check=True)


@pytest.fixture(scope="module")
def shot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job with four frames of body 1, whose clock is right, and three of 2, three minutes late
    at midnight."""
    folder = tmp_path_factory.mktemp("clocks")
    (folder / "card").mkdir()
    for number, second in enumerate((0, 0.25, 0.5), 1):
        take(folder / "card", f"A{number}", "1", f"23:59:{30 + second:05.2f}")
        take(folder / "card", f"B{number}", "2", f"23:57:{30 + second:05.2f}")
    job = folder / "job"
    job.mkdir()
    (job / "job.yaml").write_text(JOB)
    assert ingest(job, [folder / "card"]).exit_code == 0
    return job


def delivered(job: Path, name: str) -> dict[str, dict[str, str]]:
    with Manifest.open(job) as manifest:
        resolved = survey(job, manifest, deliveries=[name]).demand.deliveries[0]
    return {frame: dict(file) for frame, file in resolved.files.items()}


def bursts(job: Path) -> dict[str, str | None]:
    with Manifest.open(job) as manifest:
        return {name: state.burst for name, state in manifest.frames().items()}


def test_order_dates_and_bursts_follow_the_right_time(shot: Path) -> None:
    (shot / "job.yaml").write_text(JOB)
    before = delivered(shot, "web")
    assert before["B1"] == {"path": "deliveries/web/001_2031-05-04_B1.jpg"}
    assert bursts(shot)["B1"] == "burst-001"
    (shot / "job.yaml").write_text(JOB + 'clocks: {"2": +00:03:12}\n')
    after = delivered(shot, "web")
    assert after["A1"] == {"path": "deliveries/web/001_2031-05-04_A1.jpg"}
    assert after["B1"] == {
        "path": "deliveries/web/004_2031-05-05_B1.jpg",
        "taken_at": "2031-05-05T00:00:42.00",
    }
    # where files do not say when they were taken, nothing is delivered again
    assert delivered(shot, "bare")["B1"] == {"path": "deliveries/bare/B1.jpg"}
    assert ingest(shot, [shot.parent / "card"]).notes == []
    assert bursts(shot)["A1"] == "burst-001"
    assert bursts(shot)["B1"] == "burst-002"
    with Manifest.open(shot) as manifest:
        states = manifest.frames()
    assert states["B1"].original.capture.taken_at == "2031-05-04T23:57:30.00"  # as it was noted
    moved = on_time(states, load_job(shot).file.clocks)
    assert moved["B1"].original.capture.taken_at == "2031-05-05T00:00:42.00"


def test_a_body_that_is_not_there_is_said(shot: Path) -> None:
    (shot / "job.yaml").write_text(JOB + 'clocks: {"3": +00:03:12}\n')
    assert ingest(shot, [shot.parent / "card"]).notes == [
        "clocks in job.yaml: no frame is by 3; there are Ferrow Q5 (1), Ferrow Q5 (2)."
    ]


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("clocks: {Q5: 00:03:12}", "a sign, hours, minutes and seconds"),
        ("clocks: {Q5: +00:03:12, q5: +00:00:01}", "differ in more than case"),
        ("clocks: {Q5: 192}", r"job\.yaml:\d+: clocks\.Q5"),
    ],
)
def test_what_is_wrong_in_the_file_is_named(tmp_path: Path, written: str, said: str) -> None:
    (tmp_path / "job.yaml").write_text(f"{JOB}{written}\n")
    with pytest.raises(InvalidInput, match=said):
        load_job(tmp_path)

"""Bursts are found by body and by sub-second times, and by nothing else."""

from __future__ import annotations

import random

import pytest

from pipeline.bursts import bursts_of
from pipeline.records import Capture


def shots(
    prefix: str, times: list[str], camera: str | None = "Body", serial: str | None = "1"
) -> list[tuple[str, Capture]]:
    return [
        (f"{prefix}{number}", Capture(taken_at=time, camera=camera, serial=serial))
        for number, time in enumerate(times, start=1)
    ]


def at(*seconds: float) -> list[str]:
    return [f"2031-05-04T10:00:{second:06.3f}" for second in seconds]


def test_frames_in_quick_succession_are_one_burst() -> None:
    captures = shots("Q", at(1.0, 1.1, 1.2, 5.0, 9.0, 9.5, 10.0, 10.501))
    assert bursts_of(captures) == {
        "Q1": "burst-001",
        "Q2": "burst-001",
        "Q3": "burst-001",
        "Q5": "burst-002",  # half a second is still one release, a little more is not
        "Q6": "burst-002",
        "Q7": "burst-002",
    }


def test_two_frames_are_no_burst() -> None:
    assert bursts_of(shots("Q", at(1.0, 1.1))) == {}
    assert bursts_of([]) == {}


def test_bodies_that_fire_together_are_kept_apart_and_numbered_by_time() -> None:
    left = shots("L", at(2.0, 2.2, 2.4), serial="1")
    right = shots("R", at(1.9, 2.1, 2.3), serial="2")
    mixed = [shot for pair in zip(left, right, strict=True) for shot in pair]
    assert bursts_of(mixed) == {
        **dict.fromkeys(("R1", "R2", "R3"), "burst-001"),
        **dict.fromkeys(("L1", "L2", "L3"), "burst-002"),
    }
    assert bursts_of(shots("A", at(1.0, 1.8), serial="1") + shots("B", at(1.4), serial="2")) == {}


def test_the_order_of_the_frames_given_does_not_matter() -> None:
    captures = shots("Q", at(1.0, 1.1, 1.2, 1.3, 8.0, 8.1, 8.2, 20.0))
    expected = bursts_of(captures)
    random.Random(4).shuffle(captures)
    assert bursts_of(captures) == expected


@pytest.mark.parametrize(
    "captures",
    [
        shots("Q", ["2031-05-04T10:00:01"] * 5),
        shots("Q", at(1.0, 1.1, 1.2), camera=None, serial=None),
        shots("Q", ["once upon a time."] * 3),
        [(f"Q{number}", Capture(camera="Body")) for number in range(3)],
    ],
    ids=["whole-seconds", "unknown-body", "no-time", "no-times"],
)
def test_what_is_not_known_makes_no_burst(captures: list[tuple[str, Capture]]) -> None:
    assert bursts_of(captures) == {}


def test_offsets_from_utc_are_honoured() -> None:
    times = [
        "2031-05-04T10:00:01.00+02:00",
        "2031-05-04T08:00:01.30+00:00",
        "2031-05-04T09:00:01.60+01:00",
    ]
    assert set(bursts_of(shots("Q", times))) == {"Q1", "Q2", "Q3"}
    assert bursts_of(shots("Q", [times[0], "2031-05-04T10:00:01.30", times[1]])) == {}

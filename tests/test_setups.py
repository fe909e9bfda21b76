"""Setups are proposed by pauses and by light that changes for good; no file is written over."""

from __future__ import annotations

import json
import random
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.figures import ASSESS_VERSION
from pipeline.files.metadata import MetadataWriter
from pipeline.job import load_job
from pipeline.manifest import Manifest
from pipeline.proposing import propose
from pipeline.records import Assessed, Capture, FrameState, Original
from pipeline.selection import FramePattern, as_patterns
from pipeline.setups import balance_stops, exposure_value, groups_of
from pipeline.survey import survey
from tests.dng import mosaic_of, write_dng
from tests.job_for_tests import JOB, LOOK

START = datetime(2031, 5, 4, 10)
DAYLIGHT, TUNGSTEN = (2.0, 1.5), (1.3, 2.5)
"""As-shot gains of red and blue as cameras have them; from memory, no source."""


def shot(
    minutes: float,
    ev: float | None = 12.0,
    gains: tuple[float, float] | None = DAYLIGHT,
    serial: str = "1",
) -> Capture:
    """A frame at f/4 and ISO 100 whose exposure value is ``ev``: N² / t = 2**ev."""
    return Capture(
        taken_at=(START + timedelta(minutes=minutes)).isoformat(),
        camera="Body",
        serial=serial,
        iso=100.0,
        aperture=4.0,
        exposure_s=None if ev is None else 16 / 2**ev,
        as_shot_red=gains and gains[0],
        as_shot_blue=gains and gains[1],
    )


def named(captures: list[Capture], prefix: str = "Q") -> dict[str, Capture]:
    return {f"{prefix}{number:02}": capture for number, capture in enumerate(captures, 1)}


def grouped(captures: dict[str, Capture]) -> list[tuple[str, ...]]:
    return [group.frames for group in groups_of(captures)[0]]


@pytest.mark.parametrize(
    ("aperture", "seconds", "iso", "ev"),
    [
        # EV 15 is f/16 at 1/125 s, EV 0 f/1 at 1 s (APEX: Exif 2.32, annex C). Engraved apertures
        # and times are rounded: f/2.8 and 1/30 s together are 0.12 off
        (1.0, 1.0, 100, 0.0),
        (16.0, 1 / 125, 100, 15.0),
        (8.0, 1 / 60, 100, 12.0),
        (5.6, 1 / 125, 400, 10.0),
        (2.8, 1 / 30, 100, 8.0),
    ],
)
def test_exposure_values_of_published_tables(aperture, seconds, iso, ev) -> None:
    capture = Capture(aperture=aperture, exposure_s=seconds, iso=iso)
    assert exposure_value(capture) == pytest.approx(ev, abs=0.15)


def test_what_is_not_noted_has_no_light() -> None:
    assert exposure_value(Capture(aperture=4.0, iso=100)) is None
    assert balance_stops(Capture(as_shot_red=2.0)) is None
    assert balance_stops(Capture(as_shot_red=2.0, as_shot_blue=1.0)) == 1.0


def test_a_pause_begins_a_setup_and_says_so() -> None:
    captures = named([shot(minute) for minute in (0, 9, 18, 30, 31, 150, 2 * 24 * 60 + 200)])
    groups, left_out = groups_of(captures)
    assert [len(group.frames) for group in groups] == [3, 2, 1, 1]
    assert [group.why for group in groups] == [
        "the first frames", "12 minutes after Q03", "119 minutes after Q05", "2 days after Q06",
    ]  # fmt: skip
    assert left_out == []
    assert groups[0].first_at == "2031-05-04T10:00:00"
    assert groups[0].last_at == "2031-05-04T10:18:00"


def test_light_of_another_colour_begins_a_setup() -> None:
    captures = named([shot(m) for m in range(4)] + [shot(4 + m, 12, TUNGSTEN) for m in range(4)])
    first, second = groups_of(captures)[0]
    assert second.frames == ("Q05", "Q06", "Q07", "Q08")
    # log2(2 / 1.5) - log2(1.3 / 2.5) = 1.36
    assert second.why == "1.4 stops redder than before Q05"
    assert (first.balance_stops, second.balance_stops) == (0.42, -0.94)
    back = named([shot(m, 12, TUNGSTEN) for m in range(4)] + [shot(4 + m) for m in range(4)])
    assert groups_of(back)[0][1].why == "1.4 stops bluer than before Q05"


def test_light_of_another_strength_begins_a_setup() -> None:
    captures = named([shot(m) for m in range(4)] + [shot(4 + m, 9.5) for m in range(3)])
    first, second = groups_of(captures)[0]
    assert second.why == "2.5 stops darker than before Q05"
    assert (first.exposure_value, second.exposure_value) == (12.0, 9.5)


@pytest.mark.parametrize(
    "evs",
    [
        [12, 12, 12, 10, 12, 12, 12],  # a slip
        [12, 12, 12, 10, 10, 12, 12],
        [12, 12, 12, 12, 14, 10, 12, 14, 10],  # brackets
        [9, 12, 12, 12, 12, 12],  # a test before
        [12, 12.9, 11.1, 12.5, 11.5, 12.9],
        [12, 12, 12, None, None, None],
    ],
)
def test_what_does_not_last_begins_none(evs) -> None:
    captures = named([shot(minute, ev) for minute, ev in enumerate(evs)])
    assert len(grouped(captures)) == 1


def test_two_bodies_are_never_compared() -> None:
    left = {f"L{m}": shot(m, 12, DAYLIGHT, "1") for m in range(6)}
    right = {f"R{m}": shot(m + 0.5, 9, TUNGSTEN, "2") for m in range(6)}
    assert len(grouped(left | right)) == 1


def test_without_light_pauses_alone_count_and_without_a_time_nothing() -> None:
    captures = named([shot(m, None, None) for m in (0, 1, 30)])
    captures |= {"X": Capture(), "Y": Capture(taken_at="once")}
    groups, left_out = groups_of(captures)
    assert [group.frames for group in groups] == [("Q01", "Q02"), ("Q03",)]
    assert (groups[0].exposure_value, groups[0].balance_stops) == (None, None)
    assert left_out == ["X", "Y"]
    assert groups_of({}) == ([], [])


def test_the_order_given_does_not_matter_and_no_frame_is_lost() -> None:
    draw = random.Random(3)
    shots = [
        shot(draw.uniform(0, 300), draw.choice([8, 12]), draw.choice([DAYLIGHT, TUNGSTEN]))
        for _ in range(200)
    ]
    captures = named(shots)
    expected = grouped(captures)
    assert sorted(name for group in expected for name in group) == sorted(captures)
    mixed = list(captures.items())
    draw.shuffle(mixed)
    assert grouped(dict(mixed)) == expected


# --- patterns -------------------------------------------------------------------------------------


def test_a_range_holds_no_number_that_was_not_meant() -> None:
    brine = ["BRN0099", "BRN0014", "BRN0015"]
    assert as_patterns(brine) == (("BRN001[4-5]", "BRN0099"), ())
    assert as_patterns(["A01", "A02", "A05", "A07"]) == (("A05", "A07", "A0[1-2]"), ())
    assert as_patterns(["A09", "A10", "A8", "A9"]) == (("A[09-10]", "A[8-9]"), ())
    assert as_patterns(["B1-x", "B2-x", "C", "A010"]) == (("A010", "B[1-2]-x", "C"), ())
    assert as_patterns(["A*", "A"]) == (("A",), ("A*",))


NAMES = st.sets(
    st.builds("{}{}{}".format, st.sampled_from(["", "Q", "Q1-"]), st.integers(0, 120), st.just(""))
    | st.text("aZ0*?[]-1", min_size=1, max_size=6),
    min_size=1,
    max_size=30,
)


@settings(max_examples=60, deadline=None)
@given(NAMES)
def test_patterns_mean_just_the_frames(frames: set[str]) -> None:
    patterns, unlistable = as_patterns(frames)
    parsed = [FramePattern.parse(pattern) for pattern in patterns]
    named = sorted(name for each in parsed for name in each.names)
    assert named == sorted(frames - set(unlistable))
    assert all(set("*?[]") & set(name) for name in unlistable)


# --- in a job -------------------------------------------------------------------------------------


@pytest.fixture
def job(tmp_path: Path) -> Path:
    folder = tmp_path / "job"
    for path, text in {"job.yaml": JOB, "recipes/look.yaml": LOOK}.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_text(text)
    captures = named([shot(m) for m in (0, 1, 2, 30, 31)] + [Capture()])
    with Manifest.create(folder) as manifest:
        manifest.add_frames(
            FrameState(name, Original(f"originals/{name}.dng", f"blake3:{name}", 1, capture))
            for name, capture in captures.items()
        )
    return folder


def setups_in(folder: Path) -> dict[str, str | None]:
    with Manifest.open(folder) as manifest:
        return {frame.frame: frame.setup for frame in survey(folder, manifest).frames}


def test_files_that_are_written_are_valid_and_mean_what_was_proposed(job: Path) -> None:
    proposed = propose(job)
    assert [proposal.patterns for proposal in proposed.setups] == [("Q0[1-3]",), ("Q0[4-5]",)]
    assert proposed.left_out == {"Q06": "its time is not known"}
    assert not (job / "setups").exists()
    written = propose(job, write=True)
    assert [proposal.written for proposal in written.setups] == [
        "setups/setup-01.yaml", "setups/setup-02.yaml",
    ]  # fmt: skip
    assert setups_in(job) == {
        **dict.fromkeys(("Q01", "Q02", "Q03"), "setup-01"),
        **dict.fromkeys(("Q04", "Q05"), "setup-02"),
        "Q06": None,
    }
    text = (job / "setups/setup-02.yaml").read_text()
    assert "2 frames, 2031-05-04 10:30 to 2031-05-04 10:31, EV 12.0" in text
    assert "# Why it begins there: 28 minutes after Q03." in text
    for mark, without in (("# chart", "chart"), ("# adjust", "adjust"), ("#   -", "  -")):
        text = text.replace(mark, without)
    (job / "setups/setup-02.yaml").write_text(text)
    assert load_job(job).charts["setup-02"].frame == "Q04"
    assert propose(job, write=True).setups == ()


def test_what_a_person_has_stays(job: Path) -> None:
    (job / "setups").mkdir()
    mine = "setup: dusk\nframes: [Q05]\n"
    (job / "setups/dusk.yaml").write_text(mine)
    (job / "setups/SETUP-01.yaml.txt").write_text("mine")
    (job / "setups/setup-02.yaml").write_text("setup: setup-02\n")
    proposed = propose(job, write=True)
    assert (job / "setups/dusk.yaml").read_text() == mine
    assert (job / "setups/setup-02.yaml").read_text() == "setup: setup-02\n"
    assert setups_in(job)["Q05"] == "dusk"
    last = proposed.setups[-1]
    assert (last.group.frames, last.why) == (
        ("Q04",),
        "28 minutes after Q03; beside frames of dusk",
    )
    assert json.dumps([p.name for p in proposed.setups]) == '["setup-01", "setup-03"]'


def seen(job: Path, **charts: bool) -> None:
    """As if these frames had been assessed."""
    with Manifest.open(job, write=True) as manifest:
        manifest.record_assessed(
            Assessed(name, "key", ASSESS_VERSION, {"chart": chart}, (), suggested=False)
            for name, chart in charts.items()
        )


def test_a_chart_that_was_seen_is_proposed_and_written(job: Path) -> None:
    assert propose(job).unknown == 5
    seen(job, Q01=False, Q02=True, Q03=True, Q04=False, Q06=True)
    proposed = propose(job, write=True)
    assert [proposal.charts for proposal in proposed.setups] == [("Q02", "Q03"), ()]
    assert proposed.unknown == 1
    text = (job / "setups/setup-01.yaml").read_text()
    assert "# This frame shows, as do Q03, a 24-patch chart." in text
    charts = load_job(job).charts
    assert {name: chart.frame for name, chart in charts.items()} == {"setup-01": "Q02"}
    assert "# chart: {frame: " in (job / "setups/setup-02.yaml").read_text()


def test_a_file_that_names_no_chart_is_said_and_left_alone(job: Path) -> None:
    (job / "setups").mkdir()
    mine = {
        "dusk": "setup: dusk\nframes: [Q04, Q05]\n",
        "dawn": "setup: dawn\nframes: [Q01]\nchart: {frame: Q02}\n",
    }
    for name, text in mine.items():
        (job / f"setups/{name}.yaml").write_text(text)
    seen(job, Q01=True, Q02=False, Q03=False, Q04=True, Q05=True)
    proposed = propose(job, write=True)
    assert proposed.charts == {"dusk": ("Q04", "Q05")}
    assert [(job / f"setups/{name}.yaml").read_text() for name in mine] == list(mine.values())


def test_as_shot_balance_of_a_dng_is_noted(tmp_path: Path, rng) -> None:
    levels = rng.integers(300, 3000, (40, 60, 3)).astype("uint16")
    path = write_dng(tmp_path / "a.dng", mosaic_of(levels), as_shot_neutral=(0.5, 1.0, 0.625))
    with MetadataWriter() as exiftool:
        [capture] = exiftool.read_capture([path])
    # DNG 1.7: AsShotNeutral is what a neutral reads; the gains are what make it one
    assert (capture.as_shot_red, capture.as_shot_blue) == pytest.approx((2.0, 1.6), rel=1e-4)

"""Coming down to the selects on the command line: listing, rating, shots, setups."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import pytest

from pipeline.cli import main
from pipeline.errors import InvalidInput
from pipeline.job import load_job
from pipeline.manifest import Manifest
from pipeline.records import Assessed
from pipeline.shots import standings
from tests.job_for_tests import edit, make_job, states

SHOTS = """\
shots:
  hero: {product: red lamp, use: poster, orientation: portrait}
  detail: {count: 2}
deliveries:
"""


class Said(NamedTuple):
    """How a command ended, and what it printed."""

    code: int
    out: str
    err: str


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Four frames of 200 × 140, taken from 09:00 to 09:03 on 2024-10-03, the first rated 4."""
    return make_job(tmp_path_factory.mktemp("made") / "job", frames=4, selects=1)


@pytest.fixture
def job(made, tmp_path) -> Path:
    folder = shutil.copytree(made, tmp_path / "job")
    edit(folder / "job.yaml", "deliveries:\n", SHOTS)
    return folder


@pytest.fixture
def safelight(job, monkeypatch):
    def call(*arguments: str) -> Said:
        monkeypatch.chdir(job)
        monkeypatch.setattr(sys, "argv", ["safelight", *arguments])
        out, err = io.StringIO(), io.StringIO()
        with (
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            pytest.raises(SystemExit) as end,
        ):
            main()
        return Said(end.value.code or 0, out.getvalue(), err.getvalue())

    return call


def assessed(job: Path, **suggested: bool) -> None:
    with Manifest.open(job, write=True) as manifest:
        manifest.record_assessed(
            Assessed(
                name,
                "key",
                1,
                {"chart": not keep, "beside": {"place": 2 - keep, "of": 2}},
                (),
                keep,
            )
            for name, keep in suggested.items()
        )


def listed(safelight, *arguments: str) -> list[str]:
    said = safelight("frames", *arguments, "--json")
    assert (said.code, said.err) == (0, "")
    return [row["frame"] for row in json.loads(said.out)["frames"]]


# --- frames ---------------------------------------------------------------------------------------


def test_frames_are_listed_by_name_and_by_condition(safelight, job) -> None:
    assert listed(safelight) == ["F0001", "F0002", "F0003", "F0004"]
    assert listed(safelight, "F000[2-3]", "--where", "taken_at >= 09:02") == ["F0003"]
    assert listed(safelight, "--where", "rating >= 4") == ["F0001"]
    assert listed(safelight, "--where", "state == 'select' and not stale") == ["F0001"]
    assert listed(safelight, "--where", "setup == 'daylight' and rating < 4") == ["F0002", "F0003"]
    assert listed(safelight, "--where", "setup == none") == ["F0004"]
    assert listed(safelight, "--where", "taken_at == 2024-10-03 and iso == none")[-1] == "F0004"
    assert listed(safelight, "--where", "approved or burst != none") == []


def test_where_originals_lie_one_a_line(safelight, job) -> None:
    said = safelight("frames", "--where", "rating == 0", "--paths")
    assert said.out == "".join(f"{job}/originals/F000{n}.dng\n" for n in (2, 3, 4))
    said = safelight("frames", "--paths", "--json")
    assert said == (2, "", "frames: --json and --paths; allowed: one of them\n")


def test_a_table_for_people(safelight, job) -> None:
    lines = safelight("frames", "F0001").out.splitlines()
    assert lines[0].split("\t")[:4] == ["F0001", "4", "select", "daylight"]
    assert lines[1] == "1 frame."
    assert safelight("frames", "--where", "rating == 5").out == "0 frames.\n"


def test_what_is_wrong_with_a_condition_is_said(safelight, job) -> None:
    said = safelight("frames", "--where", "rating >= 4 and isso > 400")
    assert said.code == 2
    assert said.err.startswith('--where: column 17: no field called "isso", did you mean iso?; ')
    assert said.err.count("\n") == 1


# --- rating ---------------------------------------------------------------------------------------


def xmp_rating(job: Path, name: str) -> str:
    """As exiftool reads it, which did not write it in this process."""
    path = job / f"originals/{name}.xmp"
    read = ["exiftool", "-s3", "-XMP-xmp:Rating", str(path)]
    return subprocess.run(read, capture_output=True, text=True, check=True).stdout.strip()


def test_what_a_condition_holds_of_is_rated_with_its_sidecar(safelight, job) -> None:
    said = safelight("rate", "2", "F*", "--where", "taken_at < 09:02 and rating == 0")
    assert said == (0, "1 rated 2: F0002\n", "")
    assert [state.rating for state in states(job).values()] == [4, 2, 0, 0]
    assert (xmp_rating(job, "F0001"), xmp_rating(job, "F0002")) == ("4", "2")
    assert not (job / "originals/F0003.xmp").exists()
    assert safelight("rate", "3", "--where", "rating == 5") == (0, "0 rated 3.\n", "")


def test_what_is_suggested_is_rated_where_nobody_gave_a_rating(safelight, job) -> None:
    said = safelight("rate", "3", "--suggested")
    assert said == (
        2,
        "",
        "--suggested: nothing was assessed yet; allowed: after safelight assess\n",
    )
    assessed(job, F0001=True, F0002=True, F0003=False)
    assert listed(safelight, "--where", "suggested") == ["F0001", "F0002"]
    assert listed(safelight, "--where", "suggested == none") == ["F0004"]
    assert listed(safelight, "--where", "burst.sharpest == false") == ["F0003"]
    assert listed(safelight, "--where", "chart") == ["F0003"]
    assert listed(safelight, "--where", "chart == none") == ["F0004"]
    assert safelight("rate", "3", "--suggested").out == "1 rated 3: F0002\n"
    assert [state.rating for state in states(job).values()] == [4, 3, 0, 0]
    assert xmp_rating(job, "F0002") == "3"


def test_somebody_has_to_be_named(safelight, job) -> None:
    said = safelight("rate", "3")
    assert said == (2, "", "rate: no frames are named; allowed: frames, --where or --suggested\n")
    assert safelight("rate", "6", "--where", "rating == 0").code == 2
    assert [state.rating for state in states(job).values()] == [4, 0, 0, 0]


# --- the shot list --------------------------------------------------------------------------------


def test_what_is_owed_is_said_until_it_is_there(safelight, job) -> None:
    before = safelight("status").out.splitlines()[-2:]
    assert before == ["shot hero (red lamp, poster): 0 of 1 select", "shot detail: 0 of 2 selects"]
    said = safelight("assign", "hero", "F0001", "F0004")
    assert said.out == (
        "warning: F0001 is landscape, portrait was asked for\n"
        "warning: F0004 is landscape, portrait was asked for\nF0001, F0004 serve hero.\n"
    )
    assert safelight("assign", "detail", "F000[1-2]").out == "F0001, F0002 serve detail.\n"
    assert safelight("status").out.splitlines()[-3:] == [
        "shot hero: F0001 is landscape, portrait was asked for",
        "shot hero: F0004 is landscape, portrait was asked for",
        "shot detail: 1 of 2 selects; no select: F0002",
    ]
    safelight("rate", "5", "F0002")
    [hero, detail] = json.loads(safelight("status", "--json").out)["shots"]
    assert hero == {
        "shot": "hero", "product": "red lamp", "use": "poster", "orientation": "portrait",
        "count": 1, "selects": ["F0001"], "others": ["F0004"], "missing": 0,
        "warnings": [f"{name} is landscape, portrait was asked for" for name in ("F0001", "F0004")],
    }  # fmt: skip
    assert (detail["missing"], detail["selects"], detail["warnings"]) == (0, ["F0001", "F0002"], [])
    assert listed(safelight, "--where", "shot == 'hero' and shot == 'detail'") == ["F0001"]


def test_assigning_makes_nothing_anew(safelight, job) -> None:
    before = json.loads(safelight("plan", "--json").out)
    safelight("assign", "detail", "F*")
    assert json.loads(safelight("plan", "--json").out) == before


def test_what_a_person_wrote_stays_and_nothing_is_said_twice(safelight, job) -> None:
    (job / "frames").mkdir()
    written = (
        "# mine\nframe: F0001  # the lamp\nadjust:\n- expose: {stops: 0.50}   # by eye\n"
        "shots: [hero]  # the first\n# the end\n"
    )
    (job / "frames/F0001.yaml").write_text(written)
    assert safelight("assign", "hero", "F0001").code == 0
    assert (job / "frames/F0001.yaml").read_text() == written
    safelight("assign", "detail", "F0001")
    expected = written.replace("[hero]  #", "[hero, detail] #")
    assert (job / "frames/F0001.yaml").read_text() == expected
    assert safelight("assign", "detail", "F0001", "--remove").out == (
        "F0001 no longer serves detail.\n"
    )
    # a comment at a line's end keeps its column
    assert (job / "frames/F0001.yaml").read_text().split() == written.split()
    safelight("assign", "hero", "F0001", "--remove")
    assert load_job(job).frames["F0001"].file.shots == ()


def test_a_comment_is_never_lost(safelight, job) -> None:
    (job / "frames").mkdir()
    written = "frame: F0001\nshots:\n- hero\n- detail  # by the window\n\n# warm\nadjust: []\n"
    (job / "frames/F0001.yaml").write_text(written)
    said = safelight("assign", "detail", "F0001", "F0002", "--remove")
    assert said == (
        2,
        "",
        "frames/F0001.yaml: a comment would be lost with what is taken out; "
        "allowed: that change by hand\n",
    )
    assert (job / "frames/F0001.yaml").read_text() == written
    safelight("assign", "hero", "F0001", "--remove")
    assert (job / "frames/F0001.yaml").read_text() == written.replace("- hero\n", "")


def test_a_shot_that_is_not_listed_is_named_and_nothing_is_written(safelight, job) -> None:
    said = safelight("assign", "herro", "F0001")
    assert (said.code, said.out) == (2, "")
    assert said.err == (
        'job.yaml:7: shots: no shot called "herro", did you mean hero?; allowed: hero, detail\n'
    )
    (job / "frames").mkdir()
    (job / "frames/F0002.yaml").write_text("frame: F0002\nshots: [herro]\n")
    with pytest.raises(InvalidInput, match=r"F0002.yaml:2: shots\[0\]: no shot called herro, did "):
        load_job(job)
    assert not (job / "frames/F0001.yaml").exists()


@pytest.mark.parametrize(
    ("orientation", "size", "crop", "said"),
    [
        (1, (300, 200), "", "F0001 is landscape, portrait was asked for"),
        (6, (300, 200), "", None),  # Exif 2.32: turned by a quarter
        (3, (300, 200), "", "F0001 is landscape, portrait was asked for"),
        (1, (200, 300), "", None),
        (1, (200, 200), "", "F0001 is square, portrait was asked for"),
        (1, (300, 200), "crop: {left: 0.5}", None),
        (1, (None, None), "", None),
    ],
)
def test_how_a_frame_lies(job, orientation, size, crop, said) -> None:
    (job / "frames").mkdir()
    (job / "frames/F0001.yaml").write_text(f"frame: F0001\nshots: [hero]\n{crop}\n")
    state = states(job)["F0001"]
    width, height = size
    capture = replace(state.original.capture, orientation=orientation, width=width, height=height)
    state = replace(state, original=replace(state.original, capture=capture))
    hero, _ = standings(load_job(job), {"F0001": state})
    assert hero["warnings"] == ([said] if said else [])


# --- setups ---------------------------------------------------------------------------------------


def test_setups_are_proposed_and_written(safelight, job) -> None:
    said = safelight("setups")
    row = said.out.splitlines()[0].split("\t")
    assert row[:3] == ["setup-01", "F0004", "1"]
    assert row[-1] == "the first frames; beside frames of daylight"
    assert said.out.splitlines()[1:] == [
        "In 1 frame nobody has looked for a chart: safelight assess does.",
        "1 setup proposed; --write makes their files.",
    ]
    found = json.loads(safelight("setups", "--write", "--json").out)["setups"]
    assert [(each["setup"], each["written"]) for each in found] == [
        ("setup-01", "setups/setup-01.yaml")
    ]
    assert listed(safelight, "--where", "setup == 'setup-01'") == ["F0004"]
    said = safelight("setups")
    assert said == (0, "Nothing to propose: no frame is without a setup.\n", "")

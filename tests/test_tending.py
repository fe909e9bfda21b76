"""A job that looks after itself: when it begins, what it does, what it leaves for a person."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from pipeline.errors import InvalidInput, ToolMissing
from pipeline.handoff import hand_off
from pipeline.manifest import Manifest
from pipeline.tending import Watch, look_after, tend
from tests.job_for_tests import (
    InProcess,
    edit,
    make_job,
    retouched,
    safelight,
    sent_file,
    states,
    write_card,
)


@pytest.fixture(autouse=True)
def _in_this_process(monkeypatch) -> None:
    monkeypatch.setattr("pipeline.workplace.here", InProcess())


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    return make_job(tmp_path_factory.mktemp("made") / "job", frames=3, selects=2)


@pytest.fixture
def job(made, tmp_path) -> Path:
    return shutil.copytree(made, tmp_path / "job")


def test_news_is_told_once_and_only_when_it_stands_still(tmp_path: Path) -> None:
    folder = tmp_path / "card"
    watch = Watch([folder])
    assert not watch.news(), "a card that is not in has no news"
    (folder / "deep").mkdir(parents=True)
    assert not watch.news()
    file = folder / "deep/A.dng"
    file.write_bytes(b"one")
    assert not watch.news(), "it may still be written"
    file.write_bytes(b"one and two")
    assert not watch.news(), "it was still written"
    assert watch.news()
    assert not watch.news(), "it was told"
    file.unlink()
    assert [watch.news() for _ in range(3)] == [False] * 3, "what is gone is no news"
    file.write_bytes(b"another")
    assert [watch.news() for _ in range(3)] == [False, True, False]


def test_links_are_not_followed(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere/A.dng").write_bytes(b"one")
    (tmp_path / "card").mkdir()
    (tmp_path / "card/loop").symlink_to(tmp_path / "card")
    watch = Watch([tmp_path / "card"])
    (tmp_path / "card/other").symlink_to(tmp_path / "elsewhere")
    assert [watch.news() for _ in range(3)] == [False, False, False]


def test_what_came_is_taken_in_and_what_is_planned_is_done(job: Path, tmp_path: Path) -> None:
    (job / "frames").mkdir()
    (job / "frames/F0001.yaml").write_text("frame: F0001\nretouch: {ask: [{what: the rim}]}\n")
    retouched(sent_file(hand_off(job, ["F0001"], "Ines"), job), tmp_path / "back")
    write_card(tmp_path / "card", ["N0001", "N0002", "N0003", "N0004"])  # three are in already
    well, said = tend(str(job), [str(tmp_path / "card")], [str(tmp_path / "back")])
    assert well, said
    assert said == "1 new frame; 1 taken back; 1 frame developed"
    assert states(job)["F0001"].latest.number == 2
    assert states(job)["F0002"].latest.number == 1
    well, said = tend(str(job), [str(tmp_path / "card")], [str(tmp_path / "back")])
    assert (well, said) == (True, "0 new frames; 1 there already; nothing to develop")


def test_what_needs_a_word_is_left_and_keeps_nothing_else_from_being_done(
    job: Path, tmp_path: Path
) -> None:
    (tmp_path / "back").mkdir()
    (tmp_path / "back/stranger.tif").write_bytes(b"II*\0 no picture")
    (tmp_path / "card").mkdir()
    (tmp_path / "card/empty.dng").touch()
    well, said = tend(str(job), [str(tmp_path / "card")], [str(tmp_path / "back")])
    assert not well
    assert "stranger.tif" in said
    assert "empty.dng" in said
    assert "2 frames developed" in said


def test_what_a_person_should_know_is_said(job: Path, tmp_path: Path) -> None:
    """As ``ingest`` and ``run`` say it: nobody sees their terminal."""
    (job / "frames").mkdir()
    (job / "frames/F0001.yaml").write_text("frame: F0001\nretouch: {ask: [{what: the rim}]}\n")
    retouched(sent_file(hand_off(job, ["F0001"], "Ines"), job), tmp_path / "back")
    tend(str(job), [], [str(tmp_path / "back")])
    edit(job / "recipes/look.yaml", "stops: 0.1", "stops: 0.3")  # after it was retouched
    (whole,) = write_card(tmp_path / "card", ["F0001"])
    edited = bytearray(whole.read_bytes())
    edited[-1] ^= 1  # another picture of a name that is taken
    whole.write_bytes(edited)
    _, said = tend(str(job), [str(tmp_path / "card")], [])
    assert said.startswith("1 new frame; F0001.dng is F0001-2; ")
    assert "; F0001: stale: " in said
    assert said.split("; F0001: stale: ")[1] in safelight("run", cwd=job).stdout


def test_folders_that_are_not_there_are_passed_over(job: Path) -> None:
    assert tend(str(job), ["/no/card"], ["/no/returns"]) == (True, "2 frames developed")


def test_a_job_that_is_busy_is_said(job: Path, monkeypatch) -> None:
    monkeypatch.setattr("pipeline.tending.WAIT_S", 0.0)
    with Manifest.open(job, write=True):
        well, said = tend(str(job), [], [])
    assert not well
    assert "another" in said.lower()


@pytest.mark.parametrize(
    ("cards", "said"),
    [([], "nothing to watch"), (["originals"], "lies in the job's folder"), (["."], "lies in")],
)
def test_what_cannot_be_watched_is_refused(job: Path, cards: list[str], said: str) -> None:
    with pytest.raises(InvalidInput, match=said):
        look_after(job, [job / card for card in cards], [], 1.0, serve=False, say=print)


def test_a_file_is_no_folder_to_watch(job: Path, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(InvalidInput, match="is no folder"):
        look_after(job, [], [tmp_path / "file"], 1.0, serve=False, say=print)


def test_without_a_server_it_says_what_is_missing(job: Path, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    with pytest.raises(ToolMissing, match="PREFECT_API_URL"):
        look_after(job, [tmp_path / "card"], [], 1.0, serve=False, say=print)
    ended = safelight(
        "schedule", "--cards", str(tmp_path), cwd=job, env={**os.environ, "PREFECT_API_URL": ""}
    )
    assert ended.returncode == 2
    assert "Traceback" not in ended.stderr

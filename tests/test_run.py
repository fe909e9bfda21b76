"""Runs of whole jobs: what is made, what is not made again, and that ``plan`` said so before."""

from __future__ import annotations

import errno
import os
import pickle
import shutil
import subprocess
from pathlib import Path

import pytest

from pipeline.engines import Failure, Outcome, tries
from pipeline.engines.here import Here
from pipeline.engines.worker import answer
from pipeline.errors import InvalidInput
from pipeline.files import landing
from pipeline.manifest import Manifest
from pipeline.rating import approve, rate
from pipeline.run import makes_something, run
from pipeline.survey import survey
from pipeline.verify import verify
from tests.job_for_tests import (
    HEIGHT,
    WIDTH,
    InProcess,
    assert_in_order,
    digests,
    edit,
    make_job,
    states,
    wait_until,
)

pytestmark = pytest.mark.usefixtures("one_exiftool")

BOTH = ("web", "print")
FRAME = "frame: F0002\nadjust:\n  - expose: {stops: 0.5}\n"


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """A job of six frames, four of them selects, nothing developed yet."""
    return make_job(tmp_path_factory.mktemp("made") / "job")


@pytest.fixture
def job(made, tmp_path) -> Path:
    """A copy of it for one test."""
    return shutil.copytree(made, tmp_path / "job")


@pytest.fixture
def engine() -> InProcess:
    return InProcess()


def planned(job: Path, named=(), deliveries=()) -> list[tuple]:
    with Manifest.open(job) as manifest:
        actions = survey(job, manifest, named, deliveries).actions
    return [(a.frame, a.delivery, a.version, a.key) for a in actions if makes_something(a)]


def carried_out(report) -> list[tuple]:
    developed = [(v.frame, None, v.number, v.key) for v in report.developed]
    return developed + [(d.frame, d.delivery, d.version, d.key) for d in report.delivered]


def row(job: Path, frame: str) -> dict:
    with Manifest.open(job) as manifest:
        return next(r for r in survey(job, manifest).status["frames"] if r["frame"] == frame)


def manifest_files(job: Path) -> dict[str, tuple[int, int]]:
    """Time and size of the manifest and its log; readers only mark themselves in ``-shm``, and
    leave an empty log."""
    return {
        path.name: (path.stat().st_mtime_ns, path.stat().st_size)
        for path in job.glob("manifest.*")
        if not path.name.endswith("-shm") and path.stat().st_size
    }


class TestNothingTwice:
    def test_selects_are_developed_and_a_second_run_does_nothing(self, job, engine):
        first = run(job, engine=engine)
        assert [v.frame for v in first.developed] == ["F0001", "F0002", "F0003", "F0004"]
        assert engine.worked_on == ["F0001", "F0002", "F0003", "F0004"]
        assert_in_order(job)
        before = manifest_files(job), digests(job)

        def no_engine(_pixels):
            raise AssertionError("a run with nothing to do asked for an engine")

        second = run(job, engine=no_engine)
        assert carried_out(second) == []
        assert second.exit_code == 0
        assert (manifest_files(job), digests(job)) == before

    def test_one_frames_file_remakes_one_frame_and_says_what_changed_where(self, job, engine):
        run(job, engine=engine)
        engine.worked_on.clear()
        (job / "frames").mkdir()
        (job / "frames/F0002.yaml").write_text(FRAME)
        report = run(job, engine=engine)
        assert engine.worked_on == ["F0002"]
        [version] = report.developed
        assert version.number == 2
        assert version.reason == "expose.stops 0.1 -> 0.5 in frames/F0002.yaml"

    def test_a_look_parameter_remakes_every_select_and_taking_it_back_none(self, job, engine):
        first = run(job, engine=engine)
        look = job / "recipes/look.yaml"
        edit(look, "contrast: 1.1", "contrast: 1.25")
        engine.worked_on.clear()
        second = run(job, engine=engine)
        assert engine.worked_on == ["F0001", "F0002", "F0003", "F0004"]
        assert {v.reason for v in second.developed} == {
            "tone.contrast 1.10 -> 1.25 in recipes/look.yaml"
        }
        masters = digests(job, "masters")
        assert len(masters) == 8
        assert len(set(masters.values())) == 8  # distinct frames, and v2 is not v1

        edit(look, "contrast: 1.25", "contrast: 1.1")
        engine.worked_on.clear()
        assert carried_out(run(job, engine=engine)) == []
        assert engine.worked_on == []
        assert row(job, "F0001")["version"] == 1
        keys = {v.frame: v.key for v in first.developed}
        with Manifest.open(job) as manifest:
            actions = {a.frame: a for a in survey(job, manifest).actions}
        assert {name: actions[name].key for name in keys} == keys

    def test_a_setup_remakes_its_own_frames(self, job, engine):
        run(job, engine=engine)
        edit(job / "setups/daylight.yaml", "saturation: 1.05", "saturation: 1.2")
        engine.worked_on.clear()
        run(job, engine=engine)
        assert engine.worked_on == ["F0001", "F0002", "F0003"]

    def test_a_comment_remakes_nothing(self, job, engine):
        run(job, engine=engine)
        look = job / "recipes/look.yaml"
        look.write_text("# softer another day\n" + look.read_text())
        assert carried_out(run(job, engine=engine)) == []


class TestPlanIsWhatRunDoes:
    def test_for_a_first_run_a_change_and_deliveries(self, job, engine):
        for named, deliveries in (((), ()), ((), BOTH), (("F0005",), ()), ((), ("web",))):
            expected = planned(job, named, deliveries)
            report = run(job, named, deliveries, engine=engine)
            assert sorted(map(str, carried_out(report))) == sorted(map(str, expected))
            assert planned(job, named, deliveries) == []
        edit(job / "setups/daylight.yaml", "saturation: 1.05", "saturation: 1.2")
        expected = planned(job, (), BOTH)
        assert len(expected) == 9  # three frames, each with two files
        report = run(job, (), BOTH, engine=engine)
        assert sorted(map(str, carried_out(report))) == sorted(map(str, expected))
        assert_in_order(job)

    def test_a_named_frame_is_developed_alone_though_it_is_no_select(self, job, engine):
        run(job, ["F0006"], engine=engine)
        assert engine.worked_on == ["F0006"]
        assert row(job, "F0006")["version"] == 1
        assert row(job, "F0001")["version"] is None

    def test_a_range_and_a_glob_name_frames(self, job, engine):
        run(job, ["F00[05-06]", "*1"], engine=engine)
        assert engine.worked_on == ["F0001", "F0005", "F0006"]

    def test_a_rejected_frame_is_left_out_even_when_named(self, job, engine):
        rate(job, -1, ["F0001"])
        report = run(job, ["F0001"], engine=engine)
        assert engine.worked_on == []
        assert [a.reason for a in report.untouched] == ["rejected"]

    def test_a_frame_that_a_delivery_leaves_out_is_not_developed_for_it(self, job, engine):
        report = run(job, ["F0005"], ["web"], engine=engine)
        assert engine.worked_on == []
        assert [a.reason for a in report.untouched] == ["not a select (rating 0)"]

    @pytest.mark.parametrize("named", ["F9999", "f0001", "", "../F0001", "F00[09-01]", "[a-"])
    def test_a_frame_that_is_not_there_is_refused_by_name(self, job, named):
        with pytest.raises(InvalidInput) as refusal:
            run(job, [named], engine=InProcess())
        assert str(refusal.value).startswith(f"{named}: ")

    def test_an_unknown_delivery_is_refused_and_nothing_is_done(self, job, engine):
        with pytest.raises(InvalidInput, match="no delivery called wbe, did you mean web"):
            run(job, (), ["web", "wbe"], engine=engine)
        assert engine.worked_on == []


class TestDeliveries:
    def test_in_the_same_pass_and_after_a_run_give_the_same_bytes(
        self, job, made, engine, tmp_path
    ):
        run(job, deliveries=BOTH, engine=engine)
        assert engine.worked_on == ["F0001", "F0002", "F0003", "F0004"]
        other = shutil.copytree(made, tmp_path / "other")
        run(other, engine=engine)
        run(other, deliveries=["print"], engine=engine)
        run(other, deliveries=["web"], engine=engine)
        assert digests(other) == digests(job)
        assert len(digests(job, "deliveries")) == 8
        assert_in_order(job)

    def test_twice_does_nothing(self, job, engine):
        run(job, deliveries=BOTH, engine=engine)
        engine.worked_on.clear()
        before = manifest_files(job)
        assert carried_out(run(job, deliveries=BOTH, engine=engine)) == []
        assert engine.worked_on == []
        assert manifest_files(job) == before

    def test_a_changed_setting_remakes_its_files_only(self, job, engine):
        run(job, deliveries=BOTH, engine=engine)
        before = digests(job)
        edit(job / "job.yaml", "quality: 90", "quality: 60")
        report = run(job, deliveries=BOTH, engine=engine)
        assert report.developed == []
        assert [d.delivery for d in report.delivered] == ["web"] * 4
        after = digests(job)
        changed = {path for path in after if after[path] != before.get(path)}
        assert changed == {path for path in after if path.startswith("deliveries/web/")}
        assert_in_order(job)

    def test_changed_words_remake_files_with_the_new_words(self, job, engine):
        run(job, deliveries=["web"], engine=engine)
        edit(job / "job.yaml", "A lamp on the quay.", "A lamp at dusk.")
        report = run(job, deliveries=["web"], engine=engine)
        assert len(report.delivered) == 4
        content = (job / "deliveries/web/small_001_F0001.jpg").read_bytes()
        assert b"A lamp at dusk." in content
        assert b"A lamp on the quay." not in content

    def test_a_changed_name_leaves_no_file_under_the_old_one(self, job, engine):
        run(job, deliveries=["web"], engine=engine)
        edit(job / "job.yaml", '"{job}_{seq:03}_{frame}"', '"{frame}"')
        run(job, deliveries=["web"], engine=engine)
        assert sorted(path.name for path in (job / "deliveries/web").iterdir()) == [
            f"F{number:04}.jpg" for number in (1, 2, 3, 4)
        ]
        assert_in_order(job)

    def test_names_that_move_by_one_all_carry_their_own_picture(self, job, engine):
        run(job, deliveries=["web"], engine=engine)
        before = digests(job, "deliveries")
        rate(job, 0, ["F0001"])  # F0002 now gets the number, and so the name, of F0001
        run(job, deliveries=["web"], engine=engine)
        rate(job, 4, ["F0001"])
        run(job, deliveries=["web"], engine=engine)
        assert digests(job, "deliveries") == before
        assert planned(job, (), ["web"]) == []
        assert_in_order(job)

    def test_the_pictures_are_of_the_frame_that_their_name_says(self, job, engine):
        from PIL import Image

        run(job, deliveries=BOTH, engine=engine)
        for number in (1, 2, 3, 4):
            with Image.open(job / f"deliveries/web/small_{number:03}_F{number:04}.jpg") as picture:
                assert picture.size == (100, round(100 * HEIGHT / WIDTH))
                assert picture.info["dpi"] == (96, 96)  # it is sharpened for a screen
        assert len(set(digests(job, "deliveries").values())) == 8


class TestLostAndAltered:
    def test_a_lost_master_is_made_again_under_its_number(self, job, engine):
        run(job, engine=engine)
        before = digests(job)
        (job / "masters/F0003_v1.tif").unlink()
        engine.worked_on.clear()
        assert row(job, "F0003")["stale"]
        report = run(job, engine=engine)
        assert engine.worked_on == ["F0003"]
        assert (report.remade, report.said) == (
            ["masters/F0003_v1.tif"], "1 lost master made again"
        )  # fmt: skip
        assert digests(job) == before
        assert row(job, "F0003")["version"] == 1
        assert_in_order(job)

    def test_a_lost_delivered_file_is_made_again_from_its_master(self, job, engine):
        run(job, deliveries=BOTH, engine=engine)
        before = digests(job)
        (job / "deliveries/print/small_F0003.tif").unlink()
        report = run(job, deliveries=BOTH, engine=engine)
        assert [(d.frame, d.delivery) for d in report.delivered] == [("F0003", "print")]
        assert report.developed == []
        assert digests(job) == before

    def test_a_delivery_asked_for_where_its_master_is_lost_too(self, job, engine):
        run(job, deliveries=BOTH, engine=engine)
        before = digests(job)
        shutil.rmtree(job / "masters")
        shutil.rmtree(job / "deliveries/web")
        report = run(job, deliveries=["web"], engine=engine)
        assert len(report.delivered) == 4
        assert digests(job) == before
        assert_in_order(job)

    def test_a_master_altered_on_disk_is_never_delivered(self, job, engine):
        run(job, engine=engine)
        master = job / "masters/F0002_v1.tif"
        content = bytearray(master.read_bytes())
        content[-1000] ^= 1
        master.write_bytes(content)
        report = run(job, deliveries=["web"], engine=engine)
        assert report.exit_code == 3
        assert list(report.failed) == ["F0002"]
        assert "masters/F0002_v1.tif" in report.failed["F0002"].sentence
        assert sorted(d.frame for d in report.delivered) == ["F0001", "F0003", "F0004"]
        assert [f.path for f in verify(job)[1]] == ["masters/F0002_v1.tif"]
        master.unlink()
        assert run(job, deliveries=["web"], engine=engine).exit_code == 0
        assert row(job, "F0002")["problem"] is None
        assert_in_order(job)


class TestApproval:
    def test_an_approved_version_is_kept_until_another_is_approved(self, job, engine):
        run(job, deliveries=["web"], engine=engine)
        assert approve(job, ["F0001"]).frames == {"F0001": (1, ())}
        delivered = digests(job, "deliveries")
        edit(job / "recipes/look.yaml", "contrast: 1.1", "contrast: 1.25")

        report = run(job, deliveries=["web"], engine=engine)
        assert sorted(v.frame for v in report.developed) == ["F0002", "F0003", "F0004"]
        [stale] = [a for a in report.untouched if a.frame == "F0001"]
        assert stale.action == "stale"
        assert stale.reason == (
            "tone.contrast 1.10 -> 1.25 in recipes/look.yaml, since v1 was approved"
        )
        assert row(job, "F0001") | {"stale": True, "version": 1} == row(job, "F0001")
        name = "deliveries/web/small_001_F0001.jpg"
        assert digests(job, "deliveries")[name] == delivered[name]

        assert [v.number for v in run(job, ["F0001"], engine=engine).developed] == [2]
        assert row(job, "F0001")["reason"] == "v2 waits for approval; v1 is the approved one"
        assert carried_out(run(job, deliveries=["web"], engine=engine)) == []
        assert approve(job, ["F0001"]).frames == {"F0001": (2, ())}
        report = run(job, deliveries=["web"], engine=engine)
        assert [(d.frame, d.version) for d in report.delivered] == [("F0001", 2)]
        assert digests(job, "deliveries")[name] != delivered[name]
        assert not row(job, "F0001")["stale"]
        assert_in_order(job)

    def test_what_was_not_made_cannot_be_approved(self, job, engine):
        with pytest.raises(InvalidInput, match=r"F0001: it has no version .* run it first"):
            approve(job, ["F0001"])
        run(job, engine=engine)
        edit(job / "recipes/look.yaml", "contrast: 1.1", "contrast: 1.25")
        with pytest.raises(InvalidInput, match="F0001: "):
            approve(job, ["F00[01-02]"])
        assert states(job)["F0001"].approved_version is None
        rate(job, -1, ["F0001"])
        with pytest.raises(InvalidInput, match="F0001: it is rejected; "):
            approve(job, ["F0001"])


class TestBadFrames:
    def test_an_original_that_changed_stops_its_frame_alone(self, job, engine):
        original = job / "originals/F0002.dng"
        original.chmod(0o644)
        original.write_bytes(original.read_bytes()[:3000])
        report = run(job, engine=engine)
        assert report.exit_code == 3
        assert report.failed["F0002"].sentence == (
            f"{original}: the original's content is not what was recorded; move it away, and"
            " safelight ingest a good copy, from the card or the second copy"
        )
        assert len(report.developed) == 3
        problem = row(job, "F0002")["problem"]
        assert problem == report.failed["F0002"].sentence
        with Manifest.open(job) as manifest:
            [again] = [a for a in survey(job, manifest).actions if a.frame == "F0002"]
        assert again.reason == f"first version (failed last time: {problem})"

    @pytest.mark.parametrize("how", ["missing", "link", "folder", "pipe"])
    def test_an_original_that_is_no_longer_a_file_of_its_own(self, job, engine, tmp_path, how):
        original = job / "originals/F0002.dng"
        elsewhere = tmp_path / "elsewhere.dng"
        original.rename(elsewhere)
        if how == "link":
            original.symlink_to(elsewhere)
        elif how == "folder":
            original.mkdir()
        elif how == "pipe":
            os.mkfifo(original)
        report = run(job, engine=engine)
        assert report.exit_code == 3
        assert str(original) in report.failed["F0002"].sentence
        assert len(report.developed) == 3
        assert [f.path for f in verify(job)[1]] == ["originals/F0002.dng"]

    def test_the_same_time_and_size_do_not_hide_other_content(self, job, engine):
        run(job, engine=engine)
        for path in (job / "originals/F0002.dng", job / "masters/F0003_v1.tif"):
            path.chmod(0o644)
            before = path.stat()
            content = bytearray(path.read_bytes())
            content[-500] ^= 255
            path.write_bytes(content)
            os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
        report = run(job, ["F0002", "F0003"], ["web"], engine=engine)
        # F0002 is delivered from its whole master; only what is read is looked at
        assert list(report.failed) == ["F0003"]
        assert {f.path for f in verify(job)[1]} == {"originals/F0002.dng", "masters/F0003_v1.tif"}
        edit(job / "recipes/look.yaml", "contrast: 1.1", "contrast: 1.25")
        report = run(job, ["F0002"], engine=engine)
        assert report.exit_code == 3

    def test_a_clock_that_jumps_back_changes_nothing(self, job, engine):
        run(job, deliveries=["web"], engine=engine)
        for path in [*job.rglob("*.tif"), *job.rglob("*.jpg"), *job.rglob("*.yaml")]:
            os.utime(path, (0, 0))
        assert carried_out(run(job, deliveries=["web"], engine=engine)) == []

    def test_a_failure_is_forgotten_once_the_frame_is_done(self, job, engine):
        original = job / "originals/F0002.dng"
        original.rename(job / "aside.dng")
        assert run(job, engine=engine).exit_code == 3
        (job / "aside.dng").rename(original)
        assert run(job, engine=engine).exit_code == 0
        assert row(job, "F0002")["problem"] is None
        assert_in_order(job)

    def test_a_delivery_that_cannot_be_written_costs_no_master(self, job, engine):
        (job / "deliveries").mkdir()
        (job / "deliveries/web").write_text("a file where a folder should be")
        report = run(job, deliveries=BOTH, engine=engine)
        assert report.exit_code == 1
        assert sorted(report.failed) == ["F0001", "F0002", "F0003", "F0004"]
        for frame, failure in report.failed.items():
            assert failure.sentence.endswith("because a file stands where a folder is needed")
            assert row(job, frame)["version"] == 1
        (job / "deliveries/web").unlink()
        assert planned(job) == []
        assert run(job, deliveries=BOTH, engine=engine).developed == []
        assert_in_order(job)


class TestTables:
    CUBE = "LUT_3D_SIZE 2\n" + "".join(
        f"{r} {g} {b}\n" for b in (0, 0.9) for g in (0, 1) for r in (0, 1)
    )

    def test_a_table_in_the_job_is_part_of_the_key(self, job, engine):
        (job / "tables").mkdir()
        (job / "tables/blue.cube").write_text(self.CUBE)
        look = job / "recipes/look.yaml"
        look.write_text(look.read_text() + "  - table: {file: tables/blue.cube, space: srgb}\n")
        run(job, engine=engine)
        first = digests(job, "masters")
        (job / "tables/blue.cube").write_text(self.CUBE.replace("0.9", "0.5"))
        report = run(job, engine=engine)
        assert {v.reason for v in report.developed} == {"table: tables/blue.cube has other content"}
        assert not set(first.values()) & {v.master.digest for v in report.developed}

    @pytest.mark.parametrize("path", ["../outside.cube", "/etc/hostname", "tables/link.cube"])
    def test_a_table_outside_the_job_is_refused_with_its_line(self, job, tmp_path, path):
        (tmp_path / "outside.cube").write_text(self.CUBE)
        (job / "tables").mkdir()
        (job / "tables/link.cube").symlink_to(tmp_path / "outside.cube")
        look = job / "recipes/look.yaml"
        look.write_text(look.read_text() + f"  - table: {{file: {path}, space: srgb}}\n")
        with pytest.raises(InvalidInput) as refusal:
            run(job, engine=InProcess())
        assert str(refusal.value).startswith("recipes/look.yaml:6: ")

    def test_a_table_that_is_none_is_one_sentence_a_frame(self, job, engine):
        (job / "broken.cube").write_text("LUT_3D_SIZE 2\n0 0 zero\n")
        look = job / "recipes/look.yaml"
        look.write_text(look.read_text() + "  - table: {file: broken.cube, space: srgb}\n")
        report = run(job, engine=engine)
        assert report.exit_code in (1, 2)
        for failure in report.failed.values():
            assert "broken.cube" in failure.sentence
            assert "fault in Safelight" not in failure.sentence


def test_one_process_two_processes_and_none_give_the_same_bytes(job, made, tmp_path):
    run(job, deliveries=BOTH, engine=InProcess())
    for workers in (1, 2):
        other = shutil.copytree(made, tmp_path / f"workers-{workers}")
        engine = Here("pipeline.work:do", workers)
        report = run(other, deliveries=BOTH, engine=lambda _pixels, here=engine: here)
        assert report.failed == {}
        assert digests(other) == digests(job)
        assert_in_order(other)


@pytest.mark.parametrize(("frames", "threads"), [(["F0002"], 8), (["F0001", "F0002"], 4), ([], 3)])
def test_cores_without_a_process_get_threads(frames, threads, job, made, tmp_path, monkeypatch):
    # eight cores, and memory for three processes
    monkeypatch.setattr("pipeline.engines.capacity.cores", lambda: 8)
    monkeypatch.setattr("pipeline.workplace.lanes", lambda _pixels: 3)
    given = []

    class Watched(InProcess):
        def run(self, tasks):
            for task in tasks:
                given.append(task.work.development.threads)
                yield from super().run([task])

    other = shutil.copytree(made, tmp_path / "other")
    run(other, frames, BOTH, engine=Watched())
    assert set(given) == {threads}
    monkeypatch.undo()
    run(job, deliveries=BOTH, engine=InProcess())
    whole = digests(job)
    assert {path: whole.get(path) for path in digests(other)} == digests(other)


def test_a_listener_hears_of_every_frame(job):
    heard: list[tuple] = []

    class Listener:
        def planned(self, frames):
            heard.append(("planned", frames))

        def ended(self, frame, failure):
            heard.append((frame, failure is None))

    (job / "originals/F0003.dng").unlink()
    run(job, engine=InProcess(), listener=Listener())
    assert heard == [
        ("planned", 4), ("F0001", True), ("F0002", True), ("F0003", False), ("F0004", True),
    ]  # fmt: skip


def resident(path: Path) -> float:
    """The share of a file, in whole pages, in the system's page cache: fincore of util-linux."""
    said = subprocess.run(
        ["fincore", "--bytes", "--noheadings", "--output", "res,size", str(path)],
        capture_output=True,
        text=True,
        check=True,
    )
    cached, size = map(int, said.stdout.split())
    return cached / size


@pytest.mark.skipif(not shutil.which("fincore"), reason="fincore is not here")
def test_the_next_original_is_read_before_it_is_needed(tmp_path, monkeypatch) -> None:
    job = make_job(tmp_path / "job", frames=4, selects=4)
    paths = {state.name: job / state.original.path for state in states(job).values()}
    for path in paths.values():
        with path.open("rb") as stream:
            os.fsync(stream.fileno())
            os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    if any(map(resident, paths.values())):
        pytest.skip("this disk keeps its files in memory")

    class Looks:
        """An engine that looks at what lies in the cache when it is given a task."""

        def __call__(self, _pixels: int) -> Looks:
            return self

        def run(self, tasks):
            for task in tasks:
                wait_until(lambda name=task.name: resident(paths[name]) >= 1, 5)
                yield Outcome(task, failure=Failure("only looked"))

    assert len(run(job, engine=Looks()).failed) == 4


class TriesAgain:
    """An engine without processes, with the second tries of all engines."""

    def __call__(self, _pixels: int) -> TriesAgain:
        return self

    def run(self, tasks):
        return tries.tried(self.work_off, tasks)

    def work_off(self, tasks, _interruption, *, alone):
        for task in tasks:
            record, failure = pickle.loads(answer("pipeline.work:do", pickle.dumps(task.work)))
            yield Outcome(task, record, failure)


def test_a_delivery_that_the_network_lost_is_made_at_the_next_try(tmp_path, monkeypatch) -> None:
    job = make_job(tmp_path / "job", frames=2, selects=2)
    monkeypatch.setattr(tries, "PATIENCE_S", (0.0,))
    land, lost = landing.land, []

    def flaky(path: Path, content, root: Path):
        if "deliveries" in path.parts and not lost:
            lost.append(path)
            error = OSError(errno.ETIMEDOUT, os.strerror(errno.ETIMEDOUT))
            raise landing.refusal(path, error) from error
        return land(path, content, root)

    monkeypatch.setattr(landing, "land", flaky)
    report = run(job, deliveries=["web"], engine=TriesAgain())
    assert len(lost) == 1
    assert report.failed == {}
    assert len(report.delivered) == 2
    assert_in_order(job)

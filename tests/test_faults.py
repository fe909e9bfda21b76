"""What can befall a job on a real machine, and that no picture, no row and no word is lost by it.

After every fault: originals as they were, nothing half-written under a final name, a manifest that
opens and agrees with the disk, a next run that finishes the work, and a sentence for the user.
"""

from __future__ import annotations

import os
import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import psutil
import pytest
from typer.testing import CliRunner

from pipeline.manifest import Manifest
from pipeline.run import run
from pipeline.verify import verify
from tests.job_for_tests import (
    InProcess,
    assert_in_order,
    digests,
    edit,
    kill,
    make_job,
    safelight,
    start,
    wait_until,
    write_job,
)
from tests.sample_records import frame

BOTH = ("web", "print")
SELECTS = ["F0001", "F0002", "F0003", "F0004"]
TESTS = Path(__file__).parent
SLOW_DISK = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join((str(TESTS / "slow_disk"), str(TESTS.parent))),
}


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """A job of six frames, four of them selects, nothing developed yet."""
    return make_job(tmp_path_factory.mktemp("made") / "job")


@pytest.fixture
def job(made, tmp_path) -> Path:
    """A copy of it for one test."""
    return shutil.copytree(made, tmp_path / "job")


def undisturbed_copy(made: Path, folder: Path, *changes: tuple[str, str]) -> Path:
    """A copy in which both deliveries were made in peace, ``job.yaml`` changed before."""
    job = shutil.copytree(made, folder)
    for before, after in changes:
        edit(job / "job.yaml", before, after)
    assert run(job, deliveries=BOTH, engine=InProcess()).exit_code == 0
    return job


@pytest.fixture(scope="module")
def delivered(made, tmp_path_factory) -> Path:
    """The job after an undisturbed run: what all others must come to."""
    return undisturbed_copy(made, tmp_path_factory.mktemp("delivered") / "job")


@pytest.fixture(scope="module")
def undisturbed(delivered) -> dict[str, str]:
    """The digest of every original and of every file that an undisturbed run makes."""
    return digests(delivered)


@dataclass(frozen=True)
class Said:
    """How a command ended, and what the user read."""

    exit_code: int
    text: str


@pytest.fixture
def deliver(monkeypatch) -> Callable[..., Said]:
    """``safelight deliver web print`` in this process, for faults that need no process to hit."""
    monkeypatch.setattr("pipeline.workplace.here", InProcess())
    return lambda job: command_here("deliver", *BOTH, "--job", str(job))


def command_here(*arguments: str) -> Said:
    from pipeline.cli.commands import app

    result = CliRunner().invoke(app, arguments)
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return Said(result.exit_code, result.output)


def parts(job: Path) -> list[Path]:
    return list(job.rglob(".safelight-*.part"))


def assert_sentence(text: str, *names: str) -> None:
    """The user read a line with all the names in it, and nothing for programmers."""
    for never in ("Traceback", "bug in Safelight", "fault in Safelight", "Error:", "Errno"):
        assert never not in text, text
    assert any(all(name in line for name in names) for line in text.splitlines()), text


def assert_nothing_lost(job: Path, *allowed: dict[str, str]) -> None:
    """Originals are whole, final names show whole pictures, and every row has its file.

    ``allowed`` are the digests of undisturbed runs, of which each file must show one.
    """
    originals = {path for path in allowed[0] if path.startswith("originals/")}
    found = digests(job)
    assert originals <= set(found)
    for path, digest in found.items():
        if not path.endswith(".part"):
            assert digest in {whole.get(path) for whole in allowed}, f"{path} is torn"
    known = {row.path for row in rows(job)}
    on_disk = {path for path in found if not path.endswith(".part")}
    assert known <= on_disk, f"rows without files: {known - on_disk}"


def assert_rows_true(job: Path) -> None:
    """Every row tells the truth about its file."""
    assert verify(job)[1] == []


def rows(job: Path) -> list:
    with Manifest.open(job) as manifest:
        return [
            artifact
            for state in manifest.frames().values()
            for artifact in (
                *(version.master for version in state.versions),
                *(file.artifact for file in state.delivered.values()),
            )
        ]


def assert_finishes(job: Path, undisturbed: dict[str, str]) -> None:
    """The next run does what is left, and then all is as if nothing had happened."""
    assert run(job, deliveries=BOTH, engine=InProcess()).exit_code == 0
    assert digests(job) == undisturbed  # temporaries would show here
    assert_in_order(job)
    again = InProcess()
    run(job, deliveries=BOTH, engine=again)
    assert again.worked_on == []


def working_in(job: Path) -> list[psutil.Process]:
    """Processes that were started by a command in the job's folder and still live."""
    found = []
    for process in psutil.process_iter():
        with suppress(psutil.Error, OSError):
            if process.status() != psutil.STATUS_ZOMBIE and Path(process.cwd()) == job:
                found.append(process)
    return found


def assert_no_orphans(job: Path) -> None:
    wait_until(lambda: working_in(job) == [], seconds=10)


def under_way(job: Path, process: subprocess.Popen) -> Callable[[], bool]:
    """Whether the first file is being written, or it is too late for that."""
    return lambda: bool(parts(job)) or (job / "masters").exists() or process.poll() is not None


# --- killed ---


def kill_at(job: Path, seed: int, environment: dict[str, str] = SLOW_DISK) -> None:
    """Start the command on a slow disk and kill it: every third time at any instant of its life,
    else while files are written."""
    draw = random.Random(seed)
    process = start("deliver", *BOTH, cwd=job, env=environment)
    if seed % 3 == 0:
        time.sleep(draw.uniform(0.0, 4.0))
    else:
        wait_until(under_way(job, process))
        time.sleep(draw.uniform(0.0, 0.8))
    kill(process)
    assert_no_orphans(job)


SEEDS = [*range(10), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(10, 12))]


@pytest.mark.parametrize("seed", SEEDS)
def test_killed_at_any_instant(job, undisturbed, seed):
    kill_at(job, seed)
    assert_nothing_lost(job, undisturbed)
    assert_rows_true(job)
    assert_finishes(job, undisturbed)


@pytest.mark.slow
@pytest.mark.parametrize("mutant", ["in_place", "row_first"])
def test_a_safelight_that_writes_carelessly_is_caught(made, tmp_path, undisturbed, mutant):
    # Else the test above could pass for want of kills that hit
    path = os.pathsep.join(map(str, (TESTS / "mutants" / mutant, TESTS.parent)))
    caught = 0
    for seed in range(1, 13):
        job = shutil.copytree(made, tmp_path / f"job{seed}")
        kill_at(job, seed, {**os.environ, "PYTHONPATH": path})
        try:
            assert_nothing_lost(job, undisturbed)
        except AssertionError:
            caught += 1
            break
    assert caught


@pytest.fixture(scope="module")
def changed(made, tmp_path_factory) -> tuple[tuple[str, str], dict[str, str]]:
    """A change of ``job.yaml`` and what an undisturbed run makes of it; no file's size changes."""
    change = ("space: adobe-rgb", "space: srgb")
    folder = tmp_path_factory.mktemp("changed") / "job"
    return change, digests(undisturbed_copy(made, folder, change))


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_killed_while_files_are_replaced(delivered, tmp_path, undisturbed, changed, seed):
    job = shutil.copytree(delivered, tmp_path / "job")
    change, after = changed
    edit(job / "job.yaml", *change)
    process = start("deliver", *BOTH, cwd=job, env=SLOW_DISK)
    wait_until(lambda: parts(job) or process.poll() is not None)
    time.sleep(random.Random(seed).uniform(0.0, 0.3))
    kill(process)
    assert_no_orphans(job)
    assert_nothing_lost(job, undisturbed, after)
    assert_finishes(job, after)


class PowerCut(BaseException):
    """The end of everything at one instant."""


class CutBeforeRecording(InProcess):
    """An engine whose machine loses power when the first frame's files are in place."""

    def run(self, tasks):
        for _ in super().run(tasks):
            raise PowerCut


def test_a_change_taken_back_after_a_kill_leaves_no_file_of_the_change(
    delivered, tmp_path, undisturbed, changed
):
    # The file in place is of the change and as large as the one that was recorded before it
    job = shutil.copytree(delivered, tmp_path / "job")
    change, after = changed
    edit(job / "job.yaml", *change)
    with pytest.raises(PowerCut):
        run(job, deliveries=BOTH, engine=CutBeforeRecording())
    path = "deliveries/print/small_F0001.tif"
    assert digests(job)[path] == after[path] != undisturbed[path]
    edit(job / "job.yaml", *reversed(change))
    assert_finishes(job, undisturbed)


def test_a_worker_killed_in_mid_task_costs_nothing(job, undisturbed):
    process = start("deliver", *BOTH, cwd=job, env=SLOW_DISK)
    wait_until(under_way(job, process))
    workers = [
        child
        for child in psutil.Process(process.pid).children()
        if "pipeline.engines.worker" in " ".join(child.cmdline())
    ]
    assert workers
    workers[0].kill()
    said = "".join(process.communicate(timeout=60))
    assert process.returncode == 0, said
    assert_sentence(said, "4 frames developed")
    assert digests(job) == undisturbed
    assert_in_order(job)
    assert_no_orphans(job)


@pytest.mark.parametrize("wait_s", [0.0, pytest.param(0.3, marks=pytest.mark.slow)])
def test_ctrl_c_finishes_what_is_in_flight_and_records_it(job, undisturbed, wait_s):
    process = start("deliver", *BOTH, cwd=job, env=SLOW_DISK)
    wait_until(under_way(job, process))
    time.sleep(wait_s)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to exiftool too
    said = "".join(process.communicate(timeout=60))
    assert process.returncode == 130, said
    assert_sentence(said, "Stopped. What was finished is recorded")
    assert_no_orphans(job)
    assert_nothing_lost(job, undisturbed)
    assert_in_order(job)  # all that is on disk has its row
    assert 3 <= len(rows(job)) < 12
    assert_finishes(job, undisturbed)


# --- disks ---


@contextmanager
def mounted(folder: Path, *options: str) -> Iterator[Path]:
    """A small disk in memory at ``folder``; skips the test where none may be mounted."""
    folder.mkdir(exist_ok=True)
    if os.geteuid() != 0:
        pytest.skip("only root can mount a disk")
    mount = ["mount", "-t", "tmpfs", "-o", ",".join(options), "none", str(folder)]
    if subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("this system lets nobody mount a disk here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def remount(folder: Path, options: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{options}", str(folder)], check=True)


@pytest.mark.parametrize("folder", ["masters", "deliveries"])
def test_a_full_disk_names_the_file(job, undisturbed, deliver, folder):
    with mounted(job / folder, "size=400k"):
        said = deliver(job)
        assert said.exit_code == 1
        assert_sentence(said.text, f"{job}/{folder}/", "the disk is full")
        assert parts(job) == []
        assert_nothing_lost(job, undisturbed)
        assert_in_order(job)
        assert 2 <= len(rows(job)) < 12
        remount(job / folder, "size=8m")
        assert_finishes(job, undisturbed)


@pytest.mark.parametrize("left_kb", [0, 24, 200, 500])
def test_a_full_disk_under_the_whole_job(made, tmp_path, undisturbed, deliver, left_kb):
    with mounted(tmp_path / "disk", "size=16m") as disk:
        job = shutil.copytree(made, disk / "job")
        free = os.statvfs(disk)
        ballast = disk / "ballast"
        ballast.write_bytes(bytes(free.f_bavail * free.f_frsize - left_kb * 1024))
        said = deliver(job)
        assert said.exit_code == 1, said.text
        assert_sentence(said.text, str(job))
        assert "full" in said.text
        ballast.unlink()
        assert_nothing_lost(job, undisturbed)
        assert_rows_true(job)
        assert_finishes(job, undisturbed)


def test_a_limit_of_the_session_names_the_file(job, undisturbed):
    limit = 150_000  # a master takes 168,000 bytes
    said = safelight(
        "run",
        *("F0001", "F0002"),
        cwd=job,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)),
    )
    assert said.returncode == 1
    assert_sentence(said.stderr, "F0001: ", "masters/F0001_v1.tif", "larger than")
    assert_sentence(said.stderr, "F0002: ", "masters/F0002_v1.tif", "larger than")
    assert_nothing_lost(job, undisturbed)
    assert_in_order(job)
    assert_finishes(job, undisturbed)


def test_a_read_only_folder_costs_no_master(job, undisturbed, deliver):
    with mounted(job / "deliveries", "ro"):
        said = deliver(job)
        assert said.exit_code == 1
        for name in SELECTS:
            assert_sentence(said.text, f"{name}: {job}/deliveries/", "the disk is read-only")
        assert len(rows(job)) == 4
        assert_in_order(job)
        remount(job / "deliveries", "rw,size=8m")
        assert_finishes(job, undisturbed)


def test_a_read_only_job_can_be_looked_at(made, tmp_path, undisturbed, deliver):
    with mounted(tmp_path / "disk", "size=16m") as disk:
        job = shutil.copytree(made, disk / "job")
        remount(disk, "ro")
        said = deliver(job)
        assert said.exit_code == 1
        assert_sentence(said.text, str(job), "writable")
        assert command_here("status", "--job", str(job)).exit_code == 0
        remount(disk, "rw")
        assert_nothing_lost(job, undisturbed)
        assert_finishes(job, undisturbed)


def test_a_job_renamed_away_in_mid_run(job, undisturbed):
    process = start("deliver", *BOTH, cwd=job, env=SLOW_DISK)
    wait_until(under_way(job, process))
    away = job.rename(job.with_name("away"))
    said = "".join(process.communicate(timeout=60))
    assert process.returncode == 1, said
    assert_sentence(said, str(job), "the folder is gone")
    assert not job.exists()  # nothing was made anew in its place
    away.rename(job)
    assert_no_orphans(job)
    assert_nothing_lost(job, undisturbed)
    assert_rows_true(job)
    assert_finishes(job, undisturbed)


# --- two at once ---


@pytest.mark.parametrize(
    "pair", [0, 1, *(pytest.param(n, marks=pytest.mark.slow) for n in range(2, 5))]
)
def test_of_two_runs_one_works_and_the_other_waits_or_says_so(job, undisturbed, pair):
    patience = ("--wait", "60") if pair % 2 else ()
    two = [start("deliver", *BOTH, *patience, cwd=job) for _ in range(2)]
    said = ["".join(process.communicate(timeout=60)) for process in two]
    codes = sorted(process.returncode for process in two)
    if patience:
        assert codes == [0, 0], said
    else:
        assert codes in ([0, 2], [0, 0]), said  # the second may have come when all was done
    for text, process in zip(said, two, strict=True):
        if process.returncode == 2:
            assert_sentence(text, "Another Safelight is working on the job in", str(job))
        else:
            assert_sentence(text, "up to date" if "developed" not in text else "4 frames developed")
    assert digests(job) == undisturbed
    assert_in_order(job)


# --- originals and folders that are not what they were ---


def other_content(original: Path) -> None:
    before = original.stat()
    content = bytearray(original.read_bytes())
    content[-1000] ^= 255
    original.chmod(0o644)
    original.write_bytes(content)
    os.utime(original, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert original.stat().st_mtime_ns == before.st_mtime_ns


def gone(original: Path) -> None:
    original.unlink()


def a_link(original: Path) -> None:
    original.rename(original.parents[2] / "elsewhere.dng")
    original.symlink_to(original.parents[2] / "elsewhere.dng")


@pytest.mark.parametrize("spoil", [other_content, gone, a_link], ids=lambda f: f.__name__)
def test_a_spoilt_original_stops_its_frame_alone(made, job, undisturbed, deliver, spoil):
    original = job / "originals/F0002.dng"
    spoil(original)
    said = deliver(job)
    assert said.exit_code == 3
    assert_sentence(said.text, "F0002: ", str(original))
    finished = {row.path for row in rows(job)}
    assert finished == {path for path in undisturbed if path[0] in "md" and "F0002" not in path}
    assert [finding.path for finding in verify(job)[1]] == ["originals/F0002.dng"]
    original.unlink(missing_ok=True)
    shutil.copy2(made / "originals/F0002.dng", original)
    assert_finishes(job, undisturbed)


@pytest.mark.parametrize("folder", ["masters", "deliveries", "deliveries/web"])
def test_a_folder_that_leads_out_of_the_job_is_refused(job, tmp_path, undisturbed, deliver, folder):
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / ".safelight-0123456789abcdef.part").write_bytes(b"somebody's")
    (job / folder).parent.mkdir(exist_ok=True)
    (job / folder).symlink_to(outside)
    said = deliver(job)
    assert said.exit_code == 1
    for name in SELECTS:
        assert_sentence(said.text, f"{name}: {job}/{folder}/", "refused", f"{outside}")
    assert [path.name for path in outside.iterdir()] == [".safelight-0123456789abcdef.part"]
    (job / folder).unlink()
    assert_rows_true(job)
    assert_finishes(job, undisturbed)


def test_a_link_under_a_final_name_is_replaced_and_not_followed(
    job, tmp_path, undisturbed, deliver
):
    victim = tmp_path / "victim.tif"
    victim.write_bytes(b"somebody's picture")
    (job / "masters").mkdir()
    (job / "masters/F0001_v1.tif").symlink_to(victim)
    assert deliver(job).exit_code == 0
    assert victim.read_bytes() == b"somebody's picture"
    assert_finishes(job, undisturbed)


# --- exiftool ---

STUB = """\
#!{python}
import os, subprocess, sys, time
if {when!r} == "start":
    sys.exit(1)
real = subprocess.Popen([{real!r}, *sys.argv[1:]], stdin=subprocess.PIPE)
for line in sys.stdin.buffer:
    if line.startswith(b"-json="):
        if {when!r} == "hangs":
            time.sleep(1000)
        real.kill()
        os._exit(9)
    real.stdin.write(line)
    real.stdin.flush()
"""


def stub_exiftool(tmp_path: Path, monkeypatch, when: str) -> None:
    """An exiftool earlier on PATH that fails at its ``start``, or when it is to compose."""
    real = shutil.which("exiftool")
    if real is None:
        pytest.skip("exiftool is not installed")
    stub = tmp_path / "bin/exiftool"
    stub.parent.mkdir()
    stub.write_text(STUB.format(python=sys.executable, real=real, when=when))
    stub.chmod(0o755)
    monkeypatch.setenv("PATH", f"{stub.parent}{os.pathsep}{os.environ['PATH']}")


@pytest.mark.parametrize("when", ["dies", "hangs"])
def test_an_exiftool_that_fails_in_mid_run(job, tmp_path, undisturbed, deliver, monkeypatch, when):
    with monkeypatch.context() as patch:
        stub_exiftool(tmp_path, patch, when)
        patch.setattr("pipeline.files.metadata.CALL_SECONDS", 0.5)
        said = deliver(job)
    assert said.exit_code == 1
    for name in SELECTS:
        assert_sentence(said.text, f"{name}: ", "exiftool")
    assert_in_order(job)
    assert_nothing_lost(job, undisturbed)
    assert_finishes(job, undisturbed)


def test_an_exiftool_that_does_not_start(job, tmp_path, undisturbed, deliver, monkeypatch):
    with monkeypatch.context() as patch:
        stub_exiftool(tmp_path, patch, "start")
        patch.setattr("pipeline.files.exiftool.START_SECONDS", 1.0)
        said = deliver(job)
    assert said.exit_code == 2
    assert_sentence(said.text, "exiftool does not start")
    assert_finishes(job, undisturbed)


# --- the manifest ---


def newer(path: Path) -> None:
    with sqlite3.connect(path) as database:
        database.execute("PRAGMA user_version = 99")
    database.close()


def corrupt_pages(path: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[:4096] + b"\xa5" * (len(data) - 4096))


@pytest.mark.parametrize(
    ("damage", "code", "sentence"),
    [(newer, 2, "written by a newer Safelight"), (corrupt_pages, 3, "is damaged")],
)
def test_a_manifest_that_cannot_be_read_is_named_and_left_alone(
    job, undisturbed, deliver, damage, code, sentence
):
    path = job / "manifest.sqlite"
    whole = path.read_bytes()
    damage(path)
    damaged = path.read_bytes()
    commands = [("status",), ("plan",), ("verify",), ("rate", "5", "F0001"), ("approve", "F0001")]
    for said in (deliver(job), *(command_here(*words, "--job", str(job)) for words in commands)):
        assert said.exit_code == code
        assert_sentence(said.text, str(path), sentence)
    assert path.read_bytes() == damaged
    assert not (job / "masters").exists()
    path.write_bytes(whole)
    for beside in ("-wal", "-shm"):
        path.with_name(path.name + beside).unlink(missing_ok=True)
    assert_finishes(job, undisturbed)


def test_two_thousand_frames_are_planned_and_counted(tmp_path):
    job = tmp_path / "job"
    write_job(job)
    names = [f"F{number:04}" for number in range(1, 2001)]
    with Manifest.create(job) as manifest, manifest.transaction():
        manifest.add_frames([frame(name, rating=4) for name in names])
    said = command_here("plan", "--deliver", "web", "--job", str(job))
    assert said.exit_code == 0
    assert said.text.splitlines()[-1] == "4000 to do."
    said = command_here("status", "--job", str(job))
    assert said.exit_code == 0
    assert all(name in said.text for name in names)

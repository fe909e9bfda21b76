"""Verify: whatever is not as recorded is named, and nothing else; exit 3 then, 0 otherwise."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import sys
from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.hashing import digest_file
from pipeline.run import run
from pipeline.verify import Finding, verify
from tests.job_for_tests import InProcess, make_job

ORIGINAL = "originals/F0001.dng"
MASTER = "masters/F0001_v1.tif"
DELIVERED = "deliveries/web/small_001_F0001.jpg"
KINDS = {ORIGINAL: "original", MASTER: "master v1", DELIVERED: "delivery web"}
ALTERED = "its content is not what was recorded"


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Three frames, two of them developed and delivered: seven files."""
    job = make_job(tmp_path_factory.mktemp("made") / "job", frames=3, selects=2)
    assert run(job, deliveries=["web"], engine=InProcess()).exit_code == 0
    return job


@pytest.fixture
def job(made, tmp_path) -> Path:
    return shutil.copytree(made, tmp_path / "job")


@pytest.fixture
def safelight(monkeypatch, capsys):
    """Exit code, standard output and standard error of the command."""

    def call(*arguments: str, cwd: Path) -> tuple[int, str, str]:
        monkeypatch.chdir(cwd)
        monkeypatch.setattr(sys, "argv", ["safelight", *arguments])
        with pytest.raises(SystemExit) as end:
            main()
        return (end.value.code or 0, *capsys.readouterr())

    return call


def flip_a_byte(path: Path, at: int) -> None:
    """One bit, with size and time as before."""
    path.chmod(0o644)
    before = path.stat()
    content = bytearray(path.read_bytes())
    content[at] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def test_a_job_as_it_was_left(safelight, job):
    assert safelight("verify", cwd=job) == (0, "7 files read again; none not as recorded.\n", "")
    code, out, _ = safelight("verify", "--json", cwd=job)
    assert (code, json.loads(out)) == (0, {"files": 7, "findings": []})


@pytest.mark.parametrize("path", KINDS)
@pytest.mark.parametrize("at", [0, -1])
def test_one_bit(safelight, job, path, at):
    flip_a_byte(job / path, at)
    code, out, err = safelight("verify", cwd=job)
    assert code == 3
    assert err == f"F0001: {KINDS[path]}: {path}: {ALTERED}\n"
    assert out == "7 files read again; 1 not as recorded.\n"


@pytest.mark.parametrize("path", KINDS)
def test_a_file_is_gone(safelight, job, path):
    (job / path).unlink()
    code, out, _ = safelight("verify", "--json", cwd=job)
    assert code == 3
    assert json.loads(out) == {
        "files": 7,
        "findings": [{"kind": KINDS[path], "frame": "F0001", "path": path, "what": "missing"}],
    }


def test_all_that_is_wrong_at_once(safelight, job):
    flip_a_byte(job / ORIGINAL, 2000)
    (job / DELIVERED).unlink()
    shutil.rmtree(job / "masters")
    code, _, err = safelight("verify", cwd=job)
    assert code == 3
    assert err.splitlines() == [
        f"F0001: original: {ORIGINAL}: {ALTERED}",
        f"F0001: master v1: {MASTER}: missing",
        f"F0001: delivery web: {DELIVERED}: missing",
        "F0002: master v1: masters/F0002_v1.tif: missing",
    ]


@pytest.mark.parametrize("content", [b"", b"cut"])
def test_a_file_cut_short(job, content):
    path = job / MASTER
    path.unlink()
    path.write_bytes(content)
    assert verify(job)[1] == [Finding("master v1", "F0001", MASTER, ALTERED)]


@pytest.mark.parametrize("how", ["link", "folder", "pipe"])
def test_something_else_under_the_name(job, how):
    path = job / DELIVERED
    aside = job / "aside.jpg"
    path.rename(aside)
    if how == "link":  # to the same content: a link may lead elsewhere tomorrow
        path.symlink_to(aside)
    elif how == "folder":
        path.mkdir()
    else:
        os.mkfifo(path)
    [finding] = verify(job)[1]
    assert (finding.frame, finding.path) == ("F0001", DELIVERED)
    assert finding.what == "replaced by something that is no file of its own"


def test_it_reads_and_changes_nothing(job):
    flip_a_byte(job / MASTER, 100)

    def look() -> dict[str, tuple[int, int]]:
        return {
            str(path): (path.stat().st_size, path.stat().st_mtime_ns)
            for path in job.rglob("*")
            if path.is_file() and not path.name.endswith(("-shm", "-wal"))
        }

    before = look()
    assert len(verify(job)[1]) == 1
    assert look() == before


def test_an_original_used_where_it_lies(tmp_path):
    from pipeline.ingest import ingest
    from tests.job_for_tests import JOB, write_card, write_job

    write_card(tmp_path / "disk", ["A", "B"])
    job = tmp_path / "job"
    write_job(job)
    (job / "job.yaml").write_text(JOB + f"originals: {tmp_path / 'disk'}\n")
    ingest(job, [])
    assert verify(job) == (2, [])
    flip_a_byte(tmp_path / "disk/B.dng", 3000)
    assert verify(job)[1] == [Finding("original", "B", str(tmp_path / "disk/B.dng"), ALTERED)]


def test_progress_counts_every_file(job):
    heard: list[tuple[int, int]] = []
    verify(job, lambda done, of: heard.append((done, of)))
    assert heard == [(count, 7) for count in range(1, 8)]


def test_decoding_finds_what_digests_cannot(job: Path, safelight) -> None:
    """Files that were written wrongly and recorded as they are."""
    assert safelight("verify", "--decode", cwd=job)[0] == 0
    recorded = sqlite3.connect(job / "manifest.sqlite")
    for name, table in ((ORIGINAL, "originals"), (MASTER, "artifacts"), (DELIVERED, "artifacts")):
        path = job / name
        path.chmod(0o644)
        data = path.read_bytes()
        path.write_bytes(data[: len(data) // 2])
        recorded.execute(f"UPDATE {table} SET digest = ? WHERE path = ?", (digest_file(path), name))
    recorded.commit()
    assert verify(job)[1] == []
    found = verify(job, decode=True)[1]
    assert [(each.path, each.kind) for each in found] == [
        (name, KINDS[name]) for name in (ORIGINAL, MASTER, DELIVERED)
    ]
    assert all(each.what.startswith("it cannot be decoded: it is ") for each in found)
    code, out, err = safelight("verify", "--decode", cwd=job)
    assert code == 3
    assert "Traceback" not in out + err

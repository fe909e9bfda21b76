"""Files land whole, durable and inside the job, or not at all: real refusals of real disks."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from blake3 import blake3

from pipeline.errors import CannotWrite
from pipeline.files import landing
from pipeline.files.landing import land, sweep
from pipeline.hashing import digest_file


def everything(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*")}


def test_bytes_land_with_their_digest_and_size(tmp_path):
    artifact = land(tmp_path / "masters" / "a.tif", b"hello\n" * 1000, tmp_path)
    assert (artifact.path, artifact.size_bytes) == ("masters/a.tif", 6000)
    assert artifact.digest == "blake3:" + blake3(b"hello\n" * 1000).hexdigest()
    assert artifact.digest == digest_file(tmp_path / "masters" / "a.tif")
    assert everything(tmp_path) == {"masters", "masters/a.tif"}


def test_a_published_digest(tmp_path):
    # BLAKE3 of nothing, from the test vectors of its specification
    artifact = land(tmp_path / "empty", b"", tmp_path)
    assert artifact.digest.startswith("blake3:af1349b9f5f9a1a6a0404dea36dcc949")


def test_a_writer_is_digested_as_it_writes(tmp_path):
    pieces = [os.urandom(5_000_000), b"", b"x"]

    def write(stream):
        for piece in pieces:
            stream.write(memoryview(piece))

    artifact = land(tmp_path / "big", write, tmp_path)
    assert (tmp_path / "big").read_bytes() == b"".join(pieces)
    assert artifact.digest == digest_file(tmp_path / "big")
    assert artifact.size_bytes == 5_000_001


def test_an_earlier_file_is_replaced_at_once(tmp_path):
    target = tmp_path / "a"
    target.write_bytes(b"old")
    seen = []

    def write(stream):
        stream.write(b"new")
        seen.append(target.read_bytes())

    land(target, write, tmp_path)
    assert seen == [b"old"]
    assert target.read_bytes() == b"new"


def test_a_writer_that_fails_leaves_nothing(tmp_path):
    def write(stream):
        stream.write(b"half")
        raise RuntimeError("a bug elsewhere")

    with pytest.raises(RuntimeError, match="a bug elsewhere"):
        land(tmp_path / "a", write, tmp_path)
    assert everything(tmp_path) == set()


def test_flush_rename_flush_in_this_order(tmp_path, monkeypatch):
    # the order that makes a rename durable: a crash between any two leaves old or new, whole
    calls = []
    fsync, replace = os.fsync, Path.replace

    def noted_fsync(handle):
        folder = stat.S_ISDIR(os.fstat(handle).st_mode)
        calls.append("flush folder" if folder else "flush file")
        fsync(handle)

    def noted_replace(self, target):
        calls.append("rename")
        return replace(self, target)

    monkeypatch.setattr(os, "fsync", noted_fsync)
    monkeypatch.setattr(Path, "replace", noted_replace)
    land(tmp_path / "a", b"x", tmp_path)
    assert calls == ["flush file", "rename", "flush folder"]


def test_names_that_leave_the_job_are_refused(tmp_path):
    job, outside = tmp_path / "job", tmp_path / "outside"
    job.mkdir()
    outside.mkdir()
    (job / "deliveries").symlink_to(outside)
    for path in (
        job / "deliveries" / "a.jpg",
        job / "deliveries" / "web" / "a.jpg",
        job / ".." / "outside" / "a.jpg",
        outside / "a.jpg",
        job / "..",
    ):
        with pytest.raises(CannotWrite, match="refused"):
            land(path, b"x", job)
    assert everything(outside) == set()


def test_a_planted_link_is_replaced_and_not_followed(tmp_path):
    job, victim = tmp_path / "job", tmp_path / "victim"
    job.mkdir()
    victim.write_bytes(b"precious")
    (job / "a.jpg").symlink_to(victim)
    land(job / "a.jpg", b"picture", job)
    assert victim.read_bytes() == b"precious"
    assert not (job / "a.jpg").is_symlink()
    assert (job / "a.jpg").read_bytes() == b"picture"


def test_hostile_names_are_just_names(tmp_path):
    for name in ("-rf", "a\nb", 'quo"te', "été", "\N{SNOWMAN}", "a" * 255, "trailing.", " lead"):
        land(tmp_path / name, b"x", tmp_path)
        assert (tmp_path / name).read_bytes() == b"x"
    with pytest.raises(CannotWrite, match="the name is too long"):
        land(tmp_path / ("a" * 256), b"x", tmp_path)


def test_a_file_where_a_folder_should_be(tmp_path):
    (tmp_path / "masters").write_bytes(b"")
    with pytest.raises(CannotWrite, match=r"masters/a\.tif: cannot be written, because a file"):
        land(tmp_path / "masters" / "a.tif", b"x", tmp_path)
    (tmp_path / "web").mkdir()
    with pytest.raises(CannotWrite, match="a folder stands where the file should go"):
        land(tmp_path / "web", b"x", tmp_path)
    assert everything(tmp_path) == {"masters", "web"}


LIMITED = """
import resource, signal, sys
from pathlib import Path
from pipeline.errors import CannotWrite
from pipeline.files.landing import land
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, 1_000_000))
folder = Path(sys.argv[1])
try:
    land(folder / "QL0001_v1.tif", bytes(3_000_000), folder)
except CannotWrite as error:
    print(error)
"""


def run(code, *arguments, **settings):
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        **settings,
    ).stdout


@pytest.mark.skipif(sys.platform != "linux", reason="limits of file size are a Unix matter")
def test_a_file_beyond_the_limit(tmp_path):
    said = run(LIMITED, tmp_path)
    assert said == (
        f"{tmp_path}/QL0001_v1.tif: cannot be written, because the file is larger than this disk "
        "or this session allows\n"
    )
    assert everything(tmp_path) == set()


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 2 MB, where this machine lets us mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode:
        pytest.skip(f"no tmpfs can be mounted here: {mounted.stderr.decode().strip()}")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk(small_disk):
    land(small_disk / "first", bytes(1_000_000), small_disk)
    with pytest.raises(CannotWrite, match=r"second: cannot be written, because the disk is full"):
        land(small_disk / "second", bytes(3_000_000), small_disk)
    assert everything(small_disk) == {"first"}
    land(small_disk / "third", bytes(500_000), small_disk)


def test_a_read_only_disk(small_disk):
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(CannotWrite, match="because the disk is read-only"):
        land(small_disk / "a", b"x", small_disk)
    with pytest.raises(CannotWrite, match="because the disk is read-only"):
        land(small_disk / "masters" / "a", b"x", small_disk)


FORBIDDEN = """
import os, sys
from pathlib import Path
from pipeline.errors import CannotWrite
from pipeline.files.landing import land
if os.getuid() == 0:
    os.setuid(65534)  # permissions do not bind root
folder = Path(sys.argv[1])
try:
    land(folder / "a.tif", b"x", folder)
except CannotWrite as error:
    print(error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="permissions work otherwise there")
def test_a_folder_without_permission():
    import tempfile

    # not under pytest's folder, which others may not enter
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o555)
        said = run(FORBIDDEN, folder)
        assert said.endswith("because there is no permission to write there\n")
        assert everything(folder) == set()


def test_sweep_takes_our_leavings_and_nothing_else(tmp_path):
    (tmp_path / "web").mkdir()
    ours = tmp_path / "web" / f"{landing.MARK}{'0a' * 8}{landing.SUFFIX}"
    others = [
        tmp_path / "web" / "QL0001.jpg",
        tmp_path / ".safelight-notes.part",
        tmp_path / "download.part",
        tmp_path / f"{landing.MARK}{'0a' * 8}.jpg",
    ]
    for path in (ours, *others):
        path.write_bytes(b"x")
    linked = tmp_path / f"{landing.MARK}{'0b' * 8}{landing.SUFFIX}"
    linked.symlink_to(others[0])
    assert sweep(tmp_path, tmp_path) == 1
    assert not ours.exists()
    assert all(path.exists() for path in (*others, linked))


KILLED = """
import os, signal, sys
from pathlib import Path
from pipeline.files.landing import land
folder = Path(sys.argv[1])
def write(stream):
    stream.write(b"half")
    os.kill(os.getpid(), signal.SIGKILL)
land(folder / "a.tif", write, folder)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
def test_what_a_killed_process_leaves_is_swept(tmp_path):
    subprocess.run([sys.executable, "-c", KILLED, str(tmp_path)], check=False, timeout=60)
    assert not (tmp_path / "a.tif").exists()
    assert len(everything(tmp_path)) == 1
    assert sweep(tmp_path, tmp_path) == 1
    assert everything(tmp_path) == set()

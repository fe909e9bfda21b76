"""Ingest as a whole: cards of every kind, a second disk, hash lists, ratings, clocks.

Copies are checked by tools that are not ours: the reference implementation of ASC MHL (PyPI:
ascmhl), and where they are installed ``sha256sum`` and ``xxhsum``.
"""

from __future__ import annotations

import errno
import os
import random
import shutil
import signal
import stat
import struct
import subprocess
import sys
import time
import unicodedata
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
import tifffile
import xxhash
from ascmhl import commands
from ascmhl.history import MHLHistory
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from pipeline.errors import CannotWrite, InvalidInput
from pipeline.files import copying
from pipeline.files.metadata import MetadataWriter
from pipeline.files.wholeness import is_cut_short
from pipeline.ingest import ingest
from pipeline.manifest import Manifest
from pipeline.records import FrameState
from pipeline.verify import verify
from tests.dng import write_dng

IN_MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
JOB = "job: quay\nclient: Ferrow Enamelware\nrecipe: plain\n"
XMP = (
    '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF'
    ' xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about=""'
    ' xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="{}"/></rdf:RDF></x:xmpmeta>'
)
"""ISO 16684-1: the smallest XMP with a rating."""


@pytest.fixture(scope="module")
def started() -> Iterator[MetadataWriter]:
    with MetadataWriter() as writer:
        yield writer


@pytest.fixture
def one_exiftool(started: MetadataWriter, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ingest with an exiftool that is running already: starting one takes the longest."""

    class Running:
        def __enter__(self) -> MetadataWriter:
            return started

        def __exit__(self, *_: object) -> None:
            pass

    monkeypatch.setattr("pipeline.files.metadata.MetadataWriter", Running)


pytestmark = pytest.mark.usefixtures("one_exiftool")


def new_job(folder: Path, more: str = "") -> Path:
    folder.mkdir()
    (folder / "job.yaml").write_text(JOB + more)
    return folder


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return new_job(tmp_path / "job")


@pytest.fixture
def card(tmp_path: Path) -> Path:
    (tmp_path / "card").mkdir()
    return tmp_path / "card"


@pytest.fixture
def disk(tmp_path: Path) -> Path:
    """The second one."""
    (tmp_path / "disk").mkdir()
    return tmp_path / "disk"


def put(path: Path, data: bytes | str, at: int | None = None) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    if at is not None:
        os.utime(path, (at, at))
    return path


def jpeg(path: Path, rating: int | None = None, at: int | None = None) -> Path:
    """A JPEG, with a rating in its XMP."""
    path.parent.mkdir(parents=True, exist_ok=True)
    picture = Image.new("RGB", (8, 8), (len(path.name), int(path.stem[-1]), 60))
    said = {} if rating is None else {"xmp": XMP.format(rating).encode()}
    picture.save(path, "JPEG", **said)
    if at is not None:
        os.utime(path, (at, at))
    return path


def frames(job: Path) -> dict[str, FrameState]:
    with Manifest.open(job) as manifest:
        return manifest.frames()


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def mhl_says(folder: Path) -> int:
    """0 where all is as listed (the exit codes are in ascmhl's errors.py)."""
    return CliRunner().invoke(commands.verify, [str(folder)]).exit_code


def full_card(card: Path) -> Path:
    put(card / "DCIM/100/QL0001.DNG", os.urandom(5_000_001))
    jpeg(card / "DCIM/100/QL0001.JPG")
    put(card / "DCIM/100/QL0001.XMP", XMP.format(4))
    jpeg(card / "DCIM/100/QL0002.JPG")
    put(card / "DCIM/100/QL0003.MP4", os.urandom(70_000))
    put(card / "notes.txt", "left")
    return card


# ---- the whole of it ----


def test_a_card_comes_in_twice_and_others_can_verify_both(
    job: Path, card: Path, disk: Path
) -> None:
    full_card(card)
    done = ingest(job, [card], second_copy=disk)
    assert (done.failed, done.refusal, done.not_twice) == ({}, None, [])
    assert done.exit_code == 0
    assert [state.name for state in done.new] == ["QL0001", "QL0002"]
    assert [(each.path, each.kind, each.frame) for each in done.along] == [
        ("originals/QL0001.JPG", "jpeg", "QL0001"),
        ("originals/QL0001.xmp", "sidecar", "QL0001"),
        ("originals/QL0003.MP4", "movie", None),
    ]
    assert done.left == {str(card / "notes.txt"): "no picture, sidecar or movie"}
    copies = {"QL0001.DNG", "QL0001.JPG", "QL0001.xmp", "QL0002.JPG", "QL0003.MP4"}
    for folder in (job / "originals", disk):
        assert names(folder) == copies | {"ascmhl", "ingest.log"}
        for path in (folder / name for name in copies):
            (source,) = (card / "DCIM/100").glob(
                f"{path.stem}.[{path.suffix[1]}{path.suffix[1].upper()}]*"
            )
            assert path.read_bytes() == source.read_bytes()
            assert stat.S_IMODE(path.stat().st_mode) == 0o444
            assert path.stat().st_mtime_ns == source.stat().st_mtime_ns
        assert mhl_says(folder) == 0
        log = (folder / "ingest.log").read_text()
        assert "QL0001.DNG  5000001 bytes  blake3:" in log
        assert "notes.txt: no picture" in log
    assert {
        each.path for each in MHLHistory.load_from_path(str(disk)).hash_lists[0].media_hashes
    } == copies
    assert verify(job)[1] == []


def test_what_tools_of_the_system_compute_is_what_is_listed(
    job: Path, card: Path, disk: Path
) -> None:
    full_card(card)
    ingest(job, [card], second_copy=disk)
    (listing,) = MHLHistory.load_from_path(str(disk)).hash_lists
    listed = {each.path: each.hash_entries[0].hash_string for each in listing.media_hashes}
    for name, hashed in listed.items():
        assert hashed == xxhash.xxh128_hexdigest((disk / name).read_bytes())
    sums = [
        subprocess.run(
            ["sha256sum", *sorted(str(folder / name) for name in listed)],
            check=True, capture_output=True, text=True,
        ).stdout.replace(str(folder), "")
        for folder in (disk, job / "originals")
    ]  # fmt: skip
    assert sums[0] == sums[1]
    if shutil.which("xxhsum"):
        lines = "".join(f"{hashed}  {name}\n" for name, hashed in listed.items())
        command = ["xxhsum", "--check", "--strict", "-"]
        subprocess.run(command, check=True, input=lines, text=True, cwd=disk, capture_output=True)


def test_what_is_in_stays_as_it_is_and_the_second_disk_is_caught_up_with(
    job: Path, card: Path, disk: Path
) -> None:
    full_card(card)
    ingest(job, [card])
    assert names(disk) == set()
    before = {path: path.stat().st_ctime_ns for path in (job / "originals").glob("QL*")}
    (card / "DCIM/100/QL0001.DNG").rename(card / "DCIM/100/other.DNG")
    (card / "DCIM/100/QL0001.JPG").rename(card / "DCIM/100/other.JPG")
    (card / "DCIM/100/QL0001.XMP").rename(card / "DCIM/100/other.XMP")
    again = ingest(job, [card], second_copy=disk)
    assert (again.new, again.along, again.exit_code) == ([], [], 0)
    assert again.known == ["QL0002", "QL0001"]
    assert {path: path.stat().st_ctime_ns for path in (job / "originals").glob("QL*")} == before
    assert len(list((job / "originals/ascmhl").glob("*.mhl"))) == 1
    assert names(disk) - {"ascmhl", "ingest.log"} == {path.name for path in before}
    assert (mhl_says(disk), mhl_says(job / "originals")) == (0, 0)
    (disk / "QL0002.JPG").unlink()
    assert mhl_says(disk) == 10
    ingest(job, [card], second_copy=disk)
    assert mhl_says(disk) == 0


def test_two_cards_with_the_same_names_do_not_meet(job: Path, card: Path, disk: Path) -> None:
    for number in (1, 2):
        put(card / f"{number}/QL0001.DNG", bytes([number]) * 100)
        put(card / f"{number}/QL0001.xmp", XMP.format(number))
        put(card / f"{number}/QL0009.MOV", bytes([number]) * 50)
        done = ingest(job, [card / str(number)], second_copy=disk)
        assert done.exit_code == 0
    assert {name: state.rating for name, state in frames(job).items()} == {
        "QL0001": 1, "QL0001-2": 2,
    }  # fmt: skip
    expected = {
        "QL0001.DNG": b"\1" * 100, "QL0001-2.DNG": b"\2" * 100,
        "QL0009.MOV": b"\1" * 50, "QL0009.2.MOV": b"\2" * 50,
        "QL0001.xmp": XMP.format(1).encode(), "QL0001-2.xmp": XMP.format(2).encode(),
    }  # fmt: skip
    for folder in (job / "originals", disk):
        assert {path.name: path.read_bytes() for path in folder.glob("QL*")} == expected
        assert mhl_says(folder) == 0


def test_a_second_disk_that_other_jobs_use_keeps_what_it_has(
    job: Path, card: Path, disk: Path
) -> None:
    put(disk / "QL0001.DNG", "another job's")
    assert (
        CliRunner().invoke(commands.create, [str(disk), "-h", "md5", "-i", "Thumbs*"]).exit_code
        == 0
    )
    (disk / "QL0002.DNG").symlink_to(card / "elsewhere")
    put(card / "QL0001.DNG", "ours")
    put(card / "QL0002.DNG", "ours too")
    ingest(job, [card], second_copy=disk)
    assert (disk / "QL0001.DNG").read_text() == "another job's"
    assert (disk / "QL0001.2.DNG").read_text() == "ours"
    assert (disk / "QL0002.DNG").is_symlink()
    assert not (card / "elsewhere").exists()
    history = MHLHistory.load_from_path(str(disk))
    assert "Thumbs*" in history.latest_ignore_patterns()
    assert [len(each.media_hashes) for each in history.hash_lists][1] == 2


def as_written(path: Path) -> tuple[int, ...]:
    """What reading a file leaves alone: a mount may note when it was read."""
    found = path.stat()
    return found.st_mode, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def test_links_stay_where_they_are(job: Path, card: Path) -> None:
    full_card(card)
    before = {path: as_written(path) for path in card.rglob("*")}
    done = ingest(job, [card], link=True)
    assert done.exit_code == 0
    state = frames(job)["QL0001"]
    assert state.original.path == str(card / "DCIM/100/QL0001.DNG")
    assert state.rating == 4
    assert not (job / "originals").exists()
    assert {path: as_written(path) for path in card.rglob("*")} == before
    assert verify(job) == (4, [])
    put(card / "DCIM/100/QL0003.MP4", "cut short")
    (card / "DCIM/100/QL0001.DNG").unlink()
    assert {(each.kind, each.what) for each in verify(job)[1]} == {
        ("original", "missing"),
        ("movie", "its content is not what was recorded"),
    }


def test_a_disk_that_came_back_under_another_name_is_found_again(job: Path, card: Path) -> None:
    full_card(card)
    ingest(job, [card], link=True)
    before = frames(job)
    other = card.rename(card.with_name("card 2"))
    assert (
        ingest(job, [other])
        .notes[-1]
        .startswith("QL0001 and 1 more: noted where it lay, which is gone")
    )
    done = ingest(job, [other], link=True)
    assert (sorted(done.moved), done.new, done.along) == (sorted(before), [], [])
    state = frames(job)["QL0001"]
    assert state.original.path == str(other / "DCIM/100/QL0001.DNG")
    assert state.original.digest == before["QL0001"].original.digest
    assert state.original.capture == before["QL0001"].original.capture
    assert state.rating == before["QL0001"].rating
    assert verify(job) == (4, [])
    assert ingest(job, [other], link=True).moved == []


def test_files_that_changed_places_on_a_disk_stay_where_they_were_noted(
    job: Path, card: Path
) -> None:
    first, second = put(card / "QL0001.DNG", "one"), put(card / "QL0002.DNG", "two")
    ingest(job, [card], link=True)
    second.replace(first)
    done = ingest(job, [card], link=True)
    assert (done.moved, done.failed) == ([], {})
    assert frames(job)["QL0002"].original.path == str(second)


def test_a_copy_that_is_gone_is_made_again_and_told(job: Path, card: Path) -> None:
    for number in (1, 2):
        put(card / f"QL000{number}.DNG", str(number))
    ingest(job, [card])
    (job / "originals/QL0002.DNG").unlink()
    (card / "QL0002.DNG").rename(card / "another name.DNG")
    done = ingest(job, [card])
    assert (sorted(done.known), done.again, done.new) == (["QL0001", "QL0002"], ["QL0002"], [])
    assert verify(job) == (2, [])
    assert ingest(job, [card]).again == []


def test_a_frame_that_could_not_have_its_files_name_is_told(job: Path, card: Path) -> None:
    put(card / "a/QL0001.DNG", "one")
    put(card / "b/QL0001.DNG", "two")
    put(card / "b/-x #3.DNG", "three")
    done = ingest(job, [card])
    renamed = {Path(path).name: frame for path, frame in done.renamed.items()}
    assert renamed == {"QL0001.DNG": "QL0001-2", "-x #3.DNG": "_x _3"}
    assert ingest(job, [card]).renamed == {}


def test_corrections_that_a_camera_asks_for_and_nobody_does_are_told(job: Path, card: Path) -> None:
    """OpcodeList3 of DNG 1.7.1 with one opcode, FixVignetteRadial, of which nothing is done."""
    write_dng(card / "plain.dng", np.full((32, 48), 900))
    before = ingest(job, [card])
    assert not any("opcodes" in note for note in before.notes)
    numbers = (0.1, 0.0, 0.0, 0.0, 0.0, 0.5, 0.5)
    opcodes = struct.pack(">IIIII7d", 1, 3, 0x01030000, 0, 56, *numbers)
    for number in (1, 2):
        write_dng(
            card / f"lens-{number}.dng",
            np.full((32, 48), 900 + number),
            extra_tags=((51022, 7, len(opcodes), opcodes, True),),
        )
    after = ingest(job, [card])
    assert [note for note in after.notes if note.startswith("lens-1 and 1 more: ")]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"link": True, "second_copy": "disk"}, "no first one"),
        ({"second_copy": "job/originals"}, "the job's own folder, in it"),
        ({"second_copy": "."}, "or around it"),
        ({"second_copy": "card"}, "which is in a source"),
        ({"second_copy": "missing"}, "no folder for the second copy"),
    ],
)
def test_orders_that_make_no_sense_are_refused(
    job: Path, card: Path, tmp_path: Path, arguments: dict, said: str
) -> None:
    put(card / "QL0001.DNG", "one")
    if "second_copy" in arguments:
        arguments = {**arguments, "second_copy": tmp_path / arguments["second_copy"]}
    with pytest.raises(InvalidInput, match=said):
        ingest(job, [card], **arguments)
    assert names(card) == {"QL0001.DNG"}


def test_pictures_that_came_along_are_decoded_where_that_is_asked_for(
    job: Path, card: Path
) -> None:
    jpeg(card / "QL0001.jpg")
    jpeg(card / "QL0002.jpg")
    for number in (1, 2):
        put(card / f"QL000{number}.DNG", bytes([number]) * 100)  # no raw at all
    (card / "QL0002.jpg").write_bytes((card / "QL0002.jpg").read_bytes()[:300])
    ingest(job, [card])
    assert verify(job)[1] == []
    assert [(each.kind, each.frame) for each in verify(job, decode=True)[1]] == [
        ("original", "QL0001"), ("original", "QL0002"), ("jpeg", "QL0002"),
    ]  # fmt: skip


# ---- what goes wrong ----


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    if os.geteuid() or subprocess.run(command, check=False, capture_output=True).returncode:
        pytest.skip("needs the right to mount a disk in memory")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_second_disk_that_is_full_is_said_and_the_first_goes_on(
    job: Path, card: Path, small_disk: Path
) -> None:
    for number in range(1, 5):
        put(card / f"QL000{number}.DNG", bytes([number]) * 400_000)
    done = ingest(job, [card], second_copy=small_disk)
    assert done.exit_code == 1
    assert done.failed == {}
    assert [state.name for state in done.new] == ["QL0001", "QL0002", "QL0003", "QL0004"]
    assert "second copy in" in (done.refusal or "")
    assert "QL0003.DNG: its copy cannot be written, because the disk is full" in (
        done.refusal or ""
    )
    assert done.not_twice == [str(card / "QL0003.DNG"), str(card / "QL0004.DNG")]
    assert {path.name for path in small_disk.glob("*DNG")} == {"QL0001.DNG", "QL0002.DNG"}
    assert not list(small_disk.glob(".safelight*"))
    assert mhl_says(small_disk) == 0
    assert mhl_says(job / "originals") == 0


def test_a_second_disk_that_garbles_is_said(
    job: Path, card: Path, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(card / "QL0001.DNG", bytes(1000))
    flush = os.fsync

    def garble(descriptor: int) -> None:
        if (
            str(disk) in str(Path(f"/proc/self/fd/{descriptor}").readlink())
            and os.fstat(descriptor).st_size == 1000
        ):
            os.pwrite(descriptor, b"\xff", 7)
        flush(descriptor)

    monkeypatch.setattr(os, "fsync", garble)
    done = ingest(job, [card], second_copy=disk)
    assert done.exit_code == 1
    assert "its copy does not hold what was read" in (done.refusal or "")
    assert not list(disk.glob("*.DNG"))
    assert (job / "originals/QL0001.DNG").read_bytes() == bytes(1000)


def test_a_full_first_disk_keeps_what_is_in(small_disk: Path, card: Path, disk: Path) -> None:
    job = new_job(small_disk / "job")
    for number in range(1, 5):
        put(card / f"QL000{number}.DNG", bytes([number]) * 250_000)
    with pytest.raises(CannotWrite, match="the disk is full") as refused:
        ingest(job, [card], second_copy=disk)
    are_in = f"; {len(frames(job))} of 4 files are in the job, the others are only where they were"
    assert str(refused.value).endswith(are_in)
    for name in frames(job):
        assert (job / f"originals/{name}.DNG").read_bytes() == (card / f"{name}.DNG").read_bytes()
    assert not list(job.rglob(".safelight*.part"))
    assert not list(disk.glob(".safelight*"))


def test_a_card_that_is_pulled_and_put_back_is_gone_on_with(
    job: Path, card: Path, disk: Path, tmp_path: Path
) -> None:
    for number in range(1, 7):
        put(card / f"QL000{number}.DNG", bytes([number]) * 100_000)

    def pull(count: int, _: int) -> None:
        if count == 3:
            card.rename(tmp_path / "pulled")

    done = ingest(job, [card], pull, second_copy=disk)
    assert done.exit_code == 1
    assert list(done.failed) == [str(card / f"QL000{number}.DNG") for number in (4, 5, 6)]
    assert all("No such file" in reason for reason in done.failed.values())
    assert sorted(frames(job)) == ["QL0001", "QL0002", "QL0003"]
    (tmp_path / "pulled").rename(card)
    done = ingest(job, [card], second_copy=disk)
    assert done.exit_code == 0
    assert [state.name for state in done.new] == ["QL0004", "QL0005", "QL0006"]
    assert done.known == ["QL0001", "QL0002", "QL0003"]
    assert (mhl_says(job / "originals"), mhl_says(disk)) == (0, 0)
    assert len(frames(job)) == 6


class FailingAfter:
    """An open file whose disk reports an error after the first piece."""

    def __init__(self, stream: object) -> None:
        self._stream, self._pieces = stream, 0

    def __getattr__(self, name: str) -> object:
        return getattr(self._stream, name)

    def __enter__(self) -> FailingAfter:
        return self

    def __exit__(self, *_: object) -> None:
        self._stream.close()  # type: ignore[attr-defined]

    def readinto(self, buffer: bytearray) -> int:
        self._pieces += 1
        if self._pieces > 1:
            raise OSError(errno.EIO, "Input/output error")
        return self._stream.readinto(buffer)  # type: ignore[attr-defined]


def test_a_card_that_fails_in_the_middle_of_a_file(
    job: Path, card: Path, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(card / "QL0001.DNG", bytes(5_000_000))
    put(card / "QL0002.DNG", b"whole")
    opened = copying.opened

    def failing(path: Path, flags: int = 0) -> object:
        stream = opened(path, flags)
        return FailingAfter(stream) if path.name == "QL0001.DNG" else stream

    monkeypatch.setattr(copying, "opened", failing)
    done = ingest(job, [card], second_copy=disk)
    assert done.exit_code == 1
    assert done.failed == {
        str(
            card / "QL0001.DNG"
        ): f"{card}/QL0001.DNG: it cannot be read, because Input/output error"
    }
    assert done.refusal is None
    for folder in (job / "originals", disk):
        assert names(folder) == {"QL0002.DNG", "ascmhl", "ingest.log"}
        assert "Input/output error" in (folder / "ingest.log").read_text()


def test_a_file_that_is_cut_while_it_is_read(
    job: Path, card: Path, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = put(card / "QL0001.DNG", bytes(9_000_000))
    write_all = copying.write_all

    def cut(copy: object, piece: memoryview) -> None:
        os.truncate(source, 5_000_000)
        write_all(copy, piece)  # type: ignore[arg-type]

    monkeypatch.setattr(copying, "write_all", cut)
    done = ingest(job, [card], second_copy=disk)
    assert done.exit_code == 1
    assert "it changed while it was read" in done.failed[str(source)]
    assert not list((job / "originals").glob("*.DNG"))
    assert not list(disk.glob("*.DNG"))


def test_where_a_raw_cannot_be_read_its_jpeg_is_the_frame(job: Path, card: Path) -> None:
    put(card / "QL0001.DNG", b"")
    jpeg(card / "QL0001.JPG")
    put(card / "QL0001.xmp", XMP.format(3))
    put(card / "QL0002.DNG", b"")
    put(card / "QL0002.xmp", XMP.format(5))
    done = ingest(job, [card])
    assert done.exit_code == 1
    assert set(done.failed) == {str(card / f"QL000{n}") for n in ("1.DNG", "2.DNG", "2.xmp")}
    state = frames(job)["QL0001"]
    assert (state.original.path, state.rating) == ("originals/QL0001.JPG", 3)
    assert done.notes == ["QL0001: its JPEG is the frame, for QL0001.DNG failed."]


def test_a_damaged_hash_list_is_said_and_not_gone_on_with(job: Path, card: Path) -> None:
    put(card / "QL0001.DNG", "one")
    ingest(job, [card])
    (generation,) = (job / "originals/ascmhl").glob("*.mhl")
    generation.write_bytes(generation.read_bytes().replace(b"QL0001", b"QL0009"))
    put(card / "QL0002.DNG", "two")
    done = ingest(job, [card])
    assert done.exit_code == 1
    assert "it is not what ascmhl_chain.xml" in done.failed[str(job / "originals")]
    assert sorted(frames(job)) == ["QL0001", "QL0002"]


@pytest.mark.parametrize("byteorder", ["<", ">"])
def test_a_raw_that_lacks_as_much_as_a_byte_is_named(tmp_path: Path, rng, byteorder: str) -> None:
    mosaic = rng.integers(0, 65535, (48, 64), dtype=np.uint16)
    whole = write_dng(tmp_path / "whole.dng", mosaic, byteorder=byteorder)
    data = whole.read_bytes()
    with tifffile.TiffFile(whole) as tiff:  # where another reader finds the pixels' end
        page = tiff.pages[0]
        end = max(map(sum, zip(page.dataoffsets, page.databytecounts, strict=True)))
    assert not is_cut_short(whole)
    for length in (end - 1, end - 500, 300, 9):
        assert is_cut_short(put(tmp_path / "cut.dng", data[:length]))
    assert not is_cut_short(put(tmp_path / "longer.dng", data + bytes(100)))


@given(st.binary(max_size=60), st.sampled_from([b"II*\0", b"MM\0*", b"\xff\xd8\xff", b""]))
def test_nonsense_is_judged_without_harm(rest: bytes, head: bytes) -> None:
    with TemporaryDirectory(dir=IN_MEMORY) as folder:
        assert is_cut_short(put(Path(folder) / "a.dng", head + rest)) in (True, False)


def test_what_is_cut_short_is_taken_in_and_named(job: Path, card: Path) -> None:
    picture = Image.effect_noise((64, 64), 90)
    picture.save(card / "QL0001.JPG", comment=b"\xff\xd9 in a comment")
    picture.save(card / "QL0003.JPG", progressive=True)
    data = (card / "QL0001.JPG").read_bytes()
    put(card / "QL0002.JPG", data[:-2])
    put(card / "QL0004.JPG", data + b"what a camera puts behind the picture")
    done = ingest(job, [card])
    assert len(done.new) == 4
    assert done.notes == [
        "QL0002.JPG: it is cut short, and was taken in as it is; look at the card again."
    ]


# ---- ratings ----


@pytest.mark.parametrize(
    ("in_jpeg", "jpeg_at", "in_sidecar", "sidecar_at", "rating", "said"),
    [
        (3, 1000, None, 0, 3, None),
        (None, 1000, 5, 900, 5, None),
        (0, 1000, 4, 900, 4, None),  # a camera's 0 says nothing
        (3, 1000, 5, 2000, 5, "rated 3 in QL0001.JPG, 5 in QL0001.xmp; the later, 5, counts"),
        (3, 2000, 5, 1000, 3, "rated 5 in QL0001.xmp, 3 in QL0001.JPG; the later, 3, counts"),
        (3, 1000, 0, 2000, 0, "rated 3 in QL0001.JPG, 0 in QL0001.xmp; the later, 0, counts"),
        (None, 1000, -1, 900, -1, None),
        (99, 1000, 6, 2000, 0, None),  # no rating of ISO 16684-1
    ],
)
def test_ratings_come_in_with_their_source(
    job: Path, card: Path, in_jpeg, jpeg_at, in_sidecar, sidecar_at, rating, said
) -> None:
    jpeg(card / "QL0001.JPG", in_jpeg, jpeg_at)
    if in_sidecar is not None:
        put(card / "QL0001.xmp", XMP.format(in_sidecar), sidecar_at)
    done = ingest(job, [card])
    assert done.notes == ([f"QL0001: {said}."] if said else [])
    assert frames(job)["QL0001"].rating == done.new[0].rating == rating
    with Manifest.open(job) as manifest:
        rated = [event.detail for event in manifest.events("QL0001") if event.what == "rated"]
    later = "QL0001.xmp" if in_sidecar is not None and sidecar_at > jpeg_at else "QL0001.JPG"
    if rating:
        assert [detail["rating"] for detail in rated] == [rating]
        assert rated[0]["source"] in ("QL0001.JPG", "QL0001.xmp")
        assert said is None or rated[0]["source"] == later
    else:
        assert rated == []


def test_a_sidecar_that_comes_later_never_overrules_the_job(job: Path, card: Path) -> None:
    put(card / "QL0001.DNG", "one")
    put(card / "QL0002.DNG", "two")
    ingest(job, [card])
    with Manifest.open(job, write=True) as manifest:
        manifest.rate("QL0001", 2)
    for name in ("QL0001", "QL0002"):
        put(card / f"{name}.xmp", XMP.format(5))
    done = ingest(job, [card])
    assert done.notes == ["QL0001: QL0001.xmp says 5; the job's own rating, 2, stays."]
    assert {name: state.rating for name, state in frames(job).items()} == {
        "QL0001": 2, "QL0002": 5,
    }  # fmt: skip


def test_capture_data_of_a_picture_and_its_pair(job: Path, card: Path) -> None:
    tags = (
        "-DateTimeOriginal=2031:05:04 10:20:30", "-SubSecTimeOriginal=25",
        "-OffsetTimeOriginal=+02:00", "-Make=Ferrow", "-Model=Q5", "-SerialNumber=0042",
        "-LensModel=35 mm", "-FocalLength=35", "-SubjectDistance=2.5", "-ISO=400",
        "-ExposureTime=0.008", "-FNumber=5.6", "-Orientation=6", "-EXIF:Rating=4",
    )  # fmt: skip
    path = jpeg(card / "QL0001.JPG")
    subprocess.run(["exiftool", "-q", "-n", "-overwrite_original", *tags, str(path)], check=True)
    ingest(job, [card])
    capture = frames(job)["QL0001"].original.capture
    assert capture.taken_at == "2031-05-04T10:20:30.25+02:00"
    assert (capture.camera, capture.serial, capture.lens) == ("Ferrow Q5", "0042", "35 mm")
    assert (capture.exposure_s, capture.aperture, capture.iso) == (0.008, 5.6, 400)
    assert (capture.focal_mm, capture.focus_m) == (35, 2.5)
    assert (capture.orientation, capture.rating) == (6, 4)
    assert frames(job)["QL0001"].rating == 4


# ---- bad cards ----

STEMS = st.one_of(
    st.sampled_from(
        [
            "QL0001", "ql0001", "-rf", "line\nbreak", "📷 夜", "x" * 251, "夜" * 83, "con", ".. ",
            unicodedata.normalize("NFC", "été"), unicodedata.normalize("NFD", "été"), "a'b\"c`$(x)",
            "#tag", " space", "\x1b[31m",
        ]
    ),
    st.text(
        st.characters(exclude_characters="/\0", exclude_categories=["Cs"]), min_size=1, max_size=12
    ),
)  # fmt: skip
ENTRIES = st.tuples(
    st.sampled_from(["", "DCIM/100", "DCIM/101"]),
    STEMS,
    st.sampled_from([".DNG", ".dng", ".JPG", ".xmp", ".MOV", ".txt"]),
    st.sampled_from(["data", "data", "data", "empty", "out", "loop", "folder", "pipe"]),
    st.binary(min_size=1, max_size=40),
)


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(ENTRIES, min_size=1, max_size=8))
def test_whatever_is_on_a_card_is_in_or_named_and_nothing_is_followed_out(entries) -> None:
    with TemporaryDirectory(dir=IN_MEMORY) as name:
        root = Path(name)
        job, card, disk = new_job(root / "job"), root / "card", root / "disk"
        disk.mkdir()
        secret = put(root / "outside/QL0666.DNG", "secret")
        put(card / "QL9999.DNG", "there is always one")
        for folder, stem, suffix, kind, data in entries:
            path = card / folder / (stem + suffix)
            if len(path.name.encode()) > 255 or path.name.startswith(".") or os.path.lexists(path):
                continue
            path.parent.mkdir(parents=True, exist_ok=True)
            make: dict[str, Callable[[], object]] = {
                "data": lambda: path.write_bytes(data),  # noqa: B023
                "empty": path.touch,
                "out": lambda: path.symlink_to(secret),  # noqa: B023
                "loop": lambda: path.symlink_to(card),  # noqa: B023
                "folder": path.mkdir,
                "pipe": lambda: os.mkfifo(path),  # noqa: B023
            }
            make[kind]()
        before = {path: path.lstat().st_ctime_ns for path in card.rglob("*")}
        done = ingest(job, [card], second_copy=disk)
        assert {path: path.lstat().st_ctime_ns for path in card.rglob("*")} == before
        kept = {path.read_bytes() for path in (job / "originals").iterdir() if path.is_file()}
        twice = {path.read_bytes() for path in disk.iterdir() if path.is_file()}
        assert b"secret" not in kept | twice
        named = set(done.failed) | set(done.left)
        for path in card.rglob("*"):
            mode = path.lstat().st_mode
            if stat.S_ISREG(mode) and copying.shown(path) not in named:
                assert path.read_bytes() in kept & twice
            elif not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
                assert copying.shown(path) in named
        assert all(name.isprintable() for name in named)
        empty = [path for path in before if path.is_file() and not path.stat().st_size]
        wanted = [path for path in empty if path.suffix != ".txt" and not path.is_symlink()]
        assert all(copying.shown(path) in named for path in wanted)
        assert done.exit_code == bool(done.failed)
        assert (mhl_says(job / "originals"), mhl_says(disk)) == (0, 0)
        assert verify(job)[1] == []


KILLED = """
import sys
from pathlib import Path
from pipeline.ingest import ingest
job, card, disk = map(Path, sys.argv[1:])
print("ready", flush=True)
sys.exit(ingest(job, [card], second_copy=disk).exit_code)
"""


@pytest.mark.slow
def test_killed_at_any_instant_both_disks_are_made_good(job: Path, card: Path, disk: Path) -> None:
    dice = random.Random(5)
    wanted = {f"QL{number:04}.DNG": dice.randbytes(1_500_000) for number in range(12)}
    for name, data in wanted.items():
        put(card / name, data)
    command = [sys.executable, "-c", KILLED, *map(str, (job, card, disk))]
    cut_short = 0
    for _ in range(4):
        run = subprocess.Popen(command, stdout=subprocess.PIPE)
        assert run.stdout is not None
        run.stdout.readline()
        time.sleep(dice.uniform(0.1, 0.9))
        run.kill()
        run.communicate()
        cut_short += run.returncode == -signal.SIGKILL
        for folder in (job / "originals", disk):
            for path in folder.glob("QL*"):
                assert path.read_bytes() == wanted[path.name]
    assert cut_short
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    for folder in (job / "originals", disk):
        assert {path.name for path in folder.glob("QL*")} == wanted.keys()
        assert not list(folder.glob(".safelight*"))
        assert mhl_says(folder) == 0

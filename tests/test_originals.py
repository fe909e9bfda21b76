"""The verified copy: an original arrives whole or not at all, and the source is never touched."""

from __future__ import annotations

import os
import random
import resource
import signal
import stat
import subprocess
import sys
import time
import unicodedata
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from blake3 import blake3
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import CannotWrite, InvalidInput, NotAsRecorded, UnreadableOriginal
from pipeline.files import originals
from pipeline.files.card import look_through
from pipeline.files.originals import Intake, frame_name, read_original
from pipeline.records import Original


def digest_of(data: bytes) -> str:
    return f"blake3:{blake3(data).hexdigest()}"


def write(path: Path, data: bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def contents(folder: Path) -> dict[str, bytes]:
    """Everything in a folder, temporaries too."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.fixture
def job(tmp_path: Path) -> Path:
    (tmp_path / "job").mkdir()
    return tmp_path / "job"


@pytest.fixture
def card(tmp_path: Path) -> Path:
    (tmp_path / "card").mkdir()
    return tmp_path / "card"


# ---- copying ----


def test_a_copy_is_whole_read_only_and_leaves_the_source_alone(job: Path, card: Path) -> None:
    data = random.Random(1).randbytes(9_000_001)  # more than two chunks, and an odd end
    source = write(card / "QL0001.DNG", data)
    os.utime(source, ns=(1_900_000_000_123_456_000, 1_900_000_000_654_321_000))
    source.chmod(0o400)
    before = source.stat()
    taken = Intake(job, {}).copy(source)
    assert taken.new
    assert taken.frame == "QL0001"
    assert taken.original == Original("originals/QL0001.DNG", digest_of(data), len(data))
    copy = job / taken.original.path
    assert contents(copy.parent) == {"QL0001.DNG": data}
    assert stat.S_IMODE(copy.stat().st_mode) == 0o444
    assert copy.stat().st_nlink == 1
    assert copy.stat().st_mtime_ns == before.st_mtime_ns
    after = source.stat()
    assert (after.st_mtime_ns, after.st_ctime_ns, after.st_mode, after.st_size) == (
        before.st_mtime_ns,
        before.st_ctime_ns,
        before.st_mode,
        before.st_size,
    )


def test_the_same_content_is_taken_in_once(job: Path, card: Path) -> None:
    source = write(card / "QL0001.DNG", b"one")
    renamed = write(card / "other.dng", b"one")
    intake = Intake(job, {})
    first = intake.copy(source)
    for again in (source, renamed):
        taken = intake.copy(again)
        assert not taken.new
        assert (taken.frame, taken.original) == (first.frame, first.original)
    later = Intake(job, {first.frame: first.original}).copy(renamed)
    assert (later.new, later.frame) == (False, "QL0001")
    assert contents(job / "originals") == {"QL0001.DNG": b"one"}


def test_what_is_likely_here_is_not_written_again(
    job: Path, card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = write(card / "QL0001.DNG", b"one")
    other = write(card / "again" / "QL0001.DNG", b"two")  # same name, same size
    intake = Intake(job, {})
    intake.copy(source)
    assert intake.copy(other).frame == "QL0001-2"
    monkeypatch.setattr(originals, "write_copy", lambda *_: pytest.fail("written again"))
    assert intake.copy(source).frame == "QL0001"
    assert intake.copy(other).frame == "QL0001-2"


def test_other_content_under_a_taken_name_gets_a_number(job: Path, card: Path) -> None:
    intake = Intake(job, {"QL0001": Original("/elsewhere/QL0001.dng", "blake3:0", 5)})
    names = {}
    for number, name in enumerate(("a/QL0001.dng", "b/QL0001.dng", "c/ql0001.DNG", "QL0001.jpg")):
        taken = intake.copy(write(card / name, b"%d" % number))
        names[name] = (taken.frame, taken.original.path)
    assert names == {
        "a/QL0001.dng": ("QL0001-2", "originals/QL0001-2.dng"),
        "b/QL0001.dng": ("QL0001-3", "originals/QL0001-3.dng"),
        "c/ql0001.DNG": ("ql0001-4", "originals/ql0001-4.DNG"),  # a twin on some disks
        "QL0001.jpg": ("QL0001-5", "originals/QL0001-5.jpg"),
    }


def test_composed_and_decomposed_names_are_twins(job: Path, card: Path) -> None:
    composed = unicodedata.normalize("NFC", "quai-été")
    decomposed = unicodedata.normalize("NFD", "quai-été")
    assert composed != decomposed
    intake = Intake(job, {})
    first = intake.copy(write(card / "a" / f"{composed}.dng", b"1"))
    second = intake.copy(write(card / "b" / f"{decomposed}.dng", b"2"))
    assert (first.frame, second.frame) == (composed, f"{composed}-2")


def test_a_name_that_a_killed_run_left_is_adopted_if_it_holds_the_same(
    job: Path, card: Path
) -> None:
    left = write(job / "originals" / "QL0001.dng", b"one")
    left.chmod(0o644)
    strange = write(job / "originals" / "QL0002.dng", b"something else")
    intake = Intake(job, {})
    assert intake.copy(write(card / "QL0001.dng", b"one")).frame == "QL0001"
    assert intake.copy(write(card / "QL0002.dng", b"two")).frame == "QL0002-2"
    assert strange.read_bytes() == b"something else"
    assert stat.S_IMODE(left.stat().st_mode) == 0o444
    assert sorted(contents(job / "originals")) == ["QL0001.dng", "QL0002-2.dng", "QL0002.dng"]


def test_a_disk_without_hard_links_is_served_and_still_not_clobbered(
    job: Path, card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    write(job / "originals" / "QL0001.dng", b"something else")
    taken = Intake(job, {}).copy(write(card / "QL0001.dng", b"one"))
    assert taken.frame == "QL0001-2"
    assert contents(job / "originals") == {"QL0001.dng": b"something else", "QL0001-2.dng": b"one"}


@pytest.mark.parametrize("hard_links", [True, False])
def test_a_planted_link_is_neither_followed_nor_replaced(
    job: Path, card: Path, monkeypatch: pytest.MonkeyPatch, hard_links: bool
) -> None:
    if not hard_links:

        def no_links(*_: object) -> None:
            raise PermissionError(1, "Operation not permitted")

        monkeypatch.setattr(os, "link", no_links)
    outside = job.parent / "outside.dng"
    (job / "originals").mkdir()
    (job / "originals" / "QL0001.dng").symlink_to(outside)
    taken = Intake(job, {}).copy(write(card / "QL0001.dng", b"one"))
    assert taken.frame == "QL0001-2"
    assert not outside.exists()
    assert (job / "originals" / "QL0001.dng").is_symlink()


def test_a_folder_that_leads_out_of_the_job_is_refused(job: Path, card: Path) -> None:
    (job.parent / "elsewhere").mkdir()
    (job / "originals").symlink_to(job.parent / "elsewhere")
    source = write(card / "QL0001.dng", b"one")
    with pytest.raises(CannotWrite, match="outside the job"):
        Intake(job, {}).copy(source)
    with pytest.raises(CannotWrite, match="outside the job"):
        Intake(job, {}).copy(source, "../elsewhere")
    assert contents(job.parent / "elsewhere") == {}


def append(path: Path) -> None:
    with path.open("ab") as stream:
        stream.write(b"more")


def overwrite(path: Path) -> None:
    with path.open("r+b") as stream:
        stream.write(b"other")


def overwrite_and_set_the_time_back(path: Path) -> None:
    before = path.stat()
    overwrite(path)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def swap(path: Path) -> None:
    other = path.with_suffix(".new")
    other.write_bytes(b"x" * path.stat().st_size)
    other.replace(path)


@pytest.mark.parametrize("change", [append, overwrite, overwrite_and_set_the_time_back, swap])
@pytest.mark.parametrize("how", ["copy", "register"])
def test_a_file_that_changes_while_it_is_read_is_refused(
    job: Path,
    card: Path,
    monkeypatch: pytest.MonkeyPatch,
    change: Callable[[Path], None],
    how: str,
) -> None:
    source = write(card / "QL0001.dng", b"first of many bytes")
    time.sleep(0.02)  # the kernel stamps files by a clock that ticks every few milliseconds

    def hasher_that_lets_it_happen() -> object:
        if source.stat().st_mtime_ns == before.st_mtime_ns:
            change(source)
        return blake3()

    before = source.stat()
    monkeypatch.setattr("pipeline.files.copying.blake3", hasher_that_lets_it_happen)
    monkeypatch.setattr("pipeline.hashing.blake3", hasher_that_lets_it_happen)
    with pytest.raises(UnreadableOriginal, match="changed while it was read"):
        getattr(Intake(job, {}), how)(source)
    if how == "copy":
        assert contents(job / "originals") == {}


def test_a_copy_that_the_disk_garbled_is_noticed(
    job: Path, card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flush = os.fsync

    def garble(descriptor: int) -> None:
        if stat.S_ISREG(os.fstat(descriptor).st_mode):
            os.pwrite(descriptor, b"\xff", 7)
        flush(descriptor)

    monkeypatch.setattr(os, "fsync", garble)
    with pytest.raises(CannotWrite, match=r"QL0001\.dng: its copy does not hold what was read"):
        Intake(job, {}).copy(write(card / "QL0001.dng", bytes(100)))
    assert contents(job / "originals") == {}


def test_the_name_appears_only_after_the_bytes_are_on_the_disk(
    job: Path, card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    order: list[str] = []
    flush, link = os.fsync, os.link

    def noted_flush(descriptor: int) -> None:
        folder = stat.S_ISDIR(os.fstat(descriptor).st_mode)
        order.append("flush folder" if folder else "flush file")
        flush(descriptor)

    def noted_link(*paths: Path) -> None:
        order.append("name")
        link(*paths)

    monkeypatch.setattr(os, "fsync", noted_flush)
    monkeypatch.setattr(os, "link", noted_link)
    Intake(job, {}).copy(write(card / "QL0001.dng", b"one"))
    assert order == ["flush file", "name", "flush folder"]


def test_a_file_too_large_for_the_disk_is_a_sentence(job: Path, card: Path) -> None:
    source = write(card / "QL0001.dng", bytes(300_000))
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, limits[1]))
    try:
        with pytest.raises(CannotWrite, match=r"QL0001\.dng: its copy cannot be written, because"):
            Intake(job, {}).copy(source)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert contents(job / "originals") == {}


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    if os.geteuid() or subprocess.run(command, check=False, capture_output=True).returncode:
        pytest.skip("needs the right to mount a disk in memory")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_and_a_read_only_disk_are_sentences(small_disk: Path, card: Path) -> None:
    intake = Intake(small_disk, {})
    assert intake.copy(write(card / "QL0001.dng", bytes(600_000))).new
    with pytest.raises(CannotWrite, match=r"QL0002\.dng.*the disk is full"):
        intake.copy(write(card / "QL0002.dng", b"x" * 600_000))
    assert list(contents(small_disk / "originals")) == ["QL0001.dng"]
    assert intake.copy(write(card / "QL0003.dng", b"small")).new  # the others go on
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(CannotWrite, match="the disk is read-only"):
        intake.copy(write(card / "QL0004.dng", b"four"))


@pytest.mark.parametrize("how", ["copy", "register"])
def test_sources_that_cannot_be_read_are_sentences(job: Path, card: Path, how: str) -> None:
    take = getattr(Intake(job, {}), how)
    os.mkfifo(card / "pipe.dng")
    (card / "folder.dng").mkdir()
    write(card / "empty.dng", b"")
    for name, said in {
        "pipe.dng": "it is not a file",
        "folder.dng": "Is a directory",
        "empty.dng": "the file is empty",
        "missing.dng": "No such file",
        "QL0001.d\nng": "not a picture by its name",
    }.items():
        with pytest.raises(UnreadableOriginal, match=said) as refusal:
            take(card / name)
        assert name.replace("\n", "\\n") in str(refusal.value)


KILLED = """
import sys
from pathlib import Path
from pipeline.files.originals import Intake
job, card = Path(sys.argv[1]), Path(sys.argv[2])
intake = Intake(job, {})
print("ready", flush=True)
for source in sorted(card.iterdir()):
    intake.copy(source)
"""


@pytest.mark.slow
def test_killed_at_any_instant_no_final_name_holds_less_than_all(job: Path, card: Path) -> None:
    dice = random.Random(7)
    expected = {f"QL{number}.dng": dice.randbytes(3_000_000) for number in range(8)}
    for name, data in expected.items():
        write(card / name, data)
    cut_short = 0
    for _ in range(12):
        run = subprocess.Popen(
            [sys.executable, "-c", KILLED, str(job), str(card)], stdout=subprocess.PIPE
        )
        assert run.stdout is not None
        run.stdout.readline()
        time.sleep(dice.uniform(0.0, 0.15))
        run.kill()
        run.communicate()
        cut_short += run.returncode == -signal.SIGKILL
        for path in (job / "originals").glob("[!.]*"):
            assert path.read_bytes() == expected[path.name]
    assert cut_short
    subprocess.run([sys.executable, "-c", KILLED, str(job), str(card)], check=True)
    finished = {path.name: path.read_bytes() for path in (job / "originals").glob("[!.]*")}
    assert finished == expected


# ---- where they lie ----


def test_what_stays_in_place_is_noted_by_its_real_path(job: Path, card: Path) -> None:
    source = write(card / "QL0001.dng", b"one")
    link = card / "link.dng"
    link.symlink_to(source)
    intake = Intake(job, {})
    taken = intake.register(link)
    assert taken.original == Original(str(source.resolve()), digest_of(b"one"), 3)
    assert taken.frame == "link"
    assert not intake.register(source).new
    inside = intake.register(write(job / "camera" / "QL0002.dng", b"two"))
    assert inside.original.path == "camera/QL0002.dng"
    assert not (job / "originals").exists()


def test_a_path_that_is_not_text_can_only_be_copied(job: Path, card: Path) -> None:
    source = write(Path(os.fsdecode(os.fsencode(card) + b"/caf\xe9.dng")), b"one")
    intake = Intake(job, {})
    with pytest.raises(UnreadableOriginal, match="copy it in") as refusal:
        intake.register(source)
    assert str(refusal.value).isprintable()
    taken = intake.copy(source)
    assert taken.frame == "caf_"
    assert (job / "originals" / "caf_.dng").read_bytes() == b"one"


def test_an_original_is_checked_by_content_never_by_time(card: Path) -> None:
    path = write(card / "QL0001.dng", b"one")
    before = path.stat()
    assert read_original(path, digest_of(b"one")) == b"one"
    path.write_bytes(b"two")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    with pytest.raises(NotAsRecorded, match=r"QL0001\.dng.*not what was recorded"):
        read_original(path, digest_of(b"one"))
    path.rename(card / "moved.dng")
    with pytest.raises(NotAsRecorded, match="missing"):
        read_original(path, digest_of(b"one"))
    write(card / "twin.dng", b"one")
    path.symlink_to(card / "twin.dng")
    with pytest.raises(NotAsRecorded, match="replaced"):
        read_original(path, digest_of(b"one"))


# ---- finding ----


def test_pictures_are_found_at_any_depth_and_nothing_else(card: Path) -> None:
    for name in (
        "DCIM/100/QL0002.DNG",
        "DCIM/100/QL0001.dng",
        "DCIM/101/QL0003.NEF",
        "QL0004.jpeg",
        "QL0005.TIF",
        "notes.txt",
        "QL0006.xmp",
        "dng",
        ".hidden.dng",
        ".Trash/QL0007.dng",
        "QL0008.\N{KELVIN SIGN}dc",
    ):
        write(card / name, b"x")
    os.mkfifo(card / "pipe.dng")
    write(card.parent / "outside" / "QL0009.dng", b"x")
    (card / "way-out").symlink_to(card.parent / "outside")
    (card / "QL0010.dng").symlink_to(card.parent / "outside" / "QL0009.dng")
    found = look_through([card, card / "QL0004.jpeg", card / "DCIM"])
    assert [shot.picture.relative_to(card).as_posix() for shot in found.shots] == [
        "DCIM/100/QL0001.dng",
        "DCIM/100/QL0002.DNG",
        "DCIM/101/QL0003.NEF",
        "QL0004.jpeg",
        "QL0005.TIF",
    ]
    assert {path.relative_to(card).as_posix(): why for path, why in found.left.items()} == {
        "QL0006.xmp": "a sidecar of no picture here",
        "QL0008.\N{KELVIN SIGN}dc": "no picture, sidecar or movie",
        "QL0010.dng": "a link, which is not followed",
        "dng": "no picture, sidecar or movie",
        "notes.txt": "no picture, sidecar or movie",
        "pipe.dng": "not a file",
        "way-out": "a link, which is not followed",
    }


def test_a_jpeg_and_sidecars_belong_to_the_raw_of_their_name_and_folder(card: Path) -> None:
    decomposed = unicodedata.normalize("NFD", "été")
    for name in (
        "100/QL0001.DNG",
        "100/ql0001.jpg",
        "100/QL0001.xmp",
        "100/QL0001.JPG.XMP",
        "100/QL0002.JPG",
        "100/QL0002.xmp",
        "101/QL0001.JPG",
        "101/été.NEF",
        f"101/{decomposed}.JPG",
        "102/QL0003.TIF",
        "102/QL0003.jpg",
        "102/QL0003.MOV",
    ):
        write(card / name, b"x")
    found = look_through([card])
    assert [
        (shot.picture.name, [(path.name, kind) for path, kind in shot.companions])
        for shot in found.shots
    ] == [
        (
            "QL0001.DNG",
            [("ql0001.jpg", "jpeg"), ("QL0001.JPG.XMP", "sidecar"), ("QL0001.xmp", "sidecar")],
        ),
        ("QL0002.JPG", [("QL0002.xmp", "sidecar")]),
        ("QL0001.JPG", []),
        ("été.NEF", [(f"{decomposed}.JPG", "jpeg")]),
        ("QL0003.TIF", []),
        ("QL0003.jpg", []),
    ]
    assert [path.name for path in found.movies] == ["QL0003.MOV"]
    assert found.files == 11 + 1


def test_every_source_that_cannot_be_used_is_named_at_once(card: Path) -> None:
    write(card / "notes.txt", b"x")
    with pytest.raises(InvalidInput) as refusal:
        look_through([card, card / "missing", card / "notes.txt", Path("line\nbreak")])
    found = [(problem.file, problem.found) for problem in refusal.value.problems]
    assert found == [
        (str(card / "missing"), "it cannot be read: No such file or directory"),
        (str(card / "notes.txt"), "not a picture by its name"),
        ("line\\nbreak", "it cannot be read: No such file or directory"),
    ]


def test_a_folder_that_cannot_be_listed_is_not_passed_over(
    card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(card / "open" / "QL0001.dng", b"x")
    write(card / "locked" / "QL0002.dng", b"x")
    scan = os.scandir

    def refuse_locked(path: str) -> object:
        if Path(path).name == "locked":
            raise PermissionError(13, "Permission denied", str(path))
        return scan(path)

    monkeypatch.setattr(os, "scandir", refuse_locked)  # root may list everything
    found = look_through([card])
    assert found.failed == {card / "locked": "it cannot be read: Permission denied"}
    assert [shot.picture.name for shot in found.shots] == ["QL0001.dng"]


# ---- names ----


@pytest.mark.parametrize(
    ("stem", "name"),
    [
        ("QL0001", "QL0001"),
        ("quay lamps_01 (2)", "quay lamps_01 (2)"),
        ("été 夜", "été 夜"),
        ("-delete", "_delete"),
        (".hidden", "_hidden"),
        ("two\nlines\t\x1b[31m", "two_lines___31m"),
        ("a/b\\c:d*e?f", "a_b_c_d_e_f"),
        ("QL00[02-19]{job}", "QL00_02-19__job_"),
        ("right\u202eleft", "right_left"),
        ("dot. . ", "dot"),
        ("", "_"),
        ("con", "_con"),
        ("LPT1", "_LPT1"),
        ("aux.2031", "_aux.2031"),
        ("console", "console"),
        ("\udce9t\udce9", "_t_"),
        ("x" * 255, "x" * 180),
        ("夜" * 85, "夜" * 60),  # three bytes each
    ],
)
def test_names_are_made_safe(stem: str, name: str) -> None:
    assert frame_name(stem) == name


@given(st.text(st.characters(), max_size=300))
def test_any_name_becomes_one_that_every_system_can_hold(stem: str) -> None:
    name = frame_name(stem)
    assert 0 < len(name.encode()) <= 181
    assert name.isprintable()
    assert unicodedata.is_normalized("NFC", name)
    assert not set(name) & set("/\\:*?\"<>|[]{}$`'!#&;~%\n\0")
    assert name[0] not in "-. "
    assert name[-1] not in ". "
    assert frame_name(name) == name


def test_long_names_leave_room_for_the_number(job: Path, card: Path) -> None:
    intake = Intake(job, {})
    stem = "x" * 240
    first = intake.copy(write(card / "a" / f"{stem}.dng", b"1"))
    second = intake.copy(write(card / "b" / f"{stem}.dng", b"2"))
    assert first.frame == "x" * 180
    assert second.frame == "x" * 172 + "-2"

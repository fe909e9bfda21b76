"""The manifest stays whole, whatever happens to its process, the disk, or others beside it."""

from __future__ import annotations

import fcntl
import json
import os
import pickle
import random
import select
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from textwrap import dedent
from unittest.mock import ANY

import pytest

from pipeline.errors import (
    CannotWrite,
    JobBusy,
    NewerManifest,
    NotAsRecorded,
    OlderManifest,
    SafelightError,
)
from pipeline.hashing import digest_file
from pipeline.manifest import MANIFEST_NAME, Manifest, NoManifest, connection, place, schema
from pipeline.manifest.lock import LOCK_NAME, WriterLock
from pipeline.manifest.schema import MIGRATIONS, Migration, migrate, schema_version
from pipeline.records import (
    Approval,
    Artifact,
    FrameState,
    Handoff,
    Original,
    Request,
    Returned,
    Round,
    Settled,
    Withdrawn,
)
from tests.sample_records import frame, version, web

NOBODY = 65534
TESTS = Path(__file__).parent


@pytest.fixture
def manifest(tmp_path: Path) -> Iterator[Manifest]:
    """A new manifest, open for writing, whose clock ticks once a call."""
    ticks = iter(range(10_000))
    with Manifest.create(tmp_path, now=lambda: f"tick {next(ticks)}") as opened:
        opened.add_frames([frame("QL0002"), frame("QL0001", burst="b1", setup="gap-1", rating=2)])
        yield opened


def integrity(path: Path) -> str:
    with sqlite3.connect(path) as database:
        (found,) = database.execute("PRAGMA integrity_check").fetchone()
    database.close()
    return str(found)


# --- what it keeps ---


def test_frames_come_back_as_they_went_in(tmp_path: Path) -> None:
    known = [frame("QL0001", burst="b1", setup="gap-1", rating=2), frame("QL0002")]
    versions = (version("QL0001", 1), version("QL0001", 2))
    with Manifest.create(tmp_path) as manifest:
        manifest.add_frames(known)
        for each in versions:
            manifest.record_version(each)
        manifest.record_delivered(web("QL0001", 1, "a.jpg"))
        manifest.approve("QL0001", 2, "Ines Tolland", "for print")
        manifest.set_problem("QL0002", "the raw ends after 2 MB")
        manifest.rate("QL0002", -1)
    expected = {
        "QL0001": FrameState(
            "QL0001",
            known[0].original,
            2,
            "gap-1",
            "b1",
            2,
            None,
            versions,
            {"web": web("QL0001", 1, "a.jpg")},
            Approval(ANY, "Ines Tolland", "for print"),
        ),
        "QL0002": frame("QL0002", rating=-1, problem="the raw ends after 2 MB"),
    }
    with Manifest.open(tmp_path) as reader:
        read = reader.frames()
    assert read == expected
    assert list(read) == ["QL0001", "QL0002"]
    assert pickle.loads(pickle.dumps(read)) == read


def test_trips_come_back_as_they_went_in(manifest: Manifest) -> None:
    def file(name: str) -> Artifact:
        return Artifact(f"retouch/round-01/{name}", f"blake3:{name}", 9)

    mask = {"ellipse": {"centre": [0.5, 0.25], "radii": [0.1, 1.0]}}
    asked = Request(1, "take out the cable", mask, True, {"masks/a.png": "blake3:a"}, "Mira")
    sent = Handoff(
        1, "QL0001", 1, "key", {"steps": []}, "Ines", "2026-05-01", "2026-05-20", (asked,),
        file("out/a.tif"), {1: file("out/m.png")}, (file("out/r.jpg"),), 60, 40, "romm-rgb",
        "xmp.did:1", "xmp.iid:1",
    )  # fmt: skip
    found = {"figures": {"changed": 0.25}, "findings": []}
    returned = Returned(
        1, "QL0001", file("back/a.tif"), file("back/c.tif"), "romm-rgb", found,
        file("back/p.png"), "2026-05-04", "fine",
    )  # fmt: skip
    carried = Settled(
        1, "QL0001", "carry", "key", {}, "2026-05-05", file("back/d.tif"), None, "romm-rgb"
    )  # fmt: skip
    withdrawn = Withdrawn(1, "QL0001", "2026-05-06", "not needed")
    manifest.record_version(version("QL0001", 1))
    assert manifest.begin_round("Ines", "2026-05-20") == 1
    assert manifest.rounds() == []
    assert manifest.begin_round("Bo", None) == 1, "it never came to be"
    manifest.record_round(Round(1, "Bo", "2026-05-01", None, (file("out/s.pdf"),)), [sent])
    manifest.record_returned(returned)
    manifest.record_settled(carried)
    manifest.record_withdrawn(withdrawn)
    assert manifest.frames()["QL0001"].trips == (sent, returned, carried, withdrawn)
    assert manifest.rounds() == [Round(1, "Bo", "2026-05-01", None, (file("out/s.pdf"),))]
    assert manifest.begin_round("Ines", None) == 2
    told = [event.what for event in manifest.events("QL0001")]
    assert told[-4:] == ["handed off", "taken back", "settled", "withdrawn"]
    for statement in ("DELETE FROM trips", "UPDATE trips SET round = 2"):
        with pytest.raises(sqlite3.IntegrityError, match="only ever added"):
            manifest._connection.execute(statement)


def test_an_approval_from_before_rounds_is_kept(tmp_path: Path) -> None:
    old = sqlite3.connect(tmp_path / MANIFEST_NAME, isolation_level=None)
    migrate(old, "then", MIGRATIONS[:1])
    old.executescript(
        "INSERT INTO originals VALUES ('originals/A.dng', 'blake3:a', 9, '{}');"
        "INSERT INTO frames VALUES ('A', 'originals/A.dng', 4, NULL, NULL, NULL);"
        "INSERT INTO artifacts VALUES ('masters/A_v1.tif', 'blake3:m', 9, 0);"
        "INSERT INTO versions VALUES ('A', 1, 'k', '', '{}', 'masters/A_v1.tif', 'then');"
        "INSERT INTO approvals (frame, version, approved_at) VALUES ('A', 1, 'then');"
    )
    old.close()
    with Manifest.open(tmp_path) as manifest:
        found = manifest.frames()["A"]
    assert (found.approved_version, found.approval, found.trips) == (1, Approval("then"), ())


def test_the_order_of_things_is_kept(manifest: Manifest) -> None:
    manifest.record_version(version("QL0001", 1))
    with pytest.raises(ValueError, match="v3 cannot follow v1"):
        manifest.record_version(version("QL0001", 3))
    with pytest.raises(ValueError, match="v1 cannot follow v1"):
        manifest.record_version(version("QL0001", 1))
    assert manifest.frames()["QL0001"].versions == (version("QL0001", 1),)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda it: it.rate("QL9999", 3), "This job has no frame QL9999."),
        (lambda it: it.approve("QL0001", 7), "Frame QL0001 has no v7."),
        (lambda it: it.record_delivered(web("QL0001", 1, "a.jpg")), "Frame QL0001 has no v1."),
        (lambda it: it.rate("QL0001", 6), "A rating is -1 (rejected) or 0 to 5, not 6."),
        (lambda it: it.rate("QL0001", True), "A rating is -1 (rejected) or 0 to 5, not True."),
    ],
)
def test_what_cannot_be_is_refused_in_words(
    manifest: Manifest, change: Callable[[Manifest], None], sentence: str
) -> None:
    before, events = manifest.frames(), manifest.events()
    with pytest.raises(SafelightError) as refusal:
        change(manifest)
    assert str(refusal.value) == sentence
    assert (manifest.frames(), manifest.events()) == (before, events)


def test_a_frame_is_taken_in_once(manifest: Manifest) -> None:
    before = manifest.events()
    manifest.add_frames([frame("QL0001", rating=5)])
    assert manifest.frames()["QL0001"].rating == 2
    assert manifest.events() == before


@pytest.mark.parametrize(
    ("name", "path", "digest", "content"),
    [
        ("QL0001", "originals/QL0001.dng", "blake3:other", "other"),
        ("QL0001", "originals/card-2/QL0001.dng", "blake3:QL0001", "the same"),
        ("QL0009", "originals/QL0001.dng", "blake3:other", "other"),
    ],
)
def test_names_and_paths_are_taken_once(
    manifest: Manifest, name: str, path: str, digest: str, content: str
) -> None:
    with pytest.raises(SafelightError) as refusal:
        manifest.add_frames([frame("QL0003"), FrameState(name, Original(path, digest, 1))])
    assert str(refusal.value) == (
        f"{path} cannot be taken in as frame {name}: the job already has frame QL0001 from"
        f" originals/QL0001.dng, with {content} content."
    )
    assert list(manifest.frames()) == ["QL0001", "QL0002"]  # all of them or none


def test_a_success_clears_the_problem(manifest: Manifest) -> None:
    manifest.set_problem("QL0001", "the disk is full")
    manifest.record_version(version("QL0001", 1))
    assert manifest.frames()["QL0001"].problem is None


def test_a_master_can_be_made_again(manifest: Manifest) -> None:
    manifest.record_version(version("QL0001", 1))
    again = Artifact("masters/QL0001_v1.tif", "blake3:again", 48_000_001)
    manifest.record_master("QL0001", 1, again)
    (only,) = manifest.frames()["QL0001"].versions
    assert (only.number, only.master) == (1, again)


def test_a_row_cannot_lose_its_file(manifest: Manifest) -> None:
    manifest.record_version(version("QL0001", 1))
    with pytest.raises(ValueError, match="FOREIGN KEY"):
        manifest.forget_artifact("masters/QL0001_v1.tif")
    assert len(manifest.frames()["QL0001"].versions) == 1


def test_a_commit_reaches_the_disk_before_it_returns(manifest: Manifest) -> None:
    # 2 is FULL (SQLite, "PRAGMA synchronous"); kills cannot show it, only a loss of power can
    (synchronous,) = manifest._connection.execute("PRAGMA synchronous").fetchone()
    (journal,) = manifest._connection.execute("PRAGMA journal_mode").fetchone()
    assert (synchronous, journal) == (2, "wal")


def test_a_name_that_another_frame_takes_over_is_delivered_again(manifest: Manifest) -> None:
    for name in ("QL0001", "QL0002"):
        manifest.record_version(version(name, 1))
    manifest.record_delivered(web("QL0001", 1, "job_001.jpg"))
    manifest.record_delivered(web("QL0002", 1, "job_002.jpg"))
    # a frame that came in before them moves both up by one
    manifest.record_delivered(web("QL0001", 1, "job_002.jpg"))
    states = manifest.frames()
    assert states["QL0001"].delivered["web"].artifact.path == "deliveries/web/job_002.jpg"
    assert states["QL0002"].delivered == {}  # its file is gone: the plan has to deliver it
    manifest.record_delivered(web("QL0002", 1, "job_003.jpg"))
    assert [file.path for file in manifest.unused_artifacts()] == ["deliveries/web/job_001.jpg"]
    manifest.forget_artifact("deliveries/web/job_001.jpg")
    assert manifest.unused_artifacts() == []


# --- events ---


def test_every_change_has_its_event(manifest: Manifest) -> None:
    manifest.rate("QL0001", 4)
    manifest.rate("QL0001", 4)  # nothing changes, nothing happened
    manifest.record_version(version("QL0001", 1))
    manifest.approve("QL0001", 1)
    manifest.record_delivered(web("QL0001", 1, "a.jpg"))
    told = manifest.events("QL0001")
    assert [event.what for event in told] == [
        "ingested",
        "rated",
        "developed",
        "approved",
        "delivered",
    ]
    assert told[1].detail == {"rating": 4, "before": 2}
    assert told[4].detail["version"] == 1
    everything = manifest.events()
    assert [event.number for event in everything] == sorted(event.number for event in everything)
    assert {event.frame for event in everything} == {"QL0001", "QL0002"}
    assert len({event.at for event in everything}) == len(everything)


def test_a_change_and_its_event_commit_together_or_not_at_all(manifest: Manifest) -> None:
    before, events = manifest.frames(), manifest.events()
    with pytest.raises(KeyboardInterrupt), manifest.transaction():
        manifest.rate("QL0001", 5)
        manifest.record_version(version("QL0001", 1))
        assert manifest.frames() != before  # inside, the change shows
        raise KeyboardInterrupt
    assert (manifest.frames(), manifest.events()) == (before, events)


@pytest.mark.parametrize("statement", ["UPDATE events SET at = 'never'", "DELETE FROM events"])
def test_events_cannot_be_changed(tmp_path: Path, manifest: Manifest, statement: str) -> None:
    events = manifest.events()
    other = sqlite3.connect(tmp_path / MANIFEST_NAME)
    with pytest.raises(sqlite3.IntegrityError, match="events are only ever added"):
        other.execute(statement)
    other.close()
    assert manifest.events() == events


# --- opening ---


def test_a_reader_makes_nothing(tmp_path: Path) -> None:
    with pytest.raises(NoManifest, match=f"{tmp_path} has no manifest.sqlite"):
        Manifest.open(tmp_path)
    with pytest.raises(NoManifest):
        Manifest.open(tmp_path, write=True)
    assert list(tmp_path.iterdir()) == []


def test_a_reader_cannot_write(tmp_path: Path, manifest: Manifest) -> None:
    with Manifest.open(tmp_path) as reader, pytest.raises(CannotWrite):
        reader.rate("QL0001", 5)
    assert manifest.frames()["QL0001"].rating == 2


def test_a_reader_works_beside_a_writer_and_sees_what_is_committed(
    tmp_path: Path, manifest: Manifest
) -> None:
    with Manifest.open(tmp_path) as reader:
        with manifest.transaction():
            manifest.rate("QL0001", 5)
            assert reader.frames()["QL0001"].rating == 2
        assert reader.frames()["QL0001"].rating == 5


def test_there_is_one_manifest_a_job(tmp_path: Path) -> None:
    with Manifest.create(tmp_path) as manifest:
        manifest.add_frames([frame("QL0001")])
    with pytest.raises(SafelightError, match="exists already"):
        Manifest.create(tmp_path)
    with Manifest.open(tmp_path) as reader:
        assert list(reader.frames()) == ["QL0001"]


def test_a_creation_that_was_killed_is_made_good(tmp_path: Path) -> None:
    (tmp_path / f".{MANIFEST_NAME}.new").write_bytes(b"half" * 5000)
    (tmp_path / f".{MANIFEST_NAME}.new-wal").write_bytes(b"half" * 5000)
    Manifest.create(tmp_path).close()
    assert {path.name for path in tmp_path.iterdir()} == {MANIFEST_NAME, LOCK_NAME}


def test_a_link_is_not_followed(tmp_path: Path) -> None:
    job, elsewhere = tmp_path / "job", tmp_path / "elsewhere"
    job.mkdir()
    elsewhere.mkdir()
    Manifest.create(elsewhere).close()
    (job / MANIFEST_NAME).symlink_to(elsewhere / MANIFEST_NAME)
    for write in (False, True):
        with pytest.raises(SafelightError, match="is a link"):
            Manifest.open(job, write=write)
    (elsewhere / LOCK_NAME).write_text("untouched")
    (job / LOCK_NAME).symlink_to(elsewhere / LOCK_NAME)
    with pytest.raises(CannotWrite, match=r"manifest\.lock cannot be written"):
        Manifest.create(job)
    assert (elsewhere / LOCK_NAME).read_text() == "untouched"
    (job / LOCK_NAME).unlink()
    with pytest.raises(SafelightError, match="exists already"):
        Manifest.create(job)


def test_hostile_folder_names(tmp_path: Path) -> None:
    folder = tmp_path / "a?mode=memory#b%20c é\n"
    folder.mkdir()
    with Manifest.create(folder) as manifest:
        manifest.add_frames([frame("QL0001")])
    with Manifest.open(folder) as reader:
        assert list(reader.frames()) == ["QL0001"]
    assert MANIFEST_NAME in {path.name for path in folder.iterdir()}


# --- migrations ---


def test_a_migration_that_fails_leaves_nothing_behind() -> None:
    database = sqlite3.connect(":memory:", isolation_level=None)
    migrate(database, "today")
    before = database.execute("SELECT sql FROM sqlite_schema").fetchall()
    broken = Migration(
        "hand-offs",
        (
            "CREATE TABLE hand_offs (round INTEGER)",
            "INSERT INTO frames VALUES ('A', 'x', 9, '', '', '')",  # no such rating
        ),
    )
    with pytest.raises(sqlite3.IntegrityError):
        migrate(database, "tomorrow", (*MIGRATIONS, broken))
    assert database.execute("SELECT sql FROM sqlite_schema").fetchall() == before
    assert schema_version(database) == len(MIGRATIONS)
    recorded = "SELECT number, name, applied_at FROM migrations"
    assert database.execute(recorded).fetchall() == [
        (number, migration.name, "today") for number, migration in enumerate(MIGRATIONS, 1)
    ]

    mended = Migration("hand-offs", broken.statements[:1])
    migrate(database, "later", (*MIGRATIONS, mended))
    assert database.execute(recorded).fetchall()[-1] == (
        len(MIGRATIONS) + 1,
        "hand-offs",
        "later",
    )
    database.close()


def test_an_older_manifest_is_brought_up_to_date_by_whoever_opens_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Manifest.create(tmp_path) as manifest:
        manifest.add_frames([frame("QL0001")])
    more = (*MIGRATIONS, Migration("hand-offs", ("CREATE TABLE hand_offs (round INTEGER)",)))
    monkeypatch.setattr(connection, "MIGRATIONS", more)
    monkeypatch.setattr(schema.migrate, "__defaults__", (more,))
    lock = WriterLock.acquire(tmp_path)
    with pytest.raises(OlderManifest, match=r"older Safelight .* failed: .*process \d+"):
        Manifest.open(tmp_path)
    lock.release()
    with Manifest.open(tmp_path) as reader:
        assert list(reader.frames()) == ["QL0001"]


@pytest.mark.parametrize("write", [False, True])
def test_a_newer_manifest_is_left_alone(tmp_path: Path, write: bool) -> None:
    Manifest.create(tmp_path).close()
    path = tmp_path / MANIFEST_NAME
    database = sqlite3.connect(path)
    database.execute("PRAGMA user_version = 99")
    database.close()
    before = path.read_bytes()
    with pytest.raises(NewerManifest, match=r"tables are at version 99, this one knows \d+"):
        Manifest.open(tmp_path, write=write)
    assert path.read_bytes() == before


# --- what can be wrong with the file ---


def no_database(path: Path) -> None:
    path.write_bytes(b"these are not the bytes of a database" * 200)


def empty(path: Path) -> None:
    path.write_bytes(b"")


def another_database(path: Path) -> None:
    path.unlink()
    with sqlite3.connect(path) as database:
        database.execute("CREATE TABLE frames (name)")
    database.close()


def zeroed_pages(path: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[:4096] + bytes(len(data) - 4096))


def cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:8192])


@pytest.mark.parametrize("write", [False, True])
@pytest.mark.parametrize(
    "damage",
    [no_database, empty, another_database, zeroed_pages, cut_short],
    ids=lambda f: f.__name__,
)
def test_a_damaged_manifest_says_what_to_do(
    tmp_path: Path, damage: Callable[[Path], None], write: bool
) -> None:
    with Manifest.create(tmp_path) as manifest:
        manifest.add_frames([frame(f"QL{number:04}") for number in range(200)])
    damage(tmp_path / MANIFEST_NAME)
    with pytest.raises(NotAsRecorded) as refusal, Manifest.open(tmp_path, write=write) as opened:
        opened.frames()
    assert "manifest.sqlite is damaged: " in str(refusal.value)
    assert "Put a good copy back in its place" in str(refusal.value)


def test_another_program_that_holds_the_file_is_named_as_such(tmp_path: Path) -> None:
    Manifest.create(tmp_path).close()
    other = sqlite3.connect(tmp_path / MANIFEST_NAME, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with (
        Manifest.open(tmp_path, write=True) as manifest,
        pytest.raises(JobBusy, match=r"Another program holds .*manifest\.sqlite locked"),
        manifest.transaction(),
    ):
        pytest.fail("a transaction must not begin before it is sure that it can write")
    other.close()


def test_a_disk_without_write_ahead_logs_is_refused(tmp_path: Path) -> None:
    # SQLite's dot-file locks come without shared memory, so that it must refuse the log
    database = sqlite3.connect(f"file:{tmp_path}/plain?vfs=unix-dotfile", uri=True)
    with pytest.raises(SafelightError, match="does not allow the write-ahead log"):
        connection._make_durable(database, tmp_path)
    database.close()


def test_a_network_drive_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "drive").mkdir()
    Manifest.create(tmp_path / "drive").close()
    drive, link = tmp_path / "drive", tmp_path / "link"
    link.symlink_to(drive)
    monkeypatch.setattr(place, "mounts", lambda: [(Path("/"), "ext4"), (drive, "nfs4")])
    for attempt in (Manifest.open, Manifest.create):
        for folder in (drive, link):
            with pytest.raises(SafelightError, match=r"is on a network drive \(nfs4\)"):
                attempt(folder)


def test_the_deepest_and_last_mount_decides() -> None:
    mounted = [
        (Path("/mnt/studio"), "cifs"),
        (Path("/mnt/studio/local"), "ext4"),
        (Path("/mnt/studio/local"), "xfs"),
        (Path("/"), "ext4"),  # in a container, the root may come late
    ]
    assert place.filesystem_of(Path("/mnt/studio/job"), mounted) == "cifs"
    assert place.filesystem_of(Path("/mnt/studio-2/job"), mounted) == "ext4"
    assert place.filesystem_of(Path("/mnt/studio/local/job"), mounted) == "xfs"


def test_this_machine_s_mounts_are_read() -> None:
    mounted = place.mounts()
    assert Path("/") in dict(mounted)
    assert place.filesystem_of(Path("/"), mounted)
    assert place._unescaped(r"/mnt/a\040b\134c") == r"/mnt/a b\c"


def test_a_full_disk_loses_nothing_that_was_recorded(tmp_path: Path) -> None:
    """RLIMIT_FSIZE stands in for the disk: SQLite's writes fail at a size, as they do when full."""
    told = json.loads(
        in_another_process(
            """
            import json, resource
            with Manifest.create(job) as manifest:
                manifest.add_frames([frame("QL0001")])
                resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
                number, failure = 0, None
                while failure is None:
                    try:
                        manifest.record_version(version("QL0001", number + 1))
                        number += 1
                    except CannotWrite as error:
                        failure = str(error)
                again = len(manifest.frames()["QL0001"].versions)
            print(json.dumps([number, again, failure]))
            """,
            tmp_path,
        )
    )
    number, again, failure = told
    assert number == again > 3
    assert "manifest.sqlite" in failure
    with Manifest.open(tmp_path, write=True) as manifest:
        assert len(manifest.frames()["QL0001"].versions) == number
        manifest.record_version(version("QL0001", number + 1))
    assert integrity(tmp_path / MANIFEST_NAME) == "ok"


# --- where nothing may be written ---


@pytest.fixture
def foreign_job() -> Iterator[Path]:
    """A job that another user can read and not write: its reader runs as ``nobody``."""
    if os.getuid() != 0:
        pytest.skip("only root can become another user")
    folder = Path(tempfile.mkdtemp(dir="/tmp"))
    folder.chmod(0o755)
    with Manifest.create(folder) as manifest:
        manifest.add_frames([frame("QL0001")])
    yield folder
    shutil.rmtree(folder)


READ = """
    try:
        with Manifest.open(job) as reader:
            print(*reader.frames())
    except SafelightError as error:
        print(type(error).__name__, error)
"""


def test_a_job_that_cannot_be_written_can_be_read(foreign_job: Path) -> None:
    before = sorted(foreign_job.iterdir())
    assert in_another_process(READ, foreign_job, user=NOBODY) == "QL0001"
    assert sorted(foreign_job.iterdir()) == before
    write = READ.replace("open(job)", "open(job, write=True)")
    told = in_another_process(write, foreign_job, user=NOBODY)
    assert told.startswith("CannotWrite")
    assert "its folder must be writable" in told


def test_changes_that_wait_in_the_log_are_not_overlooked(foreign_job: Path) -> None:
    path = foreign_job / MANIFEST_NAME
    (foreign_job / f"{MANIFEST_NAME}-wal").write_bytes(b"changes")
    told = in_another_process(READ, foreign_job, user=NOBODY)
    assert told.startswith(f"CannotWrite The last changes of {path} still wait in")


def test_a_reader_of_a_read_only_job_keeps_writers_out(foreign_job: Path) -> None:
    keeps = READ.replace("print(*reader.frames())", "print(*reader.frames(), flush=True); input()")
    reader = start(keeps, foreign_job, user=NOBODY)
    assert answer(reader) == "QL0001"
    with pytest.raises(JobBusy):
        Manifest.open(foreign_job, write=True)
    reader.communicate("\n")
    Manifest.open(foreign_job, write=True).close()


# --- several at once ---

WRITE = """
    try:
        with Manifest.open(job, write=True, wait_s=wait_s):
            print("in", flush=True)
            input()
    except JobBusy as error:
        print(error, flush=True)
"""


@pytest.mark.slow
def test_of_two_writers_one_gets_in_and_the_other_says_who_is(tmp_path: Path) -> None:
    Manifest.create(tmp_path).close()
    for _ in range(20):
        pair = [start(WRITE, tmp_path) for _ in range(2)]
        answers = {answer(process): process for process in pair}
        refusal, winner = sorted(answers)
        assert winner == "in"
        holder = f"process {answers['in'].pid}, since 2"
        assert refusal.startswith("Another Safelight is working on the job in ")
        # it may have looked before the winner had signed
        assert holder in refusal or "a process that has just started" in refusal
        for process in pair:
            process.communicate("\n")


def test_a_writer_waits_for_the_other_one(tmp_path: Path) -> None:
    Manifest.create(tmp_path).close()
    (tmp_path / LOCK_NAME).write_text("x" * 500)  # what was there before does not confuse
    holder = start(WRITE, tmp_path)
    assert answer(holder) == "in"
    with pytest.raises(JobBusy, match=rf"process {holder.pid}, since 2\d\d\d-\d\d-\d\d \d\d:"):
        Manifest.open(tmp_path, write=True)
    waiter = start(WRITE, tmp_path, wait_s=60.0)
    assert waiter.stdout is not None
    assert select.select([waiter.stdout], [], [], 0.5)[0] == []
    holder.communicate("\n")
    assert answer(waiter) == "in"
    waiter.communicate("\n")


def test_a_killed_writer_leaves_no_lock_and_is_not_blamed(tmp_path: Path) -> None:
    Manifest.create(tmp_path).close()
    assert (tmp_path / LOCK_NAME).read_text() == ""  # who is done has taken its name away
    holder = start(WRITE, tmp_path)
    assert answer(holder) == "in"
    holder.kill()
    holder.communicate()
    assert str(holder.pid) in (tmp_path / LOCK_NAME).read_text()
    with (tmp_path / LOCK_NAME).open() as unsigned:
        fcntl.flock(unsigned, fcntl.LOCK_EX)
        with pytest.raises(JobBusy, match="a process that has just started"):
            Manifest.open(tmp_path, write=True)
    Manifest.open(tmp_path, write=True).close()


def complaints(job: Path, acknowledged: list[str]) -> list[str]:
    """What the manifest, the disk and the killed writer's own words disagree about."""
    found = []
    if (state := integrity(job / MANIFEST_NAME)) != "ok":
        found.append(state)
    with Manifest.open(job) as manifest:
        frames, events = manifest.frames(), manifest.events()
    made = [version for state in frames.values() for version in state.versions]
    for each in made:
        file = job / each.master.path
        if not file.is_file() or digest_file(file) != each.master.digest:
            found.append(f"{each.master.path} is not what its row says")
    for name, state in frames.items():
        if [each.number for each in state.versions] != list(range(1, len(state.versions) + 1)):
            found.append(f"{name} skips a number")
        told = [event for event in events if event.frame == name]
        if sum(event.what == "developed" for event in told) != len(state.versions):
            found.append(f"{name} has versions without an event, or events without a version")
        rated = [event.detail["rating"] for event in told if event.what == "rated"]
        if state.rating != (rated or [0])[-1]:
            found.append(f"{name} was rated without an event")
    recorded = {f"{each.frame} {each.number}" for each in made}
    found += [f"{line} was said to be recorded" for line in acknowledged if line not in recorded]
    return found


def killed(job: Path, seed: int, **how: object) -> list[str]:
    """Let a writer work, kill it at a seeded instant, and return what it said was recorded."""
    process = start(f"work_until_killed(job, {seed}, **{how})", job)
    first = answer(process)
    time.sleep(random.Random(seed).uniform(0.0, 0.06))
    process.send_signal(signal.SIGKILL)
    rest, _ = process.communicate()
    whole_lines = rest[: rest.rfind("\n") + 1].splitlines()
    return [first, *whole_lines]


@pytest.mark.slow
def test_killed_at_any_instant(tmp_path: Path) -> None:
    with Manifest.create(tmp_path) as manifest:
        manifest.add_frames([frame(f"QL{number:04}") for number in range(5)])
    said: list[str] = []
    for seed in range(30):
        said += killed(tmp_path, seed)
        assert complaints(tmp_path, said) == []
    assert len(said) > 60


def test_the_check_notices_a_row_that_comes_before_its_file(tmp_path: Path) -> None:
    with Manifest.create(tmp_path) as manifest:
        manifest.add_frames([frame("QL0001")])
    said: list[str] = []
    for seed in range(30):
        said += killed(tmp_path, seed, row_before_file=True)
        if found := complaints(tmp_path, said):
            assert "is not what its row says" in found[0]
            return
    pytest.fail("30 kills did not show the mistake")


# --- growth ---


def test_work_grows_with_the_number_of_frames(tmp_path: Path) -> None:
    """Ten times the frames cost SQLite about ten times the steps, not a hundred times.

    Counted in instructions of its virtual machine, which no load of the machine changes.
    """
    steps: dict[int, list[int]] = {}
    for count in (100, 1000):
        folder = tmp_path / str(count)
        folder.mkdir()
        names = [f"QL{number:05}" for number in range(count)]
        with Manifest.create(folder) as manifest:
            counted = [0]

            def count_step(counted: list[int] = counted) -> None:
                counted[-1] += 1

            manifest._connection.set_progress_handler(count_step, 10)
            with manifest.transaction():
                manifest.add_frames(map(frame, names))
                counted.append(0)
                for name in names:
                    manifest.record_version(version(name, 1))
                    manifest.record_delivered(web(name, 1, f"{name}.jpg"))
            counted.append(0)
            assert len(manifest.frames()) == count
            manifest._connection.set_progress_handler(None, 0)
        steps[count] = counted
    for few, many in zip(steps[100], steps[1000], strict=True):
        assert few > 100
        assert many < 15 * few


# --- other processes ---

PRELUDE = """
import os, sys
from pathlib import Path
sys.path.insert(0, {tests!r})
from pipeline.errors import CannotWrite, JobBusy, SafelightError
from pipeline.manifest import Manifest
from tests.sample_records import frame, version, work_until_killed
job, user, wait_s = Path({job!r}), {user}, {wait_s}
if user is not None:  # only now, as this user need not be able to read the interpreter
    os.setgroups([])
    os.setgid(user)
    os.setuid(user)
"""


def start(
    body: str, job: Path, *, user: int | None = None, wait_s: float = 0.0
) -> subprocess.Popen[str]:
    code = PRELUDE.format(tests=str(TESTS), job=str(job), user=user, wait_s=wait_s) + dedent(body)
    return subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )


def in_another_process(body: str, job: Path, user: int | None = None) -> str:
    process = start(body, job, user=user)
    told, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    return told.strip()


def answer(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def test_a_file_is_in_doubt_until_it_is_recorded_again(tmp_path: Path) -> None:
    with Manifest.create(tmp_path) as manifest:
        manifest.add_frames([frame("QL0001")])
        first = version("QL0001", 1)
        manifest.record_version(first)
        assert manifest.artifacts_in_doubt() == []
        manifest.doubt([first.master.path, "masters/of_no_row.tif"])
        assert manifest.artifacts_in_doubt() == [first.master]
        again = Artifact(first.master.path, "blake3:again", 48_000_001)
        manifest.record_master("QL0001", 1, again)
        assert manifest.artifacts_in_doubt() == []
        manifest.doubt([again.path])
        manifest.doubt([again.path], doubtful=False)
        assert manifest.artifacts_in_doubt() == []

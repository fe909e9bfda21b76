"""Reads and writes the manifest: many readers at any time, one writer, every change with its event.

Rows follow files: whoever records a file has already renamed it to its final name and flushed its
folder, so that no row ever points to a file that is not there.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from pipeline.errors import CannotWrite, JobBusy, OlderManifest, SafelightError
from pipeline.hashing import canonical_json
from pipeline.manifest.connection import (
    check_place,
    connect_reader,
    connect_writer,
    existing,
    in_words,
    make_empty,
    rolled_back,
)
from pipeline.manifest.lock import WriterLock
from pipeline.manifest.schema import MANIFEST_NAME
from pipeline.manifest.trips import (
    files_from_text,
    files_to_text,
    from_text,
    kind_of,
    requests_from_text,
    requests_to_text,
    to_text,
)
from pipeline.records import (
    Approval,
    Artifact,
    Assessed,
    Capture,
    Companion,
    Delivered,
    DustSpot,
    Event,
    FrameState,
    Handoff,
    MeasuredChart,
    Original,
    PackedBag,
    PackedFile,
    ReadProducts,
    Request,
    Returned,
    Round,
    Settled,
    Shown,
    Trip,
    Version,
    Withdrawn,
    bag_name,
)


class StoredInputs(Mapping[str, Any]):
    """What was stored as JSON, parsed only when somebody asks: most runs never do."""

    __slots__ = ("_parsed", "_text")

    def __init__(self, text: str) -> None:
        self._text = text
        self._parsed: dict[str, Any] | None = None

    def _value(self) -> dict[str, Any]:
        if self._parsed is None:
            self._parsed = json.loads(self._text)
        return self._parsed

    def __getitem__(self, key: str) -> Any:
        return self._value()[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._value())

    def __len__(self) -> int:
        return len(self._value())

    def __repr__(self) -> str:
        return f"StoredInputs({self._text!r})"


def utc_now() -> str:
    """The time that events are recorded with: ISO 8601, UTC, milliseconds."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


class Manifest:
    """An open manifest. A context manager; use it in the thread that opened it.

    Every method raises ``SafelightError`` (or a subclass) in words where the file, the disk or
    another program is in the way, and ``ValueError`` where the caller broke the order of things.
    """

    def __init__(
        self,
        connection: sqlite3.Connection,
        path: Path,
        release: Callable[[], None],
        now: Callable[[], str] = utc_now,
    ) -> None:
        self._connection = connection
        self._path = path
        self._release = release
        self._now = now

    # --- opening and closing ---

    @classmethod
    def create(cls, folder: Path, *, wait_s: float = 0.0, now: Callable[[], str] = utc_now) -> Self:
        """Make the manifest of the job in ``folder`` and open it for writing.

        Raises ``JobBusy``, ``CannotWrite``, and ``SafelightError`` where there is one already or
        the folder is on a network drive.
        """
        check_place(folder)
        path = folder / MANIFEST_NAME
        lock = WriterLock.acquire(folder, wait_s)
        try:
            if path.exists():
                raise SafelightError(f"{path} exists already; open it instead of making a new one.")
            make_empty(path, now())
            return cls(connect_writer(path, wait_s, now()), path, lock.release, now)
        except BaseException:
            lock.release()
            raise

    @classmethod
    def open(
        cls,
        folder: Path,
        *,
        write: bool = False,
        wait_s: float = 0.0,
        now: Callable[[], str] = utc_now,
    ) -> Self:
        """Open the manifest of the job in ``folder``; a reader works while a writer does.

        One of an older Safelight is brought up to date first, for a reader too. ``wait_s`` is how
        long a writer waits for another one to end. Raises ``NoManifest``, ``NewerManifest``,
        ``JobBusy``, ``CannotWrite``, ``NotAsRecorded`` (damaged), ``OlderManifest`` (where a reader
        cannot write that much), or ``SafelightError`` (a network drive, a link).
        """
        check_place(folder)
        path = existing(folder)
        if not write:
            try:
                connection, release = connect_reader(path)
            except OlderManifest as older:
                try:
                    cls.open(folder, write=True, wait_s=wait_s).close()
                except (JobBusy, CannotWrite) as error:
                    raise OlderManifest(f"{older}, which failed: {error}") from error
                connection, release = connect_reader(path)
            return cls(connection, path, release, now)
        lock = WriterLock.acquire(folder, wait_s)
        try:
            return cls(connect_writer(path, wait_s, now()), path, lock.release, now)
        except BaseException:
            lock.release()
            raise

    def close(self) -> None:
        """Close the file and, for a writer, let the next one in."""
        try:
            with in_words(self._path):
                self._connection.close()
        finally:
            self._release()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- reading ---

    def frames(self) -> dict[str, FrameState]:
        """Every frame by its name, in the order of the names, as of one instant."""
        with self._snapshot() as read:
            versions: dict[str, list[Version]] = {}
            for frame, number, key, reason, inputs, made_at, *master in read(
                "SELECT frame, number, key, reason, inputs, made_at, path, digest, size_bytes"
                " FROM versions JOIN artifacts ON path = master ORDER BY frame, number"
            ):
                versions.setdefault(frame, []).append(
                    Version(
                        frame,
                        number,
                        key,
                        reason,
                        StoredInputs(inputs),
                        Artifact(*master),
                        made_at,
                    )
                )
            delivered: dict[str, dict[str, Delivered]] = {}
            for delivery, frame, version, key, inputs, made_at, shown, *artifact in read(
                "SELECT delivery, frame, version, key, inputs, made_at, shown, path, digest,"
                " size_bytes FROM deliveries JOIN artifacts ON path = artifact ORDER BY delivery"
            ):
                delivered.setdefault(frame, {})[delivery] = Delivered(
                    delivery,
                    frame,
                    version,
                    key,
                    StoredInputs(inputs),
                    Artifact(*artifact),
                    made_at,
                    None if shown is None else Shown(**json.loads(shown)),
                )
            approved: dict[str, tuple[int, Approval]] = {
                frame: (version, Approval(at, by, note, requests_from_text(waived)))
                for frame, version, at, by, note, waived in read(
                    "SELECT frame, version, approved_at, approved_by, note, waived FROM approvals"
                    " ORDER BY number"
                )
            }
            trips: dict[str, list[Trip]] = {}
            for frame, what, record in read(
                "SELECT frame, what, record FROM trips ORDER BY number"
            ):
                trips.setdefault(frame, []).append(from_text(what, record))
            numbers: dict[str, dict[str, int]] = {}
            for delivery, frame, number in read("SELECT delivery, frame, number FROM numbers"):
                numbers.setdefault(frame, {})[delivery] = number
            return {
                name: FrameState(
                    name,
                    Original(path, digest, size_bytes, Capture(**json.loads(capture))),
                    rating,
                    setup,
                    burst,
                    approved.get(name, (None, None))[0],
                    problem,
                    tuple(versions.get(name, ())),
                    delivered.get(name, {}),
                    approved.get(name, (None, None))[1],
                    tuple(trips.get(name, ())),
                    numbers.get(name, {}),
                )
                for name, rating, setup, burst, problem, path, digest, size_bytes, capture in read(
                    "SELECT name, rating, setup, burst, problem, path, digest, size_bytes, capture"
                    " FROM frames JOIN originals ON path = original ORDER BY name"
                )
            }

    def charts(self) -> dict[str, MeasuredChart]:
        """Every chart that was read, by its key."""
        with self._snapshot() as read:
            return {
                key: MeasuredChart(
                    setup,
                    frame,
                    key,
                    StoredInputs(inputs),
                    StoredInputs(correction),
                    StoredInputs(reading),
                    tuple(json.loads(warnings)),
                    made_at,
                )
                for key, setup, frame, inputs, correction, reading, warnings, made_at in read(
                    "SELECT key, setup, frame, inputs, correction, reading, warnings, made_at"
                    " FROM charts ORDER BY made_at, key"
                )
            }

    def products_read(self) -> dict[str, ReadProducts]:
        """What was read of frames' products, by its key."""
        with self._snapshot() as read:
            return {
                key: ReadProducts(frame, key, json.loads(labs), made_at)
                for key, frame, labs, made_at in read(
                    "SELECT key, frame, labs, made_at FROM products_read ORDER BY key"
                )
            }

    def dust(self) -> dict[str, tuple[DustSpot, ...]]:
        """The spots of dust of each frame that was assessed."""
        with self._snapshot() as read:
            return {
                frame: tuple(
                    DustSpot((x, y), radius, confidence)
                    for x, y, radius, confidence in json.loads(spots)
                )
                for frame, spots in read("SELECT frame, spots FROM dust ORDER BY frame")
            }

    def assessed(self) -> dict[str, Assessed]:
        """What was measured of each frame that was assessed, and what that suggests."""
        with self._snapshot() as read:
            return {
                frame: Assessed(
                    frame,
                    key,
                    version,
                    StoredInputs(figures),
                    tuple(json.loads(reasons)),
                    bool(suggested),
                )
                for frame, key, version, figures, reasons, suggested in read(
                    "SELECT frame, key, version, figures, reasons, suggested FROM assessed"
                    " ORDER BY frame"
                )
            }

    def rounds(self) -> list[Round]:
        """Every round that was handed off, in order."""
        with self._snapshot() as read:
            return [
                Round(number, to, at, due, files_from_text(files))
                for number, to, at, due, files in read(
                    "SELECT number, recipient, sent_at, due, files FROM rounds"
                    " WHERE sent_at IS NOT NULL ORDER BY number"
                )
            ]

    def unsent_rounds(self) -> list[int]:
        """Rounds that were begun and never came to be: what lies in their folders is nobody's."""
        with self._snapshot() as read:
            query = "SELECT number FROM rounds WHERE sent_at IS NULL ORDER BY number"
            return [number for (number,) in read(query)]

    def bags(self) -> list[PackedBag]:
        """Every bag that was packed, each delivery's in order."""
        with self._snapshot() as read:
            return [
                PackedBag(
                    delivery,
                    number,
                    at,
                    sha256,
                    tuple(PackedFile(**file) for file in json.loads(files)),
                )
                for delivery, number, at, sha256, files in read(
                    "SELECT delivery, number, packed_at, sha256, files FROM bags"
                    " WHERE packed_at IS NOT NULL ORDER BY delivery, number"
                )
            ]

    def unpacked_bags(self) -> list[str]:
        """Names of bags that were begun and never came to be: what lies there is nobody's."""
        with self._snapshot() as read:
            query = "SELECT delivery, number FROM bags WHERE packed_at IS NULL"
            return [bag_name(delivery, number) for delivery, number in read(query)]

    def companions(self) -> list[Companion]:
        """What came in along with originals: JPEGs and sidecars of frames, movies."""
        with self._snapshot() as read:
            query = "SELECT path, digest, size_bytes, kind, frame FROM companions ORDER BY path"
            return [Companion(*row) for row in read(query)]

    def events(self, frame: str | None = None) -> list[Event]:
        """What happened, oldest first: to one frame, or to the whole job."""
        where = "" if frame is None else " WHERE frame = ?"
        with self._snapshot() as read:
            return [
                Event(number, at, what, subject, json.loads(detail))
                for number, at, what, subject, detail in read(
                    f"SELECT number, at, what, frame, detail FROM events{where} ORDER BY number",
                    () if frame is None else (frame,),
                )
            ]

    def unused_artifacts(self) -> list[Artifact]:
        """Files that Safelight made and that nothing stands for any more, such as a delivered
        file that was delivered again under another name. The caller removes them, then calls
        ``forget_artifact``."""
        with self._snapshot() as read:
            return [
                Artifact(*row)
                for row in read(
                    "SELECT path, digest, size_bytes FROM artifacts"
                    " WHERE path NOT IN (SELECT master FROM versions)"
                    " AND path NOT IN (SELECT artifact FROM deliveries) ORDER BY path"
                )
            ]

    def artifacts_in_doubt(self) -> list[Artifact]:
        """Files that a run meant to replace and did not record again: they hold what is recorded,
        or already what a killed run put there."""
        with self._snapshot() as read:
            return [
                Artifact(*row)
                for row in read(
                    "SELECT path, digest, size_bytes FROM artifacts WHERE in_doubt ORDER BY path"
                )
            ]

    # --- writing ---

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Several changes that are recorded together or not at all; may be nested."""
        if self._connection.in_transaction:
            yield
            return
        with in_words(self._path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._connection.execute("COMMIT")
            except BaseException:
                rolled_back(self._connection)
                raise

    def add_frames(self, frames: Iterable[FrameState]) -> None:
        """Take new frames in: their name, original, rating, setup and burst.

        A frame that is known with the same original stays as it is. Raises ``SafelightError`` where
        the name or the path is taken by other content.
        """
        with self.transaction():
            for frame in frames:
                if self._known(frame):
                    continue
                original = frame.original
                self._run(
                    "INSERT INTO originals VALUES (?, ?, ?, ?)",
                    original.path,
                    original.digest,
                    original.size_bytes,
                    _json(asdict(original.capture)),
                )
                self._run(
                    "INSERT INTO frames VALUES (?, ?, ?, ?, ?, NULL)",
                    frame.name,
                    original.path,
                    frame.rating,
                    frame.setup,
                    frame.burst,
                )
                self._event("ingested", frame.name, path=original.path, digest=original.digest)

    def add_companions(self, companions: Iterable[Companion]) -> None:
        """Record what came in along with originals, the frames being there. What is known stays."""
        with self.transaction():
            for each in companions:
                if self._row("SELECT 1 FROM companions WHERE path = ?", each.path):
                    continue
                values = (each.path, each.digest, each.size_bytes, each.kind, each.frame)
                self._run("INSERT INTO companions VALUES (?, ?, ?, ?, ?)", *values)
                detail = {"path": each.path, "digest": each.digest}
                self._event(f"{each.kind} taken in", each.frame, **detail)

    def move_original(self, frame: str, path: str) -> None:
        """Note that a frame's original, which no copy was made of, lies under another path now."""
        with self.transaction():
            self._must_exist(frame)
            (before,) = self._row("SELECT original FROM frames WHERE name = ?", frame)
            self._run(
                "INSERT INTO originals SELECT ?, digest, size_bytes, capture FROM originals"
                " WHERE path = ?",
                path,
                before,
            )
            self._run("UPDATE frames SET original = ? WHERE name = ?", path, frame)
            self._run("DELETE FROM originals WHERE path = ?", before)
            self._event("moved", frame, path=path, before=before)

    def move_companion(self, before: str, path: str) -> None:
        """Note, as ``move_original`` does, where something lies that came along."""
        with self.transaction():
            self._run("UPDATE companions SET path = ? WHERE path = ?", path, before)

    def note_copies(self, detail: Mapping[str, object]) -> None:
        """Note for the whole job how originals were copied, and where else to."""
        with self.transaction():
            self._event("copied", None, **detail)

    def rate(self, frame: str, rating: int, **source: object) -> None:
        """Rate a frame: -1 rejected, 0 unrated, 1 to 5; ``source`` is where that is said."""
        if isinstance(rating, bool) or rating not in range(-1, 6):
            raise SafelightError(f"A rating is -1 (rejected) or 0 to 5, not {rating}.")
        self._set(frame, "rating", rating, "rated", **source)

    def note_sidecar(self, frame: str, path: str, rating: int) -> None:
        """Note the rating in a frame's XMP that is not the frame's, before it is written over."""
        with self.transaction():
            self._must_exist(frame)
            (before,) = self._row("SELECT rating FROM frames WHERE name = ?", frame)
            self._event("sidecar differed", frame, path=path, rating=rating, before=before)

    def set_burst(self, frame: str, burst: str | None) -> None:
        """Put a frame into the burst that ingest found for it."""
        self._set(frame, "burst", burst, "grouped")

    def set_problem(self, frame: str, problem: str | None) -> None:
        """Note why the last attempt at a frame failed; the next success clears it."""
        self._set(frame, "problem", problem, "failed" if problem else "problem solved")

    def record_version(self, version: Version) -> None:
        """Record a new version, its master being in place. Its number must be the next one."""
        with self.transaction():
            self._must_exist(version.frame)
            (latest,) = self._row(
                "SELECT coalesce(max(number), 0) FROM versions WHERE frame = ?", version.frame
            )
            if version.number != latest + 1:
                raise ValueError(
                    f"{version.frame}: v{version.number} cannot follow v{latest} in the manifest"
                )
            self._put_artifact(version.master)
            self._run(
                "INSERT INTO versions VALUES (?, ?, ?, ?, ?, ?, ?)",
                version.frame,
                version.number,
                version.key,
                version.reason,
                _json(version.inputs),
                version.master.path,
                version.made_at,
            )
            self._event(
                "developed",
                version.frame,
                version=version.number,
                key=version.key,
                reason=version.reason,
                **_file(version.master),
            )
            self.set_problem(version.frame, None)

    def record_master(self, frame: str, number: int, master: Artifact) -> None:
        """Record that the master of a version was made again, the first one being gone."""
        with self.transaction():
            self._must_exist(frame, number)
            self._put_artifact(master)
            self._run(
                "UPDATE versions SET master = ? WHERE frame = ? AND number = ?",
                master.path,
                frame,
                number,
            )
            self._event("developed again", frame, version=number, **_file(master))
            self.set_problem(frame, None)

    def record_delivered(self, delivered: Delivered) -> None:
        """Record a delivered file, which is in place; it stands for the frame's earlier one.

        Where another frame was delivered under this name before, that file is gone, and so is its
        row: the plan will deliver that frame again.
        """
        with self.transaction():
            self._must_exist(delivered.frame, delivered.version)
            for frame, delivery in self._connection.execute(
                "SELECT frame, delivery FROM deliveries WHERE artifact = ? AND (frame, delivery)"
                " != (?, ?)",
                (delivered.artifact.path, delivered.frame, delivered.delivery),
            ).fetchall():
                self._run(
                    "DELETE FROM deliveries WHERE frame = ? AND delivery = ?", frame, delivery
                )
                self._event(
                    "delivered file replaced",
                    frame,
                    delivery=delivery,
                    path=delivered.artifact.path,
                    by=delivered.frame,
                )
            self._put_artifact(delivered.artifact)
            self._run(
                "INSERT OR REPLACE INTO deliveries VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                delivered.delivery,
                delivered.frame,
                delivered.version,
                delivered.key,
                _json(delivered.inputs),
                delivered.artifact.path,
                delivered.made_at,
                _json(asdict(delivered.shown)) if delivered.shown else None,
            )
            self._event(
                "delivered",
                delivered.frame,
                delivery=delivered.delivery,
                version=delivered.version,
                key=delivered.key,
                **_file(delivered.artifact),
            )
            self.set_problem(delivered.frame, None)

    def take_out(self, frame: str, delivery: str) -> None:
        """Forget a delivered file that was deleted because its delivery is without it now."""
        with self.transaction():
            self._run("DELETE FROM deliveries WHERE frame = ? AND delivery = ?", frame, delivery)
            self._event("taken out", frame, delivery=delivery)

    def record_chart(self, chart: MeasuredChart) -> None:
        """Record what was read from a chart."""
        with self.transaction():
            self._must_exist(chart.frame)
            self._run(
                "INSERT OR REPLACE INTO charts VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                chart.key,
                chart.setup,
                chart.frame,
                _json(chart.inputs),
                _json(chart.correction),
                _json(chart.reading),
                _json(chart.warnings),
                chart.made_at,
            )
            self._event("chart read", chart.frame, setup=chart.setup, key=chart.key)

    def record_products(self, read: ReadProducts) -> None:
        """Record what was read of a frame's products."""
        with self.transaction():
            self._must_exist(read.frame)
            self._run(
                "INSERT OR REPLACE INTO products_read VALUES (?, ?, ?, ?)",
                read.key,
                read.frame,
                _json(read.labs),
                read.made_at,
            )
            self._event("products read", read.frame, key=read.key)

    def record_dust(self, spots: Mapping[str, Sequence[DustSpot]]) -> None:
        """Replace what is known of dust by what an assessment found in its frames."""
        with self.transaction():
            self._run("DELETE FROM dust")
            for frame, found in spots.items():
                self._must_exist(frame)
                rows = [[*spot.at, spot.radius, spot.confidence] for spot in found]
                self._run("INSERT INTO dust VALUES (?, ?)", frame, _json(rows))
            self._event("dust assessed", None, frames=len(spots))

    def record_assessed(self, found: Iterable[Assessed]) -> None:
        """Record what was measured of frames; what is known of others stays."""
        with self.transaction():
            count = 0
            for one in found:
                self._must_exist(one.frame)
                self._run(
                    "INSERT OR REPLACE INTO assessed VALUES (?, ?, ?, ?, ?, ?)",
                    one.frame,
                    one.key,
                    one.version,
                    _json(one.figures),
                    _json(one.reasons),
                    int(one.suggested),
                )
                count += 1
            self._event("assessed", None, frames=count)

    def doubt(self, paths: Iterable[str], *, doubtful: bool = True) -> None:
        """Note that recorded files are about to be replaced, or are as recorded after all."""
        with self.transaction():
            self._connection.executemany(
                "UPDATE artifacts SET in_doubt = ? WHERE path = ?",
                [(doubtful, path) for path in paths],
            )

    def approve(
        self,
        frame: str,
        version: int,
        by: str | None = None,
        note: str | None = None,
        waived: Sequence[Request] = (),
    ) -> None:
        """Record a person's word that a version is final; the last word counts."""
        with self.transaction():
            self._must_exist(frame, version)
            self._run(
                "INSERT INTO approvals (frame, version, approved_at, approved_by, note, waived)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                frame,
                version,
                self._now(),
                by,
                note,
                requests_to_text(waived),
            )
            said = {"by": by, "note": note, "without": [request.what for request in waived]}
            self._event("approved", frame, version=version, **{k: v for k, v in said.items() if v})

    def reopen(self, frame: str, reason: str) -> None:
        """Note, once, that something changed since a frame's version was approved."""
        with self.transaction():
            row = self._row(
                "SELECT what, detail FROM events WHERE frame = ?"
                " AND what IN ('approved', 'reopened') ORDER BY number DESC LIMIT 1",
                frame,
            )
            if row is not None and row[0] == "approved":
                version = json.loads(row[1])["version"]
                self._event("reopened", frame, version=version, reason=reason)

    def next_round(self) -> int:
        """The number of the round that would be begun now.

        A round that was begun before and never came to be is begun again, with its number.
        """
        (unsent,) = self._row("SELECT min(number) FROM rounds WHERE sent_at IS NULL")
        (new,) = self._row("SELECT coalesce(max(number), 0) + 1 FROM rounds")
        return int(new if unsent is None else unsent)

    def begin_round(self, to: str, due: str | None) -> int:
        """The number of a new round, before anything of it is made."""
        with self.transaction():
            number = self.next_round()
            self._run(
                "INSERT OR REPLACE INTO rounds (number, recipient, due, begun_at)"
                " VALUES (?, ?, ?, ?)",
                number,
                to,
                due,
                self._now(),
            )
            return number

    def record_round(self, sent: Round, handoffs: Iterable[Handoff]) -> None:
        """Record a round, its folder being in place, with all that is in it."""
        with self.transaction():
            self._run(
                "UPDATE rounds SET sent_at = ?, files = ? WHERE number = ?",
                sent.at,
                files_to_text(sent),
                sent.number,
            )
            for handoff in handoffs:
                self._add_trip(
                    handoff,
                    version=handoff.version,
                    to=handoff.to,
                    due=handoff.due,
                    requests=len(handoff.requests),
                    supersedes=handoff.supersedes,
                    **_file(handoff.sent),
                )
                self.reopen(handoff.frame, f"handed off to {handoff.to}, round {handoff.round}")

    def begin_bag(self, delivery: str, number: int) -> None:
        """Note that a bag will be made, before anything of it is; its name must be free."""
        with self.transaction():
            self._run(
                "INSERT OR REPLACE INTO bags (delivery, number, begun_at) VALUES (?, ?, ?)",
                delivery,
                number,
                self._now(),
            )

    def record_bag(
        self, bag: PackedBag, changed: Mapping[str, str], numbers: Mapping[str, int]
    ) -> None:
        """Record a bag, which is in place; ``changed`` says of frames what is new in it.

        ``numbers`` are those in the names of its files, by frame: from now on they are taken.
        """
        with self.transaction():
            self._run(
                "UPDATE bags SET packed_at = ?, sha256 = ?, files = ?"
                " WHERE delivery = ? AND number = ?",
                bag.at,
                bag.sha256,
                _json([asdict(file) for file in bag.files]),
                bag.delivery,
                bag.number,
            )
            for frame, what in changed.items():
                self._event("packed", frame, bag=bag.name, change=what)
            for frame, number in numbers.items():
                self._run(
                    "INSERT OR IGNORE INTO numbers VALUES (?, ?, ?)", bag.delivery, frame, number
                )

    def record_returned(self, returned: Returned) -> None:
        """Record a file that came back, its copy being in place under the round."""
        self._add_trip(
            returned,
            by=self._recipient(returned.round),
            note=returned.note,
            asked=[
                finding["sentence"]
                for finding in returned.examined.get("findings", ())
                if finding["severity"] == "ask"
            ],
            **_file(returned.file),
        )

    def record_settled(self, settled: Settled) -> None:
        """Record what a person decided about a retouched frame."""
        self._add_trip(
            settled, how=settled.how, by=self._recipient(settled.round), note=settled.note
        )

    def record_withdrawn(self, withdrawn: Withdrawn) -> None:
        """Record that a hand-off was called back."""
        by = self._recipient(withdrawn.round)
        self._add_trip(withdrawn, by=by, note=withdrawn.note)

    def _add_trip(self, trip: Trip, **detail: object) -> None:
        with self.transaction():
            self._must_exist(trip.frame)
            what = kind_of(trip)
            self._run(
                "INSERT INTO trips (frame, round, what, record) VALUES (?, ?, ?, ?)",
                trip.frame,
                trip.round,
                what,
                to_text(trip),
            )
            known = {key: value for key, value in detail.items() if value not in (None, [])}
            self._event(what, trip.frame, round=trip.round, **known)

    def _recipient(self, number: int) -> str:
        row = self._row("SELECT recipient FROM rounds WHERE number = ?", number)
        if row is None:
            raise ValueError(f"there is no round {number}")
        return str(row[0])

    def forget_artifact(self, path: str) -> None:
        """Drop the row of an unused artifact whose file was removed; ``ValueError`` while used."""
        with self.transaction():
            self._run("DELETE FROM artifacts WHERE path = ?", path)
            self._event("removed", None, path=path)

    # --- what the methods above are made of ---

    @contextmanager
    def _snapshot(self) -> Iterator[Callable[..., sqlite3.Cursor]]:
        """All that is read inside is of one instant, whatever a writer does meanwhile."""
        with in_words(self._path):
            if self._connection.in_transaction:
                yield self._connection.execute
                return
            self._connection.execute("BEGIN")
            try:
                yield self._connection.execute
            finally:
                rolled_back(self._connection)

    def _run(self, statement: str, *values: object) -> None:
        self._connection.execute(statement, values)

    def _row(self, query: str, *values: object) -> Any:
        return self._connection.execute(query, values).fetchone()

    def _event(self, what: str, frame: str | None, **detail: object) -> None:
        self._run(
            "INSERT INTO events (at, what, frame, detail) VALUES (?, ?, ?, ?)",
            self._now(),
            what,
            frame,
            _json(detail),
        )

    def _set(self, frame: str, column: str, value: object, what: str, **detail: object) -> None:
        """Change one column of a frame; setting what is set already is no event."""
        with self.transaction():
            self._must_exist(frame)
            (before,) = self._row(f"SELECT {column} FROM frames WHERE name = ?", frame)
            if before != value:
                self._run(f"UPDATE frames SET {column} = ? WHERE name = ?", value, frame)
                self._event(what, frame, **{column: value, "before": before}, **detail)

    def _put_artifact(self, artifact: Artifact) -> None:
        self._run(
            "INSERT INTO artifacts VALUES (?, ?, ?, 0) ON CONFLICT (path) DO UPDATE SET"
            " digest = excluded.digest, size_bytes = excluded.size_bytes, in_doubt = 0",
            artifact.path,
            artifact.digest,
            artifact.size_bytes,
        )

    def _known(self, frame: FrameState) -> bool:
        original = frame.original
        for name, path, digest in self._connection.execute(
            "SELECT name, path, digest FROM frames JOIN originals ON path = original"
            " WHERE name = ? OR original = ?",
            (frame.name, original.path),
        ):
            if (name, path, digest) != (frame.name, original.path, original.digest):
                raise SafelightError(
                    f"{original.path} cannot be taken in as frame {frame.name}: the job already has"
                    f" frame {name} from {path}, with"
                    f" {'the same' if digest == original.digest else 'other'} content."
                )
            return True
        return False

    def _must_exist(self, frame: str, version: int | None = None) -> None:
        if self._row("SELECT 1 FROM frames WHERE name = ?", frame) is None:
            raise SafelightError(f"This job has no frame {frame}.")
        if version is not None and not self._row(
            "SELECT 1 FROM versions WHERE frame = ? AND number = ?", frame, version
        ):
            raise SafelightError(f"Frame {frame} has no v{version}.")


def _json(value: object) -> str:
    return canonical_json(value).decode()


def _file(artifact: Artifact) -> dict[str, str]:
    return {"path": artifact.path, "digest": artifact.digest}

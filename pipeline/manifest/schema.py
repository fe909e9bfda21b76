"""The manifest's tables, as the list of migrations that make them.

A migration and the record of it commit together or not at all. A migration that has been released
is never edited: what it got wrong, the next one puts right.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

MANIFEST_NAME = "manifest.sqlite"
APPLICATION_ID = 0x53464C54  # "SFLT", at offset 68 of the file (SQLite file format, section 1.3)


@dataclass(frozen=True, slots=True)
class Migration:
    """One change of the tables; its place in the list, from 1, is the version that it leads to."""

    name: str
    statements: tuple[str, ...]


MIGRATIONS = (
    Migration(
        "frames, versions, deliveries, approvals, events",
        (
            """CREATE TABLE originals (
                path TEXT PRIMARY KEY,
                digest TEXT NOT NULL,
                size_bytes INTEGER NOT NULL,
                capture TEXT NOT NULL
            ) WITHOUT ROWID""",
            """CREATE TABLE frames (
                name TEXT PRIMARY KEY,
                original TEXT NOT NULL UNIQUE REFERENCES originals (path),
                rating INTEGER NOT NULL CHECK (rating BETWEEN -1 AND 5),
                setup TEXT,
                burst TEXT,
                problem TEXT
            ) WITHOUT ROWID""",
            # a path holds one content at a time, so it names the artifact; it is in doubt from
            # before another content is put there until that one has its row
            """CREATE TABLE artifacts (
                path TEXT PRIMARY KEY,
                digest TEXT NOT NULL,
                size_bytes INTEGER NOT NULL,
                in_doubt INTEGER NOT NULL DEFAULT 0 CHECK (in_doubt IN (0, 1))
            ) WITHOUT ROWID""",
            """CREATE TABLE versions (
                frame TEXT NOT NULL REFERENCES frames (name),
                number INTEGER NOT NULL CHECK (number >= 1),
                key TEXT NOT NULL,
                reason TEXT NOT NULL,
                inputs TEXT NOT NULL,
                master TEXT NOT NULL REFERENCES artifacts (path),
                made_at TEXT NOT NULL,
                PRIMARY KEY (frame, number),
                UNIQUE (frame, key)
            )""",
            """CREATE TABLE deliveries (
                delivery TEXT NOT NULL,
                frame TEXT NOT NULL,
                version INTEGER NOT NULL,
                key TEXT NOT NULL,
                inputs TEXT NOT NULL,
                artifact TEXT NOT NULL UNIQUE REFERENCES artifacts (path),
                made_at TEXT NOT NULL,
                PRIMARY KEY (delivery, frame),
                FOREIGN KEY (frame, version) REFERENCES versions (frame, number)
            )""",
            """CREATE TABLE approvals (
                number INTEGER PRIMARY KEY,
                frame TEXT NOT NULL,
                version INTEGER NOT NULL,
                approved_at TEXT NOT NULL,
                FOREIGN KEY (frame, version) REFERENCES versions (frame, number)
            )""",
            """CREATE TABLE charts (
                key TEXT PRIMARY KEY,
                setup TEXT NOT NULL,
                frame TEXT NOT NULL REFERENCES frames (name),
                inputs TEXT NOT NULL,
                correction TEXT NOT NULL,
                reading TEXT NOT NULL,
                warnings TEXT NOT NULL,
                made_at TEXT NOT NULL
            ) WITHOUT ROWID""",
            """CREATE TABLE products_read (
                key TEXT PRIMARY KEY,
                frame TEXT NOT NULL REFERENCES frames (name),
                labs TEXT NOT NULL,
                made_at TEXT NOT NULL
            ) WITHOUT ROWID""",
            """CREATE TABLE events (
                number INTEGER PRIMARY KEY AUTOINCREMENT,
                at TEXT NOT NULL,
                what TEXT NOT NULL,
                frame TEXT,
                detail TEXT NOT NULL
            )""",
            "CREATE INDEX events_of_a_frame ON events (frame)",
            """CREATE TRIGGER events_stay BEFORE UPDATE ON events
                BEGIN SELECT RAISE (ABORT, 'events are only ever added'); END""",
            """CREATE TRIGGER events_are_kept BEFORE DELETE ON events
                BEGIN SELECT RAISE (ABORT, 'events are only ever added'); END""",
        ),
    ),
    Migration(
        "the retouch round trip; who approved, and their note",
        (
            # a round is begun before its folder is made, so that what a killed run left of it is
            # known to be ours; sent_at stays empty until the whole of it is in place
            """CREATE TABLE rounds (
                number INTEGER PRIMARY KEY,
                recipient TEXT NOT NULL,
                due TEXT,
                begun_at TEXT NOT NULL,
                sent_at TEXT,
                files TEXT NOT NULL DEFAULT '[]'
            )""",
            """CREATE TABLE trips (
                number INTEGER PRIMARY KEY AUTOINCREMENT,
                frame TEXT NOT NULL REFERENCES frames (name),
                round INTEGER NOT NULL REFERENCES rounds (number),
                what TEXT NOT NULL
                    CHECK (what IN ('handed off', 'taken back', 'settled', 'withdrawn')),
                record TEXT NOT NULL
            )""",
            """CREATE TRIGGER trips_stay BEFORE UPDATE ON trips
                BEGIN SELECT RAISE (ABORT, 'trips are only ever added'); END""",
            """CREATE TRIGGER trips_are_kept BEFORE DELETE ON trips
                BEGIN SELECT RAISE (ABORT, 'trips are only ever added'); END""",
            "ALTER TABLE approvals ADD COLUMN approved_by TEXT",
            "ALTER TABLE approvals ADD COLUMN note TEXT",
            "ALTER TABLE approvals ADD COLUMN waived TEXT NOT NULL DEFAULT '[]'",
        ),
    ),
    Migration(
        "dust",
        (
            # of every frame that the last assessment could read, with or without spots
            """CREATE TABLE dust (
                frame TEXT PRIMARY KEY REFERENCES frames (name),
                spots TEXT NOT NULL
            ) WITHOUT ROWID""",
        ),
    ),
    Migration(
        "packed deliveries",
        (
            # as a round, a bag is begun before its folder is made: packed_at stays empty until
            # the whole of it is in place
            """CREATE TABLE bags (
                delivery TEXT NOT NULL,
                number INTEGER NOT NULL CHECK (number >= 1),
                begun_at TEXT NOT NULL,
                packed_at TEXT,
                sha256 TEXT,
                files TEXT NOT NULL DEFAULT '[]',
                PRIMARY KEY (delivery, number)
            ) WITHOUT ROWID""",
        ),
    ),
    Migration(
        "what a delivered file shows of its frame",
        # as JSON; NULL for all of it, as in all files so far
        ("ALTER TABLE deliveries ADD COLUMN shown TEXT",),
    ),
    Migration(
        "what comes in along with originals",
        (
            # a sidecar is written to when its frame is rated: its digest is of what came in
            """CREATE TABLE companions (
                path TEXT PRIMARY KEY,
                digest TEXT NOT NULL,
                size_bytes INTEGER NOT NULL,
                kind TEXT NOT NULL CHECK (kind IN ('jpeg', 'sidecar', 'movie')),
                frame TEXT REFERENCES frames (name)
            ) WITHOUT ROWID""",
        ),
    ),
    Migration(
        "what frames were assessed as",
        (
            """CREATE TABLE assessed (
                frame TEXT PRIMARY KEY REFERENCES frames (name),
                key TEXT NOT NULL,
                version INTEGER NOT NULL,
                figures TEXT NOT NULL,
                reasons TEXT NOT NULL,
                suggested INTEGER NOT NULL CHECK (suggested IN (0, 1))
            ) WITHOUT ROWID""",
        ),
    ),
    Migration(
        "under which numbers packed pictures are known",
        (
            """CREATE TABLE numbers (
                delivery TEXT NOT NULL,
                frame TEXT NOT NULL REFERENCES frames (name),
                number INTEGER NOT NULL CHECK (number >= 1),
                PRIMARY KEY (delivery, frame)
            ) WITHOUT ROWID""",
        ),
    ),
)


def schema_version(connection: sqlite3.Connection) -> int:
    """How many migrations the database has been through."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def migrate(
    connection: sqlite3.Connection, at: str, migrations: Sequence[Migration] = MIGRATIONS
) -> None:
    """Apply the migrations that ``connection`` (in autocommit mode) has not been through yet.

    Each commits on its own, with its record. ``at`` is the time to record, ISO 8601.
    """
    for number in range(schema_version(connection) + 1, len(migrations) + 1):
        migration = migrations[number - 1]
        connection.execute("BEGIN IMMEDIATE")
        try:
            if number == 1:
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(
                    "CREATE TABLE migrations"
                    " (number INTEGER PRIMARY KEY, name TEXT NOT NULL, applied_at TEXT NOT NULL)"
                )
            for statement in migration.statements:
                connection.execute(statement)
            connection.execute(
                "INSERT INTO migrations VALUES (?, ?, ?)", (number, migration.name, at)
            )
            connection.execute(f"PRAGMA user_version = {number}")
            connection.execute("COMMIT")
        except BaseException:
            connection.execute("ROLLBACK")
            raise

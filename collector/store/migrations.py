"""How the store's file came to its present form: named steps in order, each one transaction.

The number of steps done stands in the file as its user version. A step, once released, never
changes; the next change of form is a further step.
"""

import sqlite3
from collections.abc import Callable

APPLICATION_ID = 0x6C617964  # "layd", so that a stray SQLite file is not taken for a store


def readings_keyed_by_time(con: sqlite3.Connection) -> None:
    """Make the tables of sensors and of readings.

    The key begins with the time because readings arrive in its order: each commit then touches a
    page or two, where (sensor, time) would touch one page per sensor. `delay_us` is the
    receive time minus the reading's own.
    """
    con.execute(
        "CREATE TABLE sensor (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE,"
        " first_us INTEGER NOT NULL, last_us INTEGER NOT NULL) STRICT"
    )
    con.execute(
        "CREATE TABLE reading (at_us INTEGER NOT NULL, sensor INTEGER NOT NULL, value REAL NOT NULL,"
        " delay_us INTEGER NOT NULL, flags INTEGER NOT NULL, PRIMARY KEY (at_us, sensor))"
        " STRICT, WITHOUT ROWID"
    )


def rejected_messages(con: sqlite3.Connection) -> None:
    """Make the tables of the newest rejected messages, and of counts by reason for ever."""
    con.execute(
        "CREATE TABLE rejected (id INTEGER PRIMARY KEY, received_us INTEGER NOT NULL, source TEXT NOT NULL,"
        " topic TEXT NOT NULL, reason TEXT NOT NULL, head BLOB NOT NULL, size_bytes INTEGER NOT NULL) STRICT"
    )
    con.execute(
        "CREATE TABLE rejected_count (reason TEXT PRIMARY KEY, count INTEGER NOT NULL) STRICT, WITHOUT ROWID"
    )


def state_by_key(con: sqlite3.Connection) -> None:
    """Make the table of what the daemon leaves for other processes."""
    con.execute(
        "CREATE TABLE state (key TEXT PRIMARY KEY, text TEXT NOT NULL, at_us INTEGER NOT NULL)"
        " STRICT, WITHOUT ROWID"
    )


def chunks_by_sensor(con: sqlite3.Connection) -> None:
    """Make the table of chunks: six hours of a sensor, and the roll-up of each hour.

    A rowid table, since the bytes of a chunk would make the pages of a key tree fall apart.
    `data` is NULL once the raw readings were let go for their age.
    """
    con.execute(
        "CREATE TABLE chunk (k INTEGER PRIMARY KEY, n INTEGER NOT NULL, hours BLOB NOT NULL, data BLOB)"
        " STRICT"
    )


def spoilt_chunks(con: sqlite3.Connection) -> None:
    """Make the table in which a chunk that a bad disk has spoilt is put aside, once readings come again."""
    con.execute(
        "CREATE TABLE spoilt_chunk"
        " (k INTEGER PRIMARY KEY, n INTEGER NOT NULL, hours BLOB NOT NULL, data BLOB) STRICT"
    )


def marks_of_messages(con: sqlite3.Connection) -> None:
    """Make the table of what redeliveries of messages without a device time are known by."""
    con.execute(
        "CREATE TABLE mark (id INTEGER PRIMARY KEY, newest_us INTEGER NOT NULL, data BLOB NOT NULL) STRICT"
    )


def what_is_to_be_forwarded(con: sqlite3.Connection) -> None:
    """Make the tables of what a central store has yet to get, and of the lines it refused for good.

    An arrival is a stretch of times in which readings came in, of all sensors or of those listed
    (`collector.store.arrivals`). `row_us`, `row_sensor` and `chunk_k` say how far it is sent.
    """
    con.execute(
        "CREATE TABLE forward_to (only_one INTEGER PRIMARY KEY CHECK (only_one = 1), target TEXT NOT NULL,"
        " server TEXT NOT NULL) STRICT"
    )
    con.execute(
        "CREATE TABLE arrival (seq INTEGER PRIMARY KEY, low_us INTEGER NOT NULL, high_us INTEGER NOT NULL,"
        " count INTEGER NOT NULL, sensors TEXT, claimed INTEGER NOT NULL DEFAULT 0, row_us INTEGER,"
        " row_sensor INTEGER, chunk_k INTEGER, done_us INTEGER) STRICT"
    )
    con.execute(
        "CREATE TABLE dead_letter (id INTEGER PRIMARY KEY, at_us INTEGER NOT NULL, status INTEGER NOT NULL,"
        " reason TEXT NOT NULL, line TEXT NOT NULL UNIQUE) STRICT"
    )


MIGRATIONS: tuple[Callable[[sqlite3.Connection], None], ...] = (
    readings_keyed_by_time,
    rejected_messages,
    state_by_key,
    chunks_by_sensor,
    spoilt_chunks,
    marks_of_messages,
    what_is_to_be_forwarded,
)


def schema_version(con: sqlite3.Connection) -> int:
    """Return how many steps the file has had."""
    return int(con.execute("PRAGMA user_version").fetchone()[0])


def is_foreign(con: sqlite3.Connection) -> bool:
    """Say whether the file is somebody else's: it holds tables, but not our mark."""
    mark = con.execute("PRAGMA application_id").fetchone()[0]
    tables = con.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    return bool(mark != APPLICATION_ID and (mark or tables))


def migrate(con: sqlite3.Connection) -> None:
    """Do the steps that the file has not had."""
    while schema_version(con) < len(MIGRATIONS):
        con.execute("BEGIN IMMEDIATE")
        try:
            done = schema_version(con)  # once more, now that no other process can migrate
            if done < len(MIGRATIONS):
                MIGRATIONS[done](con)
                con.execute(f"PRAGMA user_version = {done + 1}")
                con.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            con.execute("COMMIT")
        except BaseException:
            if con.in_transaction:
                con.execute("ROLLBACK")
            raise

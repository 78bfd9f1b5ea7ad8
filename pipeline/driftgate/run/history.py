"""The history of nights: one file a night, and a database over all of them that can be made again.

Each night stands in a JSON file of its own, `nights/DAY.json`, written once. `history.sqlite` holds a row
for every night, case, fault and tolerance, for questions over many nights; it is filled from the files in
one transaction a night, and whatever it misses is taken from them. Texts of strangers are bound as
parameters and never become part of a statement.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from driftgate.core.findings import Finding
from driftgate.judge.night import Night, NightCase
from driftgate.report.night_model import Series
from driftgate.report.write import WriteError, check_way, write_once
from driftgate.run.night_file import INPUTS, night_text, read_night
from driftgate.run.status import InputError

# "dgat" in the database's header; a file with another number belongs to another program.
_APPLICATION: Final = 0x64676174
_FORMAT: Final = 1
_WAIT_S: Final = 30.0
MOST_BYTES: Final = 1024 * 1024 * 1024
# Ten years of them.
MOST_NIGHTS: Final = 4000
# Files that SQLite keeps beside a database: a rollback journal, a write-ahead log and its index.
_BESIDE: Final = ("-journal", "-wal", "-shm")
# The last bytes of a journal that names a super-journal (SQLite, file pager.c, `aJournalMagic`).
_JOURNAL_END: Final = bytes.fromhex("d9d505f920a163d7")
_TABLES: Final = (
    """CREATE TABLE nights (
        night TEXT PRIMARY KEY, run TEXT NOT NULL, seed TEXT NOT NULL, version TEXT NOT NULL,
        software TEXT NOT NULL, confidence REAL NOT NULL
    ) STRICT""",
    """CREATE TABLE results (
        night TEXT NOT NULL REFERENCES nights (night), routine TEXT NOT NULL, carried TEXT NOT NULL,
        field TEXT NOT NULL, side TEXT NOT NULL, fault TEXT NOT NULL, tolerance TEXT NOT NULL,
        title TEXT NOT NULL, required REAL NOT NULL, trials INTEGER NOT NULL, successes INTEGER NOT NULL,
        half INTEGER NOT NULL, together INTEGER NOT NULL, used REAL, status TEXT NOT NULL,
        lower REAL NOT NULL, upper REAL NOT NULL, way TEXT NOT NULL, tried INTEGER NOT NULL,
        of_routine TEXT NOT NULL, of_robot TEXT NOT NULL, of_carried TEXT NOT NULL, of_field TEXT NOT NULL,
        PRIMARY KEY (night, routine, carried, field, side, fault, tolerance)
    ) STRICT, WITHOUT ROWID""",
)


class _DamagedError(Exception):
    """The database cannot be used; the message says why."""


@dataclass(frozen=True)
class Opened:
    """What was found in a history's folder: nights in order, and what is wrong."""

    nights: tuple[str, ...]
    findings: tuple[Finding, ...]

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong."""
        return not any(finding.level == "error" for finding in self.findings)


class History:
    """A folder of nights.

    Parameters
    ----------
    folder : Path
        Made when the first night is added.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.database = folder / "history.sqlite"
        self._nights = folder / "nights"

    def file_of(self, night: str) -> Path:
        """Return the file of a night."""
        return self._nights / f"{night}.json"

    def open(self) -> Opened:
        """Look everything through, and bring the database up to date with the files of the nights.

        A damaged database or file is reported and left as it is.
        """
        nights, findings = self._files()
        if findings:
            return Opened(tuple(night.night for night in nights), tuple(findings))
        try:
            # Before a night's work: what is found out here could not be kept there.
            check_way(self._nights)
        except WriteError as error:
            return Opened((), (self._unusable(str(error)),))
        if not nights and not os.path.lexists(self.database):
            return Opened((), ())
        try:
            with self._connected() as connection:
                known = {row[0]: row[1] for row in connection.execute("SELECT night, run FROM nights")}
                files = {night.night: night.run for night in nights}
                findings += [self._without_file(name) for name in sorted(known.keys() - files.keys())]
                wrong = [name for name in sorted(known.keys() & files.keys()) if known[name] != files[name]]
                if wrong:
                    raise _DamagedError(f"it has another night {wrong[0]} than the night's file")
                for night in nights:
                    if night.night not in known:
                        _insert(connection, night)
                    elif not _holds(connection, night):
                        raise _DamagedError(f"its rows of the night {night.night} are not those of its file")
        except _DamagedError as damage:
            findings.append(self._unusable(str(damage)))
        return Opened(tuple(night.night for night in nights), tuple(findings))

    def night(self, name: str) -> Night | None:
        """Return a night by its name; None if there is none that can be read."""
        path = self.file_of(name)
        if not os.path.lexists(path):
            return None
        found = read_night(path)
        return found if isinstance(found, Night) else None

    def add(self, night: Night) -> bool:
        """Add a night: its file first, then its rows in one transaction; return False if it is there already.

        Raises
        ------
        InputError
            If another run has this night's name.
        WriteError
            If the file system refuses.
        """
        if not write_once(self.file_of(night.night), night_text(night)):
            there = self.night(night.night)
            if there is None or there.run != night.run:
                raise InputError(already_words(night.night))
        try:
            with self._connected() as connection:
                return _insert(connection, night)
        except _DamagedError as damage:
            raise InputError(f"{self.database.as_posix()}: {damage}") from damage

    def rebuild(self) -> Opened:
        """Make the database anew from the files of the nights; the old one stays beside it, renamed.

        Nothing is made where a night's file is damaged.
        """
        nights, findings = self._files()
        names = tuple(night.night for night in nights)
        if findings:
            return Opened(names, tuple(findings))
        if self.database.is_symlink():
            return Opened(names, (self._unusable("it is a symbolic link"),))
        aside = _free_name(self.database)
        # A journal goes with its database: it would be played back into the new one.
        for ending in ("", *_BESIDE):
            if os.path.lexists(f"{self.database}{ending}"):
                os.replace(f"{self.database}{ending}", f"{aside}{ending}")
        self._folder.mkdir(parents=True, exist_ok=True)
        with self._connected() as connection:
            for night in nights:
                _insert(connection, night)
        return Opened(names, ())

    def series(self) -> tuple[Series, ...]:
        """Return every tolerance of every case as it is, over the nights, in order of names.

        Raises
        ------
        InputError
            If what is left of nights whose files are gone cannot be read.
        """
        try:
            return self._series()
        except _DamagedError as damage:
            raise InputError(f"{self.database.as_posix()}: {damage}") from damage

    def _series(self) -> tuple[Series, ...]:
        rows: dict[tuple[str, str, str, str, str], list[Any]] = {}
        with self._connected() as connection:
            query = """SELECT r.routine, r.carried, r.field, r.side, r.tolerance, r.night, r.required,
                r.trials, r.successes, r.half, r.used, n.software, r.of_routine, r.of_robot, r.of_carried,
                r.of_field
                FROM results AS r JOIN nights AS n USING (night) WHERE r.fault = '' ORDER BY r.night"""
            for row in connection.execute(query):
                rows.setdefault((row[0], row[1], row[2], row[3], row[4]), []).append(row[5:])
        found = []
        for key, of_key in sorted(rows.items()):
            nights, required, trials, successes, half, used, *hashes = zip(*of_key, strict=True)
            inputs = tuple(
                tuple(zip(("driftgate", *INPUTS), row, strict=True)) for row in zip(*hashes, strict=True)
            )
            found.append(Series(*key, nights, required, trials, successes, half, used, inputs))
        return tuple(found)

    def _files(self) -> tuple[list[Night], list[Finding]]:
        nights, findings = [], []
        paths = sorted(self._nights.glob("*.json")) if self._nights.is_dir() else []
        if len(paths) > MOST_NIGHTS:
            return [], [self._unusable(f"it has {len(paths)} nights, more than {MOST_NIGHTS}")]
        size = sum(path.lstat().st_size for path in paths)
        if size > MOST_BYTES:
            return [], [self._unusable(f"its nights are larger than {MOST_BYTES // 2**20} MiB in all")]
        for path in paths:
            if path.name.startswith("."):
                continue
            found = read_night(path)
            if isinstance(found, Night):
                nights.append(found)
            else:
                findings.append(found)
        return nights, findings

    @contextlib.contextmanager
    def _connected(self) -> Iterator[sqlite3.Connection]:
        """Give a connection with a transaction open for writing; committed at the end, else rolled back."""
        if self.database.is_symlink() or (self.database.exists() and not self.database.is_file()):
            raise _DamagedError("it is no regular file")
        _check_files(self.database)
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            connection = sqlite3.connect(self.database, timeout=_WAIT_S, isolation_level=None)
        except (OSError, sqlite3.Error) as error:
            raise _DamagedError(f"it cannot be opened: {error}") from error
        try:
            # The file may be a stranger's: nothing that its schema says is run.
            connection.execute("PRAGMA trusted_schema = OFF")
            connection.execute("PRAGMA cell_size_check = ON")
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA foreign_keys = ON")
            # Whoever means to write says so at once: two readers could not both become writers.
            connection.execute("BEGIN IMMEDIATE")
            _check(connection)
            yield connection
            connection.execute("COMMIT")
        except sqlite3.OperationalError as error:
            raise _DamagedError(f"it cannot be used: {error}") from error
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            # What SQLite says of a damaged schema may hold bytes of it.
            raise _DamagedError(f"it is damaged: {error}") from error
        finally:
            # What was not committed is rolled back.
            connection.close()

    def _unusable(self, why: str) -> Finding:
        return Finding(
            path=self.database.as_posix(),
            line=0,
            column=0,
            code="DG801",
            message=f"the history cannot be used: {why}",
            suggestion="it is left as it is; --rebuild makes a new one from the files of the nights",
        )

    def _without_file(self, night: str) -> Finding:
        return Finding(
            path=self.file_of(night).as_posix(),
            line=0,
            column=0,
            code="DG803",
            message=f"the night {night} is in the history, but its file is gone",
            level="warning",
            suggestion="bring the file back: without it --rebuild would lose the night",
        )


def already_words(night: str) -> str:
    """Return why a night is refused."""
    return (
        f"the night {night} is in the history already, run with other inputs or settings; nights are not "
        "written over: after a fix on the same day leave out --history, for a report that is not kept"
    )


def _check_files(database: Path) -> None:
    """Refuse a database that SQLite must not even open, before it does.

    What stands in a journal beside it is obeyed on opening. One that names a super-journal, as only a
    transaction over several databases leaves it, has the file of that name deleted (SQLite's documentation,
    "Temporary Files Used By SQLite"); a write-ahead log is shared memory written by whoever left it.
    """
    for ending in _BESIDE[1:]:
        if os.path.lexists(f"{database}{ending}"):
            raise _DamagedError(f"there is a file {database.name}{ending}, which driftgate never makes")
    journal = Path(f"{database}-journal")
    # Another run may be at work, and its journal gone at any moment.
    with contextlib.suppress(FileNotFoundError):
        if not stat.S_ISREG(journal.lstat().st_mode):
            raise _DamagedError("its journal is no regular file")
        with journal.open("rb") as file:
            file.seek(max(0, os.fstat(file.fileno()).st_size - len(_JOURNAL_END)))
            if file.read() == _JOURNAL_END:
                raise _DamagedError("its journal names other databases, as driftgate's never does")
    if not database.exists():
        return
    if database.stat().st_size > MOST_BYTES:
        raise _DamagedError(f"it is larger than {MOST_BYTES // 2**20} MiB")
    with database.open("rb") as file:
        head = file.read(20)
    if len(head) == 20 and head[18:20] != b"\1\1":
        raise _DamagedError("it is written by way of a write-ahead log, as driftgate's never is")


def _free_name(path: Path) -> Path:
    number = 1
    while os.path.lexists(found := path.with_name(f"{path.name}.damaged-{number}")):
        number += 1
    return found


def _check(connection: sqlite3.Connection) -> None:
    """Make the tables of an empty database; refuse one that is damaged, foreign or newer."""

    def pragma(name: str) -> object:
        return connection.execute(f"PRAGMA {name}").fetchone()[0]

    if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0 and not pragma(
        "user_version"
    ):
        for table in _TABLES:
            connection.execute(table)
        connection.execute(f"PRAGMA application_id = {_APPLICATION}")
        connection.execute(f"PRAGMA user_version = {_FORMAT}")
        return
    if pragma("application_id") != _APPLICATION:
        raise _DamagedError("it belongs to another program")
    if pragma("user_version") != _FORMAT:
        raise _DamagedError("a later driftgate wrote it")
    # A trigger or a view would run what a stranger wrote.
    schema = connection.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL OR type <> 'index'")
    if sorted(str(row[0]) for row in schema) != sorted(_TABLES):
        raise _DamagedError("its tables are not those of a history")
    found = pragma("quick_check")
    if found != "ok":
        raise _DamagedError(f"it is damaged: {found}")


def _insert(connection: sqlite3.Connection, night: Night) -> bool:
    there = connection.execute("SELECT run FROM nights WHERE night = ?", (night.night,)).fetchone()
    if there is not None:
        if there[0] != night.run:
            raise _DamagedError(f"it has another night {night.night}")
        return False
    # Seeds are larger than what a JSON reader may keep whole; as text they stay what they are.
    head = (night.night, night.run, str(night.seed), night.version, night.software, night.confidence)
    connection.execute("INSERT INTO nights VALUES (?, ?, ?, ?, ?, ?)", head)
    rows = [row for case in night.cases for row in _rows(night, case)]
    marks = ", ".join("?" * 23)
    connection.executemany(f"INSERT INTO results VALUES ({marks})", rows)
    return True


def _holds(connection: sqlite3.Connection, night: Night) -> bool:
    """Say whether the rows of a night are those of its file: the database may have come from anywhere."""
    there = connection.execute("SELECT * FROM results WHERE night = ?", (night.night,))
    return set(there) == {tuple(row) for case in night.cases for row in _rows(night, case)}


def _rows(night: Night, case: NightCase) -> Iterator[Sequence[object]]:
    inputs = dict(case.inputs)
    for cell in case.cells:
        for one in cell.tolerances:
            yield (
                night.night,
                *case.key,
                cell.fault,
                one.name,
                case.title,
                one.required,
                one.trials,
                one.successes,
                one.half,
                cell.together,
                one.used,
                one.status,
                one.lower,
                one.upper,
                cell.way,
                cell.tried,
                *(inputs[name] for name in INPUTS),
            )

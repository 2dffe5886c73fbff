"""What can be wrong with a database, and what an engine's errors mean to the person who asked."""

from __future__ import annotations

import re

from peewee import DatabaseError, OperationalError


class Clash(Exception):
    """Two requests wrote the same unique thing at once; the second may simply try again."""


class Unavailable(Exception):
    """The database cannot be reached, or cannot be written to now."""


class Full(Unavailable):
    """There is no room left to write in."""


class ReadOnly(Unavailable):
    """The database takes no changes now."""


class Damaged(Unavailable):
    """The file of the database is no database, or not a whole one."""


class Gone(Unavailable):
    """The database was removed, replaced or emptied while it was in use. Nothing was stored."""


class Uncertain(Gone):
    """The database was found to be gone after a commit. Nobody knows whether the commit went into the database at its path."""


class Unanswered(Unavailable):
    """The connection was lost while it committed. Nobody knows whether the commit was carried out."""


_DAMAGED = (
    "The database is damaged ({}). Stop what serves it, keep the file, and restore the last backup with lots restore."
)
_EMPTIED = (
    "The database does not hold the tables of this program any more ({}). It was dropped and made anew, or its tables were. "
    "Restore a backup into it with lots restore, then restart the server."
)
# What the engines call it: SQLite's result codes, PostgreSQL's SQLSTATEs (disk_full, read_only_sql_transaction, undefined_table).
_TROUBLES: dict[str, tuple[type[Unavailable], str]] = {
    "SQLITE_FULL": (Full, "{}"),
    "53100": (Full, "{}"),
    "SQLITE_READONLY": (ReadOnly, "{}"),
    "25006": (ReadOnly, "{}"),
    "SQLITE_CORRUPT": (Damaged, _DAMAGED),
    "SQLITE_NOTADB": (Damaged, _DAMAGED),
    "42P01": (Gone, _EMPTIED),
}


def trouble(error: BaseException) -> Unavailable | None:
    """Returns what an engine's error means to who asked; None when it is a fault of the program or of the data."""
    if isinstance(error, Unavailable):
        return error
    # SQLite rolls back by itself where it finds no room, so that the rollback which follows fails for another reason: ask what came first.
    first: BaseException | None = error
    while first is not None:
        code = _code(first)
        for known, (kind, words) in _TROUBLES.items():
            # SQLite's extended codes, such as SQLITE_READONLY_DBMOVED, begin with the code they belong to.
            if code.startswith(known):
                return kind(words.format(_first_line(first)))
        first = first.__context__
    return Unavailable(str(error)) if isinstance(error, OperationalError) else None


def emptied(why: str) -> Gone:
    """Returns the trouble of a database that has lost its tables."""
    return Gone(_EMPTIED.format(why))


def of_engine(error: BaseException) -> Unavailable | None:
    """Returns what an error means when an engine raised it; None for every other error."""
    return trouble(error) if isinstance(error, DatabaseError | Unavailable) else None


# What SQLite says on opening a file, by the beginning of its result code.
_OPENING_FILE = {
    "SQLITE_NOTADB": (Damaged, "{} is not an SQLite database. Name another file in LOTS_DATABASE."),
    "SQLITE_CORRUPT": (
        Damaged,
        "{} is damaged. Stop what serves it, keep the file, and restore the last backup with lots restore.",
    ),
    "SQLITE_BUSY": (Unavailable, "{} is locked by another program. Close that program, then try again."),
    "SQLITE_LOCKED": (Unavailable, "{} is locked by another program. Close that program, then try again."),
    "SQLITE_CANTOPEN": (
        Unavailable,
        "{} cannot be opened. Check that it and its folder exist and that this user may read and write both.",
    ),
    "SQLITE_PERM": (Unavailable, "{} may not be opened. Give this user permission to read and write it."),
    "SQLITE_READONLY": (ReadOnly, "{} may not be written to. Give this user permission to write to it and its folder."),
    "SQLITE_FULL": (Full, "There is no room left where {} lies. Make room, then try again."),
    "SQLITE_IOERR": (Unavailable, "{} cannot be read or written. Check the disk that it lies on."),
}
# PostgreSQL and its client give no code on connecting, so what they say is read.
_CONNECTING = (
    (r"database \".*\" does not exist", "{} has no such database. Make it with createdb, or name another one."),
    (r"role \".*\" does not exist", "{} does not know this user. Make it with createuser, or name another one."),
    (r"not permitted to log in", "The user may not log in to {}. Give it the right with ALTER ROLE ... LOGIN."),
    (
        r"password authentication failed|no password supplied|empty password",
        "{} refuses the password, or needs one. Correct it in LOTS_DATABASE or in ~/.pgpass.",
    ),
    (r"no pg_hba.conf entry", "{} admits no such user from this machine. Add an entry to its pg_hba.conf."),
    (r"permission denied for database", "The user may not connect to {}. Give it the right with GRANT CONNECT."),
    (
        r"Connection refused",
        "{} refuses the connection. Start PostgreSQL there, or correct host and port in LOTS_DATABASE.",
    ),
    (
        r"failed to resolve host|could not translate host name|Name or service not known",
        "The host of {} is unknown. Correct its name in LOTS_DATABASE.",
    ),
    (
        r"timeout expired|timed out|No route to host|Network is unreachable",
        "{} does not answer. Check host, port and network.",
    ),
    (r"No such file or directory", "{} does not answer on its socket. Start PostgreSQL, or name its host."),
    (r"too many clients|remaining connection slots", "{} has no free connection. Close others, then try again."),
    (r"starting up|shutting down", "{} is starting or stopping. Try again in a moment."),
    (r"SSL", "{} and this program do not agree on TLS. Correct sslmode in LOTS_DATABASE."),
    (
        r"unrecognized configuration parameter|invalid .* value|bad value for|invalid connection option",
        "LOTS_DATABASE has an option that {} does not take. Correct the options after the question mark.",
    ),
)


def on_opening(error: BaseException, where: str) -> Unavailable:
    """Returns why a database cannot be opened, in words and with what to do.

    Args:
        error: what the engine raised.
        where: the database, fit to be shown: without a password.
    """
    said = _first_line(error)
    for one in _chain(error):
        for known, (kind, words) in _OPENING_FILE.items():
            if _code(one).startswith(known):
                return kind(words.format(where))
    for pattern, words in _CONNECTING:
        if re.search(pattern, said):
            return Unavailable(words.format(where))
    return Unavailable(f"{where} cannot be used ({said}). Check LOTS_DATABASE.")


def is_locked(error: BaseException) -> bool:
    """True when SQLite found its file locked by somebody else."""
    return any(_code(one).startswith(("SQLITE_BUSY", "SQLITE_LOCKED")) for one in _chain(error))


def _chain(error: BaseException | None) -> list[BaseException]:
    found = []
    while error is not None:
        found.append(error)
        error = error.__context__
    return found


def _code(error: BaseException) -> str:
    return getattr(error, "sqlite_errorname", None) or getattr(error, "sqlstate", None) or ""


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0].rstrip(".")

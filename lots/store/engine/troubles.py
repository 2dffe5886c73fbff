"""Database errors, and the translation of an engine's errors into messages with a remedy."""

from __future__ import annotations

import re

from peewee import DatabaseError, OperationalError


class Clash(Exception):
    """A concurrent transaction violated a unique constraint first. The caller may try again."""


class Unavailable(Exception):
    """The database cannot be reached, or cannot be written to now."""


class Full(Unavailable):
    """The disk is full."""


class ReadOnly(Unavailable):
    """The database is read-only now."""


class Damaged(Unavailable):
    """The database file is damaged, incomplete or not a database."""


class Gone(Unavailable):
    """The database was removed, replaced or emptied while it was in use. Nothing was stored."""


class Uncertain(Gone):
    """The database was found to be gone after a commit. The commit may be missing from the database at its path."""


class Unanswered(Unavailable):
    """The connection was lost during a commit. The commit may or may not have succeeded."""


_DAMAGED = (
    "The database is damaged ({}). Stop the server, keep the file, and restore the last backup with lots restore."
)
_EMPTIED = (
    "The tables of this program are missing from the database ({}). They were dropped, or the database was recreated. "
    "Restore a backup into it with lots restore, then restart the server."
)
# SQLite's result codes and PostgreSQL's SQLSTATEs (disk_full, read_only_sql_transaction, undefined_table).
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
    """Returns the meaning of an engine's error, or None for an error of the program or the data."""
    if isinstance(error, Unavailable):
        return error
    # On a full disk SQLite rolls back by itself, and the later rollback fails with another error. So the first error counts.
    first: BaseException | None = error
    while first is not None:
        code = _code(first)
        for known, (kind, words) in _TROUBLES.items():
            # SQLite's extended codes, such as SQLITE_READONLY_DBMOVED, begin with their primary code.
            if code.startswith(known):
                return kind(words.format(_first_line(first)))
        first = first.__context__
    return Unavailable(str(error)) if isinstance(error, OperationalError) else None


def emptied(why: str) -> Gone:
    """Returns the error of a database without its tables."""
    return Gone(_EMPTIED.format(why))


def of_engine(error: BaseException) -> Unavailable | None:
    """Returns the meaning of an error that an engine raised, or None for every other error."""
    return trouble(error) if isinstance(error, DatabaseError | Unavailable) else None


# Errors on opening an SQLite file, by the beginning of the result code.
_OPENING_FILE = {
    "SQLITE_NOTADB": (Damaged, "{} is not an SQLite database. Name another file in LOTS_DATABASE."),
    "SQLITE_CORRUPT": (
        Damaged,
        "{} is damaged. Stop the server, keep the file, and restore the last backup with lots restore.",
    ),
    "SQLITE_BUSY": (Unavailable, "{} is locked by another program. Close that program, then try again."),
    "SQLITE_LOCKED": (Unavailable, "{} is locked by another program. Close that program, then try again."),
    "SQLITE_CANTOPEN": (
        Unavailable,
        "{} cannot be opened. Check that it and its folder exist and that this user may read and write both.",
    ),
    "SQLITE_PERM": (Unavailable, "{} cannot be opened. Give this user permission to read and write it."),
    "SQLITE_READONLY": (ReadOnly, "{} is read-only. Give this user permission to write to it and its folder."),
    "SQLITE_FULL": (Full, "The disk with {} is full. Free some space, then try again."),
    "SQLITE_IOERR": (Unavailable, "{} cannot be read or written. Check its disk."),
}
# PostgreSQL gives no error code on connecting, so the message is matched.
_CONNECTING = (
    (r"database \".*\" does not exist", "{} has no such database. Create it with createdb, or name another one."),
    (r"role \".*\" does not exist", "{} does not know this user. Create it with createuser, or name another one."),
    (r"not permitted to log in", "The user may not log in to {}. Allow it with ALTER ROLE ... LOGIN."),
    (
        r"password authentication failed|no password supplied|empty password",
        "{} rejects the password, or requires one. Correct it in LOTS_DATABASE or in ~/.pgpass.",
    ),
    (r"no pg_hba.conf entry", "{} does not admit this user from this machine. Add an entry to its pg_hba.conf."),
    (r"permission denied for database", "The user may not connect to {}. Allow it with GRANT CONNECT."),
    (
        r"Connection refused",
        "{} refuses the connection. Start PostgreSQL there, or correct the host and port in LOTS_DATABASE.",
    ),
    (
        r"failed to resolve host|could not translate host name|Name or service not known",
        "The host of {} is unknown. Correct its name in LOTS_DATABASE.",
    ),
    (
        r"timeout expired|timed out|No route to host|Network is unreachable",
        "{} does not answer. Check the host, port and network.",
    ),
    (r"No such file or directory", "{} does not answer on its socket. Start PostgreSQL, or name its host."),
    (r"too many clients|remaining connection slots", "{} has no free connection. Close other ones, then try again."),
    (r"starting up|shutting down", "{} is starting or stopping. Try again in a moment."),
    (r"SSL", "The TLS connection to {} failed. Correct sslmode in LOTS_DATABASE."),
    (
        r"unrecognized configuration parameter|invalid .* value|bad value for|invalid connection option",
        "LOTS_DATABASE has an option that {} does not accept. Correct the options after the question mark.",
    ),
)


def on_opening(error: BaseException, where: str) -> Unavailable:
    """Returns the reason why a database cannot be opened, with a remedy.

    Args:
        error: raised by the engine.
        where: the database, without its password.
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
    """Returns True when another connection has locked the SQLite file."""
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

"""Tokens, and idempotency answers to repeated requests."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime

from peewee import PeeweeException

from lots.store.engine.compiled_queries import Prepared, given
from lots.store.engine.database import Clash, Unavailable, db, locks_rows, transaction
from lots.store.engine.paging import Page, page
from lots.store.tables.models import RepeatedRequest, Token

_BY_HASH = Prepared(lambda: Token.select().where((Token.hash == given("digest")) & Token.revoked_at.is_null()))


def by_hash(digest: str) -> Token | None:
    """Returns the token with this hash, expired or not, or None. A revoked token is not found. Read-only row. One query on a unique index."""
    return _BY_HASH.first(digest=digest)


def by_name(name: str) -> Token | None:
    """Returns the token with this name, revoked or not, or None."""
    return Token.get_or_none(Token.name == name)


def add(name: str, role: str, digest: str, now: datetime, expires_at: datetime) -> Token:
    """Stores a new token's hash."""
    return Token.create(name=name, role=role, hash=digest, created_at=now, expires_at=expires_at)


def renew(token: Token, digest: str, now: datetime, expires_at: datetime) -> None:
    """Replaces the hash and expiry of a token. Its old text becomes invalid."""
    fresh = {"hash": digest, "created_at": now, "expires_at": expires_at, "last_used_at": None}
    Token.update(fresh).where(Token.id == token.id).execute()


def every() -> list[Token]:
    """Returns all tokens, sorted by name."""
    return list(Token.select().order_by(Token.name))


def numbered(number: int) -> Token | None:
    """Returns a token by id, revoked or not, or None."""
    return Token.get_or_none(Token.id == number)


def listed(cursor: str | None, limit: int) -> Page[Token]:
    """Returns a page of all tokens, oldest first. One query."""
    return page(Token.select(), Token.id, cursor, limit)


def any_yet() -> bool:
    """Returns True if any token exists, revoked ones included. One query."""
    return Token.select().exists()


def hold_all() -> None:
    """Locks the table of tokens against changes until the transaction ends. On SQLite the write lock suffices."""
    if locks_rows():
        db.execute_sql('LOCK TABLE "token" IN SHARE ROW EXCLUSIVE MODE')


def valid(role: str, now: datetime) -> list[int]:
    """Returns the ids of the valid tokens of a role. One query."""
    holds = Token.revoked_at.is_null() & (Token.expires_at.is_null() | (Token.expires_at > now))
    return [row.id for row in Token.select(Token.id).where(holds & (Token.role == role))]


def revoke(token: Token, now: datetime) -> None:
    """Revokes a token. Its row stays."""
    Token.update(revoked_at=now).where(Token.id == token.id).execute()


def write_uses(seen: Mapping[str, datetime]) -> bool:
    """Stores the times of last use of tokens by name, without waiting for other writers.

    Returns:
        False when nothing was stored, because the database is busy, unavailable or read-only, or this thread has no connection.
    """
    try:
        with _without_waiting(), transaction(patience_s=0):
            for name, at in seen.items():
                earlier = Token.last_used_at.is_null() | (Token.last_used_at < at)
                Token.update(last_used_at=at).where((Token.name == name) & earlier).execute()
    except (Clash, Unavailable, PeeweeException):
        return False
    return True


@contextmanager
def _without_waiting() -> Iterator[None]:
    """Sets SQLite's busy timeout to 0 for a block. On PostgreSQL these rows are locked only briefly."""
    if locks_rows():
        yield
        return
    patience = int(db.execute_sql("PRAGMA busy_timeout").fetchone()[0])
    db.execute_sql("PRAGMA busy_timeout = 0")
    try:
        yield
    finally:
        db.execute_sql(f"PRAGMA busy_timeout = {patience}")


def first_request(who: str, method: str, path: str, key: str) -> RepeatedRequest | None:
    """Returns the earlier request with this key, or None. One query on a unique index."""
    R = RepeatedRequest
    return R.get_or_none((R.token_name == who) & (R.method == method) & (R.path == path) & (R.key == key))


def claim_request(who: str, method: str, path: str, key: str, body_hash: str, now: datetime) -> RepeatedRequest:
    """Stores the key of a request. A concurrent request with the key waits for the first to commit, then raises Clash."""
    return RepeatedRequest.create(
        token_name=who, method=method, path=path, key=key, body_hash=body_hash, recorded_at=now
    )


def keep_answer(request: RepeatedRequest, status: int, body: str, headers: Mapping[str, str]) -> None:
    """Stores the answer to a request."""
    RepeatedRequest.update(status=status, body=body, headers=headers).where(RepeatedRequest.id == request.id).execute()

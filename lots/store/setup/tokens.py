"""Tokens and the answers kept for repeated requests."""

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
    """The token with this hash, expired or not, to be read, or None; a revoked one is not found. One query on a unique index."""
    return _BY_HASH.first(digest=digest)


def by_name(name: str) -> Token | None:
    """The token of this name, revoked or not."""
    return Token.get_or_none(Token.name == name)


def add(name: str, role: str, digest: str, now: datetime, expires_at: datetime) -> Token:
    """Stores a new token's hash."""
    return Token.create(name=name, role=role, hash=digest, created_at=now, expires_at=expires_at)


def renew(token: Token, digest: str, now: datetime, expires_at: datetime) -> None:
    """Gives a token another text and another end; the text before is known no more."""
    fresh = {"hash": digest, "created_at": now, "expires_at": expires_at, "last_used_at": None}
    Token.update(fresh).where(Token.id == token.id).execute()


def every() -> list[Token]:
    """All tokens by name."""
    return list(Token.select().order_by(Token.name))


def numbered(number: int) -> Token | None:
    """The token of this number, revoked or not."""
    return Token.get_or_none(Token.id == number)


def listed(cursor: str | None, limit: int) -> Page[Token]:
    """A page of all tokens, in the order they were made. One query."""
    return page(Token.select(), Token.id, cursor, limit)


def any_yet() -> bool:
    """True where a token was ever made. One query."""
    return Token.select().exists()


def hold_all() -> None:
    """Keeps everybody else from making or ending a token until the transaction ends: on SQLite its write lock does."""
    if locks_rows():
        db.execute_sql('LOCK TABLE "token" IN SHARE ROW EXCLUSIVE MODE')


def valid(role: str, now: datetime) -> list[int]:
    """Numbers of the tokens of a role that are neither revoked nor expired. One query."""
    holds = Token.revoked_at.is_null() & (Token.expires_at.is_null() | (Token.expires_at > now))
    return [row.id for row in Token.select(Token.id).where(holds & (Token.role == role))]


def revoke(token: Token, now: datetime) -> None:
    """Ends a token; its row stays."""
    Token.update(revoked_at=now).where(Token.id == token.id).execute()


def write_uses(seen: Mapping[str, datetime]) -> bool:
    """Writes when tokens were last used, by name, without waiting for whoever is writing now.

    Returns:
        False when nothing was written: the database is busy, away or read-only, or this thread has no connection.
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
    """SQLite would wait for its write lock as long as a real write does; on PostgreSQL nobody holds these rows for long."""
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
    """The earlier request with this key, or None. One query on a unique index."""
    R = RepeatedRequest
    return R.get_or_none((R.token_name == who) & (R.method == method) & (R.path == path) & (R.key == key))


def claim_request(who: str, method: str, path: str, key: str, body_hash: str, now: datetime) -> RepeatedRequest:
    """Takes a key for this request; a second request with it waits here until the first has committed, then clashes."""
    return RepeatedRequest.create(
        token_name=who, method=method, path=path, key=key, body_hash=body_hash, recorded_at=now
    )


def keep_answer(request: RepeatedRequest, status: int, body: str, headers: Mapping[str, str]) -> None:
    """Keeps the answer beside what it answered."""
    RepeatedRequest.update(status=status, body=body, headers=headers).where(RepeatedRequest.id == request.id).execute()

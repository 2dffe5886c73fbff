"""Sessions of the pages. Only the SHA-256 of a session's cookie is stored."""

from __future__ import annotations

from datetime import datetime

from peewee import Expression

from lots.store.engine.compiled_queries import Prepared, given
from lots.store.engine.database import locks_rows
from lots.store.tables.models import Token, WebSession

_BY_HASH = Prepared(
    lambda: (
        WebSession.select(WebSession, Token)
        .join(Token)
        .where((WebSession.hash == given("digest")) & WebSession.ended_at.is_null() & Token.revoked_at.is_null())
    )
)


def by_hash(digest: str) -> WebSession | None:
    """Returns the session with this hash and its token, or None. Read-only rows. One query on a unique index.

    The session or its token may have expired. An ended session, or one with a revoked token, is not found.
    """
    return _BY_HASH.first(digest=digest)


def token_for_session(digest: str) -> Token | None:
    """Returns the token with this hash that is not revoked, locked until the transaction ends, or None."""
    query = Token.select().where((Token.hash == digest) & Token.revoked_at.is_null())
    found: Token | None = (query.for_update() if locks_rows() else query).first()
    return found


def start(token: Token, digest: str, now: datetime, ends_at: datetime, address: str | None) -> None:
    """Stores a new session's hash."""
    WebSession.create(token=token, hash=digest, started_at=now, ends_at=ends_at, address=address)


def end(digest: str, now: datetime) -> int:
    """Ends the session with this hash. Returns the number of ended sessions, 0 or 1."""
    return _end(now, WebSession.hash == digest)


def end_number(number: int, now: datetime) -> int:
    """Ends the session with this id. Returns the number of ended sessions, 0 or 1."""
    return _end(now, WebSession.id == number)


def end_of_token(token: Token, now: datetime) -> int:
    """Ends all open sessions of a token. Returns the number of ended sessions."""
    return _end(now, WebSession.token == token.id)


def _end(now: datetime, which: Expression) -> int:
    live = WebSession.ended_at.is_null() & (WebSession.ends_at > now)
    return int(WebSession.update(ended_at=now).where(which & live).execute())


def live(now: datetime) -> list[WebSession]:
    """Returns the open sessions with their tokens, sorted by name and id. One query."""
    token_holds = Token.revoked_at.is_null() & (Token.expires_at.is_null() | (Token.expires_at > now))
    still_open = WebSession.ended_at.is_null() & (WebSession.ends_at > now)
    found = WebSession.select(WebSession, Token).join(Token).where(still_open & token_holds)
    return list(found.order_by(Token.name, WebSession.id))

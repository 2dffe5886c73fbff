"""Tokens and the answers kept for repeated requests."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from lots.store.models import RepeatedRequest, Token


def by_hash(digest: str) -> Token | None:
    """The live token with this hash, or None. One query on a unique index."""
    return Token.get_or_none((Token.hash == digest) & Token.revoked_at.is_null())


def by_name(name: str) -> Token | None:
    """The token of this name, revoked or not."""
    return Token.get_or_none(Token.name == name)


def add(name: str, role: str, digest: str, now: datetime) -> Token:
    """Stores a new token's hash."""
    return Token.create(name=name, role=role, hash=digest, created_at=now)


def every() -> list[Token]:
    """All tokens by name."""
    return list(Token.select().order_by(Token.name))


def revoke(token: Token, now: datetime) -> None:
    """Ends a token; its row stays."""
    Token.update(revoked_at=now).where(Token.id == token.id).execute()


def first_request(who: str, method: str, path: str, key: str) -> Any:
    """The earlier request with this key, or None. One query on a unique index."""
    R = RepeatedRequest
    return R.get_or_none((R.token_name == who) & (R.method == method) & (R.path == path) & (R.key == key))


def claim_request(who: str, method: str, path: str, key: str, body_hash: str, now: datetime) -> Any:
    """Takes a key for this request; a second request with it waits here until the first has committed, then clashes."""
    return RepeatedRequest.create(
        token_name=who, method=method, path=path, key=key, body_hash=body_hash, recorded_at=now
    )


def keep_answer(request: RepeatedRequest, status: int, body: str, headers: dict[str, Any]) -> None:
    """Keeps the answer beside what it answered."""
    RepeatedRequest.update(status=status, body=body, headers=headers).where(RepeatedRequest.id == request.id).execute()

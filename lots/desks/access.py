"""Who may come in: tokens, and answers kept for repeated requests."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from lots.desks import clock
from lots.desks.errors import AlreadyThere, KeyReused, NotFound
from lots.store import tokens
from lots.store.database import transaction

ROLES = ("receiving", "quality", "purchasing", "production", "admin")


@dataclass(frozen=True, slots=True)
class Person:
    """Who a request comes from."""

    name: str
    role: str


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def person_of(token: str) -> Person | None:
    """Returns whose live token this is, or None. Only a hash is ever looked up: the text of a token is stored nowhere."""
    row = tokens.by_hash(_digest(token))
    return Person(row.name, row.role) if row else None


def add_token(name: str, role: str) -> str:
    """Makes a token for a person and returns its text, for the one and only time.

    Raises:
        AlreadyThere: the name is taken; names stay in the record, so a revoked one is not used again.
    """
    text = secrets.token_urlsafe(32)
    with transaction():
        if tokens.by_name(name):
            raise AlreadyThere(f"There is a token named {name} already. Choose another name.")
        tokens.add(name, role, _digest(text), clock.now())
    return text


def list_tokens() -> list[dict[str, Any]]:
    """Returns names, roles and dates of all tokens, never their text."""
    return [
        {"name": t.name, "role": t.role, "created_at": t.created_at, "revoked_at": t.revoked_at} for t in tokens.every()
    ]


def revoke_token(name: str) -> None:
    """Ends a token at once.

    Raises:
        NotFound: no live token has this name.
    """
    with transaction():
        row = tokens.by_name(name)
        if row is None or row.revoked_at is not None:
            raise NotFound(f"No live token is named {name}. `lots token list` shows them.")
        tokens.revoke(row, clock.now())


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer to a POST, as it went out."""

    status: int
    body: str
    headers: dict[str, str]


def once(who: str, method: str, path: str, key: str, body: bytes, answer: Callable[[], Answer]) -> tuple[Answer, bool]:
    """Answers a request, or gives the answer that the same request got before.

    The key is taken, the work done and the answer kept in one transaction: after a crash either all of it happened or none. A
    second request with the same key that comes meanwhile waits for the first.

    Args:
        who: whose token; keys of different people do not meet.
        answer: does the work. Raising undoes it and frees the key.

    Returns:
        The answer, and True when it is a repeat.

    Raises:
        KeyReused: the key came with another body before.
    """
    digest = hashlib.sha256(body).hexdigest()
    with transaction():
        earlier = tokens.first_request(who, method, path, key)
        if earlier is not None:
            if earlier.body_hash != digest:
                raise KeyReused("This Idempotency-Key came with another body before. Use a new key for a new request.")
            return Answer(earlier.status, earlier.body, earlier.headers), True
        claimed = tokens.claim_request(who, method, path, key, digest, clock.now())
        fresh = answer()
        tokens.keep_answer(claimed, fresh.status, fresh.body, fresh.headers)
        return fresh, False

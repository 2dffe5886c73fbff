"""Authentication by tokens, and stored answers to repeated requests."""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from lots.services import clock
from lots.services.errors import AlreadyThere, Fault, KeyReused, NotFound, Settled
from lots.services.setup.roles import ADMIN
from lots.services.views import View
from lots.store import audit
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.setup import sessions, tokens
from lots.store.tables.models import RepeatedRequest, Token

DAYS, MOST_DAYS = 365, 3650
# The name in the history for changes of tokens from the command line of the server.
COMMAND = "command line"


@dataclass(frozen=True, slots=True)
class Person:
    """The sender of a request."""

    name: str
    role: str


def digest_of(text: str) -> str:
    """Returns the SHA-256 of a token or a session's secret, in hexadecimal. Any text of a client is accepted."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


@dataclass(frozen=True, slots=True)
class Expired:
    """An expired token: its name and the time of expiry."""

    name: str
    at: datetime


def person_of(token: str) -> Person | Expired | None:
    """Returns the person of a token, or that the token has expired; None if no token has this text.

    Notes:
        Only the hash of a token is stored and looked up. The time of the lookup may show how far a hash agrees with a stored one. That is
        harmless, because a text with a given hash prefix is found only by trial, and a hash does not reveal the 256 random bits of its token.
        The final comparison takes constant time.
    """
    digest = digest_of(token)
    row = tokens.by_hash(digest)
    if row is None or not hmac.compare_digest(row.hash, digest):
        return None
    if row.expires_at is not None and row.expires_at <= clock.now():
        return Expired(row.name, row.expires_at)
    return Person(row.name, row.role)


def add_token(name: str, role: str, days: int = DAYS) -> str:
    """Adds a token for a person and returns its text, which is not available again.

    Args:
        name: unique among all tokens.
        role: one of ROLES.
        days: validity, days, 1..MOST_DAYS. Every token expires, so that a forgotten one does not stay valid.

    Raises:
        AlreadyThere: the name is taken. The name of a revoked token cannot be used again.
    """
    with transaction():
        if tokens.by_name(name):
            raise AlreadyThere(
                f"A token named {name} already exists. Choose another name, or renew it with `lots token renew '{name}'`."
            )
        return _made(name, role, days, COMMAND)[1]


def _made(name: str, role: str, days: int, by: str) -> tuple[Token, str]:
    text, now = secrets.token_urlsafe(32), clock.now()
    row = tokens.add(name, role, digest_of(text), now, now + timedelta(days=days))
    audit.note(None, "token made", by, now, {"token": [row.id]})
    return row, text


def renew_token(name: str, days: int = DAYS) -> str:
    """Renews a person's token and returns the new text, which is not available again. The old token and its sessions end at once.

    Raises:
        NotFound: no token has this name, or it was revoked. A revoked token cannot be renewed.
    """
    with transaction():
        return _renewed(_live(name), days, COMMAND)


def _renewed(row: Token, days: int, by: str) -> str:
    text, now = secrets.token_urlsafe(32), clock.now()
    tokens.renew(row, digest_of(text), now, now + timedelta(days=days))
    sessions.end_of_token(row, now)
    audit.note(None, "token renewed", by, now, {"token": [row.id]})
    return text


def list_tokens() -> list[View]:
    """Returns the names, roles and dates of all tokens, without texts or hashes."""
    return [_view(row) for row in tokens.every()]


def _view(row: Token) -> View:
    shown = ("id", "name", "role", "created_at", "expires_at", "last_used_at", "revoked_at")
    return {name: getattr(row, name) for name in shown}


def revoke_token(name: str) -> None:
    """Revokes a token and ends its sessions at once.

    Raises:
        NotFound: no token has this name, or it is already revoked.
    """
    with transaction():
        _revoked(_live(name), COMMAND)


def _revoked(row: Token, by: str) -> None:
    now = clock.now()
    tokens.revoke(row, now)
    sessions.end_of_token(row, now)
    audit.note(None, "token revoked", by, now, {"token": [row.id]})


def _live(name: str) -> Token:
    row = tokens.by_name(name)
    if row is None or row.revoked_at is not None:
        raise NotFound(f"No valid token is named {name}. See `lots token list`.")
    return row


def nobody_yet() -> bool:
    """Returns whether no token was ever added, so that nobody can have signed in. One query."""
    return not tokens.any_yet()


def add_first_administrator(name: str) -> View:
    """Adds the first token, for an administrator, and returns the person with the `token`, which is not available again.

    Raises:
        Settled: a token already exists.
    """
    with transaction():
        tokens.hold_all()
        if tokens.any_yet():
            raise Settled("A token already exists. Ask an administrator for a token.")
        row, text = _made(name, ADMIN, DAYS, name)
        return {**_view(row), "token": text}


def people(cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of all people who have or had a token, in the order they were added. One query."""
    return tokens.listed(cursor, limit).map(_view)


def person_numbered(number: int) -> View:
    """Returns a person.

    Raises:
        NotFound: no such person.
    """
    return _view(_numbered(number))


def add_person(name: str, role: str, days: int, by: str) -> View:
    """Adds a person or a program and returns it with the `token`, which is not available again.

    Raises:
        AlreadyThere: the name is taken. The name of a revoked token cannot be used again.
    """
    with transaction():
        taken = tokens.by_name(name)
        if taken is not None:
            ended = f"The token of {name} was revoked, and its name cannot be used again. Choose another name."
            known = f"A token of {name} already exists. Choose another name, or renew that token."
            said = known if taken.revoked_at is None else ended
            raise AlreadyThere(said, faults=(Fault("/name", said),), existing_id=taken.id)
        row, text = _made(name, role, days, by)
        return {**_view(row), "token": text}


def renew_person(number: int, days: int, by: str) -> View:
    """Renews a person's token and returns the person with the new `token`, which is not available again.

    Raises:
        NotFound: no such person.
        Settled: the token was revoked. A revoked token cannot be renewed.
    """
    with transaction():
        text = _renewed(_not_revoked(number), days, by)
        return {**_view(_numbered(number)), "token": text}


def revoke_person(number: int, by: str) -> View:
    """Revokes a person's token, ends the sessions at once, and returns the person.

    Raises:
        NotFound: no such person.
        Settled: the token is already revoked, or it is the last valid one of an administrator.
    """
    with transaction():
        tokens.hold_all()
        row = _not_revoked(number)
        if row.role == ADMIN and not set(tokens.valid(ADMIN, clock.now())) - {row.id}:
            raise Settled(f"{row.name} is the last administrator with a valid token. Add another administrator first.")
        _revoked(row, by)
        return _view(_numbered(number))


def _numbered(number: int) -> Token:
    row = tokens.numbered(number)
    if row is None:
        raise NotFound(f"Person {number} does not exist. See the list of people.")
    return row


def _not_revoked(number: int) -> Token:
    row = _numbered(number)
    if row.revoked_at is not None:
        raise Settled(f"The token of {row.name} was revoked. Add the person again under another name.")
    return row


class Uses:
    """The times of last use of tokens, collected in memory and written once a minute by the next request.

    So no request waits for this write or fails because of it. Times that cannot be written are kept for the next minute. Each process
    collects its own, and the later time is stored.
    """

    EVERY = timedelta(minutes=1)

    def __init__(self) -> None:
        self._seen: dict[str, datetime] = {}
        self._due = clock.now() + self.EVERY
        self._lock = threading.Lock()

    def note(self, who: Person) -> None:
        """Records the present time as the last use of a person's token."""
        with self._lock:
            self._seen[who.name] = clock.now()

    def write_due(self) -> None:
        """Writes the collected times if the last write is at least a minute ago."""
        if clock.now() >= self._due:
            self.write()

    def write(self) -> None:
        """Writes the collected times."""
        with self._lock:
            seen, self._seen = self._seen, {}
            self._due = clock.now() + self.EVERY
        if seen and not tokens.write_uses(seen):
            with self._lock:
                self._seen = {**seen, **self._seen}


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer to a POST."""

    status: int
    body: str
    headers: dict[str, str]
    # The body for a repeated request, if the first body contains a secret that is shown once.
    repeated_body: str | None = None


def once(who: str, method: str, path: str, key: str, body: bytes, answer: Callable[[], Answer]) -> tuple[Answer, bool]:
    """Answers a request, or returns the stored answer to the same earlier request.

    Claiming the key, the work and storing the answer are one transaction, so a crash leaves all or nothing. A concurrent request with the
    same key waits for the first.

    Args:
        who: the name of the token. Each person has separate keys.
        answer: does the work. An exception rolls it back and frees the key.

    Returns:
        The answer, and True for a repeated request.

    Raises:
        KeyReused: the key was used before with another body.
    """
    digest = hashlib.sha256(body).hexdigest()
    with transaction():
        earlier = tokens.first_request(who, method, path, key)
        if earlier is not None:
            if earlier.body_hash != digest:
                raise KeyReused(
                    "This Idempotency-Key was used before with another body. Use a new key for a new request."
                )
            return _answered(earlier), True
        claimed = tokens.claim_request(who, method, path, key, digest, clock.now())
        fresh = answer()
        kept = fresh.body if fresh.repeated_body is None else fresh.repeated_body
        tokens.keep_answer(claimed, fresh.status, kept, fresh.headers)
        return fresh, False


def _answered(earlier: RepeatedRequest) -> Answer:
    if earlier.status is None or earlier.body is None or earlier.headers is None:
        raise LookupError(f"request {earlier.id} has no answer, though both are stored in one transaction")
    return Answer(earlier.status, earlier.body, earlier.headers)

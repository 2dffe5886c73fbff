"""Who may come in: tokens, and answers kept for repeated requests."""

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
# Who makes and ends tokens beside the administrators: whoever has the machine, from its command line.
COMMAND = "command line"


@dataclass(frozen=True, slots=True)
class Person:
    """Who a request comes from."""

    name: str
    role: str


def digest_of(text: str) -> str:
    """Returns the SHA-256 of a token or of a session's secret, in hexadecimal; the text may be any that a client can send."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


@dataclass(frozen=True, slots=True)
class Expired:
    """A token that was somebody's until its time was up."""

    name: str
    at: datetime


def person_of(token: str) -> Person | Expired | None:
    """Returns whose token this is, or that it has expired, or None when nobody's live token has this text.

    Notes:
        Only a hash is ever looked up: the text of a token is stored nowhere. Looking it up in an index is safe though its time may tell
        how far the hash agrees with a stored one: nobody can choose a text for the beginning of its SHA-256 but by trying, and
        knowing a hash does not give the 256 random bits it was made of. The last word is a comparison in constant time.
    """
    digest = digest_of(token)
    row = tokens.by_hash(digest)
    if row is None or not hmac.compare_digest(row.hash, digest):
        return None
    if row.expires_at is not None and row.expires_at <= clock.now():
        return Expired(row.name, row.expires_at)
    return Person(row.name, row.role)


def add_token(name: str, role: str, days: int = DAYS) -> str:
    """Makes a token for a person and returns its text, for the one and only time.

    Args:
        name: unique among all tokens.
        role: one of ROLES.
        days: how long it holds, d, 1..MOST_DAYS. None holds for good: one that was forgotten would leave a door open.

    Raises:
        AlreadyThere: the name is taken; names stay in the record, so a revoked one is not used again.
    """
    with transaction():
        if tokens.by_name(name):
            raise AlreadyThere(
                f"There is a token named {name} already. Choose another name, or replace it: `lots token renew '{name}'`."
            )
        return _made(name, role, days, COMMAND)[1]


def _made(name: str, role: str, days: int, by: str) -> tuple[Token, str]:
    text, now = secrets.token_urlsafe(32), clock.now()
    row = tokens.add(name, role, digest_of(text), now, now + timedelta(days=days))
    audit.note(None, "token made", by, now, {"token": [row.id]})
    return row, text


def renew_token(name: str, days: int = DAYS) -> str:
    """Replaces a person's token, live or expired, and returns the new text, for the one and only time. The old one and its sessions end at once.

    Raises:
        NotFound: no token has this name, or it was revoked: whoever was shown out does not come back under the same name.
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
    """Returns names, roles and dates of all tokens, never their text nor its hash."""
    return [_view(row) for row in tokens.every()]


def _view(row: Token) -> View:
    shown = ("id", "name", "role", "created_at", "expires_at", "last_used_at", "revoked_at")
    return {name: getattr(row, name) for name in shown}


def revoke_token(name: str) -> None:
    """Ends a token and its sessions at once.

    Raises:
        NotFound: no live token has this name.
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
        raise NotFound(f"No live token is named {name}. `lots token list` shows them.")
    return row


def nobody_yet() -> bool:
    """Returns whether no token was ever made, so that nobody can have signed in. One query."""
    return not tokens.any_yet()


def add_first_administrator(name: str) -> View:
    """Makes the first token of all, for an administrator, and returns who that is with the `token`, for the one and only time.

    Raises:
        Settled: a token was made before, also by somebody who was faster.
    """
    with transaction():
        tokens.hold_all()
        if tokens.any_yet():
            raise Settled("A token was made already, so this is not the first one.")
        row, text = _made(name, ADMIN, DAYS, name)
        return {**_view(row), "token": text}


def people(cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of everybody who has or had a token, in the order they were added. One query."""
    return tokens.listed(cursor, limit).map(_view)


def person_numbered(number: int) -> View:
    """Returns one of them. Raises NotFound."""
    return _view(_numbered(number))


def add_person(name: str, role: str, days: int, by: str) -> View:
    """Makes a token for a person or a program, and returns who that is with the `token`, for the one and only time.

    Raises:
        AlreadyThere: the name is taken; names stay in the record, so that of a revoked token is not used again.
    """
    with transaction():
        taken = tokens.by_name(name)
        if taken is not None:
            ended = f"The token of {name} was revoked, and names stay in the record. Choose another name."
            known = f"There is a token of {name} already. Choose another name, or renew that token."
            said = known if taken.revoked_at is None else ended
            raise AlreadyThere(said, faults=(Fault("/name", said),), existing_id=taken.id)
        row, text = _made(name, role, days, by)
        return {**_view(row), "token": text}


def renew_person(number: int, days: int, by: str) -> View:
    """Replaces a person's token, live or expired, and returns who that is with the new `token`, for the one and only time.

    Raises:
        NotFound: nobody has this number.
        Settled: the token was revoked: whoever was shown out does not come back under the same name.
    """
    with transaction():
        text = _renewed(_not_revoked(number), days, by)
        return {**_view(_numbered(number)), "token": text}


def revoke_person(number: int, by: str) -> View:
    """Ends a person's token and sessions at once, and returns who that is.

    Raises:
        NotFound: nobody has this number.
        Settled: the token was revoked before, or it is the last valid one of an administrator: then nobody could add another.
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
        raise Settled(f"The token of {row.name} was revoked. Add the person anew under another name.")
    return row


class Uses:
    """When tokens were last used: noted in memory, and written together once a minute by the first request after that.

    So a request that only reads does not write for its own token, none waits for a write, and none fails because of one: what cannot be
    written is kept for a minute later. Each process keeps its own notes; the later moment wins.
    """

    EVERY = timedelta(minutes=1)

    def __init__(self) -> None:
        self._seen: dict[str, datetime] = {}
        self._due = clock.now() + self.EVERY
        self._lock = threading.Lock()

    def note(self, who: Person) -> None:
        """Notes that a person's token is used now."""
        with self._lock:
            self._seen[who.name] = clock.now()

    def write_due(self) -> None:
        """Writes what was noted, when the last time is a minute ago."""
        if clock.now() >= self._due:
            self.write()

    def write(self) -> None:
        """Writes what was noted."""
        with self._lock:
            seen, self._seen = self._seen, {}
            self._due = clock.now() + self.EVERY
        if seen and not tokens.write_uses(seen):
            with self._lock:
                self._seen = {**seen, **self._seen}


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer to a POST, as it went out."""

    status: int
    body: str
    headers: dict[str, str]
    # What a repeat gets instead of the body, where that has something which is shown once.
    repeated_body: str | None = None


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

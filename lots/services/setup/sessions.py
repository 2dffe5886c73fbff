"""Sessions of the pages. A session starts with a token and ends by sign-out, after twelve hours, or with its token."""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from dataclasses import dataclass
from datetime import timedelta

from lots.services import clock
from lots.services.errors import NotFound
from lots.services.setup.access import Person, digest_of
from lots.services.views import View
from lots.store.engine.database import transaction
from lots.store.setup import sessions, tokens

# Longer than one shift. Our choice, no source.
KEPT = timedelta(hours=12)


@dataclass(frozen=True, slots=True)
class Started:
    """A new session: the secret for its cookie, which is not available again, and its person."""

    secret: str
    person: Person


def person_of_session(secret: str) -> Person | None:
    """Returns the person of a session with the present role of the token; None if the session or its token has ended.

    One query. Only the hash of the secret is stored and compared, as for tokens in `access.person_of`.
    """
    digest, now = digest_of(secret), clock.now()
    row = sessions.by_hash(digest)
    if row is None or not hmac.compare_digest(row.hash, digest):
        return None
    expires_at = row.token.expires_at
    if row.ends_at <= now or (expires_at is not None and expires_at <= now):
        return None
    return Person(row.token.name, row.token.role)


def start_session(token: str, address: str | None, before: str = "") -> Started | None:
    """Starts a session for the holder of a token, with a new secret.

    Args:
        token: its text.
        address: the address of the browser; stored if it is an IP address.
        before: the secret of the earlier session in this browser, which ends.

    Returns:
        The session; None if no valid token has this text.

    Notes:
        A new secret at each sign-in prevents session fixation (OWASP Session Management Cheat Sheet).
    """
    secret, digest, now = secrets.token_urlsafe(32), digest_of(token), clock.now()
    with transaction():
        row = sessions.token_for_session(digest)
        if row is None or not hmac.compare_digest(row.hash, digest):
            return None
        if row.expires_at is not None and row.expires_at <= now:
            return None
        if before:
            sessions.end(digest_of(before), now)
        ends_at = min(now + KEPT, row.expires_at or now + KEPT)
        sessions.start(row, digest_of(secret), now, ends_at, _address(address))
    return Started(secret, Person(row.name, row.role))


def _address(text: str | None) -> str | None:
    try:
        return str(ipaddress.ip_address(text or ""))[:64]
    except ValueError:
        return None


def end_session(secret: str) -> None:
    """Ends the session with this secret. Copies of its cookie are no longer valid either."""
    with transaction():
        sessions.end(digest_of(secret), clock.now())


def list_sessions() -> list[View]:
    """Returns the number, name, role, address and times of all open sessions, without secrets or hashes."""
    return [
        {
            "number": row.id,
            "name": row.token.name,
            "role": row.token.role,
            "address": row.address,
            "started_at": row.started_at,
            "ends_at": row.ends_at,
        }
        for row in sessions.live(clock.now())
    ]


def end_sessions_of(name: str) -> int:
    """Ends every open session of a person and returns their number. The token stays valid.

    Raises:
        NotFound: no token has this name.
    """
    with transaction():
        row = tokens.by_name(name)
        if row is None:
            raise NotFound(f"No token is named {name}. See `lots token list`.")
        return sessions.end_of_token(row, clock.now())


def end_session_number(number: int) -> None:
    """Ends one open session.

    Raises:
        NotFound: no open session has this number.
    """
    with transaction():
        if not sessions.end_number(number, clock.now()):
            raise NotFound(f"No open session has the number {number}. See `lots token sessions`.")

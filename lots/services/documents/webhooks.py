"""Webhooks: an administrator adds and ends them, lists undelivered messages and sends them again."""

from __future__ import annotations

import json
import secrets
from collections.abc import Sequence
from datetime import datetime

from lots.domain.production.changes import KINDS
from lots.services import clock
from lots.services.documents import changes, webhook_requests
from lots.services.documents.changes import Position, items_of
from lots.services.documents.webhook_addresses import Network, NotAllowed, check_written, target_of
from lots.services.documents.webhook_requests import Message, Outcome
from lots.services.errors import Conflict, Fault, Invalid, NotFound
from lots.services.views import View
from lots.store import audit
from lots.store.changes import feed
from lots.store.changes import webhooks as store
from lots.store.changes.feed import Told
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.tables.models import Webhook, WebhookMessage

# Each webhook with pending messages has its own thread.
MOST = 20
TEST = "webhook.test"

__all__ = ["KINDS", "MOST", "add", "end", "failures", "get", "listed", "replay", "try_out"]


def add(url: str, kinds: Sequence[str], by: str, networks: Sequence[Network]) -> View:
    """Adds a webhook, which gets all later changes, and returns it with its secret. The secret is never returned again.

    Raises:
        Invalid: the URL is not allowed.
        Conflict: MOST webhooks exist already.
    """
    try:
        check_written(target_of(url), networks)
    except NotAllowed as refused:
        hint = "Give a public address, or one in LOTS_WEBHOOK_NETWORKS."
        raise Invalid(Fault("/url", str(refused), hint)) from None
    now, secret = clock.now(), webhook_requests.new_secret()
    with transaction():
        if len(store.live()) >= MOST:
            raise Conflict(f"{MOST} webhooks exist, which is the most. End a webhook that is no longer needed.")
        last = feed.newest()
        row = store.add(url, list(dict.fromkeys(kinds)), secret, last.id if last else 0, by, now)
        audit.note(None, "webhook added", by, now, {"webhook": [row.id]})
        return {**_view(row, (0, 0)), "secret": secret}


def listed(cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of webhooks, ended ones included. Two queries."""
    found = store.listed(cursor, limit)
    counted = store.undelivered(row.id for row in found.rows)
    return found.map(lambda row: _view(row, counted.get(row.id, (0, 0))))


def get(number: int) -> View:
    """Returns a webhook.

    Raises:
        NotFound: no such webhook.
    """
    return _view(_webhook(number), store.undelivered([number]).get(number, (0, 0)))


def end(number: int, by: str) -> View:
    """Ends a webhook. Nothing is sent any more, and its row is kept.

    Raises:
        NotFound: no such webhook.
        Conflict: it has ended already.
    """
    with transaction():
        row, now = _webhook(number), clock.now()
        if not store.end(number, by, now):
            raise Conflict(f"Webhook {number} was already ended by {row.ended_by}.")
        audit.note(None, "webhook ended", by, now, {"webhook": [number]})
        return get(number)


def failures(number: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of messages that failed or wait to be sent again. Three queries.

    Raises:
        NotFound: no such webhook.
    """
    _webhook(number)
    found = store.failures(number, cursor, limit)
    entries = feed.told_in(row.event_id for row in found.rows)
    return found.map(lambda row: _failure(row, entries.get(row.event_id)))


def _failure(row: WebhookMessage, entry: Told | None) -> View:
    known = items_of(entry) if entry else []
    fields = ("attempts", "last_status", "last_error", "next_at")
    return {
        "change": known[row.part][1] if row.part < len(known) else None,
        "change_id": str(Position(row.event_id, row.part)),
        **{name: getattr(row, name) for name in fields},
    }


def replay(number: int, after: str | None, by: str) -> View:
    """Sends undelivered messages again, or every change after a position in the feed.

    Raises:
        NotFound: no such webhook.
        Conflict: it has ended.
        Invalid: the position is malformed, or not in the history.
    """
    with transaction():
        row, now = _webhook(number), clock.now()
        if row.ended_at is not None:
            raise Conflict(f"Webhook {number} has ended. Add a new webhook, and replay that from a position.")
        again = 0
        if after is None:
            again = store.send_failed_again(number, now)
        else:
            store.reset(number, _entry_before(after))
        audit.note(None, "webhook replayed", by, now, {"webhook": [number]})
        return {**get(number), "messages": again}


def _entry_before(after: str) -> int:
    """Returns the number of the last entry that is not sent again."""
    try:
        position = Position.read(after)
    except Invalid as invalid:
        raise Invalid(*(Fault("/after", fault.detail, fault.hint) for fault in invalid.faults)) from None
    if not position.entry:
        return 0
    entry = feed.told_in([position.entry]).get(position.entry)
    if entry is None:
        raise Invalid(*(Fault("/after", fault.detail, fault.hint) for fault in changes.unknown(after).faults))
    return position.entry - 1 if position.part < len(entry.changes) - 1 else position.entry


def try_out(number: int, networks: Sequence[Network]) -> View:
    """Sends one test message and returns the receiver's answer. Must not run within a transaction.

    Raises:
        NotFound: no such webhook.
        Conflict: it has ended.
    """
    row = _webhook(number)
    if row.ended_at is not None:
        raise Conflict(f"Webhook {number} has ended. Add a new webhook to send a test message.")
    now = clock.now()
    body = envelope(TEST, now, {"webhook_id": number})
    outcome = webhook_requests.send(
        row.url, row.secret, Message(f"test_{secrets.token_hex(12)}", body), networks, int(now.timestamp())
    )
    return {**_outcome(outcome), "seconds": round(outcome.seconds, 3)}


def _outcome(outcome: Outcome) -> View:
    return {
        "delivered": outcome.delivered,
        "status": outcome.status,
        "error": outcome.error,
        "said": outcome.said[:300],
    }


def message_of(entry: Told, part: int) -> Message:
    """Returns a change as a message. Its id is derived from the entry, so it is the same each time and unique to the shop."""
    _, item = items_of(entry)[part]
    body = envelope(str(item["kind"]), entry.at, item)
    return Message(f"change_{entry.id}_{part}_{entry.hash[:12]}", body)


def envelope(kind: str, at: datetime, data: View) -> bytes:
    """Returns the body of a message: `type`, `timestamp`, `data`."""
    told = {"type": kind, "timestamp": at, "data": data}
    return json.dumps(told, default=clock.moment_text, separators=(",", ":")).encode()


def _webhook(number: int) -> Webhook:
    row = store.find(number)
    if row is None:
        raise NotFound(f"Webhook {number} does not exist. See the list of webhooks.")
    return row


def _view(row: Webhook, counted: tuple[int, int]) -> View:
    """Returns a webhook without its secret."""
    fields = ("id", "url", "recorded_at", "recorded_by", "ended_at", "ended_by", "failing_since")
    waiting, failed = counted
    return {
        **{name: getattr(row, name) for name in fields},
        "kinds": row.kinds or [],
        "position": row.position,
        "waiting": waiting,
        "failed": failed,
    }

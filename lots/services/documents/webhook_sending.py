"""Sending changes to webhooks in background threads, with at-least-once delivery and one thread per receiver."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta

from lots.services import clock
from lots.services.documents import webhook_requests
from lots.services.documents.webhook_addresses import Network, NotAllowed, target_of
from lots.services.documents.webhook_requests import GONE, Outcome
from lots.services.documents.webhooks import message_of
from lots.store import audit
from lots.store.changes import feed
from lots.store.changes import webhooks as store
from lots.store.changes.feed import Told
from lots.store.changes.sender_lock import SenderLock
from lots.store.changes.webhooks import Attempt
from lots.store.engine import database
from lots.store.engine.database import transaction
from lots.store.tables.models import Webhook, WebhookMessage

log = logging.getLogger(__name__)

SERVER, RECEIVER = "lots serve", "the receiver, which answered 410"
EVERY_S = 1.0
# The delay after each failed attempt (Standard Webhooks, "Retry schedule"). After the last one the message has failed.
BACKOFF = tuple(
    timedelta(seconds=s) for s in (5, 300, 1800, 7200, 5 * 3600, 10 * 3600, 14 * 3600, 20 * 3600, 24 * 3600)
)
# A failing receiver gets one attempt per pause, however many messages wait. The pause is a tenth of the time since its first failure.
SHORTEST_PAUSE, LONGEST_PAUSE = BACKOFF[0], timedelta(minutes=5)
_A_DAY = timedelta(days=1)
# Entries and messages read at once, and the longest time before the position of delivered ones is stored.
_AT_ONCE, _UNWRITTEN = 50, timedelta(seconds=1)


def next_time(attempts: int, now: datetime) -> datetime | None:
    """Returns the time of the next attempt after so many attempts; None if the message has failed.

    Example:
        >>> now = datetime.fromisoformat("2026-11-25T12:00:00+00:00")
        >>> next_time(1, now).second, next_time(len(BACKOFF) + 1, now)
        (5, None)
    """
    return now + BACKOFF[attempts - 1] if attempts <= len(BACKOFF) else None


def pause(failing_since: datetime, now: datetime) -> timedelta:
    """Returns the pause before the next attempt to a failing receiver."""
    return min(max((now - failing_since) / 10, SHORTEST_PAUSE), LONGEST_PAUSE)


@contextmanager
def _connection() -> Iterator[None]:
    database.connect()
    try:
        yield
    finally:
        database.disconnect()


class Sender:
    """The sender of this process. `round` is called periodically and starts a thread for each webhook with pending messages.

    A thread reads the messages, sends them without a database connection, then stores the position in the feed and the failed messages
    in one transaction. If the process is killed between these steps, messages are sent again with the same `webhook-id` (at least once).

    Args:
        networks: internal networks that messages may go to.
    """

    def __init__(self, networks: Sequence[Network] = ()) -> None:
        self._networks = networks
        self._lock = SenderLock()
        self._threads: dict[int, threading.Thread] = {}
        self._stopped = threading.Event()
        # Of failing receivers: the earliest time of the next attempt, and the start of the failure that was logged.
        self._rest: dict[int, datetime] = {}
        self._logged: dict[int, datetime] = {}

    def round(self) -> None:
        """Starts a thread for each webhook with pending messages. Never waits. At most three queries if nothing is pending."""
        hooks = store.live()
        if not hooks:
            self._lock.give_up()
            return
        if not self._lock.take():
            return
        now = clock.now()
        last, due = feed.newest(), store.with_due(now)
        for hook in hooks:
            behind = last is not None and hook.position < last.id
            thread = self._threads.get(hook.id)
            if (behind or (hook.id in due and self._may_try(hook, now))) and not (thread and thread.is_alive()):
                thread = threading.Thread(
                    target=self._work, args=(hook.id,), daemon=True, name=f"lots webhook {hook.id}"
                )
                self._threads[hook.id] = thread
                thread.start()

    def wait(self, patience_s: float = 60.0) -> None:
        """Waits until the messages in progress are sent."""
        for thread in list(self._threads.values()):
            thread.join(patience_s)

    def stop(self) -> None:
        """Stops sending after the messages in progress, and releases the lock for another process."""
        self._stopped.set()
        self.wait(webhook_requests.DEADLINE_S + 1)
        self._lock.give_up()

    def _may_try(self, hook: Webhook, now: datetime) -> bool:
        """Returns False during the pause of a failing receiver. A clock set back does not lengthen the pause."""
        rest = self._rest.get(hook.id)
        return hook.failing_since is None or rest is None or not now < rest <= now + LONGEST_PAUSE

    def _work(self, number: int) -> None:
        try:
            while not self._stopped.is_set() and self._step(number):
                pass
        except Exception:
            log.exception("sending to webhook %s failed", number)

    def _step(self, number: int) -> bool:
        """Sends some pending messages. Returns False if nothing is pending, or if the receiver is failing."""
        now = clock.now()
        with _connection():
            hook = store.find(number)
            if hook is None or hook.ended_at is not None:
                return False
            again = store.due(number, now, _AT_ONCE) if self._may_try(hook, now) else []
            entries = [] if again else feed.entries(hook.position + 1, _AT_ONCE)
            told = feed.told_in(message.event_id for message in again)
        if again:
            return self._again(hook, again, told)
        if not entries:
            return False
        if not self._may_try(hook, now):
            self._put_off(hook, entries, now)
            return True
        return self._first(hook, entries)

    # Sending for the first time

    def _first(self, hook: Webhook, entries: Sequence[Told]) -> bool:
        """Sends entries in the order of the feed. After a failure, the rest of that entry is stored for another attempt."""
        written, began, sent = hook.position, clock.now(), False
        for entry in entries:
            wanted = _wanted(hook, entry)
            for place, part in enumerate(wanted):
                outcome = self._send(hook, entry, part)
                if not outcome.delivered:
                    self._failed(hook, entry, wanted[place:], outcome, written)
                    return False
                sent = True
            now = clock.now()
            recovered = sent and hook.failing_since is not None
            if recovered or self._stopped.is_set() or not began <= now < began + _UNWRITTEN:
                self._delivered(hook, written, entry.id, recovered=recovered)
                written, began = entry.id, now
            if self._stopped.is_set():
                return False
        if written != entries[-1].id:
            self._delivered(hook, written, entries[-1].id, recovered=False)
        return True

    def _delivered(self, hook: Webhook, before: int, after: int, *, recovered: bool) -> None:
        with _connection(), transaction():
            store.move(hook.id, before, after)
            if recovered:
                store.failing(hook.id, None)
        if recovered:
            self._recovered(hook)

    def _failed(self, hook: Webhook, entry: Told, parts: Sequence[int], outcome: Outcome, written: int) -> None:
        """Stores the failed message, the unsent messages of its entry and the position after them in one transaction."""
        now = clock.now()
        first, *rest = parts
        kept = [_attempt(entry.id, first, 1, outcome, now)]
        kept += [Attempt(entry.id, part, 0, now, None, None) for part in rest]
        with _connection(), transaction():
            store.keep(hook.id, kept)
            store.move(hook.id, written, entry.id)
            self._note_failure(hook, outcome, now)

    def _put_off(self, hook: Webhook, entries: Sequence[Told], now: datetime) -> None:
        """Stores entries as messages without an attempt, because each attempt to a failing receiver may take the whole deadline."""
        kept = [Attempt(entry.id, part, 0, now, None, None) for entry in entries for part in _wanted(hook, entry)]
        with _connection(), transaction():
            store.keep(hook.id, kept)
            store.move(hook.id, hook.position, entries[-1].id)

    # Sending again

    def _again(self, hook: Webhook, messages: Sequence[WebhookMessage], told: dict[int, Told]) -> bool:
        """Sends failed messages again, until the first failure."""
        for message in messages:
            entry = told.get(message.event_id)
            if entry is None or message.part >= len(entry.changes):
                outcome = Outcome(None, "The entry of this change is no longer in the history.")
                attempts = len(BACKOFF)
            else:
                outcome, attempts = self._send(hook, entry, message.part), message.attempts
            now = clock.now()
            attempt = _attempt(message.event_id, message.part, attempts + 1, outcome, now)
            with _connection(), transaction():
                store.tried_again(message, attempt, now if outcome.delivered else None)
                if outcome.delivered:
                    store.failing(hook.id, None)
                elif entry is not None:
                    self._note_failure(hook, outcome, now)
            if outcome.delivered:
                self._recovered(hook)
            elif entry is not None:
                return False
            if self._stopped.is_set():
                return False
        return True

    # Both

    def _send(self, hook: Webhook, entry: Told, part: int) -> Outcome:
        timestamp = int(clock.now().timestamp())
        return webhook_requests.send(hook.url, hook.secret, message_of(entry, part), self._networks, timestamp)

    def _note_failure(self, hook: Webhook, outcome: Outcome, now: datetime) -> None:
        """Stores and logs a failure, within the transaction that stores the message."""
        since = hook.failing_since or now
        store.failing(hook.id, since)
        self._rest[hook.id] = now + pause(since, now)
        if outcome.status == GONE and store.end(hook.id, RECEIVER, now):
            audit.note(None, "webhook ended", SERVER, now, {"webhook": [hook.id]})
            log.warning("webhook %s was ended: its receiver %s answered 410", hook.id, _host(hook.url))
        elif now - since >= _A_DAY and self._logged.get(hook.id) != since:
            self._logged[hook.id] = since
            log.warning("webhook %s has been failing for a day: %s: %s", hook.id, _host(hook.url), outcome.error)

    def _recovered(self, hook: Webhook) -> None:
        hook.failing_since = None
        self._rest.pop(hook.id, None)
        self._logged.pop(hook.id, None)


def _wanted(hook: Webhook, entry: Told) -> list[int]:
    """Returns the indexes of the changes that a webhook gets of an entry."""
    return [part for part, change in enumerate(entry.changes) if not hook.kinds or change["kind"] in hook.kinds]


def _attempt(event_id: int, part: int, attempts: int, outcome: Outcome, now: datetime) -> Attempt:
    next_at = None if outcome.delivered else next_time(attempts, now)
    return Attempt(event_id, part, attempts, next_at, outcome.status, (outcome.error or "")[:300] or None)


def _host(url: str) -> str:
    """Returns the host and port of a URL for the log. Its path may hold a secret."""
    try:
        return target_of(url).named
    except NotAllowed:
        return "no address"

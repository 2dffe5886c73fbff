"""Webhooks, and the messages that were not delivered at the first attempt."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from peewee import EXCLUDED, fn

from lots.store.engine.database import db
from lots.store.engine.paging import Page, page
from lots.store.tables.models import Webhook, WebhookMessage

_LIVE = Webhook.ended_at.is_null()
_OPEN = WebhookMessage.delivered_at.is_null()


def add(url: str, kinds: Sequence[str], secret: str, position: int, by: str, now: datetime) -> Webhook:
    """A new webhook that gets what is noted after the entry numbered `position`."""
    values = {"url": url, "kinds": list(kinds) or None, "secret": secret, "position": position}
    return Webhook.create(**values, recorded_by=by, recorded_at=now)


def find(number: int) -> Webhook | None:
    """A webhook, ended or not, or None."""
    return Webhook.get_or_none(Webhook.id == number)


def live() -> list[Webhook]:
    """Webhooks that have not ended, by number. One query."""
    return list(Webhook.select().where(_LIVE).order_by(Webhook.id))


def listed(cursor: str | None, limit: int) -> Page[Webhook]:
    """A page of webhooks in the order they were added."""
    return page(Webhook.select(), Webhook.id, cursor, limit)


def end(number: int, by: str, now: datetime) -> bool:
    """Ends a webhook, once."""
    query = Webhook.update(ended_at=now, ended_by=by).where((Webhook.id == number) & _LIVE)
    return bool(query.execute())


def undelivered(numbers: Iterable[int]) -> dict[int, tuple[int, int]]:
    """Of each webhook with messages that were not delivered: how many are sent again, and how many have failed. One query."""
    waiting, failed = fn.COUNT(WebhookMessage.next_at), fn.COUNT(WebhookMessage.id) - fn.COUNT(WebhookMessage.next_at)
    query = WebhookMessage.select(WebhookMessage.webhook, waiting, failed)
    query = query.where(WebhookMessage.webhook.in_(list(numbers)) & _OPEN).group_by(WebhookMessage.webhook)
    return {number: (again, gone) for number, again, gone in db.execute(query).fetchall()}


def failures(number: int, cursor: str | None, limit: int) -> Page[WebhookMessage]:
    """A page of messages that were not delivered, in the order they were first due."""
    query = WebhookMessage.select().where((WebhookMessage.webhook == number) & _OPEN)
    return page(query, WebhookMessage.id, cursor, limit)


# Sending


@dataclass(frozen=True, slots=True)
class Attempt:
    """How an attempt at a message ended.."""

    event_id: int
    part: int
    attempts: int
    next_at: datetime | None
    status: int | None
    error: str | None


def due(number: int, now: datetime, most: int) -> list[WebhookMessage]:
    """Messages of a webhook that are to be sent again by now, the one that waits longest first. One query on an index."""
    query = WebhookMessage.select().where((WebhookMessage.webhook == number) & (WebhookMessage.next_at <= now))
    return list(query.order_by(WebhookMessage.next_at, WebhookMessage.id).limit(most))


def with_due(now: datetime) -> set[int]:
    """Numbers of the live webhooks that have messages to be sent again by now. One query."""
    query = WebhookMessage.select(WebhookMessage.webhook).join(Webhook).where(_LIVE & (WebhookMessage.next_at <= now))
    return {row.webhook_id for row in query.distinct()}


def move(number: int, before: int, after: int) -> None:
    """Moves a webhook's position, unless somebody else has moved it meanwhile: then what follows is sent from there."""
    Webhook.update(position=after).where((Webhook.id == number) & (Webhook.position == before)).execute()


def reset(number: int, position: int) -> None:
    """Sends everything again that was noted after the entry numbered `position`."""
    Webhook.update(position=position).where(Webhook.id == number).execute()


def keep(number: int, attempts: Sequence[Attempt]) -> None:
    """Keeps messages that were not delivered, so that they are sent again."""
    rows: list[Mapping[str, object]] = [
        {
            "webhook": number,
            "event_id": one.event_id,
            "part": one.part,
            "attempts": one.attempts,
            "next_at": one.next_at,
            "delivered_at": None,
            "last_status": one.status,
            "last_error": one.error,
        }
        for one in attempts
    ]
    renewed = ("attempts", "next_at", "delivered_at", "last_status", "last_error")
    keys = (WebhookMessage.webhook, WebhookMessage.event_id, WebhookMessage.part)
    for start in range(0, len(rows), 100):
        WebhookMessage.insert_many(rows[start : start + 100]).on_conflict(
            conflict_target=keys, update={name: getattr(EXCLUDED, name) for name in renewed}
        ).execute()


def tried_again(message: WebhookMessage, attempt: Attempt, delivered_at: datetime | None) -> None:
    """Notes how sending a message again ended."""
    WebhookMessage.update(
        attempts=attempt.attempts,
        next_at=attempt.next_at,
        delivered_at=delivered_at,
        last_status=attempt.status,
        last_error=attempt.error,
    ).where(WebhookMessage.id == message.id).execute()


def failing(number: int, since: datetime | None) -> None:
    """Notes since when a receiver has been failing; None when it takes messages again."""
    changed = Webhook.failing_since.is_null() if since else Webhook.failing_since.is_null(False)
    Webhook.update(failing_since=since).where((Webhook.id == number) & changed).execute()


def send_failed_again(number: int, now: datetime) -> int:
    """Has messages that have failed sent again from now on, and returns how many. Those that wait for their next time come now too."""
    query = WebhookMessage.update(next_at=now, attempts=0).where((WebhookMessage.webhook == number) & _OPEN)
    return int(query.execute())

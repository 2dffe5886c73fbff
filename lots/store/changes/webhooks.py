"""Webhooks, and their messages that were not delivered at the first attempt."""

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
    """Stores a webhook that receives changes after the entry with id `position`."""
    values = {"url": url, "kinds": list(kinds) or None, "secret": secret, "position": position}
    return Webhook.create(**values, recorded_by=by, recorded_at=now)


def find(number: int) -> Webhook | None:
    """Returns a webhook, ended or not, or None."""
    return Webhook.get_or_none(Webhook.id == number)


def live() -> list[Webhook]:
    """Returns the webhooks that have not ended, by id. One query."""
    return list(Webhook.select().where(_LIVE).order_by(Webhook.id))


def listed(cursor: str | None, limit: int) -> Page[Webhook]:
    """Returns a page of webhooks, oldest first."""
    return page(Webhook.select(), Webhook.id, cursor, limit)


def end(number: int, by: str, now: datetime) -> bool:
    """Ends a webhook. Returns False when it had ended before."""
    query = Webhook.update(ended_at=now, ended_by=by).where((Webhook.id == number) & _LIVE)
    return bool(query.execute())


def undelivered(numbers: Iterable[int]) -> dict[int, tuple[int, int]]:
    """Returns the numbers of waiting and failed messages by webhook. One query."""
    waiting, failed = fn.COUNT(WebhookMessage.next_at), fn.COUNT(WebhookMessage.id) - fn.COUNT(WebhookMessage.next_at)
    query = WebhookMessage.select(WebhookMessage.webhook, waiting, failed)
    query = query.where(WebhookMessage.webhook.in_(list(numbers)) & _OPEN).group_by(WebhookMessage.webhook)
    return {number: (again, gone) for number, again, gone in db.execute(query).fetchall()}


def failures(number: int, cursor: str | None, limit: int) -> Page[WebhookMessage]:
    """Returns a page of undelivered messages, oldest first."""
    query = WebhookMessage.select().where((WebhookMessage.webhook == number) & _OPEN)
    return page(query, WebhookMessage.id, cursor, limit)


# Sending


@dataclass(frozen=True, slots=True)
class Attempt:
    """The result of an attempt to deliver a message."""

    event_id: int
    part: int
    attempts: int
    next_at: datetime | None
    status: int | None
    error: str | None


def due(number: int, now: datetime, most: int) -> list[WebhookMessage]:
    """Returns the messages of a webhook that are due again, the longest waiting first. One query on an index."""
    query = WebhookMessage.select().where((WebhookMessage.webhook == number) & (WebhookMessage.next_at <= now))
    return list(query.order_by(WebhookMessage.next_at, WebhookMessage.id).limit(most))


def with_due(now: datetime) -> set[int]:
    """Returns the ids of the live webhooks with messages due again. One query."""
    query = WebhookMessage.select(WebhookMessage.webhook).join(Webhook).where(_LIVE & (WebhookMessage.next_at <= now))
    return {row.webhook_id for row in query.distinct()}


def move(number: int, before: int, after: int) -> None:
    """Moves a webhook's position, unless a concurrent change moved it. Sending then continues from there."""
    Webhook.update(position=after).where((Webhook.id == number) & (Webhook.position == before)).execute()


def reset(number: int, position: int) -> None:
    """Resets a webhook's position, so that changes after the entry with id `position` are sent again."""
    Webhook.update(position=position).where(Webhook.id == number).execute()


def keep(number: int, attempts: Sequence[Attempt]) -> None:
    """Stores undelivered messages for later attempts."""
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
    """Stores the result of a repeated attempt."""
    WebhookMessage.update(
        attempts=attempt.attempts,
        next_at=attempt.next_at,
        delivered_at=delivered_at,
        last_status=attempt.status,
        last_error=attempt.error,
    ).where(WebhookMessage.id == message.id).execute()


def failing(number: int, since: datetime | None) -> None:
    """Stores the time since which a receiver has been failing; None when it accepts messages again."""
    changed = Webhook.failing_since.is_null() if since else Webhook.failing_since.is_null(False)
    Webhook.update(failing_since=since).where((Webhook.id == number) & changed).execute()


def send_failed_again(number: int, now: datetime) -> int:
    """Schedules failed and waiting messages for an attempt now, and returns their number."""
    query = WebhookMessage.update(next_at=now, attempts=0).where((WebhookMessage.webhook == number) & _OPEN)
    return int(query.execute())

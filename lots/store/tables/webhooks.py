"""Tables of webhooks, and of messages that were not delivered at the first attempt."""

from __future__ import annotations

from peewee import BigIntegerField, CharField, Check, ForeignKeyField, IntegerField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.row import Row


class Webhook(Row):
    """A receiver of changes. `position` is the id of the last history entry whose changes were delivered or stored as messages.

    `kinds` are the kinds of change that it gets, all if empty. `failing_since` is the time of its first failure since its last success.
    """

    url = TextField()
    kinds = Json[list[str] | None](null=True)
    secret = CharField(100)
    recorded_at = Instant()
    recorded_by = CharField(120)
    ended_at = Instant(null=True)
    ended_by = CharField(120, null=True)
    position = BigIntegerField()
    failing_since = Instant(null=True)


class WebhookMessage(Row):
    """A change that was not delivered at the first attempt. Next attempt: `next_at`. Without `next_at` and `delivered_at` it has failed."""

    webhook = ForeignKeyField(Webhook)
    webhook_id: int
    event_id = BigIntegerField()
    part = IntegerField(constraints=[Check("part >= 0")])
    attempts = IntegerField(constraints=[Check("attempts >= 0")])
    next_at = Instant(null=True)
    delivered_at = Instant(null=True)
    last_status = IntegerField(null=True)
    last_error = CharField(300, null=True)

    class Meta:
        indexes = (
            (("webhook", "event_id", "part"), True),
            (("webhook", "next_at"), False),
        )

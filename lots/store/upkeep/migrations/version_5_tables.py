"""The tables that version 5 adds, frozen, because the program's own tables change later."""

from __future__ import annotations

from peewee import BigAutoField, BigIntegerField, CharField, Check, ForeignKeyField, IntegerField, Model, TextField

from lots.store.engine.column_types import Instant, Json


class Row(Model):
    id = BigAutoField()

    class Meta:
        legacy_table_names = False


class Token(Row):
    pass


class WebSession(Row):
    hash = CharField(64, unique=True)
    token = ForeignKeyField(Token)
    started_at = Instant()
    ends_at = Instant(index=True)
    ended_at = Instant(null=True)
    address = CharField(64, null=True)


class Webhook(Row):
    url = TextField()
    kinds = Json(null=True)
    secret = CharField(100)
    recorded_at = Instant()
    recorded_by = CharField(120)
    ended_at = Instant(null=True)
    ended_by = CharField(120, null=True)
    position = BigIntegerField()
    failing_since = Instant(null=True)


class WebhookMessage(Row):
    webhook = ForeignKeyField(Webhook)
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


NEW = (WebSession, Webhook, WebhookMessage)

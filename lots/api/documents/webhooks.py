"""Webhooks, which send changes to receivers."""

from __future__ import annotations

from typing import Any

from flask import current_app
from marshmallow import Schema, ValidationError, fields

from lots.api.documents.changes import FeedChangeSchema
from lots.api.http.fields import NUMBER, Instant, Said, Strict, Text, answered
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.services.documents import webhooks

routes = Routes(
    "webhooks",
    __name__,
    url_prefix="/v1/webhooks",
    description="Webhooks for changes, signed by the Standard Webhooks specification.",
)


class KindList(fields.List[str]):
    """A JSON array of kinds of change."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kw: Any) -> list[Any]:
        wanted = super()._deserialize(value, attr, data, **kw)
        if len(wanted) > len(webhooks.KINDS):
            raise ValidationError(Said("A kind appears more than once in this list.", "Name each kind once."))
        return wanted


class AddWebhookSchema(Strict):
    """A new webhook."""

    example = {"url": "https://receiver.example/changes", "kinds": ["lot.blocked", "containment.opened"]}

    url = Text(
        2000,
        required=True,
        metadata={
            "description": "https or http address of the receiver; internal addresses only within LOTS_WEBHOOK_NETWORKS"
        },
    )
    kinds = KindList(
        Text(40, one_of=webhooks.KINDS),
        load_default=(),
        error_messages={"invalid": "This must be a list.", "null": "This must be a list, not null."},
        metadata={"description": "kinds of change to send; all if empty", "maxItems": len(webhooks.KINDS)},
    )


class ReplayWebhookSchema(Strict):
    """A request to send messages again."""

    example = {"after": "0.0"}

    after = Text(
        40,
        metadata={
            "description": "position in the feed after which all messages are sent again; by default only undelivered ones",
            "example": "1042.0",
        },
    )


class WebhookSchema(Schema):
    """A webhook. Its secret is shown once, when it is added."""

    id = fields.Integer(required=True)
    url, kinds = answered(AddWebhookSchema, null=False)
    position = fields.Integer(
        required=True,
        metadata={"description": "last history entry whose changes were delivered or are waiting"},
    )
    failing_since = Instant(
        required=True,
        allow_none=True,
        metadata={"description": "first failed attempt since the last success; null if none failed"},
    )
    waiting = fields.Integer(required=True, metadata={"description": "number of messages waiting for another attempt"})
    failed = fields.Integer(
        required=True, metadata={"description": "number of messages that failed permanently; replay sends them again"}
    )
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)
    ended_at = Instant(required=True, allow_none=True)
    ended_by = fields.String(required=True, allow_none=True)


class AddedWebhookSchema(WebhookSchema):
    """A new webhook."""

    secret = fields.String(
        required=True,
        allow_none=True,
        metadata={
            "description": "key for message signatures (HMAC-SHA256), shown only once; null in a repeat with the same Idempotency-Key"
        },
    )


class ReplayedWebhookSchema(WebhookSchema):
    """A webhook after a replay."""

    messages = fields.Integer(required=True, metadata={"description": "number of messages that are sent again"})


class WebhookTrialSchema(Schema):
    """The result of a test message."""

    delivered = fields.Boolean(required=True)
    status = fields.Integer(
        required=True, allow_none=True, metadata={"description": "status of the response; null without a response"}
    )
    error = fields.String(required=True, allow_none=True)
    said = fields.String(required=True, metadata={"description": "start of the response body"})
    seconds = fields.Float(required=True)


class WebhookFailureSchema(Schema):
    """A message that was not delivered."""

    change_id = fields.String(required=True, metadata={"description": "position in the feed"})
    change = fields.Nested(FeedChangeSchema, required=True, allow_none=True)
    attempts = fields.Integer(
        required=True, metadata={"description": "number of attempts; 0 while the receiver is failing"}
    )
    last_status = fields.Integer(required=True, allow_none=True)
    last_error = fields.String(required=True, allow_none=True)
    next_at = Instant(
        required=True,
        allow_none=True,
        metadata={"description": "time of the next attempt; null if it failed permanently"},
    )


def _networks() -> Any:
    return current_app.extensions["webhook_networks"]


@routes.route("")
class Webhooks(Resource):
    """All webhooks."""

    who = {"GET": (), "POST": ()}
    shown_once = frozenset({"secret"})
    made_at = "/v1/webhooks/{id}"

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(WebhookSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List webhooks.

        Ended webhooks are included. They are in the order they were added.
        """
        return page_answer(webhooks.listed(args.get("cursor"), args["limit"]))

    @routes.arguments(AddWebhookSchema)
    @routes.response(201, AddedWebhookSchema)
    def post(self, body: dict[str, Any]) -> Any:
        """Add a webhook.

        It receives later changes only. The answer contains its secret, which is shown only once. 422 for an internal
        address that the setting `webhook_networks` does not allow. 409 if the maximum number of webhooks is reached.
        """
        made = webhooks.add(body["url"], body["kinds"], person().name, _networks())
        return made, self.location(made)


@routes.route(f"/<{NUMBER}:number>")
class Webhook(Resource):
    """One webhook."""

    who = {"GET": ()}

    @routes.response(200, WebhookSchema)
    def get(self, number: int) -> Any:
        """Show a webhook.

        The secret is not shown. 404 for an unknown webhook.
        """
        return webhooks.get(number)


@routes.route(f"/<{NUMBER}:number>/end")
class WebhookEnd(Resource):
    """The end of a webhook."""

    who = {"POST": ()}

    @routes.response(201, WebhookSchema)
    def post(self, number: int) -> Any:
        """End a webhook.

        No more messages are sent. The webhook stays in the list. 404 for an unknown webhook, 409 if it has already
        ended.
        """
        return webhooks.end(number, person().name)


@routes.route(f"/<{NUMBER}:number>/test")
class WebhookTest(Resource):
    """A test message."""

    who = {"POST": ()}
    # A repeat sends another message. Storing the answer would keep a transaction open during the request to the receiver.
    repeatable = False

    @routes.response(200, WebhookTrialSchema)
    def post(self, number: int) -> Any:
        """Send a test message.

        One message of type `webhook.test` is sent now. The answer shows the response of the receiver. Idempotency-Key
        has no effect. 404 for an unknown webhook, 409 if it has ended.
        """
        return webhooks.try_out(number, _networks())


@routes.route(f"/<{NUMBER}:number>/failures")
class WebhookFailures(Resource):
    """Undelivered messages."""

    who = {"GET": ()}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(WebhookFailureSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List undelivered messages.

        They have failed or wait for another attempt. They are in the order of their first attempt. 404 for an unknown
        webhook.
        """
        return page_answer(webhooks.failures(number, args.get("cursor"), args["limit"]))


@routes.route(f"/<{NUMBER}:number>/replay")
class WebhookReplay(Resource):
    """A replay of messages."""

    who = {"POST": ()}

    @routes.arguments(ReplayWebhookSchema)
    @routes.response(201, ReplayedWebhookSchema)
    def post(self, body: dict[str, Any], number: int) -> Any:
        """Send messages again.

        Sends all undelivered messages, or all messages after a position of the feed. The receiver recognises a repeat
        by its `webhook-id`. 404 for an unknown webhook, 409 if it has ended, 422 for an unknown position.
        """
        return webhooks.replay(number, body.get("after"), person().name)

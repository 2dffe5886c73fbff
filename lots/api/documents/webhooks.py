"""Webhooks: addresses to which changes are sent."""

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
    description="Where changes are sent, signed as Standard Webhooks has it.",
)


class KindList(fields.List[str]):
    """A JSON array of kinds of change."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kw: Any) -> list[Any]:
        wanted = super()._deserialize(value, attr, data, **kw)
        if len(wanted) > len(webhooks.KINDS):
            raise ValidationError(Said("A kind stands in this list more than once.", "Name each kind once."))
        return wanted


class AddWebhookSchema(Strict):
    """A new webhook."""

    example = {"url": "https://receiver.example/changes", "kinds": ["lot.blocked", "containment.opened"]}

    url = Text(
        2000,
        required=True,
        metadata={"description": "https or http; an internal address only as LOTS_WEBHOOK_NETWORKS allows it"},
    )
    kinds = KindList(
        Text(40, one_of=webhooks.KINDS),
        load_default=(),
        error_messages={"invalid": "This must be a list.", "null": "This must be a list, not null."},
        metadata={"description": "kinds of change that are sent; all when empty", "maxItems": len(webhooks.KINDS)},
    )


class ReplayWebhookSchema(Strict):
    """What is sent again."""

    example = {"after": "0.0"}

    after = Text(
        40,
        metadata={
            "description": "position of the feed after which everything is sent again; left out: what was not delivered",
            "example": "1042.0",
        },
    )


class WebhookSchema(Schema):
    """A webhook. Its secret is shown once, when it is added."""

    id = fields.Integer(required=True)
    url, kinds = answered(AddWebhookSchema, null=False)
    position = fields.Integer(
        required=True,
        metadata={"description": "the last history entry whose changes were delivered, or wait to be sent again"},
    )
    failing_since = Instant(
        required=True, allow_none=True, metadata={"description": "the first failed attempt since the last success"}
    )
    waiting = fields.Integer(required=True, metadata={"description": "messages that are sent again"})
    failed = fields.Integer(required=True, metadata={"description": "messages that are not sent again unless replayed"})
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)
    ended_at = Instant(required=True, allow_none=True)
    ended_by = fields.String(required=True, allow_none=True)


class AddedWebhookSchema(WebhookSchema):
    """A webhook that was just added."""

    secret = fields.String(
        required=True,
        allow_none=True,
        metadata={
            "description": "signs every message (HMAC-SHA256); it is never shown again: a repeat under the same Idempotency-Key gets null"
        },
    )


class ReplayedWebhookSchema(WebhookSchema):
    """A webhook that sends again."""

    messages = fields.Integer(required=True, metadata={"description": "messages that are sent again now"})


class WebhookTrialSchema(Schema):
    """What came of a test message."""

    delivered = fields.Boolean(required=True)
    status = fields.Integer(required=True, allow_none=True, metadata={"description": "what the receiver answered"})
    error = fields.String(required=True, allow_none=True)
    said = fields.String(required=True, metadata={"description": "how the body of its answer begins"})
    seconds = fields.Float(required=True)


class WebhookFailureSchema(Schema):
    """A message that was not delivered."""

    change_id = fields.String(required=True, metadata={"description": "position in the feed"})
    change = fields.Nested(FeedChangeSchema, required=True, allow_none=True)
    attempts = fields.Integer(
        required=True, metadata={"description": "0: the receiver was failing, so it was not tried yet"}
    )
    last_status = fields.Integer(required=True, allow_none=True)
    last_error = fields.String(required=True, allow_none=True)
    next_at = Instant(required=True, allow_none=True, metadata={"description": "null: it has failed"})


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
        """List webhooks, ended ones included.

        The order is the one in which they were added.
        """
        return page_answer(webhooks.listed(args.get("cursor"), args["limit"]))

    @routes.arguments(AddWebhookSchema)
    @routes.response(201, AddedWebhookSchema)
    def post(self, body: dict[str, Any]) -> Any:
        """Add a webhook.

        It gets what changes from now on. The answer has its secret, which is never shown again. 422 for an internal address that the setting
        `webhook_networks` does not allow. 409 where there are as many webhooks as are served.
        """
        made = webhooks.add(body["url"], body["kinds"], person().name, _networks())
        return made, self.location(made)


@routes.route(f"/<{NUMBER}:number>")
class Webhook(Resource):
    """One webhook."""

    who = {"GET": ()}

    @routes.response(200, WebhookSchema)
    def get(self, number: int) -> Any:
        """Get a webhook.

        Its secret is not shown. 404 for an unknown one.
        """
        return webhooks.get(number)


@routes.route(f"/<{NUMBER}:number>/end")
class WebhookEnd(Resource):
    """The end of a webhook."""

    who = {"POST": ()}

    @routes.response(201, WebhookSchema)
    def post(self, number: int) -> Any:
        """End a webhook.

        Nothing is sent to it any more. It stays in the list. 404 for an unknown one, 409 for one that has ended.
        """
        return webhooks.end(number, person().name)


@routes.route(f"/<{NUMBER}:number>/test")
class WebhookTest(Resource):
    """A test message."""

    who = {"POST": ()}
    # A repeat sends another message: keeping an answer would hold a transaction open while the receiver is waited for.
    repeatable = False

    @routes.response(200, WebhookTrialSchema)
    def post(self, number: int) -> Any:
        """Send a test message to the receiver of a webhook.

        The message has the type `webhook.test` and is sent once, now. The answer says what the receiver answered. An Idempotency-Key is not
        kept. 404 for an unknown webhook, 409 for one that has ended.
        """
        return webhooks.try_out(number, _networks())


@routes.route(f"/<{NUMBER}:number>/failures")
class WebhookFailures(Resource):
    """What was not delivered."""

    who = {"GET": ()}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(WebhookFailureSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List messages that were not delivered.

        They have failed or wait to be sent again. The order is the one in which they were first due. 404 for an unknown webhook.
        """
        return page_answer(webhooks.failures(number, args.get("cursor"), args["limit"]))


@routes.route(f"/<{NUMBER}:number>/replay")
class WebhookReplay(Resource):
    """Sending again."""

    who = {"POST": ()}

    @routes.arguments(ReplayWebhookSchema)
    @routes.response(201, ReplayedWebhookSchema)
    def post(self, body: dict[str, Any], number: int) -> Any:
        """Send messages again.

        Sends what was not delivered, or everything after a position of the feed. A receiver knows a repetition by its `webhook-id`. 404 for
        an unknown webhook, 409 for one that has ended, 422 for an unknown position.
        """
        return webhooks.replay(number, body.get("after"), person().name)

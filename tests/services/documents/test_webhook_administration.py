"""Administration of webhooks: creation with a secret shown once, test, replay and end."""

import base64

import pytest

from lots.services.documents import webhook_requests
from lots.services.documents.webhook_requests import Message
from tests.api.refusals import refused, send
from tests.api.test_idempotency import at_once
from tests.feed import followed, latest
from tests.receiver import add, go, signed_by, some_changes
from tests.store.rows import contents


def test_the_signature_is_that_of_the_specification():
    """The signature of the specification's example is as published."""
    message = Message("msg_p5jXN8AQM9LWM0D4loKWxJek", b'{"test": 2432232314}')
    secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # noqa: S105  # published
    assert "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=" == webhook_requests.signature(secret, message, 1614265330)


@pytest.mark.parametrize("engine", ["sqlite"])
def test_the_secret_is_shown_once(near, receiver):
    """The secret is shown once, and in no list, history or log."""
    hook = add(near, receiver.url)
    assert 32 == len(base64.b64decode(hook["secret"].removeprefix("whsec_")))
    near.post("admin", f"/webhooks/{hook['id']}/end")
    shown = [
        near.call("admin", "GET", path).get_data(as_text=True)
        for path in (
            "/webhooks",
            f"/webhooks/{hook['id']}",
            f"/webhooks/{hook['id']}/failures",
            "/events?limit=500",
            "/changes",
        )
    ]
    assert not [text for text in shown if hook["secret"] in text or hook["secret"][6:] in text]


@pytest.mark.parametrize("engine", ["sqlite"])
def test_a_repeated_answer_does_not_show_the_secret_again(near, receiver):
    """A repeated answer is the first one without the secret, which is not stored with the key."""
    body = {"url": receiver.url}
    first, again = (near.call("admin", "POST", "/webhooks", body, Idempotency_Key="one") for _ in range(2))
    assert (201, 201, "true") == (first.status_code, again.status_code, again.headers["Idempotent-Replayed"])
    secret = first.get_json()["secret"]
    assert {**first.get_json(), "secret": None} == again.get_json()
    assert 1 == sum(secret in repr(row) for row in contents())


@pytest.mark.parametrize("engine", ["sqlite"])
def test_a_test_message_says_what_the_receiver_answered(near, receiver, soon):
    """A test message returns the receiver's answer, is not stored, and is sent again by a repeat."""
    hook = add(near, receiver.url)
    before = contents()

    def answers(handler):
        handler.send_response(202)
        handler.send_header("Content-Length", "7")
        handler.end_headers()
        handler.wfile.write(b"thanks!")

    receiver.behave = answers
    for _ in range(2):
        told = near.post("admin", f"/webhooks/{hook['id']}/test", None, 200, Idempotency_Key="k")
        assert (True, 202, None, "thanks!") == tuple(told[name] for name in ("delivered", "status", "error", "said"))
    receiver.behave = receiver.hang
    told = near.post("admin", f"/webhooks/{hook['id']}/test", None, 200)
    assert (False, None, "The receiver did not answer within 0 s.") == (
        told["delivered"],
        told["status"],
        told["error"],
    )
    assert "webhook.test" == receiver.got[0].said["type"]
    assert all(signed_by(hook["secret"], one) for one in receiver.got)
    assert before == contents()


def test_replaying_from_a_position_sends_everything_after_it_again(near, receiver, sender):
    """A replay from a position sends everything after it with the same ids."""
    hook = add(near, receiver.url)
    some_changes(near)
    go(sender)
    first = {one.headers["webhook-id"]: one.body for one in receiver.got}
    every = [change["id"] for change in followed(near)]
    for place in (0, len(every) // 2, len(every) - 2):
        receiver.got.clear()
        near.post("admin", f"/webhooks/{hook['id']}/replay", {"after": every[place]})
        go(sender)
        assert set(every[place + 1 :]) <= set(receiver.changes)
        assert first.items() >= {one.headers["webhook-id"]: one.body for one in receiver.got}.items()
    for wrong in ("x", "999999.0", latest(near).split(".")[0]):
        answer = send(near, "POST", f"/v1/webhooks/{hook['id']}/replay", f'{{"after": "{wrong}"}}')
        refused(answer, 422, "invalid", ["/after"])
    near.post("admin", f"/webhooks/{hook['id']}/end")
    near.post("admin", f"/webhooks/{hook['id']}/replay", {}, 409)
    near.post("admin", f"/webhooks/{hook['id']}/test", None, 409)
    near.post("admin", f"/webhooks/{hook['id']}/end", None, 409)


@pytest.mark.parametrize("engine", ["sqlite"])
def test_there_are_at_most_twenty(near):
    """At most twenty webhooks are active."""
    hooks = [add(near, f"https://receiver.invalid/{number}") for number in range(20)]
    near.post("admin", "/webhooks", {"url": "https://receiver.invalid/21"}, 409)
    near.post("admin", f"/webhooks/{hooks[0]['id']}/end")
    assert 201 == at_once(near, [("admin", "/webhooks", {"url": "https://receiver.invalid/22"}, {})])[0].status_code

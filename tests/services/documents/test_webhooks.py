"""Webhooks: every change of the chosen kinds arrives at least once, signed, whatever the receiver does, without delay for others."""

import logging
from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from lots.services.documents import webhook_sending
from lots.services.documents.webhook_sending import BACKOFF, Sender
from lots.store.changes import webhooks as store
from lots.store.tables.models import Webhook
from tests.feed import followed, latest
from tests.receiver import HERE, Receiver, add, go, messages, signed_by, some_changes
from tests.shop import SIMPLE_LIMITS
from tests.store.rows import connected


def test_changes_are_sent_in_order_signed_and_once(near, receiver, sender):
    """Changes are sent once and in order, as in the feed, in the envelope of Standard Webhooks."""
    hook = add(near, receiver.url)
    delivery = near.good_lot()
    near.load(delivery["spools"][0]["code"])
    near.decide(delivery["lot_id"], "block")
    go(sender)
    go(sender)
    expected = followed(near)
    assert expected == [one.said["data"] for one in receiver.got]
    for one in receiver.got:
        assert signed_by(hook["secret"], one)
        assert {"type", "timestamp", "data"} == set(one.said)
        assert (one.said["type"], one.said["timestamp"]) == (one.said["data"]["kind"], one.said["data"]["at"])
        assert abs(int(one.headers["webhook-timestamp"]) - datetime.now(UTC).timestamp()) < 60
        assert ("application/json", "/changes?key=s3cret") == (one.headers["content-type"], one.path)
        assert f"127.0.0.1:{receiver.port}" == one.headers["host"]
        assert "." not in one.headers["webhook-id"]
    assert len(expected) == len({one.headers["webhook-id"] for one in receiver.got})
    assert [] == messages()
    assert (None, 0, 0) == tuple(
        near.get("admin", f"/webhooks/{hook['id']}")[name] for name in ("failing_since", "waiting", "failed")
    )


def test_only_what_changes_after_it_was_added_and_only_its_kinds(near, receiver, sender):
    """Only later changes of the chosen kinds are sent, and the position passes the others."""
    some_changes(near)
    hook = add(near, receiver.url, "lot.blocked", "containment.opened")
    delivery = near.good_lot(
        near.supplier("B"),
        near.grade("B", limits=SIMPLE_LIMITS),
    )
    near.load(delivery["spools"][0]["code"], machine="P9")
    near.decide(delivery["lot_id"], "block")
    near.decide(delivery["lot_id"], "lift")
    go(sender)
    assert ["lot.blocked", "containment.opened"] == [one.said["type"] for one in receiver.got]
    assert int(latest(near).split(".")[0]) == near.get("admin", f"/webhooks/{hook['id']}")["position"]


def test_a_receiver_that_is_down_loses_nothing(near, sender):
    """While a receiver is down changes wait with rare attempts, and then all arrive."""
    away = Receiver()
    port = away.port
    away.stop()
    with time_machine.travel(datetime.now(UTC), tick=False) as clock:
        hook = add(near, f"http://127.0.0.1:{port}/")
        expected, _ = some_changes(near)
        every = [change["id"] for change in followed(near)]
        for _ in range(3):
            go(sender)
        assert [(1, "The connection failed: Connection refused.")] + [(0, None)] * (len(every) - 1) == [
            (one.attempts, one.last_error) for one in messages()
        ]
        clock.shift(timedelta(seconds=6))
        go(sender)
        assert 2 == sum(one.attempts for one in messages())
        failures = near.get("admin", f"/webhooks/{hook['id']}/failures")["items"]
        assert every == [one["change_id"] for one in failures] == [one["change"]["id"] for one in failures]
        back = Receiver()
        with connected():
            Webhook.update(url=back.url).execute()
        try:
            clock.shift(timedelta(minutes=6))
            go(sender)
            assert sorted(every) == sorted(back.changes)
            assert set(expected) <= set(back.changes)
            assert [] == near.get("admin", f"/webhooks/{hook['id']}/failures")["items"]
            assert near.get("admin", f"/webhooks/{hook['id']}")["failing_since"] is None
        finally:
            back.stop()


@pytest.mark.parametrize("engine", ["sqlite"])
def test_a_message_is_sent_again_on_schedule_and_then_has_failed(near, receiver, sender):
    """A message is repeated after 5 s, 5 min, ... 24 h and then fails; a replay sends it under the same id."""
    receiver.behave = 500
    with time_machine.travel(datetime.now(UTC), tick=False) as clock:
        hook = add(near, receiver.url, "lot.quarantined")
        near.receive(near.supplier(), near.grade())
        go(sender)
        for nth, later in enumerate(BACKOFF, start=1):
            (one,) = messages()
            assert (nth, 500, "The receiver answered 500.") == (one.attempts, one.last_status, one.last_error)
            assert clock_now() + later == one.next_at
            clock.shift(later - timedelta(seconds=1))
            go(sender)
            assert nth == len(receiver.got)
            clock.shift(timedelta(seconds=1))
            go(sender)
            assert nth + 1 == len(receiver.got)
        clock.shift(timedelta(days=30))
        go(sender)
        (failed,) = near.get("admin", f"/webhooks/{hook['id']}/failures")["items"]
        assert (len(BACKOFF) + 1, None, 500) == (failed["attempts"], failed["next_at"], failed["last_status"])
        assert 1 == near.get("admin", f"/webhooks/{hook['id']}")["failed"]
        receiver.behave = 200
        assert 1 == near.post("admin", f"/webhooks/{hook['id']}/replay", {})["messages"]
        go(sender)
        assert len(BACKOFF) + 2 == len(receiver.got)
        assert 1 == len({one.headers["webhook-id"] for one in receiver.got})
        assert len(BACKOFF) + 2 == len({one.headers["webhook-timestamp"] for one in receiver.got})
        assert [] == near.get("admin", f"/webhooks/{hook['id']}/failures")["items"]


def clock_now():
    """Returns the present time."""
    return datetime.now(UTC)


@pytest.mark.parametrize("engine", ["sqlite"])
@pytest.mark.parametrize(
    ("way", "says"),
    [
        ("elsewhere", "The receiver answered 302. Redirects are not followed."),
        ("cut", "The connection failed: "),
        ("garbage", "The connection failed: "),
        ("hang", "The receiver did not answer within 0 s."),
        ("drip", "The receiver did not answer within 0 s."),
    ],
)
def test_a_receiver_that_misbehaves_fails_and_is_tried_again(near, receiver, sender, soon, way, says):
    """After a redirect, a cut, invalid HTTP, silence or an endless header the message waits with the error."""
    receiver.behave = getattr(receiver, way)
    add(near, receiver.url)
    near.receive(near.supplier(), near.grade())
    go(sender)
    (one,) = messages()
    assert one.attempts == 1
    assert one.last_error.startswith(says)
    assert ["/changes?key=s3cret"] == [got.path for got in receiver.got]


@pytest.mark.parametrize("engine", ["sqlite"])
def test_an_answer_without_an_end_is_read_no_further_than_it_must(near, receiver, sender, soon):
    """An endless body after a success status is not read to its end."""
    receiver.behave = receiver.endless
    add(near, receiver.url)
    near.receive(near.supplier(), near.grade())
    go(sender)
    assert [] == messages()
    assert 1 == len(receiver.got)


def test_410_ends_the_webhook(near, receiver, sender):
    """410 ends the webhook with a history entry."""
    receiver.behave = 410
    hook = add(near, receiver.url)
    some_changes(near)
    go(sender)
    go(sender)
    assert 1 == len(receiver.got)
    assert "the receiver, which answered 410" == near.get("admin", f"/webhooks/{hook['id']}")["ended_by"]
    ended = near.get("quality", "/events?what=webhook%20ended")["items"]
    assert [("lots serve", {"webhook": [hook["id"]]})] == [(one["by"], one["rows"]) for one in ended]


@pytest.mark.parametrize("engine", ["sqlite"])
def test_a_receiver_that_is_slow_slows_nobody(near, receiver, sender):
    """While one receiver is silent, another gets everything, and requests and rounds continue."""
    slow = Receiver()
    slow.behave = slow.hang
    try:
        add(near, slow.url)
        add(near, receiver.url)
        expected, _ = some_changes(near)
        with connected():
            sender.round()
        for thread in list(sender._threads.values())[1:]:
            thread.join(30)
        assert set(expected) <= set(receiver.changes)
        assert 1 == len(slow.got)
        delivery = near.receive(near.supplier("C"), near.grade("C"))
        with connected():
            sender.round()
        list(sender._threads.values())[1].join(30)
        assert followed(near)[-1]["id"] == receiver.changes[-1]
        assert delivery["lot_id"] == followed(near)[-1]["lot_id"]
        assert 1 == len(slow.got)
        slow.let_go.set()
        sender.wait()
    finally:
        slow.stop()


@pytest.mark.parametrize("engine", ["sqlite"])
def test_one_message_that_is_never_taken_does_not_hold_up_the_others(near, receiver, sender):
    """A message that is never accepted waits, and later ones arrive after the pause."""

    def takes_all_but_blocks(handler):
        status = 500 if receiver.got[-1].said["type"] == "lot.blocked" else 204
        handler.send_response(status)
        handler.end_headers()

    receiver.behave = takes_all_but_blocks
    with time_machine.travel(datetime.now(UTC), tick=False) as clock:
        add(near, receiver.url)
        expected, _ = some_changes(near)
        for _ in range(3):
            go(sender)
            clock.shift(timedelta(seconds=6))
        assert set(expected) <= set(receiver.changes)
        (one,) = [one for one in messages() if one.delivered_at is None]
        assert 2 == one.attempts


@pytest.mark.parametrize("engine", ["sqlite"])
def test_changes_of_other_kinds_do_not_make_a_receiver_well(near, receiver, sender):
    """Changes of other kinds leave a failing receiver failing."""
    receiver.behave = 500
    with time_machine.travel(datetime.now(UTC), tick=False) as clock:
        hook = add(near, receiver.url, "lot.quarantined")
        delivery = near.receive(near.supplier(), near.grade())
        go(sender)
        since = near.get("admin", f"/webhooks/{hook['id']}")["failing_since"]
        assert since is not None
        clock.shift(timedelta(seconds=6))
        go(sender)
        clock.shift(timedelta(seconds=60))
        near.decide(delivery["lot_id"], "block")
        go(sender)
        assert since == near.get("admin", f"/webhooks/{hook['id']}")["failing_since"]
        assert 2 == len(receiver.got)


@pytest.mark.parametrize("sends", [1, 2, 3])
def test_killed_between_sending_and_storing_nothing_is_lost(near, receiver, sender, monkeypatch, sends):
    """A message sent before a kill and not recorded is sent again under the same id."""
    add(near, receiver.url)
    some_changes(near)
    every = [change["id"] for change in followed(near)]
    real, calls = store.move, []

    def killed(*args):
        calls.append(args)
        if len(calls) <= sends:
            raise RuntimeError("killed")
        real(*args)

    monkeypatch.setattr(store, "move", killed)
    for _ in range(sends + 1):
        go(sender)
    assert set(every) == set(receiver.changes)
    assert len(every) == len({one.headers["webhook-id"] for one in receiver.got})
    assert len(receiver.got) > len(every)


def test_one_process_sends_at_a_time(near, receiver, sender):
    """A second process waits until the first stops sending."""
    other = Sender(HERE)
    try:
        add(near, receiver.url)
        go(sender)
        near.receive(near.supplier(), near.grade())
        go(other)
        assert [] == receiver.got
        go(sender)
        assert 1 == len(receiver.got)
        sender.stop()
        near.receive(near.supplier("B"), near.grade("B"))
        go(other)
        assert 2 == len(receiver.got)
    finally:
        other.stop()


def test_two_that_send_at_once_lose_nothing(near, receiver, monkeypatch):
    """Without the lock two senders never move positions back, and messages are stored once."""
    monkeypatch.setattr("lots.store.changes.sender_lock.SenderLock.take", lambda _self: True)
    add(near, receiver.url)
    some_changes(near)
    every = [change["id"] for change in followed(near)]
    both = [Sender(HERE), Sender(HERE)]
    with connected():
        for one in both:
            one.round()
    for one in both:
        one.wait()
    assert set(every) == set(receiver.changes)
    assert len(every) == len({one.headers["webhook-id"] for one in receiver.got})


@pytest.mark.parametrize("engine", ["sqlite"])
def test_a_day_of_failures_is_one_line_in_the_log(near, receiver, sender, caplog):
    """A day of failures is one log line with the host and without the path, which can hold a secret."""
    receiver.behave = 503
    with time_machine.travel(datetime.now(UTC), tick=False) as clock, caplog.at_level(logging.WARNING):
        hook = add(near, receiver.url, "lot.quarantined")
        near.receive(near.supplier(), near.grade())
        for _ in range(40):
            go(sender)
            clock.shift(timedelta(hours=1))
    said = [record.getMessage() for record in caplog.records if "webhook" in record.getMessage()]
    (line,) = said
    assert f"webhook {hook['id']} has been failing for a day: 127.0.0.1:{receiver.port}" in line
    assert "s3cret" not in caplog.text
    assert hook["secret"] not in caplog.text


def test_the_pause_grows_with_the_failure_and_has_an_end():
    """The pause grows from 5 s to 5 min."""
    now = datetime(2026, 3, 2, tzinfo=UTC)
    waits = [webhook_sending.pause(now - timedelta(seconds=s), now).total_seconds() for s in (0, 49, 100, 3000, 10**6)]
    assert [5, 5, 10, 300, 300] == waits
